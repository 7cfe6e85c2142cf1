"""What the readings mean: weight and flow, fill, the liquid's end, mass left."""

from __future__ import annotations

from math import inf, log, nan, sqrt

import msgspec

from rigctl.control.points import INLETS, M_101, WAYS_OUT, XV_104, XV_106, XV_202, XV_203, XV_204, XV_301, Outputs
from rigctl.control.prepared import Prepared
from rigctl.control.readings import Readings
from rigctl.control.sense import crossing, fill, liquid_end
from rigctl.control.sense.compressor import comes_dry, pumped_flow, straight_through_kg_s
from rigctl.control.sense.fill import Fill, Moved, Way
from rigctl.control.sense.liquid_end import Watch
from rigctl.control.sense.signals import Signals, followed, judge
from rigctl.control.settings import Settings

FLOW_WALK_KG2_S3 = 1e-8
"""Process noise of the mass flow, as a random walk: follows a change in about 4 s at 10 Hz and 5 g noise."""
UNSEEN_S = 15.0
"""When no weight has been believed for so long, the fill goes on without the scale."""
UNCOUNTED_S = 20.0
"""Age of the state that a journal keeps (10 s), and what a dead-man relay takes to fall off, with room."""
UNCOUNTED_OPEN = 1.5
"""The throttle may have opened further since; engineering estimate, no source."""
SAME_FIGURE_KG = 0.03
"""Pumped while the scale shows the same figure to the last digit: it is not offered to the second estimate any more."""
GAIN_SHARE = 0.3
"""The scale must show at least this share of what the compressor pumped, else it counts as not following."""
RATIO_LAG_S = 3.0
"""The compression ratio is that over a header pressure so smoothed: a real one moves no faster, its noise does."""
SHAKEN = 8.0
"""Change of the scale from one scan to the next, over its noise, that tells of a knock too short to count as one."""
DOUBT_SPREADS, WITHOUT_DOUBT_KG = 2.0, 0.05
"""Difference of scale and nameplate that needs no explanation: standard uncertainties of the latter, and a little."""
CONTRADICTED = 0.5
"""Share of the difference to a scale that is not believed, and yet moves, that stays as doubt."""


