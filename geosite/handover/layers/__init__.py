"""Layers and tables of the hand-over, free of any file format."""
