"""What a mistake in a field book is, and what the search for mistakes found."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from geosite.base.arrays import Floats
from geosite.base.distributions import f_above
from geosite.base.statistics import chi2_sf
from geosite.fieldbook.model import FieldBook
from geosite.network.tie_runs import Tied

__all__ = ["ALARM", "CLEAR", "NEARLY", "Fit", "Judge", "JudgedMistake", "Mistake", "Search"]

ALARM = 0.01
"""Chance of one false alarm in a survey without a mistake."""
WORTH = 0.05
"""Chance of misclosures from which on mistakes of whole runs are tried."""
CLEAR = 40.0
"""Drop of the chi-square, in units of the noise that is left, that makes a named mistake clear."""
NEARLY = 16.3
"""Chi-square of three degrees of freedom that is exceeded once in a thousand."""
TAILS = 8.0
"""Degrees of freedom that one leg of a tracking device has at most, by Student's t distribution.

How well a device tracks differs from leg to leg (light, speed, what it sees): steps of recordings
with measured truth have a kurtosis of 2.4 (hand-held, a minute), 6 (drone), 11 and 33 (car, half an
hour); that of t with eight degrees of freedom is 4.5.
"""
FEW = 8
"""With fewer misclosures left, a mistake and noise larger than assumed look alike."""

Fit = Callable[[FieldBook], "tuple[Tied, float, int]"]
"""Ties a field book; also returns its chi-square with the known marks, and the redundancy.

Raises `numpy.linalg.LinAlgError` where the marks have no determined place.
"""


@dataclass(frozen=True, eq=False)
class Mistake:
    """One mistake.

    Parameters
    ----------
    kind
        ``"leg"``, ``"visit"``, ``"leg-sign"``, ``"run-unit"``, ``"run-mirrored"``,
        ``"run-upside-down"``, ``"baseline-swapped"``, ``"names-swapped"``, ``"name-wrong"``.
    run
        Name of the run, or of the runs that cannot be told apart, joined by ``" or "``.
    corrected
        The field book without the mistake.
    rows : tuple of int
        Field-book rows: both ends of the leg or of the stretch of legs, the visit, the rows whose
        names are exchanged; empty for a whole run.
    marks : tuple of str
        Marks concerned.
    error : array, shape (3,), metres
        Estimated error in easting, northing, elevation, of a leg or visit; NaN where unchecked.
    detail
        What the kind leaves open: axes of a lost sign, unit of the run, a hint.
    chance
        Chance that noise alone looks like this.
    others
        Further legs or visits that the misclosures cannot tell from it, as row pairs.
    alternative
        A wrong name that explains the same as the two exchanged ones.
    """

    kind: str
    run: str
    corrected: FieldBook
    rows: tuple[int, ...] = ()
    marks: tuple[str, ...] = ()
    error: Floats = field(default_factory=lambda: np.full(3, np.nan))
    detail: str = ""
    chance: float = 0.0
    others: tuple[tuple[int, int], ...] = ()
    alternative: Mistake | None = None

    @property
    def size(self) -> float:
        """Length of the estimated error, metres."""
        return float(np.sqrt(np.nansum(self.error**2)))


@dataclass(frozen=True, eq=False)
class JudgedMistake:
    """A mistake, and whether the survey is refused for it or only to be looked at."""

    mistake: Mistake
    is_refused: bool


@dataclass(frozen=True, eq=False)
class Search:
    """What was found, and what is left when it is taken out.

    Parameters
    ----------
    mistakes
        In order of weight.
    tied
        The network with the mistakes corrected.
    redundancy_spent : (horizontal, vertical)
        Unknown amounts that were fitted to correct legs and visits.
    as_read
        How many times as large as assumed the misclosures of the field book as read are: so many
        times worse a device would explain them without any mistake.
    """

    mistakes: tuple[Mistake, ...]
    tied: Tied
    redundancy_spent: tuple[int, int]
    as_read: float = 1.0


@dataclass(frozen=True, slots=True)
class Judge:
    """Tells mistakes from chance, knowing how well the noise is known.

    Parameters
    ----------
    degrees_of_freedom
        Of the device (`geosite.network.walk.device.Device`): infinite where its noise is given.
    """

    degrees_of_freedom: float

    def noise(self, squares: float, redundancy: int) -> float:
        """Return how many times as large as assumed the variances are, as far as that is known.

        Examples
        --------
        >>> Judge(2.0).noise(30.0, 6), Judge(float("inf")).noise(3.0, 6)
        (4.0, 1.0)
        """
        if np.isinf(self.degrees_of_freedom):
            return max(1.0, squares / max(redundancy, 1))
        known = self.degrees_of_freedom
        return (known + squares) / (known + redundancy)

    def exceeded(self, squares: float, redundancy: int, rest: float, left: int) -> float:
        """Return the chance of squares so large next to others, by F where noise is not given.

        What the others show widens the noise and never narrows it: that most legs are good does not
        say that a long one, or one in bad light, is as good. For the same reason the noise of one
        leg is never known better than by `TAILS` misclosures, however many there are.

        Parameters
        ----------
        squares, redundancy
            What is judged.
        rest, left
            Squares and number of the other misclosures.

        Examples
        --------
        >>> round(Judge(4.0).exceeded(3 * 4.1908, 3, 6.0, 6), 4)  # F(3, 8) at 5 % is 4.066
        0.0467
        """
        known = self.degrees_of_freedom
        if np.isinf(known):
            return chi2_sf(squares, redundancy)
        ratio = squares / redundancy / max(1.0, (known + rest) / (known + left))
        return f_above(redundancy, min(known + left, TAILS), ratio)

    def gross(self, squares: float, redundancy: int) -> bool:
        """Tell misclosures that no noise explains."""
        return self.exceeded(squares, redundancy, 0.0, 0) < ALARM / 100

    def odd(self, squares: float, redundancy: int) -> bool:
        """Tell misclosures on which mistakes of whole runs are worth trying.

        The noise of a device is known too little for misclosures to prove anything; what becomes
        of them when a run is turned over does, and there are few such mistakes to try.
        """
        if np.isinf(self.degrees_of_freedom):
            return self.gross(squares, redundancy)
        return self.exceeded(squares, redundancy, 0.0, 0) < WORTH

    def stands_out(
        self, test: float, freedom: int, tested: int, squares: float, redundancy: int
    ) -> bool:
        """Tell one misclosure from chance, and from noise that is larger than assumed everywhere.

        Parameters
        ----------
        test, freedom
            Chi-square of the suspect and its degrees of freedom.
        tested
            How many suspects there were.
        squares, redundancy
            Of all misclosures.
        """
        left = redundancy - freedom
        rest = max(squares - test, 0.0)
        if not np.isinf(self.degrees_of_freedom):
            return self.exceeded(test, freedom, rest, max(left, 0)) * tested < ALARM
        chance = chi2_sf(test, freedom) * tested
        if chance > ALARM:
            return False
        if left <= 0 or chi2_sf(rest, left) > ALARM:
            # few left cannot tell the noise: it has to be a hundred times as clear
            return chance < (ALARM / 100 if left < FEW else ALARM)
        ratio = test / freedom / (rest / left)
        return f_above(freedom, left, ratio) * tested < ALARM
