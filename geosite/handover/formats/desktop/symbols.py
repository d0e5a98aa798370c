"""Symbols of the open GIS desktop's style format (version 3.22 and later).

Only what differs from the desktop's own defaults is written. Signs are drawn as small SVG pictures
that lie in the style itself, so that they are those of the plan and need no file beside.
"""

from __future__ import annotations

import math
import xml.etree.ElementTree as ET
from base64 import b64encode
from collections.abc import Mapping, Sequence

from geosite.drawing.ink import Stroke
from geosite.handover.formats.markup import node
from geosite.handover.styles.model import Hatch, Sign, Symbol, Tint
from geosite.handover.styles.signs import DART, arrow_length

__all__ = [
    "VERSION",
    "colour",
    "kind_of",
    "line_symbol",
    "option",
    "options",
    "properties",
    "symbol",
    "without_stairs",
]


VERSION = "3.22.16"
"""The last of the oldest series that reads it without loss: it warns of files of an older one."""


def colour(code: str, opacity: float = 1.0) -> str:
    """Return a colour as the format writes it.

    Examples
    --------
    >>> colour("#00679c")
    '0,103,156,255'
    """
    red, green, blue = (int(code[i : i + 2], 16) for i in (1, 3, 5))
    return f"{red},{green},{blue},{round(255 * opacity)}"


def option(name: str, value: str | bool | int | float) -> ET.Element:
    """Return one setting with its type.

    Examples
    --------
    >>> made = option("active", True)
    >>> made.get("type"), made.get("value")
    ('bool', 'true')
    """
    if isinstance(value, bool):
        return node("Option", name=name, type="bool", value=str(value).lower())
    if isinstance(value, int):
        return node("Option", name=name, type="int", value=str(value))
    if isinstance(value, float):
        return node("Option", name=name, type="double", value=f"{value:g}")
    return node("Option", name=name, type="QString", value=value)


def options(settings: Mapping[str, str | float]) -> ET.Element:
    """Return settings of a symbol layer; all of them are text in this format.

    Examples
    --------
    >>> [(one.get("type"), one.get("value")) for one in options({"width": 0.25, "join": "round"})]
    [('QString', '0.25'), ('QString', 'round')]
    """
    made = [
        node("Option", name=name, type="QString", value=_text(value))
        for name, value in settings.items()
    ]
    return node("Option", *made, type="Map")


def _text(value: str | float) -> str:
    return value if isinstance(value, str) else f"{value:.6g}"


def properties(by_expression: Mapping[str, str]) -> ET.Element:
    """Return settings that follow the data: name of the setting and the expression it follows.

    Examples
    --------
    >>> made = properties({"angle": '"azimuth_deg"'})
    >>> [one.get("value") for one in made.iter("Option") if one.get("name") == "expression"]
    ['"azimuth_deg"']
    """
    inner = [
        node(
            "Option",
            option("active", True),
            option("expression", expression),
            option("type", 3),
            name=name,
            type="Map",
        )
        for name, expression in by_expression.items()
    ]
    within = (
        node("Option", *inner, name="properties", type="Map")
        if inner
        else node("Option", name="properties")
    )
    return node(
        "data_defined_properties",
        node("Option", option("name", ""), within, option("type", "collection"), type="Map"),
    )


def kind_of(geometry_type: str) -> str:
    """Return which kind of symbol draws a geometry type: marker, line or fill.

    Examples
    --------
    >>> kind_of("MultiPolygonZ")
    'fill'
    """
    if "Polygon" in geometry_type:
        return "fill"
    if "LineString" in geometry_type or "Curve" in geometry_type:
        return "line"
    return "marker"


def without_stairs(cell: float) -> str:
    """Return the expression of an outline of cells without their stairs; blank for no cells.

    Such as the plan has it: what leaves the straight line by less than a cell's diagonal goes. Of a
    few cells nothing would be left, so they stay. The geometry itself and its area stay as well.

    Examples
    --------
    >>> without_stairs(0.25)
    'if(area($geometry) > 0.5, simplify($geometry, 0.1875), $geometry)'
    """
    if not cell > 0:
        return ""
    return f"if(area($geometry) > {8 * cell**2:g}, simplify($geometry, {0.75 * cell:g}), $geometry)"


def symbol(name: str, kind: str, symbols: Sequence[Symbol], drawn: str = "") -> ET.Element:
    """Return a whole symbol: `symbols` from the bottom to the top.

    `drawn` is an expression of what is drawn instead of the geometry itself.

    Examples
    --------
    A tinted area with an edge: two layers, the tint below.

    >>> made = symbol("0", "fill", (Tint("#97d3fd"), Stroke("#00679c", 0.25)))
    >>> len(made.findall("layer"))
    2
    """
    layers = [_layer(one, kind, f"@{name}@{i}") for i, one in enumerate(symbols)]
    opacity = min((one.opacity for one in symbols if isinstance(one, Sign)), default=1.0)
    if drawn:
        settings: dict[str, str | float] = {
            "SymbolType": kind.capitalize(),
            "geometryModifier": drawn,
            "units": "MapUnit",
        }
        inner = _symbol(f"@{name}@0", kind, layers, 1.0)
        layers = [_of_class("GeometryGenerator", settings, {}, inner)]
    return _symbol(name, kind, layers, opacity)


def line_symbol(name: str, pen: Stroke) -> ET.Element:
    """Return a symbol that is one line.

    Examples
    --------
    >>> made = line_symbol("0", Stroke("#00679c", 0.25))
    >>> made.get("type"), made.find("layer").get("class")
    ('line', 'SimpleLine')
    """
    return symbol(name, "line", (pen,))


