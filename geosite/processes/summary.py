"""The report in a contractor's words: what to know before the files are used."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Literal

from geosite.base.rounding import alone, places_seen, places_told, seen, written
from geosite.base.spoken_units import spoken
from geosite.base.units import FOOT_M, IN_FEET, SQUARE_FOOT_M2, plural

__all__ = ["Style", "lines", "of_process"]

Style = Literal["title", "plain", "good", "look"]
Line = tuple[Style, str]

_SHOWN = 12
_ANSWERS = 20


def lines(report: Mapping[str, Any]) -> Iterator[Line]:
    """Put a report into lines for people.

    Parameters
    ----------
    report
        What ``build-site`` and ``check-survey`` return, ``report.json`` read back.

    Yields
    ------
    (style, text)
        ``"title"`` a heading, ``"plain"``, ``"good"`` what is as it should be, ``"look"`` what to
        look at before the numbers are used.
    """
    site = report["site"]
    unit = site.get("unit", "m")
    yield "title", site["title"] + (f", {site['date']}" if site["date"] else "")
    yield from _map(report["network"].get("frame"))
    yield from _measured(report, unit)
    yield from _findings(report["findings"])  # they are in the reader's unit already


def _measured(report: Mapping[str, Any], unit: str) -> Iterator[Line]:
    network = report["network"]
    yield from _closure(network["closures"], unit)
    yield from _ties(network["ties"], unit)
    yield from _baseline(network["baseline"], unit)
    yield from _areas(report["areas"], unit)
    if "terrain" in report:  # a check makes no surface
        yield from _ground(report["terrain"])


def _length(length_m: float, unit: str, places: int = 3) -> str:
    """Return a length, rounded in the reader's unit."""
    return f"{seen(length_m / (FOOT_M if unit == 'ft' else 1.0), places)} {unit}"


def _small(length_m: float, unit: str, sign: str = "") -> str:
    """Return a small length in millimetres or tenths of an inch."""
    size, places, symbol = (FOOT_M / 12, 1, "in") if unit == "ft" else (0.001, 0, "mm")
    places = places if sign else places_seen(length_m / size, places)
    return f"{round(length_m / size, places) + 0.0:{sign}.{places}f} {symbol}"


def _map(frame: Mapping[str, Any] | None) -> Iterator[Line]:
    """Say which map the site lies on and where on earth: a wrong digit puts it elsewhere."""
    if frame is None or frame.get("latitude") is None:
        return  # a report of before
    heights = f", heights {frame['vertical_crs']}" if frame["vertical_crs"] else ""
    north, east = frame["latitude"], frame["longitude"]
    yield (
        "plain",
        f"Map: {frame['crs']}{heights}; the site lies at {abs(north):.4f} {'NS'[north < 0]}, "
        f"{abs(east):.4f} {'EW'[east < 0]}",
    )


def _closure(closures: Sequence[Mapping[str, Any]], unit: str) -> Iterator[Line]:
    if not closures:
        yield "look", "Closure: no walk came back to a mark it had left, so nothing checks it"
        return
    # no ratio: closed without a remainder
    worst = min(closures, key=lambda loop: loop["ratio"] or math.inf)
    loops = f"{len(closures)} loops, the worst" if len(closures) > 1 else "one loop,"
    ratio = f"1:{worst['ratio']:.0f}" if worst["ratio"] else "exact"
    yield (
        "good",
        f"Closure: {loops} {_length(worst['misclosure_m'], unit)} off in "
        f"{_length(worst['length_m'], unit, 0)}, {ratio} "
        f"(run {worst['run']}, mark {worst['mark']})",
    )


def _ties(ties: Sequence[Mapping[str, Any]], unit: str) -> Iterator[Line]:
    if ties:
        worst = max(ties, key=lambda tie: tie["spread_m"])
        marks = f"{len(ties)} marks" if len(ties) > 1 else "one mark"
        yield (
            "plain",
            f"Runs: tied at {marks}, up to {_length(worst['spread_m'], unit)} apart before the "
            f"adjustment (mark {worst['mark']})",
        )


def _baseline(check: Mapping[str, Any] | None, unit: str) -> Iterator[Line]:
    if check is None:
        yield "look", "Baseline: only one of its marks has a known place on the map"
        return
    difference = _small(check["measured_m"] - check["mapped_m"], unit, "+")
    yield (
        "good" if abs(check["sigmas"]) <= 3 else "look",
        f"Baseline {check['from']} to {check['to']}: walked {_length(check['measured_m'], unit)}, "
        f"on the map {_length(check['mapped_m'], unit)}, {difference}; "
        f"{_small(check['sigma_m'], unit)} is the standard deviation to expect",
    )


def _areas(areas: Mapping[str, Mapping[str, Any]], unit: str) -> Iterator[Line]:
    by_code: dict[str, list[Mapping[str, float | None]]] = {}
    for area in areas.values():
        by_code.setdefault(area["code"] or "without a code", []).append(area["net_area_m2"])
    if not by_code:
        return
    yield "title", "Areas on the ground"
    width = max(map(len, by_code))
    for code, found in sorted(by_code.items()):
        square = SQUARE_FOOT_M2 if unit == "ft" else 1.0
        whole = sum(one["value"] or 0.0 for one in found) / square
        text = f"  {code:{width}}  {whole:10.{1 if unit == 'ft' else 2}f} {unit}2"
        if len(found) == 1:
            yield "plain", f"  {code:{width}}  {_area(found[0], unit)}"
        else:
            yield "plain", f"{text} in {len(found)} areas"


