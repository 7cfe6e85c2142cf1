"""The enumerations of the library's module of this name."""

from __future__ import annotations

import enum


class Direction(enum.Enum):
    """Which way a line goes."""

    AS_IS = 1
    INPUT = 2
    OUTPUT = 3


class Bias(enum.Enum):
    """What pulls an input."""

    AS_IS = 1
    UNKNOWN = 2
    DISABLED = 3
    PULL_UP = 4
    PULL_DOWN = 5


class Value(enum.Enum):
    """Logical value of a line."""

    INACTIVE = 0
    ACTIVE = 1
