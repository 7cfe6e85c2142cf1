"""The weight: its filter, whether it follows the pump, and the net weight of the cylinder on the scale."""

from __future__ import annotations

from math import inf, nan, sqrt

import msgspec

from rigctl.control.prepared import Prepared
from rigctl.control.sense import fill
from rigctl.control.sense.compressor import pumped_flow
from rigctl.control.sense.fill import Moved
from rigctl.control.sense.memory import Memory
from rigctl.control.sense.moment import Moment


def weigh(m: Memory, n: Moment, pumped_kg_s: float) -> None:
    """Carry the filter of weight and flow over one scan; `pumped_kg_s` is what the pump says comes now."""
    w, dt, scale_ok, k = m.weight, n.dt_s, n.s.scale_ok, n.figures.weight
    if w.gross_kg != w.gross_kg:
        if scale_ok:
            w.gross_kg, w.flow_kg_s = n.raw_kg - w.offset_kg, 0.0
            w.var_kg2, w.cov_kg2_s, w.var_flow_kg2_s2 = n.noise_kg2, 0.0, k.flow_unknown_kg2_s2
            w.steady_since_s = n.now_s
        return
    gross, flow, p_ww, p_wf, p_ff = w.gross_kg, w.flow_kg_s, w.var_kg2, w.cov_kg2_s, w.var_flow_kg2_s2
    gross += flow * dt
    p_ww += dt * (2.0 * p_wf + dt * p_ff)
    p_wf += dt * p_ff
    # When the pump's word changes the flow may have changed by as much, at once.
    p_ff += k.flow_walk_kg2_s3 * dt
    if not n.crosses or m.pumped.line.since_s != m.pumped.line.since_s:
        p_ff += (pumped_kg_s - m.pumped.flow_kg_s) ** 2
    innovation = n.raw_kg - w.offset_kg - gross
    leaps = abs(innovation) > n.settings.limits.scale_step_kg
    if not scale_ok:
        w.steady_since_s = nan
        # The pump's word is all there is; what crosses has just been weighed.
        flow, p_ff = flow if n.crosses else pumped_kg_s, max(p_ff, (k.unweighed_flow_share * pumped_kg_s) ** 2)
    elif leaps and not n.cylinder_off:
        # No flow changes the weight this fast: a knock, or a scale that jumps. Coast on the pump's word.
        if w.disturbed_since_s != w.disturbed_since_s:
            w.disturbed_since_s = n.now_s
        w.steady_since_s = nan
        flow = flow if n.crosses else pumped_kg_s
    else:
        if leaps:
            gross, flow, p_ww, p_wf, p_ff = n.raw_kg - w.offset_kg, 0.0, n.noise_kg2, 0.0, k.flow_unknown_kg2_s2
            w.steady_since_s = nan
        else:
            whole = p_ww + n.noise_kg2
            g_w, g_f = p_ww / whole, p_wf / whole
            gross += g_w * innovation
            flow += g_f * innovation
            p_ff -= g_f * p_wf
            p_wf -= g_w * p_wf
            p_ww -= g_w * p_ww
        w.disturbed_since_s = nan
        off = abs(innovation) > k.restless_spreads * sqrt(n.noise_kg2)
        if off or abs(flow) > k.restless_flow_kg_s + k.restless_flow_spreads * sqrt(p_ff):
            w.steady_since_s = nan
        elif w.steady_since_s != w.steady_since_s:
            w.steady_since_s = n.now_s
    w.gross_kg, w.flow_kg_s, w.var_kg2, w.cov_kg2_s, w.var_flow_kg2_s2 = gross, flow, p_ww, p_wf, p_ff


def tell_rest(m: Memory, n: Moment) -> None:
    """Say for how long the scale has been disturbed, and at rest."""
    w, s, now_s = m.weight, n.s, n.now_s
    s.disturbed_s = now_s - w.disturbed_since_s if w.disturbed_since_s == w.disturbed_since_s else 0.0
    s.steady_s = now_s - w.steady_since_s if w.steady_since_s == w.steady_since_s else 0.0
    if not n.settings.job.scale_usable:
        s.steady_s = inf  # nobody looks at it


def catch_up(m: Memory, n: Moment) -> float:
    """Count what came in while the controller was off, once the scale stands still again; return how much, kg."""
    w, s = m.weight, n.s
    if n.cylinder_off:
        w.woke_kg_s = nan
    if w.woke_kg_s != w.woke_kg_s or not s.scale_ok:
        return 0.0
    if not (s.steady_s >= n.settings.procedure.scale_steady_s or n.pumping or n.inlet_open):
        return 0.0
    unseen_kg = _caught_up(m, n)
    m.pumped.kg += unseen_kg
    w.woke_kg_s = nan
    return unseen_kg


