"""What happens in each phase: the facts that lead on, judged, and what the phase itself keeps."""

from __future__ import annotations

from collections.abc import Callable
from math import nan

from rigctl.control import crossing, estimate, finishing, words
from rigctl.control.finishing import Shape
from rigctl.control.interlocks import Ask, Situation
from rigctl.control.line_up import (
    SCALE_RESTLESS,
    alike,
    appliance_temperature,
    change_cylinder,
    cylinder_fault,
    cylinder_on,
    line_up_fault,
    one_inlet,
    too_heavy,
    too_light,
    wrong_weight,
)
from rigctl.control.points import M_101, XV_105, XV_203
from rigctl.control.sequence import Facts, Phase
from rigctl.control.settings import Cylinder, appliance_ceiling_pa_abs
from rigctl.control.state import Clearing, Crossing, State
from rigctl.control.work import Work
from rigctl.refrigerant import catalogue

START_PRESS_FRACTION = 0.92
"""Push-pull is not begun with an appliance that stands nearer to what it may be pressed to."""
LINE_UP_GRACE_S = 15.0
"""Time a check of the line-up may take to come good before it counts as failed."""
FILLING_S = 180.0
"""Time the rig's own volumes may take to fill from the appliance before its pressure is judged."""
BLOWS = 0.95
"""Header over discharge pressure above which the compressor's valves may stand open."""
LIQUID_RETURNS = 6
"""The procedure goes back to the liquid at most so often: every job ends."""
LIQUID_BACK_S = 5.0
"""How long more must arrive than vapor can explain before the rig goes back to drawing liquid."""
STARVED_S = 20.0
"""How long the header must be down before that counts as the appliance's pressure, where PT-001 is missing."""
MAY_HOLD_SHARE = 0.2
TOO_LITTLE_SHARE = 0.5
"""Less than this share of the declared charge, with the level held, makes the rig ask before it ends."""
NO_PROGRESS_S = 50.0
"""So long without a lower pressure, below the level, and a pull has done what it can, too."""
SPENT_RATIO = 0.95
"""Share of the compression ratio limit at which a pull that is below the level has done what it can."""
CLEAR_START_S = 2.0
CLEAR_HEADER_S = 20.0
CLEAR_IN_VAIN_S = 20.0
"""The motor runs at least so long before the bypass is tried; a header that is not down by then never will be (an inlet
leaks); a header that has not risen so long after the cooler should have been let in means that XV-203 is shut."""
SCALE_MOVES_KG = 0.03
"""From one scan to the next: the scale is still on its way after handling, and no figure of it counts yet."""
CLEAR_SEEN_PA = 2e4
CLEAR_UNSEEN = 0.4
CLEAR_FLOW_KG_S = 5e-4
"""Weight gain above which the cooler is not empty yet."""
PRESS_PA, PRESS_S = 3e4, 60.0
"""XV-104 opens when the appliance stands so far above the cylinder, else liquid would run back; and how long the
compressor may take to bring that about."""
LEAST_PRESS_PA = 5e3
CROSSING_START_S = 15.0
CROSSING_LOW_S = 6.0
PRESSING_S = 90.0
"""Time before the flow across is judged, for which it must be low to count, and in which the compressor should have
made the pressure difference that the line needs."""
CROSSING_BEST_S = 120.0
"""Time in which the best flow so far is forgotten: the flow falls as the cylinder warms."""
DRY_SHARE = 0.2
"""Vapor through the same line makes some 0.3 of the flow of boiling liquid (both choked); less than this means that the
way across is shut."""
PRESS_FRACTION = 0.97
"""Share of what the appliance may be pressed to at which push-pull ends by itself."""
PUSH_PULL_TIME = 0.95
"""Share of its time limit at which push-pull ends by itself."""
HEADER_STAYS_UP = "The cooler was not cleared out: the header does not come down. Does an inlet valve not shut?"
COOLER_STAYS_SHUT = "The cooler was not cleared out: nothing came from it. Does XV-203 open?"
CLEAR_TIME_OUT = "The cooler was not wholly cleared out in the time given for it."
NO_ROOM = "The cooler was not wholly cleared out: the cylinder has no room left for what it still holds."
NO_ROOM_SHARE, NO_ROOM_AHEAD_S = 0.1, 3.0
"""So near to its limit, in shares of the reserve and by the time that the flow goes on, nothing more is let in."""


