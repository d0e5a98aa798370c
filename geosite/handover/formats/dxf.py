"""Drafting file: DXF (release 2010) in real-world coordinates, arcs and circles as such.

Outlines are plane polylines with arc segments on a layer named after their code; the same outlines
with elevations are on ``<code>_3D``, where arcs are short chords because a 3D polyline has no arcs.
Layers whose name starts with ``survey-`` hold marks, names, elevations and the radii and centres
that arcs are set out from. A layer holds one kind of thing, points, lines or texts, because a GIS
makes one of its own layers of it. All three axes are in the unit of the map CRS.
"""

from __future__ import annotations

import json
import math
import os
import re
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from itertools import pairwise
from pathlib import Path
from textwrap import wrap
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from shapely import GeometryType

from geosite.base.arrays import Floats
from geosite.base.map_frame import Frame
from geosite.base.units import plural
from geosite.drawing.ink import Stroke
from geosite.handover.formats.wkb import arc_of
from geosite.handover.model import CAUTION, Layer, Package
from geosite.handover.palette import STROKES
from geosite.handover.small_pond_parts import FEW, without_specks
from geosite.handover.wording.reference import height_words
from geosite.linework.model import Feature, Piece

if TYPE_CHECKING:
    from ezdxf.layouts.layout import Modelspace

__all__ = ["drawing_library", "write_dxf"]

# DXF reference, header variable $INSUNITS
_UNITS = {"metre": 6, "foot": 2, "US survey foot": 21}
_SYMBOLS = {"metre": "m", "foot": "ft", "US survey foot": "ft"}
TEXT_HEIGHT_M = 0.25
_NOTE_LETTERS = 100
# parts of ponds of fewer cells are left out where there are very many
_SPECK_CELLS = 4
# there when asked for, in the way otherwise
_OFF = ("survey-catchments",)
_LINES = (GeometryType.LINESTRING, GeometryType.LINEARRING, GeometryType.MULTILINESTRING)
# what a layer name cannot hold in DXF
_NOT_IN_NAMES = re.compile(r"""[<>/\\":;?*|=`,\x00-\x1f\x7f]""")


def write_dxf(path: Path, package: Package) -> None:
    """Write the drawing, the marks and the lines of every other layer."""
    with drawing_library() as ezdxf:
        drawing = ezdxf.new("R2010")
        frame = package.frame
        drawing.header["$INSUNITS"] = _UNITS.get(frame.unit_name, 0)
        drawing.header["$MEASUREMENT"] = 1 if frame.unit_name == "metre" else 0
        # a point is a circle with a cross, as large as a letter: a dot is not seen
        drawing.header["$PDMODE"], drawing.header["$PDSIZE"] = 34, TEXT_HEIGHT_M / frame.unit_m
        for name, text in (
            ("title", package.title),
            ("date", package.date),
            ("crs", frame.crs_name),
            ("vertical crs", frame.vertical_name or "relative"),
            ("unit", frame.unit_name),
        ):
            drawing.header.custom_vars.append(name, _one_line(text))
        package, specks = without_specks(package, _SPECK_CELLS * package.cell_size**2, most=FEW)
        sheet = _Sheet(drawing, frame)
        sheet.outlined = {f.code for f in package.features if f.kind != "point"}
        for feature in package.features:
            sheet.feature(feature)
        for layer in package.layers:
            if layer.name == "points":
                sheet.marks(layer)
            elif layer.name not in ("areas", "lines", "marks"):
                sheet.layer(layer)
        sheet.zoom(package, specks)
        # the library adds them in the order of a set, another one in every process
        for kind in sorted(drawing.entitydb.dxf_types_in_use()):
            drawing.classes.add_class(kind)
        drawing.saveas(path, encoding="utf-8")


