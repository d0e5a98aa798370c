"""Room 1, what was walked: site file and field book to typed notes; every error with file:line."""
