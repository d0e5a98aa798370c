"""The command line of geosite, generated from the process descriptions."""
