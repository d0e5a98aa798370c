"""The yard with one thing changed: surveys that are compared with it, designs that it cannot have.

What is changed is small, so that each answer can be worked out by hand.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

from approved.told import folder_told

__all__ = ["walked_again", "wrong_designs"]

Said = Callable[..., str]
BOOK, SITE = Path("yard/field_book.csv"), Path("yard/bare.toml")
TABLES = ("*.gpkg", "*.pdf", "*.png", "*.svg", "*.tif", "*.xml", "*.html", "*.qml", "*.sld")


def _surveys() -> Iterator[tuple[str, dict[str, str], dict[str, str]]]:
    """Yield what a survey is called, what is changed in its site file and in its field book."""
    yield "other_map", {"25832": "25833"}, {}
    yield "other_heights", {'25832"': '25832"\nvertical_crs = "EPSG:7837"'}, {}
    own = {f",{name},": f",{name}x," for name in ("S1", "S2", "S3", "S4", "G1", "G2", "G3")}
    own |= {",W1,": ",W1x,", ",W2,": ",W2x,", ",W3,": ",W3x,"}
    renamed = {"marks.A": "marks.C", '"A"': '"C"', '"B"': '"D"'}
    yield "no_mark", renamed, own | {",A,": ",C,", ",B,": ",D,"}
    yield "one_mark", {'"B"': '"D"'}, own | {",B,": ",D,"}
    # S2 is 5 cm higher, G2 is another mark of that name, the way is called a path
    moved = {"8.000,2.000,0.040": "8.000,2.000,0.090", "10.000,12.000": "10.000,18.000"}
    path = {'feature = "way"': 'feature = "path"'}
    yield "moved", path, moved | {",way,way": ",path,way"}
    yield "paths", path, {",way,way": ",path,way", ",slab,slab": ",base,slab"}


def walked_again(said: Said) -> dict[str, str]:
    """The yard as it was and walked again, and surveys that cannot be compared with it."""
    told, texts = _asked(said), {}
    site, book = SITE.read_text(encoding="utf-8"), BOOK.read_text(encoding="utf-8")
    for name, keys, cells in _surveys():
        made = {"site": site.replace("field_book.csv", f"{name}.csv"), "book": book}
        for part, changes in (("site", keys), ("book", cells)):
            for old, new in changes.items():
                assert old in made[part], f"{name}: {old}"
                made[part] = made[part].replace(old, new)
        Path(f"yard/{name}.csv").write_text(made["book"], encoding="utf-8")
        Path(f"yard/{name}.toml").write_text(made["site"], encoding="utf-8")
    for name, *_ in _surveys():
        out = Path(f"again_{name}")
        told += said("execute", "compare-surveys", "--after", f"yard/{name}.toml", "--before",
                     SITE, "--out", out)  # fmt: skip
        if name == "moved":
            found = folder_told(out, TABLES)
            texts |= {f"again_{k}": text for k, text in found.items() if k.endswith(".csv.txt")}
    return {"again.txt": told, **texts}


def _asked(said: Said) -> str:
    """Sketches that cannot be drawn, and questions that the site file does not ask."""
    told = ""
    for picture in ("sketch.pdf", "none/sketch.svg", "sketch.svg"):
        told += said("check", SITE, "--sketch", picture)
    for process in ("measure-distances", "draw-sections", "compute-earthworks", "compare-parcels"):
        told += said("execute", process, "--site", SITE, "--out", "asked")
    return told


def _designs() -> Iterator[tuple[str, str]]:
    """Yield designs that the yard cannot have, each a table of the site file, and the raster."""
    start = "[designs.new]\nside_slope = 0.0\n"
    raster = f'{start}file = "new.asc"\ncode = "pad"\n'
    none, narrow = "-9999 -9999 -9999 -9999", "-9999 400.5 -9999 -9999"
    yield raster, "\n".join([none] * 4)
    yield raster, "\n".join([narrow] * 4)
    edge = f'{start}[designs.new.edges.rim]\nclosed = true\ncode = "pad"\n'
    heights = "elevations = [400.2, 400.2, 400.2, 400.2]\n"
    yield f'{edge}marks = ["S1", "S3", "S2", "S4"]\n{heights}', ""
    yield f'{edge}marks = ["S1", "S2", "none", "S4"]\n{heights}', ""
    yield f'{edge}marks = ["S1", "S2", "S3", "S4"]\nelevations = [400.2]\n', ""
    strip = f'{start}[designs.new.edges.axis]\nmarks = ["S1", "S2"]\nelevations = [400.2, 400.2]\n'
    strip += "[designs.new.strips.road]\nwidth = 1.0\ncross_fall_percent = 2.0\n"
    yield f'{strip}line = "axes"\n', ""
    pads = [
        f'[designs.{group}{n}]\nalternative_for = "{group}"\n[designs.{group}{n}.pads.p]\n'
        'feature = "slab"\nelevation = 400.3\n'
        for group in "abc" for n in range(3)
    ]  # fmt: skip
    yield "".join(pads), ""
    yield pads[0], ""


def wrong_designs(said: Said) -> str:
    """What is said of designs that the yard cannot have."""
    told = ""
    site, grid = SITE.read_text(encoding="utf-8"), Path("yard/raised.asc").read_text("utf-8")
    head = "".join(f"{line}\n" for line in grid.splitlines()[:6])
    Path("yard/new.prj").write_text(Path("yard/raised.prj").read_text("utf-8"), encoding="utf-8")
    for table, cells in _designs():
        Path("yard/new.asc").write_text(f"{head}{cells}\n", encoding="utf-8")
        Path("yard/new.toml").write_text(f"{site}\n{table}", encoding="utf-8")
        told += f"== {table.replace(chr(10), ' | ')[:200]}{cells[:30].partition(chr(10))[0]}\n"
        told += said("build", "yard/new.toml", "--out", "wrong")
    return told
