"""The look of each layer."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from geosite.base.rounding import places_told
from geosite.drawing.ink import PAPER, TEXT, Stroke
from geosite.handover.model import Layer, Package
from geosite.handover.palette import ALERT, BUILDING, EARTH, PARCEL, POND, STROKES, VERDICTS, WATER
from geosite.handover.styles.measures import HOLDS_THE_UNIT, follows_the_unit, measure, shown_in
from geosite.handover.styles.model import Hatch, Label, Look, Rule, Sign, Symbol, Test, Tint, Value
from geosite.handover.styles.signs import (
    DOUBTFUL,
    FADED,
    HATCH,
    RADIUS_MM,
    RIPPLE,
    STEADY,
    TURNING,
    WORDS,
    code_pen,
    code_tints,
)

__all__ = ["contour_digits", "look_of"]


def look_of(layer: Layer, package: Package) -> Look:
    """Return how a layer of a package is drawn.

    Examples
    --------
    A layer that the table of looks does not know gets the pen of its kind of geometry:

    >>> from geosite.base.map_frame import Frame
    >>> pipes = Layer("pipes", "Pipes", "", "LineStringZ", (), [], [])
    >>> (rule,) = look_of(pipes, Package("Yard", "", Frame(), (pipes,))).rules
    >>> rule.title, rule.symbols[0] is STROKES["lines"]
    ('Pipes', True)
    """
    special = _LOOKS.get(layer.name)
    if special is not None:
        return special(layer, package)
    return Look(_plain(layer))


def _plain(layer: Layer) -> tuple[Rule, ...]:
    """Draw a layer that the table does not know."""
    pen = STROKES.get(layer.name)
    symbol: Symbol
    if "Polygon" in layer.geometry_type:
        # no fill: it would hide what is below
        symbol = pen or STROKES["areas"]
    elif "LineString" in layer.geometry_type or "Curve" in layer.geometry_type:
        symbol = pen or STROKES["lines"]
    elif any(field.name == "azimuth_deg" for field in layer.fields):
        symbol = Sign("dart", 4.0, pen.colour if pen else TEXT, turned_by="azimuth_deg")
    else:
        symbol = Sign("ring", 1.6, PAPER, STROKES["points"])
    return (Rule(layer.name, layer.title, (symbol,)),)


def _met(layer: Layer, field: str) -> set[Any]:
    return {record.get(field) for record in layer.records}


def _has(layer: Layer, field: str) -> bool:
    return any(one.name == field for one in layer.fields)


def _others(rules: Sequence[Rule]) -> tuple[Test, ...]:
    """Return the test for what no rule draws yet, so that nothing added later stays unseen."""
    if not rules:
        return ()
    values = tuple(rule.where[0].values[0] for rule in rules)
    return (Test(rules[0].where[0].field, values, other=True),)


def _kept(layer: Layer, rules: Sequence[Rule]) -> tuple[Rule, ...]:
    """Return the rules that draw a feature that is there; all, where no feature is."""
    met = _met(layer, rules[0].where[0].field)
    return tuple(rule for rule in rules if rule.where[0].values[0] in met) or tuple(rules)


def _areas(layer: Layer, package: Package) -> Look:
    met, tints = _met(layer, "code"), code_tints(package.codes)
    rules: list[Rule] = []
    for code, meaning in package.codes.items():
        if code not in met:
            continue
        title = meaning.title or code
        if meaning.building:
            wall = replace(STROKES["areas"], width_mm=STROKES["areas"].width_mm * 2.0)
            symbols: tuple[Symbol, ...] = (Tint(BUILDING), Hatch(HATCH, 1.6, 45.0), wall)
        else:
            symbols = (Tint(tints.get(code, PAPER)), STROKES["areas"])
        rules.append(Rule(code, title, symbols, (Test("code", (code,)),)))
    rules.append(Rule("other", "Other area", (Tint(PAPER), STROKES["areas"]), _others(rules)))
    area = "net_area_m2" if _has(layer, "net_area_m2") else "area_m2"
    words = (
        Value("feature", key=True),
        "\n",
        *measure(area, _bears(layer, package, area, 1), "m2", package.unit),
    )
    label = Label(words, "feature", TEXT, "inside", bold=True, priority=9)
    return Look(tuple(rules), label)


def _lines(layer: Layer, package: Package) -> Look:
    met = _met(layer, "code")
    known = tuple(code for code in package.codes if code in met)
    rules = [
        Rule(
            code,
            package.codes[code].title or code,
            (code_pen(package.codes[code]),),
            (Test("code", (code,)),),
        )
        for code in known
    ]
    rules.append(Rule("other", "Other line", (STROKES["lines"],), _others(rules)))
    label = Label(
        (
            Value("feature", key=True),
            "  ",
            *measure("length_m", _bears(layer, package, "length_m", 2), "m", package.unit),
        ),
        "feature",
        TEXT,
        "along",
        largest_scale=2500.0,
        priority=6,
    )
    return Look(tuple(rules), label)


def _marks(layer: Layer, package: Package) -> Look:
    signs = {
        "baseline": Sign("target", 2.0 * RADIUS_MM["target"], PAPER, Stroke(TEXT, 0.25)),
        "inlet": Sign("grating", 2.0 * RADIUS_MM["grating"], PAPER, Stroke(WATER, 0.35)),
        "mark": Sign("ring", 2.0 * RADIUS_MM["ring"], PAPER, STROKES["points"]),
    }
    rules = [
        Rule(role, WORDS[role].capitalize(), (sign,), (Test("role", (role,)),))
        for role, sign in signs.items()
    ]
    elevation = Value("elevation", 2)
    if any(r.get("v_95_m") for r in layer.records):  # no hundredths where a tenth is doubtful
        sure = Test("v_95_m", high=2.95 * 0.1 * package.frame.height_unit_m)
        elevation = Value("elevation", 1, finer_where=(sure,))
    label = Label(
        (Value("point"), "\n", elevation),
        "point",
        TEXT,
        "beside",
        size_mm=2.0,
        largest_scale=2000.0,
        priority=8,
    )
    return Look(_kept(layer, rules), label)


def _points(layer: Layer, package: Package) -> Look:
    speck = Sign("speck", 2.0 * RADIUS_MM["speck"], TEXT)
    return Look((Rule("walked", WORDS["walked"].capitalize(), (speck,)),), shown=False)


def _contours(layer: Layer, package: Package) -> Look:
    rules = (
        Rule("index", "Index contour", (STROKES["contours-index"],), (Test("is_index", (1,)),)),
        Rule("contour", "Contour", (STROKES["contours"],), (Test("is_index", (0,)),)),
    )
    digits = contour_digits([r["elevation"] for r in layer.records if r.get("elevation")])
    label = Label((Value("elevation", digits),), "elevation", EARTH, "on", size_mm=1.8, priority=3)
    return Look(_kept(layer, rules), label)


def contour_digits(heights: Iterable[float]) -> int:
    """Return the fewest decimals that tell contours apart.

    Examples
    --------
    >>> contour_digits([402.0, 402.5, 403.0])
    1
    """
    steps = np.diff(np.unique(np.round(list(heights), 4)))
    if not len(steps):
        return 2
    return int(np.clip(math.ceil(-math.log10(float(steps.min())) - 1e-6), 0, 3))


def _arrows(layer: Layer, package: Package) -> Look:
    def dart(opacity: float) -> Sign:
        return Sign("dart", 4.6, WATER, None, "azimuth_deg", "slope_percent", opacity)

    told = not layer.records or any(r.get("steadiness") is not None for r in layer.records)
    told = told and _has(layer, "steadiness")
    if told:
        rules: tuple[Rule, ...] = (
            Rule("arrow", _said("arrow"), (dart(1.0),), (Test("steadiness", low=STEADY),)),
            Rule(
                "turning",
                _said("turning"),
                (dart(FADED),),
                (Test("steadiness", low=TURNING, high=STEADY),),
            ),
        )
    else:
        rules = (Rule("arrow", _said("arrow"), (dart(1.0),)),)
    label = Label(
        (Value("slope_percent", 1), " %"),
        "",
        WATER,
        "beside",
        size_mm=1.8,
        largest_scale=250.0,
        where=(Test("steadiness", low=STEADY),) if told else (),
        priority=1,
        every=4,
    )
    return Look(rules, label, _room_for(layer, package, 4.0))


def _said(word: str) -> str:
    return f"Water {WORDS[word]}"


def _room_for(layer: Layer, package: Package, size_mm: float) -> float | None:
    """Return the smallest scale (its number) at which signs of a size do not cover each other."""
    if len(layer.geometries) < 2:
        return None
    places = np.array([(shape.x, shape.y) for shape in layer.geometries])
    span = np.ptp(places, axis=0) * package.frame.unit_m
    apart = math.sqrt(max(float(span[0] * span[1]), 1e-12) / len(places))
    power = 10.0 ** math.floor(math.log10(max(apart * 1000.0 / size_mm, 1.0)))
    return max(m * power for m in (1.0, 2.0, 5.0) if m * power <= max(apart * 1e3 / size_mm, 1.0))


def _ponds(layer: Layer, package: Package) -> Look:
    standing = (Tint(POND, 0.8), Hatch(RIPPLE, 1.5, 0.0), STROKES["ponding"])
    if not _has(layer, "is_significant"):
        rules: tuple[Rule, ...] = (Rule("pond", _said("pond"), standing),)
        where: tuple[Test, ...] = ()
    else:
        where = (Test("is_significant", (1,)),)
        quiet = (Test("is_significant", (0,)),)
        both = (
            Rule("pond", _said("pond"), standing, where),
            Rule("doubtful", _said("doubtful"), (DOUBTFUL,), quiet),
        )
        rules = _kept(layer, both)
    depth, unit = measure("depth_m", 2, "m", package.unit)
    words = (
        depth,
        f"{unit} deep\n",
        *measure("volume_m3", _known(layer, package), "m3", package.unit),
    )
    label = Label(words, "", WATER, "inside", where=where, priority=7)
    return Look(rules, label, cell=package.cell_size)


def _known(layer: Layer, package: Package) -> int:
    """Return the decimals that the best known volume of the ponds bears, for a look has but one."""
    factor, _ = shown_in("m3", package.unit)
    ends = [
        (r.get("volume_low_m3"), r.get("volume_high_m3"))
        for r in layer.records
        if r.get("is_significant", 1)
    ]
    known = [(low, high) for low, high in ends if low is not None and high is not None]
    return max((places_told(low * factor, high * factor, 2) for low, high in known), default=2)


def _bears(layer: Layer, package: Package, field: str, most: int) -> int:
    """Return the decimals that the best known value bears, at most so many, for a look has one."""
    stem, _, unit = field.rpartition("_")
    factor, _ = shown_in(unit, package.unit)
    halves = [half * factor for r in layer.records if (half := r.get(f"{stem}_95_{unit}"))]
    return max((places_told(-half, half, most) for half in halves), default=most)


def _paths(layer: Layer, package: Package) -> Look:
    return Look((Rule("path", WORDS["path"].capitalize(), (STROKES["flow_paths"],)),))


def _catchments(layer: Layer, package: Package) -> Look:
    pen = Stroke(WATER, 0.25, (2.0, 1.0))
    return Look((Rule("catchment", "Edge of a catchment", (pen,)),), shown=False)


def _outflows(layer: Layer, package: Package) -> Look:
    square = Sign("square", 2.0 * RADIUS_MM["square"], WATER, STROKES["points"])
    return Look((Rule("outflow", "Water leaves here", (square,)),), shown=False)


def _grades(layer: Layer, package: Package) -> Look:
    titles = {
        "within": "Grade within its limit",
        "undecided": "Grade undecided at 95 %",
        "beyond": "Grade beyond its limit",
    }
    rules = [
        Rule(verdict, title, (STROKES[f"grades-{verdict}"],), (Test("verdict", (verdict,)),))
        for verdict, title in titles.items()
    ]
    other = Rule("other", "Grade without a limit", (STROKES["lines"],), _others(rules))
    length, unit = measure("value", 1, "m", package.unit)
    words = (
        Value("check_of"),
        " ",
        replace(
            length,
            factor_where=follows_the_unit("value"),
            finer_where=follows_the_unit("value") if package.unit == "m" else (),
        ),
        Value(HOLDS_THE_UNIT, shown={"percent": " %", "m": unit}),
        " ",
        Value("words"),
    )
    label = Label(
        words,
        "words",
        WATER,
        "beside",
        size_mm=2.0,
        largest_scale=1000.0,
        priority=7,
        alert_unless=(Test("verdict", ("within",)),),
    )
    complete = all(_has(layer, part.field) for part in words if isinstance(part, Value))
    return Look((*_kept(layer, rules), other), label if complete else None)


def _sections(layer: Layer, package: Package) -> Look:
    label = Label(("section ", Value("section", key=True)), "section", EARTH, "along", priority=6)
    return Look((Rule("section", WORDS["section"].capitalize(), (STROKES["sections"],)),), label)


def _parcels(layer: Layer, package: Package) -> Look:
    label = Label(("parcel ", Value("parcel")), "parcel", PARCEL, "inside", size_mm=2.6, priority=4)
    return Look((Rule("parcel", WORDS["parcel"].capitalize(), (STROKES["parcels"],)),), label)


_TO_LINE = {
    "clear": Stroke(PARCEL, 0.25),
    "cannot tell": Stroke(ALERT, 0.25, (0.8, 0.6)),
    "crosses": Stroke(ALERT, 0.25),
}


def _clearances(layer: Layer, package: Package) -> Look:
    titles = {
        "clear": "Clear of the parcel line",
        "cannot tell": "Too near the parcel line to tell",
        "crosses": "Over the parcel line",
    }
    rules = [
        Rule(
            verdict,
            title,
            (_TO_LINE[verdict],),
            (Test("verdict", (verdict,)),),
        )
        for verdict, title in titles.items()
    ]
    label = Label(
        (
            Value("feature", key=True),
            ": ",
            Value("verdict"),
            " ",
            *measure(
                "distance_m",
                _bears(layer, package, "distance_m", 2),
                "m",
                package.unit,
                absolute=True,
            ),
        ),
        "verdict",
        PARCEL,
        "middle",
        size_mm=2.4,
        largest_scale=1000.0,
        priority=9,
        alert_unless=(Test("verdict", ("clear",)),),
    )
    return Look(_kept(layer, rules), label)


def _baseline(layer: Layer, package: Package) -> Look:
    return Look((Rule("baseline", "Baseline", (STROKES["baseline"],)),))


def _design(layer: Layer, package: Package) -> Look:
    """Draw what is designed as the section does; the plan leaves it to the sections."""
    pens = {"design_edges": Stroke(ALERT, 0.35, (4.0, 1.2)), "design_lines": Stroke(ALERT, 0.2)}
    return Look((Rule(layer.name, layer.title, (pens[layer.name],)),), shown=False)


def _deviations(layer: Layer, package: Package) -> Look:
    """Draw what was compared with a design, or with a survey before, by its verdict in plan."""
    inks = {"beyond": ALERT, "moved": ALERT, "undecided": PAPER, "within": WATER, "stable": WATER}
    rules = [
        Rule(
            verdict,
            f"In plan {verdict}",
            (Sign("ring", 2.0, ink, Stroke(ALERT if verdict == "undecided" else TEXT, 0.3)),),
            (Test("verdict_plan", (verdict,)),),
        )
        for verdict, ink in inks.items()
    ]
    kept = _kept(layer, rules)
    ring = Sign("ring", 1.6, PAPER, STROKES["points"])
    other = Rule("other", "Without a verdict in plan", (ring,), _others(kept))
    return Look((*kept, other), Label((Value("point"),), "point", TEXT, "beside", priority=6))


def _verdict_areas(layer: Layer, package: Package) -> Look:
    hatches = {"undecided": (45.0,), "beyond": (45.0, -45.0)}
    rules = [
        Rule(
            verdict,
            f"Height {verdict}",
            (
                Tint(tint),
                *(Hatch(Stroke(ALERT, 0.13), 2.0, angle) for angle in hatches.get(verdict, ())),
                Stroke(TEXT, 0.13),
            ),
            (Test("verdict", (verdict,)),),
        )
        for verdict, tint in VERDICTS.items()
    ]
    return Look(_kept(layer, rules))


def _snapped(layer: Layer, package: Package) -> Look:
    return Look(_plain(layer), shown=False)


_LOOKS = {
    "areas": _areas,
    "areas_snapped": _snapped,
    "baseline": _baseline,
    "catchments": _catchments,
    "contours": _contours,
    "design_edges": _design,
    "design_lines": _design,
    "deviations": _deviations,
    "displacements": _deviations,
    "drainage_arrows": _arrows,
    "flow_paths": _paths,
    "grades": _grades,
    "lines": _lines,
    "marks": _marks,
    "outflows": _outflows,
    "parcel_clearances": _clearances,
    "parcels": _parcels,
    "points": _points,
    "ponding": _ponds,
    "sections": _sections,
    "verdict_areas": _verdict_areas,
}
