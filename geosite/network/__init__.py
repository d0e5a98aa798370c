"""Room 2, where the marks are: closure, ties, anchored baseline, ground and grid."""
