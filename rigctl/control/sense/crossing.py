"""Push-pull: liquid that crosses straight from appliance to cylinder, how fast, and whether it pays.

The compressor takes the cylinder's vapor and presses it onto the appliance; the liquid goes past it, through port,
hose and XV-104. What these let through together only the scale can tell: XV-104 is one of several restrictions in a
row. So the line is measured once, in the first half minute, and then held against the scale like everything else that
is counted without it.
"""

from __future__ import annotations

from math import inf, nan, sqrt

import msgspec

from rigctl.control.figures import sense as figures
from rigctl.control.prepared import Prepared
from rigctl.control.sense.restrictions import ORIFICE_M2_PER_KV, choked_liquid_flux_kg_m2_s, in_a_row, ways_in
from rigctl.control.sense.signals import Signals


class Line(msgspec.Struct, frozen=True, array_like=True, gc=False):
    """What is known of the way across."""

    share: float = nan
    """Measured share of what XV-104 alone would pass; NaN before."""
    since_s: float = nan
    """Since when liquid crosses; NaN while it does not."""
    gross_kg: float = nan
    """Weight when the measurement began."""
    bound_kg: float = 0.0
    """What XV-104 alone would have passed since, and what the compressor took out of the cylinder."""
    vapor_kg: float = 0.0
    unproved_kg: float = 0.0
    """What has been counted since XV-104 opened without a measured line."""


def cylinder_pa_abs(s: Signals) -> float:
    """The cylinder's pressure while XV-105 lets the header see it."""
    return s.p_301 if s.p_301 == s.p_301 else s.p_101


def across_kg_s(prepared: Prepared, s: Signals) -> float:
    """What XV-104 alone would pass of boiling liquid at these pressures, kg/s; 0 where nothing is pressed across."""
    p, behind = s.p_001, cylinder_pa_abs(s)
    if not p > behind:
        return 0.0
    area = ORIFICE_M2_PER_KV * prepared.settings.compressor.push_pull_kv_m3_h
    choked_pa = prepared.figures.sense.crossing.choked_share * p
    flow = area * choked_liquid_flux_kg_m2_s(prepared.refrigerant, p) * sqrt(min(1.0, (p - behind) / choked_pa))
    return flow if flow == flow else 0.0


def share_of(line: Line) -> float:
    """The share to count with; before the line is measured all that XV-104 could pass: an upper bound."""
    return line.share if line.share == line.share else 1.0


def followed_line(
    line: Line,
    across: float,
    vapor: float,
    counted: float,
    gross_kg: float,
    now_s: float,
    dt_s: float,
    weight_ok: bool,
    k: figures.Crossing,
) -> tuple[Line, float]:
    """Carry the measurement of the line over one scan in which XV-104 was open.

    Parameters
    ----------
    line
        As the scan before left it.
    across, vapor, counted
        kg/s: what XV-104 alone would pass, what the compressor took out of the cylinder, what was counted.
    gross_kg, weight_ok
        The weight, and whether it can be believed now.

    Returns
    -------
    The line, and what has to be put right in the mass counted so far, kg (negative: too much was counted).
    """
    share, since = line.share, line.since_s
    if share == share:
        return line, 0.0
    if since != since:
        since = now_s
    begun, bound, taken = line.gross_kg, line.bound_kg, line.vapor_kg
    unproved = line.unproved_kg + counted * dt_s
    if not weight_ok:
        return Line(nan, now_s, nan, 0.0, 0.0, unproved), 0.0
    if now_s - since < k.measured_from_s:
        return Line(nan, since, nan, 0.0, 0.0, unproved), 0.0
    if begun != begun:
        return Line(nan, since, gross_kg, 0.0, 0.0, unproved), 0.0
    bound, taken = bound + across * dt_s, taken + vapor * dt_s
    if now_s - since < k.measured_to_s:
        return Line(nan, since, begun, bound, taken, unproved), 0.0
    measured = (gross_kg - begun + taken) / bound if bound > 0.0 else nan
    if not k.least_line_share <= measured <= k.most_line_share:
        return Line(nan, now_s, nan, 0.0, 0.0, unproved), 0.0
    net = bound - taken
    right = (gross_kg - begun) / net if net > 0.0 else 1.0
    return Line(measured, since), unproved * (right - 1.0)


def stopped(line: Line) -> Line:
    """The line while XV-104 is shut: what was measured stays."""
    return line if line.since_s != line.since_s else Line(line.share)


