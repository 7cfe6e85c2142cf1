"""The cause-and-effect table: every interlock as a row and a small predicate."""

from __future__ import annotations

import enum

import msgspec


class Kind(enum.Enum):
    """What an interlock does."""

    TRIP = "trip"
    HOLD = "hold"
    START_INHIBIT = "start inhibit"
    ADVICE = "advice"


class AlarmState(enum.Enum):
    """ISA-18.2 / IEC 62682 alarm states used here."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "active, unacknowledged"
    ACKNOWLEDGED = "active, acknowledged"
    RETURNED = "returned to normal, unacknowledged"
    LATCHED = "latched, cause gone, reset needed"


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