def facts(w: Work) -> Facts:
    """Judge the facts of this scan, and carry on what the phase keeps."""
    asked, permits = w.asked, w.permits
    f = Facts()
    f.tripped = permits.trip >= 0
    f.must_hold = permits.hold >= 0
    f.abort_asked, f.stop_asked, f.hold_asked, f.restart_asked = asked.abort, asked.stop, asked.hold, asked.restart
    f.start_asked = asked.start and not (f.tripped or asked.stop or asked.abort)  # of two words the safe one counts
    f.reset_taken = asked.reset and not f.tripped
    f.resume_to = w.resume_to
    f.has_clear_out = w.settings.fitted.cooler_valves
    f.line_up_failed = f.line_up_passed = f.liquid_wanted = f.liquid_gone = f.hose_must_move = False
    f.too_little = f.liquid_back = f.change_asked = False
    f.push_pull_pays = f.push_pull_over = f.crossed = False
    f.level_held = f.standing_failed = f.standing_passed = f.standing_gave_up = False
    f.cleared = f.isolated = f.settled = f.restart_ready = f.restart_failed = False
    judge = _IN_PHASE.get(w.phase)
    if judge is not None:
        judge(w, f)
    return f


def _line_up(w: Work, f: Facts) -> None:
    procedure = w.settings.procedure
    fault, ask = line_up_fault(w.before, w.x, w.permits)
    if fault:
        grace = LINE_UP_GRACE_S + (procedure.scale_steady_s if w.stage == 0 else 0.0)
        still_filling = w.stage == 1 and not w.s.p_settled and w.in_stage_s < FILLING_S
        if w.in_stage_s > grace and not still_filling:
            _line_up_failed(w, f, fault, ask)
    elif w.stage == 0:
        if not w.tare_known:
            _weigh_cylinder(w)
        w.begin_stage(1)
    elif w.in_stage_s > 4.0 * procedure.valve_stroke_s and (w.s.p_settled or w.refrigerant_accepted):
        _line_up_passed(w, f)


def _line_up_failed(w: Work, f: Facts, fault: str, ask: Ask) -> None:
    f.line_up_failed = True
    w.sentence, w.ask = fault, ask
    t, _ = appliance_temperature(w.s, w.settings)
    below = w.s.p_appliance < catalogue.get(w.settings.job.refrigerant).dew_pressure_pa_abs(t)
    w.vapor_only = ask is Ask.CHECK_REFRIGERANT and below


def _line_up_passed(w: Work, f: Facts) -> None:
    job, p = w.settings.job, w.s.p_appliance
    f.line_up_passed = True
    others = "" if w.refrigerant_accepted else alike(w.s, w.settings)
    if others:
        w.tell("note", "PT-001" if w.settings.fitted.pt_001 else "PT-101", others)
    w.appliance_start_pa_abs = p
    t, tolerance = appliance_temperature(w.s, w.settings)
    saturated = p > catalogue.get(job.refrigerant).dew_pressure_pa_abs(t - tolerance)
    # What was found the first time stays: on the way back after a stop the pressure is not at rest.
    w.liquid_done = w.liquid_done or not (saturated or w.refrigerant_accepted)
    f.liquid_wanted = job.liquid_first and _liquid_in_reach(w) and not w.liquid_done
    f.push_pull_pays = f.liquid_wanted and push_pull_pays(w)


def push_pull_pays(w: Work) -> bool:
    """Whether it is quicker to press the liquid across than to draw it through the compressor.

    By how much liquid the declared charge leaves, what the cylinder still takes, and both rates; not with an appliance
    that stands near its ceiling already.
    """
    settings, p, charge_kg = w.settings, w.s.p_appliance, w.settings.job.charge_kg
    if not settings.fitted.push_pull or w.push_pull_over or w.liquid_done or charge_kg is None:
        return False
    if not p < START_PRESS_FRACTION * appliance_ceiling_pa_abs(settings):
        return False
    left_kg = crossing.LABEL_SHARE * charge_kg - w.recovered_kg()
    room_kg = w.fill_limit_kg - settings.limits.fill_reserve_kg - w.x.net_contents_kg
    draw_s = crossing.draw_down_s(settings, p, w.s.p_301, w.x.net_contents_kg)
    if not draw_s < 0.7 * PRESS_S:
        return False
    return crossing.gain_s(settings, w.estimate.line, p, min(left_kg, room_kg)) - draw_s > crossing.LEAST_GAIN_S


