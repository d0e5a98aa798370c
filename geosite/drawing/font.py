"""The typeface of the plan sheet: how wide a text is, and the part of the font a document needs.

Only what a sheet uses of the OpenType tables (ISO/IEC 14496-22) is read: `cmap` format 4, `hmtx`,
`loca`, `glyf`. A general font library takes longer to import than the whole sheet to draw.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache, cached_property
from importlib.resources import files
from typing import Literal

import numpy as np

__all__ = ["Typeface", "Weight", "printable", "typeface"]

Weight = Literal["regular", "bold"]

#: Blanks that Python does not call printable: no-break, and the narrow one between thousands.
_BLANKS = "\u00a0\u202f"

#: What stands behind a number and is not parted from it at the end of a line.
_UNITS = frozenset(
    (
        *("%", "ppm", "mm", "cm", "m", "km", "in", "ft", "mi"),
        *(f"{unit}{power}" for unit in ("m", "ft", "yd") for power in "23\u00b2\u00b3"),
    )
)

_FILES: Mapping[Weight, str] = {
    "regular": "DejaVuSansCondensed.ttf",
    "bold": "DejaVuSansCondensed-Bold.ttf",
}


def _unparted(text: str) -> list[str]:
    """Return the words of a text, numbers with the unit behind them and thousands as one."""
    words: list[str] = []
    for word in re.split(r"[ \t\r\n]+", text.strip(" \t\r\n")):
        if words and words[-1][-1:].isdigit() and word.rstrip(".,;:)") in _UNITS:
            words[-1] += f" {word}"
        elif word:
            words.append(word)
    return words


@dataclass(frozen=True, eq=False)
class Typeface:
    """One font.

    Parameters
    ----------
    name
        PostScript name.
    tables
        Raw OpenType tables by tag.
    glyphs
        Glyph number by character; a missing character is drawn as glyph 0, an empty box.
    advances
        Advance width by glyph number, in em.
    box : (left, bottom, right, top), em
        Of all glyphs.
    ascent, descent
        Above and (negative) below the baseline, em.
    """

    name: str
    tables: Mapping[str, bytes]
    glyphs: Mapping[str, int]
    advances: tuple[float, ...]
    box: tuple[float, float, float, float]
    ascent: float
    descent: float

    @cached_property
    def _widths(self) -> _Widths:
        return _Widths(self)

    @cached_property
    def _codes(self) -> _Codes:
        return _Codes(self)

    def width(self, text: str) -> float:
        """Return the width of a text, em."""
        return sum(map(self._widths.__getitem__, text))

    def coded(self, text: str) -> str:
        """Return the glyph numbers of a text, four hexadecimal digits each."""
        return "".join(map(self._codes.__getitem__, text))

    def lacks(self, text: str) -> bool:
        """Return whether a character of the text is drawn as an empty box."""
        return not self.glyphs.keys() >= set(text)

    def fit(self, text: str, limit: float) -> str:
        """Return the text, cut with an ellipsis if it is wider than `limit` em."""
        if self.width(text) <= limit:
            return text
        room, subset = limit - self.width("…"), 0
        for c in text:
            room -= self.advances[self.glyphs.get(c, 0)]
            if room < 0:
                break
            subset += 1
        return text[:subset].rstrip() + "…"

    def wrap(self, text: str, limit: float) -> list[str]:
        """Break a text into lines of at most `limit` em, between words where it can be.

        A number and its unit stay together where a line has room for both.
        """
        lines: list[str] = []
        words: list[str] = []
        blank, used = self.width(" "), 0.0
        waiting = _unparted(text)[::-1]
        while waiting:
            word = waiting.pop()
            wide = self.width(word)
            if wide > limit and " " in word:
                waiting += word.split(" ")[::-1]
                continue
            if words and used + blank + wide <= limit:
                words.append(word)
                used += blank + wide
                continue
            if words:
                lines.append(" ".join(words))
            while wide > limit and len(word) > 1:
                cut = max(len(self.fit(word, limit)) - 1, 1)
                lines.append(word[:cut])
                word = word[cut:]
                wide = self.width(word)
            words, used = [word], wide
        return [*lines, " ".join(words)] if words else lines

    def subset(self, text: Iterable[str]) -> bytes:
        """Return the font file with the outlines of these characters only.

        Glyph numbers stay as they are, so that text coded by them stays valid.
        """
        subset = {0} | {self.glyphs[c] for c in text if c in self.glyphs}
        glyf, old = self.tables["glyf"], _loca(self.tables)
        waiting = list(subset)
        while waiting:
            g = waiting.pop()
            for part in _components(glyf[old[g] : old[g + 1]]):
                if part not in subset:
                    subset.add(part)
                    waiting.append(part)
        outlines = bytearray()
        ends = np.zeros(len(old), np.uint32)
        for g in sorted(subset):
            outlines += glyf[old[g] : old[g + 1]]
            outlines += b"\0" * (-len(outlines) % 4)
            ends[g + 1] = len(outlines)
        # a glyph without an outline ends where the one before it does
        loca = np.maximum.accumulate(ends)
        head = bytearray(self.tables["head"])
        head[50:52] = b"\0\1"  # loca in long format
        return _font_file(
            {
                **self.tables,
                "head": bytes(head),
                "glyf": bytes(outlines),
                "loca": loca.astype(">u4").tobytes(),
            }
        )


class _Widths(dict[str, float]):
    """Advance width by character, em; looked up in the face once for each that is used."""

    def __init__(self, face: Typeface) -> None:
        self.face = face

    def __missing__(self, character: str) -> float:
        self[character] = width = self.face.advances[self.face.glyphs.get(character, 0)]
        return width


class _Codes(dict[str, str]):
    """Glyph number by character, four hexadecimal digits; looked up as widths are."""

    def __init__(self, face: Typeface) -> None:
        self.face = face

    def __missing__(self, character: str) -> str:
        self[character] = code = f"{self.face.glyphs.get(character, 0):04x}"
        return code


def printable(text: str, limit: int = 60) -> str:
    r"""Return a text safe for one line of a drawing: no control or direction characters.

    Examples
    --------
    >>> printable("1\u202f014 ft\x07")
    '1\u202f014 ft□'
    """
    shown = text[: limit + 1]
    if not shown.isprintable():
        shown = "".join(c if c.isprintable() or c in _BLANKS else "□" for c in shown)
    return shown if len(shown) <= limit else shown[: limit - 1] + "…"


@cache
def typeface(weight: Weight) -> Typeface:
    """Read one of the two fonts in the package.

    Examples
    --------
    >>> typeface("regular").width("ii") < typeface("regular").width("WW")
    True
    """
    data = (files("geosite.drawing") / "fonts" / _FILES[weight]).read_bytes()
    count = struct.unpack(">H", data[4:6])[0]
    tables = {}
    for i in range(count):
        tag, _, start, length = struct.unpack(">4sLLL", data[12 + 16 * i : 28 + 16 * i])
        tables[tag.decode("ascii")] = data[start : start + length]
    head = tables["head"]
    em = struct.unpack(">H", head[18:20])[0]
    ascent, descent = struct.unpack(">hh", tables["hhea"][4:8])
    metrics = struct.unpack(">H", tables["hhea"][34:36])[0]
    glyphs = struct.unpack(">H", tables["maxp"][4:6])[0]
    wide = np.frombuffer(tables["hmtx"], ">u2", 2 * metrics)[::2] / em
    advances = np.concatenate([wide, np.full(glyphs - metrics, wide[-1])])
    box = struct.unpack(">hhhh", head[36:44])
    return Typeface(
        _FILES[weight].removesuffix(".ttf"),
        tables,
        _characters(tables["cmap"]),
        tuple(map(float, advances)),
        (box[0] / em, box[1] / em, box[2] / em, box[3] / em),
        ascent / em,
        descent / em,
    )


def _characters(cmap: bytes) -> dict[str, int]:
    """Read the Unicode subtable of format 4."""
    for i in range(struct.unpack(">H", cmap[2:4])[0]):
        start = struct.unpack(">L", cmap[8 + 8 * i : 12 + 8 * i])[0]
        if struct.unpack(">H", cmap[start : start + 2])[0] == 4:
            break
    else:
        raise ValueError("the packaged font has no cmap of format 4")
    length, _, double = struct.unpack(">HHH", cmap[start + 2 : start + 8])
    table = cmap[start : start + length]
    n = double // 2
    ends = np.frombuffer(table, ">u2", n, 14)
    starts = np.frombuffer(table, ">u2", n, 16 + 2 * n)
    deltas = np.frombuffer(table, ">u2", n, 16 + 4 * n)
    offsets = np.frombuffer(table, ">u2", n, 16 + 6 * n)
    found: dict[str, int] = {}
    for k in range(n):
        start, count = int(starts[k]), int(ends[k]) + 1 - int(starts[k])
        glyphs = np.arange(start, start + count)
        there = np.ones(count, np.bool_)
        if offsets[k]:
            glyphs = np.frombuffer(table, ">u2", count, 16 + 6 * n + 2 * k + int(offsets[k]))
            there = glyphs > 0
        numbers = (glyphs.astype(np.int64) + int(deltas[k])) & 0xFFFF
        there &= numbers > 0
        codes = np.flatnonzero(there) + start
        found.update(zip(map(chr, codes.tolist()), numbers[there].tolist(), strict=True))
    return found


def _loca(tables: Mapping[str, bytes]) -> list[int]:
    if struct.unpack(">h", tables["head"][50:52])[0]:
        starts = np.frombuffer(tables["loca"], ">u4").astype(np.int64)
    else:
        starts = 2 * np.frombuffer(tables["loca"], ">u2").astype(np.int64)
    return list(map(int, starts))


def _components(outline: bytes) -> list[int]:
    """Return the glyphs a composite glyph is made of."""
    if len(outline) < 10 or struct.unpack(">h", outline[:2])[0] >= 0:
        return []
    parts, at, more = [], 10, True
    while more:
        flags, glyph = struct.unpack(">HH", outline[at : at + 4])
        parts.append(glyph)
        at += 8 if flags & 0x1 else 6  # arguments are words or bytes
        at += 2 if flags & 0x8 else 4 if flags & 0x40 else 8 if flags & 0x80 else 0  # scale
        more = bool(flags & 0x20)
    return parts


def _font_file(tables: Mapping[str, bytes]) -> bytes:
    """Assemble tables into a font file, checksums included."""
    tags = sorted(tables)
    power = len(tags).bit_length() - 1
    header = struct.pack(
        ">LHHHH", 0x00010000, len(tags), 16 << power, power, 16 * len(tags) - (16 << power)
    )
    at = 12 + 16 * len(tags)
    directory, body = b"", b""
    head_at = 0
    for tag in tags:
        data = tables[tag]
        if tag == "head":
            data = data[:8] + b"\0\0\0\0" + data[12:]
            head_at = at
        directory += struct.pack(">4sLLL", tag.encode("ascii"), _checksum(data), at, len(data))
        data += b"\0" * (-len(data) % 4)
        body += data
        at += len(data)
    whole = bytearray(header + directory + body)
    whole[head_at + 8 : head_at + 12] = struct.pack(
        ">L", (0xB1B0AFBA - _checksum(bytes(whole))) & 0xFFFFFFFF
    )
    return bytes(whole)


def _checksum(data: bytes) -> int:
    padded = data + b"\0" * (-len(data) % 4)
    return int(np.frombuffer(padded, ">u4").sum(dtype=np.uint64)) & 0xFFFFFFFF
