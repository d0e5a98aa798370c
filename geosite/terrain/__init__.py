"""Room 4, how the ground lies: elevation model, slope, drainage, contours."""
