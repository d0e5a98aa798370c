"""Setting out: where the device must be, in the frame of today's walk, to be at a design point."""
