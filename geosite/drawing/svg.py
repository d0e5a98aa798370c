"""The sheet as SVG 1.1: one user unit is one millimetre, the fonts are inside."""

from __future__ import annotations

import math
from base64 import b64encode
from collections.abc import Iterable
from xml.sax.saxutils import escape, quoteattr

from geosite.drawing.decimals import number as _n
from geosite.drawing.decimals import with_numbers
from geosite.drawing.font import Weight, typeface
from geosite.drawing.ink import PAPER
from geosite.drawing.pdf import png_of
from geosite.drawing.sheet import Arc, Outline, Picture, Shape, Sheet, Text

__all__ = ["svg"]

#: Readers without the font inside the file fall back to these.
_FAMILY = "geosite-sheet, 'DejaVu Sans Condensed', 'DejaVu Sans', 'Noto Sans', sans-serif"


def svg(sheet: Sheet) -> str:
    """Return the sheet as an SVG document.

    Lengths have three decimals (a micrometre on paper); arcs are true arcs. Each group is a ``g``
    with its name as ``id`` and its title inside.

    Parameters
    ----------
    sheet
        Lengths in millimetres, y down from the upper edge.

    Examples
    --------
    >>> import numpy as np
    >>> from geosite.drawing.ink import Stroke
    >>> from geosite.drawing.sheet import Group, Rectangle
    >>> line = Outline((np.array([[1.0, 1.0], [4.0, 5.0]]),))
    >>> group = Group("lines", "Lines", (Shape((line,), Stroke("#000000", 0.25)),))
    >>> sheet = Sheet(
    ...     width=100.0,
    ...     height=50.0,
    ...     title="A line",
    ...     description="",
    ...     groups=(group,),
    ...     window=Rectangle(0.0, 0.0, 100.0, 50.0),
    ...     scale=200.0,
    ...     unit="m",
    ...     unit_m=1.0,
    ... )
    >>> [text for text in svg(sheet).splitlines() if "<path d" in text]
    ['<path d="M1 1L4 5" fill="none" stroke="#000000" stroke-width="0.25"/>']
    """
    window = sheet.window
    used: dict[Weight, set[str]] = {}
    body: list[str] = []
    for group in sheet.groups:
        clip = ' clip-path="url(#map-window)"' if group.in_map else ""
        body.append(f"<g id={quoteattr(group.name)}{clip}><title>{escape(group.title)}</title>")
        for item in group.items:
            if isinstance(item, Text):
                used.setdefault(item.weight, set()).update(item.text)
                body.append(_text(item))
            else:
                body.append(_shape(item))
        body.append("</g>")
    fonts = "".join(
        f"@font-face{{font-family:geosite-sheet;font-weight:{weight_name};"
        f"src:url(data:font/ttf;base64,{b64encode(typeface(weight).subset(used[weight])).decode()})"
        "}"
        for weight, weight_name in (("regular", "normal"), ("bold", "bold"))
        if weight in used
    )
    return "\n".join(
        [
            '<?xml version="1.0" encoding="UTF-8"?>',
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{_n(sheet.width)}mm"'
            f' height="{_n(sheet.height)}mm" viewBox="0 0 {_n(sheet.width)} {_n(sheet.height)}">',
            f"<title>{escape(sheet.title)}</title><desc>{escape(sheet.description)}</desc>",
            f"<style>{fonts}text{{font-family:{_FAMILY};white-space:pre}}"
            "path{stroke-linejoin:round;stroke-linecap:butt;fill-rule:evenodd}</style>",
            f'<defs><clipPath id="map-window"><rect x="{_n(window.x)}" y="{_n(window.y)}"'
            f' width="{_n(window.width)}" height="{_n(window.height)}"/></clipPath></defs>',
            f'<rect width="{_n(sheet.width)}" height="{_n(sheet.height)}" fill="{PAPER}"/>',
            *([] if sheet.picture is None else [_picture(sheet.picture)]),
            *body,
            "</svg>",
            "",
        ]
    )


def _picture(picture: Picture) -> str:
    box = picture.box
    data = png_of(picture.pixels, picture.pixels.shape[1] / box.width * 1000)
    return (
        f'<g id="background" clip-path="url(#map-window)"><title>Background</title>'
        f'<image x="{_n(box.x)}" y="{_n(box.y)}" width="{_n(box.width)}"'
        f' height="{_n(box.height)}" preserveAspectRatio="none"'
        f' href="data:image/png;base64,{b64encode(data).decode()}"/></g>'
    )


def _path(outlines: Iterable[Outline]) -> str:
    parts: list[str] = []
    numbers: list[float] = []
    for outline in outlines:
        pen = "M"
        for piece in outline.pieces:
            if isinstance(piece, Arc):
                parts.append(f"{pen}%.3f %.3f")
                numbers += _on(piece, 0.0)
                # an arc of more than half a turn has no unique SVG form: two halves
                halves = 2 if abs(piece.sweep) > math.pi * 0.99 else 1
                for k in range(1, halves + 1):
                    parts.append(f"A%.3f %.3f 0 0 {int(piece.sweep > 0)} %.3f %.3f")
                    numbers += (piece.radius, piece.radius, *_on(piece, k / halves))
            elif len(piece):
                parts.append(f"{pen}%.3f %.3f")
                parts += ["L%.3f %.3f"] * (len(piece) - 1)
                numbers += piece.ravel().tolist()
            pen = "L"
        if outline.closed:
            parts.append("Z")
    return with_numbers("".join(parts), numbers)


def _on(arc: Arc, share: float) -> tuple[float, float]:
    angle = arc.start + arc.sweep * share
    return (
        arc.centre[0] + arc.radius * math.cos(angle),
        arc.centre[1] + arc.radius * math.sin(angle),
    )


def _shape(shape: Shape) -> str:
    look = f'fill="{shape.fill}"' if shape.fill else 'fill="none"'
    if shape.fill and shape.opacity < 1:
        look += f' fill-opacity="{_n(shape.opacity)}"'
    if shape.stroke:
        look += f' stroke="{shape.stroke.colour}" stroke-width="{_n(shape.stroke.width_mm)}"'
        if shape.stroke.dash_mm:
            look += f' stroke-dasharray="{" ".join(map(_n, shape.stroke.dash_mm))}"'
    return f'<path d="{_path(shape.outlines)}" {look}/>'


def _text(item: Text) -> str:
    face = typeface(item.weight)
    look = f'x="{_n(item.x)}" y="{_n(item.y)}" font-size="{_n(item.size)}" fill="{item.colour}"'
    if item.weight == "bold":
        look += ' font-weight="bold"'
    if item.anchor != "start":
        look += f' text-anchor="{item.anchor}"'
    if item.angle:
        look += f' transform="rotate({_n(-item.angle)} {_n(item.x)} {_n(item.y)})"'
    if item.halo:
        look += f' stroke="{PAPER}" stroke-width="{_n(item.size * 0.22)}" paint-order="stroke"'
        look += ' stroke-linejoin="round"'
    if len(item.text) > 1 and not face.lacks(item.text):
        # keeps the width where a reader ignores the font inside
        length = _n(face.width(item.text) * item.size)
        look += f' textLength="{length}" lengthAdjust="spacingAndGlyphs"'
    return f"<text {look}>{escape(item.text)}</text>"
