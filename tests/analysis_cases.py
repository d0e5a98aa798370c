"""A square of ground whose shape is known, walked beside the baseline of the landing."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
from ferry_landing import make_site
from simulated import ferry_landing
from walk_simulator import Noise, Stop, Walk

from geosite.analysis.takeoff.draped import Triangles
from geosite.base.grid import Grid
from geosite.base.map_frame import Frame
from geosite.fieldbook.model import Notes
from geosite.linework.draw import draw
from geosite.linework.model import Drawing
from geosite.network.adjust import adjust
from geosite.network.model import Network
from geosite.terrain.site_ground import SiteGround, site_ground

QUIET = Noise(1e-6, 1e-7)
B1, B2 = make_site.B1, make_site.B2
SIDE = 12.0


def block(
    seed: int,
    folder: Path,
    height: Callable[[float, float], float],
    noise: Noise = QUIET,
    spacing: float = 2.0,
) -> tuple[Notes, Network, Drawing, SiteGround]:
    """A square of 12 m beside the baseline; `height` gives its ground above B1."""

    def at(e: float, n: float, point: str = "", feature: str = "", code: str = "") -> Stop:
        return Stop(B1.east + e, B1.north + n, B1.up + height(e, n), point, feature, code)

    corners = [(4.0, 4.0), (4 + SIDE, 4.0), (4 + SIDE, 4 + SIDE), (4.0, 4 + SIDE)]
    stops = [B1, B2]
    stops += [at(*c, f"Q{k}", "block", "asphalt") for k, c in enumerate(corners)]
    grid = np.arange(4, 4 + SIDE + 1e-9, spacing).tolist()
    stops += [at(e, n, f"G{e:g}_{n:g}") for n in grid for e in grid if (e, n) not in corners]
    walks = (Walk("R1", (*stops, B1, B2)),)
    survey = ferry_landing(seed, folder, noise=noise, anchor_sigma=1e-6, walks=walks)
    network = adjust(survey.notes)
    drawing = draw(survey.notes, network)
    site = site_ground(survey.notes, network, drawing)
    assert site is not None
    return survey.notes, network, drawing, site


def grid_triangles(elevation: np.ndarray, grid: Grid, frame: Frame) -> Triangles:
    """Turn an elevation raster into triangles between its cell centres, for areas draped over it.

    Four centres make two triangles, split along the diagonal with the smaller difference in
    elevation; three make one where the fourth cell is nodata.

    """
    east, north = grid.centres()
    places = np.stack(np.meshgrid(east, north), axis=-1).reshape(-1, 2)
    height = np.asarray(elevation, np.float64).reshape(-1) * frame.height_unit_m
    points = np.column_stack([frame.to_local(places), height])
    number = np.arange(grid.rows * grid.cols).reshape(grid.shape)
    nw, ne = number[:-1, :-1].ravel(), number[:-1, 1:].ravel()
    sw, se = number[1:, :-1].ravel(), number[1:, 1:].ravel()
    falling = np.abs(height[nw] - height[se])  # NaN where either end is nodata
    rising = np.abs(height[ne] - height[sw])
    down = ~(falling > rising) & ~np.isnan(falling)
    up = ~down & ~np.isnan(rising)
    triangles = np.concatenate(
        [
            np.column_stack([nw, sw, se])[down],
            np.column_stack([nw, se, ne])[down],
            np.column_stack([nw, sw, ne])[up],
            np.column_stack([ne, sw, se])[up],
        ]
    )
    met = ~np.isnan(height[triangles]).any(axis=1)
    return Triangles(points, triangles[met])
