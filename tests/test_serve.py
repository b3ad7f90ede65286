"""The server at the kerb: what it answers, who may ask, and that the folder stays the record."""

from __future__ import annotations

import concurrent.futures
import contextlib
import functools
import importlib
import json
import math
import os
import signal
import ssl
import tempfile
import threading
import time
import uuid
from pathlib import Path

import httpx
import numpy as np
import pytest
from scipy.signal import butter, sosfilt

import geoleak
from geoleak.acoustics import listen
from geoleak.errors import AcousticsError
from geoleak.serve import live as live_module
from geoleak.serve import page as sound_module
from geoleak.serve.app import MOST_BODY, MOST_ENTRY
from geoleak.serve.book import Book, ConflictError
from geoleak.serve.live import Live
from geoleak.serve.page import compared, store_recording
from geoleak.serve.server import code_lines
from tests.command import REPO, fork, run
from tests.lane import TOML, readings, write_lane
from tests.recordings import write_wav_16
from tests.site_folders import write_folder

pytestmark = pytest.mark.usefixtures("few_nodes", "at_once")

SITES = REPO / "sample_sites"
# A busy machine answers late; certificates are read once.
TRUST = httpx.create_ssl_context()
get, post = (functools.partial(each, timeout=60, verify=TRUST) for each in (httpx.get, httpx.post))
SEEN = {"place": "113", "what": "wet"}
SETTLES_S = live_module.SETTLE_S


class Serving:
    """The command as a process of its own; ``url`` is what it printed first.

    It is a fork of this one, which spares it the imports; ``fresh`` starts it as a user does.
    """

    NEEDS = ("loops.auto", "protocols.http.auto", "protocols.websockets.auto", "lifespan.on")

    def __init__(self, folder: Path, *words: str, fresh: bool = False) -> None:
        for name in self.NEEDS:
            importlib.import_module(f"uvicorn.{name}")
        self.folder = folder
        self._said = tempfile.TemporaryFile("w+")  # noqa: SIM115
        ours, theirs = os.pipe()
        self.printed = os.fdopen(ours)
        command = ["serve", folder, "--no-browser", *words]
        self.pid = fork(command, {1: theirs, 2: self._said.fileno()}, fresh=fresh)
        os.close(theirs)
        first = self.printed.readline()
        self.url = first.split()[1] if first.startswith("serving ") else ""
        self.base = self.url.split("?")[0].rstrip("/")
        if not self.url:
            raise AssertionError(first + self.kill())

    def kill(self, sign: int = signal.SIGKILL) -> str:
        """End it, if it is not ended, and return what it said on stderr."""
        if not self._said.closed:
            os.kill(self.pid, sign)
            ends = time.monotonic() + 20
            while os.waitpid(self.pid, os.WNOHANG) == (0, 0):
                if time.monotonic() > ends:
                    os.kill(self.pid, signal.SIGKILL)
                time.sleep(0.02)
            self.printed.close()
            self._said.seek(0)
            self.last_words = self._said.read()
            self._said.close()
        return self.last_words

    def stop(self) -> str:
        return self.kill(signal.SIGINT)


@contextlib.contextmanager
def serving(folder: Path, *words: str, fresh: bool = False):
    started = Serving(folder, *words, fresh=fresh)
    try:
        yield started
    finally:  # what is open in a page would be waited for; a certificate is cleared away
        started.kill(signal.SIGINT if "--tls" in words else signal.SIGKILL)


def heard(place: Path) -> Path:
    """Write a lane with a leak below mark 108, which is answered in no time."""
    rows = (f"S{k},surface,{100 + k},{level},{more}" for k, level, more in (
        (2, 22, ",,grass,20,"), (5, 24, ",,grass,,"), (7, 33, ",,grass,,"), (8, 38, ",,grass,,"),
        (9, 32, ",,grass,,"), (11, 23, ",,grass,,"),
    ))  # fmt: skip
    columns = "reading,kind,place,level,low_hz,high_hz,surface,background,note"
    toml = TOML.replace('start = "201"', 'start = "201"\nmaterial = "copper"')
    return write_lane(place, toml=toml, readings=readings(*rows, columns=columns))


