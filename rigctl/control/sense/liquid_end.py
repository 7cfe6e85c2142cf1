"""The end of the liquid, and liquid that comes again: what several instruments say, taken together.

A sequential test (Page's cumulative sum, *Biometrika* 41 (1954) 100): every witness says each second how much more
likely vapor at the header is than liquid, within bounds; the sum never falls below nothing, and the liquid has ended
once it reaches `ENOUGH`. No witness can decide within one scan, and one that errs for a moment is forgotten.

- PT-102 over PT-101: the throttle passes far less mass of vapor than of liquid, but the compressor moves more volume.
- Discharge superheat (TT-201 over dew at PT-201): a compressor that swallows liquid discharges near saturation.
- Weight: vapor first pushes out what condenser and hose hold, so that the cylinder gains faster, then slower. A way in
  that only becomes narrower (a sticking core) gains slower at once, and PT-102 falls with PT-101.
"""

from __future__ import annotations

from math import log, nan

import msgspec

from rigctl.control.sense.signals import Signals, followed
from rigctl.control.settings import Settings
from rigctl.refrigerant.saturation import Refrigerant

# Figures were set on simulated jobs (tuning seeds of tests/bench/jobs.py), sound and rough ones; no other source.
ENOUGH = 1.0
SETTLE_S, SETTLE_AGAIN_S = 5.0, 3.0
"""PT-102 is not heard so long after liquid has begun to be drawn; less where it is known how liquid looks."""
LATE_S, SURE_S = 12.0, 30.0
"""Superheat and weight are heard from the first on (probe and hoses need it), PT-101 from the second on."""
# PT-102 over PT-101.
GAIN, CLIMB = 6.0, 0.8
"""Weight of the ratio's rise over its threshold, and what a climb over the last seconds adds to the rise: an end that
comes quickly is sure sooner."""
JUMP, JUMP_LASTS_S, JUMP_MOST = 0.075, 2.5, 1.5
"""Change within half a second that only a throttle can make: vapor takes seconds to fill the header. And by how much at
most that is believed: a way to the port so short that vapor comes at once must not pass for a throttle for good."""
STARVED, EMPTY, COLLAPSED = 0.88, 0.6, 0.6
"""Share of liquid's PT-102 below which the way in has become narrower (at the liquid's end it rises), and below which
what comes next counts as liquid; the same for PT-101 against its last seconds, where PT-102 cannot speak."""
STARVED_S, FREE_S = 30.0, 6.0
"""A narrower way in explains all for so long at most, and for so long after."""
# Discharge superheat.
HOT_K = 2.0
"""Rise at which vapor is as likely as liquid."""
DOUBT = 0.3
"""Weight of the scale's word where the discharge superheat can speak: a cold coil that fills takes from its gain."""
# Weight, and the pressures that go with it.
PEAK, PEAK_KG_S, DROP = 1.12, 5e-4, 0.8
"""Gain over its usual one that tells of vapor pushing liquid out, and below which that is over."""
PUSHED = 1.03
"""The same told by PT-201 over its last seconds."""
PEAK_LASTS_S, USUAL_S = 30.0, 25.0
"""Such a push is remembered for so long; a greater gain that lasts longer than the second is the usual one."""
CALM_S = 15.0
"""The weight is not heard so long after a knock or a starved header."""
LOW, LEAST, FIRM = 0.15, 0.04, 0.01
"""Rates of a low gain without a push; whatever others say; and against PT-102."""
FALLEN, FALL = 0.95, 0.07
"""Share of PT-101's last seconds which, after a push and behind a fixed restriction, speaks for vapor; and its rate."""
# Liquid that comes again.
LIQUID_BACK_RATIO, LIQUID_BACK_KG_S = 1.6, 3e-3
"""Weight gain over vapor displacement that vapor alone does not explain."""
COLD_RATIO, COLD_KG_S = 1.25, 1e-3
"""The same while the discharge is as cold as with liquid."""
DENIES_K, DRY_K = 5.0, 4.0
"""Discharge superheat above that of liquid, and superheat at the header, that say that no liquid is drawn."""
DRY_RATIO, WIDE = 1.2, 0.8
"""PT-102 over PT-101, over liquid's in proportion to the throttle's opening, above which the suction is dry; a throttle
so wide that this would come to the second figure tells nothing."""


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


