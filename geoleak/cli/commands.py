"""The commands on a site folder; each imports what it uses when it is called."""

import contextlib
import tempfile
from pathlib import Path
from typing import Annotated

import typer

from geoleak.cli import found, new
from geoleak.cli.app import (
    WRITING,
    JsonOption,
    OutOption,
    SiteArgument,
    TablesOption,
    app,
    argument,
    command,
    flag,
    option,
    print_json,
    print_lines,
    progress,
    show,
)

__all__ = ["app", "found", "new"]

BandOption = Annotated[
    tuple[float, float] | None, option("Measure in this band only, in hertz.", "LOW HIGH")
]


@command(
    "A page for the phone: enter readings, watch the odds.",
    "serve sample_sites/alder_court --share",
)
def serve(
    site: SiteArgument,
    port: Annotated[int, option("Port; 0 takes a free one.", min=0, max=65535)] = 0,
    share: Annotated[
        bool, flag("--share", "Let phones on this network in, by a code to scan.")
    ] = False,
    tls: Annotated[
        bool, flag("--tls", "Encrypt; phones give position and sound only then.")
    ] = False,
    read_only: Annotated[bool, flag("--read-only", "Show the page without entry.")] = False,
    no_browser: Annotated[
        bool, flag("--no-browser", "Do not open the page on this machine.")
    ] = False,
    json: JsonOption = False,
) -> None:
    """Serve the page at the kerb: enter readings, watch the odds, see where to listen next.

    Entries are written into the site's own sheets before they are acknowledged. Only this machine
    is let in unless --share is given. Ctrl-C ends it.
    """
    from geoleak.pipeline import read_site
    from geoleak.serve.app import application
    from geoleak.serve.live import Live
    from geoleak.serve.server import certificate, code_lines, listen, run

    if not (site / "site.toml").is_file():
        read_site(site)  # says what is missing; a site that is there may be mended while served
    live = Live(site.resolve())
    opened, address = listen(port, share=share, tls=tls)
    with contextlib.ExitStack() as stack:
        files = None
        said = [f"serving {address.url}"]
        if tls:
            # Of this run and its owner alone: such a folder lets nobody else in.
            folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="geoleak-")))
            key, made, fingerprint = certificate(address.host, folder)
            files = (key, made)
            said += ["the phone will warn once: compare the certificate's SHA-256", fingerprint]
        if share:
            said += ["scan with a phone on the same network or hotspot:", *code_lines(address.url)]
        said += [f"no answer yet: {line}" for line in live.answer.complaint]

        def started() -> None:
            if json:
                print_json({"serving": address.url, "share": share, "read_only": read_only})
            else:
                print_lines(said)
            if not no_browser:
                import webbrowser

                webbrowser.open(address.url)

        with contextlib.suppress(KeyboardInterrupt):
            app_of_site = application(live, address, read_only=read_only)
            run(app_of_site, opened, tls=files, started=started)


@command("Read a site folder and say what was understood.", "check sample_sites/alder_court")
def check(site: SiteArgument, json: JsonOption = False) -> None:
    """Read a site folder, put it on the ground and say what was understood. Writes nothing."""
    from geoleak import pipeline
    from geoleak.reports.check import CheckReport

    with progress("reading the site"):
        survey = pipeline.survey_site(pipeline.read_site(site))
    show(CheckReport(survey), json=json)


@command("The main job: say where to dig; write stake and map.", "locate sample_sites/alder_court")
def locate(
    site: SiteArgument,
    out: OutOption = None,
    force: Annotated[bool, flag("--force", "Replace a folder that holds other files too.")] = False,
    also: Annotated[
        list[str] | None,
        option("Write this file too; may be repeated.", "kml|gpx|dxf|landxml"),
    ] = None,
    street_tiles: Annotated[
        bool, flag("--street-tiles", "Let map.html fetch street tiles when it is opened.")
    ] = False,
    tables: TablesOption = None,
    json: JsonOption = False,
) -> None:
    """Say where to dig, or what to listen to next, and write the stake and the map.

    Writes result.json, leak.geojson, map.html, stakes.csv, site.gpkg and dig_sheet.pdf, all of
    them or none.
    """
    import datetime

    from geoleak import pipeline
    from geoleak.export.told import lines
    from geoleak.readers import read_tables

    folder = out if out is not None else site / "out"
    with progress("reading the site"):
        read = pipeline.read_site(site, tables=read_tables(tables) if tables else None)
    with progress("working out where the leak is"):
        result = pipeline.locate(read, now=datetime.datetime.now())
    with progress("writing"), WRITING.to(folder):
        written = result.write(folder, force=force, also=also or (), street_tiles=street_tiles)
    if json:
        print_json(result.to_dict())
        return
    print_lines(lines(result))
    print_lines(["", f"written to {folder}: " + ", ".join(path.name for path in written)])