def _push_pull(w: Work, f: Facts) -> None:
    procedure, s = w.settings.procedure, w.s
    pressed_pa = s.p_001 - crossing.cylinder_pa_abs(s)
    if w.stage == 0:
        if w.x.bits & XV_105 and w.in_stage_s >= 2.0 * procedure.valve_stroke_s and pressed_pa > PRESS_PA:
            w.begin_stage(1)
        elif w.in_stage_s > PRESS_S:
            _end_push_pull(w, "the appliance does not come above the cylinder", dry=False)
    elif w.stage == 1:
        _crossing(w, pressed_pa)
    else:
        over = w.in_stage_s > procedure.valve_stroke_s + 1.5 * w.settings.scan_period_s
        f.crossed, f.push_pull_over = over and w.crossing.dry, over and not w.crossing.dry


def _crossing(w: Work, pressed_pa: float) -> None:
    """Carry the crossing on, and end it when nothing, or only vapor, comes across, or when it has become no quicker."""
    procedure, s, was = w.settings.procedure, w.s, w.crossing
    if w.in_stage_s < CROSSING_START_S:
        return
    best = max(was.best_kg_s * (1.0 - min(w.x.dt_s, 1.0) / CROSSING_BEST_S), s.flow_kg_s)
    # A cylinder that stood at the appliance's pressure has to be drawn down before anything can be said.
    presses = pressed_pa > crossing.CHOKED_SHARE * s.p_001 or w.in_stage_s > PRESSING_S
    slow = presses and not s.flow_kg_s > crossing.BETTER * crossing.liquid_rate_kg_s(w.settings, s.p_001)
    crosses = s.flow_kg_s + s.drawn_kg_s
    few = s.flow_kg_s < procedure.liquid_end_flow * best or crosses < procedure.liquid_end_flow * s.crossing_kg_s
    low = slow or few or not pressed_pa > LEAST_PRESS_PA
    since = (was.low_since_s if was.low_since_s == was.low_since_s else w.now_s) if low else nan
    w.crossing = Crossing(best, since)
    # Vapor is what still crosses where liquid did; where nothing does any more, something is shut.
    dry = few and crosses > DRY_SHARE * max(best + s.drawn_kg_s, s.crossing_kg_s if presses else 0.0)
    if low and w.now_s - since >= CROSSING_LOW_S:
        _end_push_pull(w, "vapor comes across" if dry else "little comes across", dry=dry)
    elif not s.p_001 < PRESS_FRACTION * appliance_ceiling_pa_abs(w.settings):
        _end_push_pull(w, "the appliance is pressed as far as it may be", dry=False)
    elif w.in_phase_s > PUSH_PULL_TIME * procedure.push_pull_limit_s:
        _end_push_pull(w, "its time is up", dry=False)


def _end_push_pull(w: Work, why: str, *, dry: bool) -> None:
    w.crossing = Crossing(dry=dry)
    w.begin_stage(2)
    w.tell("note", "XV-104", f"Push-pull ends after {words.mass(w.s.net_kg, w.settings.units)}: {why}.")


def _liquid(w: Work, f: Facts) -> None:
    down = w.x.pumping and w.s.p_appliance <= 1.5 * w.pull_target_pa_abs
    w.dwell_s = (w.dwell_s if w.dwell_s == w.dwell_s else w.now_s) if down else nan
    # A header that a sticking core starves says nothing about the appliance.
    lasts_s = 0.0 if w.settings.fitted.pt_001 else STARVED_S
    f.liquid_gone = w.s.liquid_gone or (down and w.now_s - w.dwell_s >= lasts_s)
    f.hose_must_move = one_inlet(w.settings)


