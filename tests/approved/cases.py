"""What is approved: commands on small sites, each case a folder of approved text.

A case writes into a folder that is empty and returns the text of all that a reader gets: what the
terminal says and what the files tell.
"""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable, Mapping
from contextlib import chdir
from inspect import cleandoc
from pathlib import Path
from typing import Any
from unittest import mock

from approved.by_hand import worked_out
from approved.exports import imported, started
from approved.hosts import conversations
from approved.in_feet import in_feet
from approved.input_layers import layers_told
from approved.input_places import places_told
from approved.input_tables import tables_told
from approved.input_walks import walks_told
from approved.library_words import without_library_words
from approved.many import many_sites
from approved.received import received
from approved.refusals import read_sites, refused_books, refused_inputs, refused_keys, refused_sites
from approved.told import folder_told, shortened
from approved.toolbox import toolbox_told
from cli_runner import geosite

from geosite.processes import raster_strips

__all__ = ["CASES", "Case", "Texts", "told_by"]

HERE = Path(__file__).parent
Texts = dict[str, str]
Case = Callable[[Path], Texts]


def said(*arguments: object) -> str:
    """What a command says, run where its files are."""
    ran = geosite(*arguments)
    told = f"$ geosite {' '.join(map(str, arguments))}\n{ran.out}"
    told += "".join(f"! {line}\n" for line in ran.err.splitlines() if "%" not in line[:12])
    told = told.replace(f"{Path.cwd()}/", "")
    return shortened(told) + (f"status {ran.status}\n" if ran.status else "") + "\n"


def there(folder: Path, site: str) -> Path:
    """A copy of a site, so that the paths that are told are short and the same everywhere."""
    shutil.copytree(HERE / "sites" / site, folder / site)
    return folder


def built(site: str, *without: str) -> Case:
    """Everything that a build writes."""

    def case(folder: Path) -> Texts:
        with chdir(there(folder, site)):
            texts = {"terminal.txt": said("build", f"{site}/site.toml", "--out", "out")}
            return texts | folder_told(Path("out"), without)

    return case


def executed(texts: Texts, name: str, *command: str) -> str:
    """Run a process; keep what its files tell, return what it says."""
    with mock.patch.dict(os.environ, GEOSITE_PROGRESS="lines"):  # as the desktop reads it
        terminal = said("execute", *command, "--out", name)
    found = folder_told(Path(name), ("*.png",)) if Path(name).exists() else {}
    texts |= {f"{name}.{file}": text for file, text in found.items()}
    return terminal


def later_walks(folder: Path) -> Texts:
    """Comparisons with a design and an earlier survey, setting out."""
    before, after = ("--before", "quay/site.toml"), "quay/later/site.toml"
    texts: Texts = {}
    with chdir(there(folder, "quay")):
        terminal = said("check", after, "--sketch", "sketch.svg")
        texts |= {f"sketch.{k}": v for k, v in folder_told(Path(), ()).items() if "sketch" in k}
        for name, *command in (
            ("as_built", "compare-design", "--site", after, "--design", "quay/site.toml",
             "--name", "turning", *before),
            ("change", "compare-surveys", "--after", after, *before),
            ("set_out", "set-out", "--site", "quay/site.toml", "--design", "quay/design.csv",
             "--walk", "quay/today.csv", "--tolerance", "0.05"),
            ("along", "set-out", "--site", "quay/site.toml", "--design", "quay/axis.geojson",
             "--heights", "ground", "--station", "8", "--unit", "ft"),
            ("patch", "set-out", "--site", "quay/site.toml", "--design", "quay/patch.geojson",
             "--heights", "ground", "--walk", "quay/today.csv"),
        ):  # fmt: skip
            terminal += executed(texts, name, *command)
    return texts | {"terminal.txt": terminal}


def answers(folder: Path) -> Texts:
    """The processes that answer one question of a site."""
    texts: Texts = {}
    with chdir(there(there(folder, "quay"), "pier")):
        terminal = executed(texts, "parcels", "compare-parcels", "--site", "quay/site.toml")
        for name in ("check-grades", "draw-sections", "compute-earthworks", "measure-distances",
                     "measure-quantities", "check-survey"):  # fmt: skip
            terminal += executed(texts, name, name, "--site", "pier/site.toml")
    return texts | {"terminal.txt": terminal}


