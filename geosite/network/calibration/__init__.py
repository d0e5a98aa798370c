"""Fit the error of one device to several surveys of it."""
