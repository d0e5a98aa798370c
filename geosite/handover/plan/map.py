"""The map on the plan sheet: what is drawn, in which order, and what is written beside it."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
import shapely

from geosite.base.arrays import Floats
from geosite.drawing.font import printable
from geosite.drawing.ink import FAINT, PAPER, TEXT, Stroke
from geosite.drawing.labels import Board, Line, along, around
from geosite.drawing.sheet import Arc, Group, Outline, Shape, Text
from geosite.handover.model import Layer, Package
from geosite.handover.palette import ALERT, BUILDING, EARTH, PARCEL, POND, STROKES, WATER
from geosite.handover.plan.layout import Layout, View
from geosite.linework.model import Feature, Piece

__all__ = [
    "DOUBTFUL",
    "RIPPLE",
    "Measures",
    "arrow_symbol",
    "draw_map",
    "hatch",
    "inlet_symbol",
    "layer_of",
    "mark_symbol",
    "significant",
]

#: Size of map lettering at lettering 1, mm: 2.2 mm is about 6 points.
_SIZE = 2.2
_SMALL = 1.8
#: Letters at the ends of sections.
_SECTION = 3.4
# mm on paper: bends that no pen shows and no eye sees
_FINEST = 0.01
# of ponds and of grades: beyond that a plan cannot be read
_NAMES = 200
#: Hatch of standing water.
RIPPLE = Stroke(WATER, 0.15, (1.4, 0.9))
#: Edge of a pond that is shallower than the survey can tell.
DOUBTFUL = Stroke(WATER, 0.15, (0.5, 0.5))


@dataclass(frozen=True, slots=True)
class Measures:
    """How lengths and areas are written on the sheet.

    Parameters
    ----------
    unit
        ``"m"`` or ``"ft"`` (international foot).
    """

    unit: Literal["m", "ft"]

    @property
    def unit_m(self) -> float:
        """Metres per unit."""
        return 1.0 if self.unit == "m" else 0.3048

    def number(self, length_m: float) -> str:
        """Return a length without its unit."""
        return f"{length_m / self.unit_m:.2f}"

    def length(self, length_m: float) -> str:
        """Return a length with its unit."""
        return f"{self.number(length_m)} {self.unit}"

    def area(self, area_m2: float) -> str:
        """Return an area with its unit."""
        value = area_m2 / self.unit_m**2
        digits = 2 if value < 10 else 1 if value < 10_000 else 0
        return f"{value:,.{digits}f} {self.unit}²".replace(",", "\u202f")

    def volume(self, volume_m3: float) -> str:
        """Return a volume with its unit."""
        return f"{volume_m3 / self.unit_m**3:.2f} {self.unit}³"


def section_letter(number: int) -> str:
    """Return the letter of the section with this number, counted from 0: A, B, ..., Z, AA.

    Examples
    --------
    >>> [section_letter(n) for n in (0, 25, 26, 701, 702)]
    ['A', 'Z', 'AA', 'ZZ', 'AAA']
    """
    letters = ""
    number += 1
    while number:
        number, rest = divmod(number - 1, 26)
        letters = chr(65 + rest) + letters
    return letters


def layer_of(package: Package, name: str) -> Layer | None:
    """Return a layer, None where it is missing or empty."""
    found = next((layer for layer in package.layers if layer.name == name), None)
    return found if found is not None and len(found.records) else None


def draw_map(
    package: Package, layout: Layout, measures: Measures, tints: Mapping[str, str]
) -> tuple[list[Group], int]:
    """Draw the map.

    Returns
    -------
    groups : list of Group
        Bottom first; the writing of a layer is a group of its own above all linework.
    dropped : int
        Labels for which there was no room.
    """
    page = _Map(package, layout, measures, tints)
    page.draw()
    return page.groups(), page.dropped


#: Bottom to top.
_ORDER = {
    "areas": "Areas",
    "ponding": "Ponds",
    "contours": "Contours",
    "grid": "Map grid",
    "parcels": "Parcels",
    "outlines": "Outlines of areas",
    "lines": "Lines",
    "flow_paths": "Flow paths",
    "drainage_arrows": "Drainage arrows",
    "sections": "Sections",
    "grades": "Grades",
    "parcel_clearances": "Distances to parcel lines",
    "baseline": "Baseline",
    "points": "Marks",
}


class _Map:
    """The map while it is drawn: shapes and text per layer, and the board of what is taken."""

    def __init__(
        self, package: Package, layout: Layout, measures: Measures, tints: Mapping[str, str]
    ) -> None:
        self.package = package
        self.view: View = layout.view
        self.measures = measures
        self.tints = tints
        self.k = layout.lettering
        #: Size of a raster cell on paper, mm.
        self.cell = max(
            (r.grid.cell_size * layout.view.mm_per_unit for r in package.rasters), default=0.0
        )
        self.board = Board(layout.view.window)
        self.shapes: dict[str, list[Shape]] = defaultdict(list)
        self.texts: dict[str, list[Text]] = defaultdict(list)
        self.arrow_labels: list[tuple[Floats, float]] = []
        self.hatched: list[Outline] = []
        self.dropped = 0

    def groups(self) -> list[Group]:
        shapes = [
            Group(name, title, tuple(self.shapes[name]), in_map=True)
            for name, title in _ORDER.items()
            if self.shapes[name]
        ]
        texts = [
            Group(f"{name}-text", f"{title}, writing", tuple(self.texts[name]), in_map=True)
            for name, title in _ORDER.items()
            if self.texts[name]
        ]
        return shapes + texts

    def draw(self) -> None:
        self.grid()
        self.parcels()
        self.areas()
        self.lines()
        self.contours()
        marks = self.marks()
        self.water()
        self.sections()
        # writing, the most important first
        self.name_areas()
        self.name_marks(marks, important=True)
        self.name_ponds()
        self.name_sections()
        self.board.fill(self.hatched)  # only the name of an area may stand on its own hatch
        self.name_lines()
        self.name_grades()
        self.name_edges()
        self.name_marks(marks, important=False)
        self.name_contours()
        self.name_clearances()
        self.name_parcels()
        self.arrows()
        self.name_arrows()

    # ---- linework ------------------------------------------------------------------------------

    def add(self, layer: str, lines: Iterable[Floats], stroke: Stroke, weight: int = 2) -> None:
        """Draw open lines, shape (n, 2), sheet mm, and keep labels off them."""
        kept = [line for line in lines if len(line) > 1]
        if not kept:
            return
        self.shapes[layer].append(Shape([Outline((line,)) for line in kept], stroke))
        self.board.cross(kept, weight)

    def paper(self, geometries: Iterable[Any]) -> Iterator[Floats]:
        """Yield the lines and rings of geometries in map coordinates as sheet mm."""
        shapes = np.array([g for g in geometries if g is not None], dtype=object)
        if not len(shapes):
            return
        west, south, east, north = self._frame_on_map()
        boxes = shapely.bounds(shapes)
        near = (boxes[:, 0] <= east) & (boxes[:, 2] >= west)
        near &= (boxes[:, 1] <= north) & (boxes[:, 3] >= south)
        parts = shapely.get_parts(shapes[near])
        rings = shapely.get_type_id(parts) == shapely.GeometryType.POLYGON
        lines = np.concatenate([shapely.get_rings(parts[rings]), parts[~rings]])
        places, owner = shapely.get_coordinates(lines, return_index=True)
        drawn = shapely.linestrings(self.view.on_paper(places), indices=owner)
        fine = shapely.simplify(drawn, _FINEST, preserve_topology=False)
        places, owner = shapely.get_coordinates(fine, return_index=True)
        yield from np.split(places, np.flatnonzero(np.diff(owner)) + 1)

    def _frame_on_map(self) -> tuple[float, float, float, float]:
        """Return the map window in map coordinates, a little wider."""
        window, per = self.view.window, self.view.mm_per_unit
        across, up = (window.width / 2 + 5) / per, (window.height / 2 + 5) / per
        east, north = self.view.centre
        return east - across, north - up, east + across, north + up

    def layer(self, name: str) -> Layer | None:
        return layer_of(self.package, name)

    def grid(self) -> None:
        """Draw ticks on the frame and crosses inside at round map coordinates."""
        window = self.view.window
        step = grid_step(self.view, self.k)
        pen = Stroke(FAINT, 0.13)
        west, south, east, north = self._frame_on_map()
        arm = 1.5 * self.k
        across = np.arange(math.ceil(west / step), math.floor(east / step) + 1) * step
        up = np.arange(math.ceil(south / step), math.floor(north / step) + 1) * step
        x = self.view.on_paper(np.column_stack([across, np.full(len(across), north)]))[:, 0]
        y = self.view.on_paper(np.column_stack([np.full(len(up), east), up]))[:, 1]
        x = x[(x > window.x + 0.1) & (x < window.right - 0.1)]
        y = y[(y > window.y + 0.1) & (y < window.bottom - 0.1)]
        lines = []
        for i in x:
            lines += [np.array([(i, window.y), (i, window.y + arm)])]
            lines += [np.array([(i, window.bottom), (i, window.bottom - arm)])]
            for j in y:
                lines += [np.array([(i - arm, j), (i + arm, j)])]
                lines += [np.array([(i, j - arm), (i, j + arm)])]
        for j in y:
            lines += [np.array([(window.x, j), (window.x + arm, j)])]
            lines += [np.array([(window.right, j), (window.right - arm, j)])]
        self.add("grid", lines, pen, 1)

    def parcels(self) -> None:
        layer = self.layer("parcels")
        if layer is None:
            return
        # a parcel can be far larger than the sheet, and neighbours share their lines
        box = self._frame_on_map()
        edges = shapely.union_all(shapely.boundary(shapely.force_2d(list(layer.geometries))))
        self.add("parcels", self.paper([shapely.clip_by_rect(edges, *box)]), STROKES["parcels"])

    def areas(self) -> None:
        layer = self.layer("areas")
        if layer is None:
            return
        drawn = {f.name: f for f in self.package.features}
        order = np.argsort(-shapely.area(np.array(layer.geometries, object)), kind="stable")
        for i in order:
            record, geometry = layer.records[i], layer.geometries[i]
            rings = list(self.paper([geometry]))
            if not rings:
                continue
            closed = [Outline((ring,), closed=True) for ring in rings]
            code = self.package.codes.get(str(record["code"]))
            building = code is not None and code.building
            tint = BUILDING if building else self.tints.get(str(record["code"]), PAPER)
            self.shapes["areas"].append(Shape(closed, None, tint))
            if building:
                shape = self.view_polygon(geometry)
                hatching = hatch(shape, 1.6 * self.k, 45.0)
                self.shapes["areas"].append(Shape(hatching, Stroke(TEXT, 0.13)))
                self.hatched += hatching
            feature = drawn.get(str(record["feature"]))
            pen = STROKES["areas"]
            if building:
                pen = replace(pen, width_mm=pen.width_mm * 2)
            outlines = closed if feature is None else list(self.outlines(feature))
            self.shapes["outlines"].append(Shape(outlines, pen))
            self.board.cross(rings, 2)

    def view_polygon(self, geometry: Any) -> Any:
        """Return a geometry in map coordinates as one in sheet mm."""
        shape = shapely.transform(shapely.force_2d(geometry), self.view.on_paper)
        # rounding can make slivers cross themselves, which later overlays would refuse
        return shape if shape.is_valid else shapely.buffer(shape, 0.0)

    def outlines(self, feature: Feature) -> Iterator[Outline]:
        """Yield the drawn parts of an outline, with true arcs, broken at gaps."""
        run: list[Floats | Arc] = []
        whole = all(piece.kind != "gap" for piece in feature.pieces)
        for piece in feature.pieces:
            if piece.kind != "gap":
                run.append(self.piece(piece))
            elif run:
                yield Outline(tuple(run))
                run = []
        if run:
            yield Outline(tuple(run), closed=whole and feature.kind == "area")

    def piece(self, piece: Piece) -> Floats | Arc:
        if piece.centre is None or not piece.radius or not piece.sweep:
            return self.view.local_on_paper(piece.vertices)
        x, y = self.view.local_on_paper(piece.centre).tolist()
        start = piece.start_angle or 0.0
        # the sheet's y runs down: angles change their sense
        return Arc((x, y), self.view.length(piece.radius), -start, -piece.sweep)

    def lines(self) -> None:
        layer = self.layer("lines")
        if layer is None:
            return
        drawn = {f.name: f for f in self.package.features}
        for record, geometry in zip(layer.records, layer.geometries, strict=True):
            feature = drawn.get(str(record["feature"]))
            lines = list(self.paper([geometry]))
            if not lines:
                continue
            outlines = (
                [Outline((line,)) for line in lines]
                if feature is None
                else list(self.outlines(feature))
            )
            code = self.package.codes.get(str(record["code"]))
            barrier = code is not None and (code.barrier or code.breakline)
            pen = STROKES["lines"]
            if barrier:
                pen = replace(pen, width_mm=pen.width_mm * 1.6)
            self.shapes["lines"].append(Shape(outlines, pen))
            self.board.cross(lines, 2)

    def contours(self) -> None:
        layer = self.layer("contours")
        if layer is None:
            return
        main = [bool(record["is_index"]) for record in layer.records]
        for wanted, pen in ((False, "contours"), (True, "contours-index")):
            chosen = [g for g, m in zip(layer.geometries, main, strict=True) if m is wanted]
            self.add("contours", self.paper(chosen), STROKES[pen], 1)

    def water(self) -> None:
        ponds = self.layer("ponding")
        if ponds is not None:
            for record, geometry in zip(ponds.records, ponds.geometries, strict=True):
                edges = [
                    Outline((rounded(ring, self.cell),), closed=True)
                    for ring in self.paper([geometry])
                ]
                if not edges:
                    continue
                if not significant(record):
                    self.shapes["ponding"].append(Shape(edges, DOUBTFUL))
                    continue
                self.shapes["ponding"].append(Shape(edges, STROKES["ponding"], POND, 0.8))
                shape = self.view_polygon(geometry)
                waves = hatch(shape, 1.5 * self.k, 0.0)
                self.shapes["ponding"].append(Shape(waves, RIPPLE))
                self.hatched += waves
                self.board.fill(edges)
        paths = self.layer("flow_paths")
        if paths is not None:
            lines = list(self.paper(paths.geometries))
            # paths run into each other: what they share is drawn once, or the dashes would close
            once = shapely.line_merge(shapely.union_all(shapely.force_2d(list(paths.geometries))))
            self.add("flow_paths", self.paper([once]), STROKES["flow_paths"])
            heads = [head for line in lines if (head := _head(line, 2.2 * self.k)) is not None]
            self.shapes["flow_paths"].append(Shape(heads, None, WATER))

    def arrows(self) -> None:
        """Draw the arrows that no label, symbol or other arrow needs the room of."""
        layer = self.layer("drainage_arrows")
        if layer is None:
            return
        middles = shapely.get_coordinates(shapely.centroid(np.array(layer.geometries, object)))
        places = self.view.on_paper(middles)
        darts = []
        for i in thin(places, 7.0 * self.k, self.view):
            record, (x, y) = layer.records[i], places[i].tolist()
            azimuth = record["azimuth_deg"]
            steep = record["slope_percent"]
            if azimuth is None or azimuth < 0:
                continue
            dart = arrow_symbol(x, y, azimuth, arrow_length(steep) * self.k)
            if not self.board.claim(dart):
                continue
            darts.append(Outline((dart,), closed=True))
            if steep is not None:
                self.arrow_labels.append((places[i], float(steep)))
        if darts:
            self.shapes["drainage_arrows"].append(Shape(darts, None, WATER))

    def sections(self) -> None:
        sections = self.layer("sections")
        if sections is not None:
            lines = list(self.paper(sections.geometries))
            self.add("sections", lines, STROKES["sections"])
            ends = [end for line in lines for end in _end_ticks(line, 2.0 * self.k)]
            self.add("sections", ends, replace(STROKES["sections"], dash_mm=()))
        grades = self.layer("grades")
        if grades is not None:
            for verdict in ("within", "undecided", "beyond"):
                chosen = [
                    g
                    for r, g in zip(grades.records, grades.geometries, strict=True)
                    if r["verdict"] == verdict
                ]
                self.add("grades", self.paper(chosen), STROKES[f"grades-{verdict}"])
        near = self.layer("parcel_clearances")
        if near is not None:
            lines = [line for _, line in self.clearances(near)]
            self.add("parcel_clearances", lines, Stroke(PARCEL, 0.25))
            ends = [end for line in lines for end in _end_ticks(line, 1.0 * self.k)]
            self.add("parcel_clearances", ends, Stroke(PARCEL, 0.25))
        baseline = self.layer("baseline")
        if baseline is not None:
            self.add("baseline", self.paper(baseline.geometries), STROKES["baseline"], 1)

    def clearances(self, layer: Layer) -> Iterator[tuple[Mapping[str, Any], Floats]]:
        """Yield those that are close or cannot be told; what is far away needs no drawing."""
        for record, geometry in zip(layer.records, layer.geometries, strict=True):
            for line in self.paper([geometry]):
                if record["verdict"] != "clear" or _length(line) < 25.0 * self.k:
                    yield record, line

    # ---- marks ---------------------------------------------------------------------------------

    def marks(self) -> list[_Mark]:
        """Draw the marks and return those that get a label, each place once."""
        layer = self.layer("points")
        if layer is None:
            return []
        baseline = self.layer("baseline")
        ends = {
            record.get(end)
            for record in (baseline.records if baseline is not None else ())
            for end in ("from_point", "to_point")
        }
        records = layer.records
        places = self.view.on_paper(shapely.get_coordinates(np.array(layer.geometries, object)))
        met = {r["point"]: i for i, r in reversed(list(enumerate(records))) if r["point"]}
        codes = self.package.codes
        alone = {name for name, code in codes.items() if code.geometry == "point"}
        marks, crowd = [], []
        for name, i in met.items():
            record = records[i]
            code = record["code"]
            if name not in ends and code not in alone:
                crowd.append(i)
                continue
            kind: Literal["baseline", "inlet", "mark"] = (
                "baseline" if name in ends else "inlet" if codes[code].inlet else "mark"
            )
            feature = str(record["feature"] or "") if code in alone else ""
            marks.append(_Mark(str(name), feature, record["elevation"], places[i], kind))
        crowd.sort()
        kept = thin(places[crowd], 1.2, self.view)
        self.dropped += len(crowd) - len(kept)
        marks += [
            _Mark(str(records[i]["point"]), "", records[i]["elevation"], places[i], "mark")
            for i in (crowd[k] for k in kept)
        ]
        walked = [i for i, r in enumerate(records) if not r["point"]]
        self.mark_symbols(marks, places[walked])
        return marks

    def mark_symbols(self, marks: Sequence[_Mark], walked: Floats) -> None:
        dots = []
        for mark in marks:
            x, y = mark.place.tolist()
            if mark.kind == "baseline":
                self.shapes["points"] += baseline_symbol(x, y, self.k)
                self.board.take(x, y, 1.5 * self.k)
            elif mark.kind == "inlet":
                self.shapes["points"] += inlet_symbol(x, y, self.k)
                self.board.take(x, y, 1.5 * self.k)
            else:
                dots.append(mark_symbol(x, y, self.k))
                self.board.take(x, y, 0.6 * self.k)
        if dots:
            self.shapes["points"].append(Shape(dots, STROKES["points"], PAPER))
        specks = [
            Outline((Arc((x, y), 0.22 * self.k, 0.0, 2 * math.pi),), closed=True)
            for x, y in walked[thin(walked, 0.8, self.view)].tolist()
        ]
        if specks:
            self.shapes["points"].append(Shape(specks, None, TEXT))

    # ---- writing -------------------------------------------------------------------------------

    def write(
        self,
        layer: str,
        lines: Sequence[Line],
        candidates: Floats,
        *,
        pull: float = 0.6,
        count: bool = True,
    ) -> bool:
        texts = self.board.place(lines, candidates, pull=pull)
        self.texts[layer] += texts
        if not texts and count and len(candidates) and self.visible(candidates[0]):
            self.dropped += 1
        return bool(texts)

    def visible(self, place: Floats) -> bool:
        window = self.view.window
        return bool(window.x <= place[0] <= window.right and window.y <= place[1] <= window.bottom)

    def line(self, text: str, *, size: float = _SIZE, bold: bool = False, **look: str) -> Line:
        return Line(printable(text, 40), size * self.k, "bold" if bold else "regular", **look)

    def name_areas(self) -> None:
        layer = self.layer("areas")
        if layer is None:
            return
        shapes = {
            str(record["feature"]): geometry
            for record, geometry in zip(layer.records, layer.geometries, strict=True)
        }
        order = np.argsort(-shapely.area(np.array(layer.geometries, object)), kind="stable")
        for i in order:
            record, geometry = layer.records[i], layer.geometries[i]
            held = [shapes[name] for name in (record["inside"] or "").split(", ") if name in shapes]
            size = record["net_area_m2"]
            name, title = str(record["feature"] or ""), str(record["title"] or "")
            lines = [self.line(name, size=2.5, bold=True)]
            if title and title != name:
                lines.append(self.line(title))
            if size is not None:
                gross = record["area_m2"]
                net = gross is not None and abs(size - gross) > 5e-3
                lines.append(self.line(self.measures.area(size) + (" net" if net else "")))
            open_ground = self.view_polygon(geometry)
            if held:
                open_ground = shapely.difference(
                    open_ground, shapely.union_all([self.view_polygon(h) for h in held])
                )
            inside = interior(open_ground, self.view, self.k)
            if not self.write("areas", lines, inside, pull=0.25, count=False):
                self.write("areas", [*lines[:1], *lines[2:]], inside, pull=0.25)

    def name_marks(self, marks: Sequence[_Mark], *, important: bool) -> None:
        chosen = [m for m in marks if (m.kind != "mark" or bool(m.feature)) is important]
        places = np.array([m.place for m in chosen]).reshape(-1, 2)
        kept = thin(places, (0.5 if important else 4.0) * self.k, self.view)
        self.dropped += len(chosen) - len(kept)
        for i in kept:
            mark = chosen[i]
            x, y = mark.place.tolist()
            bold = mark.kind == "baseline"
            colour = WATER if mark.kind == "inlet" else TEXT
            name = self.line(
                mark.feature or mark.name,
                size=_SIZE if important else _SMALL,
                bold=important,
                colour=colour if important else FAINT,
            )
            lines = [name]
            if mark.elevation is not None:
                lines.append(self.line(f"{mark.elevation:.2f}", bold=bold))
            gap = (2.0 if mark.kind != "mark" else 1.2) * self.k
            for part in (lines, lines[1:]) if len(lines) > 1 else (lines,):
                width = max(line.width for line in part)
                height = sum(line.size for line in part) * 1.18
                last = part is not lines or len(lines) == 1
                if self.write("points", part, around(x, y, width, height, gap), count=last):
                    break

    def name_lines(self) -> None:
        layer = self.layer("lines")
        if layer is None:
            return
        for record, geometry in zip(layer.records, layer.geometries, strict=True):
            lines = sorted(self.paper([geometry]), key=_length, reverse=True)
            text = str(record["feature"] or "")
            length = record["length_m"]
            if length is not None:
                text = f"{text}  {self.measures.length(length)}"
            label = self.line(text)
            aside = label.size * 0.95
            # a line is named in its middle third where that is free, else anywhere along it
            shares = [0.5, 0.42, 0.58, 0.34, 0.66, 0.25, 0.75, 0.15, 0.85]
            places = [along(line, (-aside, aside), shares) for line in lines[:2]]
            if places:
                self.write("lines", [label], np.concatenate(places))

    def name_edges(self) -> None:
        """Write the length of every straight edge and the radius of every arc of the areas."""
        edges: list[tuple[float, Floats, list[Line], float]] = []
        factor = self.view.frame.combined_factor
        for feature in self.package.features:
            if feature.kind != "area":
                continue
            ring = np.concatenate([p.vertices[:, :2] for p in feature.pieces])
            # the sheet's y runs down: a ring that runs counter-clockwise on the map has its
            # inside to the left, at negative distances
            inside = -1.0 if _signed_area(ring) > 0 else 1.0
            for piece in feature.pieces:
                place = self.view.local_on_paper(piece.vertices)
                if piece.kind in ("arc", "circle") and piece.radius:
                    text = [self.line(f"R {self.measures.number(piece.radius / factor)}")]
                    if piece.kind == "arc" and piece.sweep:
                        arc = abs(piece.sweep) * piece.radius / factor
                        text.append(self.line(f"arc {self.measures.number(arc)}"))
                    edges.append((_length(place), place, text, inside))
                elif piece.kind == "line":
                    sides = np.hypot(*np.diff(piece.vertices[:, :2], axis=0).T) / factor
                    for k, side in enumerate(sides.tolist()):
                        text = [self.line(self.measures.number(side))]
                        edge = place[k : k + 2]
                        edges.append((_length(edge), edge, text, inside))
        edges.sort(key=lambda e: -e[0])
        for length, edge, text, inside in edges:
            if length < max(line.width for line in text):
                self.dropped += 1
                continue
            aside = inside * (0.15 + sum(line.size for line in text) * 0.62)
            shares = (0.5, 0.4, 0.6, 0.3, 0.7)
            self.write("outlines", text, along(edge, (aside, -aside), shares))

    def name_contours(self) -> None:
        layer = self.layer("contours")
        if layer is None:
            return
        marked = [bool(r["is_index"]) for r in layer.records]
        heights = [r["elevation"] for r in layer.records]
        digits = _digits([h for h in heights if h is not None])
        lengths = shapely.length(np.array(layer.geometries, object)) * self.view.mm_per_unit
        shares = np.linspace(0.08, 0.92, 13)[[6, 3, 9, 1, 11, 5, 7, 2, 10, 0, 12]].tolist()
        # ground of many small hollows has thousands of loops with no room for a name
        roomy = np.flatnonzero(lengths >= 25.0 * self.k).tolist()
        for i in sorted(roomy, key=lambda i: not marked[i]):
            if heights[i] is None:
                continue
            for line in self.paper([layer.geometries[i]]):
                if _length(line) < 25.0 * self.k:
                    continue
                words = f"{heights[i]:.{digits}f}"
                text = self.line(words, size=_SMALL, bold=marked[i], colour=EARTH)
                self.write("contours", [text], along(line, (0.0,), shares), count=marked[i])

    def name_ponds(self) -> None:
        layer = self.layer("ponding")
        if layer is None:
            return
        told = [
            (record, geometry)
            for record, geometry in zip(layer.records, layer.geometries, strict=True)
            if significant(record)
        ]
        self.dropped += len(told[_NAMES:])
        for record, geometry in told[:_NAMES]:  # the largest come first
            depth = record["depth_m"]
            volume = record["volume_m3"]
            lines = []
            if depth is not None:
                lines.append(self.line(f"{self.measures.length(depth)} deep", colour=WATER))
            if volume is not None:
                lines.append(self.line(self.measures.volume(volume), colour=WATER))
            if not lines:
                continue
            shape = self.view_polygon(geometry)
            west, top, east, bottom = shape.bounds
            width, height = max(line.width for line in lines), sum(line.size for line in lines)
            beside = around(
                (west + east) / 2,
                (top + bottom) / 2,
                width + (east - west),
                height * 1.18 + (bottom - top),
                0.5,
            )
            self.write(
                "ponding", lines, np.concatenate([interior(shape, self.view, self.k), beside])
            )

    def name_grades(self) -> None:
        layer = self.layer("grades")
        if layer is None:
            return
        rank = {"beyond": 0, "undecided": 1, "within": 2}
        told = sorted(
            (
                (rank[r["verdict"]], i)
                for i, r in enumerate(layer.records)
                if r["verdict"] in rank and r["value"] is not None
            ),
        )[:_NAMES]
        for order, i in told:
            record = layer.records[i]
            check = record["check_of"] or ""
            percent = record["unit"] == "percent"
            value = float(record["value"])
            amount = f"{abs(value):.1f} %" if percent else self.measures.length(abs(value))
            words = f"{'' if check == 'running' else f'{check} '}{amount} {record['verdict']}"
            text = self.line(words, bold=order == 0, colour=WATER if order == 2 else ALERT)
            aside = text.size * 1.1
            for line in self.paper([layer.geometries[i]]):
                places = along(line, (aside, -aside, 2.2 * aside, -2.2 * aside), (0.5, 0.3, 0.7))
                middle = line[len(line) // 2 - 1 : len(line) // 2 + 1].mean(axis=0)
                beside = [
                    around(middle[0], middle[1], text.width, text.size, gap * self.k)
                    for gap in (2.0, 5.0, 8.0)
                ]
                self.write("grades", [text], np.concatenate([places, *beside]), count=order < 2)

    def name_clearances(self) -> None:
        layer = self.layer("parcel_clearances")
        if layer is None:
            return
        words = {"clear": "clear by {}", "crosses": "over by {}", "cannot tell": "cannot tell: {}"}
        for record, line in self.clearances(layer):
            distance, verdict = record["distance_m"], record["verdict"]
            if distance is None or verdict not in words:
                continue
            text = self.line(
                words[verdict].format(self.measures.length(abs(distance))),
                size=_SMALL,
                colour=PARCEL,
            )
            middle = line.mean(axis=0)
            places = around(middle[0], middle[1], text.width, text.size, 1.0 * self.k)
            self.write("parcel_clearances", [text], places, count=verdict != "clear")

    def name_sections(self) -> None:
        layer = self.layer("sections")
        if layer is None:
            return
        for number, geometry in enumerate(layer.geometries):
            letter = section_letter(number)
            lines = list(self.paper([geometry]))
            if not lines:
                continue
            for name, (x, y) in (
                (letter, lines[0][0].tolist()),
                (f"{letter}'", lines[-1][-1].tolist()),
            ):
                text = self.line(name, size=_SECTION, bold=True, colour=EARTH)
                self.write("sections", [text], around(x, y, text.width, text.size, 1.4 * self.k))

    def name_parcels(self) -> None:
        layer = self.layer("parcels")
        if layer is None:
            return
        window = self.view.window
        frame = shapely.box(window.x, window.y, window.right, window.bottom)
        areas = self.layer("areas")
        drawn = [self.view_polygon(g) for g in areas.geometries] if areas is not None else []
        covered = shapely.union_all(np.array(drawn, dtype=object))
        for record, geometry in zip(layer.records, layer.geometries, strict=True):
            name = record["parcel"]
            shape = shapely.intersection(self.view_polygon(geometry), frame)
            if not name or shape.is_empty or not shape.area > 0:
                continue
            text = self.line(f"parcel {name}", size=2.6, colour=PARCEL)
            free = interior(shapely.difference(shape, covered), self.view, self.k, 24)
            places = np.concatenate([free, interior(shape, self.view, self.k, 24)])
            self.write("parcels", [text], places, pull=0.05)

    def name_arrows(self) -> None:
        places = np.array([place for place, _ in self.arrow_labels]).reshape(-1, 2)
        for i in thin(places, 24.0 * self.k, self.view):
            (x, y), steep = places[i].tolist(), self.arrow_labels[i][1]
            text = self.line(f"{steep:.1f} %", size=_SMALL, colour=WATER)
            beside = around(x, y, text.width, text.size, 1.2 * self.k)
            self.write("drainage_arrows", [text], beside, count=False)


@dataclass(frozen=True, eq=False, slots=True)
class _Mark:
    """A named mark on paper."""

    name: str
    feature: str
    """Of point features."""
    elevation: float | None
    place: Floats
    kind: Literal["mark", "baseline", "inlet"]


def rounded(ring: Floats, cell: float) -> Floats:
    """Return a closed line along cells of a raster without its stairs.

    Parameters
    ----------
    ring : array, shape (n, 2), sheet mm
        Closed: its last place is its first.
    cell
        Size of a cell, mm. No place moves by more than about that.

    Notes
    -----
    Stairs are cut by Douglas and Peucker (1973) at three quarters of a cell, corners by four
    rounds of Chaikin (1974, doi:10.1016/0146-664X(74)90028-8).
    """
    if len(ring) < 4 or cell <= 0:
        return ring
    line = shapely.simplify(shapely.linestrings(ring), 0.75 * cell)
    places: Floats = shapely.get_coordinates(shapely.segmentize(line, 3 * cell))[:-1]
    if len(places) < 3:
        return ring
    for _ in range(4):
        following = np.roll(places, -1, axis=0)
        cut = np.stack([0.75 * places + 0.25 * following, 0.25 * places + 0.75 * following], 1)
        places = cut.reshape(-1, 2)
    return np.vstack([places, places[:1]])


def significant(pond: Mapping[str, Any]) -> bool:
    """Return whether a pond is deeper than the survey's own uncertainty."""
    return pond.get("is_significant") != 0


