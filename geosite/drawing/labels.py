"""Labels that do not collide: greedy, in order of importance, the same result every time.

The map window is a board of half-millimetre cells. A cell is taken by a label or a symbol, or
crossed by linework. A label has candidate places; the one that touches nothing taken and crosses
least is its place. The cost grows with the number of labels, not with its square.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from geosite.base.arrays import Floats
from geosite.drawing.font import Weight, typeface
from geosite.drawing.ink import TEXT
from geosite.drawing.sheet import Arc, Outline, Rectangle, Text

__all__ = ["Board", "Leader", "Line", "along", "around", "away", "upright"]

_CELL = 0.5
#: Share of the line height that letters with and without descenders really need.
_LEADING = 1.18
#: What a leader costs, in crossed cells: one at all, each mm of it, and each cell that it crosses.
_LED, _LED_MM, _LED_CROSSED = 8.0, 0.8, 0.35
#: Places looked at along a leader.
_STEPS = 40
#: Places looked at along an edge of a symbol, as shares of it.
_ALONG = np.linspace(0.0, 1.0, 9)[:, None, None]


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a label."""

    text: str
    size: float
    weight: Weight = "regular"
    colour: str = TEXT

    @property
    def width(self) -> float:
        """Width, mm."""
        return typeface(self.weight).width(self.text) * self.size


@dataclass(frozen=True, slots=True)
class Leader:
    """Where a line runs from to a label that stands away from what it names.

    Parameters
    ----------
    x, y
        What is named, mm.
    clear
        Radius of its sign: the line starts at its edge.
    first
        The first candidate that needs a leader; those before it stand beside what they name.
    """

    x: float
    y: float
    clear: float
    first: int


