"""What an import found, in words."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Literal

from geosite.base.problems import shown
from geosite.fieldbook.imports.importing import Imported
from geosite.fieldbook.imports.model import ROLES, Sureness, Walked
from geosite.reading.delimited import TextTable
from geosite.reading.faulty_rows import SEPARATORS

__all__ = ["facts", "preview"]

_SURE = {"sure": "sure", "likely": "likely", "guess": "a guess, check it"}
Style = Literal["title", "plain", "good", "look"]


def preview(made: Imported) -> Iterator[tuple[Style, str]]:
    """Put an import into lines for people."""
    for one in made.walked:
        yield from _source(one)
    for sheet in made.passed_over:
        yield "look", f"{sheet}: no coordinates, passed over (--layer takes what it names)"
    found = made.found
    runs = list(dict.fromkeys(found.runs))
    yield "title", "The survey"
    walks = f"{len(runs)} walks ({', '.join(runs[:6])}{', ...' if len(runs) > 6 else ''})"
    yield (
        "plain",
        f"  {len(found.runs)} observations, {walks if len(runs) > 1 else f'one walk ({runs[0]})'}"
        + (f", told apart by {found.split}" if found.split else ""),
    )
    base = made.baseline
    unit = made.unit or "units"
    yield (
        "plain" if base.sureness in ("told", "sure") else "look",
        f"  Baseline {base.start} to {base.end}, {base.length:.3f} {unit} long:"
        f" {_why(base.why, base.sureness)}",
    )
    if made.unit is None:
        yield "look", "  Unit: nothing says it; say --unit or --baseline-length, or fill the gap"
    else:
        yield "plain", f"  Unit {made.unit}: {_why(made.unit_why, made.unit_sureness)}"
    if found.named:
        yield (
            "look",
            "  No column names the marks: they are numbered, and B1, B2 are the first two of every"
            " walk",
        )
    if "feature" not in found.cells:
        yield (
            "look",
            "  No column names the shapes: nothing is drawn until the column feature is filled;"
            " where a column of the export names them, say which with --column feature=NAME",
        )
    if any(c.sureness == "guess" for one in made.walked for c in one.columns.values()):
        yield (
            "look",
            "  Without a header, x before y is the usual order; the other way round the site is a"
            " mirror image: compare the sketch with the ground",
        )
    if made.gaps:
        yield "title", "Gaps to fill in site.toml"
        for key in made.gaps:
            yield "look", f"  {key}"


def _why(why: str, sureness: Sureness) -> str:
    """Say what something is taken from and how sure that is; what was told needs no more words."""
    return why if sureness == "told" else f"{why} ({_SURE[sureness]})"


def _source(one: Walked) -> Iterator[tuple[Style, str]]:
    table = one.source.table
    kind = (
        table.encoding
        if table.encoding in ("a layer", "a sheet")
        else f"{table.encoding}, {SEPARATORS[table.separator]}s, decimal"
        f" {'comma' if table.decimal == ',' else 'point'}"
    )
    yield "title", f"{one.source.file}: {len(one.lines)} rows ({kind})"
    for words in table.guessed:
        yield "look", f"  {words[:1].upper()}{words[1:]}"
    for role in (r for r in ROLES if r in one.columns):
        column = one.columns[role]
        sample = (
            ", ".join(f"{v + 0.0:.10g}" for v in one.xyz[:3, "xyz".index(role)].tolist())
            if role in "xyz"
            else ", ".join(c for c in dict.fromkeys(one.cells[role]) if c)[:40]
        )
        why = _why(column.why, column.sureness)
        yield (
            "look" if column.sureness == "guess" else "plain",
            f"  {role:8} column {column.index + 1:<2} {why}: {sample}",
        )
    if one.titles:
        named = ", ".join(f"line {line} {shown(words, 30)}" for line, words in one.titles[:3])
        rest = f" and {len(one.titles) - 3} more" if len(one.titles) > 3 else ""
        yield "look", f"  taken for titles, not for marks: {named}{rest}"
    used = {column.index for column in one.columns.values()}
    unused = [
        f"{i + 1}, which begins with {shown(top, 30)}" if top else str(i + 1)
        for i, top in enumerate(_top(table))
        if i not in used
    ]
    if unused:
        yield "plain", f"  not used: column {'; '.join(unused)}"


def _top(table: TextTable) -> list[str]:
    """Return what stands first in each column: its header, where there is one."""
    first = table.rows[0] if table.rows else ()
    return [*(cell.strip() for cell in first), *[""] * (table.width - len(first))]


def facts(made: Imported) -> dict[str, Any]:
    """Return an import as JSON-ready facts."""
    return {
        "sources": [
            {
                "file": one.source.file,
                "encoding": one.source.table.encoding,
                "separator": one.source.table.separator,
                "decimal": one.source.table.decimal,
                "rows": len(one.lines),
                "titles": [{"line": line, "words": words} for line, words in one.titles],
                "columns": {
                    role: {
                        "number": column.index + 1,
                        "header": column.header,
                        "turned": column.turned,
                        "sureness": column.sureness,
                        "why": column.why,
                    }
                    for role, column in one.columns.items()
                },
            }
            for one in made.walked
        ],
        "passed_over": list(made.passed_over),
        "runs": list(dict.fromkeys(made.found.runs)),
        "observations": len(made.found.runs),
        "baseline": {
            "from": made.baseline.start,
            "to": made.baseline.end,
            "length": made.baseline.length,
            "sureness": made.baseline.sureness,
        },
        "unit": made.unit,
        "unit_sureness": made.unit_sureness,
        "gaps": list(made.gaps),
    }
