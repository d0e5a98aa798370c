"""What one question about a site came to, in lines for a terminal."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any

from geosite.base.errors import Finding
from geosite.base.rounding import alone, places_told, written
from geosite.handover.model import Package
from geosite.handover.wording.measures import Measures, grade_told, verdict_told
from geosite.handover.wording.paper_units import UNITS, PaperUnit

__all__ = ["QUESTIONS", "answer_lines", "findings_about"]

Record = Mapping[str, Any]
Records = Mapping[str, Sequence[Record]]

_WORST_FIRST = ("beyond", "crosses", "undecided", "cannot tell", "not measured")
_SYMBOLS = {"percent": "%", "deg": "degrees"}
#: Beginnings of the codes of findings that belong to one question, or to none of these.
_ABOUT = {
    "areas": (
        "alternatives",
        "design-replaces",
        "edges-snapped",
        "prices",
        "surface-partly-covered",
        "walked-twice",
    ),
    "grades": ("grade-", "limits-not-local"),
    "parcels": ("design-parcel-", "parcel-", "parcels-"),
    "": ("design", "fall-from-building", "flat-paving", "flow-path-", "pond", "runoff-"),
}


def answer_lines(question: str, package: Package) -> list[str]:
    """Return the answer to a question line by line, in the site's unit, the worst first.

    Parameters
    ----------
    question
        One of `QUESTIONS`.
    package
        Its layers, tables and unit.

    Examples
    --------
    >>> from geosite.base.map_frame import Frame
    >>> from geosite.handover.model import Table
    >>> pair = {"from_point": "A", "to_point": "B", "horizontal_m": 3.048, "horizontal_95_m": 0.061}
    >>> table = Table("distances", "", (), [pair])
    >>> answer_lines("distances", Package("Yard", "", Frame(), tables=(table,), unit="ft"))
    ['A to B: 10.00 +/- 0.20 ft level']
    """
    records = {one.name: one.records for one in package.layers}
    records |= {one.name: one.records for one in package.tables}
    # a terminal may know neither raised figures nor the narrow blank between thousands
    plain = str.maketrans({"²": "2", "³": "3", "\u202f": ""})
    return [line.translate(plain) for line in QUESTIONS[question](records, UNITS[package.unit])]


def findings_about(question: str, package: Package) -> tuple[Finding, ...]:
    """Return the findings without those that belong to another question alone.

    What is wrong with the survey itself belongs to all.

    Examples
    --------
    >>> from geosite.base.map_frame import Frame
    >>> codes = ("leg-off", "pond", "parcel-line", "design-parcel-line", "design-fall")
    >>> package = Package("", "", Frame(), findings=tuple(Finding("look", c, "") for c in codes))
    >>> [found.code for found in findings_about("parcels", package)]
    ['leg-off', 'parcel-line', 'design-parcel-line']
    """
    graded = (one.records for one in package.layers if one.name == "grades")
    default = any(r.get("limit_from") == "default" for records in graded for r in records)

    def belongs(code: str) -> bool:
        if code == "limits-not-local" and not default:
            return False  # said of the falls from buildings
        fitting = [
            (len(start), asked)
            for asked, starts in _ABOUT.items()
            for start in starts
            if code.startswith(start)
        ]
        return not fitting or max(fitting)[1] == question

    return tuple(found for found in package.findings if belongs(found.code))


def _told(record: Record, column: str, unit: PaperUnit) -> str:
    """Return a number of a record with its interval, rounded by it; empty where there is none."""
    value = record.get(column)
    if value is None:
        return ""
    stem, _, metric = column.rpartition("_")
    factor, symbol = (1.0, _SYMBOLS[metric]) if metric in _SYMBOLS else unit.of(metric)
    low, high = record.get(f"{stem}_low_{metric}"), record.get(f"{stem}_high_{metric}")
    if low is not None and high is not None:
        places = places_told(low * factor, high * factor, 6, 2)
        shown, least, most = (f"{one * factor + 0.0:.{places}f}" for one in (value, low, high))
        return f"{shown} {symbol} ({least} to {most})"
    half = record.get(f"{stem}_95_{metric}")
    if half is None or not math.isfinite(half):
        return f"{written(value * factor, None, symbol)} (accuracy not known)"
    return written(value * factor, half * factor, symbol)


def _joined(parts: Sequence[tuple[str, str]]) -> str:
    """Return measured numbers each with its word, without those that are not there."""
    return ", ".join(words.format(number) for words, number in parts if number)


def _rank(record: Record) -> tuple[int, float]:
    verdict, value, limit = (record.get(key) for key in ("verdict", "value", "limit_value"))
    rank = _WORST_FIRST.index(verdict) if verdict in _WORST_FIRST else len(_WORST_FIRST)
    return rank, -abs(value / limit) if value is not None and limit else 0.0


def _grades(records: Records, unit: PaperUnit) -> Iterator[str]:
    factor, symbol = unit.m
    for r in sorted(records.get("grades", ()), key=_rank):
        measured, limit = "not measured", ""
        percent = r.get("unit") == "percent"
        if r.get("value") is not None:
            measured = grade_told(r, Measures("ft" if symbol == "ft" else "m"))
        if r.get("limit_value") is not None:
            most = r["limit_value"] * (1.0 if percent else factor)
            limit = f", limit {most:.3g} {'%' if percent else symbol}"
        verdict = verdict_told(r)
        told = f"{measured}{limit}" + (f": {verdict}" if verdict != measured else "")
        rule = " ".join(str(r[key]) for key in ("limits", "section") if r.get(key))
        stretch = f"{r.get('from_point') or ''} to {r.get('to_point') or ''}"
        yield f"{r['line']}, {r['check_of']}, {stretch}: {told}" + (f" ({rule})" if rule else "")


def _distances(records: Records, unit: PaperUnit) -> Iterator[str]:
    for r in records.get("distances", ()):
        parts = (
            ("{} level", "horizontal_m"),
            ("rise {}", "rise_m"),
            ("grade {}", "grade_percent"),
            ("azimuth {}", "azimuth_deg"),
        )
        told = _joined([(words, _told(r, column, unit)) for words, column in parts])
        yield f"{r['from_point']} to {r['to_point']}: {told}"
    for r in records.get("angles", ()):
        at = f"angle at {r['at_point']} from {r['from_point']} to {r['to_point']}"
        yield f"{at}: {_told(r, 'angle_deg', unit)}"
    sides = records.get("edges", ())
    if sides:
        yield f"sides and corners of features: {len(sides)}, in edges.csv"


def _quantities(records: Records, unit: PaperUnit) -> Iterator[str]:
    rows = records.get("quantities", ())
    for r in (r for r in rows if not r.get("feature")):
        gross, net = (_told(r, f"{which}_area_m2", unit) for which in ("gross", "net"))
        parts = [
            ("{}", net),
            ("{} with what lies in it", gross if gross != net else ""),
            ("edge {}", _told(r, "edging_m", unit)),
            ("{} long", _told(r, "length_m", unit)),
            ("volume {}", _told(r, "volume_m3", unit)),
            ("{}", _pieces(r.get("count")) if r.get("kind") == "point" else ""),
        ]
        yield f"{r['code'] or 'without a code'}: {_joined(parts)}{_ordered(r, unit)}"


def _pieces(count: int | None) -> str:
    return "" if not count else f"{count} piece{'s' * (count > 1)}"


def _ordered(record: Record, unit: PaperUnit) -> str:
    """Say what is ordered of a code, its waste in it, or why nothing is."""
    by = record.get("order_by")
    if by == "existing":
        return "; is there and stays"
    if by == "elsewhere":
        return f"; counted in {record.get('counted_in')}"
    column = {"volume": "order_volume_m3", "area": "order_area_m2", "length": "order_length_m"}
    if by == "material" and record.get("order_material") is not None:
        told = written(record["order_material"], record.get("order_material_95"))
        told = f"{told} {record.get('material_unit') or ''}".rstrip()
    else:
        told = _told(record, column[by], unit) if by in column else ""
    waste = record.get("waste_percent")
    with_waste = f" with {waste:g} % waste" if waste else ""
    return f"; to order {told}{with_waste}" if told else ""


def _sections(records: Records, unit: PaperUnit) -> Iterator[str]:
    parts = (("{} long", "length_m"), ("climbs {}", "rise_m"), ("falls {}", "fall_m"))
    for r in records.get("sections", ()):
        told = _joined([(words, _told(r, column, unit)) for words, column in parts])
        yield f"{r['section']}: {told}"


def _earthworks(records: Records, unit: PaperUnit) -> Iterator[str]:
    parts = (("cut {}", "cut_m3"), ("fill {}", "fill_m3"), ("cut less fill {}", "net_m3"))
    for r in records.get("earthworks", ()):
        if r.get("method") == "exact":  # the other methods check this one, in the file
            told = _joined([(words, _told(r, column, unit)) for words, column in parts])
            yield f"{r['earthwork']} on {r['feature']}: {told}"


def _parcels(records: Records, unit: PaperUnit) -> Iterator[str]:
    verdicts = {
        "crosses": "reaches over",
        "cannot tell": "cannot tell, measured {}",
        "clear": "clear of",
    }
    near = records.get("parcel_clearances", ())
    for r in sorted(near, key=lambda r: (*_rank(r)[:1], r.get("distance_m") or 0.0)):
        distance, verdict = r.get("distance_m"), str(r.get("verdict") or "")
        if distance is None or verdict not in verdicts:
            continue
        side = "over" if distance < 0 else "short of"
        size = _told({**r, "distance_m": abs(distance)}, "distance_m", unit)
        line = f"the line of parcel {r['parcel']} by {size}"
        yield f"{r['feature']}: {verdicts[verdict].format(side)} {line}"
    for r in records.get("parcel_shares", ()):
        share = r.get("share_of_parcel")
        part = f", {100 * share:.1f} % of the parcel" if share is not None else ""
        yield f"{r['feature']} in parcel {r['parcel']}: {_told(r, 'area_m2', unit)}{part}"


def _deviations(records: Records, unit: PaperUnit) -> Iterator[str]:
    """Tell what was built against the design, what is beyond first."""
    factor, symbol = unit.m

    def worst(r: Record) -> tuple[int, float]:
        ranks = [_rank({"verdict": r.get(key)})[0] for key in ("verdict_plan", "verdict_height")]
        return min(ranks), -abs(r.get("plan_m") or 0.0)

    found = records.get("deviations", ())
    yield from _verdicts(found, "places", ("beyond", "undecided", "within"))
    columns = (
        ("mean height above the design {}", "mean_m"),
        ("{} lie above it", "above_m3"),
        ("{} are missing below it", "below_m3"),
        ("laid since the survey before {}", "placed_m3"),
    )
    for r in records.get("surfaces", ()):
        told = _joined([(words, _told(r, column, unit)) for words, column in columns])
        share = r.get("share_within")
        within = f", {100 * share:.0f} % of it within its tolerance" if share is not None else ""
        yield f"surface {r['code']}: {told}{within}"
    for r in sorted(found, key=worst):
        parts = []
        for axis, column in (("plan", "plan_m"), ("height", "up_m")):
            told, limit = _told(r, column, unit), r.get(f"{axis}_limit_m")
            verdict = r.get(f"verdict_{axis}")
            held = f" of {limit * factor:.3g} {symbol} allowed" if limit is not None else ""
            parts += [f"{axis} {told}{held}" + (f": {verdict}" if verdict else "")] if told else []
        yield f"{r['point']}: {'; '.join(parts)}"


def _verdicts(found: Sequence[Record], what: str, verdicts: Sequence[str]) -> Iterator[str]:
    """Count verdicts, in plan and in height."""
    for axis in ("plan", "height"):
        told = [r.get(f"verdict_{axis}") for r in found]
        counts = ", ".join(f"{told.count(one)} {one}" for one in verdicts)
        if any(told):
            yield f"{len(told) - told.count(None)} {what} in {axis}: {counts}"


def _displacements(records: Records, unit: PaperUnit) -> Iterator[str]:
    """Tell how far common marks moved, those that did first, and what became of the ground."""
    ranks = ("moved", "undecided", "stable")

    def worst(r: Record) -> int:
        told = (r.get("verdict_plan"), r.get("verdict_height"))
        return min(ranks.index(one) if one in ranks else len(ranks) for one in told)

    for r in records.get("ground", ()):
        rose, fell = (
            f"{way} by {_told(r, f'{stem}_m3', unit)}"
            if r[f"{stem}_m3"] or r[f"{stem}_high_m3"]
            else f"{way} nowhere"
            for way, stem in (("rose", "raised"), ("fell", "lowered"))
        )
        yield f"ground, where it is more than noise: {rose}, {fell}"
        size, symbol = unit.m2
        yield (
            f"ground, all {alone(r['compared_m2'] * size, 'm2')} {symbol} compared: rose less "
            f"fell {_told(r, 'net_m3', unit)}"
        )
    marks = records.get("displacements", ())
    yield from _verdicts(marks, "common marks", ranks)
    for r in sorted(marks, key=worst):
        axes = (("plan", "horizontal_m"), ("height", "up_m"))
        parts = [f"{a} {_told(r, c, unit)}: {r.get(f'verdict_{a}')}" for a, c in axes]
        yield f"{r['point']}: {'; '.join(parts)}"


_SET = {
    "can": "can be set out within the tolerance",
    "cannot": "cannot be set out within the tolerance",
    "undecided": "cannot tell whether within the tolerance",
}


def _setting_out(records: Records, unit: PaperUnit) -> Iterator[str]:
    """Tell the points to set out, as the slip does, those that cannot be set out well first."""
    factor, symbol = unit.m
    ranks = ("cannot", "undecided", "can")

    def worst(r: Record) -> int:
        return ranks.index(r["verdict"]) if r.get("verdict") in ranks else len(ranks)

    for r in sorted(records.get("setting_out", ()), key=worst):
        side = "right" if r["offset"] >= 0 else "left"
        cut = r.get("cut_m")
        work = "cut" if cut is not None and cut >= 0 else "fill"
        size = {**r, "cut_m": None if cut is None else abs(cut)}
        error = r.get("error_95_m")
        parts = (
            (f"along {{}} {symbol}", f"{r['along']:.2f}"),
            (f"{{}} {symbol} to the {side}", f"{abs(r['offset']):.2f}"),
            (f"{work} {{}}", _told(size, "cut_m", unit)),
            (
                f"the device comes within {{}} {symbol}",
                "" if error is None else f"{error * factor:.3f}",
            ),
        )
        verdict = _SET.get(r.get("verdict") or "")
        yield f"{r['point']}: {_joined(parts)}" + (f": {verdict}" if verdict else "")


QUESTIONS: Mapping[str, Callable[[Records, PaperUnit], Iterator[str]]] = {
    "areas": _quantities,
    "deviations": _deviations,
    "displacements": _displacements,
    "distances": _distances,
    "earthworks": _earthworks,
    "grades": _grades,
    "parcels": _parcels,
    "sections": _sections,
    "setting_out": _setting_out,
}
"""By question: what makes its lines of layers and tables."""
