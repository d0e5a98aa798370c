"""``report.json``: every number and finding, for machines. Sorted keys, no NaN, ISO 8601 text."""

from __future__ import annotations

import dataclasses
import datetime
import json
import math
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import numpy as np

from geosite.handover.report_model.site import SurveyReport

__all__ = ["as_json", "plain", "write_report"]


_AS_IT_IS = frozenset({str, int, bool})


def plain(value: Any) -> Any:
    """Turn a value into what JSON knows; a number that is not finite becomes null.

    Examples
    --------
    >>> plain({"sigma": np.float64("nan"), "places": np.array([[1.0, 2.0]]), "n": np.int64(3)})
    {'sigma': None, 'places': [[1.0, 2.0]], 'n': 3}
    >>> plain(datetime.date(2026, 5, 1)), plain(-0.0)
    ('2026-05-01', 0.0)
    """
    kind = type(value)
    if kind is float:  # most of what there is
        return value + 0.0 if math.isfinite(value) else None  # + 0.0: no minus zero
    if value is None or kind in _AS_IT_IS or isinstance(value, str):
        return value
    if isinstance(value, np.ndarray):
        return plain(value.tolist())
    if isinstance(value, np.generic):
        return plain(value.item())
    if isinstance(value, int):
        return value
    if isinstance(value, float):
        return plain(float(value))
    if isinstance(value, datetime.date | datetime.time):
        return value.isoformat()
    if isinstance(value, Mapping):
        return {str(key): plain(inner) for key, inner in value.items()}
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        found = {f.name: plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
        return {name.rstrip("_"): inner for name, inner in found.items()}  # from_ is "from"
    if isinstance(value, Iterable):
        return [plain(inner) for inner in value]
    return str(value)


def as_json(report: SurveyReport) -> dict[str, Any]:
    """Return a report as JSON values."""
    found: dict[str, Any] = plain(report)
    return found


def write_report(path: Path, report: SurveyReport) -> None:
    """Write a report as ``report.json``."""
    whole = as_json(report)
    text = json.dumps(whole, sort_keys=True, indent=2, ensure_ascii=False, allow_nan=False)
    # a lone surrogate, which no UTF-8 file can hold, becomes a question mark
    path.write_bytes(text.encode("utf-8", "replace") + b"\n")
