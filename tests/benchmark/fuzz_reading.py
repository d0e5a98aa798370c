"""Fuzz the reading of what comes from outside, counted and reported.

    python tests/benchmark/fuzz_reading.py --inputs 50000
    python tests/benchmark/fuzz_reading.py --inputs 50000 --guided
    python tests/benchmark/fuzz_reading.py --inputs 50000 --kinds parcels points request

Damaged field books as text and as tables of every accepted format, site files, parcel layers,
tables and layers of points, designs, elevation rasters and process requests, in twelve ways.
Guided means coverage-guided and needs atheris. Every input must end in a result or in an error of
ours, within 10 seconds and 1 GB. What comes out is compared with a plain reading of the same bytes
(by the csv, json and jsonschema modules), so that a wrong success is a failure too. Inputs that
fail are kept in the folder given by ``--keep``.
"""

from __future__ import annotations

import argparse
import collections
import csv
import importlib
import io
import json
import math
import os
import random
import resource
import sys
import tempfile
import time
import traceback
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "tests"))

SECONDS_ALLOWED = 10.0
MEGABYTES_ALLOWED = 1000.0

WORDS = [
    *(b"", b",", b'"', b'""', b"\n", b"\r\n", b"\r", b"\0", b";", b"\t", b" ", b"\xef\xbb\xbf"),
    *(b"nan", b"inf", b"1e400", b"1e12", b"-0", b"1_0", b"0x1", b"1,5", b"1.5 m", b"\xe2\x88\x92"),
    *(b"arc", b"arc2", b"circle", b"gap", b"stream", b"line", b"arc99999", b"B1", b"B2", b"R1"),
    *(b"\xd9\xa1", b"\xe2\x80\xae", b"\xe2\x80\x8b", b"\xc2\xa0", b"\xff", b"\xed\xa0\x80"),
    *(b"=cmd()", b"<b>", b"'--", b"../", b"A" * 300, b"[", b"]", b"[[", b"]]", b"{", b"}", b"#"),
    *(b"=", b".", b"'''", b'"""', b"\\", b"\\u0000", b"true", b"2026-04-12", b"12:00:00"),
    *(b"9" * 30, b"9" * 5000, b"[" * 2000, b"a." * 300, b"[survey]\n", b"[anchor.marks.B1]\n"),
    *(b"check = true\n", b"sigma = 0\n", b'file = "book.csv"\n', b"unit", b"columns", b"x = "),
]


KINDS = ("book", "site", "parcels", "points", "request", "raster", "design", "sheet")
LAYERS = {
    b"{": "geojson",
    b"SQLi": "gpkg",
    b"\0\0\x27\x0a": "shp",
    b"fgb": "fgb",
    b"<?xml version": "kml",
    b"<?xml": "gml",
    b"<kml": "kml",
    b"PK": "zip",
    b"  0": "dxf",
}
EXTREMES = (0, 1, 0x7F, 0x7FFF, 0xFFFF, 0x7FFFFFFF, 0xFFFFFFFF)
PARCELS = '[parcels]\nfile = "%s"\n'


def ending(data: bytes) -> str:
    """Return the file name ending that fits the first bytes of a layer, else that of a table."""
    return next((end for start, end in LAYERS.items() if data.startswith(start)), "csv")


def layers(shapes: list[dict[str, object]], folder: Path) -> list[bytes]:
    """Return the same features in several formats."""
    import fiona

    from geosite.reading.foreign import driver_names

    geometry = str(shapes[0]["type"])
    solid = "3D Point" if geometry == "Point" else geometry
    schema = {"geometry": solid, "properties": {"name": "str", "elevation": "float"}}
    found = []
    for end, driver in (
        ("geojson", "GeoJSON"),
        ("gpkg", "GPKG"),
        ("shp", *driver_names(["Shapefile"])),
        ("fgb", "FlatGeobuf"),
        ("gml", "GML"),
    ):
        path = folder / f"{geometry}.{end}"
        with fiona.open(path, "w", driver=driver, schema=schema, crs="EPSG:25832") as sink:
            for i, shape in enumerate(shapes):
                record = {"name": f"p{i}", "elevation": i + 0.5}
                sink.write({"geometry": shape, "properties": record})
        found.append(path.read_bytes())
    return found


