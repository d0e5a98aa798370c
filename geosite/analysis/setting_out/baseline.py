"""Today's visits to the two baseline marks, and whether they fit the survey's baseline."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from geosite.base.arrays import Floats, Ints
from geosite.base.errors import Problem, SurveyRefused
from geosite.base.exact_numbers import fixed
from geosite.fieldbook.model import FieldBook, Notes
from geosite.network.accuracy.advice import baseline_variances
from geosite.network.covariance import sigmas
from geosite.network.model import LinearForm, Network
from geosite.network.walk.device import device_of

__all__ = ["BaselineCheck", "baseline_rows", "check_baseline", "ground_baseline"]

UNITS = {
    0.3048: ("metres read as feet", "m"),
    1 / 0.3048: ("feet read as metres", "ft"),
}
UNIT_SHARE = 0.03
"""A ratio this near to that of two units looks like a mistaken unit."""
BEYOND = 5.0
"""Standard deviations: a baseline that is farther off is not noise (once in two million)."""
AT_MOST = 10.0
"""The same where little is known of the noise: Student's t would let anything pass."""
SEEN = 3.0
"""Standard deviations by which an exchange must exceed the limit for noise not to hide it."""
SLACK_M = 0.003
"""What pointing at two marks may add whatever the noise model says."""


@dataclass(frozen=True, slots=True)
class BaselineCheck:
    """Today's baseline beside the known one.

    Parameters
    ----------
    run
        The walk that is used.
    visits
        To the first and the second mark.
    length_m, known_m
        Ground lengths: as walked today, and from the survey.
    sigma_m
        Standard deviation of their difference.
    rise_m, known_rise_m
        From the first mark to the second.
    rise_sigma_m
        Standard deviation of their difference.
    limit_m, rise_limit_m
        A larger difference is not noise.
    swap_seen
        Whether names exchanged today would show in the heights, in all but 1 of 700 walks.
    """

    run: str
    visits: tuple[int, int]
    length_m: float
    known_m: float
    sigma_m: float
    rise_m: float
    known_rise_m: float
    rise_sigma_m: float
    limit_m: float
    rise_limit_m: float
    swap_seen: bool

    @property
    def ppm(self) -> float:
        """How much longer the baseline is today, in millionths."""
        return (self.length_m / self.known_m - 1) * 1e6


def baseline_rows(notes: Notes) -> tuple[int, int]:
    """Return an observation of the first and of the second mark in the survey.

    Examples
    --------
    >>> from geosite.fieldbook.book import book_from_text
    >>> from geosite.fieldbook.sitefile import Baseline
    >>> rows = ["run,point,x,y,z", "R1,B2,3,4,0.5", "R1,B1,0,0,0"]
    >>> book = book_from_text(chr(10).join(rows))
    >>> baseline_rows(Notes.of(book, baseline=Baseline(from_="B1", to="B2")))
    (1, 0)
    """
    book = notes.book
    first, second = (
        int(np.flatnonzero(book.mark == book.marks.index(name))[0]) for name in _names(notes)
    )
    return first, second


def ground_baseline(notes: Notes, network: Network) -> tuple[Floats, float]:
    """Return the step from the first to the second mark, local grid metres and metres up.

    Returns
    -------
    step : array, shape (2,)
    rise : float

    Examples
    --------
    >>> from geosite.fieldbook.book import book_from_text
    >>> from geosite.fieldbook.sitefile import Baseline
    >>> from geosite.network.independent_marks import independent_marks
    >>> rows = ["run,point,x,y,z", "R1,B1,0,0,0", "R1,B2,3,4,0.5"]
    >>> book = book_from_text(chr(10).join(rows))
    >>> notes = Notes.of(book, baseline=Baseline(from_="B1", to="B2"))
    >>> step, rise = ground_baseline(notes, independent_marks(book.local))
    >>> step.tolist(), rise
    ([3.0, 4.0], 0.5)
    """
    first, second = baseline_rows(notes)
    step: Floats = network.en[second] - network.en[first]
    return step, float(network.elevation[second] - network.elevation[first])


def check_baseline(notes: Notes, network: Network, walk: FieldBook) -> BaselineCheck:
    """Hold today's baseline against the survey's.

    Parameters
    ----------
    notes, network
        The survey and where its marks are.
    walk
        Today's field book. Of several runs the last one counts.

    Raises
    ------
    SurveyRefused
        The walk does not visit both marks, or what it measured between them is not this baseline.
    """
    run = len(walk.runs) - 1
    names = _names(notes)
    visits = (_visits(walk, run, names[0]), _visits(walk, run, names[1]))
    missing = [name for name, rows in zip(names, visits, strict=True) if not len(rows)]
    if missing:
        raise SurveyRefused(
            Problem(
                "walk-no-baseline",
                f"the run {walk.runs[run]} does not visit {' nor '.join(missing)}",
                f"a visit to {names[0]} and to {names[1]} before anything is set out",
                "walk to both marks first and note them under these names",
                walk.file,
            )
        )
    exchanged = _exchanged_visits(walk, visits, names)
    if exchanged is not None:
        raise SurveyRefused(exchanged)
    places = [walk.local[rows].mean(axis=0) for rows in visits]
    step = places[1] - places[0]
    known, known_rise = ground_baseline(notes, network)
    factor = network.frame.combined_factor
    known_m = float(np.hypot(*known)) / factor
    sigma_m, rise_sigma = _sigmas(notes, network, walk, visits, known_m)
    rise_limit = _beyond(network.vertical_degrees_of_freedom) * rise_sigma + SLACK_M
    check = BaselineCheck(
        walk.runs[run],
        (len(visits[0]), len(visits[1])),
        float(np.hypot(*step[:2])),
        known_m,
        sigma_m,
        float(step[2]),
        known_rise,
        rise_sigma,
        _beyond(network.degrees_of_freedom) * sigma_m + SLACK_M,
        rise_limit,
        2 * abs(known_rise) > rise_limit + SEEN * rise_sigma,
    )
    line = int(walk.line[visits[1][0]])
    misfit = _misfit(check, names)
    if misfit is not None:
        raise SurveyRefused(replace(misfit, file=walk.file, line=line))
    return check


