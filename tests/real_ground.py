"""Yards on ground that was measured from the air by laser, with that measurement as their truth.

A moraine: 400 by 400 m with hollows, an elevation model in cells of 1 m, in the package lidar
(delineation of depressions, MIT licence). Between the centres of its cells the truth is bilinear.

Built ground: the returns that were classified as ground, two on three square metres, round a
sports ground, in the tests of the package laspy (BSD licence). Between them the truth is that of
their triangles; where it is flattest they scatter by 13 mm about planes through their neighbours,
which stays in the truth as roughness.

Both are fetched into the cache of the tests and never committed.
"""

from __future__ import annotations

import tarfile
import zipfile
from functools import cache
from pathlib import Path

import numpy as np
from public_data import cache_of, download
from rough_sites import Heights, RoughSite, yard_stop
from walk_simulator import Stop, Walk

MODEL = "lidar==0.8.4"
SCAN = "laspy==2.7.0"

YARD = 48.0
"""Side of a yard, metres."""
_MARGIN = 1.0
_PER_SIDE = 8
YARDS = _PER_SIDE**2


@cache
def moraine() -> Path | None:
    """Return the elevation model, fetched if need be; None where that is not possible."""
    return _fetched(MODEL, "lidar/data/dem.tif")


@cache
def scan() -> Path | None:
    """Return the laser scan, fetched if need be; None where that is not possible."""
    return _fetched(SCAN, "laspy-2.7.0/tests/data/autzen_trim.laz")


def _fetched(package: str, member: str) -> Path | None:
    found = cache_of(package) / Path(member).name
    if found.exists():
        return found
    path = download(package, "source" if "/tests/" in member else "wheel")
    if path is None:
        return None
    if path.suffix == ".whl":
        with zipfile.ZipFile(path) as wheel:
            found.write_bytes(wheel.read(member))
    else:
        with tarfile.open(path) as source:
            stream = source.extractfile(member)
            assert stream is not None
            found.write_bytes(stream.read())
    return found


@cache
def _elevations() -> np.ndarray:
    import rasterio

    path = moraine()
    assert path is not None
    with rasterio.open(path) as source:
        assert source.res == (1.0, 1.0)
        z: np.ndarray = source.read(1).astype(float)
    return z


@cache
def _returns() -> np.ndarray:
    """East, north, up in metres from the south-west corner of the scan."""
    import laspy

    path = scan()
    assert path is not None
    points = laspy.read(path)
    ground = np.asarray(points.classification) == 2
    xyz = np.stack([np.asarray(points[one])[ground] for one in "xyz"], axis=1)
    found: np.ndarray = np.unique((xyz - xyz.min(axis=0)) * 0.3048, axis=0)
    return found


def yard_ground(number: int) -> Heights:
    """Return the true ground of one of the yards, at metres from its south-west corner."""
    from scipy.interpolate import RegularGridInterpolator

    row, col = divmod(number % YARDS, _PER_SIDE)
    side = len(_elevations()) // _PER_SIDE
    z = _elevations()[row * side : (row + 1) * side, col * side : (col + 1) * side][::-1]
    at = np.arange(side) - _MARGIN + 0.5
    inside = RegularGridInterpolator((at, at), z, bounds_error=False, fill_value=None)

    def up(east: np.ndarray, north: np.ndarray) -> np.ndarray:
        return np.asarray(inside(np.stack([north, east], axis=-1)))

    return up


