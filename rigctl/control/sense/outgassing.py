"""When to stop pulling, how long to stand, and what a rise of the shut-in appliance means.

Oil gives refrigerant back for minutes. While the compressor draws, what is given off shows as flow; once the
appliance is shut in, it shows as rising pressure. What one kilogram more does to the pressure is learned from the
fall of the vapor phase and from each check that failed, so the compressor's flow tells how fast the pressure would
rise, and pulling goes on until a check can be expected to hold. A check that cannot hold any more is broken off as
soon as that is plain.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import erf, exp, inf, nan, sqrt

import msgspec

from rigctl.control.sense.signals import followed
from rigctl.control.vocabulary import Shape

BLOCK_S = 3.0
"""The rise is judged by means over so long: a pressure transmitter's noise is far above what matters here."""
LAG_S, LONG_LAG_S = 5.0, 15.0
"""The slope of the appliance's pressure is the difference of two lags behind it, over the difference of their times:
that is the slope behind both lags in a row, and the flow that it is set against goes through the same two."""
GAIN_FALL_PA_S = 400.0
"""A fall below this is too near to the noise to learn from."""
RISE_S, LEAST_RISE_S, MOST_RISE_S = 170.0, 60.0, 450.0
"""A rise that begins at some rate adds that rate times so long in half an hour: what stands in before a check has told,
and what a check is believed. The first checks of random simulated jobs: 99 to 279 s, median 172; all: 104 to 432 s."""
RISE_BLOCKS = 12
"""A check of so many blocks tells where its rise leads."""
MARGIN = 0.95
"""Share of the level up to which a check may be expected to rise."""
FIRST_GAIN = 1.4
"""The gain that checks show, over the one that the fall of the pressure shows; median over random simulated jobs."""
FIRST_LOOK = 1.0
"""The first check is made at so many times the allowed rise: what it tells is worth the half minute that it may
cost."""
CAUTION = 0.75
"""Share of the allowed rise to pull down to: a check that fails costs more than a little more pulling."""
PULL_S = 40.0
"""A pull takes at least this long before its flow says anything about the oil."""
PROBE_S = 300.0
"""A pull below its target is broken off for a check after so long at the latest: flow near the compressor's end
misleads."""
FAILS, HOLDS = 0.92, 0.9
"""How sure it must be that a check fails before it is broken off, and that it holds before it counts as passed."""
EARLY_S, EARLY_FAILS, EARLY_HOLDS = 60.0, 0.03, 0.97
"""A check that has stood so long is passed before its end where it is as good as sure not to fail and to hold."""
KEPT_S = 1800.0
"""A rise that does not become slower must not have reached the level after so long: technicians come back within half
an hour, common practice, no source."""
RESTS_EVEN = 0.1
"""Up to this probability of an even rise it is said to come to rest."""
WATCH_SHARE = 0.4
"""Share of the settling time after which the rise is watched; hoses come to one pressure first."""
LEAST_REST_S, MORE_REST_S, MOST_REST_S, PATIENT = 20.0, 10.0, 60.0, 3
"""A check is not broken off sooner; after so many that failed each waits so much longer: a motor is not to start
every half minute for long."""
UNPLAIN, LONGER = 0.2, 1.5
"""A check that is not plain at its end, and at least so likely to hold, may stand so many times as long."""
SLOW_SHARE, SLOWER_TIMES = 0.5, 8.0
"""What oil gives back has a quick part, its surface and the gas that warms, and a slow one, its depth and the cold
metal: so much of a rise has a time constant so many times as long. With one time constant alone the fit sees the quick
part rest: of checks judged 90 % sure at their end 35 % had kept the level after half an hour."""
MODEL_SHARE = 0.4
"""Standard error of what is still to come, as no two rises have quite that form. Both: simulated jobs of the tuning
seeds 5000 to 5099, 346 checks held on for half an hour by the truth; Brier score of "kept" at the end of a check 0.276
with one time constant, 0.082 so."""
SLOWER, LEAK_S, LEAK_BELOW_PA_ABS = 0.9, 420.0, 9.5e4
"""Even still, cold oil gives less by a fifth after such a time of pulling; a rise that begins as fast as so long ago,
in vacuum, is air that leaks in. A leak out of an appliance above the atmosphere shows as a fall, and as weight that
does not come."""
LEAST_LEAK_PA_S = 10.0
"""A rise below this is none: a sentence about it would state 0.00 bar a minute, and a transmitter's noise makes as much.
A hole of 0.1 mm2 lets 200 Pa/s into ten litres (choked air)."""
WARMING_TIMES = 1.3
"""Gas that warms up at the same mass rises in proportion; so much more may still be that."""
LIQUID_SHARE = 0.6
"""A rise that goes on to more than this share of saturation comes from liquid: oil gives back to well below."""
_TIMES_S = (8.0, 15.0, 30.0, 60.0, 120.0, 240.0, inf)
_BEFOREHAND = (0.08, 0.16, 0.24, 0.24, 0.16, 0.07, 0.05)
"""Time constants of a rise's quick part, and what is thought of each beforehand; the slow ones that go with them reach
from one minute to half an hour. The last is an even rise, as a leak makes it."""
_BLOCK_NOISE_SHARE = 0.02
"""Noise of a block's mean, as a share of the transmitter's uncertainty, at least."""


