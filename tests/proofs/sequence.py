"""The sequence: all patterns of facts, in every state, through the real table."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from rigctl.control.procedure import sequence
from rigctl.control.procedure.sequence import Facts
from rigctl.control.vocabulary import ACTIVE, RUNNING, Phase
from tests.proofs.engine import NotProvenError, Path, Statement, over, paths

FLAGS = tuple(name for name in Facts.__slots__ if name != "resume_to")
PATTERNS = 2 ** len(FLAGS) * len(Phase)
"""Of facts, in one state: every flag either way, and every phase to resume."""
ENDED = (Phase.STOPPED, Phase.COMPLETE)
DOMAIN = f"all 2^{len(FLAGS)} patterns of facts x {len(Phase)} phases to resume"


class Free(Facts):
    """Facts of which nothing is known: each is chosen when it is first read."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def __getattr__(self, name: str) -> Any:
        if name == "resume_to":
            return self.path.choose(name, tuple(Phase))
        if name not in FLAGS:
            raise AttributeError(name)
        return self.path.flag(name)


def _moves(path: Path, phase: Phase) -> tuple[Free, Phase]:
    f = Free(path)
    return f, sequence.next_phase(phase, f)


def _whole() -> tuple[int, int]:
    """Each path stands for the patterns that agree with what it has read; together they must be all, once each."""
    cases = 0
    for phase in Phase:
        covered = 0

        def one(path: Path, phase: Phase = phase) -> None:
            nonlocal covered
            _moves(path, phase)
            resumes = 1 if "resume_to" in path.known else len(Phase)
            covered += resumes * 2 ** (len(FLAGS) - sum(name in path.known for name in FLAGS))

        cases += paths(one)[0]
        if covered != PATTERNS:
            raise NotProvenError(f"from {phase.name} {covered} patterns were covered of {PATTERNS}")
    return cases, len(Phase)


def _trip(path: Path, phase: Phase) -> None:
    f, to = _moves(path, phase)
    path.prove(to is Phase.ABORTING, f"{phase.name} goes to {to.name}", f.tripped or f.abort_asked)


def _stop(path: Path, phase: Phase) -> None:
    f, to = _moves(path, phase)
    wanted = (Phase.STOPPING,) if phase is not Phase.STOPPING else (Phase.STOPPING, Phase.STOPPED)
    path.prove(to in wanted, f"{phase.name} goes to {to.name}", f.stop_asked and not (f.tripped or f.abort_asked))


def _hold(path: Path, phase: Phase) -> None:
    f, to = _moves(path, phase)
    holds = f.must_hold or f.hold_asked
    path.prove(to not in RUNNING, f"{phase.name} goes to {to.name} with a hold", holds)


def _absorb(path: Path, phase: Phase) -> None:
    path.prove(_moves(path, phase)[1] is phase, f"{phase.name} is left")


def _aborted(path: Path, phase: Phase) -> None:
    f, to = _moves(path, phase)
    path.prove(f.reset_taken and to is Phase.IDLE, f"{phase.name} goes to {to.name}", to is not phase)


def _idle(path: Path, phase: Phase) -> None:
    f, to = _moves(path, phase)
    path.prove(f.start_asked and to is Phase.LINE_UP, f"{phase.name} goes to {to.name}", to is not phase)


def _held(path: Path, phase: Phase) -> None:
    f, to = _moves(path, phase)
    path.prove(
        f.restart_asked or f.change_asked, f"HELD goes to {to.name}", to not in (phase, Phase.STOPPING, Phase.ABORTING)
    )


def _first(path: Path, phase: Phase) -> None:
    """The table read by eye: from the top, the first row of this state whose guard holds."""
    f, to = _moves(path, phase)
    for row in sequence.TRANSITIONS:
        if phase in row["source"] and row["conditions"](f):
            path.prove(to is row["dest"], f"{phase.name} goes to {to.name}, by the table to {row['dest'].name}")
            return
    path.prove(to is phase, f"{phase.name} goes to {to.name}, by the table nowhere")