def _vapor(w: Work, f: Facts) -> None:
    s, settings, p = w.s, w.settings, w.s.p_appliance
    w.giving = finishing.drawn(w.giving, p, s.pumped_flow_kg_s, w.x.dt_s, w.x.pumping)
    enough = _pulled_enough(w)
    # Below the level and at the end of what the compressor can do: stand and let the oil give back meanwhile.
    spent = s.no_progress_s > NO_PROGRESS_S or s.ratio > SPENT_RATIO * settings.limits.compression_ratio_high
    f.level_held = enough or (w.x.pumping and p <= settings.job.level_pa_abs and spent)
    # An appliance that was pressed up blows through the compressor's valves: more than it displaces, and no liquid.
    blows = w.push_pull_over and s.p_101 > BLOWS * s.p_201
    again = not blows and _liquid_in_reach(w) and w.liquid_returns < LIQUID_RETURNS and may_hold_liquid(w.before, p)
    f.liquid_back = again and s.liquid_back_s > LIQUID_BACK_S


def _pulled_enough(w: Work) -> bool:
    """Whether a standing check may be expected to hold, by what is given off while pumping."""
    p, level, giving = w.s.p_appliance, w.settings.job.level_pa_abs, w.giving
    down = w.x.pumping and p <= w.pull_target_pa_abs
    w.dwell_s = (w.dwell_s if w.dwell_s == w.dwell_s else w.now_s) if down else nan
    if not down:
        return False
    rise, allowed = giving.rise_pa_s, finishing.allowed_pa_s(giving, w.settings.procedure, level, p)
    dwelt_s = w.now_s - w.dwell_s
    if rise != rise:
        return dwelt_s >= w.settings.procedure.dwell_s * (1 + w.repeats)
    if w.x.motor_on_s < finishing.PULL_S:
        return False
    if not giving.measured:
        allowed *= finishing.FIRST_LOOK
    return dwelt_s >= w.settings.procedure.dwell_s and (rise <= allowed or dwelt_s >= finishing.PROBE_S)


def _standing(w: Work, f: Facts) -> None:
    procedure, job, p = w.settings.procedure, w.settings.job, w.s.p_appliance
    if w.in_phase_s >= finishing.WATCH_SHARE * procedure.standing_settle_s:
        before = len(w.rise.pressures_pa_abs)
        w.rise = finishing.watched(w.rise, p, w.in_phase_s)
        if len(w.rise.pressures_pa_abs) > before:
            end_s = procedure.standing_settle_s + procedure.standing_s
            w.outlook = finishing.outlook(
                w.rise,
                procedure.standing_settle_s,
                max(end_s, w.in_phase_s),
                job.level_pa_abs,
                procedure.standing_rise_pa,
                w.settings.instruments.pressure_uncertainty_pa,
            )
    watched_s = w.in_phase_s - procedure.standing_settle_s
    if not watched_s >= 0.0:
        return
    seen = w.rise.pressures_pa_abs
    if w.standing_start_pa_abs != w.standing_start_pa_abs:
        w.standing_start_pa_abs = seen[-1] if seen else p
    # One reading may be off by the transmitter's noise: a mean above the level counts, and what is far above it.
    far = p > job.level_pa_abs + 0.5 * w.settings.instruments.pressure_uncertainty_pa
    above = p != p or far or (seen[-1] if seen else p) > job.level_pa_abs
    ahead = w.outlook
    plain = ahead is not None and ahead.fails >= finishing.FAILS and w.in_phase_s >= finishing.least_rest_s(w.repeats)
    f.standing_failed = above or plain
    if watched_s >= procedure.standing_s and not above:
        held = (seen[-1] if seen else p) - w.standing_start_pa_abs <= procedure.standing_rise_pa
        below = ahead.stays_below if ahead is not None else 0.0
        f.standing_passed = held or below >= finishing.HOLDS
        # Not plain yet, though still below: a little longer is cheaper than another pull.
        wait = below > finishing.UNPLAIN and watched_s < finishing.LONGER * procedure.standing_s
        f.standing_failed = not f.standing_passed and not wait
    # A level that holds over a shut service valve looks like success: the weight says otherwise.
    f.too_little = f.standing_passed and job.charge_kg is not None and not w.little_accepted and _came_little(w)
    if f.standing_failed or f.standing_passed:
        w.shape = _shape(w, f.standing_passed)
        if w.shape is Shape.LEAK:  # within the allowance or not: the level does not hold
            f.standing_passed, f.standing_failed = False, True
    f.standing_gave_up = w.repeats >= procedure.standing_repeats or w.shape is Shape.LEAK


