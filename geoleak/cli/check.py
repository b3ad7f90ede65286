"""``geoleak check``: read everything, judge it, compute nothing."""

from __future__ import annotations

from geoleak.cli.app import JsonOption, SiteArgument, app


@app.command(epilog="Example: geoleak check sample_sites/alder_court")
def check(site: SiteArgument, json: JsonOption = False) -> None:
    """Read a site folder, put it on the ground and say what was understood. Writes nothing."""
    from geoleak import pipeline
    from geoleak.cli.say import json_text, out, progress

    with progress("reading the site"):
        survey = pipeline.survey_site(pipeline.read_site(site))
    report = pipeline.check_report(survey)
    out([json_text(report.to_dict())] if json else report.lines())
