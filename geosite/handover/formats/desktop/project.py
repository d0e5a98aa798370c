"""One project for the open GIS desktop: ``site.qgs``, everything at once, styled and in groups.

Paths are relative, so the folder can be moved; the CRS stands in it as text, so nobody is asked;
nothing in it depends on the machine or the hour, so the same package gives the same bytes. Opens
without a word in the versions 3.22 and 3.40.
"""

from __future__ import annotations

import xml.etree.ElementTree as ET
from collections.abc import Iterable, Mapping, Sequence
from typing import Literal

import numpy as np
from shapely import total_bounds

from geosite.base.units import FOOT_M, US_SURVEY_FOOT_M
from geosite.base.wgs84 import Wgs84, to_wgs84
from geosite.handover.formats.desktop.layout import layout_element
from geosite.handover.formats.desktop.rasters import raster_attributes, raster_nodes
from geosite.handover.formats.desktop.style import aliases, vector_attributes, vector_nodes
from geosite.handover.formats.desktop.symbols import VERSION
from geosite.handover.formats.markup import document, node
from geosite.handover.model import CAUTION, Layer, Package, Raster, Table
from geosite.handover.plan.layout import Layout
from geosite.handover.styles.layers import look_of
from geosite.handover.styles.model import Look
from geosite.handover.styles.rasters import ramp_of
from geosite.handover.styles.signs import GROUPS, group_of

__all__ = ["PROJECT", "project"]

PROJECT = "site.qgs"

# the desktop gives a layer a new id where the id is of plain letters alone
_PREFIX = "geosite_"
_Source = Layer | Raster | Table


def project(package: Package, layout: Layout) -> str:
    """Return the project as a document.

    Parameters
    ----------
    package
        The layers and tables lie in ``site.gpkg``, the rasters beside it.
    layout
        Of the plan, for the print layout and the extent the project opens with.
    """
    crs, unit = _crs(package), package.unit
    looks = {layer.name: look_of(layer, package) for layer in package.layers}
    wgs84 = to_wgs84(package.frame)

    def lies(item: Layer | Raster) -> list[ET.Element]:
        return [node("srs", crs), *_extents(item, wgs84)]

    layers = [
        *(_vector(one, looks[one.name], lies(one), unit) for one in package.layers),
        *(_raster(one, lies(one), unit) for one in package.rasters),
        *(_table(table) for table in package.tables),
    ]
    tree = _tree(package, looks)
    order = [found.get("id", "") for found in tree.iter("layer-tree-layer")]
    extent = _extent(layout)
    root = node(
        "qgis",
        node("homePath", path=""),
        node("title", package.title),
        node("autotransaction", active="0"),
        node("evaluateDefaultValues", active="0"),
        # the extents in here are taken as they are: to find those in WGS 84 the desktop would use
        # an operation whose grid may be missing, and complain
        node("trust", active="1"),
        node("projectCrs", crs),
        tree,
        node("relations"),
        _canvas(package, extent, crs),
        node("projectlayers", *layers),
        node("layerorder", *(node("layer", id=name) for name in order)),
        _properties(package),
        node("transformContext"),
        _metadata(package),
        node("Layouts", layout_element(package, layout, unit)),
        node(
            "ProjectViewSettings",
            node("Scales"),
            node("DefaultViewExtent", crs, **extent),
            rotation="0",
            UseProjectScales="0",
        ),
        _terrain(package),
        projectname=package.title,
        version=VERSION,
        saveDateTime="",
        saveUser="",
        saveUserFull="",
    )
    return document(root)


def _crs(package: Package) -> ET.Element:
    """Return the map CRS as WKT, with what identifies it where it has a code."""
    from pyproj import CRS

    frame = package.frame
    found = CRS.from_wkt(frame.crs_wkt)
    authority = found.to_authority()
    authid = ":".join(authority) if authority else ""
    return node(
        "spatialrefsys",
        node("wkt", " ".join(frame.crs_wkt.split())),
        node("srsid", "0"),
        node("srid", authority[1] if authority and authority[1].isdigit() else "0"),
        node("authid", authid),
        node("description", found.name),
        node("projectionacronym", ""),
        node("ellipsoidacronym", ""),
        node("geographicflag", "false"),
        nativeFormat="Wkt",
    )


