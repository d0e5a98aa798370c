"""The print layout of the desktop's project: the plan's sheet, scale and map window.

Positions and sizes are millimetres on the sheet. A length on paper is the ground length divided by
the scale, as on the plan, so the scale number that the desktop shows, of lengths on the map grid,
differs from the plan's by the combined factor.
"""

from __future__ import annotations

import uuid
import xml.etree.ElementTree as ET
from base64 import b64encode
from typing import Literal

from geosite.base.units import UNIT_M, plural
from geosite.drawing.ink import FAINT, PAPER, TEXT, Stroke
from geosite.drawing.sheet import Rectangle
from geosite.handover.formats.desktop.style import FONTS, text_style
from geosite.handover.formats.desktop.symbols import line_symbol, symbol
from geosite.handover.formats.markup import node
from geosite.handover.model import CAUTION, Package
from geosite.handover.plan.layout import Layout, scale_name
from geosite.handover.styles.model import Tint
from geosite.handover.wording.reference import arrow_words, crs_words, height_words

__all__ = ["layout_element"]

# numbers of the format
_PAGE, _MAP, _PICTURE, _LABEL, _LEGEND, _SCALE_BAR = 65638, 65639, 65640, 65641, 65642, 65646
_RIGHT, _LEFT = "2", "1"
_POINTS_PER_MM = 72 / 25.4
_NAMESPACE = uuid.uuid5(uuid.NAMESPACE_URL, "urn:geosite:layout")
_NORTH = (
    '<svg xmlns="http://www.w3.org/2000/svg" width="8mm" height="16mm" viewBox="-4 -3 8 16">'
    f'<path d="M0 0 2 12 0 10Z" fill="{TEXT}" stroke="{TEXT}" stroke-width=".2"/>'
    f'<path d="M0 0-2 12 0 10Z" fill="{PAPER}" stroke="{TEXT}" stroke-width=".2"/>'
    f'<path d="M-.9-.5V-2.6L.9-.5V-2.6" fill="none" stroke="{TEXT}" stroke-width=".4"/></svg>'
)


def layout_element(package: Package, layout: Layout, unit: Literal["m", "ft"]) -> ET.Element:
    """Return a print layout with map, title, scale bar, north arrow, legend and caution.

    Parameters
    ----------
    package
    layout
        Of the plan: paper, scale, where the map goes.
    unit
        That the plan speaks.
    """
    view, k = layout.view, layout.lettering
    name = f"Plan {scale_name(view.scale, unit)} on {layout.sheet}"
    # one column beside the map, or several below it: then the legend takes all but the last
    column, below = layout.columns[-1], len(layout.columns) > 1
    legend = layout.columns[0] if below else column
    room = Rectangle(legend.x, legend.y + (0.0 if below else 18.0 * k), legend.width, 20.0 * k)
    caution_top = column.y + 18.0 * k if below else column.bottom - 30.0 * k
    frame = package.frame
    items = [
        _map(layout),
        *_header(package, layout, unit),
        _north(Rectangle(column.x, column.y, 8.0 * k, 16.0 * k)),
        _label(
            "units",
            f"Elevations in {plural(frame.height_unit_name)}\n{arrow_words(frame.convergence)}",
            Rectangle(column.x + 12.0 * k, column.y + 12.0 * k, 55.0 * k, 6.0 * k),
            2.2 * k,
        ),
        _scale_bar(
            Rectangle(column.x + 12.0 * k, column.y + 3.0 * k, 55.0 * k, 9.0 * k), layout, unit
        ),
        _legend(room, k, max(len(layout.columns) - 1, 1)),
        _label(
            "caution",
            CAUTION,
            Rectangle(column.x, caution_top, column.width, 30.0 * k),
            2.2 * k,
        ),
    ]
    for i, item in enumerate(items, start=1):
        item.set("zValue", str(i))
    page = _item(_PAGE, "page", Rectangle(0.0, 0.0, layout.width, layout.height))
    page.append(symbol("", "fill", (Tint(PAPER),)))
    pages = node(
        "PageCollection",
        symbol("", "fill", (Tint(PAPER),)),
        page,
        node("GuideCollection", visible="1"),
    )
    return node(
        "Layout",
        node("Snapper", snapToGrid="0", snapToItems="1", snapToGuides="1", tolerance="5"),
        node("Grid", offsetX="0", offsetY="0", offsetUnits="mm", resolution="10", resUnits="mm"),
        pages,
        *reversed(items),
        node("customproperties", node("Option")),
        node("Atlas", enabled="0", coverageLayer="", hideCoverage="0"),
        name=name,
        units="mm",
        printResolution="300",
        worldFileMap=_id("map"),
    )


