"""ISO 19139 record of the whole hand-over: what, where, when, how measured, how good, what not.

The same document is written beside the files and into the GeoPackage.
"""

from __future__ import annotations

import math
import re
import uuid
import xml.etree.ElementTree as ET

import numpy as np
import shapely

from geosite.base.arrays import Floats
from geosite.base.wgs84 import Wgs84, to_wgs84
from geosite.fieldbook.sitefile import Submission
from geosite.handover.formats.markup import document, node
from geosite.handover.model import Package

__all__ = ["metadata"]

_CODES = "http://www.isotc211.org/2005/resources/Codelist/gmxCodelists.xml"
_METRE = "http://www.opengis.net/def/uom/UCUM/0/m"
# so that the same survey has the same identifier on every machine
_NAMESPACE = uuid.uuid5(uuid.NAMESPACE_URL, "urn:geosite:survey")


def metadata(package: Package) -> str:
    """Return the ISO 19139 record of a package, XML.

    Lineage comes from ``package.lineage``, the caution from ``package.report.caution``, the
    accuracy from the layer ``points``.
    """
    wgs84 = to_wgs84(package.frame)
    places = _extent(package)
    day = package.date[:10] if re.fullmatch(r"\d{4}-\d{2}-\d{2}.*", package.date) else ""
    issued = package.submission.issued or day
    told = "|".join((package.title, day, package.frame.crs_wkt, repr(places.tolist())))
    identifier = uuid.uuid5(_NAMESPACE, told.encode("utf-8", "replace").decode("utf-8"))
    root = node(
        "gmd:MD_Metadata",
        node("gmd:fileIdentifier", _text(str(identifier))),
        node("gmd:language", _code("LanguageCode", "eng")),
        node("gmd:characterSet", _code("MD_CharacterSetCode", "utf8")),
        node("gmd:hierarchyLevel", _code("MD_ScopeCode", "dataset")),
        _contact("gmd:contact", package, "pointOfContact"),
        node("gmd:dateStamp", node("gco:Date", issued))
        if issued
        else node("gmd:dateStamp", gco__nilReason="unknown"),
        node("gmd:metadataStandardName", _text("ISO 19115:2003, ISO/TS 19139:2007")),
        node("gmd:metadataStandardVersion", _text("1.0")),
        *_reference_systems(package),
        node("gmd:identificationInfo", _identification(package, day, wgs84, places)),
        node("gmd:distributionInfo", _distribution(package)),
        node("gmd:dataQualityInfo", _quality(package)),
        *_raster_quality(package),
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


def _contact(tag: str, package: Package, role: str) -> ET.Element:
    """Return the responsible party: an organisation with its address, or the surveyor."""
    given = package.submission
    if not given.organisation and not given.email:
        return _party(tag, package.surveyor, "author")
    address = (
        node(
            "gmd:contactInfo",
            node(
                "gmd:CI_Contact",
                node(
                    "gmd:address",
                    node("gmd:CI_Address", node("gmd:electronicMailAddress", _text(given.email))),
                ),
            ),
        )
        if given.email
        else None
    )
    parts = (
        node("gmd:individualName", _text(package.surveyor)) if package.surveyor else None,
        node("gmd:organisationName", _text(given.organisation)) if given.organisation else None,
        address,
        node("gmd:role", _code("CI_RoleCode", role)),
    )
    return node(tag, node("gmd:CI_ResponsibleParty", *(p for p in parts if p is not None)))


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
    given = package.submission
    abstract = package.description or f"Hand-walked site survey: {package.title}"
    names = [layer.title for layer in package.layers] + [r.title for r in package.rasters]
    constraints = [
        node("gmd:useLimitation", _text(str(caution)))
        for caution in (package.report.caution if package.report is not None else ())
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
    return node(
        "gmd:MD_DataIdentification",
        _citation(package, date),
        node("gmd:abstract", _text(abstract)),
        node("gmd:purpose", _text("Site works: quantities, falls, grades, plans.")),
        *(
            [_contact("gmd:pointOfContact", package, "owner")]
            if given.organisation or given.email
            else []
        ),
        *([_party("gmd:pointOfContact", package.client, "user")] if package.client else []),
        *_keywords(given.keywords),
        node(
            "gmd:resourceConstraints",
            node("gmd:MD_LegalConstraints", *constraints, *licence),
        ),
        *_access(given),
        *(
            node("gmd:spatialRepresentationType", _code("MD_SpatialRepresentationTypeCode", kind))
            for kind in kinds
        ),
        *_resolution(package),
        node("gmd:language", _code("LanguageCode", "eng")),
        node("gmd:characterSet", _code("MD_CharacterSetCode", "utf8")),
        node("gmd:topicCategory", node("gmd:MD_TopicCategoryCode", "elevation")),
        node("gmd:topicCategory", node("gmd:MD_TopicCategoryCode", "structure")),
        *([node("gmd:extent", _box(wgs84, places))] if np.isfinite(places).all() else []),
        node("gmd:supplementalInformation", _text(f"Holds: {', '.join(names)}.")),
    )


def _citation(package: Package, date: ET.Element) -> ET.Element:
    given = package.submission
    return node(
        "gmd:citation",
        node(
            "gmd:CI_Citation",
            node("gmd:title", _text(package.title)),
            *_dates(date, given.issued),
            *(
                [
                    node(
                        "gmd:identifier",
                        node("gmd:MD_Identifier", node("gmd:code", _text(given.identifier))),
                    )
                ]
                if given.identifier
                else []
            ),
        ),
    )


def _resolution(package: Package) -> list[ET.Element]:
    return [
        node(
            "gmd:spatialResolution",
            node(
                "gmd:MD_Resolution",
                node("gmd:distance", node("gco:Distance", f"{size:g}", uom=_METRE)),
            ),
        )
        for size in sorted({r.grid.cell_size * package.frame.unit_m for r in package.rasters})
    ]


def _dates(creation: ET.Element, issued: str | None) -> list[ET.Element]:
    """Return the day of the survey, and the day the data was issued where it is given."""
    found = [(creation, "creation")]
    if issued:
        found.append((node("gmd:date", node("gco:Date", issued)), "publication"))
    return [
        node(
            "gmd:date",
            node("gmd:CI_Date", date, node("gmd:dateType", _code("CI_DateTypeCode", kind))),
        )
        for date, kind in found
    ]


def _keywords(words: tuple[str, ...]) -> list[ET.Element]:
    if not words:
        return []
    keywords = (node("gmd:keyword", _text(word)) for word in words)
    return [node("gmd:descriptiveKeywords", node("gmd:MD_Keywords", *keywords))]


def _access(given: Submission) -> list[ET.Element]:
    """Return conditions for use, and limitations on public access, where they are given."""
    found = []
    if given.conditions:
        found.append(
            node(
                "gmd:MD_LegalConstraints",
                node("gmd:useConstraints", _code("MD_RestrictionCode", "otherRestrictions")),
                node("gmd:otherConstraints", _text(given.conditions)),
            )
        )
    if given.public_access:
        none = given.public_access.casefold() == "none"
        text = "No limitations on public access" if none else given.public_access
        found.append(
            node(
                "gmd:MD_LegalConstraints",
                node("gmd:accessConstraints", _code("MD_RestrictionCode", "otherRestrictions")),
                node("gmd:otherConstraints", _text(text)),
            )
        )
    return [node("gmd:resourceConstraints", constraint) for constraint in found]


def _distribution(package: Package) -> ET.Element:
    """Return the formats that the data leaves in, and where it can be had if that is given."""
    formats = [("GeoPackage (OGC 12-128)", "1.2")] * bool(package.layers)
    formats += [("Cloud Optimized GeoTIFF (OGC 21-026)", "1.0")] * bool(package.rasters)
    formats += [("CSV (RFC 4180)", "2005")] * bool(package.tables)
    link = package.submission.link
    online = node(
        "gmd:transferOptions",
        node(
            "gmd:MD_DigitalTransferOptions",
            node(
                "gmd:onLine",
                node("gmd:CI_OnlineResource", node("gmd:linkage", node("gmd:URL", link))),
            ),
        ),
    )
    return node(
        "gmd:MD_Distribution",
        *(
            node(
                "gmd:distributionFormat",
                node(
                    "gmd:MD_Format",
                    node("gmd:name", _text(name)),
                    node("gmd:version", _text(version)),
                ),
            )
            for name, version in formats
        ),
        *([online] if link else []),
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
    reports.append(node("gmd:report", _conformity()))
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


def _conformity() -> ET.Element:
    """Return the degree of conformity with the rules on interoperability: not evaluated."""
    return node(
        "gmd:DQ_DomainConsistency",
        node(
            "gmd:result",
            node(
                "gmd:DQ_ConformanceResult",
                node(
                    "gmd:specification",
                    node(
                        "gmd:CI_Citation",
                        node("gmd:title", _text("Commission Regulation (EU) No 1089/2010")),
                        *_dates(node("gmd:date", node("gco:Date", "2010-12-08")), None),
                    ),
                ),
                node("gmd:explanation", _text("Conformity was not evaluated.")),
                node("gmd:pass", gco__nilReason="unknown"),
            ),
        ),
    )


def _raster_quality(package: Package) -> list[ET.Element]:
    """Return the accuracy of the elevation raster over its cells, a scope of its own."""
    sigma = next((r for r in package.rasters if r.name == "elevation_sigma"), None)
    known = np.zeros(0) if sigma is None else sigma.values[np.isfinite(sigma.values)]
    if sigma is None or not known.size:
        return []
    unit_m = package.frame.height_unit_m
    report = _accuracy(
        "Standard deviation of a cell of elevation.tif",
        known.astype(np.float64) * unit_m,
        "cells; each cell has its own in elevation_sigma.tif",
    )
    scope = node(
        "gmd:DQ_Scope",
        node("gmd:level", _code("MD_ScopeCode", "tile")),
        node(
            "gmd:levelDescription",
            node("gmd:MD_ScopeDescription", node("gmd:other", _text("elevation.tif"))),
        ),
    )
    quality = node("gmd:DQ_DataQuality", node("gmd:scope", scope), node("gmd:report", report))
    return [node("gmd:dataQualityInfo", quality)]


def _sigmas(package: Package, field: str) -> Floats:
    for layer in package.layers:
        if layer.name == "points":
            found = [record.get(field) for record in layer.records]
            return np.array([v for v in found if v is not None], dtype=np.float64)
    return np.zeros(0)


def _accuracy(name: str, sigmas: Floats, over: str = "observations") -> ET.Element:
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
                f"Root mean square over all {over}, by propagation from the adjustment; "
                f"largest {sigmas.max():.4f} m."
            ),
        ),
        node("gmd:result", result),
    )
