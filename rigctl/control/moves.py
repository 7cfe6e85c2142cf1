"""What comes with a move: what leaving one state settles, and how the next one begins."""

from __future__ import annotations

from collections.abc import Callable
from math import nan

import msgspec

from rigctl.control import estimate, finishing, words
from rigctl.control.finishing import Rise, Shape
from rigctl.control.interlocks import TABLE, Ask
from rigctl.control.points import M_101
from rigctl.control.rests import Cause, Rest
from rigctl.control.sequence import RUNNING, Facts, Phase
from rigctl.control.state import Clearing, Crossing, StandingCheck
from rigctl.control.work import Work

TIGHTEN = 0.7
"""Where nothing else tells how much the oil still gives, a pull after a failed check goes at least this much lower."""
NO_CLEAR_OUT = "This rig has no clear-out: condenser and discharge hose still hold refrigerant."
LINES_HOLD_LIQUID = (
    "Cooler and discharge hose still hold liquid and stay open to the cylinder: empty them before any valve is closed."
)
_CAN_CLEAR = (Phase.LINE_UP, Phase.PUSH_PULL, Phase.LIQUID, Phase.VAPOR, Phase.STANDING, Phase.CLEAR_OUT)


def move(w: Work, f: Facts, phase: Phase) -> None:
    """Go over to another phase."""
    was = w.phase
    w.entered_s, w.in_phase_s = w.now_s, 0.0
    w.begin_stage(0)
    w.dwell_s, w.clearing = nan, Clearing()
    w.rest = Rest(ended_s=w.now_s if w.rest.cause is not Cause.NONE else w.rest.ended_s)
    leave = _ON_LEAVING.get(was)
    if leave is not None:
        leave(w, f, phase)
    w.standing_start_pa_abs = nan
    w.rise, w.outlook, w.crossing = Rise(), None, Crossing()
    w.phase = phase
    if phase in RUNNING or phase is Phase.IDLE:
        w.sentence, w.ask = "", Ask.NOTHING
    enter = _ON_ENTERING.get(phase)
    if enter is not None:
        enter(w, f, was)
    w.tell("phase", phase.value, f"{was.value} -> {phase.value}")


# --- leaving


def _leave_line_up(w: Work, f: Facts, phase: Phase) -> None:
    if w.before.stage == 1 and not w.settings.fitted.cooler_valves:
        w.moved = True  # through the compressor's valves liquid has run as far as XV-301
    if phase in (Phase.PUSH_PULL, Phase.LIQUID, Phase.VAPOR):
        w.refrigerant_accepted = True


def _leave_push_pull(w: Work, f: Facts, phase: Phase) -> None:
    if f.crossed or f.push_pull_over:
        w.push_pull_over = True
        w.liquid_done = w.liquid_done or f.crossed


def _leave_liquid(w: Work, f: Facts, phase: Phase) -> None:
    if phase is Phase.VAPOR or f.liquid_gone:
        w.liquid_done = True


def _leave_vapor(w: Work, f: Facts, phase: Phase) -> None:
    if f.liquid_back and phase is Phase.LIQUID:
        w.liquid_returns += 1


def _leave_standing(w: Work, f: Facts, phase: Phase) -> None:
    judged = f.standing_passed or f.standing_failed
    if not (judged and phase in (*RUNNING, Phase.HOLDING)):
        return
    settings, p = w.settings, w.s.p_appliance
    began = w.standing_start_pa_abs if w.standing_start_pa_abs == w.standing_start_pa_abs else p
    check = StandingCheck(w.before.entered_s, w.now_s - w.before.entered_s, began, p, f.standing_passed, w.shape)
    w.standing_checks = (*w.standing_checks, check)
    w.tell(
        "standing",
        "PT-001" if settings.fitted.pt_001 else "PT-101",
        f"Standing check {'passed' if f.standing_passed else 'not passed'}: "
        f"{words.absolute(began, settings.units)} to {words.absolute(p, settings.units)} "
        f"in {words.duration(check.duration_s)}; {w.shape.value}.",
    )
    if f.standing_failed:
        w.repeats += 1
        if w.outlook is not None:
            w.giving = finishing.learned(w.giving, w.rise, w.outlook, w.now_s)
        if w.giving.gain_pa_kg != w.giving.gain_pa_kg:
            lower = min(TIGHTEN * w.pull_target_pa_abs, settings.job.level_pa_abs - (p - began))
            w.pull_target_pa_abs = max(settings.procedure.pull_floor_pa_abs, lower)


