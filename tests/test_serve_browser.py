"""The page at the kerb in a real browser: typed on, cut off, heard, looked at."""

from __future__ import annotations

import csv
import json
import math
import shutil
import time
from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy.signal import butter, sosfilt
from selenium import webdriver

import geoleak
from geoleak.acoustics import level_of_file
from geoleak.export import words
from geoleak.serve.book import COLUMNS, Book
from tests import browser
from tests.command import at_length
from tests.recordings import write_wav_16
from tests.spoilt_sites import SITES
from tests.test_serve import get, heard, post, serving

pytestmark = [
    pytest.mark.usefixtures("few_nodes", "at_once"),
    pytest.mark.browser,
    pytest.mark.skipif(not (browser.CHROMIUM and browser.DRIVER), reason=browser.MISSING),
]
PHONE, DESK = (390, 844), (1280, 800)
SAID = "document.getElementById('sound-said').textContent"
ASKED = "return document.getElementById('ask').textContent"
# Takes last a share of their time.
SHORTER = """
const [share, done] = arguments;
import('/sounding.js').then(({ Sounding: { prototype } }) => {
  const { take } = prototype;
  prototype.take = function (pressed, said, seconds, more) {
    return take.call(this, pressed, said, seconds * share, more);
  };
  done();
});
"""
SAVE = "return document.getElementById('save').textContent"
FORMS = (None, "reading", "check", "isolation", "hole", "sighting", "sound")


@pytest.fixture
def court(tmp_path: Path) -> Path:
    return heard(tmp_path)


@pytest.fixture(scope="module")
def court_server(tmp_path_factory):
    with serving(heard(tmp_path_factory.mktemp("shared"))) as server:
        yield server


@pytest.fixture(scope="module")
def alder_server(tmp_path_factory):
    """A server of Alder Court, where nothing is entered."""
    folder = tmp_path_factory.mktemp("shared") / "alder_court"
    shutil.copytree(SITES / "alder_court", folder, ignore=shutil.ignore_patterns("out"))
    with serving(folder) as server:
        yield server


@pytest.fixture
def shown(driver, alder_server):
    opened(driver, alder_server.url)
    return alder_server


@pytest.fixture
def page(driver, court_server, request):
    """The page of a server that others use as well: opened anew, what was entered struck out."""
    opened(driver, court_server.url, getattr(request, "param", PHONE))
    yield court_server
    driver.execute_script("localStorage.clear(); sessionStorage.clear()")
    for sheet in COLUMNS:
        for name, stored in Book(court_server.folder).entries(sheet).items():
            if not stored.row.get("skip"):
                body = {"id": f"struck-{name}"[:64], "sheet": sheet, "strike": name}
                answer = post(f"{court_server.base}/entries", json={**body, "reason": "test over"})
                assert answer.status_code == 201


@pytest.fixture
def scripts(driver, court_server):
    """A page of the server's that shows nothing and fetches nothing: for what its scripts do."""
    driver.get(f"{court_server.base}/nothing")
    yield driver
    driver.execute_script("localStorage.clear()")


def ask(driver, script: str, *arguments):
    """Run a script in either kind of driver: one takes its arguments as a list."""
    if isinstance(driver, webdriver.Chrome):
        return driver.execute_script(script, *arguments)
    return driver.execute_script(script, script_args=arguments)


def wait(driver, script: str, *, seconds: float = 30.0):
    ends = time.monotonic() + seconds
    while time.monotonic() < ends:
        found = driver.execute_script(f"return {script}")
        if found:
            return found
        time.sleep(0.02)
    raise AssertionError(f"never true: {script}")


def opened(driver, url: str, size: tuple[int, int] = PHONE) -> None:
    browser.size(driver, *size)
    driver.get(url)
    wait(driver, "document.getElementById('verdict').textContent.length > 1")


def press(driver, text: str, within: str = "#form") -> None:
    script = (
        "const [text, within] = arguments;"
        "const all = [...document.querySelectorAll(within + ' button')];"
        "const one = all.find((b) => b.textContent === text); one.click(); return one.textContent"
    )
    assert ask(driver, script, text, within) == text


