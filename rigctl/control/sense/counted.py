"""What has been moved, counted without the scale: by the pump, by the line across, and the second fill estimate."""

from __future__ import annotations

from math import nan, sqrt

from rigctl.control.points import INLETS, WAYS_OUT, XV_106, XV_202, XV_203, XV_204, XV_301
from rigctl.control.sense import crossing, fill
from rigctl.control.sense.compressor import comes_dry, pumped_flow, straight_through_kg_s
from rigctl.control.sense.fill import Fill, Moved, Way
from rigctl.control.sense.memory import Memory
from rigctl.control.sense.moment import Moment


class Flows:
    """What moves now by the nameplate, kg/s. Lives for one scan."""

    __slots__ = ("across", "back", "drawn", "liquid", "through", "vapor", "wet", "word")

    liquid: float
    vapor: float
    """Were there no clearance."""
    back: float
    """What re-expands in the clearance."""
    through: float
    """Straight through the valves of a standing compressor, or across in push-pull less what is drawn."""
    across: float
    """What XV-104 alone would pass in push-pull."""
    drawn: float
    """Vapor that the compressor takes out of the cylinder meanwhile."""
    wet: bool
    """Liquid is drawn."""
    word: float
    """What comes into the cylinder's lines by all of that, with what the scale has taught."""


def flows(m: Memory, n: Moment) -> Flows:
    """What moves now, without the scale."""
    s, prepared, known, bits = n.s, n.prepared, m.pumped.fill, n.last.bits
    liquid_now = n.expecting_liquid and not m.liquid.gone and n.inlet_open
    f = Flows()
    f.liquid = f.vapor = f.back = f.through = f.across = f.drawn = 0.0
    # Where PT-102 cannot tell, a hot discharge does: what is drawn as liquid has turned to vapor.
    f.wet = liquid_now and not (s.p_102 != s.p_102 and comes_dry(prepared, s))
    if n.crosses or bits & XV_106:
        # Push-pull: the liquid goes past the compressor, which takes the cylinder's vapor away.
        if n.pumping:
            f.drawn = known.flow(*pumped_flow(prepared, s, False, n.opening, False))
        if n.crosses:
            f.across = crossing.across_kg_s(prepared, s)
        f.through = crossing.share_of(m.pumped.line) * f.across - f.drawn
    elif n.pumping:
        # With shut inlets too: then the header is pumped down.
        if bits & WAYS_OUT and not bits & XV_203:
            both = bits & INLETS == INLETS
            f.liquid, f.vapor, f.back = pumped_flow(prepared, s, f.wet, n.opening, both)
    elif n.inlet_open and not n.settings.fitted.cooler_valves:
        f.through = straight_through_kg_s(prepared, s, n.opening)
    s.crossing_kg_s, s.drawn_kg_s = m.pumped.line.share * f.across, f.drawn
    f.word = known.flow(f.liquid, f.vapor, f.back) + max(f.through, 0.0)
    s.pumped_flow_kg_s = f.word
    return f


def measure_line(m: Memory, n: Moment, f: Flows) -> None:
    """Carry on what the scale tells of the line across, and what has crossed by it."""
    p = m.pumped
    if not n.crosses:
        p.line, p.crossed_kg, p.crossed_from_kg = crossing.stopped(p.line), 0.0, nan
        return
    weight_ok = n.s.scale_ok and m.weight.disturbed_since_s != m.weight.disturbed_since_s
    p.line, right_kg = crossing.followed_line(
        p.line, f.across, f.drawn, f.word, m.weight.gross_kg, n.now_s, n.dt_s, weight_ok, n.figures.crossing
    )
    p.kg += right_kg
    if p.crossed_from_kg != p.crossed_from_kg:
        p.crossed_from_kg = p.fill.net_kg + p.due_kg
    p.crossed_kg += f.word * n.dt_s + right_kg


def second_estimate(m: Memory, n: Moment, f: Flows, raw_before_kg: float, unseen_kg: float) -> None:
    """Let the second estimate learn from the scale while that is fit, and go on without it.

    `raw_before_kg` is what the scale showed in the scan before, `unseen_kg` what came in while the controller was off.
    """
    p, s, dt, limits, k = m.pumped, n.s, n.dt_s, n.settings.limits, n.figures.fill
    if n.raw_kg != raw_before_kg:
        p.same_from_kg = p.kg
    s.same_pumped_kg = p.kg - p.same_from_kg
    p.due = Moved(
        p.due.liquid_kg + f.liquid * dt, p.due.vapor_kg + f.vapor * dt, p.due.back_kg + f.back * dt,
        p.due.through_kg + f.through * dt + unseen_kg,
    )  # fmt: skip
    p.due_kg, p.due_s = p.due_kg + f.word * dt + unseen_kg, p.due_s + dt
    woke = m.weight.woke_kg_s == m.weight.woke_kg_s
    if p.due_s >= k.carried_every_s and not (woke and s.scale_ok):
        if not n.cylinder_off:
            fit = s.scale_ok and s.disturbed_s == 0.0 and s.same_pumped_kg < n.figures.counted.same_shown_kg
            p.fill = _carried(p.fill, p.due, p.due_s, n, f.wet, s.net_kg if fit else nan)
        p.due, p.due_kg, p.due_s = Moved(), 0.0, 0.0
    known = p.fill
    s.second_raw_kg, s.second_spread_kg = known.alone_kg + p.due_kg, known.alone_spread_kg
    high = known.net_kg + k.warns_above_spreads * sqrt(known.variance_kg2 + m.weight.shift_variance_kg2)
    s.second_high_kg = (
        m.contents.start_kg
        + p.due_kg
        + max(
            high,
            known.alone_kg - (k.warns_below_spreads if known.unseen_s < k.doubted_s else 0.0) * known.alone_spread_kg,
            # What the lines hold comes into the cylinder when they are cleared; the reserve is there for it.
            known.passed_high_kg(k) - (1.0 - k.after_clearing_share) * limits.fill_reserve_kg,
        )
    )
    if p.crossed_from_kg == p.crossed_from_kg:
        # The line across was measured by its slope: a scale that lags takes nothing off that.
        s.second_high_kg = max(s.second_high_kg, m.contents.start_kg + p.crossed_from_kg + p.crossed_kg)


def _carried(known: Fill, due: Moved, due_s: float, n: Moment, liquid: bool, weight_kg: float) -> Fill:
    """The second estimate, carried on."""
    settings, bits = n.settings, n.last.bits
    if not known.covariance:
        known = fill.begun(n.prepared)
    # Between cooler and cylinder nothing comes or goes while XV-301 is shut, or the cooler's own valves are.
    open_way = bits & XV_301 and (bits & (XV_202 | XV_204) or not settings.fitted.cooler_valves)
    way = Way.REST if open_way else Way.SHUT
    if n.pumping and bits & XV_203:
        way = Way.CLEARING
    elif n.pumping and bits & INLETS and bits & XV_301:
        way = Way.LIQUID if liquid else Way.VAPOR
    cooler_degc = n.figures.lines.coil_degc if settings.fitted.m_202 else settings.job.ambient_degc
    condensing = n.s.p_201 / n.refrigerant.bubble_pressure_pa_abs(cooler_degc)
    return fill.carried(known, due, due_s, way, condensing, weight_kg, n.prepared)
