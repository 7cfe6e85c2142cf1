"""The opening of CV-103: as the liquid allows, wide for vapor, closing when anything nears its limit."""

from __future__ import annotations

from rigctl.control.figures.procedure import Throttle
from rigctl.control.procedure.appliance import may_hold_liquid
from rigctl.control.procedure.pauses import freezing_margin_k
from rigctl.control.procedure.wish import onto_appliance
from rigctl.control.procedure.work import Work
from rigctl.control.protect.situation import Situation
from rigctl.control.sense.compressor import liquid_fraction, liquid_opening
from rigctl.control.vocabulary import Phase, Step


def throttle(w: Work) -> float:
    """Opening of CV-103: as the liquid allows, then wide for vapor, closing when anything nears its limit."""
    x, phase, procedure, was, k = w.x, w.phase, w.settings.procedure, w.before.drive.throttle, w.figures.throttle
    low = procedure.liquid_position
    clearing = phase is Phase.CLEAR_OUT or (phase in (Phase.HOLDING, Phase.STOPPING) and w.step is Step.EMPTYING)
    ramp = (1.0 - low) / max(procedure.throttle_ramp_s, 0.1) * min(x.dt_s, 1.0)
    if phase is Phase.LIQUID:
        return _on_liquid(w, was, low, ramp)
    if onto_appliance(phase, w.step):
        return _pushing(w, was, low, ramp)
    if not clearing and phase not in (Phase.VAPOR, Phase.STANDING):
        return low
    if phase is Phase.VAPOR and x.s.liquid_back_s > k.liquid_back_ease_s and may_hold_liquid(w, x.s.p_appliance):
        return max(low, was - k.liquid_back_times * k.ease_times * ramp)
    if _near_a_limit(w):
        return max(k.closed_share * low, was - k.ease_times * ramp)
    share = x.s.ratio / x.settings.limits.compression_ratio_high
    if phase is Phase.VAPOR and share > (k.ratio_ease_share if was > k.ratio_from_opening else k.ratio_left_share):
        # Less gas lets the discharge pressure fall, and what the header holds does not fall further.
        power = k.ratio_power_1_s * min(x.dt_s, 1.0)
        eased: float = min(was, k.ratio_from_opening) * (k.ratio_aim_share / share) ** power
        return max(k.vapor_least_opening, min(eased, was + ramp, 1.0))
    if clearing and not x.s.now_s - w.before.lines.clearing.switched_s >= k.full_cooler_s:
        return low
    return min(1.0, was + ramp)


def _near_a_limit(w: Work) -> bool:
    x, high_pa_abs = w.x, w.figures.throttle.discharge_ease_share * w.settings.limits.discharge_high_pa_abs
    return x.s.p_201 > high_pa_abs or freezing_margin_k(x) < w.figures.pauses.cold_ease_k


def _pushing(w: Work, was: float, low: float, ramp: float) -> float:
    """The first that comes from the header is liquid; then as hard as the appliance and its vapor port can take."""
    x, k = w.x, w.figures.throttle
    p, most = x.s.p_001, x.prepared.appliance_ceiling_pa_abs
    if not (p < k.press_ease_share * most and x.s.p_201 - p < k.press_ease_pa) or _near_a_limit(w):
        return max(low, was - k.ease_times * ramp)
    return k.full_header_share * low if not x.in_phase_s >= k.full_header_s else min(1.0, was + ramp)


def _as_liquid_allows(x: Situation, was: float, low: float, k: Throttle) -> float:
    """The opening to begin with: the procedure's, or less where by the nameplates that were too much liquid."""
    if x.motor_on_s > k.liquid_seen_s:
        return was  # it has been set
    allowed = liquid_opening(x.prepared, x.s.p_101, x.s.p_201)
    return min(low, max(allowed, k.closed_share * low)) if allowed == allowed else low


def _on_liquid(w: Work, was: float, low: float, ramp: float) -> float:
    x, before, k = w.x, w.before, w.figures.throttle
    if before.appliance.push_pull_over and x.s.p_001 > before.appliance.start_pa_abs:
        # An appliance that has been pressed up drives liquid through the compressor's valves, and less of it boils
        # behind the throttle. What is set at the start is kept: the liquid's end is seen by a change of pressures.
        if before.phase is not Phase.LIQUID:
            pressed: float = low * (before.appliance.start_pa_abs / x.s.p_001) ** k.pressed_power
            return pressed
    elif x.motor_on_s < k.soft_start_s:
        return k.soft_start_share * low  # standing, too: that is where it starts from
    elif was < low and not _near_a_limit(w):
        return _as_liquid_allows(x, was, low, k)
    if _near_a_limit(w):
        return max(k.closed_share * low, was - k.ease_times * ramp)
    if x.net_contents_kg > x.fill_limit_kg - x.settings.limits.fill_reserve_kg - k.nearly_full_kg:
        return max(low, was - k.ease_times * ramp)
    s, high = x.s, x.settings.compressor.liquid_fraction_high
    drawn_s = min(x.motor_on_s, x.in_phase_s)
    if not (s.p_102 == s.p_102 and k.liquid_seen_s < drawn_s < k.liquid_set_s) or s.liquid_gone:
        return was  # set once, then left alone: a throttle that moves hides the liquid's end
    # Liquid at the header that has not flashed on the way is the worst that can come.
    source = s.p_001 if s.p_001 == s.p_001 else s.p_101
    seen = liquid_fraction(x.prepared.refrigerant, source, s.p_102)
    if seen > high:
        return max(k.closed_share * low, was - k.ease_times * ramp)
    if seen < k.liquid_wider_share * high:
        return min(k.liquid_widest_opening, was + k.liquid_ramp_share * ramp)
    return was