def type_reading(
    driver, place: str, level: str, *, kind: str = "ground", surface: str = ""
) -> None:
    """Enter a reading as a thumb does, by the pad."""
    ask(driver, "document.querySelector('[data-form=reading]').click()")
    typed_place(driver, place)
    press(driver, kind)
    if kind == "rod":
        press(driver, "not sure")
    for k, repeat in enumerate(level.split()):
        if k:
            press(driver, "And again")
        for sign in repeat:
            press(driver, sign, ".keys")
    pressed = (
        "return [...document.querySelectorAll('#fields button[aria-pressed=true]')]"
        ".some((b) => b.textContent === arguments[0])"
    )
    if surface and not ask(driver, pressed, surface):
        press(driver, surface)
    save = "document.getElementById('save').click(); return document.getElementById('form').open"
    if ask(driver, save):  # asked whether it can be
        assert ask(driver, SAVE) == "Save it all the same"
        assert not ask(driver, save)


def settled(driver) -> None:
    wait(driver, "localStorage.getItem('entries') === '[]'")


@pytest.mark.long  # the entries of one reading each stand below
def test_a_whole_survey_typed_on_a_phone_ends_where_locate_ends(driver, alder: Path) -> None:
    with (alder / "readings.csv").open(newline="") as stream:
        rows = list(csv.DictReader(stream))
    (alder / "readings.csv").unlink()
    with serving(alder) as server:
        opened(driver, server.url)
        for row in rows:
            kind = {"surface": "ground", "contact": "touching", "rod": "rod"}[row["kind"]]
            type_reading(driver, row["place"], row["level"], kind=kind, surface=row["surface"])
        settled(driver)
        typed = geoleak.locate(geoleak.read_site(alder))
        shown = "document.getElementById('verdict').className"
        wait(driver, f"{shown} === {json.dumps(typed.decision.verdict)}", seconds=60)
        said = driver.execute_script("return document.getElementById('lines').textContent")
    # The same rows, entered another way: what the page does not ask (bands, backgrounds) left out.
    again = alder.parent / "again"
    shutil.copytree(alder, again)
    keep = ("reading", "kind", "place", "level", "surface")
    with (again / "readings.csv").open("w", newline="") as stream:
        table = csv.DictWriter(stream, keep, extrasaction="ignore")
        table.writeheader()
        table.writerows(rows)
    sheet = geoleak.locate(geoleak.read_site(again))
    assert len(typed.readings) == len(rows)
    assert typed.leak.chainage_m == pytest.approx(sheet.leak.chainage_m, abs=1e-6)
    assert typed.decision.verdict == sheet.decision.verdict
    assert typed.leak.station[:4] in said or typed.decision.verdict != "dig"


def test_a_cut_network_a_reload_and_a_dead_server_lose_nothing(driver, court: Path) -> None:
    with serving(court) as server:
        port = server.base.rsplit(":", 1)[1]
        opened(driver, server.url)
        driver.execute_cdp_cmd("Network.enable", {})
        off = {"latency": 0, "downloadThroughput": 0, "uploadThroughput": 0}
        driver.execute_cdp_cmd("Network.emulateNetworkConditions", {"offline": True, **off})
        type_reading(driver, "113", "31")
        type_reading(driver, "114", "29 30")
        wait(driver, "document.getElementById('saved').textContent.startsWith('2 kept')")
        on = {"latency": 0, "downloadThroughput": -1, "uploadThroughput": -1}
        driver.execute_cdp_cmd("Network.emulateNetworkConditions", {"offline": False, **on})
        settled(driver)
        server.kill()
        type_reading(driver, "115", "28")
        wait(driver, "document.getElementById('saved').textContent.startsWith('1 kept')")
    with serving(court, "--port", port) as server:
        driver.get(server.url)  # the page is opened anew: what it kept is still there
        wait(driver, "document.getElementById('verdict').textContent.length > 1")
        settled(driver)
    entries = [each.row for each in Book(court).rows("readings.csv") if each.row.get("entry")]
    assert [(each["place"], each["level"]) for each in entries] == [
        ("113", "31"), ("114", "29 30"), ("115", "28"),
    ]  # fmt: skip


def typed_place(driver, place: str) -> None:
    ask(
        driver,
        "const i = document.querySelector('#fields input'); i.value = arguments[0];"
        "i.dispatchEvent(new Event('input', { bubbles: true }))",
        place,
    )


