"""How large a slip of one height must be to be named: DEVELOPERS.md tells these sizes."""

from __future__ import annotations

import pytest

from geosite.fieldbook.book import book_from_text
from geosite.fieldbook.suspicious_heights import height_suspects

# a yard that falls 2 % to the east and 1 % to the north, a kerb of 12 cm along it, walked in one
# run: kerb foot and top, a row of spot heights, and one mark alone at the far corner
PLACES = {
    **{f"F{n}": (x, 18.0, 0.0) for n, x in enumerate((0, 6, 12, 16, 23, 30), 1)},
    **{f"T{n}": (x, 18.15, 0.12) for n, x in enumerate((0, 6, 12, 16, 23, 30), 1)},
    **{f"S{n}": (x, 9.0, 0.0) for n, x in enumerate((0, 8, 16, 24), 1)},
    **{f"P{n}": (x, 0.0, 0.0) for n, x in enumerate((2, 12, 28), 1)},
    "C": (60.0, -25.0, 0.0),
}


def named(slips: dict[str, float]) -> list[str]:
    rows = ["run,point,x,y,z"]
    for name, (x, y, lift) in PLACES.items():
        up = lift - 0.02 * x - 0.01 * y + slips.get(name, 0.0)
        rows.append(f"R,{name},{x},{y},{up:.4f}")
    book = book_from_text("\n".join(rows))
    return [book.marks[book.mark[one.row]] for one in height_suspects(book)]


def test_a_walk_without_a_slip_has_no_suspects() -> None:
    assert named({}) == []


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize(
    ("marks", "unseen", "seen"),
    [
        (("F1", "F2", "F3", "F4", "F5", "F6", "T1", "T2", "T3", "T4", "T5", "T6"), 0.7, 1.2),
        (("S1", "S2", "S3", "S4"), 1.0, 1.3),
        (("P1", "P2", "P3"), 1.0, 2.1),
        (("C",), 5.0, 7.0),
    ],
    ids=["kerb", "spot heights", "edge of the yard", "alone"],
)
def test_what_size_is_seen(marks: tuple[str, ...], unseen: float, seen: float, sign: int) -> None:
    for mark in marks:
        assert named({mark: sign * unseen}) == []
        assert named({mark: sign * seen}) == [mark]


def test_the_top_of_a_bollard_is_no_slip() -> None:
    """It stands above all round it and is not on the ground; nor is it a neighbour."""
    rows = ["run,point,x,y,z,feature,code", "R,K,12,9.1,1.3,K,bollard"]
    for name, (x, y, lift) in PLACES.items():
        rows.append(f"R,{name},{x},{y},{lift - 0.02 * x - 0.01 * y:.4f},,")
    book = book_from_text("\n".join(rows))
    (top,) = height_suspects(book)
    assert book.marks[book.mark[top.row]] == "K"
    assert height_suspects(book, {"bollard"}) == ()
    slip = [row.replace("R,S2,8,9.0,-0.2500", "R,S2,8,9.0,1.1000") for row in rows]
    assert slip != rows
    book = book_from_text("\n".join(slip))
    (found,) = height_suspects(book, {"bollard"})
    assert book.marks[book.mark[found.row]] == "S2"
