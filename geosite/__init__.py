"""geosite: hand-walked site surveys to georeferenced GIS layers, with their accuracy stated."""

__version__ = "0.1.0"
