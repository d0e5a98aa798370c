"""The hand-over folder: every file of a package, written beside its place and swapped in whole."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path

from msgspec.structs import replace

from geosite.base.shared_work import aside
from geosite.fieldbook.sitefile import Handover
from geosite.handover.folder.manifest import HANDOVER_ZIP, write_manifest, write_zip
from geosite.handover.folder.staging import MANIFEST, staged
from geosite.handover.formats.desktop.project import PROJECT, project
from geosite.handover.formats.desktop.rasters import write_raster_style
from geosite.handover.formats.desktop.style import native_styles
from geosite.handover.formats.geopackage import write_geopackage
from geosite.handover.formats.geotiff import write_raster
from geosite.handover.formats.metadata import metadata
from geosite.handover.formats.prj import prj_wkt
from geosite.handover.formats.sld import MAP_SERVER, map_server_styles, styles
from geosite.handover.formats.tables import write_corners, write_csv, write_points
from geosite.handover.model import Package
from geosite.handover.report_model.serialise import write_report

__all__ = ["write_into", "write_package"]

_PLAN = {
    ".pdf": "Plan sheet at scale, to print",
    ".svg": "Plan sheet, to edit",
    ".png": "Plan sheet, to look at",
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


def write_into(folder: Path, package: Package, options: Handover) -> tuple[str, ...]:
    """Write everything that leaves into an empty folder that nobody looks at yet.

    Returns
    -------
    tuple of str
        Names of the files, in the order a reader should meet them, the manifest last.
    """

    def others() -> tuple[list[tuple[str, str]], ...]:
        rasters = list(_write_rasters(package, folder))
        return rasters, list(_write_exchange(package, folder, options))

    with aside(others) as rest:
        record, looks, native = metadata(package), styles(package), native_styles(package)
        files = list(_write_sheets(package, folder, options))
        write_geopackage(
            folder / "site.gpkg",
            package,
            curves=options.curves,
            coverages=options.coverages,
            metadata=record,
            styles=looks,
            native_styles=native,
        )
        files.append(("site.gpkg", "All layers and tables for a GIS, GeoPackage"))
        files.append(_write_project(package, folder, options))
        tables = list(_write_tables(package, folder, options))
        rasters, exchange = rest()
    looks |= {f"{MAP_SERVER}/{name}": look for name, look in map_server_styles(package).items()}
    files += [*rasters, *tables, *exchange, *_write_record(folder, record, looks)]
    files += _write_raster_styles(package, folder)
    about = {
        "title": package.title,
        "date": package.date,
        "crs": package.frame.crs_name,
        "vertical_crs": package.frame.vertical_name or "",
    }
    if options.archive:
        write_zip(folder, about, files, package.date)
        files.append((HANDOVER_ZIP, "Everything in one file, to send on"))
    write_manifest(folder, about, files)
    return tuple(name for name, _ in [*files, (MANIFEST, "")])


def _write_sheets(package: Package, folder: Path, options: Handover) -> Iterable[tuple[str, str]]:
    """Write what people look at; yield name and purpose of each file."""
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
        yield page.name, "The site to look around in, in any browser"
    if options.survey_report:
        from geosite.handover.documents.survey_report import survey_report_pdf

        (folder / "survey_report.pdf").write_bytes(survey_report_pdf(package, options))
        yield "survey_report.pdf", "How it was walked, adjusted and placed, to sign"
    if options.takeoff:
        yield from _write_takeoff(package, folder, options)


def _write_project(package: Package, folder: Path, options: Handover) -> tuple[str, str]:
    """Write the project that opens everything at once."""
    from geosite.handover.plan.sheet import layout_of

    # without a plan its scale is only a wish
    layout = layout_of(package, options if options.plan else replace(options, scale=None))
    (folder / PROJECT).write_bytes(project(package, layout).encode("utf-8"))
    return PROJECT, "Everything at once for the open GIS desktop, styled and in groups"


def _write_raster_styles(package: Package, folder: Path) -> Iterable[tuple[str, str]]:
    """Write the look of each raster beside it, where the desktop looks for it."""
    for raster in package.rasters:
        file = write_raster_style(folder, raster, package.unit).name
        yield file, f"Look of {raster.name}.tif in the open GIS desktop"


def _write_rasters(package: Package, folder: Path) -> Iterable[tuple[str, str]]:
    for raster in package.rasters:
        name = f"{raster.name}.tif"
        write_raster(folder / name, raster, package.frame)
        yield name, f"{raster.title}, Cloud Optimized GeoTIFF"


def _write_tables(package: Package, folder: Path, options: Handover) -> Iterable[tuple[str, str]]:
    for table in package.tables:
        name = f"{table.name}.csv"
        write_csv(folder / name, [field.name for field in table.fields], table.records)
        yield name, f"{table.title}, for a spreadsheet"
    if options.points_csv:
        write_points(folder / "points.csv", package)
        yield "points.csv", "Marks as point, northing, easting, elevation, code"
        for name in package.designed:
            from geosite.handover.plan.design_points import corners_file, design_points

            corners = design_points(package, name)
            if len(corners.records):
                file = corners_file(name)
                write_corners(folder / file, corners)
                yield file, f"Corners of design {name}, as set-out --design takes them"
    if package.report is not None:
        write_report(folder / "report.json", package.report)
        yield "report.json", "Every number and finding, for programs"


def _write_record(folder: Path, record: str, looks: Mapping[str, str]) -> Iterable[tuple[str, str]]:
    """Write what tells about the data: metadata and looks."""
    (folder / "metadata.xml").write_bytes(record.encode("utf-8"))
    yield "metadata.xml", "How it was measured, how good it is, what it is not: ISO 19139"
    for name, look in looks.items():
        file = folder / "styles" / f"{name}.sld"
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(look.encode("utf-8"))
        where = " as the map server turns it" if name.startswith(MAP_SERVER) else ""
        purpose = f"Look of {name.rpartition('/')[2]}{where}, OGC Styled Layer Descriptor"
        yield file.relative_to(folder).as_posix(), purpose


def _write_takeoff(package: Package, folder: Path, options: Handover) -> Iterable[tuple[str, str]]:
    """Write the take-off as people read it."""
    from geosite.handover.documents.takeoff import takeoff_pdf

    paper = takeoff_pdf(package, options)
    if paper is not None:
        (folder / "takeoff.pdf").write_bytes(paper)
        yield "takeoff.pdf", "What is there and what to order, to print"


def _write_exchange(package: Package, folder: Path, options: Handover) -> Iterable[tuple[str, str]]:
    """Write the files for other programs than a GIS; their library is the slowest to load."""
    if options.dxf:
        from geosite.handover.formats.dxf import write_dxf

        write_dxf(folder / "site.dxf", package)
        yield "site.dxf", "Drawing with true arcs, DXF"
        crs = prj_wkt(package.frame)
        if crs is not None:
            (folder / "site.prj").write_bytes(crs.encode("utf-8"))
            yield "site.prj", "Map CRS of site.dxf, which has no place for it inside"
    if options.spreadsheet and package.tables:
        from geosite.handover.formats.spreadsheet import write_spreadsheet

        write_spreadsheet(folder / "site.xlsx", package)
        yield "site.xlsx", "The tables, for a spreadsheet in any language"
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
