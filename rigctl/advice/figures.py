"""Figures of advice. Each field's docstring ends with where it comes from."""

from __future__ import annotations

import msgspec


class AdviceFigures(msgspec.Struct, frozen=True):
    """All figures of advice, by subject."""
