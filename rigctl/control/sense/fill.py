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

from rigctl.control.settings import Settings

VAPOR_FACTOR, VAPOR_SPREAD = 0.95, 0.7
"""Swept volume and tightness over the nameplate's, of a compressor that has seen some work. This spread and those of
the liquid are in units of `limits.second_estimate_uncertainty`."""
LIQUID_FACTOR, LIQUID_SPREAD = 1.0, 1.2
LIQUID_FACTOR_BLIND, LIQUID_SPREAD_BLIND = 0.85, 2.0
"""Flow of flashing liquid over what the throttle's Kv gives. Blind: without PT-102 and TT-201 the end of the
liquid is seen late, and vapor is counted as liquid until then."""
BACK_FACTOR, BACK_SPREAD, BACK_SHARE = 1.1, 0.35, 1.15
"""What re-expands over what the nameplate's clearance gives, its own spread, and its share in the vapor's."""
THROUGH_SPREAD = 0.7
"""Relative, of what has gone through the valves of a standing compressor."""
LEARNED_S = 20000.0
"""A factor wanders back to what is known beforehand in this time."""
EVERY_S = 2.0
"""The filter is carried on this often; between, sums are kept."""
FLOW_NOISE, FLOW_NOISE_BLIND, FLOW_NOISE_S = 0.04, 0.15, 20.0
"""Error of the flow besides its factors, relative, and how long it lasts."""
FLOW_NOISE_NOT_YET, NOT_YET_S = 0.4, 12.0
"""The same in the first seconds of drawing liquid: nothing has shown yet that it is liquid that comes."""
CONDENSES, COIL_FILLS = 0.9, 1.2
"""Discharge pressure over saturation in the cooler above which liquid stands in it; above which it fills a coil."""
COIL_DEGC = 3.0
"""A coil in ice water; without one the cooler is taken to be at the room's temperature."""
LINES_DRY, LINES_DRY_LIQUID, LINES_DRY_COIL = (0.02, 0.03), (0.1, 0.07), (0.05, 0.1)
LINES_LIQUID, LINES_LIQUID_BARE = (0.2, 0.1), (0.34, 0.22)
LINES_VAPOR, LINES_VAPOR_BARE = (0.07, 0.09), (0.28, 0.28)
LINES_REST, LINES_REST_BARE = (0.14, 0.17), (0.4, 0.22)
LINES_COIL_PARTLY, LINES_COIL = (0.28, 0.24), (0.72, 0.18)
"""What cooler and hose hold, mean and spread, in shares of `limits.fill_reserve_kg`: while nothing condenses there,
while liquid or vapor is drawn, at rest. Bare: without valves round the cooler, which draws some back from the
cylinder."""
LINES_S, SETTLING_S, SETTLES_S = 1500.0, 30.0, 15.0
"""How fast that wanders; in the first seconds after a change it goes faster."""
HEADER_LIQUID = (0.25, 0.25)
"""What hoses and header add when the lines are cleared out right after liquid was drawn; mean and spread, estimates."""
SUDDEN = 0.1
"""Spread added for each weight that is not believed: lines may fill or empty at once."""
CLEARING_DOUBT = 0.4
"""Spread, in shares of the reserve, of what they held beyond what the filter states, when a weight is there to tell."""
CLEARING_S, CLEARED_KG, CLEARED_SPREAD_KG = 15.0, 0.005, 0.01
"""How fast a clear-out empties them, and what is left."""
WEIGHT_KG = 0.01
"""Standard deviation of a weight against the filter besides the scale's own noise."""
GATE = 4.0
"""A weight further off than so many standard deviations of what is expected speaks of the scale, not of the fill."""
FACTOR_GATE = 3.5
"""Standard deviations that a factor may come out away from what was known of it beforehand."""
NAMEPLATE_GATE, NAMEPLATE_ALLOWED = 3.0, 0.4
"""Standard deviations and shares of the reserve that a weight may be off what the nameplate alone says."""
LINES_LEAST, LINES_MOST, LINES_MOST_COIL = -0.2, 0.9, 1.3
"""Shares of the reserve between which the lines must come out for the scale to be believed."""
AFTER_CLEARING = 0.2
"""Share of the reserve that must stay free when the lines have been cleared into the cylinder."""
WARNS_ABOVE, WARNS_BELOW = 2.0, 1.5
"""The warning: this many standard deviations above the estimate, and never more than so many below the nameplate's
word: a scale that lies gets no more credit than that."""
DOUBTED_S = 6.0
"""After so long without a weight that is believed the scale gets no credit at all: the nameplate's word warns."""


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
    liquid_factor: float = LIQUID_FACTOR
    vapor_factor: float = VAPOR_FACTOR
    back_factor: float = BACK_FACTOR
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
    """Discharge pressure over saturation at the cooler's temperature."""

    @property
    def net_kg(self) -> float:
        """Refrigerant put into the cylinder."""
        return self.passed_kg - self.lines_kg

    @property
    def variance_kg2(self) -> float:
        """Variance of `net_kg`."""
        c = self.covariance
        return max(0.0, c[0] - 2.0 * c[1] + c[5]) if c else 0.0

    @property
    def passed_high_kg(self) -> float:
        """What has passed, at most: it all comes into the cylinder once the lines are cleared."""
        c = self.covariance
        return self.passed_kg + WARNS_ABOVE * sqrt(max(c[0], 0.0)) if c else self.passed_kg

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

    def __init__(self, settings: Settings) -> None:
        unit = settings.limits.second_estimate_uncertainty
        sees = sees_liquid_end(settings)
        self.liquid = LIQUID_FACTOR if sees else LIQUID_FACTOR_BLIND
        self.liquid_var = ((LIQUID_SPREAD if sees else LIQUID_SPREAD_BLIND) * unit) ** 2
        self.vapor, self.back = VAPOR_FACTOR, BACK_FACTOR
        self.vapor_var = (VAPOR_SPREAD * unit) ** 2
        self.vapor_back = BACK_SHARE * self.vapor_var
        self.back_var = BACK_SHARE * self.vapor_back + BACK_SPREAD**2


