"""The coordinate operation that is best at the site, and what is said when there is none."""

import pytest
from pyproj import CRS, Geod
from pyproj.transformer import AreaOfInterest, TransformerGroup

from geosite.base.errors import InputError, Problem
from geosite.base.proj import quiet_proj
from geosite.reading.operations import best_operation, operation_codes


def refuse(code: str, what: str, expected: str, remedy: str) -> InputError:
    return InputError(Problem(code, what, expected, remedy))


def operation(source: str, target: str, place: tuple[float, float], **given: object):
    return best_operation(CRS(source), CRS(target), place, refuse, **given)


def test_same_crs_moves_nothing() -> None:
    same = operation("EPSG:25832", "EPSG:25832", (9.2, 47.7))
    assert (same.name, same.accuracy_m) == ("", 0.0)
    assert same.move(1.0, 2.0) == (1.0, 2.0)


def test_the_operation_for_the_place_is_taken_not_that_for_a_wider_area() -> None:
    # DHDN: 3 m for the whole country, 1 m for each of its parts
    with quiet_proj():
        wide = TransformerGroup("EPSG:31467", "EPSG:25832", always_xy=True, allow_ballpark=False)
    assert wide.transformers[0].accuracy == 3.0
    places = {"south": (9.2, 47.7), "middle": (9.2, 51.3), "north": (9.2, 54.0)}
    found = {k: operation("EPSG:31467", "EPSG:25832", p) for k, p in places.items()}
    assert {o.accuracy_m for o in found.values()} == {1.0}
    assert len({o.codes for o in found.values()}) == 3
    # metres between them at one and the same place
    east = [float(o.move(3_515_000.0, 5_284_000.0)[0]) for o in found.values()]
    assert max(east) - min(east) > 0.5


def test_an_operation_may_be_chosen_by_its_code() -> None:
    with quiet_proj():
        wide = TransformerGroup("EPSG:31467", "EPSG:25832", always_xy=True, allow_ballpark=False)
    codes = operation_codes(wide.transformers[0])
    best = operation("EPSG:31467", "EPSG:25832", (9.2, 47.7))
    assert codes != best.codes
    chosen = operation("EPSG:31467", "EPSG:25832", (9.2, 47.7), code=codes[0])
    assert chosen.accuracy_m == 3.0
    assert chosen.codes == codes


def test_a_code_that_does_not_lead_there_is_refused_with_those_that_do() -> None:
    best = operation("EPSG:31467", "EPSG:25832", (9.2, 47.7))
    with pytest.raises(InputError) as caught:
        operation("EPSG:31467", "EPSG:25832", (9.2, 47.7), code="EPSG:1149")
    (problem,) = caught.value.problems
    assert problem.code == "parcels-operation"
    assert all(code in problem.expected for code in best.codes)


def test_a_missing_grid_is_named_and_a_stated_accuracy_lets_through() -> None:
    # NAD83(2011) on a NAD83 map: the commonest pair in its country
    pair = ("EPSG:6543", "EPSG:2264", (-79.0, 35.5))
    with pytest.raises(InputError) as caught:
        operation(*pair)
    (problem,) = caught.value.problems
    assert "us_noaa_nadcon5_nad83_2007_nad83_2011_conus.tif" in problem.what
    assert "proj-data" in problem.remedy
    assert "accuracy_m" in problem.remedy
    told = operation(*pair, accuracy_m=1.0)
    assert (told.accuracy_m, told.stated) == (1.0, True)
    assert told.move(2_000_000.0, 600_000.0) == pytest.approx((2_000_000.0, 600_000.0), abs=0.01)


# parcels' CRS, the survey's, where, the steps taken, how good they are; by EPSG's register
PAIRS = [
    ("EPSG:31467", "EPSG:25832", (9.2, 47.7), ("EPSG:1778",), 1.0),  # DHDN, south
    ("EPSG:31466", "EPSG:25832", (7.0, 51.4), ("EPSG:1779",), 1.0),  # DHDN, middle
    ("EPSG:31468", "EPSG:25832", (11.3, 50.9), ("EPSG:1779",), 1.0),
    ("EPSG:31469", "EPSG:25833", (13.7, 51.05), ("EPSG:1776",), 3.0),  # no part of its own
    ("EPSG:28992", "EPSG:25831", (5.4, 52.15), ("EPSG:9281",), 0.25),  # RD New
    ("EPSG:21781", "EPSG:25832", (8.5, 47.4), ("EPSG:1646",), 1.5),  # LV03
    ("EPSG:2056", "EPSG:25832", (8.5, 47.4), ("EPSG:1647",), 0.1),  # LV95
    ("EPSG:31256", "EPSG:25833", (16.3, 48.2), ("EPSG:1619",), 1.5),  # MGI
    ("EPSG:31370", "EPSG:25831", (4.4, 50.8), ("EPSG:15928",), 0.2),  # BD72
    ("EPSG:4326", "EPSG:25832", (9.2, 47.7), ("EPSG:1149",), 1.0),
]


