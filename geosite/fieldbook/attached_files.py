"""What the site file points to beside the field book: parcel map, limit sets, second surfaces.

The readers are loaded where a file is read: most sites name none or one.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol, TypeVar

import msgspec

from geosite.base.errors import InputError, Problem, Refuse
from geosite.base.problems import Problems
from geosite.fieldbook import sitefile
from geosite.fieldbook.against_schema import name_impossible, refusal
from geosite.fieldbook.sitefile import DeviceTable, SiteFile
from geosite.reading.files import check_plain_file, decode, inside
from geosite.reading.toml_lines import TomlText
from geosite.reading.toml_text import parse_toml

if TYPE_CHECKING:
    from geosite.fieldbook.rough_place import Surroundings
    from geosite.reading.background_lines import BackgroundLines
    from geosite.reading.designs import Design
    from geosite.reading.pictures import GroundPicture
    from geosite.reading.polygons import PolygonLayer
    from geosite.reading.second_surface import SecondSurface

__all__ = ["Attached", "read_attached"]

PICTURE_ENDINGS = (".tif", ".tiff")
"""Backgrounds that are pictures; the others are layers."""

RASTER_ENDINGS = (".tif", ".tiff", ".asc")
"""Design files that are rasters; the others are layers."""

VECTOR_LIMIT = 1_000_000_000
TABLES_LIMIT = 1_000_000
RASTER_LIMIT = 2_000_000_000
"""Largest files read, bytes."""

_DEVICE_TWICE = (
    "device-twice",
    "[survey.device] and [survey.leg_noise] both say what the device does",
    "one of them",
    "leave [survey.leg_noise] out",
)

T = TypeVar("T")
TomlTables = tuple[Mapping[str, Any], TomlText]


class _DeviceFile(msgspec.Struct):
    """What is read of a device file."""

    device: DeviceTable


class LineOf(Protocol):
    """Gives the line of a key of the site file by its path."""

    def __call__(self, *path: str | int) -> int | None: ...


@dataclass(frozen=True, eq=False)
class Attached:
    """Everything the site file points to.

    Parameters
    ----------
    parcels
        The parcel map.
    limit_tables
        The user's own limit sets as TOML tables; the file they came from and their lines there.
    surfaces
        Second surfaces by the name of the earthwork that asks for them.
    designs
        Files of designs by the name of the design.
    device
        What ``[survey.device]`` ``file`` says of the device.
    background
        The picture or the lines under the plan.
    """

    parcels: PolygonLayer | None = None
    limit_tables: Mapping[str, Any] = field(default_factory=dict)
    limits_file: str = ""
    limit_lines: Mapping[tuple[str | int, ...], int] = field(default_factory=dict)
    surfaces: Mapping[str, SecondSurface] = field(default_factory=dict)
    designs: Mapping[str, Design | SecondSurface] = field(default_factory=dict)
    device: DeviceTable | None = None
    background: GroundPicture | BackgroundLines | None = None


def read_attached(
    site: SiteFile,
    folder: Path,
    file: str,
    line: LineOf,
    problems: Problems,
    near: Surroundings | None = None,
) -> Attached:
    """Read every file that the site file points to; what is wrong goes into `problems`.

    Parameters
    ----------
    site, folder, file
        The site file's tables, its folder, its name for messages.
    line
        Gives the line of a key of the site file by its path.
    problems
        Receives everything that is wrong with any of the files.
    near
        Where the survey lies: of a parcel map no more is read.
    """

    def read(reader: Callable[[Path, Refuse], T], named: str, limit: int, *key: str) -> T | None:
        at = line(*key)
        path = inside(folder, named, ".".join(key), problems, file, at)
        what = f"{'.'.join(key)}: the file"
        if path is None or not check_plain_file(path, named, what, limit, problems, (file, at)):
            return None

        def refuse(code: str, wrong: str, expected: str, remedy: str) -> InputError:
            said = f"{'.'.join(key)}: {wrong}"
            return InputError(Problem(code, said, expected, remedy, file, at))

        try:
            return reader(path.resolve(), refuse)
        except InputError as error:
            problems.extend(error.problems)
            return None

    parcels: PolygonLayer | None = None
    if (table := site.parcels) is not None:
        parcels = read(partial(_parcels, table, near), table.file, VECTOR_LIMIT, "parcels", "file")
    told: TomlTables | None = None
    if (limits := site.grades.limits_file) is not None:
        told = read(partial(_tables, limits), limits, TABLES_LIMIT, "grades", "limits_file")
    surfaces: dict[str, SecondSurface] = {}
    for name, wanted in site.earthworks.items():
        if wanted.surface is not None:
            key = ("earthworks", name, "surface")
            surface = read(partial(_surface, wanted.surface), wanted.surface, RASTER_LIMIT, *key)
            if surface is not None:
                surfaces[name] = surface
    designs: dict[str, Design | SecondSurface] = {}
    for name, shaped in site.designs.items():
        if shaped.file is None:
            continue
        key = ("designs", name, "file")
        design: Design | SecondSurface | None
        if Path(shaped.file).suffix.lower() in RASTER_ENDINGS:
            design = read(partial(_surface, shaped.file), shaped.file, RASTER_LIMIT, *key)
        else:
            design = read(partial(_design, shaped), shaped.file, VECTOR_LIMIT, *key)
        if design is not None:
            designs[name] = design
    limits_file = "" if limits is None else str(Path(file).parent / limits)
    device = None
    table_of = site.survey.device
    if table_of is not None and site.survey.leg_noise is not None:
        problems.add(*_DEVICE_TWICE, file, line("survey", "leg_noise"))
    if table_of is not None and table_of.file is not None:
        named = table_of.file
        shown_as = str(Path(file).parent / named)
        device = read(
            partial(_device, named, shown_as), named, TABLES_LIMIT, "survey", "device", "file"
        )
    background = None
    if (under := site.sheet.background) is not None:
        look = partial(_background, site.sheet, near)
        background = read(look, under, RASTER_LIMIT, "sheet", "background")
    tables, place = told or ({}, TomlText("", ""))
    return Attached(
        parcels, tables, limits_file, place.lines, surfaces, designs, device, background
    )


def _design(table: sitefile.Design, path: Path, refuse: Refuse) -> Design:
    from geosite.reading.designs import read_design

    assert table.file is not None
    return replace(read_design(str(path), table.layer), file=table.file)


def _device(file: str, shown_as: str, path: Path, refuse: Refuse) -> DeviceTable:
    """Read ``[device]`` of a file that `geosite calibrate` wrote; what else is in it is skipped."""
    tables, place = _tables(shown_as, path, refuse)
    table = tables.get("device")
    if not isinstance(table, dict):
        raise refuse(
            "device-file",
            f"{file} has no table [device]",
            "one, as geosite calibrate writes it",
            "calibrate again, or give a class",
        )
    try:
        device = msgspec.convert(table, DeviceTable)
    except msgspec.ValidationError as error:
        rule = msgspec.json.schema(_DeviceFile)
        raise refusal({"device": table}, rule, place, error, file) from error
    problems = Problems()
    name_impossible({"device": table}, place, problems)
    if problems:
        raise InputError(problems.first())
    return device


def _tables(file: str, path: Path, refuse: Refuse) -> TomlTables:
    problems = Problems()
    try:
        data = path.read_bytes()
    except OSError as error:
        raise refuse(
            "limits-unreadable",
            f"{file} cannot be read ({error.strerror})",
            "a TOML file with one table per limit set",
            "check its permissions",
        ) from error
    if decode(data, file, "file of limit sets", problems):
        text = data.decode("utf-8-sig")
        tables = parse_toml(text, file, problems)
        if tables is not None:
            return tables, TomlText(file, text)
    raise InputError(problems.first())


def _parcels(
    table: sitefile.Parcels, near: Surroundings | None, path: Path, refuse: Refuse
) -> PolygonLayer:
    from geosite.reading.polygons import read_polygons

    return read_polygons(
        path,
        table.file,
        refuse,
        layer=table.layer,
        name_field=table.name_field,
        crs=table.crs,
        near=(lambda crs: None) if near is None else near.in_crs,
        reach_m=math.inf if near is None else near.reach_m,
    )


def _background(
    sheet: sitefile.Sheet, near: Surroundings | None, path: Path, refuse: Refuse
) -> GroundPicture | BackgroundLines:
    """Look at a picture, or read the lines of a layer."""
    assert sheet.background is not None
    if Path(sheet.background).suffix.lower() not in PICTURE_ENDINGS:
        from geosite.reading.background_lines import read_background_lines

        return read_background_lines(
            path,
            sheet.background,
            refuse,
            layer=sheet.background_layer,
            near=(lambda crs: None) if near is None else near.in_crs,
        )
    if sheet.background_layer is not None:
        raise refuse(
            "background-layer",
            f"{sheet.background} is a picture and has no layer {sheet.background_layer}",
            "a picture alone, or a file of layers",
            "take background_layer out, or name the file that has it",
        )
    from geosite.reading.pictures import read_picture

    return read_picture(sheet.background, path, refuse)


def _surface(file: str, path: Path, refuse: Refuse) -> SecondSurface:
    from geosite.reading.second_surface import read_surface

    return read_surface(path, file, refuse)
