"""How well places, lengths and elevations are known, and what would make them better."""
