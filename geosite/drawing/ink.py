"""Paper, the ink of text, and pens."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["FAINT", "PAPER", "TEXT", "Stroke"]

PAPER = "#ffffff"
TEXT = "#1f2d37"
"""Ink of text, marks and built edges."""
FAINT = "#6b7780"
"""Ink of remarks and coordinate ticks."""


@dataclass(frozen=True, slots=True)
class Stroke:
    """A pen.

    Parameters
    ----------
    colour
        ``#rrggbb``.
    width_mm
        On paper.
    dash_mm
        Lengths of drawn and empty pieces, empty for a solid line.
    """

    colour: str
    width_mm: float
    dash_mm: tuple[float, ...] = ()
