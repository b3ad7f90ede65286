"""``geoleak check``: read everything, judge it, compute nothing."""

from __future__ import annotations

from geoleak.cli.app import JsonOption, SiteArgument, app


@app.command(
    short_help="Read a site folder and say what was understood.",
    epilog="Example: geoleak check sample_sites/alder_court",
)
def check(site: SiteArgument, json: JsonOption = False) -> None:
    """Read a site folder, put it on the ground and say what was understood. Writes nothing."""
    from geoleak import pipeline
    from geoleak.cli.say import out, out_json, progress
    from geoleak.reports.check import CheckReport

    with progress("reading the site"):
        survey = pipeline.survey_site(pipeline.read_site(site))
    report = CheckReport(survey)
    if json:
        out_json(report.to_dict())
    else:
        out(report.lines())