def grid_step(view: View, lettering: float) -> float:
    """Return the round number of map units between coordinate ticks, about 40 to 100 mm apart."""
    target = 45.0 * lettering / view.mm_per_unit
    power = 10.0 ** math.floor(math.log10(target))
    return next(m * power for m in (1.0, 2.0, 5.0, 10.0) if m * power >= target)


def thin(places: Floats, cell: float, view: View) -> list[int]:
    """Return the first of the places in each square cell of the window, in order."""
    if not len(places):
        return []
    window = view.window
    inside = (places[:, 0] >= window.x) & (places[:, 0] <= window.right)
    inside &= (places[:, 1] >= window.y) & (places[:, 1] <= window.bottom)
    kept = np.flatnonzero(inside)
    cells = np.floor((places[kept] - np.array([window.x, window.y])) / cell).astype(np.int64)
    flat = cells[:, 1] * (int(window.width / cell) + 2) + cells[:, 0]
    return sorted(kept[np.unique(flat, return_index=True)[1]].tolist())


def interior(shape: Any, view: View, lettering: float, count: int = 96) -> Floats:
    """Return places inside a polygon in sheet mm, shape (k, 3), the roomiest first."""
    window = view.window
    if shape.is_empty:
        return np.zeros((0, 3))
    west, top, east, bottom = shape.bounds
    west, east = max(west, window.x), min(east, window.right)
    top, bottom = max(top, window.y), min(bottom, window.bottom)
    if not (east > west and bottom > top):
        return np.zeros((0, 3))
    side = max(math.sqrt((east - west) * (bottom - top) / count), 0.5 * lettering)
    x = np.arange(west + side / 2, east, side)
    y = np.arange(top + side / 2, bottom, side)
    places = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    shapely.prepare(shape)
    places = places[shapely.contains_xy(shape, places[:, 0], places[:, 1])]
    if not len(places):
        middle = shape.representative_point()
        places = np.array([(middle.x, middle.y)])
    room = shapely.distance(shapely.points(places), shape.boundary)
    # from 8 mm on there is room enough: then the middle is better than the roomiest corner
    centre = np.hypot(*(places - places.mean(axis=0)).T)
    order = np.lexsort((centre, -np.minimum(room, 8.0 * lettering).round(1)))
    return np.column_stack([places[order], np.zeros(len(order))])


