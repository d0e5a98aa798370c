"""The anchor of the site file: what it becomes, and what it is refused for."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any

import msgspec
import numpy as np
import pytest
from network_cases import notes

from geosite.base.errors import Finding, InputError, Problem
from geosite.base.map_frame import combined_factor, map_factors
from geosite.fieldbook.model import Notes
from geosite.fieldbook.sitefile import AnchorMark
from geosite.network.control import anchor, wording
from geosite.network.control.anchor import AnchorReader, read_anchor
from geosite.network.control.declination import decimal_year, magnetic_declination
from geosite.network.control.facts import OutsideUse
from geosite.network.control.model import Control

PLAIN = "+proj=tmerc +lat_0=0 +lon_0=11 +k=1 +x_0=0 +y_0=0 +ellps=GRS80 +units=m +type=crs"
PLACE = {"easting": 500.0, "northing": 700.0}


def survey(marks: dict[str, dict[str, Any]] | None = None, **more: Any) -> Notes:
    rows = [("R", name, 0.0, 0.0, 0.0) for name in "ABCD"]
    return notes(rows, {"A": PLACE} if marks is None else marks, **({"crs": PLAIN} | more))


def reader(marks: dict[str, dict[str, Any]] | None = None, **more: Any) -> AnchorReader:
    found = AnchorReader(survey(marks, **more))
    found.wkt = "map"
    found.horizontal = SimpleNamespace(name="the map", area_of_use=None)
    found.vertical = SimpleNamespace(name="the heights")
    found.height_unit_m = 0.5
    return found


def said(of: AnchorReader) -> list[tuple[str, str]]:
    return [(p.code, p.what) for p in problems(of)] + [(f.code, f.text) for f in findings(of)]


def problems(of: AnchorReader) -> list[Problem]:
    return [wording.problem(of.notes, fault) for fault in of.faults]


def findings(of: AnchorReader) -> list[Finding]:
    return [wording.finding(of.notes, remark) for remark in of.remarks]


# ---- the whole anchor ---------------------------------------------------------------------------


def test_anchor_of_a_map_in_feet() -> None:
    marks = {
        "A": {"easting": 1000.4, "northing": 2000.6, "elevation": 100.0, "sigma": 0.25},
        "B": {"easting": 1300.4, "northing": 2400.6, "elevation": 40.0, "sigma_elevation": 0.5},
        "C": {"easting": 9999.0, "northing": 9999.0, "elevation": 9999.0, "check": True},
        "D": {"elevation": 70.0},
        "unseen": {"easting": 5.0, "northing": 5.0},
    }
    crs = PLAIN.replace("+units=m", "+units=us-ft")
    found = read_anchor(survey(marks, crs=crs, geoid_height=300.0))
    foot = 1200 / 3937
    frame = found.frame
    assert (frame.origin, frame.unit_m, frame.height_unit_m) == ((1150.0, 2201.0), foot, foot)
    assert (frame.unit_name, frame.height_unit_name) == ("US survey foot", "US survey foot")
    assert (frame.vertical_wkt, frame.vertical_name) == (None, None)
    # factors at the middle of A and B, and of the elevations 100, 40 and 70 feet on the geoid
    along, across, turn, radius = (float(v[0]) for v in map_factors(frame.crs_wkt, 1150.4, 2200.6))
    height = 70.0 * foot + 300.0
    assert frame.grid_scale_factor == pytest.approx(math.sqrt(along * across), rel=1e-14)
    assert frame.elevation_factor == pytest.approx(radius / (radius + height), rel=1e-14)
    expected = combined_factor(frame.crs_wkt, 1150.4, 2200.6, height)[0]
    assert frame.combined_factor == pytest.approx(expected, rel=1e-14)
    assert frame.convergence == pytest.approx(turn, rel=1e-9)
    a, b, c, d = found.controls
    assert a.position == pytest.approx(((1000.4 - 1150) * foot, (2000.6 - 2201) * foot))
    assert (a.name, a.sigma, a.sigma_elevation, a.check) == ("A", 0.25, 0.25, False)
    assert a.elevation == pytest.approx(100.0 * foot)
    assert (b.sigma, b.sigma_elevation) == (0.0, 0.5)
    assert (c.check, c.sigma, c.sigma_elevation) == (True, 0.0, 0.0)
    assert d == Control("D", None, 70.0 * foot, 0.0, 0.0, False)
    assert found.azimuth is None
    assert found.remarks == ()


def test_anchor_without_any_elevation_counts_from_sea_level() -> None:
    found = read_anchor(survey({"A": PLACE, "B": {"easting": 600.0, "northing": 700.0}}))
    assert found.frame.elevation_factor == 1.0
    assert found.frame.origin == (550.0, 700.0)
    mark = {"C": PLACE | {"elevation": 500.0, "check": True}}
    found = read_anchor(survey({"A": PLACE, "B": {"easting": 600.0, "northing": 700.0}} | mark))
    assert found.frame.elevation_factor == 1.0


def test_heights_have_the_unit_of_the_vertical_crs() -> None:
    found = read_anchor(
        survey(
            {"A": {"easting": 5e5, "northing": 4.5e6, "elevation": 100.0}},
            crs="EPSG:26917",
            vertical_crs="EPSG:6360",
            azimuth={"value": 30.0, "sigma": 0.5},
        )
    )
    frame = found.frame
    assert (frame.unit_m, frame.unit_name) == (1.0, "metre")
    assert (frame.height_unit_m, frame.height_unit_name) == (1200 / 3937, "US survey foot")
    assert (frame.crs_name, frame.vertical_name) == ("EPSG:26917", "EPSG:6360")
    assert frame.vertical_wkt is not None
    assert "NAVD88" in frame.vertical_wkt
    assert found.controls[0].elevation == pytest.approx(100.0 * 1200 / 3937)
    assert found.azimuth == pytest.approx((math.radians(30), math.radians(0.5)))


def test_problems_of_the_anchor_are_told_together() -> None:
    marks = {n: PLACE | {"ellipsoidal_height": 5.0} for n in "AB"}
    with pytest.raises(InputError) as refused:
        read_anchor(survey(marks))
    assert [p.code for p in refused.value.problems] == ["anchor-incomplete"] * 2
    with pytest.raises(InputError) as refused:
        read_anchor(survey({"A": {"easting": 5e9, "northing": 0.0}, "B": PLACE}))
    assert [p.code for p in refused.value.problems] == ["anchor-outside"]
    # a map of an unknown datum: nothing leads there from latitude and longitude
    with pytest.raises(InputError) as refused:
        read_anchor(survey({"A": {"latitude": 0.0, "longitude": 11.0}}))
    assert [p.code for p in refused.value.problems] == ["transformation-missing"]
    azimuth = {"value": 1.0, "reference": "magnetic", "date": "2031-01-01"}
    with pytest.raises(InputError) as refused:
        read_anchor(survey(azimuth=azimuth))
    assert [p.code for p in refused.value.problems] == ["azimuth-date"]


# ---- by latitude and longitude ------------------------------------------------------------------


def transformer(*result: float, accuracy: float = 2.5, name: str = "model") -> Any:
    step = {"type": "Transformation", "name": name}
    return SimpleNamespace(
        transform=lambda *_: result,
        accuracy=accuracy,
        description=name,
        to_json_dict=lambda: step,
    )


def group(*usable: Any, grids: dict[str, bool] | None = None, best: bool = False) -> Any:
    listed = [SimpleNamespace(short_name=n, available=a) for n, a in (grids or {}).items()]
    operations = [SimpleNamespace(grids=listed), SimpleNamespace(grids=[])] if grids else []
    return SimpleNamespace(
        transformers=list(usable), unavailable_operations=operations, best_available=best
    )


def test_grids_that_the_best_transformation_lacks() -> None:
    missing = AnchorReader.missing_grids
    assert missing(group()) == ""
    assert missing(group(grids={"a": False}, best=True)) == ""
    assert missing(group(grids={"a": False, "b": True, "c": False})) == "a, c"


def on_globe(monkeypatch: pytest.MonkeyPatch, found: Any) -> tuple[Any, AnchorReader]:
    of = reader()
    monkeypatch.setattr(of, "group", lambda *asked: found)
    return of.from_globe("A", 11.5, 48.25), of


def test_a_mark_by_latitude_and_longitude(monkeypatch: pytest.MonkeyPatch) -> None:
    place, of = on_globe(monkeypatch, group(transformer(7.0, 8.0), transformer(1.0, 2.0)))
    assert place == (7.0, 8.0)
    assert of.faults == []
    assert findings(of) == [
        Finding(
            "note",
            "anchor-from-globe",
            "Mark A was given by latitude and longitude (WGS 84); the transformation to the map "
            "is good to 2.5 m.",
            "site.toml",
            4,
        )
    ]
    lacking = group(transformer(7.0, 8.0, accuracy=-1.0), grids={"g": False})
    _, of = on_globe(monkeypatch, lacking)
    assert (
        "is of unknown accuracy; a better one needs the grid g, which is not installed."
        in findings(of)[0].text
    )
    _, of = on_globe(monkeypatch, group(transformer(7.0, 8.0, accuracy=0.0)))
    assert "is good to 0 m." in findings(of)[0].text


def test_a_mark_off_the_map_or_without_transformation(monkeypatch: pytest.MonkeyPatch) -> None:
    for bad in ((math.inf, 8.0), (7.0, math.inf)):
        place, of = on_globe(monkeypatch, group(transformer(*bad)))
        assert place is None
        assert said(of) == [
            ("anchor-outside", "mark A at latitude 48.25, longitude 11.5 is outside the map")
        ]
    text = "mark A: no transformation from WGS 84 to the map is installed"
    for grids, more in ((None, ""), ({"g": False}, ", grid g is missing")):
        place, of = on_globe(monkeypatch, group(grids=grids))
        assert place is None
        assert said(of) == [("transformation-missing", text + more)]


def test_which_coordinates_of_a_mark_count(monkeypatch: pytest.MonkeyPatch) -> None:
    of = reader()
    monkeypatch.setattr(of, "from_globe", lambda *asked: asked)
    both = PLACE | {"latitude": 48.0, "longitude": 11.0}

    def position(**fields: float) -> Any:
        return of.position("A", msgspec.convert(fields, AnchorMark))

    assert position(**both) == (500.0, 700.0)
    assert position(latitude=48.0, longitude=11.0) == ("A", 11.0, 48.0)
    assert position(latitude=48.0, longitude=11.0, easting=5.0) == ("A", 11.0, 48.0)
    assert position(latitude=48.0, northing=11.0) is None
    assert position(longitude=48.0) is None


def height(
    monkeypatch: pytest.MonkeyPatch, found: Any, vertical: bool = True, **fields: float
) -> tuple[float | None, AnchorReader]:
    from pyproj import CRS

    of = reader()
    of.horizontal = CRS("EPSG:25832")
    of.vertical = CRS("EPSG:7837") if vertical else None
    monkeypatch.setattr(of, "group", lambda *asked: found)
    globe = {"latitude": 48.0, "longitude": 11.0, "ellipsoidal_height": 550.0}
    mark = msgspec.convert(fields or globe, AnchorMark)
    return of.elevation("A", mark), of


def test_an_elevation_from_the_height_above_the_ellipsoid(monkeypatch: pytest.MonkeyPatch) -> None:
    # the unit of the heights is half a metre here
    assert height(monkeypatch, None, elevation=7.0)[0] == 3.5
    assert height(monkeypatch, None, easting=7.0)[0] is None
    up, of = height(
        monkeypatch, group(transformer(1, 2, 1000.0, name="Ballpark"), transformer(1, 2, 9.0))
    )
    assert up == 4.5
    assert said(of) == [
        (
            "elevation-from-ellipsoid",
            "The elevation of mark A was computed from its height above the ellipsoid by model, "
            "good to 2.5 m.",
        )
    ]
    for accuracy, words in ((-1.0, "of unknown accuracy."), (0.0, "good to 0 m.")):
        _, of = height(monkeypatch, group(transformer(1, 2, 9.0, accuracy=accuracy)))
        assert findings(of)[0].text.endswith("by model, " + words)


def test_an_elevation_that_cannot_be_computed(monkeypatch: pytest.MonkeyPatch) -> None:
    heights = "DHHN2016 height"
    up, of = height(monkeypatch, group(transformer(1, 2, math.inf)))
    assert up is None
    assert said(of) == [("geoid-outside", f"mark A is outside the geoid model of {heights}")]
    text = f"mark A: the height above the ellipsoid cannot be turned into {heights}"
    ballpark = transformer(1, 2, 9.0, name="ballpark")
    for grids, more in ((None, ""), ({"g": False}, ", geoid grid g is not installed")):
        up, of = height(monkeypatch, group(ballpark, grids=grids))
        assert up is None
        assert said(of) == [("geoid-grid-missing", text + more)]
    lonely: dict[str, float] = {"ellipsoidal_height": 5.0, "latitude": 48.0}
    for fields in (lonely, {"ellipsoidal_height": 5.0, "longitude": 11.0}):
        up, of = height(monkeypatch, None, **fields)
        assert up is None
        assert said(of) == [
            (
                "anchor-incomplete",
                "mark A has an ellipsoidal_height without latitude and longitude",
            )
        ]
    up, of = height(monkeypatch, None, vertical=False)
    assert up is None
    assert said(of) == [
        ("anchor-incomplete", "mark A has an ellipsoidal_height without vertical_crs")
    ]


def test_the_transformation_is_that_of_the_place() -> None:
    of = reader()
    found = of.group("EPSG:4326", "EPSG:25832", 11.0, 48.0)
    east, north = found.transformers[0].transform(11.0, 48.0)
    # longitude first; two degrees east of the middle of zone 32
    assert 648_000 < east < 650_000
    assert 5_317_000 < north < 5_319_000


# ---- where the map is good ----------------------------------------------------------------------


def scaled(
    monkeypatch: pytest.MonkeyPatch,
    position: tuple[float, float] | None,
    scales: tuple[float, float] = (1.0, 1.0),
    area: tuple[float, float, float, float] | None = (6.0, 12.0, 40.0, 60.0),
    measured: tuple[float, ...] = (),
    **mark: float,
) -> AnchorReader:
    """Check a mark on a map whose coordinates are degrees."""
    of = reader({"A": mark or PLACE})
    if area is not None:
        west, east, south, north = area
        of.horizontal.area_of_use = SimpleNamespace(west=west, east=east, south=south, north=north)
    of.horizontal.axis_info = [SimpleNamespace(unit_conversion_factor=1.0, unit_name="metre")]
    monkeypatch.setattr(anchor, "longitude_latitude", lambda _, e, n: (e, n))
    factors = [np.array([v]) for v in (*scales, 0.0, 0.0)]
    monkeypatch.setattr(anchor, "map_factors", lambda *_: factors)
    monkeypatch.setattr(anchor, "scale_by_geodesics", lambda *_: np.array(measured or scales[:1]))
    of.check_scale({"A": position})
    return of


@pytest.mark.parametrize(
    ("area", "inside", "outside"),
    [
        # three degrees beyond the area are still taken
        (
            (6.0, 12.0, 40.0, 60.0),
            [(3.1, 50.0), (14.9, 50.0), (9.0, 37.1), (9.0, 62.9)],
            [(2.9, 50.0), (15.1, 50.0), (9.0, 36.9), (9.0, 63.1)],
        ),
        # across the date line
        (
            (177.0, -178.0, -20.0, -15.0),
            [(174.1, -17.0), (179.9, -17.0), (-179.9, -17.0), (-175.1, -17.0)],
            [(173.9, -17.0), (-174.9, -17.0), (0.0, -17.0)],
        ),
        ((-20.0, -12.0, -20.0, 60.0), [(-22.9, 0.0), (-9.1, 0.0)], [(-23.1, 0.0), (-8.9, 0.0)]),
        (None, [(99.0, 99.0)], []),
    ],
)
def test_marks_lie_where_the_crs_is_meant(
    monkeypatch: pytest.MonkeyPatch, area: Any, inside: Any, outside: Any
) -> None:
    for position in inside:
        assert scaled(monkeypatch, position, area=area).faults == []
    for position in outside:
        (problem,) = problems(scaled(monkeypatch, position, area=area))
        assert problem.code == "anchor-outside"
        assert problem.what == (
            f"mark A at E {position[0]:.1f}, N {position[1]:.1f} is outside the area of the map"
        )


def test_feet_on_a_map_in_metres_are_told_by_their_place(monkeypatch: pytest.MonkeyPatch) -> None:
    # outside the area of use by more than a degree, in its middle when taken as feet
    area = (6.0, 32.0, 10.0, 60.0)
    (problem,) = problems(scaled(monkeypatch, (33.5, 50.0), area=area))
    assert problem.code == "anchor-other-unit"
    assert "inside it if the coordinates are feet" in problem.what
    # 10.2 east is inside this one, 4.6 would not be
    (problem,) = problems(scaled(monkeypatch, (33.5, 15.0), area=(6.0, 32.0, 4.0, 20.0)))
    assert problem.code == "anchor-other-unit"
    # however far away it lies as it is written
    (problem,) = problems(scaled(monkeypatch, (80.0, 50.0), area=area))
    assert problem.code == "anchor-other-unit"
    # both mistakes at once: neither alone brings it into the area
    (problem,) = problems(scaled(monkeypatch, (160.0, 26.0), area=area))
    assert problem.what.endswith("the coordinates are feet and easting and northing exchanged")
    assert problem.remedy.startswith("exchange the two, and use the crs")
    # without that second story the margin holds, and at the edge of a zone nobody is asked
    assert scaled(monkeypatch, (33.5, 20.0), area=area).faults == []
    assert scaled(monkeypatch, (32.5, 50.0), area=area).faults == []


def test_marks_off_the_map_say_what_to_look_at(monkeypatch: pytest.MonkeyPatch) -> None:
    assert scaled(monkeypatch, None).faults == []
    (problem,) = problems(scaled(monkeypatch, (50.0, 9.0)))
    assert problem.remedy == "easting and northing look swapped"
    (problem,) = problems(scaled(monkeypatch, (90.0, 9.0)))
    assert problem.remedy == "check easting and the other coordinate, and the crs"
    (problem,) = problems(scaled(monkeypatch, (50.0, 9.0), latitude=9.0, longitude=50.0))
    assert problem.remedy == "check latitude and the other coordinate, and the crs"
    for scales in ((math.inf, 1.0), (1.0, math.inf), (1.0, 0.0), (1.0, -1.0)):
        (problem,) = problems(scaled(monkeypatch, (9.0, 50.0), scales))
        assert problem.code == "anchor-outside"
    assert scaled(monkeypatch, (9.0, 50.0), (0.5, 0.5)).faults == []


def test_maps_that_stretch_are_refused_once(monkeypatch: pytest.MonkeyPatch) -> None:
    for ratio in (1 + 4.9e-6, 1 - 4.9e-6):
        assert scaled(monkeypatch, (9.0, 50.0), (0.9 * ratio, 0.9)).faults == []
    of = scaled(monkeypatch, (9.0, 50.0), (0.9 * (1 - 7.0e-6), 0.9))
    assert problems(of) == [
        Problem(
            "crs-not-conformal",
            "the map stretches north and east differently here, by 7 ppm",
            "a conformal CRS (at most 5 ppm)",
            "use the CRS of the region's survey maps, a conformal one",
            "site.toml",
            5,
        )
    ]
    of = reader(dict.fromkeys("ABC", PLACE))
    of.check_scale({"A": None, "B": (9.0, 50.0), "C": (9.0, 50.0)})
    assert [p.code for p in problems(of)] == ["crs-not-conformal"]


def test_maps_drawn_on_a_sphere_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    for good in ((0.9, 0.9), (0.9 * (1 + 99e-6), 0.9 * (1 - 99e-6))):
        assert scaled(monkeypatch, (9.0, 50.0), (0.9, 0.9), measured=good).faults == []
    for bad in ((0.9, 0.9 * (1 - 101e-6)), (0.9 * (1 + 101e-6), 0.9)):
        (problem,) = problems(scaled(monkeypatch, (9.0, 50.0), (0.9, 0.9), measured=bad))
        assert problem.code == "crs-on-sphere"
        assert "lengths here are 101 ppm from what its scale says" in problem.what
        assert problem.line == 5


def test_maps_that_nobody_knows_are_told_at_their_keys() -> None:
    with pytest.raises(InputError) as refused:
        read_anchor(survey(crs="EPSG:99999", vertical_crs="EPSG:25832"))
    # a key without a line of its own has that of its table
    assert [(p.line, p.what) for p in refused.value.problems] == [
        (5, 'crs "EPSG:99999" is unknown'),
        (4, 'vertical_crs "EPSG:25832" is of type Projected CRS'),
    ]


@pytest.mark.parametrize(
    ("latitude", "longitude", "told"),
    [
        (0.5, 0.25, "0.50 N, 0.25 E"),
        (-0.5, -0.25, "0.50 S, 0.25 W"),
        (48.0, -9.0, "48.00 N, 9.00 W"),
    ],
)
def test_a_place_outside_the_area_of_use_has_its_hemisphere(
    latitude: float, longitude: float, told: str
) -> None:
    outside = OutsideUse("crs", "EPSG:1 (a map)", "Somewhere.", latitude, longitude)
    assert f"The site lies at {told}, where" in wording.finding(survey(), outside).text


@pytest.mark.parametrize(("through", "common"), [("AB", 0.3), ("A", 0.0)])
def test_heights_share_the_accuracy_of_their_transformation_or_have_it_each(
    monkeypatch: pytest.MonkeyPatch, through: str, common: float
) -> None:
    def elevation(of: AnchorReader, name: str, mark: AnchorMark) -> float:
        if name in through:
            of.heights[name] = ("by a geoid", 0.3)
        return 10.0

    monkeypatch.setattr(AnchorReader, "elevation", elevation)
    marks = {name: PLACE | {"sigma": 0.02, "sigma_elevation": 0.04} for name in "AB"}
    found = read_anchor(survey(marks))
    assert (found.shift.sigma, found.shift.sigma_up) == (0.0, common)
    own = math.hypot(0.04, 0.3) if common == 0.0 else 0.04
    assert [c.sigma_elevation for c in found.controls] == pytest.approx([own, 0.04])
    assert [c.sigma for c in found.controls] == [0.02, 0.02]


# ---- azimuth ------------------------------------------------------------------------------------


def directed(
    monkeypatch: pytest.MonkeyPatch,
    latitude: float = 48.0,
    marks: dict[str, dict[str, Any]] | None = None,
    declination: tuple[float, float] | None = (3.0, 0.4),
    **azimuth: Any,
) -> tuple[tuple[float, float] | None, AnchorReader, list[Any]]:
    """Reduce an azimuth on a map whose convergence is 2 degrees; also tell where that was asked."""
    asked: list[Any] = []
    listed = marks or {"A": {"easting": 1.0, "northing": 2.0}}
    of = reader(listed, azimuth={"value": 350.0} | azimuth)

    def factors(wkt: str, *place: float) -> list[np.ndarray]:
        asked.append(place)
        return [np.array([v]) for v in (1.0, 1.0, math.radians(2.0), 6.4e6)]

    monkeypatch.setattr(anchor, "map_factors", factors)
    monkeypatch.setattr(anchor, "longitude_latitude", lambda *_: (11.0, latitude))
    monkeypatch.setattr(of, "declination", lambda *_: declination)
    placed = {
        n: (m["easting"], m["northing"]) if "easting" in m else None for n, m in listed.items()
    }
    return of.azimuth(placed, 0.0), of, asked


def test_azimuths_are_reduced_to_the_grid(monkeypatch: pytest.MonkeyPatch) -> None:
    found, of, _ = directed(monkeypatch)
    assert found == pytest.approx((math.radians(350), 0.0))
    assert said(of) == []
    found, of, _ = directed(monkeypatch, latitude=90.0, sigma=0.5)
    assert found == pytest.approx((math.radians(350), math.radians(0.5)))
    found, of, _ = directed(monkeypatch, reference="true", sigma=0.5)
    assert found == pytest.approx((math.radians(348), math.radians(0.5)))
    assert said(of) == [
        (
            "azimuth-reduced",
            "The true azimuth 350° is 348.0000° from grid north (grid convergence +2.0000°).",
        )
    ]
    magnetic = {"reference": "magnetic", "date": "2026-01-01"}
    found, of, _ = directed(monkeypatch, sigma=0.3, **magnetic)
    assert found == pytest.approx((math.radians(351), math.radians(0.5)))
    assert said(of)[0][1] == (
        "The magnetic azimuth 350° is 351.0000° from grid north (declination +3.00° (World "
        "Magnetic Model), grid convergence +2.0000°)."
    )
    found, of, _ = directed(monkeypatch, **magnetic)  # a compass without sigma: half a degree
    assert found == pytest.approx((math.radians(351), math.radians(math.hypot(0.5, 0.4))))
    assert directed(monkeypatch, declination=None, **magnetic)[0] is None
    found, of, _ = directed(monkeypatch, value=-9.0, reference="true")
    assert found == pytest.approx((math.radians(-11), 0.0))
    assert "is 349.0000° from grid north" in said(of)[0][1]


def test_true_north_has_no_direction_at_the_pole(monkeypatch: pytest.MonkeyPatch) -> None:
    for latitude in (90 - 0.9e-5, -90 + 0.9e-5):
        found, of, _ = directed(monkeypatch, latitude=latitude, reference="true")
        assert found is None
        assert [p.code for p in problems(of)] == ["azimuth-pole"]
    assert directed(monkeypatch, latitude=90 - 1.1e-5, reference="true")[0] is not None


def test_convergence_is_that_of_the_baseline(monkeypatch: pytest.MonkeyPatch) -> None:
    marks = {n: {"easting": float(k), "northing": 2.0} for k, n in enumerate("CBA")}
    assert directed(monkeypatch, marks=marks)[2] == [(2.0, 2.0)]
    marks["A"]["check"] = True
    assert directed(monkeypatch, marks=marks)[2] == [(1.0, 2.0)]
    marks["B"] = {"elevation": 7.0}
    assert directed(monkeypatch, marks=marks)[2] == [(0.0, 2.0)]
    of = reader()
    assert of.azimuth({"A": (1.0, 2.0)}, 0.0) is None


def declined(
    monkeypatch: pytest.MonkeyPatch, year: float, horizontal: float
) -> tuple[tuple[float, float] | None, AnchorReader]:
    of = reader(azimuth={"value": 1.0})
    monkeypatch.setattr(anchor, "magnetic_declination", lambda *_: (5.0, horizontal))
    return of.model_declination(1.0, 2.0, 3.0, year, "the day"), of


def test_a_compass_is_believed_within_the_model(monkeypatch: pytest.MonkeyPatch) -> None:
    for year in (2025.0, 2029.99):
        found, of = declined(monkeypatch, year, 10834.0)
        # the model's own error: sqrt(0.26^2 + (5417 / H)^2)
        assert found == pytest.approx((5.0, math.hypot(0.26, 0.5)))
        assert of.faults == []
    for year in (2024.99, 2030.0):
        found, of = declined(monkeypatch, year, 10834.0)
        assert found is None
        assert [(p.code, p.expected) for p in problems(of)] == [
            ("azimuth-date", "a day from 2025 to 2029")
        ]
        assert problems(of)[0].what == "the day is outside the World Magnetic Model 2025"
    assert declined(monkeypatch, 2026.0, 6001.0)[0] is not None
    found, of = declined(monkeypatch, 2026.0, 5999.0)
    assert found is None
    assert said(of) == [
        ("azimuth-magnetic", "a compass is not reliable here: the horizontal field is 5999 nT")
    ]


def test_declination_is_asked_for_the_place_the_day_and_the_ellipsoidal_height(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(anchor, "longitude_latitude", lambda wkt, e, n: (e + 1, n + 1))
    for geoid, expected in ((47.0, 147.0), (None, 100.0)):
        of = reader(azimuth={"value": 1.0, "date": "2026-07-02"}, geoid_height=geoid)
        monkeypatch.setattr(of, "model_declination", lambda *asked: asked)
        found = of.declination((10.0, 47.0), 100.0)
        assert found == (48.0, 11.0, expected, pytest.approx(2026 + 182 / 365), "2026-07-02")


def test_days_asdecimal_years() -> None:
    assert decimal_year("2025-01-01") == 2025.0
    assert decimal_year("2025-12-31") == pytest.approx(2025 + 364 / 365)
    assert decimal_year("2028-12-31") == pytest.approx(2028 + 365 / 366)


def test_height_of_the_compass_is_in_metres() -> None:
    # the field falls off as the cube of the distance from the earth's centre: 3 % in 64 km
    low, high = (magnetic_declination(48.0, 11.0, h, 2026.0)[1] for h in (0.0, 64_000.0))
    assert high / low == pytest.approx((6371 / (6371 + 64)) ** 3, abs=0.004)


@pytest.mark.parametrize(
    ("crs", "vertical", "key"),
    [
        ("EPSG:25832", "EPSG:7837", None),
        ("EPSG:25832", None, None),
        ("EPSG:25831", "EPSG:7837", "EPSG:7837 (DHHN2016 height)"),
        ("EPSG:25833", "EPSG:7837", "EPSG:7837 (DHHN2016 height)"),
        ("EPSG:2583", "EPSG:7837", "EPSG:7837 (DHHN2016 height)"),
    ],
)
def test_a_wrong_digit_of_the_crs_shows_where_the_heights_are_used(
    crs: str, vertical: str | None, key: str | None
) -> None:
    marks = {"A": {"easting": 512310.995, "northing": 5276107.996, "elevation": 402.6}}
    more = {} if vertical is None else {"vertical_crs": vertical}
    case = survey(marks, crs=crs, **more)
    found = [wording.finding(case, remark) for remark in read_anchor(case).remarks]
    told = [f for f in found if f.code == "outside-area-of-use"]
    assert [f.level for f in told if "DHHN2016" in f.text] == ([] if key is None else ["look"])
    assert all(key is not None and key in f.text for f in told if "DHHN2016" in f.text)
    if key is None:
        assert told == []
