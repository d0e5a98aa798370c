"""GeoJSON (RFC 7946): every layer in one file, WGS 84 longitude and latitude.

Height rule: RFC 7946 allows as third number only a height above the WGS 84 ellipsoid. A survey's
elevations are above a vertical datum or a mark, so positions have two numbers, and elevations are
properties, with their datum named at the top of the file.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from geosite.handover.model import Layer, Package
from geosite.handover.report import plain
from geosite.handover.wgs84 import Wgs84, to_wgs84

__all__ = ["write_geojson"]

# 1e-9 degree is 0.1 mm on the ground
_DECIMALS = 9


def write_geojson(path: Path, package: Package) -> None:
    """Write all layers; the property ``layer`` says which one a feature is from."""
    wgs84 = to_wgs84(package.frame)
    lines: list[str] = []
    low, high = np.full(2, np.inf), np.full(2, -np.inf)
    for layer in package.layers:
        if not len(layer.geometries):
            continue
        shapes = _placed(layer, wgs84)
        west, south, east, north = shapely.total_bounds(shapes).tolist()
        low, high = np.minimum(low, (west, south)), np.maximum(high, (east, north))
        lines += _features(layer, shapes)
    frame = package.frame
    accuracy = wgs84.accuracy_m
    head: dict[str, Any] = {
        "type": "FeatureCollection",
        "title": package.title,
        "date": package.date,
        "position": "WGS 84 longitude and latitude, degrees, two numbers per position",
        "height": "no heights in positions (RFC 7946 means ellipsoidal ones); the unit of "
        f"the property elevation is the {frame.height_unit_name}, "
        + (f"in {frame.vertical_name}" if frame.vertical_name else "above or below a mark"),
        "operation": f"{wgs84.operation}, accuracy "
        + (f"{accuracy:g} m" if accuracy is not None else "unknown"),
    }
    if np.isfinite(low).all():
        head["bbox"] = [*low.tolist(), *high.tolist()]
    top = json.dumps(plain(head), ensure_ascii=False, allow_nan=False)
    body = ",\n".join(lines)
    text = f'{top[:-1]}, "features": [\n{body}\n]}}\n'
    path.write_bytes(text.encode("utf-8", "replace"))


def _placed(layer: Layer, wgs84: Wgs84) -> Any:
    """Return the layer's geometries in two dimensions, exteriors counter-clockwise, degrees."""
    shapes: Any = shapely.force_2d(np.array(layer.geometries, dtype=object))
    shapes = shapely.transform(shapes, lambda en: np.round(wgs84.place(en), _DECIMALS))
    west, _, east, _ = shapely.bounds(shapes).T
    across = np.flatnonzero(east - west > 180.0)
    if across.size:
        shapes[across] = [_cut(shape) for shape in shapes[across]]
    return shapely.orient_polygons(shapes, exterior_cw=False)


def _cut(shape: Any) -> Any:
    """Cut a geometry in two at the antimeridian (RFC 7946, section 3.1.9)."""
    turned = shapely.transform(shape, lambda p: np.column_stack([np.mod(p[:, 0], 360.0), p[:, 1]]))
    east = shapely.intersection(turned, shapely.box(0.0, -90.0, 180.0, 90.0))
    west = shapely.intersection(turned, shapely.box(180.0, -90.0, 360.0, 90.0))
    west = shapely.transform(west, lambda p: p - (360.0, 0.0))
    return shapely.union_all([east, west])


def _features(layer: Layer, shapes: Any) -> Iterator[str]:
    names = [field.name for field in layer.fields]
    geometries = shapely.to_geojson(shapes)
    for number, (record, geometry) in enumerate(zip(layer.records, geometries, strict=True), 1):
        properties = {"layer": layer.name, **{name: plain(record.get(name)) for name in names}}
        shown = json.dumps(properties, ensure_ascii=False, allow_nan=False)
        yield (
            f'{{"type": "Feature", "id": "{layer.name}.{number}", '
            f'"geometry": {geometry}, "properties": {shown}}}'
        )
