"""Files from outside: tables, points, rasters, CRS texts; every error with file and line."""
