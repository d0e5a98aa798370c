"""Areas that a site file asks for by their name."""

from __future__ import annotations

from geosite.base.errors import Refuse
from geosite.base.problems import did_you_mean, nearest
from geosite.linework.model import Drawing, Feature

__all__ = ["area_named"]


def area_named(name: str, drawing: Drawing, code: str, refuse: Refuse, asking: str = "") -> Feature:
    """Return the area of a name, or refuse it with those that there are.

    Parameters
    ----------
    name, drawing
    code
        Of the refusal, which is that of who asks.
    refuse
        Makes the error, at a place that it knows.
    asking
        What asks for it, as the message begins: ``"pad ramp: "``.

    Raises
    ------
    InputError
        No area is called so.

    Examples
    --------
    >>> from geosite.base.errors import InputError, Problem
    >>> def refuse(*told):
    ...     return InputError(Problem(*told))
    >>> area_named("apron", Drawing(()), "earthwork-no-area", refuse)  # doctest: +ELLIPSIS
    Traceback (most recent call last):
    ...
    geosite.base.errors.InputError: there is no area apron; expected an area, and none was ...
    """
    areas = {feature.name: feature for feature in drawing.features if feature.kind == "area"}
    if name not in areas:
        close = did_you_mean(nearest(name, areas), "correct the name")
        known = f"one of {', '.join(areas)}" if areas else "an area, and none was drawn"
        raise refuse(code, f"{asking}there is no area {name}", known, close)
    return areas[name]
