"""The output folder: staged, written whole, exchanged at once, and proved by its manifest."""
