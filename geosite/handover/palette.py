"""One palette for the plan sheet, the viewer and the styles.

Chosen for this project and for colour-blind readers: the six surface tints, the pond tint and the
five inks stay apart for protan, deutan and tritan vision (simulated after Machado, Oliveira and
Fernandes, IEEE TVCG 15(6), 2009, doi 10.1109/TVCG.2009.113), and every ramp runs steadily from
light to dark, so that it also survives a grey copy. Colour never carries a meaning alone: areas
carry their name, verdicts their word, ponds a ripple, buildings a hatch.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from types import MappingProxyType

from geosite.drawing.ink import FAINT, PAPER, TEXT, Stroke

__all__ = [
    "ALERT",
    "BUILDING",
    "CHANGE_RAMP",
    "DARK",
    "DIRECTION_RAMP",
    "EARTH",
    "PARCEL",
    "POND",
    "RAMPS",
    "STROKES",
    "SURFACES",
    "VERDICTS",
    "WATER",
    "surface_colours",
]

EARTH = "#9a7b5c"
"""Ink of contours and sections."""
WATER = "#00679c"
"""Ink of everything that flows or stands."""
PARCEL = "#6d2077"
"""Ink of parcel lines."""
ALERT = "#d4500f"
"""Ink of what is beyond a limit or must be looked at."""
POND = "#97d3fd"
"""Tint of standing water."""
BUILDING = "#d9dde0"
"""Tint of footprints, under a hatch of `TEXT`."""

DARK: Mapping[str, str] = MappingProxyType(
    {
        PAPER: "#101a21",
        TEXT: "#e2e9ed",
        FAINT: "#97a5af",
        EARTH: "#cbac87",
        WATER: "#62b6ea",
        PARCEL: "#cf96dc",
        ALERT: "#ff8f52",
        POND: "#1f5a86",
        BUILDING: "#37434b",
    }
)
"""What each ink becomes on a dark screen."""

SURFACES = ("#c4bac2", "#e7d4bb", "#90a2db", "#eafbba", "#d29478", "#e7b186")
"""Tints of areas, given to the codes in the order of the site file."""


STROKES: Mapping[str, Stroke] = MappingProxyType(
    {
        "areas": Stroke(TEXT, 0.25),
        "lines": Stroke(TEXT, 0.35),
        "baseline": Stroke(TEXT, 0.25, (4.0, 1.0, 0.6, 1.0)),
        "points": Stroke(TEXT, 0.18),
        "contours": Stroke(EARTH, 0.13),
        "contours-index": Stroke(EARTH, 0.3),
        "contours-far": Stroke(EARTH, 0.13, (0.9, 0.9)),
        "drainage_arrows": Stroke(WATER, 0.25),
        "flow_paths": Stroke(WATER, 0.4, (3.0, 0.8)),
        "ponding": Stroke(WATER, 0.25),
        "parcels": Stroke(PARCEL, 0.5, (6.0, 1.2, 1.2, 1.2)),
        "sections": Stroke(EARTH, 0.4, (8.0, 1.5)),
        "grades-within": Stroke(WATER, 0.7),
        "grades-beyond": Stroke(ALERT, 0.9),
        "grades-undecided": Stroke(ALERT, 0.7, (1.6, 1.2)),
    }
)
"""Pens by layer name; ``contours-index`` and ``grades-<verdict>`` split a layer by a field."""

VERDICTS: Mapping[str, str] = MappingProxyType(
    {"within": "#d3e8f3", "undecided": "#f6e3cf", "beyond": "#eda883"}
)
"""Tints of surfaces by their verdict; the last two are hatched as well."""

RAMPS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "elevation": ("#16343f", "#23606a", "#4e8c84", "#93b58f", "#d8d6a2", "#fbf4dc"),
        "slope": ("#f7f3e6", "#ecd9a8", "#dcae6b", "#bd7a4a", "#8c4a3f", "#4f2536"),
        "ponding_depth": ("#eaf4f8", "#b5d8e6", "#77b3cf", "#3c86ae", "#1b5a86", "#0e3557"),
        "contributing_area": ("#f2f5ee", "#c8dcd3", "#8fbcb8", "#55919c", "#2f6379", "#1a3851"),
        "elevation_sigma": ("#f4f1f7", "#d9cfe3", "#b5a4c9", "#8e7aac", "#67538a", "#3f2e60"),
        "raised": ("#e3eef3", "#a9cddd", "#5f9fbd", "#1f6a91", "#0d3a5c"),
        "lowered": ("#f8e8da", "#edbd93", "#d98a52", "#ad5421", "#6d2f0e"),
        "drainage_confidence": ("#54313f", "#86556a", "#ac8794", "#cdb8bc", "#e6dedc", "#f8f6f2"),
    }
)
"""Colours from the least to the greatest value, evenly spaced, by raster name."""

CHANGE_RAMP = (*reversed(RAMPS["lowered"]), "#f7f6f3", *RAMPS["raised"])
"""Colours of a rise from the greatest fall over none, the middle one, to the greatest rise."""

DIRECTION_RAMP = ("#f2ead3", "#c98a5a", "#3a3450", "#5d93b5")
"""Colours of azimuths 0, 90, 180 and 270 degrees; the fifth is the first again."""


def surface_colours(codes: Iterable[str]) -> dict[str, str]:
    """Give each code its tint, ``#rrggbb``, in order; the tints start over after six codes.

    Examples
    --------
    >>> tints = surface_colours("abcdefg")
    >>> tints["a"], tints["g"] == tints["a"], len(set(tints.values()))
    ('#c4bac2', True, 6)
    """
    return {code: SURFACES[i % len(SURFACES)] for i, code in enumerate(codes)}
