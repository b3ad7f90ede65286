"""What the page and other programs ask of the server, and who may."""

from __future__ import annotations

import asyncio
import contextlib
import hmac
import json
import re
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from dataclasses import dataclass
from importlib import resources
from typing import Any

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, Response, StreamingResponse
from starlette.routing import Route

from geoleak.errors import AcousticsError, GeoleakError, InputError
from geoleak.serve.book import ConflictError
from geoleak.serve.live import Live
from geoleak.serve.page import page_state
from geoleak.serve.server import SLOW_S
from geoleak.serve.sound import compared, store_recording

COOKIE = "geoleak"
# Five seconds of 16-bit sound at 192 kHz in two channels are 3.8 MB; an entry is a row.
MOST_BODY = {"/recordings": 16_000_000}
MOST_ENTRY = 16_384
WATCH_S = 1.0
_ID = re.compile(r"[A-Za-z0-9-]{8,64}")
_SCRIPTS = ("page", "kept", "forms", "entering", "sounding", "sound", "recorder", "draw")
ASSETS = {
    "/": ("page.html", "text/html; charset=utf-8"),
    "/page.css": ("page.css", "text/css; charset=utf-8"),
    **{f"/{name}.js": (f"{name}.js", "text/javascript; charset=utf-8") for name in _SCRIPTS},
}
HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; "
        "img-src 'self' data:; worker-src 'self'; base-uri 'none'; form-action 'none'; "
        "frame-ancestors 'none'"
    ),
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "microphone=(self), geolocation=(self), camera=()",
    "Cache-Control": "no-store",
}
FILES = ("dig_sheet.pdf", "stakes.csv", "map.html", "leak.geojson", "site.gpkg", "result.json")


@dataclass(frozen=True, slots=True)
class Door:
    """Who may come in: hosts and origins by name, and a token where the page is shared."""

    hosts: tuple[str, ...]
    scheme: str
    token: str | None
    read_only: bool

    def refusal(self, request: Request) -> tuple[int, str] | None:
        """Return why a request is refused, None where it is let in."""
        host = request.headers.get("host", "")
        if host not in self.hosts:
            return 403, "this name is not the server's; open the address that was printed"
        origin = request.headers.get("origin")
        if origin is not None and origin not in {f"{self.scheme}://{each}" for each in self.hosts}:
            return 403, "another page may not ask this"
        # A link that a person follows is no page asking.
        followed = request.headers.get("sec-fetch-mode") == "navigate" and request.method == "GET"
        if request.headers.get("sec-fetch-site") in ("cross-site", "same-site") and not followed:
            return 403, "another page may not ask this"
        if self.token is not None and not self._known(request):
            return 401, "scan the code again: it is new each time the server starts"
        if self.read_only and request.method != "GET":
            return 403, "this page is for reading only"
        return None

    def _known(self, request: Request) -> bool:
        bearer = request.headers.get("authorization", "").removeprefix("Bearer ")
        given = (bearer, request.cookies.get(COOKIE, ""), request.query_params.get("token", ""))
        token = (self.token or "").encode()
        return any(hmac.compare_digest(each.encode(), token) for each in given)


class Guard:
    """Asks the door about every request, bounds its body, and puts strict headers on answers."""

    def __init__(self, app: Any, door: Door) -> None:
        self.app = app
        self.door = door

    async def __call__(self, scope: Any, receive: Any, send: Any) -> None:
        """Let a request in or refuse it."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        refusal = self.door.refusal(Request(scope))
        # Drawn pages may run their own scripts and styles, and fetch nothing.
        own = {k: v for k, v in HEADERS.items() if not (k.startswith("Content") and
               scope["path"].startswith("/out/"))}  # fmt: skip

        async def headed(message: Any) -> None:
            if message["type"] == "http.response.start":
                message["headers"] = [
                    *message.get("headers", []),
                    *((k.lower().encode(), v.encode()) for k, v in own.items()),
                ]
            await send(message)

        if refusal is not None:
            await complaint(*refusal)(scope, receive, headed)
            return
        await self.app(scope, receive, headed)


def complaint(code: int, *lines: str) -> JSONResponse:
    """Return what is wrong, as programs and the page read it."""
    return JSONResponse({"complaint": list(lines)}, status_code=code)


async def body_of(request: Request) -> bytes | Response:
    """Return a request's body, or the answer to one that is too large or too slow."""
    most = MOST_BODY.get(request.url.path, MOST_ENTRY)
    found = bytearray()
    try:
        async with asyncio.timeout(SLOW_S):
            async for chunk in request.stream():
                found += chunk
                if len(found) > most:
                    return complaint(413, f"more than {most} bytes; nothing was taken")
    except TimeoutError:
        return complaint(408, "the connection is too slow; nothing was taken, send it again")
    return bytes(found)


