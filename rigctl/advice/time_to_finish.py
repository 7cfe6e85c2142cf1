"""How long the job still takes, to a level that passes the standing check, and what sets its pace."""

from __future__ import annotations

import enum
from itertools import pairwise
from math import inf, log, nan

import msgspec

from rigctl.advice.figures import Finish
from rigctl.control.prepared import Prepared
from rigctl.control.sense.signals import Signals


class Stage(enum.Enum):
    """How far the job has come."""

    NOT_STARTED = "not started"
    LIQUID = "liquid"
    """Line-up and push-pull included."""
    VAPOR = "vapor"
    STANDING = "standing"
    CLEAR_OUT = "clear-out"
    ISOLATE = "isolate"
    ENDED = "ended"


NOT_UNDER_WAY = (Stage.NOT_STARTED, Stage.ENDED)
TAKING = (Stage.LIQUID, Stage.VAPOR)


class Progress(msgspec.Struct, frozen=True):
    """Where the job stands, as far as the forecast needs it."""

    previous_kg: float
    """Recovered into cylinders already taken off."""
    previous_variance_kg2: float
    fill_limit_kg: float
    in_phase_s: float
    repeats: int
    stage: Stage
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


def finish(
    s: Signals, prepared: Prepared, progress: Progress, flow: float, left: float, figures: Finish
) -> tuple[float, float, float]:
    """Expected time to COMPLETE and its 90 % band.

    By flow while liquid comes, by the pressure after it, and at last by how fast the oil gives back. What the oil holds
    cannot be seen before: until then the band is what random jobs needed.
    """
    settings, stage, in_phase, k = prepared.settings, progress.stage, progress.in_phase_s, figures
    procedure = settings.procedure
    if stage in NOT_UNDER_WAY:
        return nan, nan, inf
    isolate = procedure.scale_steady_s + prepared.figures.procedure.clear_out.shut_strokes * procedure.valve_stroke_s
    clear = k.clear_out_s if settings.fitted.cooler_valves else 0.0
    check = procedure.standing_settle_s + procedure.standing_s
    if stage is Stage.ISOLATE:
        left_s = max(k.isolate_least_s, isolate - in_phase)
        return left_s, k.isolate_low_share * left_s, left_s + k.isolate_high_s
    if stage is Stage.CLEAR_OUT:
        left_s = max(k.clear_out_least_s, clear - in_phase) + isolate
        return left_s, k.clear_out_low_share * left_s, left_s + k.clear_out_high_s
    if stage is Stage.STANDING:
        done = max(0.0, check - in_phase)
        again = _between(k.check_again_s, progress.fails if progress.fails == progress.fails else k.unknown_fails_share)
        least = k.check_low_share * done + k.after_check_low_share * (clear + isolate)
        return _band(again, done + clear + isolate, least)
    rest = check + clear + isolate
    least = k.rest_low_share * rest
    charge, p, level = settings.job.charge_kg, s.p_appliance, settings.job.level_pa_abs
    more = max(0.0, (charge or 0.0) - k.vapor_above_kg)
    slow = k.vapor_s_kg * more * k.vapor_displacement_m3_s / settings.compressor.displacement_m3_s
    if stage is Stage.LIQUID:
        liquid = k.liquid_unknown_s
        if left == left:
            flows = progress.taking and flow > k.liquid_least_kg_s
            liquid = k.liquid_mass_share * max(left, 0.0) / flow if flows else k.liquid_s_kg * max(left, 0.0)
        middle, low, high = k.after_liquid_s
        low, high = low + k.liquid_low_share * (slow + liquid), high + k.liquid_high_times * (slow + liquid)
        return _band((middle + slow + liquid, low, high), rest, least)
    if not p > 0.0:
        return nan, rest, inf
    ratio = progress.rise_over_allowed
    if p <= level and ratio == ratio:
        tells = k.from_check_s if progress.measured else k.from_fall_s
        return _band(_between(tells, log(max(ratio, 1.0))), rest, least)
    middle, low, high = _between(k.above_level_s, p / level)
    share = min(log(max(p / level, 1.0)) / log(k.vapor_whole_ratio), 1.0)
    low, high = low + k.vapor_low_share * share * slow, high + k.vapor_high_times * share * slow
    return _band((middle + share * slow, low, high), rest, least)


def _between(table: tuple[tuple[float, float, float, float], ...], x: float) -> tuple[float, float, float]:
    """A row of a table at x, straight lines between its points; the ends beyond them."""
    for row, (x_1, a_1, b_1, c_1) in pairwise(table):
        if x <= x_1:
            x_0, a_0, b_0, c_0 = row
            f = min(max((x - x_0) / (x_1 - x_0), 0.0), 1.0)
            return a_0 + f * (a_1 - a_0), b_0 + f * (b_1 - b_0), c_0 + f * (c_1 - c_0)
    return table[-1][1:]


def _band(spread: tuple[float, float, float], rest_s: float, least_s: float) -> tuple[float, float, float]:
    """An expected time with its 90 % band, with what comes in any case added."""
    middle, low, high = spread
    return max(middle + rest_s, least_s), max(low + rest_s, least_s), max(high + rest_s, least_s)