def more_layers(folder: Path) -> dict[str, list[bytes]]:
    """Return parcels, designs and field books in the formats that other libraries write."""
    import zipfile

    import ezdxf
    import fiona
    import openpyxl
    from fieldbook_cases import BOOK

    zipped = folder / "parcels.zip"
    with zipfile.ZipFile(zipped, "w") as archive:
        for part in folder.glob("Polygon.*"):
            if part.suffix in (".shp", ".shx", ".dbf", ".prj"):
                archive.write(part, part.name)
    kml = """<?xml version="1.0"?><kml xmlns="http://www.opengis.net/kml/2.2"><Document>
<Placemark><name>a</name><Polygon><outerBoundaryIs><LinearRing><coordinates>9.16,47.63 9.17,47.63
9.17,47.64 9.16,47.63</coordinates></LinearRing></outerBoundaryIs></Polygon></Placemark>
</Document></kml>"""
    drawing = ezdxf.new("R2010")
    space = drawing.modelspace()
    space.add_polyline3d([(512300, 5276090, 4), (512310, 5276095, 5), (512320, 5276090, 6)])
    space.add_3dface([(0, 0, 1), (1, 0, 1), (1, 1, 2), (0, 1, 2)])
    space.add_lwpolyline([(512300, 5276090), (512330, 5276090), (512330, 5276120)], close=True)
    text = io.StringIO()
    drawing.write(text)
    rows = [line.split(",") for line in BOOK.splitlines()]
    width = len(rows[0])
    rows = [[*row, *[""] * (width - len(row))][:width] for row in rows]
    book = openpyxl.Workbook()
    for row in rows:
        book.active.append(
            [float(c) if c.replace(".", "").lstrip("-").isdigit() else c for c in row]
        )
    book.save(folder / "book.xlsx")
    schema = {"geometry": "None", "properties": dict.fromkeys(rows[0], "str")}
    tables = [(folder / "book.xlsx").read_bytes()]
    for end, driver in (("ods", "ODS"), ("gpkg", "GPKG")):
        path = folder / f"book.{end}"
        with fiona.open(
            path, "w", driver=driver, schema=schema, allow_unsupported_drivers=True
        ) as out:
            for row in rows[1:]:
                out.write({"geometry": None, "properties": dict(zip(rows[0], row, strict=True))})
        tables.append(path.read_bytes())
    design = "point,easting,northing,elevation\n" + "".join(
        f"P{i},{i},{i * i},4\n" for i in range(9)
    )
    return {
        "parcels": [zipped.read_bytes(), kml.encode(), text.getvalue().encode()],
        "design": [text.getvalue().encode(), design.encode(), design.replace(",", ";").encode()],
        "sheet": tables,
    }


def rasters(folder: Path) -> list[bytes]:
    """Return the same elevations as GeoTIFF of several makes and as an ASCII grid."""
    import numpy as np
    import rasterio

    rng = np.random.default_rng(1)
    place = rasterio.transform.from_origin(512300.0, 5276130.0, 0.5, 0.5)
    found = []
    for number, (kind, options) in enumerate(
        (
            ("float32", {}),
            ("float32", {"compress": "deflate", "predictor": 3, "tiled": True}),
            ("int16", {"compress": "lzw", "predictor": 2}),
            ("float64", {"BIGTIFF": "YES"}),
            ("uint16", {"ENDIANNESS": "BIG"}),
            ("float32", {"driver": "COG"}),
            ("float32", {"driver": "AAIGrid"}),
        )
    ):
        high = (400 + rng.uniform(0, 9, (30, 40))).astype(kind)
        path = folder / f"high{number}.{'asc' if 'AAIGrid' in options.values() else 'tif'}"
        profile = {"driver": "GTiff", "dtype": kind, "nodata": 0, "tiled": False} | options
        if profile["driver"] != "GTiff":
            del profile["tiled"]
        with rasterio.open(
            path, "w", height=30, width=40, count=1, crs="EPSG:25832", transform=place, **profile
        ) as sink:
            sink.write(high, 1)
        found.append(path.read_bytes())
    return found


def requests() -> list[bytes]:
    """Return one request per process, files named that are there."""
    from geosite.processes.registry import processes

    found = []
    for name, process in processes().processes.items():
        paths = {given.id: str(Path(__file__)) for given in process.inputs if given.is_path}
        inputs = {k: paths.get(k, value) for k, value in process.example.items()}
        found.append(json.dumps({"process": name, "inputs": inputs}).encode())
    return found


