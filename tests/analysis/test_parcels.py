"""The survey on the parcel map: shares, clearances, verdicts, other CRSs."""

from dataclasses import replace

import linework_cases
import numpy as np
import pytest
import shapely
from ferry_landing import make_site
from pyproj import CRS, Transformer
from simulated import FACTOR, ferry_landing

from geosite.analysis.parcels import (
    Parcel,
    ParcelMap,
    no_parcel_near,
    overlay_parcels,
    place_parcels,
)
from geosite.analysis.wording import clearance_findings, clearance_words
from geosite.base.errors import InputError
from geosite.fieldbook.sitefile import Parcels
from geosite.linework.draw import draw
from geosite.network.adjust import adjust
from geosite.reading.polygons import PolygonLayer


@pytest.fixture(scope="module")
def surveyed(tmp_path_factory):
    survey = ferry_landing(5, tmp_path_factory.mktemp("walk"))
    network = adjust(survey.notes)
    return network, draw(survey.notes, network)


def polygon(*corners):
    return shapely.Polygon([make_site.to_map(e, n, FACTOR) for e, n in corners])


def layer(*shapes, crs="EPSG:25832"):
    names = tuple(f"P{k}" for k in range(1, len(shapes) + 1))
    return PolygonLayer("map.gpkg", names, shapes, CRS(crs).to_wkt())


def stated(sigma, **table):
    return Parcels(file="map.gpkg", sigma=sigma, **table)


WEST = polygon((-20, -20), (30, -20), (30, 60), (-20, 60))
EAST = polygon((30, -20), (90, -20), (90, 60), (30, 60))


def test_shares_add_up_to_the_whole(surveyed):
    network, drawing = surveyed
    shares, _ = overlay_parcels(
        drawing,
        network,
        place_parcels(layer(WEST, EAST), stated(0.1), network.frame, "site.toml"),
    )
    for feature in drawing.features:
        if feature.kind == "area":
            mine = [s for s in shares if s.feature == feature.name]
            total = sum(s.area.value for s in mine)
            assert total == pytest.approx(feature.area.value, rel=1e-9)
            assert sum(s.of_feature.value for s in mine) == pytest.approx(1.0)
    (house,) = [s for s in shares if s.feature == "ticket_house"]
    # whole within one parcel: the area is as good as the survey, the map takes no part
    drawn = next(f for f in drawing.features if f.name == "ticket_house")
    assert house.area.sigma == pytest.approx(drawn.area.sigma)
    cut = [s for s in shares if s.feature == "apron"]
    # 20 m of parcel line, good to 0.1 m, cut the apron
    assert all(s.area.sigma > 1.5 for s in cut)


@pytest.mark.parametrize(
    ("edge", "sigma", "verdict"),
    [
        (8.0, 0.05, "clear"),
        (8.95, 0.5, "cannot tell"),
        (9.02, 0.5, "cannot tell"),
        (9.8, 0.05, "crosses"),
    ],
)
def test_three_verdicts_about_the_house(surveyed, edge, sigma, verdict):
    # the west wall of the house stands at east = 9
    network, drawing = surveyed
    parcel = polygon((edge, -20), (60, -20), (60, 60), (edge, 60))
    placed = place_parcels(layer(parcel), stated(sigma), network.frame, "site.toml")
    _, clearances = overlay_parcels(drawing, network, placed)
    (house,) = [c for c in clearances if c.feature == "ticket_house"]
    assert house.distance.value == pytest.approx(9.0 - edge, abs=0.12)
    assert house.distance.sigma > sigma
    assert house.verdict == verdict
    words = {"clear": "is clear of", "crosses": "reaches over", "cannot tell": "cannot tell"}
    told = clearance_words(house)
    assert words[verdict] in told
    assert "+/-" in told
    findings = clearance_findings(clearances, network.frame)
    assert (told + "." in [f.text for f in findings]) == (verdict != "clear")
    for finding in findings:  # each leads to the place on its feature
        (mine,) = [c for c in clearances if clearance_words(c) + "." == finding.text]
        assert finding.place == pytest.approx(network.frame.to_map(mine.line[0, :2]).tolist())


def test_a_share_whose_clearance_cannot_be_told_is_not_sure_to_be_all(surveyed):
    """By hand: a strip along the west wall, as wide as the clearance's half-width less its gap."""
    network, drawing = surveyed
    drawn = next(f for f in drawing.features if f.name == "ticket_house")
    for edge, sigma, verdict in ((8.0, 0.05, "clear"), (8.85, 0.2, "cannot tell")):
        parcel = polygon((edge, -20), (60, -20), (60, 60), (edge, 60))
        placed = place_parcels(layer(parcel), stated(sigma), network.frame, "site.toml")
        shares, clearances = overlay_parcels(drawing, network, placed)
        (house,) = [s for s in shares if s.feature == "ticket_house"]
        (near,) = [c for c in clearances if c.feature == "ticket_house"]
        assert near.verdict == verdict
        assert house.of_feature.value == pytest.approx(1.0, abs=1e-9)
        assert house.of_feature.value <= 1.0
        if verdict == "clear":
            assert house.of_feature.half_width == 0
            continue
        box = np.ptp(network.en[drawn.rows], axis=0) / FACTOR
        strip = (near.distance.half_width - near.distance.value) * float(box[1])
        beyond = house.of_feature.half_width * drawn.area.value
        assert beyond == pytest.approx(strip, rel=0.3)  # the walls stand a little askew
        assert house.area.sigma > drawn.area.sigma


