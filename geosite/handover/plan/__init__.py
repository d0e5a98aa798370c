"""The plan sheet and the section sheets of a site."""
