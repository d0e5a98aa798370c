"""The viewer: one HTML file with everything in it, that asks the network for nothing.

The page, its style and its script lie in the folder ``viewer`` beside this module; the site goes
into the page as JSON.
"""

from __future__ import annotations

import json
import math
import re
from base64 import b64encode
from collections.abc import Mapping, Sequence
from html import escape
from importlib.resources import files
from pathlib import Path
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
import shapely

from geosite.base.errors import Finding
from geosite.base.statistics import NORMAL_95
from geosite.drawing.ink import FAINT, PAPER, TEXT
from geosite.handover.documents.findings import with_signs
from geosite.handover.formats.web_page import page, script_of
from geosite.handover.model import CAUTION, Layer, Package, Raster
from geosite.handover.names import design_titles, named_on_paper
from geosite.handover.palette import (
    ALERT,
    BUILDING,
    DARK,
    DIRECTION_RAMP,
    EARTH,
    PARCEL,
    POND,
    RAMPS,
    WATER,
)
from geosite.handover.plan.symbols import rounded_each
from geosite.handover.styles.signs import FADED, STEADY, TURNING, code_tints
from geosite.handover.wording.measures import Measures
from geosite.handover.wording.reference import accuracy_words, crs_words, height_words

__all__ = ["viewer_script", "write_viewer"]

#: Modules of the script, in the order they are joined: each imports from earlier ones only.
_SCRIPTS = ("site.js", "plan.js", "blocks.js", "mesh.js", "relief.js", "profile.js", "page.js")

#: Cells per raster: with the rasters below this keeps the page well under a megabyte.
_CELLS = 60_000
#: Vertices and features per layer.
_VERTICES = 20_000
_FEATURES = 3_000
#: How well the middle of the free room for a name is found, as a share of the outline.
_LABEL_ROOM = 0.005
#: Size of a cell on a screen, mm, when a reader has come near.
_CELL_MM = 10.0
#: How far a rounded outline may lie beside the plan's to need fewer vertices, as a share of a cell.
_ROUND = 0.04

#: Rasters that the page shows, and the bytes per cell they need.
_RASTERS = {
    "elevation": 2,
    "slope": 2,
    "drainage_direction": 1,
    "elevation_sigma": 1,
    "ponding_depth": 1,
    "drainage_confidence": 1,
}

_INKS = {
    "paper": PAPER,
    "text": TEXT,
    "faint": FAINT,
    "earth": EARTH,
    "water": WATER,
    "parcel": PARCEL,
    "alert": ALERT,
    "pond": POND,
    "building": BUILDING,
}


def write_viewer(folder: Path, package: Package, unit: Literal["m", "ft"] = "m") -> Path:
    """Write ``viewer.html``.

    Parameters
    ----------
    folder
        Existing folder.
    package
        What to show; any layer or raster may be missing. Large rasters are shown with larger
        cells and long lines with fewer vertices, and the page says so.
    unit
        Of lengths when the page opens; a reader can change it.

    Returns
    -------
    Path
        The file written.
    """
    path = folder / "viewer.html"
    path.write_bytes(_page(package, unit).encode("utf-8", "replace"))
    return path


def _page(package: Package, unit: str) -> str:
    assets = files("geosite.handover.viewer")
    style = (assets / "page.css").read_text("utf-8")
    parts = {
        "title": escape(package.name),
        "site": _json(_site(package, unit)),
    }
    template = (assets / "page.html").read_text("utf-8")
    return page(template, style, viewer_script(), parts)


def viewer_script() -> str:
    """Return the modules of the page as one script: a page from a disk may load nothing.

    Without loading, modules cannot import each other; joined, they share one scope, in the order
    of `_SCRIPTS`, in which every name is declared once.
    """
    assets = files("geosite.handover.viewer")
    script = "\n".join((assets / name).read_text("utf-8") for name in _SCRIPTS)
    script = re.sub(r'^import \{[^}]*\} from "[^"]+";\n', "", script, flags=re.MULTILINE)
    script = re.sub(r"^export (?=const |let |function )", "", script, flags=re.MULTILINE)
    return script_of(script)


def _json(value: Any) -> str:
    """Return JSON that cannot end or comment out the script element it stands in."""
    text = json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    # a lone surrogate, which no UTF-8 file can hold, becomes a question mark
    text = text.encode("utf-8", "replace").decode("utf-8")
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def _findings(package: Package, level: str, most: int = 50) -> list[dict[str, Any]]:
    """Return the findings of a level, the first of them, each in both units where they differ."""
    found = [f for f in package.findings if f.level == level][:most]
    others = [package.in_other_unit.get(f.text, f.text) for f in found]
    # names as on paper
    texts = named_on_paper(package, [with_signs(f.text) for f in found])
    told = [_finding(f, text, package.frame.origin) for f, text in zip(found, texts, strict=True)]
    second = named_on_paper(package, [with_signs(text) for text in others])
    for one, text in zip(told, second, strict=True):
        if text != one["text"]:
            one["other"] = text
    return told


