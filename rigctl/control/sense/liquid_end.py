"""The end of the liquid, and liquid that comes again: what several instruments say, taken together.

A sequential test (Page's cumulative sum, *Biometrika* 41 (1954) 100): every witness says each second how much more
likely vapor at the header is than liquid, within bounds; the sum never falls below nothing, and the liquid has ended
once it reaches `enough_score`. No witness can decide within one scan, and one that errs for a moment is forgotten.

- PT-102 over PT-101: the throttle passes far less mass of vapor than of liquid, but the compressor moves more volume.
- Discharge superheat (TT-201 over dew at PT-201): a compressor that swallows liquid discharges near saturation.
- Weight: vapor first pushes out what condenser and hose hold, so that the cylinder gains faster, then slower. A way in
  that only becomes narrower (a sticking core) gains slower at once, and PT-102 falls with PT-101.
"""

from __future__ import annotations

from math import log, nan

import msgspec

from rigctl.control.prepared import Prepared
from rigctl.control.sense.signals import Signals, followed


class Watch(msgspec.Struct, frozen=True, array_like=True, gc=False):
    """What the watch for the liquid's end carries from scan to scan; NaN where not yet known."""

    since_s: float = nan
    """Liquid is being drawn since."""
    score: float = 0.0
    gone: bool = False
    ratio: float = nan
    ratio_ref: float = nan
    """PT-102 over PT-101, smoothed, and as it is with liquid; the references are kept for the whole job."""
    ratio_quick: float = nan
    ratio_late: float = nan
    """The same smoothed less, and over several seconds."""
    jump_s: float = nan
    jump_ref: float = nan
    """When the ratio last changed as only a throttle can make it, and its reference before."""
    p_102: float = nan
    p_102_ref: float = nan
    t_201_degc: float = nan
    t_201_ref_degc: float = nan
    hot_k: float = nan
    hot_ref_k: float = nan
    """Discharge superheat, smoothed, and as it is with liquid."""
    flow_ref_kg_s: float = nan
    """The usual gain of weight with liquid."""
    word_kg_s: float = nan
    """What the pump should move as liquid, smoothed as hoses and cooler do it."""
    p_201_ref: float = nan
    peak_s: float = nan
    """When vapor was last seen to push liquid out."""
    more_since_s: float = nan
    calm_s: float = nan
    """The weight is not heard before: the scale was disturbed."""
    p_101_ref: float = nan
    starved_since_s: float = nan
    starved_s: float = nan
    """The way in is narrower since, and when it last was."""
    # Liquid that comes again.
    back_since_s: float = nan
    excess_kg: float = 0.0
    """Weight gained beyond what the pump moved as vapor, since the liquid ended."""


def _within(value: float, low: float, high: float) -> float:
    return low if value < low else min(value, high)


def _reference(ref: float, value: float, dt: float, drift_s: float) -> float:
    return value if ref != ref or value < ref else ref + (value - ref) * min(1.0, dt / drift_s)