class Board:
    """What is taken on the map window."""

    def __init__(self, window: Rectangle) -> None:
        self._window = window
        shape = (math.ceil(window.height / _CELL), math.ceil(window.width / _CELL))
        self._taken = np.zeros(shape, np.bool_)
        self._crossed = np.zeros(shape, np.uint8)

    def cross(self, lines: Iterable[Floats], weight: int = 1) -> None:
        """Note linework, each of shape (n, 2), sheet mm: labels avoid it where they can."""
        self._cross([list(lines)], weight)

    def _cross(self, groups: Sequence[list[Floats]], weight: int) -> None:
        """Note linework group by group: each counts once in a cell, however often it passes."""
        told = [(line, k) for k, group in enumerate(groups) for line in group if len(line) > 1]
        if not told:
            return
        drawable, group = [line for line, _ in told], np.array([k for _, k in told])
        start = np.concatenate([line[:-1] for line in drawable])
        step = np.concatenate([line[1:] for line in drawable]) - start
        # long edges that run off the sheet are sampled no finer than the board needs
        pieces = np.hypot(step[:, 0], step[:, 1]) / (_CELL * 0.9)
        count = np.minimum(np.nan_to_num(pieces).astype(np.int64) + 1, 20_000)
        edge = np.repeat(np.arange(len(count)), count)
        share = (np.arange(len(edge)) - np.repeat(np.cumsum(count) - count, count)) / count[edge]
        places = start[edge] + step[edge] * share[:, None]
        row, col, inside = self._cells(places[:, 0], places[:, 1])
        of = np.repeat(group, [len(line) - 1 for line in drawable])[edge[inside]]
        board = self._crossed.reshape(-1)
        flat = np.unique(of * board.size + row[inside] * self._crossed.shape[1] + col[inside])
        flat, times = np.unique(flat % board.size, return_counts=True)
        board[flat] = np.minimum(board[flat].astype(np.int64) + weight * times, 255)

    def fill(self, outlines: Iterable[Outline]) -> None:
        """Note straight outlines, for example a hatch."""
        self.fill_each([outlines])

    def fill_each(self, groups: Iterable[Iterable[Outline]]) -> None:
        """Note straight outlines of many things, for example of ponds."""
        pieces = [
            [p for outline in outlines for p in outline.pieces if not isinstance(p, Arc)]
            for outlines in groups
        ]
        self._cross(pieces, 1)

    def claim(self, outline: Floats) -> bool:
        """Take the room of a small symbol, corners of shape (n, 2), unless some of it is taken."""
        low, high = outline.min(axis=0), outline.max(axis=0)
        across = np.arange(low[0], high[0] + _CELL, _CELL / 2)
        down = np.arange(low[1], high[1] + _CELL, _CELL / 2)[:, None]
        start, step = outline, np.concatenate([outline[1:], outline[:1]]) - outline
        # even-odd rule for the cells inside, and the corners for those that it is too thin to hold
        crossing = (start[:, 1] > down) != (start[:, 1] + step[:, 1] > down)
        with np.errstate(divide="ignore", invalid="ignore"):
            at = start[:, 0] + step[:, 0] * (down - start[:, 1]) / step[:, 1]
        left = crossing[:, None] & (across[:, None] < at[:, None])  # lines, places along, edges
        line, place = np.nonzero(np.logical_xor.reduce(left, axis=2))
        edge = (start + step * _ALONG).reshape(-1, 2)
        x = np.concatenate([across[place], edge[:, 0]])
        row, col, inside = self._cells(x, np.concatenate([down[line, 0], edge[:, 1]]))
        row, col = row[inside], col[inside]
        if self._taken[row, col].any():
            return False
        self._taken[row, col] = True
        return True

    def take(self, x: float, y: float, radius: float) -> None:
        """Note a symbol: no label covers it."""
        box = np.array([[x, y, 0.0]])
        self._mark(_box(2 * radius, 2 * radius), box[0])

    def place(
        self,
        lines: Sequence[Line],
        candidates: Floats,
        *,
        rank_cost: float = 0.6,
        within: bool = True,
        halo: bool = True,
    ) -> list[Text]:
        """Find room for a label.

        Parameters
        ----------
        lines
            From top to bottom.
        candidates : array, shape (k, 3), columns x, y (mm), angle (degrees)
            Middles of the label, the favourite first.
        rank_cost
            Cost of each step down the list, in crossed cells.
        within
            The whole label stays inside the window.
        halo
            The text gets a rim of paper.

        Returns
        -------
        list of Text
            Empty if every candidate touches something taken.
        """
        return self.place_led(lines, candidates, rank_cost=rank_cost, within=within, halo=halo)[0]

    def place_led(
        self,
        lines: Sequence[Line],
        candidates: Floats,
        leader: Leader | None = None,
        *,
        rank_cost: float = 0.6,
        most: float = math.inf,
        within: bool = True,
        halo: bool = True,
    ) -> tuple[list[Text], Floats | None]:
        """Find room for a label beside what it names or, at the end of a leader, away from it.

        Parameters
        ----------
        lines, candidates, rank_cost, within, halo
            As in `place`.
        leader
            Where it starts; without one no candidate needs any.
        most
            Crossed cells at which a candidate is no place for the label.

        Returns
        -------
        texts : list of Text
            Empty if there is no room.
        line : array, shape (2, 2), or None
            The leader, sheet mm, where there is one.
        """
        lines = [line for line in lines if line.text]
        if not lines or not len(candidates):
            return [], None
        width = max(line.width for line in lines)
        height = sum(line.size for line in lines) * _LEADING
        box = _box(width + 0.6, height + 0.2)
        cells, inside = self._under(box, candidates)
        blocked = (self._taken.reshape(-1)[cells] & inside).any(axis=1)
        if within:
            blocked |= ~inside.all(axis=1)
        cost = np.zeros(len(candidates))
        free = np.flatnonzero(~blocked)
        crossed = np.where(inside[free], self._crossed.reshape(-1)[cells[free]], 0)
        cost[free] = crossed.sum(axis=1, dtype=np.float64)
        blocked |= cost > most
        first = len(candidates) if leader is None else leader.first
        cost[:first] += rank_cost * np.arange(min(first, len(candidates)))
        led = None
        if leader is not None and first < len(candidates):
            half = np.array([width + 0.6, height + 0.2]) / 2
            led = _leaders(leader, candidates[first:, :2], half)
            free = np.flatnonzero(~blocked[first:])
            more, shut = self._led(led[free], leader)
            cost[first + free] += more
            blocked[first + free] |= shut
        cost[blocked] = np.inf
        best = int(cost.argmin())
        if not math.isfinite(cost[best]):
            return [], None
        self._mark(box, candidates[best])
        line = None if led is None or best < first else led[best - first]
        if line is not None:
            self._keep(line)
        return _texts(lines, height, candidates[best], halo), line

    def _led(self, lines: Floats, leader: Leader) -> tuple[Floats, npt.NDArray[np.bool_]]:
        """Return what leaders cost, and which of them run through something taken."""
        share = np.linspace(0.0, 1.0, _STEPS)[:, None]
        places = lines[:, None, 0] + (lines[:, 1] - lines[:, 0])[:, None] * share
        row, col, inside = self._cells(places[..., 0], places[..., 1])
        # the sign itself is taken, and the last of the line is the label's own rim
        away = np.hypot(places[..., 0] - leader.x, places[..., 1] - leader.y)
        inside &= away > leader.clear + 1.5 * _CELL
        row, col = np.where(inside, row, 0), np.where(inside, col, 0)
        shut = (self._taken[row, col] & inside).any(axis=1)
        length = np.hypot(*(lines[:, 1] - lines[:, 0]).T)
        # a line that is crossed once is met by more samples where they lie closer
        cells = length / _CELL / _STEPS
        met = np.where(inside, self._crossed[row, col], 0).sum(axis=1) * cells
        cost: Floats = _LED + _LED_MM * length + _LED_CROSSED * met
        return cost, np.asarray(shut)

    def _keep(self, line: Floats) -> None:
        """Take the room of a leader."""
        places = line[0] + (line[1] - line[0]) * np.linspace(0.0, 1.0, 4 * _STEPS)[:, None]
        row, col, inside = self._cells(places[:, 0], places[:, 1])
        self._taken[row[inside], col[inside]] = True

    def _cells(
        self, x: Floats, y: Floats
    ) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64], npt.NDArray[np.bool_]]:
        col = np.floor((x - self._window.x) / _CELL).astype(np.int64)
        row = np.floor((y - self._window.y) / _CELL).astype(np.int64)
        rows, cols = self._taken.shape
        return row, col, (row >= 0) & (row < rows) & (col >= 0) & (col < cols)

    def _under(
        self, box: Floats, positions: Floats
    ) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.bool_]]:
        """Return the numbers of the cells under a box at each position, 0 outside, and which are.

        Shape (positions, points of the box).
        """
        if positions[:, 2].any():
            angle = np.radians(positions[:, 2])
            cos, sin = np.cos(angle)[:, None], np.sin(angle)[:, None]
            x = positions[:, :1] + box[:, 0] * cos + box[:, 1] * sin
            y = positions[:, 1:2] - box[:, 0] * sin + box[:, 1] * cos
            row, col, inside = self._cells(x, y)
        else:  # upright: one row for each line of the box, one column for each place along it
            across = np.searchsorted(box[:, 1], box[0, 1], side="right")
            x, y = positions[:, :1] + box[:across, 0], positions[:, 1:2] + box[::across, 1]
            row, _, rows_in = self._cells(np.full_like(y, self._window.x), y)
            _, col, cols_in = self._cells(x, np.full_like(x, self._window.y))
            row, col = row[:, :, None], col[:, None, :]
            inside = (rows_in[:, :, None] & cols_in[:, None, :]).reshape(len(positions), -1)
        cells = (row * self._taken.shape[1] + col).reshape(len(positions), -1)
        if not inside.all():
            cells = np.where(inside, cells, 0)
        return cells, inside

    def _mark(self, box: Floats, position: Floats) -> None:
        angle = math.radians(position[2])
        x = position[0] + box[:, 0] * math.cos(angle) + box[:, 1] * math.sin(angle)
        y = position[1] - box[:, 0] * math.sin(angle) + box[:, 1] * math.cos(angle)
        row, col, inside = self._cells(x, y)
        self._taken[row[inside], col[inside]] = True


