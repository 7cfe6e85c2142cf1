"""What each phase opens, by a table written a second time by hand, and the gate alone over every bit pattern."""

from __future__ import annotations

import itertools
import random
from collections.abc import Iterator
from math import inf, nan

import pytest

from rigctl.control.points import ALL, EH_001, M_101, M_201, OUTPUT_TAGS, SAFE, XV_202, XV_301, Outputs, tags
from rigctl.control.prepared import Prepared
from rigctl.control.procedure import rooms
from rigctl.control.procedure.rooms import wanted
from rigctl.control.procedure.wish import Wish
from rigctl.control.protect import gate as gates
from rigctl.control.protect.gate import gate
from rigctl.control.protect.table import TABLE
from rigctl.control.readings import RequestKind
from rigctl.control.settings import Settings
from rigctl.control.vocabulary import ACTIVE, RUNNING, Phase, Step
from rigctl.scan import prepare
from tests.strategies import BASIC, FULL, SHOP, SUPPLIED, WATER, Puppet, change

MOTORS = "M-101 M-201 M-202 M-001 EH-001"
BIT = {tag: 1 << i for i, tag in enumerate(OUTPUT_TAGS)}


def bits_of(text: str) -> int:
    """Bits of a list of tags."""
    return sum(BIT[tag] for tag in text.split())


VALVES = ALL & ~bits_of(MOTORS)
AIDS = bits_of("M-201 M-202 M-001 EH-001")
PATTERNS = [bits | aids for bits in range(ALL + 1) if not bits & AIDS for aids in (0, AIDS)]
"""Every pattern of valves and compressor, with all aids off and all on: what an aid does hangs on no other aid."""


STEPS = {
    Phase.LINE_UP: (Step.STATIC, Step.CONNECTED),
    Phase.PUSH_PULL: (Step.PRESSING, Step.CROSSING, Step.GOING_OVER),
    Phase.HOLDING: (Step.EMPTYING, Step.SHUTTING, Step.STANDING_BY),
    Phase.STOPPING: (Step.EMPTYING, Step.SHUTTING, Step.STANDING_BY),
}
"""The steps of the phases that have some, in their order; the tables below count them from 0."""


def nth(phase: Phase, number: int) -> Step:
    steps = STEPS.get(phase, (Step.WHOLE,))
    return steps[number % len(steps)]


def wish(settings: Settings, phase: Phase, stage: int = 0, **changes: object) -> Wish:
    """A wish in the middle of a phase: way open for long, motor free to run, refrigerant has moved."""
    made = Wish()
    fields: dict[str, object] = {
        "phase": phase, "step": nth(phase, stage), "in_step_s": 1000.0, "moved": True, "path_shut": False,
        "path_open_s": 1000.0,
        "ready_s": inf, "bits": 0, "settings": settings, "aids": AIDS,
        "resting": False, "in_switch_s": 1000.0, "uncleared": False,
    }  # fmt: skip
    for name, value in (fields | changes).items():
        setattr(made, name, value)
    return made


def rigs() -> Iterator[tuple[str, Settings]]:
    """The supplied rigs, and every combination of the equipment that the gate asks about."""
    yield from ((name, settings) for name, settings in SUPPLIED.items() if "refrigerator" in name)
    for cooler, liquid, extras in itertools.product((False, True), repeat=3):
        yield (
            f"cooler {cooler}, XV-101 {liquid}, extras {extras}",
            change(
                FULL,
                fitted__cooler_valves=cooler,
                fitted__xv_101=liquid,
                fitted__m_201=extras,
                fitted__m_202=extras,
                fitted__m_001=extras,
                fitted__eh_001=extras,
            ),
        )


RIGS = dict(rigs())

# --- the points


def test_a_bit_and_a_tag_for_every_output_in_the_order_of_the_wiring_list() -> None:
    tags_in_order = (
        "XV-101 XV-102 XV-201 XV-202 XV-203 XV-204 XV-301 M-101 M-201 M-202 M-001 EH-001 XV-104 XV-105 XV-106"
    )
    assert tuple(tags_in_order.split()) == OUTPUT_TAGS
    assert tags(ALL) == OUTPUT_TAGS
    for i, tag in enumerate(OUTPUT_TAGS):
        assert tags(1 << i) == (tag,)
        assert Outputs(1 << i).by_tag() == {other: other == tag for other in OUTPUT_TAGS} | {"CV-103": 0.0}
    assert SAFE.bits == 0 and SAFE.cv_103 == 0.0
    assert not any(SAFE.by_tag().values())


# --- the gate alone


