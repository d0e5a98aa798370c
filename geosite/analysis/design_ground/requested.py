"""What ``[designs.NAME]`` of the site file asks for, as zones."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from functools import partial

import numpy as np
import shapely

from geosite.analysis.design_ground.zones import Edge, Zone, facet_zone, pad, raster_zone, strip
from geosite.analysis.named_areas import area_named
from geosite.base.arrays import Floats, Ints
from geosite.base.errors import InputError, Problem, Refuse
from geosite.base.map_frame import Frame
from geosite.fieldbook import sitefile
from geosite.fieldbook.model import Notes
from geosite.linework.model import Drawing
from geosite.network.model import Network
from geosite.reading.designs import Design, areas_of
from geosite.reading.second_surface import SecondSurface, refuse_unlike

__all__ = ["edges_of", "requested_zones", "zone_from_file"]


def requested_zones(
    name: str, table: sitefile.Design, notes: Notes, network: Network, drawing: Drawing
) -> tuple[Zone, ...]:
    """Return the parts of a design: its file, strips, closed edges and pads, the last on top.

    Raises
    ------
    InputError
        A name that does not exist, an outline that is none, elevations that do not fit; the first.
    """
    refuse = _refusal(name, notes)
    frame = network.frame
    edges = edges_of(name, table, notes, network)
    zones: list[Zone] = []
    attached = notes.attached.designs.get(name)
    if isinstance(attached, Design):
        zones.append(zone_from_file(attached, frame))
    elif attached is not None:
        zones.append(_raster_zone(attached, frame, refuse))
    for one, along in table.strips.items():
        if along.line not in edges:
            raise refuse(
                "design-no-edge",
                f"strip {one} follows {along.line}, which is no edge of it",
                f"one of {', '.join(edges)}" if edges else "an edge, and it has none",
                "name an edge of this design",
            )
        fall = along.cross_fall_percent / 100
        line = edges[along.line].places
        zones.append(strip(one, line, along.width, fall, along.crowned, frame.combined_factor))
    for one, edge in edges.items():
        if edge.closed:
            ring = edge.places
            shape = shapely.Polygon(ring[:, :2])
            if not shape.is_valid:
                raise refuse(
                    "design-crosses",
                    f"edge {one} crosses itself",
                    "an outline that does not",
                    "put its places in order",
                )
            zone = facet_zone(one, ring[:-1], [ring], shape, (edge,))
            zones.append(replace(zone, ring=_rows(table.edges[one].marks, notes)))
    for one, flat in table.pads.items():
        zones.append(_pad(one, flat, notes, network, drawing, refuse))
    if not zones:
        raise refuse(
            "design-empty",
            "it builds nothing",
            "a pad, a closed edge, a strip or a file",
            "add one of them",
        )
    return tuple(zones)


def _refusal(name: str, notes: Notes) -> Refuse:
    def refuse(code: str, what: str, expected: str, remedy: str) -> InputError:
        text = f"design {name}: {what}"
        return InputError(Problem(code, text, expected, remedy, notes.site_file))

    return refuse


def edges_of(name: str, table: sitefile.Design, notes: Notes, network: Network) -> dict[str, Edge]:
    """Return the lines of a design by name, whether they bound a part of it or not.

    Raises
    ------
    InputError
        A mark that does not exist, elevations that do not fit; the first.
    """
    refuse = _refusal(name, notes)
    return {
        one: _edge(one, requested, notes, network, refuse) for one, requested in table.edges.items()
    }


def _mark(name: str, notes: Notes, network: Network, refuse: Refuse) -> Floats:
    book = notes.book
    if name not in book.marks:
        raise refuse(
            "design-no-mark",
            f"mark {name} is not in the field book",
            "the name of a mark",
            "correct the name",
        )
    place: Floats = network.en[int(np.flatnonzero(book.mark == book.marks.index(name))[0])]
    return place


def _edge(
    name: str, requested: sitefile.DesignEdge, notes: Notes, network: Network, refuse: Refuse
) -> Edge:
    frame = network.frame
    if bool(requested.marks) == bool(requested.points):
        raise refuse(
            "design-edge-places",
            f"edge {name} has {'both marks and' if requested.marks else 'neither marks nor'} "
            "points",
            "either marks or points",
            "give one of them",
        )
    if requested.marks:
        flat = np.array([_mark(mark, notes, network, refuse) for mark in requested.marks])
    else:
        flat = frame.to_local(np.array(requested.points))
    count = len(flat)
    if count < (3 if requested.closed else 2):
        raise refuse(
            "design-edge-short",
            f"edge {name} has {count} places",
            "two or more, three or more of a closed one",
            "add places",
        )
    if requested.elevations:
        if len(requested.elevations) != count or requested.start is not None:
            raise refuse(
                "design-edge-elevations",
                f"edge {name} has {_counted(len(requested.elevations), 'elevation')} for {count}"
                " places" + (" and a start" if requested.start is not None else ""),
                "one elevation per place, or start and grades",
                "correct them",
            )
        up = np.array(requested.elevations)
    elif requested.start is not None and len(requested.grades) in (1, count - 1):
        step = np.hypot(*np.diff(flat, axis=0).T) / frame.combined_factor
        rise = step * np.array(requested.grades) / 100 / frame.height_unit_m
        up = requested.start + np.concatenate([[0.0], np.cumsum(rise)])
    else:
        given = "no elevations" if requested.start is None else "a start"
        if requested.grades:
            given += f" and {_counted(len(requested.grades), 'grade')} for {count} places"
        between = "one grade" if count == 2 else f"one grade for all or {count - 1} grades"
        raise refuse(
            "design-edge-elevations",
            f"edge {name} has {given}",
            f"{count} elevations, or a start and {between}",
            "give elevations = [...], or start and grades",
        )
    places = np.column_stack([flat, up * frame.height_unit_m])
    if requested.closed:
        places = np.vstack([places, places[:1]])
    return Edge(name, places, requested.closed)


def _counted(count: int, what: str) -> str:
    return f"{count} {what}{'s' * (count != 1)}"


def _pad(
    name: str,
    requested: sitefile.DesignPad,
    notes: Notes,
    network: Network,
    drawing: Drawing,
    refuse: Refuse,
) -> Zone:
    frame = network.frame
    if (requested.feature is None) == (not requested.points):
        raise refuse(
            "design-pad-outline",
            f"pad {name} has {'both a feature and' if requested.points else 'neither feature nor'} "
            "points",
            "either feature or points",
            "give one of them",
        )
    if requested.feature is not None:
        area = area_named(requested.feature, drawing, "design-no-area", refuse, f"pad {name}: ")
        shape, ring = shapely.force_2d(area.geometry), area.rows
    else:
        ring = _rows((), notes)
        corners = frame.to_local(np.array(requested.points))
        shape = shapely.Polygon(corners) if len(corners) >= 3 else shapely.Polygon()
        if not shape.is_valid or shape.area <= 0:
            raise refuse(
                "design-crosses",
                f"the outline of pad {name} encloses no area or crosses itself",
                "three or more corners in order",
                "put them in order",
            )
    if requested.through is None:
        through = shapely.get_coordinates(shape)[0]
    elif isinstance(requested.through, str):
        through = _mark(requested.through, notes, network, refuse)
    else:
        through = frame.to_local(requested.through)
    made = pad(
        name,
        shape,
        through,
        requested.elevation * frame.height_unit_m,
        requested.fall_percent / 100,
        math.radians(requested.fall_azimuth),
        frame.combined_factor,
    )
    return replace(made, ring=ring)


def _rows(marks: Sequence[str], notes: Notes) -> Ints:
    """Return the first observation of each mark; all of them exist."""
    book = notes.book
    first = [int(np.flatnonzero(book.mark == book.marks.index(mark))[0]) for mark in marks]
    return np.array(first, np.int64)


def zone_from_file(design: Design, frame: Frame) -> Zone:
    """Return the surface of a design file: triangles through its points and along its lines.

    The outline is that of its areas without their holes, where it has any, else the triangles reach
    as far as its points.

    Raises
    ------
    InputError
        Another CRS, places without elevation, fewer than three.
    """
    from geosite.analysis.setting_out.fits_site import refuse_other_crs

    refuse_other_crs(design, frame)
    points, lines, edges = [], [], []
    for number, shape in enumerate(design.shapes, start=1):
        if not np.isfinite(shape.places[:, 2]).all():
            raise InputError(
                Problem(
                    "design-no-elevation",
                    f"{shape.name or f'shape {number}'} has places without elevation",
                    "an elevation at every place of a design surface",
                    "add them, or choose the layer that has them",
                    design.file,
                    shape.line,
                )
            )
        places = np.column_stack(
            [frame.to_local(shape.places[:, :2]), shape.places[:, 2] * frame.height_unit_m]
        )
        points.append(places)
        if shape.kind != "point":
            lines.append(places)
            # what is built is named after an outline: nothing is compared with one round a hole
            name = "" if shape.kind == "hole" else shape.name
            edges.append(Edge(name or f"edge {number}", places, shape.kind != "line"))
    areas = shapely.transform(np.array(areas_of(design.shapes), dtype=object), frame.to_local)
    outline = shapely.union_all(shapely.make_valid(areas)) if len(areas) else None
    try:
        return facet_zone("file", np.vstack(points), lines, outline, tuple(edges))
    except InputError as error:
        raise InputError(
            Problem(p.code, p.what, p.expected, p.remedy, design.file) for p in error.problems
        ) from None


def _raster_zone(raster: SecondSurface, frame: Frame, refuse: Refuse) -> Zone:
    """Return the ground of a raster: bilinear between the centres of its cells."""
    refuse_unlike(raster, frame, "design", refuse)
    z = raster.values * frame.height_unit_m
    west, north = frame.to_local((raster.west, raster.north)).tolist()
    east, south = raster.cell_east * frame.unit_m, raster.cell_north * frame.unit_m
    known = np.isfinite(z)
    if not known.any():
        raise refuse(
            "design-empty", f"the raster {raster.file} is empty", "elevations", "choose another"
        )
    r, c = np.nonzero(known)
    cells = shapely.box(
        west + c * east, north - (r + 1) * south, west + (c + 1) * east, north - r * south
    )
    # between the centres of the outermost cells there is something on both sides
    shape = shapely.buffer(shapely.union_all(cells), -0.501 * max(east, south), join_style="mitre")
    if shape.is_empty:
        raise refuse(
            "design-empty",
            f"the raster {raster.file} is one cell wide",
            "an area",
            "choose another",
        )
    return raster_zone("file", shape, partial(_between_cells, z, (west, north), (east, south)))


def _between_cells(
    z: Floats, corner: tuple[float, float], cell: tuple[float, float], places: Floats
) -> Floats:
    """Return elevations between the centres of cells, bilinear; NaN beyond them."""
    (west, north), (east, south), (rows, cols) = corner, cell, z.shape
    col, row = (places[:, 0] - west) / east - 0.5, (north - places[:, 1]) / south - 0.5
    c = np.clip(np.floor(col).astype(np.int64), 0, max(cols - 2, 0))
    r = np.clip(np.floor(row).astype(np.int64), 0, max(rows - 2, 0))
    u, v = col - c, row - r
    met = (u >= -1e-9) & (u <= 1 + 1e-9) & (v >= -1e-9) & (v <= 1 + 1e-9)
    c1, r1 = np.minimum(c + 1, cols - 1), np.minimum(r + 1, rows - 1)
    top = z[r, c] * (1 - u) + z[r, c1] * u
    found: Floats = np.where(met, top * (1 - v) + (z[r1, c] * (1 - u) + z[r1, c1] * u) * v, np.nan)
    return found
