"""What happens in each phase: the facts that lead on, judged, and what the phase itself keeps."""

from __future__ import annotations

from collections.abc import Callable
from math import nan

from rigctl.control import estimate
from rigctl.control.interlocks import Ask, Situation
from rigctl.control.line_up import (
    SCALE_RESTLESS,
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
from rigctl.control.points import M_101, XV_203
from rigctl.control.sequence import Facts, Phase
from rigctl.control.settings import Cylinder
from rigctl.control.state import Clearing, State
from rigctl.control.work import Work
from rigctl.refrigerant import catalogue

LINE_UP_GRACE_S = 15.0
"""Time a check of the line-up may take to come good before it counts as failed."""
FILLING_S = 180.0
"""Time the rig's own volumes may take to fill from the appliance before its pressure is judged."""
LIQUID_RETURNS = 6
"""The procedure goes back to the liquid at most so often: every job ends."""
LIQUID_BACK_S = 8.0
"""How long more must arrive than vapor can explain before the rig goes back to drawing liquid."""
TOO_LITTLE_SHARE = 0.5
"""Less than this share of the declared charge, with the level held, makes the rig ask before it ends."""
SPENT_RATIO = 0.85
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
HEADER_STAYS_UP = "The cooler was not cleared out: the header does not come down. Does an inlet valve not shut?"
COOLER_STAYS_SHUT = "The cooler was not cleared out: nothing came from it. Does XV-203 open?"
CLEAR_TIME_OUT = "The cooler was not wholly cleared out in the time given for it."


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
    w.appliance_start_pa_abs = p
    t, tolerance = appliance_temperature(w.s, w.settings)
    saturated = p > catalogue.get(job.refrigerant).dew_pressure_pa_abs(t - tolerance)
    # What was found the first time stays: on the way back after a stop the pressure is not at rest.
    w.liquid_done = w.liquid_done or not (saturated or w.refrigerant_accepted)
    f.liquid_wanted = job.liquid_first and _liquid_in_reach(w) and not w.liquid_done


def _liquid(w: Work, f: Facts) -> None:
    f.liquid_gone = w.s.liquid_gone or (w.x.pumping and w.s.p_appliance <= 1.5 * w.pull_target_pa_abs)
    f.hose_must_move = one_inlet(w.settings)


def _vapor(w: Work, f: Facts) -> None:
    s, settings, p = w.s, w.settings, w.s.p_appliance
    down = w.x.pumping and p <= w.pull_target_pa_abs
    w.dwell_s = (w.dwell_s if w.dwell_s == w.dwell_s else w.now_s) if down else nan
    enough = down and w.now_s - w.dwell_s >= settings.procedure.dwell_s * (1 + w.repeats)
    # Below the level and at the end of what the compressor can do: stand and let the oil give back meanwhile.
    spent = s.no_progress_s > 30.0 or s.p_201 > SPENT_RATIO * settings.limits.compression_ratio_high * s.p_101
    f.level_held = enough or (w.x.pumping and p <= settings.job.level_pa_abs and spent)
    again = _liquid_in_reach(w) and w.liquid_returns < LIQUID_RETURNS and may_hold_liquid(w.before, p)
    f.liquid_back = again and s.liquid_back_s > LIQUID_BACK_S


def _standing(w: Work, f: Facts) -> None:
    procedure, job, p = w.settings.procedure, w.settings.job, w.s.p_appliance
    watched_s = w.in_phase_s - procedure.standing_settle_s
    if not watched_s >= 0.0:
        return
    if w.standing_start_pa_abs != w.standing_start_pa_abs:
        w.standing_start_pa_abs = p
    if w.standing_middle_pa_abs != w.standing_middle_pa_abs and watched_s >= 0.5 * procedure.standing_s:
        w.standing_middle_pa_abs = p
    f.standing_failed = not p <= job.level_pa_abs
    if watched_s >= procedure.standing_s and not f.standing_failed:
        held = p - w.standing_start_pa_abs <= procedure.standing_rise_pa
        held = held or _will_hold(w.standing_start_pa_abs, w.standing_middle_pa_abs, p, job.level_pa_abs)
        f.standing_passed, f.standing_failed = held, not held
    # A level that holds over a shut service valve looks like success: the weight says otherwise.
    f.too_little = f.standing_passed and job.charge_kg is not None and not w.little_accepted and _came_little(w)
    f.standing_gave_up = w.repeats >= procedure.standing_repeats


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
    return p_pa_abs > 0.5 * state.appliance_start_pa_abs


def _will_hold(start_pa: float, middle_pa: float, end_pa: float, level_pa: float) -> bool:
    """Whether a decaying rise comes to rest below the level.

    Refrigerant boiling out of oil and a chilled appliance raise the pressure towards a limit, each half of the check
    by less than the half before; the rest of such a geometric series is r2*r2/(r1 - r2). A leak rises evenly and
    gets no credit.
    """
    first, second = middle_pa - start_pa, end_pa - middle_pa
    if not second < 0.9 * first:
        return False
    return end_pa + max(second, 0.0) ** 2 / (first - max(second, 0.0)) <= level_pa


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
    return done, COOLER_STAYS_SHUT if in_vain else ""


def _pump_header_down(w: Work, x: Situation, level_pa_abs: float) -> tuple[bool, str]:
    """First the header alone, over the ordinary way; when it is down the clear-out goes over to the bypass."""
    running_s = min(x.motor_on_s, w.now_s - w.before.stage_s)
    if running_s >= CLEAR_START_S and w.s.p_101 <= level_pa_abs:
        w.clearing = Clearing(w.s.p_201, w.s.p_101, w.now_s)
        return False, ""
    full = w.tare_known and x.net_contents_kg > x.fill_limit_kg - 0.25 * w.settings.limits.fill_reserve_kg
    return False, HEADER_STAYS_UP if full or running_s > CLEAR_HEADER_S else ""
