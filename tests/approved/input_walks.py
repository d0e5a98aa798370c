"""Exports and field books that are odd in one way each: what an import and a look make of them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from contextlib import chdir
from pathlib import Path

import numpy as np
from approved.input_tables import listed, said_of

from geosite.base.errors import Finding
from geosite.drawing.svg import svg
from geosite.fieldbook.book import book_from_text
from geosite.fieldbook.days import days, of_day
from geosite.fieldbook.imports.headers import plain_header, role_of, unit_of
from geosite.fieldbook.imports.importing import import_exports
from geosite.fieldbook.imports.model import Answers
from geosite.fieldbook.imports.wording import preview
from geosite.fieldbook.join_books import joined
from geosite.fieldbook.model import FieldBook, Notes
from geosite.fieldbook.remarks import look_at
from geosite.fieldbook.rough_layout import lay_out
from geosite.fieldbook.rough_place import surroundings
from geosite.fieldbook.sitefile import Anchor, AnchorMark, Code, Run, Site, Survey
from geosite.fieldbook.sketch import sketch_sheet, sketch_text
from geosite.fieldbook.suspicious_marks import suspects

__all__ = ["walks_told"]

# --- imports ---------------------------------------------------------------------------------

# two walks over a ramp: the second one turned by a right angle
ONE = "B1 0 0 0,B2 8.0 6.0 0.4,P1 2.0 9.0 0.1,P2 5.0 12.0 0.2,P3 9.0 11.0 0.3,B1 0.02 0.01 0"
TWO = "B1 0 0 0,B2 -6.0 8.0 0.4,Q1 -3.0 2.0 0.1,Q2 -7.0 1.0 0.2,Q3 -9.0 4.0 0.2,B2 -6.02 8.01 0.4"


def rows_of(walk: str, separator: str = ",") -> list[str]:
    return [row.replace(" ", separator) for row in walk.split(",")]


def table(header: str, *walks: str, between: Sequence[str] = ()) -> str:
    lines = [header] if header else []
    for number, walk in enumerate(walks):
        lines += [*(between if number else ()), *rows_of(walk)]
    return "\n".join([*lines, ""])


def mapped(walk: str, change: str) -> str:
    """A walk with its coordinates changed: ``"swap"``, ``"y"`` turned, or a factor."""
    made = []
    for row in walk.split(","):
        name, *cells = row.split()
        x, y, z = map(float, cells)
        if change == "swap":
            x, y = y, x
        elif change == "y":
            y = -y
        else:
            x, y, z = (round(v * float(change), 4) for v in (x, y, z))
        made.append(f"{name} {x:g} {y:g} {z:g}")
    return ",".join(made)


NAMED = "name,x,y,z"
BOTH = table("run,name,x,y,z").strip() + "".join(
    f"\n{run},{row}" for run, walk in (("R1", ONE), ("R2", TWO)) for row in rows_of(walk)
)
EXPORTS: dict[str, object] = {
    "one walk": (table(NAMED, ONE),),
    "marks that read like numbers": (table(NAMED, ONE.replace("P", "E").replace("B", "E1"))),
    "two walks, named": (BOTH,),
    "two walks, an empty line between": (table(NAMED, ONE, TWO, between=[""]),),
    "two walks, the header again": (table(NAMED, ONE, TWO, between=[NAMED]),),
    "two walks, from nought again": (table(NAMED, ONE, TWO),),
    "two walks that nothing parts": (
        table(NAMED, ONE, TWO.replace("B1 0 0 0", "B1 0.5 0 0")),
    ),
    "two files": (table(NAMED, ONE), table(NAMED, TWO)),
    "two files whose runs have one name": (
        table("run," + NAMED, "R1 " + ONE.replace(",", ",R1 ")),
        table("run," + NAMED, "R1 " + TWO.replace(",", ",R1 ")),
    ),
    "two files, one in feet": (
        table("name,x [m],y [m],z [m]", ONE),
        table("name,x [ft],y [ft],z [ft]", mapped(TWO, "3.28084")),
    ),
    "two files, one in feet that says nothing": (
        table(NAMED, ONE),
        table(NAMED, mapped(TWO, "3.28084")),
    ),
    "two files of two units and one without": (
        table("name,x [m],y [m],z [m]", ONE),
        table("name,x [ft],y [ft],z [ft]", mapped(TWO, "3.28084")),
        table(NAMED, TWO),
    ),
    "two files whose baselines differ": (
        table(NAMED, ONE),
        table(NAMED, TWO.replace("-6.0 8.0", "-6.0 9.5").replace("-6.02 8.01", "-6.02 9.51")),
    ),
    "two files, one mirrored": (
        table(NAMED, ONE + ",P1 2.0 9.0 0.1"),
        table(NAMED, mapped(ONE, "swap")),
    ),
    "centimetres": (table("name,x (cm),y (cm),z (cm)", mapped(ONE, "100")),),
    "inches": (table("name,x_in,y_in,z_in", mapped(ONE, "39.37")),),
    "a row of units": (table("name,x,y,z\n-,[ft],[ft],[ft]", mapped(ONE, "3.28084")),),
    "a unit above the table": (f"My ramp\nUnits: feet\n{table(NAMED, ONE)}",),
    "axes of two units": (table("name,x [m],y [m],z [ft]", ONE),),
    "north before east": (table("name,northing,easting,elevation", mapped(ONE, "swap")),),
    "south and west and down": (table("name,west,south,down", ONE),),
    "letters for axes": (table("pt,e,n,h", ONE),),
    "other words": (table("Punkt-Nr,Ost [m],Nord [m],Höhe [m]", ONE),),
    "two names of the mark": (
        "id,name,x,y,z\n" + "\n".join(f"{k},{r}" for k, r in enumerate(rows_of(ONE), 1)),
    ),
    "two columns for x": ("name,x,east,y,z\n" + "\n".join(
        row.replace(",", ",1,", 1) for row in rows_of(ONE)),),
    "two columns for x, one of them empty": ("name,x,east,y,z\n" + "\n".join(
        row.replace(",", ",,", 1) for row in rows_of(ONE)),),
    "no header": (table("", ONE),),
    "no header, a counter before": (
        "\n".join(f"{k},{r}" for k, r in enumerate(rows_of(ONE), 1)),
    ),
    "no header, heights first": ("\n".join(
        ",".join((r.split(",")[0], *r.split(",")[3:], *r.split(",")[1:3])) for r in rows_of(ONE)),),
    "no header, four columns of numbers": ("\n".join(
        f"{r},{w}" for r, w in zip(rows_of(ONE), (7.5, 7, 9, 7.1, 7, 8.5), strict=True)),),
    "no names at all": ("x,y,z\n" + "\n".join(r.split(",", 1)[1] for r in rows_of(ONE)),),
    "no names in two files": tuple(
        "x,y,z\n" + "\n".join(r.split(",", 1)[1] for r in rows_of(walk)) for walk in (ONE, TWO)
    ),
    "shapes, codes and notes without a header": ("\n".join(
        f"{r},{f},{c},{n}" for r, f, c, n in zip(
            rows_of(ONE + ",P4 1 8 0,P5 3 3 0"), ("", "", "pad", "pad", "pad", "", "rim", "rim"),
            ("", "", "slab", "slab", "slab", "", "kerb", "kerb"),
            ("start here", "", "", "by the gate", "", "", "", ""), strict=True)),),
    "times and segments without a header": ("\n".join(
        f"{r},2026-05-01T08:3{k}:00,{s}" for k, (r, s) in enumerate(zip(
            rows_of(ONE), ("", "", "", "line", "arc2", ""), strict=True))),),
    "runs without a header": ("\n".join(
        f"{run},{row}" for run, walk in (("R1", ONE), ("R2", TWO)) for row in rows_of(walk)),),
    "a number that is none": (table(NAMED, ONE).replace("12.0", "l2.0"),),
    "a cell blank": (table(NAMED, ONE).replace("12.0", ""),),
    "commas that may be thousands": (
        "name;x;y;z\nB1;0;0;0\nB2;1,500;2,250;3,100\nB1;0;0;0\nB2;1,501;2,250;3,100\n",
    ),
    "no mark twice, two walks": (
        table("run," + NAMED, "R1 B1 0 0 0,R1 A 1 2 0,R2 C 1 1 0,R2 D 2 2 0,R2 E 3 1 0"),
    ),
    "walks that share three marks": (
        table("run," + NAMED, "R1 A 0 0 0,R1 B 9 0 0,R1 C 4 5 0,R2 C 0 0 0,R2 A 6 2 0,R2 B -1 7 0"),
    ),
    "every walk starts with them": (
        table("run," + NAMED, "R1 A 0 0 0,R1 B 9 0 0,R1 C 4 5 0,R2 A 0 0 0,R2 B 0 9 0,R2 C -5 4 0"),
    ),
    "every walk comes back to both": (
        table("run," + NAMED, "R1 A 0 0 0,R1 B 9 0 0,R1 C 4 5 0,R1 A 0 0 0,R1 B 9 0 0,"
              "R2 A 0 0 0,R2 B 0 9 0,R2 C -5 4 0,R2 A 0 0 0,R2 B 0 9 0"),
    ),
    "one mark": (table(NAMED, "B1 0 0 0,B1 1 0 0,B1 0 2 0"),),
    "a walk through its origin": (
        table(NAMED, "A -2 0 0,B -1 0 0,C 0 0 0,D 1 0 0,E 2 0 0,A -2.01 0 0,B -1 0.01 0"),
    ),
}  # fmt: skip
TOLD: dict[str, object] = {
    "a baseline told": (Answers(baseline=("P1", "P3")), BOTH),
    "a baseline told that is right": (Answers(baseline=("B2", "B1")), BOTH),
    "a length told": (Answers(baseline_m=(10.0, "10 m")), table(NAMED, ONE)),
    "a length told, in feet": (
        Answers(baseline_m=(10.0, "10 m")), table(NAMED, mapped(ONE, "3.28084"))),
    "a length told, in inches": (
        Answers(baseline_m=(10.0, "10 m")), table(NAMED, mapped(ONE, "39.37"))),
    "a length that fits no unit": (Answers(baseline_m=(7.0, "7 m")), table(NAMED, ONE)),
    "a length against the unit": (
        Answers(baseline_m=(10.0, "10 m"), unit="ft"), table(NAMED, ONE)),
    "a length that fits no unit at all": (
        Answers(baseline_m=(7.0, "7 m"), unit="ft"), table(NAMED, ONE)),
    "a unit told": (Answers(unit="ftUS"), table(NAMED, ONE)),
    "a unit told against the header": (
        Answers(unit="ft"), table("name,x [m],y [m],z [m]", ONE)),
    "a decimal mark told": (
        Answers(decimal=","), "name;x;y;z\nB1;0;0;0\nB2;1,500;2,250;3,100\nB1;0;0;0\n"),
    "columns told": (
        Answers(columns={"x": "3", "y": "-2", "z": "up", "point": "Name"}),
        table("Name,a,b,up", ONE)),
    "columns told that are not there": (
        Answers(columns={"x": "9", "y": "bb", "z": "Upp"}), table("Name,a,bbb,Up", ONE)),
    "a column told without a header": (
        Answers(columns={"x": "0", "y": "A"}), table("", ONE)),
    "a title, a map and one place": (
        Answers(title='The "ramp"', crs="EPSG:25832", marks={"B 1": (5.0, 6.0)}),
        table(NAMED, ONE)),
    "a place with its height, and one half": (
        Answers(marks={"B1": (512000.0, 5276000.0, 7.5), "B2": (512010.0,)}), table(NAMED, ONE)),
}  # fmt: skip


def _imported(texts: Sequence[str], answers: Answers = Answers()) -> Iterator[str]:  # noqa: B008
    """What an import says of some exports, and the files that it makes of them."""
    texts = [texts] if isinstance(texts, str) else texts
    paths = [Path(f"walk{number or ''}.csv") for number in range(len(texts))]
    for path, text in zip(paths, texts, strict=True):
        path.write_text(text, encoding="utf-8")
    made = import_exports(paths, answers)
    yield from (f"{style[0]} {line}" for style, line in preview(made))
    yield from made.files["field_book.csv"].decode().splitlines()
    for line in made.files["site.toml"].decode().splitlines():
        if line and not line.startswith("#") and "GAP" not in line:
            yield line


HEADERS = (
    "x", "X (m)", "Local_X_ft", "east", "Easting [US survey feet]", "este", "E", "n", "Norte",
    "Höhe",    "height_cm", "Elev.", "RL", "Depth", "d", "west", "S", "Name", "Point ID", "Pt No.",
    "Mark name", "walk",
     "Gang", "Layer", "Feature Code", "desc", "kind", "outline", "Objekt", "Curve", "seg",
    "remarks", "UTC", "t", "battery", "", "x {mm}", "y <in>", "z.yd", "z_km",
)  # fmt: skip


def _headers() -> Iterator[str]:
    for header in HEADERS:
        yield f"{header!r}: {plain_header(header)!r}, {role_of(header)}, unit {unit_of(header)}"


# --- field books that are looked at ----------------------------------------------------------

HEAD = "run,point,x,y,z,feature,code,segment,note\n"
YARD = [
    (k, 5.0 * (k if k < 5 else 4 if k < 7 else 10 - k if k < 11 else 0), y)
    for k, y in enumerate((0, 0, 0, 0, 0, 5, 10, 10, 10, 10, 10, 5))
]
CALM = (0, 0.02, 0.05, 0.07, 0.03, 0.04, 0.06, 0.09, 0.05, 0.06, 0.08, 0.1)


def yard(moved: dict[int, tuple[float, float, float]], more: str = "", unit: str = "") -> str:
    """Twelve marks round a yard of 20 by 10, some of them elsewhere."""
    rows = []
    for k, x, y in YARD:
        x, y, z = moved.get(k, (x, y, CALM[k]))
        rows.append(f"R1,A{k},{x:g},{y:g},{z:g},yard,apron,,")
    return HEAD + "\n".join(rows) + f"\n{more}"


SPIKE = yard({8: (10.5, 60, 0.05)})
LOOKED_AT: dict[str, object] = {
    "a calm yard": yard({}),
    "a spike": SPIKE,
    "a corner far away": yard({6: (90, 70, 0.06)}),
    "a decimal point of x": yard({3: (150, 0, 0.07)}),
    "a decimal point of y": yard({5: (20, 50, 0.04)}),
    "a decimal point the other way": yard({8: (1.0, 10, 0.05)}),
    "a height ten times": yard({5: (20, 5, 6.1)}),
    "a height below": yard({5: (20, 5, -7.0)}),
    "a height without any reason": yard({5: (20, 5, 3.3)}),
    "a height a hundred times": yard({5: (20, 5, 5.0)}),
    "a height with another sign, on a slope": HEAD + "".join(
        f"R1,A{k},{5 * (k % 4)},{5 * (k // 4)},{-2 if k == 6 else 2 + k / 50},f,apron,,\n"
        for k in range(12)),
    "six slips in six yards": HEAD + "".join(
        SPIKE.removeprefix(HEAD).replace("A", f"{k}A").replace("yard", f"f{k}") for k in range(6)),
    "seven marks alone": HEAD + "".join(
        f"R1,A{k},{k},{k % 2},{9 if k == 3 else k / 50},,,,\n" for k in range(7)),
    "six marks alone": HEAD + "".join(
        f"R1,A{k},{k},{k % 2},{9 if k == 3 else k / 50},,,,\n" for k in range(6)),
    "a slip that was seen twice": yard({8: (10.5, 60, 0.05)}, "R2,A8,0,0,0,,,,\n"),
    "a circle and a stream": yard({8: (10.5, 60, 0.05)}).replace(
        "A3,15,0,0.07,yard,apron,", "A3,15,0,0.07,yard,apron,stream"),
    "a long walk with one slip": HEAD + "".join(
        f"R1,M{k},{k % 30},{k // 30},{4 if k == 300 else k / 900},,,,\n" for k in range(600)),
    "names alike": HEAD + "R1,gate,0,0,0,a,kerb,,\n"
    "r1,Gate,1,0,0,A,Kerb,,\nR1,g ate,2,2,0,a,kerb,,\n",
    "many names alike": HEAD + "".join(
        f"R1,m{k},{k},0,0,,,,\nR1,M{k},{k},1,0,,,,\n" for k in range(23)),
    "codes without a meaning": HEAD + "R1,A,0,0,0,f,aprn,,\n"
    "R1,B,1,0,0,g,kerbs,,\nR1,C,2,0,0,g,kerbs,,\n"
    "R1,D,3,0,0,h,kerbs,,\nR1,E,4,0,0,h,kerbs,,\nR1,F,5,0,0,h,kerbs,,\nR1,G,6,3,0,,peg,,\n",
    "many codes without a meaning": HEAD + "".join(
        f"R1,M{k},{k},{k % 3},0,f{k},c{k},,\n" for k in range(22)),
    "a segment without a feature": HEAD + "R1,A,0,0,0,,,arc,\n",
    "segments without features": HEAD + "R1,A,0,0,0,,,arc,\nR1,B,1,0,0,,,line2,\nR1,C,2,0,0,,,,\n",
    "rows copied": HEAD + "R1,A,0,0,0,,,,\nR1,B,1,0,0,,,,\nR1,A,0,0,0,,,,\nR1,B,1,0,0,,,,\n",
    "a row copied": HEAD + "R1,A,0,0,0,,,,\nR1,B,1,0,0,,,,\nR1,A,0,0,0,,,,\n",
    "one mark of two features": HEAD + "R1,A,0,0,0,f,kerb,,\n"
    "R1,A,0,0,0,g,kerb,,\nR1,B,1,0,0,g,kerb,,\n",
    "nothing drawn": "run,point,x,y,z,Shape,Layer\nR1,A,0,0,0,s,t\n",
    "nothing drawn and nothing to map": "run,point,x,y,z\nR1,A,0,0,0\n",
    "times that stop": "run,point,x,y,z,time\nR1,A,0,0,0,5\nR1,B,1,0,0,\nR1,C,1,1,0,soon\n",
}  # fmt: skip
CODES = {"apron": Code(), "kerb": Code(geometry="line")}


def _told(findings: Sequence[Finding]) -> Iterator[str]:
    for finding in findings:
        yield f"{finding.level} {finding.code}: {finding.text} (line {finding.line})"


def _looked_at(given: str) -> Iterator[str]:
    for unit in ("m", "ft"):
        book = book_from_text(given, Survey(file="book.csv", unit=unit))
        findings: list[Finding] = []
        look_at(Notes.of(book, codes=CODES).site, book, findings)
        if unit == "m":
            first = [f"{f.level} {f.text}" for f in findings]
            yield from _told(findings)
        else:
            yield from (
                f"in feet: {f.text}" for f in findings if f"{f.level} {f.text}" not in first
            )


# --- sketches, days, two books, places -------------------------------------------------------

WALKED = (
    HEAD
    + """\
