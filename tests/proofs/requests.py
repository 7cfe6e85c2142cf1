"""What people ask for: every request from anywhere, beside any other, in every state."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import product
from types import SimpleNamespace
from typing import Any
from unittest import mock

from rigctl.control.procedure import requests, rooms, sequence
from rigctl.control.procedure.asked import Asked
from rigctl.control.readings import Request, RequestKind, Source
from rigctl.control.settings import Cylinder
from rigctl.control.vocabulary import ACTIVE, RUNNING, Ask, Phase
from tests.proofs.engine import NotProvenError, Path, Statement, Unknown, over, paths

AT_THE_RIG = (RequestKind.START, RequestKind.RESTART, RequestKind.RESET)
GOOD, BAD = (
    Cylinder(
        serial,
        refrigerant="R-410A",
        water_capacity_kg=26.0,
        tare_kg=13.0,
        service_pressure_pa_gauge=3.3e6,
        retest_due="2030-01",
    )
    for serial in ("good", "bad")
)
CYLINDERS = (None, GOOD, BAD)
WAYS = ("abort", "acknowledge", "hold", "reset", "restart", "start", "stop")
"""The flags of `Asked`."""
EVERY = tuple(Request(kind, source, "", cylinder) for kind, source, cylinder in product(RequestKind, Source, CYLINDERS))
STATES = tuple(product(Phase, (Ask.CHANGE_CYLINDER, Ask.CONFIRM)))
STUBS = "cylinder_fault: one cylinder is good, the other is refused"


def _heard(phase: Phase, ask: Ask, *asked: Request) -> Asked:
    state: Any = SimpleNamespace(phase=phase, ask=ask)
    nothing: Any = None
    return requests.hear(state, asked, nothing)


def _stubbed() -> Any:
    return mock.patch.object(requests, "cylinder_fault", lambda cylinder, prepared: "" if cylinder is GOOD else "bad")


def _flags(asked: Asked) -> set[str]:
    return {name for name in WAYS if getattr(asked, name)}


def _lists(most: int) -> Iterator[tuple[Request, ...]]:
    for length in range(1, most + 1):
        yield from product(EVERY, repeat=length)


def _own() -> tuple[int, int]:
    """A request is heard without a look at those before it (but for the cylinder named last): so any number is."""
    cases = 0
    with _stubbed():
        for phase, ask in STATES:
            alone = {id(one): _heard(phase, ask, one) for one in EVERY}
            for several in _lists(2):
                asked, apart = _heard(phase, ask, *several), [alone[id(one)] for one in several]
                cylinders = [one.cylinder for one in apart if one.cylinder is not None]
                if (
                    _flags(asked) != set().union(*map(_flags, apart))
                    or asked.refusals != [text for one in apart for text in one.refusals]
                    or asked.cylinder is not (cylinders[-1] if cylinders else None)
                ):
                    raise NotProvenError(f"{several} in {phase}")
                cases += 1
    return cases, cases


def _remote() -> tuple[int, int]:
    cases = met = 0
    with _stubbed():
        for phase, ask in STATES:
            for several in _lists(2):
                asked = _heard(phase, ask, *several)
                cases += 1
                local = {one.kind for one in several if one.source is Source.LOCAL}
                for kind in set(AT_THE_RIG) - local:
                    met += any(one.kind is kind for one in several)
                    if getattr(asked, kind.value):
                        raise NotProvenError(f"{kind.value} is taken from afar: {several} in {phase}")
                if asked.cylinder is not None and not local & {RequestKind.RESTART, RequestKind.RESET}:
                    raise NotProvenError(f"a cylinder is taken from afar: {several} in {phase}")
    return cases, met


def _always() -> tuple[int, int]:
    cases = met = 0
    with _stubbed():
        for phase, ask in STATES:
            for several in _lists(2):
                asked = _heard(phase, ask, *several)
                cases += 1
                for one, refusal in zip(several, asked.refusals, strict=True):
                    if one.kind in (RequestKind.STOP, RequestKind.ABORT):
                        met += 1
                        if not getattr(asked, one.kind.value) or refusal:
                            raise NotProvenError(f"{one} is not heard: {several} in {phase}")
    return cases, met


def _contract() -> tuple[int, int]:
    """What the reachable states take for granted of requests (`reach`)."""
    cases = met = 0
    with _stubbed():
        for phase, ask in STATES:
            for several in _lists(2):
                asked, cases = _heard(phase, ask, *several), cases + 1
                met += bool(asked.start or asked.restart or asked.hold or asked.cylinder)
                right = (
                    (not asked.start or phase is Phase.IDLE)
                    and (not asked.restart or phase is Phase.HELD)
                    and (not asked.hold or phase in RUNNING or phase is Phase.RESTARTING)
                    and (not (asked.restart and ask is Ask.CHANGE_CYLINDER) or asked.cylinder is not None)
                    and asked.cylinder is not BAD
                    and (asked.cylinder is None or asked.restart or (asked.reset and phase is Phase.ABORTED))
                )
                if not right:
                    raise NotProvenError(f"{several} in {phase} comes to {_flags(asked)}, {asked.cylinder}")
    return cases, met


def _facts(path: Path, phase: Phase, asked: Asked) -> tuple[Any, Any]:
    """The facts of a scan in which the phase's own checks may find anything that is theirs to find."""
    settings = Unknown(path, "settings", Path.flag, fitted=Unknown(path, "fitted", Path.flag))
    w: Any = Unknown(path, "w", Path.flag, asked=asked, phase=phase, settings=settings)
    w.permits = SimpleNamespace(trip=Sign(path, "tripped"), hold=Sign(path, "must hold"))
    w.resume_to = path.choose("resume_to", tuple(Phase) if phase is Phase.RESTARTING else (Phase.LINE_UP,))

    def free(w: Any, f: Any) -> None:
        for name in sequence.Facts.__slots__:
            if name not in GIVEN and (name != "change_asked" or asked.restart):
                setattr(f, name, path.flag(name))

    with mock.patch.dict(rooms._IN_PHASE, dict.fromkeys(Phase, free)):
        return w, rooms.facts(w)