@pytest.mark.parametrize("off_m", [0.0, 1e-9, 0.02], ids=["touches", "rounded", "reaches over"])
def test_a_parcel_that_a_feature_only_touches_has_no_share_of_it(surveyed, off_m):
    network, drawing = surveyed
    house = next(f for f in drawing.features if f.name == "ticket_house")
    outline = shapely.Polygon(network.frame.to_map(network.en[house.rows]))
    west, south, east, north = outline.bounds
    beside = shapely.box(east - off_m, south - 9, east + 20, north + 9)
    held = shapely.box(west - 20, south - 9, east, north + 9)
    placed = place_parcels(layer(held, beside), stated(0.1), network.frame, "site.toml")
    shares, _ = overlay_parcels(drawing, network, placed)
    found = [s.parcel for s in shares if s.feature == "ticket_house"]
    assert found == (["P1", "P2"] if off_m > 1e-6 else ["P1"])


def test_where_no_accuracy_is_known_shares_and_distances_have_no_interval(surveyed):
    network, drawing = surveyed
    parcel = polygon((8.85, -20), (60, -20), (60, 60), (8.85, 60))
    placed = place_parcels(layer(parcel), stated(0.2), network.frame, "site.toml")
    unknown = replace(network, accuracy_known=False)
    shares, clearances = overlay_parcels(drawing, unknown, placed)
    (house,) = [s for s in shares if s.feature == "ticket_house"]
    (near,) = [c for c in clearances if c.feature == "ticket_house"]
    assert near.verdict == "cannot tell"
    assert house.of_feature.value == pytest.approx(1.0)
    for told in (house.area, near.distance):
        assert (told.low, told.high) == (-np.inf, np.inf)


def test_sigma_joins_survey_map_and_transformation(surveyed):
    network, drawing = surveyed
    sigmas = {}
    for sigma in (0.0, 0.3):
        placed = place_parcels(layer(WEST), stated(sigma), network.frame, "site.toml")
        placed = replace(placed, transformation_sigma_m=0.4 if sigma else 0.0)
        _, clearances = overlay_parcels(drawing, network, placed)
        sigmas[sigma] = {c.feature: c.distance.sigma for c in clearances}
    for feature, alone in sigmas[0.0].items():
        assert 0.005 < alone < 0.2
        assert sigmas[0.3][feature] == pytest.approx(np.hypot(alone, 0.5), rel=1e-9)


def test_the_same_answers_from_another_crs(surveyed):
    network, drawing = surveyed
    direct = place_parcels(layer(WEST, EAST), stated(0.1), network.frame, "site.toml")
    mover = Transformer.from_crs("EPSG:25832", "EPSG:3034", always_xy=True)
    moved = [
        shapely.transform(
            shapely.segmentize(s, 1.0), lambda p: np.column_stack(mover.transform(p[:, 0], p[:, 1]))
        )
        for s in (WEST, EAST)
    ]
    other = place_parcels(layer(*moved, crs="EPSG:3034"), stated(0.1), network.frame, "site.toml")
    assert other.transformation
    for (a, ca), (b, cb) in zip(
        zip(*overlay_parcels(drawing, network, direct), strict=False),
        zip(*overlay_parcels(drawing, network, other), strict=False),
        strict=True,
    ):
        assert a.area.value == pytest.approx(b.area.value, abs=2e-3)
        assert ca.distance.value == pytest.approx(cb.distance.value, abs=2e-3)


def test_a_missing_grid_is_named(surveyed):
    network, _ = surveyed
    # NAD27 to ETRS89 needs a grid that no wheel of PROJ carries
    far = layer(shapely.box(300_000, 4_500_000, 300_100, 4_500_100), crs="EPSG:26711")
    with pytest.raises(InputError) as caught:
        place_parcels(far, stated(0.1), network.frame, "site.toml")
    (problem,) = caught.value.problems
    assert problem.code in ("parcels-no-transformation", "parcels-out-of-reach")


def test_a_better_operation_is_said_with_its_accuracy_and_grid(surveyed):
    network, _ = surveyed
    east, north = Transformer.from_crs("EPSG:25832", "EPSG:31467", always_xy=True).transform(
        *network.frame.origin
    )
    west = layer(shapely.box(east, north, east + 50, north + 50), crs="EPSG:31467")
    (said,) = place_parcels(west, stated(0.1), network.frame, "site.toml").findings
    assert "good to 1 m." in said.text
    assert "A better one exists, good to 0.1 m" in said.text
    assert "it needs the grid de_lgl_bw_BWTA2017.tif" in said.text