def corpus(folder: Path) -> dict[str, list[bytes]]:
    """Return good files of every kind to start from."""
    from fieldbook_cases import BOOK, SITE

    from geosite.fieldbook.starter import starter_files

    starter = starter_files()
    columns = '[survey]\nunit = "ft"\ncolumns = {run = "Walk", note = "Remarks"}\n'
    azimuth = '[anchor.azimuth]\nvalue = 87.5\nreference = "magnetic"\ndate = 2026-04-12\n'
    sections = '[sections.s]\nmarks = ["A1", "A2"]\n[drainage]\nflow_paths_from = ["landing"]\n'
    quoted = "\n".join(
        ",".join(f'"{cell}"' for cell in line.split(",")) for line in BOOK.splitlines()
    )
    ring = [(512300.0, 5276090.0), (512330.0, 5276090.0), (512330.0, 5276120.0)]
    polygons: list[dict[str, object]] = [
        {"type": "Polygon", "coordinates": [[(e + 40 * i, n) for e, n in [*ring, ring[0]]]]}
        for i in range(3)
    ]
    points: list[dict[str, object]] = [
        {"type": "Point", "coordinates": (512300.0 + i, 5276100.0 + i * i % 7, float(i))}
        for i in range(12)
    ]
    table = "easting,northing,elevation\n" + "".join(f"{i},{i * i},{i / 8}\n" for i in range(9))
    lines: list[dict[str, object]] = [
        {"type": "LineString", "coordinates": [(e + 9 * i, n) for e, n in ring]} for i in range(3)
    ]
    polygonal = layers(polygons, folder)
    more = more_layers(folder)
    return {
        "parcels": [*polygonal, *more["parcels"]],
        "design": [*layers(lines, folder), *more["design"]],
        "sheet": more["sheet"],
        "raster": rasters(folder),
        "points": [
            *layers(points, folder),
            *(table.encode(), table.replace(",", ";").replace(".", ",").encode()) * 3,
        ],
        "request": requests(),
        "book": [
            BOOK.encode(),
            quoted.encode(),
            BOOK.replace("\n", "\r\n").encode("utf-8-sig"),
            BOOK.replace(",arc2,", ',arc2,"a note,\nof two lines"').encode(),
            starter["field_book.csv"],
        ],
        "site": [
            SITE.encode(),
            SITE.replace("[survey]\n", columns).encode(),
            (SITE + azimuth).encode(),
            (SITE + sections).encode(),
            starter["site.toml"].replace(b"field_book.csv", b"book.csv"),
        ],
    }


def mutated(data: bytes, others: list[bytes], chance: random.Random) -> bytes:
    """Return a damaged copy."""
    for _ in range(chance.choice((1, 1, 1, 2, 3, 5, 10))):
        at = chance.randrange(len(data) + 1)
        to = min(len(data), at + chance.choice((0, 1, 1, 2, 5, 20, 100)))
        kind = chance.randrange(12)
        if kind == 0:  # a byte changed
            data = data[:at] + bytes([chance.randrange(256)]) + data[at + 1 :]
        elif kind == 1:  # a piece lost
            data = data[:at] + data[to:]
        elif kind == 2:  # a piece twice
            data = data[:to] + data[at:to] * chance.choice((1, 2, 50)) + data[to:]
        elif kind in (3, 4):  # a word put in or in place of a piece
            data = data[:at] + chance.choice(WORDS) + data[(at if kind == 3 else to) :]
        elif kind == 5:  # the rest of another file
            other = chance.choice(others)
            data = data[:at] + other[chance.randrange(len(other)) :]
        elif kind == 6:  # lines in another order
            lines = data.split(b"\n")
            i, j = chance.randrange(len(lines)), chance.randrange(len(lines))
            lines[i], lines[j] = lines[j], lines[i]
            data = b"\n".join(lines)
        elif kind == 7:  # cut short
            data = data[:at]
        elif kind == 8:  # a block of zeros
            data = data[:at] + bytes(to - at) + data[to:]
        elif kind == 9:  # one bit
            if data[at:]:
                data = data[:at] + bytes([data[at] ^ 1 << chance.randrange(8)]) + data[at + 1 :]
        elif kind == 10:  # a number of two or four bytes made extreme: sizes, offsets, counts
            size = chance.choice((2, 4))
            number = chance.choice(EXTREMES) & (1 << 8 * size) - 1
            order = chance.choice(("little", "big"))
            data = data[:at] + number.to_bytes(size, order) + data[at + size :]
        else:  # one cell or value replaced
            cells = data.split(b",")
            cells[chance.randrange(len(cells))] = chance.choice(WORDS)
            data = b",".join(cells)
    return data[:200_000]


