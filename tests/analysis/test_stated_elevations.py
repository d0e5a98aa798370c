"""Elevations of the site file far from all that was walked: asked about, in the map's unit."""

from __future__ import annotations

from dataclasses import replace

import pytest
from linework_cases import survey
from msgspec.structs import replace as changed

from geosite.analysis.stated_elevations import far_elevations
from geosite.base.errors import Finding
from geosite.fieldbook.model import Notes
from geosite.fieldbook.sitefile import Design, DesignEdge, Earthwork, Section
from geosite.network.model import Network


def walked(*heights: float, unit_m: float = 1.0) -> tuple[Notes, Network]:
    """Return a survey with marks at some heights, metres."""
    book = [("", "", "", f"M{n}", float(n), 0.0, up) for n, up in enumerate(heights)]
    notes, network = survey(book)
    frame = replace(network.frame, height_unit_m=unit_m)
    return notes, replace(network, frame=frame)


def asked(found: tuple[Notes, Network], **tables: object) -> list[Finding]:
    notes, network = found
    return list(far_elevations(replace(notes, site=changed(notes.site, **tables)), network))


@pytest.mark.parametrize(
    ("elevation", "far"),
    [(100.0, False), (90.0, False), (111.0, False), (89.9, True), (111.1, True)],
)
def test_ten_metres_beyond_what_was_walked_are_usual(elevation: float, far: bool) -> None:
    section = Section(marks=("M0", "M1"), design_elevation=elevation)
    found = asked(walked(100.0, 101.0), sections={"axis": section})
    assert [f.code for f in found] == (["elevation-far"] if far else [])


def test_on_a_hill_as_much_as_it_is_high() -> None:
    def found(elevation: float) -> list[Finding]:
        works = {"pad": Earthwork(feature="pad", design_elevation=elevation)}
        return asked(walked(100.0, 140.0), earthworks=works)

    assert not found(60.0)
    assert not found(180.0)
    assert found(59.9)
    assert found(180.1)


def test_it_is_asked_once_for_each_key_in_the_unit_of_the_map() -> None:
    edge = DesignEdge(marks=("M0", "M1", "M2"), elevations=(900.0, 901.0, 330.0))
    designs = {"ramp": Design(edges={"left": edge, "right": DesignEdge(start=331.0)})}
    (one,) = asked(walked(100.0, 101.0, 102.0, unit_m=0.3048), designs=designs)
    assert one.text.startswith('designs.ramp.edges.left.elevations is "900 ')
    assert '"328.08 ' in one.text
    assert '"334.65 ' in one.text
