"""Adjusted coordinates for the survey report: a table and a drawing with error ellipses."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from geosite.base.rounding import grouped
from geosite.base.units import plural
from geosite.drawing.document import Block, Column, Figure, Heading, Paragraph, Table
from geosite.drawing.font import printable
from geosite.drawing.ink import FAINT, PAPER, TEXT, Stroke
from geosite.drawing.labels import Board, Line, around
from geosite.drawing.sheet import Arc, Outline, Rectangle, Shape, Text
from geosite.handover.model import Package
from geosite.handover.palette import WATER
from geosite.handover.wording.measures import Measures

__all__ = ["adjusted_blocks", "ellipse"]

Record = Mapping[str, Any]

_NAME = 1.9


def adjusted_blocks(package: Package, measures: Measures) -> list[Block]:
    """Return coordinates, ellipses and standard deviations of all marks; nothing without marks.

    Parameters
    ----------
    package
        With the layer ``marks``.
    measures
        Unit of the accuracies; coordinates and elevations stay in the map's, and it is said.
    """
    layer = next((layer for layer in package.layers if layer.name == "marks"), None)
    marks: Sequence[Record] = layer.records if layer is not None else ()
    if not marks:
        return []
    fine, unit, frame = measures.fine, measures.unit, package.frame
    rows = tuple(
        (
            str(m["point"]),
            *(_coordinate(m.get(key)) for key in ("easting", "northing", "elevation")),
            fine(m.get("sigma_h_m")),
            f"{fine(m.get('ellipse_major_m'))}, {fine(m.get('ellipse_minor_m'))}",
            "" if (azimuth := m.get("ellipse_azimuth_deg")) is None else f"{azimuth:.0f}",
            *(fine(m.get(key)) for key in ("sigma_v_m", "v_95_m")),
        )
        for m in marks
    )
    columns = (
        Column("mark", 0.6),
        Column("easting", 1.0, "end"),
        Column("northing", 1.1, "end"),
        Column("elevation", 0.8, "end"),
        Column(f"sigma per\naxis, {unit}", 0.75, "end"),
        Column(f"95 % ellipse,\nsemi-axes, {unit}", 1.05, "end"),
        Column("its azimuth\ndegrees", 0.85, "end"),
        Column(f"sigma of\nheight, {unit}", 0.75, "end"),
        Column(f"95 % of\nheight, {unit}", 0.75, "end"),
    )
    units = (
        f"Coordinates in the map's unit, {plural(frame.unit_name)}, elevations in "
        f"{plural(frame.height_unit_name)}."
    )
    words = (
        f"{units} The ellipse holds the mark in 95 of 100 cases; its azimuth is that of the longer "
        "axis, from grid north."
    )
    is_known = any(m.get("sigma_h_m") is not None for m in marks)
    if not is_known:
        words = f"{units} Their accuracy is not known."
    points = next((layer for layer in package.layers if layer.name == "points"), None)
    unnamed = sum(not p.get("point") for p in points.records) if points is not None else 0
    if unnamed:
        of_them = "position has" if unnamed == 1 else "positions have"
        words += (
            f" {unnamed} more {of_them} no name: coordinates by row of the field book stand in "
            "points.csv, accuracies in the layer points of site.gpkg."
        )
    blocks: list[Block] = [Heading("Adjusted coordinates", 2), Paragraph(words)]
    if len(marks) > 1 and is_known:
        blocks.append(_sketch(marks))
    return [*blocks, Table(columns, rows)]


def _coordinate(value: float | None) -> str:
    return "" if value is None or not math.isfinite(value) else grouped(value, 3)


def ellipse(x: float, y: float, major: float, minor: float, azimuth_deg: float) -> Outline:
    """Return an ellipse in sheet mm, its longer axis at an azimuth clockwise from the sheet's top.

    Examples
    --------
    >>> ellipse(10.0, 10.0, 2.0, 1.0, 90.0).pieces[0][0].round(6).tolist()
    [12.0, 10.0]
    """
    turn = math.radians(azimuth_deg)
    t = np.arange(48) * (2 * math.pi / 48)
    along, aside = major * np.cos(t), minor * np.sin(t)
    places = np.column_stack(
        [
            x + along * math.sin(turn) + aside * math.cos(turn),
            y - along * math.cos(turn) + aside * math.sin(turn),
        ]
    )
    return Outline((places,), closed=True)


def _sketch(marks: Sequence[Record]) -> Figure:
    """Draw the marks with ellipses that hold 95 %, enlarged by a round number."""
    known = [
        m for m in marks if all(m.get(k) is not None for k in ("easting", "ellipse_azimuth_deg"))
    ]
    places = np.array([(float(m["easting"]), float(m["northing"])) for m in known])
    low, high = places.min(axis=0), places.max(axis=0)
    wide, tall = (high - low).tolist()
    largest = max(*(float(m["ellipse_major_m"]) for m in known), 1e-6)
    times = _round_down(max(wide, tall, 1.0) / 20 / largest)

    def draw(box: Rectangle) -> list[Shape | Text]:
        clear = 12.0
        scale = min(
            (box.width - 2 * clear) / max(wide, 1e-6), (box.height - 2 * clear) / max(tall, 1e-6)
        )
        middle = np.array([box.x + box.width / 2, box.y + box.height / 2])
        at = middle + (places - (low + high) / 2) * scale * np.array([1.0, -1.0])
        board = Board(box)
        rings, dots, texts, reach = [], [], [], []
        for m, (x, y) in zip(known, at.tolist(), strict=True):
            axes = [float(m[f"ellipse_{k}_m"]) * times * scale for k in ("major", "minor")]
            rings.append(ellipse(x, y, axes[0], axes[1], float(m["ellipse_azimuth_deg"])))
            dots.append(Outline((Arc((x, y), 0.6, 0.0, 2 * math.pi),), closed=True))
            board.take(x, y, 0.6)
            reach.append(axes[0])
        board.fill(rings)
        for m, (x, y), own in zip(known, at.tolist(), reach, strict=True):
            line = Line(printable(str(m["point"]), 12), _NAME, colour=TEXT)
            beside = [around(x, y, line.width, _NAME, own + more) for more in (0.7, 2.2, 4.0)]
            texts += board.place([line], np.concatenate(beside), rank_cost=0.4)
        pens = Stroke(WATER, 0.2), Stroke(TEXT, 0.15)
        return [Shape(rings, pens[0]), Shape(dots, pens[1], PAPER), *texts, *_north(box)]

    height = min(max(150.0 * tall / max(wide, 1e-6) + 24.0, 50.0), 120.0)
    return Figure(
        height,
        draw,
        "Marks, north up, with the error ellipses that hold them in 95 of 100 cases, "
        f"{times:g} times enlarged against the distances between the marks. Where marks crowd, "
        "names are left out.",
        least=0.7 * height,
    )


def _north(box: Rectangle) -> list[Shape | Text]:
    x, y = box.right - 4.0, box.y + 14.0
    tip = np.array([(x, y - 9.0), (x + 1.3, y), (x, y - 1.6), (x - 1.3, y)])
    return [
        Shape([Outline((tip,), closed=True)], None, FAINT),
        Text(x, y - 10.0, "N", 2.4, "bold", FAINT, "middle"),
    ]


def _round_down(value: float) -> float:
    power = 10.0 ** math.floor(math.log10(max(value, 1.0)))
    return max(m * power for m in (1.0, 2.0, 5.0) if m * power <= max(value, 1.0))
