"""Sample plug-in of geosite."""