class Memory(msgspec.Struct, frozen=True, array_like=True, gc=False):
    """What the estimate carries from scan to scan."""

    at_s: float = nan
    # Weight and flow: a two-state Kalman filter and its covariance.
    gross_kg: float = nan
    flow_kg_s: float = 0.0
    var_kg2: float = 1.0
    cov_kg2_s: float = 0.0
    var_flow_kg2_s2: float = 1e-6
    offset_kg: float = 0.0
    """Step of the scale that a person has confirmed to be no refrigerant."""
    shift_variance_kg2: float = 0.0
    """What those confirmations cost in certainty."""
    raw_kg: float = nan
    disturbed_since_s: float = nan
    steady_since_s: float = nan
    # The cylinder on the scale.
    tare_kg: float = nan
    contents_start_kg: float = 0.0
    net_high_kg: float = 0.0
    way_open: bool = False
    # The second estimate.
    pumped_kg: float = 0.0
    fill: Fill = Fill()
    due: Moved = Moved()
    """What has been moved since the filter was last carried on, and for how long."""
    due_kg: float = 0.0
    due_s: float = 0.0
    anchor_pumped_kg: float = 0.0
    anchor_gross_kg: float = nan
    # Pressures.
    p_201_pa_abs: float = nan
    p_201_rate_pa_s: float = 0.0
    log_fall_1_s: float = 0.0
    """Smoothed -d ln(p)/dt on the appliance side."""
    p_side_pa_abs: float = nan
    p_slow_pa_abs: float = nan
    """The same, smoothed over 10 s: tells whether it has come to rest."""
    low_pa_abs: float = inf
    """Lowest pressure that counted as progress, and when."""
    progress_s: float = nan
    progress_gross_kg: float = nan
    liquid: Watch = Watch()
    """End and return of the liquid."""
    flow_2_kg_s: float = 0.0
    doubt_gross_kg: float = nan
    doubt_pumped_kg: float = 0.0
    """Where the weight last followed the pump."""
    same_from_kg: float = 0.0
    """What had been pumped when the scale's figure last changed."""
    flowing_since_s: float = nan
    was_flowing: bool = False
    """The weight has risen as fast as the pump says since the motor started."""
    p_301_slow_pa_abs: float = nan
    """The cylinder's pressure, smoothed over 30 s: tells whether it has come to rest."""
    line: crossing.Line = crossing.Line()
    """The way across in push-pull."""
    opening: float = 0.0
    """What CV-103 was told last."""
    crossed_kg: float = 0.0
    crossed_from_kg: float = nan
    """What has crossed in push-pull by the line alone, and the net weight when it began."""
    p_101_slow_pa_abs: float = nan
    """Header pressure behind a lag of `RATIO_LAG_S`."""
    woke_kg_s: float = nan
    """The controller was off, and what came in meanwhile has not been weighed yet: the pump's last word before."""


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
    """Carry the estimate over one scan.

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
    settings, refrigerant = prepared.settings, prepared.refrigerant
    s = judge(readings, settings)
    s.p_source = s.p_001 if s.p_001 == s.p_001 else appliance_pa_abs
    now = s.now_s
    instruments, limits = settings.instruments, settings.limits
    dt = now - memory.at_s
    if not 0.0 < dt <= 2.0:
        dt = settings.scan_period_s if dt > 2.0 else 0.0
    pumping = last.bits & M_101 != 0
    inlet_open = last.bits & INLETS != 0

    # --- the pump, without the scale
    liquid_now = expecting_liquid and not memory.liquid.gone and inlet_open
    opening = last.cv_103 if settings.fitted.cv_103 else 1.0
    known = memory.fill
    wet_kg_s = vapor_kg_s = back_kg_s = through = across = drawn = 0.0
    # Where PT-102 cannot tell, a hot discharge does: what is drawn as liquid has turned to vapor.
    wet = liquid_now and not (s.p_102 != s.p_102 and comes_dry(refrigerant, s))
    crosses = last.bits & XV_104 != 0
    if crosses or last.bits & XV_106:
        # Push-pull: the liquid goes past the compressor, which takes the cylinder's vapor away.
        if pumping:
            drawn = known.flow(*pumped_flow(settings, refrigerant, s, False, opening, False))
        if crosses:
            across = crossing.across_kg_s(settings, refrigerant, s)
        through = crossing.share_of(memory.line) * across - drawn
    elif pumping:
        # With shut inlets too: then the header is pumped down.
        if last.bits & WAYS_OUT and not last.bits & XV_203:
            both = last.bits & INLETS == INLETS
            wet_kg_s, vapor_kg_s, back_kg_s = pumped_flow(settings, refrigerant, s, wet, opening, both)
    elif inlet_open and not settings.fitted.cooler_valves:
        through = straight_through_kg_s(settings, refrigerant, s, opening)
    s.crossing_kg_s, s.drawn_kg_s = memory.line.share * across, drawn
    flow_2 = known.flow(wet_kg_s, vapor_kg_s, back_kg_s) + max(through, 0.0)
    pumped = memory.pumped_kg + flow_2 * dt
    s.pumped_flow_kg_s = flow_2

    # --- the scale
    gross, flow = memory.gross_kg, memory.flow_kg_s
    p_ww, p_wf, p_ff = memory.var_kg2, memory.cov_kg2_s, memory.var_flow_kg2_s2
    disturbed_since, steady_since = memory.disturbed_since_s, memory.steady_since_s
    noise = instruments.scale_noise_kg**2 + instruments.scale_resolution_kg**2 / 12.0
    raw = readings.wt_301_kg.value if s.scale_ok else nan
    if gross != gross:
        if s.scale_ok:
            gross, flow, p_ww, p_wf, p_ff = raw - memory.offset_kg, 0.0, noise, 0.0, 1e-6
            steady_since = now
    else:
        gross += flow * dt
        p_ww += dt * (2.0 * p_wf + dt * p_ff)
        p_wf += dt * p_ff
        # When the pump's word changes the flow may have changed by as much, at once.
        p_ff += FLOW_WALK_KG2_S3 * dt
        if memory.line.since_s != memory.line.since_s or not crosses:
            p_ff += (flow_2 - memory.flow_2_kg_s) ** 2
        if not s.scale_ok:
            steady_since = nan
            # The pump's word is all there is; what crosses has just been weighed.
            flow, p_ff = flow if crosses else flow_2, max(p_ff, (0.5 * flow_2) ** 2)
        else:
            seen = raw - memory.offset_kg
            innovation = seen - gross
            if abs(innovation) > limits.scale_step_kg and not cylinder_off:
                # No flow changes the weight this fast: a knock, or a scale that jumps. Coast on the pump's word.
                if disturbed_since != disturbed_since:
                    disturbed_since = now
                steady_since = nan
                flow = flow if crosses else flow_2
            else:
                if cylinder_off and abs(innovation) > limits.scale_step_kg:
                    gross, flow, p_ww, p_wf, p_ff = seen, 0.0, noise, 0.0, 1e-6
                    steady_since = nan
                else:
                    s_inn = p_ww + noise
                    k_w, k_f = p_ww / s_inn, p_wf / s_inn
                    gross += k_w * innovation
                    flow += k_f * innovation
                    p_ff -= k_f * p_wf
                    p_wf -= k_w * p_wf
                    p_ww -= k_w * p_ww
                disturbed_since = nan
                if abs(innovation) > 6.0 * sqrt(noise) or abs(flow) > 5e-4 + 3.0 * sqrt(p_ff):
                    steady_since = nan
                elif steady_since != steady_since:
                    steady_since = now
    line, crossed, crossed_from = memory.line, memory.crossed_kg, memory.crossed_from_kg
    if crosses:
        weight_ok = s.scale_ok and disturbed_since != disturbed_since
        line, amiss = crossing.followed_line(line, across, drawn, flow_2, gross, now, dt, weight_ok)
        pumped += amiss
        crossed_from = crossed_from if crossed_from == crossed_from else known.net_kg + memory.due_kg
        crossed += flow_2 * dt + amiss
    else:
        line, crossed, crossed_from = crossing.stopped(line), 0.0, nan
    s.disturbed_s = now - disturbed_since if disturbed_since == disturbed_since else 0.0
    s.steady_s = now - steady_since if steady_since == steady_since else 0.0
    if not settings.job.scale_usable:
        s.steady_s = inf  # nobody looks at it

    woke, unseen = memory.woke_kg_s if not cylinder_off else nan, 0.0
    if woke == woke and s.scale_ok and (s.steady_s >= settings.procedure.scale_steady_s or pumping or inlet_open):
        unseen, known = _caught_up(memory, s, prepared, gross)
        pumped += unseen
        woke = nan

    net = gross - memory.tare_kg
    net_high = memory.net_high_kg
    if net > net_high and s.scale_ok and not cylinder_off:
        net_high = net
    way_open = last.bits & XV_301 != 0
    if memory.way_open and not way_open:
        net_high = net  # what the cooler drew back while the way was open is no leak of the shut cylinder
    s.net_kg, s.net_high_kg = net, net_high

    # --- the second estimate learns from the scale while it is fit, and goes on without it
    same_from = memory.same_from_kg if raw == memory.raw_kg else pumped
    s.same_pumped_kg = pumped - same_from
    was_due = memory.due
    due = Moved(
        was_due.liquid_kg + wet_kg_s * dt, was_due.vapor_kg + vapor_kg_s * dt, was_due.back_kg + back_kg_s * dt,
        was_due.through_kg + through * dt + unseen,
    )  # fmt: skip
    due_kg, due_s = memory.due_kg + flow_2 * dt + unseen, memory.due_s + dt
    if due_s >= fill.EVERY_S and not (woke == woke and s.scale_ok):
        if not cylinder_off:
            fit = s.scale_ok and s.disturbed_s == 0.0 and s.same_pumped_kg < SAME_FIGURE_KG
            known = _carried(known, due, due_s, s, prepared, last, wet, net if fit else nan)
        due, due_kg, due_s = Moved(), 0.0, 0.0
    s.second_raw_kg, s.second_spread_kg = known.alone_kg + due_kg, known.alone_spread_kg
    high = known.net_kg + fill.WARNS_ABOVE * sqrt(known.variance_kg2 + memory.shift_variance_kg2)
    reserve = limits.fill_reserve_kg
    s.second_high_kg = (
        memory.contents_start_kg
        + due_kg
        + max(
            high,
            known.alone_kg - (fill.WARNS_BELOW if known.unseen_s < fill.DOUBTED_S else 0.0) * known.alone_spread_kg,
            # What the lines hold comes into the cylinder when they are cleared; the reserve is there for it.
            known.passed_high_kg - (1.0 - fill.AFTER_CLEARING) * reserve,
        )
    )
    if crossed_from == crossed_from:
        # The line across was measured by its slope: a scale that lags takes nothing off that.
        s.second_high_kg = max(s.second_high_kg, memory.contents_start_kg + crossed_from + crossed)

    # --- does the weight follow the pump?
    anchor_pumped, anchor_gross = memory.anchor_pumped_kg, memory.anchor_gross_kg
    if anchor_gross != anchor_gross or cylinder_off or not pumping or crosses:
        anchor_pumped, anchor_gross = pumped, gross
    s.anchor_pumped_kg = pumped - anchor_pumped
    s.anchor_gain_kg = gross - anchor_gross if settings.job.scale_usable else 0.0  # a pump is no witness of itself
    s.frozen_share = s.anchor_gain_kg < GAIN_SHARE * s.anchor_pumped_kg
    if not s.frozen_share and s.anchor_pumped_kg > 0.05:
        anchor_pumped, anchor_gross = pumped, gross
    doubt_gross, doubt_pumped = memory.doubt_gross_kg, memory.doubt_pumped_kg
    if cylinder_off or doubt_gross != doubt_gross or (pumping and not s.frozen_share):
        doubt_gross, doubt_pumped = gross, pumped
    flowing_since, was_flowing = memory.flowing_since_s, memory.was_flowing
    if not pumping:
        flowing_since, was_flowing = nan, False
    elif flow_2 > 0.0 and flow > 0.6 * flow_2:
        flowing_since = flowing_since if flowing_since == flowing_since else now
        was_flowing = was_flowing or now - flowing_since > 3.0
    else:
        flowing_since = nan
    s.was_flowing, s.flow_kg_s = was_flowing, flow

    # --- pressures
    p_201, p_201_rate = memory.p_201_pa_abs, memory.p_201_rate_pa_s
    if s.p_201 == s.p_201:
        if p_201 == p_201 and dt > 0.0:
            p_201_rate += ((s.p_201 - p_201) / dt - p_201_rate) * min(1.0, dt / 0.5)
            if p_201_rate - p_201_rate != 0.0:
                p_201_rate = 0.0  # one wild value must not blind the row for good
        p_201 = s.p_201
    s.p_201_rate = p_201_rate

    side, log_fall = memory.p_side_pa_abs, memory.log_fall_1_s
    low, progress, progress_gross = memory.low_pa_abs, memory.progress_s, memory.progress_gross_kg
    p = s.p_appliance
    slow = memory.p_slow_pa_abs
    if p == p:
        slow = followed(slow, p, dt, 10.0)
    s.p_settled = abs(p - slow) <= 0.003 * slow + 0.2 * instruments.pressure_uncertainty_pa
    if not (pumping and inlet_open) or progress != progress:
        low, progress, progress_gross = inf, now, gross
    if p == p:
        if side == side and dt > 0.0:
            log_fall += (log(side / p) / dt - log_fall) * min(1.0, dt / 20.0)
        side = p
        if p < 0.98 * low:
            low, progress = p, now
    if gross > progress_gross + 0.02:
        progress, progress_gross = now, gross
    s.log_fall_1_s = log_fall
    s.no_progress_s = now - progress

    slow_301 = memory.p_301_slow_pa_abs
    if s.p_301 == s.p_301:
        slow_301 = followed(slow_301, s.p_301, dt, 30.0)
    slow_101 = followed(memory.p_101_slow_pa_abs, s.p_101, dt, RATIO_LAG_S) if s.p_101 == s.p_101 else nan
    s.ratio = s.p_201 / slow_101 if slow_101 > 0.0 else nan
    s.p_cylinder_rests = abs(s.p_301 - slow_301) <= 0.005 * slow_301 + 0.2 * instruments.pressure_uncertainty_pa

    # --- the end of the liquid, and liquid that comes again while vapor is drawn
    watch = memory.liquid
    if not (pumping and inlet_open):
        watch = liquid_end.idle(watch, keep=expecting_liquid)
    elif expecting_liquid:
        shaken = abs(raw - memory.raw_kg) > SHAKEN * sqrt(noise)
        moving = abs(last.cv_103 - memory.opening) > 1e-6
        watch = liquid_end.draw(watch, s, settings, refrigerant, dt, flow, shaken=shaken, moving=moving)
    else:
        watch = liquid_end.pull(watch, s, settings, refrigerant, dt, flow, last.cv_103)
    s.liquid_gone = watch.gone
    s.liquid_back_s = now - watch.back_since_s if watch.back_since_s == watch.back_since_s else 0.0

    after = Memory(
        now, gross, flow, p_ww, p_wf, p_ff, memory.offset_kg, memory.shift_variance_kg2, raw,
        disturbed_since, steady_since,
        memory.tare_kg, memory.contents_start_kg, net_high, way_open,
        pumped, known, due, due_kg, due_s, anchor_pumped, anchor_gross,
        p_201, p_201_rate, log_fall, side, slow, low, progress, progress_gross,
        watch, flow_2, doubt_gross, doubt_pumped, same_from, flowing_since, was_flowing, slow_301, line, last.cv_103,
        crossed, crossed_from, slow_101, woke,
    )  # fmt: skip
    return after, s


def after_power_loss(memory: Memory, *, refrigerant_may_have_come: bool) -> Memory:
    """Return the memory to wake up with: what was learned stays, every instant of the old clock is dropped.

    `refrigerant_may_have_come`: a weighed cylinder was on while the controller was off.
    """
    return msgspec.structs.replace(
        memory,
        at_s=nan,
        gross_kg=nan,
        flow_kg_s=0.0,
        disturbed_since_s=nan,
        steady_since_s=nan,
        anchor_gross_kg=nan,
        progress_s=nan,
        liquid=liquid_end.idle(memory.liquid, keep=True),
        p_201_pa_abs=nan,
        p_201_rate_pa_s=0.0,
        p_side_pa_abs=nan,
        line=crossing.stopped(memory.line),
        woke_kg_s=memory.flow_2_kg_s if refrigerant_may_have_come else nan,
    )


def _caught_up(memory: Memory, s: Signals, prepared: Prepared, gross_kg: float) -> tuple[float, Fill]:
    """What the scale shows beyond what is known, once it stands still after the controller was off; the fill with it.

    The pump ran on until its dead-man relay fell off, and the state that was kept is some seconds old. More than what
    could have come in that time is none of it, and stays a difference between scale and pump. The nameplate's word
    takes the lines for full from the start: it lacks what filled them unseen as well.
    """
    net_kg = gross_kg - memory.tare_kg
    settings, refrigerant = prepared.settings, prepared.refrigerant
    liquid_kg_s, _, _ = pumped_flow(settings, refrigerant, s, True, settings.procedure.liquid_position, True)
    most_kg = UNCOUNTED_S * UNCOUNTED_OPEN * max(memory.woke_kg_s, liquid_kg_s)
    more_kg = net_kg - memory.fill.net_kg - memory.due_kg
    more_kg = more_kg if 0.0 < more_kg <= most_kg else 0.0
    alone_kg = net_kg - memory.fill.alone_kg - memory.due_kg
    most_kg += fill.LINES_MOST * settings.limits.fill_reserve_kg
    return more_kg, fill.caught_up(memory.fill, alone_kg - more_kg if more_kg <= alone_kg <= most_kg else 0.0)


def _carried(
    known: Fill, due: Moved, due_s: float, s: Signals, prepared: Prepared, last: Outputs, liquid: bool, weight_kg: float
) -> Fill:
    """The second estimate, carried on."""
    settings = prepared.settings
    if not known.covariance:
        known = fill.begun(settings)
    pumping = last.bits & M_101 != 0
    # Between cooler and cylinder nothing comes or goes while XV-301 is shut, or the cooler's own valves are.
    open_way = last.bits & XV_301 and (last.bits & (XV_202 | XV_204) or not settings.fitted.cooler_valves)
    way = Way.REST if open_way else Way.SHUT
    if pumping and last.bits & XV_203:
        way = Way.CLEARING
    elif pumping and last.bits & INLETS and last.bits & XV_301:
        way = Way.LIQUID if liquid else Way.VAPOR
    cooler_degc = fill.COIL_DEGC if settings.fitted.m_202 else settings.job.ambient_degc
    condensing = s.p_201 / prepared.refrigerant.bubble_pressure_pa_abs(cooler_degc)
    return fill.carried(known, due, due_s, way, condensing, weight_kg, settings)


def with_cylinder(
    memory: Memory, stamped_tare_kg: float, logged_kg: float, lines_kg: float = 0.0, *, weighed: bool = True
) -> Memory:
    """Return the memory with the cylinder now on the scale taken as the new start of weighing.

    What is in it already is the larger of the scale's word and its log. `lines_kg` is what uncleared lines may let
    into it before or during this. One that is not `weighed` is taken by its stamp and log.
    """
    if not weighed:
        memory = msgspec.structs.replace(memory, gross_kg=stamped_tare_kg + logged_kg, var_kg2=0.0, cov_kg2_s=0.0)
    contents = max(logged_kg, memory.gross_kg - stamped_tare_kg)
    return msgspec.structs.replace(
        memory,
        tare_kg=memory.gross_kg,
        contents_start_kg=contents,
        flow_kg_s=0.0,
        shift_variance_kg2=(0.5 * lines_kg) ** 2,
        doubt_gross_kg=nan,
        same_from_kg=0.0,
        net_high_kg=0.0,
        pumped_kg=0.0,
        fill=fill.next_cylinder(memory.fill),
        due=Moved(),
        due_kg=0.0,
        due_s=0.0,
        anchor_pumped_kg=0.0,
        anchor_gross_kg=nan,
    )


def owed_kg(memory: Memory) -> float:
    """What the pump has moved since the weight last followed it, less what the scale has shown of it."""
    return memory.pumped_kg - memory.doubt_pumped_kg - (memory.gross_kg - memory.doubt_gross_kg)


def with_scale_believed(memory: Memory) -> Memory:
    """Return the memory with the present weight taken as true: a scale that had stood still shows what it owed."""
    return msgspec.structs.replace(
        memory,
        gross_kg=memory.raw_kg - memory.offset_kg,
        flow_kg_s=0.0,
        disturbed_since_s=nan,
        anchor_gross_kg=nan,
    )


def with_scale_moved(memory: Memory) -> Memory:
    """Return the memory with the present weight taken as unchanged refrigerant: the scale was knocked or moved.

    What went in while the scale was disturbed, only the second estimate knows; what it is unsure of stays.
    """
    if memory.raw_kg != memory.raw_kg or memory.gross_kg != memory.gross_kg:
        return memory
    gross, variance = memory.gross_kg, memory.shift_variance_kg2 + 2.0 * memory.var_kg2 + 1e-4
    if out_of_use(memory):
        gross = memory.tare_kg + net_kg(memory)
        variance = memory.shift_variance_kg2 + memory.fill.variance_kg2 + 1e-4
    return msgspec.structs.replace(
        memory,
        gross_kg=gross,
        offset_kg=memory.raw_kg - gross,
        shift_variance_kg2=variance,
        disturbed_since_s=nan,
        anchor_gross_kg=nan,
        flow_kg_s=0.0,
    )


def out_of_use(memory: Memory) -> bool:
    """Whether the fill goes on without the scale, which is unfit, disturbed, stands still or is not believed."""
    return memory.fill.unseen_s > UNSEEN_S


def net_kg(memory: Memory) -> float:
    """Refrigerant put into the cylinder, by the scale or, while that is out of use, from the last trusted weight on."""
    if out_of_use(memory):
        return memory.fill.net_kg + memory.due_kg
    return memory.gross_kg - memory.tare_kg


def net_uncertainty_kg(memory: Memory, settings: Settings) -> float:
    """Standard uncertainty of `net_kg`.

    Two witnesses that disagree by more than either owns up to: the figure carries the doubt.
    """
    known, scale_var = memory.fill, settings.instruments.scale_uncertainty_kg**2 + memory.shift_variance_kg2
    scale_kg = memory.gross_kg - memory.tare_kg
    gap = abs(known.alone_kg + memory.due_kg - net_kg(memory))
    doubt = gap - known.alone_spread_kg if gap > DOUBT_SPREADS * known.alone_spread_kg + WITHOUT_DOUBT_KG else 0.0
    variance = scale_var + doubt * doubt
    if not out_of_use(memory):
        return sqrt(variance + memory.var_kg2)
    apart = CONTRADICTED * (known.net_kg - scale_kg) if known.refused else 0.0
    return sqrt(variance + known.variance_kg2 + apart * apart)