class Rise(msgspec.Struct, frozen=True, array_like=True, gc=False):
    """The pressure of the appliance since it was shut in, in means over `BLOCK_S`."""

    sum_pa: float = 0.0
    count: int = 0
    pressures_pa_abs: tuple[float, ...] = ()
    first_s: float = nan
    """Middle of the first block, after the appliance was shut in."""


class Outlook(msgspec.Struct, frozen=True, array_like=True, gc=False):
    """Where a rise leads."""

    rate_pa_s: float
    """At its first block."""
    now_pa_abs: float
    end_pa_abs: float
    """At the end of the check."""
    rest_pa_abs: float
    """Where it comes to rest, median."""
    fails: float
    """Probability that the check will not be passed, 0 to 1: above the level at its end, or on the way there."""
    stays_below: float
    """Probability that it rests below the level, 0 to 1; an even rise rests nowhere and has to stay below for
    `KEPT_S`."""
    even: float
    """Probability that it rises evenly, as a leak does, 0 to 1."""


class Giving(msgspec.Struct, frozen=True, array_like=True, gc=False):
    """How fast refrigerant is given off while the compressor draws, and what that does to a shut-in appliance."""

    near_flow_kg_s: float = nan
    flow_kg_s: float = nan
    near_pa_abs: float = nan
    far_pa_abs: float = nan
    gain_pa_kg: float = nan
    """Rise of the shut-in appliance for each kilogram given off; NaN before the pressure has fallen once."""
    rise_s: float = RISE_S
    """How far a rise goes, over the rate with which it begins."""
    even_pa_s: float = nan
    even_since_s: float = nan
    """The rate at which checks have begun to rise without becoming slower, and since when."""
    measured: bool = False
    """A check has shown the gain; before, the fall of the pressure gives only a lower bound."""

    @property
    def slope_pa_s(self) -> float:
        """How fast the appliance's pressure changes."""
        return (self.near_pa_abs - self.far_pa_abs) / (LONG_LAG_S - LAG_S)

    @property
    def best_gain_pa_kg(self) -> float:
        """The gain as a check has shown it, or as the fall lets expect that one will."""
        return self.gain_pa_kg if self.measured else FIRST_GAIN * self.gain_pa_kg

    @property
    def rise_pa_s(self) -> float:
        """How fast the pressure would rise were the appliance shut in now; NaN if not known."""
        return self.best_gain_pa_kg * self.flow_kg_s + self.slope_pa_s


def kept(was: Giving) -> Giving:
    """Return what stays while nothing is drawn."""
    return Giving(
        gain_pa_kg=was.gain_pa_kg,
        rise_s=was.rise_s,
        even_pa_s=was.even_pa_s,
        even_since_s=was.even_since_s,
        measured=was.measured,
    )


def drawn(was: Giving, p_pa_abs: float, flow_kg_s: float, dt_s: float, pumping: bool) -> Giving:
    """Carry over one scan what pumping tells of the giving."""
    if not pumping or p_pa_abs != p_pa_abs:
        return kept(was)
    near_flow = followed(was.near_flow_kg_s, flow_kg_s, dt_s, LAG_S)
    flow = followed(was.flow_kg_s, near_flow, dt_s, LONG_LAG_S)
    near = followed(was.near_pa_abs, p_pa_abs, dt_s, LAG_S)
    far = followed(was.far_pa_abs, p_pa_abs, dt_s, LONG_LAG_S)
    gain = was.gain_pa_kg
    fall = (far - near) / (LONG_LAG_S - LAG_S)
    if not was.measured and fall > GAIN_FALL_PA_S and flow > 0.0:
        # What is given off meanwhile makes this too small, never too large: the largest is the best.
        seen = fall / flow
        gain = seen if gain != gain or seen > gain else gain
    return Giving(near_flow, flow, near, far, gain, was.rise_s, was.even_pa_s, was.even_since_s, was.measured)


