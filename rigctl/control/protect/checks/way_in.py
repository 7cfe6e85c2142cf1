"""Checks of the way in: suction and appliance pressure, blocked or iced inlets."""

from __future__ import annotations

from rigctl.control import notation
from rigctl.control.protect.row import fit, in_p, say_unfit
from rigctl.control.protect.situation import Situation


def suction_unfit(x: Situation) -> bool:
    return x.s.p_101 != x.s.p_101


def not_falling(x: Situation) -> bool:
    return x.taking and x.pumping and x.s.no_progress_s > x.settings.limits.suction_not_falling_s


def say_not_falling(x: Situation) -> str:
    return (
        f"For {notation.duration(x.s.no_progress_s)} neither has the pressure fallen ({in_p(x, x.s.p_appliance)}) "
        "nor has the weight grown. See that the appliance's valves are open and the hose is not iced or kinked; cool a "
        "warm cylinder; then restart."
    )


def falls_fast(x: Situation) -> bool:
    limits = x.settings.limits
    if not (x.taking and not x.push_pull and x.pumping and x.s.p_101 < limits.suction_starved_pa_abs):
        return False
    from_pa_abs = x.figures.way_in.falls_fast_from_times * limits.suction_starved_pa_abs
    if fit(x.s.p_001):
        return x.s.p_001 > from_pa_abs
    return x.motor_on_s < limits.suction_fast_fall_s and x.appliance_start_pa_abs > from_pa_abs


def say_falls_fast(x: Situation) -> str:
    return (
        f"Suction fell to {in_p(x, x.s.p_101)} at once: the way in is closed or iced. Open the appliance's "
        "service valve, check core and hose, then restart."
    )


def appliance_high(x: Situation) -> bool:
    return x.push_pull and not x.s.p_001 < x.prepared.appliance_ceiling_pa_abs


def say_appliance_high(x: Situation) -> str:
    if not fit(x.s.p_001):
        return say_unfit("PT-001", x.readings.pt_001_pa_abs, x)
    return (
        f"Push-pull has pressed the appliance up to {in_p(x, x.s.p_001)} (allowed "
        f"{in_p(x, x.prepared.appliance_ceiling_pa_abs)}). See that liquid leaves it and nothing heats it, "
        "then restart."
    )


def appliance_unfit(x: Situation) -> bool:
    return x.active and x.s.p_001 != x.s.p_001
