"""The standards' own statements, and when they must not be made."""

import doctest

import pytest

from geosite.handover.documents import statements
from geosite.handover.documents.statements import asprs_statement, nssda_statement


def test_the_examples_run() -> None:
    assert doctest.testmod(statements).failed == 0


def test_twenty_points_make_the_nssda_statement_and_nineteen_do_not() -> None:
    """FGDC-STD-007.3-1998, 3.2.2: at least 20 check points; words of 3.2.3."""
    made = nssda_statement("horizontal", 0.35, 20)
    assert made == "Tested 0.350 meters horizontal accuracy at 95% confidence level"
    assert nssda_statement("horizontal", 0.35, 19).startswith("No NSSDA statement: 19")


@pytest.mark.parametrize("points", [0, 1, 29])
def test_asprs_asks_for_thirty_points(points: int) -> None:
    assert asprs_statement("vertical", 0.05, 0.0, points).startswith("No ASPRS class")
    assert "RMSE_H = 5.0 cm" in asprs_statement("horizontal", 0.05, 0.0, 30)