def begun(settings: Settings) -> Fill:
    """Return the filter before the first cylinder."""
    known = _Beforehand(settings)
    # fmt: off
    covariance = (
        0.0, 0.0, 0.0, 0.0, 0.0,
        CLEARED_SPREAD_KG**2, 0.0, 0.0, 0.0,
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


def _lines(settings: Settings, way: Way, condensing: float) -> tuple[float, float, float]:
    """What the lines usually hold, its spread, and how fast that wanders."""
    if way is Way.CLEARING:
        return CLEARED_KG, CLEARED_SPREAD_KG, CLEARING_S
    coil, bare = settings.fitted.m_202, not settings.fitted.cooler_valves
    if condensing < CONDENSES:
        usual, spread = LINES_DRY_LIQUID if way is Way.LIQUID else LINES_DRY_COIL if coil else LINES_DRY
    elif coil:
        usual, spread = LINES_COIL_PARTLY if condensing < COIL_FILLS else LINES_COIL
    elif way is Way.LIQUID:
        usual, spread = LINES_LIQUID_BARE if bare else LINES_LIQUID
    elif way is Way.VAPOR:
        usual, spread = LINES_VAPOR_BARE if bare else LINES_VAPOR
    else:
        usual, spread = LINES_REST_BARE if bare else LINES_REST
    reserve = settings.limits.fill_reserve_kg
    return usual * reserve, spread * reserve, LINES_S


def carried(
    fill: Fill, more: Moved, dt_s: float, way: Way, condensing: float, weight_kg: float, settings: Settings
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
    settings
        Of the job.
    """
    c0, c1, c2, c3, c4, c5, c6, c7, c8, c9, c10, c11, c12, c13, c14 = fill.covariance
    passed, lines = fill.passed_kg, fill.lines_kg
    f_l, f_v, f_b = fill.liquid_factor, fill.vapor_factor, fill.back_factor
    liquid, vapor, back, through = more.liquid_kg, more.vapor_kg, more.back_kg, more.through_kg
    known = _Beforehand(settings)
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
        passed += HEADER_LIQUID[0] * settings.limits.fill_reserve_kg
        c0 += (HEADER_LIQUID[1] * settings.limits.fill_reserve_kg) ** 2
    # Going back it takes nothing off the doubt: what it takes is as little known.
    c0 += THROUGH_SPREAD**2 * abs(through) * (2.0 * abs(was.through_kg) + abs(through))
    if dt_s > 0.0:
        blind = not sees_liquid_end(settings)
        unsure = FLOW_NOISE_BLIND if blind else FLOW_NOISE
        if not (way is fill.way and fill.way_s > NOT_YET_S):
            unsure = FLOW_NOISE_NOT_YET
        off = unsure * by_liquid + FLOW_NOISE * by_vapor
        c0 += off * off * 2.0 * FLOW_NOISE_S / dt_s

    # --- what the lines hold goes to what is usual, the factors back to what was known
    shut = way is Way.SHUT
    cleared = fill.way is Way.CLEARING and not through > 0.0
    if shut or (way is Way.REST and cleared):
        way = fill.way  # nothing comes or goes, and nothing into cleared lines
    if way is Way.CLEARING and fill.way is not way and weight_kg == weight_kg:
        # The weight is about to tell what the lines held; so far only its sum with the net was known well.
        doubt = (CLEARING_DOUBT * settings.limits.fill_reserve_kg) ** 2
        c0, c1, c5 = c0 + doubt, c1 + doubt, c5 + doubt
    way_s = fill.way_s + dt_s if way is fill.way else dt_s
    usual, spread, time_s = _lines(settings, way, condensing)
    if shut:
        time_s = inf
    elif way is Way.CLEARING:
        c5 += 0.5 * (lines * dt_s / time_s) ** 2  # how fast it goes is not known; only that it goes
    elif way_s <= SETTLING_S:
        time_s = SETTLES_S
    keep = max(0.0, 1.0 - dt_s / time_s)
    lines = usual + keep * (lines - usual)
    c1, c6, c7, c8 = keep * c1, keep * c6, keep * c7, keep * c8
    c5 = keep * keep * c5 + (1.0 - keep * keep) * spread * spread
    keep = max(0.0, 1.0 - dt_s / LEARNED_S)
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
    variance = known.liquid_var * moved.liquid_kg**2 + (THROUGH_SPREAD * moved.through_kg) ** 2 + spread * spread
    variance += known.vapor_var * vapor**2 - 2.0 * known.vapor_back * vapor * back + known.back_var * back**2
    alone_spread = sqrt(max(0.0, variance))

    # --- the weight is what has passed less what the lines hold
    unseen_s, refused = fill.unseen_s + dt_s, False
    if weight_kg == weight_kg:
        v_m, v_n, v_l, v_v, v_b = c0 - c1, c1 - c5, c2 - c6, c3 - c7, c4 - c8
        instruments, reserve = settings.instruments, settings.limits.fill_reserve_kg
        noise = instruments.scale_noise_kg**2 + instruments.scale_resolution_kg**2 / 12.0 + WEIGHT_KG**2
        s = max(0.0, v_m - v_n) + noise
        off = weight_kg - (passed - lines)
        most = LINES_MOST_COIL if settings.fitted.m_202 else LINES_MOST
        gain = off / s
        if (
            off * off <= GATE * GATE * s
            and LINES_LEAST * reserve <= lines + gain * v_n <= most * reserve
            and (f_v + gain * v_v - known.vapor) ** 2 <= FACTOR_GATE * FACTOR_GATE * known.vapor_var
            and (f_l + gain * v_l - known.liquid) ** 2 <= FACTOR_GATE * FACTOR_GATE * known.liquid_var
            and abs(weight_kg - alone) <= NAMEPLATE_GATE * alone_spread + NAMEPLATE_ALLOWED * reserve
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
                c5 += (SUDDEN * reserve) ** 2
    covariance = (c0, c1, c2, c3, c4, c5, c6, c7, c8, c9, c10, c11, c12, c13, c14)
    return Fill(
        moved, passed, lines, f_l, f_v, f_b, covariance, alone, alone_spread, unseen_s, refused, way, way_s,
        drew_liquid, condensing,
    )  # fmt: skip
