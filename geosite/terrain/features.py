"""The drawn features by their part in the terrain: buildings, breaklines, barriers, inlets."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely

from geosite.base.arrays import Floats, Ints
from geosite.base.grid import Grid
from geosite.fieldbook.model import Notes
from geosite.fieldbook.sitefile import Code
from geosite.linework.model import Drawing, Feature
from geosite.terrain.surface.cell_grid import outermost
from geosite.terrain.water.barriers import cells_in, cells_of_points, walls_along
from geosite.terrain.water.descent import Bytes, Index, Mask

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

__all__ = ["GroundFeatures", "ground_features", "rows_on_ground", "spans_area"]

_Condition = Callable[[Code], bool]


GUTTER_M = 0.02
"""A gutter without ``height_m`` is so deep."""


@dataclass(frozen=True, eq=False)
class GroundFeatures:
    """Drawn features with the properties of their code. Shapes are in local grid metres.

    Parameters
    ----------
    drawing
    codes
        By name.
    shapes
        Of each feature, by its name.
    """

    drawing: Drawing
    codes: dict[str, Code]
    shapes: dict[str, BaseGeometry]

    def of(self, condition: _Condition) -> Iterator[Feature]:
        """Yield the features whose code fulfils a condition."""
        for feature in self.drawing.features:
            code = self.codes.get(feature.code)
            if code is not None and condition(code):
                yield feature

    def areas(self, condition: _Condition) -> list[BaseGeometry]:
        """Return the areas whose code fulfils a condition."""
        shapes = [self.shapes[f.name] for f in self.of(condition)]
        return [shape for shape in shapes if "Polygon" in shape.geom_type]

    def buildings(self, grid: Grid) -> Mask:
        """Return the cells under buildings, shape (rows, cols)."""
        return cells_in(self.areas(lambda code: code.building), grid)

    def paved(self, grid: Grid) -> Mask:
        """Return the cells of paved areas, shape (rows, cols)."""
        return cells_in(self.areas(lambda code: code.paved), grid)

    def breaklines(self) -> list[Floats]:
        """Return the edges that triangles must not cross, each of shape (k, 3).

        Beside the lines whose code says so: kerbs, walls and gutters, at which the ground bends;
        and the outlines of buildings, so that no triangle joins the ground before one wall to that
        behind another. Where the marks of a feature are not on the ground it has no such edge.
        """

        def condition(code: Code) -> bool:
            return code.breakline or (
                code.ground and (code.building or code.barrier or code.gutter)
            )

        return [
            shapely.get_coordinates(part, include_z=True)
            for feature in self.of(condition)
            for part in shapely.get_parts(_edges(self.shapes[feature.name]))
            if "Point" not in part.geom_type
        ]

    def drawn_lines(self) -> list[BaseGeometry]:
        """Return lines and outlines of areas, in plan: their ground is asked for along them."""
        return [
            shapely.force_2d(_edges(self.shapes[f.name]))
            for f in self.drawing.features
            if f.kind != "point"
        ]

    def building_areas(self) -> list[BaseGeometry]:
        """Return the buildings, in plan."""
        return [shapely.force_2d(shape) for shape in self.areas(lambda code: code.building)]

    def walls(self, grid: Grid) -> Bytes | None:
        """Return the steps that barriers and buildings block, None where there are none.

        A barrier of known height blocks none: it stands in `relief`, and deeper water goes over it.
        """
        endless = self.of(lambda code: code.barrier and code.height_m is None)
        barred = [self.shapes[f.name] for f in endless]
        barred += self.areas(lambda code: code.building)
        return walls_along([_edges(shape) for shape in barred], grid) if barred else None

    def relief(self, grid: Grid) -> Floats | None:
        """Return what kerbs and gutters add to the ground, metres; None where there are none.

        Notes
        -----
        A kerb of known height stands as a ridge of that height on the cells that its line touches,
        so that a pond behind it spills where ground and kerb together are lowest. A gutter lowers
        its cells, so that water runs along it. A height of 0 leaves the ground as it was walked: of
        a kerb whose two edges are breaklines that is the measured height.
        """
        found = np.zeros(grid.shape)
        for feature in self.of(lambda code: code.barrier and bool(code.height_m)):
            height = self.codes[feature.code].height_m or 0.0
            cells = cells_in([_band(self.shapes[feature.name], grid)], grid, touched=True)
            found[cells] = np.maximum(found[cells], height)
        for feature in self.of(lambda code: code.gutter):
            depth = self.codes[feature.code].height_m or GUTTER_M
            cells = cells_in([_band(self.shapes[feature.name], grid)], grid, touched=True)
            # a gutter at the foot of a kerb keeps the kerb
            lowered = cells & (found <= 0)
            found[lowered] = np.minimum(found[lowered], -depth)
        return found if found.any() else None

    def inlets(self, grid: Grid) -> tuple[Index, tuple[str, ...]]:
        """Return the number of the inlet in each cell, 0 elsewhere, and the inlets' names."""
        numbers = np.zeros(grid.shape, np.int32)
        names = []
        for feature in self.of(lambda code: code.inlet):
            shape = self.shapes[feature.name]
            names.append(feature.name)
            if "Point" in shape.geom_type:
                row, col = cells_of_points(shapely.get_coordinates(shape), grid)
                met = row >= 0
                numbers[row[met], col[met]] = len(names)
            else:  # a channel takes water along all of its length
                numbers[cells_in([shape], grid, touched=True)] = len(names)
        return numbers, tuple(names)

    def numbered_areas(self, grid: Grid) -> tuple[Index, tuple[str, ...]]:
        """Return the number of the innermost area in each cell, and the areas' names."""
        numbers = np.zeros(grid.shape, np.int32)
        areas = [f for f in self.drawing.features if f.kind == "area"]
        order = sorted(range(len(areas)), key=lambda k: -self.shapes[areas[k].name].area)
        for k in order:
            numbers[cells_in([self.shapes[areas[k].name]], grid)] = k + 1
        return numbers, tuple(f.name for f in areas)