def draw(
    was: Watch,
    s: Signals,
    prepared: Prepared,
    dt: float,
    flow_kg_s: float,
    *,
    shaken: bool,
    moving: bool = False,
) -> Watch:
    """Carry the watch over one scan in which liquid is drawn.

    `flow_kg_s` is the weight's gain; `shaken`: the scale was knocked, if only by a little; `moving`: the throttle has
    just been told to move.
    """
    settings, k = prepared.settings, prepared.figures.sense.liquid_end
    now = s.now_s
    since = was.since_s if was.since_s == was.since_s else now
    drawn_s = now - since
    settled = drawn_s > (k.unheard_again_s if was.ratio_ref == was.ratio_ref else k.unheard_s)
    rate, heard = 0.0, False

    ratio, ratio_ref, quick, late = was.ratio, was.ratio_ref, was.ratio_quick, was.ratio_late
    jump_s, jump_ref = was.jump_s, was.jump_ref
    p_102, p_102_ref = was.p_102, was.p_102_ref
    starved = False
    if s.p_102 == s.p_102 and s.p_101 > 0.0:
        heard = True
        seen = s.p_102 / s.p_101
        before = ratio
        if not settled:
            ratio = quick = late = before = seen
        ratio = followed(ratio, seen, dt, k.ratio_lag_s)
        quick = followed(quick, seen, dt, k.quick_ratio_lag_s)
        late = followed(late, seen, dt, k.late_ratio_lag_s)
        p_102 = followed(p_102, s.p_102, dt, k.ratio_lag_s)
        if settled:
            starved = p_102 < k.narrowed_share * p_102_ref
            if settings.fitted.cv_103:
                # A throttle takes PT-102 with it; an inlet that opens or shuts moves it the other way.
                jump, moved = log(quick / ratio), log(quick * s.p_101 / p_102)
                more_ln, least_ln = k.jump_ln, k.jump_moved_share * k.jump_ln
                if moving or (jump > more_ln and moved > least_ln) or (jump < -more_ln and moved < -least_ln):
                    if not now - jump_s < k.jump_lasts_s:
                        jump_ref = ratio_ref
                    jump_s = now
            if ratio_ref != ratio_ref:
                ratio_ref = nan if starved else ratio
            elif starved:
                # What comes once the way in is free again is liquid, whatever the throttle did meanwhile.
                if p_102 < k.emptied_share * p_102_ref:
                    ratio_ref = nan
            elif now - jump_s < k.jump_lasts_s:
                ratio_ref = _within(
                    ratio_ref * ratio / before, jump_ref / k.jump_most_times, jump_ref * k.jump_most_times
                )
            elif ratio < ratio_ref:
                ratio_ref = ratio
            else:
                # Slow, so that an end that comes over a minute or two is not taken for a drift.
                ratio_ref += (ratio - ratio_ref) * min(1.0, dt / k.ratio_drift_s)
            limit = log(max(1.01, settings.procedure.liquid_end_ratio))
            climb = log(ratio / late)
            risen = -1.0
            if ratio_ref == ratio_ref:
                risen = (log(ratio / ratio_ref) + k.climb_gain * _within(climb, 0.0, k.climb_most_ln)) / limit - 1.0
            if p_102_ref != p_102_ref or risen < k.surely_liquid_risen:
                p_102_ref = followed(p_102_ref, s.p_102, dt, min(k.liquid_p_102_s, k.liquid_p_102_time_share * drawn_s))
            rate += _within(k.ratio_gain_1_s * risen, k.ratio_least_1_s, k.ratio_most_1_s)

    t_201, t_ref = was.t_201_degc, was.t_201_ref_degc
    hot, hot_ref = was.hot_k, was.hot_ref_k
    doubt, least = 1.0, k.least_rate_1_s
    if s.t_201 == s.t_201 and s.p_201 == s.p_201:
        t_201 = followed(t_201, s.t_201, dt, k.superheat_lag_s)
        hot = followed(hot, s.t_201 - prepared.refrigerant.dew_temperature_degc(s.p_201), dt, k.superheat_lag_s)
        if drawn_s > k.late_witness_s and hot == hot:
            hot_ref = _reference(hot_ref, hot, dt, k.superheat_drift_s)
            t_ref = _reference(t_ref, t_201, dt, k.superheat_drift_s)
            # A probe lags: while the pressure falls only what the probe itself rises counts.
            rise = min(hot - hot_ref, t_201 - t_ref)
            rate += _within(rise / k.hot_k - 1.0, 0.0 if heard else k.superheat_least_1_s, k.superheat_most_1_s)
            doubt, least = k.scale_word_share, k.least_rate_share * k.least_rate_1_s

    least = k.firm_rate_1_s if heard else least
    flow_ref, peak, more_since, calm = was.flow_ref_kg_s, was.peak_s, was.more_since_s, was.calm_s
    p_201_ref, word = was.p_201_ref, followed(was.word_kg_s, s.pumped_flow_kg_s, dt, k.word_lag_s)
    if s.p_201 == s.p_201 and settled:
        p_201_ref = followed(p_201_ref, s.p_201, dt, k.pushed_p_201_lag_s)
        if drawn_s > k.late_witness_s and s.p_201 > k.pushed_p_201_times * p_201_ref:
            peak = now
    if shaken or not s.scale_ok or s.disturbed_s > 0.0:
        calm, peak = now + k.calm_s, nan
    elif drawn_s > k.late_witness_s and not now < calm:
        more = flow_kg_s > k.push_gain_times * flow_ref + k.push_gain_kg_s
        more_since = (more_since if more_since == more_since else now) if more else nan
        if flow_ref != flow_ref:
            flow_ref = flow_kg_s if flow_kg_s > k.usual_gain_least_share * word else nan
        elif now - more_since > k.usual_after_s:
            flow_ref, peak, more_since = flow_kg_s, nan, nan  # it lasts: this is the usual gain
        elif more:
            peak = now
        elif flow_kg_s >= k.push_over_share * flow_ref:
            flow_ref = followed(flow_ref, flow_kg_s, dt, k.usual_gain_lag_s)
        elif flow_kg_s < settings.procedure.liquid_end_flow * min(flow_ref, k.usual_gain_most_times * word):
            low = k.pushed_rate_1_s if now - peak < k.push_lasts_s else k.unpushed_rate_1_s
            rate = max(rate + doubt * low, least)
        elif now - peak < k.push_lasts_s:
            rate += k.falling_rate_1_s * doubt
        if doubt == 1.0 and flow_kg_s < settings.procedure.liquid_end_flow * word:
            rate = max(rate, least)

    p_101_ref, starved_since = was.p_101_ref, was.starved_since_s
    if settled and s.p_101 == s.p_101:
        p_101_ref = followed(p_101_ref, s.p_101, dt, k.header_lag_s)
        pushed = now - peak < k.push_lasts_s and not settings.fitted.cv_103
        if drawn_s > k.header_witness_s and pushed and s.p_101 < k.fallen_share * p_101_ref:
            rate += k.fallen_rate_1_s
        starved = starved if heard else s.p_101 < k.collapsed_share * p_101_ref
    if starved:
        peak, calm = nan, now + k.calm_s
    starved_s = now if starved else was.starved_s
    if starved or now - starved_s < k.narrowed_after_s:
        starved_since = starved_since if starved_since == starved_since else now
        if now - starved_since < k.narrowed_explains_s:
            rate = min(rate, 0.0)
    else:
        starved_since = nan

    score = was.score
    if settled:
        score = _within(score + rate * dt, 0.0, k.most_score)
    return Watch(
        since, score, was.gone or score >= k.enough_score, ratio, ratio_ref, quick, late, jump_s, jump_ref, p_102,
        p_102_ref, t_201, t_ref, hot, hot_ref, flow_ref, word, p_201_ref, peak, more_since, calm,
        p_101_ref, starved_since, starved_s, nan, 0.0,
    )  # fmt: skip


