"""Drainage of rasters larger than memory, strip by strip, with the result of one piece."""
