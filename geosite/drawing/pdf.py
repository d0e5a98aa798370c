"""The sheet as PDF 1.7 (ISO 32000-1): true size, layers, fonts inside, no date, same bytes always.

Written out here because a sheet needs little of the format, and some of it no small library has:
optional-content layers (8.11), a measuring viewport (12.9) so that a reader's ruler shows site
lengths, and no scaling on printing (12.2).
"""

from __future__ import annotations

import math
import zlib
from collections.abc import Callable, Iterable
from functools import cache
from hashlib import sha256
from typing import TYPE_CHECKING

from geosite.drawing.decimals import number as _n
from geosite.drawing.decimals import with_numbers
from geosite.drawing.font import Typeface, Weight, typeface
from geosite.drawing.ink import PAPER
from geosite.drawing.sheet import (
    Arc,
    Outline,
    Page,
    Picture,
    Place,
    Rectangle,
    Shape,
    Sheet,
    Text,
)

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

__all__ = ["pdf", "png", "png_of"]

#: Points per millimetre.
_PT = 72 / 25.4


def pdf(first: Page, *more: Page) -> bytes:
    """Return pages as one PDF document, titled after the first of them.

    Parameters
    ----------
    first, *more
        A `Sheet` becomes a page whose map can be measured on; a plain `Page` one of words.

    Examples
    --------
    >>> page = Page(width=210, height=297, title="Slip", description="", groups=())
    >>> document = pdf(page, page)
    >>> document[:8], document.count(b"/Type /Page ")
    (b'%PDF-1.7', 2)
    """
    sheets = (first, *more)
    objects: list[bytes] = []

    def add(body: str | bytes) -> int:
        objects.append(body.encode("ascii") if isinstance(body, str) else body)
        return len(objects)

    def stream(data: bytes, entries: str) -> int:
        packed = zlib.compress(data, 6)
        head = f"<< /Length {len(packed)} /Filter /FlateDecode {entries}>>\nstream\n"
        return add(head.encode("ascii") + packed + b"\nendstream")

    used: dict[Weight, set[str]] = {}
    opacities: dict[float, str] = {}
    catalogue, pages = add(""), add("")
    leaves, layers = [], []
    for sheet in sheets:
        leaf = add("")
        body = stream(_Page(sheet, used, opacities).content(), "")
        picture = sheet.picture if isinstance(sheet, Sheet) else None
        image = None if picture is None else _image(picture, stream)
        under = [add(f"<< /Type /OCG /Name {_string('Background')} >>")] if picture else []
        own = under + [
            add(f"<< /Type /OCG /Name {_string(group.title)} >>")
            for group in sheet.groups
            if group.items
        ]
        leaves.append((leaf, body, own, image))
        layers += own
    fonts = " ".join(
        f"/{_FONT[weight]} {_font(typeface(weight), used[weight], add, stream)} 0 R"
        for weight in sorted(used)
    )
    states = " ".join(f"/{name} << /ca {_n(value)} >>" for value, name in sorted(opacities.items()))
    for sheet, (leaf, body, own, image) in zip(sheets, leaves, strict=True):
        properties = " ".join(f"/{_layer(i)} {number} 0 R" for i, number in enumerate(own))
        objects[leaf - 1] = (
            f"<< /Type /Page /Parent {pages} 0 R /Contents {body} 0 R"
            f" /MediaBox [0 0 {_n(sheet.width * _PT)} {_n(sheet.height * _PT)}]"
            f" /Resources << /Font << {fonts} >> /ExtGState << {states} >>"
            f" /Properties << {properties} >>{_drawn(image)} >>{_viewport(sheet)} >>"
        ).encode("ascii")
    listed = " ".join(f"{number} 0 R" for number in layers)
    kids = " ".join(f"{leaf} 0 R" for leaf, *_ in leaves)
    objects[catalogue - 1] = (
        f"<< /Type /Catalog /Pages {pages} 0 R /Lang (en) /PageMode /UseNone"
        " /ViewerPreferences << /PrintScaling /None /DisplayDocTitle true >>"
        f" /OCProperties << /OCGs [{listed}] /D << /Order [{listed}] /ON [{listed}] >> >> >>"
    ).encode("ascii")
    objects[pages - 1] = f"<< /Type /Pages /Kids [{kids}] /Count {len(leaves)} >>".encode("ascii")
    info = add(
        f"<< /Title {_string(first.title)} /Subject {_string(first.description)}"
        " /Producer (geosite) >>"
    )
    return _assemble(objects, catalogue, info)


