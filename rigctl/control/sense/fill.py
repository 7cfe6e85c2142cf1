"""The fill without the scale: what the pump has moved, with factors that are learned from the scale while it is fit.

A Kalman filter with five states: what has passed the compressor, what cooler and hose hold of it, and three factors on
what the nameplate says of liquid, of vapor and of re-expansion. The weight is the first less the second. A scale that
lies meets three bounds: a weight must lie where the filter expects it, the states must stay what they physically can
be, and the sum must stay near what the nameplate alone says. So a scale that creeps takes it along only so far.

The spreads and what lines hold were seen over simulated jobs drawn at random (`tests/bench/jobs.py`, tuning seeds),
whose wear is an estimate without a source.
"""

from __future__ import annotations

import enum
from math import inf, sqrt

import msgspec

from rigctl.control.figures import sense as figures
from rigctl.control.prepared import Prepared
from rigctl.control.settings import Settings


class Way(enum.Enum):
    """What the lines to the cylinder are in use for."""

    REST = "rest"
    LIQUID = "liquid"
    VAPOR = "vapor"
    CLEARING = "clearing"
    SHUT = "shut"


class Moved(msgspec.Struct, frozen=True, array_like=True, gc=False):
    """What the nameplate says has been moved, kg."""

    liquid_kg: float = 0.0
    vapor_kg: float = 0.0
    """Were there no clearance."""
    back_kg: float = 0.0
    """What re-expansion in the clearance takes off the vapor."""
    through_kg: float = 0.0
    """Through the valves of a standing compressor."""


class Fill(msgspec.Struct, frozen=True, array_like=True, gc=False):
    """The filter, as it was last carried on. It counts from the coming on of the cylinder."""

    moved: Moved = Moved()
    passed_kg: float = 0.0
    """Through the compressor, and what the lines held when the cylinder came on."""
    lines_kg: float = 0.0
    """What cooler and hose hold of it."""
    liquid_factor: float = 1.0
    vapor_factor: float = 1.0
    back_factor: float = 1.0
    """On the nameplate's word; a job begins with those of `unbegun`."""
    covariance: tuple[float, ...] = ()
    """Of these five: upper triangle by rows. Empty before the first cylinder."""
    alone_kg: float = 0.0
    """Net weight by the nameplate alone, without anything learned from the scale."""
    alone_spread_kg: float = 0.0
    unseen_s: float = 0.0
    """Time since the last weight that was believed."""
    refused: bool = False
    """The last weight was outside its bounds."""
    way: Way = Way.REST
    way_s: float = 0.0
    """How long the lines have been in that use."""
    drew_liquid: bool = False
    """Hoses and header stand full of liquid."""
    condensing: float = 0.0
    """Discharge pressure over saturation at the cooler's temperature; with it a step can be done again by a judge."""

    @property
    def net_kg(self) -> float:
        """Refrigerant put into the cylinder."""
        return self.passed_kg - self.lines_kg

    @property
    def variance_kg2(self) -> float:
        """Variance of `net_kg`."""
        c = self.covariance
        return max(0.0, c[0] - 2.0 * c[1] + c[5]) if c else 0.0

    def passed_high_kg(self, k: figures.Fill) -> float:
        """What has passed, at most: it all comes into the cylinder once the lines are cleared."""
        c = self.covariance
        return self.passed_kg + k.warns_above_spreads * sqrt(max(c[0], 0.0)) if c else self.passed_kg

    def flow(self, liquid: float, vapor: float, back: float) -> float:
        """What passes, by the factors as they are known, of what the nameplate says."""
        passing = self.vapor_factor * vapor - self.back_factor * back
        return self.liquid_factor * liquid + (passing if passing > 0.0 else 0.0)


def sees_liquid_end(settings: Settings) -> bool:
    """Whether an instrument tells soon, and without the scale, that vapor comes in place of liquid."""
    return settings.fitted.pt_102 or settings.fitted.tt_201