@pytest.mark.parametrize(("source", "target", "place", "codes", "accuracy_m"), PAIRS)
def test_the_best_that_is_installed_is_taken(
    source: str, target: str, place: tuple[float, float], codes: tuple[str, ...], accuracy_m: float
) -> None:
    found = operation(source, target, place)
    assert (found.codes, found.accuracy_m) == (codes, accuracy_m)
    west, south = place[0] - 0.005, place[1] - 0.005
    near = AreaOfInterest(west, south, west + 0.01, south + 0.01)
    with quiet_proj():
        group = TransformerGroup(
            source, target, always_xy=True, allow_ballpark=False, area_of_interest=near
        )
    assert found.accuracy_m == min(t.accuracy for t in group.transformers if t.accuracy >= 0)
    assert operation(source, target, place, code=codes[0]).codes == codes


MISSING = [
    ("EPSG:32019", "EPSG:2264", (-78.6, 35.8), "us_noaa_nadcon5_nad27_nad83_1986_conus.tif"),
    ("EPSG:27700", "EPSG:25830", (-1.5, 52.4), "uk_os_OSTN15_NTv2_OSGBtoETRS.tif"),
    ("EPSG:21781", "EPSG:2056", (8.5, 47.4), "ch_swisstopo_CHENyx06a.tif"),
    ("EPSG:26910", "EPSG:6339", (-122.3, 47.6), "us_noaa_nadcon5_nad83_2007_nad83_2011_conus"),
    ("EPSG:27572", "EPSG:2154", (2.4, 48.8), "fr_ign_gr3df97a.tif"),
]


@pytest.mark.parametrize(("source", "target", "place", "grid"), MISSING)
def test_where_only_grids_lead_there_they_are_named(
    source: str, target: str, place: tuple[float, float], grid: str
) -> None:
    with pytest.raises(InputError, match=grid) as caught:
        operation(source, target, place)
    assert "proj-data" in str(caught.value)


@pytest.mark.parametrize(
    ("source", "target", "place", "apart_m", "good_m"),
    [
        # from memory of national guides: OSGB36 some 120 m from ETRS89, NAD27 30 m from NAD83 here
        ("EPSG:4277", "EPSG:4258", (-1.5, 52.4), (90.0, 150.0), 2.0),
        ("EPSG:4267", "EPSG:4269", (-78.6, 35.8), (20.0, 50.0), 5.0),
        # one ellipsoid: taken as one
        ("EPSG:4269", "EPSG:6318", (-122.3, 47.6), (0.0, 0.01), 1.0),
    ],
)
def test_a_stated_accuracy_never_takes_two_ellipsoids_for_one(
    source: str,
    target: str,
    place: tuple[float, float],
    apart_m: tuple[float, float],
    good_m: float,
) -> None:
    found = operation(source, target, place, accuracy_m=1.0)
    east, north = (float(v) for v in found.move(*place))
    _, _, apart = Geod(ellps="GRS80").inv(*place, east, north)
    assert apart_m[0] <= apart <= apart_m[1]
    assert found.accuracy_m >= good_m
    assert found.stated


def test_a_better_operation_whose_grid_is_missing_is_known() -> None:
    # register of operations: DHDN to ETRS89 (9), 0.1 m, and (8), 0.9 m, need grids; (4) is 1 m
    taken = operation("EPSG:31467", "EPSG:25832", (9.2, 47.7))
    with quiet_proj():
        near = TransformerGroup(
            "EPSG:31467", "EPSG:25832", always_xy=True, allow_ballpark=False,
            area_of_interest=AreaOfInterest(9.2, 47.7, 9.2, 47.7),
        )  # fmt: skip
    if near.best_available:
        pytest.skip("the grids are installed here")
    assert taken.better is not None
    assert taken.better.accuracy_m == 0.1 < taken.accuracy_m
    assert taken.better.grids == ("de_lgl_bw_BWTA2017.tif",)
    # somewhere else it does not hold, the next best does
    north = operation("EPSG:31467", "EPSG:25832", (9.2, 54.0)).better
    assert north is not None
    assert north.accuracy_m == 0.9
    # who chose one was not told to take another
    chosen = operation("EPSG:31467", "EPSG:25832", (9.2, 47.7), code=taken.codes[0])
    assert chosen.better is None


def test_the_best_operation_has_no_better_one() -> None:
    assert operation("EPSG:4326", "EPSG:25832", (9.2, 47.7)).better is None
