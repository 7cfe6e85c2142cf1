"""Pauses of the motor that end by themselves, while refrigerant is taken: cylinder, discharge, freezing.

The motor may start again because nothing has tripped and no person has been asked. Each pause has a way back with room
between (no short cycling), and a pause that does not help becomes a hold.
"""

from __future__ import annotations

from math import inf

import msgspec

from rigctl.control import notation
from rigctl.control.procedure.work import Work
from rigctl.control.protect.situation import Situation
from rigctl.control.readings import sound
from rigctl.control.state import Rest
from rigctl.control.vocabulary import Cause, Phase
from rigctl.refrigerant.saturation import ATMOSPHERE_PA_ABS

CYLINDER_REST, CYLINDER_BACK = 0.005, 0.08
"""Below `cylinder_pause_fraction`, as shares of the service pressure: where the motor rests and where it may go on. A
throttle does not help: what is in the cylinder is warm already."""
HOT_EASE_K, HOT_REST_K, HOT_BACK_K = 20.0, 4.0, 25.0
"""Below the limit of the discharge temperature: where cooling is switched on whether it pays or not, where the motor
rests, and where it may go on."""
COLD_EASE_K, COLD_REST_K, COLD_BACK_K = 5.0, 1.0, 4.0
"""Above the freeze guard, by the saturation temperature: where the throttle starts to close, where the motor rests, and
where it may go on."""
REST_LEAST_S = 30.0
"""A rest takes at least this long, and so does the work before one for the cylinder's sake, which can wait."""
REST_LOOK_S, REST_MOST_S = 30.0, 300.0
"""Every so often a rest is looked at; one that would take longer in all, by what the last look saw, is in vain."""
_TAGS = {Cause.CYLINDER: "PT-301", Cause.DISCHARGE: "TT-201", Cause.FREEZING: "FS-001"}


def rest(w: Work) -> None:
    """Decide whether the motor rests; only while refrigerant is taken."""
    was, x = w.pull.rest, w.x
    if w.phase not in (Phase.LIQUID, Phase.VAPOR):
        if was.cause is not Cause.NONE:
            w.pull.rest = Rest(ended_s=w.now_s)
        return
    if was.cause is Cause.NONE:
        worked_s = min(x.motor_on_s, w.now_s - was.ended_s) if was.ended_s == was.ended_s else x.motor_on_s
        cause = _needed(x, worked_s >= REST_LEAST_S)
        if cause is not Cause.NONE:
            value, _ = _way_back(x, cause)
            w.pull.rest = Rest(cause, w.now_s, w.now_s, value)
            w.sentence = _say(x, cause)
            w.tell("note", _TAGS[cause], w.sentence)
        return
    value, back = _way_back(x, was.cause)
    rested_s = w.now_s - was.since_s
    if rested_s >= (0.0 if was.cause is Cause.FREEZING else REST_LEAST_S) and value <= back:
        w.pull.rest, w.sentence = Rest(ended_s=w.now_s), ""
    elif w.now_s - was.looked_s >= REST_LOOK_S:
        gained = was.looked_at - value
        left_s = (value - back) / gained * REST_LOOK_S if gained > 0.0 else REST_MOST_S
        # An unfit reading makes this true, too: it is not surely getting better.
        in_vain = not rested_s + left_s < REST_MOST_S
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


def _needed(x: Situation, worked: bool) -> Cause:
    s, limits = x.s, x.settings.limits
    if not x.pumping:
        return Cause.NONE
    if freezing_margin_k(x) < COLD_REST_K:
        return Cause.FREEZING
    if worked and _cylinder_share(x) >= limits.cylinder_pause_fraction - CYLINDER_REST:
        return Cause.CYLINDER
    if x.settings.fitted.tt_201 and s.t_201 >= limits.discharge_high_degc - HOT_REST_K:
        return Cause.DISCHARGE
    return Cause.NONE


def _way_back(x: Situation, cause: Cause) -> tuple[float, float]:
    """The value that must come down, and to where."""
    limits = x.settings.limits
    if cause is Cause.CYLINDER:
        return _cylinder_share(x), limits.cylinder_pause_fraction - CYLINDER_BACK
    if cause is Cause.DISCHARGE:
        return x.s.t_201, limits.discharge_high_degc - HOT_BACK_K
    return -freezing_margin_k(x), -COLD_BACK_K


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
