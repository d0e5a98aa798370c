"""ISO 19139 record of the whole hand-over: what, where, when, how measured, how good, what not.

The same document is written beside the files and into the GeoPackage.
"""

from __future__ import annotations

import math
import re
import uuid
import xml.etree.ElementTree as ET
from collections.abc import Iterable

import numpy as np
import shapely

from geosite.base.arrays import Floats
from geosite.fieldbook.model import Notes
from geosite.handover.formats.markup import document, node
from geosite.handover.formats.wgs84 import Wgs84, to_wgs84
from geosite.handover.model import Package
from geosite.network.model import Network

__all__ = ["lineage", "metadata"]

_CODES = "http://www.isotc211.org/2005/resources/Codelist/gmxCodelists.xml"
_METRE = "http://www.opengis.net/def/uom/UCUM/0/m"
# so that the same survey has the same identifier on every machine
_NAMESPACE = uuid.uuid5(uuid.NAMESPACE_URL, "urn:geosite:survey")


def lineage(notes: Notes, network: Network) -> tuple[str, ...]:
    """Say how the survey was measured, adjusted and placed, from the notes and the adjustment."""
    book, frame = notes.book, network.frame
    noise = notes.site.survey.leg_noise
    measured = (
        f"Measured: {len(book)} observations in {len(book.runs)} uninterrupted "
        f"run{'s' if len(book.runs) != 1 else ''} ({_listed(book.runs)}), walked with a device "
        "that gives x, y, z relative to the start of each run. Standard deviation of one leg per "
        f"axis sqrt({noise.constant:g}^2 + {noise.per_sqrt_metre:g}^2 x length) m."
    )
    ratios = [c.ratio for c in network.closures if math.isfinite(c.ratio)]
    loops = len(network.closures)
    adjusted = (
        "Adjusted: least squares over all legs with one orientation per run, scale not estimated. "
        f"{loops} loop{'s' if loops != 1 else ''} closed"
        + (f", the worst by 1:{min(ratios):.0f}" if ratios else "")
        + f" (limit 1:{notes.site.survey.closure_limit:g}); variance factor "
        f"{network.variance_factor:.2f} horizontal, {network.vertical_variance_factor:.2f} "
        "vertical."
    )
    anchors = [
        f"{name} ({_sigma(mark.sigma)})"
        for name, mark in notes.site.anchor.marks.items()
        if not mark.check
    ]
    azimuth = notes.site.anchor.azimuth
    placed = (
        f"Placed: on {frame.crs_name} by mark{'s' if len(anchors) != 1 else ''} {_listed(anchors)}"
        + (f" and a {azimuth.reference} azimuth of {azimuth.value:g} degrees" if azimuth else "")
        + f"; combined factor {frame.combined_factor:.8f}. Elevations "
        + (f"in {frame.vertical_name}." if frame.vertical_name else "relative to a mark.")
    )
    check = network.report.get("baseline")
    if isinstance(check, dict):
        placed += (
            f" {check['from']} to {check['to']}: {check['measured_m']:.3f} m measured, "
            f"{check['mapped_m']:.3f} m on the map, both on the ground."
        )
    return measured, adjusted, placed


def _listed(names: Iterable[str]) -> str:
    shown = list(names)
    return ", ".join(shown[:12]) + (f" and {len(shown) - 12} more" if len(shown) > 12 else "")


def _sigma(sigma: float | None) -> str:
    return "taken as exact" if not sigma else f"standard deviation {sigma:g} m per axis"


def metadata(package: Package) -> str:
    """Return the ISO 19139 record of a package, XML.

    Lineage comes from ``package.lineage``, the caution from ``package.report["caution"]``, the
    accuracy from the layer ``points``.
    """
    wgs84 = to_wgs84(package.frame)
    places = _extent(package)
    day = package.date[:10] if re.fullmatch(r"\d{4}-\d{2}-\d{2}.*", package.date) else ""
    told = "|".join((package.title, day, package.frame.crs_wkt, repr(places.tolist())))
    identifier = uuid.uuid5(_NAMESPACE, told.encode("utf-8", "replace").decode("utf-8"))
    root = node(
        "gmd:MD_Metadata",
        node("gmd:fileIdentifier", _text(str(identifier))),
        node("gmd:language", _code("LanguageCode", "eng")),
        node("gmd:characterSet", _code("MD_CharacterSetCode", "utf8")),
        node("gmd:hierarchyLevel", _code("MD_ScopeCode", "dataset")),
        _party("gmd:contact", package.surveyor, "author"),
        node("gmd:dateStamp", node("gco:Date", day))
        if day
        else node("gmd:dateStamp", gco__nilReason="unknown"),
        node("gmd:metadataStandardName", _text("ISO 19115:2003, ISO/TS 19139:2007")),
        node("gmd:metadataStandardVersion", _text("1.0")),
        *_reference_systems(package),
        node("gmd:identificationInfo", _identification(package, day, wgs84, places)),
        node("gmd:dataQualityInfo", _quality(package)),
        xmlns__gmd="http://www.isotc211.org/2005/gmd",
        xmlns__gco="http://www.isotc211.org/2005/gco",
        xmlns__gml="http://www.opengis.net/gml/3.2",
        xmlns__xlink="http://www.w3.org/1999/xlink",
    )
    return document(root)