def _caught_up(m: Memory, n: Moment) -> float:
    """What the scale shows beyond what is known; the fill goes on with it.

    The pump ran on until its dead-man relay fell off, and the state that was kept is some seconds old. More than what
    could have come in that time is none of it, and stays a difference between scale and pump. The nameplate's word
    takes the lines for full from the start: it lacks what filled them unseen as well.
    """
    net_kg, pumped, k = m.weight.gross_kg - m.contents.tare_kg, m.pumped, n.figures.weight
    liquid_kg_s, _, _ = pumped_flow(n.prepared, n.s, True, n.settings.procedure.liquid_position, True)
    most_kg = k.uncounted_s * k.uncounted_open_times * max(m.weight.woke_kg_s, liquid_kg_s)
    more_kg = net_kg - pumped.fill.net_kg - pumped.due_kg
    more_kg = more_kg if 0.0 < more_kg <= most_kg else 0.0
    alone_kg = net_kg - pumped.fill.alone_kg - pumped.due_kg
    most_kg += n.figures.fill.lines_most_share * n.settings.limits.fill_reserve_kg
    pumped.fill = fill.caught_up(pumped.fill, alone_kg - more_kg if more_kg <= alone_kg <= most_kg else 0.0)
    return more_kg


def tell_net(m: Memory, n: Moment) -> None:
    """Say the net weight and the most it has been."""
    c, s = m.contents, n.s
    net_kg = m.weight.gross_kg - c.tare_kg
    if net_kg > c.net_high_kg and s.scale_ok and not n.cylinder_off:
        c.net_high_kg = net_kg
    if c.way_open and not n.way_open:
        c.net_high_kg = net_kg  # what the cooler drew back while the way was open is no leak of the shut cylinder
    c.way_open = n.way_open
    s.net_kg, s.net_high_kg = net_kg, c.net_high_kg


def follow(m: Memory, n: Moment) -> None:
    """Say whether the weight follows the pump."""
    f, s, k, gross_kg, pumped_kg = m.following, n.s, n.figures.weight, m.weight.gross_kg, m.pumped.kg
    if f.anchor_gross_kg != f.anchor_gross_kg or n.cylinder_off or not n.pumping or n.crosses:
        f.anchor_pumped_kg, f.anchor_gross_kg = pumped_kg, gross_kg
    s.anchor_pumped_kg = pumped_kg - f.anchor_pumped_kg
    # A pump is no witness of itself.
    s.anchor_gain_kg = gross_kg - f.anchor_gross_kg if n.settings.job.scale_usable else 0.0
    s.frozen_share = s.anchor_gain_kg < k.follows_share * s.anchor_pumped_kg
    if not s.frozen_share and s.anchor_pumped_kg > k.follows_over_kg:
        f.anchor_pumped_kg, f.anchor_gross_kg = pumped_kg, gross_kg
    if n.cylinder_off or f.doubt_gross_kg != f.doubt_gross_kg or (n.pumping and not s.frozen_share):
        f.doubt_gross_kg, f.doubt_pumped_kg = gross_kg, pumped_kg
    flow_kg_s, word_kg_s = m.weight.flow_kg_s, m.pumped.flow_kg_s
    if not n.pumping:
        f.flowing_since_s, f.was_flowing = nan, False
    elif word_kg_s > 0.0 and flow_kg_s > k.flowing_share * word_kg_s:
        f.flowing_since_s = f.flowing_since_s if f.flowing_since_s == f.flowing_since_s else n.now_s
        f.was_flowing = f.was_flowing or n.now_s - f.flowing_since_s > k.flowing_s
    else:
        f.flowing_since_s = nan
    s.was_flowing, s.flow_kg_s = f.was_flowing, flow_kg_s


# ---- a person's hands at the scale -----------------------------------------------------------------------