def _area(found: Mapping[str, float | None], unit: str) -> str:
    """Return an area with half its 95 % interval, rounded in the reader's unit as on all papers."""
    value, low, high = (found.get(key) for key in ("value", "low", "high"))
    square = SQUARE_FOOT_M2 if unit == "ft" else 1.0
    if value is None or low is None or high is None:
        places = 1 if unit == "ft" else 2
        return f"{(value or 0.0) / square:10.{places}f} {unit}2, accuracy not known"
    told = written(value / square, (high - low) / 2 / square, f"{unit}2").replace("\u202f", "")
    return f"{told:>10} (95 %)"


def _ground(terrain: Mapping[str, Any] | None) -> Iterator[Line]:
    if terrain is None or terrain["lowest"] is None:
        yield "look", "Ground: too few marks for a surface, so there are no rasters"
        return
    size, unit = terrain["cell_size"], terrain["unit"]
    yield (
        "plain",
        f"Ground: elevations {terrain['lowest']:.2f} to {terrain['highest']:.2f} "
        f"{plural(terrain['elevation_unit'])} in the raster, {terrain['rows']} x {terrain['cols']} "
        f"cells of {size:g} {unit if size == 1 else plural(unit)}",
    )


def _findings(findings: Sequence[Mapping[str, Any]]) -> Iterator[Line]:
    look = [one for one in findings if one["level"] == "look"]
    notes = [one for one in findings if one["level"] != "look"]
    if not look:
        yield "good", "Nothing needs a look"
    for heading, style, found in (
        ("Look at this before you use the numbers", "look", look),
        ("Worth knowing", "plain", notes),
    ):
        if not found:
            continue
        yield "title", heading
        for one in found[:_SHOWN]:
            line = f":{one['line']}" if one.get("line") else ""
            where = f" ({one['file']}{line})" if one.get("file") else ""
            yield ("look" if style == "look" else "plain"), f"  {one['text']}{where}"
        if len(found) > _SHOWN:
            yield "plain", f"  and {len(found) - _SHOWN} more, in report.json"


def of_process(title: str, summary: Mapping[str, Any]) -> Iterator[Line]:
    """Put what any process says of its run into a few lines for people.

    Parameters
    ----------
    title
        Of the process.
    summary
        What its run returned. A whole report is told by `lines`; of one that says itself what is
        ``told``, that; of anything else the numbers and words are told, in feet where its ``unit``
        is ``"ft"``, a quantity with its interval in one line and rounded by it, a table of
        numbers with its names, and of other lists and tables how many there are.

    Examples
    --------
    >>> list(of_process("Contours", {"interval_m": 0.5, "contours": 12}))
    [('title', 'Contours'), ('plain', '  interval: 0.5 m'), ('plain', '  contours: 12')]
    >>> list(of_process("Set out", {"verdicts": {"can": 4, "cannot": 1}}))
    [('title', 'Set out'), ('plain', '  verdicts: can 4, cannot 1')]
    >>> volume = {"net_m3": 5.30223, "net_low_m3": 1.21538, "net_high_m3": 9.59992}
    >>> list(of_process("Change", volume))
    [('title', 'Change'), ('plain', '  net: 5 m3 (1 to 10)')]
    >>> list(of_process("Sizes", {"told": ["yard: 12 m2"]}))
    [('title', 'Sizes, intervals at 95 %'), ('plain', '  yard: 12 m2')]
    """
    if {"site", "network", "areas", "findings"} <= set(summary):
        yield from lines(summary)
        return
    told = summary.get("told")
    yield "title", title if told is None else f"{title}, intervals at 95 %"
    if told is not None:
        yield from (("plain", f"  {line}") for line in told[:_ANSWERS])
        if len(told) > _ANSWERS:
            yield "plain", f"  and {len(told) - _ANSWERS} more, in the files"
        return
    unit = summary.get("unit", "m")
    if unit in ("m", "ft"):  # of any other, such as percent, the word is told with the numbers
        summary = {key: value for key, value in summary.items() if key != "unit"}
    if unit == "ft":
        summary = _in_feet(summary)
    yield from ((style, spoken(text, unit)) for style, text in _guessed(summary))


def _in_feet(summary: Mapping[str, Any]) -> dict[str, Any]:
    """Return a summary with its metric numbers in feet, before anything is rounded."""

    def turned(key: str, value: Any) -> tuple[str, Any]:
        stem, _, unit = key.rpartition("_")
        if stem and unit in IN_FEET:
            symbol, size = IN_FEET[unit]
            if isinstance(value, int | float) and not isinstance(value, bool):
                return f"{stem}_{symbol}", value / size
            if isinstance(value, Mapping) and {"value", "low", "high"} <= set(value):
                ends = {
                    k: v / size if k in _ENDS and v is not None else v for k, v in value.items()
                }
                return f"{stem}_{symbol}", ends
        return key, _in_feet(value) if isinstance(value, Mapping) else value

    return dict(turned(key, value) for key, value in summary.items())


