"""Ramps with landings, edges and kerb ramps, walked without noise and with it."""

from dataclasses import replace

import msgspec
import numpy as np
import pytest
from ferry_landing import make_site
from simulated import ferry_landing
from walk_simulator import Noise, Stop, Walk

from geosite.analysis.access.grade_checks import Checked
from geosite.analysis.access.grades import check_grades, grade_lines
from geosite.analysis.limits import limit_sets
from geosite.analysis.walked_line import polyline
from geosite.analysis.wording import grade_findings
from geosite.base.errors import InputError
from geosite.fieldbook.sitefile import GradeLine, Grades
from geosite.linework.draw import draw
from geosite.network.adjust import adjust

SETS = limit_sets({})
QUIET = Noise(1e-6, 1e-7)
B1, B2 = make_site.B1, make_site.B2


def walked(folder, profile, *, seed=1, noise=QUIET, aside=(), turn_at=None, extra=()):
    """A line to the north (east from `turn_at` on) through (along, height), edges beside it."""

    def place(along, left=0.0):
        if turn_at is None or along <= turn_at:
            return B1.east - left, B1.north + 3 + along
        return B1.east + along - turn_at, B1.north + 3 + turn_at + left

    stops = [B1, B2]
    for k, (along, up) in enumerate(profile):
        stops.append(Stop(*place(along), B1.up + up, f"R{k}", "ramp", "walk"))
    for name, left in aside:
        for k, (along, up) in enumerate(profile):
            off = left(along) if callable(left) else left
            stops.append(Stop(*place(along, off), B1.up + up, f"{name}{k}", name, "walk"))
    for name, along, left, up in extra:
        stops.append(Stop(*place(along, left), B1.up + up, name))
    survey = ferry_landing(
        seed, folder, noise=noise, anchor_sigma=1e-6, walks=(Walk("R1", (*stops, B1, B2)),)
    )
    network = adjust(survey.notes)
    return survey.notes, network, draw(survey.notes, network)


def heights(*parts):
    """Marks at the ends of parts of (length, slope)."""
    at = np.cumsum([[0.0, 0.0], *([length, length * slope] for length, slope in parts)], axis=0)
    return [tuple(row) for row in at.tolist()]


def judged(found, limits="ramp", edges=None):
    notes, network, drawing = found
    line = polyline("ramp", notes, network, drawing, feature="ramp", marks=())
    both = None
    if edges:
        both = tuple(polyline(e, notes, network, drawing, feature=e, marks=()) for e in edges)
    return check_grades(Checked(line, network, SETS[limits], limits, edges=both))


def of(grades, check):
    return [g for g in grades if g.check == check]


RAMP = heights((6, 1 / 12), (1.6, 0.04), (6, 1 / 12), (1.4, 0.01), (6, 1 / 12))


def test_a_landing_that_is_too_steep_and_one_that_is_too_short(tmp_path):
    grades = judged(walked(tmp_path, RAMP))
    assert [g.verdict for g in of(grades, "landing slope")] == ["beyond", "within"]
    assert [g.verdict for g in of(grades, "landing length")] == ["within", "beyond"]
    assert [g.measured.value for g in of(grades, "landing length")] == pytest.approx(
        [1.6, 1.4], abs=1e-4
    )
    assert [g.measured.value for g in of(grades, "rise per run")] == pytest.approx(
        [0.5] * 3, abs=1e-4
    )
    assert {g.verdict for g in of(grades, "rise per run")} == {"within"}
    assert {g.probability for g in of(grades, "landing slope")} == {1.0}
    texts = [f.text for f in grade_findings(grades)]
    assert any("landing slope 4.0" in t and "405.7.1" in t for t in texts)
    assert any("landing length 1." in t and "at least 1.52 m" in t for t in texts)


