"""The site file of an import: what is known filled in, what is not marked as a gap."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping

from geosite.fieldbook.imports.model import Answers, Unit
from geosite.fieldbook.imports.walks import Baseline, Observations
from geosite.fieldbook.model import assumed_geometry
from geosite.fieldbook.read_site_file import GAP
from geosite.fieldbook.reference import toml_value

__all__ = ["site_text"]

Gap = Callable[[str, str], str]

_UNITS = "m, ft or ftUS, the unit of x, y and z"
_LINES = re.compile(
    r"kerb|curb|fence|wall|edge|line|pipe|cable|hedge|path|walk|ditch|gutter|rail", re.IGNORECASE
)
"""Words in the names of things that are lines on most sites."""
_BARE = re.compile(r"[A-Za-z0-9_-]+")


def site_text(
    found: Observations,
    baseline: Baseline,
    unit: Unit | None,
    answers: Answers,
    sources: tuple[str, ...],
) -> tuple[str, tuple[str, ...]]:
    """Return the site file, and the keys in it that stand open."""
    gaps: list[str] = []

    def gap(key: str, wanted: str) -> str:
        gaps.append(key)
        return toml_value(f"{GAP}: {wanted}")

    lines = [
        "# Made by geosite import from " + ", ".join(sources) + ".",
        f"# What starts with {GAP} could not be known: put the value in its place, then run",
        "#   geosite check site.toml",
        "# Every key: geosite describe site-file. Not a boundary survey, no certificate of",
        "# accessibility or drainage design. Have buried services located before anybody digs.",
        "",
        "[site]",
        f"title = {toml_value(answers.title or 'Imported walk')}",
        "",
        "[survey]",
        'file = "field_book.csv"',
        f"unit = {toml_value(unit) if unit else gap('survey.unit', _UNITS)}",
        "",
        "[baseline]",
        f"from = {toml_value(baseline.start)}",
        f"to = {toml_value(baseline.end)}",
        "",
        "[anchor]",
        f"crs = {_crs(answers, gap)}",
        "",
    ]
    marks = answers.marks or {baseline.start: (), baseline.end: ()}
    for name, place in marks.items():
        lines += _mark(name, place, gap)
    if len(marks) == 1:
        along = f"degrees clockwise from north, from {baseline.start} to {baseline.end}"
        lines += [
            "[anchor.azimuth]",
            f"value = {gap('anchor.azimuth.value', along)}",
            'reference = "grid"              # "grid", "true" or "magnetic" (needs a date)',
            "",
        ]
    for code, size in _codes(found).items():
        shape = "line" if size > 1 and _LINES.search(code) else assumed_geometry(size)
        lines += [
            f"[codes.{_key(code)}]",
            f'geometry = {toml_value(shape):17}# "area", "line" or "point": guessed, look at it',
            "",
        ]
    return "\n".join(lines), tuple(gaps)


def _crs(answers: Answers, gap: Gap) -> str:
    wanted = 'projected CRS of the map, such as "EPSG:25832"'
    return toml_value(answers.crs) if answers.crs else gap("anchor.crs", wanted)


def _mark(name: str, place: tuple[float, ...], gap: Gap) -> list[str]:
    lines = [f"[anchor.marks.{_key(name)}]"]
    for k, key in enumerate(("easting", "northing")):
        path = f"anchor.marks.{name}.{key}"
        value = repr(place[k]) if len(place) > k else gap(path, f"{key} of {name}, map units")
        lines.append(f"{key} = {value}")
    if len(place) > 2:
        lines.append(f"elevation = {place[2]!r}")
    else:
        lines.append("# elevation = 0.0               # without it elevations are relative")
    lines += ["# sigma = 0.02                  # how well its place is known, metres", ""]
    return lines


def _key(name: str) -> str:
    return name if _BARE.fullmatch(name) else toml_value(name)


def _codes(found: Observations) -> Mapping[str, int]:
    """Return the codes with the largest number of marks in one feature."""
    codes = found.cells.get("code")
    if codes is None:
        return {}
    features = found.cells.get("feature", ("",) * len(codes))
    marks: dict[str, dict[str, set[str]]] = {}
    for row, (code, feature) in enumerate(zip(codes, features, strict=True)):
        if code:
            point = found.points[row] or f"row {row}"
            marks.setdefault(code, {}).setdefault(feature, set()).add(point)
    return {
        code: max((len(p) for f, p in by.items() if f), default=1) for code, by in marks.items()
    }