def _text(text: str) -> ET.Element:
    return node("gco:CharacterString", text)


def _code(name: str, value: str) -> ET.Element:
    return node(f"gmd:{name}", value, codeList=f"{_CODES}#{name}", codeListValue=value)


def _party(tag: str, name: str, role: str) -> ET.Element:
    if not name:
        return node(tag, gco__nilReason="missing")
    party = node(
        "gmd:CI_ResponsibleParty",
        node("gmd:individualName", _text(name)),
        node("gmd:role", _code("CI_RoleCode", role)),
    )
    return node(tag, party)


def _reference_systems(package: Package) -> list[ET.Element]:
    frame = package.frame
    return [
        node(
            "gmd:referenceSystemInfo",
            node(
                "gmd:MD_ReferenceSystem",
                node("gmd:referenceSystemIdentifier", _identifier(name)),
            ),
        )
        for name in (frame.crs_name, frame.vertical_name)
        if name
    ]


def _identifier(name: str) -> ET.Element:
    """Return the identifier of a CRS: code and authority where it has them."""
    authority, _, code = name.partition(":")
    if not re.fullmatch(r"\w+", code) or not re.fullmatch(r"[A-Z]+", authority):
        return node("gmd:RS_Identifier", node("gmd:code", _text(name)))
    return node(
        "gmd:RS_Identifier",
        node("gmd:code", _text(code)),
        node("gmd:codeSpace", _text(authority)),
    )


def _extent(package: Package) -> Floats:
    """Return west, south, east, north of everything, map units; NaN for an empty package."""
    bounds = [
        shapely.total_bounds(np.asarray(layer.geometries, dtype=object))
        for layer in package.layers
        if len(layer.geometries) and layer.name != "parcels"
    ]
    bounds += [
        np.array([r.grid.west, r.grid.south, r.grid.east, r.grid.north]) for r in package.rasters
    ]
    if not bounds:
        return np.full(4, np.nan)
    stacked = np.vstack(bounds)
    return np.concatenate([stacked[:, :2].min(axis=0), stacked[:, 2:].max(axis=0)])


def _identification(package: Package, day: str, wgs84: Wgs84, places: Floats) -> ET.Element:
    date = (
        node("gmd:date", node("gco:Date", day))
        if day
        else node("gmd:date", gco__nilReason="unknown")
    )
    abstract = package.description or f"Hand-walked site survey: {package.title}"
    names = [layer.title for layer in package.layers] + [r.title for r in package.rasters]
    constraints = [
        node("gmd:useLimitation", _text(str(caution)))
        for caution in package.report.get("caution", ())
    ]
    licence = (
        (
            node("gmd:useConstraints", _code("MD_RestrictionCode", "license")),
            node("gmd:otherConstraints", _text(package.licence)),
        )
        if package.licence
        else ()
    )
    kinds = ["vector"] * bool(package.layers) + ["grid"] * bool(package.rasters)
    resolution = [
        node(
            "gmd:spatialResolution",
            node(
                "gmd:MD_Resolution",
                node("gmd:distance", node("gco:Distance", f"{size:g}", uom=_METRE)),
            ),
        )
        for size in sorted({r.grid.cell_size * package.frame.unit_m for r in package.rasters})
    ]
    return node(
        "gmd:MD_DataIdentification",
        node(
            "gmd:citation",
            node(
                "gmd:CI_Citation",
                node("gmd:title", _text(package.title)),
                node(
                    "gmd:date",
                    node(
                        "gmd:CI_Date",
                        date,
                        node("gmd:dateType", _code("CI_DateTypeCode", "creation")),
                    ),
                ),
            ),
        ),
        node("gmd:abstract", _text(abstract)),
        node("gmd:purpose", _text("Site works: quantities, falls, grades, plans.")),
        *([_party("gmd:pointOfContact", package.client, "user")] if package.client else []),
        node(
            "gmd:resourceConstraints",
            node("gmd:MD_LegalConstraints", *constraints, *licence),
        ),
        *(
            node("gmd:spatialRepresentationType", _code("MD_SpatialRepresentationTypeCode", kind))
            for kind in kinds
        ),
        *resolution,
        node("gmd:language", _code("LanguageCode", "eng")),
        node("gmd:characterSet", _code("MD_CharacterSetCode", "utf8")),
        node("gmd:topicCategory", node("gmd:MD_TopicCategoryCode", "elevation")),
        node("gmd:topicCategory", node("gmd:MD_TopicCategoryCode", "structure")),
        *([node("gmd:extent", _box(wgs84, places))] if np.isfinite(places).all() else []),
        node("gmd:supplementalInformation", _text(f"Holds: {', '.join(names)}.")),
    )