def around(x: float, y: float, width: float, height: float, gap: float) -> Floats:
    """Return candidates beside a symbol: right, left, above, below and the corners.

    Examples
    --------
    >>> len(around(0.0, 0.0, 10.0, 2.0, 1.0))
    8
    """
    right, up = width / 2 + gap, height / 2 + gap
    far, near = gap * 0.7 + width / 2, gap * 0.9 + height / 2
    offsets = [
        (right, 0), (far, -near), (far, near), (-right, 0), (-far, -near), (-far, near),
        (0, -up), (0, up),
    ]  # fmt: skip
    return np.array([(x + dx, y + dy, 0.0) for dx, dy in offsets])


def away(
    x: float, y: float, width: float, height: float, gaps: Sequence[float], directions: int = 16
) -> Floats:
    """Return candidates away from a sign, for a label at the end of a leader.

    Parameters
    ----------
    x, y
        Middle of the sign, mm.
    width, height
        Of the label.
    gaps
        Lengths of the leader.
    directions
        In so many directions each.

    Examples
    --------
    >>> (away(0.0, 0.0, 10.0, 2.0, (5.0,), directions=2).round(9) + 0.0).tolist()
    [[10.0, 0.0, 0.0], [-10.0, 0.0, 0.0]]
    """
    angle = np.arange(directions) * (2 * math.pi / directions)
    found = []
    for gap in gaps:
        across = x + np.cos(angle) * (gap + width / 2)
        down = y - np.sin(angle) * (gap + height / 2)
        found.append(np.column_stack([across, down, np.zeros(directions)]))
    return np.concatenate(found)