# ---- symbols -------------------------------------------------------------------------------------


def mark_symbol(x: float, y: float, lettering: float) -> Outline:
    """Return the ring of an ordinary mark."""
    return Outline((Arc((x, y), 0.5 * lettering, 0.0, 2 * math.pi),), closed=True)


def baseline_symbol(x: float, y: float, lettering: float) -> list[Shape]:
    """Return the target of a baseline mark: a ring with two opposite quarters filled."""
    r = 1.4 * lettering
    ring = Outline((Arc((x, y), r, 0.0, 2 * math.pi),), closed=True)
    quarters = [
        Outline(
            (np.array([(x, y)]), Arc((x, y), r, start, math.pi / 2)),
            closed=True,
        )
        for start in (0.0, math.pi)
    ]
    return [
        Shape([ring], None, PAPER),
        Shape(quarters, None, TEXT),
        Shape([ring], Stroke(TEXT, 0.25)),
    ]


def inlet_symbol(x: float, y: float, lettering: float) -> list[Shape]:
    """Return the grating of an inlet."""
    r = 1.3 * lettering
    ring = Outline((Arc((x, y), r, 0.0, 2 * math.pi),), closed=True)
    bars = []
    for share in (-0.45, 0.0, 0.45):
        half = r * math.sqrt(1 - share**2)
        bars.append(Outline((np.array([(x + share * r, y - half), (x + share * r, y + half)]),)))
    pen = Stroke(WATER, 0.35)
    return [Shape([ring], pen, PAPER), Shape(bars, pen)]


