"""Exports of devices, and starters: what is made of them, in a few lines each."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

from export_cases import FOREIGN, forms, write

__all__ = ["imported", "started"]

EVERY = 7
"""Of all forms of an export, so that each separator, header and split is among them."""

DIRTY = {
    "blanks.txt": "B1 0 0 0\nB2 3.2 17.6 0.1\nK1 6.1 2.4 -0.05\n\nB1 0.1 0 0\nB2 3.3 17.6 0.1\n",
    "dashes.csv": "Name;X (ft);Y (ft);Z (ft);Code\nB1;0;0;0;-\nB2;10,5;57,7;0,4;-\nK;20;8;-;kerb\n",
    "thousands.csv": 'point,x,y,z\nB1,"1,000.5",2,3\nB2,"1,003.5","2,017.0",3.1\n',
    "times.csv": "Time,ID,E,N,H\n2026-05-01T08:30:00,B1,0,0,0\n2026-05-01T08:31:00,B2,3,17,0.1\n",
    "latitude.csv": "name,lat,lon,alt\nB1,47.64,9.168,402\nB2,47.641,9.169,403\n",
    "words.csv": "a,b,c\nnorth,south,east\n",
    "empty.csv": "",
}


def imported(folder: Path, said: Callable[..., str]) -> dict[str, str]:
    """What `geosite import` says and writes of exports in many forms and of some that are odd."""
    told = ""
    for number, form in enumerate(list(forms())[::EVERY]):
        place = folder / f"export{number}"
        place.mkdir()
        files, options = write(form, place)
        names = [file.relative_to(folder) for file in files]
        told += f"== {form.name}\n" + _import(folder, said, f"made{number}", *names, *options)
    for name, text in DIRTY.items():
        (folder / name).write_text(text, encoding="utf-8")
        told += f"== {name}\n" + _import(folder, said, f"made_{name[:-4]}", name)
    options = ("--baseline", "B1,B2", "--unit", "m", "--crs", "EPSG:25832", "--title", "Turnaround")
    marks = ("--mark", "B1=512640,5276210,402.6", "--mark", "B2=512650,5276225")
    renamed = ("--column", f"z=-{FOREIGN['z']}")
    told += "== all options\n"
    told += _import(folder, said, "made_all", "export2/walks.csv", *options, *marks, *renamed)
    told += said("import", "nowhere.csv", "--out", "none", "--mark", "B1", "--column", "up=3")
    for words in (("B1", "ten", "EPSG:4326"), ("B1,B1", "10", "EPSG:nothing"), (",B2", "10 m", "")):
        given = zip(("--baseline", "--baseline-length", "--crs"), words, strict=True)
        told += said("import", "nowhere.csv", "--out", "none", *(w for pair in given for w in pair))
    feet = ["ft" if word == "m" else word for word in options]
    told += _import(folder, said, "made_feet", "export2/walks.csv", *feet, *marks, *renamed)
    told += said("import", "export2/walks.csv", "--out", "made_facts", "--json", *feet, *marks)
    return {"imports.txt": told, "site.toml": _text(folder / "made0" / "site.toml")}


def _import(folder: Path, said: Callable[..., str], out: str, *words: object) -> str:
    told = said("import", *words, "--out", out)
    book = folder / out / "field_book.csv"
    if book.exists():
        lines = book.read_text(encoding="utf-8").splitlines()
        told += "\n".join([*lines[:5], f"{len(lines)} lines", ""])
        site = _text(folder / out / "site.toml").splitlines()
        told += "\n".join(line for line in site if line and not line.startswith("#")) + "\n"
    return told


def started(folder: Path, said: Callable[..., str]) -> dict[str, str]:
    """What `geosite new` says and writes, and what a check says of each starter."""
    told = said("new", "--list")
    texts = {}
    for name in ("landing", "paved-yard", "access-ramp", "drainage-check", "stockpile"):
        told += said("new", name, "--starter", name)
        told += said("check", f"{name}/site.toml", "--sketch", "-")
        texts[f"{name}.toml"] = _text(folder / name / "site.toml")
    for name in ("paved-yard-us", "stockpile-us"):
        told += said("new", name, "--starter", name) + _text(folder / name / "field_book.csv")
        texts[f"{name}.toml"] = _text(folder / name / "site.toml")
    rest = texts["paved-yard.toml"].partition("# ---- every other table")
    texts = {name: text.partition("# ---- every other table")[0] for name, text in texts.items()}
    told += said("new", "landing") + said("new", "other", "--starter", "yard")
    return texts | {"starters.txt": told, "every_table.toml": rest[1] + rest[2]}


def _text(path: Path) -> str:
    return path.read_text(encoding="utf-8").replace(os.linesep, "\n") if path.exists() else ""
