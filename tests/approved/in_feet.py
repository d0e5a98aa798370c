"""The yard whose answers can be worked out by hand, on a map and in heights in US survey feet.

What is walked is the same to the last digit of a field book, so answers in metres are those of the
yard, and those in feet are theirs over 0.3048006. On the map one foot is `FACTOR` feet of ground,
where it is `YARD_FACTOR` metres on the yard's own.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from unittest import mock

from approved.told import folder_told
from pyproj import CRS

from geosite.processes import raster_strips

__all__ = ["in_feet"]

Said = Callable[..., str]
FT = 1200 / 3937
YARD_FACTOR, FACTOR = 0.99953913, 0.99986
YARD, ORIGIN = (512000.0, 5276000.0), (1540000.0, 540000.0)

REST = ("*.gpkg", "*.pdf", "*.png", "*.svg", "*.tif", "*.x*", "*.q*", "*.sld", "*.html", "*.zip")
OF_BUILD = ("marks.csv", "quantities.csv", "designs.csv", "design_parts.csv", "parcel_shares.csv",
            "design_parcels.csv", "design_of_marks_points.csv", "design_estimate.csv")  # fmt: skip


def _feet(metres: float) -> float:
    return round(metres / FT, 6)


def _on_map(place: list[float]) -> list[float]:
    """A place of the yard's map on the map in feet."""
    plan = [
        round(there + (here - origin) / YARD_FACTOR * FACTOR / FT, 6)
        for here, origin, there in zip(place[:2], YARD, ORIGIN, strict=True)
    ]
    return [*plan, *map(_feet, place[2:])]


def _site() -> None:
    """Write the site file, the field book, the layers and the raster of the yard in feet."""
    site = Path("yard/site.toml").read_text(encoding="utf-8")
    heights = {f"{up:.2f}": f"{_feet(up)}" for up in (400.14, 400.22)}
    for old, new in {
        'file = "field_book.csv"': 'file = "feet.csv"\nunit = "ftUS"',
        'crs = "EPSG:25832"': 'crs = "EPSG:2264"\nvertical_crs = "EPSG:6360"\ngeoid_height = -31.0',
        "easting = 512000.0": f"easting = {ORIGIN[0]}",
        "northing = 5276000.0": f"northing = {ORIGIN[1]}",
        "elevation = 400.0": f"elevation = {_feet(400.0)}",
        "cell_size = 0.5": f"cell_size = {_feet(0.5)}",
        "[handover]": '[handover]\nunit = "ft"',
        "plinth.geojson": "plinth_feet.geojson",
        "parcels.geojson": "parcels_feet.geojson",
        "raised.asc": "raised_feet.asc",
        **heights,
    }.items():
        assert old in site, old
        site = site.replace(old, new)
    Path("yard/feet.toml").write_text(site, encoding="utf-8")
    Path("yard/feet.csv").write_text("\n".join(_rows("yard/field_book.csv")) + "\n", "utf-8")
    for name in ("plinth", "parcels", "as_designed"):
        layer = json.loads(Path(f"yard/{name}.geojson").read_text(encoding="utf-8"))
        layer["crs"]["properties"]["name"] = "urn:ogc:def:crs:EPSG::2264"
        for feature in layer["features"]:
            shape = feature["geometry"]
            at = shape["coordinates"]
            shape["coordinates"] = (
                _on_map(at) if shape["type"] == "Point" else [list(map(_on_map, r)) for r in at]
            )
        Path(f"yard/{name}_feet.geojson").write_text(json.dumps(layer), encoding="utf-8")
    Path("yard/raised_feet.prj").write_text(CRS("EPSG:2264").to_wkt("WKT1_GDAL"), encoding="utf-8")
    west, south = _on_map([512002.9986, 5276006.9968])
    rows = [[400.51], [400.49], [400.47], [400.45]]
    cells = "\n".join(" ".join([str(_feet(up))] * 4) for (up,) in rows)
    Path("yard/raised_feet.asc").write_text(
        f"ncols 4\nnrows 4\nxllcorner {west}\nyllcorner {south}\n"
        f"cellsize {_feet(FACTOR)}\nNODATA_value -9999\n{cells}\n",
        encoding="utf-8",
    )


