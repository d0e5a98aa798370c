"""Whether a design belongs on the site: just near enough and just too far, CRS, elevations."""

from __future__ import annotations

import numpy as np
import pytest

from geosite.analysis.setting_out.fits_site import fitting, refuse_elsewhere, refuse_other_crs
from geosite.base.errors import InputError
from geosite.base.map_frame import Frame
from geosite.network.independent_marks import independent_marks
from geosite.network.model import Network
from geosite.reading.designs import Design, DesignShape
from geosite.terrain.surface.roughness import EVEN
from geosite.terrain.surface.tin import triangulate
from geosite.terrain.uncertainty.ground import Ground

FEET = Frame(unit_m=0.5, height_unit_m=0.25, origin=(5000.0, 100.0))
WIDE = [(0.0, 0.0, 1.0), (300.0, 0.0, 4.0), (0.0, 400.0, 5.0)]
"""500 m from corner to corner: a design may reach as far beyond it."""
SMALL = [(0.0, 0.0, 1.0), (30.0, 0.0, 1.3), (0.0, 40.0, 1.4)]


def design(*places: tuple[float, float, float]) -> Design:
    """Return points given in local metres, on the map."""
    shapes = [
        DesignShape(f"P{k}", "", "point", np.array([[*FEET.to_map((e, n)), up]]), k + 2)
        for k, (e, n, up) in enumerate(places)
    ]
    return Design("plan.csv", tuple(shapes), None)


def network(places: list[tuple[float, float, float]]) -> Network:
    return independent_marks(places, frame=FEET)


@pytest.mark.parametrize(
    ("site", "reach"), [(WIDE, 500.0), (SMALL, 200.0)], ids=["as wide as it is", "200 m at least"]
)
def test_a_point_may_lie_so_far_beyond_what_was_walked(
    site: list[tuple[float, float, float]], reach: float
) -> None:
    east, north = max(p[0] for p in site), max(p[1] for p in site)
    walked = network(site)
    # 3-4-5 beyond the north-east corner, and straight out on each side
    near = [(east + 0.6 * reach, north + 0.8 * reach, 1.0), (5.0, -reach, 1.0), (-reach, 5.0, 1.0)]
    assert len(fitting(design(*near), walked, None)) == 3
    far = [(east + 0.6 * reach + 1, north + 0.8 * reach, 1.0), (5.0, -reach - 1, 1.0)]
    with pytest.raises(InputError) as error:
        fitting(design(*far), walked, None)
    assert [p.code for p in error.value.problems] == ["design-outside"] * 2
    assert f"at most {reach:.0f} m beyond" in error.value.problems[0].expected


def test_exchanged_columns_are_named() -> None:
    place = np.array([[*FEET.to_map((10.0, 10.0))[::-1], 1.0]])
    there = Design("plan.csv", (DesignShape("P", "", "point", place, 2),), None)
    with pytest.raises(InputError) as error:
        fitting(there, network(SMALL), None)
    assert "easting and northing are exchanged" in error.value.problems[0].remedy
    with pytest.raises(InputError) as error:
        fitting(design((9000.0, 9000.0, 1.0)), network(SMALL), None)
    assert "exchanged" not in error.value.problems[0].remedy


def test_a_design_is_elsewhere_only_where_all_of_it_is() -> None:
    near, far = (5.0, 5.0, 1.0), (900.0, 0.0, 1.0)
    refuse_elsewhere(design(near, far), network(SMALL))
    with pytest.raises(InputError):
        refuse_elsewhere(design(far), network(SMALL))


def test_points_without_elevation_are_a_fault_or_lie_on_the_walked_ground() -> None:
    walked = network(SMALL)
    ground = Ground(walked, triangulate(np.array(SMALL)), np.arange(3), EVEN, np.ones(3))
    asked = design((6.0, 10.0, float("nan")), (3.0, 4.0, 7.5))
    with pytest.raises(InputError) as error:
        fitting(asked, walked, ground)
    assert [p.code for p in error.value.problems] == ["design-no-elevation"]
    laid = fitting(asked, walked, ground, heights="ground")
    # a fifth and a quarter of the way to the corners, in units of a quarter metre
    assert [float(t.place[2]) for t in laid] == pytest.approx([(1 + 0.06 + 0.1) * 4, 7.5])
    for beyond, under in ((design((60.0, 60.0, float("nan"))), ground), (asked, None)):
        with pytest.raises(InputError) as error:
            fitting(beyond, walked, under, heights="ground")
        assert [p.code for p in error.value.problems] == ["design-no-ground"]


def test_a_design_in_another_crs_is_refused() -> None:
    from pyproj import CRS

    frame = Frame(crs_wkt=CRS.from_epsg(25832).to_wkt(), crs_name="EPSG:25832")
    refuse_other_crs(Design("plan.gpkg", (), frame.crs_wkt), frame)
    with pytest.raises(InputError) as error:
        refuse_other_crs(Design("plan.gpkg", (), CRS.from_epsg(25833).to_wkt()), frame)
    assert error.value.problems[0].code == "design-crs"
