"""The coordinate operation that is best at the site, and what is said when there is none."""

import pytest
from pyproj import CRS
from pyproj.transformer import TransformerGroup

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
