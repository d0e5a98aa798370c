"""Layers and table of the parcel map: ``parcels``, ``parcel_clearances``, ``parcel_shares``."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import shapely

from geosite.analysis.wording import BOUNDARY_CAUTION, clearance_words
from geosite.base.columns import Columns, estimate, real, text
from geosite.base.map_frame import Frame
from geosite.handover.model import Form, Layer, Table
from geosite.linework.on_map import to_map_geometry

if TYPE_CHECKING:
    from geosite.analysis.parcels import Clearance, Parcel, ParcelMap, Share

__all__ = [
    "clearance_columns",
    "clearances",
    "layer",
    "parcel_columns",
    "share_columns",
    "shares",
]

PARCELS = Form(
    "parcels", "Parcels", f"The parcel map on the survey's CRS. {BOUNDARY_CAUTION}", "MultiPolygon"
)
PARCEL_CLEARANCES = Form(
    "parcel_clearances",
    "Clearances",
    f"Nearest approach of features to parcel lines. {BOUNDARY_CAUTION}",
    "LineString",
)
PARCEL_SHARES = Form(
    "parcel_shares",
    "Areas per parcel",
    f"How much of each area lies on each parcel. {BOUNDARY_CAUTION}",
)

CLEARANCES = {
    "clear": "clear of the line at 95 %",
    "crosses": "reaches over the line at 95 %",
    "cannot tell": "the 95 % interval holds the line",
}
_STATED = "stated by the source, itself an accuracy"


def parcel_columns(
    parcel_map: ParcelMap, covered_m2: Mapping[str, float], frame: Frame
) -> Columns[Parcel]:
    """Return the columns of the parcels; `covered_m2` is what features cover of each."""
    squared = frame.combined_factor**2
    return Columns(
        (
            text("parcel", "Name in the parcel map.", lambda p: p.name),
            real(
                "area_m2",
                "Area in the parcel map, as on the ground.",
                lambda p: p.geometry.area / squared,
                "m2",
                exact="the parcel map's own; map_sigma_m is its stated accuracy",
            ),
            real(
                "feature_area_m2",
                "Ground that features in it cover, nested ones once.",
                lambda p: covered_m2.get(p.name, 0.0),
                "m2",
                exact="parcel_shares has each part with its interval",
            ),
            real(
                "map_sigma_m",
                "Stated accuracy of the parcel map.",
                lambda p: parcel_map.sigma_m,
                "m",
                exact=_STATED,
            ),
            text(
                "transformation",
                "Coordinate operation from the parcel map's CRS.",
                lambda p: parcel_map.transformation,
            ),
            real(
                "transformation_sigma_m",
                "Stated accuracy of that operation.",
                lambda p: parcel_map.transformation_sigma_m,
                "m",
                exact=_STATED,
            ),
        )
    )


def layer(parcel_map: ParcelMap, found: Sequence[Share], frame: Frame) -> Layer:
    """Return the parcel map on the survey's CRS."""
    covered: dict[str, float] = {}
    for share in found:
        if not share.nested:
            covered[share.parcel] = covered.get(share.parcel, 0.0) + share.area.value
    table = parcel_columns(parcel_map, covered, frame)
    shapes = [shapely.multipolygons(_polygons(p.geometry)) for p in parcel_map.parcels]
    return PARCELS.layer(
        table, table.records(parcel_map.parcels), [to_map_geometry(s, frame) for s in shapes]
    )


def clearance_columns() -> Columns[Clearance]:
    """Return the columns of the clearances."""
    return Columns(
        (
            text("feature", "Name in the field book.", lambda c: c.feature),
            text("code", "Feature code.", lambda c: c.code),
            text("parcel", "Parcel that holds most of the feature.", lambda c: c.parcel),
            estimate(
                "distance_m",
                "To the parcel's line; negative: over it.",
                lambda c: c.distance,
                "m",
                known_from="from survey, parcel map and transformation",
            ),
            text("verdict", "At 95 %.", lambda c: c.verdict, CLEARANCES),
            text("words", "The same as a sentence.", lambda c: str(clearance_words(c))),
        )
    )


def clearances(found: Sequence[Clearance], frame: Frame) -> Layer:
    """Return the nearest approach of each feature to a parcel line."""
    table = clearance_columns()
    return PARCEL_CLEARANCES.layer(
        table,
        table.records(found),
        [to_map_geometry(shapely.LineString(c.line), frame) for c in found],
    )


def share_columns() -> Columns[Share]:
    """Return the columns of the shares."""
    return Columns(
        (
            text("feature", "Name in the field book.", lambda s: s.feature),
            text("code", "Surface code.", lambda s: s.code),
            text("parcel", "Name in the parcel map.", lambda s: s.parcel),
            estimate(
                "area_m2",
                "Area of the feature in the parcel, on the ground.",
                lambda s: s.area,
                "m2",
                known_from="parcel map included",
            ),
            estimate(
                "share_of_feature",
                "Of the feature's area; sure to be all of it only where its clearance is clear.",
                lambda s: s.of_feature,
            ),
            estimate(
                "share_of_parcel",
                "Of the parcel's area: the coverage ratio.",
                lambda s: s.of_parcel,
            ),
        )
    )


def shares(found: Sequence[Share]) -> Table:
    """Return the area of each feature in each parcel."""
    table = share_columns()
    return PARCEL_SHARES.table(table, table.records(found))


def _polygons(shape: Any) -> list[Any]:
    return [part for part in shapely.get_parts(shape) if part.geom_type == "Polygon"]