class Fuzz:
    """Counts what happened to the inputs."""

    def __init__(self, folder: Path, keep: Path) -> None:
        from fieldbook_cases import BOOK, SITE, write

        from geosite.processes.registry import processes
        from geosite.reading import foreign

        # no copy stands between a crash of the library and the count
        foreign.can_copy = lambda: False

        self.processes = processes().processes
        self.write = write
        self.folder = folder
        self.keep = keep
        self.good = {"book": BOOK.encode(), "site": SITE.encode()}
        self.count: collections.Counter[str] = collections.Counter()
        self.failed: collections.Counter[str] = collections.Counter()
        self.slowest = 0.0
        self.started = time.perf_counter()

    def one(self, kind: str, data: bytes) -> None:
        """Read one damaged file of a kind."""
        from geosite.base.errors import GeositeError

        began, worked = time.perf_counter(), time.process_time()
        fault = ""
        try:
            fault = getattr(self, kind)(data)
        except GeositeError as error:
            said = [str(p) for p in error.problems]
            self.count.update({p.code for p in error.problems})
            if not said or len(said) > 60 or not all(s.isprintable() for s in said):
                fault = "error not of our form"
        except BaseException:
            fault = traceback.format_exc().strip().splitlines()[-1]
            if isinstance(sys.exc_info()[1], KeyboardInterrupt):
                raise
        else:
            self.count[f"read ({kind})"] += 1
        # a busy machine lets this wait; who waits for something else is idle for far longer
        taken = max(time.process_time() - worked, (time.perf_counter() - began) / 10)
        self.slowest = max(self.slowest, taken)
        self.count["inputs"] += 1
        if not fault and taken > SECONDS_ALLOWED:
            fault = f"took longer than {SECONDS_ALLOWED:.0f} s"
        if fault:
            self.failed[fault] += 1
            self.keep.mkdir(parents=True, exist_ok=True)
            (self.keep / f"{kind}_{self.count['inputs']}").write_bytes(data)

    def book(self, data: bytes) -> str:
        """Read a survey with this field book."""
        return self._survey(data, self.good["site"])

    def site(self, data: bytes) -> str:
        """Read a survey with this site file."""
        return self._survey(self.good["book"], data)

    def _survey(self, book: bytes, site: bytes) -> str:
        from geosite.fieldbook.read import read_survey

        return wrong_success(read_survey(self.write(self.folder, book, site)), book)

    def parcels(self, data: bytes) -> str:
        """Read a survey with this parcel layer."""
        from geosite.fieldbook.read import read_survey

        name = f"parcels.{ending(data)}"
        (self.folder / name).write_bytes(data)
        site = self.good["site"].decode() + PARCELS % name
        found = read_survey(self.write(self.folder, self.good["book"], site)).attached.parcels
        assert found is not None
        if len(found.names) != len(found.shapes) or not found.crs_wkt:
            return "wrong success: parcels without name or CRS"
        if any(shape.geom_type not in ("Polygon", "MultiPolygon") for shape in found.shapes):
            return "wrong success: parcels that are no polygons"
        if name.endswith(".geojson"):
            told = plain_features(data)
            # the library reads "PolYgon" as well
            wanted = sum(t.casefold() in ("polygon", "multipolygon") for t in told)
            if len(found.shapes) > wanted:
                return "wrong success: more parcels than polygons"
        return ""

    def points(self, data: bytes) -> str:
        """Read this table or layer of points."""
        from geosite.reading.points import read_points

        path = self.folder / f"points.{ending(data)}"
        path.write_bytes(data)
        found = read_points(str(path)).positions
        if found.ndim != 2 or found.shape[1] != 3 or not all(map(math.isfinite, found.ravel())):
            return "wrong success: points that are no finite triples"
        if path.suffix == ".csv":
            lines = [x for x in data.decode("utf-8-sig").splitlines() if x.strip()]
            if b'"' not in data and len(found) > len(lines) - 1:
                return "wrong success: more points than lines"
        elif path.suffix == ".geojson" and len(found) > len(plain_features(data)):
            return "wrong success: more points than features"
        return ""

    def design(self, data: bytes) -> str:
        """Read this design."""
        from geosite.reading.designs import read_design

        path = self.folder / f"design.{ending(data)}"
        path.write_bytes(data)
        found = read_design(str(path))
        return "" if found.shapes else "wrong success: a design without a shape"

    def sheet(self, data: bytes) -> str:
        """Read a survey whose field book is a table of another format."""
        from geosite.fieldbook.read import read_survey

        end = "gpkg" if data.startswith(b"SQLi") else "ods" if b"opendocument" in data else "xlsx"
        (self.folder / f"book.{end}").write_bytes(data)
        site = self.good["site"].replace(b"book.csv", f"book.{end}".encode())
        notes = read_survey(self.write(self.folder, self.good["book"], site))
        finite = all(map(math.isfinite, notes.book.local.ravel()))
        return "" if len(notes.book) and finite else "wrong success: rows that are no places"

    def raster(self, data: bytes) -> str:
        """Read this elevation raster."""
        import numpy as np

        from geosite.reading.rasters import read_elevation

        end = "tif" if data[:2] in (b"II", b"MM") else "asc"
        path = self.folder / f"high.{end}"
        path.write_bytes(data)
        path.with_suffix(".prj").write_text("EPSG:25832") if end == "asc" else None
        found = read_elevation(str(path))
        if found.values.shape != (found.grid.rows, found.grid.cols):
            return "wrong success: rows and columns that are not the grid's"
        if np.isinf(found.values).any():
            return "wrong success: an elevation without end"
        if end == "asc" and np.isfinite(found.values).sum() > len(data.split()):
            return "wrong success: more cells than numbers"
        return ""

    def request(self, data: bytes) -> str:
        """Check this request against the description of the process that it names."""
        import jsonschema

        from geosite.processes.inputs import checked, from_request

        inputs = from_request(data, "request.json")
        known = self.processes
        told = json.loads(data.decode("utf-8-sig")).get("process")
        process = known.get(told) if isinstance(told, str) else None
        process = process or known[sorted(known)[len(data) % len(known)]]
        found = checked(process, inputs)
        for given in process.inputs:
            if given.id not in found:
                if given.required:
                    return "wrong success: an input is missing"
                continue
            value = found[given.id]
            if given.is_path:
                if not Path(value).is_file():
                    return "wrong success: no such file"
            elif not jsonschema.Draft202012Validator(dict(given.schema)).is_valid(value):
                return "wrong success: against the schema"
        extra = set(inputs) - {given.id for given in process.inputs}
        return "wrong success: unknown input" if extra else ""

    def report(self) -> bool:
        """Print the counts; report whether all is well."""
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        spent = time.perf_counter() - self.started
        inputs = self.count.pop("inputs")
        print(f"{inputs} inputs in {spent:.0f} s, slowest {self.slowest:.2f} s, peak {peak:.0f} MB")
        for name in [name for name in self.count if name.startswith("read (")]:
            print(f"  {self.count.pop(name):7d}  {name}")
        print("the others refused for")
        for code, times in sorted(self.count.items(), key=lambda item: -item[1]):
            print(f"  {times:7d}  {code}")
        for fault, times in self.failed.most_common():
            print(f"FAILED {times} times: {fault} (kept in {self.keep})")
        if peak > MEGABYTES_ALLOWED:
            print(f"FAILED: more than {MEGABYTES_ALLOWED:.0f} MB")
        print("all well" if not self.failed and peak <= MEGABYTES_ALLOWED else "NOT WELL")
        return not self.failed and peak <= MEGABYTES_ALLOWED