def _box(wgs84: Wgs84, places: Floats) -> ET.Element:
    west, south, east, north = places
    # the edges of a map rectangle are curved in longitude and latitude: corners are not enough
    share = np.linspace(0.0, 1.0, 5)
    along = west + share * (east - west)
    up = south + share * (north - south)
    edge = np.vstack(
        [np.column_stack([along, np.full(5, y)]) for y in (south, north)]
        + [np.column_stack([np.full(5, x), up]) for x in (west, east)]
    )
    degrees = wgs84.place(edge)
    low, high = degrees.min(axis=0), degrees.max(axis=0)
    if high[0] - low[0] > 180.0:  # across the antimeridian: from the greater to the smaller one
        turned = np.mod(degrees[:, 0], 360.0)
        low[0], high[0] = turned.min(), turned.max() - 360.0
    bounds = {
        "westBoundLongitude": low[0],
        "eastBoundLongitude": high[0],
        "southBoundLatitude": low[1],
        "northBoundLatitude": high[1],
    }
    box = node(
        "gmd:EX_GeographicBoundingBox",
        *(node(f"gmd:{tag}", node("gco:Decimal", f"{v:.7f}")) for tag, v in bounds.items()),
    )
    return node("gmd:EX_Extent", node("gmd:geographicElement", box))


def _quality(package: Package) -> ET.Element:
    reports = [
        node("gmd:report", _accuracy(name, sigmas))
        for name, sigmas in (
            ("Standard deviation per horizontal axis", _sigmas(package, "sigma_h_m")),
            ("Standard deviation of the elevation", _sigmas(package, "sigma_v_m")),
        )
        if sigmas.size
    ]
    steps = [
        node(
            "gmd:processStep",
            node("gmd:LI_ProcessStep", node("gmd:description", _text(step))),
        )
        for step in package.lineage
    ]
    statement = (
        "Walked site survey in local coordinates, adjusted by least squares and placed on the map "
        "by known marks. Areas and lengths are ground values; every number carries its standard "
        "deviation."
    )
    return node(
        "gmd:DQ_DataQuality",
        node(
            "gmd:scope",
            node("gmd:DQ_Scope", node("gmd:level", _code("MD_ScopeCode", "dataset"))),
        ),
        *reports,
        node(
            "gmd:lineage",
            node("gmd:LI_Lineage", node("gmd:statement", _text(statement)), *steps),
        ),
    )


def _sigmas(package: Package, field: str) -> Floats:
    for layer in package.layers:
        if layer.name == "points":
            found = [record.get(field) for record in layer.records]
            return np.array([v for v in found if v is not None], dtype=np.float64)
    return np.zeros(0)


def _accuracy(name: str, sigmas: Floats) -> ET.Element:
    typical = math.sqrt(float(np.mean(sigmas**2)))
    result = node(
        "gmd:DQ_QuantitativeResult",
        node("gmd:valueUnit", xlink__href=_METRE),
        node("gmd:errorStatistic", _text("standard deviation")),
        node("gmd:value", node("gco:Record", f"{typical:.4f}")),
    )
    return node(
        "gmd:DQ_AbsoluteExternalPositionalAccuracy",
        node("gmd:nameOfMeasure", _text(name)),
        node(
            "gmd:measureDescription",
            _text(
                "Root mean square over all observations, by propagation from the adjustment; "
                f"largest {sigmas.max():.4f} m."
            ),
        ),
        node("gmd:result", result),
    )