def _rows(book: str) -> Iterator[str]:
    """Rows of a field book with their lengths in feet."""
    head, *rows = Path(book).read_text(encoding="utf-8").splitlines()
    yield head
    for row in rows:
        run, point, x, y, z, *rest = row.split(",")
        yield ",".join([run, point, *(f"{_feet(float(v)):.6f}" for v in (x, y, z)), *rest])


def in_feet(said: Said) -> dict[str, str]:
    """What is built, compared, set out and derived on a map in feet."""
    _site()
    texts = {}
    site = ("--site", "yard/feet.toml")
    told = said("build", "yard/feet.toml", "--out", "out")
    found = folder_told(Path("out"), REST)
    texts |= {name: found[f"{name}.txt"] for name in OF_BUILD if f"{name}.txt" in found}
    text = Path("yard/feet.toml").read_text(encoding="utf-8")
    survey, _, _ = text.partition("[prices]")
    bare = survey + '[tolerances.slab]\nplan = 0.02\nheight = 0.02\n[handover]\nunit = "ft"\n'
    moved = Path("yard/feet.csv").read_text(encoding="utf-8")
    raised = f"{_feet(8)},{_feet(2):.6f},{_feet(0.04):.6f}"
    assert raised in moved
    # S2 is 5 cm higher
    moved = moved.replace(raised, f"{_feet(8)},{_feet(2):.6f},{_feet(0.09):.6f}")
    Path("yard/moved.csv").write_text(moved, encoding="utf-8")
    Path("yard/moved.toml").write_text(bare.replace("feet.csv", "moved.csv"), encoding="utf-8")
    Path("yard/before.toml").write_text(bare, encoding="utf-8")
    Path("yard/today.csv").write_text(
        "run,point,x,y,z\ntoday,A,1,2,3\ntoday,B,66.617,2,3\ntoday,A,1.01,2,3\ntoday,B,66.62,2,3\n"
    )
    bare_site = ("--site", "yard/before.toml")
    told += said("execute", "compare-design", *bare_site, "--design",
                 "yard/as_designed_feet.geojson", "--out", "as_built")  # fmt: skip
    told += said("execute", "compare-surveys", "--before", "yard/before.toml",
                 "--after", "yard/moved.toml", "--out", "change")  # fmt: skip
    told += said("execute", "set-out", *bare_site, "--design", "yard/plinth_feet.geojson",
                 "--walk", "yard/today.csv", "--station", "1.5", "--tolerance", "0.05",
                 "--out", "set_out")  # fmt: skip
    told += said("execute", "compare-parcels", *site, "--out", "parcels")
    for folder in ("as_built", "change", "set_out", "parcels"):
        found = folder_told(Path(folder), REST)
        texts |= {f"{folder}.{k}": text for k, text in found.items() if k.endswith(".csv.txt")}
    return {"terminal.txt": told, "rasters.txt": _rasters(said), **texts}


def _rasters(said: Said) -> str:
    """A plane that rises by 2 in 100 to the north, cells of 2 ft, the middle one 1 ft too low.

    Water stands 0.96 ft deep in it, up to the row below: 3.84 ft3, 0.1087 m3.
    """
    points = [
        f"{ORIGIN[0] + 2 * col + 1},{ORIGIN[1] + 2 * row + 1},"
        f"{100 + 0.04 * row - (row == col == 3):.2f}"
        for row in range(7)
        for col in range(7)
    ]
    Path("points.csv").write_text("easting,northing,elevation\n" + "\n".join(points) + "\n")
    told = said("execute", "interpolate-elevation", "--points", "points.csv", "--crs",
                "EPSG:2264+6360", "--cell-size", "2", "--out", "ground")  # fmt: skip
    ground = ("--elevation", "ground/elevation.tif")
    commands = [
        ("derive-slope", *ground),
        ("derive-drainage", *ground),
        ("trace-contours", *ground),
        ("trace-contours", *ground, "--interval", "0.1"),
    ]
    for n, command in enumerate(commands):
        told += said("execute", *command, "--out", f"at_once_{n}")
    with mock.patch.multiple(raster_strips, MOST_BYTES=1, STRIP_CELLS=21):
        for n, command in enumerate(commands):
            told += said("execute", *command, "--out", f"strips_{n}")
    return told + "".join(folder_told(Path("at_once_1")).values())
