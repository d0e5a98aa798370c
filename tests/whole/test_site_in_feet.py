"""A site in feet speaks feet, in findings, summaries and refusals, and leaves names alone."""

from __future__ import annotations

import re
from pathlib import Path

from cli_runner import FERRY, geosite

JETTY = FERRY.parent / "jetty_feet"
METRIC = re.compile(r"\d (?:mm|cm|m|km|m2|m3)\b")


def written(folder: Path, more: str = "") -> Path:
    """Write the jetty with names that read like measures."""
    book = (JETTY / "field_book.csv").read_text().replace("R1,", "12 m walk,")
    (folder / "field_book.csv").write_text(book)
    text = (JETTY / "site.toml").read_text()
    text = text.replace("Jetty head in feet (invented)", "Pier 20 m long (invented)")
    (folder / "site.toml").write_text(text.replace('unit = "ft" ', f'{more}\nunit = "ft" ', 1))
    return folder / "site.toml"


def test_names_that_read_like_measures_stay(tmp_path: Path) -> None:
    ran = geosite("check", written(tmp_path))
    assert ran.status == 0, ran.err
    assert "Pier 20 m long (invented)" in ran.out
    assert "let run 12 m walk also visit mark" in ran.out
    ours = ran.out.replace("Pier 20 m long", "").replace("12 m walk", "")
    assert METRIC.findall(ours) == []
    assert " ft" in ours


def test_a_refusal_is_in_feet_too(tmp_path: Path) -> None:
    ran = geosite("check", written(tmp_path, "closure_limit = 1000000"))
    assert ran.status == 3
    assert "12 m walk" in ran.err
    assert METRIC.findall(ran.err.replace("12 m walk", "")) == []
    assert " ft" in ran.err
