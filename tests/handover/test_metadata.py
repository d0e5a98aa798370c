"""The ISO 19139 record: valid against the schema, and it says what a clerk asks."""

from __future__ import annotations

import dataclasses
import importlib.util
import xml.etree.ElementTree as ET
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import package_cases
import pytest
from pyproj import CRS

from geosite.base.wgs84 import to_wgs84
from geosite.fieldbook.read import read_survey
from geosite.fieldbook.sitefile import Submission
from geosite.handover.formats.lineage import lineage
from geosite.handover.formats.metadata import metadata
from geosite.handover.model import Package
from geosite.network.adjust import adjust
from geosite.reading.crs import map_frame

SAMPLES = Path(__file__).parents[2] / "sample_data"
NAMES = {
    "gmd": "http://www.isotc211.org/2005/gmd",
    "gco": "http://www.isotc211.org/2005/gco",
    "xlink": "http://www.w3.org/1999/xlink",
}


@cache
def schema() -> Any:
    """The XML Schema of ISO 19139 (2007-04-17) that the pycsw package carries."""
    etree = pytest.importorskip("lxml.etree")
    found = importlib.util.find_spec("pycsw")
    if found is None or not found.submodule_search_locations:
        pytest.skip("needs the schema in a package: pip install --no-deps pycsw==2.6.2")
    path = Path(
        found.submodule_search_locations[0],
        "plugins/profiles/apiso/schemas/ogc/iso/19139/20070417/gmd/gmd.xsd",
    )
    return etree.XMLSchema(etree.parse(path, etree.XMLParser(no_network=True)))


SUBMISSION = Submission(
    organisation="Invented Works",
    email="works@example.org",
    issued="2026-04-20",
    identifier="urn:example:landing",
    keywords=("yard", "drainage"),
    conditions="CC0-1.0",
    public_access="none",
    link="https://example.org/landing",
)


def full() -> Package:
    return dataclasses.replace(
        package_cases.ferry_landing(),
        description='An apron & a slipway <with "marks">',
        surveyor="A. Example",
        client="Invented Landing",
        licence="CC0-1.0",
        lineage=("Measured: walked.", "Adjusted: least squares.", "Placed: on marks."),
        report=package_cases.report(),
    )


def cases() -> dict[str, Package]:
    whole = full()
    feet = package_cases.frame(
        crs_wkt=CRS("EPSG:2264").to_wkt(),
        crs_name="EPSG:2264",
        vertical_wkt=None,
        vertical_name=None,
        unit_m=1200 / 3937,
        unit_name="US survey foot",
        origin=(1_540_000.0, 540_000.0),
    )
    own = "+proj=tmerc +lat_0=47 +lon_0=9 +ellps=bessel +units=m +type=crs"
    return {
        "full": whole,
        "submitted": dataclasses.replace(whole, submission=SUBMISSION),
        "an address alone": dataclasses.replace(
            whole, submission=Submission(email="works@example.org"), surveyor=""
        ),
        "sample": package_cases.ferry_landing(),
        "nothing in it": dataclasses.replace(whole, layers=(), rasters=(), tables=(), features=()),
        "no date": dataclasses.replace(whole, date=""),
        "odd date": dataclasses.replace(whole, date="last spring"),
        "control characters": dataclasses.replace(whole, title="a\x00b\x1b\ud800", surveyor="\x07"),
        "feet": dataclasses.replace(whole, frame=feet, layers=(), rasters=whole.rasters),
        "own system": dataclasses.replace(
            whole, frame=package_cases.frame(crs_wkt=CRS(own).to_wkt(), crs_name="own system")
        ),
    }


def find(root: ET.Element, path: str) -> ET.Element:
    found = root.find(path, NAMES)
    assert found is not None, path
    return found


def texts(root: ET.Element, path: str) -> list[str]:
    return ["".join(e.itertext()).strip() for e in root.iterfind(path, NAMES)]


@pytest.mark.parametrize("name", list(cases()))
def test_it_is_valid(name: str) -> None:
    from lxml import etree

    text = metadata(cases()[name])
    valid = schema()
    assert valid.validate(etree.fromstring(text.encode())), valid.error_log


def test_the_schema_is_awake() -> None:
    from lxml import etree

    root = etree.fromstring(metadata(full()).encode())
    (abstract,) = root.iterfind(".//gmd:abstract", NAMES)
    abstract.getparent().remove(abstract)
    assert not schema().validate(root)


