"""What is approved: commands on small sites, each case a folder of approved text.

A case writes into a folder that is empty and returns the text of all that a reader gets: what the
terminal says and what the files tell.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Mapping
from contextlib import chdir
from pathlib import Path

from approved.exports import imported, started
from approved.input_layers import layers_told
from approved.input_places import places_told
from approved.input_tables import tables_told
from approved.input_walks import walks_told
from approved.refusals import read_sites, refused_books, refused_keys, refused_sites
from approved.told import folder_told, shortened
from cli_runner import geosite

__all__ = ["CASES", "Case", "Texts"]

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
    return texts | {"terminal.txt": terminal}


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


def described(folder: Path) -> Texts:
    """What geosite says of site files, of what it writes and of its processes."""
    with chdir(folder):
        return {
            "site_file.txt": said("describe", "site-file"),
            "field_book.txt": said("describe", "field-book"),
            "site_file_schema.txt": said("describe", "site-file", "--json-schema"),
            "outputs.txt": said("describe", "outputs"),
            "processes.txt": said("list", "--json", "--full"),
        }


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
}

os.environ.setdefault("COLUMNS", "100")