@pytest.fixture
def court(tmp_path: Path) -> Path:
    return heard(tmp_path)


@pytest.fixture(scope="module")
def court_server(tmp_path_factory):
    with serving(heard(tmp_path_factory.mktemp("shared"))) as started:
        yield started


def entry(row: dict[str, str] | None = None, **more: object) -> dict[str, object]:
    sheet = {"sheet": "readings.csv", "row": row or {"place": "113", "kind": "surface",
             "level": "30"}}  # fmt: skip
    return {"id": str(uuid.uuid4()), **sheet, **more}


def of_now(folder: Path) -> dict:
    return geoleak.locate(geoleak.read_site(folder)).to_dict()


def unclocked(result: dict) -> dict:
    """Return a result without what the clock decides: whether a locate request is valid now."""
    told = {k: v for k, v in result.items() if k not in ("not_before", "cautions")}
    return {**told, "run": {k: v for k, v in result["run"].items() if k != "date"}}


class TestContract:
    def test_entries_move_the_answer_and_stand_in_the_folder(self, court_server) -> None:
        court = court_server.folder
        with httpx.Client(base_url=court_server.base, timeout=60) as client:
            before = client.get("/result.json").json()
            assert unclocked(before) == unclocked(json.loads(json.dumps(of_now(court))))
            sent = entry()
            answer = client.post("/entries", json=sent)
            assert answer.status_code == 201
            stored = answer.json()
            assert stored["id"] == sent["id"]
            line = (court / "readings.csv").read_text().splitlines()[stored["line"] - 1]
            assert sent["id"] in line
            assert client.post("/entries", json=sent).status_code == 200
            other = {**sent, "row": {**sent["row"], "level": "31"}}
            assert client.post("/entries", json=other).status_code == 409
            after = client.get("/result.json").json()
            assert after["run"]["id"] != before["run"]["id"]
            assert unclocked(after) == unclocked(json.loads(json.dumps(of_now(court))))
            struck = entry(row={}, strike=sent["id"], reason="a lorry")
            assert client.post("/entries", json=struck).status_code == 201
            again = client.get("/result.json").json()
            assert again["leak"]["chainage_m"] == pytest.approx(before["leak"]["chainage_m"])

    @pytest.mark.parametrize(
        ("row", "says"),
        [
            ({"place": "999", "kind": "surface", "level": "30"}, "999"),
            ({"place": "113", "kind": "surface", "level": "loud"}, "loud"),
            ({"place": "113", "kind": "sonar", "level": "30"}, "sonar"),
            ({"place": "113", "kind": "surface", "colour": "3"}, "colour"),
            ({"place": "113", "kind": "surface"}, "nothing that was read"),
        ],
    )
    def test_the_readers_own_complaint_comes_back_and_nothing_is_written(
        self, court_server, row, says
    ) -> None:
        sheet = court_server.folder / "readings.csv"
        before = sheet.read_bytes()
        answer = post(f"{court_server.base}/entries", json=entry(row))
        assert answer.status_code == 422
        (line,) = answer.json()["complaint"]
        assert says in line
        assert line.startswith("readings.csv")
        assert sheet.read_bytes() == before

    @pytest.mark.parametrize(
        "body",
        [b"", b"[]", b"{", b'{"id":"x"}', b'{"id":"abcdefgh","sheet":3,"row":{"a":"b"}}',
         b'{"id":"abcdefgh","sheet":"readings.csv","row":{}}', b"[" * 9000,
         b'{"id":"abcdefgh","sheet":"readings.csv","row":{"level":[1]}}'],
    )  # fmt: skip
    def test_what_is_no_entry_is_malformed(self, court_server, body) -> None:
        assert post(f"{court_server.base}/entries", content=body).status_code == 400

    @pytest.mark.parametrize(
        ("body", "lines"),
        [({"id": "x", "sheet": "readings.csv", "row": {"level": True}}, [
            'entry: id is "x"; it should be 8 to 64 letters, digits and dashes',
            "entry: row.level is true; it should be a text or a number",
         ]),
         ({"id": "abcdefgh", "row": {"level": 3}}, [
            "entry: sheet is missing; it should be the name of one of the site's sheets, such as "
            "readings.csv",
         ]),
         ({"id": "?" * 60, "sheet": "readings.csv", "row": {"level": 3}}, [
            f'entry: id is "{"?" * 39}; it should be 8 to 64 letters, digits and dashes',
         ]),
         ([], ["entry: should be one JSON object of id, sheet and row, or of id, sheet, strike "
               "and reason"])],
    )  # fmt: skip
    def test_a_malformed_entry_is_answered_with_what_would_be_right(
        self, court_server, body, lines
    ) -> None:
        answer = post(f"{court_server.base}/entries", json=body)
        assert answer.json()["complaint"] == lines

    def test_a_blank_strike_takes_no_row_away(self, court: Path) -> None:
        # A row typed by hand: a name in no cell, and no id of an entry.
        sheet = court / "readings.csv"
        sheet.write_text(sheet.read_text().replace("S2,", ",", 1))
        before = sheet.read_bytes()
        with serving(court) as server:
            asked = entry(row={}, strike="", reason="a lorry")
            answer = post(f"{server.base}/entries", json=asked)
        assert answer.status_code == 400
        assert sheet.read_bytes() == before

    def test_bodies_are_bounded(self, court_server) -> None:
        for path, most in (("/entries", MOST_ENTRY), ("/recordings?id=abcdefgh", None)):
            size = (most or MOST_BODY["/recordings"]) + 1
            answer = post(f"{court_server.base}{path}", content=b" " * size)
            assert answer.status_code == 413

    def test_events_tell_of_a_change_by_hand(self, court: Path) -> None:
        with (
            serving(court) as server,
            httpx.stream("GET", f"{server.base}/events", timeout=20) as stream,
        ):
            lines = stream.iter_lines()
            first = next(line for line in lines if line.startswith("data:"))
            rows = (court / "readings.csv").read_text().splitlines(keepends=True)
            (court / "readings.csv").write_text("".join(rows[:-2]))
            second = next(line for line in lines if line.startswith("data:"))
        assert json.loads(first[5:])["run"] != json.loads(second[5:])["run"]

    def test_a_folder_without_an_answer_says_why_and_still_takes_entries(self, tmp_path) -> None:
        folder = write_folder(tmp_path)
        (folder / "readings.csv").unlink()
        with serving(folder) as server, httpx.Client(base_url=server.base, timeout=30) as client:
            answer = client.get("/result.json")
            first = client.post("/entries", json=entry({"place": "102", "level": "30",
                                                        "kind": "surface"}))  # fmt: skip
            assert first.status_code == 201
            if answer.status_code == 409:
                assert answer.json()["complaint"]
            toml = (folder / "site.toml").read_text()
            (folder / "site.toml").write_text("title = 3\n")
            broken = client.get("/result.json")
            assert broken.status_code == 409
            assert broken.json()["complaint"][0].startswith("site.toml:1")
            (folder / "site.toml").write_text(toml)

    def test_finish_writes_what_locate_writes(self, court_server) -> None:
        with httpx.Client(base_url=court_server.base, timeout=60) as client:
            done = client.post("/finish").json()
            assert "dig_sheet.pdf" in done["files"]
            assert client.get("/out/dig_sheet.pdf").content.startswith(b"%PDF")
            for name in ("site.toml", "../site.toml", "%2e%2e/site.toml", "nothing.pdf"):
                assert client.get(f"/out/{name}").status_code == 404
        assert (court_server.folder / "out" / "result.json").is_file()