SHADOWED = {(Phase.STOPPED, Phase.ABORTED), (Phase.COMPLETE, Phase.ABORTED)}
"""Rows that are never taken, by source and destination: the machine wants one for every state."""


def _rows() -> tuple[int, int]:
    """Which rows are the first to hold for some pattern."""
    cases = met = 0
    for phase in Phase:
        rows = [row for row in sequence.TRANSITIONS if phase in row["source"]]
        taken: set[int] = set()

        def one(path: Path, rows: list[dict[str, Any]] = rows, taken: set[int] = taken) -> None:
            f = Free(path)
            taken.update(next(((i,) for i, row in enumerate(rows) if row["conditions"](f)), ()))

        cases += paths(one)[0]
        for i, row in enumerate(rows):
            named = (phase, row["dest"]) in SHADOWED
            if (i in taken) is named:
                what = "is taken after all" if named else "is never taken"
                raise NotProvenError(f"row {row['conditions'].__name__} from {phase.name} to {row['dest'].name} {what}")
            met += 1
    return cases, met


def _arrows() -> tuple[int, dict[Phase, set[Phase]]]:
    cases, arrows = 0, {phase: set[Phase]() for phase in Phase}
    for phase in Phase:
        cases += paths(lambda path, phase=phase: arrows[phase].add(_moves(path, phase)[1]))[0]  # type: ignore[misc]
        arrows[phase].discard(phase)
    return cases, arrows


def _closure(arrows: dict[Phase, set[Phase]], begin: Phase) -> set[Phase]:
    reached, edge = {begin}, [begin]
    while edge:
        for to in arrows[edge.pop()] - reached:
            reached.add(to)
            edge.append(to)
    return reached


def _reached() -> tuple[int, int]:
    cases, arrows = _arrows()
    never = set(Phase) - _closure(arrows, Phase.IDLE)
    if never:
        raise NotProvenError(f"never reached: {', '.join(sorted(phase.name for phase in never))}")
    return cases, len(Phase)


def _left() -> tuple[int, int]:
    cases, arrows = _arrows()
    for phase in Phase:
        if phase not in ENDED and not {Phase.STOPPED, Phase.ABORTED} <= _closure(arrows, phase):
            raise NotProvenError(f"{phase.name} is never left for both STOPPED and ABORTED")
    return cases, len(Phase) - len(ENDED)


def _st(name: str, says: str, one: Callable[[Path, Phase], None], states: tuple[Phase, ...]) -> Statement:
    where = f"{len(states)} states" if len(states) > 1 else states[0].name
    return Statement(name, says, f"{DOMAIN}, {where}", "nothing", lambda: over(states, one))


_EVERY = f"{DOMAIN}, every state"
STATEMENTS = (
    Statement("sequence.whole", "the paths together are every pattern of facts, each once", _EVERY, "nothing", _whole),
    _st("sequence.trip", "trip and abort lead to ABORTING in one scan from every active state", _trip, ACTIVE),
    _st("sequence.stop", "without those, stop leads to STOPPING in one scan from every active state", _stop, ACTIVE),
    _st("sequence.hold", "with a hold no state of RUNNING goes on in RUNNING", _hold, RUNNING),
    _st("sequence.ended", "ended states absorb: STOPPED and COMPLETE are never left", _absorb, ENDED),
    _st("sequence.aborted", "ABORTED is left only by a reset that was taken, and to IDLE", _aborted, (Phase.ABORTED,)),
    _st("sequence.idle", "IDLE is left only by a start, and to LINE_UP", _idle, (Phase.IDLE,)),
    _st("sequence.held", "HELD goes on only by what a person says", _held, (Phase.HELD,)),
    _st("sequence.first", "the first row that holds is taken, also past the short cut", _first, tuple(Phase)),
    Statement(
        "sequence.rows", "no row is shadowed but those named (STOPPED, COMPLETE to ABORTED)", _EVERY, "nothing", _rows
    ),
    Statement("sequence.reached", "every state is reached from IDLE", _EVERY, "nothing", _reached),
    Statement("sequence.left", "every other state can be left for STOPPED and ABORTED", _EVERY, "nothing", _left),
)  # fmt: skip