def _finding(finding: Finding, text: str, origin: tuple[float, float]) -> dict[str, Any]:
    """Return a finding with the mark and the place that it is about, where they are known."""
    told: dict[str, Any] = {"text": text}
    if finding.mark:
        told["mark"] = finding.mark
    if finding.place is not None and all(map(math.isfinite, finding.place)):
        told["place"] = [round(v - o, 3) for v, o in zip(finding.place, origin, strict=True)]
    return told


def _half_widths(package: Package) -> dict[str, float]:
    """Return half of a 95 % interval in standard deviations, as the marks have it."""
    found = {"plan": NORMAL_95, "height": NORMAL_95}
    points = next((layer for layer in package.layers if layer.name == "points"), None)
    for record in points.records if points is not None else ():
        for key, sigma, half in (
            ("plan", "sigma_h_m", "h_95_m"),
            ("height", "sigma_v_m", "v_95_m"),
        ):
            if record.get(sigma) and record.get(half):
                found[key] = record[half] / record[sigma]
        break
    return found


def _site(package: Package, unit: str) -> dict[str, Any]:
    frame = package.frame
    tints = code_tints(package.codes)
    layers, thinned = [], False
    for layer in package.layers:
        if layer.name == "marks":
            continue  # the page draws every mark once from the observations
        shown, less = _layer(layer, frame.origin, frame.unit_m, package.cell_size)
        if shown["features"]:
            layers.append(shown)
            thinned |= less
    rasters = {}
    for raster in package.rasters:
        if raster.name in _RASTERS and np.isfinite(raster.values).any():
            rasters[raster.name], less = _raster(raster, frame.origin)
            thinned |= less
    return {
        "title": package.name,
        "date": package.date,
        "crs": crs_words(frame.crs_wkt, frame.crs_name),
        "vertical": height_words(frame),
        "origin": list(frame.origin),
        "unit": frame.unit_name,
        "unit_m": frame.unit_m,
        "height_unit": frame.height_unit_name,
        "height_unit_m": frame.height_unit_m,
        "factor": frame.combined_factor,
        "convergence_deg": math.degrees(frame.convergence),
        "layers": layers,
        "rasters": rasters,
        "codes": {
            name: {
                "title": code.title,
                "tint": tints.get(name),
                "building": code.building,
                "inlet": code.inlet,
                "barrier": code.barrier or code.breakline,
            }
            for name, code in package.codes.items()
        },
        "designs": design_titles(package),
        "look": _findings(package, "look"),
        "notes": _findings(package, "note"),
        "told_unit": package.unit,
        "shown_unit": unit,
        "half_width": _half_widths(package),
        "accuracy": {u: accuracy_words(package, Measures(u)) for u in ("m", "ft")},
        "caution": CAUTION,
        "thinned": thinned,
        "arrows": {"steady": STEADY, "turning": TURNING, "faded": FADED},
        "inks": {
            "light": _INKS,
            "dark": {name: DARK[ink] for name, ink in _INKS.items()},
        },
        "ramps": {**RAMPS, "drainage_direction": [*DIRECTION_RAMP, DIRECTION_RAMP[0]]},
    }


def _layer(
    layer: Layer, origin: tuple[float, float], unit_m: float, cell: float
) -> tuple[dict[str, Any], bool]:
    """Return a layer with coordinates relative to the origin, and whether it was thinned."""
    chosen: Sequence[int] = range(len(layer.geometries))
    if layer.name == "points":  # a named mark once, where it was first met
        chosen = _once(layer)
    kept = [i for i in chosen if layer.geometries[i] is not None]
    less = len(kept) > _FEATURES
    if less:
        kept = [kept[round(k)] for k in np.linspace(0, len(kept) - 1, _FEATURES)]
    shapes = np.array([layer.geometries[i] for i in kept], dtype=object)
    if layer.name == "ponding":
        shapes = _rounded(shapes, cell)
    if len(shapes) and shapely.get_num_coordinates(shapes).sum() > _VERTICES:
        less = True
        for tolerance_m in (0.005, 0.02, 0.08, 0.3, 1.2, 5.0):
            shapes = shapely.simplify(shapes, tolerance_m / unit_m, preserve_topology=False)
            if shapely.get_num_coordinates(shapes).sum() <= _VERTICES:
                break
    features: list[dict[str, Any]] = [
        {"p": _properties(layer.records[i]), "g": lines}
        for i, shape in zip(kept, shapes, strict=True)
        if (lines := _lines(shape, origin))
    ]
    if layer.name == "areas":
        for feature, place in zip(features, _label_places(shapes, origin), strict=False):
            feature["label"] = place
    kind = layer.geometry_type.removesuffix("Z").removeprefix("Multi")
    fields = {f.name: [f.description, f.unit] for f in layer.fields}
    return {
        "name": layer.name,
        "title": layer.title,
        "kind": kind,
        "fields": fields,
        "features": features,
    }, less


