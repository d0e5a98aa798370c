"""The plane similarity transformation against published examples."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geosite.base.errors import SurveyRefused
from geosite.network.control.similarity import Similarity, fit_rigid, fit_similarity

# ICGC, "Transformacio bidimensional de semblanca entre ED50 i ETRS89" (March 2010), test points;
# parameters: EPSG coordinate operation 5166, full precision
ED50 = np.array([[300000.0, 4500000], [315000, 4740000], [520000, 4680000], [420000, 4600000]])
ETRS89 = np.array(
    [
        [299905.060, 4499796.515],
        [314906.904, 4739796.774],
        [519906.767, 4679795.125],
        [419906.005, 4599795.760],
    ]
)
ARCSECOND = math.pi / 180 / 3600


def epsg_5166() -> Similarity:
    return Similarity.from_epsg(-129.549, -208.185, 1.0000015504, 1.56504 * ARCSECOND)


def test_epsg_9621_example() -> None:
    # IOGP Publication 373-7-2 (EPSG Guidance Note 7-2), method 9621
    forward = epsg_5166()
    assert forward.apply([300000.0, 4500000.0]) == pytest.approx(
        [299905.060, 4499796.515], abs=6e-4
    )
    back = forward.inverse()
    assert back.apply(forward.apply([300000.0, 4500000.0])) == pytest.approx(
        [300000.0, 4500000.0], rel=1e-13
    )
    assert (back.east, back.north) == pytest.approx((129.5472, 208.1857), abs=6e-4)
    assert back.scale == pytest.approx(0.99999845, abs=5e-9)
    assert back.rotation / ARCSECOND == pytest.approx(-1.56504, abs=1e-9)


def test_icgc_test_points() -> None:
    assert epsg_5166().apply(ED50) == pytest.approx(ETRS89, abs=6e-4)


def test_two_helmert_of_a_technical_report() -> None:
    # SEWRPC Technical Report 34, p. 29, point 203 (quoted in PROJ's tests): US feet to metres
    moved = Similarity.from_epsg(-9597.3572, 0.6112, 0.304794780637, -1.244048 * ARCSECOND)
    assert moved.apply([2546506.957, 542256.609]) == pytest.approx(
        [766563.675, 165282.277], abs=6e-4
    )


def test_an_old_grid_in_clarke_feet() -> None:
    # EPSG Guidance Note 7-2, method 9624, operation 10087: Jamaica 1875 Old Grid to JAD69. Its
    # affine parameters are those of a similarity with the foot in its scale
    a0, a1, a2 = 82357.457, 0.304794369, 0.000015417425
    b0, b1, b2 = 28091.324, -0.000015417425, 0.304794369
    assert (a1, a2) == (b2, -b1)
    moved = Similarity.from_epsg(a0, b0, math.hypot(a1, a2), math.atan2(a2, a1))
    assert moved.apply([553900.0, 482500.0]) == pytest.approx([251190.497, 175146.067], abs=6e-4)
    back = moved.inverse()
    assert back.apply([251190.497, 175146.067]) == pytest.approx([553900.0, 482500.0], abs=3e-3)
    reverse = (back.scale * math.cos(back.rotation), back.scale * math.sin(back.rotation))
    assert reverse == pytest.approx((3.280900499, -0.000165958), abs=6e-10)
    assert (back.east, back.north) == pytest.approx((-270201.960, -92178.507), abs=6e-4)


def test_a_local_grid_of_rectangular_bins() -> None:
    # EPSG Guidance Note 7 (2000), method 9622: bins of 25 by 12.5 m, turned by 20 degrees. It
    # prints bin (300, 247); its answer is that of (299, 246), with which it is held here
    bins = np.array([299 * 25.0, 246 * 12.5])
    placed = Similarity.from_epsg(456781.0, 5836723.0, 0.99984, math.radians(20.0)).apply(bins)
    assert placed == pytest.approx([464855.62, 5837055.90], abs=6e-3)


def test_anchored_by_two_marks() -> None:
    # the first and third of the published points known, the other two predicted
    fitted = fit_similarity(ED50[[0, 2]], ETRS89[[0, 2]])
    assert fitted.apply(ED50[[1, 3]]) == pytest.approx(ETRS89[[1, 3]], abs=6e-4)
    assert fitted.scale == pytest.approx(1.00000155127, abs=1e-10)
    assert fitted.rotation / ARCSECOND == pytest.approx(1.5650063, abs=1e-6)
    swapped = fit_similarity(ED50[[2, 0]], ETRS89[[2, 0]])
    assert (swapped.scale, swapped.rotation) == pytest.approx((fitted.scale, fitted.rotation))


def test_all_four_points_by_least_squares() -> None:
    fitted = fit_similarity(ED50, ETRS89)
    assert fitted.scale == pytest.approx(1.00000155231, abs=1e-10)
    assert fitted.rotation / ARCSECOND == pytest.approx(1.5649962, abs=1e-6)
    residual = np.abs(fitted.apply(ED50) - ETRS89)
    assert residual.max() == pytest.approx(0.00028, abs=1e-5)
    assert math.sqrt((residual**2).sum() / 4) == pytest.approx(0.00022, abs=1e-5)


def test_epsg_operation_1452_pins_the_sign_of_rotation() -> None:
    # D48 / GK to D96 / TM; PROJ has the operation built in and needs no network for it
    from pyproj import Transformer

    proj = Transformer.from_pipeline("urn:ogc:def:coordinateOperation:EPSG::1452")
    ours = Similarity.from_epsg(-378.752, 493.395, 1.0000126775, math.radians(0.000984675))
    for place in ((400000.0, 50000.0), (600000.0, 180000.0)):
        assert ours.apply(place) == pytest.approx(proj.transform(*place), abs=1e-6)
    marks = np.array([[400000.0, 50000.0], [600000.0, 180000.0], [500000.0, 100000.0]])
    fitted = fit_similarity(marks, np.column_stack(proj.transform(*marks.T)))
    assert math.degrees(fitted.rotation) == pytest.approx(0.000984675, abs=1e-11)


@pytest.mark.parametrize("places", [[[1.0, 2.0], [1.0, 2.0]], [[1.0, 2.0]]])
def test_coincident_or_single_marks_are_refused(places: list[list[float]]) -> None:
    apart = [[0.0, 0.0], [5.0, 0.0]][: len(places)]
    for source, target in ((places, apart), (apart, places)):
        with pytest.raises(SurveyRefused, match="coincide"):
            fit_similarity(source, target)


@given(
    st.floats(-math.pi, math.pi), st.floats(0.1, 10.0), st.floats(-5e6, 5e6), st.floats(-5e6, 5e6)
)
def test_forward_then_reverse_is_identity(
    turn: float, scale: float, east: float, north: float
) -> None:
    moved = Similarity.from_epsg(east, north, scale, turn)
    there_and_back = moved.inverse().apply(moved.apply(ED50))
    assert there_and_back == pytest.approx(ED50, rel=1e-9)
    assert fit_similarity(ED50, moved.apply(ED50)).scale == pytest.approx(scale, rel=1e-9)


def test_rigid_fit_keeps_lengths() -> None:
    rigid = fit_rigid([[0.0, 0.0], [10.0, 0.0]], [[100.0, 100.0], [100.0, 110.2]])
    assert rigid.scale == pytest.approx(1.0, abs=1e-15)
    assert rigid.apply([[0.0, 0.0], [10.0, 0.0]]) == pytest.approx(
        np.array([[100.0, 100.1], [100.0, 110.1]])
    )