def _image(picture: Picture, stream: Callable[[bytes, str], int]) -> int:
    """Add the pixels of a picture (8.9.5)."""
    rows, columns = picture.pixels.shape[:2]
    entries = (
        f"/Type /XObject /Subtype /Image /Width {columns} /Height {rows} /ColorSpace /DeviceRGB"
        " /BitsPerComponent 8 "
    )
    return stream(picture.pixels.tobytes(), entries)


def _drawn(image: int | None) -> str:
    return "" if image is None else f" /XObject << /{_PICTURE} {image} 0 R >>"


def _viewport(sheet: Page) -> str:
    """Return the part of a page that a reader can measure on (12.9)."""
    if not isinstance(sheet, Sheet):
        return ""
    window, top = sheet.window, sheet.height
    box = " ".join(
        _n(v * _PT) for v in (window.x, top - window.bottom, window.right, top - window.y)
    )
    per_point = sheet.scale / 1000 / _PT / sheet.unit_m
    square = _string(f"{sheet.unit}²")
    unit = _string(sheet.unit)
    measure = (
        f"<< /Type /Measure /Subtype /RL /R {_string(f'1:{_n(sheet.scale)}')}"
        f" /X [<< /Type /NumberFormat /U {unit} /C {per_point:.9f} /D 1000 >>]"
        f" /D [<< /Type /NumberFormat /U {unit} /C 1 /D 1000 >>]"
        f" /A [<< /Type /NumberFormat /U {square} /C 1 /D 100 >>] >>"
    )
    # where two lie over each other the later one counts: a ruler shows lengths on the ground
    views = [] if sheet.place is None else [_on_earth(sheet.place)]
    views.append(measure)
    named = f"<< /Type /Viewport /BBox [{box}] /Name {_string('Map')} /Measure "
    return f" /VP [{' '.join(f'{named}{view} >>' for view in views)}]"


def _on_earth(place: Place) -> str:
    """Return where the corners of a viewport lie (ISO 32000-2, 12.10), for a GIS that opens it."""
    corners = " ".join(f"{latitude:.10f} {longitude:.10f}" for latitude, longitude in place.corners)
    square = "0 0 0 1 1 1 1 0"
    code = "" if place.epsg is None else f" /EPSG {place.epsg}"
    return (
        f"<< /Type /Measure /Subtype /GEO /Bounds [{square}] /LPTS [{square}] /GPTS [{corners}]"
        f" /GCS << /Type /PROJCS{code} /WKT {_string(place.wkt)} >> >>"
    )


def png(document: bytes, dpi: float) -> bytes:
    """Return the first page of a PDF document as a PNG image of at most 8 million pixels."""
    import pypdfium2

    opened = pypdfium2.PdfDocument(document)
    page = opened[0]
    zoom = min(dpi / 72, math.sqrt(8e6 / (page.get_width() * page.get_height())))
    bitmap = page.render(scale=zoom, rev_byteorder=True)
    image = png_of(bitmap.to_numpy()[..., :3], zoom * _PT * 1000)
    for part in (bitmap, page, opened):
        part.close()
    return image