def test_a_walk_that_ends_on_a_landing_did_not_measure_its_length(tmp_path):
    grades = judged(walked(tmp_path, heights((1.0, 0.0), (6, 1 / 12), (2.0, 0.01))))
    assert [g.verdict for g in of(grades, "landing length")] == ["not measured", "within"]
    (finding,) = [f for f in grade_findings(grades) if f.code == "grade-not-measured"]
    assert "walk on to the end of the landing" in finding.text


def test_a_walk_steeper_than_1_in_20_is_judged_as_a_ramp(tmp_path):
    notes, network, drawing = walked(tmp_path, heights((12, 0.07), (1.6, 0.01), (6, 0.07)))
    site = {"lane": GradeLine(feature="ramp", limits="walk")}
    asked = replace(notes, site=msgspec.structs.replace(notes.site, grades=Grades(lines=site)))
    grades = grade_lines(asked, network, drawing, None, SETS)
    assert {g.requirement.limits for g in grades} == {"walk", "ramp"}
    (rise, _) = of(grades, "rise per run")
    # 12 m at 7 %: 0.84 m without a landing
    assert (rise.requirement.limits, rise.verdict) == ("ramp", "beyond")
    assert any(f.code == "grade-steeper" for f in grade_findings(grades))
    flat = walked(tmp_path, heights((12, 0.04), (6, 0.03)))
    asked = replace(flat[0], site=msgspec.structs.replace(flat[0].site, grades=Grades(lines=site)))
    grades = grade_lines(asked, flat[1], flat[2], None, SETS)
    assert {g.requirement.limits for g in grades} == {"walk"}


def test_width_and_cross_slope_from_edge_to_edge(tmp_path):
    # 0.6 m to the left, 0.4 m to the right, narrower at one landing and wider at the other
    def right(along):
        return {6.0: -0.2, 7.6: -0.2, 13.6: -0.6, 15.0: -0.6}.get(round(along, 6), -0.4)

    found = walked(tmp_path, RAMP, aside=(("left", 0.6), ("right", right)))
    grades = judged(found, edges=("left", "right"))
    width = of(grades, "width")
    assert [g.measured.value for g in width] == pytest.approx([0.9, 0.8, 1.0, 1.2, 1.1], abs=2e-4)
    assert [g.verdict for g in width] == ["beyond", "beyond", "within", "within", "within"]
    assert {g.requirement.section for g in width} == {"405.5"}
    # a width was measured from edge to edge, a rise from mark to mark of the line
    for check, length in (("width", None), ("rise per run", 6.0)):
        for grade in of(grades, check):
            apart = np.hypot(*(grade.span.places[1] - grade.span.places[0])[:2])
            assert apart == pytest.approx(length or grade.measured.value, rel=1e-3)
    assert [g.measured.value for g in of(grades, "cross")] == pytest.approx([0.0] * 5, abs=1e-4)
    narrow, wide = of(grades, "landing width")
    assert (narrow.verdict, narrow.requirement.section) == ("beyond", "405.7.2")
    assert narrow.requirement.limit == pytest.approx(1.0, abs=2e-4)
    assert wide.verdict == "within"


def test_cross_slope_of_a_way_that_leans(tmp_path):
    # both edges at the height of the line, then the left one lifted by 3 cm over 1 m
    found = walked(tmp_path, heights((5, 0.02), (5, 0.02)), aside=(("left", 0.5), ("right", -0.5)))
    notes, network, drawing = found
    lifted = network.elevation.copy()
    left = notes.book.feature == notes.book.features.index("left")
    lifted[left] += 0.03
    network = replace(network, elevation=lifted)
    grades = judged((notes, network, drawing), "walk", edges=("left", "right"))
    assert [g.measured.value for g in of(grades, "cross")] == pytest.approx([0.03] * 2, abs=1e-4)
    assert {g.verdict for g in of(grades, "cross")} == {"beyond"}