def way_out(bits: int, settings: Settings) -> bool:
    """Whether gas pushed out by the compressor can reach the cylinder, or the appliance: a search over the pipes."""
    pipes = [("head", "sub-cooler", "XV-204"), ("sub-cooler", "cylinder", "XV-301"), ("head", "appliance", "XV-106")]
    cooler = [("head", "condenser", "XV-201"), ("condenser", "sub-cooler", "XV-202")]
    reached, grown = {"head"}, True
    while grown:
        grown = False
        for a, b, valve in pipes + cooler:
            missing_valve_is_a_pipe = (a, b, valve) in cooler and not settings.fitted.cooler_valves
            no_such_pipe = valve == "XV-204" and not settings.fitted.cooler_valves
            no_such_pipe = no_such_pipe or (valve == "XV-106" and not settings.fitted.push_pull)
            if not no_such_pipe and (missing_valve_is_a_pipe or bits & BIT[valve]):
                for here, there in ((a, b), (b, a)):
                    if here in reached and there not in reached:
                        reached.add(there)
                        grown = True
    return bool(reached & {"cylinder", "appliance"})


def fitted_by_hand(settings: Settings) -> int:
    """Bits of what the rig's file says is there."""
    fitted = settings.fitted
    there = {
        "XV-101": fitted.xv_101, "XV-102": fitted.xv_102, "XV-301": True, "M-101": True, "M-201": fitted.m_201,
        "M-202": fitted.m_202, "M-001": fitted.m_001, "EH-001": fitted.eh_001,
        **dict.fromkeys(("XV-201", "XV-202", "XV-203", "XV-204"), fitted.cooler_valves),
        **dict.fromkeys(("XV-104", "XV-105", "XV-106"), fitted.push_pull),
    }  # fmt: skip
    return sum(BIT[tag] for tag, yes in there.items() if yes)


@pytest.mark.parametrize("name", RIGS)
def test_the_gate_lets_nothing_forbidden_or_unfitted_on_and_the_compressor_only_with_a_way_out(name: str) -> None:
    settings = RIGS[name]
    there = fitted_by_hand(settings)
    open_ways = {bits for bits in PATTERNS if way_out(bits & VALVES, settings)}
    takes = {0, ALL, *(row.takes for row in TABLE), BIT["XV-301"], BIT["XV-201"], BIT["XV-204"], BIT["XV-202"]}
    draw = random.Random(name)
    takes |= {draw.randrange(ALL + 1) for _ in range(4)}
    ways = {bits & VALVES for bits in open_ways}
    for forbidden in takes:
        for bits in PATTERNS:
            left = bits & there & ~forbidden
            if left & M_101 and left & VALVES not in ways:
                left &= ~M_101
            assert gate(bits, forbidden, prepare(settings)) == left, (tags(bits), tags(forbidden))


def test_a_small_part_of_the_patterns_by_chance_passes_the_gate_as_the_pipes_say() -> None:
    """What the test above says of all patterns, in a second: for `tests.mutate`."""
    for name, settings in RIGS.items():
        draw, there, prepared = random.Random(name), fitted_by_hand(settings), prepare(settings)
        for _ in range(1500):
            # Most outputs of most patterns on, or nothing that matters would be left.
            bits = draw.randrange(ALL + 1) | draw.randrange(ALL + 1) | M_101
            forbidden = draw.choice((0, draw.randrange(ALL + 1) & draw.randrange(ALL + 1)))
            left = bits & there & ~forbidden
            if left & M_101 and not way_out(left & VALVES, settings):
                left &= ~M_101
            assert gate(bits, forbidden, prepared) == left, (name, tags(bits), tags(forbidden))


@pytest.mark.parametrize("name", RIGS)
def test_passing_the_gate_twice_changes_nothing(name: str) -> None:
    settings = RIGS[name]
    for bits in PATTERNS:
        once = gate(bits, 0, prepare(settings))
        assert gate(once, 0, prepare(settings)) == once


@pytest.mark.parametrize("settings", [FULL, SHOP, BASIC, WATER], ids=["full", "shop", "basic", "water"])
def test_the_gate_changes_nothing_of_what_the_sequence_commands_in_a_sound_run(
    settings: Settings, monkeypatch: pytest.MonkeyPatch
) -> None:
    there = fitted_by_hand(settings)
    passed: list[int] = []

    def watched(bits: int, forbidden: int, of: Prepared) -> int:
        let = gate(bits, forbidden, of)
        if inside_wanted[0]:
            assert let == bits & there & ~forbidden, tags(bits)
            passed.append(let)
            inside_wanted[0] = False
        return let

    inside_wanted = [False]

    def noted(made: Wish) -> int:
        inside_wanted[0] = True  # the next call of the gate is the command, not a question
        return wanted(made)

    monkeypatch.setattr(gates, "gate", watched)
    monkeypatch.setattr(rooms, "wanted", noted)
    rig = Puppet(settings)
    rig.wait(1.0)
    rig.ask(RequestKind.START)
    rig.to(Phase.COMPLETE)
    assert any(bits & M_101 for bits in passed), "the compressor never ran: the run shows nothing"


