"""Numbers of layers and tables in the units of their map, from facts given by hand."""

from __future__ import annotations

from dataclasses import replace

import linework_cases
import numpy as np
import pytest
import shapely

from geosite.analysis.parcels import Parcel, ParcelMap, Share
from geosite.analysis.takeoff.quantities import take_off
from geosite.base.estimate import Estimate
from geosite.base.grid import Grid
from geosite.base.map_frame import Frame
from geosite.drawing.document import Table as PaperTable
from geosite.drawing.ink import Stroke
from geosite.drawing.sheet import Shape
from geosite.fieldbook.sitefile import Code
from geosite.handover.comparison.vectors import arrow_sign
from geosite.handover.documents.priced import price_blocks
from geosite.handover.layers import parcels as parcel_layers
from geosite.handover.layers import points, ponding, quantities
from geosite.handover.layers.points import Placed
from geosite.linework.draw import draw
from geosite.terrain.water.ponding import Pond
from geosite.terrain.water.water_estimates import PondEstimate

FEET = Frame(
    unit_m=0.3048, unit_name="foot", height_unit_m=0.3048, height_unit_name="foot",
    origin=(1000.0, 2000.0), combined_factor=0.5,
)  # fmt: skip


def about(value: float, half: float = 0.0) -> Estimate:
    return Estimate(value, value - half, value + half, half / 2)


def test_a_pond_tells_its_level_in_the_unit_of_the_map_and_its_places_in_it() -> None:
    grid = Grid(100.0, 50.0, 2.0, 5, 8)
    pond = Pond(3, 0.0, 0.0, 0.0, 0.0, 4, 1, 2, 4, 6, 9)
    sizes = (about(0.3, 0.1), about(9.0, 2.0), about(1.5, 0.5), about(200.0, 20.0))
    found = PondEstimate(pond, *sizes, about(30.48, 0.3048), 0.98)
    made = ponding.layer((found,), [shapely.box(0, 0, 1, 1)], FEET, grid)
    (record,) = made.records
    assert (record["pond"], record["is_significant"], record["probability"]) == (3, 1, 0.98)
    # the level in feet; depth, area and volume stay metric
    assert record["spill_elevation"] == pytest.approx(100.0)
    assert record["spill_elevation_low"] == pytest.approx(99.0)
    assert (record["depth_m"], record["depth_high_m"]) == pytest.approx((0.3, 0.4))
    assert (record["area_m2"], record["volume_m3"], record["contributing_area_m2"]) == (9, 1.5, 200)
    # the third column of the second row, the seventh of the fifth: the middles of their cells
    assert (record["low_easting"], record["low_northing"]) == (105.0, 47.0)
    assert (record["spill_easting"], record["spill_northing"]) == (113.0, 41.0)
    doubtful = replace(found, probability=0.97)
    (other,) = ponding.layer((doubtful,), [shapely.box(0, 0, 1, 1)], FEET, grid).records
    assert other["is_significant"] == 0


def test_marks_tell_where_they_are_how_well_and_how_far_they_were_moved() -> None:
    rows = linework_cases.rows("yard", "", [("", 3.0, 4.0, 12.0), ("", 30.0, 4.0, 12.5)])
    rows += linework_cases.rows("yard", "", [("", 30.0, 9.0, 12.5, "M")])
    notes, network = linework_cases.survey(rows, sigma=0.02, sigma_up=0.01)
    shift = np.array([[0.3, -0.4], [0.0, 0.0], [0.0, 0.0]])
    network = replace(
        network,
        frame=replace(FEET, combined_factor=1.0),
        raw_en=network.en - shift,
        raw_elevation=network.elevation - [-0.07, 0.0, 0.0],
    )
    table = points.columns(network.frame, "m", {})
    first, second, last = points.layer(Placed(notes.book, network), table).records
    # half a metre in plan, seven centimetres down
    assert (first["correction_m"], first["correction_up_m"]) == pytest.approx((0.5, -0.07))
    assert (second["correction_m"], second["correction_up_m"]) == (0.0, 0.0)
    assert (first["easting"], first["northing"]) == pytest.approx(
        (1000 + 3 / 0.3048, 2000 + 4 / 0.3048)
    )
    assert first["elevation"] == pytest.approx(12 / 0.3048)
    assert (first["local_x"], first["local_y"], first["local_z"]) == (3.0, 4.0, 12.0)
    assert (first["sigma_h_m"], first["sigma_v_m"]) == pytest.approx((0.02, 0.01))
    assert (first["h_95_m"], first["v_95_m"]) == pytest.approx((0.0392, 0.0196), rel=1e-3)
    assert [(r["point"], r["feature"], r["row"]) for r in (first, second, last)] == [
        *((None, "yard", 2), (None, "yard", 3), ("M", "yard", 4)),
    ]


