"""How long the job still takes, to a level that passes the standing check, and what sets its pace."""

from __future__ import annotations

from itertools import pairwise
from math import inf, log, nan

import msgspec

from rigctl.control.sense.signals import Signals
from rigctl.control.settings import Settings

CLEAR_OUT_S = 33.0
VAPOR_S_PER_KG, VAPOR_FULL_KG, VAPOR_M3_S = 22.0, 6.0, 5e-4
"""Time of a clear-out; time that each kg of charge above a few takes as vapor, at a displacement: a chiller's liquid
leaves that much behind."""
AFTER_LIQUID_S = (367.0, 100.0, 880.0)
ABOVE_LEVEL_S = (
    (1.0, 310.0, 80.0, 1050.0), (2.0, 350.0, 112.0, 1050.0), (5.0, 383.0, 160.0, 1106.0), (15.0, 476.0, 254.0, 1292.0)
)  # fmt: skip
"""Time until the last standing check, median and 90 % band: once the liquid has gone; and while vapor is drawn, by the
pressure over the level."""
FROM_FALL_S = ((0.0, 30.0, 0.0, 280.0), (1.0, 140.0, 20.0, 520.0), (2.0, 305.0, 60.0, 880.0), (4.0, 344.0, 90.0, 950.0))
FROM_CHECK_S = (
    (0.0, 50.0, 0.0, 280.0),
    (1.0, 250.0, 90.0, 500.0),
    (2.0, 480.0, 210.0, 660.0),
    (4.0, 700.0, 300.0, 950.0),
)
"""The same by the logarithm of how much faster the pressure would rise than is allowed: told by the fall of the
pressure alone, and by a check."""
AGAIN_S = (
    (0.0, 0.0, -30.0, 60.0), (0.05, 0.0, -30.0, 140.0), (0.3, 25.0, -25.0, 240.0), (0.7, 150.0, 5.0, 420.0),
    (0.92, 260.0, 60.0, 560.0), (1.0, 390.0, 146.0, 702.0),
)  # fmt: skip
"""What a check that will not be passed costs beyond its own end, by the probability of that. All of these are medians
and 90 % bands over 139 random simulated jobs (air conditioners and refrigerators, `tests/bench/jobs.py`, seeds for
tuning); others are the judge (`python -m tests.bench judgement`)."""


class Progress(msgspec.Struct, frozen=True):
    """Where the job stands, as far as the forecast needs it."""

    previous_kg: float
    """Recovered into cylinders already taken off."""
    previous_variance_kg2: float
    fill_limit_kg: float
    in_phase_s: float
    repeats: int
    stage: int
    """0 not started, 1 liquid, 2 vapor, 3 standing, 4 clear-out, 5 isolate, 6 ended."""
    rise_over_allowed: float = nan
    """How much faster the pressure would rise, were the appliance shut in, than a check allows; NaN if not known."""
    measured: bool = False
    """A check has told so."""
    rise_pa_s: float = nan
    """How fast it would rise."""
    gain_pa_kg: float = nan
    """What a kilogram more does to the pressure of the shut-in appliance."""
    fails: float = nan
    """Probability that the present standing check will not be passed; NaN before it can be judged."""
    taking: bool = True
    """Refrigerant is being taken: the flow is that of the job and not of a clear-out or a hold."""


def finish(s: Signals, settings: Settings, progress: Progress, flow: float, left: float) -> tuple[float, float, float]:
    """Expected time to COMPLETE and its 90 % band.

    By flow while liquid comes, by the pressure after it, and at last by how fast the oil gives back. What the oil holds
    cannot be seen before: until then the band is what random jobs needed.
    """
    procedure, stage, in_phase = settings.procedure, progress.stage, progress.in_phase_s
    if stage in (0, 6):
        return nan, nan, inf
    isolate = procedure.scale_steady_s + 3.0 * procedure.valve_stroke_s
    clear = CLEAR_OUT_S if settings.fitted.cooler_valves else 0.0
    check = procedure.standing_settle_s + procedure.standing_s
    if stage == 5:
        left_s = max(0.5, isolate - in_phase)
        return left_s, 0.2 * left_s, left_s + 8.0
    if stage == 4:
        left_s = max(6.0, clear - in_phase) + isolate
        return left_s, 0.4 * left_s, left_s + 50.0
    if stage == 3:
        done = max(0.0, check - in_phase)
        again = _between(AGAIN_S, progress.fails if progress.fails == progress.fails else 0.6)
        return _band(again, done + clear + isolate, least_s=0.3 * done + 0.4 * (clear + isolate))
    rest = check + clear + isolate
    charge, p, level = settings.job.charge_kg, s.p_appliance, settings.job.level_pa_abs
    more = max(0.0, (charge or 0.0) - VAPOR_FULL_KG)
    slow = VAPOR_S_PER_KG * more * VAPOR_M3_S / settings.compressor.displacement_m3_s
    if stage == 1:
        liquid = 60.0
        if left == left:
            liquid = 0.8 * max(left, 0.0) / flow if progress.taking and flow > 5e-4 else 40.0 * max(left, 0.0)
        middle, low, high = AFTER_LIQUID_S
        return _band((middle + slow + liquid, low + 0.4 * (slow + liquid), high + 1.6 * (slow + liquid)), rest)
    if not p > 0.0:
        return nan, rest, inf
    ratio = progress.rise_over_allowed
    if p <= level and ratio == ratio:
        tells = FROM_CHECK_S if progress.measured else FROM_FALL_S
        return _band(_between(tells, log(max(ratio, 1.0))), rest)
    middle, low, high = _between(ABOVE_LEVEL_S, p / level)
    share = min(log(max(p / level, 1.0)) / log(3.0), 1.0)
    return _band((middle + share * slow, low + 0.3 * share * slow, high + 2.0 * share * slow), rest)


def _between(table: tuple[tuple[float, float, float, float], ...], x: float) -> tuple[float, float, float]:
    """A row of a table at x, straight lines between its points; the ends beyond them."""
    for (x_0, *row_0), (x_1, *row_1) in pairwise(table):
        if x <= x_1:
            f = min(max((x - x_0) / (x_1 - x_0), 0.0), 1.0)
            a, b, c = (u + f * (v - u) for u, v in zip(row_0, row_1, strict=True))
            return a, b, c
    return table[-1][1:]


def _band(
    spread: tuple[float, float, float], rest_s: float, least_s: float | None = None
) -> tuple[float, float, float]:
    """An expected time with its 90 % band, with what comes in any case added."""
    middle, low, high = (part + rest_s for part in spread)
    least = 0.5 * rest_s if least_s is None else least_s
    return max(middle, least), max(low, least), max(high, least)
