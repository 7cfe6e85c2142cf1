"""Checks of the rig itself: emergency stop, gas, drive, pressure switch, read-back, scan, time."""

from __future__ import annotations

from rigctl.control import notation
from rigctl.control.points import tags
from rigctl.control.protect.row import contact_bad, in_p, say_unfit
from rigctl.control.protect.situation import Situation
from rigctl.control.readings import sound
from rigctl.control.vocabulary import phase_word


def drive_bad(x: Situation) -> bool:
    return contact_bad(x.readings.m_101_ok, x)


def switch_open(x: Situation) -> bool:
    return contact_bad(x.readings.psh_201_ok, x)


def stop_pressed(x: Situation) -> bool:
    return contact_bad(x.readings.hs_001_ok, x)


def gas(x: Situation, still: bool = False) -> bool:
    reading = x.readings.at_001_lfl
    if not sound(reading, x.s.now_s, x.settings.instruments.reading_max_age_s):
        return True
    band = x.figures.dead_bands.gas_share if still else 0.0
    return not reading.value < (1.0 - band) * x.settings.limits.gas_alarm_lfl


def say_gas(x: Situation) -> str:
    reading = x.readings.at_001_lfl
    if not sound(reading, x.s.now_s, x.settings.instruments.reading_max_age_s):
        return say_unfit("AT-001", reading, x)
    return (
        f"Gas detector AT-001 reads {100 * reading.value:.0f} % of the lower flammable limit. Leave everything off, no "
        "sparks, air the place, find the leak; reset at the rig when the air is clear."
    )


def readback(x: Situation) -> bool:
    return x.readback_bad != 0


def say_readback(x: Situation) -> str:
    which = ", ".join(tags(x.readback_bad)) if x.readback_bad > 0 else "The output module"
    verb = "do" if "," in which else "does"
    return f"{which} {verb} not follow the command. Check relay, valve and wiring, then reset."


def overrun(x: Situation) -> bool:
    return x.active and not 0.0 <= x.dt_s <= x.settings.limits.scan_overrun_s


def say_overrun(x: Situation) -> str:
    return (
        f"A scan came {x.dt_s:.1f} s after the one before (limit {x.settings.limits.scan_overrun_s:.1f} s): the "
        "computer is overloaded or stopped for a while. Reset when it runs freely."
    )


def too_long(x: Situation) -> bool:
    return not x.in_phase_s <= x.phase_limit_s


def say_too_long(x: Situation) -> str:
    phase = phase_word(x.phase).capitalize()
    return (
        f"{phase} has taken {notation.duration(x.in_phase_s)} (limit {notation.duration(x.phase_limit_s)}) at "
        f"{in_p(x, x.s.p_appliance)}. Look for what holds it up, then restart or stop."
    )