def device(folder: Path) -> Texts:
    """What two walks tell of the device."""
    with chdir(there(folder, "quay")):
        sites = ("quay/site.toml", "quay/later/site.toml")
        terminal = said("calibrate", *sites, "--out", "device.toml")
        return {"terminal.txt": terminal, "device.toml": Path("device.toml").read_text("utf-8")}


def rasters(folder: Path) -> Texts:
    """The processes that start from points or a raster."""
    texts: Texts = {}
    with chdir(there(folder, "quay")):
        terminal = ""
        ground = "tin/elevation.tif"
        for name, *command in (
            *(
                (method, "interpolate-elevation", "--points", "quay/heights.csv", "--crs",
                 "EPSG:25832+7837", "--cell-size", "1", "--method", method)
                for method in ("tin", "natural-neighbour", "thin-plate", "inverse-distance",
                               "plane", "auto")
            ),
            ("slope", "derive-slope", "--elevation", ground),
            ("slope_4", "derive-slope", "--elevation", ground, "--method", "zevenbergen-thorne",
             "--unit", "degree"),
            ("d8", "derive-drainage", "--elevation", ground, "--codes", "power-of-two"),
            ("shared", "derive-drainage", "--elevation", ground, "--method", "d-infinity",
             "--inlets", "quay/design.csv", "--walls", "quay/streets.geojson"),
            ("contours", "trace-contours", "--elevation", ground, "--index-every", "2"),
        ):  # fmt: skip
            terminal += executed(texts, name, *command)
        # as rasters larger than memory are worked on, a few rows at a time
        few = mock.patch.multiple(raster_strips, MOST_BYTES=1, STRIP_CELLS=200)
        with few:
            for name, *command in (
                ("strips_slope", "derive-slope", "--elevation", ground),
                ("strips_d8", "derive-drainage", "--elevation", ground),
            ):
                terminal += executed(texts, name, *command)
        layer, heights = Path("points.geojson"), "quay/heights.csv"
        layer.write_text(POINTS, encoding="utf-8")
        for name, *command in (
            ("layer", "interpolate-elevation", "--points", layer, "--crs", "EPSG:25832+7837"),
            ("other", "interpolate-elevation", "--points", layer, "--crs", "EPSG:25833"),
            ("unsaid", "interpolate-elevation", "--points", heights),
            ("fine", "interpolate-elevation", "--points", layer, "--cell-size", "0.00001"),
            ("away", "interpolate-elevation", "--points", layer, "--extent", "0,0,2,2"),
            ("codes", "derive-drainage", "--elevation", ground, "--codes", "power-of-two",
             "--method", "d-infinity"),
            ("lone", "derive-drainage", "--elevation", ground, "--inlets-code", "kerb"),
            ("far", "derive-drainage", "--elevation", ground, "--inlets", layer),
            ("spots", "derive-drainage", "--elevation", ground, "--walls", layer),
            ("uncoded", "derive-drainage", "--elevation", ground, "--inlets", "quay/design.csv",
             "--inlets-code", "gully,drain"),
        ):  # fmt: skip
            terminal += executed(texts, name, *map(str, command))
    return texts | {"terminal.txt": terminal}