def _header(package: Package, layout: Layout, unit: Literal["m", "ft"]) -> list[ET.Element]:
    """Return title, reference systems, scale and date above the map."""
    view, k, header = layout.view, layout.lettering, layout.header
    frame = package.frame
    where = f"Site plan in {crs_words(frame.crs_wkt, frame.crs_name)}, elevations in "
    where += height_words(frame) if frame.vertical_name else "the survey's own height"
    side = 50.0 * k
    right = Rectangle(header.right - side, header.y, side, 6.0 * k)
    return [
        _label(
            "title",
            package.name,
            Rectangle(header.x, header.y, header.width - side, 7.0 * k),
            6 * k,
        ),
        _label(
            "under",
            where,
            Rectangle(header.x, header.y + 7.4 * k, header.width - side, 4.0 * k),
            2.9 * k,
            ink=FAINT,
        ),
        _label("scale", scale_name(view.scale, unit), right, 4.0 * k, align=_RIGHT),
        _label(
            "date",
            f"Surveyed {package.date}" if package.date else "",
            Rectangle(right.x, header.y + 7.4 * k, side, 4.0 * k),
            2.9 * k,
            align=_RIGHT,
        ),
    ]


def _id(name: str) -> str:
    return "{" + str(uuid.uuid5(_NAMESPACE, name)) + "}"


def _item(kind: int, name: str, box: Rectangle, **more: str) -> ET.Element:
    place = f"{box.x:.4g},{box.y:.4g},mm"
    attributes = {
        "type": str(kind),
        "id": name,
        "uuid": _id(name),
        "templateUuid": _id(name),
        "position": place,
        "positionOnPage": place,
        "size": f"{box.width:.7g},{box.height:.7g},mm",
        "referencePoint": "0",
        "frame": "false",
        "background": "false",
        "opacity": "1",
        "visibility": "1",
        "itemRotation": "0",
        "positionLock": "false",
        "outlineWidthM": "0.35,mm",
        "excludeFromExports": "0",
        "blendMode": "0",
    }
    return node(
        "LayoutItem",
        node("FrameColor", **_rgb(TEXT)),
        node("BackgroundColor", **_rgb(PAPER)),
        **{**attributes, **more},
    )


def _rgb(code: str) -> dict[str, str]:
    red, green, blue = (str(int(code[i : i + 2], 16)) for i in (1, 3, 5))
    return {"red": red, "green": green, "blue": blue, "alpha": "255"}


def _map(layout: Layout) -> ET.Element:
    view, window = layout.view, layout.view.window
    east, north = view.centre
    across, up = window.width / 2 / view.mm_per_unit, window.height / 2 / view.mm_per_unit
    item = _item(
        _MAP,
        "map",
        window,
        frame="true",
        background="true",
        keepLayerSet="false",
        followPreset="false",
        drawCanvasItems="true",
        mapRotation="0",
        mapFlags="0",
        labelMargin="0,mm",
    )
    item.append(
        node(
            "Extent",
            xmin=f"{east - across:.6f}",
            xmax=f"{east + across:.6f}",
            ymin=f"{north - up:.6f}",
            ymax=f"{north + up:.6f}",
        )
    )
    item.append(node("LayerSet"))
    return item