def _rounded(ponds: npt.NDArray[Any], cell: float) -> npt.NDArray[Any]:
    """Return the outlines of ponds without the stairs of their cells, as the plan draws them."""
    parts, of = shapely.get_parts(ponds, return_index=True)
    rings, part = shapely.get_rings(parts, return_index=True)
    if not len(rings):
        return ponds
    places, owner = shapely.get_coordinates(rings, return_index=True)
    ends = np.flatnonzero(np.diff(owner)) + 1
    # a cell as large as it gets on a screen: the rounding is as fine as a pen there
    k = _CELL_MM / cell if cell > 0 else 1.0
    smooth = rounded_each(np.split(places * k, ends), cell * k)
    owner = np.repeat(np.arange(len(smooth)), [len(one) for one in smooth])
    lines = shapely.linestrings(np.concatenate(smooth) / k, indices=owner)
    lines = np.array(shapely.simplify(lines, _ROUND * cell, preserve_topology=False), object)
    out = np.full(len(ponds), shapely.MultiLineString(), object)
    shapely.multilinestrings(lines, indices=of[part], out=out)
    return out


def _label_places(shapes: npt.NDArray[Any], origin: tuple[float, float]) -> list[list[float]]:
    """Return a place inside each area and outside those within it, for its name."""
    flat = shapely.force_2d(shapes)
    found = []
    for i, shape in enumerate(flat):
        sound = shape.is_valid
        within = [
            o for j, o in enumerate(flat) if j != i and sound and o.is_valid and shape.contains(o)
        ]
        free = shapely.difference(shape, shapely.union_all(within)) if within else shape
        widest = free if not free.is_empty else shape
        # the first place of the line from the middle to the rim
        middle = (
            shapely.maximum_inscribed_circle(widest, tolerance=_LABEL_ROOM * widest.length)
            if widest.is_valid and widest.area > 0
            else widest.representative_point()
        )
        x, y = shapely.get_coordinates(middle)[0] - np.array(origin)
        found.append([round(float(x), 3), round(float(y), 3)])
    return found


def _once(layer: Layer) -> list[int]:
    met: set[Any] = set()
    kept = []
    for i, record in enumerate(layer.records):
        name = record.get("point")
        if name and name not in met:
            met.add(name)
            kept.append(i)
    return kept


def _properties(record: Mapping[str, Any]) -> dict[str, Any]:
    return {key: text for key, value in record.items() if (text := _value(value)) not in (None, "")}


def _value(value: Any) -> Any:
    if isinstance(value, bool | int) or value is None:
        return value
    if isinstance(value, float | np.floating):
        return round(float(value), 6) if math.isfinite(value) else None
    return str(value)[:200]


def _lines(shape: Any, origin: tuple[float, float]) -> list[list[float]]:
    """Return points, lines or rings as flat lists of easting, northing relative to the origin."""
    parts = shapely.get_parts(shape)
    if len(parts) and parts[0].geom_type == "Polygon":
        parts = shapely.get_rings(parts)
    found = []
    for part in parts:
        places = shapely.get_coordinates(part) - np.array(origin)
        if np.isfinite(places).all() and len(places):
            found.append([round(v, 3) for v in places.ravel().tolist()])
    return found


def _raster(raster: Raster, origin: tuple[float, float]) -> tuple[dict[str, Any], bool]:
    """Return a raster as whole numbers in base64, and whether cells were left out."""
    grid = raster.grid
    values = np.asarray(raster.values, np.float64)
    stride = max(math.ceil(math.sqrt(values.size / _CELLS)), 1)
    half = stride // 2
    values = values[half::stride, half::stride]
    # the cell kept is near the middle of the larger cell that it stands for
    west = grid.west + (half + 0.5 - stride / 2) * grid.cell_size
    north = grid.north - (half + 0.5 - stride / 2) * grid.cell_size
    known = np.isfinite(values)
    low, high = float(values[known].min()), float(values[known].max())
    width = _RASTERS[raster.name]
    steps = 2 ** (8 * width) - 2
    # no finer than a tenth of a millimetre or of a per mille
    step = max((high - low) / steps, 1e-4)
    codes = np.full(values.shape, steps + 1, np.dtype(f"<u{width}"))
    codes[known] = np.rint((values[known] - low) / step).astype(codes.dtype)
    return {
        "title": raster.title,
        "unit": raster.unit,
        "west": west - origin[0],
        "north": north - origin[1],
        "cell": grid.cell_size * stride,
        "rows": values.shape[0],
        "cols": values.shape[1],
        "low": low,
        "high": high,
        "step": step,
        "width": width,
        "data": b64encode(codes.tobytes()).decode("ascii"),
    }, stride > 1