GIVEN = (
    "abort_asked", "has_clear_out", "hold_asked", "must_hold", "reset_taken", "restart_asked", "resume_to",
    "start_asked", "stop_asked", "tripped",
)  # fmt: skip
"""Facts that no check of a phase sets; HELD alone may turn a restart down or into a change."""


class Sign:
    """The first row that is active: at or above zero, or none."""

    def __init__(self, path: Path, name: str) -> None:
        self.path, self.name = path, name

    def __ge__(self, other: int) -> Any:
        return self.path.flag(self.name)

    def __lt__(self, other: int) -> bool:
        return not self.path.flag(self.name)


def _scan(path: Path, phase: Phase, *asked: Request) -> tuple[Any, Phase]:
    """Hear, judge the facts, move: what one scan makes of requests."""
    heard = _heard(phase, path.choose("ask", (Ask.CHANGE_CYLINDER, Ask.CONFIRM)), *asked)
    _, f = _facts(path, phase, heard)
    return f, sequence.next_phase(phase, f)


def _pairs(path: Path) -> tuple[Request, Request]:
    kinds, sources = tuple(RequestKind), tuple(Source)
    return tuple(  # type: ignore[return-value]
        Request(
            path.choose(f"kind {i}", kinds),
            path.choose(f"source {i}", sources),
            "",
            path.choose(f"cylinder {i}", (None, GOOD)),
        )
        for i in (1, 2)
    )


def _stops(path: Path, phase: Phase) -> None:
    source = path.choose("source", tuple(Source))
    kind = path.choose("kind", (RequestKind.STOP, RequestKind.ABORT))
    beside = Request(path.choose("beside", tuple(RequestKind)), path.choose("its source", tuple(Source)), "", GOOD)
    both = (Request(kind, source), beside)
    f, to = _scan(path, phase, *(both if path.choose("first", (True, False)) else both[::-1]))
    aborts = kind is RequestKind.ABORT or beside.kind is RequestKind.ABORT or bool(f.tripped)
    wanted = (Phase.ABORTING,) if aborts else (Phase.STOPPING, Phase.STOPPED)
    path.prove(to in wanted, f"{phase.name} goes to {to.name}")


def _starts(path: Path, phase: Phase) -> None:
    pair = _pairs(path)
    f, to = _scan(path, phase, *pair)
    needed = {Phase.IDLE: RequestKind.START, Phase.HELD: RequestKind.RESTART, Phase.ABORTED: RequestKind.RESET}[phase]
    at_the_rig = any(one.kind is needed and one.source is Source.LOCAL for one in pair)
    on = to not in (phase, Phase.STOPPING, Phase.ABORTING)
    path.prove(at_the_rig and not f.tripped, f"{phase.name} goes to {to.name}", on)


def _safe_word(path: Path) -> None:
    pair = _pairs(path)
    _, to = _scan(path, Phase.IDLE, *pair)
    stops = any(one.kind in (RequestKind.STOP, RequestKind.ABORT) for one in pair)
    path.prove(to is Phase.IDLE, f"IDLE goes to {to.name}", stops)


def _with_stub(statement: Any) -> tuple[int, int]:
    with _stubbed():
        found: tuple[int, int] = statement()
    return found


_LISTS = f"all lists of up to 2 of {len(EVERY)} requests x {len(STATES)} states"
_SCANS = "2 requests of any kind from anywhere x all that the phase's checks may find x trip and hold"
_FREE = f"{STUBS}; the phase's own check may find anything"
STATEMENTS = (
    Statement("requests.own", "two requests come to what each comes to alone", _LISTS, STUBS, _own),
    Statement("requests.remote", "no start, restart, reset or cylinder is taken from afar", _LISTS, STUBS, _remote),
    Statement("requests.always", "stop and abort are heard from anywhere, beside anything", _LISTS, STUBS, _always),
    Statement("requests.contract", "start is heard in IDLE only, restart in HELD only, hold where something runs; a "
              "change needs its cylinder, and a cylinder that is refused is never taken", _LISTS, STUBS, _contract),
    Statement("requests.stops", "in one scan stop leads to STOPPING, abort to ABORTING, from every active state",
              _SCANS, _FREE, lambda: _with_stub(lambda: over(ACTIVE, _stops))),
    Statement("requests.starts", "IDLE, HELD and ABORTED go on only by a person at the rig, and with no trip",
              _SCANS, _FREE, lambda: _with_stub(lambda: over((Phase.IDLE, Phase.HELD, Phase.ABORTED), _starts))),
    Statement("requests.safe_word", "of start and stop in one scan the stop counts", _SCANS, _FREE,
              lambda: _with_stub(lambda: paths(_safe_word))),
)  # fmt: skip