def arrow_length(slope_percent: float | None) -> float:
    """Return the length of a drainage arrow, mm at lettering 1: 3.2 when flat, 6 from 10 % on."""
    steep = min(max(slope_percent or 0.0, 0.1), 10.0)
    return 3.2 + 2.8 * (math.log10(steep) + 1) / 2


#: A dart of length 1 around the origin: ahead, aside.
_DART = np.array(
    [(0.5, 0.0), (0.08, 0.2), (0.206, 0.035), (-0.5, 0.0), (0.206, -0.035), (0.08, -0.2)]
)


def arrow_symbol(x: float, y: float, azimuth: float, length: float) -> Floats:
    """Return the outline, shape (6, 2), of the dart of flowing water: tip first, tail fourth.

    Azimuth in degrees clockwise from grid north, which is up.
    """
    turn = math.radians(azimuth)
    ahead = np.array([math.sin(turn), -math.cos(turn)]) * length
    aside = np.array([-ahead[1], ahead[0]])
    dart: Floats = np.array([x, y]) + _DART @ np.array([ahead, aside])
    return dart


def hatch(shape: Any, spacing: float, angle: float) -> list[Outline]:
    """Return parallel lines inside a polygon in sheet mm; angle in degrees, up to the right."""
    turn = math.radians(angle)
    way = np.array([math.cos(turn), -math.sin(turn)])
    normal = np.array([-way[1], way[0]])
    corners = np.array(shape.bounds)[[[0, 1], [2, 1], [2, 3], [0, 3]]]
    low, high = (corners @ normal).min(), (corners @ normal).max()
    start, end = (corners @ way).min(), (corners @ way).max()
    # counted from the sheet's corner, so that neighbours' hatches meet
    levels = np.arange(math.ceil(low / spacing), math.floor(high / spacing) + 1) * spacing
    if not len(levels) or len(levels) > 2000:
        return []
    ends = np.stack(
        [levels[:, None] * normal + way * start, levels[:, None] * normal + way * end], axis=1
    )
    inside = shapely.intersection(shapely.linestrings(ends), shape)
    parts = shapely.get_parts(inside)
    parts = parts[shapely.get_type_id(parts) == shapely.GeometryType.LINESTRING]
    parts = parts[~shapely.is_empty(parts)]
    return [Outline((shapely.get_coordinates(part),)) for part in parts]


