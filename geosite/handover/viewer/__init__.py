"""The viewer: one HTML file that needs no network."""
