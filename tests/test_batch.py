"""Many sites: names, rows, resuming, workers that die, and one page for all."""

from __future__ import annotations

import csv
import json
import multiprocessing
import os
import shutil
import subprocess
import sys
import time
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from geoleak.batch import run as batch_run
from geoleak.batch.run import (
    JOURNAL,
    Options,
    Processes,
    SiteFolder,
    failed,
    find_sites,
    finished_before,
    key_of,
    locate_one,
    pool_of,
    run,
    unchanged,
    write_summary,
)
from geoleak.errors import InputError
from geoleak.record import replace
from geoleak.units import unit_m
from tests import browser
from tests.command import REPO, at_length, process
from tests.command import run as command
from tests.samples import by_few_nodes
from tests.site_folders import READINGS, write_folder
from tests.trials.frozen import write_site


@pytest.fixture
def many(tmp_path: Path) -> Path:
    """Three sites of two readings, and one that cannot be read."""
    top = tmp_path / "towns"
    (top / "north").mkdir(parents=True)
    for name, level in (("north/a", "41"), ("north/b", "35"), ("south", "38")):
        folder = write_folder(top, {"readings.csv": READINGS.replace("41", level)})
        folder.rename(top / name)
    bad = top / "broken"
    bad.mkdir()
    (bad / "site.toml").write_text("crs = 1\n")
    return top


