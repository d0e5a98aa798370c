"""A walked line as a linear function of its marks: chainage, places on it, lengths between them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from geosite.base.arrays import Floats, Ints
from geosite.base.errors import InputError, Problem
from geosite.base.estimate import Estimate
from geosite.fieldbook.model import Notes
from geosite.linework.model import Drawing, Piece
from geosite.network.covariance import accuracies
from geosite.network.model import LinearForm, Network

__all__ = [
    "Polyline",
    "label_at",
    "length_between",
    "length_form",
    "place_on",
    "polyline",
    "refuse_dense",
]

MOST_STATIONS = 20_000

#: Two places nearer than this are one, metres.
_SAME_PLACE_M = 1e-6


@dataclass(frozen=True, eq=False)
class Polyline:
    """A walked line as a linear function of its marks.

    Parameters
    ----------
    name
        Name of the line.
    rows : array, shape (m,)
        Observations along it.
    names : length m
        Mark names, empty for unnamed ones.
    chainage : array, shape (m,), ground metres
        Distance along the line; along the arc where two marks are joined by one.
    """

    name: str
    rows: Ints
    names: tuple[str, ...]
    chainage: Floats


def polyline(
    name: str,
    notes: Notes,
    network: Network,
    drawing: Drawing,
    *,
    feature: str | None,
    marks: Sequence[str],
) -> Polyline:
    """Return a line along a feature or through named marks.

    Parameters
    ----------
    name
        What the line is called in messages and answers.
    notes, network, drawing
        The survey, adjusted and drawn.
    feature, marks
        What it runs along: a feature, or marks in order; one of the two.

    Raises
    ------
    InputError
        Neither or both are given, a name does not exist, or the line has no length.

    Examples
    --------
    >>> from geosite.fieldbook.book import book_from_text
    >>> from geosite.network.independent_marks import independent_marks
    >>> book = book_from_text('''run,point,x,y,z
    ... R1,A,0,0,0
    ... R1,B,3,4,1
    ... R1,C,3,10,1''')
    >>> network = independent_marks(book.local)
    >>> drawn, marks = Drawing(()), ["A", "B", "C"]
    >>> line = polyline("way", Notes.of(book), network, drawn, feature=None, marks=marks)
    >>> line.chainage.tolist()
    [0.0, 5.0, 11.0]
    """

    def refuse(code: str, what: str, expected: str, remedy: str) -> InputError:
        return InputError(Problem(code, f"line {name}: {what}", expected, remedy, notes.site_file))

    book = notes.book
    if (feature is None) == (not marks):
        raise refuse(
            "line-of-what",
            "it has both a feature and marks" if marks else "it has neither a feature nor marks",
            "either feature = or marks =",
            "give one of them",
        )
    factor = network.frame.combined_factor
    pieces: tuple[Piece, ...] = ()
    if feature is not None:
        drawn = next((f for f in drawing.features if f.name == feature), None)
        if drawn is None:
            raise refuse(
                "line-no-feature",
                f"feature {feature} is not in the field book",
                f"one of {', '.join(f.name for f in drawing.features) or 'none'}",
                "correct the name",
            )
        rows, pieces = drawn.rows, drawn.pieces
    else:
        first = {book.marks[m]: i for i, m in reversed(list(enumerate(book.mark))) if m >= 0}
        missing = [m for m in marks if m not in first]
        if missing:
            raise refuse(
                "line-no-mark",
                f"mark {', '.join(missing)} is not in the field book",
                "names of marks in the field book",
                "correct the name",
            )
        rows = np.array([first[m] for m in marks])
    lengths = np.hypot(*np.diff(network.en[rows], axis=0).T) / factor
    lengths = _along_arcs(lengths, rows, pieces, factor)
    rows = rows[np.concatenate([[True], lengths > _SAME_PLACE_M])]
    if len(rows) < 2:
        raise refuse(
            "line-too-short",
            "it has fewer than two places",
            "two marks or more",
            "name more marks",
        )
    chainage = np.concatenate([[0.0], np.cumsum(lengths[lengths > _SAME_PLACE_M])])
    names = tuple(book.marks[book.mark[r]] if book.mark[r] >= 0 else "" for r in rows)
    return Polyline(name, rows, names, chainage)


def _along_arcs(lengths: Floats, rows: Ints, pieces: Sequence[Piece], factor: float) -> Floats:
    """Replace the chords of arcs by the way along them; chord = 2 r sin(sweep / 2)."""
    longer = lengths.copy()
    for piece in pieces:
        if piece.kind != "arc" or piece.radius is None:
            continue
        on_arc = np.isin(rows, piece.rows)
        k = np.flatnonzero(on_arc[:-1] & on_arc[1:])
        half = np.minimum(lengths[k] * factor / (2 * piece.radius), 1.0)
        longer[k] = 2 * piece.radius * np.arcsin(half) / factor
    return longer


def refuse_dense(name: str, key: str, length: float, interval: float) -> None:
    r"""Refuse an interval that would make more stations than anybody reads.

    Raises
    ------
    InputError
        With the number it would make and the interval that would do.

    Examples
    --------
    >>> refuse_dense("way", "station", 100.0, 5.0)
    >>> refuse_dense("way", "station", 100.0, 0.001)  # doctest: +ELLIPSIS
    Traceback (most recent call last):
    ...
    geosite.base.errors.InputError: way: station = 0.001 m makes 100000 stations on 100.0 m; ...
    """
    if length / interval > MOST_STATIONS:
        raise InputError(
            Problem(
                "interval-too-small",
                f"{name}: {key} = {interval:g} m makes {length / interval:.0f} stations "
                f"on {length:.1f} m",
                f"at most {MOST_STATIONS}",
                # two figures take off 5 % at most
                f"use {length / MOST_STATIONS * 1.06:.2g} m or more",
            )
        )


def place_on(line: Polyline, network: Network, at: float) -> tuple[Floats, LinearForm]:
    """Return easting, northing, elevation at a chainage, and the form of the elevation.

    Parameters
    ----------
    line, network
        The line and the adjusted survey.
    at
        Chainage, ground metres.

    Returns
    -------
    place : array, shape (3,)
        Local grid metres and metres.
    form : LinearForm
        Of the elevation.

    Examples
    --------
    A fifth of the way from a mark at 2 m to one at 3 m; its elevation depends on both:

    >>> from geosite.network.independent_marks import independent_marks
    >>> network = independent_marks([(0, 0, 2), (3, 4, 3)])
    >>> line = Polyline("way", np.arange(2), ("A", "B"), np.array([0.0, 5.0]))
    >>> place, form = place_on(line, network, 1.0)
    >>> place.round(9).tolist(), form.up.round(9).tolist()
    ([0.6, 0.8, 2.2], [0.8, 0.2])
    """
    k = int(np.clip(np.searchsorted(line.chainage, at, side="right") - 1, 0, len(line.rows) - 2))
    span = line.chainage[k + 1] - line.chainage[k]
    t = float(np.clip((at - line.chainage[k]) / span, 0.0, 1.0))
    a, b = line.rows[k], line.rows[k + 1]
    place = np.append(
        (1 - t) * network.en[a] + t * network.en[b],
        (1 - t) * network.elevation[a] + t * network.elevation[b],
    )
    zero = np.zeros(2)
    return place, LinearForm(np.array([a, b]), zero, zero, np.array([1 - t, t]))


def length_form(line: Polyline, network: Network, start: float, end: float) -> LinearForm:
    """Return the form of the ground length between two chainages.

    Parameters
    ----------
    line, network
        The line and the adjusted survey.
    start, end
        Chainages, ground metres.

    Examples
    --------
    A length grows by as much as its end moves along it:

    >>> from geosite.network.independent_marks import independent_marks
    >>> line = Polyline("way", np.arange(2), ("A", "B"), np.array([0.0, 5.0]))
    >>> form = length_form(line, independent_marks([(0, 0, 2), (3, 4, 3)]), 0.0, 5.0)
    >>> form.east.tolist(), form.north.tolist()
    ([-0.6, 0.6], [-0.8, 0.8])
    """
    low = np.maximum(line.chainage[:-1], start)
    high = np.minimum(line.chainage[1:], end)
    share = np.maximum(high - low, 0.0) / np.diff(line.chainage)
    met = np.flatnonzero(share > 0)
    legs = np.diff(network.en[line.rows], axis=0)[met]
    unit = legs / np.hypot(*legs.T)[:, None] * share[met, None] / network.frame.combined_factor
    rows = np.concatenate([line.rows[met], line.rows[met + 1]])
    change = np.concatenate([-unit, unit])
    return LinearForm(rows, change[:, 0], change[:, 1], np.zeros(len(rows)))


def length_between(line: Polyline, network: Network, start: float, end: float) -> Estimate:
    """Return the ground length between two chainages with its interval, metres.

    Parameters
    ----------
    line, network
        The line and the adjusted survey.
    start, end
        Chainages, ground metres.

    Examples
    --------
    Between marks that are good to 1 cm each a length is good to sqrt(2) cm:

    >>> from geosite.network.independent_marks import independent_marks
    >>> network = independent_marks([(0, 0, 2), (3, 4, 3)], sigma_m=0.01)
    >>> line = Polyline("way", np.arange(2), ("A", "B"), np.array([0.0, 5.0]))
    >>> found = length_between(line, network, 0.0, 5.0)
    >>> found.value, round(found.sigma, 4)
    (5.0, 0.0141)
    """
    (spread,), (half,) = accuracies(network, [length_form(line, network, start, end)])
    length = end - start
    return Estimate(length, float(length - half), float(length + half), float(spread))


def label_at(line: Polyline, at: float) -> str:
    """Return the name of the mark at a chainage, else the chainage itself.

    Examples
    --------
    >>> line = Polyline("way", np.arange(2), ("A", "B"), np.array([0.0, 5.0]))
    >>> label_at(line, 5.0), label_at(line, 2.5)
    ('B', '2.50 m')
    """
    k = int(np.argmin(np.abs(line.chainage - at)))
    if abs(line.chainage[k] - at) < _SAME_PLACE_M and line.names[k]:
        return line.names[k]
    return f"{at:.2f} m"
