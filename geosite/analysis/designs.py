"""The ground that one design of the site file makes, and its parts that have a code."""

from __future__ import annotations

from geosite.analysis.design_ground.compute import design_ground
from geosite.analysis.design_ground.model import BuiltUp, DesignedGround
from geosite.analysis.design_ground.requested import edges_of, requested_zones
from geosite.analysis.takeoff.designed import DesignPart, design_parts, zone_depths
from geosite.fieldbook.model import Notes
from geosite.fieldbook.sitefile import Design
from geosite.linework.model import Drawing
from geosite.network.model import Network
from geosite.terrain.features import ground_features
from geosite.terrain.site import Terrain
from geosite.terrain.site_ground import SiteGround

__all__ = ["designed"]


def designed(
    name: str,
    requested: Design,
    notes: Notes,
    network: Network,
    drawing: Drawing,
    terrain: Terrain,
) -> tuple[DesignedGround, tuple[DesignPart, ...]]:
    """Return the designed ground and its parts with a code.

    Raises
    ------
    InputError
        The design names something that does not exist or lies where no ground was walked.
    """
    site = SiteGround(
        notes=notes,
        network=network,
        features=ground_features(notes, drawing),
        grid=terrain.grid,
        local=terrain.local,
        rows=terrain.rows,
        surface=terrain.surface,
        ground=terrain.ground,
        slope=terrain.slope,
        buildings=terrain.buildings,
        realised=terrain.realised,
    )
    zones = requested_zones(name, requested, notes, network, drawing)
    edges = edges_of(name, requested, notes, network)
    followed = {strip.line for strip in requested.strips.values()}
    loose = tuple(e for one, e in edges.items() if not e.closed and one not in followed)
    built_up = BuiltUp(zone_depths(requested, edges, notes.site.codes), loose)
    parts = design_parts(name, requested, zones, edges, notes, network, drawing)
    made = design_ground(
        name, requested.title, zones, requested.side_slope, site, terrain.water, built_up
    )
    return made, parts
