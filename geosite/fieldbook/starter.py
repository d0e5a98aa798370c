"""Starter sites: a commented site file and a field book of an invented walk, for several jobs."""

from __future__ import annotations

import csv
import io
import re
import textwrap
from collections.abc import Mapping
from dataclasses import dataclass
from importlib.resources import files
from string import Template

from geosite.base.errors import InputError, Problem
from geosite.base.problems import did_you_mean, nearest
from geosite.base.units import FOOT_M
from geosite.fieldbook.reference import TableEntry, tables

__all__ = ["STARTERS", "Starter", "commented_tables", "everything_asked", "starter_files"]


@dataclass(frozen=True, slots=True)
class Starter:
    """One starter site.

    Parameters
    ----------
    name
        As ``--starter`` takes it.
    title
        What it is for.
    job
        Name of its files in the package.
    us
        In feet on a state plane map, otherwise in metres.
    """

    name: str
    title: str
    job: str
    us: bool


_JOBS = {
    "paved-yard": "Paved yard: areas and material, kerb, inlet, building",
    "drainage-check": "Drainage check: does the ground fall away from the building, where does"
    " water go",
    "access-ramp": "Access ramp: grades and cross slopes against limits",
    "stockpile": "Stockpile: volume above a plane",
}
STARTERS: Mapping[str, Starter] = {
    "landing": Starter("landing", "Ferry landing in metres, the shortest way in", "landing", False),
    **{
        f"{job}{'-us' if us else ''}": Starter(
            f"{job}{'-us' if us else ''}",
            f"{title} ({'US survey feet, inches' if us else 'metres'})",
            job,
            us,
        )
        for job, title in _JOBS.items()
        for us in (False, True)
    },
}

_WORDS = {
    False: {
        "unit": "m",
        "crs": "EPSG:25832",
        "crs_name": "ETRS89 / UTM zone 32N",
        "vertical": "EPSG:7837",
        "vertical_name": "DHHN2016 height",
        "map_unit": "metres",
        "places": {"B1": (512640.0, 5276210.0, 402.6), "B2": (512641.999, 5276233.990, None)},
        "depth": "0.10 m",
        "cell": "0.25 m",
        "cell2": "1 m",
        "fall": "3 m",
        "width": "1.5 m",
        "level": "402.6",
        "sheet": "A3",
    },
    True: {
        "unit": "ft",
        "crs": "EPSG:2264",
        "crs_name": "NAD83 / North Carolina",
        "vertical": "EPSG:6360",
        "vertical_name": "NAVD88 height",
        "map_unit": "US survey feet",
        "places": {"B1": (1540000.0, 540000.0, 98.4), "B2": (1540006.561, 540078.732, None)},
        "depth": "4 in",
        "cell": "1 ft",
        "cell2": "3 ft",
        "fall": "10 ft",
        "width": "5 ft",
        "level": "98.4",
        "sheet": "ANSI B",
    },
}


def starter_files(name: str = "landing") -> dict[str, bytes]:
    """Return the files of a starter site, by name, in the order to read them.

    Parameters
    ----------
    name
        One of `STARTERS`.

    Raises
    ------
    InputError
        There is none of that name.

    Examples
    --------
    >>> list(starter_files("stockpile"))
    ['site.toml', 'field_book.csv']
    """
    if name not in STARTERS:
        close = nearest(name, STARTERS)
        raise InputError(
            Problem(
                "starter-unknown",
                f'there is no starter "{name}"',
                f"one of {', '.join(STARTERS)}",
                did_you_mean(close, "see geosite new --list"),
            )
        )
    starter = STARTERS[name]
    folder = files("geosite.fieldbook").joinpath("starter")
    if starter.job == "landing":
        return {
            file: folder.joinpath(file).read_bytes() for file in ("site.toml", "field_book.csv")
        }
    words = _WORDS[starter.us]
    core = Template(folder.joinpath(f"{starter.job}.toml").read_text(encoding="utf-8"))
    written = _head(starter, words) + core.substitute(words)
    text = written + "\n" + commented_tables(written)
    book = folder.joinpath(f"{starter.job}.csv").read_text(encoding="utf-8")
    return {
        "site.toml": text.encode(),
        "field_book.csv": (_in_feet(book) if starter.us else book).encode(),
    }


