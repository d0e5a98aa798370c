"""Column titles for people, made from column names: ``net_area_m2`` becomes ``Net area [m²]``."""

from __future__ import annotations

from collections.abc import Sequence

from geosite.base.columns import Field

__all__ = ["column_title", "column_titles"]

_UNITS = {"m2": "m²", "m3": "m³", "deg": "°", "percent": "%", "metre": "m", "foot": "ft"}
_SUFFIXES = ("m", "m2", "m3", "deg", "percent", "ppm")
_WHOLE = {
    "sigma": "Standard deviation",
    "sigma_h": "Standard deviation, horizontal",
    "sigma_v": "Standard deviation, vertical",
    "h_95": "± horizontal, 95 %",
    "v_95": "± vertical, 95 %",
    "local_x": "x as walked",
    "local_y": "y as walked",
    "local_z": "z as walked",
    "correction": "Moved by the adjustment",
    "correction_up": "Raised by the adjustment",
}


def column_title(field: Field) -> str:
    """Return the title of a column with its unit.

    Examples
    --------
    >>> column_title(Field("net_area_m2", "real", unit="m2"))
    'Net area [m²]'
    >>> column_title(Field("sigma_h_m", "real", unit="m"))
    'Standard deviation, horizontal [m]'
    """
    stem = field.name
    for suffix in _SUFFIXES:
        stem = stem.removesuffix(f"_{suffix}")
    title = _WHOLE.get(stem, field.heading)
    unit = _UNITS.get(field.unit, field.unit)
    return f"{title} [{unit}]" if unit else title


def column_titles(fields: Sequence[Field]) -> dict[str, str]:
    """Return the titles of a table's columns by column name, each different from the others.

    Examples
    --------
    A second column of the same title has its name behind it:

    >>> column_titles([Field("area_m2", "real", unit="m2"), Field("area", "real", unit="m2")])
    {'area_m2': 'Area [m²]', 'area': 'Area [m²] (area)'}
    """
    titles: dict[str, str] = {}
    for field in fields:
        title = column_title(field)
        taken = title in titles.values() or title in {other.name for other in fields}
        titles[field.name] = f"{title} ({field.name})" if taken and title != field.name else title
    return titles
