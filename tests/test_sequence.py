"""The procedure's table alone: every phase with every guard, against the table written a second time by hand."""

from __future__ import annotations

import random
from typing import Any

import pytest
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from rigctl.control.procedure.sequence import TRANSITIONS, Facts, next_phase, stirred
from rigctl.control.vocabulary import ACTIVE, RUNNING, Phase, outer_state

FLAGS = tuple(name for name in Facts.__slots__ if name != "resume_to")

# The specification, second copy. For each phase, from the most urgent row down: which flags of Facts must all be
# true, and where it then goes. States and their order of urgency: ISA-88 / IEC 61512 (abort over stop over hold
# over the phase's own end); phases: order of recovery in training texts of the trade (liquid first, vapor to finish).
ABORT = [(("tripped",), "ABORTING"), (("abort_asked",), "ABORTING")]
STOP = [(("stop_asked",), "STOPPING")]
HOLD = [(("must_hold",), "HOLDING"), (("hold_asked",), "HOLDING")]
SPEC: dict[str, list[tuple[tuple[str, ...], str]]] = {
    "IDLE": [(("start_asked",), "LINE_UP")],
    "LINE_UP": [
        *ABORT, *STOP, *HOLD,
        (("line_up_failed",), "HELD"),
        (("line_up_passed", "liquid_wanted", "push_pull_pays"), "PUSH_PULL"),
        (("line_up_passed", "liquid_wanted"), "LIQUID"),
        (("line_up_passed",), "VAPOR"),
    ],
    # A big liquid charge crosses direct; what is left comes through the compressor: vapor, or liquid where some is.
    "PUSH_PULL": [*ABORT, *STOP, *HOLD, (("crossed",), "VAPOR"), (("push_pull_over",), "LIQUID")],
    "LIQUID": [
        *ABORT, *STOP, *HOLD,
        (("liquid_gone", "hose_must_move"), "HOLDING"),
        (("liquid_gone",), "VAPOR"),
    ],
    "VAPOR": [*ABORT, *STOP, *HOLD, (("level_held",), "STANDING"), (("liquid_back",), "LIQUID")],
    "STANDING": [
        *ABORT, *STOP, *HOLD,
        (("standing_failed", "standing_gave_up"), "HOLDING"),
        (("standing_failed",), "VAPOR"),
        (("standing_passed", "too_little"), "HOLDING"),
        (("standing_passed", "has_clear_out"), "CLEAR_OUT"),
        (("standing_passed",), "ISOLATE"),
    ],
    "CLEAR_OUT": [*ABORT, *STOP, *HOLD, (("cleared",), "ISOLATE")],
    "ISOLATE": [*ABORT, *STOP, *HOLD, (("isolated",), "COMPLETE")],
    "HOLDING": [*ABORT, *STOP, (("settled",), "HELD")],
    # Another cylinder named while lines are open to this one: cleared out before anything goes on.
    "HELD": [*ABORT, *STOP, (("change_asked",), "HOLDING"), (("restart_asked",), "RESTARTING")],
    "RESTARTING": [
        *ABORT, *STOP,
        (("hold_asked",), "HELD"),
        (("restart_failed",), "HELD"),
        (("restart_ready", "resume LINE_UP"), "LINE_UP"),
        (("restart_ready", "resume PUSH_PULL"), "PUSH_PULL"),
        (("restart_ready", "resume LIQUID"), "LIQUID"),
        (("restart_ready", "resume VAPOR"), "VAPOR"),
        (("restart_ready", "resume CLEAR_OUT"), "CLEAR_OUT"),
        (("restart_ready", "resume ISOLATE"), "ISOLATE"),
    ],
    "STOPPING": [*ABORT, (("settled",), "STOPPED")],
    "STOPPED": [],
    "ABORTING": [(("settled",), "ABORTED")],
    "ABORTED": [(("reset_taken",), "IDLE")],
    "COMPLETE": [],
}  # fmt: skip


def facts(*true: str, resume_to: Phase = Phase.IDLE) -> Facts:
    """Facts of which only the named ones hold; "resume VAPOR" sets where to go on."""
    f = Facts()
    for name in FLAGS:
        setattr(f, name, name in true)
    f.resume_to = resume_to
    for word in true:
        if word.startswith("resume "):
            f.resume_to = Phase[word.removeprefix("resume ")]
    return f


