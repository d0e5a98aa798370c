"""A column of the records of a layer or table at a time: what it holds is asked once."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

import numpy as np

from geosite.handover.report_model.serialise import plain

__all__ = ["column_of", "json_texts", "numbers", "of_each"]

_NONE = type(None)


def column_of(records: Iterable[Mapping[str, Any]], name: str) -> list[Any]:
    """Return the values under a name, None where a record has none."""
    return [record.get(name) for record in records]


def numbers(values: Sequence[Any]) -> list[float | None] | None:
    """Return floats without minus zero, None for what is no finite number.

    Returns
    -------
    list or None
        None if there is anything else among them than floats and None.

    Examples
    --------
    >>> numbers([1.5, -0.0, None, math.inf])
    [1.5, 0.0, None, None]
    >>> numbers([1.5, "a"]), numbers([None])
    (None, [None])
    """
    kinds = set(map(type, values))
    if not kinds <= {float, _NONE}:
        return None
    found = (np.array(values, dtype=np.float64) + 0.0).tolist()
    if _NONE in kinds or not np.isfinite(found).all():
        return [value if math.isfinite(value) else None for value in found]
    return found  # type: ignore[no-any-return]


def json_texts(values: Sequence[Any]) -> list[str]:
    """Return the JSON text of each value (RFC 8259); no number for what is not finite.

    Examples
    --------
    >>> json_texts([0.5, math.nan, None]), json_texts(["a", None]), json_texts([1, True])
    (['0.5', 'null', 'null'], ['"a"', 'null'], ['1', 'true'])
    """
    found = numbers(values)
    if found is not None:
        return ["null" if value is None else repr(value) for value in found]
    if set(map(type, values)) <= {int, _NONE}:
        return ["null" if value is None else str(value) for value in values]
    return of_each(values, lambda value: _text(plain(value)))


def of_each(values: Sequence[Any], told: Callable[[Any], Any]) -> list[Any]:
    """Return what is told of each value, of each text once: codes and names recur.

    Examples
    --------
    >>> asked = []
    >>> of_each(["kerb", "kerb", None], lambda value: asked.append(value) or str(value))
    ['kerb', 'kerb', 'None']
    >>> len(asked)
    2
    """
    if set(map(type, values)) <= {str, _NONE}:
        known = {value: told(value) for value in set(values)}
        return [known[value] for value in values]
    return [told(value) for value in values]


def _text(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False)