def _shape(w: Work, passed: bool) -> Shape:
    t, tolerance_k = appliance_temperature(w.s, w.settings)
    saturation = catalogue.get(w.settings.job.refrigerant).dew_pressure_pa_abs(t - tolerance_k)
    warmer_k = w.s.t_001 - w.isolated_degc
    return finishing.shape(
        w.giving,
        w.rise,
        w.outlook,
        w.now_s,
        passed=passed,
        saturation_pa_abs=saturation,
        warming_share=warmer_k / (w.isolated_degc + 273.15),
    )


def _came_little(w: Work) -> bool:
    # A cold coil may hold most of a small charge until it is cleared out; the pump has counted it.
    on_the_way = max(0.0, w.estimate.pumped_kg - w.s.net_kg) if w.settings.fitted.cooler_valves else 0.0
    return not w.recovered_kg() + on_the_way >= TOO_LITTLE_SHARE * (w.settings.job.charge_kg or 0.0)


def _clear_out(w: Work, f: Facts) -> None:
    done, in_vain = _clear(w)
    f.cleared = done or in_vain != "" or w.in_phase_s > w.settings.procedure.clear_out_limit_s
    w.uncleared = f.cleared and not done
    if w.uncleared:
        w.tell("note", "XV-203", in_vain or CLEAR_TIME_OUT)


def _isolate(w: Work, f: Facts) -> None:
    procedure = w.settings.procedure
    f.isolated = w.in_stage_s > 3.0 * procedure.valve_stroke_s and w.s.steady_s >= procedure.scale_steady_s


def _holding(w: Work, f: Facts) -> None:
    _stand_down(w, f, w.settings.procedure.holding_limit_s)


def _stopping(w: Work, f: Facts) -> None:
    _stand_down(w, f, w.settings.procedure.stopping_limit_s)


def _stand_down(w: Work, f: Facts, limit_s: float) -> None:
    """Clear out, then shut and weigh, or only stand by: the stages of HOLDING and STOPPING."""
    procedure = w.settings.procedure
    if w.stage == 0:
        done, in_vain = _clear(w)
        if done or in_vain or w.in_phase_s > 0.7 * limit_s or w.permits.forbidden & M_101:
            w.begin_stage(1)
            w.uncleared = not done
            if w.uncleared:
                w.tell("note", "XV-203", in_vain or CLEAR_TIME_OUT)
    elif w.stage == 1:
        rested = w.s.steady_s >= procedure.scale_steady_s or not w.moved
        f.settled = (w.in_stage_s > 3.0 * procedure.valve_stroke_s and rested) or w.in_phase_s > limit_s
    else:
        f.settled = w.in_stage_s > 2.0 * procedure.valve_stroke_s


def _held(w: Work, f: Facts) -> None:
    if not w.asked.restart:
        return
    another = w.asked.cylinder
    if another is not None:
        if w.moved and not w.path_shut:
            f.restart_asked, f.change_asked = False, True
        else:
            _put_on(w, another)
    elif w.tare_known and abs(_handled_kg(w)) > w.settings.limits.scale_step_kg:
        _judge_handling(w, f)
    if w.ask is Ask.CHECK_SCALE and w.tare_known:
        w.excess_accepted_kg = w.s.second_raw_kg - (w.estimate.gross_kg - w.estimate.tare_kg)
    _take_for_granted(w)


def _put_on(w: Work, cylinder: Cylinder) -> None:
    other = change_cylinder(w.before, w.estimate, cylinder, w.settings)
    w.cylinder, w.fill_limit_kg, w.cylinders = other.cylinder, other.fill_limit_kg, other.cylinders
    w.tare_known, w.cylinder_off = other.tare_known, other.cylinder_off
    w.path_shut, w.moved, w.excess_accepted_kg = other.path_shut, other.moved, other.excess_accepted_kg