def along(line: Floats, offsets: Sequence[float], shares: Sequence[float]) -> Floats:
    """Return candidates for the middle of a label along a line.

    Parameters
    ----------
    line : array, shape (n, 2), mm
    offsets
        Distances beside the line, mm; negative to the left as one goes along it.
    shares
        Places along the line, as shares of its length, 0 to 1.

    Returns
    -------
    array, shape (k, 3)
        x, y, and the angle of the text, degrees counter-clockwise, never upside down.

    Examples
    --------
    In the middle of a line of 10 mm to the right, 1 mm above it (y runs down):

    >>> along(np.array([[0.0, 0.0], [10.0, 0.0]]), [-1.0], [0.5]).tolist()
    [[5.0, -1.0, 0.0]]
    """
    steps = np.diff(line, axis=0)
    lengths = np.hypot(steps[:, 0], steps[:, 1])
    ends = np.concatenate([[0.0], np.cumsum(lengths)])
    found = []
    for share in shares:
        at = share * ends[-1]
        k = int(np.clip(np.searchsorted(ends, at, side="right") - 1, 0, len(steps) - 1))
        if not lengths[k] > 0:
            continue
        way = steps[k] / lengths[k]
        middle = line[k] + way * (at - ends[k])
        angle = upright(math.degrees(math.atan2(-way[1], way[0])))
        found += [(middle[0] - way[1] * o, middle[1] + way[0] * o, angle) for o in offsets]
    return np.array(found).reshape(-1, 3)


def upright(angle: float) -> float:
    """Turn a text angle, degrees, by half a turn where it would stand on its head.

    Examples
    --------
    >>> upright(170.0), upright(30.0)
    (-10.0, 30.0)
    """
    turned = (angle + 180.0) % 360.0 - 180.0
    if turned > 90.0 + 1e-6:
        return turned - 180.0
    return turned + 180.0 if turned <= -90.0 + 1e-6 else turned


def _box(width: float, height: float) -> Floats:
    """Return points that cover a box around the origin, a cell apart; rounded to whole cells."""
    return _lattice(max(round(width / _CELL), 1), max(round(height / _CELL), 1))


@lru_cache(maxsize=512)
def _lattice(across: int, down: int) -> Floats:
    x = (np.arange(across + 1) - across / 2) * _CELL
    y = (np.arange(down + 1) - down / 2) * _CELL
    return np.column_stack([np.tile(x, down + 1), np.repeat(y, across + 1)])


def _leaders(leader: Leader, middles: Floats, half: Floats) -> Floats:
    """Return the lines from a sign to the nearest edge of each label, shape (k, 2, 2)."""
    start = np.array([leader.x, leader.y])
    end = np.clip(start, middles - half, middles + half)
    way = end - start
    length = np.maximum(np.hypot(way[:, 0], way[:, 1]), 1e-9)[:, None]
    begin = start + way / length * np.minimum(leader.clear, length)
    return np.stack([begin, end], axis=1)


def _texts(lines: Sequence[Line], height: float, position: Floats, halo: bool) -> list[Text]:
    angle = math.radians(position[2])
    found, top = [], -height / 2
    for line in lines:
        # the middle of capital letters is 0.36 em above the baseline
        base = top + line.size * (_LEADING / 2 + 0.36)
        top += line.size * _LEADING
        found.append(
            Text(
                float(position[0] + base * math.sin(angle)),
                float(position[1] + base * math.cos(angle)),
                line.text,
                line.size,
                line.weight,
                line.colour,
                "middle",
                float(position[2]),
                halo,
            )
        )
    return found