def _label(
    name: str, text: str, box: Rectangle, size_mm: float, *, ink: str = TEXT, align: str = _LEFT
) -> ET.Element:
    bold = name in ("title", "scale")
    item = _item(
        _LABEL,
        name,
        box,
        labelText=text.replace("[%", "[ %"),
        htmlState="0",
        halign=align,
        valign="32",
        marginX="0",
        marginY="0",
    )
    item.append(_font("LabelFont", size_mm, bold))
    item.append(node("FontColor", **_rgb(ink)))
    item.append(text_style(size_mm, ink, bold=bold, halo=False))
    return item


def _font(tag: str, size_mm: float, bold: bool) -> ET.Element:
    """Return a font as the older desktop writes it; newer ones read the text style."""
    weight = 75 if bold else 50
    description = f"{FONTS[0]},{size_mm * _POINTS_PER_MM:.3g},-1,5,{weight},0,0,0,0,0"
    return node(tag, description=description, style="Bold" if bold else "")


def _north(box: Rectangle) -> ET.Element:
    return _item(
        _PICTURE,
        "north",
        box,
        file=f"base64:{b64encode(_NORTH.encode('ascii')).decode('ascii')}",
        mode="0",
        resizeMode="0",
        anchorPoint="4",
        northMode="0",
        northOffset="0",
        pictureRotation="0",
        mapUuid=_id("map"),
    )


def _scale_bar(box: Rectangle, layout: Layout, unit: Literal["m", "ft"]) -> ET.Element:
    view = layout.view
    # two boxes of a round length in the room there is
    unit_m = UNIT_M[unit]
    longest = box.width * view.scale / 1000.0 / unit_m / 2.2
    step = next(
        value
        for power in range(6, -4, -1)
        for value in (5 * 10.0**power, 2 * 10.0**power, 10.0**power)
        if value <= longest
    )
    item = _item(
        _SCALE_BAR,
        "scale_bar",
        box,
        style="Single Box",
        unitType="meters" if unit == "m" else "feet",
        unitLabel=unit,
        numUnitsPerSegment=f"{step:g}",
        numMapUnitsPerScaleBarUnit="1",
        numSegments="2",
        numSegmentsLeft="0",
        segmentSizeMode="0",
        height="1.8",
        labelBarSpace="1",
        boxContentSpace="0",
        outlineWidth="0.15",
        alignment="0",
        labelVerticalPlacement="0",
        labelHorizontalPlacement="0",
        mapUuid=_id("map"),
    )
    item.append(text_style(2.4 * layout.lettering, TEXT, halo=False))
    item.append(node("fillColor", **_rgb(TEXT)))
    item.append(node("fillColor2", **_rgb(PAPER)))
    item.append(node("lineSymbol", line_symbol("", Stroke(TEXT, 0.15))))
    item.append(node("fillSymbol1", symbol("", "fill", (Tint(TEXT),))))
    item.append(node("fillSymbol2", symbol("", "fill", (Tint(PAPER),))))
    return item


def _legend(box: Rectangle, k: float, columns: int) -> ET.Element:
    item = _item(
        _LEGEND,
        "legend",
        box,
        title="",
        map_uuid=_id("map"),
        legendFilterByMap="1",
        resizeToContents="1",
        symbolWidth="11",  # a dash, a gap and more: the longest dash has 8 mm
        symbolHeight="2.6",
        columnCount=str(columns),
        boxSpace="0",
        columnSpace="2",
        wrapChar="",
        titleAlignment=_LEFT,
        symbolAlignment=_LEFT,
        lineSpacing="0.6",
    )
    sizes = {
        "title": (3.0, True, 2.0),
        "group": (2.7, True, 2.5),
        "subgroup": (2.4, False, 1.2),
        "symbol": (2.4, False, 1.0),
        "symbolLabel": (2.4, False, 1.0),
    }
    styles = []
    for name, (size, bold, above) in sizes.items():
        style = node(
            "style",
            _font("styleFont", size * k, bold),
            text_style(size * k, TEXT, bold=bold, halo=False),
            name=name,
            alignment=_LEFT,
            indent="0",
            marginTop=f"{above:g}",
        )
        if name == "symbolLabel":
            style.set("marginLeft", "2")
        styles.append(style)
    item.append(node("styles", *styles))
    return item