# --- what each phase wants: second copy. One line: phase, stage, what is so, what is open or on.

THROUGH = "XV-201 XV-202 XV-301"
STROKE_S = FULL.procedure.valve_stroke_s
# The clear-out: the header is pumped down the ordinary way; the bypass opens (make before break); a stroke later the
# cooler is cut off from the compressor's head; and only another stroke later is it let into the header. A bypass that
# did not open then meets a little vapor, not liquid.
CLEARING: list[tuple[dict[str, object], str]] = [
    ({"in_switch_s": nan}, f"{THROUGH} M-101 M-201"),
    ({"in_switch_s": nan, "path_open_s": 0.0}, f"{THROUGH} M-201"),
    ({"in_switch_s": 0.0}, f"{THROUGH} XV-204 M-101 M-201"),
    ({"in_switch_s": 0.99 * STROKE_S}, f"{THROUGH} XV-204 M-101 M-201"),
    ({"in_switch_s": STROKE_S}, "XV-204 XV-301 M-101 M-201"),
    ({"in_switch_s": 1.99 * STROKE_S}, "XV-204 XV-301 M-101 M-201"),
    ({"in_switch_s": 2.0 * STROKE_S}, "XV-203 XV-204 XV-301 M-101 M-201"),
    ({}, "XV-203 XV-204 XV-301 M-101 M-201"),
]
FULL_SPEC: list[tuple[str, int, dict[str, object], str]] = [
    ("IDLE", 0, {"moved": False}, ""),
    ("IDLE", 0, {}, THROUGH),
    ("LINE_UP", 0, {"moved": False}, "M-001"),
    ("LINE_UP", 1, {"moved": False}, "XV-101 M-001"),
    ("LINE_UP", 1, {}, f"XV-101 M-001 {THROUGH}"),
    ("LINE_UP", 1, {"path_shut": True}, "XV-101 M-001"),
    # Push-pull: XV-201 shut, the cooler open to the cylinder; XV-104 last to open and first to shut; make before break.
    ("PUSH_PULL", 0, {}, "XV-105 XV-106 XV-202 XV-301 M-101 M-001"),
    ("PUSH_PULL", 0, {"path_open_s": 0.0}, "XV-105 XV-106 XV-202 XV-301 M-001"),
    ("PUSH_PULL", 0, {"ready_s": 0.0}, "XV-105 XV-106 XV-202 XV-301 M-001"),
    ("PUSH_PULL", 1, {}, "XV-104 XV-105 XV-106 XV-202 XV-301 M-101 M-001"),
    ("PUSH_PULL", 1, {"ready_s": 0.0}, "XV-104 XV-105 XV-106 XV-202 XV-301 M-001"),
    ("PUSH_PULL", 2, {"bits": M_101, "path_open_s": 0.0}, f"XV-105 XV-106 {THROUGH} M-101 M-201 M-001"),
    ("PUSH_PULL", 2, {"bits": 0}, f"XV-105 XV-106 {THROUGH} M-201 M-001"),
    ("LIQUID", 0, {}, f"XV-101 {THROUGH} M-101 M-201 M-202 M-001"),
    ("LIQUID", 0, {"path_open_s": 0.0}, f"XV-101 {THROUGH} M-201 M-202 M-001"),
    ("LIQUID", 0, {"ready_s": 0.0}, f"XV-101 {THROUGH} M-201 M-202 M-001"),
    ("VAPOR", 0, {}, f"XV-101 XV-102 {THROUGH} M-101 M-201 M-202 M-001 EH-001"),
    ("VAPOR", 0, {"aids": AIDS & ~M_201}, f"XV-101 XV-102 {THROUGH} M-101 M-202 M-001 EH-001"),
    ("VAPOR", 0, {"aids": 0}, f"XV-101 XV-102 {THROUGH} M-101"),
    ("VAPOR", 0, {"resting": True}, f"{THROUGH} M-201 M-202 M-001 EH-001"),
    ("LIQUID", 0, {"resting": True}, f"{THROUGH} M-201 M-202 M-001"),
    ("STANDING", 0, {"aids": AIDS & ~EH_001}, "XV-202 XV-301 M-001"),
    ("VAPOR", 0, {"path_open_s": 0.0}, f"XV-101 XV-102 {THROUGH} M-201 M-202 M-001 EH-001"),
    ("VAPOR", 0, {"ready_s": 0.0}, f"XV-101 XV-102 {THROUGH} M-201 M-202 M-001 EH-001"),
    ("STANDING", 0, {}, "XV-202 XV-301 EH-001 M-001"),
    *((phase, 0, changes, text) for phase in ("CLEAR_OUT", "HOLDING", "STOPPING") for changes, text in CLEARING),
    ("CLEAR_OUT", 0, {"path_open_s": 0.0}, "XV-203 XV-204 XV-301 M-201"),
    ("CLEAR_OUT", 0, {"ready_s": 0.0}, "XV-203 XV-204 XV-301 M-201"),
    ("HELD", 0, {}, THROUGH),
    ("HELD", 0, {"path_shut": True}, ""),
    ("HELD", 0, {"moved": False}, ""),
    ("RESTARTING", 0, {}, THROUGH),
    ("RESTARTING", 0, {"path_shut": True}, ""),
    ("ABORTING", 0, {}, THROUGH),
    ("ABORTED", 0, {}, THROUGH),
    ("ABORTED", 0, {"path_shut": True}, ""),
    # Stopped with the lines full: the way stays open, so that they are not locked.
    ("STOPPED", 0, {}, THROUGH),
    ("STOPPED", 0, {"moved": False}, ""),
    ("COMPLETE", 0, {}, THROUGH),
    ("COMPLETE", 0, {"moved": False}, ""),
    ("ISOLATE", 0, {"uncleared": True}, THROUGH),
    ("HOLDING", 2, {}, THROUGH),
    ("HOLDING", 2, {"path_shut": True}, ""),
    ("STOPPING", 2, {}, THROUGH),
    ("STOPPING", 2, {"path_shut": True}, ""),
]


