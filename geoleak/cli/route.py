"""``geoleak route``: legs, stations, gaps."""

from __future__ import annotations

from geoleak.cli.app import JsonOption, SiteArgument, app


@app.command(
    short_help="Legs, stations of marks and bends, gaps, strays.",
    epilog="Example: geoleak route sample_sites/quarry_road",
)
def route(site: SiteArgument, json: JsonOption = False) -> None:
    """List legs, stations of marks and bends, gaps, strays and lengths. Writes nothing."""
    from geoleak import pipeline
    from geoleak.cli.say import out, out_json, progress
    from geoleak.reports.route import RouteReport

    with progress("fitting the route"):
        survey = pipeline.survey_site(pipeline.read_site(site))
    report = RouteReport(survey)
    if json:
        out_json(report.to_dict())
    else:
        out(report.lines())
