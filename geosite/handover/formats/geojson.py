"""GeoJSON (RFC 7946): every layer in one file, WGS 84 longitude and latitude.

Height rule: RFC 7946 allows as third number only a height above the WGS 84 ellipsoid. A survey's
elevations are above a vertical datum or a mark, so positions have two numbers, and elevations are
properties, with their datum named at the top of the file.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from shapely.affinity import translate

from geosite.base.wgs84 import Wgs84, to_wgs84
from geosite.handover.formats.record_columns import column_of, json_texts
from geosite.handover.model import CAUTION, Layer, Package
from geosite.handover.report_model.serialise import plain

__all__ = ["LayerText", "layer_texts", "write_geojson"]

# 1e-9 degree is 0.1 mm on the ground
_DECIMALS = 9
_EARTH = 6_371_000.0
# metres: how far a drawn edge may lie beside the true one, and the least distance from a pole
_BESIDE, _NEXT_TO_POLE = 0.01, 0.1


@dataclass(frozen=True)
class LayerText:
    """The features of a layer as text, and where they lie.

    Parameters
    ----------
    features
        One GeoJSON feature each.
    bounds
        West, south, east, north, degrees.
    turned
        West and east where longitudes are counted from 0 to 360 degrees.
    """

    features: tuple[str, ...]
    bounds: tuple[float, float, float, float]
    turned: tuple[float, float]


def layer_texts(package: Package) -> dict[str, LayerText]:
    """Return every layer that holds something as text, by name; for more than one file."""
    wgs84, found = to_wgs84(package.frame), {}
    for layer in package.layers:
        if len(layer.geometries):
            shapes = _placed(layer, wgs84, package.frame.unit_m)
            bounds = tuple(shapely.total_bounds(shapes).tolist())
            east = shapely.get_coordinates(shapes)[:, 0] % 360.0
            turned = (float(east.min()), float(east.max())) if east.size else (math.nan, math.nan)
            found[layer.name] = LayerText(tuple(_features(layer, shapes)), bounds, turned)
    return found


def write_geojson(path: Path, package: Package, texts: Mapping[str, LayerText]) -> None:
    """Write layers; the property ``layer`` says which one a feature is from.

    Parameters
    ----------
    path
    package
        Its title, date and frame stand at the top.
    texts
        Layers, from `layer_texts`.
    """
    wgs84 = to_wgs84(package.frame)
    frame = package.frame
    accuracy = wgs84.accuracy_m
    head: dict[str, Any] = {
        "type": "FeatureCollection",
        "title": package.title,
        "date": package.date,
        "caution": CAUTION,
        "position": "WGS 84 longitude and latitude, degrees, two numbers per position",
        "height": "no heights in positions (RFC 7946 means ellipsoidal ones); the unit of "
        f"the property elevation is the {frame.height_unit_name}, "
        + (f"in {frame.vertical_name}" if frame.vertical_name else "above or below a mark"),
        "operation": f"{wgs84.operation}, accuracy "
        + (f"{accuracy:g} m" if accuracy is not None else "unknown"),
    }
    box = _box(list(texts.values()))
    if box is not None:
        head["bbox"] = box
    top = json.dumps(plain(head), ensure_ascii=False, allow_nan=False)
    body = ",\n".join(line for text in texts.values() for line in text.features)
    text = f'{top[:-1]}, "features": [\n{body}\n]}}\n'
    path.write_bytes(text.encode("utf-8", "replace"))


def _box(texts: Sequence[LayerText]) -> list[float] | None:
    """Return west, south, east, north of all layers, none where one has no bounds.

    Over the antimeridian west is the greater longitude (RFC 7946, section 5.2).
    """
    bounds = np.array([text.bounds for text in texts]).reshape(-1, 4)
    if not len(bounds) or not np.isfinite(bounds).all():
        return None
    (west, south), (east, north) = bounds[:, :2].min(axis=0), bounds[:, 2:].max(axis=0)
    turned = np.array([text.turned for text in texts])
    first, last = turned[:, 0].min(), turned[:, 1].max()
    # west of Greenwich both spans are one but for the last digit, which decides nothing
    if east - west > 180.0 and last - first < east - west:
        west, east = first, round(last - 360.0, _DECIMALS)
    return [float(west), float(south), float(east), float(north)]


def _placed(layer: Layer, wgs84: Wgs84, unit_m: float) -> Any:
    """Return the layer's geometries in two dimensions, exteriors counter-clockwise, degrees."""
    shapes: Any = shapely.force_2d(np.array(layer.geometries, dtype=object))
    shapes = _with_curved_edges(shapes, wgs84, unit_m)
    shapes = shapely.transform(shapes, lambda en: np.round(wgs84.place(en), _DECIMALS))
    west, _, east, _ = shapely.bounds(shapes).T
    across = np.flatnonzero(east - west > 180.0)
    if across.size:
        shapes[across] = [_cut(shape) for shape in shapes[across]]
    return shapely.orient_polygons(shapes, exterior_cw=False)