def png_of(pixels: npt.NDArray[np.uint8], per_metre: float) -> bytes:
    """Return pixels, shape (rows, columns, 3), as a PNG image with so many of them per metre."""
    import struct

    import numpy as np

    rows, columns = pixels.shape[:2]
    # each row starts with its filter: none; a few rows at a time, as new memory takes longer to get
    # than to pack
    lines = np.zeros((_ROWS_AT_A_TIME, 1 + 3 * columns), np.uint8)
    packer, packed = zlib.compressobj(2), []
    for top in range(0, rows, _ROWS_AT_A_TIME):
        block = pixels[top : top + _ROWS_AT_A_TIME]
        lines[: len(block), 1:] = block.reshape(len(block), -1)
        packed.append(packer.compress(lines[: len(block)].data))
    packed.append(packer.flush())
    resolution = round(per_metre)

    def chunk(kind: bytes, data: bytes) -> bytes:
        return (
            struct.pack(">L", len(data)) + kind + data + struct.pack(">L", zlib.crc32(kind + data))
        )

    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", struct.pack(">LLBBBBB", columns, rows, 8, 2, 0, 0, 0))
        + chunk(b"sRGB", b"\0")
        + chunk(b"pHYs", struct.pack(">LLB", resolution, resolution, 1))
        + chunk(b"IDAT", b"".join(packed))
        + chunk(b"IEND", b"")
    )


_ROWS_AT_A_TIME = 64

_PICTURE = "P0"
_FONT: dict[Weight, str] = {"regular": "R", "bold": "B"}