def test_it_answers_what_a_clerk_asks() -> None:
    root = ET.fromstring(metadata(full()).encode())
    assert texts(root, ".//gmd:citation//gmd:title") == ["Ferry landing (invented)"]
    assert texts(root, ".//gmd:abstract") == ['An apron & a slipway <with "marks">']
    assert texts(root, "gmd:dateStamp") == ["2026-04-12"]
    assert texts(root, "gmd:contact//gmd:individualName") == ["A. Example"]
    assert texts(root, ".//gmd:pointOfContact//gmd:individualName") == ["Invented Landing"]
    assert texts(root, ".//gmd:useLimitation") == list(package_cases.report().caution)
    assert texts(root, ".//gmd:otherConstraints") == ["CC0-1.0"]
    codes = texts(root, "gmd:referenceSystemInfo//gmd:RS_Identifier/gmd:code")
    assert codes == ["25832", "DHHN2016 height"]
    assert texts(root, ".//gmd:LI_ProcessStep/gmd:description") == list(full().lineage)


def test_stated_accuracy_is_that_of_the_points() -> None:
    package = full()
    root = ET.fromstring(metadata(package).encode())
    points = next(layer for layer in package.layers if layer.name == "points")
    for report, field in zip(
        root.iterfind("gmd:dataQualityInfo[1]//gmd:DQ_AbsoluteExternalPositionalAccuracy", NAMES),
        ("sigma_h_m", "sigma_v_m"),
        strict=True,
    ):
        sigmas = np.array([record[field] for record in points.records])
        value = float(texts(report, ".//gmd:value/gco:Record")[0])
        assert value == pytest.approx(np.sqrt(np.mean(sigmas**2)), abs=5e-5)
        assert f"largest {sigmas.max():.4f} m" in texts(report, "gmd:measureDescription")[0]
        unit = find(report, ".//gmd:valueUnit")
        assert unit.get(f"{{{NAMES['xlink']}}}href") == "http://www.opengis.net/def/uom/UCUM/0/m"


def box(package: Package) -> list[float]:
    root = ET.fromstring(metadata(package).encode())
    bounds = find(root, ".//gmd:EX_GeographicBoundingBox")
    order = ("westBoundLongitude", "southBoundLatitude", "eastBoundLongitude", "northBoundLatitude")
    return [float(texts(bounds, f"gmd:{name}")[0]) for name in order]


def test_the_box_holds_every_mark() -> None:
    package = full()
    west, south, east, north = box(package)
    points = next(layer for layer in package.layers if layer.name == "points")
    places = to_wgs84(package.frame).place([(p.x, p.y) for p in points.geometries])
    assert np.all(places >= (west - 1e-7, south - 1e-7))
    assert np.all(places <= (east + 1e-7, north + 1e-7))
    assert east - west < 0.002
    # 9 degrees east, in the zone's middle: UTM zone 32, easting 512 km, is east of it
    assert 9.0 < west < 9.2
    assert 47.6 < south < 47.7


def test_the_box_across_the_antimeridian() -> None:
    """UTM zone 1 south, at the 180th meridian: west is greater than east."""
    wkt = CRS("EPSG:32701").to_wkt()
    frame = package_cases.frame(crs_wkt=wkt, crs_name="EPSG:32701", origin=(182_000.0, 8_000_000.0))
    raster = package_cases.rasters()[0]
    grid = dataclasses.replace(raster.grid, west=182_300.0, north=8_000_000.0, cell_size=20.0)
    wide = dataclasses.replace(raster, grid=grid)
    package = dataclasses.replace(full(), frame=frame, layers=(), rasters=(wide,))
    west, south, east, north = box(package)
    assert west > 179.9
    assert east < -179.9
    assert -18.2 < south < north < -18.0


def test_the_same_survey_has_the_same_identifier_and_another_has_another() -> None:
    def identifier(package: Package) -> str:
        return texts(ET.fromstring(metadata(package).encode()), "gmd:fileIdentifier")[0]

    assert metadata(full()) == metadata(full())
    assert identifier(full()) != identifier(dataclasses.replace(full(), title="Other"))
    assert identifier(full()) != identifier(dataclasses.replace(full(), date="2026-04-13"))


