"""Figures of the senses. Each field's docstring ends with where it comes from."""

from __future__ import annotations

import msgspec


class Sense(msgspec.Struct, frozen=True):
    """All figures of the senses, by subject."""
