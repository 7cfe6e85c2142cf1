"""Checks of the water in an exchanger: proved flow, freezing."""

from __future__ import annotations

from rigctl.control.protect.row import contact_bad, in_p, say_contact
from rigctl.control.protect.situation import Situation
from rigctl.control.vocabulary import Cause


def freezing(x: Situation) -> bool:
    if not x.taking or not contact_bad(x.readings.fs_001_flow, x):
        return False
    # Liquid boils at the bubble temperature, the colder end of a blend's glide.
    guard = x.prepared.refrigerant.bubble_pressure_pa_abs(x.settings.limits.freeze_guard_k)
    return x.rest_in_vain is Cause.FREEZING or not (x.s.p_001 if x.push_pull else x.s.p_low) > guard


def say_freezing(x: Situation) -> str:
    return (
        f"Water stands in the exchanger and the refrigerant would go below freezing ({in_p(x, x.s.p_low)}). "
        "Get the water moving or drain it, then restart."
    )


def no_flow(x: Situation) -> bool:
    return x.line_up and contact_bad(x.readings.fs_001_flow, x)


def say_no_flow(x: Situation) -> str:
    said = "FS-001 shows no water flow. Start the water pump and open its valves, then restart."
    return say_contact("FS-001", x.readings.fs_001_flow, x, said)
