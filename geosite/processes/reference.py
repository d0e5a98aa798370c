"""The reference in words and as JSON: site file, field book, limit sets, outputs."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Mapping
from dataclasses import asdict
from typing import Any, Literal

from geosite.base.errors import InputError, Problem
from geosite.base.problems import did_you_mean, nearest

__all__ = ["TOPICS", "describe_topic"]

Line = tuple[Literal["title", "plain", "good", "look"], str]
WIDTH = 96


def describe_topic(topic: str, part: str | None) -> tuple[list[Line], Mapping[str, Any]]:
    """Return a topic of the reference as lines for people and as JSON-ready facts.

    Parameters
    ----------
    topic
        One of `TOPICS`.
    part
        A table, column, limit set or file; without it the whole topic.

    Raises
    ------
    InputError
        The part is not there.

    Examples
    --------
    >>> lines, facts = describe_topic("site-file", "baseline")
    >>> [key["name"] for key in facts["tables"][0]["keys"]]
    ['from', 'to']
    """
    return TOPICS[topic](part)


def _chosen(part: str, names: list[str], what: str) -> list[str]:
    """Return the names that a part means: itself and what lies below it."""
    wanted = part.strip("[]").casefold()
    # anchor.marks.B1 means the table of any mark
    found = [n for n in names if _matches(n.casefold(), wanted)]
    if found:
        return found
    stems = {name.split(".NAME")[0]: name for name in names}
    close = stems.get(nearest(wanted, stems) or "")
    raise InputError(
        Problem(
            "reference-unknown",
            f'there is no {what} "{part}"',
            "one of " + ", ".join(names[:40]),
            did_you_mean(close, "leave it out to see all"),
        )
    )


def _matches(name: str, wanted: str) -> bool:
    parts, asked = name.split("."), wanted.split(".")
    return len(asked) <= len(parts) and all(
        p in (a, "name") for p, a in zip(parts, asked, strict=False)
    )


def _wrapped(text: str, indent: str) -> list[Line]:
    return [
        ("plain", line)
        for line in textwrap.wrap(text, WIDTH, initial_indent=indent, subsequent_indent=indent)
    ]


def _site_file(part: str | None) -> tuple[list[Line], Mapping[str, Any]]:
    from geosite.fieldbook.reference import tables

    every = tables()
    names = [t.path for t in every]
    shown = names if part is None else _chosen(part, names, "table")
    chosen = [t for t in every if t.path in shown]
    lines: list[Line] = []
    if part is None:
        lines += _wrapped(
            "The site file is TOML. Lengths are numbers in the unit given here, or texts with a"
            ' unit of their own: "4 in", "0.1 m". Starters with every table: geosite new --list.'
            " One table: geosite describe site-file TABLE. For editors: geosite describe site-file"
            " --json-schema.",
            "",
        )
    for table in chosen:
        must = ", required" if table.required and "NAME" not in table.path else ""
        lines.append(("title", f"\n{table.heading}{must}"))
        lines += _wrapped(table.meaning, "  ")
        for key in table.keys:
            lines.append(("good", f"  {key.name} = {key.example}"))
            detail = [key.type + (f", {key.unit}" if key.unit else "")]
            if key.takes_unit:
                detail[0] += ' or with its unit ("4 in")'
            if key.allowed:
                detail.append(key.allowed)
            if key.required:
                detail.append("required")
            elif key.default not in (None, "", (), {}):
                from geosite.fieldbook.reference import toml_value

                detail.append(f"default {toml_value(key.default)}")
            detail.append(f"since {key.since}")
            lines += _wrapped(key.meaning, "      ")
            lines += _wrapped("; ".join(detail), "      ")
    facts = {
        "tables": [
            {**asdict(table), "heading": table.heading, "keys": [_plain(k) for k in table.keys]}
            for table in chosen
        ]
    }
    return lines, facts


def _plain(entry: Any) -> dict[str, Any]:
    return {k: list(v) if isinstance(v, tuple) else v for k, v in asdict(entry).items()}


def _field_book(part: str | None) -> tuple[list[Line], Mapping[str, Any]]:
    from geosite.fieldbook.book_columns import BOOK_COLUMNS, SEGMENTS

    names = [c.name for c in BOOK_COLUMNS]
    shown = names if part is None else _chosen(part, names, "column of the field book")
    lines: list[Line] = []
    if part is None:
        lines += _wrapped(
            "The field book is a table with one row per observation, in walking order: CSV with"
            " commas, semicolons or tabs, decimal points or commas (between commas"
            " in quotes), UTF-8 or UTF-16; a spreadsheet"
            " (.xlsx, .ods); or a layer of points (.gpkg, .shp, .geojson, .fgb, .gml, .tab,"
            " .mif). Headers that differ are mapped by [survey.columns]; other exports: geosite"
            " import.",
            "",
        )
    for column in (c for c in BOOK_COLUMNS if c.name in shown):
        must = "required" if column.required else "may be left out"
        lines.append(("title", f"\n{column.name} ({must})"))
        lines += _wrapped(column.meaning, "  ")
        lines.append(("plain", f"  Example: {column.example}"))
        if column.name == "segment":
            for segment in SEGMENTS:
                lines.append(("good", f"\n  {segment.word}"))
                lines += _wrapped(segment.meaning, "      ")
                lines += [("plain", f"        {row}") for row in segment.drawing]
    facts = {
        "columns": [asdict(c) for c in BOOK_COLUMNS if c.name in shown],
        "segments": [_plain(s) for s in SEGMENTS],
    }
    return lines, facts


def _limits(part: str | None) -> tuple[list[Line], Mapping[str, Any]]:
    import msgspec

    from geosite.analysis.limits import CAUTION, LimitSet, limit_sets

    sets = limit_sets({})
    names = list(sets)
    shown = names if part is None else _chosen(part, names, "limit set")
    others = [key for key in LimitSet.__struct_fields__ if key != "title"]
    lines: list[Line] = []
    if part is None:
        lines += _wrapped(
            f'Limit sets for [grades.lines.NAME] limits = "...". {CAUTION} Your own: a TOML file'
            " named by [grades] limits_file, one table per set, such as [my_walk] with"
            ' title = "Walk of the yard", running = { ratio = "1:20", section = "403.3" },'
            " cross = { percent = 2.0 }, rise_per_run = { metres = 0.76 }. It must have a title."
            f" Other keys: {', '.join(others)}; what is left out has no limit. steeper names the"
            " set that judges a line beyond running; landing_as_wide_as_run is the section of that"
            " rule.",
            "",
        )
    for name in shown:
        one = sets[name]
        lines.append(("title", f"\n{name}: {one.title}"))
        lines += _wrapped(one.source, "  ")
        for key, value in msgspec.to_builtins(one).items():
            if isinstance(value, dict):
                said = ", ".join(f"{k} {v}" for k, v in value.items() if v not in (None, ""))
                lines.append(("plain", f"  {key}: {said}"))
            elif value and key not in ("title", "source"):
                lines.append(("plain", f"  {key}: {value}"))
    return lines, {"limits": {name: msgspec.to_builtins(sets[name]) for name in shown}}


def _outputs(part: str | None) -> tuple[list[Line], Mapping[str, Any]]:
    from geosite.handover.folder.read_first import family_of
    from geosite.processes.outputs import output_files

    files = output_files()
    names = [f["name"] for f in files]
    if part is not None:
        # a layer or table is found by its own name too
        by_layer = [f for f in files for x in f["tables"] if part == x["name"]]
        shown = [f["name"] for f in by_layer] or _chosen_file(part, names)
    else:
        shown = names
    lines: list[Line] = []
    told = set()
    for file in (f for f in files if f["name"] in shown):
        name, purpose = file["name"], file["purpose"]
        family = family_of(name) if part is None else None
        if family in told:
            continue
        if family is not None:
            told.add(family)
            name, purpose = family[1:]
        lines.append(("title" if part else "good", name))
        lines += _wrapped(purpose, "  ")
        for table in file["tables"]:
            if part in [t["name"] for t in file["tables"]] and table["name"] != part:
                continue
            if part is None and file["name"] == f"{table['name']}.csv":
                continue  # told as the file
            kind = f" ({table['geometry']})" if table["geometry"] else ""
            if part is None:
                lines.append(("plain", f"    {table['name']}{kind}: {table['description']}"))
                continue
            lines.append(("good", f"\n  {table['name']}{kind}"))
            lines += _wrapped(table["description"], "  ")
            for one in table["fields"]:
                unit = f", {one['unit']}" if one["unit"] else ""
                lines += _wrapped(
                    f"{one['name']} ({one['type']}{unit}): {one['description']}", "    "
                )
    return lines, {"files": [f for f in files if f["name"] in shown]}


def _chosen_file(part: str, names: list[str]) -> list[str]:
    found = [n for n in names if part.casefold() in (n.casefold(), n.casefold().rsplit(".", 1)[0])]
    return found or _chosen(part, names, "output file or layer")


TOPICS: Mapping[str, Callable[[str | None], tuple[list[Line], Mapping[str, Any]]]] = {
    "site-file": _site_file,
    "field-book": _field_book,
    "limits": _limits,
    "outputs": _outputs,
}
