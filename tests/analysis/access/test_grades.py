"""Grades with their accuracy: geometry, verdicts on simulated surveys, what is refused."""

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
from geosite.terrain.site_ground import site_ground

SETS = limit_sets({})


def measured(folder, seed=1, *, walks=None, noise=make_site.NOISE, with_ground=True):
    survey = ferry_landing(seed, folder, noise=noise, **({"walks": walks} if walks else {}))
    network = adjust(survey.notes)
    drawing = draw(survey.notes, network)
    ground = site_ground(survey.notes, network, drawing).ground if with_ground else None
    return survey.notes, network, drawing, ground


def graded(line, network, ground, limits, station=None):
    return check_grades(Checked(line, network, SETS[limits], limits, ground), station=station)


def ramp_walk(grade, *, cross=0.0, length=12.0, step=4.0, beside=2.5):
    """A straight ramp to the north with a known grade and cross slope, marks on both sides."""
    b1, b2 = make_site.B1, make_site.B2

    def at(east, north, point, feature="", code=""):
        up = b1.up + grade * (north - b1.north) + cross * (east - b1.east)
        return Stop(east, north, up, point, feature, code)

    stops = [b1, Stop(b2.east, b2.north, b2.up, "B2")]
    stations = np.arange(0.0, length + 1e-9, step)
    stops += [
        at(b1.east, b1.north + s, f"R{n}", "ramp_line", "walk") for n, s in enumerate(stations)
    ]
    for side in (-beside, beside):
        stops += [
            at(b1.east + side, b1.north + s, f"E{n}{'lr'[side > 0]}")
            for n, s in enumerate(np.arange(-step, length + step + 1e-9, step))
        ]
    stops += [b1, b2]
    return (Walk("R1", tuple(stops)),)


QUIET = Noise(1e-5, 1e-6)


def test_grades_of_a_known_ramp(tmp_path):
    walks = ramp_walk(1 / 12, cross=0.02)
    notes, network, drawing, ground = measured(tmp_path, walks=walks, noise=QUIET)
    line = polyline("ramp", notes, network, drawing, feature="ramp_line", marks=())
    grades = graded(line, network, ground, "ramp")
    running = [g for g in grades if g.check == "running"]
    cross = [g for g in grades if g.check == "cross"]
    assert len(running) == len(cross) == 3
    for g in running:
        assert g.measured.value == pytest.approx(1 / 12, abs=1e-4)
        assert g.requirement.limit == pytest.approx(1 / 12)
        assert g.requirement.section == "405.2"
    for g in cross:
        # left of a walk to the north is west, and the ground rises to the east
        assert g.measured.value == pytest.approx(-0.02, abs=1e-4)
        assert g.verdict == "within"
    (rise,) = [g for g in grades if g.check == "rise per run"]
    assert rise.measured.value == pytest.approx(1.0, abs=1e-3)
    assert rise.verdict == "beyond"
    assert rise.requirement.section == "405.6"


def test_a_landing_splits_the_rise(tmp_path):
    b1 = make_site.B1
    heights = [0.0, 0.5, 0.5, 1.0]
    stops = [b1, make_site.B2]
    stops += [
        Stop(b1.east, b1.north + 6.0 * n, b1.up + h, f"R{n}", "ramp_line", "walk")
        for n, h in enumerate(heights)
    ]
    stops += [Stop(b1.east + 5, b1.north + 9, b1.up + 0.5, "X"), b1, make_site.B2]
    found = measured(tmp_path, walks=(Walk("R1", tuple(stops)),), noise=QUIET)
    notes, network, drawing, ground = found
    line = polyline("ramp", notes, network, drawing, feature="ramp_line", marks=())
    grades = graded(line, network, ground, "ramp")
    rises = [g for g in grades if g.check == "rise per run"]
    assert [round(g.measured.value, 2) for g in rises] == [0.5, 0.5]
    assert {g.verdict for g in rises} == {"within"}
    (landing,) = [g for g in grades if g.check == "landing length"]
    assert landing.measured.value == pytest.approx(6.0, abs=0.01)
    assert landing.verdict == "within"


@pytest.mark.slow
def test_a_true_limit_grade_is_undecided_most_of_the_time(tmp_path):
    walks = ramp_walk(1 / 20, length=32.0)
    verdicts = []
    for seed in range(40):
        notes, network, drawing, ground = measured(tmp_path, seed, walks=walks, with_ground=False)
        line = polyline("walk", notes, network, drawing, feature="ramp_line", marks=())
        grades = graded(line, network, ground, "walk")
        verdicts += [g.verdict for g in grades]
    # on the limit itself a two-sided 95 % interval excludes it in 5 % of the cases
    assert 0.90 <= verdicts.count("undecided") / len(verdicts) <= 0.98


