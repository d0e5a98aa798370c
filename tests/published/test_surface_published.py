"""Interpolation against published values and general-purpose libraries.

Franke's function: R. Franke, A critical comparison of some methods for interpolation of scattered
data, Naval Postgraduate School report NPS-53-79-003 (1979). ``values/franke100.csv`` are its 100
points as distributed with ACM Algorithm 792 and earlier releases of matplotlib (BSD).
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from scipy.interpolate import LinearNDInterpolator, RBFInterpolator
from scipy.stats import qmc

from geosite.base.grid import Grid
from geosite.terrain.surface.cross_validation import (
    METHODS,
    Method,
    leave_one_out,
    marks_to_leave_out,
    score,
)
from geosite.terrain.surface.model import elevation_surface
from geosite.terrain.surface.plane import fit_plane
from geosite.terrain.surface.tin import triangulate

VALUES = Path(__file__).parent / "values"
Floats = npt.NDArray[np.float64]


def franke(x: Floats, y: Floats, *, squared: bool = False) -> Floats:
    """Franke's function; with `squared` the variant in Fasshauer's book."""
    second = (9 * x + 1) ** 2 / 49 + ((9 * y + 1) ** 2 if squared else 9 * y + 1) / 10
    return (
        0.75 * np.exp(-((9 * x - 2) ** 2 + (9 * y - 2) ** 2) / 4)
        + 0.75 * np.exp(-second)
        + 0.5 * np.exp(-((9 * x - 7) ** 2 + (9 * y - 3) ** 2) / 4)
        - 0.2 * np.exp(-((9 * x - 4) ** 2) - (9 * y - 7) ** 2)
    )


def franke_points() -> Floats:
    place = np.loadtxt(VALUES / "franke100.csv", delimiter=",", skiprows=1)
    return np.column_stack([place, franke(*place.T)])


# cell centres are the 33 x 33 nodes of the unit square
NODES = Grid(-1 / 64, 1 + 1 / 64, 1 / 32, 33, 33)


def test_franke_points_are_the_published_ones() -> None:
    points = franke_points()
    np.testing.assert_allclose(points.sum(axis=0), [50.2591462, 50.3764409, 38.416872], atol=1e-6)
    east, north = np.meshgrid(*NODES.centres())
    assert franke(east, north).sum() == pytest.approx(437.787292, abs=1e-6)


@pytest.mark.parametrize(
    ("n", "rms"), [(9, 3.647169e-1), (25, 3.203404e-1), (81, 2.152222e-1), (289, 7.431729e-2)]
)
def test_the_radial_basis_library_gives_the_printed_errors(n: int, rms: float) -> None:
    # G. Fasshauer, Meshfree approximation methods with MATLAB (2007), ch. 2, table 2.1: Gaussians
    # with shape 21.1 on Halton points, 40 x 40 grid. Holds the solver under the spline, and the
    # test function, to print; from memory, reproduced to all its digits.
    points = qmc.Halton(2, scramble=False).random(n + 1)[1:]
    side = np.linspace(0, 1, 40)
    grid = np.stack(np.meshgrid(side, side), axis=-1).reshape(-1, 2)
    interpolated = RBFInterpolator(
        points, franke(*points.T, squared=True), kernel="gaussian", epsilon=21.1, degree=-1
    )(grid)
    error = interpolated - franke(*grid.T, squared=True)
    assert np.sqrt(np.mean(error**2)) == pytest.approx(rms, abs=5e-8)


@pytest.mark.parametrize(
    ("method", "inside", "rmse", "largest"),
    [
        # the same from two libraries
        ("tin", 1076, 0.029006, 0.162486),
        # ours, inside the hull, held here so that they do not change unseen; spline and inverse
        # distance are held to outside values over the whole square below, natural neighbours to
        # areas of Voronoi cells in tests/unit
        ("thin-plate", 1076, 0.009302, 0.051812),
        ("natural-neighbour", 1076, 0.030258, 0.164215),
        ("inverse-distance", 1076, 0.090387, 0.430462),
        ("plane", 1076, 0.157111, 0.538197),
    ],
)
def test_franke_scores(method: Method, inside: int, rmse: float, largest: float) -> None:
    surface = elevation_surface(franke_points(), NODES, method=method)
    east, north = np.meshgrid(*NODES.centres())
    error = surface.z - franke(east, north)
    assert np.isfinite(error).sum() == inside
    assert np.sqrt(np.nanmean(error**2)) == pytest.approx(rmse, abs=1e-6)
    assert np.nanmax(np.abs(error)) == pytest.approx(largest, abs=1e-6)


@pytest.mark.parametrize(
    ("method", "rmse", "largest"),
    [("thin-plate", 0.009466, 0.051812), ("inverse-distance", 0.089945, 0.430462)],
)
def test_franke_scores_over_the_whole_square(method: str, rmse: float, largest: float) -> None:
    from geosite.terrain.surface.idw import interpolate_inverse_distance
    from geosite.terrain.surface.spline import interpolate_thin_plate

    everywhere = np.ones(NODES.shape, bool)
    interpolate = {
        "thin-plate": interpolate_thin_plate,
        "inverse-distance": interpolate_inverse_distance,
    }[method]
    east, north = np.meshgrid(*NODES.centres())
    error = interpolate(franke_points(), NODES, everywhere) - franke(east, north)
    assert np.sqrt(np.mean(error**2)) == pytest.approx(rmse, abs=1e-6)
    assert np.abs(error).max() == pytest.approx(largest, abs=1e-6)


def davis() -> Floats:
    # J. C. Davis, Statistics and data analysis in geology (Wiley 1973): 52 spot heights on a square
    # of 310 ft, positions in units of 50 ft; in R as MASS::topo
    return np.loadtxt(VALUES / "davis_topo_52.csv", delimiter=",", skiprows=1)[:, 1:]


def test_davis_spot_heights_and_their_plane() -> None:
    points = davis()
    assert points.shape == (52, 3)
    assert points[:, 2].sum() == 43008
    plane = fit_plane(points)
    level = plane.level - plane.east * plane.middle[0] - plane.north * plane.middle[1]
    assert level == pytest.approx(913.80002, abs=1e-4)
    assert plane.east == pytest.approx(-1.69504, abs=1e-5)
    assert plane.north == pytest.approx(-25.25172, abs=1e-5)
    sse = float((plane.residuals**2).sum())
    assert sse == pytest.approx(67185.720, abs=1e-3)
    total = float(((points[:, 2] - points[:, 2].mean()) ** 2).sum())
    assert 1 - sse / total == pytest.approx(0.657268, abs=1e-6)


def test_davis_plane_left_out_is_not_weighted_by_how_marks_err() -> None:
    """Lack of fit, 36 ft, outweighs what marks err: the score is the plain one of the plane above.

    Predicted residual sum of squares by fitting 52 times without one (Allen 1974, Technometrics
    16, 125-127); weights by the marks' errors alone give 62 ft for 38.7.
    """
    points = davis()
    plain = []
    for left in range(len(points)):
        rest = np.delete(points, left, axis=0)
        design = np.column_stack([np.ones(len(rest)), rest[:, :2]])
        fit = np.linalg.lstsq(design, rest[:, 2])[0]
        plain.append(points[left, 2] - fit @ [1.0, *points[left, :2]])
    sigma = np.geomspace(0.05, 3.0, len(points))
    plane = fit_plane(points, sigma)
    left_out = plane.residuals / (1 - plane.leverage)
    rms = [float(np.sqrt(np.mean(np.square(r)))) for r in (plain, left_out)]
    assert rms[1] == pytest.approx(rms[0], rel=0.002)
    # what the plane does not explain: the root of 67185.720 over 49 degrees of freedom, published
    assert plane.lack_of_fit == pytest.approx((67185.720 / 49) ** 0.5, rel=0.002)


@pytest.mark.parametrize("method", METHODS)
def test_davis_surfaces_are_plausible(method: Method) -> None:
    points = davis() * [50, 50, 1]
    surface = elevation_surface(points, Grid(0, 320, 5, 64, 64), method=method)
    known = surface.z[np.isfinite(surface.z)]
    assert len(known) > 3000
    # curved ones may swing a little beyond the marks, 690 to 960 ft
    margin = {"thin-plate": 15, "plane": 0}.get(method, 0)
    assert known.min() >= 690 - margin
    assert known.max() <= 960 + margin


@pytest.mark.slow
@pytest.mark.parametrize("method", METHODS)
def test_leave_one_out_equals_leaving_out_one(method: Method) -> None:
    # each mark taken away for good and predicted by the method's own interpolation, or by a
    # library's; one cell around the mark
    points = davis()
    tin = triangulate(points)
    which = marks_to_leave_out(tin)
    predicted = leave_one_out(tin, method, which)
    for row, value in list(zip(which, predicted, strict=True))[::3]:
        rest = np.delete(points, row, axis=0)
        here = points[row, :2]
        if method == "tin":
            expected = float(LinearNDInterpolator(rest[:, :2], rest[:, 2])(*here))
        elif method == "thin-plate":
            expected = float(RBFInterpolator(rest[:, :2], rest[:, 2])(here[None])[0])
        else:
            cell = Grid(here[0] - 0.5, here[1] + 0.5, 1.0, 1, 1)
            expected = float(elevation_surface(rest, cell, method=method).z[0, 0])
        assert value == pytest.approx(expected, abs=1e-7)


def test_scores_are_those_of_the_residuals() -> None:
    tin = triangulate(davis())
    which = marks_to_leave_out(tin)
    residual = tin.points[which, 2] - leave_one_out(tin, "tin", which)
    found = score(tin, "tin")
    assert found.marks == len(which) == 37
    assert found.rmse == pytest.approx(np.sqrt(np.mean(residual**2)))
    assert found.mean == pytest.approx(residual.mean())
    assert found.largest == pytest.approx(np.abs(residual).max())