# --- entering


def _enter_taking(w: Work, f: Facts, was: Phase) -> None:
    w.moved, w.path_shut, w.uncleared = True, False, False


def _enter_standing(w: Work, f: Facts, was: Phase) -> None:
    w.isolated_pa_abs, w.isolated_degc = w.s.p_appliance, w.s.t_001


def _enter_holding(w: Work, f: Facts, was: Phase) -> None:
    resume_to: Phase = Phase.VAPOR if was is Phase.STANDING else was
    if f.change_asked:
        w.ask, resume_to = Ask.CHANGE_CYLINDER, w.resume_to
        w.sentence = f"Change cylinder {w.cylinder.serial}: close its valve, put the next one on, then restart."
    elif f.too_little:
        w.ask, w.sentence = Ask.CHECK_CHARGE, _say_too_little(w)
    elif f.standing_gave_up and f.standing_failed and w.shape is Shape.LEAK:
        w.ask, w.sentence = Ask.FIND_LEAK, _say_leaks(w)
        w.giving = msgspec.structs.replace(w.giving, even_pa_s=nan, even_since_s=nan)  # a person knows now
    elif f.standing_gave_up and f.standing_failed:
        w.ask, w.sentence = Ask.WARM_APPLIANCE, _say_came_back(w)
    elif f.must_hold:
        row = TABLE[w.permits.hold]
        w.ask, w.sentence = row.ask, row.say(w.x)
        w.tell("hold", row.tag, w.sentence)
    elif was is Phase.LIQUID and f.liquid_gone and f.hose_must_move:
        w.ask, resume_to = Ask.HOSE_TO_VAPOR, Phase.VAPOR
        w.sentence = "The liquid has gone over. Move the hose to the appliance's vapor port, then restart."
    else:
        w.ask, w.sentence = Ask.CONFIRM, "Held on request. Restart or stop."
    # A person will take the cylinder off: the lines to it are emptied first. Otherwise just stand by.
    change = w.ask is Ask.CHANGE_CYLINDER
    can_clear = w.moved and (was in _CAN_CLEAR or f.change_asked) and _cooler_can_be_emptied(w)
    w.stage = (0 if can_clear else 1) if change else 2
    w.uncleared = w.uncleared or (change and w.moved and not can_clear)
    w.resume_to = resume_to


def _say_too_little(w: Work) -> str:
    came = words.mass(max(0.0, w.recovered_kg()), w.settings.units)
    declared = words.mass(w.settings.job.charge_kg or 0.0, w.settings.units)
    return (
        f"The level holds, but only {came} of the declared {declared} came out. "
        "See that every service valve is open and no part is shut off; restart to pull once more."
    )


def _say_leaks(w: Work) -> str:
    rate = words.pressure_difference(60.0 * w.giving.even_pa_s, w.settings.units)
    return (
        f"The shut-in appliance rises by {rate} a minute, no slower than "
        f"{words.duration(w.now_s - w.giving.even_since_s)} ago: air leaks in. Find the leak at ports, caps and hoses "
        "and stop it; then restart, or stop the job."
    )


def _say_came_back(w: Work) -> str:
    cause = {
        Shape.OIL: "refrigerant still boils out of the oil. Warm the compressor's shell",
        Shape.LIQUID: "liquid is left. Warm the coldest spot and see that no part is shut off",
    }.get(
        w.shape,
        "refrigerant still boils out of the oil, liquid is left, or the appliance leaks. Warm the compressor's shell "
        "and the coldest spot",
    )
    return (
        f"The pressure came back to {words.pressure(w.s.p_appliance, w.settings.units)} after {w.repeats} pulls: "
        f"{cause}, then restart to pull again, or stop."
    )