def test_a_refused_entry_stands_at_the_top_and_undo_takes_the_last_that_stands(
    driver, page
) -> None:
    type_reading(driver, "113", "31", surface="grass")
    settled(driver)
    undo = "document.getElementById('undo').textContent"
    assert driver.execute_script(f"return {undo}") == "Undo 113 · surface · 31 · grass"
    driver.execute_script("document.getElementById('rows').scrollIntoView()")
    type_reading(driver, "999", "31")
    wait(driver, "document.getElementById('refused').innerText.includes('999')")
    said = driver.execute_script("return document.getElementById('saved').textContent")
    assert said == "1 entry was refused. The rest is in the site's folder."
    seen = driver.execute_script(
        "const [line, button] = document.querySelectorAll('#refused li, #refused button');"
        "const text = document.createRange(); text.selectNodeContents(button);"
        "const [a, b, c] = [line, button, text].map((each) => each.getBoundingClientRect());"
        "return [a.top, a.bottom, b.left, c.left, c.right, b.right]"
    )
    assert 0 < seen[0] < seen[1] < PHONE[1]
    assert seen[2:] == sorted(seen[2:]) and seen[-1] <= PHONE[0]  # the word is inside its button
    driver.execute_script("document.getElementById('undo').click()")
    wait(driver, "JSON.parse(localStorage.getItem('entries')).length === 1")
    assert Book(page.folder).rows("readings.csv")[-1].row["skip"] == "undone at once"
    assert driver.execute_script("return document.getElementById('undo').hidden")
    press(driver, "Drop", "#refused")
    settled(driver)
    said = driver.execute_script("return document.getElementById('saved').textContent")
    assert said == "All that was entered is in the site's folder."


def test_what_is_undone_before_it_is_refused_goes_without_a_word(scripts) -> None:
    script = (
        "const done = arguments[0], real = fetch;"
        "import('/kept.js').then(async ({ Kept }) => {"
        "  let answer; window.fetch = () => new Promise((resolve) => (answer = resolve));"
        "  const kept = new Kept(() => {}, () => {});"
        "  const { id } = kept.add({ sheet: 'sightings.csv', row: { place: '999', what: 'wet' } });"
        "  await 0; kept.add({ sheet: 'sightings.csv', strike: id, reason: 'undone at once' });"
        "  answer(new Response('{}', { status: 422 })); await kept.sending;"
        "  window.fetch = real; done(kept.all()) })"
    )
    assert scripts.execute_async_script(script) == []


def test_what_can_hardly_be_is_asked_about_before_it_is_taken(driver, page) -> None:
    before = len(Book(page.folder).rows("readings.csv"))
    driver.execute_script("document.querySelector('[data-form=reading]').click()")
    typed_place(driver, "106")
    for sign in "70":
        press(driver, sign, ".keys")
    typed = driver.execute_script("return document.getElementById('ask').innerText")
    assert typed.endswith("over both neighbours: read again?")  # before anything is saved
    save = "document.getElementById('save').click(); return document.getElementById('form').open"
    assert driver.execute_script(save)
    assert driver.execute_script(SAVE) == "Save it all the same"
    assert len(Book(page.folder).rows("readings.csv")) == before
    covered = (
        "const a = document.getElementById('ask'), { left, top, width, height } ="
        " a.getBoundingClientRect(); return [.05, .5, .95].map((k) =>"
        " document.elementFromPoint(left + width / 2, top + k * height) === a)"
    )
    assert driver.execute_script(covered) == [True] * 3
    press(driver, "⌫", ".keys")  # another level, another question
    press(driver, "5", ".keys")
    assert driver.execute_script(SAVE) == "Save"
    assert driver.execute_script(save) and driver.execute_script(SAVE) == "Save it all the same"
    assert not driver.execute_script(save)
    settled(driver)
    assert Book(page.folder).rows("readings.csv")[-1].row["level"] == "75"


