"""Sections as drawings: the ground along a line, how well it is known, and its grades."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from functools import partial
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from geosite.analysis.access.turns import round_interval, turns
from geosite.analysis.sections import Profile
from geosite.base.arrays import Floats
from geosite.drawing.font import printable, typeface
from geosite.drawing.ink import FAINT, TEXT, Stroke
from geosite.drawing.pdf import pdf
from geosite.drawing.sheet import Group, Outline, Rectangle, Shape, Sheet, Text, rectangle
from geosite.drawing.strip import STRIP_HEIGHT, field_strip
from geosite.drawing.svg import svg
from geosite.fieldbook.sitefile import Handover
from geosite.handover.model import Package
from geosite.handover.palette import ALERT, EARTH, WATER
from geosite.handover.plan.layout import scale_name, usual_scales
from geosite.handover.plan.section import Heights, Section
from geosite.handover.wording.grades import grade_words
from geosite.handover.wording.measures import Measures, section_letter
from geosite.handover.wording.title_block import revision_words, title_fields

__all__ = [
    "Heights",
    "Section",
    "draw_profile",
    "draw_sections",
    "section_drawings",
    "write_sections",
]

_WIDTH, _HEIGHT = 297.0, 210.0  # A4 landscape
_WINDOW = Rectangle(34.0, 34.0, 249.0, 104.0)
#: How many times higher than long; the largest that fits.
_EXAGGERATIONS = (50.0, 40.0, 30.0, 25.0, 20.0, 15.0, 10.0, 5.0, 4.0, 3.0, 2.0, 1.0)
_STRIP = Rectangle(34.0, 185.0, 249.0, STRIP_HEIGHT)
_BODY = 2.4
#: Least distance between two columns of the table, mm.
_APART = 8.0


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
    for number, sheet in enumerate(draw_sections(package, options), start=1):
        for ending, data in (("pdf", pdf(sheet)), ("svg", svg(sheet).encode("utf-8"))):
            path = folder / f"section_{number}.{ending}"
            path.write_bytes(data)
            written.append(path)
    return tuple(written)


def draw_sections(package: Package, options: Handover) -> Iterator[Sheet]:
    """Yield the sections of a package as drawings, lettered as on the plan."""
    for draw in section_drawings(package, options):
        yield draw("")


def section_drawings(package: Package, options: Handover) -> list[Callable[[str], Sheet]]:
    """Return what draws each section, given its number in a set of sheets, ``"4 of 7"``."""
    long = (p for p in package.profiles if p.chainage[-1] > p.chainage[0])
    return [
        partial(_drawn, package, options, _section(profile, section_letter(number)))
        for number, profile in enumerate(long)
    ]


def _drawn(package: Package, options: Handover, section: Section, number: str) -> Sheet:
    measures = Measures(options.unit)
    own = package.sheet.number
    parts = (package.title, package.date and f"surveyed {package.date}", own)
    about = ", ".join(part for part in (*parts, number and f"sheet {number}") if part)
    fields = (*title_fields(package).items(), *revision_words(package)[-1:])
    heights = Heights.of(package, measures)
    return draw_profile(section, measures, about=about, heights=heights, fields=fields)


def _section(profile: Profile, letter: str) -> Section:
    return Section(
        profile.name,
        profile.chainage,
        np.array([e.value for e in profile.elevation]),
        np.array([e.half_width for e in profile.elevation]),
        profile.labels,
        profile.design,
        letter,
        np.array([e.half_width for e in profile.grade]),
    )


def draw_profile(
    section: Section,
    measures: Measures,
    *,
    about: str = "",
    heights: Heights | None = None,
    fields: Sequence[tuple[str, str]] = (),
) -> Sheet:
    """Return a section as a drawing on A4.

    Parameters
    ----------
    section
        What is drawn.
    measures
        Unit of distances.
    about
        Site, day and sheet, under the title.
    heights
        Unit and datum of elevations; metres without it.
    fields
        Of the title block, name and text of each.

    Notes
    -----
    The horizontal scale is the largest usual one at which the section fits; heights are enlarged
    by a round number. The lower edge of the drawing is the datum line, a round elevation.
    """
    heights = heights or Heights("m", 1.0, "")
    start, length = section.chainage[0], float(section.chainage[-1] - section.chainage[0])
    spread = np.where(np.isfinite(section.half_width), section.half_width, 0.0)
    low = float((section.elevation - spread).min())
    high = float((section.elevation + spread).max())
    if section.design is not None:
        low = min(low, float(np.nanmin(section.design)))
        high = max(high, float(np.nanmax(section.design)))
    scale = next(s for s in usual_scales(measures.unit) if length * 1000 / s <= _WINDOW.width - 12)
    higher, step, base = _upright(low, high, scale, heights.unit_m)
    left = _WINDOW.x + (_WINDOW.width - length * 1000 / scale) / 2

    def place(at: npt.ArrayLike, up: npt.ArrayLike) -> Floats:
        x = left + (np.asarray(at) - start) * 1000 / scale
        y = _WINDOW.bottom - (np.asarray(up) - base) * 1000 * higher / scale
        return np.column_stack(np.broadcast_arrays(x, y))

    named = _named(section, place, measures.unit_m)
    return Sheet(
        width=_WIDTH,
        height=_HEIGHT,
        window=_WINDOW,
        scale=scale,
        unit=measures.unit,
        unit_m=measures.unit_m,
        title=printable(section.title, 200),
        description=f"Section at {scale_name(scale, measures.unit)}, heights {higher:g} times.",
        groups=(
            _axes(section, base, step, place, heights),
            _ground(section, spread, place, heights),
            _table(section, named, place, measures, heights),
            _words(section, about, scale, higher, measures, heights),
            Group("title block", "Title block", tuple(field_strip(fields, _STRIP))),
        ),
    )


def _upright(low: float, high: float, scale: float, unit_m: float) -> tuple[float, float, float]:
    """Return how many times heights are enlarged, the step of level lines, and the datum, metres.

    Steps and datum are round numbers of the unit; the datum lies under everything drawn.
    """
    room = (_WINDOW.height - 10.0) * scale / 1000
    rise = max(high - low, 1e-3)
    for higher in (*_EXAGGERATIONS, *(room / rise * share for share in (0.9, 0.7, 0.5, 0.3))):
        step = _round_up(12.0 * scale / 1000 / higher / unit_m) * unit_m
        base = math.floor(low / step - 0.15) * step
        if (high - base) * higher <= room:
            break
    return higher, step, base


def _named(section: Section, place: Any, unit_m: float) -> list[int]:
    """Return the stations that get a column in the table.

    Both ends, the places where the ground turns, and, where there is room, marks and then stations
    at round distances.
    """
    last = len(section.chainage) - 1
    x = place(section.chainage, section.elevation)[:, 0]
    kept = {0, last}
    turning = (station for station, _ in turns(section.elevation))
    marks = (i for i in range(1, last) if section.labels[i])
    fits = max(int((x[-1] - x[0]) / _APART), 1)
    step = round_interval(float(np.ptp(section.chainage)), unit_m, fits)
    off = np.abs(section.chainage / step - np.round(section.chainage / step))
    for i in (*turning, *marks, *np.flatnonzero(off < 1e-6).tolist()):
        if all(abs(x[i] - x[k]) >= _APART for k in kept):
            kept.add(i)
    return sorted(kept)


def _label(section: Section, station: int) -> str:
    """Return the mark at a station, or what is special about it."""
    turn = dict(turns(section.elevation)).get(station, "") if section.known[station] else ""
    return section.labels[station] or turn


def _axes(section: Section, base: float, step: float, place: Any, heights: Heights) -> Group:
    """Return the frame with the datum, the level lines and their elevations, and both ends."""
    digits = max(0, math.ceil(-math.log10(step / heights.unit_m) - 1e-9))
    lines, texts = [], []
    for k in range(1, 1000):
        y = float(place(0.0, base + k * step)[0, 1])
        if y < _WINDOW.y + 1:
            break
        lines.append(Outline((np.array([(_WINDOW.x, y), (_WINDOW.right, y)]),)))
        level = heights.written(base + k * step, digits)
        texts.append(Text(_WINDOW.x - 1.5, y + 0.8, level, _BODY, anchor="end"))
    datum = f"Datum {heights.written(base, digits)}"
    texts.append(Text(_WINDOW.x - 1.5, _WINDOW.bottom + 0.4, datum, _BODY, "bold", anchor="end"))
    if section.letter:
        ends = place(section.chainage[[0, -1]], section.elevation[[0, -1]])[:, 0].tolist()
        for x, name in zip(ends, (section.letter, f"{section.letter}'"), strict=True):
            texts.append(Text(x, _WINDOW.y + 5.0, name, 3.6, "bold", anchor="middle", halo=True))
    return Group(
        "axes",
        "Elevations",
        (
            Shape(lines, Stroke(FAINT, 0.1)),
            rectangle(_WINDOW, stroke=Stroke(TEXT, 0.35)),
            *texts,
            Text(_WINDOW.x - 1.5, _WINDOW.y - 1.5, heights.unit, _BODY, anchor="end"),
        ),
    )


_GROUND = Stroke(EARTH, 0.6)
_NOT_MEASURED = Stroke(EARTH, 0.3, (1.0, 1.0))


def _stretches(known: npt.NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Return the first station of each stretch of known ones, and the one after its last."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], known, [False]])))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _ground(section: Section, spread: Floats, place: Any, heights: Heights) -> Group:
    """Return the line of the ground with its band, and the design line."""
    upper = place(section.chainage, section.elevation + spread)
    lower = place(section.chainage, section.elevation - spread)
    line = place(section.chainage, section.elevation)
    # where the ground was not measured, under a building, there is no band and no solid line
    known = np.isfinite(section.half_width)
    parts = _stretches(known if known.any() else ~known)
    items: list[Shape | Text] = []
    for first, last in parts if spread.any() else []:
        ring = np.concatenate([upper[first:last], lower[first:last][::-1]])
        items.append(Shape([Outline((ring,), closed=True)], None, WATER, 0.22))
    if section.design is not None:
        designed = np.isfinite(section.design)
        built = place(section.chainage[designed], section.design[designed])
        items.append(Shape([Outline((built,))], Stroke(ALERT, 0.35, (4.0, 1.2))))
    items += [Shape([Outline((line[a:b],))], _GROUND) for a, b in parts]
    for station, what in turns(section.elevation):
        inside = 0 < station < len(line) - 1 and section.known[station]
        if inside and what in ("low", "high"):
            x, y = line[station].tolist()
            # clear of the line, on its outer side
            at = y + 4.6 if what == "low" else y - 2.2
            level = heights.written(section.elevation[station])
            items.append(Text(x, at, level, _BODY, "bold", TEXT, "middle", halo=True))
    gaps = _stretches(~known) if known.any() else []
    items += [Shape([Outline((line[max(a - 1, 0) : b + 1],))], _NOT_MEASURED) for a, b in gaps]
    return Group("ground", "Ground", tuple(items), in_map=True)


def _table(
    section: Section, named: list[int], place: Any, measures: Measures, heights: Heights
) -> Group:
    """Return the table below: mark, distance and elevation per station, grade from one to the next.

    A grade is written with an arrow that points the way water would run, where that is known at
    95 %. Ground that was not measured has neither elevation nor grade.
    """
    points = place(section.chainage, section.elevation)
    top, height = _WINDOW.bottom + 3.0, 8.0
    rows = ("Mark", f"Distance, {measures.unit}", f"Elevation, {heights.unit}", "Grade, %")
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
        label = typeface("regular").fit(printable(_label(section, i), 30), 7.5 / _BODY)
        items.append(Text(x, top + 4.1, label, _BODY, "bold", anchor="middle", halo=True))
        level = heights.written(section.elevation[i]) if section.known[i] else ""
        values = (measures.number(section.chainage[i]), level)
        for value, at in zip(values, (top + 6.0, top + 19.0), strict=True):
            items.append(Text(x + 2.6, at + 12.2, value, _BODY, angle=90.0, halo=True))
    items.insert(0, Shape(drops, Stroke(FAINT, 0.13)))
    foot = top + sum(tall[:3])
    for a, b in pairwise(named):
        room = points[b, 0] - points[a, 0]
        part = slice(a, b + 1)
        between = None if section.grade_half is None else section.grade_half[a:b]
        told: tuple[str, ...] = ()
        if section.known[part].all():
            told = grade_words(
                section.chainage[part], section.elevation[part], section.half_width[part], between
            )
        middle, at = float(points[a, 0] + points[b, 0]) / 2, foot + height / 2 + 0.8
        for setting in _settings(told):
            if max(typeface("regular").width(line) for line in setting) * _BODY < room - 1.0:
                first = at - (len(setting) - 1) * _BODY * 0.6
                items += (
                    Text(middle, first + k * _BODY * 1.2, line, _BODY, anchor="middle")
                    for k, line in enumerate(setting)
                )
                break
    return Group("table", "Stations", tuple(items))


def _settings(told: Sequence[str]) -> Iterator[tuple[str, ...]]:
    """Yield the lines in which a grade may be written, the fullest first.

    Examples
    --------
    >>> list(_settings(("2.1 +/- 3.6", "2.1")))
    [('2.1 +/- 3.6',), ('2.1', '+/- 3.6'), ('2.1',)]
    """
    for text in told:
        yield (text,)
        value, sign, half = text.partition(" +/- ")
        if sign:
            yield value, f"+/- {half}"


def _words(
    section: Section,
    about: str,
    scale: float,
    higher: float,
    measures: Measures,
    heights: Heights,
) -> Group:
    """Return title, scale and what the signs mean."""
    title = typeface("bold").fit(printable(section.title, 120), 170 / 6.5)
    under = ". ".join(
        part
        for part in (section.ends, about, heights.datum and f"Elevations: {heights.datum}")
        if part
    )
    times = "" if higher == 1 else f" ({higher:.3g} times)"
    big = f"{scale_name(scale, measures.unit)}, heights 1:{round(scale / higher, 2):g}{times}"
    signs: list[Shape | Text] = []
    x, y = _WINDOW.x, 198.0

    def sign(shape: Shape, text: str) -> None:
        nonlocal x
        signs.append(shape)
        signs.append(Text(x + 10.0, y + 0.8, text, _BODY))
        x += 14.0 + typeface("regular").width(text) * _BODY

    def stroke(pen: Stroke) -> Shape:
        return Shape([Outline((np.array([(x, y), (x + 8.0, y)]),))], pen)

    sign(stroke(_GROUND), "ground")
    known = np.isfinite(section.half_width)
    if known.any() and not known.all():
        sign(stroke(_NOT_MEASURED), "not measured")
    if np.isfinite(section.half_width).any():
        band = rectangle(Rectangle(x, y - 1.3, 8.0, 2.6), fill=WATER, opacity=0.22)
        sign(band, "holds the ground in 95 of 100 cases")
    arrows = "Arrows point downhill."
    if known.any():
        arrows = "Arrows point downhill; none where the 95 % interval holds level."
    if section.design is not None:
        sign(stroke(Stroke(ALERT, 0.35, (4.0, 1.2))), "design")
    signs.append(Text(x, y + 0.8, arrows, _BODY))
    return Group(
        "words",
        "Words",
        (
            Text(_WINDOW.x, 17.5, title, 6.5, "bold"),
            Text(
                _WINDOW.x,
                23.0,
                typeface("regular").fit(printable(under, 300), _WINDOW.width / 2.9),
                2.9,
                colour=FAINT,
            ),
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