class _Page:
    """The content stream of a page; the resources it asks for are noted for the document."""

    def __init__(
        self, sheet: Page, used: dict[Weight, set[str]], opacities: dict[float, str]
    ) -> None:
        self.sheet = sheet
        self.used = used
        self.opacities = opacities

    def content(self) -> bytes:
        out: list[str] = ["1 j 0 J"]
        number = 0
        if isinstance(self.sheet, Sheet) and self.sheet.picture is not None:
            out += self._picture(self.sheet.picture, self.sheet)
            number = 1
        for group in self.sheet.groups:
            if not group.items:
                continue
            out.append(f"/OC /{_layer(number)} BDC q")
            number += 1
            if group.in_map and isinstance(self.sheet, Sheet):
                out.append(f"{self._box(self.sheet.window)} re W n")
            for item in group.items:
                if isinstance(item, Text):
                    self._text(item, out)
                else:
                    self._shape(item, out)
            out.append("Q EMC")
        return "\n".join(out).encode("ascii")

    def _picture(self, picture: Picture, sheet: Sheet) -> list[str]:
        """Draw a picture below everything else, as a layer of its own."""
        box = picture.box
        place = f"{_n(box.width * _PT)} 0 0 {_n(box.height * _PT)} {self._xy(box.x, box.bottom)} cm"
        drawn = f"{self._box(sheet.window)} re W n {place} /{_PICTURE} Do"
        return [f"/OC /{_layer(0)} BDC q", drawn, "Q EMC"]

    def _box(self, box: Rectangle) -> str:
        corner = self._xy(box.x, box.bottom)
        return f"{corner} {_n(box.width * _PT)} {_n(box.height * _PT)}"

    def _xy(self, x: float, y: float) -> str:
        return f"{_n(x * _PT)} {_n((self.sheet.height - y) * _PT)}"

    def _path(self, outlines: Iterable[Outline], out: list[str]) -> None:
        lines: list[str] = []
        coordinates: list[float] = []
        for outline in outlines:
            pen = "m"
            for piece in outline.pieces:
                if isinstance(piece, Arc):
                    self._arc(piece, pen, lines, coordinates)
                    pen = "l"
                elif len(piece):
                    lines.append(f"%.3f %.3f {pen}")
                    lines += ["%.3f %.3f l"] * (len(piece) - 1)
                    coordinates += piece.ravel().tolist()
                    pen = "l"
            if outline.closed:
                lines.append("h")
        if lines:
            height = self.sheet.height
            coordinates[::2] = [x * _PT for x in coordinates[::2]]
            coordinates[1::2] = [(height - y) * _PT for y in coordinates[1::2]]
            out.append(with_numbers("\n".join(lines), coordinates))

    def _arc(self, arc: Arc, pen: str, lines: list[str], coordinates: list[float]) -> None:
        # a curve for an eighth of a turn is within 4e-6 of the radius, one for a quarter within
        # 3e-4, which is enough for small signs
        widest = math.pi / 4 if arc.radius > 2.0 else math.pi / 2
        parts = max(math.ceil(abs(arc.sweep) / widest - 1e-9), 1)
        step = arc.sweep / parts
        control = arc.radius * 4 / 3 * math.tan(step / 4)
        angle = arc.start
        x, y = self._on(arc, angle)
        lines.append(f"%.3f %.3f {pen}")
        coordinates += (x, y)
        for _ in range(parts):
            coordinates += (x - control * math.sin(angle), y + control * math.cos(angle))
            angle += step
            x, y = self._on(arc, angle)
            coordinates += (x + control * math.sin(angle), y - control * math.cos(angle), x, y)
            lines.append("%.3f %.3f %.3f %.3f %.3f %.3f c")

    @staticmethod
    def _on(arc: Arc, angle: float) -> tuple[float, float]:
        return (
            arc.centre[0] + arc.radius * math.cos(angle),
            arc.centre[1] + arc.radius * math.sin(angle),
        )

    def _shape(self, shape: Shape, out: list[str]) -> None:
        faint = bool(shape.fill) and shape.opacity < 1
        if faint:
            name = self.opacities.setdefault(shape.opacity, f"G{len(self.opacities)}")
            out.append(f"q /{name} gs")
        if shape.fill:
            out.append(f"{_rgb(shape.fill)} rg")
        if shape.stroke:
            dash = " ".join(_n(v * _PT) for v in shape.stroke.dash_mm)
            out.append(
                f"{_rgb(shape.stroke.colour)} RG {_n(shape.stroke.width_mm * _PT)} w [{dash}] 0 d"
            )
        self._path(shape.outlines, out)
        out.append(
            {(True, True): "B*", (True, False): "f*", (False, True): "S"}.get(
                (bool(shape.fill), bool(shape.stroke)), "n"
            )
        )
        if faint:
            out.append("Q")

    def _text(self, item: Text, out: list[str]) -> None:
        face = typeface(item.weight)
        self.used.setdefault(item.weight, set()).update(item.text)
        width = face.width(item.text) * item.size
        back = {"start": 0.0, "middle": width / 2, "end": width}[item.anchor]
        turn = math.radians(item.angle)
        cos, sin = math.cos(turn), math.sin(turn)
        place = self._xy(item.x - back * cos, item.y + back * sin)
        matrix = f"{cos:.6f} {sin:.6f} {-sin:.6f} {cos:.6f} {place} Tm"
        size = _n(item.size * _PT)
        shown = f"{matrix} <{face.coded(item.text)}> Tj"
        lacking = face.lacks(item.text)
        if lacking:  # readers and searches get the characters that the page shows as boxes
            out.append(f"/Span << /ActualText {_string(item.text)} >> BDC")
        out.append(f"BT /{_FONT[item.weight]} {size} Tf")
        if item.halo:
            rim = f"1 Tr {_rgb(PAPER)} RG {_n(item.size * 0.22 * _PT)} w [] 0 d"
            out.append(f"{rim} {shown} 0 Tr")
        out.append(f"{_rgb(item.colour)} rg {shown} ET")
        if lacking:
            out.append("EMC")


