"""The ground of whole sites: what reaches the answers, and what is refused."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Iterable
from pathlib import Path

import numpy as np
import pytest

from geosite.fieldbook.read import read_survey
from geosite.linework.draw import draw
from geosite.network.adjust import adjust
from geosite.network.model import Network
from geosite.terrain.site import Terrain, lay_ground

Row = tuple[str, float, float, float, str, str]
"""Mark, local x, y and z, feature, code."""

SITE = """
[survey]
file = "book.csv"
[baseline]
from = "A"
to = "B"
[anchor]
crs = "{crs}"
vertical_crs = "EPSG:7837"
[anchor.marks.A]
easting = {east}
northing = {north}
elevation = {up}
[anchor.marks.B]
easting = {east_b}
northing = {north_b}
"""

Laid = Callable[..., tuple[Network, Terrain]]


@pytest.fixture
def laid(tmp_path: Path) -> Laid:
    def lay(
        rows: Iterable[Row],
        more: str = "",
        *,
        crs: str = "EPSG:25832",
        at: tuple[float, float, float] = (570000.0, 5930000.0, 431.7),
        turn_deg: float = 0.0,
        scale: float = 1.0,
    ) -> tuple[Network, Terrain]:
        """Lay the ground of one walk that starts at A (0, 0, 0) and ties B (40, 0, 0)."""
        book = ["run,point,x,y,z,feature,code"]
        ends: list[Row] = [("A", 0.0, 0.0, 0.0, "", ""), ("B", 40.0, 0.0, 0.0, "", "")]
        for name, x, y, z, feature, code in [*ends, *rows, ends[0]]:
            book.append(f"1,{name},{x!r},{y!r},{z!r},{feature},{code}")
        (tmp_path / "book.csv").write_text("\n".join(book) + "\n", encoding="utf-8")
        turn = np.radians(turn_deg)
        site = tmp_path / "site.toml"
        text = SITE.format(
            crs=crs,
            east=at[0],
            north=at[1],
            up=at[2],
            east_b=float(at[0] + 40.0 * scale * np.cos(turn)),
            north_b=float(at[1] + 40.0 * scale * np.sin(turn)),
        )
        site.write_text(text + textwrap.dedent(more), encoding="utf-8")
        notes = read_survey(site)
        network = adjust(notes)
        terrain = lay_ground(notes, network, draw(notes, network))
        assert terrain is not None
        return network, terrain

    return lay


def lattice(height: Callable[[float, float], float], step: float = 5.0) -> list[Row]:
    """Return marks over 40 m by 30 m, walked to and fro; the baseline is on them."""
    rows: list[Row] = []
    for j, y in enumerate(np.arange(0.0, 30.1, step).tolist()):
        xs = np.arange(0.0, 40.1, step).tolist()
        way = xs if j % 2 == 0 else xs[::-1]
        rows += [("", x, y, height(x, y), "", "") for x in way if y or 0.0 < x < 40.0]
    return rows


@pytest.mark.parametrize("turn_deg", [0.0, 31.0])
def test_hollows_shallower_than_a_tenth_of_a_millimetre_are_no_ponds(
    laid: Laid, turn_deg: float
) -> None:
    depths = {(20.0, 15.0): 0.08, (10.0, 10.0): 5e-5, (30.0, 20.0): 1e-7}
    _, terrain = laid(lattice(lambda x, y: -depths.get((x, y), 0.0)), turn_deg=turn_deg)
    water = terrain.water
    assert (water.drainage.ponding_depth > 0).sum() > water.ponds[0].cells
    assert [round(pond.depth, 2) for pond in water.ponds] == [0.08]
    assert (water.pond > 0).sum() == water.ponds[0].cells
    (pond,) = [f for f in terrain.findings if f.code.startswith("pond")]
    assert pond.text.startswith("Water stands 76 mm deep")


def test_a_flow_path_without_a_start_is_told_at_its_line(laid: Laid) -> None:
    marks = lattice(lambda x, y: -0.02 * y)
    marks += [("middle", 21.0, 11.0, -0.22, "", "")]
    marks += [("grate", 12.0, 12.0, -0.24, "sink", "inlet")]
    more = """
    [codes.inlet]
    geometry = "point"
    inlet = true
    [drainage]
    flow_paths_from = [
        "middle",
        "A",
        "sink",
    ]
    """
    _, terrain = laid(marks, more, turn_deg=31.0)
    assert {path.start for path in terrain.water.paths} == {"middle"}
    told = [f for f in terrain.findings if f.code == "flow-path-no-start"]
    edge, sink = told
    assert edge.text.startswith("No flow path from A: it lies outside the ground")
    assert "further in" in edge.text
    assert sink.text.startswith("No flow path from sink: there the water is at its end")
    assert edge.file is not None
    lines = Path(edge.file).read_text(encoding="utf-8").splitlines()
    assert [lines[f.line - 1].strip() for f in told if f.line] == ['"A",', '"sink",']