def _reference(ref: float, value: float, dt: float) -> float:
    return value if ref != ref or value < ref else ref + (value - ref) * min(1.0, dt / 120.0)


def draw(
    was: Watch,
    s: Signals,
    settings: Settings,
    refrigerant: Refrigerant,
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
    now = s.now_s
    since = was.since_s if was.since_s == was.since_s else now
    drawn_s = now - since
    settled = drawn_s > (SETTLE_AGAIN_S if was.ratio_ref == was.ratio_ref else SETTLE_S)
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
        ratio = followed(ratio, seen, dt, 0.7)
        quick = followed(quick, seen, dt, 0.2)
        late = followed(late, seen, dt, 4.0)
        p_102 = followed(p_102, s.p_102, dt, 0.7)
        if settled:
            starved = p_102 < STARVED * p_102_ref
            if settings.fitted.cv_103:
                # A throttle takes PT-102 with it; an inlet that opens or shuts moves it the other way.
                jump, moved = log(quick / ratio), log(quick * s.p_101 / p_102)
                if moving or (jump > JUMP and moved > 0.5 * JUMP) or (jump < -JUMP and moved < -0.5 * JUMP):
                    if not now - jump_s < JUMP_LASTS_S:
                        jump_ref = ratio_ref
                    jump_s = now
            if ratio_ref != ratio_ref:
                ratio_ref = nan if starved else ratio
            elif starved:
                # What comes once the way in is free again is liquid, whatever the throttle did meanwhile.
                if p_102 < EMPTY * p_102_ref:
                    ratio_ref = nan
            elif now - jump_s < JUMP_LASTS_S:
                ratio_ref = _within(ratio_ref * ratio / before, jump_ref / JUMP_MOST, jump_ref * JUMP_MOST)
            elif ratio < ratio_ref:
                ratio_ref = ratio
            else:
                # Slow, so that an end that comes over a minute or two is not taken for a drift.
                ratio_ref += (ratio - ratio_ref) * min(1.0, dt / 600.0)
            limit = log(max(1.01, settings.procedure.liquid_end_ratio))
            climb = log(ratio / late)
            risen = -1.0
            if ratio_ref == ratio_ref:
                risen = (log(ratio / ratio_ref) + CLIMB * _within(climb, 0.0, 0.2)) / limit - 1.0
            if p_102_ref != p_102_ref or risen < -0.5:
                p_102_ref = followed(p_102_ref, s.p_102, dt, min(20.0, 0.3 * drawn_s))
            rate += _within(GAIN * risen, -1.0, 2.0)

    t_201, t_ref = was.t_201_degc, was.t_201_ref_degc
    hot, hot_ref = was.hot_k, was.hot_ref_k
    doubt, least = 1.0, LEAST
    if s.t_201 == s.t_201 and s.p_201 == s.p_201:
        t_201 = followed(t_201, s.t_201, dt, 1.0)
        hot = followed(hot, s.t_201 - refrigerant.dew_temperature_degc(s.p_201), dt, 1.0)
        if drawn_s > LATE_S and hot == hot:
            hot_ref = _reference(hot_ref, hot, dt)
            t_ref = _reference(t_ref, t_201, dt)
            # A probe lags: while the pressure falls only what the probe itself rises counts.
            rise = min(hot - hot_ref, t_201 - t_ref)
            rate += _within(rise / HOT_K - 1.0, 0.0 if heard else -0.3, 2.0)
            doubt, least = DOUBT, 0.5 * LEAST

    least = FIRM if heard else least
    flow_ref, peak, more_since, calm = was.flow_ref_kg_s, was.peak_s, was.more_since_s, was.calm_s
    p_201_ref, word = was.p_201_ref, followed(was.word_kg_s, s.pumped_flow_kg_s, dt, 8.0)
    if s.p_201 == s.p_201 and settled:
        p_201_ref = followed(p_201_ref, s.p_201, dt, 15.0)
        if drawn_s > LATE_S and s.p_201 > PUSHED * p_201_ref:
            peak = now
    if shaken or not s.scale_ok or s.disturbed_s > 0.0:
        calm, peak = now + CALM_S, nan
    elif drawn_s > LATE_S and not now < calm:
        more = flow_kg_s > PEAK * flow_ref + PEAK_KG_S
        more_since = (more_since if more_since == more_since else now) if more else nan
        if flow_ref != flow_ref:
            flow_ref = flow_kg_s if flow_kg_s > 0.3 * word else nan
        elif now - more_since > USUAL_S:
            flow_ref, peak, more_since = flow_kg_s, nan, nan  # it lasts: this is the usual gain
        elif more:
            peak = now
        elif flow_kg_s >= DROP * flow_ref:
            flow_ref = followed(flow_ref, flow_kg_s, dt, 15.0)
        elif flow_kg_s < settings.procedure.liquid_end_flow * min(flow_ref, 1.2 * word):
            rate = max(rate + doubt * (1.0 if now - peak < PEAK_LASTS_S else LOW), least)
        elif now - peak < PEAK_LASTS_S:
            rate += 0.5 * doubt
        if doubt == 1.0 and flow_kg_s < settings.procedure.liquid_end_flow * word:
            rate = max(rate, least)

    p_101_ref, starved_since = was.p_101_ref, was.starved_since_s
    if settled and s.p_101 == s.p_101:
        p_101_ref = followed(p_101_ref, s.p_101, dt, 8.0)
        pushed = now - peak < PEAK_LASTS_S and not settings.fitted.cv_103
        if drawn_s > SURE_S and pushed and s.p_101 < FALLEN * p_101_ref:
            rate += FALL
        starved = starved if heard else s.p_101 < COLLAPSED * p_101_ref
    if starved:
        peak, calm = nan, now + CALM_S
    starved_s = now if starved else was.starved_s
    if starved or now - starved_s < FREE_S:
        starved_since = starved_since if starved_since == starved_since else now
        if now - starved_since < STARVED_S:
            rate = min(rate, 0.0)
    else:
        starved_since = nan

    score = was.score
    if settled:
        score = _within(score + rate * dt, 0.0, 2.0)
    return Watch(
        since, score, was.gone or score >= ENOUGH, ratio, ratio_ref, quick, late, jump_s, jump_ref, p_102, p_102_ref,
        t_201, t_ref, hot, hot_ref, flow_ref, word, p_201_ref, peak, more_since, calm,
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


def pull(
    was: Watch, s: Signals, settings: Settings, refrigerant: Refrigerant, dt: float, flow_kg_s: float, opening: float
) -> Watch:
    """Carry the watch over one scan in which vapor is drawn and liquid may come again.

    More arrives than displacement can move as vapor. So it does when the rig's own condenser and hose give their
    liquid on, at first and whenever the throttle opens; then suction and discharge stay dry, and that denies it.
    """
    now, pumped = s.now_s, s.pumped_flow_kg_s
    weighed = s.scale_ok and s.disturbed_s == 0.0
    excess = was.excess_kg + (max(0.0, flow_kg_s - pumped) * dt if weighed else 0.0)
    ratio, hot = was.ratio, was.hot_k
    heard = dry = False
    if s.p_102 == s.p_102 and s.p_101 > 0.0 and was.ratio_ref == was.ratio_ref:
        ratio = followed(ratio, s.p_102 / s.p_101, dt, 0.7)
        wider = opening / settings.procedure.liquid_position if settings.fitted.cv_103 else 1.0
        bound = DRY_RATIO * was.ratio_ref * max(1.0, wider)
        if bound < WIDE:
            heard, dry = True, ratio > bound
    usual = LIQUID_BACK_RATIO * pumped + LIQUID_BACK_KG_S
    if s.t_201 == s.t_201 and s.p_201 == s.p_201 and was.hot_ref_k == was.hot_ref_k:
        hot = followed(hot, s.t_201 - refrigerant.dew_temperature_degc(s.p_201), dt, 1.0)
        heard, dry = True, dry or hot > was.hot_ref_k + DENIES_K
        if hot < was.hot_ref_k + HOT_K:
            usual = COLD_RATIO * pumped + COLD_KG_S
    more = weighed and flow_kg_s > usual
    if s.t_101 == s.t_101 and s.p_101 == s.p_101 and more and not dry:
        heard, dry = True, s.t_101 > refrigerant.dew_temperature_degc(s.p_101) + DRY_K
    if not heard:
        dry = excess < settings.limits.fill_reserve_kg  # may be the rig's own
    since = (was.back_since_s if was.back_since_s == was.back_since_s else now) if more and not dry else nan
    return msgspec.structs.replace(
        was, since_s=nan, score=0.0, gone=False, ratio=ratio, hot_k=hot, back_since_s=since, excess_kg=excess
    )