def test_a_landing_where_the_way_turns_is_as_wide_as_it_is_long(tmp_path):
    # the landings at both ends have one direction only
    landing, run = (1.6, 0.01), (6, 1 / 12)
    profile = heights(landing, run, landing, run, landing)
    found = walked(tmp_path, profile, turn_at=8.4, aside=(("left", 0.6), ("right", -0.6)))
    turning = of(judged(found, edges=("left", "right")), "landing width")
    assert [g.requirement.section for g in turning].count("405.7.4") == 1
    straight = walked(tmp_path, profile, aside=(("left", 0.6), ("right", -0.6)))
    straight = of(judged(straight, edges=("left", "right")), "landing width")
    assert {g.requirement.section for g in straight} == {"405.7.2"}


def test_where_an_edge_ends_the_width_is_not_measured(tmp_path):
    found = walked(tmp_path, RAMP, aside=(("left", 0.6),))
    notes, network, drawing = found
    line = polyline("ramp", notes, network, drawing, feature="ramp", marks=())
    edge = polyline("left", notes, network, drawing, feature="left", marks=())
    half = replace(edge, rows=edge.rows[:3], chainage=edge.chainage[:3], names=edge.names[:3])
    grades = check_grades(Checked(line, network, SETS["ramp"], "ramp", edges=(edge, half)))
    assert {g.verdict for g in of(grades, "width")} == {"not measured"}
    assert {g.measured for g in of(grades, "width")} == {None}


KERB = {
    "feature": "ramp",
    "limits": "kerb_ramp",
    "flares": (("FT", "FB"),),
    "landing": ("LA", "LB"),
    "gutter": ("GA", "GB"),
}
#: name, along, left, up: a flare of 1:8, a landing of 0.8 m, a gutter that rises 1:30 outwards
PARTS = (
    ("FT", 2.0, 0.6, 0.15),
    ("FB", 2.0, 1.8, 0.0),
    ("LA", 2.0, 0.0, 0.16),
    ("LB", 2.8, 0.0, 0.168),
    ("GA", 0.0, 0.0, 0.0),
    ("GB", -0.6, 0.0, 0.02),
)


def test_kerb_ramp_with_flare_landing_and_gutter(tmp_path):
    notes, network, drawing = walked(tmp_path, heights((2.0, 0.08)), extra=PARTS)

    def checks(**changed):
        lines = {"corner": GradeLine(**{**KERB, **changed})}
        site = msgspec.structs.replace(notes.site, grades=Grades(lines=lines))
        return grade_lines(replace(notes, site=site), network, drawing, None, SETS)

    grades = checks()
    assert {g.span.line for g in grades} == {"corner"}
    (flare,) = of(grades, "flare")
    assert abs(flare.measured.value) == pytest.approx(0.125, abs=1e-4)
    assert (flare.verdict, flare.requirement.section) == ("beyond", "406.3")
    (landing,) = of(grades, "landing length")
    assert (landing.verdict, landing.requirement.section) == ("beyond", "406.4")
    (counter,) = of(grades, "counter slope")
    assert (counter.verdict, counter.requirement.section) == ("within", "406.2")
    # without a landing flares are held against the exception for alterations
    (flare,) = of(checks(landing=()), "flare")
    assert flare.requirement.limit == 1 / 12
    with pytest.raises(InputError) as caught:
        checks(gutter=("GA", "Q9"))
    assert "Q9" in str(caught.value)


@pytest.mark.slow
@pytest.mark.parametrize("slope", [0.0185, 0.0235])
def test_verdicts_on_landings_just_off_the_limit_are_seldom_wrong(tmp_path, slope):
    profile = heights(*(4 * ((6, 1 / 12), (1.6, slope))), (6, 1 / 12))
    told, rises = [], []
    for seed in range(30):
        grades = judged(walked(tmp_path, profile, seed=seed, noise=make_site.NOISE))
        told += [g.verdict for g in of(grades, "landing slope")]
        rises += [g.verdict for g in of(grades, "rise per run")]
    wrong = "beyond" if slope < 1 / 48 else "within"
    assert len(told) == 120
    assert told.count(wrong) <= 0.05 * len(told)
    # 0.5 m a run, whatever the landings are
    assert set(rises) == {"within"}
