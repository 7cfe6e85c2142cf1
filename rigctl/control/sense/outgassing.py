"""When to stop pulling, how long to stand, and what a rise of the shut-in appliance means.

Oil gives refrigerant back for minutes. While the compressor draws, what is given off shows as flow; once the
appliance is shut in, it shows as rising pressure. What one kilogram more does to the pressure is learned from the
fall of the vapor phase and from each check that failed, so the compressor's flow tells how fast the pressure would
rise, and pulling goes on until a check can be expected to hold. A check that cannot hold any more is broken off as
soon as that is plain.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import ceil, erf, exp, inf, nan, sqrt

import msgspec

from rigctl.control.figures import sense as figures
from rigctl.control.prepared import Prepared
from rigctl.control.sense.signals import followed
from rigctl.control.settings import Procedure
from rigctl.control.vocabulary import Shape


class Rise(msgspec.Struct, frozen=True, array_like=True, gc=False):
    """The pressure of the appliance since it was shut in, in means over blocks of some seconds."""

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
    """Probability that it is still below the level some time after the check's end (`kept_s`), 0 to 1."""
    rests_below: float
    """Probability that it comes to rest below the level, 0 to 1; an even rise does not."""
    kept_pa_abs: float
    """What it will be then."""


class Giving(msgspec.Struct, frozen=True, array_like=True, gc=False):
    """How fast refrigerant is given off while the compressor draws, and what that does to a shut-in appliance."""

    near_flow_kg_s: float = nan
    flow_kg_s: float = nan
    near_pa_abs: float = nan
    far_pa_abs: float = nan
    gain_pa_kg: float = nan
    """Rise of the shut-in appliance for each kilogram given off; NaN before the pressure has fallen once."""
    rise_s: float = nan
    """How far a rise goes, over the rate with which it begins; NaN before `unmeasured`."""
    even_pa_s: float = nan
    even_since_s: float = nan
    """The rate at which checks have begun to rise without becoming slower, and since when."""
    measured: bool = False
    """A check has shown the gain; before, the fall of the pressure gives only a lower bound."""

    def slope_pa_s(self, k: figures.Outgassing) -> float:
        """How fast the appliance's pressure changes."""
        return (self.near_pa_abs - self.far_pa_abs) / (k.far_lag_s - k.near_lag_s)

    def best_gain_pa_kg(self, k: figures.Outgassing) -> float:
        """The gain as a check has shown it, or as the fall lets expect that one will."""
        return self.gain_pa_kg if self.measured else k.first_gain_times * self.gain_pa_kg

    def rise_pa_s(self, k: figures.Outgassing) -> float:
        """How fast the pressure would rise were the appliance shut in now; NaN if not known."""
        return self.best_gain_pa_kg(k) * self.flow_kg_s + self.slope_pa_s(k)


def unmeasured(k: figures.Outgassing) -> Giving:
    """Return what is known of the giving before anything was drawn."""
    return Giving(rise_s=k.usual_rise_s)


def kept(was: Giving) -> Giving:
    """Return what stays while nothing is drawn."""
    return Giving(
        gain_pa_kg=was.gain_pa_kg,
        rise_s=was.rise_s,
        even_pa_s=was.even_pa_s,
        even_since_s=was.even_since_s,
        measured=was.measured,
    )


def drawn(was: Giving, p_pa_abs: float, flow_kg_s: float, dt_s: float, pumping: bool, k: figures.Outgassing) -> Giving:
    """Carry over one scan what pumping tells of the giving."""
    if not pumping or p_pa_abs != p_pa_abs:
        return kept(was)
    near_flow = followed(was.near_flow_kg_s, flow_kg_s, dt_s, k.near_lag_s)
    flow = followed(was.flow_kg_s, near_flow, dt_s, k.far_lag_s)
    near = followed(was.near_pa_abs, p_pa_abs, dt_s, k.near_lag_s)
    far = followed(was.far_pa_abs, p_pa_abs, dt_s, k.far_lag_s)
    gain = was.gain_pa_kg
    fall = (far - near) / (k.far_lag_s - k.near_lag_s)
    if not was.measured and fall > k.least_fall_pa_s and flow > 0.0:
        # What is given off meanwhile makes this too small, never too large: the largest is the best.
        seen = fall / flow
        gain = seen if gain != gain or seen > gain else gain
    return Giving(near_flow, flow, near, far, gain, was.rise_s, was.even_pa_s, was.even_since_s, was.measured)


