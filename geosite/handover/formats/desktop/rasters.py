"""Styles of rasters in the open GIS desktop's own format."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from pathlib import Path
from typing import Literal

from geosite.drawing.ink import Stroke
from geosite.handover.formats.desktop.symbols import VERSION, line_symbol
from geosite.handover.formats.markup import document, node
from geosite.handover.model import Raster
from geosite.handover.palette import EARTH
from geosite.handover.styles.model import Ramp
from geosite.handover.styles.rasters import ramp_of

__all__ = ["raster_attributes", "raster_document", "raster_nodes", "write_raster_style"]


def raster_document(raster: Raster, ramp: Ramp) -> str:
    """Return the style of a raster as a document."""
    root = node("qgis", *raster_nodes(raster, ramp), **raster_attributes(), version=VERSION)
    root.set("styleCategories", "AllStyleCategories")
    return document(root)


def write_raster_style(folder: Path, raster: Raster, unit: Literal["m", "ft"] = "m") -> Path:
    """Write the style beside ``<name>.tif``, where the desktop looks for it."""
    path = folder / f"{raster.name}.qml"
    path.write_bytes(raster_document(raster, ramp_of(raster, unit)).encode("utf-8"))
    return path


def raster_attributes() -> dict[str, str]:
    """Return what a style says about the whole raster."""
    return {"hasScaleBasedVisibilityFlag": "0", "minScale": "1e+08", "maxScale": "0"}


def raster_nodes(raster: Raster, ramp: Ramp) -> list[ET.Element]:
    """Return renderer and elevation settings of a raster."""
    pipe = node(
        "pipe",
        node("provider", _resampling()),
        _renderer(ramp),
        node("brightnesscontrast", brightness="0", contrast="0", gamma="1"),
        node("huesaturation", saturation="0", grayscaleMode="0", colorizeOn="0"),
        node("rasterresampler", maxOversampling="2"),
        node("resamplingStage", "resamplingFilter"),
    )
    return [_elevation(raster), pipe, node("blendMode", "0")]


def _renderer(ramp: Ramp) -> ET.Element:
    """Return how values become colours, nodata clear."""
    low, high = (f"{stop.value:.9g}" for stop in (ramp.stops[0], ramp.stops[-1]))
    origin = node(
        "minMaxOrigin",
        node("limits", "None"),
        node("extent", "WholeRaster"),
        node("statAccuracy", "Estimated"),
    )
    return node(
        "rasterrenderer",
        origin,
        node("rastershader", _shader(ramp, low, high)),
        type="singlebandpseudocolor",
        band="1",
        alphaBand="-1",
        opacity="1",
        nodataColor="",
        classificationMin=low,
        classificationMax=high,
    )


def _shader(ramp: Ramp, low: str, high: str) -> ET.Element:
    """Return the colours from stop to stop, with the titles of the legend."""
    items = [
        node(
            "item",
            value=f"{stop.value:.9g}",
            color=stop.colour,
            alpha=str(round(255 * stop.opacity)),
            label=stop.title,
        )
        for stop in ramp.stops
    ]
    return node(
        "colorrampshader",
        *items,
        node("rampLegendSettings", useContinuousLegend="0"),
        colorRampType="INTERPOLATED",
        classificationMode="1",
        clip="0",
        minimumValue=low,
        maximumValue=high,
        labelPrecision="4",
    )


def _resampling() -> ET.Element:
    """Return that cells are shown as they are, zoomed in and out."""
    return node(
        "resampling",
        enabled="false",
        maxOversampling="2",
        zoomedInResamplingMethod="nearestNeighbour",
        zoomedOutResamplingMethod="nearestNeighbour",
    )


def _elevation(raster: Raster) -> ET.Element:
    """Return whether the desktop's profiles and 3D views take the raster for ground."""
    return node(
        "elevation",
        node("profileLineSymbol", line_symbol("", Stroke(EARTH, 0.5))),
        enabled="1" if raster.is_elevation else "0",
        mode="RepresentsElevationSurface",
        band="1",
        symbology="Line",
        zscale="1",
        zoffset="0",
    )
