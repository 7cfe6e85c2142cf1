"""The procedure as one flat table: states, phases, and what leads from one to the next."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from transitions import Machine

from rigctl.control.vocabulary import ACTIVE, RUNNING, Phase


class Facts:
    """What the guards may look at in one scan; every one of them already judged. Lives for one scan."""

    __slots__ = (
        "abort_asked",
        "change_asked",
        "cleared",
        "crossed",
        "has_clear_out",
        "hold_asked",
        "hose_must_move",
        "isolated",
        "level_held",
        "line_up_failed",
        "line_up_passed",
        "liquid_back",
        "liquid_gone",
        "liquid_wanted",
        "must_hold",
        "push_pull_over",
        "push_pull_pays",
        "reset_taken",
        "restart_asked",
        "restart_failed",
        "restart_ready",
        "resume_to",
        "settled",
        "standing_failed",
        "standing_gave_up",
        "standing_passed",
        "start_asked",
        "stop_asked",
        "too_little",
        "tripped",
    )

    abort_asked: bool
    change_asked: bool
    cleared: bool
    crossed: bool
    has_clear_out: bool
    hold_asked: bool
    hose_must_move: bool
    isolated: bool
    level_held: bool
    line_up_failed: bool
    line_up_passed: bool
    liquid_back: bool
    liquid_gone: bool
    liquid_wanted: bool
    must_hold: bool
    push_pull_over: bool
    push_pull_pays: bool
    reset_taken: bool
    restart_asked: bool
    restart_failed: bool
    restart_ready: bool
    resume_to: Phase
    settled: bool
    standing_failed: bool
    standing_gave_up: bool
    standing_passed: bool
    start_asked: bool
    stop_asked: bool
    too_little: bool
    tripped: bool


Guard = Callable[[Facts], bool]


def tripped(f: Facts) -> bool:
    """A trip is active or latched, or a person asked to abort."""
    return f.tripped or f.abort_asked


def stop_asked(f: Facts) -> bool:
    """A person asked to stop."""
    return f.stop_asked


def start_asked(f: Facts) -> bool:
    """A person asked to start and nothing stands against it."""
    return f.start_asked


def must_hold(f: Facts) -> bool:
    """A hold row is active, or a person asked to hold."""
    return f.must_hold or f.hold_asked


def hold_asked(f: Facts) -> bool:
    """A person asked to hold."""
    return f.hold_asked


def line_up_failed(f: Facts) -> bool:
    """A check of the line-up failed for longer than it may take to settle."""
    return f.line_up_failed


def to_push_pull(f: Facts) -> bool:
    """All checks passed and there is enough liquid for it to cross direct."""
    return f.line_up_passed and f.liquid_wanted and f.push_pull_pays


def crossed(f: Facts) -> bool:
    """The liquid has crossed: vapor comes through XV-104."""
    return f.crossed


def push_pull_over(f: Facts) -> bool:
    """Push-pull has ended with liquid left: no better than the compressor, or its time is up."""
    return f.push_pull_over


def to_liquid(f: Facts) -> bool:
    """All checks passed and there is liquid to take first."""
    return f.line_up_passed and f.liquid_wanted


def line_up_passed(f: Facts) -> bool:
    """All checks passed."""
    return f.line_up_passed


def liquid_gone_and_hose(f: Facts) -> bool:
    """The liquid has ended and the one hose must be moved to the vapor port."""
    return f.liquid_gone and f.hose_must_move


def liquid_gone(f: Facts) -> bool:
    """The liquid has ended."""
    return f.liquid_gone


def liquid_back(f: Facts) -> bool:
    """Liquid comes again while vapor is drawn."""
    return f.liquid_back


def level_held(f: Facts) -> bool:
    """The pull's target has held for the dwell time."""
    return f.level_held


def standing_gave_up(f: Facts) -> bool:
    """The standing check failed as often as it may."""
    return f.standing_failed and f.standing_gave_up


def standing_failed(f: Facts) -> bool:
    """The pressure came back."""
    return f.standing_failed


def too_little(f: Facts) -> bool:
    """The level holds but far less than the declared charge came out."""
    return f.standing_passed and f.too_little


def standing_passed_and_clear(f: Facts) -> bool:
    """The level holds and the cooler section can be cleared out."""
    return f.standing_passed and f.has_clear_out


def standing_passed(f: Facts) -> bool:
    """The level holds."""
    return f.standing_passed


def cleared(f: Facts) -> bool:
    """The cooler section is down to its target, or its time is up."""
    return f.cleared


def isolated(f: Facts) -> bool:
    """All is shut and the cylinder weighed."""
    return f.isolated


def settled(f: Facts) -> bool:
    """What the transient state does is done, or its time is up."""
    return f.settled


def restart_asked(f: Facts) -> bool:
    """A person said that the matter is dealt with."""
    return f.restart_asked


def change_asked(f: Facts) -> bool:
    """A person named another cylinder while lines are open to this one: they are cleared out first."""
    return f.change_asked


def restart_failed(f: Facts) -> bool:
    """It is not dealt with."""
    return f.restart_failed


def reset_taken(f: Facts) -> bool:
    """A person at the rig reset the trip and its cause is gone."""
    return f.reset_taken