def expected(phase: Phase, f: Facts) -> Phase:
    """Where the hand-written specification goes."""
    for needed, dest in SPEC[phase.name]:
        if all(
            f.resume_to is Phase[flag.removeprefix("resume ")] if flag.startswith("resume ") else getattr(f, flag)
            for flag in needed
        ):
            return Phase[dest]
    return phase


@pytest.mark.parametrize("phase", Phase)
def test_every_row_of_the_specification_is_in_the_table_and_nothing_else(phase: Phase) -> None:
    for needed, dest in SPEC[phase.name]:
        assert next_phase(phase, facts(*needed)) is Phase[dest], needed
    assert next_phase(phase, facts()) is phase
    reachable = {Phase[dest] for _, dest in SPEC[phase.name]}
    # STOPPED and COMPLETE have a row whose guard is never true, since the machine wants one.
    if reachable:
        assert {row["dest"] for row in TRANSITIONS if phase in row["source"]} == reachable


@pytest.mark.parametrize("phase", Phase)
def test_each_flag_alone_moves_only_where_the_specification_says(phase: Phase) -> None:
    for flag in FLAGS:
        for resume_to in Phase:
            f = facts(flag, resume_to=resume_to)
            assert next_phase(phase, f) is expected(phase, f), (flag, resume_to)


@pytest.mark.parametrize("phase", Phase)
def test_of_two_flags_the_more_urgent_row_wins(phase: Phase) -> None:
    for first in FLAGS:
        for second in FLAGS:
            for resume_to in (Phase.LINE_UP, Phase.VAPOR, Phase.HELD):
                f = facts(first, second, resume_to=resume_to)
                assert next_phase(phase, f) is expected(phase, f), (first, second)


def test_any_mixture_of_flags_goes_where_the_specification_goes() -> None:
    draw = random.Random(1)
    for _ in range(3000):
        f = facts(*(flag for flag in FLAGS if draw.random() < 0.4), resume_to=draw.choice(list(Phase)))
        phase = draw.choice(list(Phase))
        assert next_phase(phase, f) is expected(phase, f)


@pytest.mark.parametrize("phase", ACTIVE)
def test_a_trip_wins_over_everything_in_every_active_phase(phase: Phase) -> None:
    for cause in ("tripped", "abort_asked"):
        for resume_to in Phase:
            everything = facts(*FLAGS, resume_to=resume_to)
            for name in ("tripped", "abort_asked"):
                setattr(everything, name, name == cause)
            assert next_phase(phase, everything) is Phase.ABORTING


@pytest.mark.parametrize("phase", ACTIVE)
def test_a_stop_wins_over_everything_but_a_trip(phase: Phase) -> None:
    all_but_trip = facts(*(flag for flag in FLAGS if flag not in ("tripped", "abort_asked")), resume_to=Phase.VAPOR)
    wanted = Phase.STOPPED if phase is Phase.STOPPING else Phase.STOPPING  # `settled` is set as well
    assert next_phase(phase, all_but_trip) is wanted


def test_active_is_every_state_in_which_a_job_is_under_way() -> None:
    # By ISA-88 a job is over in the final states and has not begun in IDLE; ABORTING is a trip under way.
    over = {"IDLE", "STOPPED", "ABORTING", "ABORTED", "COMPLETE"}
    assert {phase.name for phase in ACTIVE} == {phase.name for phase in Phase} - over
    running = {"LINE_UP", "PUSH_PULL", "LIQUID", "VAPOR", "STANDING", "CLEAR_OUT", "ISOLATE"}
    assert {phase.name for phase in RUNNING} == running
    words = {
        "IDLE",
        "RUNNING",
        "HOLDING",
        "HELD",
        "RESTARTING",
        "STOPPING",
        "STOPPED",
        "ABORTING",
        "ABORTED",
        "COMPLETE",
    }
    assert {outer_state(phase) for phase in Phase} == words


def test_nothing_leads_out_of_an_ended_job() -> None:
    for phase in (Phase.STOPPED, Phase.COMPLETE):
        for resume_to in Phase:
            assert next_phase(phase, facts(*FLAGS, resume_to=resume_to)) is phase


