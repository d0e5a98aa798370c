"""PROJ without foreign data folders, network or noise, and what its operations are."""

from __future__ import annotations

import os
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

__all__ = ["operation_accuracy_m", "operation_name", "operation_steps", "quiet_proj"]


@contextmanager
def quiet_proj() -> Iterator[None]:
    """Run PROJ without foreign data folders, network or warnings about grids.

    Missing grids are asked for by name instead.

    Examples
    --------
    >>> with quiet_proj():
    ...     from pyproj import CRS
    ...     print(CRS("EPSG:25832").name)
    ETRS89 / UTM zone 32N
    """
    os.environ.pop("PROJ_DATA", None)
    os.environ.pop("PROJ_LIB", None)
    from pyproj._network import set_network_enabled

    set_network_enabled(False)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        yield


def operation_steps(operation: Any) -> list[dict[str, Any]]:
    """Return the steps of a coordinate operation in PROJ's JSON, changes of axis order left out.

    Parameters
    ----------
    operation : pyproj.Transformer or pyproj.crs.CoordinateOperation
    """
    found: list[dict[str, Any]] = []

    def look(value: dict[str, Any]) -> None:
        steps = value.get("steps")
        if steps is None:
            found.append(value)
        for step in steps or ():
            look(step)

    look(operation.to_json_dict())
    return [one for one in found if not str(one.get("name")).startswith("axis order change")]


def operation_name(operation: Any) -> str:
    """Return the name of a coordinate operation, the same by every version of PROJ.

    Examples
    --------
    >>> from pyproj import Transformer
    >>> operation_name(Transformer.from_crs("EPSG:4258", "EPSG:25832", always_xy=True))
    'UTM zone 32N'
    """
    return " + ".join(str(step.get("name")) for step in operation_steps(operation))


def operation_accuracy_m(operation: Any) -> float | None:
    """Return the accuracy that the register states of a coordinate operation.

    A map projection and nothing else has no error: some versions of PROJ state nothing of it.

    Returns
    -------
    float or None
        Metres; None where nobody states it, or datums are taken as equal for want of better.

    Examples
    --------
    >>> from pyproj import Transformer
    >>> operation_accuracy_m(Transformer.from_crs("EPSG:4258", "EPSG:25832", always_xy=True))
    0.0
    """
    if operation.accuracy is not None and operation.accuracy >= 0.0:
        return float(operation.accuracy)
    projected = all(step.get("type") == "Conversion" for step in operation_steps(operation))
    return 0.0 if projected else None