def allowed_pa_s(giving: Giving, prepared: Prepared, level_pa_abs: float, p_pa_abs: float) -> float:
    """Rate of rise with which a check that begins at a pressure may be expected to be passed.

    Its rise has to come to rest below the level.
    """
    k = prepared.figures.sense.outgassing
    return k.caution_share * (k.level_share * level_pa_abs - p_pa_abs) / giving.rise_s


def rise_over_allowed(giving: Giving, prepared: Prepared, level_pa_abs: float, p_pa_abs: float) -> float:
    """How much faster the pressure would rise, were the appliance shut in now, than a check allows; NaN if not
    known.
    """
    k = prepared.figures.sense.outgassing
    if not p_pa_abs < k.level_share * level_pa_abs:
        return nan
    return giving.rise_pa_s(k) / allowed_pa_s(giving, prepared, level_pa_abs, p_pa_abs)


def least_rest_s(failed: int, k: figures.Outgassing) -> float:
    """How long a check stands at least, after so many that have failed."""
    return min(k.least_check_s + k.more_check_s * max(0, failed - k.patient_checks), k.most_check_s)


def leaks(was: Giving, outlook: Outlook, now_s: float, k: figures.Outgassing) -> bool:
    """Whether checks have begun with the same rise for so long that it cannot be oil."""
    even = outlook.rate_pa_s >= k.least_leak_pa_s and outlook.rate_pa_s > k.slower_share * was.even_pa_s
    return even and now_s - was.even_since_s > k.leak_s and outlook.now_pa_abs < k.leak_below_pa_abs


