"""Figures of the checks that are no settings. Each field's docstring ends with where it comes from."""

from __future__ import annotations

import msgspec


class Protect(msgspec.Struct, frozen=True):
    """All figures of the checks, by subject."""
