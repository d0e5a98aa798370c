"""Fuzz the reading of surveys: damaged field books and site files, counted and reported.

    python tests/benchmark/fuzz_reading.py --inputs 50000
    python tests/benchmark/fuzz_reading.py --inputs 50000 --guided

Guided means coverage-guided and needs atheris. Every input must end in notes or in an error of
ours, within 10 seconds and 1 GB. Notes that come out are compared with a plain reading of the same
text by the csv module, so that a wrong success is a failure too. Inputs that fail are kept in the
folder given by ``--keep``.
"""

from __future__ import annotations

import argparse
import collections
import csv
import importlib
import io
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


def corpus() -> dict[str, list[bytes]]:
    """Return good files of both kinds to start from."""
    from fieldbook_cases import BOOK, SITE

    from geosite.fieldbook.starter import starter_files

    starter = starter_files()
    columns = '[survey]\nunit = "ft"\ncolumns = {run = "Walk", note = "Remarks"}\n'
    azimuth = '[anchor.azimuth]\nvalue = 87.5\nreference = "magnetic"\ndate = 2026-04-12\n'
    sections = '[sections.s]\nmarks = ["A1", "A2"]\n[drainage]\nflow_paths_from = ["landing"]\n'
    quoted = "\n".join(
        ",".join(f'"{cell}"' for cell in line.split(",")) for line in BOOK.splitlines()
    )
    return {
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
        kind = chance.randrange(8)
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
        else:  # one cell or value replaced
            cells = data.split(b",")
            cells[chance.randrange(len(cells))] = chance.choice(WORDS)
            data = b",".join(cells)
    return data[:200_000]


class Fuzz:
    """Counts what happened to the inputs."""

    def __init__(self, folder: Path, keep: Path) -> None:
        from fieldbook_cases import BOOK, SITE, write

        self.write = write
        self.folder = folder
        self.keep = keep
        self.good = {"book": BOOK.encode(), "site": SITE.encode()}
        self.count: collections.Counter[str] = collections.Counter()
        self.failed: collections.Counter[str] = collections.Counter()
        self.slowest = 0.0
        self.started = time.perf_counter()

    def one(self, kind: str, data: bytes) -> None:
        """Read one survey with a damaged file of a kind."""
        from geosite.errors import GeositeError
        from geosite.fieldbook.read import read_survey

        files = {**self.good, kind: data}
        path = self.write(self.folder, files["book"], files["site"])
        began = time.perf_counter()
        fault = ""
        try:
            notes = read_survey(path)
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
            self.count["read as notes"] += 1
            fault = wrong_success(notes, files["book"])
        taken = time.perf_counter() - began
        self.slowest = max(self.slowest, taken)
        self.count["inputs"] += 1
        if not fault and taken > SECONDS_ALLOWED:
            fault = f"took longer than {SECONDS_ALLOWED:.0f} s"
        if fault:
            self.failed[fault] += 1
            self.keep.mkdir(parents=True, exist_ok=True)
            (self.keep / f"{kind}_{self.count['inputs']}").write_bytes(data)

    def report(self) -> bool:
        """Print the counts; report whether all is well."""
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        spent = time.perf_counter() - self.started
        inputs = self.count.pop("inputs")
        print(f"{inputs} inputs in {spent:.0f} s, slowest {self.slowest:.2f} s, peak {peak:.0f} MB")
        print(f"{self.count.pop('read as notes', 0)} read as notes, the others refused for")
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


def main() -> int:
    """Run the command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--inputs", type=int, default=5000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--guided", action="store_true", help="coverage-guided, needs atheris")
    parser.add_argument("--keep", type=Path, default=Path(tempfile.gettempdir()) / "fuzz_reading")
    options = parser.parse_args()
    memory = Path("/dev/shm")
    with tempfile.TemporaryDirectory(dir=memory if memory.is_dir() else None) as folder:
        if options.guided:
            return guided(Path(folder), options)
        fuzz = Fuzz(Path(folder), options.keep)
        start, chance = corpus(), random.Random(options.seed)
        for _ in range(options.inputs):
            kind = chance.choice(("book", "site"))
            data = chance.choice(start[kind])
            fuzz.one(kind, mutated(data, start[kind], chance))
        return 0 if fuzz.report() else 1


def guided(folder: Path, options: argparse.Namespace) -> int:
    """Let atheris choose the inputs by the code they reach."""
    import atheris

    with atheris.instrument_imports(include=["geosite", "tomllib"]):
        importlib.import_module("geosite.fieldbook.read")
    fuzz = Fuzz(folder, options.keep)
    seeds = folder / "seeds"
    seeds.mkdir()
    for kind, files in corpus().items():
        for i, data in enumerate(files):
            for first in (kind[0], kind[0].upper()):
                (seeds / f"{first}{i}").write_bytes(first.encode() + data)

    def one(data: bytes) -> None:
        first, rest = data[:1], data[1:]
        if first.isupper():  # text at least, so that not all of it ends at the encoding
            rest = rest.decode("utf-8", "ignore").replace("\0", "").encode()
        fuzz.one("site" if first in b"sS" else "book", rest)
        if fuzz.count["inputs"] >= options.inputs:
            well = fuzz.report()
            sys.stdout.flush()
            os._exit(0 if well else 1)  # the fuzzer has no other way out

    atheris.Setup(
        [sys.argv[0], str(seeds), f"-seed={options.seed}", "-max_len=20000", "-verbosity=0"], one
    )
    atheris.Fuzz()
    return 0


if __name__ == "__main__":
    sys.exit(main())
