"""What is drawn of a section: the ground along a line, and the unit of its elevations."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geosite.base.arrays import Floats
from geosite.handover.model import Package
from geosite.handover.names import readable_name
from geosite.handover.wording.measures import Measures
from geosite.handover.wording.reference import height_words

__all__ = ["Heights", "Section"]


@dataclass(frozen=True, eq=False)
class Section:
    """Elevation along a line.

    Parameters
    ----------
    name
        Name of the section, as the site file has it.
    chainage : array, shape (m,), ground metres
        Rising from 0.
    elevation : array, shape (m,), metres
    half_width : array, shape (m,), metres
        Half of the 95 % interval of the elevation, NaN where it is not known.
    labels : length m
        Mark at each station, empty between marks.
    design : array, shape (m,), metres, or None
        Elevation of a design line.
    letter
        ``"A"`` for the section that runs from A to A' on the plan; empty for none.
    grade_half : array, shape (m - 1,), ratio, or None
        Half of the 95 % interval of the grade from each station to the next.
    """

    name: str
    chainage: Floats
    elevation: Floats
    half_width: Floats
    labels: Sequence[str]
    design: Floats | None = None
    letter: str = ""
    grade_half: Floats | None = None

    @property
    def known(self) -> npt.NDArray[np.bool_]:
        """Where the ground was measured; everywhere where no accuracy is known at all.

        Examples
        --------
        >>> half = np.array([0.02, np.inf, 0.02])
        >>> Section("", np.arange(3.0), np.zeros(3), half, ("A", "", "B")).known.tolist()
        [True, False, True]
        """
        measured = np.isfinite(self.half_width)
        return measured if measured.any() else ~measured

    @property
    def title(self) -> str:
        """What the sheet is called.

        Examples
        --------
        >>> nothing = np.zeros(0)
        >>> Section("house_to_lake", nothing, nothing, nothing, (), None, "B").title
        "Section B-B', house to lake"
        """
        words = readable_name(self.name)
        if not self.letter:
            return f"Section {words}".strip()
        return f"Section {self.letter}-{self.letter}'" + (f", {words}" if words else "")

    @property
    def ends(self) -> str:
        """Between which marks it runs; empty where an end has no name.

        Examples
        --------
        >>> three = np.zeros(3)
        >>> Section("", three, three, three, ("S15", "", "S4")).ends
        'From S15 to S4'
        """
        first, last = (self.labels[0], self.labels[-1]) if len(self.labels) else ("", "")
        return f"From {first} to {last}" if first and last else ""


@dataclass(frozen=True, slots=True)
class Heights:
    """The unit that elevations are written in, and what they are relative to."""

    unit: str
    unit_m: float
    datum: str

    @classmethod
    def of(cls, package: Package, measures: Measures) -> Heights:
        """Return feet on a sheet in feet, the foot of the vertical CRS where it has one."""
        frame = package.frame
        own = abs(frame.height_unit_m / measures.unit_m - 1) < 1e-4
        unit_m = frame.height_unit_m if own else measures.unit_m
        return cls(measures.unit, unit_m, height_words(frame))

    def written(self, elevation_m: float, digits: int = 2) -> str:
        """Return an elevation without its unit."""
        return f"{elevation_m / self.unit_m + 0.0:.{digits}f}"
