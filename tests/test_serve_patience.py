"""How long the server waits, on a clock that moves on by itself, and how much it takes."""

from __future__ import annotations

import asyncio
import contextlib
import selectors
from itertools import pairwise
from types import SimpleNamespace

import pytest
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import PlainTextResponse

from geoleak.serve import app as app_module
from geoleak.serve import live as live_module
from geoleak.serve import server
from geoleak.serve.app import Pages, body_of
from geoleak.serve.live import Live


class _Clock(selectors.DefaultSelector):
    """Waits for nothing: while no socket is ready, it is later at once."""

    ahead_s = 0.0

    def select(self, timeout=None):
        if timeout is None or timeout <= 0:
            return super().select(timeout)
        found = super().select(0.002)
        if not found:
            self.ahead_s += timeout
        return found


class _Loop(asyncio.SelectorEventLoop):
    def __init__(self) -> None:
        self.clock = _Clock()
        super().__init__(self.clock)

    def time(self) -> float:
        return super().time() + self.clock.ahead_s


def quickly(main):
    with asyncio.Runner(loop_factory=_Loop) as runner:
        return runner.run(main)


@pytest.mark.parametrize(
    ("after_s", "path", "size", "refused"),
    [
        (14.8, "/entries", 4, None),
        (15.2, "/entries", 4, 408),
        (0.0, "/entries", 16_384, None),
        (0.0, "/entries", 16_386, 413),
        # Five seconds of a take in two channels at 192 kHz are a quarter of it.
        (0.0, "/recordings", 16_000_000, None),
        (0.0, "/recordings", 16_000_002, 413),
    ],
)
def test_a_body_that_takes_its_time_or_room_is_cut(after_s, path, size, refused) -> None:
    async def receive():
        await asyncio.sleep(after_s / 2)
        parts.append(bytes(size // 2))
        return {"type": "http.request", "body": parts[-1], "more_body": len(parts) < 2}

    parts: list[bytes] = []
    scope = {"type": "http", "method": "POST", "path": path, "query_string": b"",
             "headers": [], "scheme": "http", "server": ("127.0.0.1", 80)}  # fmt: skip
    if refused is None:
        assert len(quickly(body_of(Request(scope, receive)))) == size
    else:
        with pytest.raises(HTTPException, match="nothing was taken") as said:
            quickly(body_of(Request(scope, receive)))
        assert said.value.status_code == refused


def served(monkeypatch, phone, app=None):
    """Return what a phone gets of the server, on a clock that moves on by itself."""
    opened, _ = server.listen(0, share=False, tls=False)
    phones: list[asyncio.Task] = []

    async def until_done(main):
        running = asyncio.create_task(main)
        while not phones:
            await asyncio.sleep(0.01)
        got = await phones[0]
        running.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await running
        return got

    got = []
    monkeypatch.setattr(server.asyncio, "run", lambda main: got.append(quickly(until_done(main))))
    calls = lambda: phones.append(asyncio.create_task(phone(*opened.getsockname())))  # noqa: E731
    server.run(app, opened, tls=None, started=calls)
    return got[0]


def test_a_connection_that_sends_no_whole_request_is_cut(monkeypatch) -> None:
    async def phone(*address) -> float:
        reader, writer = await asyncio.open_connection(*address)
        began = asyncio.get_running_loop().time()
        writer.write(b"POST /entries HTTP/1.1\r\nHost: x\r\n")
        assert await reader.read() == b""
        writer.close()
        return asyncio.get_running_loop().time() - began

    assert served(monkeypatch, phone) == pytest.approx(15.0, abs=0.4)


@pytest.mark.parametrize(("others", "code"), [(62, b"200"), (63, b"503")])
def test_sixty_four_connections_are_too_many(monkeypatch, others: int, code: bytes) -> None:
    async def phone(*address) -> bytes:
        idle = [await asyncio.open_connection(*address) for _ in range(others)]
        reader, writer = await asyncio.open_connection(*address)
        writer.write(b"GET / HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n")
        said = await reader.readline()
        for each in (writer, *(other for _, other in idle)):
            each.close()
        return said.split()[1]

    page = PlainTextResponse("here")
    assert served(monkeypatch, phone, page) == code


def test_a_folder_that_never_rests_is_waited_for_two_seconds(monkeypatch) -> None:
    """An editor that is half through writes on within a fifth of one."""
    waited: list[float] = []
    monkeypatch.setattr(live_module.time, "sleep", waited.append)
    folder = SimpleNamespace(_stamp={}, _stamps=lambda: {"site.toml": len(waited)})
    assert Live._settled(folder) == {"site.toml": 10}
    assert waited == [0.2] * 10


def test_another_hand_in_the_folder_is_seen_within_a_second(monkeypatch) -> None:
    looked = []

    async def here(does):
        return does()

    def refresh():
        looked.append(asyncio.get_running_loop().time())
        return live.answer

    monkeypatch.setattr(app_module, "run_in_threadpool", here)
    live = SimpleNamespace(answer=SimpleNamespace(number=1), refresh=refresh)
    with pytest.raises(TimeoutError):
        quickly(asyncio.wait_for(Pages(live, read_only=False).watch(), 5.5))
    between = [late - early for early, late in pairwise(looked)]
    assert between == [pytest.approx(1.0, abs=0.1)] * 4
