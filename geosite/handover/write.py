"""The hand-over folder: every file of a package, written beside its place and swapped in whole."""

from __future__ import annotations

from pathlib import Path

from geosite.fieldbook.sitefile import Handover
from geosite.handover.folder import staged
from geosite.handover.geopackage import write_geopackage
from geosite.handover.geotiff import write_raster
from geosite.handover.model import Package
from geosite.handover.report import write_report
from geosite.handover.tables import write_csv

__all__ = ["write_package"]


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
        The files written, in the order a reader should meet them.

    Raises
    ------
    OutputRefused
        The folder cannot be written; what was in it is as it was.
    """
    names: list[str] = []

    with staged(out) as folder:

        def new(name: str) -> Path:
            names.append(name)
            return folder / name

        write_geopackage(new("site.gpkg"), package)
        for raster in package.rasters:
            write_raster(new(f"{raster.name}.tif"), raster, package.frame)
        for table in package.tables:
            fields = [field.name for field in table.fields]
            write_csv(new(f"{table.name}.csv"), fields, table.records)
        write_report(new("report.json"), package.report, package.findings)
    return tuple(out / name for name in names)
