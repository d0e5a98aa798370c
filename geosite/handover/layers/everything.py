"""All layers and tables of a survey, in the order a reader should meet them."""

from __future__ import annotations

from geosite.analysis.answers import Answers
from geosite.base.grid import Grid
from geosite.base.map_frame import Frame
from geosite.fieldbook.model import Notes
from geosite.handover.layers import (
    areas,
    baseline,
    catchments,
    contours,
    control,
    design_parts,
    designs,
    distances,
    drainage_arrows,
    earthworks,
    flow_paths,
    grades,
    kerbs,
    lines,
    marks,
    parcels,
    peak_flows,
    points,
    ponding,
    prices,
    quantities,
    residuals,
    sections,
    shared_edges,
)
from geosite.handover.model import Layer, Table
from geosite.linework.model import Drawing
from geosite.network.model import Network
from geosite.terrain.site import Terrain
from geosite.terrain.site_water import Water
from geosite.terrain.water.flow import polygons

__all__ = [
    "answer_layers",
    "answer_tables",
    "survey_layers",
    "survey_tables",
    "terrain_layers",
    "water_layers",
]


def survey_layers(notes: Notes, network: Network, drawing: Drawing) -> tuple[Layer, ...]:
    """Return ``points``, ``marks``, ``baseline``, ``areas``, ``lines``: those that hold any."""
    titles = {name: code.title for name, code in notes.site.codes.items()}
    placed = points.Placed(notes.book, network)
    of_points = points.columns(network.frame, notes.site.survey.unit, titles)
    found = (
        points.layer(placed, of_points),
        marks.layer(placed, notes, of_points),
        baseline.layer(notes, network),
        areas.layer(drawing, network.frame, titles),
        lines.layer(drawing, network.frame, titles),
    )
    return tuple(layer for layer in found if len(layer.geometries))


def survey_tables(notes: Notes, network: Network) -> tuple[Table, ...]:
    """Return the given control, and the residuals of the adjustment."""
    found = control.table(notes, network.frame), residuals.table(notes.book, network)
    return tuple(one for one in found if one.records)


def terrain_layers(terrain: Terrain, network: Network) -> tuple[Layer, ...]:
    """Return the layers of the ground that hold anything."""
    frame, grid, water = network.frame, terrain.grid, terrain.water
    basins = polygons(water.catchment, grid)
    found = (
        contours.layer(terrain.contours, frame),
        *water_layers(water, grid, frame),
        catchments.layer(
            water.catchments,
            [basins[c.catchment.number] for c in water.catchments],
            water.inlets,
        ),
        catchments.outflows(water.catchments, grid, water.inlets),
    )
    return tuple(layer for layer in found if len(layer.geometries))


def water_layers(water: Water, grid: Grid, frame: Frame) -> tuple[Layer, ...]:
    """Return where water runs and stands: the layers that hold anything."""
    ponds = polygons(water.pond, grid)
    found = (
        drainage_arrows.layer(water.arrows, frame),
        flow_paths.layer(water.paths, frame),
        ponding.layer(water.ponds, [ponds[p.pond.number] for p in water.ponds], frame, grid),
    )
    return tuple(layer for layer in found if len(layer.geometries))


def answer_layers(answers: Answers, frame: Frame) -> tuple[Layer, ...]:
    """Return a layer for every question that was asked."""
    found = []
    if answers.take_off.outlines:
        found.append(shared_edges.snapped(answers.take_off, frame))
    if answers.grades:
        found.append(grades.layer(answers.grades, frame))
    if answers.profiles:
        found.append(sections.layer(answers.profiles, frame))
    if answers.parcel_map is not None:
        found.append(parcels.layer(answers.parcel_map, answers.shares, frame))
        if answers.clearances:
            found.append(parcels.clearances(answers.clearances, frame))
    if answers.designs:
        found += designs.layers(answers.designs, frame)
    return tuple(found)


def answer_tables(answers: Answers, notes: Notes) -> tuple[Table, ...]:
    """Return the take-off, and a table for every question whose answer is a list."""
    taken = answers.take_off
    found = [quantities.table([*taken.features, *taken.codes])]
    if answers.edges:
        found.append(distances.edges(answers.edges, notes.book))
    if answers.distances:
        found.append(distances.distances(answers.distances))
    if answers.angles:
        found.append(distances.angles(answers.angles))
    if taken.edges:
        found.append(shared_edges.table(taken.edges))
    if answers.profiles:
        found.append(sections.stations(answers.profiles))
    if answers.earthworks:
        found.append(earthworks.table(answers.earthworks))
    if answers.shares:
        found.append(parcels.shares(answers.shares))
    if answers.prices is not None:
        found.append(prices.table(answers.prices))
    if answers.designs:
        found += designs.tables(answers.designs)
    if answers.design_clearances:
        found.append(designs.parcels_table(answers.design_clearances))
    if answers.design_parts:
        found.append(design_parts.table(answers.design_parts))
    if answers.design_estimates:
        found.append(design_parts.estimates(answers.design_estimates))
    if answers.alternatives:
        from geosite.handover.layers import alternatives

        found.append(alternatives.table(answers.alternatives, taken))
    if answers.kerbs:
        found.append(kerbs.table(answers.kerbs))
    if answers.peak_flows:
        found.append(peak_flows.table(answers.peak_flows))
    return tuple(found)