class TestWhoMay:
    def test_another_host_or_page_may_not(self, court_server) -> None:
        base = court_server.base
        assert get(base, headers={"Host": "evil.example"}).status_code == 403
        for origin in ("http://evil.example", "null", "https://127.0.0.1"):
            answer = post(f"{base}/entries", json=entry(), headers={"Origin": origin})
            assert answer.status_code == 403
        cross = {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "no-cors"}
        assert get(f"{base}/result.json", headers=cross).status_code == 403
        for row in ({"place": "999", "level": "30"}, {"place": "113", "kind": "surface"}):
            answer = post(f"{base}/entries", json=entry(row), headers={"Origin": base})
            assert answer.status_code == 422

    def test_headers_are_strict_on_every_answer(self, court_server) -> None:
        for path in ("/", "/page.js", "/result.json", "/nothing"):
            headers = get(court_server.base + path).headers
            policy = headers["content-security-policy"]
            assert "default-src 'none'" in policy
            assert "unsafe" not in policy
            assert headers["referrer-policy"] == "no-referrer"
            assert headers["x-content-type-options"] == "nosniff"
            assert "server" not in headers

    def test_read_only_takes_nothing(self, court: Path) -> None:
        with serving(court, "--read-only", fresh=True) as server:  # begun as a user begins it
            assert get(f"{server.base}/page.json").json()["read_only"] is True
            for path in ("/entries", "/finish", "/recordings?id=abcdefgh"):
                assert post(server.base + path, content=b"{}").status_code == 403

    def test_a_shared_page_wants_its_token_and_keeps_it_out_of_sight(self, court: Path) -> None:
        with serving(court, "--share") as server:
            assert "127.0.0.1" not in server.url
            token = server.url.split("token=")[1]
            assert len(token) >= 32
            assert get(f"{server.base}/result.json").status_code == 401
            wrong = {"Authorization": "Bearer " + "x" * len(token)}
            assert get(f"{server.base}/result.json", headers=wrong).status_code == 401
            right = {"Authorization": f"Bearer {token}"}
            assert get(f"{server.base}/result.json", headers=right).status_code == 200
            with httpx.Client(base_url=server.base) as client:
                opened = client.get(f"/?token={token}")
                assert opened.status_code == 303
                assert opened.headers["location"] == "/"
                cookie = opened.headers["set-cookie"].lower()
                assert "httponly" in cookie
                assert "samesite=strict" in cookie
                assert client.get("/page.json").status_code == 200
            said = server.stop()
        assert token not in said
        # A new start, a new token.
        with serving(court, "--share") as again:
            assert again.url.split("token=")[1] != token

    def test_ctrl_c_twice_ends_it_without_a_trace(self, court: Path) -> None:
        with serving(court) as server:
            os.kill(server.pid, signal.SIGINT)
            time.sleep(0.05)
            assert "Traceback" not in server.stop()

    def test_the_printed_code_reads_back(self) -> None:
        import zxingcpp

        url = "http://192.168.1.20:40123/?token=abcdefghijklmnopqrstuvwxyz012345"
        lines = code_lines(url)
        # On a dark screen what is drawn is light: each sign is two squares, one above the other.
        top = {"█": (1, 1), "▀": (1, 0), "▄": (0, 1), " ": (0, 0)}
        squares = np.array([[top[c][half] for c in line] for line in lines for half in (0, 1)])
        picture = np.kron(squares * 255, np.ones((6, 6))).astype(np.uint8)
        assert zxingcpp.read_barcodes(picture)[0].text == url

    def test_tls_shows_the_fingerprint_it_serves(self, court: Path) -> None:
        with serving(court, "--tls") as server:
            assert server.base.startswith("https://")
            printed = [server.printed.readline().strip() for _ in range(2)][1]
            host, port = server.base.removeprefix("https://").split(":")
            made = ssl.get_server_certificate((host, int(port)))
            import hashlib

            digest = hashlib.sha256(ssl.PEM_cert_to_DER_cert(made)).hexdigest().upper()
            assert printed == ":".join(digest[k : k + 2] for k in range(0, 64, 2))
            assert get(f"{server.base}/result.json", verify=False).status_code == 200

    def test_a_taken_port_is_said(self, court: Path, court_server) -> None:
        port = court_server.base.rsplit(":", 1)[1]
        ran = run("serve", court, "--port", port)
        assert (ran.code, len(ran.lines)) == (1, 1)
        assert f"--port {port}" in ran.err