def _id(item: _Source) -> str:
    return _PREFIX + item.name


def _extents(item: Layer | Raster, wgs84: Wgs84) -> Iterable[ET.Element]:
    """Yield where a layer lies, on its map and in WGS 84."""
    if isinstance(item, Raster):
        grid = item.grid
        box = [grid.west, grid.south, grid.east, grid.north]
    elif not len(item.geometries):
        return
    else:
        box = total_bounds(np.array(item.geometries, dtype=object)).tolist()
    if not np.isfinite(box).all():
        return
    west, south, east, north = box
    yield _box("extent", box)
    corners = wgs84.place([(west, south), (west, north), (east, south), (east, north)])
    yield _box("wgs84extent", [*corners.min(axis=0).tolist(), *corners.max(axis=0).tolist()])


def _box(tag: str, box: Sequence[float]) -> ET.Element:
    sides = zip(("xmin", "ymin", "xmax", "ymax"), box, strict=True)
    return node(tag, *(node(side, f"{value:.12g}") for side, value in sides))


def _common(
    item: _Source, spatial: Iterable[ET.Element], source: str, provider: str
) -> list[ET.Element]:
    return [
        node("id", _id(item)),
        node("datasource", source),
        node("layername", item.title),
        *spatial,
        node(
            "resourceMetadata",
            node("type", "dataset"),
            node("title", item.title),
            node("abstract", item.description),
        ),
        node("provider", provider, **({"encoding": "UTF-8"} if provider == "ogr" else {})),
        node(
            "flags",
            node("Identifiable", "1"),
            node("Removable", "1"),
            node("Searchable", "1"),
            node("Private", "0"),
        ),
    ]


def _vector(
    layer: Layer, look: Look, spatial: Iterable[ET.Element], unit: Literal["m", "ft"]
) -> ET.Element:
    source = f"./site.gpkg|layername={layer.name}"
    kind = next(
        (kind for kind in ("Polygon", "Line", "Point") if kind in layer.geometry_type), "Unknown"
    )
    return node(
        "maplayer",
        *_common(layer, spatial, source, "ogr"),
        *vector_nodes(layer, look, unit),
        type="vector",
        geometry=kind,
        wkbType=layer.geometry_type,
        styleCategories="AllStyleCategories",
        **vector_attributes(look),
    )


def _table(table: Table) -> ET.Element:
    return node(
        "maplayer",
        *_common(table, (), f"./site.gpkg|layername={table.name}", "ogr"),
        aliases(table.fields),
        type="vector",
        geometry="No geometry",
        wkbType="NoGeometry",
        styleCategories="AllStyleCategories",
    )


def _raster(raster: Raster, spatial: Iterable[ET.Element], unit: Literal["m", "ft"]) -> ET.Element:
    return node(
        "maplayer",
        *_common(raster, spatial, f"./{raster.name}.tif", "gdal"),
        node("noData", node("noDataList", bandNo="1", useSrcNoData="1")),
        *raster_nodes(raster, ramp_of(raster, unit)),
        type="raster",
        styleCategories="AllStyleCategories",
        **raster_attributes(),
    )


# ---- the legend ----------------------------------------------------------------------------------


def _tree(package: Package, looks: Mapping[str, Look]) -> ET.Element:
    groups = []
    for name in (*GROUPS, "More"):
        wanted = GROUPS.get(name, ())
        members = [layer for layer in package.layers if group_of(layer.name) == name]
        members.sort(key=lambda layer: wanted.index(layer.name) if wanted else 0)
        leaves = [
            _leaf(m, f"./site.gpkg|layername={m.name}", "ogr", shown=looks[m.name].shown)
            for m in members
        ]
        groups.append(_group(name, leaves, opened=True))
    rasters = [_leaf(r, f"./{r.name}.tif", "gdal", shown=False) for r in package.rasters]
    groups.append(_group("Rasters", rasters, opened=False))
    tables = [
        _leaf(t, f"./site.gpkg|layername={t.name}", "ogr", shown=False) for t in package.tables
    ]
    groups.append(_group("Tables", tables, opened=False))
    return node("layer-tree-group", *(group for group in groups if len(group) > 1))


