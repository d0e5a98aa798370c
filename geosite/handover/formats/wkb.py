"""Geometries as well-known binary (ISO 13249-3), plain ones and ones with true arcs.

General-purpose geometry libraries know straight edges only. Where the drawing has arcs and circles,
their curves are put together here from centre, radius and sweep.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from geosite.base.arrays import Floats
from geosite.base.map_frame import Frame
from geosite.handover.layers import curves
from geosite.handover.model import Layer, Package
from geosite.linework.model import Feature, Piece

__all__ = ["Encoded", "arc_of", "encode", "encode_curves"]

# ISO 13249-3: types with Z are 1000 above the plane ones
_LINE, _CIRCULAR, _COMPOUND, _CURVE_POLYGON, _MULTI_CURVE = 1002, 1008, 1009, 1010, 1011
_NAMES = {
    _CIRCULAR: "CIRCULARSTRING",
    _COMPOUND: "COMPOUNDCURVE",
    _CURVE_POLYGON: "CURVEPOLYGON",
    _MULTI_CURVE: "MULTICURVE",
}
_COLLECT: dict[str, Any] = {
    "MultiPoint": shapely.multipoints,
    "MultiLineString": shapely.multilinestrings,
    "MultiPolygon": shapely.multipolygons,
}


@dataclass(frozen=True, eq=False)
class Encoded:
    """The geometries of a layer.

    Parameters
    ----------
    wkb
        Little-endian, one per feature.
    bounds : array, shape (n, 4)
        West, south, east, north, map units.
    curved
        Names of the geometry types beyond Simple Features that occur, sorted.
    """

    wkb: Sequence[bytes]
    bounds: Floats
    curved: tuple[str, ...] = ()


def encode(layer: Layer) -> Encoded:
    """Encode the plain geometries of a layer, single ones as multi where the layer is so.

    Parameters
    ----------
    layer
        Any but the one with curves.

    Examples
    --------
    A little-endian point, type 1, at 3, 4 (ISO 13249-3):

    >>> layer = Layer("marks", "Marks", "", "Point", (), [{}], [shapely.Point(3, 4)])
    >>> struct.unpack("<BIdd", encode(layer).wkb[0])
    (1, 1, 3.0, 4.0)
    """
    shapes: Any = np.array(layer.geometries, dtype=object)
    collect = _COLLECT.get(layer.geometry_type.removesuffix("Z"))
    if collect is not None:
        single = np.flatnonzero(shapely.get_type_id(shapes) < 4)
        shapes[single] = [collect([shape]) for shape in shapes[single]]
    dimension = 3 if layer.geometry_type.endswith("Z") else 2
    wkb: Any = shapely.to_wkb(  # type: ignore[call-overload]
        shapes, flavor="iso", byte_order=1, output_dimension=dimension
    )
    return Encoded(wkb, shapely.bounds(shapes).reshape(-1, 4))


def encode_curves(package: Package) -> list[tuple[Layer, Encoded]]:
    """Return the drawing with true arcs, areas and lines apart, with the encoded geometries.

    The layers' own geometries are the densified ones, for readers that know no arcs. A layer
    without features is left out.
    """
    frame = package.frame
    titles = {name: code.title for name, code in package.codes.items()}
    found = []
    for kind, layer in zip(("area", "line"), curves.layers(package.features, titles), strict=True):
        wkb, bounds, curved = [], [], set()
        for feature in package.features:
            if feature.kind != kind:
                continue
            outline, kinds = _outline(feature, frame)
            wkb.append(outline)
            curved |= kinds
            bounds.append(_bounds(feature, frame))
        if wkb:
            names = tuple(sorted(_NAMES[one] for one in curved))
            placed = np.array(bounds, dtype=np.float64).reshape(-1, 4)
            found.append((layer, Encoded(wkb, placed, names)))
    return found


def _outline(feature: Feature, frame: Frame) -> tuple[bytes, set[int]]:
    """Return the WKB of a feature and the curved types in it."""
    if feature.kind == "area":
        ring, kinds = _chain(feature.pieces, frame)
        return _head(_CURVE_POLYGON) + struct.pack("<I", 1) + ring, {*kinds, _CURVE_POLYGON}
    strands: list[list[Piece]] = [[]]
    for piece in feature.pieces:
        if piece.kind == "gap":
            strands.append([])
        else:
            strands[-1].append(piece)
    chains = [_chain(strand, frame) for strand in strands if strand]
    kinds = set().union(*(found for _, found in chains))
    # a line without a gap as well: one kind of geometry per layer
    whole = _head(_MULTI_CURVE) + struct.pack("<I", len(chains))
    return whole + b"".join(chain for chain, _ in chains), {*kinds, _MULTI_CURVE}


def _chain(pieces: Sequence[Piece], frame: Frame) -> tuple[bytes, set[int]]:
    """Return consecutive pieces as one curve: a line string, a circular string or a compound."""
    members: list[tuple[int, Floats]] = []
    for piece in pieces:
        if piece.radius is None:
            if members and members[-1][0] == _LINE:  # straight pieces run on
                joined = np.vstack([members[-1][1], piece.vertices[1:]])
                members[-1] = (_LINE, joined)
            else:
                members.append((_LINE, piece.vertices))
        else:
            members.append((_CIRCULAR, _on_arc(piece)))
    kinds = {kind for kind, _ in members} - {_LINE}
    parts = [_string(kind, local, frame) for kind, local in members]
    if len(parts) == 1:
        return parts[0], kinds
    return _head(_COMPOUND) + struct.pack("<I", len(parts)) + b"".join(parts), {*kinds, _COMPOUND}


def _head(kind: int) -> bytes:
    return struct.pack("<BI", 1, kind)


def _string(kind: int, local: Floats, frame: Frame) -> bytes:
    placed = np.column_stack([frame.to_map(local), local[:, 2] / frame.height_unit_m])
    return _head(kind) + struct.pack("<I", len(placed)) + placed.astype("<f8").tobytes()


def _on_arc(piece: Piece) -> Floats:
    """Return the points that define an arc: its ends and its middle; a circle as two halves."""
    circle = piece.kind == "circle"
    share: Floats = np.linspace(0.0, 1.0, 5 if circle else 3)
    points = _at(piece, share)
    ends = piece.vertices[[0, -1]]
    points[[0, -1]] = ends  # to the last digit the neighbours' ends
    return points


def _at(piece: Piece, share: Floats) -> Floats:
    """Return points at shares 0 to 1 of an arc's sweep, elevations from the vertices."""
    centre, radius, start, sweep = arc_of(piece)
    angles = start + share * sweep
    turned = np.unwrap(np.arctan2(*(piece.vertices[:, 1::-1] - (centre[1], centre[0])).T))
    along = np.abs(turned - turned[0]) / abs(sweep)
    return np.column_stack(
        [
            centre[0] + radius * np.cos(angles),
            centre[1] + radius * np.sin(angles),
            np.interp(share, along, piece.vertices[:, 2]),
        ]
    )