@contextmanager
def drawing_library() -> Iterator[Any]:
    """Import ezdxf without its search for fonts, and have it write what the content alone decides.

    On its first import ezdxf reads every font of the machine and leaves a cache in the home folder;
    nothing here measures text (a program that wants its fonts as well imports ezdxf first). Its
    option for fixed dates and identifiers is named for tests, but is the only way to the same
    bytes from the same survey.
    """
    names = ("XDG_CACHE_HOME", "XDG_CONFIG_HOME")
    kept = {name: os.environ.get(name) for name in names}
    with tempfile.TemporaryDirectory() as folder:
        cache = Path(folder, "ezdxf", "font_manager_cache.json")
        cache.parent.mkdir()
        cache.write_text(json.dumps({"version": 2, "font-faces": []}), encoding="ascii")
        os.environ.update(dict.fromkeys(names, folder))
        try:
            import ezdxf
        finally:
            for name, value in kept.items():
                if value is None:
                    del os.environ[name]
                else:
                    os.environ[name] = value
    options: Any = vars(ezdxf)["options"]
    before = options.write_fixed_meta_data_for_testing
    options.write_fixed_meta_data_for_testing = True
    try:
        yield ezdxf
    finally:
        options.write_fixed_meta_data_for_testing = before


class _Sheet:
    """The model space, with layers made when they are first drawn on."""

    def __init__(self, drawing: Any, frame: Frame) -> None:
        self.drawing = drawing
        self.space: Modelspace = drawing.modelspace()
        self.frame = frame
        self.text = TEXT_HEIGHT_M / frame.unit_m
        self.unit = _SYMBOLS.get(frame.unit_name, frame.unit_name)
        self.outlined: set[str | None] = set()
        self._on: dict[str, dict[str, Any]] = {}

    def on(self, name: str, pen: Stroke | None = None) -> dict[str, Any]:
        """Return the attributes that put an entity on a layer, made when it is new."""
        if name in self._on:
            return self._on[name]
        asked, name = name, _NOT_IN_NAMES.sub("_", _one_line(name)).strip()[:200] or "no-code"
        if name not in self.drawing.layers:
            layer = self.drawing.layers.add(name)
            if pen is not None:
                layer.rgb = tuple(int(pen.colour[i : i + 2], 16) for i in (1, 3, 5))
            if name in _OFF:
                layer.off()
        self._on[asked] = {"layer": name}
        return self._on[asked]

    def place(self, local: Floats) -> Floats:
        """Turn local grid metres and metres up into drawing coordinates, shape (n, 3)."""
        return np.column_stack([self.frame.to_map(local), local[:, 2] / self.frame.unit_m])

    def write(self, text: str, at: Sequence[float], layer: str) -> None:
        if text.strip():
            shift = 0.4 * self.text
            entity = self.space.add_text(
                _one_line(text), height=self.text, dxfattribs=self.on(layer)
            )
            entity.set_placement((at[0] + shift, at[1] + shift))

    def feature(self, feature: Feature) -> None:
        """Draw a feature in the plane with true arcs and in space with short chords."""
        code = feature.code or "no-code"
        if feature.kind == "point":
            # a code may stand for lines, too
            code += "_points" if feature.code in self.outlined else ""
            local = shapely.get_coordinates(feature.geometry, include_z=True)
            for at in self.place(local).tolist():
                self.space.add_point(at, dxfattribs=self.on(code))
                self.write(feature.name, at, "survey-feature-names")
            return
        for strand, closed in _strands(feature):
            if strand[0].kind == "circle":
                centre, radius, _, _ = arc_of(strand[0])
                middle = self.frame.to_map(centre)
                self.space.add_circle(
                    middle.tolist(), radius / self.frame.unit_m, dxfattribs=self.on(code)
                )
            else:
                self.space.add_lwpolyline(
                    self.bulged(strand, closed),
                    format="xyb",
                    close=closed,
                    dxfattribs=self.on(code),
                )
            local = np.vstack(
                [piece.vertices[:-1] for piece in strand] + [strand[-1].vertices[-1:]]
            )
            if closed:
                local = local[:-1]
            self.space.add_polyline3d(
                self.place(local).tolist(), close=closed, dxfattribs=self.on(f"{code}_3D")
            )
        for piece in feature.pieces:
            if piece.radius is not None:
                self.set_out(piece)
        middle = shapely.get_coordinates(shapely.point_on_surface(feature.geometry))
        for at in self.frame.to_map(middle).tolist():
            self.write(feature.name, at, "survey-feature-names")

    def bulged(self, strand: Sequence[Piece], closed: bool) -> list[tuple[float, float, float]]:
        """Return easting, northing and bulge of each vertex; bulge = tan(sweep / 4)."""
        points: list[tuple[float, float, float]] = []
        for piece in strand:
            if piece.radius is None:
                vertices, bulge = piece.vertices[:-1], 0.0
            else:
                vertices, bulge = piece.vertices[:1], math.tan(arc_of(piece)[3] / 4.0)
            points += [(e, n, bulge) for e, n in self.frame.to_map(vertices).tolist()]
        if not closed:
            end = self.frame.to_map(strand[-1].vertices[-1]).tolist()
            points.append((end[0], end[1], 0.0))
        return points

    def set_out(self, piece: Piece) -> None:
        """Draw what an arc is set out from: the arc, its centre and its radius on the ground."""
        centre, radius, start, sweep = arc_of(piece)
        middle = self.frame.to_map(centre).tolist()
        on = self.on("survey-setting-out", STROKES["sections"])
        if piece.kind == "arc":
            # DXF arcs run counter-clockwise
            first, last = sorted((start, start + sweep))
            self.space.add_arc(
                middle,
                radius / self.frame.unit_m,
                math.degrees(first) % 360.0,
                math.degrees(last) % 360.0,
                dxfattribs=on,
            )
        pen = STROKES["sections"]
        self.space.add_point(middle, dxfattribs=self.on("survey-setting-out-centres", pen))
        # in the unit in which the drawing has the radius
        drawn, unit = radius / self.frame.unit_m, self.unit
        ground = drawn / self.frame.combined_factor
        words = f"R {ground:.3f} {unit} on the ground, {drawn:.3f} {unit} on this grid"
        self.write(words, middle, "survey-setting-out-radii")

    def marks(self, layer: Layer) -> None:
        """Draw every observation as a point, named marks once with name and elevation."""
        scale = self.frame.height_unit_m / self.frame.unit_m
        named: set[str] = set()
        for record, shape in zip(layer.records, layer.geometries, strict=True):
            name = record.get("point")
            if name in named:
                continue
            at = (shape.x, shape.y, shape.z * scale)
            if name is None:
                self.space.add_point(at, dxfattribs=self.on("survey-positions"))
                continue
            named.add(name)
            self.space.add_point(at, dxfattribs=self.on("survey-marks"))
            self.write(name, at, "survey-mark-names")
            below = (at[0], at[1] - 1.6 * self.text)
            self.write(f"{shape.z:.2f}", below, "survey-mark-elevations")

    def layer(self, layer: Layer) -> None:
        """Draw the lines and outlines of any other layer."""
        on = self.on(f"survey-{layer.name}", STROKES.get(layer.name))
        for shape, record, lines in zip(
            layer.geometries, layer.records, _lines(layer.geometries), strict=True
        ):
            for points, has_z in lines:
                points[:, 2] *= self.frame.height_unit_m / self.frame.unit_m
                height = float(points[0, 2])
                if not has_z or np.all(points[:, 2] == height):
                    # level, as a contour is: a plane polyline at its elevation
                    level = {} if math.isnan(height) else {"elevation": height}
                    self.space.add_lwpolyline(
                        points[:, :2].tolist(), format="xy", dxfattribs={**on, **level}
                    )
                else:
                    self.space.add_polyline3d(points.tolist(), dxfattribs=on)
            if shape.geom_type == "Point" and record.get("azimuth_deg") is not None:
                self.arrow((shape.x, shape.y), math.radians(record["azimuth_deg"]), on)
            elif shape.geom_type == "Point":
                self.space.add_point((shape.x, shape.y), dxfattribs=on)

    def arrow(self, at: tuple[float, float], azimuth: float, on: dict[str, Any]) -> None:
        """Draw an arrow as one polyline: a shaft, and a head that tapers from its width to none."""
        east, north = math.sin(azimuth), math.cos(azimuth)
        size = 1.5 * self.text
        steps = ((-1.0, 0.0), (0.4, 0.5 * size), (1.0, 0.0))
        points = [
            (at[0] + share * size * east, at[1] + share * size * north, width, 0.0)
            for share, width in steps
        ]
        self.space.add_lwpolyline(points, format="xyse", dxfattribs=on)

    def zoom(self, package: Package, specks: int) -> None:
        """Let the drawing open on the whole survey."""
        shapes = [
            g for layer in package.layers for g in layer.geometries if layer.name != "parcels"
        ]
        if not shapes:
            return
        west, south, east, north = shapely.total_bounds(np.array(shapes, dtype=object)).tolist()
        for row, words in enumerate(self.notes(specks), start=2):
            self.write(words, (west, south - 2.0 * row * self.text, 0.0), "survey-notes")
        self.space.reset_extents((west, south, 0.0), (east, north, 0.0))
        size = max(north - south, 0.6 * (east - west), self.text)
        self.drawing.set_modelspace_vport(
            1.1 * size, center=((west + east) / 2.0, (south + north) / 2.0)
        )

    def notes(self, specks: int) -> Iterator[str]:
        """Yield the lines below the survey: what the drawing is, and what it is not."""
        frame, factor = self.frame, self.frame.combined_factor
        yield (
            f"Map grid {frame.crs_name}: 100.000 {self.unit} on the ground are "
            f"{100 * factor:.3f} {self.unit} in this drawing (combined factor {factor:.8f})."
        )
        yield (
            f"Elevations: {height_words(frame)}; beside the marks in "
            f"{plural(frame.height_unit_name)}, z in {plural(frame.unit_name)}."
        )
        if specks:
            yield (
                f"{specks} parts of ponds, the smallest, are left out of this drawing; site.gpkg "
                "has all."
            )
        yield from wrap(CAUTION, _NOTE_LETTERS)


