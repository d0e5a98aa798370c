"""Statistics of a raster that comes in strips, against those of the whole by numpy."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from geosite.base.grid import Grid
from geosite.base.large_rasters import ScratchFolder
from geosite.handover.formats import geotiff_rows
from geosite.handover.formats.geotiff_rows import RowsOfRaster
from geosite.handover.model import NODATA, Raster


def in_strips(values: np.ndarray, folder: Path, *tops: int) -> RowsOfRaster:
    grid = Grid(10.0, 50.0, 0.5, *values.shape)
    about = Raster("elevation", "Elevation", "", np.zeros((0, 0)), grid, "m", True)
    raster = RowsOfRaster(about, ScratchFolder(folder).rows(values.shape, np.float32))
    for top, bottom in zip(tops, (*tops[1:], len(values)), strict=True):
        raster.add(top, values[top:bottom])
    return raster


def uneven() -> np.ndarray:
    """Strips of other heights and counts, one of them empty, far from zero."""
    rng = np.random.default_rng(5)
    values = rng.normal(400.0, 0.5, (11, 7))
    values[3:6] += 20.0
    values[6:8] = np.nan
    values[rng.random(values.shape) < 0.2] = np.nan
    return values.astype(np.float32)


@pytest.mark.parametrize("tops", [(0,), (0, 3, 6, 8), (0, 1, 2, 10)])
def test_statistics_of_strips_are_those_of_the_whole(tmp_path: Path, tops: tuple[int]) -> None:
    values = uneven()
    known = values[np.isfinite(values)].astype(np.float64)
    raster = in_strips(values, tmp_path, *tops)
    told = {name.removeprefix("STATISTICS_"): float(word) for name, word in raster.statistics()}
    assert told["MINIMUM"] == known.min()
    assert told["MAXIMUM"] == known.max()
    assert told["MEAN"] == pytest.approx(known.mean(), rel=1e-12)
    assert told["STDDEV"] == pytest.approx(known.std(), rel=1e-9)
    assert told["VALID_PERCENT"] == pytest.approx(100 * known.size / values.size, rel=1e-3)
    assert raster.total == pytest.approx(known.sum())
    kept = raster.rows.copied(0, 11)
    assert np.array_equal(kept, np.where(np.isnan(values), np.float32(NODATA), values))


def test_a_raster_without_a_value_has_no_statistics(tmp_path: Path) -> None:
    raster = in_strips(np.full((4, 3), np.nan, np.float32), tmp_path, 0, 2)
    assert list(raster.statistics()) == []
    assert np.isnan(raster.sample().values).all()


def test_a_sample_takes_every_so_many_rows_whatever_the_strips_and_both_ends(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(geotiff_rows, "_SAMPLE", 4)
    values = np.arange(11 * 7, dtype=np.float32).reshape(11, 7)
    sample = in_strips(values, tmp_path, 0, 1, 4, 5).sample()
    # 11 rows in thirds, 7 columns in halves; the lowest and the highest stand at the ends
    expected = values[::3, ::2].copy()
    expected.flat[-1] = 76.0
    assert np.array_equal(sample.values, expected)
    assert (sample.grid.rows, sample.grid.cols, sample.is_elevation) == (4, 4, True)
