"""How much of everything, and what it costs."""
