"""What sets the rate now."""

from __future__ import annotations

import enum

from rigctl.advice.figures import Rate
from rigctl.advice.time_to_finish import TAKING, Progress, Stage
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


def limited_by(
    s: Signals, settings: Settings, progress: Progress, ratio: float, saturation: float, figures: Rate
) -> LimitedBy:
    """Return what sets the rate now, roughly; `saturation` in degC at the lowest pressure on the appliance side."""
    if progress.stage not in TAKING:
        return LimitedBy.NOTHING
    if progress.stage is Stage.LIQUID or (s.p_001 == s.p_001 and s.p_101 < figures.inlet_pressure_share * s.p_001):
        return LimitedBy.INLET
    if progress.repeats > 0:
        return LimitedBy.OIL
    ambient = s.t_001 if s.t_001 == s.t_001 else settings.job.ambient_degc
    if ratio > figures.last_ratio:
        high = s.p_201 > figures.high_discharge_pa_abs
        return LimitedBy.CYLINDER_PRESSURE if high else LimitedBy.COMPRESSOR
    if saturation < ambient - figures.far_below_room_k:
        return LimitedBy.COLD_APPLIANCE
    return LimitedBy.COMPRESSOR
