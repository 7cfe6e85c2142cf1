"""What one scan is given: every reading with its quality, read-backs and the requests of people."""

from __future__ import annotations

import enum
from math import nan

import msgspec

from rigctl.control.settings import Cylinder


class Fault(enum.Enum):
    """Why a reading may not be used. Names follow NAMUR NE 107 and NE 43 where they have a word for it."""

    NO_REPLY = "no reply"
    """The driver got no answer within its time."""
    FAILURE = "failure"
    """The instrument signals its own failure (4-20 mA loop below 3.6 or above 21 mA)."""
    OUT_OF_RANGE = "out of range"
    """The loop is saturated (3.6 to 3.8 or 20.5 to 21 mA) or the value is outside the span."""
    NOT_FITTED = "not fitted"
    """The rig has no such instrument."""


class Reading(msgspec.Struct, frozen=True, array_like=True, gc=False):
    """One measured value; `value` means nothing while `fault` is set.

    `taken_at_s` is on the same monotonic clock as `Readings.now_s`. Contacts use 1.0 for closed/true and
    0.0 for open/false.
    """

    value: float
    taken_at_s: float
    fault: Fault | None = None


ABSENT = Reading(nan, 0.0, Fault.NOT_FITTED)


class RequestKind(enum.Enum):
    """What a person may ask of the rig. ISA-88 command words, plus the answers to its own questions."""

    START = "start"
    HOLD = "hold"
    RESTART = "restart"
    """Go on from HELD; also the answer "done" to what the rig asked for."""
    STOP = "stop"
    ABORT = "abort"
    RESET = "reset"
    """Clear a latched trip. Only taken from a person at the rig."""
    ACKNOWLEDGE = "acknowledge"
    """The alarms on show have been seen (ISA-18.2)."""


class Source(enum.Enum):
    """Where a request came from."""

    LOCAL = "local"
    REMOTE = "remote"


class Request(msgspec.Struct, frozen=True):
    """One request of a person, already checked for age and repetition by whoever took it in."""

    kind: RequestKind
    source: Source
    request_id: str = ""
    cylinder: Cylinder | None = None
    """With RESTART after a cylinder change: the cylinder now on the scale."""


class Readings(msgspec.Struct, frozen=True, array_like=True):
    """Everything a scan may look at. SI units: Pa absolute, degC, kg, s."""

    now_s: float
    """Monotonic clock of this scan."""
    utc_s: float
    """Wall clock in seconds since 1970 UTC; written into records, never used in logic."""
    pt_101_pa_abs: Reading
    pt_201_pa_abs: Reading
    wt_301_kg: Reading
    """Gross weight on the cylinder scale."""
    pt_102_pa_abs: Reading = ABSENT
    pt_301_pa_abs: Reading = ABSENT
    pt_001_pa_abs: Reading = ABSENT
    tt_101_degc: Reading = ABSENT
    tt_201_degc: Reading = ABSENT
    tt_301_degc: Reading = ABSENT
    tt_001_degc: Reading = ABSENT
    at_001_lfl: Reading = ABSENT
    """Gas detector, fraction of the lower flammable limit (0 to 1); for A1 refrigerants its alarm scale."""
    fs_001_flow: Reading = ABSENT
    """1.0 while water flow is proved."""
    lsh_301_ok: Reading = ABSENT
    """1.0 while the cylinder level is below the switch; a broken wire reads 0.0."""
    psh_201_ok: Reading = ABSENT
    """1.0 while the hardware pressure switch lets the motor run."""
    hs_001_ok: Reading = ABSENT
    """1.0 while the emergency stop is not pressed."""
    m_101_ok: Reading = ABSENT
    """1.0 while the compressor drive or contactor reports no fault."""
    readback: int | None = None
    """Bits of the outputs as the hardware reads them back (order of `points.OUTPUT_TAGS`)."""
    overruns: int = 0
    """Scans that came late since start-up, counted by the loop."""
    requests: tuple[Request, ...] = ()


def sound(reading: Reading, now_s: float, max_age_s: float) -> bool:
    """Whether a reading may be used: no fault, finite, not older than `max_age_s`, not from the future."""
    value = reading.value
    return (
        reading.fault is None
        and value - value == 0.0  # false for NaN and both infinities
        and 0.0 <= now_s - reading.taken_at_s <= max_age_s
    )