def _strands(feature: Feature) -> Iterator[tuple[list[Piece], bool]]:
    """Yield the drawn stretches of an outline, broken at gaps, and whether each is closed."""
    whole = feature.kind == "area" and all(piece.kind != "gap" for piece in feature.pieces)
    strand: list[Piece] = []
    for piece in feature.pieces:
        if piece.kind != "gap":
            strand.append(piece)
        elif strand:
            yield strand, False
            strand = []
    if strand:
        yield strand, whole


def _lines(shapes: Sequence[Any]) -> Iterator[list[tuple[Floats, bool]]]:
    """Yield the lines and outlines of each shape: vertices, and whether they have a height."""
    drawn = np.array(shapes, dtype=object)
    kind = shapely.get_type_id(drawn)
    is_area = np.isin(kind, (GeometryType.POLYGON, GeometryType.MULTIPOLYGON))
    drawn[is_area] = shapely.boundary(drawn[is_area])
    drawn[~np.isin(shapely.get_type_id(drawn), _LINES)] = None
    parts, owner = shapely.get_parts(drawn, return_index=True)
    vertices, of = shapely.get_coordinates(parts, include_z=True, return_index=True)
    place = np.searchsorted(of, np.arange(len(parts) + 1)).tolist()
    outlines = [vertices[begin:end] for begin, end in pairwise(place)]
    lines = list(zip(outlines, shapely.has_z(parts).tolist(), strict=True))
    first = np.searchsorted(owner, np.arange(len(drawn) + 1)).tolist()
    for begin, end in pairwise(first):
        yield lines[begin:end]


def _one_line(text: str) -> str:
    """Return text that DXF can hold: one line, no control characters, no lone surrogates."""
    shown = "".join(c if c.isprintable() else " " for c in text)
    return shown.encode("utf-8", "replace").decode("utf-8").replace("%%", "% %").replace("^", "^ ")
