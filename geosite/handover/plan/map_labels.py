"""The writing on the map, the most important first."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
import shapely

from geosite.base.arrays import Floats
from geosite.drawing.ink import TEXT
from geosite.drawing.labels import Line, along, around
from geosite.handover.names import readable_name
from geosite.handover.palette import ALERT, EARTH, PARCEL, WATER
from geosite.handover.plan.canvas import (
    LETTERING,
    Canvas,
    interior,
    length_of,
    signed_area,
    thin,
)
from geosite.handover.plan.map_linework import near_parcels
from geosite.handover.plan.symbols import Mark, significant
from geosite.handover.styles.layers import contour_digits
from geosite.handover.wording.measures import grade_told, section_letter, steepness, verdict_told
from geosite.linework.model import Piece

__all__ = [
    "name_areas",
    "name_arrows",
    "name_clearances",
    "name_contours",
    "name_edges",
    "name_grades",
    "name_lines",
    "name_marks",
    "name_parcels",
    "name_ponds",
    "name_sections",
]

_SMALL = 1.8
#: Letters at the ends of sections.
_SECTION = 3.4
# of ponds and of grades: beyond that a plan cannot be read
_NAMES = 200


def name_areas(page: Canvas) -> None:
    """Write name, surface and size into each area."""
    layer = page.layer("areas")
    if layer is None:
        return
    shapes = {
        str(record["feature"]): geometry
        for record, geometry in zip(layer.records, layer.geometries, strict=True)
    }
    order = np.argsort(-shapely.area(np.array(layer.geometries, object)), kind="stable")
    for i in order:
        record, geometry = layer.records[i], layer.geometries[i]
        holes = [shapes[name] for name in (record["inside"] or "").split(", ") if name in shapes]
        size = record["net_area_m2"]
        name, title = readable_name(record["feature"]), str(record["title"] or "")
        lines = [page.line(name, size=2.5, bold=True)]
        if title and title != name:
            lines.append(page.line(title))
        if size is not None:
            gross = record["area_m2"]
            net = gross is not None and abs(size - gross) > 5e-3
            told = page.measures.area_known(size, record.get("net_area_95_m2"))
            lines.append(page.line(told + (" net" if net else "")))
        open_ground = page.view_polygon(geometry)
        if holes:
            open_ground = shapely.difference(
                open_ground, shapely.union_all([page.view_polygon(h) for h in holes])
            )
        inside = interior(open_ground, page.view, page.k)
        fewer = [*lines[:1], *lines[2:]]
        for some in (lines, fewer):
            held = _inside(open_ground, inside, some)
            if page.write("areas", some, held, rank_cost=0.25, count=False):
                break
        else:
            at = (*inside[0, :2].tolist(), 0.0) if len(inside) else None
            page.write("areas", fewer, inside, rank_cost=0.25, led_from=at)


def _inside(shape: Any, places: Floats, lines: Sequence[Line]) -> Floats:
    """Return the places at which the whole of a label stands in a shape."""
    wide, high = max(line.width for line in lines) / 2, sum(line.size for line in lines) * 0.6
    x, y = places[:, 0], places[:, 1]
    shapely.prepare(shape)
    boxes = shapely.box(x - wide, y - high, x + wide, y + high)
    kept: Floats = places[shapely.contains(shape, boxes)]
    return kept


def name_marks(page: Canvas, marks: Sequence[Mark], *, important: bool) -> None:
    """Write names and elevations beside the marks."""
    chosen = [m for m in marks if (m.kind != "mark" or bool(m.feature)) is important]
    places = np.array([m.place for m in chosen]).reshape(-1, 2)
    kept = thin(places, (0.5 if important else 4.0) * page.k, page.view)
    page.dropped += len(chosen) - len(kept)
    for i in kept:
        mark = chosen[i]
        x, y = mark.place.tolist()
        bold = mark.kind == "baseline"
        colour = WATER if mark.kind == "inlet" else TEXT
        name = page.line(
            mark.feature or mark.name,
            size=LETTERING if important else _SMALL,
            bold=important,
            colour=colour,
        )
        lines = [name]
        if mark.elevation is not None:
            lines.append(page.line(f"{mark.elevation:.{mark.places}f}", bold=bold))
        gap = (2.0 if mark.kind != "mark" else 1.2) * page.k
        for part in (lines, lines[1:]) if len(lines) > 1 else (lines,):
            width = max(line.width for line in part)
            height = sum(line.size for line in part) * 1.18
            last = part is not lines or len(lines) == 1
            beside = around(x, y, width, height, gap)
            if page.write("points", part, beside, count=last, led_from=(x, y, 0.5 * gap)):
                break


def _upstands(page: Canvas) -> dict[str, str]:
    """Return what is written of how high each kerb stands above its foot."""
    found = next((t.records for t in page.package.tables if t.name == "kerbs"), ())
    told = page.measures.with_interval
    return {
        str(r["line"]): f", {told(r['upstand_m'], r.get('upstand_95_m') or None)} high"
        for r in found
    }


def name_lines(page: Canvas) -> None:
    """Write name and length along each line."""
    layer = page.layer("lines")
    if layer is None:
        return
    high = _upstands(page)
    for record, geometry in zip(layer.records, layer.geometries, strict=True):
        lines = sorted(page.paper([geometry]), key=length_of, reverse=True)
        text = readable_name(record["feature"])
        length = record["length_m"]
        if length is not None:
            text = f"{text}  {page.measures.length(length)}"
        pieces = int(shapely.get_num_geometries(geometry))
        if length is not None and pieces > 1:
            text = f"{text} in {pieces} pieces"
        text += high.get(str(record["feature"]), "")
        label = page.line(text)
        aside = label.size * 0.95
        # a line is named in its middle third where that is free, else anywhere along it
        shares = [0.5, 0.42, 0.58, 0.34, 0.66, 0.25, 0.75, 0.15, 0.85]
        offsets = (-aside, aside, -2.2 * aside, 2.2 * aside)
        places = [along(line, offsets, shares) for line in lines[:2]]
        if places:
            at = (*along(lines[0], (0.0,), (0.5,))[0, :2].tolist(), 0.3)
            page.write("lines", [label], np.concatenate(places), led_from=at)


def _halves(page: Canvas) -> dict[tuple[str, float], tuple[float | None, float | None]]:
    """Return half the 95 % intervals of length and radius, by feature and length of the edge."""
    found = next((t.records for t in page.package.tables if t.name == "edges"), ())
    return {
        (str(r["feature"]), round(float(r["length_m"]), 4)): (
            r.get("length_95_m"),
            r.get("radius_95_m"),
        )
        for r in found
        if r.get("length_m") is not None
    }


def _arc_of(piece: Piece, factor: float) -> float:
    """Return the length of an arc or a whole circle, on the ground."""
    sweep = 2 * math.pi if piece.kind == "circle" else abs(piece.sweep or 0.0)
    return sweep * (piece.radius or 0.0) / factor


def name_edges(page: Canvas) -> None:
    """Write the length of every straight edge and the radius of every arc of the areas."""
    edges: list[tuple[float, Floats, list[Line], float]] = []
    factor, halves = page.view.frame.combined_factor, _halves(page)
    for feature in page.package.features:
        if feature.kind != "area":
            continue
        ring = np.concatenate([p.vertices[:, :2] for p in feature.pieces])
        # the sheet's y runs down: a ring that runs counter-clockwise on the map has its
        # inside to the left, at negative distances
        inside = -1.0 if signed_area(ring) > 0 else 1.0
        for piece in feature.pieces:
            place = page.view.local_on_paper(piece.vertices)
            if piece.kind in ("arc", "circle") and piece.radius:
                half = halves.get((feature.name, round(_arc_of(piece, factor), 4)), (None, None))
                size = page.measures.known(piece.radius / factor, half[1])
                text = [page.line(f"R {size}")]
                if piece.kind == "arc" and piece.sweep:
                    arc = page.measures.known(_arc_of(piece, factor), half[0])
                    text.append(page.line(f"arc {arc}"))
                edges.append((length_of(place), place, text, inside))
            elif piece.kind == "line":
                sides = np.hypot(*np.diff(piece.vertices[:, :2], axis=0).T) / factor
                for k, side in enumerate(sides.tolist()):
                    half = halves.get((feature.name, round(side, 4)), (None, None))
                    text = [page.line(page.measures.known(side, half[0]))]
                    edge = place[k : k + 2]
                    edges.append((length_of(edge), edge, text, inside))
    edges.sort(key=lambda e: -e[0])
    for length, edge, text, inside in edges:
        if length < max(line.width for line in text):
            page.dropped += 1
            continue
        aside = inside * (0.15 + sum(line.size for line in text) * 0.62)
        shares = (0.5, 0.4, 0.6, 0.3, 0.7)
        page.write("outlines", text, along(edge, (aside, -aside), shares))


def name_contours(page: Canvas) -> None:
    """Write elevations into the contours."""
    layer = page.layer("contours")
    if layer is None:
        return
    marked = [bool(r["is_index"]) for r in layer.records]
    heights = [r["elevation"] for r in layer.records]
    digits = contour_digits([h for h in heights if h is not None])
    lengths = shapely.length(np.array(layer.geometries, object)) * page.view.mm_per_unit
    shares = np.linspace(0.08, 0.92, 13)[[6, 3, 9, 1, 11, 5, 7, 2, 10, 0, 12]].tolist()
    # ground of many small hollows has thousands of loops with no room for a name
    roomy = np.flatnonzero(lengths >= 25.0 * page.k).tolist()
    for i in sorted(roomy, key=lambda i: not marked[i]):
        if heights[i] is None:
            continue
        for line in page.paper([layer.geometries[i]]):
            if length_of(line) < 25.0 * page.k:
                continue
            words = f"{heights[i]:.{digits}f}"
            text = page.line(words, size=_SMALL, bold=marked[i], colour=EARTH)
            page.write("contours", [text], along(line, (0.0,), shares), count=marked[i])


def name_ponds(page: Canvas) -> None:
    """Write depth and volume into the ponds that are sure."""
    layer = page.layer("ponding")
    if layer is None:
        return
    told = [
        (record, geometry)
        for record, geometry in zip(layer.records, layer.geometries, strict=True)
        if significant(record) and not geometry.is_empty
    ]
    # of very many side by side the depths of the largest tell the others' as well
    most = _NAMES if len(told) <= _NAMES else _NAMES // 10
    page.dropped += len(told[most:])
    for record, geometry in told[:most]:  # the largest come first
        depth = record["depth_m"]
        volume = record["volume_m3"]
        ends_m3 = record.get("volume_low_m3"), record.get("volume_high_m3")
        lines = []
        if depth is not None:
            low, high = record.get("depth_low_m"), record.get("depth_high_m")
            lines.append(page.line(f"{page.measures.length(depth)} deep", colour=WATER))
            if low is not None and high is not None:
                ends = f"({page.measures.number(low)} to {page.measures.number(high)})"
                lines.append(page.line(ends, colour=WATER))
        if volume is not None:
            lines.append(page.line(page.measures.volume(volume, *ends_m3), colour=WATER))
        if not lines:
            continue
        shape = page.view_polygon(geometry)
        west, top, east, bottom = shape.bounds
        width, height = max(line.width for line in lines), sum(line.size for line in lines)
        beside = around(
            (west + east) / 2,
            (top + bottom) / 2,
            width + (east - west),
            height * 1.18 + (bottom - top),
            0.5,
        )
        inside = interior(shape, page.view, page.k)
        middle = (*inside[0, :2].tolist(), 0.0) if len(inside) else None
        page.write("ponding", lines, np.concatenate([inside, beside]), led_from=middle)


def name_grades(page: Canvas) -> None:
    """Write grade and verdict beside each checked stretch."""
    layer = page.layer("grades")
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
        amount = grade_told(record, page.measures)
        words = f"{'' if check == 'running' else f'{check} '}{amount} {verdict_told(record)}"
        text = page.line(words, bold=order == 0, colour=WATER if order == 2 else ALERT)
        aside = text.size * 1.1
        for line in page.paper([layer.geometries[i]]):
            places = along(line, (aside, -aside, 2.2 * aside, -2.2 * aside), (0.5, 0.3, 0.7))
            middle = line[len(line) // 2 - 1 : len(line) // 2 + 1].mean(axis=0)
            beside = [
                around(middle[0], middle[1], text.width, text.size, gap * page.k)
                for gap in (2.0, 5.0, 8.0)
            ]
            page.write(
                "grades",
                [text],
                np.concatenate([places, *beside]),
                count=order < 2,
                led_from=(*middle.tolist(), 0.3),
            )


def name_clearances(page: Canvas, *, clear: bool) -> None:
    """Write the distance to the parcel line beside it, and whose it is where that is not clear.

    Parameters
    ----------
    page
    clear
        Those that are clear of the line, which need no eye; else all others.
    """
    layer = page.layer("parcel_clearances")
    if layer is None:
        return
    for record, line in near_parcels(page, layer):
        distance, verdict = record["distance_m"], record["verdict"]
        if distance is None or clear != (verdict == "clear"):
            continue
        size = page.measures.with_interval(abs(distance), record.get("distance_95_m"))
        if clear:
            lines = [page.line(f"clear by {size}", size=_SMALL, colour=PARCEL)]
        else:
            told = "" if verdict == "crosses" else f": {verdict}"
            side = "over" if distance < 0 else "short of"
            lines = [
                page.line(f"{readable_name(record['feature'])}{told}", bold=True, colour=ALERT),
                page.line(f"{side} the line by {size}", colour=ALERT),
            ]
        middle = line.mean(axis=0)
        width, height = max(one.width for one in lines), sum(one.size for one in lines) * 1.18
        gaps = (1.0,) if clear else (1.0, 2.5, 4.5)
        beside = [around(middle[0], middle[1], width, height, g * page.k) for g in gaps]
        page.write(
            "parcel_clearances",
            lines,
            np.concatenate(beside),
            count=not clear,
            led_from=(*middle.tolist(), 0.3),
            # the table of verdicts has it: it need not hide a line
            most=6.0 if clear else math.inf,
        )


def name_sections(page: Canvas) -> None:
    """Write the letters at both ends of each section."""
    layer = page.layer("sections")
    if layer is None:
        return
    for number, geometry in enumerate(layer.geometries):
        letter = section_letter(number)
        lines = list(page.paper([geometry]))
        if not lines:
            continue
        for name, (x, y) in (
            (letter, lines[0][0].tolist()),
            (f"{letter}'", lines[-1][-1].tolist()),
        ):
            text = page.line(name, size=_SECTION, bold=True, colour=EARTH)
            beside = [around(x, y, text.width, text.size, gap * page.k) for gap in (1.4, 2.6, 4.0)]
            page.write("sections", [text], np.concatenate(beside))


def name_parcels(page: Canvas) -> None:
    """Write the names of the parcels."""
    layer = page.layer("parcels")
    if layer is None:
        return
    window = page.view.window
    frame = shapely.box(window.x, window.y, window.right, window.bottom)
    areas = page.layer("areas")
    drawn = [page.view_polygon(g) for g in areas.geometries] if areas is not None else []
    covered = shapely.union_all(np.array(drawn, dtype=object))
    for record, geometry in zip(layer.records, layer.geometries, strict=True):
        name = record["parcel"]
        shape = shapely.intersection(page.view_polygon(geometry), frame)
        if not name or shape.is_empty or not shape.area > 0:
            continue
        text = page.line(f"parcel {name}", size=2.6, colour=PARCEL)
        free = interior(shapely.difference(shape, covered), page.view, page.k, 24)
        places = np.concatenate([free, interior(shape, page.view, page.k, 24)])
        page.write("parcels", [text], places, rank_cost=0.05)


def name_arrows(page: Canvas) -> None:
    """Write the slope beside some of the arrows."""
    places = np.array([place for place, _ in page.arrow_labels]).reshape(-1, 2)
    for i in thin(places, 24.0 * page.k, page.view):
        (x, y), steep = places[i].tolist(), page.arrow_labels[i][1]
        text = page.line(f"{steepness(steep)} %", size=_SMALL, bold=True, colour=WATER)
        beside = around(x, y, text.width, text.size, 1.2 * page.k)
        page.write("drainage_arrows", [text], beside, count=False, most=2.0)
