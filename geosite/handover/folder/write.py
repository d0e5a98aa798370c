"""The hand-over folder: every file of a package, written beside its place and swapped in whole."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager, nullcontext
from dataclasses import dataclass
from functools import cached_property, partial
from importlib import import_module
from pathlib import Path

from msgspec.structs import replace

from geosite.base.proj import quiet_proj
from geosite.base.shared_work import aside, waiting
from geosite.fieldbook.sitefile import Handover
from geosite.handover.folder.manifest import HANDOVER_ZIP, write_manifest, write_zip
from geosite.handover.folder.read_first import READ_FIRST, read_first
from geosite.handover.folder.staging import MANIFEST, staged
from geosite.handover.formats.tables import write_corners, write_csv, write_points
from geosite.handover.model import Package
from geosite.handover.report_model.serialise import write_report

__all__ = ["Give", "waiting_writer", "write_into", "write_package"]

Files = list[tuple[str, str]]
"""Name and purpose of each file."""

Give = Callable[[tuple[Package, Handover]], Callable[[], dict[str, Files]]]
"""Gives a copy that waits what to write, and returns what waits for it."""

MOST_SENT = 20_000
"""Features, rows of tables and, by the hundred, cells up to which a package is sent to a copy."""

_PLAN = {
    ".pdf": "For everybody: the sheets at scale, to print, with all findings at the end",
    ".svg": "First sheet of the plan, to edit",
    ".png": "First sheet of the plan, to look at",
}

_SECTION = {".pdf": "Section at scale, to print", ".svg": "Section, to edit"}


def write_package(package: Package, out: Path, options: Handover) -> tuple[Path, ...]:
    """Write everything that leaves into the folder `out`.

    Parameters
    ----------
    package
        What to write.
    out
        The folder; made when missing, replaced in one step when there. Other people's files in it
        stay.
    options
        The site file's ``[handover]`` table.

    Returns
    -------
    tuple of Path
        The files written, in the order a reader should meet them, the manifest last.

    Raises
    ------
    OutputRefused
        The folder cannot be written; what was in it is as it was.
    """
    with staged(out) as folder:
        names = write_into(folder, package, options)
    return tuple(out / name for name in names)


def write_into(
    folder: Path, package: Package, options: Handover, give: Give | None = None
) -> tuple[str, ...]:
    """Write everything that leaves into an empty folder that nobody looks at yet.

    Parameters
    ----------
    folder, package, options
        As in `write_package`.
    give
        From `waiting_writer` of the folder, where a copy waits for the package.

    Returns
    -------
    tuple of str
        Names of the files, in the order a reader should meet them, the manifest last.
    """
    elsewhere: AbstractContextManager[Callable[[], dict[str, Files]]]
    moved: tuple[str, ...]
    if give is not None and _size(package) <= MOST_SENT:
        moved = _BY_WAITING_COPY
        elsewhere = nullcontext(give((package, options)))
    else:
        moved = _BY_COPY
        elsewhere = aside(partial(_written, folder, moved, (package, options)))
    with elsewhere as rest:
        here = [step for step in _STEPS if step not in moved]
        written = _written(folder, here, (package, options)) | rest()
    files = [file for step in _STEPS for file in written[step]]
    about = {
        "title": package.title,
        "date": package.date,
        "crs": package.frame.crs_name,
        "vertical_crs": package.frame.vertical_name or "",
    }
    zipped = [(HANDOVER_ZIP, "Everything in one file, to send on")] if options.archive else []
    text = read_first(package, [*files, *zipped])
    (folder / READ_FIRST).write_bytes(text.encode("utf-8", "replace"))
    files.insert(0, (READ_FIRST, "What each file of the folder is, and for whom"))
    if zipped:
        write_zip(folder, about, files, package.date)
        files += zipped
    write_manifest(folder, about, files)
    return tuple(name for name, _ in [*files, (MANIFEST, "")])


@contextmanager
def waiting_writer(folder: Path, site: Path) -> Iterator[Give | None]:
    """Let a copy of this process load libraries that write files while the package is made.

    Parameters
    ----------
    folder
        As it will be given to `write_into`.
    site
        The site file, which says what will have to be written.

    Yields
    ------
    function or None
        For `write_into`; ``None`` where a copy is not safe.
    """
    # what both are going to need is loaded twice, by each: beside each other that takes less long
    with waiting(partial(_load, site), partial(_written, folder, _BY_WAITING_COPY)) as give:
        yield give


def _load(site: Path) -> None:
    """Import what the copy that waits is going to need, most of it for the drafting file."""
    from geosite.base.problems import Problems
    from geosite.fieldbook.read_site_file import read_site

    text = read_site(site, Problems())
    if text is None or text.site is None:
        return  # whoever reads the survey says why, and nothing is written
    with quiet_proj():
        import_module("geosite.linework.model")  # with what else a package is made of
    options = text.site.handover
    formats, documents = "geosite.handover.formats", "geosite.handover.documents"
    needed = {
        "rasterio": True,
        "numpy.ma": True,  # what rasterio loads when it first writes
        "fiona": True,
        f"{formats}.geopackage": True,
        f"{formats}.metadata": True,
        f"{formats}.desktop.style": True,
        f"{formats}.sld": True,
        f"{formats}.geotiff": True,
        "xlsxwriter": options.spreadsheet,
        f"{formats}.spreadsheet": options.spreadsheet,
        f"{formats}.geojson": options.geojson,
        f"{formats}.prj": options.dxf,
        f"{documents}.survey_report": options.survey_report,
        f"{documents}.takeoff": options.takeoff,
    }
    for name, wanted in needed.items():
        if wanted:
            import_module(name)
    if options.dxf:
        from geosite.handover.formats.dxf import drawing_library

        with drawing_library():
            pass


def _size(package: Package) -> int:
    """Return how much is sent with a package: a cell takes a hundredth of a record."""
    records = sum(len(layer.records) for layer in package.layers)
    records += sum(len(table.records) for table in package.tables)
    return records + sum(raster.values.size for raster in package.rasters) // 100


@dataclass(frozen=True)
class _Work:
    """What is to be written, and the texts that stand in more than one file."""

    folder: Path
    package: Package
    options: Handover

    @cached_property
    def record(self) -> str:
        """The metadata."""
        from geosite.handover.formats.metadata import metadata

        return metadata(self.package)

    @cached_property
    def looks(self) -> Mapping[str, str]:
        """Looks of the layers."""
        from geosite.handover.formats.sld import styles

        return styles(self.package)


def _written(
    folder: Path, steps: Sequence[str], given: tuple[Package, Handover]
) -> dict[str, Files]:
    """Write the files of some steps; return what was written by each."""
    work = _Work(folder, *given)
    return {step: list(_STEPS[step](work)) for step in steps}


def _write_drawings(work: _Work) -> Iterable[tuple[str, str]]:
    """Write what people look at; yield name and purpose of each file."""
    folder, package, options = work.folder, work.package, work.options
    if options.plan:
        from geosite.handover.plan.sheet import write_plan

        for path in write_plan(folder, package, options):
            yield path.name, _PLAN[path.suffix]
        if package.profiles:
            from geosite.handover.plan.profile import write_sections

            for path in write_sections(folder, package, options):
                yield path.name, _SECTION[path.suffix]
    if options.viewer:
        from geosite.handover.viewer.page import write_viewer

        page = write_viewer(folder, package, options.unit)
        yield (
            page.name,
            "For everybody: the site to look around in, in any browser, without a network",
        )


def _write_papers(work: _Work) -> Iterable[tuple[str, str]]:
    """Write the survey report and the take-off as people read it."""
    folder, package, options = work.folder, work.package, work.options
    if options.survey_report:
        from geosite.handover.documents.survey_report import survey_report_pdf

        (folder / "survey_report.pdf").write_bytes(survey_report_pdf(package, options))
        yield (
            "survey_report.pdf",
            "For the surveyor: how it was walked, adjusted and placed, to sign",
        )
    if options.takeoff:
        from geosite.handover.documents.takeoff import takeoff_pdf

        paper = takeoff_pdf(package, options)
        if paper is not None:
            (folder / "takeoff.pdf").write_bytes(paper)
            yield (
                "takeoff.pdf",
                "For who pays: page 1 in plain words; then what is there and what to order",
            )


def _write_layers(work: _Work) -> Iterable[tuple[str, str]]:
    from geosite.handover.formats.desktop.style import native_styles
    from geosite.handover.formats.geopackage import write_geopackage

    write_geopackage(
        work.folder / "site.gpkg",
        work.package,
        curves=work.options.curves,
        coverages=work.options.coverages,
        metadata=work.record,
        styles=work.looks,
        native_styles=native_styles(work.package),
    )
    yield "site.gpkg", "All layers and tables for a GIS, GeoPackage"


def _write_project(work: _Work) -> Iterable[tuple[str, str]]:
    """Write the project that opens everything at once."""
    from geosite.handover.formats.desktop.project import PROJECT, project
    from geosite.handover.plan.sheet import layout_of

    # without a plan its scale is only a wish
    options = work.options if work.options.plan else replace(work.options, scale=None)
    layout = layout_of(work.package, options)
    (work.folder / PROJECT).write_bytes(project(work.package, layout).encode("utf-8"))
    yield PROJECT, "Everything at once for the open GIS desktop, styled and in groups"


def _write_raster_styles(work: _Work) -> Iterable[tuple[str, str]]:
    """Write the look of each raster beside it, where the desktop looks for it."""
    from geosite.handover.formats.desktop.rasters import write_raster_style

    for raster in work.package.rasters:
        file = write_raster_style(work.folder, raster, work.package.unit).name
        yield file, f"Look of {raster.name}.tif in the open GIS desktop"


def _write_rasters(work: _Work) -> Iterable[tuple[str, str]]:
    from geosite.handover.formats.geotiff import write_raster

    for raster in work.package.rasters:
        name = f"{raster.name}.tif"
        write_raster(work.folder / name, raster, work.package.frame)
        yield name, f"{raster.title}, Cloud Optimized GeoTIFF"


def _write_tables(work: _Work) -> Iterable[tuple[str, str]]:
    folder, package = work.folder, work.package
    for table in package.tables:
        name = f"{table.name}.csv"
        write_csv(folder / name, [field.name for field in table.fields], table.records)
        yield name, table.purpose
    if work.options.points_csv:
        write_points(folder / "points.csv", package)
        yield "points.csv", "Marks as point, northing, easting, elevation, code, combined_factor"
        for name in package.designed:
            from geosite.handover.names import design_name
            from geosite.handover.plan.design_points import corners_file, design_points

            corners = design_points(package, name)
            if len(corners.records):
                file = corners_file(name)
                write_corners(folder / file, corners)
                yield (
                    file,
                    f"Corners of design {design_name(package, name)} as point, easting, northing, "
                    "elevation, as set-out --design takes them",
                )
    if package.report is not None:
        write_report(folder / "report.json", package.report)
        yield "report.json", "Every number and finding, for programs"


def _write_record(work: _Work) -> Iterable[tuple[str, str]]:
    """Write what tells about the data: metadata and looks."""
    from geosite.handover.formats.sld import MAP_SERVER, map_server_styles

    (work.folder / "metadata.xml").write_bytes(work.record.encode("utf-8"))
    yield "metadata.xml", "How it was measured, how good it is, what it is not: ISO 19139"
    turned = map_server_styles(work.package)
    looks = {**work.looks, **{f"{MAP_SERVER}/{name}": look for name, look in turned.items()}}
    for name, look in looks.items():
        file = work.folder / "styles" / f"{name}.sld"
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(look.encode("utf-8"))
        where = " for the map server" if name.startswith(MAP_SERVER) else ""
        purpose = f"Look of {name.rpartition('/')[2]}{where}, OGC Styled Layer Descriptor"
        yield file.relative_to(work.folder).as_posix(), purpose


def _write_exchange(work: _Work) -> Iterable[tuple[str, str]]:
    """Write the files for other programs than a GIS; their library is the slowest to load."""
    folder, package, options = work.folder, work.package, work.options
    if options.dxf:
        from geosite.handover.formats.dxf import write_dxf

        write_dxf(folder / "site.dxf", package)
        yield "site.dxf", "Drawing with true arcs, DXF"
        from geosite.handover.formats.prj import prj_wkt

        crs = prj_wkt(package.frame)
        if crs is not None:
            (folder / "site.prj").write_bytes(crs.encode("utf-8"))
            yield "site.prj", "Map CRS of site.dxf, which has no place for it inside"
    if options.spreadsheet and package.tables:
        from geosite.handover.formats.spreadsheet import write_spreadsheet

        write_spreadsheet(folder / "site.xlsx", package)
        yield "site.xlsx", "All tables, a sheet each; the .csv files hold each whole"
    if options.geojson:
        from geosite.handover.formats.geojson import layer_texts, write_geojson

        texts = layer_texts(package)
        write_geojson(folder / "site.geojson", package, texts)
        yield "site.geojson", "All layers in WGS 84 for the web, GeoJSON"
        (folder / "geojson").mkdir()
        for layer in package.layers:
            file = f"geojson/{layer.name}.geojson"
            alone = {name: text for name, text in texts.items() if name == layer.name}
            write_geojson(folder / file, package, alone)
            yield file, f"{layer.title} in WGS 84 alone: one kind of geometry, GeoJSON"


_STEPS: Mapping[str, Callable[[_Work], Iterable[tuple[str, str]]]] = {
    "drawings": _write_drawings,
    "papers": _write_papers,
    "layers": _write_layers,
    "project": _write_project,
    "rasters": _write_rasters,
    "tables": _write_tables,
    "exchange": _write_exchange,
    "record": _write_record,
    "raster styles": _write_raster_styles,
}
"""What is written, in the order a reader should meet it."""

_BY_COPY = ("rasters", "exchange", "papers")
"""What a copy writes that has to load its libraries first: about half of the work."""

_BY_WAITING_COPY = (*_BY_COPY, "layers", "record", "raster styles")
"""What a copy writes that has loaded them: about half of the work that is left."""
