"""Peak flow into each inlet by the rational method. No design of pipes: that is an engineer's."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from geosite.base.errors import Finding, InputError, Problem
from geosite.base.estimate import Estimate
from geosite.base.exact_numbers import fixed
from geosite.fieldbook.model import Notes
from geosite.linework.model import Drawing
from geosite.terrain.site import Terrain

__all__ = ["PeakFlow", "peak_flow_findings", "peak_flows", "rational"]


@dataclass(frozen=True, slots=True)
class PeakFlow:
    """What an inlet takes at the peak of a rain.

    Parameters
    ----------
    inlet
    area_m2
        Ground that drains to it, without roofs.
    roof_m2
        Roofs that the site file sends to it.
    coefficient
        Share of the rain that runs off, by area; None where it is not known everywhere.
    unknown_m2
        Area whose coefficient is not known.
    rainfall_mm_per_hour
    flow_l_s
        Litres per second; None where the coefficient is not known everywhere.
    """

    inlet: str
    area_m2: Estimate
    roof_m2: float
    coefficient: float | None
    unknown_m2: float
    rainfall_mm_per_hour: float
    flow_l_s: Estimate | None


def rational(coefficient: float, rainfall_mm_per_hour: float, area_m2: float) -> float:
    """Return the peak flow of the rational method, Q = C i A, cubic metres per second.

    Parameters
    ----------
    coefficient
        Share of the rain that runs off, 0 to 1.
    rainfall_mm_per_hour
        Intensity over the time of concentration of the catchment.
    area_m2

    References
    ----------
    Kuichling (1889), The relation between the rainfall and the discharge of sewers in populous
    districts, Transactions ASCE 20, 1-56.

    Examples
    --------
    >>> round(1000 * rational(0.9, 100.0, 400.0), 2)
    10.0
    """
    return coefficient * rainfall_mm_per_hour / 3.6e6 * area_m2


def peak_flows(notes: Notes, drawing: Drawing, terrain: Terrain) -> tuple[PeakFlow, ...]:
    """Return the peak flow of every inlet; nothing where the site file names no rainfall.

    Raises
    ------
    InputError
        A roof drains to an inlet that does not exist.
    """
    table, water = notes.site.drainage, terrain.water
    roofs = _roofs(notes, drawing, water.inlets)
    rain = table.rainfall_mm_per_hour
    if rain is None:
        return ()
    codes = notes.site.codes
    by_name = {f.name: f for f in drawing.features}
    shares = np.full(len(water.area_names) + 1, math.nan if table.runoff is None else table.runoff)
    for number, name in enumerate(water.area_names, start=1):
        code = codes.get(by_name[name].code)
        if code is not None and code.runoff is not None:
            shares[number] = code.runoff
    found = []
    for one in water.catchments:
        if one.catchment.kind != "inlet":
            continue
        name = water.inlets[one.catchment.inlet - 1]
        here = shares[water.areas[water.catchment == one.catchment.number]]
        cell = one.area_m2.value / max(len(here), 1)
        unknown = float(np.isnan(here).sum()) * cell
        own = roofs.get(name, ())
        roof = sum(area for area, _ in own)
        unknown += sum(area for area, share in own if share is None)
        coefficient = flow = None
        if unknown == 0:
            ground = float(here.mean()) if len(here) else 0.0
            extra = sum(area * (share or 0.0) for area, share in own)
            whole = one.area_m2.value + roof
            coefficient = (ground * one.area_m2.value + extra) / whole if whole else 0.0
            flow = Estimate(
                *(
                    1000 * (rational(ground, rain, area) + rational(1.0, rain, extra))
                    for area in (one.area_m2.value, one.area_m2.low, one.area_m2.high)
                )
            )
        found.append(PeakFlow(name, one.area_m2, roof, coefficient, unknown, rain, flow))
    return tuple(found)


def _roofs(
    notes: Notes, drawing: Drawing, inlets: tuple[str, ...]
) -> dict[str, list[tuple[float, float | None]]]:
    """Return area and coefficient of the roofs that drain to each inlet."""
    table, found = notes.site.drainage, dict[str, list[tuple[float, float | None]]]()
    for name, code in notes.site.codes.items():
        if code.drains_to is None:
            continue
        if code.drains_to not in inlets:
            with notes.asked("codes", name, "drains_to"):
                raise InputError(
                    Problem(
                        "roof-no-inlet",
                        f"roofs of {name} drain to {code.drains_to}, which is no inlet",
                        f"one of {', '.join(inlets)}"
                        if inlets
                        else "an inlet, and none was walked",
                        "name a feature whose code is an inlet",
                        notes.site_file,
                    )
                )
        share = code.runoff if code.runoff is not None else table.runoff
        for feature in drawing.features:
            if code.building and feature.code == name and feature.area is not None:
                found.setdefault(code.drains_to, []).append((feature.area.value, share))
    return found


def peak_flow_findings(flows: tuple[PeakFlow, ...], notes: Notes) -> tuple[Finding, ...]:
    """Return what is missing for a peak flow.

    Parameters
    ----------
    flows
        Of every inlet.
    notes
        Whose site file should say it.

    Examples
    --------
    >>> from geosite.fieldbook.book import book_from_text
    >>> notes = Notes.of(book_from_text(chr(10).join(["run,point,x,y,z", "R1,A,0,0,0"])))
    >>> flow = PeakFlow("G1", Estimate(400.0, 380.0, 420.0), 0.0, None, 25.0, 100.0, None)
    >>> (found,) = peak_flow_findings((flow,), notes)
    >>> found.text[:58]
    'G1: no peak flow, for of 25 m2 that drain to it no code sa'
    """
    return tuple(
        Finding(
            "look",
            "runoff-unknown",
            f"{one.inlet}: no peak flow, for of {fixed(one.unknown_m2, 0)} m2 that drain to it "
            "no code "
            "says how much of the rain runs off: give runoff in [codes.NAME] or in [drainage].",
            notes.site_file,
        )
        for one in flows
        if one.flow_l_s is None
    )
