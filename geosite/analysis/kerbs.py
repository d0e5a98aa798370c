"""How high a kerb stands above its foot, where both of its edges were walked or it is stated."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import shapely

from geosite.base.arrays import Floats, Ints
from geosite.base.estimate import Estimate
from geosite.fieldbook.model import FieldBook
from geosite.fieldbook.sitefile import Code
from geosite.linework.measures import sum_of_forms
from geosite.linework.model import Drawing, Feature
from geosite.network.covariance import accuracies
from geosite.network.model import LinearForm, Network

__all__ = ["KerbUpstand", "kerb_upstands"]

NEAR_M = 0.6
"""Two edges of a kerb are nearer than this (common practice, no source)."""
SHARE = 0.8
"""Of the marks of one edge that have the other one beside them."""


@dataclass(frozen=True, slots=True)
class KerbUpstand:
    """Height of a kerb above its foot.

    Parameters
    ----------
    line, foot
        Names of the upper and the lower edge; no foot where the height is stated.
    upstand
        Mean over the marks of the upper edge, metres.
    least, most
        At single marks.
    least_at, most_at
        Names of these marks, empty where they have none.
    places
        How many marks it was taken at; 0 for a stated height.
    """

    line: str
    foot: str
    upstand: Estimate
    least: Estimate | None = None
    most: Estimate | None = None
    least_at: str = ""
    most_at: str = ""
    places: int = 0


def kerb_upstands(
    drawing: Drawing, network: Network, book: FieldBook, codes: Mapping[str, Code]
) -> tuple[KerbUpstand, ...]:
    """Return the upstand of every kerb that has one.

    Parameters
    ----------
    drawing, network
        The survey.
    book
        For the names of the marks.
    codes
        ``[codes]``: a kerb is a line whose code is a barrier; its `height_m` is its upstand.

    Examples
    --------
    A kerb of 12 cm beside its foot, heights good to 1 cm each and independent:

    >>> from geosite.fieldbook.book import book_from_text
    >>> from geosite.fieldbook.model import Notes
    >>> from geosite.linework.draw import draw
    >>> from geosite.network.independent_marks import independent_marks
    >>> rows = ["R1,A,0,0,0,foot,f", "R1,B,9,0,0,foot,f"]
    >>> rows += ["R1,C,0,0.2,0.12,top,t", "R1,D,9,0.2,0.12,top,t"]
    >>> codes = {"f": Code(geometry="line"), "t": Code(geometry="line", barrier=True)}
    >>> book = book_from_text(chr(10).join(["run,point,x,y,z,feature,code", *rows]))
    >>> notes, network = Notes.of(book, codes=codes), independent_marks(book.local, sigma_up_m=0.01)
    >>> (kerb,) = kerb_upstands(draw(notes, network), network, book, codes)
    >>> round(kerb.upstand.value, 6), round(kerb.upstand.sigma, 6), kerb.places
    (0.12, 0.01, 2)
    """
    lines = [f for f in drawing.features if f.kind == "line"]
    found: list[KerbUpstand] = []
    if not any(codes[f.code].barrier for f in lines if f.code in codes):
        return ()
    named = {row: book.marks[m] for row, m in enumerate(book.mark.tolist()) if m >= 0}
    for feature in lines:
        code = codes.get(feature.code)
        if code is None or not code.barrier:
            continue
        if code.height_m:
            stated = Estimate(code.height_m, code.height_m, code.height_m, 0.0)
            found.append(KerbUpstand(feature.name, "", stated))
            continue
        beside = [other for other in lines if other is not feature]
        measured = [one for other in beside if (one := _upstand(feature, other, network, named))]
        if measured:
            found.append(max(measured, key=lambda one: one.places))
    return tuple(found)


def _upstand(
    edge: Feature, other: Feature, network: Network, names: Mapping[int, str]
) -> KerbUpstand | None:
    """Return how high the upper of two edges stands over the lower; None where they are apart."""
    near = NEAR_M * network.frame.combined_factor
    if shapely.distance(edge.geometry, other.geometry) > near:
        return None
    rows, forms, values = [], [], []
    for row in dict.fromkeys(edge.rows.tolist()):
        at = _beside(network.en[row], other.rows, network)
        if at is None or at[3] > near:
            continue
        before, after, share, _ = at
        three = np.array([row, before, after])
        weights = np.array([1.0, share - 1.0, -share])
        rows.append(row)
        values.append(float(weights @ network.elevation[three]))
        forms.append(LinearForm(three, np.zeros(3), np.zeros(3), weights))
    if len(rows) < max(2.0, SHARE * len(set(edge.rows.tolist()))):
        return None
    above = float(np.mean(values)) >= 0
    sign = 1.0 if above else -1.0
    whole = sum_of_forms(forms) * (sign / len(forms))
    spread, half = accuracies(network, [whole, *forms])
    heights = [float(np.mean(values)) * sign, *(sign * value for value in values)]
    mean, *single = (
        Estimate(v, v - float(h), v + float(h), float(s))
        for v, s, h in zip(heights, spread, half, strict=True)
    )
    low = min(range(len(single)), key=lambda k: single[k].value)
    high = max(range(len(single)), key=lambda k: single[k].value)
    upper, lower = (edge, other) if above else (other, edge)
    return KerbUpstand(
        upper.name,
        lower.name,
        mean,
        single[low],
        single[high],
        names.get(rows[low], ""),
        names.get(rows[high], ""),
        len(rows),
    )


def _beside(place: Floats, rows: Ints, network: Network) -> tuple[int, int, float, float] | None:
    """Return the two observations that lie beside a place, how far along, and how far off."""
    if len(rows) < 2:
        return None
    here, there = network.en[rows[:-1]], network.en[rows[1:]]
    leg = there - here
    share = ((place - here) * leg).sum(axis=1) / np.maximum((leg**2).sum(axis=1), 1e-12)
    share = np.clip(share, 0.0, 1.0)
    off = np.hypot(*(here + share[:, None] * leg - place).T)
    k = int(np.argmin(off))
    return int(rows[k]), int(rows[k + 1]), float(share[k]), float(off[k])
