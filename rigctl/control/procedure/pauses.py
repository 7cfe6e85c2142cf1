"""Pauses of the motor that end by themselves, while refrigerant is taken: cylinder, discharge, freezing.

The motor may start again because nothing has tripped and no person has been asked. Each pause has a way back with room
between (no short cycling), and a pause that does not help becomes a hold.
"""

from __future__ import annotations

from math import inf

import msgspec

from rigctl.control import notation
from rigctl.control.figures.procedure import Pauses
from rigctl.control.procedure.work import Work
from rigctl.control.protect.situation import Situation
from rigctl.control.readings import sound
from rigctl.control.state import Rest
from rigctl.control.vocabulary import Cause, Phase
from rigctl.refrigerant.saturation import ATMOSPHERE_PA_ABS

_TAGS = {Cause.CYLINDER: "PT-301", Cause.DISCHARGE: "TT-201", Cause.FREEZING: "FS-001"}


def rest(w: Work) -> None:
    """Decide whether the motor rests; only while refrigerant is taken."""
    was, x, k = w.pull.rest, w.x, w.figures.pauses
    if w.phase not in (Phase.LIQUID, Phase.VAPOR):
        if was.cause is not Cause.NONE:
            w.pull.rest = Rest(ended_s=w.now_s)
        return
    if was.cause is Cause.NONE:
        worked_s = min(x.motor_on_s, w.now_s - was.ended_s) if was.ended_s == was.ended_s else x.motor_on_s
        cause = _needed(x, worked_s >= k.work_least_s, k)
        if cause is not Cause.NONE:
            value, _ = _way_back(x, cause, k)
            w.pull.rest = Rest(cause, w.now_s, w.now_s, value)
            w.sentence = _say(x, cause)
            w.tell("note", _TAGS[cause], w.sentence)
        return
    value, back = _way_back(x, was.cause, k)
    rested_s = w.now_s - was.since_s
    if rested_s >= (0.0 if was.cause is Cause.FREEZING else k.rest_least_s) and value <= back:
        w.pull.rest, w.sentence = Rest(ended_s=w.now_s), ""
    elif w.now_s - was.looked_s >= k.rest_look_s:
        gained = was.looked_at - value
        left_s = (value - back) / gained * k.rest_look_s if gained > 0.0 else k.rest_most_s
        # An unfit reading makes this true, too: it is not surely getting better.
        in_vain = not rested_s + left_s < k.rest_most_s
        w.pull.rest = msgspec.structs.replace(was, looked_s=w.now_s, looked_at=value, in_vain=in_vain)


def _say(x: Situation, cause: Cause) -> str:
    units = x.settings.units
    if cause is Cause.CYLINDER:
        return (
            f"The cylinder is at {notation.pressure(x.s.p_cylinder, units)}, near its rating: the compressor "
            "rests until it has come down."
        )
    if cause is Cause.DISCHARGE:
        return (
            f"The discharge is at {notation.temperature(x.s.t_201, units)}, near its limit: the compressor "
            "rests until it has cooled."
        )
    return (
        f"Water stands in the exchanger and the refrigerant is at {notation.pressure(x.s.p_low, units)}, near "
        "freezing: the compressor rests until it has warmed up."
    )


def _needed(x: Situation, worked: bool, k: Pauses) -> Cause:
    s, limits = x.s, x.settings.limits
    if not x.pumping:
        return Cause.NONE
    if freezing_margin_k(x) < k.cold_rest_k:
        return Cause.FREEZING
    if worked and _cylinder_share(x) >= limits.cylinder_pause_fraction - k.near_rating_rest_share:
        return Cause.CYLINDER
    if x.settings.fitted.tt_201 and s.t_201 >= limits.discharge_high_degc - k.hot_rest_k:
        return Cause.DISCHARGE
    return Cause.NONE


def _way_back(x: Situation, cause: Cause, k: Pauses) -> tuple[float, float]:
    """The value that must come down, and to where."""
    limits = x.settings.limits
    if cause is Cause.CYLINDER:
        return _cylinder_share(x), limits.cylinder_pause_fraction - k.near_rating_back_share
    if cause is Cause.DISCHARGE:
        return x.s.t_201, limits.discharge_high_degc - k.hot_back_k
    return -freezing_margin_k(x), -k.cold_back_k


def _cylinder_share(x: Situation) -> float:
    """Gauge pressure of the cylinder over its service pressure."""
    return (x.s.p_cylinder - ATMOSPHERE_PA_ABS) / x.cylinder.service_pressure_pa_gauge


def freezing_margin_k(x: Situation) -> float:
    """How far the refrigerant is above the freeze guard, K; infinite where no water can freeze or its flow is
    proved.
    """
    if not x.settings.job.water_side:
        return inf
    flow, s = x.readings.fs_001_flow, x.s
    if sound(flow, s.now_s, x.settings.instruments.reading_max_age_s) and flow.value > 0.5:
        return inf
    refrigerant = x.prepared.refrigerant
    return refrigerant.bubble_temperature_degc(s.p_low) - x.settings.limits.freeze_guard_k