def with_cylinder(
    memory: Memory,
    prepared: Prepared,
    stamped_tare_kg: float,
    logged_kg: float,
    lines_kg: float = 0.0,
    *,
    weighed: bool = True,
) -> Memory:
    """Return the memory with the cylinder now on the scale taken as the new start of weighing.

    What is in it already is the larger of the scale's word and its log. `lines_kg` is what uncleared lines may let
    into it before or during this. One that is not `weighed` is taken by its stamp and log.
    """
    replace, was = msgspec.structs.replace, memory.weight
    gross_kg, var_kg2, cov_kg2_s = was.gross_kg, was.var_kg2, was.cov_kg2_s
    shift_kg = prepared.figures.sense.weight.uncleared_share * lines_kg
    if not weighed:
        gross_kg, var_kg2, cov_kg2_s = stamped_tare_kg + logged_kg, 0.0, 0.0
    return replace(
        memory,
        weight=replace(
            was,
            gross_kg=gross_kg,
            flow_kg_s=0.0,
            var_kg2=var_kg2,
            cov_kg2_s=cov_kg2_s,
            shift_variance_kg2=shift_kg**2,
        ),
        contents=replace(
            memory.contents, tare_kg=gross_kg, start_kg=max(logged_kg, gross_kg - stamped_tare_kg), net_high_kg=0.0
        ),
        pumped=replace(
            memory.pumped,
            kg=0.0,
            fill=fill.next_cylinder(memory.pumped.fill),
            due=Moved(),
            due_kg=0.0,
            due_s=0.0,
            same_from_kg=0.0,
        ),
        following=replace(memory.following, anchor_pumped_kg=0.0, anchor_gross_kg=nan, doubt_gross_kg=nan),
    )


def owed_kg(memory: Memory) -> float:
    """What the pump has moved since the weight last followed it, less what the scale has shown of it."""
    f = memory.following
    return memory.pumped.kg - f.doubt_pumped_kg - (memory.weight.gross_kg - f.doubt_gross_kg)


def with_scale_believed(memory: Memory) -> Memory:
    """Return the memory with the present weight taken as true: a scale that had stood still shows what it owed."""
    replace, w = msgspec.structs.replace, memory.weight
    return replace(
        memory,
        weight=replace(w, gross_kg=w.raw_kg - w.offset_kg, flow_kg_s=0.0, disturbed_since_s=nan),
        following=replace(memory.following, anchor_gross_kg=nan),
    )


def with_scale_moved(memory: Memory, prepared: Prepared) -> Memory:
    """Return the memory with the present weight taken as unchanged refrigerant: the scale was knocked or moved.

    What went in while the scale was disturbed, only the second estimate knows; what it is unsure of stays.
    """
    replace, w = msgspec.structs.replace, memory.weight
    if w.raw_kg != w.raw_kg or w.gross_kg != w.gross_kg:
        return memory
    moved_kg2 = prepared.figures.sense.weight.moved_variance_kg2
    gross_kg, variance = w.gross_kg, w.shift_variance_kg2 + 2.0 * w.var_kg2 + moved_kg2
    if out_of_use(memory, prepared):
        gross_kg = memory.contents.tare_kg + net_kg(memory, prepared)
        variance = w.shift_variance_kg2 + memory.pumped.fill.variance_kg2 + moved_kg2
    return replace(
        memory,
        weight=replace(
            w,
            gross_kg=gross_kg,
            offset_kg=w.raw_kg - gross_kg,
            shift_variance_kg2=variance,
            disturbed_since_s=nan,
            flow_kg_s=0.0,
        ),
        following=replace(memory.following, anchor_gross_kg=nan),
    )


# ---- the net weight --------------------------------------------------------------------------------------


def out_of_use(memory: Memory, prepared: Prepared) -> bool:
    """Whether the fill goes on without the scale, which is unfit, disturbed, stands still or is not believed."""
    return memory.pumped.fill.unseen_s > prepared.figures.sense.weight.unseen_s


def net_kg(memory: Memory, prepared: Prepared) -> float:
    """Refrigerant put into the cylinder, by the scale or, while that is out of use, from the last trusted weight on."""
    if out_of_use(memory, prepared):
        return memory.pumped.fill.net_kg + memory.pumped.due_kg
    return memory.weight.gross_kg - memory.contents.tare_kg


def net_uncertainty_kg(memory: Memory, prepared: Prepared) -> float:
    """Standard uncertainty of `net_kg`.

    Two witnesses that disagree by more than either owns up to: the figure carries the doubt.
    """
    w, known, k = memory.weight, memory.pumped.fill, prepared.figures.sense.weight
    scale_var = prepared.settings.instruments.scale_uncertainty_kg**2 + w.shift_variance_kg2
    scale_kg = w.gross_kg - memory.contents.tare_kg
    gap = abs(known.alone_kg + memory.pumped.due_kg - net_kg(memory, prepared))
    unexplained = gap > k.doubt_spreads * known.alone_spread_kg + k.without_doubt_kg
    doubt = gap - known.alone_spread_kg if unexplained else 0.0
    variance = scale_var + doubt * doubt
    if not out_of_use(memory, prepared):
        return sqrt(variance + w.var_kg2)
    apart = k.contradicted_share * (known.net_kg - scale_kg) if known.refused else 0.0
    return sqrt(variance + known.variance_kg2 + apart * apart)
