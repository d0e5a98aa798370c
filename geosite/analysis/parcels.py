"""The survey on the parcel map: how much lies where, and how far from the lines. No boundary.

A parcel map has an accuracy of its own, usually far below the survey's. Every distance is therefore
given with both combined, and a line is called clear or crossed only when the 95 % interval says so.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import shapely

from geosite.analysis.approach import (
    ClearanceVerdict,
    approach,
    clearance_verdict,
    sigma_across,
    with_map,
)
from geosite.base.arrays import Floats, Ints
from geosite.base.errors import Finding, InputError, Problem
from geosite.base.estimate import Estimate
from geosite.base.exact_numbers import fixed
from geosite.base.map_frame import Frame, longitude_latitude
from geosite.base.statistics import NORMAL_95
from geosite.fieldbook.sitefile import Parcels
from geosite.linework.model import Drawing, Feature
from geosite.network.model import Network
from geosite.reading.operations import Better, Operation, best_operation
from geosite.reading.polygons import PolygonLayer

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

__all__ = [
    "Clearance",
    "Parcel",
    "ParcelMap",
    "Share",
    "no_parcel_near",
    "overlay_parcels",
    "place_parcels",
]

MOST_MENDED = 5
"""So many mended parcels are named, the rest are counted."""

_TOUCHES_M = 1e-6
"""What is in common is no area where it is no wider: two roundings can do that, in metres."""


@dataclass(frozen=True, eq=False)
class Parcel:
    """One parcel: its name and its polygon in local grid metres."""

    name: str
    geometry: BaseGeometry


@dataclass(frozen=True, eq=False)
class ParcelMap:
    """A parcel layer on the frame of the survey.

    Parameters
    ----------
    parcels
        In file order.
    sigma_m
        Stated accuracy of the map, per axis.
    transformation
        Name of the coordinate operation used, empty if the CRS is the survey's own.
    transformation_sigma_m
        Accuracy that the EPSG register states for it.
    """

    parcels: tuple[Parcel, ...]
    sigma_m: float
    transformation: str
    transformation_sigma_m: float
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True)
class Share:
    """What of one feature lies within one parcel.

    Parameters
    ----------
    feature, code, parcel
        Names.
    area
        Ground square metres; survey, parcel map and transformation combined.
    of_feature, of_parcel
        The same as a share of the feature's area and of the parcel's: the coverage ratio.
    nested
        The feature lies inside another one, whose area counts this ground already.
    """

    feature: str
    code: str
    parcel: str
    area: Estimate
    of_feature: Estimate
    of_parcel: Estimate
    nested: bool = False


@dataclass(frozen=True, eq=False)
class Clearance:
    """Nearest approach of a feature to a parcel line.

    Parameters
    ----------
    feature, code, parcel
        Names.
    distance
        Ground metres. Positive: clear of the line by so much. Negative: reaches over it by so
        much. Survey, parcel map and coordinate transformation combined.
    verdict
        ``clear``, ``crosses`` or ``cannot tell`` at 95 %.
    line : array, shape (2, 2)
        From the feature to the parcel line, local grid metres.
    """

    feature: str
    code: str
    parcel: str
    distance: Estimate
    verdict: ClearanceVerdict
    line: Floats


def place_parcels(
    layer: PolygonLayer,
    table: Parcels,
    frame: Frame,
    site_file: str,
) -> ParcelMap:
    """Bring a parcel layer onto the survey's frame.

    Parameters
    ----------
    layer
        The polygons as they are in the file.
    table
        ``[parcels]``: stated accuracy, chosen operation.
    frame
        The survey's map.
    site_file
        For messages.

    Raises
    ------
    InputError
        The layer's CRS cannot be brought to the survey's without a grid that is missing here
        (named), or its coordinates do not make sense there.

    Examples
    --------
    A map in the survey's own CRS comes over by its origin alone:

    >>> from pyproj import CRS
    >>> from geosite.fieldbook.sitefile import Parcels
    >>> utm = CRS("EPSG:25832").to_wkt()
    >>> square = shapely.box(512300, 5276100, 512310, 5276110)
    >>> layer = PolygonLayer("parcels.gpkg", ("12",), (square,), utm)
    >>> frame = Frame(crs_wkt=utm, crs_name="EPSG:25832", origin=(512300.0, 5276100.0))
    >>> placed = place_parcels(layer, Parcels(file="parcels.gpkg", sigma=0.1), frame, "site.toml")
    >>> placed.parcels[0].geometry.bounds, placed.transformation_sigma_m
    ((0.0, 0.0, 10.0, 10.0), 0.0)
    """
    operation, moved = _onto(frame, layer, table, site_file)
    findings = [*_of_operation(operation, layer), *_of_polygons(layer, moved)]
    broken = ~shapely.is_valid(moved)
    moved[broken] = shapely.make_valid(moved[broken])
    parcels = tuple(
        Parcel(layer.names[k], moved[k]) for k in np.flatnonzero(shapely.area(moved) > 0).tolist()
    )
    return ParcelMap(parcels, table.sigma, operation.name, operation.accuracy_m, tuple(findings))


def _of_polygons(layer: PolygonLayer, moved: npt.NDArray[np.object_]) -> Iterator[Finding]:
    """Say what is wrong with the polygons themselves."""
    if layer.repeated:
        text = (
            "1 polygon of the parcel map is the same as one before it and was left out."
            if layer.repeated == 1
            else f"{layer.repeated} polygons of the parcel map are the same as one before them "
            "and were left out."
        )
        yield Finding("note", "parcels-repeated", text, layer.file)
    broken = np.flatnonzero(~shapely.is_valid(moved)).tolist()
    for k in broken[:MOST_MENDED]:
        text = (
            f"Parcel {layer.names[k]} crosses itself in the parcel map; its area is the mended one."
        )
        yield Finding("note", "parcel-mended", text, layer.file)
    if (more := len(broken) - MOST_MENDED) > 0:
        others = (
            "1 more parcel crosses itself" if more == 1 else f"{more} more parcels cross themselves"
        )
        text = f"{others}; mended as well."
        yield Finding("note", "parcel-mended", text, layer.file)


def _of_operation(operation: Operation, layer: PolygonLayer) -> Iterator[Finding]:
    """Name the coordinate operation, so that somebody can judge it."""
    if not operation.name:
        return
    codes = f" ({', '.join(operation.codes)})" if operation.codes else ""
    good = f"good to {operation.accuracy_m:g} m" if operation.stated else "of unknown accuracy"
    yield Finding(
        "note" if operation.stated else "look",
        "parcels-operation",
        f"The parcel map was brought to the survey's CRS by {operation.name}{codes}, {good}."
        f"{_better_one(operation.better)}",
        layer.file,
    )


def _better_one(better: Better | None) -> str:
    if better is None:
        return ""
    which, they = ("grids", "are") if len(better.grids) > 1 else ("grid", "is")
    return (
        f" A better one exists, good to {better.accuracy_m:g} m: {better.name}; it needs the"
        f" {which} {' and '.join(better.grids)} of PROJ's data package (proj-data), which {they}"
        " not installed."
    )


def _onto(
    frame: Frame, layer: PolygonLayer, table: Parcels, site_file: str
) -> tuple[Operation, npt.NDArray[np.object_]]:
    """Return the coordinate operation and the shapes in local grid metres."""
    from pyproj import CRS
    from pyproj.exceptions import ProjError

    def refuse(code: str, what: str, expected: str, remedy: str) -> InputError:
        return InputError(
            Problem(code, f"[parcels] file {layer.file}: {what}", expected, remedy, site_file)
        )

    try:
        source = CRS.from_user_input(layer.crs_wkt)
        target = CRS.from_wkt(frame.crs_wkt)
        flat = source.sub_crs_list[0] if source.is_compound else source
        longitude, latitude = longitude_latitude(frame.crs_wkt, *frame.origin)
        operation = best_operation(
            flat,
            target,
            (float(longitude), float(latitude)),
            refuse,
            code=table.operation,
            accuracy_m=table.accuracy_m,
        )
    except ProjError as error:
        raise refuse(
            "parcels-crs",
            f"its CRS cannot be used ({error})",
            "a CRS that PROJ knows",
            "export the parcel map in the survey's CRS",
        ) from error

    def move(coordinates: Floats) -> Floats:
        east, north = operation.move(coordinates[:, 0], coordinates[:, 1])
        return frame.to_local(np.column_stack([east, north]))

    moved = shapely.transform(np.array(layer.shapes, dtype=object), move)
    if not np.isfinite(shapely.get_coordinates(moved)).all():
        raise refuse(
            "parcels-out-of-reach",
            f"its coordinates cannot be brought to {target.name}",
            "parcels near the survey",
            "check the CRS that the parcel map claims",
        )
    return operation, moved


def overlay_parcels(
    drawing: Drawing, network: Network, parcel_map: ParcelMap
) -> tuple[tuple[Share, ...], tuple[Clearance, ...]]:
    """Lay the features on the parcels.

    Returns
    -------
    shares
        Every feature and parcel that overlap, with the ground area they share. Its sigma is the
        survey's alone for the whole feature, and grows with the length of parcel line that cuts
        through it, because that line is only as good as the parcel map. Of a feature that lies
        inside and whose clearance cannot be told, by what a line as far inside as it may be cuts.
    clearances
        Per feature the nearest line of the parcel that holds most of it.

    Examples
    --------
    A yard of 10 by 5 m, three fifths of it on one parcel:

    >>> from geosite.fieldbook.book import book_from_text
    >>> from geosite.fieldbook.model import Notes
    >>> from geosite.linework.draw import draw
    >>> from geosite.network.independent_marks import independent_marks
    >>> rows = ["R1,A,0,0,0,yard", "R1,B,10,0,0,yard", "R1,C,10,5,0,yard", "R1,D,0,5,0,yard"]
    >>> book = book_from_text(chr(10).join(["run,point,x,y,z,feature", *rows]))
    >>> network = independent_marks(book.local)
    >>> west = ParcelMap((Parcel("12", shapely.box(-20, -20, 6, 20)),), 0.5, "", 0.0, ())
    >>> shares, _ = overlay_parcels(draw(Notes.of(book), network), network, west)
    >>> shares[0].parcel, shares[0].area.value
    ('12', 30.0)
    """
    parcels = parcel_map.parcels
    tree = shapely.STRtree([p.geometry for p in parcels])
    # what moves the parcel map and what moves the whole survey are known sizes alike
    map_sigma = math.hypot(
        parcel_map.sigma_m, parcel_map.transformation_sigma_m, network.shift.sigma
    )
    shares: list[Share] = []
    clearances: list[Clearance] = []
    nested = {name for outer in drawing.features for name in outer.inside}
    for feature in drawing.features:
        shape = shapely.force_2d(feature.geometry)
        near: Ints = np.sort(tree.query(shape, predicate="intersects"))
        if not len(near):
            continue
        met = [parcels[i] for i in near]
        clearances.append(_clearance(feature, shape, met, network, map_sigma))
        if feature.kind == "area" and feature.area is not None:
            found = _shares(feature, shape, met, network, map_sigma, clearances[-1])
            shares += [replace(share, nested=feature.name in nested) for share in found]
    return tuple(shares), tuple(clearances)


def no_parcel_near(parcel_map: ParcelMap, drawing: Drawing, network: Network) -> str:
    """Say why no feature meets a parcel: how far away the parcels lie.

    Parameters
    ----------
    parcel_map
        On the survey's frame.
    drawing, network
        The features, and the combined factor.

    Examples
    --------
    >>> from geosite.network.independent_marks import independent_marks
    >>> empty = ParcelMap((), 0.5, "", 0.0, ())
    >>> no_parcel_near(empty, Drawing(()), independent_marks([(0, 0, 0)]))[:46]
    'No parcel of the parcel map lies near the surv'
    """
    if not parcel_map.parcels:
        return (
            "No parcel of the parcel map lies near the survey, so nothing is said about parcels:"
            " check the CRS of the parcel map and the anchor."
        )
    shapes = [shapely.force_2d(feature.geometry) for feature in drawing.features]
    tree = shapely.STRtree([p.geometry for p in parcel_map.parcels])
    _, distances = tree.query_nearest(shapes, return_distance=True, all_matches=False)
    nearest = float(np.min(distances)) / network.frame.combined_factor
    return (
        f"No feature lies on a parcel, the nearest parcel is {fixed(nearest, 0)} m away, so "
        f"nothing is said about parcels: check the CRS of the parcel map and the anchor."
    )


def _shares(
    feature: Feature,
    shape: BaseGeometry,
    parcels: Iterable[Parcel],
    network: Network,
    map_sigma: float,
    clearance: Clearance,
) -> list[Share]:
    assert feature.area is not None
    whole = feature.area
    factor = network.frame.combined_factor
    found = []
    for parcel in parcels:
        common = shape.intersection(parcel.geometry)
        if common.area <= _TOUCHES_M * shape.length:
            continue
        # the exact area where the whole feature lies inside, the densified one where it is cut
        part = min(common.area / shape.area, 1.0)  # cut where it only touches, an area may grow
        cut = parcel.geometry.boundary.intersection(shape).length / factor
        # one shift of the parcel map moves the whole cut: sigma times its length
        moved = map_sigma * cut
        if not cut and clearance.verdict == "cannot tell":
            moved = _may_lie_beyond(shape, parcel, clearance, factor) / NORMAL_95
        area = with_map(network, whole.value * part, whole.sigma * part, moved)
        found.append(
            Share(
                feature.name,
                feature.code,
                parcel.name,
                area,
                # the feature's own error is in its part and in its whole
                _part(network, part, moved / whole.value, clearance.verdict == "cannot tell"),
                area.scaled(factor**2 / parcel.geometry.area),
            )
        )
    return found


def _may_lie_beyond(
    shape: BaseGeometry, parcel: Parcel, clearance: Clearance, factor: float
) -> float:
    """Return the ground area that lies outside if the line lies as far inside as it may at 95 %."""
    reach = clearance.distance.half_width
    if not math.isfinite(reach):
        return 0.0  # no accuracy is known: the share has no interval either
    reach *= factor
    line = parcel.geometry.boundary.intersection(shape.envelope.buffer(reach))
    return float(shape.intersection(line.buffer(reach)).area) / factor**2


def _part(network: Network, value: float, sigma: float, undecided: bool) -> Estimate:
    """Return the part that a parcel cuts off; where its line is clear that is sure to be all."""
    known = network.accuracy_known or (sigma == 0 and not undecided)
    return Estimate.normal(value, sigma, NORMAL_95 if known else math.inf)


def _clearance(
    feature: Feature,
    shape: BaseGeometry,
    parcels: Sequence[Parcel],
    network: Network,
    map_sigma: float,
) -> Clearance:
    met = approach(shape, [parcel.geometry for parcel in parcels])
    parcel, factor = parcels[met.number], network.frame.combined_factor
    own = sigma_across(feature.rows, met.line, parcel.geometry.boundary, network.relative)
    distance = with_map(network, met.apart / factor, own, map_sigma)
    verdict = clearance_verdict(distance)
    return Clearance(feature.name, feature.code, parcel.name, distance, verdict, met.line)