class _Beforehand:
    """What is known of the factors before any weight was seen."""

    __slots__ = ("back", "back_var", "liquid", "liquid_var", "vapor", "vapor_back", "vapor_var")

    def __init__(self, prepared: Prepared) -> None:
        settings, k = prepared.settings, prepared.figures.sense.fill
        unit = settings.limits.second_estimate_uncertainty
        sees = sees_liquid_end(settings)
        self.liquid = k.liquid_factor if sees else k.blind_liquid_factor
        self.liquid_var = ((k.liquid_spread_units if sees else k.blind_liquid_spread_units) * unit) ** 2
        self.vapor, self.back = k.vapor_factor, k.back_factor
        self.vapor_var = (k.vapor_spread_units * unit) ** 2
        self.vapor_back = k.back_per_vapor * self.vapor_var
        self.back_var = k.back_per_vapor * self.vapor_back + k.back_spread**2


def unbegun(k: figures.Fill) -> Fill:
    """Return the filter of a job in which nothing has been carried yet: the factors alone."""
    return Fill(liquid_factor=k.liquid_factor, vapor_factor=k.vapor_factor, back_factor=k.back_factor)


def begun(prepared: Prepared) -> Fill:
    """Return the filter before the first cylinder."""
    known = _Beforehand(prepared)
    # fmt: off
    covariance = (
        0.0, 0.0, 0.0, 0.0, 0.0,
        prepared.figures.sense.lines.cleared_spread_kg**2, 0.0, 0.0, 0.0,
        known.liquid_var, 0.0, 0.0,
        known.vapor_var, known.vapor_back,
        known.back_var,
    )
    # fmt: on
    return Fill(
        liquid_factor=known.liquid, vapor_factor=known.vapor, back_factor=known.back, covariance=covariance
    )  # fmt: skip


def next_cylinder(fill: Fill) -> Fill:
    """Return the filter with another cylinder on: factors and what the lines hold stay as they are known."""
    if not fill.covariance:
        return fill
    c = fill.covariance
    return Fill(
        Moved(), fill.lines_kg, fill.lines_kg, fill.liquid_factor, fill.vapor_factor, fill.back_factor,
        (c[5], c[5], c[6], c[7], c[8], *c[5:]), way=fill.way, way_s=fill.way_s,
    )  # fmt: skip


def caught_up(fill: Fill, alone_kg: float) -> Fill:
    """Return the filter with so much more moved by the nameplate's word alone."""
    return msgspec.structs.replace(
        fill, moved=msgspec.structs.replace(fill.moved, through_kg=fill.moved.through_kg + alone_kg)
    )


def _lines(prepared: Prepared, way: Way, condensing: float) -> tuple[float, float, float]:
    """What the lines usually hold, its spread, and how fast that wanders."""
    settings, k = prepared.settings, prepared.figures.sense.lines
    if way is Way.CLEARING:
        return k.cleared_kg, k.cleared_spread_kg, k.clears_s
    coil, bare = settings.fitted.m_202, not settings.fitted.cooler_valves
    if condensing < k.condenses_above_share:
        if way is Way.LIQUID:
            usual, spread = k.held_dry_liquid_share, k.held_dry_liquid_spread_share
        elif coil:
            usual, spread = k.held_dry_coil_share, k.held_dry_coil_spread_share
        else:
            usual, spread = k.held_dry_share, k.held_dry_spread_share
    elif coil:
        if condensing < k.coil_fills_above_times:
            usual, spread = k.held_coil_partly_share, k.held_coil_partly_spread_share
        else:
            usual, spread = k.held_coil_full_share, k.held_coil_full_spread_share
    elif way is Way.LIQUID:
        usual = k.held_liquid_bare_share if bare else k.held_liquid_share
        spread = k.held_liquid_bare_spread_share if bare else k.held_liquid_spread_share
    elif way is Way.VAPOR:
        usual = k.held_vapor_bare_share if bare else k.held_vapor_share
        spread = k.held_vapor_bare_spread_share if bare else k.held_vapor_spread_share
    else:
        usual = k.held_rest_bare_share if bare else k.held_rest_share
        spread = k.held_rest_bare_spread_share if bare else k.held_rest_spread_share
    reserve = settings.limits.fill_reserve_kg
    return usual * reserve, spread * reserve, k.wanders_s


