"""Lines through marks: lengths by hand, marks that are one place, too many stations."""

from __future__ import annotations

import numpy as np
import pytest

from geosite.analysis.walked_line import (
    Polyline,
    label_at,
    length_between,
    place_on,
    polyline,
    refuse_dense,
)
from geosite.base.errors import InputError
from geosite.fieldbook.book import book_from_text
from geosite.fieldbook.model import Notes
from geosite.linework.model import Drawing
from geosite.network.independent_marks import independent_marks

ROWS = ("R1,A,0,0,0", "R1,B,3,4,1", "R1,B2,3,4,1", "R1,C,3,10,4")
BOOK = book_from_text("\n".join(["run,point,x,y,z", *ROWS]))
NETWORK = independent_marks(BOOK.local, sigma_m=0.01)


def line(*marks: str) -> Polyline:
    return polyline("way", Notes.of(BOOK), NETWORK, Drawing(()), feature=None, marks=marks)


def test_two_marks_at_one_place_are_one() -> None:
    found = line("A", "B", "B2", "C")
    assert (found.chainage.tolist(), found.names) == ([0.0, 5.0, 11.0], ("A", "B", "C"))
    assert found.rows.tolist() == [0, 1, 3]
    with pytest.raises(InputError, match="line way: it has fewer than two places"):
        line("B", "B2")


@pytest.mark.parametrize(
    ("at", "place"),
    [(0.0, (0, 0, 0)), (2.5, (1.5, 2, 0.5)), (5.0, (3, 4, 1)), (8.0, (3, 7, 2.5)),
     (11.0, (3, 10, 4)), (12.0, (3, 10, 4)), (-1.0, (0, 0, 0))],
)  # fmt: skip
def test_places_lie_between_the_marks_and_at_the_ends(
    at: float, place: tuple[float, float, float]
) -> None:
    found, form = place_on(line("A", "B", "C"), NETWORK, at)
    assert found == pytest.approx(np.array(place))
    assert float(form.up @ NETWORK.elevation[form.rows]) == pytest.approx(place[2])


def test_a_length_varies_with_both_its_ends_and_with_a_bend_between() -> None:
    way = line("A", "B", "C")
    whole = length_between(way, NETWORK, 0.0, 11.0)
    # the ends by 1 cm each; at the bend both legs: |(0.6, 0.8) - (0, 1)| = sqrt(0.4)
    assert whole.value == 11.0
    assert whole.sigma == pytest.approx(0.01 * np.sqrt(1 + 1 + 0.4))
    half = length_between(way, NETWORK, 5.0, 8.0)
    assert (half.value, half.sigma) == (3.0, pytest.approx(0.01 * np.sqrt(2) / 2))


def test_a_place_is_called_by_the_mark_that_is_there() -> None:
    way = line("A", "B", "C")
    assert [label_at(way, at) for at in (5.0, 5.0000005, 5.001, 0.0)] == ["B", "B", "5.00 m", "A"]


def test_as_many_stations_as_anybody_may_read_are_not_refused() -> None:
    refuse_dense("way", "station", 20_000.0, 1.0)
    with pytest.raises(InputError) as refused:
        refuse_dense("way", "station", 20_001.0, 1.0)
    # what is said to be enough is enough
    refuse_dense("way", "station", 20_001.0, 1.1)
    assert str(refused.value) == (
        "way: station = 1 m makes 20001 stations on 20001.0 m; expected at most 20000; "
        "use 1.1 m or more"
    )