def allowed_pa_s(giving: Giving, level_pa_abs: float, p_pa_abs: float) -> float:
    """Rate of rise with which a check that begins at a pressure may be expected to be passed.

    For a rise that comes to rest with one time constant, below the level.
    """
    return CAUTION * (MARGIN * level_pa_abs - p_pa_abs) / giving.rise_s


def rise_over_allowed(giving: Giving, level_pa_abs: float, p_pa_abs: float) -> float:
    """How much faster the pressure would rise, were the appliance shut in now, than a check allows; NaN if not
    known.
    """
    if not p_pa_abs < MARGIN * level_pa_abs:
        return nan
    return giving.rise_pa_s / allowed_pa_s(giving, level_pa_abs, p_pa_abs)


def least_rest_s(failed: int) -> float:
    """How long a check stands at least, after so many that have failed."""
    return min(LEAST_REST_S + MORE_REST_S * max(0, failed - PATIENT), MOST_REST_S)


def leaks(was: Giving, outlook: Outlook, now_s: float) -> bool:
    """Whether checks have begun with the same rise for so long that it cannot be oil."""
    even = outlook.rate_pa_s >= LEAST_LEAK_PA_S and outlook.rate_pa_s > SLOWER * was.even_pa_s
    return even and now_s - was.even_since_s > LEAK_S and outlook.now_pa_abs < LEAK_BELOW_PA_ABS


def shape(
    giving: Giving,
    rise: Rise,
    ahead: Outlook | None,
    now_s: float,
    *,
    passed: bool,
    saturation_pa_abs: float,
    warming_share: float,
) -> Shape:
    """What a rise means.

    Parameters
    ----------
    saturation_pa_abs
        Of the refrigerant at the temperature of the appliance, as far as it is known.
    warming_share
        By how much the appliance's absolute temperature has risen meanwhile, as a share; NaN if not measured.
    """
    if ahead is None:
        return Shape.HOLDS if passed else Shape.UNKNOWN
    if leaks(giving, ahead, now_s):
        return Shape.LEAK
    if passed:
        return Shape.HOLDS if ahead.even <= RESTS_EVEN else Shape.SLOW
    first = rise.pressures_pa_abs[0]
    if ahead.now_pa_abs - first <= WARMING_TIMES * warming_share * first:
        return Shape.WARMING
    wet = LIQUID_SHARE * saturation_pa_abs < ahead.rest_pa_abs < inf
    return Shape.LIQUID if wet else Shape.OIL


def learned(was: Giving, rise: Rise, outlook: Outlook, now_s: float) -> Giving:
    """What a check says: it has seen the rise that flow and slope had foretold, and perhaps how far it goes."""
    if not outlook.rate_pa_s >= LEAST_LEAK_PA_S:
        was = msgspec.structs.replace(was, even_pa_s=nan, even_since_s=nan)  # no rise, no leak: the series ends
    elif not outlook.rate_pa_s > SLOWER * was.even_pa_s:
        was = msgspec.structs.replace(was, even_pa_s=outlook.rate_pa_s, even_since_s=now_s)
    if len(rise.pressures_pa_abs) >= RISE_BLOCKS and outlook.rate_pa_s > 0.0:
        far_s = (outlook.rest_pa_abs - rise.pressures_pa_abs[0]) / outlook.rate_pa_s
        was = msgspec.structs.replace(was, rise_s=min(max(far_s, LEAST_RISE_S), MOST_RISE_S))
    flow = was.flow_kg_s
    if not (flow > 0.0 and outlook.rate_pa_s > 0.0):
        return was
    gain = (outlook.rate_pa_s - min(was.slope_pa_s, 0.0)) / flow
    return msgspec.structs.replace(was, gain_pa_kg=gain, measured=True)


def watched(was: Rise, p_pa_abs: float, shut_s: float) -> Rise:
    """Take one more pressure; `shut_s` is the time since the appliance was shut in."""
    if p_pa_abs != p_pa_abs:
        return was
    first = was.first_s if was.first_s == was.first_s else shut_s + 0.5 * BLOCK_S
    total, count = was.sum_pa + p_pa_abs, was.count + 1
    blocks = was.pressures_pa_abs
    if shut_s - (first - 0.5 * BLOCK_S) >= (len(blocks) + 1) * BLOCK_S:
        return Rise(0.0, 0, (*blocks, total / count), first)
    return Rise(total, count, blocks, first)