def _resume(phase: Phase) -> Guard:
    def ready(f: Facts) -> bool:
        return f.restart_ready and f.resume_to is phase

    ready.__name__ = f"ready_for_{phase.value}"
    ready.__doc__ = f"Ready to go on with {phase.value}."
    return ready


def _row(source: Phase | Sequence[Phase], dest: Phase, guard: Guard) -> dict[str, Any]:
    sources = [source] if isinstance(source, Phase) else list(source)
    return {"trigger": "advance", "source": sources, "dest": dest, "conditions": guard}


TRANSITIONS: list[dict[str, Any]] = [
    _row(ACTIVE, Phase.ABORTING, tripped),
    _row((*RUNNING, Phase.HOLDING, Phase.HELD, Phase.RESTARTING), Phase.STOPPING, stop_asked),
    _row(Phase.IDLE, Phase.LINE_UP, start_asked),
    _row(RUNNING, Phase.HOLDING, must_hold),
    _row(Phase.LINE_UP, Phase.HELD, line_up_failed),
    _row(Phase.LINE_UP, Phase.PUSH_PULL, to_push_pull),
    _row(Phase.LINE_UP, Phase.LIQUID, to_liquid),
    _row(Phase.LINE_UP, Phase.VAPOR, line_up_passed),
    _row(Phase.PUSH_PULL, Phase.VAPOR, crossed),
    _row(Phase.PUSH_PULL, Phase.LIQUID, push_pull_over),
    _row(Phase.LIQUID, Phase.HOLDING, liquid_gone_and_hose),
    _row(Phase.LIQUID, Phase.VAPOR, liquid_gone),
    _row(Phase.VAPOR, Phase.STANDING, level_held),
    _row(Phase.VAPOR, Phase.LIQUID, liquid_back),
    _row(Phase.STANDING, Phase.HOLDING, standing_gave_up),
    _row(Phase.STANDING, Phase.VAPOR, standing_failed),
    _row(Phase.STANDING, Phase.HOLDING, too_little),
    _row(Phase.STANDING, Phase.CLEAR_OUT, standing_passed_and_clear),
    _row(Phase.STANDING, Phase.ISOLATE, standing_passed),
    _row(Phase.CLEAR_OUT, Phase.ISOLATE, cleared),
    _row(Phase.ISOLATE, Phase.COMPLETE, isolated),
    _row(Phase.HOLDING, Phase.HELD, settled),
    _row(Phase.HELD, Phase.HOLDING, change_asked),
    _row(Phase.HELD, Phase.RESTARTING, restart_asked),
    _row(Phase.RESTARTING, Phase.HELD, hold_asked),
    _row(Phase.RESTARTING, Phase.HELD, restart_failed),
    _row(Phase.RESTARTING, Phase.LINE_UP, _resume(Phase.LINE_UP)),
    _row(Phase.RESTARTING, Phase.PUSH_PULL, _resume(Phase.PUSH_PULL)),
    _row(Phase.RESTARTING, Phase.LIQUID, _resume(Phase.LIQUID)),
    _row(Phase.RESTARTING, Phase.VAPOR, _resume(Phase.VAPOR)),
    _row(Phase.RESTARTING, Phase.CLEAR_OUT, _resume(Phase.CLEAR_OUT)),
    _row(Phase.RESTARTING, Phase.ISOLATE, _resume(Phase.ISOLATE)),
    _row(Phase.STOPPING, Phase.STOPPED, settled),
    _row(Phase.ABORTING, Phase.ABORTED, settled),
    _row(Phase.ABORTED, Phase.IDLE, reset_taken),
    # Ends of a job: a new job begins with a new state, so nothing leads out. A row each, since the machine
    # refuses a trigger from a state without one.
    _row((Phase.STOPPED, Phase.COMPLETE), Phase.ABORTED, lambda f: False),
]
"""Tried from the top; the first whose guard holds is taken. Row order is priority."""


_MACHINE = Machine(
    None,
    states=Phase,
    transitions=TRANSITIONS,
    initial=Phase.IDLE,
    auto_transitions=False,
)
"""The table as `transitions` holds it; it stands nowhere itself, and nothing in it changes after import."""
_ADVANCE = _MACHINE.events["advance"]


class _Cursor:
    """Where a procedure stands while one move is worked out; each call has its own, so two rigs never meet."""

    __slots__ = ("state",)

    def __init__(self, state: Phase) -> None:
        self.state = state


def stirred(f: Facts) -> bool:
    """Whether any guard can hold at all; in most scans none can, and the table need not be walked."""
    return (
        f.tripped
        or f.must_hold
        or f.stop_asked
        or f.abort_asked
        or f.hold_asked
        or f.start_asked
        or f.restart_asked
        or f.change_asked
        or f.reset_taken
        or f.line_up_failed
        or f.line_up_passed
        or f.crossed
        or f.push_pull_over
        or f.liquid_gone
        or f.liquid_back
        or f.level_held
        or f.standing_failed
        or f.standing_passed
        or f.cleared
        or f.isolated
        or f.settled
        or f.restart_failed
        or f.restart_ready
    )


def next_phase(phase: Phase, facts: Facts) -> Phase:
    """Return where the procedure goes from `phase`; at most one move a scan."""
    if not stirred(facts):
        return phase
    cursor = _Cursor(phase)
    _ADVANCE.trigger(cursor, facts)
    return cursor.state
