"""PROJ without foreign data folders, network or noise."""

from __future__ import annotations

import os
import warnings
from collections.abc import Iterator
from contextlib import contextmanager

__all__ = ["quiet_proj"]


@contextmanager
def quiet_proj() -> Iterator[None]:
    """Run PROJ without foreign data folders, network or warnings about grids.

    Missing grids are asked for by name instead.

    Examples
    --------
    >>> with quiet_proj():
    ...     from pyproj import CRS
    ...     print(CRS("EPSG:25832").name)
    ETRS89 / UTM zone 32N
    """
    os.environ.pop("PROJ_DATA", None)
    os.environ.pop("PROJ_LIB", None)
    from pyproj._network import set_network_enabled

    set_network_enabled(False)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        yield
