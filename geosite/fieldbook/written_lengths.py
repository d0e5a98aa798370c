"""Lengths of the site file as they are written: ``0.1``, ``"0.1 m"`` or ``"4 in"``.

The types of the structs say which numbers are lengths and in which unit they are kept. Texts with a
unit are turned into numbers before the structs are made.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

import msgspec
from msgspec import inspect

from geosite.base.errors import Finding
from geosite.base.problems import Problems, shown
from geosite.base.units import BETWEEN_FEET, FOOT_M, LENGTH_UNITS, length_m
from geosite.fieldbook.sitefile import SiteFile
from geosite.reading.toml_lines import TomlText

__all__ = ["Number", "look_at_numbers", "numbers", "with_lengths"]

LENGTHS = ("m", "map unit", "elevation unit")
_ACCURACIES = {"sigma", "sigma_elevation", "constant", "accuracy_m", "geoid_height"}
"""Known in metres by custom, wherever the survey is in feet."""


@dataclass(frozen=True, slots=True)
class Number:
    """A number of the site file whose unit its type knows.

    Parameters
    ----------
    path
        Keys from the top, ``("codes", "asphalt", "depth")``.
    value
        As written: a number, or a text with a unit.
    unit
        In which it is kept: ``"m"``, ``"map unit"``, ``"elevation unit"``, ``"degree"``, ...
    usual : (least, most) or None
        Outside of it somebody should be asked.
    ask
        What is asked then; blank for whether it is meant so.
    """

    path: tuple[str, ...]
    value: Any
    unit: str
    usual: tuple[float, float] | None
    ask: str


@cache
def _site_type() -> inspect.Type:
    return inspect.type_info(SiteFile)


def numbers(tree: Any) -> Iterator[Number]:
    """Yield every number with a unit in the tables of a site file.

    Examples
    --------
    >>> [n.unit for n in numbers({"codes": {"asphalt": {"depth": "4 in"}}})]
    ['m']
    """
    yield from _walk(tree, _site_type(), ())


def _walk(value: Any, kind: inspect.Type, path: tuple[str, ...]) -> Iterator[Number]:
    for one in kind.types if isinstance(kind, inspect.UnionType) else (kind,):
        if isinstance(one, inspect.Metadata):
            extra: Mapping[str, Any] = one.extra or {}
            if "unit" in extra and not isinstance(value, dict | list):
                yield Number(path, value, extra["unit"], extra.get("usual"), extra.get("ask", ""))
        elif isinstance(one, inspect.StructType) and isinstance(value, dict):
            fields = {field.encode_name: field.type for field in one.fields}
            for key, inner in value.items():
                if key in fields:
                    yield from _walk(inner, fields[key], (*path, key))
        elif isinstance(one, inspect.DictType) and isinstance(value, dict):
            for key, inner in value.items():
                yield from _walk(inner, one.value_type, (*path, key))


def with_lengths(tree: dict[str, Any], place: TomlText, problems: Problems) -> None:
    """Put numbers in the place of texts with a unit, in the tree itself.

    Parameters
    ----------
    tree
        Tables of a site file.
    place
        Where they are written, for messages.
    problems
        Receives texts that are no length; a 1 stands in their place, so that each is told once.

    Examples
    --------
    >>> tree = {"codes": {"asphalt": {"depth": "4 in"}}}
    >>> with_lengths(tree, TomlText("site.toml", ""), Problems())
    >>> tree["codes"]["asphalt"]["depth"]
    0.1016
    """
    for number in list(numbers(tree)):
        if not isinstance(number.value, str) or number.value.startswith("GAP"):
            continue
        metres = length_m(number.value) if number.unit in LENGTHS else None
        table = tree
        for key in number.path[:-1]:
            table = table[key]
        if metres is None:
            problems.add(
                "value-refused",
                f"{'.'.join(number.path)} is {shown(number.value)}",
                f'a length such as "0.1 m" or "4 in", in {", ".join(LENGTH_UNITS)}'
                if number.unit in LENGTHS
                else f"a number, in {number.unit}, without quotes",
                "write a number without quotes, with a decimal point, or put its unit behind it"
                if number.unit in LENGTHS
                else "write it without quotes and unit",
                place.file,
                place.line(*number.path),
            )
            table[number.path[-1]] = 1.0
            continue
        size = 1.0 if number.unit == "m" else _map_unit_m(tree, number.unit)
        table[number.path[-1]] = _whole(metres / size) if number.unit != "m" else metres


def _whole(value: float) -> float:
    """Return a length in map units, the two feet taken as one: 1 ft is a cell of 1."""
    near = round(value, 4)
    return near if near and abs(value / near - 1) < BETWEEN_FEET else round(value, 12)


def _map_unit_m(tree: dict[str, Any], unit: str) -> float:
    """Return metres per unit of the map or of its elevations, 1 where the CRS cannot be read."""
    from geosite.base.errors import InputError
    from geosite.base.map_frame import length_unit
    from geosite.reading.crs import read_systems

    anchor: Any = tree.get("anchor")
    try:
        horizontal, vertical = read_systems(anchor["crs"], anchor.get("vertical_crs"))
    except (InputError, TypeError, KeyError, AttributeError):
        return 1.0  # told when the CRS is read
    return length_unit(vertical if vertical and unit == "elevation unit" else horizontal)[0]


def look_at_numbers(
    raw: Mapping[str, Any], site: SiteFile, place: TomlText, findings: list[Finding]
) -> None:
    """Ask about numbers that are hardly meant so, and about metres in a survey in feet.

    Parameters
    ----------
    raw
        Tables as they were written, before texts became numbers.
    site
        The same as structs.
    place, findings
        Where they are written; receives the questions.
    """
    in_feet = site.survey.unit != "m"
    written = {number.path: number.value for number in numbers(raw)}
    for number in numbers(msgspec.to_builtins(site)):
        if number.path not in written or not isinstance(number.value, int | float):
            continue
        name = ".".join(number.path)
        line = place.line(*number.path)
        bare = not isinstance(written[number.path], str)
        if number.usual is not None and number.value:
            least, most = number.usual
            if not least <= number.value <= most:
                # in quotes: what is written stays as it is in every reader's unit
                in_feet_too = f", {number.value / FOOT_M:.4g} ft" if number.unit == "m" else ""
                other = ', or in another unit, such as "4 in"' if number.unit == "m" else ""
                text = (
                    f'{name} is "{number.value:g} {number.unit}"{in_feet_too}; usual is'
                    f' "{least:g} to {most:g} {number.unit}". '
                    + (number.ask or f"Is it meant so{other}?")
                )
                findings.append(Finding("look", "value-improbable", text, place.file, line))
                continue
        if (
            in_feet
            and bare
            and number.unit == "m"
            and number.value
            and number.path[-1] not in _ACCURACIES
        ):
            text = (
                f"{name} = {number.value:g} is taken as metres ({number.value / FOOT_M:.4g} ft),"
                f' and the walk is in feet: write "{number.value:g} ft" or "{number.value:g} m"'
                " to say which."
            )
            findings.append(Finding("look", "length-without-unit", text, place.file, line))
