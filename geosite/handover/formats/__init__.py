"""File formats: one module per format."""
