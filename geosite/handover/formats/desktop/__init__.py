"""The open GIS desktop's own formats: styles, and a project that opens everything at once."""