@pytest.mark.slow
@pytest.mark.parametrize(("grade", "expected"), [(0.02, "within"), (0.085, "beyond")])
def test_clear_cases_are_decided(tmp_path, grade, expected):
    walks = ramp_walk(grade)
    verdicts = []
    for seed in range(20):
        notes, network, drawing, ground = measured(tmp_path, seed, walks=walks, with_ground=False)
        line = polyline("walk", notes, network, drawing, feature="ramp_line", marks=())
        grades = graded(line, network, ground, "walk")
        verdicts += [g.verdict for g in grades]
    assert verdicts.count(expected) > 0.9 * len(verdicts)


@pytest.mark.slow
def test_sigma_of_a_grade_is_what_walks_scatter_by(tmp_path):
    # eight spans of 4 m, whose errors have hardly anything in common
    walks = ramp_walk(0.06, cross=0.01, length=32.0)
    running, cross = [], []
    for seed in range(100):
        notes, network, drawing, ground = measured(tmp_path, seed, walks=walks)
        line = polyline("walk", notes, network, drawing, feature="ramp_line", marks=())
        grades = graded(line, network, ground, "walk")
        running += [
            (g.measured.value - 0.06) / g.measured.sigma for g in grades if g.check == "running"
        ]
        cross += [
            (g.measured.value + 0.01) / g.measured.sigma for g in grades if g.check == "cross"
        ]
    assert np.std(running) == pytest.approx(1.0, abs=0.08)
    assert np.std(cross) == pytest.approx(1.0, abs=0.08)


def test_stations_along_the_line(tmp_path):
    notes, network, drawing, ground = measured(tmp_path, walks=ramp_walk(0.04), noise=QUIET)
    line = polyline("walk", notes, network, drawing, feature="ramp_line", marks=())
    grades = graded(line, network, ground, "walk", station=5.0)
    running = [g for g in grades if g.check == "running"]
    assert [round(g.span.end_m - g.span.start_m, 2) for g in running] == [5.0, 5.0, 2.0]
    assert [g.span.start for g in running] == ["R0", "5.00 m", "10.00 m"]


def test_grades_along_an_arc_use_the_arcs_length(tmp_path):
    # marks on a quarter circle of 8 m that climbs 5 % along the arc
    b1, radius = make_site.B1, 8.0
    stops = [b1, make_site.B2]
    for n, turn in enumerate((0.0, np.pi / 4, np.pi / 2)):
        place = (b1.east + radius * np.sin(turn), b1.north + 20 + radius * (1 - np.cos(turn)))
        up = b1.up + 0.05 * radius * turn
        word = "" if n == 0 else "arc"
        stops.append(Stop(*place, up, f"R{n}", "ramp_line", "walk", word))
    stops += [b1, make_site.B2]
    found = measured(tmp_path, walks=(Walk("R1", tuple(stops)),), noise=QUIET)
    notes, network, drawing, _ = found
    line = polyline("walk", notes, network, drawing, feature="ramp_line", marks=())
    grades = graded(line, network, None, "walk")
    assert line.chainage[-1] == pytest.approx(radius * np.pi / 2, abs=2e-3)
    assert [g.measured.value for g in grades] == pytest.approx([0.05, 0.05], abs=1e-4)


def with_lines(notes, **lines):
    site = msgspec.structs.replace(notes.site, grades=Grades(lines=lines))
    from dataclasses import replace

    return replace(notes, site=site)


def test_what_does_not_exist_is_named_all_at_once(tmp_path):
    notes, network, drawing, ground = measured(tmp_path)
    asked = with_lines(
        notes,
        a=GradeLine(feature="nowhere"),
        b=GradeLine(marks=("B1", "Q9")),
        c=GradeLine(feature="access_walk", limits="stroll"),
        d=GradeLine(),
        e=GradeLine(marks=("B1", "B1")),
    )
    with pytest.raises(InputError) as caught:
        grade_lines(asked, network, drawing, ground, SETS)
    codes = [p.code for p in caught.value.problems]
    assert codes == [
        "line-no-feature",
        "line-no-mark",
        "limits-unknown",
        "line-of-what",
        "line-too-short",
    ]


def test_findings_name_the_line_the_section_and_the_caution(tmp_path):
    notes, network, drawing, _ = measured(tmp_path, walks=ramp_walk(0.085), noise=QUIET)
    line = polyline("walk", notes, network, drawing, feature="ramp_line", marks=())
    (finding,) = grade_findings(graded(line, network, None, "walk"))
    assert finding.level == "look"
    for words in ("walk", "8.5", "403.3", "licensed professional"):
        assert words in finding.text
