"""Sections as drawings: the ground along a line, how well it is known, and its grades."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from geosite.base.arrays import Floats
from geosite.drawing.font import printable, typeface
from geosite.drawing.ink import FAINT, TEXT, Stroke
from geosite.drawing.pdf import pdf
from geosite.drawing.sheet import Group, Outline, Rectangle, Shape, Sheet, Text, rectangle
from geosite.drawing.svg import svg
from geosite.fieldbook.sitefile import Handover
from geosite.handover.model import Package
from geosite.handover.palette import ALERT, EARTH, WATER
from geosite.handover.plan.layout import scale_name, usual_scales
from geosite.handover.plan.map import Measures
from geosite.review.sections import Profile

__all__ = ["Section", "draw_profile", "plot_profile", "write_sections"]

_WIDTH, _HEIGHT = 297.0, 210.0  # A4 landscape
_WINDOW = Rectangle(34.0, 34.0, 249.0, 104.0)
#: How many times higher than long; the largest that fits.
_EXAGGERATIONS = (50.0, 20.0, 10.0, 5.0, 2.0, 1.0)
_BODY = 2.4
#: 95 % of a normal distribution.
_TWO_SIDED = 1.96


@dataclass(frozen=True, eq=False)
class Section:
    """Elevation along a line.

    Parameters
    ----------
    name
        Name of the section.
    chainage : array, shape (m,), ground metres
        Rising from 0.
    elevation : array, shape (m,), metres
    sigma : array, shape (m,), metres
        Standard deviation of the elevation, NaN where it is not known.
    labels : length m
        Mark at each station, empty between marks.
    design : array, shape (m,), metres, or None
        Elevation of a design line.
    """

    name: str
    chainage: Floats
    elevation: Floats
    sigma: Floats
    labels: Sequence[str]
    design: Floats | None = None


def write_sections(folder: Path, package: Package, options: Handover) -> tuple[Path, ...]:
    """Write every section of the package as ``section_<number>.pdf`` and ``.svg``.

    Parameters
    ----------
    folder
        Existing folder.
    package
        Its sections are drawn; without one nothing is written.
    options
        ``[handover]``: unit.

    Returns
    -------
    tuple of Path
        The files written.
    """
    written = []
    long = (p for p in package.profiles if p.chainage[-1] > p.chainage[0])
    for number, profile in enumerate(long, start=1):
        sheet = draw_profile(_section(profile), Measures(options.unit), about=package.title)
        for ending, data in (("pdf", pdf(sheet)), ("svg", svg(sheet).encode("utf-8"))):
            path = folder / f"section_{number}.{ending}"
            path.write_bytes(data)
            written.append(path)
    return tuple(written)


def _section(profile: Profile) -> Section:
    return Section(
        profile.name,
        profile.chainage,
        profile.elevation,
        profile.sigma,
        profile.labels,
        profile.design,
    )


def plot_profile(
    chainage: npt.ArrayLike,
    elevation: npt.ArrayLike,
    sigma: npt.ArrayLike | None = None,
    *,
    labels: Sequence[str] = (),
    design: npt.ArrayLike | None = None,
    name: str = "",
) -> str:
    """Return the drawing of a section as an SVG document.

    Parameters
    ----------
    chainage : array, shape (m,), ground metres
        Rising.
    elevation : array, shape (m,), metres
    sigma : array, shape (m,), metres, optional
        Standard deviation of the elevation; drawn as a band that holds 95 %.
    labels : length m, optional
        Mark at each station, empty between marks. Grades are written from label to label.
    design : array, shape (m,), metres, optional
        Elevation of a design line.
    name
        Name of the section.
    """
    at = np.asarray(chainage, np.float64)
    section = Section(
        name,
        at,
        np.asarray(elevation, np.float64),
        np.full(at.shape, np.nan) if sigma is None else np.asarray(sigma, np.float64),
        list(labels) or [""] * len(at),
        None if design is None else np.asarray(design, np.float64),
    )
    return svg(draw_profile(section, Measures("m")))


def draw_profile(section: Section, measures: Measures, *, about: str = "") -> Sheet:
    """Return a section as a drawing on A4.

    The horizontal scale is the largest usual one at which the section fits; heights are enlarged
    by a round number. Elevations are in metres.
    """
    start, length = section.chainage[0], float(section.chainage[-1] - section.chainage[0])
    spread = np.where(np.isfinite(section.sigma), _TWO_SIDED * section.sigma, 0.0)
    low = float((section.elevation - spread).min())
    high = float((section.elevation + spread).max())
    if section.design is not None:
        low = min(low, float(np.nanmin(section.design)))
        high = max(high, float(np.nanmax(section.design)))
    scale = next(s for s in usual_scales(measures.unit) if length * 1000 / s <= _WINDOW.width - 12)
    room = (_WINDOW.height - 16) * scale / 1000
    rise = max(high - low, 1e-3)
    higher = next((e for e in _EXAGGERATIONS if rise * e <= room), room / rise)
    left = _WINDOW.x + (_WINDOW.width - length * 1000 / scale) / 2
    middle = _WINDOW.y + _WINDOW.height / 2

    def place(at: npt.ArrayLike, up: npt.ArrayLike) -> Floats:
        x = left + (np.asarray(at) - start) * 1000 / scale
        y = middle - (np.asarray(up) - (low + high) / 2) * 1000 * higher / scale
        return np.column_stack(np.broadcast_arrays(x, y))

    named = _named(section, place)
    return Sheet(
        width=_WIDTH,
        height=_HEIGHT,
        window=_WINDOW,
        scale=scale,
        unit=measures.unit,
        unit_m=measures.unit_m,
        title=printable(f"Section {section.name}", 200),
        description=f"Section at {scale_name(scale, measures.unit)}, heights {higher:g} times.",
        groups=(
            _axes(low, high, place, scale, higher),
            _ground(section, spread, place),
            _table(section, named, place, measures),
            _words(section, about, scale, higher, measures),
        ),
    )


def _named(section: Section, place: Any) -> list[int]:
    """Return the stations that get a column in the table: both ends, and marks with room."""
    last = len(section.chainage) - 1
    kept = [0]
    x = place(section.chainage, section.elevation)[:, 0]
    for i in range(1, last):
        if section.labels[i] and x[i] - x[kept[-1]] >= 8.0 and x[last] - x[i] >= 8.0:
            kept.append(i)
    return [*kept, last]


def _axes(low: float, high: float, place: Any, scale: float, higher: float) -> Group:
    """Return the frame with level lines and their elevations."""
    step = _round_up(12.0 * scale / 1000 / higher)
    digits = max(0, math.ceil(-math.log10(step) - 1e-9))
    reach = _WINDOW.height / 2 * scale / 1000 / higher
    middle = (low + high) / 2
    lines, texts = [], []
    for k in range(math.ceil((middle - reach) / step), math.floor((middle + reach) / step) + 1):
        y = float(place(0.0, k * step)[0, 1])
        if not _WINDOW.y + 1 < y < _WINDOW.bottom - 1:
            continue
        lines.append(Outline((np.array([(_WINDOW.x, y), (_WINDOW.right, y)]),)))
        texts.append(Text(_WINDOW.x - 1.5, y + 0.8, f"{k * step:.{digits}f}", _BODY, anchor="end"))
    return Group(
        "axes",
        "Elevations",
        (
            Shape(lines, Stroke(FAINT, 0.1)),
            rectangle(_WINDOW, stroke=Stroke(TEXT, 0.35)),
            *texts,
            Text(_WINDOW.x - 1.5, _WINDOW.y - 1.5, "m", _BODY, anchor="end"),
        ),
    )


def _ground(section: Section, spread: Floats, place: Any) -> Group:
    """Return the line of the ground with its band, and the design line."""
    upper = place(section.chainage, section.elevation + spread)
    lower = place(section.chainage, section.elevation - spread)
    items: list[Shape | Text] = []
    if spread.any():
        band = Outline((np.concatenate([upper, lower[::-1]]),), closed=True)
        items.append(Shape([band], None, WATER, 0.22))
    if section.design is not None:
        known = np.isfinite(section.design)
        line = place(section.chainage[known], section.design[known])
        items.append(Shape([Outline((line,))], Stroke(ALERT, 0.35, (4.0, 1.2))))
    line = place(section.chainage, section.elevation)
    items.append(Shape([Outline((line,))], Stroke(EARTH, 0.6)))
    return Group("ground", "Ground", tuple(items), in_map=True)


def _table(section: Section, named: list[int], place: Any, measures: Measures) -> Group:
    """Return the table below: mark, distance and elevation per station, grade from one to the next.

    A grade is written with an arrow that points the way water would run.
    """
    points = place(section.chainage, section.elevation)
    top, height = _WINDOW.bottom + 3.0, 8.0
    rows = ("Mark", f"Distance, {measures.unit}", "Elevation, m", "Grade, %")
    tall = (6.0, 13.0, 13.0, height)
    items: list[Shape | Text] = []
    lines, y = [], top
    for title, size in zip(rows, tall, strict=True):
        lines.append(Outline((np.array([(_WINDOW.x, y), (_WINDOW.right, y)]),)))
        items.append(Text(_WINDOW.x - 1.5, y + size / 2 + 0.8, title, _BODY, anchor="end"))
        y += size
    lines.append(Outline((np.array([(_WINDOW.x, y), (_WINDOW.right, y)]),)))
    items.append(Shape(lines, Stroke(TEXT, 0.15)))
    drops = []
    for i in named:
        x, ground = points[i].tolist()
        drops.append(Outline((np.array([(x, ground), (x, y)]),)))
        label = typeface("regular").fit(printable(section.labels[i], 30), 7.5 / _BODY)
        items.append(Text(x, top + 4.1, label, _BODY, "bold", anchor="middle", halo=True))
        values = (measures.number(section.chainage[i]), f"{section.elevation[i]:.2f}")
        for value, at in zip(values, (top + 6.0, top + 19.0), strict=True):
            items.append(Text(x + 2.6, at + 12.2, value, _BODY, angle=90.0, halo=True))
    items.insert(0, Shape(drops, Stroke(FAINT, 0.13)))
    foot = top + sum(tall[:3])
    for a, b in pairwise(named):
        run = section.chainage[b] - section.chainage[a]
        grade = 100 * (section.elevation[b] - section.elevation[a]) / run
        text = f"{'→' if grade < 0 else '←' if grade > 0 else ''} {abs(grade):.1f}".strip()
        room = points[b, 0] - points[a, 0]
        if typeface("regular").width(text) * _BODY < room - 1.0:
            middle = float(points[a, 0] + points[b, 0]) / 2
            items.append(Text(middle, foot + height / 2 + 0.8, text, _BODY, anchor="middle"))
    return Group("table", "Stations", tuple(items))


def _words(section: Section, about: str, scale: float, higher: float, measures: Measures) -> Group:
    """Return title, scale and what the signs mean."""
    title = typeface("bold").fit(printable(f"Section {section.name}", 120), 170 / 6.5)
    big = f"{scale_name(scale, measures.unit)}, heights {higher:.3g} times"
    signs: list[Shape | Text] = []
    x, y = _WINDOW.x, 198.0

    def sign(shape: Shape, text: str) -> None:
        nonlocal x
        signs.append(shape)
        signs.append(Text(x + 10.0, y + 0.8, text, _BODY))
        x += 14.0 + typeface("regular").width(text) * _BODY

    def stroke(pen: Stroke) -> Shape:
        return Shape([Outline((np.array([(x, y), (x + 8.0, y)]),))], pen)

    sign(stroke(Stroke(EARTH, 0.6)), "ground")
    if np.isfinite(section.sigma).any():
        band = rectangle(Rectangle(x, y - 1.3, 8.0, 2.6), fill=WATER, opacity=0.22)
        sign(band, "holds 95 % of what the marks allow")
    if section.design is not None:
        sign(stroke(Stroke(ALERT, 0.35, (4.0, 1.2))), "design")
    signs.append(Text(x, y + 0.8, "Arrows point downhill.", _BODY))
    return Group(
        "words",
        "Words",
        (
            Text(_WINDOW.x, 17.5, title, 6.5, "bold"),
            Text(_WINDOW.x, 23.0, printable(about, 100), 2.9, colour=FAINT),
            Text(_WINDOW.right, 17.5, big, 4.0, "bold", TEXT, "end"),
            rectangle(Rectangle(_WINDOW.x, 25.4, _WINDOW.width, 0.7), fill=TEXT),
            *signs,
            Text(
                _WINDOW.x,
                203.5,
                "Not for construction without a check on site. Local codes and licensed "
                "professionals decide. Locate buried services before digging.",
                _BODY,
                colour=FAINT,
            ),
        ),
    )


def _round_up(value: float) -> float:
    power = 10.0 ** math.floor(math.log10(value))
    return next(m * power for m in (1.0, 2.0, 5.0, 10.0) if m * power >= value * (1 - 1e-9))
