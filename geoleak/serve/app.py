"""What the page and other programs ask of the server, and who may."""

from __future__ import annotations

import asyncio
import contextlib
import hmac
import json
from collections.abc import AsyncIterator
from importlib import resources
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import MutableHeaders
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, Response, StreamingResponse
from starlette.routing import Route

from geoleak.errors import AcousticsError, GeoleakError, InputError
from geoleak.result import Result
from geoleak.serve.book import ConflictError
from geoleak.serve.live import Live
from geoleak.serve.page import compared, page_state, store_recording
from geoleak.serve.server import SLOW_S, Address

COOKIE = "geoleak"
# Five seconds of 16-bit sound at 192 kHz in two channels are 3.8 MB; an entry is a row.
MOST_BODY = {"/recordings": 16_000_000}
MOST_ENTRY = 16_384
MOST_SHOWN = 40  # signs of a wrong value in a complaint
WATCH_S = 1.0
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


def refusal(request: Request, address: Address, *, read_only: bool) -> tuple[int, str] | None:
    """Return why a request is refused, None where it is let in.

    Hosts and origins are let in by name, with a token where the page is shared.
    """
    hosts, token = address.hosts, address.token
    if request.headers.get("host", "") not in hosts:
        return 403, "this name is not the server's; open the address that was printed"
    origin = request.headers.get("origin")
    ours = origin is None or origin in {f"{address.scheme}://{each}" for each in hosts}
    # A link that a person follows is no page asking.
    followed = request.headers.get("sec-fetch-mode") == "navigate" and request.method == "GET"
    crossed = request.headers.get("sec-fetch-site") in ("cross-site", "same-site")
    if not ours or (crossed and not followed):
        return 403, "another page may not ask this"
    bearer = request.headers.get("authorization", "").removeprefix("Bearer ")
    given = (bearer, request.cookies.get(COOKIE, ""), request.query_params.get("token", ""))
    known = [hmac.compare_digest(each.encode(), (token or "").encode()) for each in given]
    if token is not None and not any(known):
        return 401, "scan the code again: it is new each time the server starts"
    if read_only and request.method != "GET":
        return 403, "this page is for reading only"
    return None


def guarded(app: Any, address: Address, *, read_only: bool) -> Any:
    """Return an application that asks who may come in, and puts strict headers on answers."""

    async def guard(scope: Any, receive: Any, send: Any) -> None:
        if scope["type"] != "http":
            await app(scope, receive, send)
            return
        # Drawn pages may run their own scripts and styles, and fetch nothing.
        drawn = scope["path"].startswith("/out/")
        own = {k: v for k, v in HEADERS.items() if not (drawn and k.startswith("Content"))}

        async def headed(message: Any) -> None:
            if message["type"] == "http.response.start":
                MutableHeaders(scope=message).update(own)
            await send(message)

        refused = refusal(Request(scope), address, read_only=read_only)
        await (complaint(*refused) if refused else app)(scope, receive, headed)

    return guard


def complaint(code: int, *lines: str) -> JSONResponse:
    """Return what is wrong, as programs and the page read it."""
    return JSONResponse({"complaint": list(lines)}, status_code=code)


async def body_of(request: Request) -> bytes:
    """Return a request's body; raises HTTPException for one that is too large or too slow."""
    most = MOST_BODY.get(request.url.path, MOST_ENTRY)
    found = bytearray()
    try:
        async with asyncio.timeout(SLOW_S):
            async for chunk in request.stream():
                found += chunk
                if len(found) > most:
                    raise HTTPException(413, f"more than {most} bytes; nothing was taken")
    except TimeoutError:
        slow = "the connection is too slow; nothing was taken, send it again"
        raise HTTPException(408, slow) from None
    return bytes(found)


Id = Annotated[str, Field(pattern=r"^[A-Za-z0-9-]{8,64}$")]


class Entry(BaseModel):
    """What a body asks for: a row to add, or one to strike out."""

    model_config = ConfigDict(strict=True)

    id: Id
    sheet: str
    row: dict[str, str | int | float] = {}
    # A blank would be found: a row typed by hand may have no name.
    strike: Annotated[str, Field(min_length=1)] | None = None
    reason: str = ""

    @model_validator(mode="after")
    def _says_something(self) -> Entry:
        if self.strike is None and not self.row:
            raise ValueError("row maps columns to texts")
        return self


class Take(BaseModel):
    """What stands in the address of a recording."""

    id: Id
    leg: str | None = None
    low_hz: float | None = None
    high_hz: float | None = None


MEANT = {
    "": "one JSON object of id, sheet and row, or of id, sheet, strike and reason",
    "id": "8 to 64 letters, digits and dashes",
    "sheet": "the name of one of the site's sheets, such as readings.csv",
    "row": "an object that maps the names of columns to texts or numbers",
    "row.": "a text or a number",
    "strike": "the id of the entry to strike out",
    "reason": "a text",
    "low_hz": "a number of hertz",
    "high_hz": "a number of hertz",
}
"""What would be right in each field of an `Entry` and a `Take`; "row." is one cell of a row."""


