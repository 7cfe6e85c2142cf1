"""What every sense is given of one scan."""

from __future__ import annotations

from rigctl.control.figures.sense import Sense
from rigctl.control.points import INLETS, M_101, XV_104, XV_301, Outputs
from rigctl.control.prepared import Prepared
from rigctl.control.sense.signals import Signals
from rigctl.control.settings import Settings
from rigctl.refrigerant.saturation import Refrigerant


class Moment:
    """One scan as the senses see it. Lives for one scan."""

    __slots__ = (
        "crosses", "cylinder_off", "dt_s", "expecting_liquid", "figures", "inlet_open", "last", "noise_kg2", "now_s",
        "opening", "prepared", "pumping", "raw_kg", "refrigerant", "s", "settings", "way_open",
    )  # fmt: skip

    s: Signals
    """The judged readings; what the senses find is added to them."""
    prepared: Prepared
    settings: Settings
    figures: Sense
    refrigerant: Refrigerant
    now_s: float
    dt_s: float
    noise_kg2: float
    """Variance of one reading of the scale."""
    last: Outputs
    """What was commanded in the scan before: it acted until now."""
    opening: float
    """Of the throttle; 1 on a rig without one."""
    pumping: bool
    inlet_open: bool
    way_open: bool
    """Into the cylinder."""
    crosses: bool
    """Liquid may cross direct: XV-104 is open."""
    expecting_liquid: bool
    cylinder_off: bool
    raw_kg: float
    """What the scale shows; NaN where it is unfit."""

    def __init__(
        self, s: Signals, prepared: Prepared, last: Outputs, dt_s: float, raw_kg: float, expecting_liquid: bool,
        cylinder_off: bool,
    ) -> None:  # fmt: skip
        bits = last.bits
        self.s, self.prepared = s, prepared
        self.settings, self.refrigerant = prepared.settings, prepared.refrigerant
        self.figures, self.noise_kg2 = prepared.figures.sense, prepared.scale_noise_kg2
        self.now_s, self.dt_s, self.last, self.raw_kg = s.now_s, dt_s, last, raw_kg
        self.opening = last.cv_103 if prepared.settings.fitted.cv_103 else 1.0
        self.pumping, self.inlet_open = bits & M_101 != 0, bits & INLETS != 0
        self.way_open, self.crosses = bits & XV_301 != 0, bits & XV_104 != 0
        self.expecting_liquid, self.cylinder_off = expecting_liquid, cylinder_off
