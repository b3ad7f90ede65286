"""``geoleak serve``: the page at the kerb."""

from __future__ import annotations

import contextlib
import tempfile
from pathlib import Path
from typing import Annotated

from geoleak.cli.app import JsonOption, SiteArgument, app, option


@app.command(
    short_help="A page for the phone: enter readings, watch the odds.",
    epilog="Example: geoleak serve sample_sites/alder_court --share",
)
def serve(
    site: SiteArgument,
    port: Annotated[int, option("--port", "Port; 0 takes a free one.", min=0, max=65535)] = 0,
    share: Annotated[
        bool, option("--share", "Let phones on this network in, by a code to scan.")
    ] = False,
    tls: Annotated[
        bool, option("--tls", "Encrypt; phones give position and sound only then.")
    ] = False,
    read_only: Annotated[bool, option("--read-only", "Show the page without entry.")] = False,
    no_browser: Annotated[
        bool, option("--no-browser", "Do not open the page on this machine.")
    ] = False,
    json: JsonOption = False,
) -> None:
    """Serve the page at the kerb: enter readings, watch the odds, see where to listen next.

    Entries are written into the site's own sheets before they are acknowledged. Only this machine
    is let in unless --share is given. Ctrl-C ends it.
    """
    from geoleak.cli.say import print_json, print_lines
    from geoleak.pipeline import read_site
    from geoleak.serve.app import Door, application
    from geoleak.serve.live import Live
    from geoleak.serve.server import certificate, code_lines, listen, run

    if not (site / "site.toml").is_file():
        read_site(site)  # says what is missing; a site that is there may be mended while served
    live = Live(site.resolve())
    opened, address = listen(port, share=share, tls=tls)
    door = Door(address.hosts, address.scheme, address.token, read_only)
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
            run(application(live, door), opened, tls=files, started=started)
