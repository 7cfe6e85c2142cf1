"""What keeps compressor, cylinder and appliance inside their limits while refrigerant is taken: throttle, rests, aids.

A rest is a stop of the motor that ends by itself: it may start again because nothing has tripped and no person has been
asked. Each has a way back with room between (no short cycling), and a rest that does not help becomes a hold.
"""

from __future__ import annotations

from math import inf
from typing import TYPE_CHECKING

import msgspec

from rigctl.control import words
from rigctl.control.phases import may_hold_liquid
from rigctl.control.points import EH_001, M_001, M_201, M_202
from rigctl.control.pump import liquid_fraction, liquid_opening
from rigctl.control.readings import sound
from rigctl.control.rests import Cause, Rest
from rigctl.control.sequence import Phase
from rigctl.control.settings import appliance_ceiling_pa_abs
from rigctl.refrigerant import catalogue

if TYPE_CHECKING:
    from rigctl.control.interlocks import Situation
    from rigctl.control.work import Work

DISCHARGE_EASE_FRACTION = 0.92
"""Share of the discharge limit at which the suction throttle starts to close."""
PRESS_EASE_FRACTION = 0.92
PRESS_EASE_PA = 4e5
"""In push-pull the throttle starts to close at this share of what the appliance may be pressed to, or with the
discharge so far above it: its vapor port is narrow."""
FULL_HEADER = 0.4
"""Share of the liquid position while push-pull empties a header that stands full of liquid at the cylinder's pressure:
little of it boils behind the throttle."""
CLEAR_WIDE_S = 10.0
"""The throttle stays small this long: the first that comes from the cooler is liquid."""
COOLING_ON_KG_S, COOLING_OFF_KG_S = 2.0e-3, 1.2e-3
"""Flow at which the condenser fan and the bath start and stop to pay while vapor is drawn."""
RATIO_EASE, RATIO_AIM, RATIO_LEFT, RATIO_POWER = 0.85, 0.88, 0.7, 1.0
"""Share of the compression ratio's limit at which the throttle takes over, to which it brings the ratio, and below
which it opens again; and how fast: the opening goes with this power of what is missing, a second."""
RATIO_FROM = 0.2
"""A throttle further open than this hardly restricts vapor in vacuum: from there it takes over."""
LEAST_OPENING = 0.02
"""Smallest opening for vapor."""
SOFT_START_S, SOFT_SHARE = 1.5, 0.3
"""The lines are full of liquid when the motor starts on liquid: the throttle is held to this share of its position at
first."""
LEAST_SHARE = 0.4
"""The throttle closes no further than to this share of its liquid position."""
LIQUID_WIDE = 0.8
"""Most opening of the throttle while liquid comes."""
LIQUID_SEEN_S, LIQUID_SET_S = 8.0, 20.0
"""Pressures over the throttle say nothing about liquid sooner after a start; after the second time it is left alone."""
NEARLY_FULL_KG = 1.0
"""So near to the hold for a full cylinder the throttle goes no wider than for any liquid: a scale may lag."""
EASE_TIMES = 2.0
"""The throttle closes this much faster than it opens."""
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
HEAT_HIGH_DEGC, HEAT_BACK_K = 50.0, 3.0
"""The appliance's heater goes off above this temperature of the appliance."""
FAN_OFF_K, FAN_ON_K = 2.0, 1.0
"""The appliance's fan goes off that far above the room's temperature, where it would only cool what is being warmed."""
GAS_SHARE = 0.5
"""Share of the gas alarm above which nothing is heated where the refrigerant is flammable."""


def rest(w: Work) -> None:
    """Decide whether the motor rests; only while refrigerant is taken."""
    was, x = w.rest, w.x
    if w.phase not in (Phase.LIQUID, Phase.VAPOR):
        if was.cause is not Cause.NONE:
            w.rest = Rest(ended_s=w.now_s)
        return
    if was.cause is Cause.NONE:
        worked_s = min(x.motor_on_s, w.now_s - was.ended_s) if was.ended_s == was.ended_s else x.motor_on_s
        cause = _needed(x, worked_s >= REST_LEAST_S)
        if cause is not Cause.NONE:
            value, _ = _way_back(x, cause)
            w.rest = Rest(cause, w.now_s, w.now_s, value)
            w.sentence = _say(x, cause)
            w.tell("note", _TAGS[cause], w.sentence)
        return
    value, back = _way_back(x, was.cause)
    rested_s = w.now_s - was.since_s
    if rested_s >= (0.0 if was.cause is Cause.FREEZING else REST_LEAST_S) and value <= back:
        w.rest, w.sentence = Rest(ended_s=w.now_s), ""
    elif w.now_s - was.looked_s >= REST_LOOK_S:
        gained = was.looked_at - value
        left_s = (value - back) / gained * REST_LOOK_S if gained > 0.0 else REST_MOST_S
        # An unfit reading makes this true, too: it is not surely getting better.
        in_vain = not rested_s + left_s < REST_MOST_S
        w.rest = msgspec.structs.replace(was, looked_s=w.now_s, looked_at=value, in_vain=in_vain)


