"""Drainage of rasters larger than memory, strip by strip, with the answer of one piece."""
