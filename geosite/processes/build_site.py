"""The process ``build-site``: from site file and field book to everything that leaves."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from geosite.processes.model import GEOTIFF, Context, Input, Output, Process

__all__ = ["DESIGN_LAYER", "PROCESS", "SITE"]

SITE = Input(
    "site",
    "Site file",
    "TOML file that names the field book, the baseline and where its marks lie on the map",
    {"type": "string", "format": "path", "contentMediaType": "application/toml"},
)

DESIGN_LAYER = Input(
    "layer",
    "Layer",
    "Layer of the design file, where it holds several",
    {"type": "string"},
    required=False,
)


def _run(inputs: Mapping[str, Any], context: Context) -> Mapping[str, Any]:
    from geosite.handover.folder.write import waiting_writer, write_into
    from geosite.handover.report_model.serialise import as_json

    site = Path(inputs["site"])
    with waiting_writer(context.out, site) as give:
        # loaded while the copy that waits loads what it writes with
        from geosite.build import build
        from geosite.fieldbook.read import read_survey
        from geosite.handover.folder.unwritable import told_where_asked

        context.progress(0.05, "reading the field book")
        notes = read_survey(site)
        context.progress(0.15, "adjusting, drawing and laying the ground")
        package = build(notes)
        context.progress(0.7, "writing the files")
        # the host swaps the finished folder in
        with told_where_asked(notes):
            write_into(context.out, package, notes.site.handover, give)
    context.progress(1.0, "done")
    assert package.report is not None
    return as_json(package.report)


PROCESS = Process(
    id="build-site",
    version="1.0.0",
    title="Map files of a walked survey",
    description=(
        "Adjusts the walks, places them on the map, draws what was walked, models the ground and "
        "writes layers, rasters, quantities and a report in which every number has its accuracy. "
        "No boundary survey: local codes and licensed professionals decide."
    ),
    keywords=("survey", "adjustment", "GeoPackage", "terrain"),
    inputs=(SITE,),
    outputs=(
        Output(
            "site",
            "Layers",
            "Points, baseline, areas, lines and what was derived from them.",
            "application/geopackage+sqlite3",
            "gpkg",
        ),
        Output("elevation", "Elevation", "Elevation raster.", GEOTIFF, "tif", always=False),
        Output("slope", "Slope", "Slope raster, percent.", GEOTIFF, "tif", always=False),
        Output(
            "drainage_direction",
            "Drainage direction",
            "Azimuth in degrees of the way water leaves the cell.",
            GEOTIFF,
            "tif",
            always=False,
        ),
        Output("quantities", "Quantities", "The take-off.", "text/csv", "csv", always=False),
        Output("report", "Report", "Every number and finding.", "application/json", "json"),
        Output("plan", "Plan", "Plan sheet to print.", "application/pdf", "pdf", always=False),
        Output("viewer", "Viewer", "The site in a browser.", "text/html", "html", always=False),
        Output("points", "Points", "Marks for a spreadsheet.", "text/csv", "csv", always=False),
        Output("metadata", "Metadata", "ISO 19139 record.", "application/xml", "xml", always=False),
        Output(
            "handover",
            "Hand-over",
            "Everything in one file, if the site file asks for it.",
            "application/zip",
            "zip",
            always=False,
        ),
    ),
    run=_run,
    example={"site": "sample_data/ferry_landing/site.toml"},
    hands_over=True,
)
