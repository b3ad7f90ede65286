"""``geoleak route``: legs, stations, gaps."""

from __future__ import annotations

from geoleak.cli.app import JsonOption, SiteArgument, app


@app.command(epilog="Example: geoleak route sample_sites/quarry_road")
def route(site: SiteArgument, json: JsonOption = False) -> None:
    """List legs, stations of marks and bends, gaps, strays and lengths. Writes nothing."""
    from geoleak import pipeline
    from geoleak.cli.say import json_text, out, progress

    with progress("fitting the route"):
        survey = pipeline.survey_site(pipeline.read_site(site))
    report = pipeline.route_report(survey)
    out([json_text(report.to_dict())] if json else report.lines())