def test_only_a_reset_leads_out_of_aborted() -> None:
    for resume_to in Phase:
        all_but_reset = facts(*(flag for flag in FLAGS if flag != "reset_taken"), resume_to=resume_to)
        assert next_phase(Phase.ABORTED, all_but_reset) is Phase.ABORTED


def test_only_a_start_leads_out_of_idle_and_only_a_restart_goes_on_from_held() -> None:
    for resume_to in Phase:
        assert (
            next_phase(Phase.IDLE, facts(*(f for f in FLAGS if f != "start_asked"), resume_to=resume_to)) is Phase.IDLE
        )
        ends = ("tripped", "abort_asked", "stop_asked", "change_asked", "restart_asked")
        assert next_phase(Phase.HELD, facts(*(f for f in FLAGS if f not in ends), resume_to=resume_to)) is Phase.HELD


def test_every_phase_has_a_row_and_no_row_re_enters_its_own_state() -> None:
    # transitions 0.9.3 raises MachineError for a state without a row and restarts a state that re-enters itself.
    sources = {source for row in TRANSITIONS for source in row["source"]}
    assert sources == set(Phase)
    for row in TRANSITIONS:
        assert row["dest"] not in row["source"], row
        assert isinstance(row["source"], list)
        assert callable(row["conditions"]), "a guard by name would only fail at its first use"
        assert row["trigger"] == "advance"


def test_every_phase_can_be_reached_from_idle() -> None:
    reached, edge = {Phase.IDLE}, [Phase.IDLE]
    while edge:
        here = edge.pop()
        for row in TRANSITIONS:
            if here in row["source"] and here not in (Phase.STOPPED, Phase.COMPLETE) and row["dest"] not in reached:
                reached.add(row["dest"])
                edge.append(row["dest"])
    assert reached == set(Phase)


def test_the_machine_keeps_nothing_between_scans() -> None:
    draw = random.Random(2)
    questions = [
        (
            draw.choice(list(Phase)),
            facts(*(flag for flag in FLAGS if draw.random() < 0.3), resume_to=draw.choice(RUNNING)),
        )
        for _ in range(400)
    ]
    alone = [next_phase(phase, f) for phase, f in questions]
    order = list(range(len(questions)))
    draw.shuffle(order)
    for i in order:
        before = next_phase(draw.choice(list(Phase)), facts(*(flag for flag in FLAGS if draw.random() < 0.3)))
        assert isinstance(before, Phase)
        assert next_phase(*questions[i]) is alone[i]


def test_the_short_cut_for_a_quiet_scan_never_skips_a_move() -> None:
    # Whenever the specification moves, something stirs; asked for every phase with every pair of flags.
    for phase in Phase:
        for needed, _ in SPEC[phase.name]:
            assert stirred(facts(*needed)), (phase, needed)
    assert not stirred(facts())
    rows = {flag for needs in SPEC.values() for needed, _ in needs for flag in needed if not flag.startswith("resume ")}
    alone = {flag for flag in FLAGS if stirred(facts(flag))}
    assert rows - alone == set(QUIET)


QUIET = ("liquid_wanted", "push_pull_pays", "hose_must_move", "standing_gave_up", "has_clear_out", "too_little")
"""Flags that only say where a move leads and cause none: all of them may stand for hours."""


def some_guard_holds(f: Facts) -> bool:
    """Whether any row of the table would be taken from any phase that it leads out of."""
    return any(row["conditions"](f) for row in TRANSITIONS)


@pytest.mark.parametrize("resume_to", Phase)
def test_when_nothing_stirs_no_guard_holds_in_any_phase(resume_to: Phase) -> None:
    # All mixtures of the flags that do not stir by themselves.
    for chosen in range(2 ** len(QUIET)):
        f = facts(*(flag for i, flag in enumerate(QUIET) if chosen >> i & 1), resume_to=resume_to)
        assert not stirred(f) and not some_guard_holds(f)
        for phase in Phase:
            assert next_phase(phase, f) is expected(phase, f) is phase


def check_stirring(stirs: Any) -> None:
    """Every guard asks for one flag or for two at once, so pairs of flags show every one of them."""
    for first in FLAGS:
        for second in FLAGS:
            for resume_to in (
                Phase.LINE_UP, Phase.PUSH_PULL, Phase.LIQUID, Phase.VAPOR, Phase.CLEAR_OUT, Phase.ISOLATE,
            ):  # fmt: skip
                f = facts(first, second, resume_to=resume_to)
                assert stirs(f) or not some_guard_holds(f), (first, second)