def outlook(rise: Rise, end_s: float, level_pa_abs: float, uncertainty_pa: float) -> Outlook | None:
    """Where a rise leads, None before three blocks are seen.

    Least squares of `p = a + b*_risen(t, tau)` for some time constants, weighed by how well each fits and by what is
    thought of it beforehand (Bayes).

    Parameters
    ----------
    end_s
        End of the check, after the appliance was shut in.
    uncertainty_pa
        Standard uncertainty of the transmitter; its noise is taken as a small share of it, or as large as is seen.
    """
    p = rise.pressures_pa_abs
    n = len(p)
    if n < 3:
        return None
    fits = [_fit(p, tau) for tau in _TIMES_S]
    least = min(fit[2] for fit in fits)
    variance = max(least / max(n - 3, 1), (_BLOCK_NOISE_SHARE * uncertainty_pa) ** 2)
    weights = [w * exp(-0.5 * (fit[2] - least) / variance) for w, fit in zip(_BEFOREHAND, fits, strict=True)]
    scale = 1.0 / total(weights)
    since_s = end_s - rise.first_s
    fails = below = end = rate = 0.0
    rests = []
    for tau, weight, (a, b, _, var_a, var_b, cov) in zip(_TIMES_S, weights, fits, strict=True):
        w = weight * scale
        f = _risen(since_s, tau)
        p_end = a + b * f
        miss = MODEL_SHARE * (p_end - p[-1])
        spread = sqrt(max(variance * (var_a + f * f * var_b + 2.0 * f * cov) + miss * miss, 1.0))
        over = _above(p_end, spread, level_pa_abs)
        end += w * p_end
        rate += w * b * _first_rate_1_s(tau)
        if tau == inf:
            f = KEPT_S
            rests.append((inf, w))
        else:
            f = 1.0
            rests.append((a + b, w))
        miss = MODEL_SHARE * (a + f * b - p[-1])
        spread = sqrt(max(variance * (var_a + f * f * var_b + 2.0 * f * cov) + miss * miss, 1.0))
        stays = 1.0 - _above(a + f * b, spread, level_pa_abs)
        below += w * stays
        fails += w * max(over, 1.0 - stays)
    rests.sort()
    rest, seen = inf, 0.0
    for value, w in rests:
        seen += w
        if seen >= 0.5:
            rest = value
            break
    return Outlook(rate, p[-1], end, rest, fails, below, weights[-1] * scale)


def _risen(t_s: float, tau_s: float) -> float:
    """Share of a rise that is over after a time, 0 to 1; of an even one the time itself."""
    if tau_s == inf:
        return t_s
    return 1.0 - (1.0 - SLOW_SHARE) * exp(-t_s / tau_s) - SLOW_SHARE * exp(-t_s / (SLOWER_TIMES * tau_s))


def _first_rate_1_s(tau_s: float) -> float:
    """The slope of `_risen` at its beginning."""
    return 1.0 if tau_s == inf else (1.0 - SLOW_SHARE + SLOW_SHARE / SLOWER_TIMES) / tau_s


def _fit(p: tuple[float, ...], tau_s: float) -> tuple[float, float, float, float, float, float]:
    """Least squares of a + b*_risen(t): a, b, sum of squares, and the covariance of a and b for unit variance."""
    n = len(p)
    ramp = [BLOCK_S * i for i in range(n)]
    f = [_risen(t, tau_s) for t in ramp]
    mean_f, mean_p = total(f) / n, total(p) / n
    sff = sfp = spp = 0.0
    for f_i, p_i in zip(f, p, strict=True):
        d_f, d_p = f_i - mean_f, p_i - mean_p
        sff += d_f * d_f
        sfp += d_f * d_p
        spp += d_p * d_p
    b = sfp / sff
    var_b = 1.0 / sff
    return mean_p - b * mean_f, b, max(spp - b * sfp, 0.0), 1.0 / n + mean_f * mean_f * var_b, var_b, -mean_f * var_b


def total(values: Sequence[float]) -> float:
    """A sum by a plain loop: Python's own is compensated since 3.12 and gives other bits."""
    added = 0.0
    for value in values:
        added += value
    return added


def _above(mean: float, spread: float, limit: float) -> float:
    """Probability that a normal value is above a limit."""
    return 0.5 * (1.0 - erf((limit - mean) / (1.4142135623730951 * spread)))