def test_a_rod_is_asked_whether_all_was_off_and_is_not_saved_without(driver, page) -> None:
    save = "document.getElementById('save').click(); return document.getElementById('form').open"
    legend = (
        "[...document.querySelectorAll('#fields legend')].find((e) => /machine/.test(e.innerText))"
    )
    chosen = f"return {legend}.parentElement.querySelector('[aria-pressed=true]')?.textContent"
    ends = f"return {legend}.parentElement.getBoundingClientRect().bottom"
    # A rod begins with what the rod before it was answered.
    for kind, begins, answer, written in (
        ("rod", None, "no", "no"),
        ("rod", "no", "not sure", ""),
        ("ground", None, "", ""),
        ("rod", "not sure", "yes", "yes"),
    ):
        ask(driver, "document.querySelector('[data-form=reading]').click()")
        typed_place(driver, "104")
        press(driver, kind)
        # Above the level, in view, and a phone's whole form at once.
        assert ask(driver, ends) < ask(
            driver, "return document.querySelector('output').getBoundingClientRect().top"
        )
        assert ask(driver, ends) < PHONE[1] / 2
        assert ask(driver, chosen) == begins
        press(driver, "3", ".keys")
        if answer == "no":
            press(driver, "grass")  # offered again from then on
        if answer == "no":
            assert ask(driver, save)
            assert "Was every tap and machine off?" in ask(driver, ASKED)
        if answer:
            press(driver, answer)
        assert not ask(driver, save)
        settled(driver)
        row = Book(page.folder).rows("readings.csv")[-1].row
        assert (row["everything_off"] or "") == written
        # What touches a rod stands on no ground.
        assert (row["surface"] or "") == ("grass" if kind == "ground" else "")


def test_what_it_is_read_with_follows_the_place_until_it_is_chosen(driver, page) -> None:
    pressed = (
        "return document.querySelector('#fields fieldset button[aria-pressed=true]').textContent"
    )
    driver.execute_script("document.querySelector('[data-form=reading]').click()")
    for place, kind in (("202", "touching"), ("112", "ground"), ("202", "touching")):
        typed_place(driver, place)
        assert driver.execute_script(pressed) == kind
    press(driver, "ground")
    press(driver, "touching")
    typed_place(driver, "112")
    assert driver.execute_script(pressed) == "touching"
    asks = "Mark 112 is on the ground, with nothing to touch: is it the place?"
    assert driver.execute_script("return document.getElementById('ask').innerText") == asks
    driver.execute_script("document.getElementById('cancel').click()")


def test_where_to_dig_is_told_from_the_paint_and_the_hole_begins_there(driver, shown) -> None:
    result = geoleak.locate(geoleak.read_site(shown.folder))
    assert result.stands == "dig"
    first = driver.execute_script("return document.getElementById('first').innerText").split("\n")
    assert first == [
        f"Where: {words.near_marks(result)}",
        f"Open: {words.hole_reach(result)}",
        f"Depth: {words.depth(result)}",
    ]
    driver.execute_script("document.querySelector('[data-form=hole]').click()")
    start = driver.execute_script("return document.querySelector('#fields input').value")
    shown = driver.execute_script("return document.getElementById('fields').innerText")
    driver.execute_script("document.getElementById('cancel').click()")
    driver.execute_script("document.querySelector('[data-form=reading]').click()")
    place = driver.execute_script("return document.querySelector('#fields input').value")
    driver.execute_script("document.getElementById('cancel').click()")
    assert place == ""  # no reading is asked for: one saved by accident would stand at no place
    assert start == result.near.mark  # a step so small is none
    assert "chainage" not in shown


def test_every_name_of_the_drawing_is_nearest_to_its_own_sign(driver, shown) -> None:
    points = get(f"{shown.base}/page.json").json()["points"]
    ids = [each["id"] for each in points if each["kind"] in ("mark", "fitting")]
    script = (
        "return [...document.querySelectorAll(arguments[0])].map((e) => {"
        "  const { x, y, width, height } = e.getBBox();"
        "  return [x + width / 2, y + height / 2, e.textContent] })"
    )
    signs = driver.execute_script(script, "#drawing circle.mark, #drawing circle.fitting")
    names = driver.execute_script(script, "#drawing .name")
    assert len(signs) == len(ids)
    assert len(names) > len(ids) / 2
    for *middle, name in names:
        away = [math.dist(middle, sign[:2]) for sign in signs]
        assert ids[int(np.argmin(away))] == name


