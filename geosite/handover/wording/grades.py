"""Grades of a section as the table below it tells them."""

from __future__ import annotations

import math

import numpy as np

from geosite.base.arrays import Floats

__all__ = ["grade_words"]


def grade_words(
    chainage: Floats, elevation: Floats, half_width: Floats, grade_half: Floats | None = None
) -> tuple[str, ...]:
    """Return the grade from the first to the last of some stations, told in full first.

    An arrow points the way water would run. It has none where the 95 % interval holds level ground;
    then the interval is told.

    Parameters
    ----------
    chainage, elevation, half_width : array, shape (m,), metres
        Of the stations, with half of the 95 % interval of the elevation.
    grade_half : array, shape (m - 1,), ratio, or None
        Half of the 95 % interval of the grade from each station to the next.

    Examples
    --------
    >>> two = np.array([0.0, 5.0]), np.array([402.4, 402.3])
    >>> grade_words(*two, np.array([0.02, 0.02])), grade_words(*two, np.array([0.1, 0.1]))
    (('→ 2.0',), ('2.0 +/- 2.8', '2.0'))
    """
    grade = 100 * float((elevation[-1] - elevation[0]) / (chainage[-1] - chainage[0]))
    half = 100 * _half_width(chainage, half_width, grade_half)
    size = f"{abs(grade):.1f}"
    if math.isfinite(half) and abs(grade) <= half:
        return f"{size} +/- {half:.1f}", size
    arrow = "" if not grade else "→ " if grade < 0 else "← "
    return (f"{arrow}{size}",)


def _half_width(chainage: Floats, half_width: Floats, grade_half: Floats | None) -> float:
    """Return half of the 95 % interval of a grade, a ratio; infinite where it is not known.

    The lesser of two upper bounds: as if both elevations erred on their own, and as if all grades
    between them erred as one.
    """
    run = float(chainage[-1] - chainage[0])
    bounds = [math.hypot(half_width[0], half_width[-1]) / run]
    if grade_half is not None:
        bounds.append(float(grade_half @ np.diff(chainage)) / run)
    return min((bound for bound in bounds if math.isfinite(bound)), default=math.inf)
