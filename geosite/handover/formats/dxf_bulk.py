"""Very many points and plane polylines of a drafting file, written as text.

The library makes an object of each entity, checks each of its attributes and asks each again when
it is written, a tenth of a millisecond for a point. Here it writes one entity of a kind and layer,
and the others are that text with their own numbers in it: the same bytes.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from io import StringIO
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from ezdxf.lldxf.tagwriter import AbstractTagWriter

__all__ = ["BulkEntities"]

# numbers that stand in no other place of an entity
_HANDLE = "FEDCBA9876"
_PLACE = (1.234567e-33, 2.345678e-33, 3.456789e-33)
# of vertices, of the polyline that the library writes
_COUNTED = " 90\n1\n"


@dataclass(eq=False)
class _Texts:
    """What stands among the entities of a layout for those that are written already."""

    texts: list[str] = field(default_factory=list)
    is_alive = True

    def export_dxf(self, tagwriter: AbstractTagWriter) -> None:
        """Write them, as the library asks of an entity."""
        tagwriter.write_str("".join(self.texts))


class BulkEntities:
    """Adds points and plane polylines to a layout of a drawing.

    They are only written: the library does not know of them, so its modelspace cannot be asked for
    them.

    Parameters
    ----------
    drawing
        A drawing of the library.
    space
        One of its layouts.
    """

    def __init__(self, drawing: Any, space: Any) -> None:
        self._drawing = drawing
        self._space = space
        self._patterns: dict[tuple[str, str, float | None], tuple[str, str]] = {}
        self._last = _Texts()

    def point(self, at: Sequence[float], on: Mapping[str, str]) -> None:
        """Add a point.

        Parameters
        ----------
        at
            Easting, northing, and height where it is not 0.
        on
            Its ``layer``.
        """
        x, y, z = (*at, 0.0)[:3]
        before, after = self._pattern("POINT", on["layer"], None)
        handle = self._drawing.entitydb.next_handle()
        self._add(f"{before}{handle}{after} 10\n{x!r}\n 20\n{y!r}\n 30\n{z!r}\n")

    def polyline(
        self, points: Sequence[Sequence[float]], on: Mapping[str, str], elevation: float | None
    ) -> None:
        """Add an open plane polyline.

        Parameters
        ----------
        points
            Easting and northing of each vertex.
        on
            Its ``layer``.
        elevation
            0 where left out.
        """
        before, after = self._pattern("LWPOLYLINE", on["layer"], elevation)
        handle = self._drawing.entitydb.next_handle()
        start, end = after.split(_COUNTED)
        vertices = "".join([f" 10\n{x!r}\n 20\n{y!r}\n" for x, y in points])
        self._add(f"{before}{handle}{start} 90\n{len(points)}\n{end}{vertices}")

    def _add(self, text: str) -> None:
        entities = self._space.entity_space.entities
        if not entities or entities[-1] is not self._last:
            self._last = _Texts()
            entities.append(self._last)
        self._last.texts.append(text)

    def _pattern(self, kind: str, layer: str, elevation: float | None) -> tuple[str, str]:
        """Return what the library writes before and after a handle, up to the first place."""
        key = (kind, layer, elevation)
        if key not in self._patterns:
            self._patterns[key] = self._written(*key)
        return self._patterns[key]

    def _written(self, kind: str, layer: str, elevation: float | None) -> tuple[str, str]:
        from ezdxf.entities import factory
        from ezdxf.lldxf.tagwriter import TagWriter

        level = {} if elevation is None else {"elevation": elevation}
        place = {"location": _PLACE} if kind == "POINT" else {}
        one: Any = factory.new(kind, {"layer": layer, **level, **place})
        if kind == "LWPOLYLINE":
            one.append_points([_PLACE[:2]], format="xy")
        one.dxf.handle = _HANDLE
        one.set_owner(self._space.block_record.dxf.handle)
        stream = StringIO()
        one.export_dxf(TagWriter(stream, dxfversion=self._drawing.dxfversion))
        before, _, after = stream.getvalue().partition(_HANDLE)
        after, _, _ = after.partition(f" 10\n{_PLACE[0]!r}\n")
        return before, after