def test_what_is_asked_about_while_it_is_typed(scripts) -> None:
    script = (
        "const [{ state, level }, done] = arguments;"
        "const row = { place: '113', kind: 'surface', level };"
        "import('/entering.js').then(({ doubt }) => done(doubt(state, row, false) || ''))"
    )
    at = [{"id": name, "leg": "yard", "chainage_m": m} for name, m in (("112", 9), ("113", 10))]
    loud = "21 dB over both neighbours: read again?"
    for level, sides_m, asks in (
        ("47", (1, 1), ""),
        ("48", (1, 1), loud),
        # Neighbours are those within 5 m, and not another reading at the same place.
        ("48", (1, 4.9), loud),
        ("48", (1, 5.1), ""),
        ("48", (1, 0.21), loud),
        ("48", (1, 0.19), ""),
        ("20 35", (1, 1), ""),
        ("20 36", (1, 1), "The repeats are far apart: was one misread?"),
        ("80", (1, 1), "That is the meter's own limit: turn the gain down and read again?"),
    ):
        heard = [{"kind": "surface", "leg": "yard", "chainage_m": m, "level_db": db}
                 for m, db in ((10 - sides_m[0], 27), (10 + sides_m[1], 25))]  # fmt: skip
        limits = [0, 80] if level == "80" else None
        state = {"points": at, "readings": heard, "scale": "db", "limits": limits}
        typed = scripts.execute_async_script(script, {"state": state, "level": level})
        assert typed == asks, (level, sides_m)


def test_a_place_that_no_point_is_called_is_asked_about_before_it_is_sent(scripts) -> None:
    script = (
        "const [points, places, done] = arguments, state = { points, readings: [] };"
        "import('/entering.js').then(({ doubt }) => done(places.map((place) =>"
        "  doubt(state, { place, kind: 'surface' }, false))))"
    )
    places = ["113", "114 up 2", "yard@20", "999"]
    asks = "No mark or fitting is called 999: is it the place?"
    for points, last in (([{"id": "113", "kind": "mark"}], asks), ([], None)):
        found = scripts.execute_async_script(script, points, places)
        assert found == [None, None, None, last]


def test_as_many_fittings_as_fit_stand_on_buttons(scripts) -> None:
    script = (
        "const [count, done] = arguments;"
        "const points = Array.from({ length: count }, (_, k) => ({ id: `${k}`, kind: 'fitting' }));"
        "import('/entering.js').then(({ Entering }) => {"
        "  const made = new Entering(() => ({ state: { points } })).fitting('valves', 'Valve', '');"
        "  done([made.choices, made.options].map((each) => (each || []).length)) })"
    )
    assert scripts.execute_async_script(script, 8) == [8, 0]
    assert scripts.execute_async_script(script, 9) == [0, 9]


def test_what_is_kept_is_sent_again_every_three_seconds_until_it_is_taken(scripts) -> None:
    script = (
        "const done = arguments[0], fetched = [], real = [fetch, setInterval];"
        "window.setInterval = (does, ms) => fetched.push([does, ms]);"
        "import('/kept.js').then(async ({ Kept }) => {"
        "  const kept = new Kept(() => {}, () => {});"
        "  const [[again, ms]] = fetched;"
        "  let sent = 0;"
        "  window.fetch = () => { sent++; throw new TypeError('no network') };"
        "  kept.add({ sheet: 'sightings.csv', row: { place: '113', what: 'wet' } });"
        "  await kept.sending; again(); await kept.sending;"
        # A full disk, and a network that is back.
        "  window.fetch = () => { sent++; return new Response('{}', { status: 507 }) };"
        "  again(); await kept.sending; dispatchEvent(new Event('online')); await kept.sending;"
        "  const alone = kept.all()[0].id; kept.drop(alone); again(); await kept.sending;"
        "  [window.fetch, window.setInterval] = real;"
        "  done([ms, sent]) })"
    )
    assert scripts.execute_async_script(script) == [3000, 4]


def test_two_pages_see_each_other_s_entries(driver, page) -> None:
    before = len(Book(page.folder).entries("readings.csv"))
    first = driver.current_window_handle
    driver.switch_to.new_window("tab")
    opened(driver, page.url)
    type_reading(driver, "113", "31")
    settled(driver)
    driver.switch_to.window(first)
    wait(driver, "document.getElementById('rows').innerText.includes('113 · surface · 31')")
    type_reading(driver, "114", "30")
    settled(driver)
    assert len(Book(page.folder).entries("readings.csv")) == before + 2


