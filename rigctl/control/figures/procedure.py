"""Figures of the procedure that are no settings. Each field's docstring ends with where it comes from."""

from __future__ import annotations

import msgspec


class Procedure(msgspec.Struct, frozen=True):
    """All figures of the procedure, by subject."""
