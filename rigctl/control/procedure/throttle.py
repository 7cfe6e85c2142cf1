"""The opening of CV-103: as the liquid allows, wide for vapor, closing when anything nears its limit."""

from __future__ import annotations

from rigctl.control.procedure.appliance import may_hold_liquid
from rigctl.control.procedure.pauses import COLD_EASE_K, freezing_margin_k
from rigctl.control.procedure.wish import onto_appliance
from rigctl.control.procedure.work import Work
from rigctl.control.protect.situation import Situation
from rigctl.control.sense.compressor import liquid_fraction, liquid_opening
from rigctl.control.vocabulary import Phase, Step

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


def throttle(w: Work) -> float:
    """Opening of CV-103: as the liquid allows, then wide for vapor, closing when anything nears its limit."""
    x, phase, procedure, was = w.x, w.phase, w.settings.procedure, w.before.drive.throttle
    low = procedure.liquid_position
    clearing = phase is Phase.CLEAR_OUT or (phase in (Phase.HOLDING, Phase.STOPPING) and w.step is Step.EMPTYING)
    ramp = (1.0 - low) / max(procedure.throttle_ramp_s, 0.1) * min(x.dt_s, 1.0)
    if phase is Phase.LIQUID:
        return _on_liquid(w, was, low, ramp)
    if onto_appliance(phase, w.step):
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
    if clearing and not x.s.now_s - w.before.lines.clearing.switched_s >= CLEAR_WIDE_S:
        return low
    return min(1.0, was + ramp)


def _near_a_limit(x: Situation) -> bool:
    limits = x.settings.limits
    return x.s.p_201 > DISCHARGE_EASE_FRACTION * limits.discharge_high_pa_abs or freezing_margin_k(x) < COLD_EASE_K


def _pushing(x: Situation, was: float, low: float, ramp: float) -> float:
    """The first that comes from the header is liquid; then as hard as the appliance and its vapor port can take."""
    p, most = x.s.p_001, x.prepared.appliance_ceiling_pa_abs
    if not (p < PRESS_EASE_FRACTION * most and x.s.p_201 - p < PRESS_EASE_PA) or _near_a_limit(x):
        return max(low, was - EASE_TIMES * ramp)
    return FULL_HEADER * low if not x.in_phase_s >= CLEAR_WIDE_S else min(1.0, was + ramp)


def _as_liquid_allows(x: Situation, was: float, low: float) -> float:
    """The opening to begin with: the procedure's, or less where by the nameplates that were too much liquid."""
    if x.motor_on_s > LIQUID_SEEN_S:
        return was  # it has been set
    allowed = liquid_opening(x.prepared, x.s.p_101, x.s.p_201)
    return min(low, max(allowed, LEAST_SHARE * low)) if allowed == allowed else low


def _on_liquid(w: Work, was: float, low: float, ramp: float) -> float:
    x, before = w.x, w.before
    if before.appliance.push_pull_over and x.s.p_001 > before.appliance.start_pa_abs:
        # An appliance that has been pressed up drives liquid through the compressor's valves, and less of it boils
        # behind the throttle. What is set at the start is kept: the liquid's end is seen by a change of pressures.
        if before.phase is not Phase.LIQUID:
            return low * (before.appliance.start_pa_abs / x.s.p_001) ** 2
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
    seen = liquid_fraction(x.prepared.refrigerant, source, s.p_102)
    if seen > high:
        return max(LEAST_SHARE * low, was - EASE_TIMES * ramp)
    return min(LIQUID_WIDE, was + 0.5 * ramp) if seen < 0.7 * high else was