def _exchanged_visits(
    walk: FieldBook, visits: tuple[Ints, Ints], names: tuple[str, str]
) -> Problem | None:
    """Say that some visits to a mark were at the other one; their mean would be no place at all."""
    first, second = (walk.local[rows, :2] for rows in visits)
    own = np.hypot(*(first - first[0]).T), np.hypot(*(second - second[0]).T)
    other = np.hypot(*(first - second[0]).T), np.hypot(*(second - first[0]).T)
    apart = float(other[0][0])
    # nearer to the other mark than a quarter of the way, and farther than three from its own
    odd = [
        rows[(far > 0.75 * apart) & (near < 0.25 * apart)]
        for rows, far, near in zip(visits, own, other, strict=True)
    ]
    lines = np.sort(walk.line[np.concatenate(odd)])
    if not len(lines):
        return None
    usual = np.setdiff1d(walk.line[np.concatenate(visits)], lines)
    told = " and ".join(map(str, lines)), " and ".join(map(str, usual))
    return Problem(
        "baseline-swapped",
        f"{names[0]} and {names[1]} are exchanged on lines {told[0]}, or on lines {told[1]}: what "
        f"has one name lies in places {apart:.2f} m apart",
        "the same name on the same mark in every visit",
        f"exchange the names {names[0]} and {names[1]} on the lines where they are wrong",
        walk.file,
        int(lines[0]),
    )


def _misfit(check: BaselineCheck, names: tuple[str, str]) -> Problem | None:
    walked, known = check.length_m, check.known_m
    ratio = walked / known
    limit = check.limit_m
    if abs(walked - known) > limit:
        remedy = "check that both marks are the right ones and have not moved, and walk them again"
        if walked < 1e-3:
            remedy = "note each mark under its own name"
        for unit, (looks, wanted) in UNITS.items():
            if abs(ratio / unit - 1) < UNIT_SHARE:
                remedy = f"it looks like {looks}: if so, give --unit {wanted} with the walk"
        return Problem(
            "baseline-length",
            f"today the baseline from {names[0]} to {names[1]} is {walked:.3f} m long, "
            f"{ratio:.4f} of its length",
            f"{known:.3f} m within {fixed(limit, 3)} m",
            remedy,
        )
    limit = check.rise_limit_m
    if abs(check.rise_m - check.known_rise_m) <= limit:
        return None
    what = f"today {names[1]} lies {check.rise_m:+.3f} m from {names[0]} in height"
    turned = abs(check.rise_m + check.known_rise_m)
    if turned <= (limit if check.swap_seen else SEEN * check.rise_sigma_m + SLACK_M):
        return Problem(
            "baseline-swapped",
            f"{what}, as if the two names were exchanged",
            f"{check.known_rise_m:+.3f} m within {fixed(limit, 3)} m",
            f"exchange the names {names[0]} and {names[1]} in this walk, if that is so",
        )
    return Problem(
        "baseline-rise",
        what,
        f"{check.known_rise_m:+.3f} m within {fixed(limit, 3)} m",
        "check both marks, their names and that z points up, and walk them again",
    )


def _beyond(freedom: float) -> float:
    """Return the quantile of Student's t that is as rare as `BEYOND` of the normal one."""
    if math.isinf(freedom):
        return BEYOND
    from scipy.special import ndtr, stdtrit

    return min(float(stdtrit(freedom, float(ndtr(BEYOND)))), AT_MOST)


def _names(notes: Notes) -> tuple[str, str]:
    return notes.site.baseline.from_, notes.site.baseline.to


def _visits(walk: FieldBook, run: int, name: str) -> Ints:
    if name not in walk.marks:
        return np.zeros(0, np.int64)
    here: Ints = np.flatnonzero((walk.run == run) & (walk.mark == walk.marks.index(name)))
    return here


def _sigmas(
    notes: Notes, network: Network, walk: FieldBook, visits: tuple[Ints, Ints], known_m: float
) -> tuple[float, float]:
    """Return the standard deviations of today's length and rise against the survey's."""
    step, _ = ground_baseline(notes, network)
    along = step / np.hypot(*step)
    weights = np.array([-1.0, 1.0])
    both, none = np.array(baseline_rows(notes), np.int64), np.zeros(2)
    in_survey = sigmas(
        network,
        [
            LinearForm(both, along[0] * weights, along[1] * weights, none),
            LinearForm(both, none, none, weights),
        ],
    )
    # the way walked between the two nearest visits, leg by leg
    apart = np.abs(visits[0][:, None] - visits[1][None, :])
    i, j = np.unravel_index(int(apart.argmin()), apart.shape)
    low, high = sorted((int(visits[0][i]), int(visits[1][j])))
    legs = np.sqrt((np.diff(walk.local[low : high + 1], axis=0) ** 2).sum(axis=1))
    today = baseline_variances(device_of(notes), legs, float(np.hypot(*step)))
    # one survey that closed well by chance does not make a better device
    factors = max(network.variance_factor, 1.0), max(network.vertical_variance_factor, 1.0)
    plan, level = (
        math.sqrt(own**2 + factor * new)
        for own, factor, new in zip(in_survey, factors, today, strict=True)
    )
    return plan, level