def _cooler_can_be_emptied(w: Work) -> bool:
    return w.settings.fitted.cooler_valves and not w.permits.forbidden & M_101


def _enter_held(w: Work, f: Facts, was: Phase) -> None:
    if was is Phase.LINE_UP:
        w.resume_to = Phase.LINE_UP
    if w.ask is Ask.CHANGE_CYLINDER:
        if not w.cylinder_off:
            w.off_net_kg = estimate.net_kg(w.estimate)
            w.off_uncertainty_kg = estimate.net_uncertainty_kg(w.estimate, w.settings)
        w.path_shut, w.cylinder_off = True, True
        if w.moved and (w.uncleared or not w.settings.fitted.cooler_valves):
            w.uncleared = True
            w.sentence += " Mind: the lines to it still hold liquid."
        if was is Phase.HOLDING:
            w.moved = False
    w.tell("hold", w.ask.name.lower(), w.sentence)


def _enter_stopping(w: Work, f: Facts, was: Phase) -> None:
    # Lines that cannot be emptied now keep their way into the cylinder: nothing is shut in full of liquid.
    cooler_valves = w.settings.fitted.cooler_valves
    late = was in (Phase.VAPOR, Phase.STANDING, Phase.ISOLATE)  # by then a cooler is far from full
    keep = 1 if late and not cooler_valves else 2
    can_clear = was in _CAN_CLEAR and _cooler_can_be_emptied(w)
    w.stage = (0 if can_clear else keep) if w.moved and not w.path_shut else 1
    w.sentence, w.ask = "Stopping on request.", Ask.NOTHING


def _enter_stopped(w: Work, f: Facts, was: Phase) -> None:
    if w.moved and (w.before.stage == 2 or w.uncleared):
        w.sentence = f"Stopped. {LINES_HOLD_LIQUID}"
    else:
        w.moved = False
        w.sentence = "Stopped. Close the cylinder's valve and the service ports before taking hoses off."


def _enter_complete(w: Work, f: Facts, was: Phase) -> None:
    w.ask = Ask.NOTHING
    if w.uncleared:
        w.sentence = f"The level is reached. {LINES_HOLD_LIQUID}"
    else:
        bare = w.moved and not w.settings.fitted.cooler_valves
        w.moved = False
        w.sentence = "Done. Close the cylinder's valve and the service ports before taking hoses off."
        if bare:
            w.sentence += f" {NO_CLEAR_OUT}"


def _enter_aborting(w: Work, f: Facts, was: Phase) -> None:
    if w.permits.trip >= 0:
        row = TABLE[w.permits.trip]
        known = [alarm.text for alarm in w.interlocks.alarms if alarm.tag == row.tag]
        w.ask, w.sentence = row.ask, known[0] if known else row.say(w.x)
        w.tell("trip", row.tag, w.sentence)
    else:
        w.ask, w.sentence = Ask.CONFIRM, "Aborted on request. Look at the rig, then reset."
        w.tell("trip", "request", w.sentence)


_Turn = Callable[[Work, Facts, Phase], None]
_ON_LEAVING: dict[Phase, _Turn] = {
    Phase.LINE_UP: _leave_line_up,
    Phase.PUSH_PULL: _leave_push_pull,
    Phase.LIQUID: _leave_liquid,
    Phase.VAPOR: _leave_vapor,
    Phase.STANDING: _leave_standing,
}
"""Called with where it goes."""
_ON_ENTERING: dict[Phase, _Turn] = {
    Phase.PUSH_PULL: _enter_taking,
    Phase.LIQUID: _enter_taking,
    Phase.VAPOR: _enter_taking,
    Phase.STANDING: _enter_standing,
    Phase.HOLDING: _enter_holding,
    Phase.HELD: _enter_held,
    Phase.STOPPING: _enter_stopping,
    Phase.STOPPED: _enter_stopped,
    Phase.COMPLETE: _enter_complete,
    Phase.ABORTING: _enter_aborting,
}
"""Called with where it comes from."""