DRAWN = """
const svg = document.getElementById('drawing');
const boxes = css => [...svg.querySelectorAll(css)].map(each => [each.textContent, each.getBBox()]);
const words = boxes('text'), signs = boxes('circle, path'), found = [];
const meet = (a, b) => a.x < b.x + b.width && b.x < a.x + a.width
  && a.y < b.y + b.height && b.y < a.y + a.height;
words.forEach(([name, box], k) => {
  if (box.x < 0 || box.x + box.width > svg.clientWidth || box.y < 0) found.push([name, 'edge']);
  words.slice(k + 1).forEach(([other, its]) => { if (meet(box, its)) found.push([name, other]); });
  signs.forEach(([, its]) => { if (meet(box, its)) found.push([name, 'a sign']); });
});
return [words.map(each => each[0]), found];
"""


@pytest.mark.parametrize("size", [PHONE, DESK], ids=["390", "1280"])
def test_names_scale_and_north_of_the_drawing_cover_no_sign_and_one_another(
    driver, alder_server, size
):
    opened(driver, alder_server.url, size)
    for button in ("whole", "closer", "closer"):
        driver.execute_script(f"document.getElementById('{button}').click()")
        names, found = driver.execute_script(DRAWN)
        assert found == []
        assert "N" in names and any(name.endswith(" ft") for name in names)
        assert {"201", "202", "203"} & {*names} or button == "closer"


def test_next_can_be_declined_and_a_row_struck_out(driver, court: Path) -> None:
    rows = (court / "readings.csv").read_text().splitlines(keepends=True)
    (court / "readings.csv").write_text("".join(rows[:6]))
    with serving(court) as server:
        opened(driver, server.url)
        place = "document.getElementById('next-place').textContent"
        first = wait(driver, place)
        driver.execute_script("document.getElementById('next-decline').click()")
        assert wait(driver, f"{place} !== {json.dumps(first)} && {place}")
        said = "document.getElementById('next-said').textContent"
        for _ in range(20):
            assert driver.execute_script(f"return {said}") == ""
            driver.execute_script("document.getElementById('next-decline').click()")
            if driver.execute_script(f"return {place}") == first:
                break
        again = "You declined every place: the list begins again."
        assert driver.execute_script(f"return {said}") == again
        press(driver, "Strike out", "#rows li:last-child")
        press(driver, "traffic")
        driver.execute_script("document.getElementById('save').click()")
        settled(driver)
    assert [r.row.get("skip", "") for r in Book(court).rows("readings.csv")].count("traffic") == 1


def test_an_entry_is_undone_by_one_tap(driver, page) -> None:
    driver.execute_script("document.querySelector('[data-form=sighting]').click()")
    press(driver, "wet")
    ask(driver, "document.getElementById('save').click()")
    ask(driver, "document.getElementById('undo').click()")
    settled(driver)
    row = Book(page.folder).rows("sightings.csv")[-1].row
    assert (row["what"], row["skip"]) == ("wet", "undone at once")


SHEETS = (
    ("isolation", ["WV 202", "slower"], {}, "isolations.csv",
     {"valves": "202", "result": "slower"}),
    ("check", [], {"Level as it is": "36", "Level with everything off": "35"}, "checks.csv",
     {"kind": "stop", "as_found": "36", "all_off": "35"}),
    ("hole", ["dry"], {"To (place)": "118"}, "holes.csv", {"to": "118", "outcome": "dry"}),
    ("hole", ["wet, no leak seen"], {"To (place)": "118"}, "holes.csv", {"outcome": "wet"}),
    ("hole", ["the leak"], {"To (place)": "118"}, "holes.csv", {"outcome": "leak"}),
)  # fmt: skip


def test_every_sheet_is_entered_by_few_taps(driver, page) -> None:
    for form, choose, typed, sheet, row in SHEETS:
        before = len(Book(page.folder).rows(sheet))
        driver.execute_script(f"document.querySelector('[data-form={form}]').click()")
        ask(
            driver,
            "for (const label of document.querySelectorAll('#fields label')) {"
            "  const name = label.firstChild.textContent, box = label.querySelector('input');"
            "  if (!(name in arguments[0]) && !name.startsWith('From')) continue;"
            "  box.value = arguments[0][name] || '117'; box.dispatchEvent(new Event('input')) }",
            typed,
        )
        for each in choose:
            press(driver, each)
        driver.execute_script("document.getElementById('save').click()")
        settled(driver)
        rows = Book(page.folder).rows(sheet)
        assert len(rows) == before + 1
        assert row.items() <= rows[-1].row.items()


