"""Units of quantities on paper: metric, or feet and cubic yards."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from geosite.base.units import CUBIC_YARD_M3, FOOT_M, SQUARE_FOOT_M2

__all__ = ["UNITS", "PaperUnit", "PaperUnits"]


@dataclass(frozen=True, slots=True)
class PaperUnit:
    """A unit that quantities are written in: factor from metres, square or cubic metres, symbol."""

    m: tuple[float, str]
    m2: tuple[float, str]
    m3: tuple[float, str]

    def of(self, metric: str) -> tuple[float, str]:
        """Return factor and symbol of ``"m"``, ``"m2"`` or ``"m3"``."""
        return {"m": self.m, "m2": self.m2, "m3": self.m3}[metric]


PaperUnits = tuple[PaperUnit, ...]
"""In which every quantity is written, one below the other."""

UNITS: Mapping[Literal["m", "ft"], PaperUnit] = {
    "m": PaperUnit((1.0, "m"), (1.0, "m²"), (1.0, "m³")),
    "ft": PaperUnit((1 / FOOT_M, "ft"), (1 / SQUARE_FOOT_M2, "ft²"), (1 / CUBIC_YARD_M3, "yd³")),
}