@pytest.mark.parametrize("line", FULL_SPEC, ids=[f"{line[0]} {line[1]} {line[2]}" for line in FULL_SPEC])
def test_each_phase_wants_what_the_procedure_says(line: tuple[str, int, dict[str, object], str]) -> None:
    phase, stage, changes, text = line
    settings = change(FULL, job__vapor_inlet_with_liquid=False, job__liquid_first=True, job__water_side=False)
    assert set(tags(wanted(wish(settings, Phase[phase], stage, **changes)))) == set(text.split())


def test_every_phase_stands_in_the_table_of_wishes() -> None:
    assert {line[0] for line in FULL_SPEC} == {phase.name for phase in Phase}


@pytest.mark.parametrize(
    ("phase", "stage"), [(Phase.ISOLATE, 0), (Phase.HOLDING, 1), (Phase.STOPPING, 1)], ids=lambda x: str(x)
)
def test_shutting_only_closes_and_closes_the_cylinder_last(phase: Phase, stage: int) -> None:
    settings = change(FULL, job__water_side=False)
    stroke = settings.procedure.valve_stroke_s
    for bits in PATTERNS:
        for in_step_s in (0.0, 0.5 * stroke, stroke, 1.5 * stroke, 2.0 * stroke, 100.0):
            left = wanted(wish(settings, phase, stage, bits=bits, in_step_s=in_step_s))
            assert left & ~bits == 0, "opened or started something"
            assert not left & M_101
            # Motor at once, bypass a stroke later, cylinder a stroke after that.
            if in_step_s < stroke:
                assert left == bits & (XV_301 | BIT["XV-204"])
            elif in_step_s < 2.0 * stroke:
                assert left == bits & XV_301, "the cylinder is shut last"
            else:
                assert left == 0


@pytest.mark.parametrize("settings", [FULL, WATER, SHOP, BASIC], ids=["full", "water", "shop", "basic"])
def test_no_phase_shuts_the_cylinder_before_the_motor_is_off(settings: Settings) -> None:
    # A trip that takes all outputs (emergency stop, gas, leak) is the exception: it is the gate's, not a phase's.
    pumping = bits_of("XV-102 XV-201 XV-202 XV-301 M-101")
    for phase in (*RUNNING, Phase.HOLDING, Phase.HELD, Phase.RESTARTING, Phase.STOPPING, Phase.ABORTING):
        for stage in (0, 1, 2):
            for in_step_s in (0.0, 0.1):
                left = wanted(wish(settings, phase, stage, bits=pumping, in_step_s=in_step_s))
                assert left & XV_301, (phase, stage, "the motor was running a scan ago and still turns")


