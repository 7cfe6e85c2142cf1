"""Every statement of `tests.proofs` is proven; a break made on purpose is found by the proof that is to find it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import AbstractContextManager
from math import inf, nan
from typing import Any
from unittest import mock

import pytest
import z3
from msgspec.structs import replace

from rigctl.control.procedure import aids, appliance, clearing, requests, rooms, sequence, wish
from rigctl.control.procedure.phases import (
    aborting,
    ended,
    held,
    holding,
    isolate,
    line_up,
    liquid,
    push_pull,
    restarting,
    standing,
    vapor,
)
from rigctl.control.protect import engine as engine_
from rigctl.control.protect import gate as gates
from rigctl.control.protect.table import TABLE
from rigctl.control.vocabulary import ACTIVE, RUNNING, Phase
from tests.proofs import __main__ as command
from tests.proofs import engine, reach, statements
from tests.proofs.breaks import broken, in_place_of, mutated, table
from tests.proofs.engine import NotProvenError, Path, Statement, judge, paths


def _cases() -> Iterator[Any]:
    for one in statements.ALL:
        marks = [pytest.mark.xfail(reason=one.defect, strict=True)] if one.defect else []
        yield pytest.param(one, id=one.name, marks=marks)


@pytest.mark.parametrize("statement", list(_cases()))
def test_a_statement_is_proven(statement: Statement) -> None:
    verdict = judge(statement)
    assert verdict.proven, verdict.said


# --- breaks made on purpose

Break = AbstractContextManager[None]


def _row(name: str) -> int:
    return next(i for i, row in enumerate(sequence.TRANSITIONS) if row["conditions"].__name__ == name)


def last(name: str) -> Break:
    """The row of a guard stands at the end."""
    return table(lambda rows: rows.append(rows.pop(_row(name))))


def never(name: str) -> Break:
    """The row of a guard is never taken."""
    return table(lambda rows: rows[_row(name)].update(conditions=lambda f: False))


def without(name: str, *phases: Phase) -> Break:
    """The row of a guard forgets some states."""
    return table(
        lambda rows: rows[_row(name)].update(source=[p for p in rows[_row(name)]["source"] if p not in phases])
    )


def more(source: Phase, dest: Phase, guard: str) -> Break:
    """One row more, before all others."""
    return table(lambda rows: rows.insert(0, sequence._row(source, dest, getattr(sequence, guard))))


def quiet(fact: str) -> Break:
    """The short cut forgets a fact."""
    return broken(sequence.stirred, f"or f.{fact}\n", "\n")


def blind(flag: str, missing: bool) -> Break:
    """The engine never tries one value of a flag."""
    real = Path.choose

    def choose(path: Path, name: str, values: Any) -> Any:
        return real(path, name, [one for one in values if one is not missing] if name == flag else values)

    return mock.patch.object(Path, "choose", choose)


BREAKS: list[tuple[str, str, Break]] = [
    ("sequence.trip", "abort is forgotten", broken(sequence.tripped, " or f.abort_asked", "")),
    ("sequence.trip", "abort stands last", last("tripped")),
    ("sequence.trip", "STOPPING does not abort", without("tripped", Phase.STOPPING)),
    ("sequence.trip", "the short cut forgets abort", quiet("abort_asked")),
    ("sequence.stop", "stop stands last", last("stop_asked")),
    ("sequence.stop", "HELD does not stop", without("stop_asked", Phase.HELD)),
    ("sequence.stop", "HELD restarts first", more(Phase.HELD, Phase.RESTARTING, "restart_asked")),
    ("sequence.trip", "a stop before a trip", table(lambda rows: rows.insert(0, rows.pop(_row("stop_asked"))))),
    ("sequence.hold", "hold stands last", last("must_hold")),
    ("sequence.hold", "a person's hold is forgotten", broken(sequence.must_hold, " or f.hold_asked", "")),
    ("sequence.hold", "VAPOR is not held", without("must_hold", Phase.VAPOR)),
    ("sequence.ended", "COMPLETE can be started from", more(Phase.COMPLETE, Phase.LINE_UP, "start_asked")),
    ("sequence.ended", "STOPPED can be reset", more(Phase.STOPPED, Phase.IDLE, "reset_taken")),
    ("sequence.aborted", "ABORTED is restarted", more(Phase.ABORTED, Phase.RESTARTING, "restart_asked")),
    ("sequence.aborted", "ABORTED ends by itself", more(Phase.ABORTED, Phase.IDLE, "settled")),
    ("sequence.aborted", "a reset is never taken", never("reset_taken")),
    ("sequence.idle", "a restart starts", more(Phase.IDLE, Phase.LINE_UP, "restart_asked")),
    ("sequence.idle", "no start is taken", never("start_asked")),
    ("sequence.held", "HELD goes on when settled", more(Phase.HELD, Phase.RESTARTING, "settled")),
    ("sequence.first", "the short cut forgets a fact", quiet("liquid_back")),
    ("sequence.first", "the short cut forgets another", quiet("restart_failed")),
    ("sequence.whole", "a state without a row", without("reset_taken", Phase.ABORTED)),
    ("sequence.whole", "a flag that is never true", blind("stop_asked", True)),
    ("sequence.whole", "a flag that is never false", blind("settled", False)),
    ("sequence.rows", "a general row before a special one", last("to_push_pull")),
    ("sequence.rows", "a second row with the same guard", more(Phase.VAPOR, Phase.STANDING, "level_held")),
    ("sequence.rows", "a row that is never taken", never("too_little")),
    (
        "sequence.reached",
        "nothing leads to PUSH_PULL",
        table(
            lambda rows: [row.update(conditions=lambda f: False) for row in rows if row["dest"] is Phase.PUSH_PULL],
        ),
    ),
    ("sequence.reached", "nothing is ever complete", never("isolated")),
    (
        "sequence.left",
        "no trip and no stop from ISOLATE on",
        table(
            lambda rows: [row.update(source=[Phase.LIQUID]) for row in rows if {*row["source"]} >= {*RUNNING}],
        ),
    ),
    (
        "gate.motor",
        "the cooler's outlet is forgotten",
        broken(gates.gate, "cooler = XV_201 | XV_202", "cooler = XV_201"),
    ),
    ("gate.motor", "the cylinder's valve is forgotten", broken(gates.gate, "(bits & XV_301 and through)", "through")),
    ("gate.motor", "the motor is left on", broken(gates.gate, "bits &= ~M_101", "pass")),
    ("gate.forbidden", "a mask is forgotten", broken(gates.gate, " & ~forbidden", "")),
    ("gate.forbidden", "what the rig has is forgotten", broken(gates.gate, "prepared.outputs_fitted & ", "")),
    ("gate.forbidden", "the mask is the wrong way round", broken(gates.gate, "~forbidden", "forbidden")),
    ("gate.added", "what is wanted is forgotten", broken(gates.gate, "bits &= prepared", "bits = prepared")),
    ("gate.added", "the way out is opened for the motor", broken(gates.gate, "bits &= ~M_101", "bits |= XV_301")),
    ("gate.kept", "push-pull's way out does not count", broken(gates.gate, " or bits & XV_106", "")),
    ("gate.kept", "the bypass does not count", broken(gates.gate, " or bits & XV_204", "")),
    (
        "gate.kept",
        "a rig without a cooler has no way",
        broken(gates.gate, "not prepared.settings.fitted.cooler_valves or ", ""),
    ),
    ("gate.rest", "all goes with the motor", broken(gates.gate, "bits &= ~M_101", "bits = 0")),
    (
        "gate.rest",
        "the cylinder is shut with the motor",
        broken(gates.gate, "bits &= ~M_101", "bits &= ~(M_101 | XV_301)"),
    ),
    ("gate.twice", "a valve goes back and forth", broken(gates.gate, "bits &= ~M_101", "bits ^= XV_202")),
    (
        "gate.twice",
        "a valve comes after the mask",
        broken(gates.gate, "bits &= ~M_101", "bits = bits & ~M_101 | XV_204"),
    ),
    ("gate.fitted", "a valve is forgotten", broken(gates.fitted_outputs, " | XV_203", "")),
    (
        "gate.fitted",
        "two inlets change places",
        broken(gates.fitted_outputs, "(fitted.xv_101, XV_101)", "(fitted.xv_102, XV_101)"),
    ),
    ("gate.fitted", "every rig has push-pull", broken(gates.fitted_outputs, "fitted.push_pull, ", "True, ")),
    ("wants.motor", "the motor of a held rig", broken(held.wants, "return ", "return 128 | ")),
    ("wants.motor", "a standing check pumps", broken(standing.wants, "return inlet", "return inlet | wish.bits")),
    ("wants.motor", "shutting pumps", broken(clearing.shutting, "return ROUND_COOLER & wish.bits", "return wish.bits")),
    (
        "wants.ready",
        "the stroke is not waited for",
        broken(wish.ready_motor, "wish.path_open_s >= procedure.valve_stroke_s and ", ""),
    ),
    (
        "wants.ready",
        "the motor may start at once",
        broken(wish.ready_motor, " and wish.ready_s >= procedure.compressor_min_off_s", ""),
    ),
    ("wants.ready", "either is enough", broken(wish.ready_motor, "stroke_s and wish", "stroke_s or wish")),
    (
        "wants.unknown",
        "unknown counts as ready",
        broken(
            wish.ready_motor,
            "wish.path_open_s >= procedure.valve_stroke_s",
            "not wish.path_open_s < procedure.valve_stroke_s",
        ),
    ),
    (
        "wants.unknown",
        "unknown counts as rested",
        broken(
            wish.ready_motor,
            "wish.ready_s >= procedure.compressor_min_off_s",
            "not wish.ready_s < procedure.compressor_min_off_s",
        ),
    ),
    (
        "wants.out",
        "drawing with the way shut",
        broken(wish.drawing, "return inlet | THROUGH_COOLER | ready", "return inlet | ready"),
    ),
    (
        "wants.out",
        "the bypass is forgotten",
        broken(clearing.emptying, "cooler | ROUND_COOLER | M_201", "cooler | XV_301 | M_201"),
    ),
    (
        "wants.out",
        "push-pull without XV-106",
        broken(push_pull.wants, "across = XV_105 | XV_106 | M_001", "across = XV_105 | M_001"),
    ),
    ("wants.rests", "a rest is no rest", broken(wish.drawing, "if wish.resting", "if wish.uncleared")),
    (
        "wants.rests",
        "the motor rests running",
        broken(wish.drawing, "return THROUGH_COOLER | (0", "return THROUGH_COOLER | ready_motor(wish) | (0"),
    ),
    (
        "wants.ways_in",
        "a standing check is open beside PT-001",
        broken(standing.wants, "0 if wish.settings.fitted.pt_001 else ", ""),
    ),
    (
        "wants.ways_in",
        "line-up opens before its checks",
        broken(line_up.wants, "wish.step is Step.CONNECTED", "wish.step is not Step.CONNECTED"),
    ),
    ("wants.ways_in", "a rig that restarts draws", broken(restarting.wants, "return ", "return 2 | ")),
    (
        "wants.loose",
        "a loose hose is drawn from",
        broken(appliance.inlets_hooked_up, " or not settings.fitted.xv_102", " or settings.fitted.xv_102"),
    ),
    (
        "wants.loose",
        "line-up opens the wrong port",
        broken(line_up.wants, "not settings.job.liquid_first and ", "settings.job.liquid_first and "),
    ),
    (
        "wants.standing",
        "the discharge reaches the appliance",
        broken(standing.wants, "XV_202 | XV_301", "XV_202 | XV_301 | 4"),
    ),
    ("wants.standing", "the cylinder is shut", broken(standing.wants, " | XV_301", "")),
    (
        "wants.across",
        "the discharge runs round",
        broken(push_pull.wants, "return across | XV_104 | XV_202", "return across | XV_104 | 4 | XV_202"),
    ),
    (
        "wants.across",
        "the header is not on the cylinder",
        broken(push_pull.wants, "across = XV_105 | XV_106", "across = XV_106"),
    ),
    (
        "wants.valves_across",
        "vapor is drawn through XV-104",
        broken(vapor.wants, "| wish.aids", "| 1 << 12 | wish.aids"),
    ),
    (
        "wants.valves_across",
        "a clear-out onto the appliance",
        broken(
            clearing.emptying,
            "if wish.in_switch_s < stroke:\n        return ",
            "if wish.in_switch_s < stroke:\n        return 1 << 14 | ",
        ),
    ),
    ("wants.cooler", "the cooler is let in with the bypass", broken(clearing.emptying, "2.0 * stroke", "stroke")),
    (
        "wants.bypass",
        "the bypass opens at an unknown time",
        broken(clearing.emptying, "not wish.in_switch_s >= 0.0", "wish.in_switch_s < 0.0"),
    ),
    (
        "wants.cooler",
        "the cooler stays on the cylinder",
        broken(clearing.emptying, "cooler | ROUND_COOLER", "cooler | THROUGH_COOLER | ROUND_COOLER"),
    ),
    ("wants.cut_off", "held with the bypass open", broken(wish.way_kept_open, "THROUGH_COOLER", "ROUND_COOLER")),
    ("wants.cut_off", "drawing with XV-203 open", broken(wish.drawing, "return inlet | ", "return inlet | 16 | ")),
    ("wants.shuts", "shutting opens the bypass", broken(clearing.shutting, "ROUND_COOLER & wish.bits", "ROUND_COOLER")),
    (
        "wants.shuts",
        "the cylinder is shut first",
        broken(clearing.shutting, "XV_301 & wish.bits", "XV_204 & wish.bits"),
    ),
    (
        "wants.kept",
        "kept only while it must not be",
        broken(wish.way_kept_open, "wish.moved and not", "wish.moved and"),
    ),
    (
        "wants.kept",
        "an uncleared cooler is shut in",
        broken(isolate.wants, "way_kept_open(wish) if wish.uncleared else ", ""),
    ),
    ("wants.kept", "a complete job shuts all", broken(ended.wants, "return way_kept_open(wish)", "return 0")),
    ("wants.stays_shut", "a cylinder that is off is opened", broken(wish.way_kept_open, " and not wish.path_shut", "")),
    ("wants.stays_shut", "opened before anything has moved", broken(wish.way_kept_open, "wish.moved and ", "")),
    ("wants.heat", "liquid is heated", broken(liquid.wants, "(M_201 |", "(2048 | M_201 |")),
    ("wants.heat", "heated though it must not be", broken(standing.wants, "wish.aids & (EH_001 | M_001)", "EH_001")),
    ("wants.water", "water stands while held", broken(held.wants, " | water_moves(wish)", "")),
    ("wants.water", "water stands after a trip", broken(aborting.wants, "water_moves(wish) if wish.moved else 0", "0")),
    ("wants.water", "water is moved where there is none only", broken(wish.water_moves, "if wish", "if not wish")),
    ("wants.aids", "the water is forgotten", broken(aids.aids, "settings.job.water_side or ", "")),
    ("wants.aids", "the compressor is an aid", broken(aids.aids, "on |= EH_001", "on |= 128")),
    (
        "wants.bypass",
        "the header is not pumped down first",
        broken(clearing.emptying, "if not wish.in_switch_s >= 0.0", "if wish.uncleared"),
    ),
    ("requests.own", "the first stop ends the list", broken(requests.hear, "asked.stop = True", "return asked")),
    (
        "requests.own",
        "a refusal forgets what came before",
        broken(
            requests.hear,
            "        asked.refusals.append(text)",
            "        asked.stop = asked.stop and not text\n        asked.refusals.append(text)",
        ),
    ),
    (
        "requests.remote",
        "a reset is taken from afar",
        broken(requests.hear, "and kind in _AT_THE_RIG", "and kind in _AT_THE_RIG[:2]"),
    ),
    (
        "requests.remote",
        "sources are not looked at",
        broken(requests.hear, "request.source is not Source.LOCAL and kind in _AT_THE_RIG", "False"),
    ),
    (
        "requests.remote",
        "one at the rig lets others in",
        broken(requests.hear, "if request.source is not", "if requests[0].source is not"),
    ),
    (
        "requests.always",
        "stop at the rig only",
        broken(requests.hear, "kind in _AT_THE_RIG", "kind in (*_AT_THE_RIG, RequestKind.STOP)"),
    ),
    (
        "requests.always",
        "abort only where something runs",
        broken(
            requests.hear, "elif kind is RequestKind.ABORT", "elif kind is RequestKind.ABORT and state.phase in RUNNING"
        ),
    ),
    (
        "requests.always",
        "a hold takes a stop back",
        broken(requests.hear, "asked.hold = True", "asked.hold, asked.stop = True, False"),
    ),
    ("requests.contract", "start is heard anywhere", broken(requests.hear, "if state.phase is Phase.IDLE", "if True")),
    (
        "requests.contract",
        "a refused cylinder is taken",
        broken(
            requests.hear,
            "            if not text:\n                asked.restart",
            "            if True:\n                asked.restart",
        ),
    ),
    (
        "requests.contract",
        "a change needs no cylinder",
        broken(requests.hear, "state.ask is Ask.CHANGE_CYLINDER and request.cylinder is None", "False"),
    ),
    (
        "requests.stops",
        "a stop takes an abort back",
        broken(requests.hear, "asked.stop = True", "asked.stop, asked.abort = True, False"),
    ),
    (
        "requests.stops",
        "a stop only without a trip",
        broken(rooms.facts, "asked.abort, asked.stop,", "asked.abort, asked.stop and not asked.hold,"),
    ),
    ("requests.stops", "the table stops last", last("stop_asked")),
    (
        "requests.starts",
        "a reset is taken with its cause there",
        broken(rooms.facts, "asked.reset and not f.tripped", "asked.reset"),
    ),
    (
        "requests.starts",
        "a restart is taken from afar",
        broken(requests.hear, "and kind in _AT_THE_RIG", "and kind is RequestKind.START"),
    ),
    (
        "requests.starts",
        "an acknowledged trip is reset",
        broken(rooms.facts, "asked.reset and not", "asked.acknowledge and not"),
    ),
    (
        "requests.safe_word",
        "a start beside a stop",
        broken(rooms.facts, "f.tripped or asked.stop or asked.abort", "f.tripped or asked.abort"),
    ),
    (
        "requests.safe_word",
        "a start beside an abort",
        broken(rooms.facts, "f.tripped or asked.stop or asked.abort", "f.tripped or asked.stop"),
    ),
    (
        "latches.kept",
        "a reset clears a cause that is there",
        broken(engine_.evaluate, "latched &= active\n", "latched = 0\n"),
    ),
    ("latches.kept", "an acknowledgement resets", broken(engine_.evaluate, "if reset:", "if reset or acknowledge:")),
    ("latches.kept", "a latch goes with its cause", broken(engine_.evaluate, "if reset:", "if reset or not raw:")),
    (
        "latches.at_once",
        "a trip latches a scan later",
        broken(engine_.evaluate, "latched |= active & TRIPS", "latched |= memory.active & active & TRIPS"),
    ),
    ("latches.at_once", "nothing latches in a job", broken(engine_.evaluate, "if x.active:", "if not x.active:")),
    (
        "latches.forbids",
        "a latch forbids nothing",
        broken(engine_.evaluate, "(active & (TRIPS | HOLDS)) | latched", "(active & (TRIPS | HOLDS))"),
    ),
    (
        "latches.forbids",
        "a hold forbids nothing",
        broken(engine_.evaluate, "(active & (TRIPS | HOLDS)) | latched", "(active & TRIPS) | latched"),
    ),
    (
        "latches.forbids",
        "the last row alone forbids",
        broken(engine_.evaluate, "forbidden |= TABLE[i].takes", "forbidden = TABLE[i].takes"),
    ),
    ("latches.first", "the last row is told", broken(engine_.first, "(mask & -mask)", "mask")),
    (
        "latches.first",
        "a latched trip is not told",
        broken(engine_.evaluate, "first((active & TRIPS) | latched)", "first(active & TRIPS)"),
    ),
    ("latches.no_latch", "a hold latches", broken(engine_.evaluate, "latched |= active & TRIPS", "latched |= active")),
    ("latches.no_latch", "a trip latches without a job", broken(engine_.evaluate, "if x.active:", "if True:")),
    (
        "latches.acknowledge",
        "what is seen counts no more",
        broken(
            engine_.evaluate,
            "acknowledged &= active | latched",
            "acknowledged &= active | latched\n    latched &= ~acknowledged",
        ),
    ),
    (
        "latches.acknowledge",
        "an acknowledgement resets",
        broken(engine_.evaluate, "if reset:", "if reset or acknowledge:"),
    ),
    (
        "latches.delay",
        "a cause that goes and comes keeps its time",
        broken(engine_.evaluate, "since[i] if old >> i & 1 else now", "since[i] if since else now"),
    ),
    ("latches.delay", "the band is forgotten", broken(engine_.evaluate, "raw |= 1 << i", "pass")),
    (
        "latches.delay",
        "one scan too late",
        broken(engine_.evaluate, ">= x.prepared.delays_s[i]", "> x.prepared.delays_s[i]"),
    ),
    (
        "latches.alarms",
        "a latch is not listed",
        broken(engine_.evaluate, "shown = active | latched | returned", "shown = active | returned"),
    ),
    (
        "latches.alarms",
        "what has gone is no news",
        broken(engine_.evaluate, "if tag not in now_tags", "if not now_tags"),
    ),
    (
        "latches.alarms",
        "a change of latches alone is missed",
        broken(
            engine_.evaluate,
            "(active, latched, acknowledged, returned) != (\n        memory.active,\n        memory.latched,",
            "(active, acknowledged, returned) != (\n        memory.active,",
        ),
    ),
    (
        "latches.seen",
        "what comes up is taken as seen",
        broken(engine_.evaluate, "acknowledged |= (memory.active | memory.latched) & ~new", "acknowledged |= active"),
    ),
    (
        "latches.table",
        "a trip leaves the motor on",
        in_place_of(
            TABLE, tuple(replace(row, takes=row.takes & ~128) if row.tag == "PT-201.high" else row for row in TABLE)
        ),
    ),
    (
        "latches.table",
        "a hold leaves a way in",
        in_place_of(TABLE, tuple(replace(row, takes=128) if row.tag == "WT-301.full" else row for row in TABLE)),
    ),
]


@pytest.mark.parametrize(
    ("name", "made"), [pytest.param(name, made, id=f"{name}, {what}") for name, what, made in BREAKS]
)
def test_a_break_made_on_purpose_is_found(name: str, made: Break) -> None:
    with made:
        verdict = judge(statements.BY_NAME[name])
    assert not verdict.proven, "the break was not found"


BREAKS_OF_REACH: list[tuple[str, str, Break]] = [
    (
        "reach.hold",
        "a hold is not looked at before a restart",
        broken(restarting.judge, "not (fault or held)", "not fault"),
    ),
    (
        "reach.weighed",
        "lines are emptied into a cylinder that is not there",
        broken(holding.enter, " and not (w.lines.path_shut or w.on_scale.off)", ""),
    ),
    (
        "reach.off",
        "lines are emptied into a cylinder that is not there",
        broken(holding.enter, " and not (w.lines.path_shut or w.on_scale.off)", ""),
    ),
    (
        "reach.liquid_said",
        "only lines that have moved since are told",
        broken(held.enter, "w.lines.uncleared or (w.lines.moved and not_emptied)", "w.lines.moved and not_emptied"),
    ),
    ("reach.sentence", "a hold says nothing", broken(holding.enter, "row.ask, row.say(w.x)", 'row.ask, ""')),
    (
        "reach.sentence",
        "an abort says nothing",
        broken(aborting.enter, '"Aborted on request. Look at the rig, then reset."', '""'),
    ),
    (
        "reach.liquid_open",
        "lines are shut where nothing is done",
        broken(wish.way_kept_open, "return THROUGH_COOLER if", "return 0 if"),
    ),
    ("reach.liquid_open", "open only while they must not be", broken(wish.way_kept_open, "and not wish", "and wish")),
]
"""Looked for one by one, up to the first counterexample: all states are many."""


@pytest.mark.parametrize(
    ("name", "made"), [pytest.param(name, made, id=f"{name}, {what}") for name, what, made in BREAKS_OF_REACH]
)
def test_a_break_made_on_purpose_is_found_among_reachable_states(name: str, made: Break) -> None:
    with made:
        assert reach.first_wrong(name.removeprefix("reach.")), "the break was not found"


def test_every_statement_has_a_break_made_on_purpose() -> None:
    broken_ones = {name for name, _, _ in (*BREAKS, *BREAKS_OF_REACH)}
    assert {one.name for one in statements.ALL if not one.defect} <= broken_ones


# --- the engine itself


def _said(check: Any) -> str:
    return judge(Statement("a name", "a claim", "a domain", "nothing", check)).said


def test_a_premise_that_nothing_meets_is_no_proof() -> None:
    verdict = judge(Statement("n", "s", "d", "nothing", lambda: paths(lambda p: p.prove(False, "no", premise=False))))
    assert not verdict.proven and "vacuous" in verdict.said

    def impossible(path: Path) -> None:
        bits = path.bits("b")
        path.prove(bits == 1, "no", premise=(bits == 2) & (bits == 3))

    assert "vacuous" in _said(lambda: paths(impossible))


def test_a_proof_that_was_cut_short_is_no_proof() -> None:
    def many(path: Path) -> None:
        path.prove(sum(bool(path.flag(str(i))) for i in range(10)) <= 10, "no")

    assert "cut short after 1000" in _said(lambda: paths(many, most=1000))
    assert paths(many, most=1024) == (1024, 1024)


def test_what_the_solver_does_not_know_is_no_proof(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(z3.Solver, "check", lambda self, *conditions: z3.unknown)
    monkeypatch.setattr(z3.Solver, "reason_unknown", lambda self: "time was up")
    assert "unknown: time was up" in _said(lambda: paths(lambda p: p.prove(p.bits("b") == p.bits("b"), "no")))


def test_an_exception_of_the_real_function_is_no_proof() -> None:
    assert "raises ZeroDivisionError" in _said(lambda: paths(lambda p: p.prove(1 // int(bool(p.flag("a"))) == 1, "no")))


def test_a_counterexample_is_named() -> None:
    assert "b = 7" in _said(lambda: paths(lambda p: p.prove(p.bits("b") != 7, "not seven")))

    def flags(path: Path) -> None:
        path.prove(not (path.flag("one") and path.flag("other")), "both at once")

    assert "both at once: one = True, other = True" in _said(lambda: paths(flags))


def test_every_path_is_walked_once_and_only_those_that_can_be() -> None:
    seen = []

    def body(path: Path) -> None:
        x, y = path.double("x"), path.double("y")
        seen.append((bool(x < y), bool(y < x), bool(x == y), bool(x != x)))

    assert paths(body)[0] == len(seen) == len(set(seen))
    values = (-inf, -1.0, -0.0, 0.0, 1.0, inf, nan)
    really = {(x < y, y < x, x == y, x != x) for x in values for y in values}
    assert set(seen) == really


@pytest.mark.parametrize("x", [0, 1, 0x5A5A, 0x7FFF])
@pytest.mark.parametrize("y", [0, 3, 0x00FF, 0x7FFF])
def test_symbolic_bits_reckon_as_integers_do(x: int, y: int) -> None:
    def body(path: Path) -> None:
        a, b = path.bits("a"), path.bits("b")
        for what, is_, was in (
            ("and", a & b, x & y), ("or", a | b, x | y), ("xor", a ^ b, x ^ y), ("and not", a & ~b, x & ~y),
            ("from the right", x & b | 1, x & y | 1),
        ):  # fmt: skip
            path.prove(is_ == was, what, premise=(a == x) & (b == y))

    assert paths(body) == (1, 5)


@pytest.mark.parametrize("x", [0.0, -0.0, 1.5, 1e-320, 1.7e308, inf, -inf, nan])
@pytest.mark.parametrize("y", [0.0, 2.0, -3.25, inf, nan])
def test_symbolic_doubles_reckon_as_floats_do(x: float, y: float) -> None:
    def body(path: Path) -> None:
        a = engine.Double(path, z3.FPVal(x, z3.Float64()))
        assert bool(a < y) is (x < y) and bool(a <= y) is (x <= y) and bool(a == y) is (x == y)
        assert bool(a > y) is (x > y) and bool(a >= y) is (x >= y) and bool(a != y) is (x != y)
        product = 2.0 * a * y
        assert bool(product.nan()) is (2.0 * x * y != 2.0 * x * y)
        assert bool(product == 2.0 * x * y) is (2.0 * x * y == 2.0 * x * y)

    assert paths(body)[0] == 1


def test_a_break_is_a_copy_and_the_real_thing_stays() -> None:
    real = sequence.stop_asked
    assert mutated(real, "f.stop_asked", "not f.stop_asked") is not real
    with broken(real, "return f.stop_asked", "return False"):
        assert sequence.stop_asked is not real
    assert sequence.stop_asked is real
    with pytest.raises(ValueError, match="must stand once"):
        mutated(real, "not in it", "")
    assert Phase.STOPPING in ACTIVE


def test_the_command_prints_what_was_proven_over_which_domain(capsys: pytest.CaptureFixture[str]) -> None:
    assert command.main(["sequence.trip"]) == 0
    printed = capsys.readouterr().out
    for part in (statements.BY_NAME["sequence.trip"].says, "domain: all 2^29", "stubs: nothing", "proven (", " s\n"):
        assert part in printed
    assert command.main(["nothing of this name"]) == 2
    with broken(sequence.tripped, " or f.abort_asked", ""):
        assert command.main(["sequence.trip"]) == 1
    assert "NOT PROVEN (" in capsys.readouterr().out


def test_a_statement_that_fails_says_so() -> None:
    with pytest.raises(NotProvenError, match="no: "):
        paths(lambda path: path.prove(False, "no"))