POINTS = json.dumps(
    {
        "type": "FeatureCollection",
        "crs": {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::25832"}},
        "features": [
            {
                "type": "Feature",
                "properties": {},
                "geometry": {"type": "Point", "coordinates": place},
            }
            for place in (
                (512000, 5276000, 400),
                (512004, 5276000, 400.4),
                (512000, 5276004, 400),
                (512004, 5276004, 401),
            )
        ],
    }
)
"""Four points, which lie away from the quay."""


def refusals(folder: Path) -> Texts:
    """What is said of what cannot be read or cannot be right."""
    return {
        "site_files.txt": refused_sites(folder),
        "field_books.txt": refused_books(folder),
        "keys.txt": refused_keys(folder),
        "read_alone.txt": read_sites(folder),
    }


def exports(folder: Path) -> Texts:
    """What is made of exports of devices."""
    with chdir(folder):
        return imported(folder, said)


def starters(folder: Path) -> Texts:
    """What a newcomer gets."""
    with chdir(folder):
        return started(folder, said)


def _schema(told: str) -> str:
    """A JSON Schema without what differs by the version of the library that makes it."""
    command, _, text = told.partition("\n")

    def plain(part: Any) -> Any:
        if isinstance(part, list):
            return [plain(one) for one in part]
        if isinstance(part, dict):
            made = {key: plain(value) for key, value in part.items()}
            if "anyOf" in made:
                made["anyOf"].sort(key=json.dumps)
            return made
        return cleandoc(part) if isinstance(part, str) else part

    return f"{command}\n{json.dumps(plain(json.loads(text)), indent=2, ensure_ascii=False)}\n"


def described(folder: Path) -> Texts:
    """What geosite says of site files, of what it writes, of its processes and of wrong inputs."""
    parts = (
        ("field-book",), ("field-book", "Segment"), ("field-book", "pont"), ("limits",),
        ("limits", "parking"), ("limits", "stairs"), ("site-file", "[anchor.marks.B1]"),
        ("site-file", "anchr"), ("outputs", "marks"), ("outputs", "POINTS.csv"),
        ("outputs", "pointz"), ("derive-slope",), ("derive-slop",),
    )  # fmt: skip
    with chdir(folder):
        return {
            "site_file.txt": said("describe", "site-file"),
            "site_file_schema.txt": _schema(said("describe", "site-file", "--json-schema")),
            "outputs.txt": said("describe", "outputs"),
            "processes.txt": said("list", "--json", "--full"),
            "parts.txt": "".join(said("describe", *words) for words in parts),
            "inputs.txt": "".join(refused_inputs(folder, said)),
        }


def hosts(folder: Path) -> Texts:
    """What the host answers over HTTP."""
    return conversations(folder)


def by_hand(folder: Path) -> Texts:
    """A site whose answers can be worked out by hand."""
    with chdir(there(folder, "yard")):
        texts = worked_out(said)
        return texts | {"received.txt": received(said, Path("out"))}


def yard_in_feet(folder: Path) -> Texts:
    """The same site on a map and in heights in feet."""
    with chdir(there(folder, "yard")):
        return in_feet(said)


def toolbox(folder: Path) -> Texts:
    """The forms of the desktop's toolbox and what it hands over."""
    with chdir(folder):
        terminal = said("toolbox", "--out", "new/tools.zip") + said("toolbox", "--out", "tools.txt")
        terminal += said("toolbox", "--out", "new/tools.zip/tools.zip")
        return {"terminal.txt": terminal, **toolbox_told(folder, Path("new/tools.zip"))}


def many(folder: Path) -> Texts:
    """Many sites at once, again, and what is said where there are none."""
    with chdir(folder):
        return many_sites(folder, said)


CASES: Mapping[str, Case] = {
    "quay": built("quay"),
    "pier": built("pier", "*.qgs", "*.sld", "metadata.xml"),
    "open": built("open", "*.qgs", "*.sld", "*.qml", "metadata.xml"),
    "later_walks": later_walks,
    "answers": answers,
    "device": device,
    "rasters": rasters,
    "refusals": refusals,
    "exports": exports,
    "starters": starters,
    "described": described,
    "input_tables": tables_told,
    "input_places": places_told,
    "input_layers": layers_told,
    "input_walks": walks_told,
    "by_hand": by_hand,
    "yard_in_feet": yard_in_feet,
    "hosts": hosts,
    "many": many,
    "toolbox": toolbox,
}


def told_by(case: str, folder: Path) -> Texts:
    """The texts of a case, in our own words."""
    return {name: without_library_words(text) for name, text in CASES[case](folder).items()}


os.environ.setdefault("COLUMNS", "100")