@pytest.mark.parametrize("page", [DESK], indirect=True)
def test_it_can_be_worked_by_keys_alone(driver, page) -> None:
    from selenium.webdriver.common.keys import Keys

    driver.execute_script("document.querySelector('[data-form=reading]').focus()")
    driver.switch_to.active_element.send_keys(Keys.ENTER)
    box = driver.execute_script("return document.querySelector('#fields input')")
    box.clear()
    box.send_keys("113", Keys.TAB, Keys.ENTER)  # the place; then what with: ground
    driver.execute_script("document.querySelector('output.level').focus()")
    driver.switch_to.active_element.send_keys("31.5")
    driver.execute_script("document.getElementById('save').focus()")
    driver.switch_to.active_element.send_keys(Keys.ENTER)
    settled(driver)
    row = Book(page.folder).rows("readings.csv")[-1].row
    assert (row["place"], row["level"]) == ("113", "31.5")


@at_length("size", [PHONE], [DESK])
def test_what_is_pressed_is_large_and_nothing_leaves_the_page(driver, court_server, size) -> None:
    opened(driver, court_server.url, size)
    driver.execute_script("document.querySelector('[data-form=reading]').click()")
    small = driver.execute_script(
        "return [...document.querySelectorAll('button, input, select')]"
        ".filter((e) => e.offsetParent && !e.closest('[hidden]'))"
        ".filter((e) => e.offsetHeight < 56 || e.offsetWidth < 56).map((e) => e.outerHTML)"
    )
    assert small == []
    wide = "return document.documentElement.scrollWidth - document.documentElement.clientWidth"
    assert driver.execute_script(wide) <= 0
    driver.execute_script("document.getElementById('cancel').click()")
    requested = driver.execute_script(
        "return performance.getEntriesByType('resource').map((e) => new URL(e.name).origin)"
    )
    assert set(requested) == {court_server.base}


