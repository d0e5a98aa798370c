"""Cut and fill between surfaces."""
