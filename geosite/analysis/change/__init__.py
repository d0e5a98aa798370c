"""Change over time: what moved between two surveys, told from what they do not know."""
