"""The coordinate operation from one CRS to another that is best at a place."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from geosite.base.arrays import Floats
from geosite.base.errors import InputError, Refuse
from geosite.base.problems import shown
from geosite.base.proj import (
    operation_accuracy_m,
    operation_name,
    operation_steps,
    quiet_proj,
)

if TYPE_CHECKING:
    from pyproj import CRS

__all__ = ["Better", "Operation", "best_operation", "operation_codes"]


@dataclass(frozen=True, slots=True)
class Better:
    """An operation that is more accurate than the one taken and lacks its grids.

    Parameters
    ----------
    name
        As the register has it.
    accuracy_m
        As the register states it.
    grids
        Files that are not installed.
    """

    name: str
    accuracy_m: float
    grids: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class Operation:
    """A coordinate operation.

    Parameters
    ----------
    name
        As the register has it; blank where both CRSs are the same.
    codes
        Of its steps from one datum to another, ``"EPSG:1149"``.
    accuracy_m
        As the register states it, or as the site file does; 0 for the same CRS.
    stated
        Whether anybody states an accuracy.
    move
        Takes x and y of the source, gives easting and northing of the target.
    better
        The most accurate one at the place, where grids of it are not installed; None where this is
        the most accurate one, or was chosen.
    """

    name: str
    codes: tuple[str, ...]
    accuracy_m: float
    stated: bool
    move: Callable[[Floats, Floats], tuple[Any, Any]]
    better: Better | None = None


def best_operation(
    source: CRS,
    target: CRS,
    place: tuple[float, float],
    refuse: Refuse,
    *,
    code: str | None = None,
    accuracy_m: float | None = None,
) -> Operation:
    """Return the operation that is best at a place.

    Parameters
    ----------
    source, target
        Horizontal CRSs.
    place : (longitude, latitude), degrees
        Where the site lies: an operation for a wider area may be metres off there.
    refuse
        Makes the error of a code, what is wrong, what was expected and what to do.
    code
        The operation that somebody chose.
    accuracy_m
        Accuracy that somebody states; without any installed operation datums on one ellipsoid are
        then taken as one, others are joined through WGS 84, to no better than that is good for.

    Raises
    ------
    InputError
        None is installed, or not the chosen one.

    Examples
    --------
    From a CRS to itself nothing is to be done:

    >>> from pyproj import CRS
    >>> utm = CRS("EPSG:25832")
    >>> same = best_operation(utm, utm, (9.0, 47.0), InputError)
    >>> same.accuracy_m, same.move(512310.0, 5276100.0)
    (0.0, (512310.0, 5276100.0))
    """
    if source.equals(target, ignore_axis_order=True):
        return Operation("", (), 0.0, True, lambda x, y: (x, y))
    with quiet_proj():
        near = _group(source, target, place)
        if code is not None:
            chosen = _by_code(near, _group(source, target, None), code, refuse)
        else:
            usable = [t for t in near.transformers if _holds(t, place)] or list(near.transformers)
            chosen = _most_accurate(usable)
        if chosen is None and accuracy_m is not None:
            if not _one_ellipsoid(source, target):
                return _through_wgs84(source, target, place, accuracy_m, refuse)
            chosen = _group(source, target, place, ballpark=True).transformers[0]
        if chosen is None:
            raise _missing(near, source, target, refuse)
    stated = operation_accuracy_m(chosen)
    accuracy = accuracy_m if accuracy_m is not None else stated
    better = None if code is not None else _better(near, place, stated)
    return Operation(
        operation_name(chosen),
        operation_codes(chosen),
        accuracy or 0.0,
        accuracy is not None,
        chosen.transform,
        better,
    )


def _most_accurate(usable: Iterable[Any]) -> Any:
    def stated(transformer: Any) -> float:
        known = operation_accuracy_m(transformer)
        return math.inf if known is None else known

    return min(usable, key=stated, default=None)


def _better(group: Any, place: tuple[float, float], taken_m: float | None) -> Better | None:
    """Return the most accurate operation at a place that lacks grids, if it beats the one taken."""
    lacking = [
        one
        for one in group.unavailable_operations
        if one.accuracy >= 0 and _holds(one, place) and any(not g.available for g in one.grids)
    ]
    best = min(lacking, key=lambda one: one.accuracy, default=None)
    if best is None or (taken_m is not None and best.accuracy >= taken_m):
        return None
    grids = tuple(grid.short_name for grid in best.grids if not grid.available)
    return Better(str(best.name), float(best.accuracy), grids)


def _one_ellipsoid(source: CRS, target: CRS) -> bool:
    """Tell whether two CRSs have the same ellipsoid, to the centimetre."""
    one, other = source.ellipsoid, target.ellipsoid
    return (
        one is not None
        and other is not None
        and abs(one.semi_major_metre - other.semi_major_metre) < 0.01
        and abs(one.semi_minor_metre - other.semi_minor_metre) < 0.01
    )


def _through_wgs84(
    source: CRS, target: CRS, place: tuple[float, float], accuracy_m: float, refuse: Refuse
) -> Operation:
    """Return the way through WGS 84: datums on two ellipsoids, taken as one, are 100 m apart."""
    from pyproj import CRS

    middle = CRS("EPSG:4326")
    ways = []
    for start, end in ((source, middle), (middle, target)):
        found = _group(start, end, place).transformers
        ways.append(_most_accurate([t for t in found if _holds(t, place)] or found))
    first, second = ways
    if first is None or second is None:
        raise _missing(_group(source, target, place), source, target, refuse)
    good_m = math.hypot(*(operation_accuracy_m(way) or 0.0 for way in ways))
    return Operation(
        f"{operation_name(first)} + {operation_name(second)}",
        (*operation_codes(first), *operation_codes(second)),
        max(accuracy_m, good_m),
        True,
        lambda x, y: second.transform(*first.transform(x, y)),
        _better(_group(source, target, place), place, None),
    )


def _group(
    source: CRS, target: CRS, place: tuple[float, float] | None, ballpark: bool = False
) -> Any:
    from pyproj.transformer import AreaOfInterest, TransformerGroup

    area = None if place is None else AreaOfInterest(*place, *place)
    return TransformerGroup(
        source, target, always_xy=True, allow_ballpark=ballpark, area_of_interest=area
    )


def _holds(transformer: Any, place: tuple[float, float]) -> bool:
    area = transformer.area_of_use
    if area is None:
        return True
    east = area.east if area.east >= area.west else area.east + 360
    longitude = place[0] + 360 if place[0] < area.west else place[0]
    return bool(area.west <= longitude <= east and area.south <= place[1] <= area.north)


def operation_codes(transformer: Any) -> tuple[str, ...]:
    """Return the codes of the steps that change the datum, in order, either way round."""
    found = []
    for step in operation_steps(transformer):
        own = step.get("id")
        if isinstance(own, dict) and step.get("type") == "Transformation":
            authority = str(own["authority"]).removeprefix("INVERSE(").removesuffix(")")
            found.append(f"{authority}:{own['code']}")
    return tuple(dict.fromkeys(found))


def _by_code(near: Any, every: Any, code: str, refuse: Refuse) -> Any:
    wanted = code.strip().upper()
    offers: dict[str, None] = {}
    for transformer in (*near.transformers, *every.transformers):
        own = [c.upper() for c in operation_codes(transformer)]
        if wanted in own:
            return transformer
        offers |= dict.fromkeys(own)
    listed = ", ".join(offers) or "none that is installed"
    raise refuse(
        "parcels-operation",
        f"operation {shown(wanted)} does not lead from one CRS to the other here",
        f"the code of one that does: {listed}",
        "correct operation, or leave it out for the best one at the site",
    )


def _missing(group: Any, source: CRS, target: CRS, refuse: Refuse) -> InputError:
    import pyproj.datadir

    wanted = group.unavailable_operations[0] if group.unavailable_operations else None
    grids = [g.short_name for g in wanted.grids if not g.available] if wanted else []
    accuracy = f", good to {wanted.accuracy:g} m" if wanted and wanted.accuracy >= 0 else ""
    needs = f"; the best needs the grid {' and '.join(grids)}{accuracy}" if grids else ""
    where = (
        f"take {'them' if len(grids) > 1 else 'it'} from PROJ's data package (proj-data) and put"
        f" {'them' if len(grids) > 1 else 'it'} into {pyproj.datadir.get_data_dir()}; or"
        if grids
        else "export the parcel map in the survey's CRS; or"
    )
    return refuse(
        "parcels-no-transformation",
        f"from {source.name} to {target.name} no transformation is installed{needs}",
        "a transformation of known accuracy, or one stated by accuracy_m",
        f"{where} state how far the two may differ at the site, such as [parcels] accuracy_m = 1.0",
    )
