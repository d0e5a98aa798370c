"""The types of ``report.json``, and how they are written."""
