"""Fit the plant's uncertain parameters to recorded runs."""
