"""The elevation model: triangles and other interpolators, breaklines, how well it is known."""
