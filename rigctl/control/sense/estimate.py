"""One scan of the senses, in the order in which one needs the other."""

from __future__ import annotations

from math import nan, sqrt

from rigctl.control.points import Outputs
from rigctl.control.prepared import Prepared
from rigctl.control.readings import Readings
from rigctl.control.sense import counted, crossing, fill, liquid_end, pressures, weight
from rigctl.control.sense.memory import Memory, Pumped, carried
from rigctl.control.sense.moment import Moment
from rigctl.control.sense.signals import Signals, judge


def initial(prepared: Prepared) -> Memory:
    """Return what the senses carry before a job: nothing but what is known of the compressor beforehand."""
    return Memory(pumped=Pumped(fill=fill.unbegun(prepared.figures.sense.fill)))


def update(
    memory: Memory,
    readings: Readings,
    prepared: Prepared,
    last: Outputs,
    *,
    expecting_liquid: bool,
    cylinder_off: bool,
    appliance_pa_abs: float,
) -> tuple[Memory, Signals]:
    """Carry the senses over one scan.

    Parameters
    ----------
    memory, readings, prepared
        Carried memory, this scan's readings, and what the job's scans share.
    last
        What was commanded in the scan before: it acted until now.
    expecting_liquid
        The procedure draws liquid.
    cylinder_off
        The cylinder is being changed: the scale says nothing about refrigerant.
    appliance_pa_abs
        Pressure the appliance had before anything flowed; stands in for PT-001 where the liquid's source counts.
    """
    settings, longest_s = prepared.settings, prepared.figures.sense.estimate.longest_scan_s
    s = judge(readings, prepared)
    s.p_source = s.p_001 if s.p_001 == s.p_001 else appliance_pa_abs
    dt = s.now_s - memory.at_s
    if not 0.0 < dt <= longest_s:
        dt = settings.scan_period_s if dt > longest_s else 0.0
    raw_kg = readings.wt_301_kg.value if s.scale_ok else nan
    n = Moment(s, prepared, last, dt, raw_kg, expecting_liquid, cylinder_off)
    m, raw_before_kg, opening_before = carried(memory), memory.weight.raw_kg, memory.pumped.opening

    f = counted.flows(m, n)
    m.pumped.kg += f.word * dt
    weight.weigh(m, n, f.word)
    m.pumped.flow_kg_s = f.word
    counted.measure_line(m, n, f)
    weight.tell_rest(m, n)
    unseen_kg = weight.catch_up(m, n)
    weight.tell_net(m, n)
    counted.second_estimate(m, n, f, raw_before_kg, unseen_kg)
    weight.follow(m, n)
    pressures.discharge(m, n)
    pressures.appliance(m, n)
    pressures.cylinder_and_ratio(m, n)
    _watch_liquid(m, n, raw_before_kg, opening_before)
    m.at_s, m.weight.raw_kg, m.pumped.opening = s.now_s, raw_kg, last.cv_103
    return m, s


def _watch_liquid(m: Memory, n: Moment, raw_before_kg: float, opening_before: float) -> None:
    """The end of the liquid, and liquid that comes again while vapor is drawn."""
    flow_kg_s, last = m.weight.flow_kg_s, n.last
    if not (n.pumping and n.inlet_open):
        m.liquid = liquid_end.idle(m.liquid, keep=n.expecting_liquid)
    elif n.expecting_liquid:
        shaken = abs(n.raw_kg - raw_before_kg) > n.figures.estimate.shaken_spreads * sqrt(n.noise_kg2)
        moving = abs(last.cv_103 - opening_before) > 1e-6
        m.liquid = liquid_end.draw(m.liquid, n.s, n.prepared, n.dt_s, flow_kg_s, shaken=shaken, moving=moving)
    else:
        m.liquid = liquid_end.pull(m.liquid, n.s, n.prepared, n.dt_s, flow_kg_s, last.cv_103)
    back_s = m.liquid.back_since_s
    n.s.liquid_gone = m.liquid.gone
    n.s.liquid_back_s = n.now_s - back_s if back_s == back_s else 0.0


def after_power_loss(memory: Memory, *, refrigerant_may_have_come: bool) -> Memory:
    """Return the memory to wake up with: what was learned stays, every instant of the old clock is dropped.

    `refrigerant_may_have_come`: a weighed cylinder was on while the controller was off.
    """
    m = carried(memory)
    m.at_s = nan
    w, p = m.weight, m.pumped
    w.gross_kg, w.flow_kg_s, w.disturbed_since_s, w.steady_since_s = nan, 0.0, nan, nan
    w.woke_kg_s = p.flow_kg_s if refrigerant_may_have_come else nan
    p.line = crossing.stopped(p.line)
    m.following.anchor_gross_kg = nan
    q = m.pressures
    q.progress_s, q.p_201_pa_abs, q.p_201_rate_pa_s, q.side_pa_abs = nan, nan, 0.0, nan
    m.liquid = liquid_end.idle(m.liquid, keep=True)
    return m