_TAGS = {Cause.CYLINDER: "PT-301", Cause.DISCHARGE: "TT-201", Cause.FREEZING: "FS-001"}


def _say(x: Situation, cause: Cause) -> str:
    units = x.settings.units
    if cause is Cause.CYLINDER:
        return (
            f"The cylinder is at {words.pressure(x.s.p_cylinder, units)}, near its rating: the compressor rests until "
            "it has come down."
        )
    if cause is Cause.DISCHARGE:
        return (
            f"The discharge is at {words.temperature(x.s.t_201, units)}, near its limit: the compressor rests until it "
            "has cooled."
        )
    return (
        f"Water stands in the exchanger and the refrigerant is at {words.pressure(x.s.p_low, units)}, near freezing: "
        "the compressor rests until it has warmed up."
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
    return (x.s.p_cylinder - words.ATMOSPHERE_PA) / x.cylinder.service_pressure_pa_gauge


def freezing_margin_k(x: Situation) -> float:
    """How far the refrigerant is above the freeze guard, K; infinite where no water can freeze or its flow is
    proved.
    """
    if not x.settings.job.water_side:
        return inf
    flow, s = x.readings.fs_001_flow, x.s
    if sound(flow, s.now_s, x.settings.instruments.reading_max_age_s) and flow.value > 0.5:
        return inf
    refrigerant = catalogue.get(x.settings.job.refrigerant)
    return refrigerant.bubble_temperature_degc(s.p_low) - x.settings.limits.freeze_guard_k


def onto_appliance(phase: Phase, stage: int) -> bool:
    """Whether the compressor's way out is XV-106: push-pull, until it goes over to the ordinary way."""
    return phase is Phase.PUSH_PULL and stage < 2


def throttle(w: Work) -> float:
    """Opening of CV-103: as the liquid allows, then wide for vapor, closing when anything nears its limit."""
    x, phase, procedure, was = w.x, w.phase, w.settings.procedure, w.before.throttle
    low = procedure.liquid_position
    clearing = phase is Phase.CLEAR_OUT or (phase in (Phase.HOLDING, Phase.STOPPING) and w.stage == 0)
    ramp = (1.0 - low) / max(procedure.throttle_ramp_s, 0.1) * min(x.dt_s, 1.0)
    if phase is Phase.LIQUID:
        return _on_liquid(w, was, low, ramp)
    if onto_appliance(phase, w.stage):
        return _pushing(x, was, low, ramp)
    if not clearing and phase not in (Phase.VAPOR, Phase.STANDING):
        return low
    if phase is Phase.VAPOR and x.s.liquid_back_s > 2.0 and may_hold_liquid(w.before, x.s.p_appliance):
        return max(low, was - 2.0 * EASE_TIMES * ramp)
    if _near_a_limit(x):
        return max(LEAST_SHARE * low, was - EASE_TIMES * ramp)
    share = x.s.ratio / x.settings.limits.compression_ratio_high
    if phase is Phase.VAPOR and share > (RATIO_EASE if was > RATIO_FROM else RATIO_LEFT):
        # Less gas lets the discharge pressure fall, and what the header holds does not fall further.
        eased: float = min(was, RATIO_FROM) * (RATIO_AIM / share) ** (RATIO_POWER * min(x.dt_s, 1.0))
        return max(LEAST_OPENING, min(eased, was + ramp, 1.0))
    if clearing and not x.s.now_s - w.before.clearing.switched_s >= CLEAR_WIDE_S:
        return low
    return min(1.0, was + ramp)


def _near_a_limit(x: Situation) -> bool:
    limits = x.settings.limits
    return x.s.p_201 > DISCHARGE_EASE_FRACTION * limits.discharge_high_pa_abs or freezing_margin_k(x) < COLD_EASE_K


def _pushing(x: Situation, was: float, low: float, ramp: float) -> float:
    """The first that comes from the header is liquid; then as hard as the appliance and its vapor port can take."""
    p, most = x.s.p_001, appliance_ceiling_pa_abs(x.settings)
    if not (p < PRESS_EASE_FRACTION * most and x.s.p_201 - p < PRESS_EASE_PA) or _near_a_limit(x):
        return max(low, was - EASE_TIMES * ramp)
    return FULL_HEADER * low if not x.in_phase_s >= CLEAR_WIDE_S else min(1.0, was + ramp)


def _as_liquid_allows(x: Situation, was: float, low: float) -> float:
    """The opening to begin with: the procedure's, or less where by the nameplates that were too much liquid."""
    if x.motor_on_s > LIQUID_SEEN_S:
        return was  # it has been set
    refrigerant = catalogue.get(x.settings.job.refrigerant)
    allowed = liquid_opening(x.settings, refrigerant, x.s.p_101, x.s.p_201)
    return min(low, max(allowed, LEAST_SHARE * low)) if allowed == allowed else low


def _on_liquid(w: Work, was: float, low: float, ramp: float) -> float:
    x, before = w.x, w.before
    if before.push_pull_over and x.s.p_001 > before.appliance_start_pa_abs:
        # An appliance that has been pressed up drives liquid through the compressor's valves, and less of it boils
        # behind the throttle. What is set at the start is kept: the liquid's end is seen by a change of pressures.
        if before.phase is not Phase.LIQUID:
            return low * (before.appliance_start_pa_abs / x.s.p_001) ** 2
    elif x.motor_on_s < SOFT_START_S:
        return SOFT_SHARE * low  # standing, too: that is where it starts from
    elif was < low and not _near_a_limit(x):
        return _as_liquid_allows(x, was, low)
    if _near_a_limit(x):
        return max(LEAST_SHARE * low, was - EASE_TIMES * ramp)
    if x.net_contents_kg > x.fill_limit_kg - x.settings.limits.fill_reserve_kg - NEARLY_FULL_KG:
        return max(low, was - EASE_TIMES * ramp)
    s, high = x.s, x.settings.compressor.liquid_fraction_high
    drawn_s = min(x.motor_on_s, x.in_phase_s)
    if not (s.p_102 == s.p_102 and LIQUID_SEEN_S < drawn_s < LIQUID_SET_S) or s.liquid_gone:
        return was  # set once, then left alone: a throttle that moves hides the liquid's end
    # Liquid at the header that has not flashed on the way is the worst that can come.
    source = s.p_001 if s.p_001 == s.p_001 else s.p_101
    seen = liquid_fraction(catalogue.get(x.settings.job.refrigerant), source, s.p_102)
    if seen > high:
        return max(LEAST_SHARE * low, was - EASE_TIMES * ramp)
    return min(LIQUID_WIDE, was + 0.5 * ramp) if seen < 0.7 * high else was


def aids(w: Work) -> int:
    """Outputs that help, as far as they pay and may be on: fans, bath, heater."""
    x, s, settings, bits = w.x, w.s, w.settings, w.before.outputs.bits
    on = 0
    hot = settings.fitted.tt_201 and s.t_201 > settings.limits.discharge_high_degc - HOT_EASE_K
    resting = w.rest.cause is not Cause.NONE
    pays = s.pumped_flow_kg_s > (COOLING_OFF_KG_S if bits & M_201 else COOLING_ON_KG_S)
    # Below that flow a cooled condenser only draws the cylinder's vapor back.
    if pays or hot or resting or w.phase is not Phase.VAPOR:
        on |= M_201 | M_202
    room = settings.job.ambient_degc
    if settings.job.water_side or not s.t_001 > room + (FAN_OFF_K if bits & M_001 else FAN_ON_K):
        on |= M_001
    if _may_heat(x) and w.refrigerant_accepted:
        on |= EH_001
    return on


def _may_heat(x: Situation) -> bool:
    """A heater is for an appliance that is known to hold refrigerant, not too hot, with no gas about."""
    s, settings = x.s, x.settings
    if not s.p_appliance > settings.procedure.empty_appliance_pa_abs:
        return False  # next to nothing left to boil, or nobody knows
    high = HEAT_HIGH_DEGC - (0.0 if x.bits & EH_001 else HEAT_BACK_K)
    if settings.fitted.tt_001 and not s.t_001 < high:
        return False
    if not catalogue.get(settings.job.refrigerant).flammable:
        return True
    gas = x.readings.at_001_lfl
    fit = sound(gas, s.now_s, settings.instruments.reading_max_age_s)
    return fit and gas.value < GAS_SHARE * settings.limits.gas_alarm_lfl