def test_wherever_a_guard_holds_something_stirs() -> None:
    check_stirring(stirred)


@hypothesis_settings(deadline=None, derandomize=True)
@given(flags=st.sets(st.sampled_from(FLAGS)), resume_to=st.sampled_from(Phase))
def test_any_mixture_of_flags_under_which_a_guard_holds_stirs(flags: set[str], resume_to: Phase) -> None:
    f = facts(*flags, resume_to=resume_to)
    assert stirred(f) or not some_guard_holds(f)
    assert stirred(f) == bool(flags - set(QUIET))


@pytest.mark.parametrize("forgotten", [flag for flag in FLAGS if flag not in QUIET])
def test_a_flag_forgotten_in_the_short_cut_would_be_noticed(forgotten: str) -> None:
    with pytest.raises(AssertionError):
        check_stirring(lambda f: any(getattr(f, flag) for flag in FLAGS if flag not in (*QUIET, forgotten)))


def test_a_guard_that_was_never_set_is_an_error_and_not_a_no() -> None:
    with pytest.raises(AttributeError):
        next_phase(Phase.VAPOR, Facts())


def mermaid(rows: list[dict[str, Any]]) -> str:
    """The table as a state diagram in the text form that Markdown viewers draw (for DEVELOPERS.md)."""
    lines = ["stateDiagram-v2", "    [*] --> idle"]
    for row in rows:
        sources = [source for source in row["source"] if source not in (Phase.STOPPED, Phase.COMPLETE)]
        lines += [f"    {source.value} --> {row['dest'].value}: {row['conditions'].__name__}" for source in sources]
    lines += [f"    {phase.value} --> [*]" for phase in (Phase.STOPPED, Phase.COMPLETE)]
    return "\n".join(lines)


def test_the_diagram_has_every_arrow_of_the_specification() -> None:
    arrows = {line.split(":")[0].strip() for line in mermaid(TRANSITIONS).splitlines()[2:]}
    spec = {f"{Phase[source].value} --> {Phase[dest].value}" for source, rows in SPEC.items() for _, dest in rows}
    assert arrows == spec | {"stopped --> [*]", "complete --> [*]"}


# --- do these tests notice a mistake? Each mutant is a plausible slip in the table.


@pytest.mark.parametrize(
    ("row", "slip"),
    [(i, slip) for i in range(len(TRANSITIONS) - 1) for slip in ("guard always true", "guard never true", "last")],
)
def test_a_slip_in_any_row_would_be_noticed(row: int, slip: str) -> None:
    from transitions import Machine

    rows = [dict(entry) for entry in TRANSITIONS]
    if slip == "last":
        rows.insert(len(rows), rows.pop(row))
    else:
        rows[row]["conditions"] = (lambda f: True) if slip == "guard always true" else (lambda f: False)

    class Cursor:
        state: Phase
        advance: Any

    cursor = Cursor()
    machine = Machine(cursor, states=Phase, transitions=rows, initial=Phase.IDLE, auto_transitions=False)

    def differs(phase: Phase, f: Facts) -> bool:
        machine.set_state(phase, cursor)
        cursor.advance(f)
        return cursor.state is not expected(phase, f)

    def asked() -> Any:
        for phase in TRANSITIONS[row]["source"]:
            yield phase, facts()
            for needed, _ in SPEC[phase.name]:
                yield phase, facts(*needed)
                for other, _ in SPEC[phase.name]:
                    yield phase, facts(*needed, *other)

    noticed = any(differs(phase, f) for phase, f in asked())
    harmless = slip == "last" and all(_alone(row, phase) for phase in TRANSITIONS[row]["source"])
    assert noticed or harmless


def _alone(row: int, phase: Phase) -> bool:
    """Whether moving a row to the end changes nothing: no later row of this phase can hold at the same time."""
    return all(phase not in later["source"] or row_excludes(row, later) for later in TRANSITIONS[row + 1 :])


def row_excludes(row: int, later: dict[str, Any]) -> bool:
    """Rows that resume different phases exclude each other."""
    names = (TRANSITIONS[row]["conditions"].__name__, later["conditions"].__name__)
    return all(name.startswith("ready_for_") for name in names)
