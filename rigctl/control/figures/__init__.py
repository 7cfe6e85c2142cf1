"""Tuned figures: what a study may vary, a frozen struct a room, each with unit, meaning and where it comes from."""
