"""What every room may use, and nothing about sites: errors, arrays, statistics, map frame, grid."""
