"""Drivers: one file each behind one small interface."""