R1,B1,0,0,0,,,,
R1,B2,12,5,0.2,,,,
R1,A1,2,6,0.1,apron,apron,,
R1,A2,4,14,0.2,apron,apron,,
R1,,9,15,0.2,apron,apron,,
R1,A4,10,8,0.2,apron,apron,,
R1,B1,0.3,0.2,0.1,,,,
R2,B1,0,0,0,,,,
R2,K1,-3,4,0,rim,kerb,,
R2,K2,-8,6,0,rim,kerb,gap2,
R2,K3,-9,2,0,rim,kerb,,
R2,B2,-5,12,0.2,,,,
R2,B2,-5.1,12.2,0.2,rim,kerb,,
R3,B1,5,5,0,,,,
R3,Lonely mark of a name,6,7,0,,,,
"""
)
SKETCHED: dict[str, object] = {
    "three walks": WALKED,
    "one mark": HEAD + "R1,B1,0,0,0,,,,\n",
    "a line to the north": HEAD + "R1,B1,0,0,0,,,,\nR1,B2,0,90,0,,,,\nR1,C,0.2,40,0,,,,\n",
    "a line to the east": HEAD + "R1,B1,0,0,0,f,kerb,,\nR1,B2,900,3,0,f,kerb,,\n",
    "marks upon each other": HEAD + "".join(
        f"R1,M{k},{k / 9},{k / 30},0,f,apron,,\n" for k in range(9))
    + "R1,far,40,20,0,f,apron,,\n",
    "a baseline without length": HEAD + "R1,B1,0,0,0,,,,\nR1,B2,0,0,1,,,,\nR2,B1,3,3,0,,,,\n"
    "R2,B2,9,3,0,,,,\n",
}  # fmt: skip


def _sketched(given: str) -> Iterator[str]:
    book = book_from_text(given)
    laid = lay_out(book, ("B1", "B2"))
    marked = [one.row for one in suspects(book)] or [len(book) - 1]
    for width, lines, rows in ((60, ("kerb",), ()), (34, (), marked)):
        yield from sketch_text(book, laid, width=width, lines=lines, suspects=rows)
        yield "-" * width
    for row, place in zip(laid.placed.tolist(), laid.plan.tolist(), strict=True):
        yield f"{'on the baseline' if row else 'as walked'}: {place[0]:.3f}, {place[1]:.3f}"
    for miss in laid.misclosures:
        yield (
            f"{miss.mark} rows {miss.before} and {miss.after}: {miss.length_m:.4f} m after"
            f" {miss.way_m:.4f} m"
        )
    for unit in ("m", "ft"):
        sheet = sketch_sheet(book, laid, "Sketch", lines=("kerb",), suspects=marked, unit=unit)
        drawn = svg(sheet)
        yield f"sheet 1:{sheet.scale:g} in {sheet.unit} of {sheet.unit_m}"
        yield from _svg(drawn) if unit == "m" else [w for w in _svg(drawn) if "Largest" in w]


def _svg(drawn: str) -> Iterator[str]:
    for line in drawn.replace("><", ">\n<").splitlines():
        if line.startswith(("<text", "<path", "<g ", "<circle")):
            yield line


def _of_book(book: FieldBook) -> Iterator[str]:
    for k in range(len(book)):
        names = (
            book.runs[book.run[k]],
            *(
                known[index[k]] if index[k] >= 0 else "-"
                for known, index in (
                    (book.marks, book.mark),
                    (book.features, book.feature),
                    (book.codes, book.code),
                )
            ),
        )
        time = "" if book.time is None else f" at {book.time[k]}"
        yield (
            f"line {book.line[k]}: {' '.join(names)} {book.local[k].round(3).tolist()} kind"
            f" {book.kind[k]} piece {book.piece[k]} {book.notes[k]!r}{time}"
        )


TIMED = """run,point,x,y,z,feature,code,time
R1,B1,0,0,0,,,5
R9,Z,1,2,3,rim,kerb,7
R9,,2,2,3,rim,kerb,8
"""


def _books() -> Iterator[str]:
    """A book joined with others, the runs of one day, marks spread over the names."""
    first, second = book_from_text(WALKED), book_from_text(TIMED)
    for one, other in ((first, second), (second, first), (first, first)):
        both = joined(one, other, " again")
        yield f"joined: {both.runs} {both.marks} {both.features} {both.codes}"
        yield from list(_of_book(both))[-4:]
    dated = {"R2": Run(date="2026-05-11"), "R3": Run(date="2026-05-12T09:00:00")}
    for site in (Site(), Site(date="2026-05-10")):
        notes = Notes.of(first, runs=dated, site=site)
        yield f"days: {days(notes)}"
        for day in ("2026-05-11", "2026-05-12", "2026-05-10T12:00", "2026-06-01", "May"):
            yield from said_of(lambda notes=notes, day=day: _day(notes, day))  # type: ignore[misc]
    yield from said_of(lambda: _day(Notes.of(first), "2026-05-11"))
    for most in (3, 99):
        yield f"first looks: {first.first_observations(most).tolist()}"


def _day(notes: Notes, day: str) -> Iterable[str]:
    one = of_day(notes, day)
    yield f"on {day} ({one.site.site.date}): {one.book.marks} {one.book.features} {one.book.codes}"
    yield from list(_of_book(one.book))[:3]


ANCHORS: dict[str, object] = {
    "on the map": ("EPSG:25832", {"B1": AnchorMark(easting=512000.0, northing=5276000.0)}),
    "on the globe": ("EPSG:25832", {"B1": AnchorMark(latitude=47.64, longitude=9.16)}),
    "near a pole": ("EPSG:3413", {"B1": AnchorMark(latitude=89.9, longitude=9.16)}),
    "in feet": ("EPSG:2264", {"B1": AnchorMark(easting=1540000.0, northing=540000.0)}),
    "two of them, and a height": (
        "EPSG:25832",
        {
            "B1": AnchorMark(easting=512000.0, northing=5276000.0),
            "B2": AnchorMark(latitude=47.64, longitude=9.17),
            "H": AnchorMark(elevation=400.0),
        },
    ),
    "none": ("EPSG:25832", {"H": AnchorMark(elevation=400.0)}),
    "no such map": ("EPSG:99999", {"B1": AnchorMark(easting=5.0, northing=6.0)}),
}


def _around(given: tuple[str, dict[str, AnchorMark]]) -> Iterator[str]:
    crs, marks = given
    book = book_from_text(WALKED)
    found = surroundings(Anchor(crs=crs, marks=marks), book.local, book.run)
    yield f"reach {found.reach_m:.3f} m"
    yield from (f"{name}: {np.round(box, 5).tolist()}" for name, box in found.boxes)
    for other in ("EPSG:4326", "EPSG:25833", "EPSG:3857"):
        box = found.in_crs(other)
        yield f"{other}: {None if box is None else [round(side, 4) for side in box]}"


def walks_told(folder: Path) -> dict[str, str]:
    """All of it as texts."""
    with chdir(folder):
        told = {
            "imports.txt": listed(EXPORTS, _imported),
            "imports_told.txt": [
                *listed(TOLD, lambda given: _imported([given[1]], given[0])),
                *said_of(_headers),
            ],
            "looked_at.txt": listed(LOOKED_AT, _looked_at),
            "sketches.txt": listed(SKETCHED, _sketched),
            "books.txt": [*said_of(_books), *listed(ANCHORS, _around)],
        }
    return {name: "\n".join(lines) + "\n" for name, lines in told.items()}