def moraine_yard(number: int, *, bends: bool) -> RoughSite:
    """Return a yard on real ground.

    Parameters
    ----------
    number
        From 0; after `YARDS` the same ground is walked at other places.
    bends
        Whether tops and hollows are walked besides marks on a loose lattice of 8 m, as one does who
        looks at the ground; else the lattice alone, of 6 m.
    """
    plain = yard_ground(number)
    rng = np.random.default_rng([number, 15])
    step = 8.0 if bends else 6.0
    lattice = np.arange(step / 2, YARD, step)
    rows = []
    for k, north in enumerate(lattice):
        row = np.stack([lattice[:: 1 - 2 * (k % 2)], np.full(len(lattice), north)], axis=1)
        rows.append(row + rng.uniform(-0.25 * step, 0.25 * step, row.shape))
    places = np.concatenate(rows)
    if bends:
        places = np.concatenate([places, _tops_and_hollows(plain, places)])
        # walked block by block, not first one kind and then the other
        places = places[np.lexsort((places[:, 0], places[:, 1] // 12.0))]
    b1, b2 = yard_stop(plain, 4.0, 6.0, "B1"), yard_stop(plain, 44.0, 8.0, "B2")
    walks = []
    for run, part in enumerate(np.array_split(places, 3)):
        stops: list[Stop] = [b1, b2, *(yard_stop(plain, *one) for one in part), b1, b2]
        walks.append(Walk(f"R{run}", tuple(stops)))
    return RoughSite("moraine", tuple(walks), plain, "", 0.5, even=True)


def _tops_and_hollows(plain: Heights, marks: np.ndarray) -> np.ndarray:
    """The highest and the lowest place of each block of 12 m, if nothing is marked near."""
    found = []
    for south in np.arange(0.0, YARD, 12.0):
        for west in np.arange(0.0, YARD, 12.0):
            east, north = np.meshgrid(west + np.arange(0.5, 12.0), south + np.arange(0.5, 12.0))
            z = plain(east, north)
            for k in (int(z.argmin()), int(z.argmax())):
                at = np.array([east.flat[k], north.flat[k]])
                if np.hypot(*(np.array([*marks, *found]) - at).T).min() > 2.0:
                    found.append(at)
    return np.array(found).reshape(-1, 2)


PARCEL = 30.0
"""Side of a yard in the scan, metres."""


@cache
def _parcels() -> tuple[tuple[float, float], ...]:
    """South-west corners of squares of which 98 in 100 places have a return within 2 m."""
    from scipy.spatial import cKDTree

    returns = cKDTree(_returns()[:, :2])
    found = []
    for west in np.arange(0.0, _returns()[:, 0].max(), PARCEL):
        for south in np.arange(0.0, _returns()[:, 1].max(), PARCEL):
            east, north = np.meshgrid(west + np.arange(0.5, PARCEL), south + np.arange(0.5, PARCEL))
            far, _ = returns.query(np.stack([east.ravel(), north.ravel()], axis=1))
            if (far > 2.0).mean() < 0.02:
                found.append((float(west), float(south)))
    return tuple(found)


def parcels() -> int:
    """Return how many yards the scan holds."""
    return len(_parcels())


def scanned_yard(number: int) -> RoughSite:
    """Return a yard on built ground: a loose lattice of 5 m, each mark on a return of the laser.

    Parameters
    ----------
    number
        From 0; after `parcels()` the same ground is walked at other places.
    """
    from scipy.interpolate import LinearNDInterpolator
    from scipy.spatial import cKDTree

    west, south = _parcels()[number % len(_parcels())]
    here = _returns() - [west, south, 0.0]
    here = here[(np.abs(here[:, :2] - PARCEL / 2) < PARCEL / 2 + 5.0).all(axis=1)]
    surface = LinearNDInterpolator(here[:, :2], here[:, 2])

    def plain(east: np.ndarray, north: np.ndarray) -> np.ndarray:
        return np.asarray(surface(east, north))

    rng = np.random.default_rng([number, 16])
    lattice = np.arange(2.5, PARCEL, 5.0)
    places = np.array([(e, n) for k, n in enumerate(lattice) for e in lattice[:: 1 - 2 * (k % 2)]])
    places += rng.uniform(-1.2, 1.2, places.shape)
    tree = cKDTree(here[:, :2])
    b1, b2 = (
        yard_stop(plain, *here[tree.query(at)[1], :2], name)
        for at, name in (((3.0, 4.0), "B1"), ((27.0, 5.0), "B2"))
    )
    walks = []
    for run, part in enumerate(np.array_split(here[tree.query(places)[1], :2], 2)):
        stops: list[Stop] = [b1, b2, *(yard_stop(plain, *one) for one in part), b1, b2]
        walks.append(Walk(f"R{run}", tuple(stops)))
    return RoughSite("built ground", tuple(walks), plain, "", 0.5, even=True)
