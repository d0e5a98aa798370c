"""How well the ground is known between the marks, and grounds that may be true."""