def _with_curved_edges(shapes: Any, wgs84: Wgs84, unit_m: float) -> Any:
    """Add vertices to edges that a reader would draw elsewhere by more than a centimetre.

    An edge of a GeoJSON geometry is straight in longitude and latitude (RFC 7946, section 3.1.1).
    One of length L lies up to ``L**2 tan(latitude) / (8 R)`` beside the straight edge of the map,
    nothing in a yard at usual latitudes, and metres near a pole.
    """
    dense = shapes.copy()
    places, of_shape = shapely.get_coordinates(shapes, return_index=True)
    if not len(places):
        return dense
    begins = np.flatnonzero(np.diff(of_shape, prepend=-1))
    edges = np.append(np.hypot(*np.diff(places, axis=0).T) * unit_m, 0.0)
    edges[np.append(begins[1:], len(places)) - 1] = 0.0  # from the end of one to the next shape
    longest_edges = np.maximum.reduceat(edges, begins)
    latitudes = np.maximum.reduceat(np.abs(wgs84.place(places)[:, 1]), begins)
    for number, longest, latitude in zip(
        of_shape[begins].tolist(), longest_edges.tolist(), latitudes.tolist(), strict=True
    ):
        # from the pole as seen along the meridian, the middle of an edge being nearer to it
        away = _EARTH / math.tan(math.radians(min(max(latitude, 1e-6), 90.0 - 1e-9)))
        away = max(away - longest / 2, _NEXT_TO_POLE)
        step = math.sqrt(8.0 * _BESIDE * away)
        if longest > step:
            dense[number] = shapely.segmentize(shapes[number], step / unit_m)
    return dense


def _cut(shape: Any) -> Any:
    """Cut a geometry into parts at the antimeridian (RFC 7946, section 3.1.9)."""
    unrolled = shapely.union_all([_unrolled(part) for part in shapely.get_parts(shape)])
    west, _, east, _ = unrolled.bounds
    parts = []
    for turn in range(math.floor((west + 180.0) / 360.0), math.floor((east + 180.0) / 360.0) + 1):
        window = shapely.box(360.0 * turn - 180.0, -90.0, 360.0 * turn + 180.0, 90.0)
        part = translate(shapely.intersection(unrolled, window), -360.0 * turn)
        # a turn leaves a last digit, with which a place would lie beside its own bbox
        parts.append(shapely.transform(part, lambda degrees: np.round(degrees, _DECIMALS)))
    return shapely.union_all(parts)


def _unrolled(part: Any) -> Any:
    """Let longitude run on beyond 180 degrees, round a pole too; valid."""
    if part.geom_type == "Polygon":
        outer, *inner = (_run_on(shapely.get_coordinates(r)) for r in shapely.get_rings(part))
        middle = outer[:, 0].mean()
        for ring in inner:
            ring[:, 0] += 360.0 * round((middle - ring[:, 0].mean()) / 360.0)
        return shapely.make_valid(shapely.polygons(outer, inner or None))
    if part.geom_type == "LineString":
        return shapely.linestrings(_run_on(shapely.get_coordinates(part)))
    return part


def _run_on(path: Any) -> Any:
    path = np.column_stack([np.unwrap(path[:, 0], period=360.0), path[:, 1]])
    if (path[0, 1:] == path[-1, 1:]).all() and abs(path[-1, 0] - path[0, 0]) > 180.0:
        # a ring round a pole comes back along it: on this map the pole is a line
        pole = math.copysign(90.0, path[0, 1])
        path = np.vstack([path, [path[-1, 0], pole], [path[0, 0], pole], path[0]])
    return path


def _features(layer: Layer, shapes: Any) -> Iterator[str]:
    names = [field.name for field in layer.fields]
    labels = [json.dumps(name, ensure_ascii=False) for name in ("layer", *names)]
    shown = ", ".join("{}: %s".format(label.replace("%", "%%")) for label in labels)
    feature = '{"type": "Feature", "id": "%s.%d", "geometry": %s, "properties": {' + shown + "}}"
    same = (layer.name, json.dumps(layer.name, ensure_ascii=False))
    texts = [json_texts(column_of(layer.records, name)) for name in names]
    rows = zip(shapely.to_geojson(shapes), *texts, strict=True)
    for number, (geometry, *properties) in enumerate(rows, 1):
        yield feature % (same[0], number, geometry, same[1], *properties)
