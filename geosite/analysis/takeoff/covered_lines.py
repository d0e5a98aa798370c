"""What of a walked line lies under designs: its length with the errors of line and outline."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from geosite.analysis.takeoff.outlines import Outline, moved_with
from geosite.base.arrays import Floats
from geosite.linework.measures import sum_of_forms
from geosite.linework.model import Feature, Measure
from geosite.network.covariance import accuracies
from geosite.network.model import LinearForm, Network

__all__ = ["covered_length"]

_BESIDE_M = 0.05
"""A stretch no farther inside an outline than this runs along it and is not covered."""
_LEAST_M = 0.05
"""Less of a line is where it meets an outline."""
_ALL = 1e-6
"""A line is covered as a whole where no larger share of it is left."""
_END_M = 1e-6


def covered_length(
    line: Feature, cover: BaseGeometry, outlines: Sequence[Outline], network: Network
) -> Measure | None:
    """Return how much of a line lies under an area; None for nothing.

    Where the line passes under the outline its end moves along it with both: with the line's
    marks, and with those of the outline by the way it is crossed. On an arc or a stream what lies
    between two observations moves as their straight leg does.

    Parameters
    ----------
    line
        Of the survey; its gaps are nothing that could be covered.
    cover
        Local grid metres.
    outlines
        Of the cover that lie on marks; any other stays where it is.
    network
        For the covariance.

    Examples
    --------
    A kerb of 10 m, 6 m of it under a pad that numbers give; marks good to 2 cm:

    >>> from geosite.fieldbook.book import book_from_text
    >>> from geosite.fieldbook.model import Notes
    >>> from geosite.linework.draw import draw
    >>> from geosite.network.independent_marks import independent_marks
    >>> rows = ["run,point,x,y,z,feature,code", "R1,A,0,0,0,kerb,kerb", "R1,B,10,0,0,kerb,kerb"]
    >>> from geosite.fieldbook.sitefile import Code
    >>> notes = Notes.of(book_from_text(chr(10).join(rows)), codes={"kerb": Code(geometry="line")})
    >>> network = independent_marks(notes.book.local, sigma_m=0.02)
    >>> (kerb,) = draw(notes, network).features
    >>> under = covered_length(kerb, shapely.box(4, -1, 12, 1), (), network)
    >>> under.value, round(under.sigma, 6)
    (6.0, 0.02)
    """
    factor = network.frame.combined_factor
    inner = shapely.buffer(cover, -_BESIDE_M, join_style="mitre")
    edges = _segments(cover)
    grid, forms = 0.0, list[LinearForm]()
    for chunk in _chunks(line):
        whole = shapely.LineString(chunk.places)
        for part in shapely.get_parts(shapely.intersection(whole, cover)):
            if part.geom_type != "LineString" or not shapely.intersects(part, inner):
                continue
            grid += float(part.length)
            forms += _moved(shapely.get_coordinates(part), chunk, edges, outlines, network)
    length = line.length
    if length is None or grid < _LEAST_M:
        return None
    if grid >= (1 - _ALL) * length.grid:
        return length
    form = sum_of_forms(forms) * (1 / factor)
    (sigma,), (half,) = accuracies(network, [form])
    return Measure(grid / factor, grid, form, float(sigma), float(half))


@dataclass(frozen=True, eq=False)
class _Chunk:
    """A straight leg between two marks, or a whole arc or stream: places, and what moves them."""

    places: Floats
    moves: Outline


def _chunks(line: Feature) -> Iterator[_Chunk]:
    for piece in line.pieces:
        if piece.kind == "gap":
            continue
        places = piece.vertices[:, :2]
        if piece.kind == "line" and len(places) == len(piece.rows):
            for k in range(len(places) - 1):
                leg = places[k : k + 2]
                yield _Chunk(leg, Outline.open(leg, piece.rows[k : k + 2]))
        else:
            path = shapely.LineString(places)
            yield _Chunk(places, Outline(path, piece.rows, closed=piece.kind == "circle"))


def _segments(cover: BaseGeometry) -> Floats:
    """Return the straight stretches of an outline, shape (n, 2, 2)."""
    rings = shapely.get_rings(shapely.get_parts(cover))
    ends = [shapely.get_coordinates(ring) for ring in rings]
    return np.concatenate([np.stack([e[:-1], e[1:]], axis=1) for e in ends])


def _moved(
    places: Floats, chunk: _Chunk, edges: Floats, outlines: Sequence[Outline], network: Network
) -> Iterator[LinearForm]:
    """Yield what the length of a covered stretch takes from the marks that move it."""
    step = np.diff(places, axis=0)
    along = step / np.hypot(*step.T)[:, None]
    for k in range(1, len(places) - 1):  # bends within an arc or a stream
        yield moved_with(chunk.moves, places[k], along[k - 1] - along[k], network)
    ends = chunk.places[[0, -1]]
    for place, out in ((places[0], -along[0]), (places[-1], along[-1])):
        if np.hypot(*(ends - place).T).min() < _END_M:
            yield moved_with(chunk.moves, place, out, network)
            continue
        across = _across(edges, place)
        facing = float(across @ out)
        # along the line it goes as far as the outline moves away from it, over the angle
        yield moved_with(chunk.moves, place, out - across / facing, network)
        on = next((o for o in outlines if o.holds(place)), None)
        if on is not None:
            yield moved_with(on, place, across / facing, network)


def _across(edges: Floats, place: Floats) -> Floats:
    """Return the unit vector square to the stretch of an outline that is nearest to a place."""
    lines = shapely.linestrings(edges)
    start, end = edges[int(np.argmin(shapely.distance(lines, shapely.Point(place))))]
    east, north = (end - start) / np.hypot(*(end - start))
    return np.array([-north, east])