class Pages:
    """The routes over one live site."""

    def __init__(self, live: Live, *, read_only: bool) -> None:
        self.live = live
        self.read_only = read_only
        self._changed = asyncio.Condition()
        self._entered = asyncio.Event()

    async def asset(self, request: Request) -> Response:
        """Return a file of the page."""
        name, kind = ASSETS[request.url.path]
        text = resources.files("geoleak.serve").joinpath("assets", name).read_text("utf-8")
        answer = Response(text, media_type=kind)
        token = request.query_params.get("token")
        if name == "page.html" and token is not None:
            # From the address into a cookie, and out of the address: no log or screen keeps it.
            answer = Response(status_code=303, headers={"Location": "/"})
            secure = request.url.scheme == "https"
            answer.set_cookie(COOKIE, token, httponly=True, samesite="strict", secure=secure)
        return answer

    async def result(self, request: Request) -> Response:
        """Return what `locate` would write now."""
        answer = await run_in_threadpool(self.live.refresh)
        if answer.result is None:
            return complaint(409, *answer.complaint)
        return JSONResponse(answer.result.to_dict())

    async def page(self, request: Request) -> Response:
        """Return what the page draws."""
        answer = await run_in_threadpool(self.live.refresh)
        state = await run_in_threadpool(page_state, self.live, answer, read_only=self.read_only)
        return JSONResponse(state)

    async def entries(self, request: Request) -> Response:
        """Take one entry, or strike a row out."""
        data = await body_of(request)
        if isinstance(data, Response):
            return data
        try:
            wanted = _entry(json.loads(data))
        except (ValueError, RecursionError) as error:
            return complaint(
                400, str(error) if str(error).startswith("entry") else "entry: no JSON"
            )
        try:
            if wanted.strike is not None:
                struck = (wanted.sheet, wanted.strike, wanted.reason)
                stored = await run_in_threadpool(self.live.strike, *struck)
            else:
                added = (wanted.sheet, wanted.id, wanted.row)
                stored = await run_in_threadpool(self.live.add, *added)
        except InputError as error:
            return complaint(422, *self.live.below(error.lines()))
        except ConflictError as error:
            return complaint(409, str(error))
        except GeoleakError as error:
            return complaint(507, *error.lines())
        self._entered.set()
        said = {"row": dict(stored.row), "id": wanted.id, "line": stored.line}
        return JSONResponse(said, status_code=201 if stored.fresh else 200)

    async def recordings(self, request: Request) -> Response:
        """Store a WAV in the site and return its level, measured as `listen` measures it."""
        data = await body_of(request)
        if isinstance(data, Response):
            return data
        asked = request.query_params
        name, leg = asked.get("id", ""), asked.get("leg")
        if not _ID.fullmatch(name):
            return complaint(400, "recording: id is 8 to 64 letters, digits and dashes")
        try:
            band = None
            if "low_hz" in asked or "high_hz" in asked:
                band = float(asked["low_hz"]), float(asked["high_hz"])
        except (KeyError, ValueError):
            return complaint(400, "recording: low_hz and high_hz are two numbers")
        try:
            heard = await run_in_threadpool(
                store_recording, self.live, name, data, leg=leg, band_hz=band
            )
        except AcousticsError as error:
            return complaint(422, *error.lines())
        except GeoleakError as error:
            return complaint(507, *error.lines())
        return JSONResponse(heard, status_code=201)

    async def band(self, request: Request) -> Response:
        """Return the band that tells two stored recordings apart, as `listen` finds it."""
        takes = [request.query_params.get(name, "") for name in ("running", "shut")]
        try:
            found = await run_in_threadpool(
                compared, self.live, *takes, leg=request.query_params.get("leg")
            )
        except GeoleakError as error:
            return complaint(422, *error.lines())
        return JSONResponse(found)

    async def where(self, request: Request) -> Response:
        """Return a phone's longitude and latitude in the printed grid, for the drawing."""
        survey = self.live.answer.survey
        try:
            lon, lat = (float(request.query_params[name]) for name in ("lon", "lat"))
        except (KeyError, ValueError):
            return complaint(400, "where: lon and lat in degrees")
        if survey is None or survey.frame.is_local or not (-180 <= lon <= 180 and -90 <= lat <= 90):
            return complaint(422, "this site has no longitude and latitude")
        east, north = survey.frame.from_lonlat(lon, lat)
        return JSONResponse({"easting_m": float(east), "northing_m": float(north)})

    async def finish(self, request: Request) -> Response:
        """Write everything `locate` writes into ``out``."""
        answer = await run_in_threadpool(self.live.refresh)
        if answer.result is None:
            return complaint(409, *answer.complaint)
        try:
            written = await run_in_threadpool(answer.result.write, self.live.folder / "out")
        except GeoleakError as error:
            return complaint(507, *error.lines())
        offered = [path.name for path in written if path.name in FILES]
        return JSONResponse({"files": offered, "verdict": answer.result.stands})

    async def file(self, request: Request) -> Response:
        """Return one file that was written."""
        name = request.path_params["name"]
        path = self.live.folder / "out" / name
        if name not in FILES or not path.is_file():
            return complaint(404, "there is no such file; finish first")
        return FileResponse(path, filename=None if name == "map.html" else name)

    async def events(self, request: Request) -> Response:
        """Tell of every change, as it comes."""

        async def tell() -> AsyncIterator[str]:
            last = -1
            while not await request.is_disconnected():
                answer = self.live.answer
                if answer.number != last:
                    last = answer.number
                    run = answer.result.run.id if answer.result else None
                    said = {"run": run, "number": last, "complaint": list(answer.complaint)}
                    yield f"event: result\ndata: {json.dumps(said)}\n\n"
                async with self._changed:
                    with contextlib.suppress(TimeoutError):
                        await asyncio.wait_for(self._changed.wait(), SLOW_S)
                        continue
                yield ": still here\n\n"

        return StreamingResponse(tell(), media_type="text/event-stream")

    async def watch(self) -> None:
        """Work out what entries, or another hand in the folder, have changed, and tell of it."""
        while True:
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self._entered.wait(), WATCH_S)
            self._entered.clear()
            number = self.live.answer.number
            # A fault is shown by the page's next request; the work stays due and is tried again.
            with contextlib.suppress(Exception):
                answer = await run_in_threadpool(self.live.refresh)
                if answer.number != number:
                    await self._tell()

    async def _tell(self) -> None:
        async with self._changed:
            self._changed.notify_all()


