"""The lines, areas and signs of the map."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any, Literal

import numpy as np
import shapely

from geosite.base.arrays import Floats
from geosite.base.rounding import decimals
from geosite.drawing.font import printable
from geosite.drawing.ink import FAINT, PAPER, TEXT, Stroke
from geosite.drawing.labels import Line
from geosite.drawing.sheet import Arc, Outline, Shape
from geosite.handover.model import Layer
from geosite.handover.names import readable_name
from geosite.handover.palette import BUILDING, PARCEL, POND, STROKES, WATER
from geosite.handover.plan.canvas import Canvas, grid_step, length_of, thin
from geosite.handover.plan.layout import View
from geosite.handover.plan.symbols import (
    Mark,
    arrow_symbol,
    baseline_symbol,
    end_ticks,
    hatch,
    hatch_each,
    head,
    inlet_symbol,
    mark_symbol,
    rounded_each,
    significant,
)
from geosite.handover.styles.signs import (
    DOUBTFUL,
    FADED,
    RIPPLE,
    STEADY,
    TURNING,
    arrow_length,
    code_pen,
    only_interpolated,
    steadiness,
)
from geosite.linework.model import Feature, Piece

__all__ = [
    "draw_areas",
    "draw_arrows",
    "draw_background",
    "draw_contours",
    "draw_grid",
    "draw_lines",
    "draw_marks",
    "draw_parcels",
    "draw_sections",
    "draw_water",
    "near_parcels",
]

#: Distances between places without a name, mm: the least, and more where they cover the map.
_DOTS_APART, _MOST_DOTS = (0.8, 2.0, 3.0, 5.0), 10_000
#: Lines of the background.
_UNDER = Stroke("#a3abb0", 0.15)


def draw_background(page: Canvas) -> None:
    """Draw the lines under everything, and what is to be said of the background."""
    if page.package.background is None:
        return
    from geosite.handover.plan.background import lines_under

    lines = lines_under(page.package, page.view)
    if lines:
        under = Shape([Outline((line,)) for line in lines if len(line) > 1], _UNDER)
        page.shapes["background"].append(under)
    said = page.package.sheet.background_attribution
    if not said:
        return
    window = page.view.window
    line = Line(printable(said, 120), 1.8 * page.k, colour=FAINT)
    aside, up = line.width / 2 + 1.0, line.size * 0.6 + 0.8
    corners = [
        (x, y, 0.0)
        for y in (window.bottom - up, window.y + up)
        for x in (window.x + aside, window.right - aside)
    ]
    page.write("background", [line], np.array(corners), rank_cost=0.0)


def draw_grid(page: Canvas) -> None:
    """Draw ticks on the frame and crosses inside at round map coordinates."""
    window = page.view.window
    step = grid_step(page.view, page.k)
    pen = Stroke(FAINT, 0.13)
    west, south, east, north = page.frame_on_map()
    arm = 1.5 * page.k
    across = np.arange(math.ceil(west / step), math.floor(east / step) + 1) * step
    up = np.arange(math.ceil(south / step), math.floor(north / step) + 1) * step
    x = page.view.on_paper(np.column_stack([across, np.full(len(across), north)]))[:, 0]
    y = page.view.on_paper(np.column_stack([np.full(len(up), east), up]))[:, 1]
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
    page.add("grid", lines, pen, 1)


def draw_parcels(page: Canvas) -> None:
    """Draw the lines of the parcel map, each shared one once."""
    layer = page.layer("parcels")
    if layer is None:
        return
    # a parcel can be far larger than the sheet, and neighbours share their lines
    box = page.frame_on_map()
    edges = shapely.union_all(shapely.boundary(shapely.force_2d(list(layer.geometries))))
    page.add("parcels", page.paper([shapely.clip_by_rect(edges, *box)]), STROKES["parcels"])


def draw_areas(page: Canvas) -> None:
    """Draw tints, hatches and outlines of the areas."""
    layer = page.layer("areas")
    if layer is None:
        return
    drawn = {f.name: f for f in page.package.features}
    # a picture under the plan shows through
    over = 1.0 if page.package.background is None else 0.4
    order = np.argsort(-shapely.area(np.array(layer.geometries, object)), kind="stable")
    for i in order:
        record, geometry = layer.records[i], layer.geometries[i]
        rings = list(page.paper([geometry]))
        if not rings:
            continue
        closed = [Outline((ring,), closed=True) for ring in rings]
        code = page.package.codes.get(str(record["code"]))
        building = code is not None and code.building
        tint = BUILDING if building else page.tints.get(str(record["code"]), PAPER)
        page.shapes["areas"].append(Shape(closed, None, tint, over))
        if building:
            shape = page.view_polygon(geometry)
            hatching = hatch(shape, 1.6 * page.k, 45.0)
            page.shapes["areas"].append(Shape(hatching, Stroke(TEXT, 0.13)))
            page.hatched += hatching
        feature = drawn.get(str(record["feature"]))
        pen = STROKES["areas"]
        if building:
            pen = replace(pen, width_mm=pen.width_mm * 2)
        outlines = closed if feature is None else list(_outlines_of(page, feature))
        page.shapes["outlines"].append(Shape(outlines, pen))
        page.board.cross(rings, 2)


def _outlines_of(page: Canvas, feature: Feature) -> Iterator[Outline]:
    """Yield the drawn parts of an outline, with true arcs, broken at gaps."""
    run: list[Floats | Arc] = []
    whole = all(piece.kind != "gap" for piece in feature.pieces)
    for piece in feature.pieces:
        if piece.kind != "gap":
            run.append(_piece_on_paper(page, piece))
        elif run:
            yield Outline(tuple(run))
            run = []
    if run:
        yield Outline(tuple(run), closed=whole and feature.kind == "area")


def _piece_on_paper(page: Canvas, piece: Piece) -> Floats | Arc:
    """Return a piece in sheet mm, a true arc where it is one."""
    if piece.centre is None or not piece.radius or not piece.sweep:
        return page.view.local_on_paper(piece.vertices)
    x, y = page.view.local_on_paper(piece.centre).tolist()
    start = piece.start_angle or 0.0
    # the sheet's y runs down: angles change their sense
    return Arc((x, y), page.view.length(piece.radius), -start, -piece.sweep)


def draw_lines(page: Canvas) -> None:
    """Draw the lines, those that hold water back heavier."""
    layer = page.layer("lines")
    if layer is None:
        return
    drawn = {f.name: f for f in page.package.features}
    for record, geometry in zip(layer.records, layer.geometries, strict=True):
        feature = drawn.get(str(record["feature"]))
        lines = list(page.paper([geometry]))
        if not lines:
            continue
        outlines = (
            [Outline((line,)) for line in lines]
            if feature is None
            else list(_outlines_of(page, feature))
        )
        pen = code_pen(page.package.codes.get(str(record["code"])))
        page.shapes["lines"].append(Shape(outlines, pen))
        page.board.cross(lines, 2)


def draw_contours(page: Canvas) -> None:
    """Draw the contours, every fifth heavier."""
    layer = page.layer("contours")
    if layer is None:
        return
    main = [bool(record["is_index"]) for record in layer.records]
    for wanted, pen in ((False, "contours"), (True, "contours-index")):
        chosen = [
            g
            for g, m, r in zip(layer.geometries, main, layer.records, strict=True)
            if m is wanted and not only_interpolated(r)
        ]
        page.add("contours", page.paper(chosen), STROKES[pen], 1)
    far = [g for g, r in zip(layer.geometries, layer.records, strict=True) if only_interpolated(r)]
    page.add("contours", page.paper(far), STROKES["contours-far"], 1)


def draw_water(page: Canvas) -> None:
    """Draw ponds and the paths of drops."""
    ponds = page.layer("ponding")
    if ponds is not None:
        _draw_ponds(page, ponds)
    paths = page.layer("flow_paths")
    if paths is not None:
        lines = list(page.paper(paths.geometries))
        # paths run into each other: what they share is drawn once, or the dashes would close
        once = shapely.line_merge(shapely.union_all(shapely.force_2d(list(paths.geometries))))
        page.add("flow_paths", page.paper([once]), STROKES["flow_paths"])
        heads = [tip for line in lines if (tip := head(line, 2.2 * page.k)) is not None]
        page.shapes["flow_paths"].append(Shape(heads, None, WATER))


def _draw_ponds(page: Canvas, ponds: Layer) -> None:
    """Draw ponds, all at a time: there may be 10,000."""
    rings = page.paper_each(ponds.geometries)
    seen = [i for i, one in enumerate(rings) if one]
    smooth = iter(rounded_each([ring for i in seen for ring in rings[i]], page.cell))
    edges = {i: [Outline((next(smooth),), closed=True) for _ in rings[i]] for i in seen}
    sure = [i for i in seen if significant(ponds.records[i])]
    shapes = page.view_polygons([ponds.geometries[i] for i in sure])
    waves = dict(zip(sure, hatch_each(shapes, 1.5 * page.k, 0.0), strict=True))
    for i in seen:
        if i not in waves:
            page.shapes["ponding"].append(Shape(edges[i], DOUBTFUL))
            continue
        page.shapes["ponding"].append(Shape(edges[i], STROKES["ponding"], POND, 0.8))
        page.shapes["ponding"].append(Shape(waves[i], RIPPLE))
        page.hatched += waves[i]
    page.board.fill_each([edges[i] for i in sure])


def draw_arrows(page: Canvas) -> None:
    """Draw the arrows that tell something and that nothing else needs the room of."""
    layer = page.layer("drainage_arrows")
    if layer is None:
        return
    middles = shapely.get_coordinates(shapely.centroid(np.array(layer.geometries, object)))
    places = page.view.on_paper(middles)
    darts: dict[float, list[Outline]] = {1.0: [], FADED: []}
    for i in _spread(places, page.arrows_apart * page.k, page.view):
        record, (x, y) = layer.records[i], places[i].tolist()
        azimuth = record["azimuth_deg"]
        steep = record["slope_percent"]
        steady = steadiness(record)
        if azimuth is None or azimuth < 0 or steady < TURNING or only_interpolated(record):
            continue
        dart = arrow_symbol(x, y, azimuth, arrow_length(steep) * page.k)
        if not page.board.claim(dart):
            continue
        whole = steady >= STEADY
        darts[1.0 if whole else FADED].append(Outline((dart,), closed=True))
        if steep is not None and whole:
            page.arrow_labels.append((places[i], float(steep)))
    for opacity, outlines in darts.items():
        if outlines:
            page.shapes["drainage_arrows"].append(Shape(outlines, None, WATER, opacity))


def _spread(places: Floats, apart: float, view: View) -> list[int]:
    """Return those of evenly spaced places that lie about so far apart: whole steps, no gaps.

    Steps alone tell nothing at the rim of the ground, where places lie in the middle of what is
    known.
    """
    if len(places) < 3:
        return thin(places, apart, view)
    points = np.asarray(shapely.points(places))
    _, to_next = shapely.STRtree(points).query_nearest(
        points, exclusive=True, return_distance=True, all_matches=False
    )
    step = float(np.median(to_next))
    if not step > 0:
        return thin(places, apart, view)
    # where in its cell most places lie
    turn = np.exp(2j * np.pi * places / step).mean(axis=0)
    number = np.rint(places / step - np.angle(turn) / (2 * np.pi)).astype(np.int64)
    every = max(round(apart / step), 1)
    kept = np.flatnonzero((number % every == 0).all(axis=1))
    return [int(kept[i]) for i in thin(places[kept], 0.5 * step, view)]


def draw_sections(page: Canvas) -> None:
    """Draw sections, grades by their verdict, short distances to parcels, and the baseline."""
    sections = page.layer("sections")
    if sections is not None:
        lines = list(page.paper(sections.geometries))
        page.add("sections", lines, STROKES["sections"])
        ends = [end for line in lines for end in end_ticks(line, 2.0 * page.k)]
        page.add("sections", ends, replace(STROKES["sections"], dash_mm=()))
    grades = page.layer("grades")
    if grades is not None:
        for verdict in ("within", "undecided", "beyond"):
            chosen = [
                g
                for r, g in zip(grades.records, grades.geometries, strict=True)
                if r["verdict"] == verdict
            ]
            page.add("grades", page.paper(chosen), STROKES[f"grades-{verdict}"])
    near = page.layer("parcel_clearances")
    if near is not None:
        lines = [line for _, line in near_parcels(page, near)]
        page.add("parcel_clearances", lines, Stroke(PARCEL, 0.25))
        ends = [end for line in lines for end in end_ticks(line, 1.0 * page.k)]
        page.add("parcel_clearances", ends, Stroke(PARCEL, 0.25))
    baseline = page.layer("baseline")
    if baseline is not None:
        page.add("baseline", page.paper(baseline.geometries), STROKES["baseline"], 1)


def near_parcels(page: Canvas, layer: Layer) -> Iterator[tuple[Mapping[str, Any], Floats]]:
    """Yield those that are close or cannot be told; what is far away needs no drawing."""
    for record, geometry in zip(layer.records, layer.geometries, strict=True):
        for line in page.paper([geometry]):
            if record["verdict"] != "clear" or length_of(line) < 25.0 * page.k:
                yield record, line


def _places(record: Mapping[str, Any], unit_m: float) -> int:
    """Return how many decimals an elevation deserves: two, or as many as its interval bears.

    Examples
    --------
    >>> [_places({"v_95_m": half}, 1.0) for half in (0.07, 0.4, 1.4, None)]
    [2, 1, 1, 2]
    """
    half = record.get("v_95_m")
    return 2 if not half else max(0, min(2, decimals(half / unit_m)))


def draw_marks(page: Canvas) -> list[Mark]:
    """Draw the marks and return those that get a label, each place once."""
    layer = page.layer("points")
    if layer is None:
        return []
    baseline = page.layer("baseline")
    ends = {
        record.get(end)
        for record in (baseline.records if baseline is not None else ())
        for end in ("from_point", "to_point")
    }
    records = layer.records
    places = page.view.on_paper(shapely.get_coordinates(np.array(layer.geometries, object)))
    met = {r["point"]: i for i, r in reversed(list(enumerate(records))) if r["point"]}
    codes = page.package.codes
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
        feature = readable_name(record["feature"]) if code in alone else ""
        told = _places(record, page.package.frame.height_unit_m)
        marks.append(Mark(str(name), feature, record["elevation"], places[i], kind, told))
    crowd.sort()
    kept = thin(places[crowd], 1.2, page.view)
    page.dropped += len(crowd) - len(kept)
    marks += [
        Mark(
            str(records[i]["point"]),
            "",
            records[i]["elevation"],
            places[i],
            "mark",
            _places(records[i], page.package.frame.height_unit_m),
        )
        for i in (crowd[k] for k in kept)
    ]
    walked = [i for i, r in enumerate(records) if not r["point"]]
    _draw_symbols(page, marks, places[walked])
    return marks


def _draw_symbols(page: Canvas, marks: Sequence[Mark], walked: Floats) -> None:
    """Draw the signs of the marks."""
    dots = []
    for mark in marks:
        x, y = mark.place.tolist()
        if mark.kind == "baseline":
            page.shapes["points"] += baseline_symbol(x, y, page.k)
            page.board.take(x, y, 1.5 * page.k)
        elif mark.kind == "inlet":
            page.shapes["points"] += inlet_symbol(x, y, page.k)
            page.board.take(x, y, 1.5 * page.k)
        else:
            dots.append(mark_symbol(x, y, page.k))
            page.board.take(x, y, 0.6 * page.k)
    if dots:
        page.shapes["points"].append(Shape(dots, STROKES["points"], PAPER))
    specks = [
        Outline((Arc((x, y), 0.22 * page.k, 0.0, 2 * math.pi),), closed=True)
        for x, y in walked[_apart(page, walked)].tolist()
    ]
    if specks:
        page.shapes["points"].append(Shape(specks, None, TEXT))


def _apart(page: Canvas, walked: Floats) -> list[int]:
    """Return those of the places without a name that can be told from each other."""
    seen = len(thin(walked, 1e-6, page.view))
    kept: list[int] = []
    for apart in _DOTS_APART:
        kept = thin(walked, apart, page.view)
        if len(kept) <= _MOST_DOTS:
            break
    page.dots_left_out += seen - len(kept)
    return kept
