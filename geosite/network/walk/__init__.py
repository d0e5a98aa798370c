"""What was walked, as observations: runs, their legs, the error of the device."""
