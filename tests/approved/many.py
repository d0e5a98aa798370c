"""Many sites at once: what is said of each, and the one map and list of all."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from approved.refusals import BOOK, SITE
from approved.told import folder_told

__all__ = ["many_sites"]

NOT = "".join(f"{kind} = false\n" for kind in ("plan", "viewer", "dxf", "geojson"))
LEAN = f"[drainage]\nconfidence_runs = 20\n[handover]\n{NOT}"

ROPE = """run,point,x,y,z,feature,code
R1,A,0,0,0,,
R1,B,10.004,0,0.1,,
R1,K,4,0,0.1,edge,kerb
R1,L,6,0,0.1,edge,kerb
"""
"""Marks in one line, on which no ground can be laid."""


def many_sites(folder: Path, said: Callable[..., str]) -> dict[str, str]:
    """Good sites and bad ones, below each other and beside each other, built twice."""
    surveys = folder / "surveys"
    loose = SITE.replace("[survey]", "[survey]\nclosure_limit = 90000")
    for name, site, book in (
        ("quay/site.toml", SITE, BOOK),
        ("quay/north/site.toml", f'[site]\ntitle = "North"\ndate = 2026-05-01\n{SITE}', BOOK),
        ("bad/syntax.toml", "[survey\n", BOOK),
        ("bad/row.toml", SITE, BOOK),
        ("bad/loose/site.toml", loose, BOOK),
        ("rope/site.toml", SITE.replace("[codes.apron]\n", ""), ROPE),
        ("limits.toml", "[limits]\n", BOOK),
        (".hidden/site.toml", SITE, BOOK),
    ):
        path = surveys / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(site + ("" if "limits" in name else LEAN), encoding="utf-8")
        path.with_name("walk.csv").write_text(book, encoding="utf-8")
    (surveys / "bad/walk.csv").write_text(BOOK.replace("10,8,0.2", "10,eight,0.2"), "utf-8")
    build = ("build-many", "surveys", "--out", "maps", "--workers", "1")
    told = said(*build)
    texts = folder_told(folder / "maps")
    north = surveys / "quay/north/site.toml"
    north.write_text(north.read_text("utf-8").replace("North", "South"), encoding="utf-8")
    told += said(*build)
    (folder / "none").mkdir()
    told += said("build-many", "none", "--out", "maps")
    told += said("build-many", "nowhere", "--out", "maps")
    own = [
        line for line in texts["files.txt"].splitlines() if line.endswith((".json", "sites.gpkg"))
    ]
    places = "".join(f"{line}\n" for line in own if not line.startswith("."))
    of_all = {name: text for name, text in texts.items() if name.startswith("sites.")}
    return {"terminal.txt": told, "places.txt": places, **of_all}
