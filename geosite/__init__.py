"""geosite: hand-walked site surveys to georeferenced GIS layers, with their accuracy stated.

    >>> import geosite
    >>> site = geosite.build_site("sample_data/ferry_landing/site.toml")
    >>> site.raster("elevation").crs
    'EPSG:25832'

The names below are the Python interface; each is imported when it is first used.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from geosite.base.version import __version__

if TYPE_CHECKING:
    from geosite.api import (
        Raster,
        Site,
        build_site,
        check_survey,
        derive_drainage,
        derive_slope,
        interpolate_elevation,
        read_raster,
    )
    from geosite.base.errors import (
        Finding,
        GeositeError,
        InputError,
        OutputRefused,
        Problem,
        SurveyRefused,
    )
    from geosite.processes.hosts.build_many import build_many
    from geosite.processes.hosts.cluster import slope_on_cluster
    from geosite.processes.registry import execute
    from geosite.processes.registry import processes as list_processes

__all__ = [
    "Finding",
    "GeositeError",
    "InputError",
    "OutputRefused",
    "Problem",
    "Raster",
    "Site",
    "SurveyRefused",
    "__version__",
    "build_many",
    "build_site",
    "check_survey",
    "derive_drainage",
    "derive_slope",
    "execute",
    "interpolate_elevation",
    "list_processes",
    "read_raster",
    "slope_on_cluster",
]

_ERRORS = ("Finding", "GeositeError", "InputError", "OutputRefused", "Problem", "SurveyRefused")
_ELSEWHERE = {
    **dict.fromkeys(_ERRORS, ("base.errors", "")),
    "build_many": ("processes.hosts.build_many", ""),
    "execute": ("processes.registry", ""),
    "list_processes": ("processes.registry", "processes"),
    "slope_on_cluster": ("processes.hosts.cluster", ""),
}


def __getattr__(name: str) -> Any:
    """Import a name of the interface when it is first asked for."""
    if name not in __all__:
        raise AttributeError(f"module 'geosite' has no attribute {name!r}")
    module, there = _ELSEWHERE.get(name, ("api", ""))
    found = getattr(import_module(f"geosite.{module}"), there or name)
    globals()[name] = found
    return found


def __dir__() -> list[str]:
    return sorted(__all__)
