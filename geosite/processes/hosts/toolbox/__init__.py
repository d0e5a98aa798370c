"""The toolbox plug-in for the open GIS desktop: its source, and the zip that installs it."""
