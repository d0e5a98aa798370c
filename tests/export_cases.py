"""Exports of one invented survey, a bus turnaround, in as many forms as devices write."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

FOOT = 0.3048
COLUMNS = ("run", "point", "x", "y", "z", "feature", "code", "segment", "note")

# two walks over an invented bus turnaround; metres; the second turned and moved
WALKS = (
    (
        ("early", "B1", 0.0, 0.0, 0.0, "", "", "", "start, süd"),
        ("early", "B2", 3.2, 17.6, 0.12, "", "", "", ""),
        ("early", "T1", 6.1, 2.45, -0.05, "turnaround", "asphalt", "", ""),
        ("early", "T2", 24.8, 1.05, -0.31, "turnaround", "asphalt", "line", ""),
        ("early", "T3", 31.55, 9.2, -0.22, "turnaround", "asphalt", "arc", "runde Ecke"),
        ("early", "T4", 25.9, 18.75, 0.04, "turnaround", "asphalt", "arc", ""),
        ("early", "T5", 7.35, 19.9, 0.11, "turnaround", "asphalt", "line", ""),
        ("early", "I1", 15.2, 9.8, -0.4, "gully", "inlet", "", "Straßenablauf"),
        ("early", "B1", 0.06, -0.03, 0.02, "", "", "", ""),
        ("early", "B2", 3.27, 17.54, 0.13, "", "", "", ""),
    ),
    (
        ("late", "B1", 0.0, 0.0, 0.0, "", "", "", ""),
        ("late", "B2", 17.53, -3.21, 0.13, "", "", "", ""),
        ("late", "S1", 2.1, -8.6, 0.02, "shelter", "building", "", ""),
        ("late", "S2", 6.4, -8.9, 0.03, "shelter", "building", "line", ""),
        ("late", "S3", 6.15, -12.2, 0.01, "shelter", "building", "line", ""),
        ("late", "S4", 1.9, -11.85, 0.0, "shelter", "building", "line", ""),
        ("late", "K1", 0.4, -26.1, -0.2, "kerb_n", "kerb", "", ""),
        ("late", "K2", 16.9, -27.3, -0.1, "kerb_n", "kerb", "line", ""),
        ("late", "B2", 17.58, -3.18, 0.15, "", "", "", ""),
        ("late", "B1", 0.05, 0.02, 0.01, "", "", "", ""),
    ),
)
ROWS = [row for walk in WALKS for row in walk]

FOREIGN = {
    "run": "Walk",
    "point": "Mark name",
    "x": "Easting",
    "y": "Northing",
    "z": "Höhe",
    "feature": "Outline",
    "code": "Surface",
    "segment": "Curve",
    "note": "Remarks",
}
MIXED = ("note", "z", "point", "code", "y", "x", "segment", "feature", "run")


@dataclass(frozen=True)
class Form:
    """One way to write the survey.

    Parameters
    ----------
    header
        ``ours``, ``foreign`` (mixed order, with units), or ``none``.
    axes
        ``xyz``, ``yxz`` (the columns of x and y changed) or ``down`` (z counts downward).
    split
        ``run`` (a column), ``files`` (one per walk), ``lines`` (an empty line between).
    """

    separator: str
    decimal: str
    header: str
    split: str
    encoding: str
    axes: str
    unit: str
    options: tuple[str, ...] = field(default=(), compare=False)

    @property
    def name(self) -> str:
        sign = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar"}[self.separator]
        mark = "point" if self.decimal == "." else "decimal-comma"
        return "-".join((sign, mark, self.header, self.split, self.encoding, self.axes, self.unit))


def forms() -> Iterator[Form]:
    """Every separator, decimal mark, header and split; encodings, axes and units in turn."""
    number = 0
    for separator in (",", ";", "\t", "|"):
        for decimal in (".", ","):
            for header in ("ours", "foreign", "none"):
                for split in ("run", "files", "lines"):
                    yield Form(
                        separator,
                        decimal,
                        header,
                        split,
                        ("utf-8", "utf-16", "cp1252", "utf-8-sig")[number % 4],
                        ("xyz", "yxz", "down")[(number // 3 + number) % 3],
                        ("m", "ft")[(number // 2) % 2],
                    )
                    number += 1


def write(form: Form, folder: Path) -> tuple[list[Path], list[str]]:
    """Write the survey in a form; return the files and the options an import needs for it."""
    order = list(MIXED if form.header == "foreign" else COLUMNS)
    if form.split != "run":
        order.remove("run")
    if form.axes == "yxz":
        i, j = order.index("x"), order.index("y")
        order[i], order[j] = order[j], order[i]
    options: list[str] = []
    if form.header == "none":
        if form.axes != "xyz":
            for axis in "xyz":
                minus = "-" if axis == "z" and form.axes == "down" else ""
                options += ["--column", f"{axis}={minus}{order.index(axis) + 1}"]
    elif form.axes == "down" and form.header == "ours":
        options += ["--column", "z=-z"]
    if form.header != "foreign":
        options += ["--baseline-length", "17.9 m" if form.unit == "m" else "58.7 ft"]
    parts = WALKS if form.split in ("files", "lines") else (tuple(ROWS),)
    texts = [_text(form, order, rows, first=k == 0) for k, rows in enumerate(parts)]
    paths = []
    if form.split == "files":
        for name, text in zip(("early", "late"), texts, strict=True):
            paths.append(folder / f"{name}.txt")
            paths[-1].write_bytes(text.encode(form.encoding))
    else:
        paths.append(folder / "walks.csv")
        paths[0].write_bytes("\n".join(texts).encode(form.encoding))
    return paths, options


def _text(form: Form, order: list[str], rows: tuple[tuple, ...], first: bool) -> str:
    out = io.StringIO()
    writer = csv.writer(out, delimiter=form.separator, lineterminator="\r\n")
    if form.header != "none" and (first or form.split == "files"):
        writer.writerow([_header(form, role) for role in order])
    for row in rows:
        cells = dict(zip(COLUMNS, row, strict=True))
        writer.writerow([_cell(form, role, cells[role]) for role in order])
    return out.getvalue()


def _header(form: Form, role: str) -> str:
    if form.header == "ours":
        return role
    head = "Down" if role == "z" and form.axes == "down" else FOREIGN[role]
    return f"{head} [{form.unit}]" if role in "xyz" else head


def _cell(form: Form, role: str, value: str | float) -> str:
    if isinstance(value, str):
        return value
    number = value / FOOT if form.unit == "ft" else value
    number = -number if role == "z" and form.axes == "down" else number
    return f"{number:.5f}".replace(".", form.decimal)
