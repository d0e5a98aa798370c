"""As built: a walked survey against a design, mark by mark, along edges and over the surface."""