def _handled_kg(w: Work) -> float:
    """How far the scale has moved while nothing could flow."""
    return w.estimate.raw_kg - w.estimate.offset_kg - w.estimate.gross_kg


def _judge_handling(w: Work, f: Facts) -> None:
    # Nothing flows while the rig is held. A scale that had stood still may now show what it owes; any other step is
    # handling, no refrigerant.
    memory, moved_kg = w.estimate, _handled_kg(w)
    if abs(memory.raw_kg - w.before.estimate.raw_kg) > SCALE_MOVES_KG:
        f.restart_asked = False
        w.sentence, w.ask = SCALE_RESTLESS, Ask.CHECK_SCALE
        text = w.sentence
    elif too_light(memory.raw_kg, w.cylinder):
        f.restart_asked = False
        w.sentence, w.ask = wrong_weight(memory.raw_kg, w.cylinder, w.settings), Ask.CHECK_SCALE
        text = w.sentence
    elif 0.0 < moved_kg <= 1.3 * estimate.owed_kg(memory) + w.settings.limits.scale_step_kg:
        text = f"The scale shows {moved_kg:+.2f} kg, which the pump says it may have owed: it counts."
        w.estimate = estimate.with_scale_believed(memory)
    else:
        text = (
            f"The weight moved by {moved_kg:+.2f} kg while the rig was held; it is taken as handling, and "
            "the mass so far is kept."
        )
        w.estimate = estimate.with_scale_moved(memory)
    w.tell("note", "WT-301", text)


def _take_for_granted(w: Work) -> None:
    """Take a restart as the answer to what the rig had asked for."""
    if w.ask is Ask.HOSE_TO_LIQUID:
        w.hose_at = "liquid"
    elif w.ask is Ask.HOSE_TO_VAPOR:
        w.hose_at = "vapor"
    elif w.ask is Ask.CHECK_REFRIGERANT:
        w.refrigerant_accepted = True
        w.liquid_done = w.liquid_done or w.vapor_only
    elif w.ask is Ask.CHECK_CHARGE:
        w.little_accepted = True
        # Nothing was opened that had been shut, and the level has held all the while: the check counts.
        if w.settings.fitted.pt_001 and w.s.p_appliance <= w.settings.job.level_pa_abs:
            w.resume_to = Phase.CLEAR_OUT if w.settings.fitted.cooler_valves else Phase.ISOLATE
    elif w.ask is Ask.WARM_APPLIANCE:
        w.repeats = 0


def _restarting(w: Work, f: Facts) -> None:
    procedure, cylinder = w.settings.procedure, w.cylinder
    fault = cylinder_fault(cylinder, w.settings)
    if fault:
        f.restart_failed = True
        w.sentence, w.ask = fault, Ask.CHANGE_CYLINDER
    elif not w.tare_known and w.cylinder_off and w.s.steady_s >= procedure.scale_steady_s and not _weighs_wrong(w):
        _weigh_cylinder(w)
    f.restart_ready = not fault and w.in_phase_s > 2.0 * procedure.valve_stroke_s and not w.cylinder_off
    if f.restart_ready and w.resume_to in (Phase.PUSH_PULL, Phase.LIQUID):
        # Another cylinder: what is left may not be worth pressing any more, or the room in the last one was not.
        w.resume_to = f.resume_to = Phase.PUSH_PULL if push_pull_pays(w) else Phase.LIQUID
    if w.in_phase_s > procedure.restarting_limit_s and not f.restart_ready:
        f.restart_failed = True
        w.sentence, w.ask = SCALE_RESTLESS, Ask.CHECK_SCALE
        if _weighs_wrong(w):
            w.sentence = wrong_weight(w.estimate.gross_kg, cylinder, w.settings)


def _weighs_wrong(w: Work) -> bool:
    gross = w.estimate.gross_kg
    return w.settings.job.scale_usable and (too_light(gross, w.cylinder) or too_heavy(gross, w.cylinder))


def _aborting(w: Work, f: Facts) -> None:
    f.settled = w.in_phase_s >= w.settings.procedure.aborting_s