def arc_of(piece: Piece) -> tuple[tuple[float, float], float, float, float]:
    """Return centre, radius (local grid metres), start angle and sweep (radians) of an arc.

    Raises
    ------
    ValueError
        The piece is straight.

    Examples
    --------
    >>> half = Piece("arc", np.arange(3), np.zeros((2, 3)), (0.0, 0.0), 2.0, 0.0, math.pi)
    >>> arc_of(half)[1]
    2.0
    """
    if (
        piece.centre is None
        or piece.radius is None
        or piece.start_angle is None
        or piece.sweep is None
    ):
        raise ValueError(f"a piece of kind {piece.kind!r} is no arc")
    return piece.centre, piece.radius, piece.start_angle, piece.sweep


def _bounds(feature: Feature, frame: Frame) -> tuple[float, float, float, float]:
    """Return the bounds of a feature, with the outermost points of its arcs."""
    points: list[Any] = [shapely.get_coordinates(feature.geometry)]
    for piece in feature.pieces:
        if piece.radius is not None:
            _, _, start, sweep = arc_of(piece)
            quarters: Floats = np.arange(-8.0, 9.0) * (
                math.pi / 2.0
            )  # east, north, ... within two turns
            share = (quarters - start) / sweep
            share = share[(share > 0.0) & (share < 1.0)]
            points.append(_at(piece, share)[:, :2])
    placed = frame.to_map(np.vstack(points))
    west, south = placed.min(axis=0).tolist()
    east, north = placed.max(axis=0).tolist()
    return west, south, east, north