@at_length("share", [0.5], [1])
def test_the_microphone_s_level_is_what_listen_gives(
    driver, court: Path, heard_file: Path, share: float
) -> None:
    rng, wav = np.random.default_rng(8), heard_file
    # A hiss that repeats: whichever half second is taken, the level is one.
    write_wav_16(wav, np.tile(rng.normal(size=24_000), 40), 48_000, peak=0.6)
    with serving(court) as server:
        opened(driver, server.url)
        driver.execute_async_script(SHORTER, share)
        driver.execute_script("document.querySelector('[data-form=sound]').click()")
        typed_place(driver, "113")
        wait(driver, "document.querySelector('#fields select').options.length > 0")
        press(driver, "Take five seconds")
        said = wait(driver, f"{SAID}.includes(' dB from') && {SAID}", seconds=40)
        driver.execute_script("document.getElementById('save').click()")
        settled(driver)
    result = geoleak.locate(geoleak.read_site(court))
    (read,) = [each for each in result.readings if each.recording]
    sound, rate = soundfile.read(court / read.recording)
    assert len(sound) == 5.0 * share * rate
    # Nothing is lost on the way: half a second later the same comes again.
    assert np.corrcoef(sound[: -rate // 2], sound[rate // 2 :])[0, 1] > 0.5
    expected = level_of_file(wav, material="copper").level
    row = Book(court).rows("readings.csv")[-1].row
    assert [float(row[name]) for name in ("low_hz", "high_hz")] == [*expected.band_hz]
    assert read.level_db == pytest.approx(expected.level_db, abs=0.3)
    assert float(said.split(" dB")[0]) == pytest.approx(expected.level_db, abs=0.3)


@pytest.mark.long  # two takes of 15 s each, as they are heard
def test_practice_by_two_takes_finds_the_band_that_levels_are_then_taken_in(
    driver, court: Path, heard_file: Path
) -> None:
    rng = np.random.default_rng(9)
    rate, running_s = 48_000, 40
    sound = rng.normal(size=100 * rate)
    hiss = butter(4, [600, 1200], "bandpass", fs=rate, output="sos")
    sound[: running_s * rate] += 5 * sosfilt(hiss, rng.normal(size=running_s * rate))
    write_wav_16(heard_file, sound, rate, peak=0.6)
    with serving(court) as server:
        opened(driver, server.url)
        driver.execute_script("document.querySelector('[data-form=sound]').click()")
        press(driver, "Practice: tap running, tap shut")
        wait(driver, "document.querySelector('#fields select').options.length > 0")
        began = time.monotonic()
        press(driver, "Take it running")
        taken = "[...document.querySelectorAll('#fields .on')].length"
        wait(driver, taken, seconds=40)
        time.sleep(max(0.0, running_s + 2 - (time.monotonic() - began)))  # the tap is shut
        press(driver, "Take it shut")
        said = wait(driver, f"{SAID}.includes('running against shut') && {SAID}", seconds=60)
        bands = json.loads(driver.execute_script("return localStorage.getItem('bands')"))
    assert "tells the two recordings apart" in said
    takes = list((court / "recordings").glob("*.wav"))
    assert [soundfile.info(take).duration for take in takes] == [15.0, 15.0]
    ((low, high),) = bands.values()
    assert 400 < low < 900
    assert 900 < high < 1500


def test_own_position_is_drawn_where_it_is_when_asked(driver, shown) -> None:
    lon, lat = get(f"{shown.base}/result.json").json()["leak"]["lonlat"]
    driver.execute_cdp_cmd(
        "Browser.grantPermissions",
        {"origin": shown.base, "permissions": ["geolocation"]},
    )
    driver.execute_cdp_cmd(
        "Emulation.setGeolocationOverride",
        {"latitude": lat + 5e-5, "longitude": lon, "accuracy": 4},
    )
    assert not driver.execute_script("return document.querySelector('.own')")
    driver.execute_script("document.getElementById('me').click()")
    wait(driver, "document.querySelector('#drawing .own')")
    driver.execute_script("document.getElementById('whole').click()")
    # North of the leak is over the stake.
    across, down = driver.execute_script(
        "const [own, stake] = ['.own', 'path.stake'].map("
        "  (css) => document.querySelector(css).getBBox());"
        "return [own.x + own.width / 2 - (stake.x + stake.width / 2),"
        "        own.y + own.height / 2 - (stake.y + stake.height)]"
    )
    assert abs(across) < 0.1 * -down
    said = driver.execute_script("return document.getElementById('me-said').textContent")
    assert "not for a stake" in said


@pytest.mark.skipif(browser.axe() is None, reason=browser.NO_AXE)
@at_length(("scheme", "forms"), [("light", FORMS), ("dark", FORMS[:2])], [("dark", FORMS[2:])])
def test_axe_finds_nothing_on_the_page_and_its_forms(driver, page, scheme: str, forms) -> None:
    script = browser.axe().read_text(encoding="utf-8")
    driver.execute_cdp_cmd(
        "Emulation.setEmulatedMedia",
        {"features": [{"name": "prefers-color-scheme", "value": scheme}]},
    )
    rules = json.dumps({"rules": {"color-contrast-enhanced": {"enabled": True}}})
    driver.execute_script(script)
    for form in forms:
        where = "document"
        if form:
            driver.execute_script(f"document.querySelector('[data-form={form}]').click()")
            where = "'#form'"
        found = driver.execute_async_script(
            f"const done = arguments[0]; axe.run({where}, {rules})"
            ".then((r) => done(r.violations.map((v) => v.id + ': ' + v.nodes[0].html)))"
        )
        assert found == [], form
        if form:
            driver.execute_script("document.getElementById('cancel').click()")


@pytest.mark.long
@pytest.mark.skipif(not browser.FIREFOX, reason=browser.NO_FIREFOX)
def test_a_reading_typed_in_firefox_reaches_the_folder(court: Path) -> None:
    with serving(court) as server, browser.firefox(dark=False) as fox:
        fox.navigate(server.url)
        wait(fox, "document.getElementById('verdict').textContent.length > 1")
        type_reading(fox, "113", "31.5 30")
        settled(fox)
    (row,) = [e.row for e in Book(court).rows("readings.csv") if e.row.get("entry")]
    assert (row["place"], row["kind"], row["level"]) == ("113", "surface", "31.5 30")