def ground_features(notes: Notes, drawing: Drawing) -> GroundFeatures:
    """Join the drawn features to the properties of their codes.

    Examples
    --------
    A yard of 4 by 3 m whose code is paved:

    >>> from geosite.fieldbook.book import book_from_text
    >>> from geosite.linework.draw import draw
    >>> from geosite.network.independent_marks import independent_marks
    >>> book = book_from_text('''run,point,x,y,z,feature,code
    ... R1,A1,0,0,0,yard,asphalt
    ... R1,A2,4,0,0,yard,asphalt
    ... R1,A3,4,3,0,yard,asphalt
    ... R1,A4,0,3,0,yard,asphalt''')
    >>> notes = Notes.of(book)
    >>> found = ground_features(notes, draw(notes, independent_marks(book.local)))
    >>> found.shapes["yard"].area, found.buildings(Grid(0.0, 3.0, 1.0, 3, 4)).any().item()
    (12.0, False)
    """
    return GroundFeatures(drawing, notes.site.codes, {f.name: f.geometry for f in drawing.features})


def _edges(shape: BaseGeometry) -> BaseGeometry:
    return shape.boundary if "Polygon" in shape.geom_type else shape


def _band(shape: BaseGeometry, grid: Grid) -> BaseGeometry:
    """Return a line with a little width: the cells that it touches are then connected by sides."""
    return shapely.buffer(_edges(shape), 0.05 * grid.cell_size)


def rows_on_ground(notes: Notes, drawing: Drawing) -> Ints:
    """Return the observations that are on the ground.

    Parameters
    ----------
    notes, drawing

    Returns
    -------
    array of int
        Without features that ``[surface] exclude`` names and those whose code is not on the ground.

    Examples
    --------
    >>> from geosite.fieldbook.book import book_from_text
    >>> from geosite.linework.draw import draw
    >>> from geosite.network.independent_marks import independent_marks
    >>> book = book_from_text('''run,point,x,y,z
    ... R1,A1,0,0,0
    ... R1,A2,4,0,0''')
    >>> rows_on_ground(Notes.of(book), draw(Notes.of(book), independent_marks(book.local))).tolist()
    [0, 1]
    """
    site, book = notes.site, notes.book
    off = set(site.surface.exclude)
    above = {
        f.name
        for f in drawing.features
        if f.name in off or (f.code in site.codes and not site.codes[f.code].ground)
    }
    lifted = np.array([name in above for name in book.features] + [False])
    on_ground: Ints = np.flatnonzero(~lifted[book.feature])
    return on_ground


def spans_area(places: Floats) -> bool:
    """Tell whether places, shape (n, 2) or more columns, are not all on one line.

    Examples
    --------
    >>> spans_area(np.array([[0.0, 0.0], [1.0, 1.0], [3.0, 3.0]]))
    False
    >>> spans_area(np.array([[0.0, 0.0], [1.0, 1.0], [3.0, 2.0]]))
    True
    """
    apart = outermost(places[:, :2]) - places[:1, :2]
    reach = float(np.abs(apart).max(initial=0.0))
    hull = shapely.convex_hull(shapely.multipoints(apart))
    # thinner than a millionth of its length is a line that rounding has bent
    return bool(shapely.area(hull) > 1e-6 * reach**2)