def _guessed(summary: Mapping[str, Any]) -> Iterator[Line]:
    """Yield what the names of a summary tell of its numbers."""
    for key, value in summary.items():
        if key == "findings" or _is_end_of_interval(key, summary):
            continue
        if (interval := _interval(key, summary)) is not None:
            yield "plain", f"  {interval}"
        elif (said := _fact(key, value)) is not None:
            yield "plain", f"  {said}"
            yield from (("plain", f"    {each}") for each in _each(value))


def _is_plain(value: Any) -> bool:
    return value is None or isinstance(value, bool | int | float | str)


def _words(key: str) -> str:
    words = key.replace("_", " ")
    return f"{words[:-3]} at 95 %" if words.endswith(" 95") else words


def _shown(value: Any) -> str:
    if value is None:
        return "none"
    if isinstance(value, bool):
        return "yes" if value else "no"
    return alone(value, "") if isinstance(value, float) else str(value)


def _number(name: str, value: float, unit: str) -> str:
    """Return a number without an interval; what somebody chose, or holds exactly, in full."""
    if isinstance(value, int) or name.rpartition(" ")[2] in _IN_FULL:
        return f"{value:.6g}"
    return alone(value, unit)


def _is_end_of_interval(key: str, summary: Mapping[str, Any]) -> bool:
    for end in ("_low_", "_high_"):
        stem, found, unit = key.rpartition(end)
        if found and f"{stem}_{unit}" in summary:
            return True
    return False


def _interval(key: str, summary: Mapping[str, Any]) -> str | None:
    """Return a quantity with its 95 % interval, to the decimals that the interval leaves."""
    stem, _, unit = key.rpartition("_")
    value = summary[key]
    low, high = summary.get(f"{stem}_low_{unit}"), summary.get(f"{stem}_high_{unit}")
    if unit not in _UNITS or value is None or low is None or high is None:
        return None
    places = places_told(low, high, 6, 2)
    shown, least, most = (f"{one + 0.0:.{places}f}" for one in (value, low, high))
    return f"{_words(stem)}: {shown} {_UNITS[unit]} ({least} to {most})"


def _each(value: Any) -> Iterator[str]:
    """Yield a line for each thing of a table by name, with its quantities."""
    if not isinstance(value, Mapping):
        return
    named = {str(name): one for name, one in value.items() if isinstance(one, Mapping)}
    told = {name: ", ".join(_quantities(one)) for name, one in named.items()}
    lines = [f"{_words(name)}: {text}" for name, text in told.items() if text]
    yield from lines[:_SHOWN]
    if len(lines) > _SHOWN:
        yield f"and {len(lines) - _SHOWN} more, in the files"


def _quantities(record: Mapping[str, Any]) -> Iterator[str]:
    """Yield the quantities of a record, each with its interval; of several ways the exact one."""
    for key, value in record.items():
        stem, _, unit = key.rpartition("_")
        if isinstance(value, Mapping):
            if {"value", "low", "high"} <= set(value) and unit in _UNITS:
                ends = {f"{stem}_{end}_{unit}": value[end] for end in ("low", "high")}
                yield from _quantities({key: value["value"], **ends})
            elif isinstance(value.get("exact"), Mapping):
                yield from _quantities(value["exact"])
            continue
        if unit not in _UNITS or not isinstance(value, int | float):
            continue
        half = record.get(f"{stem}_95_{unit}")
        if half is not None:
            yield f"{_words(stem)} {written(value, half, _UNITS[unit])}"
        elif (told := _interval(key, record)) is not None:
            yield told.replace(": ", " ", 1)


def _fact(key: str, value: Any) -> str | None:
    stem, _, unit = key.rpartition("_")
    known = unit in _UNITS and bool(stem)
    name = _words(stem if known else key)
    if value is None:
        return f"{name}: none"
    if isinstance(value, bool):
        return f"{name}: {'yes' if value else 'no'}"
    if isinstance(value, int | float):
        return f"{name}: {_number(name, value, unit)}" + (f" {_UNITS[unit]}" if known else "")
    if isinstance(value, str):
        return f"{name}: {value}" if value else None
    if isinstance(value, Mapping) and value and all(map(_is_plain, value.values())):
        return f"{name}: {', '.join(f'{_words(k)} {_shown(v)}' for k, v in value.items())}"
    if isinstance(value, list | tuple | Mapping):
        return f"{name}: {len(value) or 'none'}"
    return None


_IN_FULL = frozenset(("interval", "size", "tolerance", "factor", "width", "limit"))
_ENDS = frozenset(("value", "low", "high", "half_width", "sigma"))
_UNITS = {
    "ft": "ft",
    "ft2": "ft2",
    "yd3": "yd3",
    "m": "m",
    "m2": "m2",
    "m3": "m3",
    "percent": "%",
    "deg": "degrees",
}