def shape(
    giving: Giving,
    rise: Rise,
    ahead: Outlook | None,
    now_s: float,
    k: figures.Outgassing,
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
    if leaks(giving, ahead, now_s, k):
        return Shape.LEAK
    if passed:
        return Shape.HOLDS if ahead.rests_below >= k.holds_surely else Shape.SLOW
    first = rise.pressures_pa_abs[0]
    if ahead.now_pa_abs - first <= k.warming_times * warming_share * first:
        return Shape.WARMING
    wet = k.wet_rest_share * saturation_pa_abs < ahead.rest_pa_abs < inf
    return Shape.LIQUID if wet else Shape.OIL


def learned(was: Giving, rise: Rise, outlook: Outlook, now_s: float, k: figures.Outgassing) -> Giving:
    """What a check says: it has seen the rise that flow and slope had foretold, and perhaps how far it goes."""
    if not outlook.rate_pa_s >= k.least_leak_pa_s:
        was = msgspec.structs.replace(was, even_pa_s=nan, even_since_s=nan)  # no rise, no leak: the series ends
    elif not outlook.rate_pa_s > k.slower_share * was.even_pa_s:
        was = msgspec.structs.replace(was, even_pa_s=outlook.rate_pa_s, even_since_s=now_s)
    if len(rise.pressures_pa_abs) >= k.telling_blocks and outlook.rate_pa_s > 0.0:
        far_s = (outlook.kept_pa_abs - rise.pressures_pa_abs[0]) / outlook.rate_pa_s
        was = msgspec.structs.replace(was, rise_s=min(max(far_s, k.least_rise_s), k.most_rise_s))
    flow = was.flow_kg_s
    if not (flow > 0.0 and outlook.rate_pa_s > 0.0):
        return was
    gain = (outlook.rate_pa_s - min(was.slope_pa_s(k), 0.0)) / flow
    return msgspec.structs.replace(was, gain_pa_kg=gain, measured=True)


def watched(was: Rise, p_pa_abs: float, shut_s: float, k: figures.Outgassing) -> Rise:
    """Take one more pressure; `shut_s` is the time since the appliance was shut in."""
    if p_pa_abs != p_pa_abs:
        return was
    first = was.first_s if was.first_s == was.first_s else shut_s + 0.5 * k.block_s
    total, count = was.sum_pa + p_pa_abs, was.count + 1
    blocks = was.pressures_pa_abs
    if shut_s - (first - 0.5 * k.block_s) >= (len(blocks) + 1) * k.block_s:
        return Rise(0.0, 0, (*blocks, total / count), first)
    return Rise(total, count, blocks, first)


def outlook(
    rise: Rise,
    end_s: float,
    level_pa_abs: float,
    uncertainty_pa: float,
    prepared: Prepared,
) -> Outlook | None:
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
    p, k = rise.pressures_pa_abs, prepared.figures.sense.outgassing
    n = len(p)
    if n < 3:
        return None
    risen = prepared.rises if n <= len(prepared.rises[0]) else rises(k, n)
    mean_pa = total(p) / n
    off_pa = [p_i - mean_pa for p_i in p]
    fits = [_fit(off_pa, mean_pa, row) for row in risen]
    least = min(fit[2] for fit in fits)
    variance = max(least / max(n - 3, 1), (k.block_noise_share * uncertainty_pa) ** 2)
    weights = [w * exp(-0.5 * (fit[2] - least) / variance) for (_, w), fit in zip(k.rests, fits, strict=True)]
    scale = 1.0 / total(weights)
    since_s = end_s - rise.first_s
    kept_s = since_s + k.kept_s
    fails = below = rests_below = end = kept = rate = 0.0
    rests = []
    for (tau, _), weight, (a, b, _, var_a, var_b, cov) in zip(k.rests, weights, fits, strict=True):
        w = weight * scale
        f = _risen(since_s, tau, k)
        p_end = a + b * f
        miss = k.model_share * (p_end - p[-1])
        spread = sqrt(max(variance * (var_a + f * f * var_b + 2.0 * f * cov) + miss * miss, 1.0))
        over = _above(p_end, spread, level_pa_abs)
        end += w * p_end
        rate += w * b * _first_rate_1_s(tau, k)
        f = _risen(kept_s, tau, k)
        miss = k.model_share * (a + f * b - p[-1])
        spread = sqrt(max(variance * (var_a + f * f * var_b + 2.0 * f * cov) + miss * miss, 1.0))
        stays = 1.0 - _above(a + f * b, spread, level_pa_abs)
        kept += w * (a + f * b)
        if tau == inf:
            rests.append((inf, w))
        else:
            rests_below += w * (1.0 - _above(a + b, spread, level_pa_abs))
            rests.append((a + b, w))
        below += w * stays
        fails += w * max(over, 1.0 - stays)
    rests.sort()
    rest, seen = inf, 0.0
    for value, w in rests:
        seen += w
        if seen >= 0.5:
            rest = value
            break
    return Outlook(rate, p[-1], end, rest, fails, below, rests_below, kept)


def _risen(t_s: float, tau_s: float, k: figures.Outgassing) -> float:
    """Share of a rise that is over after a time, 0 to 1; of an even one the time itself, s."""
    if tau_s == inf:
        return t_s
    return 1.0 - (1.0 - k.slow_share) * exp(-t_s / tau_s) - k.slow_share * exp(-t_s / (k.slow_times * tau_s))


def _first_rate_1_s(tau_s: float, k: figures.Outgassing) -> float:
    """The slope of `_risen` at its beginning, 1/s; of an even one 1."""
    return 1.0 if tau_s == inf else (1.0 - k.slow_share + k.slow_share / k.slow_times) / tau_s


def rises(k: figures.Outgassing, blocks: int) -> tuple[tuple[float, ...], ...]:
    """Share of a rise that is over at each of so many blocks, a row for each time constant."""
    return tuple(tuple(_risen(k.block_s * i, tau_s, k) for i in range(blocks)) for tau_s, _ in k.rests)


def blocks_of_a_check(k: figures.Outgassing, procedure: Procedure) -> int:
    """How many blocks a check has at most, and a few more."""
    return ceil((procedure.standing_settle_s + k.longer_times * procedure.standing_s) / k.block_s) + 5


def _fit(
    off_pa: list[float], mean_pa: float, risen: tuple[float, ...]
) -> tuple[float, float, float, float, float, float]:
    """Least squares of a + b*risen: a, b, sum of squares, and the covariance of a and b for unit variance.

    Parameters
    ----------
    off_pa, mean_pa
        Each pressure less their mean, and that.
    """
    n = len(off_pa)
    f = ff = fp = pp = 0.0
    for risen_i, off_i in zip(risen, off_pa, strict=False):  # what is worked out beforehand reaches further
        f += risen_i
        ff += risen_i * risen_i
        fp += risen_i * off_i
        pp += off_i * off_i
    mean = f / n
    spread = ff - f * mean
    b = fp / spread
    var_b = 1.0 / spread
    return mean_pa - b * mean, b, max(pp - b * fp, 0.0), 1.0 / n + mean * mean * var_b, var_b, -mean * var_b


def total(values: Sequence[float]) -> float:
    """A sum by a plain loop: Python's own is compensated since 3.12 and gives other bits."""
    added = 0.0
    for value in values:
        added += value
    return added


def _above(mean: float, spread: float, limit: float) -> float:
    """Probability that a normal value is above a limit."""
    return 0.5 * (1.0 - erf((limit - mean) / (1.4142135623730951 * spread)))