def test_a_take_off_has_what_each_size_is_on_the_ground_and_on_the_grid() -> None:
    ring = [("", 0, 0, 0), ("", 4, 0, 0), ("", 4, 3, 0), ("gap", 0, 3, 0)]
    codes = {"setts": Code(depth=0.1, waste_percent=10.0), "kerb": Code(geometry="line")}
    rows = linework_cases.rows("yard", "setts", ring)
    rows += linework_cases.rows("edge", "kerb", [("", 0, 0, 0), ("", 6, 0, 1)])
    notes, network = linework_cases.survey(rows, codes, combined_factor=0.5, sigma=0.01)
    drawing = draw(notes, network)
    taken = take_off(notes, network, drawing)
    made = quantities.table([*taken.features, *taken.codes])
    yard = next(r for r in made.records if r["feature"] == "yard")
    # 8 m by 6 m on the ground; its north side was not built
    assert yard["net_area_m2"] == pytest.approx(48.0)
    assert (yard["perimeter_m"], yard["edging_m"]) == pytest.approx((28.0, 20.0))
    edge = next(r for r in made.records if r["feature"] == "edge")
    assert edge["length_m"] == pytest.approx(12.0)
    assert edge["length_3d_m"] == pytest.approx(145**0.5)
    grid = {name for name in made.records[0] if "grid" in name}
    assert all("edging" not in name and "3d" not in name for name in grid)
    assert yard[next(name for name in sorted(grid) if "perimeter" in name)] == pytest.approx(14.0)


def test_a_parcel_is_as_large_as_on_the_ground_and_nested_features_cover_it_once() -> None:
    frame = replace(FEET, unit_m=1.0)
    shapes = shapely.box(0, 0, 20, 10), shapely.box(20, 0, 40, 10)
    parcels = tuple(Parcel(name, one) for name, one in zip("AB", shapes, strict=True))
    share = Share("yard", "setts", "A", about(90.0), about(1.0), about(0.1))
    more = replace(share, feature="pad", area=about(30.0))
    inner = replace(share, feature="shed", area=about(12.0), nested=True)
    found = parcel_layers.layer(
        ParcelMap(parcels, 0.3, "shifted", 0.4, ()), [share, more, inner], frame
    )
    first, second = found.records
    # 200 square metres of the map are 800 on the ground
    assert (first["parcel"], first["area_m2"], first["feature_area_m2"]) == ("A", 800.0, 120.0)
    assert (second["feature_area_m2"], second["map_sigma_m"]) == (0.0, 0.3)
    assert (second["transformation"], second["transformation_sigma_m"]) == ("shifted", 0.4)
    assert found.geometries[1].bounds == (1020.0, 2000.0, 1040.0, 2010.0)


@pytest.mark.parametrize(
    ("amounts", "places"), [((1.25, 2.5, 3.0), 2), ((1.255, 2.5), 3), ((1.005, None), 3)]
)
def test_printed_amounts_have_the_decimals_with_which_they_add_up(
    amounts: tuple[float | None, ...], places: int
) -> None:
    records = [{"title": "x", "amount": a, "currency": "EUR"} for a in amounts]
    table = next(b for b in price_blocks(records) if isinstance(b, PaperTable))
    told = {word for row in table.rows for cell in row for word in cell.split()}
    assert {f"{amount:.{places}f}" for amount in amounts if amount is not None} <= told


def test_the_sign_of_an_arrow_is_as_long_as_said() -> None:
    shaft, tip = arrow_sign(Stroke("#000000", 0.3), 1.0, 6.0)(10.0, 5.0)
    assert isinstance(shaft, Shape)
    assert isinstance(tip, Shape)
    line, dart = shaft.outlines[0].pieces[0], tip.outlines[0].pieces[0]
    assert np.asarray(line).tolist() == [[7.0, 5.0], [13.0, 5.0]]
    assert np.asarray(dart)[0].tolist() == [13.0, 5.0]