def _font(
    face: Typeface,
    used: set[str],
    add: Callable[[str | bytes], int],
    stream: Callable[[bytes, str], int],
) -> int:
    """Add a composite font coded by glyph number, with its way back to characters."""
    known = sorted((face.glyphs[c], c) for c in used if c in face.glyphs)
    subset = face.subset(used)
    # six letters mark a subset (9.6.4); taken from its content, so that they repeat
    tag = "".join(chr(65 + b % 26) for b in sha256(subset).digest()[:6])
    name = f"{tag}+{face.name}"
    widths = " ".join(
        f"{g} [{_n(face.advances[g] * 1000)}]" for g in sorted({0} | {g for g, _ in known})
    )
    program = stream(subset, f"/Length1 {len(subset)} ")
    box = " ".join(_n(v * 1000) for v in face.box)
    descriptor = add(
        f"<< /Type /FontDescriptor /FontName /{name} /Flags 4 /FontBBox [{box}] /ItalicAngle 0"
        f" /Ascent {_n(face.ascent * 1000)} /Descent {_n(face.descent * 1000)}"
        f" /CapHeight 729 /StemV {120 if 'Bold' in face.name else 80}"
        f" /FontFile2 {program} 0 R >>"
    )
    descendant = add(
        f"<< /Type /Font /Subtype /CIDFontType2 /BaseFont /{name}"
        " /CIDSystemInfo << /Registry (Adobe) /Ordering (Identity) /Supplement 0 >>"
        f" /FontDescriptor {descriptor} 0 R /DW 600 /W [{widths}] /CIDToGIDMap /Identity >>"
    )
    lines = [f"<{g:04x}> <{c.encode('utf-16-be').hex()}>" for g, c in known]
    blocks = [lines[i : i + 100] for i in range(0, len(lines), 100)]
    mapping = "\n".join(
        [
            "/CIDInit /ProcSet findresource begin 12 dict begin begincmap",
            "/CIDSystemInfo << /Registry (Adobe) /Ordering (UCS) /Supplement 0 >> def",
            "/CMapName /Adobe-Identity-UCS def /CMapType 2 def",
            "1 begincodespacerange <0000> <ffff> endcodespacerange",
            *(f"{len(b)} beginbfchar\n" + "\n".join(b) + "\nendbfchar" for b in blocks),
            "endcmap CMapName currentdict /CMap defineresource pop end end",
        ]
    )
    unicode = stream(mapping.encode("ascii"), "")
    return add(
        f"<< /Type /Font /Subtype /Type0 /BaseFont /{name} /Encoding /Identity-H"
        f" /DescendantFonts [{descendant} 0 R] /ToUnicode {unicode} 0 R >>"
    )


def _assemble(objects: list[bytes], catalogue: int, info: int) -> bytes:
    # the second line tells transfer programs that the file is binary (7.5.2)
    out = bytearray(b"%PDF-1.7\n%\xe2\xe3\xcf\xd3\n")
    starts = []
    for number, body in enumerate(objects, start=1):
        starts.append(len(out))
        out += f"{number} 0 obj\n".encode("ascii") + body + b"\nendobj\n"
    name = sha256(out).hexdigest()[:32]
    table = len(out)
    out += f"xref\n0 {len(objects) + 1}\n0000000000 65535 f \n".encode("ascii")
    for start in starts:
        out += f"{start:010d} 00000 n \n".encode("ascii")
    out += (
        f"trailer\n<< /Size {len(objects) + 1} /Root {catalogue} 0 R /Info {info} 0 R"
        f" /ID [<{name}> <{name}>] >>\nstartxref\n{table}\n%%EOF\n"
    ).encode("ascii")
    return bytes(out)


@cache
def _rgb(colour: str) -> str:
    return " ".join(_n(int(colour[i : i + 2], 16) / 255) for i in (1, 3, 5))


def _layer(number: int) -> str:
    return f"L{number}"


def _string(text: str) -> str:
    """Return a text string, UTF-16 with byte order mark, in hexadecimal."""
    return f"<feff{text.encode('utf-16-be', 'replace').hex()}>"