def idle(was: Watch, *, keep: bool) -> Watch:
    """Return the watch while nothing is drawn; what liquid looked like is kept, `keep` also what was decided."""
    drawn = was.since_s == was.since_s or was.back_since_s == was.back_since_s or was.hot_k == was.hot_k
    if not (drawn or was.ratio == was.ratio or (was.gone and not keep)):
        return was
    return msgspec.structs.replace(
        was, since_s=nan, score=0.0, gone=was.gone and keep, ratio=nan, ratio_quick=nan, ratio_late=nan, jump_s=nan,
        p_102=nan, t_201_degc=nan, hot_k=nan, peak_s=nan, more_since_s=nan, starved_since_s=nan, starved_s=nan,
        back_since_s=nan,
    )  # fmt: skip


def pull(was: Watch, s: Signals, prepared: Prepared, dt: float, flow_kg_s: float, opening: float) -> Watch:
    """Carry the watch over one scan in which vapor is drawn and liquid may come again.

    More arrives than displacement can move as vapor. So it does when the rig's own condenser and hose give their
    liquid on, at first and whenever the throttle opens; then suction and discharge stay dry, and that denies it.
    """
    settings, k = prepared.settings, prepared.figures.sense.liquid_end
    now, pumped = s.now_s, s.pumped_flow_kg_s
    weighed = s.scale_ok and s.disturbed_s == 0.0
    excess = was.excess_kg + (max(0.0, flow_kg_s - pumped) * dt if weighed else 0.0)
    ratio, hot = was.ratio, was.hot_k
    heard = dry = False
    if s.p_102 == s.p_102 and s.p_101 > 0.0 and was.ratio_ref == was.ratio_ref:
        ratio = followed(ratio, s.p_102 / s.p_101, dt, k.ratio_lag_s)
        wider = opening / settings.procedure.liquid_position if settings.fitted.cv_103 else 1.0
        bound = k.dry_ratio_times * was.ratio_ref * max(1.0, wider)
        if bound < k.mute_ratio_share:
            heard, dry = True, ratio > bound
    usual = k.back_gain_times * pumped + k.back_gain_kg_s
    if s.t_201 == s.t_201 and s.p_201 == s.p_201 and was.hot_ref_k == was.hot_ref_k:
        hot = followed(hot, s.t_201 - prepared.refrigerant.dew_temperature_degc(s.p_201), dt, k.superheat_lag_s)
        heard, dry = True, dry or hot > was.hot_ref_k + k.denies_k
        if hot < was.hot_ref_k + k.hot_k:
            usual = k.cold_gain_times * pumped + k.cold_gain_kg_s
    more = weighed and flow_kg_s > usual
    if s.t_101 == s.t_101 and s.p_101 == s.p_101 and more and not dry:
        heard, dry = True, s.t_101 > prepared.refrigerant.dew_temperature_degc(s.p_101) + k.dry_header_k
    if not heard:
        dry = excess < settings.limits.fill_reserve_kg  # may be the rig's own
    since = (was.back_since_s if was.back_since_s == was.back_since_s else now) if more and not dry else nan
    return msgspec.structs.replace(
        was, since_s=nan, score=0.0, gone=False, ratio=ratio, hot_k=hot, back_since_s=since, excess_kg=excess
    )
