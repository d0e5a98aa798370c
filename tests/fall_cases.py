"""Profiles before a building and their sum in one call, for the tests of falls."""

from __future__ import annotations

import numpy as np
from shapely.geometry.base import BaseGeometry

from geosite.base.grid import Grid
from geosite.terrain.water.falls_from_buildings import (
    FallFromBuilding,
    LeastFalls,
    fall_from_building,
    wall_profiles,
)


def falls_from_building(
    name: str,
    footprint: BaseGeometry,
    z: np.ndarray,
    grid: Grid,
    *,
    ground_m: float = 1.0,
    distance_m: float = 3.048,
    limit_percent: float = 5.0,
    paved: np.ndarray | None = None,
) -> FallFromBuilding | None:
    """Lay profiles before a building and sum them up."""
    least = LeastFalls(distance_m, limit_percent)
    profiles = wall_profiles(name, footprint, z, grid, ground_m=ground_m, limits=least, paved=paved)
    return None if profiles is None else fall_from_building(profiles, z)