def wrong_success(notes: object, book: bytes) -> str:
    """Compare notes with a plain reading of the field book; return what differs."""
    from geosite.fieldbook.model import Notes

    assert isinstance(notes, Notes)
    text = book.decode("utf-8-sig").lstrip("\r\n, \t")
    rows = [r for r in csv.reader(io.StringIO(text, newline="")) if "".join(r).strip()]
    head = ["".join(h.split()).casefold() for h in rows[0]]
    columns = notes.site.survey.columns
    place = {
        c: head.index("".join(columns.get(c, c).split()).casefold())
        for c in ("run", "point", "x", "y", "z")
    }
    found = notes.book
    if len(found) != len(rows) - 1:
        return "wrong success: number of rows"
    for i, row in enumerate(rows[1:]):
        values = [float(row[place[axis]].strip()) * found.unit_m for axis in "xyz"]
        if max(abs(a - b) for a, b in zip(values, found.local[i], strict=True)) > 1e-9:
            return "wrong success: coordinates"
        if found.runs[found.run[i]].split() != row[place["run"]].split():
            return "wrong success: run"
        name = found.marks[found.mark[i]] if found.mark[i] >= 0 else ""
        if name.isascii() and name.split() != row[place["point"]].split():
            return "wrong success: point"
    for run in range(len(found.runs)):
        here = {found.marks[m] for m in found.mark[found.run == run] if m >= 0}
        if not {notes.site.baseline.from_, notes.site.baseline.to} <= here:
            return "wrong success: a run without the baseline"
    return ""


