"""What a design will cost before it is built: its parts and its earthworks, with their range."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from geosite.analysis.takeoff.prices import (
    UNITS,
    Valuation,
    in_steps,
    plus_lines,
    priced_line,
    valuation,
)
from geosite.analysis.takeoff.quantities import Quantity, total
from geosite.fieldbook.sitefile import Code, EarthPrice, Price, Prices

if TYPE_CHECKING:
    from geosite.analysis.design_ground.model import DesignedGround
    from geosite.analysis.takeoff.designed import DesignPart
    from geosite.network.model import Network

__all__ = ["EARTH", "DesignEstimate", "design_estimate"]

EARTH = {"cut": "Cut to formation", "fill": "Fill to formation"}
"""What lines of an estimate are called that are of no code."""


@dataclass(frozen=True, slots=True)
class DesignEstimate:
    """One design priced.

    Parameters
    ----------
    design, title
        As in the site file.
    priced
        Its codes, then its cut and fill.
    """

    design: str
    title: str
    priced: Valuation


def design_estimate(
    design: DesignedGround,
    parts: Sequence[DesignPart],
    prices: Prices,
    codes: Mapping[str, Code],
    network: Network,
    site_file: str,
) -> DesignEstimate | None:
    """Price a design.

    Parameters
    ----------
    design
        For cut and fill: to the underside of what is laid on it.
    parts
        Of this design, from `geosite.analysis.takeoff.designed.design_parts`.
    prices, codes
        ``[prices]`` and ``[codes]``.
    network
        For what the errors of parts on surveyed marks share.
    site_file
        For messages.

    Returns
    -------
    DesignEstimate or None
        None where nothing of it has a price.

    Raises
    ------
    InputError
        A price is in a unit that its code does not have.

    Notes
    -----
    Cut and fill are taken as independent of each other and of the outlines. Both come from one
    ground, and where it lies higher there is more to cut and less to fill: with rates above nought
    the range of the sum is rather too wide than too narrow.
    """
    by_code: dict[str, list[Quantity]] = {}
    for part in parts:
        by_code.setdefault(part.quantity.code, []).append(part.quantity)
    totals = [total(network, code, items) for code, items in by_code.items()]
    found = valuation(totals, prices, codes, network, site_file, partly=True)
    earth = []
    for name, price, volume in (
        ("cut", prices.cut, design.formation.cut),
        ("fill", prices.fill, design.formation.fill),
    ):
        if price is not None:
            volume = volume.scaled(1 / UNITS[price.per][1])
            line = priced_line("", _of_earth(price), volume, prices.rounding, None)
            earth.append(replace(line, title=EARTH[name]))
    if not found.lines and not earth:
        return None
    whole = found.total
    if earth:
        whole = in_steps(plus_lines(whole, earth), prices.rounding)
    priced = replace(found, lines=(*found.lines, *earth), total=whole)
    return DesignEstimate(design.name, design.title, priced)


def _of_earth(price: EarthPrice) -> Price:
    return Price(
        rate=price.rate,
        per=price.per,
        waste_percent=price.allowance_percent,
        minimum=price.minimum,
    )
