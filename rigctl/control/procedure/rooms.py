"""Which room judges a phase, begins it, ends it, and says which outputs it wants."""

from __future__ import annotations

from collections.abc import Callable
from math import nan

from rigctl.control.procedure.phases import (
    aborting,
    clear_out,
    ended,
    held,
    holding,
    isolate,
    line_up,
    liquid,
    push_pull,
    restarting,
    standing,
    stopping,
    vapor,
)
from rigctl.control.procedure.sequence import Facts
from rigctl.control.procedure.wish import Wish
from rigctl.control.procedure.work import Work
from rigctl.control.sense.outgassing import Rise
from rigctl.control.state import Clearing, Crossing, Rest
from rigctl.control.vocabulary import FIRST_STEP, RUNNING, Ask, Cause, Phase, Step

_IN_PHASE: dict[Phase, Callable[[Work, Facts], None]] = {
    Phase.LINE_UP: line_up.judge,
    Phase.PUSH_PULL: push_pull.judge,
    Phase.LIQUID: liquid.judge,
    Phase.VAPOR: vapor.judge,
    Phase.STANDING: standing.judge,
    Phase.CLEAR_OUT: clear_out.judge,
    Phase.ISOLATE: isolate.judge,
    Phase.HOLDING: holding.judge,
    Phase.HELD: held.judge,
    Phase.RESTARTING: restarting.judge,
    Phase.STOPPING: stopping.judge,
    Phase.ABORTING: aborting.judge,
}
"""In the others (IDLE, STOPPED, ABORTED, COMPLETE) only requests and interlocks count."""
_Turn = Callable[[Work, Facts, Phase], None]
_ON_LEAVING: dict[Phase, _Turn] = {
    Phase.LINE_UP: line_up.leave,
    Phase.PUSH_PULL: push_pull.leave,
    Phase.LIQUID: liquid.leave,
    Phase.VAPOR: vapor.leave,
    Phase.STANDING: standing.leave,
}
"""Called with where it goes."""
_ON_ENTERING: dict[Phase, _Turn] = {
    Phase.PUSH_PULL: push_pull.enter,
    Phase.LIQUID: liquid.enter,
    Phase.VAPOR: vapor.enter,
    Phase.STANDING: standing.enter,
    Phase.CLEAR_OUT: clear_out.enter,
    Phase.HOLDING: holding.enter,
    Phase.HELD: held.enter,
    Phase.STOPPING: stopping.enter,
    Phase.STOPPED: ended.enter_stopped,
    Phase.COMPLETE: ended.enter_complete,
    Phase.ABORTING: aborting.enter,
}
"""Called with where it comes from."""
_WANTS: dict[Phase, Callable[[Wish], int]] = {
    Phase.LINE_UP: line_up.wants,
    Phase.PUSH_PULL: push_pull.wants,
    Phase.LIQUID: liquid.wants,
    Phase.VAPOR: vapor.wants,
    Phase.STANDING: standing.wants,
    Phase.CLEAR_OUT: clear_out.wants,
    Phase.ISOLATE: isolate.wants,
    Phase.HOLDING: holding.wants,
    Phase.HELD: held.wants,
    Phase.RESTARTING: restarting.wants,
    Phase.STOPPING: stopping.wants,
    Phase.STOPPED: ended.wants,
    Phase.COMPLETE: ended.wants,
    Phase.ABORTING: aborting.wants,
    Phase.ABORTED: aborting.wants,
    Phase.IDLE: aborting.wants,
}
"""The outputs that a phase wants, before the gate."""


def wanted(wish: Wish) -> int:
    """Return the outputs a phase wants, before the gate."""
    return _WANTS[wish.phase](wish)


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


def move(w: Work, f: Facts, phase: Phase) -> None:
    """Go over to another phase."""
    was = w.phase
    w.entered_s, w.in_phase_s = w.now_s, 0.0
    w.begin(FIRST_STEP.get(phase, Step.WHOLE))
    w.pull.dwell_s, w.lines.clearing = nan, Clearing()
    w.pull.rest = Rest(ended_s=w.now_s if w.pull.rest.cause is not Cause.NONE else w.pull.rest.ended_s)
    leave = _ON_LEAVING.get(was)
    if leave is not None:
        leave(w, f, phase)
    w.standing.start_pa_abs = nan
    w.standing.rise, w.standing.outlook, w.pull.crossing = Rise(), None, Crossing()
    w.phase = phase
    if phase in RUNNING or phase is Phase.IDLE:
        w.sentence, w.ask = "", Ask.NOTHING
    enter = _ON_ENTERING.get(phase)
    if enter is not None:
        enter(w, f, was)
    w.tell("phase", phase.value, f"{was.value} -> {phase.value}")
