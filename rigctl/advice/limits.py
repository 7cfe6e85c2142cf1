"""What sets the rate now."""

from __future__ import annotations

import enum

from rigctl.advice.time_to_finish import Progress
from rigctl.control.sense.signals import Signals
from rigctl.control.settings import Settings


class LimitedBy(enum.Enum):
    """The mechanism that sets the rate now."""

    NOTHING = "nothing"
    INLET = "inlet restriction"
    THROTTLE = "suction throttle"
    COMPRESSOR = "compressor"
    CYLINDER_PRESSURE = "cylinder pressure"
    OIL = "refrigerant boiling out of oil"
    COLD_APPLIANCE = "cold appliance"


def limited_by(s: Signals, settings: Settings, progress: Progress, ratio: float, saturation: float) -> LimitedBy:
    """Return what sets the rate now, roughly; `saturation` in degC at the lowest pressure on the appliance side."""
    if progress.stage not in (1, 2):
        return LimitedBy.NOTHING
    if progress.stage == 1 or (s.p_001 == s.p_001 and s.p_101 < 0.6 * s.p_001):
        return LimitedBy.INLET
    if progress.repeats > 0:
        return LimitedBy.OIL
    ambient = s.t_001 if s.t_001 == s.t_001 else settings.job.ambient_degc
    if ratio > 12.0:
        return LimitedBy.CYLINDER_PRESSURE if s.p_201 > 15e5 else LimitedBy.COMPRESSOR
    if saturation < ambient - 20.0:
        return LimitedBy.COLD_APPLIANCE
    return LimitedBy.COMPRESSOR
