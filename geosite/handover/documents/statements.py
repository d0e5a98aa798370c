"""Statements of accuracy in the words that the standards prescribe, and when they may be made."""

from __future__ import annotations

import math
from typing import Literal

from geosite.base.rounding import seen
from geosite.base.units import FOOT_M

__all__ = ["asprs_statement", "nssda_statement"]

_NSSDA_LEAST = 20
_ASPRS_LEAST = 30


def nssda_statement(
    axis: Literal["horizontal", "vertical"],
    at_95_m: float,
    points: int,
    unit: Literal["m", "ft"] = "m",
) -> str:
    """Return the statement of the National Standard for Spatial Data Accuracy.

    Parameters
    ----------
    axis
        What was tested.
    at_95_m
        Accuracy at 95 % as the standard has it, metres.
    points
        Independent check points it comes from.
    unit
        Of the statement, which may be in metres or in feet.

    Returns
    -------
    str
        The reporting statement of FGDC-STD-007.3-1998, section 3.2.3; with fewer than the 20
        check points of section 3.2.2 a sentence that says why it is not made.

    Examples
    --------
    >>> nssda_statement("vertical", 0.1234, 25)
    'Tested 0.123 meters vertical accuracy at 95% confidence level'
    >>> nssda_statement("vertical", 0.1234, 25, "ft")
    'Tested 0.40 feet vertical accuracy at 95% confidence level'
    >>> nssda_statement("horizontal", 0.1, 3)
    'No NSSDA statement: 3 check points, 20 are needed (FGDC-STD-007.3-1998, 3.2.2).'
    """
    if points < _NSSDA_LEAST:
        return (
            f"No NSSDA statement: {_counted(points)}, {_NSSDA_LEAST} are needed "
            "(FGDC-STD-007.3-1998, 3.2.2)."
        )
    size = f"{seen(at_95_m, 3)} meters" if unit == "m" else f"{seen(at_95_m / FOOT_M, 2)} feet"
    return f"Tested {size} {axis} accuracy at 95% confidence level"


def asprs_statement(
    axis: Literal["horizontal", "vertical"],
    rmse_m: float,
    check_sigma_m: float,
    points: int,
    unit: Literal["m", "ft"] = "m",
) -> str:
    """Return what was found by the rules of the ASPRS standards of 2023.

    Parameters
    ----------
    axis
        What was tested.
    rmse_m
        Root mean square of the differences at the check points, metres; in plan of both axes.
    check_sigma_m
        Standard deviation of the check points themselves, of the same kind, metres.
    points
        How many.
    unit
        Of the lengths where it is told, centimetres or feet.

    Returns
    -------
    str
        The RMSE with the error of the check points in it, and the number of points; with fewer than
        30 a sentence that says why no class is told.

    Notes
    -----
    ASPRS Positional Accuracy Standards for Digital Geospatial Data, edition 2, version 1.0 (2023),
    as presented by Abdullah, PE&RS 89(10), 581-588, doi:10.14358/PERS.89.10.581: at least 30 check
    points, the error of the check points counts, no figure at 95 %.

    Examples
    --------
    >>> asprs_statement("vertical", 0.03, 0.04, 30)
    'Tested with 30 check points: RMSE_V = 5.0 cm, check points included (ASPRS 2023).'
    """
    if points < _ASPRS_LEAST:
        return f"No ASPRS class: {_counted(points)}, {_ASPRS_LEAST} are needed (edition 2, 2023)."
    whole = math.hypot(rmse_m, check_sigma_m)
    letter = "H" if axis == "horizontal" else "V"
    size = f"{seen(100 * whole, 1)} cm" if unit == "m" else f"{seen(whole / FOOT_M, 2)} ft"
    return (
        f"Tested with {points} check points: RMSE_{letter} = {size}, "
        "check points included (ASPRS 2023)."
    )


def _counted(points: int) -> str:
    return f"{points} check point{'' if points == 1 else 's'}"
