"""Mistakes that the misclosures give away."""