@command("Before driving out: what to touch, shut and paint.", "plan sample_sites/school_loop")
def plan(site: SiteArgument, json: JsonOption = False) -> None:
    """Say which fittings to touch first, which valves to shut, how close to mark and to listen.

    Writes out/plan.html to print.
    """
    from geoleak import pipeline
    from geoleak.advice import plan_visit
    from geoleak.reports.plan import PlanReport, write_plan

    with progress("trying leaks along the pipe"):
        survey = pipeline.survey_site(pipeline.read_site(site))
        report = PlanReport(survey, plan_visit(survey))
    written = write_plan(report, site / "out" / "plan.html")
    show(report, json=json)
    if not json:
        print_lines([f"to print: {written}"])


@command("The meter test: is there a leak, and how large.", "meter sample_sites/alder_court")
def meter(site: SiteArgument, json: JsonOption = False) -> None:
    """Tell from meter.csv whether there is a leak, how large, and on which side. Writes nothing."""
    from geoleak import pipeline
    from geoleak.reports.meter import MeterReport

    with progress("reading the site"):
        read = pipeline.read_site(site)
    show(MeterReport(read), json=json)


@command("Legs, stations of marks and bends, gaps, strays.", "route sample_sites/quarry_road")
def route(site: SiteArgument, json: JsonOption = False) -> None:
    """List legs, stations of marks and bends, gaps, strays and lengths. Writes nothing."""
    from geoleak import pipeline
    from geoleak.reports.check import RouteReport

    with progress("fitting the route"):
        survey = pipeline.survey_site(pipeline.read_site(site))
    show(RouteReport(survey), json=json)


@command(
    "Recordings to levels, and the band to listen in.",
    "listen sample_sites/quarry_road --picture band.svg",
)
def listen(
    site: SiteArgument,
    with_leak: Annotated[str | None, option("Reading that holds the leak.", "READING")] = None,
    without: Annotated[str | None, option("Reading to compare it with.", "READING")] = None,
    band: BandOption = None,
    picture: Annotated[Path | None, option("Draw both spectra.", "FILE.svg")] = None,
    json: JsonOption = False,
) -> None:
    """Measure the recordings of readings.csv in one band and name the band to listen in.

    Without --with-leak and --without the loudest and the quietest recording are compared. With no
    two recordings to compare, the starting band for the pipe's material is named.
    """
    from geoleak import pipeline
    from geoleak.reports.sound import check_picture, listen_report

    if picture is not None:
        check_picture(picture)
    with progress("reading the site"):
        read = pipeline.read_site(site)
    with progress("listening") as tell:
        report = listen_report(
            read, with_leak=with_leak, without=without, band_hz=band, progress=tell
        )
    if picture is not None:
        report.draw(picture)
    show(report, json=json)
    if picture is not None and not json:
        print_lines([f"drawn to {picture}"])


@command("Two recordings to a delay.", "delay hydrant.wav valve.wav --band 200 1200")
def delay(
    first: Annotated[
        str,
        argument(
            'WAV at the first sensor ("pair.wav#2": its second channel), or '
            "a site folder: every row of its delays.csv that names recordings.",
            "FIRST",
        ),
    ],
    second: Annotated[str | None, argument("WAV at the second sensor.", "[SECOND]")] = None,
    band: BandOption = None,
    longest_ms: Annotated[
        float | None, option("Longest delay that the pipe allows; 1000 if absent.")
    ] = None,
    json: JsonOption = False,
) -> None:
    """Time the leak between two sensors: arrival at FIRST minus arrival at SECOND.

    Negative: the leak is nearer FIRST. Where no delay stands out of the noise, it says so and
    gives no number.
    """
    from geoleak import pipeline
    from geoleak.reports.sound import delay_report

    if second is None and Path(first).suffix.partition("#")[0].casefold() == ".wav":
        raise typer.BadParameter("one recording makes no delay: name the second sensor's as well")
    longest_s = None if longest_ms is None else longest_ms / 1000.0
    with progress("timing") as tell:
        of = (first, second) if second is not None else (pipeline.read_site(Path(first)),)
        report = delay_report(*of, band_hz=band, longest_s=longest_s, progress=tell)
    show(report, json=json)
