"""Where the marks are known: the anchor on the map, by coordinates, azimuth or compass."""