def _head(starter: Starter, words: Mapping[str, object]) -> str:
    title = starter.title.split(":")[0]
    lines = [
        f"# {starter.title}. Everything in it is invented: replace the numbers by your own.",
        "# Lines that start with # are notes or settings not in use. Every key is explained by",
        "#   geosite describe site-file",
        "# Not a boundary survey and no certificate of accessibility or drainage design. Have",
        "# buried services located before anybody digs. Local codes and licensed professionals"
        " decide.",
        "",
        "[site]",
        f'title = "{title} (invented example)"',
        "date = 2026-04-12",
        "",
        "[survey]",
        'file = "field_book.csv"        # in this folder: one row per observation',
        f'unit = "{words["unit"]}"                     # "m", "ft" (0.3048 m) or "ftUS"',
        "",
        "[baseline]                     # two marks that every walk visits",
        'from = "B1"',
        'to = "B2"',
        "",
        "[anchor]",
        f'crs = "{words["crs"]}"             # {words["crs_name"]}, in {words["map_unit"]}',
        f'vertical_crs = "{words["vertical"]}"     # {words["vertical_name"]}',
        "",
    ]
    places = words["places"]
    assert isinstance(places, dict)
    for mark, (easting, northing, elevation) in places.items():
        lines += [
            f"[anchor.marks.{mark}]",
            f"easting = {easting}",
            f"northing = {northing}",
            *([f"elevation = {elevation}"] if elevation is not None else []),
            'sigma = "2 cm"                 # how well its place is known; leave it out if exact',
            "",
        ]
    return "\n".join([*lines, ""])


def _in_feet(book: str) -> str:
    """Return a field book in metres with coordinates in feet, to the hundredth."""
    rows = list(csv.DictReader(io.StringIO(book)))
    out = io.StringIO()
    writer = csv.DictWriter(out, list(rows[0]), lineterminator="\n")
    writer.writeheader()
    for row in rows:
        feet = {axis: f"{float(row[axis]) / FOOT_M + 0.0:.2f}" for axis in "xyz"}
        writer.writerow({**row, **feet})
    return out.getvalue()


def commented_tables(written: str) -> str:
    """Return every table of the site file that a text does not have, as comments with examples.

    Parameters
    ----------
    written
        TOML of a site file.

    Examples
    --------
    >>> "# [surface]" in commented_tables("[site]"), "# [surface]" in commented_tables("[surface]")
    (True, False)
    """
    lines = ["# ---- every other table, not in use: take away the # in front to use it " + "-" * 20]
    for table in tables():
        stem = table.path.split(".NAME")[0]
        if f"[{stem}]" in written or f"[{stem}." in written or not table.keys:
            continue
        lines += ["", *_commented(table)]
    return "\n".join(lines) + "\n"


def _commented(table: TableEntry) -> list[str]:
    lines = [
        *(f"# # {line}" for line in textwrap.wrap(table.meaning, 94)),
        f"# {table.heading.replace('NAME', 'any_name')}",
    ]
    for key in table.keys:
        said = key.meaning.split(". ")[0].rstrip(".")
        is_said = re.search(rf"\b{re.escape(key.unit)}s?\b", said) if key.unit else True
        unit = "" if is_said else f" ({key.unit})"
        lines += [
            f"# {key.name} = {key.example}",
            *(f"#     # {line}" for line in textwrap.wrap(said + unit, 90)),
        ]
    return lines


def everything_asked() -> dict[str, bytes]:
    """Return a starter whose site file asks for every file that a build can write.

    Returns
    -------
    dict
        File name to content.

    Examples
    --------
    >>> sorted(everything_asked())
    ['field_book.csv', 'parcels.geojson', 'site.toml']
    """
    made = starter_files("paved-yard")
    # a parcel map round the yard, metres on the map of the starter
    corners = [(512620, 5276195), (512690, 5276195), (512690, 5276250), (512620, 5276250)]
    ring = ", ".join(f"[{e}, {n}]" for e, n in (*corners, corners[0]))
    parcels = (
        '{"type": "FeatureCollection", "crs": {"type": "name", "properties": {"name":'
        ' "urn:ogc:def:crs:EPSG::25832"}}, "features": [{"type": "Feature", "properties":'
        f' {{"parcel": "12"}}, "geometry": {{"type": "Polygon", "coordinates": [[{ring}]]}}}}]}}'
    )
    asks = """
[distances]
pairs = [["B1", "B2"]]
angles = [["B1", "B2", "A1"]]

[drainage]
flow_paths_from = ["G1"]
confidence_runs = 10

[grades.lines.kerb]
feature = "kerb"

[earthworks.level]
feature = "apron"
design_elevation = 402.4

[parcels]
file = "parcels.geojson"
name_field = "parcel"

[designs.NAME.pads.pad]
points = [[512650, 5276216], [512656, 5276216], [512656, 5276222], [512650, 5276222]]
elevation = 402.4
fall_percent = 1.5
fall_azimuth = 0.0

[prices]
currency = "EUR"

[prices.codes.asphalt]
rate = 24.5
per = "m2"

[handover]
curves = true
archive = true
"""
    text = made["site.toml"].decode().split("# ---- every other table")[0] + asks
    return {**made, "site.toml": text.encode(), "parcels.geojson": parcels.encode()}