def _leaf(item: _Source, source: str, provider: str, *, shown: bool) -> ET.Element:
    return node(
        "layer-tree-layer",
        node("customproperties", node("Option")),
        id=_id(item),
        name=item.title,
        source=source,
        providerKey=provider,
        checked="Qt::Checked" if shown else "Qt::Unchecked",
        expanded="1" if shown else "0",
        legend_exp="",
        legend_split_behavior="0",
        patch_size="-1,-1",
    )


def _group(name: str, leaves: Sequence[ET.Element], *, opened: bool) -> ET.Element:
    return node(
        "layer-tree-group",
        node("customproperties", node("Option")),
        *leaves,
        name=name,
        checked="Qt::Checked",
        expanded="1" if opened else "0",
        groupLayer="",
    )


# ---- the window ----------------------------------------------------------------------------------


def _extent(layout: Layout) -> dict[str, str]:
    """Return what the plan's map window shows."""
    view = layout.view
    east, north = view.centre
    across = view.window.width / 2 / view.mm_per_unit
    up = view.window.height / 2 / view.mm_per_unit
    return {
        "xmin": f"{east - across:.4f}",
        "ymin": f"{north - up:.4f}",
        "xmax": f"{east + across:.4f}",
        "ymax": f"{north + up:.4f}",
    }


_UNITS = {1.0: "meters", FOOT_M: "feet", US_SURVEY_FOOT_M: "US survey feet"}


def _canvas(package: Package, extent: Mapping[str, str], crs: ET.Element) -> ET.Element:
    return node(
        "mapcanvas",
        node("units", _UNITS.get(package.frame.unit_m, "unknown")),
        node("extent", *(node(name, value) for name, value in extent.items())),
        node("rotation", "0"),
        node("destinationsrs", crs),
        node("rendermaptile", "0"),
        name="theMapCanvas",
        annotationsVisible="1",
    )


def _properties(package: Package) -> ET.Element:
    def number(tag: str, value: str, kind: str = "int") -> ET.Element:
        return node(tag, value, type=kind)

    metric = package.unit == "m"
    return node(
        "properties",
        node("Paths", number("Absolute", "false", "bool")),
        node("SpatialRefSys", number("ProjectionsEnabled", "1")),
        node(
            "PositionPrecision",
            number("Automatic", "false", "bool"),
            number("DecimalPlaces", "2"),
        ),
        node(
            "Measurement",
            number("DistanceUnits", "meters" if metric else "feet", "QString"),
            number("AreaUnits", "m2" if metric else "ft2", "QString"),
        ),
        node(
            "PAL",
            number("PlacementEngineVersion", "1"),
            number("ShowingPartialsLabels", "false", "bool"),
            number("CandidatesLinePerCM", "5", "double"),
            number("CandidatesPolygonPerCM", "4", "double"),
        ),
    )


def _metadata(package: Package) -> ET.Element:
    told = [text for text in (package.description, *package.lineage) if text]
    return node(
        "projectMetadata",
        node("identifier", ""),
        node("type", "dataset"),
        node("title", package.title),
        node("abstract", "\n".join([*told, CAUTION])),
        *_some("author", package.surveyor),
        *_some("creation", f"{package.date[:10]}T00:00:00" if package.date else ""),
        *_some("license", package.licence),
    )


def _some(tag: str, text: str) -> Iterable[ET.Element]:
    if text:
        yield node(tag, text)


def _terrain(package: Package) -> ET.Element:
    """Let the profile tool lay flat layers on the survey's own ground."""
    ground = next((raster for raster in package.rasters if raster.is_elevation), None)
    settings = {"scale": "1", "offset": "0"}
    if ground is None:
        provider = node("terrainProvider", node("TerrainProvider", **settings), type="flat")
    else:
        settings |= {
            "layer": _id(ground),
            "layerName": ground.title,
            "layerSource": f"./{ground.name}.tif",
            "layerProvider": "gdal",
        }
        provider = node("terrainProvider", node("TerrainProvider", **settings), type="raster")
    return node("ElevationProperties", provider, FilterInvertSlider="0")
