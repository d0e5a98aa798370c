"""The least squares: unknowns, observations, normal equations and their inverse."""
