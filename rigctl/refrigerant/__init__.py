"""Refrigerant data: saturation tables, classes, cylinder fill limits, evacuation levels. Pure."""
