"""Site files and field books that are wrong, each in one way, and what is said of them."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path

from geosite.base.errors import GeositeError
from geosite.build import check
from geosite.fieldbook.read import read_survey
from geosite.fieldbook.reference import KeyEntry, tables

__all__ = ["read_sites", "refused_books", "refused_inputs", "refused_keys", "refused_sites"]

HERE = Path(__file__).parent / "sites"
SITES, BOOKS = (
    tomllib.loads((HERE / f"wrong_{what}.toml").read_text(encoding="utf-8"))
    for what in ("site_files", "field_books")
)
SITE, BOOK = SITES["right"]["text"], BOOKS["right"]["text"]

BESIDE = {
    "p.png": "\x89PNG",
    "no.toml": "[mine]\nrunning = \n",
    "empty.toml": "[other]\n",
    "word.toml": '[device]\nwalk = "far"\n',
    "b.tif": "no picture",
    "d.csv": "point,easting,northing,code\nP,1,2,rim\n",
    "g.dxf": "no drawing",
}
"""Files that the site files name."""

USUAL = {"noise-better", "device-unknown", "error-shares", "advice", "elevation-relative"}
"""Findings that nearly every one of these sites has."""


def said_of(folder: Path, site: str, book: str, whole: bool = True) -> Iterator[str]:
    """What is said of a site, by a whole check or the reading alone."""
    (folder / "site.toml").write_text(site, encoding="utf-8")
    (folder / "walk.csv").write_text(book, encoding="utf-8")
    try:
        notes = read_survey(folder / "site.toml")
        findings = check(notes).findings if whole else notes.findings
    except GeositeError as error:
        for problem in error.problems:
            yield f"  {type(error).__name__}: {problem}".replace(f"{folder}/", "")
    else:
        for finding in findings:
            if finding.code in USUAL:
                continue
            yield f"  {finding.level}: {finding.text} (line {finding.line})"
        yield "  passes"


def refused_keys(folder: Path) -> str:
    """Every key of the site file with what it cannot have, one kind of mistake at a time."""
    told = []
    for mistake in (_other_type, _beyond, _misspelt, _in_words):
        told.append(f"== {(mistake.__doc__ or '').rstrip('.')}")
        lines: dict[str, list[str]] = {}
        for table in tables():
            for key in table.keys:
                written = mistake(key)
                if written is not None:
                    lines.setdefault(table.path, []).append(written)
        # a table at a time: what is wrong in one may keep others from being looked at
        for path, wrong in lines.items():
            here = path.replace("NAME", "A" if path.startswith("anchor") else "one")
            repeated = path == "sheet.revisions"
            head = f"[[{here}]]" if repeated else f"[{here}]"
            clean = re.sub(rf"(?ms)^{re.escape(head)}\n(?:(?!^\[).*\n)*", "", SITE)
            told.append(head)
            told += said_of(folder, clean + head + "\n" + "\n".join(wrong) + "\n", BOOK, False)
    return "\n".join(told) + "\n"


def _other_type(key: KeyEntry) -> str | None:
    """Values of another type."""
    return f"{key.name} = " + ('["wrong"]' if key.type != "table of text" else "3")


def _beyond(key: KeyEntry) -> str | None:
    """Values beyond the bounds, words that are not among those allowed."""
    if key.type.endswith("one of these words"):
        return f'{key.name} = "strange"' if key.type.startswith("one") else f'{key.name} = ["odd"]'
    low = re.search(r"(?:at least|greater than) (-?[\d.]+)", key.allowed)
    high = re.search(r"at most (-?[\d.]+)", key.allowed)
    if high is not None:
        return f"{key.name} = {float(high[1]) + 1:g}"
    return None if low is None else f"{key.name} = {float(low[1]) - 1:g}"


def _misspelt(key: KeyEntry) -> str | None:
    """Keys with a slip of the pen."""
    return f"{key.name[:-1]}{key.name[-1] * 2} = {key.example}"


def _in_words(key: KeyEntry) -> str | None:
    """Lengths with a unit that is none, and with one where none is taken."""
    if not key.type.endswith("number"):
        return None
    return f'{key.name} = "3 cubits"' if key.takes_unit else f'{key.name} = "3 ft"'


def _wrong(right: str, change: Mapping[str, str], name: str) -> str:
    if "whole" in change:
        return change["whole"]
    if "adds" in change:
        return f"{right}{change['adds']}"
    assert change["was"] in right, name
    return right.replace(change["was"], change["is"])


def refused_sites(folder: Path) -> str:
    """Site files that are wrong in one way each, and what is said of that alone."""
    usual = set(said_of(folder, SITE, BOOK)) - {"  passes"}
    told = []
    for name, change in SITES["wrong"].items():
        lines = said_of(folder, _wrong(SITE, change, name), BOOK)
        told += [f"== {name}", *(line for line in lines if line not in usual)]
    return "\n".join(told) + "\n"


def read_sites(folder: Path) -> str:
    """Site files of which the reading alone has something to say."""
    for name, text in BESIDE.items():
        (folder / name).write_text(text, encoding="latin-1")
    (folder / "folder").mkdir()
    told = []
    for name, change in SITES["reading"].items():
        told += [f"== {name}", *said_of(folder, _wrong(SITE, change, name), BOOK, False)]
    return "\n".join(told) + "\n"


def refused_books(folder: Path) -> str:
    """Field books that are wrong in one way each."""
    usual = set(said_of(folder, SITE, BOOK)) - {"  passes"}
    told = []
    for name, change in BOOKS["wrong"].items():
        lines = said_of(folder, SITE, _wrong(BOOK, change, name))
        told += [f"== {name}", *(line for line in lines if line not in usual)]
    return "\n".join(told) + "\n"


REQUESTS = (
    "", "{", "[]", "[" * 100_000, '{"inputs": 3}', '{"inputs": {}, "response": "raw", "out": 1}',
    '{"inputs": {"a": 1, "a": 2}}', '{"inputs": {"cell_size": Infinity}}',
    '{"inputs": {"cell_size": {"value": 0, "mediaType": "text/plain"}, "crs": {"value": 3}}}',
    '{"inputs": {"points": {"href": "none.csv", "type": "text/csv"}, "crs": {"code": 3}}}',
    '{"inputs": {"points": {"href": ""}, "extent": {"value": [1, 2, "3", null]}, "method": "tim"}}',
    '{"inputs": {"cell_size": true, "crs": null, "extent": [1, 2, 3, 4, 5], "metod": "tin"}}',
)  # fmt: skip
WORDS = (
    "--points none.csv --cell-size small --extent 1,2 --method tim --crs EPSG:25832",
    "--points . --cell-size 0 --crs 25832 --extent [1,2",
    "--points http://e.invalid/a.csv --crs x --cell-size +1e9",
    "--points file:none.csv --crs x --cell-size 1",
    "--points /vsizip/a.csv --crs x --cell-size 1",
    "--points file://e.invalid/a.csv --crs x --cell-size 1",
    "--crs x --extent=",
)


def refused_inputs(folder: Path, said: Callable[..., str]) -> Iterator[str]:
    """Inputs of a process that cannot be, as words and as requests."""
    for words in WORDS:
        yield said("execute", "interpolate-elevation", *words.split(), "--out", "out")
    for number, text in enumerate(REQUESTS):
        (folder / "request.json").write_text(text, encoding="utf-8")
        yield f"== {text if len(text) < 200 else number}\n"
        yield said("execute", "interpolate-elevation", "--request", "request.json", "--out", "out")
    yield said("execute", "calibrate-device", "--sites", "a.toml,b.toml", "--out", "out")
    yield said("execute", "interpolate-elevation", "--request", "none.json", "--out", "out")