def test_no_phase_runs_the_motor_against_a_valve_that_still_moves_or_before_it_has_rested() -> None:
    for settings in (FULL, WATER, SHOP, BASIC):
        stroke, rest = settings.procedure.valve_stroke_s, settings.procedure.compressor_min_off_s
        for phase, stage, in_step_s in itertools.product(Phase, (0, 1, 2), (0.0, 0.99 * stroke, stroke, 1e4)):
            for path_open_s, ready_s in ((0.99 * stroke, inf), (1e4, 0.99 * rest)):
                made = wish(
                    settings, phase, stage, in_step_s=in_step_s, path_open_s=path_open_s, ready_s=ready_s, bits=ALL
                )
                # Going over from push-pull to the ordinary way a motor that runs goes on: XV-106 is open still.
                goes_over = phase is Phase.PUSH_PULL and stage == 2
                assert goes_over or not wanted(made) & M_101, phase
            made = wish(settings, phase, stage, in_step_s=in_step_s, path_open_s=stroke, ready_s=rest, bits=ALL)
            runs = {Phase.LIQUID, Phase.VAPOR, Phase.PUSH_PULL}
            cleared = phase is Phase.CLEAR_OUT or (phase in (Phase.HOLDING, Phase.STOPPING) and stage == 0)
            assert bool(wanted(made) & M_101) == (phase in runs or cleared), (phase, stage)


def test_the_motor_runs_only_where_something_is_to_be_pumped_and_never_with_inlet_and_clear_out_open_together() -> None:
    for settings in SUPPLIED.values():
        for phase, stage, in_switch_s, bits in itertools.product(Phase, (0, 1, 2), (nan, 0.0, 3.0, 1e4), (0, ALL)):
            bits = wanted(wish(settings, phase, stage, in_switch_s=in_switch_s, bits=bits))
            inlet, cooler = bits & bits_of("XV-101 XV-102"), bits & BIT["XV-203"]
            assert not (inlet and cooler), phase
            cleared = phase is Phase.CLEAR_OUT or (phase in (Phase.HOLDING, Phase.STOPPING) and stage == 0)
            assert not bits & M_101 or inlet or cleared or bits & BIT["XV-105"], phase
            assert not (bits & BIT["XV-105"] and (inlet or cooler)), phase


def test_with_one_inlet_the_liquid_comes_through_it() -> None:
    only_vapor_port = change(FULL, fitted__xv_101=False)
    assert "XV-102" in tags(gate(wanted(wish(only_vapor_port, Phase.LIQUID)), 0, prepare(only_vapor_port)))
    assert "XV-102" in tags(gate(wanted(wish(only_vapor_port, Phase.LINE_UP, 1)), 0, prepare(only_vapor_port)))
    only_liquid_port = change(FULL, fitted__xv_102=False)
    assert "XV-101" in tags(gate(wanted(wish(only_liquid_port, Phase.VAPOR)), 0, prepare(only_liquid_port)))


def test_both_inlets_open_with_the_liquid_where_the_job_says_so() -> None:
    both = change(FULL, job__vapor_inlet_with_liquid=True)
    assert {"XV-101", "XV-102"} <= set(tags(wanted(wish(both, Phase.LIQUID))))


def test_without_its_own_instrument_the_standing_check_watches_the_appliance_through_open_inlets() -> None:
    blind = change(FULL, fitted__pt_001=False)
    left = wanted(wish(blind, Phase.STANDING))
    assert left & bits_of("XV-101 XV-102") == bits_of("XV-101 XV-102")
    assert not left & (M_101 | BIT["XV-201"] | BIT["XV-203"]), "nothing may feed the appliance from the discharge side"


def test_water_is_kept_moving_wherever_a_job_is_under_way() -> None:
    for phase, stage in itertools.product(ACTIVE, (0, 1, 2)):
        for in_step_s in (0.0, 1e4):
            assert "M-001" in tags(wanted(wish(WATER, phase, stage, in_step_s=in_step_s))), phase


def test_standing_locks_no_liquid_between_two_shut_valves() -> None:
    # The condenser and the sub-cooling coil hold liquid; while XV-201 is shut they must stand open to the cylinder.
    for settings in SUPPLIED.values():
        for phase, stage in itertools.product(
            (Phase.STANDING, Phase.HELD, Phase.RESTARTING, Phase.ABORTING, Phase.ABORTED, Phase.LINE_UP), (0, 1)
        ):
            left = gate(wanted(wish(settings, phase, stage)), 0, prepare(settings))
            assert left & XV_301, phase
            assert not settings.fitted.cooler_valves or left & XV_202, phase
