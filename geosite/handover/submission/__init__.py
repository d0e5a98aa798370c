"""What a receiver requires of a hand-over, as data, and whether a folder has it."""
