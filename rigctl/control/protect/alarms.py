"""Alarms as people see them, and what the interlocks carry from scan to scan."""

from __future__ import annotations

import msgspec

from rigctl.control.vocabulary import AlarmState, Kind


class Alarm(msgspec.Struct, frozen=True):
    """One alarm that is not in its normal state."""

    tag: str
    """Row of the table, for example "PT-201.high"."""
    kind: Kind
    state: AlarmState
    since_s: float
    """When it became active, on the monotonic clock."""
    text: str
    """What is wrong, with the number that matters."""


class Memory(msgspec.Struct, frozen=True, array_like=True):
    """What the interlocks carry from scan to scan; bit `i` stands for row `i` of the table."""

    raw: int = 0
    since_s: tuple[float, ...] = ()
    active: int = 0
    latched: int = 0
    acknowledged: int = 0
    returned: int = 0
    alarms: tuple[Alarm, ...] = ()
