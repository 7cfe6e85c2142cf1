"""Why the motor rests inside a phase that takes refrigerant, and since when."""

from __future__ import annotations

import enum
from math import nan

import msgspec


class Cause(enum.Enum):
    """Why the motor rests."""

    NONE = ""
    CYLINDER = "cylinder pressure"
    DISCHARGE = "discharge temperature"
    FREEZING = "water near freezing"


class Rest(msgspec.Struct, frozen=True, array_like=True, gc=False):
    """A stop of the motor that ends by itself."""

    cause: Cause = Cause.NONE
    since_s: float = nan
    looked_s: float = nan
    looked_at: float = nan
    """The value it waits for, when last looked at."""
    in_vain: bool = False
    """By what the last look saw it would take too long: a hold, and a person, instead."""
    ended_s: float = nan
    """When the last rest ended."""