def test_lineage_says_measured_adjusted_placed() -> None:
    notes = read_survey(SAMPLES / "ferry_landing" / "site.toml")
    network = adjust(notes)
    measured, adjusted, placed = lineage(notes, network)
    assert f"{len(notes.book)} observations in 3 uninterrupted runs (R1, R2, R3)" in measured
    worst = min(closure.ratio for closure in network.closures)
    assert f"{len(network.closures)} loops closed, the worst by 1:{worst:.0f}" in adjusted
    assert "limit 1:300" in adjusted
    # three runs, each back to both marks of the baseline: the second loop shares all legs but two
    assert "3 independent" in adjusted
    noise = network.report.noise
    assert noise is not None
    assert noise.horizontal.estimate is not None
    assert f"estimated {noise.horizontal.estimate:.2f} from 22 degrees" in adjusted
    assert f"applied {network.variance_factor:.2f} horizontal" in adjusted
    assert "B1 (standard deviation 0.015 m per axis)" in placed
    assert "Elevations in EPSG:7837" in placed


def test_lineage_of_one_mark_and_an_azimuth() -> None:
    notes = read_survey(SAMPLES / "jetty_feet" / "site.toml")
    _, _, placed = lineage(notes, adjust(notes))
    assert "by mark P1 (standard deviation 0.02 m per axis) and a grid azimuth of 53.1301" in placed


def test_other_readers_understand_it() -> None:
    """OWSLib, where it is installed."""
    iso = pytest.importorskip("owslib.iso")
    record = iso.MD_Metadata(ET.fromstring(metadata(full()).encode()))
    assert record.identification[0].title == "Ferry landing (invented)"


def test_wgs84_states_operation_and_accuracy() -> None:
    known = to_wgs84(package_cases.frame())
    assert known.accuracy_m == 1.0
    assert "ETRS89 to WGS 84" in known.operation
    own = "+proj=tmerc +lat_0=47 +lon_0=9 +ellps=bessel +units=m +type=crs"
    unknown = to_wgs84(package_cases.frame(crs_wkt=CRS(own).to_wkt(), origin=(0.0, 0.0)))
    assert unknown.accuracy_m is None
    assert unknown.place([(0.0, 0.0)])[0] == pytest.approx([9.0, 47.0], abs=0.01)


def told(package: Package, path: str) -> list[str]:
    root = ET.fromstring(metadata(package).encode())
    return ["".join(found.itertext()).strip() for found in root.iterfind(path, NAMES)]


def test_the_day_of_issue_and_the_day_of_the_survey_both_stand() -> None:
    package = dataclasses.replace(full(), submission=SUBMISSION)
    dates = ".//gmd:identificationInfo//gmd:citation//gmd:CI_Date/gmd:date"
    assert told(package, "gmd:dateStamp") == ["2026-04-20"]
    assert told(package, dates) == [package.date, "2026-04-20"]
    assert told(full(), "gmd:dateStamp") == [package.date]


def test_the_responsible_party_is_the_contact() -> None:
    package = dataclasses.replace(full(), submission=SUBMISSION)
    (contact,) = told(package, "gmd:contact//gmd:organisationName")
    assert contact == "Invented Works"
    assert told(package, "gmd:contact//gmd:electronicMailAddress") == ["works@example.org"]
    assert told(full(), "gmd:contact//gmd:individualName") == ["A. Example"]


def test_the_elevation_raster_has_an_accuracy_of_its_own() -> None:
    package = full()
    sigma = next((r for r in package.rasters if r.name == "elevation_sigma"), None)
    assert sigma is not None
    cells = sigma.values[np.isfinite(sigma.values)].astype(float)
    (scope,) = told(package, "gmd:dataQualityInfo[2]//gmd:levelDescription")
    (value,) = told(package, "gmd:dataQualityInfo[2]//gmd:value")
    assert scope == "elevation.tif"
    assert float(value) == pytest.approx(np.sqrt(np.mean(cells**2)), abs=5e-5)


def test_conformity_that_nobody_evaluated_is_said_so() -> None:
    assert told(full(), ".//gmd:DQ_ConformanceResult/gmd:explanation") == [
        "Conformity was not evaluated."
    ]


def test_longitudes_in_grads_from_another_meridian() -> None:
    """Taken for degrees from Greenwich they led where no operation to WGS 84 is known."""
    frame = map_frame("EPSG:27572", (600_000.0, 2_400_000.0, 600_100.0, 2_400_100.0))
    there = to_wgs84(frame)
    assert there.accuracy_m == 2.0
    assert "NTF to WGS 84" in there.operation
    # shift of NTF, -168, -60, 320 m, at the place: 53 m west, 8 m south
    assert there.place([[600_000.0, 2_400_000.0]])[0] == pytest.approx(
        [2.336509, 48.598672], abs=1e-6
    )