def _symbol(name: str, kind: str, layers: Sequence[ET.Element], opacity: float) -> ET.Element:
    return node(
        "symbol",
        properties({}),
        *layers,
        name=name,
        type=kind,
        alpha=f"{opacity:g}",
        force_rhr="0",
        clip_to_extent="1",
    )


def _layer(one: Symbol, kind: str, name: str) -> ET.Element:
    if isinstance(one, Sign):
        return _marker(one)
    if isinstance(one, Tint):
        fill: dict[str, str | float] = {
            "color": colour(one.colour, one.opacity),
            "style": "solid",
            "outline_style": "no",
        }
        return _of_class("SimpleFill", fill)
    if isinstance(one, Hatch):
        settings: dict[str, str | float] = {
            "angle": f"{one.angle_deg:g}",
            "distance": one.spacing_mm,
            "distance_unit": "MM",
            "line_width": one.pen.width_mm,
            "line_width_unit": "MM",
            "color": colour(one.pen.colour),
        }
        return _of_class("LinePatternFill", settings, {}, line_symbol(name, one.pen))
    return _of_class("SimpleLine", _pen(one))


def _pen(pen: Stroke) -> dict[str, str | float]:
    settings: dict[str, str | float] = {
        "line_color": colour(pen.colour),
        "line_style": "solid",
        "line_width": pen.width_mm,
        "line_width_unit": "MM",
        "capstyle": "flat" if pen.dash_mm else "round",
        "joinstyle": "round",
    }
    if pen.dash_mm:
        settings |= {
            "use_custom_dash": "1",
            "customdash": ";".join(f"{length:g}" for length in pen.dash_mm),
            "customdash_unit": "MM",
        }
    return settings


def _of_class(
    name: str,
    settings: Mapping[str, str | float],
    by_expression: Mapping[str, str] | None = None,
    *inner: ET.Element,
) -> ET.Element:
    return node(
        "layer",
        options(settings),
        properties(by_expression or {}),
        *inner,
        **{"class": name, "enabled": "1", "locked": "0", "pass": "0"},
    )


def _marker(sign: Sign) -> ET.Element:
    by_expression = {}
    if sign.turned_by:
        by_expression["angle"] = f'coalesce("{sign.turned_by}", 0)'
    if sign.grows_with:
        by_expression["size"] = _length_expression(sign.grows_with)
    # a picture's edge lies half outside its shape
    picture = _picture(sign)
    settings: dict[str, str | float] = {
        "name": f"base64:{b64encode(picture.encode('ascii')).decode('ascii')}",
        "size": _side(sign),
        "size_unit": "MM",
        "color": colour(sign.colour),
        "outline_color": colour(sign.pen.colour if sign.pen else sign.colour),
        "outline_width": sign.pen.width_mm if sign.pen else 0.0,
        "outline_width_unit": "MM",
        "scale_method": "diameter",
        "angle": 0.0,
    }
    return _of_class("SvgMarker", settings, by_expression)


def _length_expression(field: str) -> str:
    """Return `arrow_length` as an expression, from its values at 0.1 and 10 percent."""
    least, most = arrow_length(0.1), arrow_length(10.0)
    per_decade = (most - least) / 2.0
    steep = f'clamp(0.1, coalesce("{field}", 0.1), 10)'
    return f"{least:g} + {per_decade:g} * (log10({steep}) + 1)"


def _side(sign: Sign) -> float:
    return sign.size_mm + (sign.pen.width_mm if sign.pen else 0.0)


def _picture(sign: Sign) -> str:
    """Return a sign as SVG in millimetres, its middle at the origin, up to the north."""
    half, r = _side(sign) / 2.0, sign.size_mm / 2.0
    pen = sign.pen
    stroke = f'stroke="{pen.colour}" stroke-width="{pen.width_mm:g}"' if pen else 'stroke="none"'
    ring = f'<circle r="{r:g}" fill="{sign.colour}" {stroke}/>'
    if sign.shape == "dart":
        corners = " ".join(
            f"{aside * sign.size_mm:.4g},{-ahead * sign.size_mm:.4g}" for ahead, aside in DART
        )
        inner = f'<polygon points="{corners}" fill="{sign.colour}" {stroke}/>'
    elif sign.shape == "square":
        inner = (
            f'<rect x="{-r:g}" y="{-r:g}" width="{2 * r:g}" height="{2 * r:g}" '
            f'fill="{sign.colour}" {stroke}/>'
        )
    elif sign.shape == "target":
        ink = pen.colour if pen else sign.colour
        # the lower right and the upper left quarter
        quarters = f"M0 0H{r:g}A{r:g} {r:g} 0 0 1 0 {r:g}ZM0 0H{-r:g}A{r:g} {r:g} 0 0 1 0 {-r:g}Z"
        inner = f'{ring}<path d="{quarters}" fill="{ink}"/>'
    elif sign.shape == "grating":
        bars = "".join(
            f"M{share * r:.4g} {-r * math.sqrt(1 - share**2):.4g}V{r * math.sqrt(1 - share**2):.4g}"
            for share in (-0.45, 0.0, 0.45)
        )
        inner = f'{ring}<path d="{bars}" fill="none" {stroke}/>'
    else:
        inner = ring
    box = f"{-half:g} {-half:g} {2 * half:g} {2 * half:g}"
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{2 * half:g}mm" height="{2 * half:g}mm" '
        f'viewBox="{box}">{inner}</svg>'
    )