@dataclass(frozen=True, slots=True)
class _Entry:
    id: str
    sheet: str
    row: dict[str, str]
    strike: str | None
    reason: str


def _entry(body: Any) -> _Entry:
    """Return what a body asks for.

    Raises
    ------
    ValueError
        Beginning with "entry", where it is not of the form.
    """
    if not isinstance(body, dict):
        raise ValueError("entry: one JSON object")
    name, sheet, row = body.get("id"), body.get("sheet"), body.get("row", {})
    strike, reason = body.get("strike"), body.get("reason", "")
    if not isinstance(name, str) or not _ID.fullmatch(name):
        raise ValueError("entry: id is 8 to 64 letters, digits and dashes")
    if not isinstance(sheet, str) or not isinstance(reason, str):
        raise ValueError("entry: sheet and reason are texts")
    if strike is not None and not isinstance(strike, str):
        raise ValueError("entry: strike is the id of a row")
    plain = isinstance(row, dict) and all(
        isinstance(k, str) and isinstance(v, str | int | float) for k, v in row.items()
    )
    if not plain or (strike is None and not row):
        raise ValueError("entry: row maps columns to texts")
    return _Entry(name, sheet, {k: str(v) for k, v in row.items()}, strike, reason)


def application(live: Live, door: Door) -> Any:
    """Return the server's application for one site."""
    pages = Pages(live, read_only=door.read_only)
    answer: Callable[[Request], Awaitable[Response]]
    routes: list[Route] = [Route(path, pages.asset) for path in ASSETS]
    reading: Sequence[tuple[str, Any]] = (
        ("/result.json", pages.result), ("/page.json", pages.page), ("/events", pages.events),
        ("/where", pages.where), ("/band", pages.band), ("/out/{name}", pages.file),
    )  # fmt: skip
    for path, answer in reading:
        routes.append(Route(path, answer, methods=["GET"]))
    for path, answer in (
        ("/entries", pages.entries), ("/recordings", pages.recordings), ("/finish", pages.finish),
    ):  # fmt: skip
        routes.append(Route(path, answer, methods=["POST"]))

    @contextlib.asynccontextmanager
    async def watching(app: Starlette) -> AsyncIterator[None]:
        task = asyncio.create_task(pages.watch())
        yield
        task.cancel()

    return Guard(Starlette(routes=routes, lifespan=watching), door)
