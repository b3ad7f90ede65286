"""What closed-out sites teach: arithmetic against closed forms, the file, how it is used."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from scipy import optimize, stats

from geoleak import tables
from geoleak.closeout import learning
from geoleak.closeout.learning import (
    Seen,
    Told,
    learn,
    refit,
    shares_at,
    shipped_shares,
    told_of,
    word,
    words_of,
    write_learned,
)
from geoleak.errors import GeoleakError, InputError
from geoleak.evidence import Nodes
from geoleak.pipeline import locate, read_site
from geoleak.readers import read_tables
from geoleak.record import replace
from geoleak.survey import PipePlace, SurveyedDelay
from geoleak.tables.learned import HEAD, SHARES, Learned, Tables, learnables, to_toml
from tests import synthetic
from tests.command import REPO, at_length, run
from tests.trials import learning_trial

pytestmark = pytest.mark.usefixtures("few_nodes")

COURT = REPO / "sample_sites" / "alder_court"


def seen(values, sd, *, centre=0.0, spread=1.0, name="level_error_log") -> list[Seen]:
    sds = np.broadcast_to(sd, np.shape(values))
    pairs = zip(values, sds, strict=True)
    return [Seen(name, float(v), float(s), centre, spread) for v, s in pairs]


# -- one value -----------------------------------------------------------------------------------


def test_sites_that_know_nothing_leave_the_shipped_value() -> None:
    found = refit(seen(np.linspace(-3, 3, 9) + 1.5, 1e5, centre=1.5, spread=0.6))
    assert found.value == pytest.approx(1.5, abs=1e-6)
    assert found.spread == pytest.approx(0.6, rel=1e-3)
    assert found.sd == pytest.approx(0.3, rel=1e-6)  # a quarter of the variance is the region's


def test_the_middle_is_the_mode_under_student_s_t() -> None:
    rng = np.random.default_rng(4)
    for count in (1, 5, 40):
        values, sd = rng.normal(1.2, 1.0, count), rng.uniform(0.3, 2.0, count)
        found = refit(seen(values, sd))
        scatter = found.spread**2 - found.sd**2

        def against(mu, values=values, sd=sd, scatter=scatter):
            # A t of 4 degrees at the scale that fits a normal best, as heavy as the normal.
            scale = 0.831 * np.sqrt(scatter + sd**2)
            return -(0.831**2) * stats.t.logpdf((values - mu) / scale, 4).sum() - stats.norm.logpdf(
                mu, 0.0, 0.5
            )

        best = optimize.minimize_scalar(against, bounds=(-3, 3), method="bounded").x
        assert found.value == pytest.approx(best, abs=2e-3)


def test_the_scatter_is_shrunk_from_ten_sites_and_never_under_half_the_shipped() -> None:
    found = refit(seen(np.zeros(10), 1e-6))
    assert found.spread**2 - found.sd**2 == pytest.approx(0.75 * 10 / 20, rel=1e-3)
    assert refit(seen(np.zeros(2000), 1e-6)).spread == pytest.approx(0.5, abs=1e-9)


def test_it_goes_round_until_it_has_settled(monkeypatch: pytest.MonkeyPatch) -> None:
    """Slowest where many sites know little each; half as many rounds leave 8 in 1,000."""
    values = 1.0 + np.random.default_rng(1).normal(0, 1.005, 400)
    found = refit(seen(values, 1.0))
    monkeypatch.setattr(learning, "STEPS", 1000)
    assert found.spread == pytest.approx(refit(seen(values, 1.0)).spread, rel=1e-3)


def test_many_sites_are_believed() -> None:
    rng = np.random.default_rng(5)
    values = rng.normal(2.0, 0.7, 3000)
    found = refit(seen(values, 1e-3))
    assert found.value == pytest.approx(2.0, abs=0.05)
    assert found.spread == pytest.approx(0.7, abs=0.03)


def test_five_sites_move_little_and_one_that_is_wrong_hardly_anything() -> None:
    five = refit(seen(np.full(5, 1.0), 1.0))
    assert 0.2 < five.value < 0.5
    rng = np.random.default_rng(6)
    values = rng.normal(0.3, 0.5, 12)
    plain = refit(seen(values, 0.5))
    for off in (10.0, 1e3, 1e9):
        wrong = refit(seen(np.append(values, off), 0.5))
        assert abs(wrong.value - plain.value) < 0.05
        assert wrong.spread < 1.3 * plain.spread


@at_length("sites", [400], [800])
def test_learned_values_cover_the_next_site_and_gain_score(sites: int) -> None:
    # Simulated regions of the shipped hierarchy: the next site's value, standardised by what was
    # learned, is standard normal, and likelier than under the shipped row.
    rng = np.random.default_rng(7)
    off, gain = [], []
    for _ in range(sites):
        middle = rng.normal(0, 0.5)
        site = rng.normal(middle, np.sqrt(0.75), 31)
        sd = rng.uniform(0.5, 2.0, 30)
        row = refit(seen(site[:30] + sd * rng.normal(size=30), sd))
        off.append((site[30] - row.value) / row.spread)
        gain.append(
            stats.norm.logpdf(site[30], row.value, row.spread) - stats.norm.logpdf(site[30])
        )
    assert np.mean(np.abs(off) < 1.96) == pytest.approx(
        0.95, abs=3.3 * np.sqrt(0.05 * 0.95 / sites)
    )
    assert np.mean(gain) > 0.02


def test_shares_are_counts_and_a_hundred_sites_of_the_shipped() -> None:
    rows = dict.fromkeys(("line", *SHARES), 0.0)
    aside = Told("a", "2026-01-04", (), rows | {"aside": 1.0})
    plain = Told("b", "2026-05-06", (), rows | {"line": 1.0})
    found, before = learn([aside] * 5 + [plain] * 15)
    share = {row.name: row.value for row in found.rows}
    assert share["share.aside"] == pytest.approx((100 * 0.05 + 5) / 120)
    assert share["share.fitting"] == pytest.approx(100 * 0.06 / 120)
    assert before["share.displaced"] == (shipped_shares()["displaced"], 0.0)
    assert (found.sites, found.first, found.last) == (20, "2026-01-04", "2026-05-06")


# -- what a site says ----------------------------------------------------------------------------


def test_a_word_is_the_posterior_without_its_prior() -> None:
    # Prior N(0, 1), a datum 1.4 with sigma 0.8: the word is the datum.
    variance = 1 / (1 + 1 / 0.64)
    (found,) = word("x", variance * 1.4 / 0.64, variance, 2.0, 0.5)
    assert (found.mean, found.sd) == pytest.approx((2.0 + 0.5 * 1.4, 0.5 * 0.8))
    assert word("x", 0.0, 0.975, 0.0, 1.0) == []
    assert word("x", 0.0, 0.965, 0.0, 1.0)


@at_length("soil", ["clay"], ["fill"])
def test_sites_tell_the_soil_that_they_were_drawn_on(soil: str) -> None:
    row = tables.soil(soil)
    source = tables.setting("source_over_background").value + 8.0
    town = Tables((
        Learned("soil_loss", row.loss_db_per_m, 1e-6, 1, 0.0),
        Learned("source_over_background", source, 1e-6, 1, 0.0),
    ))  # fmt: skip
    words: dict[str, list[Seen]] = {}
    for k in range(40):
        rng = np.random.default_rng([20, k])
        survey, truth = learning_trial.draw_site(rng, town)
        for each in words_of(survey, truth.leg, truth.chainage_m):
            words.setdefault(each.name, []).append(each)

    def pooled(name: str) -> tuple[float, float]:
        mean = np.array([each.mean for each in words[name]])
        weight = np.array([each.sd for each in words[name]]) ** -2.0
        return float(weight @ mean / weight.sum()), float(weight.sum() ** -0.5)

    found, sd = pooled("soil_loss")
    assert abs(found - np.log(row.loss_db_per_m)) < 3 * sd
    assert abs(found - np.log(4.0)) > 2 * sd, "it cannot be told from the shipped value"
    found, sd = pooled("source_over_background")
    assert abs(found - source) < 3.5 * sd
    learned = refit(words["soil_loss"]).value
    assert (learned < np.log(4.0)) == (soil == "clay")


def test_nodes_that_are_too_few_say_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    survey, truth = learning_trial.draw_site(np.random.default_rng(1), Tables())
    names = learning.gather(survey)[0].nuisances
    for count, says in ((7, False), (9, True)):
        nodes = Nodes.even(names, 0.3 * Nodes.over(names, count=count).deviates)
        monkeypatch.setattr(learning, "_nodes", lambda *_, nodes=nodes: nodes)
        assert bool(words_of(survey, truth.leg, truth.chainage_m)) is says


@pytest.mark.parametrize(("unheard", "says"), [(31, True), (33, False)])
def test_a_leak_that_was_perhaps_not_heard_tells_no_strength(
    monkeypatch: pytest.MonkeyPatch, unheard: int, says: bool
) -> None:
    survey, truth = learning_trial.draw_site(np.random.default_rng(2), Tables())

    def draws(_, belief, ticks):
        assert len(belief) == len(ticks) == 320
        strength = 15.0 + 2.0 * (ticks[:, 0] - 0.5)
        strength[:unheard] = -np.inf
        return SimpleNamespace(strength_db=strength)

    monkeypatch.setattr(learning.SurfaceEvidence, "draws", draws)
    names = {each.name for each in words_of(survey, truth.leg, truth.chainage_m)}
    assert ("source_over_background" in names) is says


def timed(delay_s: float, *, at: tuple[float, float] = (0.0, 100.0)):
    route = synthetic.straight(100.0)
    first, second = (PipePlace(0, x) for x in at)
    return synthetic.survey(
        [route], delays=(SurveyedDelay("d", first, second, delay_s, 1e-4),), material="pvc"
    )


def test_a_delay_tells_the_wave_speed_once_the_place_is_known() -> None:
    # PVC of unstated bore: 430 +- 110 m/s. From 20 m the paths differ by 20 - 80 = -60 m.
    (found,) = words_of(timed(-60 / 480), 0, 20.0)
    assert found.name == "speed_plastic"
    assert (found.centre, found.spread) == pytest.approx((430.0, 110.0))
    # Linear in slowness: the speed is told to first order about 430.
    assert found.mean == pytest.approx(430 + (1 / 430 - 1 / 480) * 430**2, rel=0.01)
    assert found.sd < 5.0


def test_a_delay_of_the_wrong_peak_tells_nothing() -> None:
    slow, sigma = 1 / 430, 110 / 430**2
    noise = np.sqrt(learning.DelayEvidence(timed(0.0)).noise_s2[0, 0])
    for off, says in ((2.9, True), (3.1, False)):
        wide = np.hypot(60 * sigma, noise)
        assert bool(words_of(timed(-60 * slow - off * wide), 0, 20.0)) is says


def test_explanations_at_the_place_found() -> None:
    survey, truth = learning_trial.draw_site(np.random.default_rng(3), Tables())
    posterior = told_posterior(survey)
    on = shares_at(posterior, truth.leg, truth.chainage_m)
    off = shares_at(posterior, None, None)
    assert sum(on.values()) == pytest.approx(1.0)
    assert on["elsewhere"] == 0.0 and on["line"] > 0.3
    assert off["line"] == 0.0 and sum(off.values()) == pytest.approx(1.0)


def told_posterior(survey):
    prior = survey.site.prior.model_copy(update={"aside": 0.05, "fitting": 0.06, "displaced": 0.1})
    return learning.infer(replace(survey, site=replace(survey.site, prior=prior)))


# -- the file ------------------------------------------------------------------------------------

ROWS = (
    Learned("soil_loss", 2.934, 0.4123, 31, 0.0912),
    Learned("pipe_loss.pvc", 0.8712, 0.41, 12, 0.1),
    Learned("level_error_log", -0.0321, 0.2, 34, 0.04),
    Learned("share.fitting", 0.0713, 0.0221, 34, 0.0221),
)
SHIPPED = {row.name: (1.0, 0.5) for row in ROWS}


def test_the_file_reads_back(tmp_path: Path) -> None:
    path = tmp_path / "tables.toml"
    path.write_text(to_toml(Tables(ROWS, "", "", 34, "2026-01-04", "2026-05-06"), SHIPPED))
    found = read_tables(path)
    assert (found.file, found.sites, found.first) == ("tables.toml", 34, "2026-01-04")
    for made, read in zip(ROWS, found.rows, strict=True):
        assert (read.name, read.sites) == (made.name, made.sites)
        assert (read.value, read.spread, read.sd) == pytest.approx(
            (made.value, made.spread, made.sd), rel=1e-3
        )
    assert found.soil().loss_db_per_m == pytest.approx(2.934)
    assert found.material("uPVC").loss_db_per_m == pytest.approx(0.8712)
    assert found.material("copper") == tables.material("copper")
    assert found.setting("gust_sigma") == tables.setting("gust_sigma")
    assert found.shares() == {"fitting": pytest.approx(0.0713)}


def test_a_ratio_stands_for_pipes_whose_speed_is_computed() -> None:
    known = Tables((Learned("speed_ratio.pvc", 0.9, 0.06, 8, 0.02),))
    assert known.speed("PVC", (400.0, 60.0)) == pytest.approx((360.0, 24.0))
    assert known.speed("copper", (1200.0, 60.0)) == (1200.0, 60.0)


GOOD = """[learned]
sites = 34
from = "2026-01-04"
to = "2026-05-06"