def test_bow_tie_parcels_are_mended_and_said(surveyed):
    network, _ = surveyed
    bow = polygon((0, 0), (10, 10), (10, 0), (0, 10))
    placed = place_parcels(layer(bow), stated(0.1), network.frame, "site.toml")
    assert placed.findings[0].code == "parcel-mended"
    assert placed.parcels[0].geometry.is_valid


def test_parcels_far_away_are_said_to_be_so(surveyed):
    network, drawing = surveyed
    far = polygon((4000, 0), (4100, 0), (4100, 50), (4000, 50))
    placed = place_parcels(layer(far), stated(0.1), network.frame, "site.toml")
    said = no_parcel_near(placed, drawing, network)
    assert " 39" in said
    assert "check the CRS" in said
    nothing = replace(placed, parcels=())
    assert "No parcel" in no_parcel_near(nothing, drawing, network)


def test_an_interval_of_survey_and_map_has_the_degrees_of_freedom_of_both(surveyed):
    network, drawing = surveyed
    few = replace(network, degrees_of_freedom=4.0)
    placed = place_parcels(layer(WEST), stated(0.0), network.frame, "site.toml")
    _, alone = overlay_parcels(drawing, few, placed)
    # the survey alone: Student's t with 4 degrees of freedom, 2.776
    assert alone[0].distance.half_width == pytest.approx(2.7764 * alone[0].distance.sigma, rel=1e-4)
    _, both = overlay_parcels(drawing, few, replace(placed, sigma_m=10.0))
    assert both[0].distance.half_width == pytest.approx(1.96 * both[0].distance.sigma, rel=1e-3)


def test_repeated_parcels_are_said(surveyed):
    network, _ = surveyed
    (finding,) = place_parcels(
        replace(layer(WEST), repeated=3999), stated(0.1), network.frame, "site.toml"
    ).findings
    assert finding.code == "parcels-repeated"
    assert finding.text.startswith("3999 polygons")


def test_many_mended_parcels_are_counted(surveyed):
    network, _ = surveyed
    bow = [polygon((k, 0), (k + 10, 10), (k + 10, 0), (k, 10)) for k in range(8)]
    placed = place_parcels(layer(*bow), stated(0.1), network.frame, "site.toml")
    assert [f.code for f in placed.findings] == ["parcel-mended"] * 6
    assert placed.findings[-1].text.startswith("3 more parcels")
    assert all(p.geometry.is_valid for p in placed.parcels)


@pytest.mark.parametrize("factor", [1.0, 0.5])
def test_what_may_lie_beyond_a_line_is_measured_on_the_ground(factor):
    """A shed 8 m by 6 m whose west wall stands 10 cm inside of a line good to 10 cm."""
    size = np.array([8.0, 6.0]) * factor
    ring = [("", 0, 0), ("", size[0], 0), ("", *size), ("", 0, size[1])]
    notes, network = linework_cases.survey(
        linework_cases.rows("shed", "", ring), combined_factor=factor, sigma=1e-6
    )
    line = -0.1 * factor
    parcel = Parcel("12", shapely.box(line, -50, 60, 50))
    (share,), (near,) = overlay_parcels(
        draw(notes, network), network, ParcelMap((parcel,), 0.1, "", 0.0, ())
    )
    assert near.distance.value == pytest.approx(0.1)
    assert near.verdict == "cannot tell"
    assert share.area.value == pytest.approx(48.0)
    # at 95 % the line may lie 19.6 cm farther in: 9.6 cm of the shed's 6 m lie beyond it
    beyond = (1.96 - 1.0) * 0.1 * 6
    assert share.of_feature.half_width == pytest.approx(beyond / 48, rel=1e-3)
    assert share.area.half_width == pytest.approx(beyond, rel=1e-3)
    # of a square of 110 m by 100 m of the map
    assert share.of_parcel.value == pytest.approx(48 * factor**2 / ((60 - line) * 100))


def test_a_line_across_a_shed_moves_its_share_by_the_length_of_the_cut():
    notes, network = linework_cases.survey(
        linework_cases.rows("shed", "", [("", 0, 0), ("", 4, 0), ("", 4, 3), ("", 0, 3)]),
        combined_factor=0.5,
        sigma=1e-6,
    )
    west, east = Parcel("W", shapely.box(-9, -9, 1, 9)), Parcel("E", shapely.box(1, -9, 9, 9))
    shares, (near,) = overlay_parcels(
        draw(notes, network), network, ParcelMap((west, east), 0.3, "", 0.4, ())
    )
    # on the ground 8 m by 6 m, a quarter of it in the west; 6 m of line good to 0.5 m
    areas = {share.parcel: share.area.value for share in shares}
    assert areas == pytest.approx({"W": 12.0, "E": 36.0})
    for share in shares:
        assert share.area.sigma == pytest.approx(3.0)
        assert share.of_feature.sigma == pytest.approx(3.0 / 48)
    # most of it lies in the east, and reaches 2 m over that parcel's line
    assert (near.parcel, near.verdict) == ("E", "crosses")
    assert near.distance.value == pytest.approx(-2.0)
    assert near.distance.sigma == pytest.approx(0.5)