def carried(
    fill: Fill, more: Moved, dt_s: float, way: Way, condensing: float, weight_kg: float, prepared: Prepared
) -> Fill:
    """Carry the filter over some time.

    Parameters
    ----------
    fill
        As it was.
    more, dt_s
        What has been moved since, by the nameplate, and in what time, s.
    way
        What the lines are in use for.
    condensing
        Discharge pressure over saturation at the cooler's temperature; NaN counts as condensing.
    weight_kg
        Net weight by the scale, kg; NaN while it is out of use.
    prepared
        Of the job.
    """
    settings, k, lines_k = prepared.settings, prepared.figures.sense.fill, prepared.figures.sense.lines
    c0, c1, c2, c3, c4, c5, c6, c7, c8, c9, c10, c11, c12, c13, c14 = fill.covariance
    passed, lines = fill.passed_kg, fill.lines_kg
    f_l, f_v, f_b = fill.liquid_factor, fill.vapor_factor, fill.back_factor
    liquid, vapor, back, through = more.liquid_kg, more.vapor_kg, more.back_kg, more.through_kg
    known = _Beforehand(prepared)
    was = fill.moved
    moved = Moved(was.liquid_kg + liquid, was.vapor_kg + vapor, was.back_kg + back, was.through_kg + through)

    # --- what has passed
    by_liquid, by_vapor = f_l * liquid, max(0.0, f_v * vapor - f_b * back)
    passed += by_liquid + by_vapor + through
    w_l = liquid * c9 + vapor * c10 - back * c11
    w_v = liquid * c10 + vapor * c12 - back * c13
    w_b = liquid * c11 + vapor * c13 - back * c14
    c0 += 2.0 * (liquid * c2 + vapor * c3 - back * c4) + liquid * w_l + vapor * w_v - back * w_b
    c1 += liquid * c6 + vapor * c7 - back * c8
    c2, c3, c4 = c2 + w_l, c3 + w_v, c4 + w_b
    drew_liquid = way is Way.LIQUID or (fill.drew_liquid and way is not Way.VAPOR)
    if way is Way.CLEARING and drew_liquid:
        drew_liquid = False
        passed += k.header_liquid_share * settings.limits.fill_reserve_kg
        c0 += (k.header_liquid_spread_share * settings.limits.fill_reserve_kg) ** 2
    # Going back it takes nothing off the doubt: what it takes is as little known.
    c0 += k.through_spread_share**2 * abs(through) * (2.0 * abs(was.through_kg) + abs(through))
    if dt_s > 0.0:
        blind = not sees_liquid_end(settings)
        unsure = k.blind_flow_noise_share if blind else k.flow_noise_share
        if not (way is fill.way and fill.way_s > k.unproved_flow_s):
            unsure = k.unproved_flow_noise_share
        off = unsure * by_liquid + k.flow_noise_share * by_vapor
        c0 += off * off * 2.0 * k.flow_noise_s / dt_s

    # --- what the lines hold goes to what is usual, the factors back to what was known
    shut = way is Way.SHUT
    cleared = fill.way is Way.CLEARING and not through > 0.0
    if shut or (way is Way.REST and cleared):
        way = fill.way  # nothing comes or goes, and nothing into cleared lines
    if way is Way.CLEARING and fill.way is not way and weight_kg == weight_kg:
        # The weight is about to tell what the lines held; so far only its sum with the net was known well.
        doubt = (k.clearing_doubt_share * settings.limits.fill_reserve_kg) ** 2
        c0, c1, c5 = c0 + doubt, c1 + doubt, c5 + doubt
    way_s = fill.way_s + dt_s if way is fill.way else dt_s
    usual, spread, time_s = _lines(prepared, way, condensing)
    if shut:
        time_s = inf
    elif way is Way.CLEARING:
        c5 += k.clearing_pace_doubt * (lines * dt_s / time_s) ** 2  # how fast it goes is not known; only that it goes
    elif way_s <= lines_k.changed_s:
        time_s = lines_k.changes_s
    keep = max(0.0, 1.0 - dt_s / time_s)
    lines = usual + keep * (lines - usual)
    c1, c6, c7, c8 = keep * c1, keep * c6, keep * c7, keep * c8
    c5 = keep * keep * c5 + (1.0 - keep * keep) * spread * spread
    keep = max(0.0, 1.0 - dt_s / k.forgotten_s)
    both = keep * keep
    new = 1.0 - both
    f_l = known.liquid + keep * (f_l - known.liquid)
    f_v = known.vapor + keep * (f_v - known.vapor)
    f_b = known.back + keep * (f_b - known.back)
    c2, c3, c4, c6, c7, c8 = keep * c2, keep * c3, keep * c4, keep * c6, keep * c7, keep * c8
    c9, c10, c11 = both * c9 + new * known.liquid_var, both * c10, both * c11
    c12, c13 = both * c12 + new * known.vapor_var, both * c13 + new * known.vapor_back
    c14 = both * c14 + new * known.back_var

    # --- the nameplate alone
    vapor, back = moved.vapor_kg, moved.back_kg
    alone = known.liquid * moved.liquid_kg + max(0.0, known.vapor * vapor - known.back * back) + moved.through_kg
    alone -= usual
    through_spread = k.through_spread_share * moved.through_kg
    variance = known.liquid_var * moved.liquid_kg**2 + through_spread**2 + spread * spread
    variance += known.vapor_var * vapor**2 - 2.0 * known.vapor_back * vapor * back + known.back_var * back**2
    alone_spread = sqrt(max(0.0, variance))

    # --- the weight is what has passed less what the lines hold
    unseen_s, refused = fill.unseen_s + dt_s, False
    if weight_kg == weight_kg:
        v_m, v_n, v_l, v_v, v_b = c0 - c1, c1 - c5, c2 - c6, c3 - c7, c4 - c8
        reserve = settings.limits.fill_reserve_kg
        noise = prepared.scale_noise_kg2 + k.weight_spread_kg**2
        s = max(0.0, v_m - v_n) + noise
        off = weight_kg - (passed - lines)
        most = k.lines_most_coil_share if settings.fitted.m_202 else k.lines_most_share
        gain = off / s
        if (
            off * off <= k.weight_gate_spreads * k.weight_gate_spreads * s
            and k.lines_least_share * reserve <= lines + gain * v_n <= most * reserve
            and (f_v + gain * v_v - known.vapor) ** 2 <= k.factor_gate_spreads * k.factor_gate_spreads * known.vapor_var
            and (f_l + gain * v_l - known.liquid) ** 2
            <= k.factor_gate_spreads * k.factor_gate_spreads * known.liquid_var
            and abs(weight_kg - alone) <= k.nameplate_gate_spreads * alone_spread + k.nameplate_allowed_share * reserve
        ):
            passed, lines = passed + gain * v_m, lines + gain * v_n
            f_l, f_v, f_b = f_l + gain * v_l, f_v + gain * v_v, f_b + gain * v_b
            g_m, g_n, g_l, g_v, g_b = v_m / s, v_n / s, v_l / s, v_v / s, v_b / s
            c0, c1, c2, c3, c4 = c0 - g_m * v_m, c1 - g_m * v_n, c2 - g_m * v_l, c3 - g_m * v_v, c4 - g_m * v_b
            c5, c6, c7, c8 = c5 - g_n * v_n, c6 - g_n * v_l, c7 - g_n * v_v, c8 - g_n * v_b
            c9, c10, c11 = c9 - g_l * v_l, c10 - g_l * v_v, c11 - g_l * v_b
            c12, c13, c14 = c12 - g_v * v_v, c13 - g_v * v_b, c14 - g_b * v_b
            unseen_s = 0.0
        else:
            refused = True
            if not shut:
                c5 += (k.sudden_share * reserve) ** 2
    covariance = (c0, c1, c2, c3, c4, c5, c6, c7, c8, c9, c10, c11, c12, c13, c14)
    return Fill(
        moved, passed, lines, f_l, f_v, f_b, covariance, alone, alone_spread, unseen_s, refused, way, way_s,
        drew_liquid, condensing,
    )  # fmt: skip
