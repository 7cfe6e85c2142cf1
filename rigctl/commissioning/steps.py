"""Which steps bring a rig into service, and how their figures are judged; nothing here touches a wire or a person."""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite, sqrt
from typing import Final

import msgspec

from rigctl.config import RigConfig
from rigctl.control.settings import Fitted
from rigctl.hardware.wiring import HEARTBEAT, INPUTS, OUTPUTS
from rigctl.hardware.wiring import wanted as wired_tags

PROTECTION: Final = "protection"
INPUT: Final = "input"
OUTPUT: Final = "output"
CALIBRATION: Final = "calibration"
DEAD_MAN: Final = "dead-man relay"
STOP: Final = "emergency stop"
SWITCH: Final = "pressure switch"
LEAK: Final = "leak-down"
PROTECTS: Final = (PROTECTION, DEAD_MAN, STOP, SWITCH)

GAIN: Final = (0.9, 1.1)
"""Outside, something else is wrong with the instrument or its span; common practice, no source."""
APART_SHARE: Final = 0.3
"""Of the span, between the two points of a calibration; common practice, no source."""
SCALE_APART_KG: Final = 2.0
CHECK_SHARE: Final = 1.0 / 3.0
"""Of that distance, from the check point to both others: one that lies on another checks nothing."""
DROPS_WITHIN_S: Final = 3.0
"""Outputs must be off so soon after the heartbeat has stopped."""
REACTION_S: Final = 1.0
"""A person who presses a key when something moves, generously."""
SWITCH_ALLOWED: Final = 0.03
"""Relative, of the pressure at which PSH-201 opens; common practice, no source."""


class Step(msgspec.Struct, frozen=True):
    """One step."""

    name: str
    kind: str
    tag: str = ""
    depends: tuple[str, ...] = ()
    """Points whose wiring it was done on."""


def wanted(rig: RigConfig) -> list[Step]:
    """The steps of a rig, in their order."""
    tags = [tag for tag in wired_tags(rig.fitted) if tag in rig.hardware.get("points", {})]
    outputs = [tag for tag in tags if tag in OUTPUTS]
    trial = trial_output(rig.fitted)
    made = [Step(PROTECTION, PROTECTION)]
    made += [Step(f"{INPUT} {tag}", INPUT, tag, (tag,)) for tag in tags if tag in INPUTS]
    made += [Step(f"{OUTPUT} {tag}", OUTPUT, tag, (tag, HEARTBEAT)) for tag in outputs]
    made += [Step(f"{CALIBRATION} {tag}", CALIBRATION, tag, (tag,)) for tag in tags if calibrated(tag)]
    made.append(Step(DEAD_MAN, DEAD_MAN, trial, (*outputs, HEARTBEAT)))
    made.append(Step(STOP, STOP, trial, (trial, *(["HS-001"] if "HS-001" in tags else []))))
    made.append(Step(SWITCH, SWITCH, "M-101", ("M-101", "PT-201", *(["PSH-201"] if "PSH-201" in tags else []))))
    made.append(Step(LEAK, LEAK, "PT-201", ("PT-101", "PT-201")))
    return made


def calibrated(tag: str) -> bool:
    """Whether an instrument gets a calibration: pressures and the scale."""
    return tag.startswith("PT-") or tag == "WT-301"


def contact(tag: str) -> bool:
    """Whether an input is a contact."""
    return INPUTS[tag][0].endswith(("_ok", "_flow"))


def trial_output(fitted: Fitted) -> str:
    """An output that may be energised for a trial without harm."""
    return "M-201" if fitted.m_201 else "XV-102" if fitted.xv_102 else "XV-101"


class Line(msgspec.Struct, frozen=True):
    """A straight line through comparisons: true value = reading * gain + zero."""

    gain: float
    zero: float

    def of(self, reading: float) -> float:
        """The calibrated value."""
        return reading * self.gain + self.zero


def two_points(first: tuple[float, float], second: tuple[float, float]) -> Line:
    """Calibrate by two comparisons of (reference, reading).

    Raises
    ------
    ValueError
        If the readings are the same, or no numbers.
    """
    (r1, x1), (r2, x2) = first, second
    if not all(map(isfinite, (r1, x1, r2, x2))):
        raise ValueError("a reading or a reference is no number")
    if x1 == x2:
        raise ValueError("the instrument reads the same at both points")
    gain = (r2 - r1) / (x2 - x1)
    return Line(gain, r1 - gain * x1)


def mean_and_spread(values: Sequence[float]) -> tuple[float, float]:
    """Mean and standard deviation of readings at rest; the spread of fewer than two is 0."""
    mean = sum(values) / len(values)
    if len(values) < 2:
        return mean, 0.0
    return mean, sqrt(sum((value - mean) ** 2 for value in values) / (len(values) - 1))


def apart_enough(tag: str, first: float, second: float, span: float) -> float:
    """How far apart the two points must still be brought; 0 when they are far enough. SI."""
    least = SCALE_APART_KG if tag == "WT-301" else APART_SHARE * span
    return max(0.0, least - abs(second - first))


def check_apart_enough(tag: str, fitted: Sequence[float], check: float, span: float) -> float:
    """How far the check point must still be brought from the nearest fitted one; 0 when it is far enough. SI."""
    least = (SCALE_APART_KG if tag == "WT-301" else APART_SHARE * span) * CHECK_SHARE
    return max(0.0, least - min(abs(check - one) for one in fitted))


def corrected_change_pa(start_pa: float, end_pa: float, start_degc: float, end_degc: float) -> float:
    """Change of a gas's pressure in a closed volume beyond what its temperature did (ideal gas, p/T constant)."""
    return end_pa - start_pa * (end_degc + 273.15) / (start_degc + 273.15)
