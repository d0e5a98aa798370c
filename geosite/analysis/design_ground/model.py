"""A designed ground: the facts."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from shapely.geometry.base import BaseGeometry

if TYPE_CHECKING:
    from geosite.analysis.design_ground.drainage import WaterChange
    from geosite.analysis.design_ground.zones import Edge, Zone
    from geosite.base.arrays import Floats
    from geosite.base.errors import Finding
    from geosite.base.estimate import Estimate
    from geosite.base.grid import Grid
    from geosite.terrain.site_water import Water

__all__ = ["BuiltUp", "DesignedGround", "EarthworkQuantities"]


@dataclass(frozen=True, eq=False, slots=True)
class BuiltUp:
    """What a design is made of besides its surface.

    Parameters
    ----------
    depths
        Metres that are laid on the ground of each zone; none for not said.
    loose
        Lines of the design that bound no zone.
    """

    depths: tuple[float, ...] = ()
    loose: tuple[Edge, ...] = ()


@dataclass(frozen=True, slots=True)
class EarthworkQuantities:
    """What is moved.

    Parameters
    ----------
    cut, fill, net
        Ground cubic metres; net is cut less fill.
    cut_area, fill_area
        Ground square metres on which the ground is lowered and raised.
    """

    cut: Estimate
    fill: Estimate
    net: Estimate
    cut_area: Estimate
    fill_area: Estimate


@dataclass(frozen=True, eq=False)
class DesignedGround:
    """A ground that is to be built.

    Parameters
    ----------
    name, title
    zones
        Its parts.
    grid
        Map units.
    z : array, shape (rows, cols), metres
        The designed ground, the walked one where nothing is built.
    change : array, shape (rows, cols), metres
        Above the walked ground; 0 where nothing is built, NaN off the ground.
    quantities
        What is cut and filled to its surface.
    formation
        The same to the underside of what is laid on the ground by the depths of its codes: the
        earth that is moved. As above where no code has a depth.
    covered
        Share of the zones that lies on walked ground.
    edges
        Lines of the design, local grid metres and metres.
    daylight, cut_meets_fill
        Lines where the design meets the ground: at the foot of its banks, and within it.
    water
        Of the designed ground.
    waters
        What becomes of ponds, inlets and falls from buildings.
    findings
    """

    name: str
    title: str
    zones: tuple[Zone, ...]
    grid: Grid
    z: Floats
    change: Floats
    quantities: EarthworkQuantities
    formation: EarthworkQuantities
    covered: float
    edges: tuple[Edge, ...]
    daylight: tuple[BaseGeometry, ...]
    cut_meets_fill: tuple[BaseGeometry, ...]
    water: Water
    waters: tuple[WaterChange, ...]
    findings: tuple[Finding, ...] = ()
