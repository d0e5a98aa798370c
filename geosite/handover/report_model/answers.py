"""What ``report.json`` says to the questions of the site file."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

__all__ = [
    "Alternative",
    "Clearance",
    "Cost",
    "CostPart",
    "Earthwork",
    "Grade",
    "Parcels",
    "PricedLine",
    "Prices",
    "Section",
    "Share",
    "Volume",
]


@dataclass(frozen=True, slots=True)
class Grade:
    """One check of one stretch of a line.

    Parameters
    ----------
    line, limits, section
        Name of the line, of the limit set, and the section of the standard.
    limit_from
        ``default``: the set came with geosite and local rules replace it; ``site``: the site's own.
    check
        What is held against the limit.
    start, end, start_m, end_m
        Marks or stations of the stretch, and their distance along the line.
    value, value_low, value_high, sigma
        Measured, with its 95 % interval.
    limit
        ``None``: the set has none.
    unit
        Of value and limit.
    verdict
        At 95 %.
    extra_observations
        More measurements of the same stretch that would decide.
    probability
        Share of the possible profiles in which there is such a run or landing.
    """

    line: str
    limits: str
    check: str
    start: str
    end: str
    start_m: float
    end_m: float
    value: float | None
    value_low: float | None
    value_high: float | None
    sigma: float | None
    limit: float | None
    section: str
    limit_from: str
    verdict: str
    extra_observations: int | None
    unit: str
    probability: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """The ground along a line.

    Parameters
    ----------
    length_m, length_sigma_m, length_95_m
        Length, its standard deviation, half its 95 % interval.
    rise_m, rise_low_m, rise_high_m
        Sum of the climbs, with its 95 % interval.
    fall_m, fall_low_m, fall_high_m
        Sum of the descents, with its 95 % interval.
    largest_sigma_m
        Largest standard deviation of an elevation.
    """

    length_m: float
    length_sigma_m: float | None
    length_95_m: float | None
    rise_m: float
    rise_low_m: float | None
    rise_high_m: float | None
    fall_m: float
    fall_low_m: float | None
    fall_high_m: float | None
    largest_sigma_m: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Volume:
    """Cut and fill by one method, with 95 % intervals.

    Parameters
    ----------
    cut_m3, cut_low_m3, cut_high_m3
        Ground above the design.
    fill_m3, fill_low_m3, fill_high_m3
        Ground below the design.
    net_m3, net_sigma_m3, net_low_m3, net_high_m3
        Cut minus fill.
    cut_error_m3, fill_error_m3
        What the method adds to the exact volume: its discretisation error.
    """

    cut_m3: float
    cut_low_m3: float | None
    cut_high_m3: float | None
    fill_m3: float
    fill_low_m3: float | None
    fill_high_m3: float | None
    net_m3: float
    net_sigma_m3: float | None
    net_low_m3: float | None
    net_high_m3: float | None
    cut_error_m3: float
    fill_error_m3: float


@dataclass(frozen=True, slots=True)
class Earthwork:
    """Earthwork of one feature.

    Parameters
    ----------
    feature
        Area it covers.
    volumes
        ``exact`` over the triangles, then by the methods to check it with.
    covered
        Share of the area that both surfaces reach.
    sections
        Number of cross sections.
    """

    feature: str
    volumes: Mapping[str, Volume]
    covered: float
    sections: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Share:
    """Area of one feature in one parcel, with standard deviations and 95 % intervals.

    Parameters
    ----------
    feature, code, parcel
        Names.
    area_m2, area_sigma_m2, area_95_m2
        On the ground; standard deviation and half the 95 % interval.
    share_of_feature, share_of_feature_sigma, share_of_feature_95
        Of the feature's area.
    share_of_parcel, share_of_parcel_sigma, share_of_parcel_95
        Of the parcel's area: the coverage ratio.
    """

    feature: str
    code: str
    parcel: str
    area_m2: float
    area_sigma_m2: float | None
    area_95_m2: float | None
    share_of_feature: float
    share_of_feature_sigma: float | None
    share_of_feature_95: float | None
    share_of_parcel: float
    share_of_parcel_sigma: float | None
    share_of_parcel_95: float | None


@dataclass(frozen=True, slots=True)
class Clearance:
    """Nearest approach of a feature to a parcel line.

    Parameters
    ----------
    feature, parcel
        Which.
    distance_m, distance_sigma_m, distance_95_m
        Positive: clear of the line by so much; standard deviation and half the 95 % interval.
    verdict, words
        At 95 %, and the same as a sentence.
    """

    feature: str
    parcel: str
    distance_m: float
    distance_sigma_m: float | None
    distance_95_m: float | None
    verdict: str
    words: str


@dataclass(frozen=True, slots=True)
class Parcels:
    """The survey on the parcel map.

    Parameters
    ----------
    map_sigma_m
        Stated accuracy of the parcel map.
    transformation, transformation_sigma_m
        Coordinate operation from its CRS, and its stated accuracy.
    shares
        Area of each feature in each parcel.
    clearances
        Nearest approach of features to parcel lines.
    """

    map_sigma_m: float
    transformation: str
    transformation_sigma_m: float
    shares: tuple[Share, ...]
    clearances: tuple[Clearance, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PricedLine:
    """One code priced.

    Parameters
    ----------
    code, title
        Its name, and what people call it.
    per
        Unit of the rate.
    measured, measured_sigma, measured_95
        Quantity in that unit, its standard deviation and half its 95 % interval.
    waste_percent, rate, minimum
        As in the site file.
    charged, charged_sigma, charged_95
        Quantity with waste.
    amount, amount_low, amount_high
        In the currency: charged times rate, not less than the minimum where there is any, with
        its range at 95 %.
    at_minimum
        The minimum is charged.
    """

    code: str
    title: str
    per: str
    measured: float
    measured_sigma: float | None
    measured_95: float | None
    waste_percent: float
    rate: float
    minimum: float
    charged: float
    charged_sigma: float | None
    charged_95: float | None
    amount: float
    amount_low: float | None
    amount_high: float | None
    at_minimum: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Prices:
    """The take-off priced with the rates of the site file: no tax, no contract advice.

    Parameters
    ----------
    currency
        Of rates and amounts.
    lines
        One per code with a price, in the order of the take-off.
    total, total_low, total_high
        Sum of the lines, with its range at 95 %.
    without_price
        Codes that were measured and have no price.
    """

    currency: str
    lines: tuple[PricedLine, ...]
    total: float
    total_low: float | None
    total_high: float | None
    without_price: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class CostPart:
    """One part of the cost of everything.

    Parameters
    ----------
    design, title
        Name of the design, empty for the take-off, and what people call it.
    amount, amount_low, amount_high
        With its range at 95 %.
    without_price
        Codes of it that are ordered and have no price.
    """

    design: str
    title: str
    amount: float
    amount_low: float | None
    amount_high: float | None
    without_price: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Cost:
    """What everything that has a price comes to: no tax, no contract advice.

    Parameters
    ----------
    currency
        Of the amounts.
    parts
        The take-off, then every design.
    total, total_low, total_high
        Sum of the parts, with its range at 95 %.
    """

    currency: str
    parts: tuple[CostPart, ...]
    total: float
    total_low: float | None
    total_high: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Alternative:
    """One choice among designs of which only one is built.

    Parameters
    ----------
    built
        Names of the designs that are built of them.
    cost
        Of these and of all that is built in any case; ``None`` where nothing has a price.
    """

    built: tuple[str, ...]
    cost: Cost | None
