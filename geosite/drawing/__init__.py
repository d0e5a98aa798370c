"""Sheets of paper: shapes and text, font, labels, PDF and SVG. Knows nothing of surveys."""
