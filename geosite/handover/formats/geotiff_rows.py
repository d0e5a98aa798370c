"""Rasters larger than memory as Cloud Optimized GeoTIFF, from rows on disk."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape, quoteattr

import numpy as np
import numpy.typing as npt

from geosite.base.grid import Grid
from geosite.base.large_rasters import Rows
from geosite.base.map_frame import Frame
from geosite.handover.formats.geotiff import crs_of, drop_foreign_proj, options
from geosite.handover.model import NODATA, Raster

__all__ = ["RowsOfRaster", "write_rows"]

_SAMPLE = 1_000
"""Rows and columns, at most, of the sample that stands for the raster where a look is chosen."""


@dataclass(eq=False, slots=True)
class RowsOfRaster:
    """A raster that comes row by row, with what has to be known of all of it.

    Parameters
    ----------
    about
        Its name, title, unit and place; the values of it are not looked at.
    rows : Rows of float32
        Where it is kept.
    """

    about: Raster
    rows: Rows
    count: int = field(default=0, init=False)
    low: float = field(default=math.inf, init=False)
    high: float = field(default=-math.inf, init=False)
    total: float = field(default=0.0, init=False)
    mean: float = field(default=0.0, init=False)
    _squares: float = field(default=0.0, init=False)
    _sample: list[npt.NDArray[np.float32]] = field(default_factory=list, init=False)

    def add(self, top: int, values: npt.NDArray[np.floating[Any]]) -> None:
        """Take rows from `top` on, NaN for nodata; each row once."""
        finite = np.isfinite(values)
        kept = np.where(finite, values, NODATA).astype(np.float32)
        self.rows.mapped(top, top + len(kept))[...] = kept
        known = kept[finite].astype(np.float64)
        if known.size:
            # Chan, Golub & LeVeque (1983), The American Statistician 37, 242-247, equation 2.1
            mean, count = float(known.mean()), self.count + known.size
            apart = mean - self.mean
            self._squares += float(np.square(known - mean).sum())
            self._squares += apart * apart * self.count * known.size / count
            self.mean += apart * known.size / count
            self.count = count
            self.total += float(known.sum())
            self.low, self.high = min(self.low, float(known.min())), max(self.high, known.max())
        every = [max(1, -(-side // _SAMPLE)) for side in self.rows.shape]
        first = -top % every[0]
        sample = np.where(finite, kept, np.nan)[first :: every[0], :: every[1]]
        self._sample.append(sample.astype(np.float32))

    def sample(self) -> Raster:
        """Return a raster of a part of the cells, with the lowest and the highest value."""
        values = np.concatenate(self._sample)
        if self.count and values.size > 1:
            values.flat[0], values.flat[-1] = self.low, self.high
        whole = self.about.grid
        grid = Grid(whole.west, whole.north, whole.cell_size, *values.shape)
        return replace(self.about, values=values, grid=grid)

    def statistics(self) -> Iterator[tuple[str, str]]:
        """Yield the statistics of the valid cells under the names that readers look for."""
        if self.count:
            share = 100.0 * self.count / math.prod(self.rows.shape)
            yield "STATISTICS_MINIMUM", repr(self.low)
            yield "STATISTICS_MAXIMUM", repr(float(self.high))
            yield "STATISTICS_MEAN", repr(self.mean)
            yield "STATISTICS_STDDEV", repr(math.sqrt(self._squares / self.count))
            yield "STATISTICS_VALID_PERCENT", f"{share:.4g}"


def write_rows(path: Path, raster: RowsOfRaster, frame: Frame) -> None:
    """Write a raster as `geosite.handover.formats.geotiff.write_raster` does, tile by tile.

    The rows are read through a description of their file (a virtual raster beside it), so that the
    library writes one file only, which has to be read back.

    Raises
    ------
    OSError
        The file cannot be written.
    """
    drop_foreign_proj()
    import rasterio
    import rasterio.shutil
    from rasterio.errors import RasterioError

    description = raster.rows.path.with_suffix(".vrt")
    description.write_text(_description(raster, frame), encoding="utf-8")
    cells = math.prod(raster.rows.shape)
    try:
        with rasterio.Env(GDAL_PAM_ENABLED="NO", GDAL_CACHEMAX=128):
            rasterio.shutil.copy(
                description,
                path,
                driver="COG",
                # a tile that does not shrink, and a third more for the overviews
                bigtiff="YES" if cells * 4 * 4 / 3 > 3.9e9 else "NO",
                **options(raster.about),
            )
    except RasterioError as error:
        raise OSError(f"{path.name} cannot be written ({error})") from error


def _description(raster: RowsOfRaster, frame: Frame) -> str:
    about, grid = raster.about, raster.about.grid
    rows, cols = raster.rows.shape
    words = {"TITLE": about.title, "DESCRIPTION": about.description}
    place = (grid.west, grid.cell_size, 0.0, grid.north, 0.0, -grid.cell_size)
    return f"""<VRTDataset rasterXSize="{cols}" rasterYSize="{rows}">
<SRS>{escape(crs_of(about, frame))}</SRS>
<GeoTransform>{", ".join(map(repr, place))}</GeoTransform>
{_metadata(words.items())}
<VRTRasterBand dataType="Float32" band="1" subClass="VRTRawRasterBand">
<Description>{escape(about.title)}</Description>
<UnitType>{escape(about.unit)}</UnitType>
<NoDataValue>{NODATA}</NoDataValue>
{_metadata(raster.statistics())}
<SourceFilename relativeToVRT="1">{escape(raster.rows.path.name)}</SourceFilename>
<ImageOffset>0</ImageOffset><PixelOffset>4</PixelOffset><LineOffset>{4 * cols}</LineOffset>
<ByteOrder>LSB</ByteOrder>
</VRTRasterBand>
</VRTDataset>
"""


def _metadata(words: Any) -> str:
    items = "".join(f"<MDI key={quoteattr(key)}>{escape(word)}</MDI>" for key, word in words)
    return f"<Metadata>{items}</Metadata>"