_IN_PHASE: dict[Phase, Callable[[Work, Facts], None]] = {
    Phase.LINE_UP: _line_up,
    Phase.PUSH_PULL: _push_pull,
    Phase.LIQUID: _liquid,
    Phase.VAPOR: _vapor,
    Phase.STANDING: _standing,
    Phase.CLEAR_OUT: _clear_out,
    Phase.ISOLATE: _isolate,
    Phase.HOLDING: _holding,
    Phase.HELD: _held,
    Phase.RESTARTING: _restarting,
    Phase.STOPPING: _stopping,
    Phase.ABORTING: _aborting,
}
"""In the others (IDLE, STOPPED, ABORTED, COMPLETE) only requests and interlocks count."""


def _weigh_cylinder(w: Work) -> None:
    lines_kg = w.settings.limits.fill_reserve_kg if w.uncleared else 0.0
    w.estimate = estimate.with_cylinder(
        w.estimate, w.cylinder.tare_kg, w.cylinder.residual_kg, lines_kg, weighed=w.settings.job.scale_usable
    )
    w.tare_known, w.cylinder_off = True, False
    w.events.append(cylinder_on(w.cylinder, w.estimate, w.settings))


def _liquid_in_reach(w: Work) -> bool:
    return w.hose_at == "liquid" if one_inlet(w.settings) else w.settings.fitted.xv_101


def may_hold_liquid(state: State, p_pa_abs: float) -> bool:
    """Whether liquid may still stand in the appliance; far below its first pressure what comes is the cooler's own."""
    return p_pa_abs > MAY_HOLD_SHARE * state.appliance_start_pa_abs


def _clear(w: Work) -> tuple[bool, str]:
    """Carry a clear-out on; return whether it is done, and why it is in vain ("" while it is not).

    Done means: XV-203 showed itself open by a rising header, and the header has been down for the dwell time with
    the cylinder gaining nothing (XV-203 is narrow: the header may be low while the cooler still boils).
    """
    x, s, now_s, was = w.x, w.s, w.now_s, w.clearing
    level = w.settings.procedure.clear_out_level_pa_abs
    if was.switched_s != was.switched_s:
        return _pump_header_down(w, x, level)
    if not x.bits & XV_203:
        w.clearing = Clearing(s.p_201, s.p_101, was.switched_s)
        return False, ""
    seen = was.seen or s.p_101 > was.low_pa_abs + CLEAR_SEEN_PA
    still = not (s.scale_ok and s.disturbed_s == 0.0 and w.before.estimate.flow_kg_s > CLEAR_FLOW_KG_S)
    # A cooler that still boils holds the header up; where no scale sees what comes, it must go lower.
    enough = level if s.scale_ok else CLEAR_UNSEEN * level
    down = x.pumping and seen and s.p_101 <= enough and still
    down_s = (was.down_s if was.down_s == was.down_s else now_s) if down else nan
    w.clearing = Clearing(was.from_pa_abs, was.low_pa_abs, was.switched_s, seen, down_s)
    in_vain = not seen and now_s - was.switched_s > CLEAR_IN_VAIN_S
    done = down and now_s - down_s >= w.settings.procedure.dwell_s
    if not done and w.tare_known:
        margin_kg = NO_ROOM_SHARE * w.settings.limits.fill_reserve_kg + NO_ROOM_AHEAD_S * max(s.flow_kg_s, 0.0)
        if x.net_contents_kg > x.fill_limit_kg - margin_kg:
            return False, NO_ROOM
    return done, COOLER_STAYS_SHUT if in_vain else ""


def _pump_header_down(w: Work, x: Situation, level_pa_abs: float) -> tuple[bool, str]:
    """First the header alone, over the ordinary way; when it is down the clear-out goes over to the bypass."""
    running_s = min(x.motor_on_s, w.now_s - w.before.stage_s)
    if running_s >= CLEAR_START_S and w.s.p_101 <= level_pa_abs:
        w.clearing = Clearing(w.s.p_201, w.s.p_101, w.now_s)
        return False, ""
    full = w.tare_known and x.net_contents_kg > x.fill_limit_kg - 0.25 * w.settings.limits.fill_reserve_kg
    return False, HEADER_STAYS_UP if full or running_s > CLEAR_HEADER_S else ""