[soil_loss]
value = 2.9
spread = 0.4
sites = 31
sd = 0.09
"""


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("value = 2.9", "value = 290", r"t\.toml:7:9: soil_loss\.value: 290 is out of range; "
         r"write at most 30"),
        ("value = 2.9", 'value = "2.9"', r"7:9: soil_loss\.value: .* is text"),
        ("value = 2.9", "value = true", r"is not a number"),
        ("value = 2.9", "value = nan", r"is not a finite number"),
        ("spread = 0.4", "spread = 0", r"t\.toml:8:10: soil_loss\.spread: 0 is out of range"),
        ("sd = 0.09\n", "", r"t\.toml:6:1: soil_loss\.sd is missing; write sd = \.\.\."),
        ("sd = 0.09", "ssd = 0.09", r"t\.toml:10:1: unknown key \"soil_loss\.ssd\"; did you mean"),
        ("[soil_loss]", "[soil_los]", r"t\.toml:6:1: unknown key \"soil_los\"; did you mean"),
        ("[soil_loss]", "[pipe_loss.pvvc]", r"unknown key \"pipe_loss\.pvvc\"; did you mean"),
        ("[soil_loss]", "[pipe_loss]", r"unknown key \"pipe_loss\.value\""),
        ("[learned]\nsites = 34", "[earned]\nsites = 34", r"learned is missing; name a file"),
        ("sites = 34", "sites = 0", r"t\.toml:2:9: learned\.sites: 0 is out of range"),
        ("[soil_loss]", "soil_loss = 3\n[share]", r"soil_loss"),
        ("sites = 31", "sites = ", r"t\.toml:9:9: this is not TOML"),
        ("[soil_loss]", "[share]\n[soil_loss]", r"t\.toml:6:1: share is empty; .* leave it out"),
        ("[soil_loss]", "[pipe_loss]\n[soil_loss]", r"t\.toml:6:1: pipe_loss is empty"),
        ('"2026-01-04"', "[1]", r"t\.toml:3:8: learned\.from: .*1.* is not a date"),
    ],
)  # fmt: skip
def test_what_is_wrong_in_the_file_is_said_where(tmp_path, old, new, says) -> None:
    path = tmp_path / "t.toml"
    assert old in GOOD
    path.write_text(GOOD.replace(old, new))
    with pytest.raises(InputError, match=says):
        read_tables(path)


# Widest spread: of a logarithm 2, a factor of seven either way; else the range. Common practice.
@pytest.mark.parametrize(
    ("name", "low", "high", "widest"),
    [
        ("soil_loss", 0.1, 30.0, 2.0),
        ("pipe_loss.pvc", 0.01, 10.0, 2.0),
        ("pipe_loss_unknown", 0.01, 10.0, 2.0),
        ("source_over_background", 0.0, 40.0, 40.0),
        ("level_error_log", -1.1, 1.1, 2.2),
        ("speed_ratio.pvc", 0.5, 1.6, 1.1),
        ("speed_metal", 700.0, 1500.0, 800.0),
        ("speed_plastic", 150.0, 900.0, 750.0),
        ("speed_cement", 500.0, 1450.0, 950.0),
        ("speed_unknown", 150.0, 1500.0, 1350.0),
        ("share.fitting", 0.0005, 0.5, 0.4995),
    ],
)
def test_what_the_trade_knows_bounds_what_a_file_may_say(tmp_path, name, low, high, widest) -> None:
    """By common practice, no source; a spread is a thousandth of the widest at least."""
    path, least = tmp_path / "t.toml", widest / 1000

    def said(value: float, spread: float) -> list[str]:
        row = f"[{name}]\nvalue = {value!r}\nspread = {spread!r}\nsites = 3\nsd = 0.0\n"
        path.write_text(f"[learned]\nsites = 3\n\n{row}")
        try:
            (row,) = read_tables(path).rows
        except InputError as error:
            return [each.partition(".toml:")[2][:2] for each in error.lines()]
        assert (row.name, row.value, row.spread) == (name, value, spread)
        return []

    assert said(low, least * 1.01) == said(high, widest * 0.99) == []
    assert said(low - 0.01 * (abs(low) or 1), least * 0.99) == ["5:", "6:"]
    assert said(high * 1.01, widest * 1.01) == ["5:", "6:"]


def test_no_file_is_said(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such file"):
        read_tables(tmp_path / "t.toml")


def test_another_file_is_never_overwritten(tmp_path: Path) -> None:
    path = tmp_path / "site.toml"
    path.write_text("title = 'x'\n")
    with pytest.raises(GeoleakError, match="no file of learned values"):
        write_learned(Tables(ROWS), SHIPPED, path)
    assert path.read_text() == "title = 'x'\n"
    write_learned(Tables(ROWS), SHIPPED, tmp_path / "t.toml")
    write_learned(Tables(ROWS[:1]), SHIPPED, tmp_path / "t.toml")
    assert (tmp_path / "t.toml").read_text().startswith(HEAD)
    with pytest.raises(GeoleakError, match="teaches"):
        write_learned(Tables(), {}, tmp_path / "u.toml")


def test_every_shipped_value_lies_in_the_trade_s_range() -> None:
    kinds = learnables()
    for name, kind in kinds.items():
        if name in tables.settings():
            row = tables.setting(name)
            assert kind.low < row.value < kind.high
    for name in tables.names("materials"):
        assert kinds["pipe_loss"].low < tables.material(name).loss_db_per_m < 10
    for name in tables.names("soils"):
        assert kinds["soil_loss"].low < tables.soil(name).loss_db_per_m < 30


def test_what_can_be_learned_is_read_through_the_tables_alone() -> None:
    own = "|".join(name for name in learnables() if name in tables.settings())
    bare = re.compile(rf'(?<!\.)\bsetting\(\s*f?"({own}|speed_)|(?<!\.)tables\.soil\(|'
                      r"(?<!\.)tables\.material\([^)]*\)\.loss_db")  # fmt: skip
    for path in (REPO / "geoleak").rglob("*.py"):
        if path.parent.name != "tables":
            assert not bare.search(path.read_text()), path


# -- the way it is used --------------------------------------------------------------------------


@pytest.fixture
def court(tmp_path: Path) -> Path:
    folder = tmp_path / "alder_court"
    shutil.copytree(COURT, folder, ignore=shutil.ignore_patterns("out"))
    return folder


def test_an_answer_rests_on_the_tables_it_names(court: Path, tmp_path: Path) -> None:
    other = tmp_path / "elsewhere.toml"
    text = GOOD + "\n[share.fitting]\nvalue = 0.2\nspread = 0.02\nsites = 9\nsd = 0.02\n"
    other.write_text(text)
    plain, told_so = read_site(court), read_site(court, tables=read_tables(other))
    assert told_so.prior.fitting == 0.2
    assert told_so.inputs["elsewhere.toml"] and "elsewhere.toml" not in plain.inputs
    (court / "site.toml").write_text(
        (court / "site.toml").read_text() + '\n[tables]\nfile = "t.toml"\n[prior]\nfitting = 0.01\n'
    )
    (court / "t.toml").write_text(text)
    inside = read_site(court)
    assert inside.tables.soil().loss_db_per_m == 2.9
    assert inside.prior.fitting == 0.01, "the site's own word goes before what others taught"
    assert inside.prior.aside == plain.prior.aside
    result = locate(inside)
    document = result.to_dict()
    assert document["run"]["tables"] == {
        "file": "t.toml", "sites": 34, "first": "2026-01-04", "last": "2026-05-06",
    }  # fmt: skip
    assert any("34 closed-out sites" in each["text"] for each in document["warnings"])
    (court / "t.toml").write_text(text.replace("290", "x").replace("value = 2.9", "value = 99"))
    with pytest.raises(InputError, match=r"t\.toml:7:9: soil_loss"):
        read_site(court)


def test_from_closed_sites_to_an_answer_on_what_they_taught(court: Path, tmp_path: Path) -> None:
    assert run("locate", court).code == 0
    assert run("found", court, "--outcome", "leak", "--place", "yard@41.9", "--date", "2026-05-06",
               "--cause", "joint").code == 0  # fmt: skip
    path, page = tmp_path / "tables.toml", tmp_path / "record.html"
    ran = run("record", court, "--learn", path, "--page", page)
    assert ran.code == 0, ran.err
    assert "learned on 1 sites" in ran.out
    assert " ft of the stake" in ran.out and " m " not in ran.out.split("by depth")[0]
    html = page.read_text()
    assert html.count("<svg") == 4 and "http" not in re.sub(r"http://www.w3.org/2000/svg", "", html)
    found = read_tables(path)
    assert found.sites == 1 and found.last == "2026-05-06"
    assert abs(found.setting("source_over_background").value - 14.0) < 7.0
    again = run("locate", court, "--tables", path)
    assert again.code == 0 and "learned on 1 closed-out sites" in " ".join(again.out.split())
    document = json.loads((court / "out" / "result.json").read_text())
    assert document["run"]["tables"]["file"] == "tables.toml"
    # What was learned once does not count twice: sites are read on the shipped values.
    (court / "t.toml").write_text(path.read_text())
    with (court / "site.toml").open("a") as stream:
        stream.write('\n[tables]\nfile = "t.toml"\n')
    assert told_of(court).seen[0].centre in {
        tables.setting("source_over_background").value, 0.0, np.log(4.0), np.log(1.0),
    }  # fmt: skip


@pytest.mark.parametrize(("line", "says"), [(0.51, True), (0.49, False)])
def test_a_sound_that_was_likelier_something_else_tells_nothing_of_the_ground(
    court: Path, monkeypatch: pytest.MonkeyPatch, line: float, says: bool
) -> None:
    (court / "closeout.json").write_text(json.dumps([
        {"outcome": "leak", "leak": {"leg": "yard", "chainage_m": 12.8, "depth_m": None,
         "cause": ""}, "across_m": 0.1, "date": None},
    ]))  # fmt: skip
    chances = dict.fromkeys(("line", *SHARES), 0.0) | {"line": line, "fitting": 1 - line}
    monkeypatch.setattr(learning, "shares_at", lambda *_: chances)
    monkeypatch.setattr(learning, "infer", lambda _: None)
    found = told_of(court)
    assert bool(found.seen) is says
    assert found.shares["fitting"] == pytest.approx(1 - line)


@pytest.mark.parametrize(("across", "aside"), [(0.69, False), (-0.71, True)])
def test_a_leak_beside_the_line_counts_as_aside(
    court: Path, monkeypatch: pytest.MonkeyPatch, across: float, aside: bool
) -> None:
    (court / "closeout.json").write_text(json.dumps([
        {"outcome": "leak", "leak": {"leg": "yard", "chainage_m": 12.8, "depth_m": None,
         "cause": ""}, "across_m": across, "date": None},
    ]))  # fmt: skip
    chances = dict.fromkeys(("line", *SHARES), 0.0) | {"line": 1.0}
    monkeypatch.setattr(learning, "shares_at", lambda *_: chances)
    monkeypatch.setattr(learning, "infer", lambda _: None)
    assert (told_of(court).shares["aside"] == 1.0) is aside


def test_the_trial_in_short() -> None:
    bank = learning_trial.banks(3, 6, loudness=True)
    scored, known = learning_trial.run_town(3, 1, bank, loudness=True, after=(0, 3))
    assert [each.after for each in scored] == [0, 3, learning_trial.TRUE]
    assert known[3].learned("level_error_log").sites <= 3
    assert known[3].sites == 3
    table = learning_trial.report(scored, (0, 3))
    assert len(table) == 2 + 2 * 3 and table[2].startswith("| fill | 0 | +0.000")