def misshapen(error: ValidationError) -> list[str]:
    """Return what is wrong with a body or an address: a line a field, its value, what is right."""
    whose = "recording" if error.title == Take.__name__ else "entry"
    lines = {}
    for each in error.errors(include_url=False, include_context=False):
        place = tuple(map(str, each["loc"][:2]))
        key = "row." if len(place) == 2 else "".join(place)
        shown = f"{'.'.join(place)[:MOST_SHOWN]} "
        value = json.dumps(each["input"], default=str)[:MOST_SHOWN]
        shown += f"is {'missing' if each['type'] == 'missing' else value}; it "
        # A body that is no entry at all is not said again.
        lines[place] = f"{whose}: {shown if place else ''}should be {MEANT.get(key, each['msg'])}"
    return list(lines.values())


class Pages:
    """The routes over one live site; those that await nothing are run on a thread."""

    def __init__(self, live: Live, *, read_only: bool) -> None:
        self.live = live
        self.read_only = read_only
        self._changed = asyncio.Condition()
        self._entered = asyncio.Event()

    def asset(self, request: Request) -> Response:
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

    def result(self, request: Request) -> Response:
        """Return what `locate` would write now."""
        return JSONResponse(self._now().to_dict())

    def _now(self) -> Result:
        answer = self.live.refresh()
        if answer.result is None:
            raise HTTPException(409, "\n".join(answer.complaint))
        return answer.result

    def page(self, request: Request) -> Response:
        """Return what the page draws."""
        answer = self.live.refresh()
        return JSONResponse(page_state(self.live, answer, read_only=self.read_only))

    async def entries(self, request: Request) -> Response:
        """Take one entry, or strike a row out."""
        wanted, live = Entry.model_validate_json(await body_of(request)), self.live
        if wanted.strike is not None:
            struck = (wanted.sheet, wanted.strike, wanted.reason)
            stored = await run_in_threadpool(live.strike, *struck)
        else:
            row = {name: str(cell) for name, cell in wanted.row.items()}
            stored = await run_in_threadpool(live.add, wanted.sheet, wanted.id, row)
        self._entered.set()
        said = {"row": dict(stored.row), "id": wanted.id, "line": stored.line}
        return JSONResponse(said, status_code=201 if stored.fresh else 200)

    async def recordings(self, request: Request) -> Response:
        """Store a WAV in the site and return its level, measured as `listen` measures it."""
        data, take = await body_of(request), Take.model_validate(dict(request.query_params))
        low, high = take.low_hz, take.high_hz
        if (low is None) != (high is None):
            raise HTTPException(400, "recording: low_hz and high_hz are two numbers")
        band = None if low is None or high is None else (low, high)
        heard = await run_in_threadpool(
            store_recording, self.live, take.id, data, leg=take.leg, band_hz=band
        )
        return JSONResponse(heard, status_code=201)

    def band(self, request: Request) -> Response:
        """Return the band that tells two stored recordings apart, as `listen` finds it."""
        asked = request.query_params
        takes = [asked.get(name, "") for name in ("running", "shut")]
        return JSONResponse(compared(self.live, *takes, leg=asked.get("leg")))

    def where(self, request: Request) -> Response:
        """Return a phone's longitude and latitude in the printed grid, for the drawing."""
        survey = self.live.answer.survey
        try:
            lon, lat = (float(request.query_params[name]) for name in ("lon", "lat"))
        except (KeyError, ValueError):
            raise HTTPException(400, "where: lon and lat in degrees") from None
        if survey is None or survey.frame.is_local or not (-180 <= lon <= 180 and -90 <= lat <= 90):
            raise HTTPException(422, "this site has no longitude and latitude")
        east, north = survey.frame.from_lonlat(lon, lat)
        return JSONResponse({"easting_m": float(east), "northing_m": float(north)})

    def finish(self, request: Request) -> Response:
        """Write everything `locate` writes into ``out``."""
        result = self._now()
        try:
            written = result.write(self.live.folder / "out")
        except GeoleakError as error:  # a folder that is refused, too
            return complaint(507, *error.lines())
        offered = [path.name for path in written if path.name in FILES]
        return JSONResponse({"files": offered, "verdict": result.stands})

    def file(self, request: Request) -> Response:
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
                    async with self._changed:
                        self._changed.notify_all()


def application(live: Live, address: Address, *, read_only: bool) -> Any:
    """Return the server's application for one site."""
    pages = Pages(live, read_only=read_only)
    routes = [Route(path, pages.asset) for path in ASSETS]
    for name in ("result.json", "page.json", "events", "where", "band", "out/{name}"):
        answer = getattr(pages, "file" if name.startswith("out") else name.partition(".")[0])
        routes.append(Route(f"/{name}", answer, methods=["GET"]))
    for name in ("entries", "recordings", "finish"):
        routes.append(Route(f"/{name}", getattr(pages, name), methods=["POST"]))

    def answered(code: int) -> Any:
        return lambda request, error: complaint(code, *live.below(error.lines()))

    handlers: dict[Any, Any] = {
        HTTPException: lambda _, error: complaint(error.status_code, *error.detail.splitlines()),
        ValidationError: lambda _, error: complaint(400, *misshapen(error)),
        ConflictError: lambda _, error: complaint(409, str(error)),
        InputError: answered(422),
        AcousticsError: answered(422),
        GeoleakError: answered(507),
    }

    @contextlib.asynccontextmanager
    async def watching(app: Starlette) -> AsyncIterator[None]:
        task = asyncio.create_task(pages.watch())
        yield
        task.cancel()

    app = Starlette(routes=routes, lifespan=watching, exception_handlers=handlers)
    return guarded(app, address, read_only=read_only)
