"""The map while it is drawn: shapes and text per layer, and the board of what is taken."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

import numpy as np
import shapely

from geosite.base.arrays import Floats
from geosite.drawing.font import printable
from geosite.drawing.ink import FAINT, Stroke
from geosite.drawing.labels import Board, Leader, Line, away
from geosite.drawing.sheet import Group, Outline, Shape, Text
from geosite.handover.model import Layer, Package
from geosite.handover.plan.layout import Layout, View
from geosite.handover.wording.measures import Measures, layer_of

__all__ = [
    "LETTERING",
    "Canvas",
    "grid_step",
    "interior",
    "length_of",
    "signed_area",
    "thin",
]

#: Size of map lettering at lettering 1, mm: 2.2 mm is about 6 points.
LETTERING = 2.2
# mm on paper: bends that no pen shows and no eye sees
_FINEST = 0.01
#: Lengths of leaders at lettering 1, mm.
_LEADERS = (3.0, 5.0, 8.0, 11.0, 15.0)
_LEADER = Stroke(FAINT, 0.15)

#: Bottom to top.
_ORDER = {
    "background": "Background",
    "areas": "Areas",
    "difference": "Rise of the ground",
    "verdict_areas": "Verdicts over the surface",
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
    "design": "Edges of the design",
    "ellipses": "95 % regions",
    "deviations": "Deviations",
    "displacements": "Displacements",
    "parcel_clearances": "Distances to parcel lines",
    "baseline": "Baseline",
    "leaders": "Leaders",
    "points": "Marks",
}


class Canvas:
    """The map while it is drawn."""

    def __init__(
        self,
        package: Package,
        layout: Layout,
        measures: Measures,
        tints: Mapping[str, str],
        arrows_apart: float = 7.0,
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
        #: Least distance between drainage arrows at lettering 1, mm.
        self.arrows_apart = arrows_apart
        self.dropped = 0
        self.dots_left_out = 0

    def groups(self) -> list[Group]:
        """Return what was drawn, bottom to top, as groups of the sheet."""
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

    def add(self, layer: str, lines: Iterable[Floats], stroke: Stroke, weight: int = 2) -> None:
        """Draw open lines, shape (n, 2), sheet mm, and keep labels off them."""
        kept = [line for line in lines if len(line) > 1]
        if not kept:
            return
        self.shapes[layer].append(Shape([Outline((line,)) for line in kept], stroke))
        self.board.cross(kept, weight)

    def paper(self, geometries: Iterable[Any]) -> Iterator[Floats]:
        """Yield the lines and rings of geometries in map coordinates as sheet mm."""
        yield from self._lines(list(geometries))[0]

    def paper_each(self, geometries: Sequence[Any]) -> list[list[Floats]]:
        """Return, for each geometry, what `paper` yields of it alone."""
        out: list[list[Floats]] = [[] for _ in geometries]
        for line, owner in zip(*self._lines(geometries), strict=True):
            out[owner].append(line)
        return out

    def _lines(self, geometries: Sequence[Any]) -> tuple[list[Floats], list[int]]:
        """Return lines and rings, sheet mm, and the number of the geometry of each."""
        known = np.array([i for i, g in enumerate(geometries) if g is not None], np.int64)
        if not len(known):
            return [], []
        shapes = np.array([geometries[i] for i in known], dtype=object)
        west, south, east, north = self.frame_on_map()
        boxes = shapely.bounds(shapes)
        near = (boxes[:, 0] <= east) & (boxes[:, 2] >= west)
        near &= (boxes[:, 1] <= north) & (boxes[:, 3] >= south)
        known = known[near]
        parts, of = shapely.get_parts(shapes[near], return_index=True)
        is_area = shapely.get_type_id(parts) == shapely.GeometryType.POLYGON
        rings, area = shapely.get_rings(parts[is_area], return_index=True)
        lines = np.concatenate([rings, parts[~is_area]])
        of = np.concatenate([of[is_area][area], of[~is_area]])
        places, owner = shapely.get_coordinates(lines, return_index=True)
        drawn = shapely.linestrings(self.view.on_paper(places), indices=owner)
        fine = shapely.simplify(drawn, _FINEST, preserve_topology=False)
        places, owner = shapely.get_coordinates(fine, return_index=True)
        if not len(places):
            return [], []
        ends = np.flatnonzero(np.diff(owner)) + 1
        drawn_of = known[of[owner[np.append(0, ends)]]].tolist()
        return np.split(places, ends), drawn_of

    def frame_on_map(self) -> tuple[float, float, float, float]:
        """Return the map window in map coordinates, a little wider."""
        window, per = self.view.window, self.view.mm_per_unit
        across, up = (window.width / 2 + 5) / per, (window.height / 2 + 5) / per
        east, north = self.view.centre
        return east - across, north - up, east + across, north + up

    def layer(self, name: str) -> Layer | None:
        """Return a layer of the package, None where it is missing or empty."""
        return layer_of(self.package, name)

    def view_polygon(self, geometry: Any) -> Any:
        """Return a geometry in map coordinates as one in sheet mm."""
        return self.view_polygons([geometry])[0]

    def view_polygons(self, geometries: Sequence[Any]) -> list[Any]:
        """Return geometries in map coordinates as ones in sheet mm."""
        flat = shapely.force_2d(np.array(geometries, dtype=object))
        shapes = shapely.transform(flat, self.view.on_paper)
        # rounding can make slivers cross themselves, which later overlays would refuse
        crossed = ~shapely.is_valid(shapes)
        shapes[crossed] = shapely.buffer(shapes[crossed], 0.0)
        return list(shapes)

    def visible(self, place: Floats) -> bool:
        """Return whether a place, sheet mm, is inside the map window."""
        window = self.view.window
        return bool(window.x <= place[0] <= window.right and window.y <= place[1] <= window.bottom)

    def write(
        self,
        layer: str,
        lines: Sequence[Line],
        candidates: Floats,
        *,
        rank_cost: float = 0.6,
        count: bool = True,
        led_from: tuple[float, float, float] | None = None,
        most: float = math.inf,
    ) -> bool:
        """Write lines of a label where there is room; what finds none is counted.

        Where the sign that it names is given, as x, y and radius in mm, the label may also stand
        away from it, at the end of a leader; `most` is how many cells of linework it may cover.
        """
        leader = None
        if led_from is not None:
            x, y, clear = led_from
            leader = Leader(x, y, clear, len(candidates))
            width, height = max(line.width for line in lines), sum(line.size for line in lines)
            far = away(x, y, width, height * 1.18, [gap * self.k for gap in _LEADERS])
            candidates = np.concatenate([candidates, far])
        texts, line = self.board.place_led(
            lines, candidates, leader, rank_cost=rank_cost, most=most
        )
        self.texts[layer] += texts
        if line is not None:
            self.shapes["leaders"].append(Shape([Outline((line,))], _LEADER))
        if not texts and count and len(candidates) and self.visible(candidates[0]):
            self.dropped += 1
        return bool(texts)

    def line(self, text: str, *, size: float = LETTERING, bold: bool = False, **look: str) -> Line:
        """Return one line of a label."""
        return Line(printable(text, 40), size * self.k, "bold" if bold else "regular", **look)


def grid_step(view: View, lettering: float) -> float:
    """Return the round number of map units between coordinate ticks, about 40 to 100 mm apart.

    Parameters
    ----------
    view
        The map on paper.
    lettering
        Factor on every size.

    Examples
    --------
    At 1:200, 5 mm per metre, ticks 10 m apart are 50 mm apart:

    >>> from geosite.base.map_frame import Frame
    >>> from geosite.drawing.sheet import Rectangle
    >>> grid_step(View(Frame(), (0.0, 0.0), 200.0, Rectangle(0, 0, 200, 200)), 1.0)
    10.0
    """
    target = 45.0 * lettering / view.mm_per_unit
    power = 10.0 ** math.floor(math.log10(target))
    return next(m * power for m in (1.0, 2.0, 5.0, 10.0) if m * power >= target)


def thin(places: Floats, cell: float, view: View) -> list[int]:
    """Return the first of the places in each square cell of the window, in order.

    Parameters
    ----------
    places : array, shape (n, 2), sheet mm
    cell
        Side of a cell, mm.
    view
        The map on paper; what lies outside of its window is left out.

    Examples
    --------
    >>> from geosite.base.map_frame import Frame
    >>> from geosite.drawing.sheet import Rectangle
    >>> view = View(Frame(), (0.0, 0.0), 200.0, Rectangle(0, 0, 100, 100))
    >>> thin(np.array([[1.0, 1.0], [2.0, 2.0], [15.0, 1.0], [300.0, 1.0]]), 10.0, view)
    [0, 2]
    """
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
    """Return places inside a polygon for its label, the roomiest first.

    Parameters
    ----------
    shape
        Polygon, sheet mm.
    view
        The map on paper.
    lettering
        Factor on every size.
    count
        About how many.

    Returns
    -------
    array, shape (k, 3)
        x, y, and the angle of the text, which is 0.

    Examples
    --------
    >>> from geosite.base.map_frame import Frame
    >>> from geosite.drawing.sheet import Rectangle
    >>> view = View(Frame(), (0.0, 0.0), 200.0, Rectangle(0, 0, 100, 100))
    >>> interior(shapely.box(10, 10, 40, 40), view, 1.0, count=9)[0].tolist()
    [25.0, 25.0, 0.0]
    """
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


def length_of(line: Floats) -> float:
    """Return the length of a line, shape (n, 2).

    Examples
    --------
    >>> length_of(np.array([[0.0, 0.0], [3.0, 4.0], [3.0, 5.0]]))
    6.0
    """
    return float(np.hypot(*np.diff(line, axis=0).T).sum())


def signed_area(ring: Floats) -> float:
    """Return the area of a closed ring, shape (n, 2), positive counter-clockwise with y upwards.

    Examples
    --------
    >>> signed_area(np.array([[0.0, 0.0], [4.0, 0.0], [4.0, 3.0], [0.0, 0.0]])) / 2
    6.0
    """
    e, n = (ring - ring[0]).T
    return float(e @ np.roll(n, -1) - n @ np.roll(e, -1))
