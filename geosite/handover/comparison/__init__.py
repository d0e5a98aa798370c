"""Layers, tables and rasters of comparisons: between two surveys, and with a design."""
