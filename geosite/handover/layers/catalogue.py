"""Every layer and table that geosite can write, with its columns: made without a survey."""

from __future__ import annotations

from typing import Any

from geosite.analysis.parcels import ParcelMap
from geosite.analysis.takeoff.quantities import TakeOff
from geosite.base.columns import Columns
from geosite.base.grid import Grid
from geosite.base.map_frame import Frame
from geosite.handover.layers import (
    alternatives,
    areas,
    baseline,
    catchments,
    contours,
    control,
    curves,
    design_parts,
    designs,
    distances,
    drainage_arrows,
    earthworks,
    flow_paths,
    grades,
    kerbs,
    lines,
    marks,
    parcels,
    peak_flows,
    points,
    ponding,
    prices,
    quantities,
    residuals,
    sections,
    shared_edges,
)
from geosite.handover.model import Form

__all__ = ["catalogue"]

_MAP = Frame(
    vertical_wkt="",
    vertical_name="",
    unit_name="unit of the map CRS",
    height_unit_name="unit of the elevations",
)


def catalogue() -> dict[str, tuple[Form, Columns[Any]]]:
    """Return what each layer and table is, and its columns in order, by name.

    Units that a survey chooses are written out: those of its map, elevations and field book.

    Examples
    --------
    >>> form, columns = catalogue()["lines"]
    >>> form.geometry_type, [one.name for one in columns.fields][:3]
    ('LineStringZ', ['feature', 'code', 'length_m'])
    """
    of_points = points.columns(_MAP, "unit of the field book", {})
    found: tuple[tuple[Form, Columns[Any]], ...] = (
        (points.POINTS, of_points),
        (marks.MARKS, marks.columns(of_points)),
        (baseline.BASELINE, baseline.columns()),
        (areas.AREAS, areas.columns({})),
        (lines.LINES, lines.columns({})),
        (contours.CONTOURS, contours.columns(_MAP)),
        (drainage_arrows.DRAINAGE_ARROWS, drainage_arrows.columns(_MAP)),
        (flow_paths.FLOW_PATHS, flow_paths.columns()),
        (ponding.PONDING, ponding.columns(_MAP, Grid(0.0, 0.0, 1.0, 1, 1))),
        (catchments.CATCHMENTS, catchments.columns(())),
        (catchments.OUTFLOWS, catchments.outflow_columns(())),
        (shared_edges.AREAS_SNAPPED, shared_edges.snapped_columns(TakeOff((), (), (), {}), _MAP)),
        (grades.GRADES, grades.columns()),
        (sections.SECTIONS, sections.columns()),
        (parcels.PARCELS, parcels.parcel_columns(ParcelMap((), 0.0, "", 0.0), {}, _MAP)),
        (parcels.PARCEL_CLEARANCES, parcels.clearance_columns()),
        (curves.AREAS, curves.columns({})),
        (curves.LINES, curves.columns({})),
        (quantities.QUANTITIES, quantities.columns()),
        (distances.EDGES, distances.edge_columns(lambda row: None)),
        (distances.DISTANCES, distances.distance_columns()),
        (distances.ANGLES, distances.angle_columns()),
        (shared_edges.SHARED_EDGES, shared_edges.columns()),
        (sections.SECTION_STATIONS, sections.station_columns()),
        (earthworks.EARTHWORKS, earthworks.columns()),
        (designs.DESIGN_EDGES, designs.EDGE_COLUMNS),
        (designs.DESIGN_LINES, designs.LINE_COLUMNS),
        (designs.DESIGNS, designs.VOLUME_COLUMNS),
        (designs.DESIGN_WATER, designs.WATER_COLUMNS),
        (designs.DESIGN_PARCELS, designs.PARCEL_COLUMNS),
        (design_parts.DESIGN_PARTS, design_parts.COLUMNS),
        (design_parts.DESIGN_ESTIMATE, design_parts.ESTIMATE_COLUMNS),
        (alternatives.ALTERNATIVES, alternatives.COLUMNS),
        (kerbs.KERBS, kerbs.COLUMNS),
        (peak_flows.PEAK_FLOWS, peak_flows.COLUMNS),
        (parcels.PARCEL_SHARES, parcels.share_columns()),
        (prices.PRICES, prices.columns("")),
        (control.CONTROL, control.columns(_MAP)),
        (residuals.RESIDUALS, residuals.columns()),
    )
    return {form.name: (form, columns) for form, columns in found}