def _head(line: Floats, size: float) -> Outline | None:
    """Return an arrow head at the end of a line."""
    way = line[-1] - line[-2]
    length = math.hypot(*way)
    if not length > 0:
        return None
    way = way / length
    aside = np.array([-way[1], way[0]])
    back = line[-1] - way * size
    corners = np.array([line[-1], back + aside * size * 0.36, back - aside * size * 0.36])
    return Outline((corners,), closed=True)


def _end_ticks(line: Floats, half: float) -> list[Floats]:
    """Return short lines across both ends."""
    found = []
    for end, beside in ((line[0], line[1]), (line[-1], line[-2])):
        way = beside - end
        length = math.hypot(*way)
        if length > 0:
            aside = np.array([-way[1], way[0]]) / length * half
            found.append(np.array([end - aside, end + aside]))
    return found


def _length(line: Floats) -> float:
    return float(np.hypot(*np.diff(line, axis=0).T).sum())


def _signed_area(ring: Floats) -> float:
    e, n = (ring - ring[0]).T
    return float(e @ np.roll(n, -1) - n @ np.roll(e, -1))


def _digits(heights: Sequence[float]) -> int:
    """Return the fewest decimals that tell contours apart."""
    steps = np.diff(np.unique(np.round(heights, 4)))
    if not len(steps):
        return 2
    return int(np.clip(math.ceil(-math.log10(float(steps.min())) - 1e-6), 0, 3))