def plain_features(data: bytes) -> list[str]:
    """Return the geometry types in GeoJSON, one document or one per line."""
    text = data.decode("utf-8-sig")
    try:
        documents = [json.loads(text)]
    except ValueError:
        lines = text.replace("\x1e", "\n").splitlines()
        documents = [json.loads(line) for line in lines if line.strip()]
    found = []
    stack: list[object] = list(documents)
    while stack:
        one = stack.pop()
        if isinstance(one, dict):
            stack += one.values()
            # the library reads "coordinaTes" as well
            if any(key.casefold() == "coordinates" for key in one):
                found.append(str(one.get("type")))
        elif isinstance(one, list):
            stack += one
    return found


def main() -> int:
    """Run the command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--inputs", type=int, default=5000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--kinds", nargs="+", choices=KINDS, default=KINDS)
    parser.add_argument("--guided", action="store_true", help="coverage-guided, needs atheris")
    parser.add_argument("--keep", type=Path, default=Path(tempfile.gettempdir()) / "fuzz_reading")
    options = parser.parse_args()
    memory = Path("/dev/shm")
    with tempfile.TemporaryDirectory(dir=memory if memory.is_dir() else None) as folder:
        if options.guided:
            return guided(Path(folder), options)
        fuzz = Fuzz(Path(folder), options.keep)
        start, chance = corpus(Path(folder)), random.Random(options.seed)
        try:
            for _ in range(options.inputs):
                kind = chance.choice(options.kinds)
                data = chance.choice(start[kind])
                fuzz.one(kind, mutated(data, start[kind], chance))
        except KeyboardInterrupt:
            print("stopped before the end")
        return 0 if fuzz.report() else 1


def guided(folder: Path, options: argparse.Namespace) -> int:
    """Let atheris choose the inputs by the code they reach."""
    import atheris

    with atheris.instrument_imports(include=["geosite", "tomllib"]):
        importlib.import_module("geosite.fieldbook.read")
        importlib.import_module("geosite.reading.rasters")
        importlib.import_module("geosite.processes.inputs")
    fuzz = Fuzz(folder, options.keep)
    options.keep.mkdir(parents=True, exist_ok=True)
    seeds = folder / "seeds"
    seeds.mkdir()
    start = corpus(folder)
    letters = dict(zip("bsaerhdt", KINDS, strict=True))
    for letter, kind in letters.items():
        for i, data in enumerate(start[kind] if kind in options.kinds else ()):
            for first in (letter, letter.upper()):
                (seeds / f"{first}{i}").write_bytes(first.encode() + data)

    def one(data: bytes) -> None:
        first, rest = data[:1], data[1:]
        if first.isupper():  # text at least, so that not all of it ends at the encoding
            rest = rest.decode("utf-8", "ignore").replace("\0", "").encode()
        kind = letters.get(first.decode("latin-1").lower(), options.kinds[0])
        fuzz.one(kind if kind in options.kinds else options.kinds[0], rest)
        if fuzz.count["inputs"] >= options.inputs:
            well = fuzz.report()
            sys.stdout.flush()
            os._exit(0 if well else 1)  # the fuzzer has no other way out

    atheris.Setup(
        [
            sys.argv[0],
            str(seeds),
            f"-seed={options.seed}",
            "-max_len=120000",
            "-verbosity=0",
            f"-artifact_prefix={options.keep}/",
        ],
        one,
    )
    atheris.Fuzz()
    return 0


if __name__ == "__main__":
    sys.exit(main())