class TestNothingLost:
    def test_what_another_hand_left_out_is_put_back_and_said(self, court: Path) -> None:
        live = Live(court)
        stale = (court / "readings.csv").read_bytes()
        for k in range(3):
            live.add("readings.csv", f"entry-{k:04}", {"place": "113", "kind": "surface",
                                                       "level": str(30 + k)})  # fmt: skip
        time.sleep(0.02)
        (court / "readings.csv").write_bytes(stale + b"S99,surface,114,25,,,,,\n")
        live.refresh()
        rows = Book(court).rows("readings.csv")
        assert [each.row["entry"] for each in rows if each.row.get("entry")] == [
            "entry-0000", "entry-0001", "entry-0002",
        ]  # fmt: skip
        assert any(each.row["reading"] == "S99" for each in rows)
        assert live.said == [
            "readings.csv was changed by another hand and rows were lost (3): put back; "
            "strike a row out to take it away"
        ]

    def test_two_phones_and_a_hand_that_saves_what_it_opened_lose_nothing(
        self, court: Path, monkeypatch
    ) -> None:
        monkeypatch.setattr(live_module, "SETTLE_S", SETTLES_S)
        path = court / "readings.csv"
        opened = path.read_bytes()
        before = [each.row["reading"] for each in Book(court).rows(path.name)]
        live = Live(court)
        begun = threading.Event()
        row = {"place": "113", "kind": "surface", "level": "26"}

        def phone(who: str) -> None:
            for k in range(8):
                assert live.add(path.name, f"phone-{who}-{k:03}", row).fresh
                assert not live.add(path.name, f"phone-{who}-{k:03}", row).fresh
                begun.wait() if k == 4 else time.sleep(0.05)

        def hand() -> None:
            while len(live.book.entries(path.name)) < 6:
                time.sleep(0.02)
            saved = opened + b"H1,surface,114,25,,,,,\n"
            with path.open("wb") as stream:  # in place, as an editor that takes its time
                stream.write(saved[: len(opened) // 2])
                stream.flush()
                begun.set()
                time.sleep(0.12)
                stream.write(saved[len(opened) // 2 :])

        with concurrent.futures.ThreadPoolExecutor(3) as pool:
            for each in [pool.submit(phone, "a"), pool.submit(phone, "b"), pool.submit(hand)]:
                each.result()
        answer = live.refresh()
        assert answer.complaint == ()
        rows = [each.row for each in Book(court).rows(path.name)]
        ids = sorted(each["entry"] for each in rows if each.get("entry"))
        assert ids == sorted(f"phone-{who}-{k:03}" for who in "ab" for k in range(8))
        assert [each["reading"] for each in rows if each["reading"]] == [*before, "H1"]
        assert any("another hand" in each for each in live.said)

    def test_a_fault_leaves_what_came_due(self, court: Path, monkeypatch) -> None:
        live = Live(court)
        before = live.answer.number
        live.add("readings.csv", "entry-0001", {"place": "113", "kind": "surface", "level": "26"})

        def fault(*_: object) -> None:
            raise MemoryError

        with monkeypatch.context() as once:
            once.setattr("geoleak.posterior.infer", fault)
            with pytest.raises(MemoryError):
                live.refresh()
        answer = live.refresh()
        assert answer.number == before + 1
        assert answer.survey.site.readings[-1].levels == (26.0,)

    def test_a_file_that_is_being_saved_is_left_until_it_rests(self, court, monkeypatch) -> None:
        path = court / "readings.csv"
        whole = path.read_bytes() + b"H1,surface,114,25,,,,,\n"
        live = Live(court)
        slept, rests = 0.0, True

        def sleep(seconds: float) -> None:
            nonlocal slept
            before, slept = slept, slept + seconds
            if before < 0.15 <= slept or not rests:  # an editor on a slow disk
                path.write_bytes(whole)

        monkeypatch.setattr(live_module, "SETTLE_S", SETTLES_S)
        monkeypatch.setattr(live_module.time, "sleep", sleep)
        path.write_bytes(whole[:300])
        live.add(path.name, "entry-0001", {"place": "113", "kind": "surface", "level": "26"})
        rows = Book(court).rows(path.name)
        assert rows[-2].row["reading"] == "H1"
        assert rows[-1].row["entry"] == "entry-0001"
        assert slept == pytest.approx(0.4)
        # What never rests, such as a log that somebody keeps there, is waited for two seconds.
        slept, rests = 0.0, False
        path.write_bytes(whole)
        live.refresh()
        assert slept == pytest.approx(2.0)

    def test_a_reason_that_another_hand_left_out_is_put_back_once(self, court: Path) -> None:
        path = court / "readings.csv"
        stale = path.read_bytes()
        live = Live(court)
        name = live.book.rows(path.name)[0].row["reading"]
        live.strike(path.name, name, "a lorry")
        assert live.strike(path.name, name, "a lorry").fresh is False
        with pytest.raises(ConflictError, match="struck out already"):
            live.strike(path.name, name, "misread")

        def reason() -> str:
            live.refresh()
            return live.book.rows(path.name)[0].row.get("skip", "")

        path.write_bytes(stale)
        assert reason() == "a lorry"
        assert "take it out again" in live.said[-1]
        path.write_bytes(stale)
        assert reason() == ""

    def test_new_sheets_have_the_folder_s_usual_mode_and_old_ones_theirs(self, court: Path):
        (court / "readings.csv").chmod(0o640)
        mask = os.umask(0o022)
        try:
            with serving(court, "--tls") as server:
                base = server.base
                for sheet, row in (("readings.csv", None), ("sightings.csv", SEEN)):
                    sent = entry(row, sheet=sheet) if row else entry()
                    answer = post(f"{base}/entries", json=sent, verify=False)
                    assert answer.status_code == 201
        finally:
            os.umask(mask)
        modes = {name: (court / name).stat().st_mode & 0o777
                 for name in ("readings.csv", "sightings.csv")}  # fmt: skip
        assert modes == {"readings.csv": 0o640, "sightings.csv": 0o644}

    def test_killed_under_entries_every_one_acknowledged_is_there(self, court: Path) -> None:
        kill_under_load(court, rounds=2, most_s=0.4)


def kill_under_load(
    folder: Path, *, rounds: int, seed: int = 1, most_s: float = 1.0
) -> tuple[int, int]:
    """Kill a server again and again under 20 entries a second; return how many were sent and taken.

    What was not acknowledged is sent again with its id after the next start, as the page does.
    """
    rng = np.random.default_rng(seed)
    sent: set[str] = set()
    acknowledged: set[str] = set()
    waiting: list[dict] = []

    def post(client: httpx.Client, body: dict) -> None:
        with contextlib.suppress(httpx.HTTPError):
            if client.post("/entries", json=body).status_code in (200, 201):
                acknowledged.add(body["id"])

    for _ in range(rounds):
        server = Serving(folder)
        with (
            httpx.Client(base_url=server.base, timeout=30) as client,
            concurrent.futures.ThreadPoolExecutor(40) as pool,
        ):
            again, offered, taken = waiting, [], len(acknowledged)
            ends = math.inf  # some time after the first that is taken
            while time.monotonic() < ends:
                level = str(rng.integers(24, 28))
                row = {"place": "113", "kind": "surface", "level": level}
                offered.append(again.pop() if again else entry(row))
                pool.submit(post, client, offered[-1])
                time.sleep(1 / 20)
                if ends == math.inf and len(acknowledged) > taken:
                    ends = time.monotonic() + float(rng.uniform(0, most_s))
            server.kill()
        sent |= {each["id"] for each in offered}
        waiting = [each for each in (*again, *offered) if each["id"] not in acknowledged]
        stands = [each.row["entry"] for each in Book(folder).rows("readings.csv")
                  if each.row.get("entry")]  # fmt: skip
        assert len(stands) == len(set(stands)), "a row stands twice"
        assert acknowledged <= set(stands), "an acknowledged entry is gone"
        geoleak.read_site(folder)
    return len(sent), len(acknowledged)


def test_a_recording_has_the_level_that_listen_gives(court_server, tmp_path) -> None:
    rng = np.random.default_rng(2)
    wav = tmp_path / "five.wav"
    write_wav_16(wav, 0.1 * rng.normal(size=5 * 8000), 8000)
    with httpx.Client(base_url=court_server.base, timeout=60) as client:
        answer = client.post("/recordings?id=abcdefgh-1&leg=lane", content=wav.read_bytes())
        assert answer.status_code == 201
        heard = answer.json()
        row = {"place": "113", "kind": "surface", "recording": heard["recording"],
               "low_hz": str(heard["band_hz"][0]), "high_hz": str(heard["band_hz"][1])}  # fmt: skip
        assert client.post("/entries", json=entry(row)).status_code == 201
        result = client.get("/result.json").json()
        assert client.post("/recordings?id=..%2F..%2Fx", content=b"RIFF").status_code == 400
        refused = client.post("/recordings?id=abcdefgh-2", content=b"no sound at all")
        assert refused.status_code == 422
    (read,) = [each for each in result["readings"] if each["recording"]]
    assert read["level_db"] == pytest.approx(heard["level_db"], abs=1e-6)
    kept = (court_server.folder / "recordings").iterdir()
    assert [path.name for path in kept] == ["abcdefgh-1.wav"]


def test_a_recording_sent_twice_at_once_stands_whole(court: Path, monkeypatch) -> None:
    wav = court.parent / "five.wav"
    write_wav_16(wav, 0.1 * np.random.default_rng(4).normal(size=5 * 8000), 8000)
    live, data, again = Live(court), wav.read_bytes(), []
    measured = sound_module.level_of_file

    def sent_again(path: Path, **options: object) -> object:
        if not again:  # the phone gave up waiting, and sends it once more
            again.append(True)
            again.append(store_recording(live, "abcdefgh-1", data, leg="lane"))
        return measured(path, **options)

    monkeypatch.setattr(sound_module, "level_of_file", sent_again)
    assert store_recording(live, "abcdefgh-1", data, leg="lane") == again[1]
    (kept,) = (court / "recordings").iterdir()
    assert kept.read_bytes() == data


def test_practice_tells_the_band_that_listen_tells(court: Path) -> None:
    rng = np.random.default_rng(3)
    rate, seconds = 8000, 15
    quiet = 0.02 * rng.normal(size=rate * seconds)
    hiss = sosfilt(butter(4, [600, 1200], "bandpass", fs=rate, output="sos"),
                   rng.normal(size=rate * seconds))  # fmt: skip
    takes = {"running": 0.1 * hiss + 0.02 * rng.normal(size=rate * seconds), "shut": quiet}
    live = Live(court)
    for name, sound in takes.items():
        write_wav_16(court.parent / f"{name}.wav", sound, rate)
    stored = {
        name: store_recording(live, f"practice-{name}", (court.parent / f"{name}.wav").read_bytes(),
                              leg="lane")["recording"]
        for name in takes
    }  # fmt: skip
    found = compared(live, stored["running"], stored["shut"], leg="lane")
    expected = listen({name: court / path for name, path in stored.items()}, with_leak="running",
                      without="shut", material="copper")  # fmt: skip
    assert found["band_from"] == "measured"
    assert tuple(found["band_hz"]) == expected.band_hz
    assert expected.choice is not None
    assert found["difference_db"] == expected.choice.difference_db > 5
    assert 400 < found["band_hz"][0] < 900
    assert "tells the two recordings apart" in found["lines"][0]
    assert "running against shut" in found["lines"][1]
    again = store_recording(live, "level-in-it", (court.parent / "running.wav").read_bytes(),
                            leg="lane", band_hz=expected.band_hz)  # fmt: skip
    assert tuple(again["band_hz"]) == expected.band_hz
    for take in ("../running.wav", "recordings/nothing-here.wav"):
        with pytest.raises(AcousticsError):
            compared(live, stored["running"], take, leg="lane")