def _way_in_m2(prepared: Prepared) -> float:
    """Effective area from the liquid port to the header, m2, by what is declared of the hook-up; infinite where nothing
    is.
    """
    settings, k = prepared.settings, prepared.figures.sense
    if settings.hookup.liquid_core_in is None:
        return inf
    return ways_in(settings.hookup, settings.fitted.xv_102, k.crossing.large_core_kv_m3_h, k.restrictions)[0]


def usual_share(prepared: Prepared) -> float:
    """Share of what XV-104 alone would pass that a line not measured yet may let through, by the hook-up."""
    settings, k = prepared.settings, prepared.figures.sense.crossing
    if settings.hookup.liquid_core_in is None:
        return k.undeclared_line_share
    valve = ORIFICE_M2_PER_KV * settings.compressor.push_pull_kv_m3_h
    return k.hoped_times * in_a_row(_way_in_m2(prepared), valve) / valve


def liquid_rate_kg_s(prepared: Prepared, p_pa_abs: float) -> float:
    """What comes as liquid through CV-103 and the compressor at this pressure of the appliance, kg/s.

    Where PT-102 is fitted, what the compressor may swallow sets it, not the opening: of simulated jobs of chiller size
    the middle half lay within a tenth of it.
    """
    settings, refrigerant, k = prepared.settings, prepared.refrigerant, prepared.figures.sense.crossing
    compressor, throttled = settings.compressor, prepared.figures.procedure.throttle
    opening = throttled.liquid_widest_opening if settings.fitted.pt_102 else settings.procedure.liquid_position
    throttle = ORIFICE_M2_PER_KV * compressor.throttle_kv_m3_h * opening
    passes = in_a_row(_way_in_m2(prepared), throttle) * choked_liquid_flux_kg_m2_s(refrigerant, p_pa_abs)
    if not settings.fitted.pt_102:
        return passes
    liquid = throttled.liquid_wider_share * compressor.liquid_fraction_high
    liquid *= refrigerant.liquid_density_kg_m3(refrigerant.bubble_temperature_degc(p_pa_abs))
    vapor = refrigerant.vapor_density_kg_m3(k.suction_pressure_share * p_pa_abs)
    swallows = compressor.displacement_m3_s * compressor.leak_factor * (liquid + vapor)
    return min(passes, swallows) if swallows == swallows else passes


def draw_down_s(prepared: Prepared, p_pa_abs: float, cylinder_pa_abs: float, contents_kg: float) -> float:
    """Time that the compressor takes to bring a cylinder below the appliance: its liquid has to cool by boiling, s.

    0 where the cylinder's pressure is not known (NaN).
    """
    if not cylinder_pa_abs > p_pa_abs:
        return 0.0
    refrigerant, k = prepared.refrigerant, prepared.figures.sense.crossing
    above_k = refrigerant.bubble_temperature_degc(cylinder_pa_abs) - refrigerant.bubble_temperature_degc(p_pa_abs)
    return k.boils_off_1_k * (above_k + k.draws_below_k) * contents_kg / _vapor_kg_s(prepared, p_pa_abs)


def _vapor_kg_s(prepared: Prepared, p_pa_abs: float) -> float:
    """What the compressor takes out of the cylinder, at most, kg/s."""
    compressor = prepared.settings.compressor
    density = prepared.refrigerant.vapor_density_kg_m3(p_pa_abs)
    return compressor.displacement_m3_s * compressor.leak_factor * density


def gain_s(prepared: Prepared, line: Line, p_pa_abs: float, liquid_kg: float) -> float:
    """How much sooner this liquid is over by push-pull than through the compressor, s; NaN where it is not known.

    Liquid that flashes in a restriction passes in proportion to its area: CV-103 at its liquid position against the
    line across, less the vapor that the compressor takes out of the cylinder meanwhile.
    """
    k = prepared.figures.sense.crossing
    share = line.share if line.share == line.share else usual_share(prepared)
    through = liquid_rate_kg_s(prepared, p_pa_abs)
    area = ORIFICE_M2_PER_KV * prepared.settings.compressor.push_pull_kv_m3_h
    vapor = _vapor_kg_s(prepared, k.cylinder_pressure_share * p_pa_abs)
    across = share * area * choked_liquid_flux_kg_m2_s(prepared.refrigerant, p_pa_abs) - vapor
    if not (through > 0.0 and across > k.better_times * through):
        return nan
    return liquid_kg / through - liquid_kg / across - k.overhead_s