@pytest.fixture
def forked(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let workers be forks, which import nothing again."""
    fork = multiprocessing.get_context("fork")
    monkeypatch.setattr(batch_run.multiprocessing, "get_context", lambda _: fork)


@pytest.fixture(scope="module")
def alone() -> dict[str, dict]:
    """The rows of those sites, each located by itself, once they are."""
    return {}


def rows_of(many: Path, alone: dict[str, dict]) -> dict[str, dict]:
    """Return what each site comes to by itself in this process."""
    if not alone:
        options = Options(many.parent / "alone", summary_only=True)
        for each in find_sites([many], out=options.out):
            alone[each.name] = alike(locate_one(each, options))
    return alone


def alike(row: dict) -> dict:
    """Return a row to compare: a worker may sum in another order, in the last digits."""
    return {
        name: round(value, 9) if isinstance(value, float) else value
        for name, value in row.items()
        if name != "key"
    }


def test_names_are_paths_below_the_folder_named(many: Path, tmp_path: Path) -> None:
    found = find_sites([many], out=tmp_path / "out")
    assert [each.name for each in found] == ["broken", "north/a", "north/b", "south"]
    assert [each.name for each in find_sites([many / "south"], out=tmp_path)] == ["south"]
    # A run never takes its own output for sites.
    shutil.copytree(many / "south", many / "out" / "south")
    assert len(find_sites([many], out=many / "out")) == 4


def test_two_of_a_name_and_nothing_at_all_are_refused(many: Path, tmp_path: Path) -> None:
    with pytest.raises(InputError, match='two sites are called "a"'):
        shutil.copytree(many / "north" / "a", tmp_path / "other" / "a")
        find_sites([many / "north", tmp_path / "other"], out=tmp_path / "out")
    (tmp_path / "empty").mkdir()
    with pytest.raises(InputError, match=r"no site\.toml"):
        find_sites([tmp_path / "empty", tmp_path / "gone"], out=tmp_path / "out")


def test_the_key_follows_inputs_and_options_and_nothing_else(many: Path) -> None:
    site = many / "south"
    before = key_of(site, options="x")
    (site / "out").mkdir()
    (site / "out" / "map.html").write_text("made")
    (site / ".hidden").write_text("")
    assert key_of(site, options="x") == before
    assert key_of(site, options="y") != before
    (site / "readings.csv").write_bytes((site / "readings.csv").read_bytes() + b"\n")
    assert key_of(site, options="x") != before


def test_workers_give_what_one_process_gives(many: Path, tmp_path: Path, alone) -> None:
    options = Options(tmp_path / "out")
    sites = find_sites([many], out=options.out)
    rows: list[dict] = []
    with pool_of(workers=1, scheduler=None) as pool:
        assert run(sites, pool, options, tell=rows.append)
    assert {row["site"]: alike(row) for row in rows} == rows_of(many, alone)
    assert sorted(row["site"] for row in rows) == [each.name for each in sites]
    ok = {row["site"] for row in rows if row["status"] == "ok"}
    assert ok == {"north/a", "north/b", "south"}
    assert all((options.out / name / "result.json").is_file() for name in ok)
    (bad,) = [row for row in rows if row["status"] == "failed"]
    assert bad["message"].startswith("site.toml:1")
    # What is finished is found again, and again only while nothing it came from has changed.
    before = finished_before(options.out)
    again = {each.name: unchanged(each, before.get(each.name), options) for each in sites}
    assert again == {"broken": False, "north/a": True, "north/b": True, "south": True}
    (many / "south" / "readings.csv").write_text("reading,kind,place,level\n1,surface,101,30\n")
    assert not unchanged(sites[-1], before["south"], options)
    shutil.rmtree(options.out / "north" / "a")
    assert not unchanged(sites[1], before["north/a"], options)


@pytest.mark.usefixtures("forked")
def test_what_was_located_on_other_tables_is_located_again(many: Path, tmp_path: Path) -> None:
    learned = tmp_path / "t.toml"
    text = "[learned]\nsites = 9\n[soil_loss]\nvalue = 2.5\nspread = 0.4\nsites = 9\nsd = 0.1\n"
    learned.write_text(text)
    site = many / "north" / "a"
    words = ["batch", site, "--out", tmp_path / "out", "--workers", "1", "--resume"]
    document = tmp_path / "out" / "a" / "result.json"

    def located(*more) -> tuple[bool, dict | None]:
        before = document.stat().st_mtime_ns if document.exists() else 0
        with by_few_nodes():
            assert command(*words, *more).code == 0
        run_of = json.loads(document.read_text())["run"]
        return document.stat().st_mtime_ns != before, run_of["tables"]

    assert located() == (True, None)
    assert located()[0] is False
    used = {"file": "t.toml", "sites": 9, "first": "", "last": ""}
    assert located("--tables", learned) == (True, used)
    assert located("--tables", learned)[0] is False
    learned.write_text(text.replace("2.5", "2.6"))
    assert located("--tables", learned)[0] is True
    learned.write_text(text.replace("2.5", "99"))
    ran = command(*words, "--tables", learned)
    assert ran.code == 2 and "t.toml:4:9: soil_loss.value: 99 is out of range" in ran.err


def test_a_journal_line_cut_short_by_a_kill_is_passed_over(tmp_path: Path) -> None:
    journal = tmp_path / "journal"
    journal.mkdir()
    whole = json.dumps(failed("a", "x"))
    (journal / "w-1.jsonl").write_text(whole + "\n" + whole[:30])
    assert list(finished_before(tmp_path)) == ["a"]


class Dying:
    """A pool whose worker dies over one site, as a process does that the system kills."""

    workers = 1

    def __init__(self, over: str, times: int, monkeypatch) -> None:
        self.over, self.times = over, times
        monkeypatch.setattr(batch_run, "wait", self.one_done)
        self.sent: list[list[str]] = []
        self.most = 0

    def submit(self, sites, options):
        from concurrent.futures import Future
        from concurrent.futures.process import BrokenProcessPool

        self.sent.append([each.name for each in sites])
        future: Future = Future()
        if self.over in self.sent[-1] and self.times > 0:
            self.times -= 1
            future.set_exception(BrokenProcessPool("gone"))
        else:
            future.set_result([{**failed(each.name, ""), "status": "ok"} for each in sites])
        return future

    def one_done(self, waiting, **_):
        self.most = max(self.most, len(waiting))
        return SimpleNamespace(done={next(iter(waiting))})


@pytest.mark.parametrize(("times", "status"), [(1, "ok"), (2, "ok"), (3, "failed")])
def test_a_dead_worker_s_site_is_tried_again_then_named(
    tmp_path, monkeypatch, times, status
) -> None:
    # The first death is the chunk's: nobody knows yet over which of its sites.
    sites = [SiteFolder(name, tmp_path) for name in "abc"]
    pool, rows = Dying("b", times, monkeypatch), []
    assert run(sites, pool, Options(tmp_path), tell=rows.append)
    assert {row["site"]: row["status"] for row in rows} == {"a": "ok", "b": status, "c": "ok"}
    if status == "failed":
        (bad,) = [row for row in rows if row["site"] == "b"]
        assert "the worker died over it" in bad["message"]


def test_sites_go_to_a_worker_by_eights_and_three_such_wait(tmp_path: Path, monkeypatch) -> None:
    """Few enough that the last worker is not waited for; enough that none is idle."""
    pool = Dying("", 0, monkeypatch)
    assert run(
        [SiteFolder(f"s{k}", tmp_path) for k in range(50)], pool, Options(tmp_path), tell=len
    )
    assert [len(each) for each in pool.sent] == [8, 8, 8, 8, 8, 8, 2]
    assert pool.most == 3


@pytest.mark.usefixtures("forked")
def test_a_worker_that_is_killed_costs_no_other_site(
    many: Path, tmp_path: Path, monkeypatch
) -> None:
    monkeypatch.setattr(batch_run, "CHUNK", 1)
    options = Options(tmp_path / "out", summary_only=True)
    sites = find_sites([many], out=options.out)
    rows: list[dict] = []
    pool = Processes(1)
    killed = []

    def tell(row):
        rows.append(row)
        if not killed:
            assert pool._pool is not None
            killed.extend(pool._pool._processes)
            for process in list(pool._pool._processes.values()):
                process.kill()

    assert run(sites, pool, options, tell=tell)
    pool.close()
    assert killed
    assert sorted(row["site"] for row in rows) == [each.name for each in sites]
    assert sum(row["status"] == "ok" for row in rows) == 3


def test_ctrl_c_finishes_what_runs(tmp_path: Path, monkeypatch) -> None:
    sites = [SiteFolder(f"s{k:02}", tmp_path) for k in range(80)]
    rows: list[dict] = []

    def tell(row):
        rows.append(row)
        if len(rows) == 10:
            raise KeyboardInterrupt

    pool = Dying("none", 0, monkeypatch)
    assert not run(sites, pool, Options(tmp_path), tell=tell)
    assert 10 <= len(rows) < len(sites)


def test_the_summary_s_files_read_back(tmp_path: Path) -> None:
    import geopandas as gpd

    folder = write_folder(tmp_path / "x") if (tmp_path / "x").mkdir() is None else tmp_path
    rows = [
        locate_one(SiteFolder("elm", folder), Options(tmp_path, summary_only=True)),
        failed("=cmd|' /C calc'!A0", "</script><img src=x onerror=alert(1)>"),
    ]
    write_summary(rows, tmp_path)
    with (tmp_path / "batch.csv").open(newline="") as stream:
        table = list(csv.DictReader(stream))
    assert [row["status"] for row in table] == ["ok", "failed"]
    assert table[1]["site"].startswith("'=")
    assert float(table[0]["chance_in_hole"]) == rows[0]["chance_in_hole"]
    layer = gpd.read_file(tmp_path / "batch.gpkg", layer="sites")
    assert str(layer.crs).endswith("4326")
    assert list(layer.geometry.isna()) == [False, True]
    page = (tmp_path / "index.html").read_text()
    at_m = rows[0]["chainage_m"]
    assert f'"{rows[0]["leg"]} {at_m / unit_m(rows[0]["length_unit"]):.1f} ft"' in page
    assert "<img src=x" not in page
    assert "http" not in page.split("</style>", 1)[1].split("<script>", 1)[0]


@at_length("processes", [False], [True])
def test_a_cluster_s_workers_give_the_same_rows(
    many: Path, tmp_path: Path, alone, processes: bool
) -> None:
    distributed = pytest.importorskip("dask.distributed")
    options = Options(tmp_path / "out", summary_only=True)
    sites = find_sites([many], out=options.out)
    rows: list[dict] = []
    with (
        distributed.LocalCluster(
            n_workers=2, threads_per_worker=1, processes=processes, dashboard_address=None
        ) as cluster,
        pool_of(workers=1, scheduler=cluster.scheduler_address) as pool,
    ):
        assert pool.workers == 2
        assert run(sites, pool, options, tell=rows.append)
    assert {row["site"]: alike(row) for row in rows} == rows_of(many, alone)


def test_the_terminal_names_failed_sites_with_their_complaint(monkeypatch, tmp_path: Path) -> None:
    import geoleak.batch.run

    told = [failed(f"s{k:02}", f"marks.csv:{k}: no such mark") for k in range(12)]
    names = [SimpleNamespace(name=each["site"]) for each in told]

    def ran(todo, pool, options, *, tell):
        for each in told:
            tell(each)
        return True

    monkeypatch.setattr(geoleak.batch.run, "find_sites", lambda folders, out: names)
    monkeypatch.setattr(geoleak.batch.run, "unchanged", lambda *given: False)
    monkeypatch.setattr(geoleak.batch.run, "run", ran)
    done = command("batch", tmp_path, "--out", tmp_path / "out", "--workers", "1")
    assert "failed s03: marks.csv:3: no such mark" in done.out
    assert done.out.count("no such mark") == 10 and "and 2 more failed" in done.out


def test_a_service_in_the_hole_is_in_the_row(monkeypatch, tmp_path: Path) -> None:
    from tests.results import feet_site

    result = feet_site()
    crossing = replace(result.services[0], in_hole=True)
    decision = replace(result.decision, reasons=("57% that it is so",))
    result = replace(result, services=(crossing,), decision=decision)
    monkeypatch.setattr("geoleak.pipeline.read_site", lambda folder, tables: None)
    monkeypatch.setattr("geoleak.pipeline.locate", lambda site: result)
    folder = write_folder(tmp_path)
    row = locate_one(SiteFolder("a", folder), Options(tmp_path, summary_only=True))
    # Per cent as every other output has it.
    assert row["message"] == f"{crossing.name} in the hole; 57 % that it is so"


def ended(pid: int) -> bool:
    """Wait until a process is gone."""
    for _ in range(1000):
        try:
            os.kill(pid, 0)
        except ProcessLookupError:
            return True
        time.sleep(0.02)
    return False


def test_a_worker_ends_with_its_parent() -> None:
    code = (
        "import multiprocessing, time; from geoleak.batch.run import _end_with_parent as target;"
        "child = multiprocessing.get_context('spawn').Process(target=target, daemon=True);"
        "child.start(); print(child.pid, flush=True); time.sleep(600)"
    )
    parent = subprocess.Popen([sys.executable, "-c", code], cwd=REPO, stdout=subprocess.PIPE)
    assert parent.stdout is not None
    child = int(parent.stdout.readline())
    time.sleep(0.5)
    os.kill(child, 0)
    parent.kill()
    parent.wait()
    assert ended(child)


@pytest.mark.long
def test_a_killed_run_goes_on_where_it_was(many: Path, tmp_path: Path) -> None:
    for k in range(4, 10):
        write_site(many / f"more{k:02}", k)
    out = tmp_path / "out"
    words = [sys.executable, "-m", "geoleak", "batch", str(many), "--out", str(out)]
    child = subprocess.Popen([*words, "--workers", "1"], cwd=REPO, stdout=subprocess.DEVNULL)
    while len(finished_before(out)) < 3 and child.poll() is None:  # however long it takes
        time.sleep(0.02)
    child.kill()
    child.wait()
    workers = [int(each.stem.rpartition("-")[2]) for each in (out / JOURNAL).iterdir()]
    assert workers
    assert all(map(ended, workers))
    done = {name for name, row in finished_before(out).items() if row["status"] == "ok"}
    assert 2 <= len(done) < 10
    stamps = {name: (out / name / "result.json").stat().st_mtime_ns for name in done}
    ran = process("batch", many, "--out", out, "--resume", "--json")
    assert ran.code == 1  # the broken site
    assert (ran.json["done"], ran.json["failed"]) == (10, 1)
    # Nothing that was finished is done again.
    assert stamps == {name: (out / name / "result.json").stat().st_mtime_ns for name in done}


@pytest.mark.browser
@pytest.mark.skipif(not (browser.CHROMIUM and browser.DRIVER), reason=browser.MISSING)
def test_sites_at_one_place_are_counted_on_the_map_and_chosen_in_turn(tmp_path, driver) -> None:
    from selenium.webdriver.support.ui import WebDriverWait

    at = {"status": "ok", "verdict": "dig", "chance_in_hole": 0.9, "lon": 9.18, "lat": 48.72}
    names = ["a", "b", "c"]
    write_summary([{**failed(name, f"why {name}"), **at} for name in names], tmp_path)
    browser.size(driver, 390, 844)
    driver.get((tmp_path / "index.html").as_uri())
    script = driver.execute_script
    counted = "return [...document.querySelectorAll('#map .count')].map((e) => e.innerText)"
    WebDriverWait(driver, 20).until(lambda _: script(counted) == ["3"])
    script("map.setZoom(19, { animate: false })")
    tap = "layer.eachLayer((each) => each instanceof L.CircleMarker && each.fire('click'))"
    said = []
    for _ in range(4):
        script(tap)
        said.append(script("return document.getElementById('said').innerText"))
    assert said == [f"{name}: why {name}" for name in (*names, "a")]


@pytest.mark.browser
@pytest.mark.skipif(not (browser.CHROMIUM and browser.DRIVER), reason=browser.MISSING)
def test_ten_thousand_sites_are_usable_in_a_browser(tmp_path: Path, driver) -> None:
    from selenium.webdriver.support.ui import WebDriverWait

    rng = np.random.default_rng(4)
    verdicts = ("dig", "check_first", "listen_on", None)
    rows = []
    for k in range(10_000):
        verdict = verdicts[int(rng.integers(4))]
        town = rng.integers(5)
        rows.append(
            {
                **failed(f"town{town}/site {k:05}", "levels agree with one leak"),
                "status": "ok" if verdict else "failed",
                "verdict": verdict,
                "chance_in_hole": float(rng.uniform(0.3, 0.99)) if verdict else None,
                "leg": "yard" if verdict else None,
                "chainage_m": float(rng.uniform(0, 80)) if verdict else None,
                "lon": float(-79 + town + rng.normal(0, 0.05)),
                "lat": float(35.9 + rng.normal(0, 0.05)),
            }
        )
    write_summary(rows, tmp_path)
    browser.size(driver, 1280, 800)
    driver.get((tmp_path / "index.html").as_uri())
    script = driver.execute_script
    count = "return document.querySelectorAll('#list [role=listitem]').length"
    WebDriverWait(driver, 20).until(lambda _: 5 < script(count) < 60)
    assert "10000 of 10000 sites" in script("return document.getElementById('count').innerText")
    first = script("return document.querySelector('#list .row').innerText")
    assert "DIG" in first
    # To the end of the list: the last row is there, and what is not seen is not in the page.
    script("const l = document.getElementById('list'); l.scrollTop = l.scrollHeight")
    last = (
        "return [...document.querySelectorAll('#list .row')].at(-1).getAttribute('aria-posinset')"
    )
    WebDriverWait(driver, 20).until(lambda _: script(last) == "10000")
    assert script(count) < 60
    # One search, as typed: what it costs is a share of a second.
    took = script(
        "const f = document.getElementById('find'); f.value = 'site 00042';"
        "const t = performance.now(); f.dispatchEvent(new Event('input'));"
        "return performance.now() - t"
    )
    assert took < 1000
    assert script(count) == 1
    assert script("return document.querySelector('#list .row').offsetHeight") >= 44
    # On a phone as well no verdict is cut, and rows stand as far apart as they are tall.
    browser.size(driver, 390, 844)
    script("document.getElementById('find').value = '';"
           "const v = document.getElementById('verdict'); v.value = 'check_first';"
           "v.dispatchEvent(new Event('change'))")  # fmt: skip
    cut = script(
        "return [...document.querySelectorAll('#list .row')].filter((row, k) =>"
        " row.children[1].scrollWidth > row.children[1].clientWidth"
        " || row.children[1].scrollHeight > row.children[1].clientHeight"
        " || row.offsetTop !== k * row.offsetHeight).length"
    )
    assert cut == 0 and script(count) > 5
    # Why stands in no row of a phone, and three lines of it on a desk: all of it once chosen.
    said = "const s = document.getElementById('said'); return [s.innerText, s.offsetHeight > 20]"
    assert script(said) == ["", False]
    script("document.querySelector('#list .row').click()")
    site = script("return document.querySelector('#list .row').children[0].innerText")
    assert script(said) == [f"{site}: levels agree with one leak", True]
    problems = [e for e in driver.get_log("browser") if "favicon" not in e["message"]]
    assert not problems
