"""Latches: every memory that the interlocks' engine can come to, with two rows of every kind, and what follows it."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator
from itertools import product
from math import nan
from types import SimpleNamespace
from typing import Any
from unittest import mock

import msgspec

from rigctl.control.points import EH_001, M_101, PUSH_PULL, WAYS_IN, XV_203, tags
from rigctl.control.protect import engine
from rigctl.control.protect.alarms import Memory
from rigctl.control.protect.row import Interlock
from rigctl.control.vocabulary import AlarmState, Kind
from tests.proofs.engine import NotProvenError, Statement

DELAY_S = 2.0
"""Of the rows that have one; a scan lasts 1 s."""


def _row(i: int, kind: Kind, banded: bool) -> Interlock:
    return Interlock(
        tag=f"row {i}",
        kind=kind,
        cause="",
        takes=1 << i,
        present=lambda x, still=False: bool((x.stays if still else x.present) >> i & 1),
        say=lambda x: "said",
        banded=banded,
    )


def _real_rows() -> tuple[int, int]:
    """The rows of the real table: what every trip and every hold takes."""
    met = 0
    for row in engine.TABLE:
        least = {Kind.TRIP: M_101 | WAYS_IN | XV_203 | EH_001 | PUSH_PULL, Kind.HOLD: WAYS_IN}.get(row.kind, 0)
        if row.takes & least != least or (row.kind in (Kind.ADVICE, Kind.START_INHIBIT) and row.takes):
            raise NotProvenError(f"{row.tag} takes {tags(row.takes)}")
        met += bool(least)
    return len(engine.TABLE), met


class Table:
    """Two rows, and the engine that judges them: the real code with this table in the place of the real one."""

    def __init__(self, kinds: tuple[Kind, Kind], banded: tuple[bool, bool], delayed: tuple[bool, bool]) -> None:
        self.rows = tuple(_row(i, *what) for i, what in enumerate(zip(kinds, banded, strict=True)))
        self.delays = tuple(DELAY_S if late else 0.0 for late in delayed)
        self.banded = sum(1 << i for i, one in enumerate(banded) if one)
        self.prepared = SimpleNamespace(
            rows=tuple((1 << i, row.present) for i, row in enumerate(self.rows)), delays_s=self.delays
        )

    def mask(self, *kinds: Kind) -> int:
        return sum(1 << i for i, row in enumerate(self.rows) if row.kind in kinds)

    def names(self) -> dict[str, Any]:
        return {
            "TABLE": self.rows, "BANDED": self.banded, "TRIPS": self.mask(Kind.TRIP), "HOLDS": self.mask(Kind.HOLD),
            "INHIBITS": self.mask(Kind.START_INHIBIT),
        }  # fmt: skip


_T, _H, _A = Kind.TRIP, Kind.HOLD, Kind.ADVICE
TABLES = tuple(
    Table(kinds, banded, delayed)
    for kinds in ((_T, _T), (_T, _H), (_H, _T), (_H, _H), (_A, _T))
    for banded, delayed in (
        ((False, False), (False, False)),
        ((True, False), (True, False)),
        ((True, False), (False, True)),
        ((False, True), (True, False)),
    )
)


class Step:
    """One scan of the engine: memory, what is given, the memory and the verdict that come of it."""

    __slots__ = ("acknowledge", "after", "before", "job", "permits", "present", "reset", "stays", "table")

    def __init__(self, table: Table, before: Memory, given: tuple[int, int, bool, bool, bool]) -> None:
        self.table, self.before = table, before
        self.present, self.stays, self.acknowledge, self.reset, self.job = given
        self.after, self.permits = self.run(before, self.acknowledge)

    def run(self, before: Memory, acknowledge: bool) -> tuple[Memory, engine.Permits]:
        """Judge; the clock stands at 0 in every scan, what was is in the past."""
        x: Any = SimpleNamespace(
            present=self.present, stays=self.stays, active=self.job, prepared=self.table.prepared,
            s=SimpleNamespace(now_s=0.0),
        )  # fmt: skip
        return engine.evaluate(before, x, acknowledge=acknowledge, reset=self.reset)

    def __str__(self) -> str:
        given = {name: getattr(self, name) for name in ("present", "stays", "acknowledge", "reset", "job")}
        kinds = [row.kind.value for row in self.table.rows]
        return f"rows {kinds}, {self.before}, given {given}, comes to {self.after}"


def _second_later(memory: Memory) -> Memory:
    """The same memory when the next scan's clock is called 0; a time longer ago than any delay says no more."""
    since = tuple(nan if at != at else max(at - 1.0, -DELAY_S) for at in memory.since_s)
    alarms = tuple(msgspec.structs.replace(alarm, since_s=0.0) for alarm in memory.alarms)
    return msgspec.structs.replace(memory, since_s=since, alarms=alarms)


def _key(memory: Memory) -> tuple[Any, ...]:
    since = tuple(None if at != at else at for at in memory.since_s)
    alarms = tuple((alarm.tag, alarm.state) for alarm in memory.alarms)
    return memory.raw, since, memory.active, memory.latched, memory.acknowledged, memory.returned, alarms


def _steps() -> Iterator[Step]:
    """Every scan from every memory that can be reached from the first one, also through power cuts."""
    for table in TABLES:
        with mock.patch.multiple(engine, **table.names()):
            stays = sorted({pattern & table.banded for pattern in range(4)})
            given = tuple(product(range(4), stays, *((False, True),) * 3))
            seen, edge = {_key(Memory())}, deque([Memory()])
            while edge:
                before = edge.popleft()
                for one in given:
                    step = Step(table, before, one)
                    yield step
                    later = _second_later(step.after)
                    power_back = msgspec.structs.replace(later, raw=0, since_s=())
                    for memory in (later, power_back):
                        if _key(memory) not in seen:
                            seen.add(_key(memory))
                            edge.append(memory)


def _never_lost(step: Step) -> bool | None:
    kept = step.before.latched & ~step.after.latched
    if not step.before.latched:
        return None
    return not kept or (step.reset and not kept & step.after.active)


def _at_once(step: Step) -> bool | None:
    trips = step.after.active & step.table.mask(Kind.TRIP)
    if not (trips and step.job):
        return None
    return step.after.latched & trips == trips and step.permits.trip >= 0 and step.permits.forbidden & trips == trips


def _takes(step: Step) -> bool | None:
    counts = (step.after.active & step.table.mask(Kind.TRIP, Kind.HOLD)) | step.after.latched
    return step.permits.forbidden == counts  # row i takes output i


def _first(step: Step) -> bool | None:
    trips = (step.after.active & step.table.mask(Kind.TRIP)) | step.after.latched
    holds = step.after.active & step.table.mask(Kind.HOLD)
    lowest = [next((i for i in (0, 1) if mask >> i & 1), -1) for mask in (trips, holds)]
    return [step.permits.trip, step.permits.hold] == lowest


def _no_latch(step: Step) -> bool | None:
    fresh = step.after.latched & ~step.before.latched
    if step.job and not fresh:
        return None
    return (step.job or not fresh) and not step.after.latched & ~step.table.mask(Kind.TRIP)


def _acknowledged(step: Step) -> bool | None:
    """The same scan without the acknowledgement forbids, latches and holds the same."""
    if not step.acknowledge:
        return None
    after, permits = step.run(step.before, False)
    return (after.active, after.latched, permits.forbidden, permits.trip, permits.hold) == (
        step.after.active, step.after.latched, step.permits.forbidden, step.permits.trip, step.permits.hold,
    )  # fmt: skip


def _delay(step: Step) -> bool | None:
    """A cause counts once it has been there for its delay, and goes when it goes; a band lets it stay."""
    met = None
    for i, delay_s in enumerate(step.table.delays):
        bit = 1 << i
        stayed = bool(step.before.raw & bit & step.stays)
        there = bool(step.present & bit) or stayed
        if bool(step.after.raw & bit) is not there:
            return False
        since = step.before.since_s[i] if step.before.raw & bit else 0.0
        if bool(step.after.active & bit) is not (there and (-since >= delay_s or bool(step.before.active & bit))):
            return False
        met = True
    return met


def _shown(step: Step) -> bool | None:
    """Every row that is active, latched or not yet seen to have gone is listed, in the state that it has."""
    listed = {alarm.tag: alarm.state for alarm in step.after.alarms}
    expected = {}
    for i, row in enumerate(step.table.rows):
        active, latched, returned = (
            bool(mask >> i & 1) for mask in (step.after.active, step.after.latched, step.after.returned)
        )
        if active:
            seen = step.after.acknowledged >> i & 1
            expected[row.tag] = AlarmState.ACKNOWLEDGED if seen else AlarmState.UNACKNOWLEDGED
        elif latched or returned:
            expected[row.tag] = AlarmState.LATCHED if latched else AlarmState.RETURNED
    was = {alarm.tag: alarm.state for alarm in step.before.alarms}
    normal = AlarmState.NORMAL
    moved = {tag for tag in was.keys() | listed.keys() if was.get(tag, normal) is not listed.get(tag, normal)}
    told = {alarm.tag: alarm.state for alarm in step.permits.news}
    fits = all(told[tag] is listed.get(tag, normal) for tag in told)
    return listed == expected and moved <= told.keys() and fits


def _seen(step: Step) -> bool | None:
    """What comes up anew in the very scan of an acknowledgement has not been seen."""
    fresh = step.after.active & ~step.before.active
    if not (step.acknowledge and fresh):
        return None
    return not step.after.acknowledged & fresh


def _every(holds: Callable[[Step], bool | None]) -> tuple[int, int]:
    cases = met = 0
    for step in _steps():
        cases += 1
        answer = holds(step)
        if answer is False:
            raise NotProvenError(str(step))
        met += answer is True
    return cases, met


DOMAIN = (
    f"every memory reachable with {len(TABLES)} tables of 2 rows (trip, hold, advice; with and without band and delay) "
    "x causes, bands, acknowledge, reset, job or none"
)
STUBS = "the table: two rows whose causes are free; a delay lasts two scans"


def _st(name: str, says: str, holds: Callable[[Step], bool | None]) -> Statement:
    return Statement(f"latches.{name}", says, DOMAIN, STUBS, lambda: _every(holds))


STATEMENTS = (
    _st("kept", "a latch goes only by a reset with its cause gone", _never_lost),
    _st("at_once", "a trip in a job latches, trips and forbids in the same scan", _at_once),
    _st("forbids", "forbidden is what active trips, holds and latches take away, no more and no less", _takes),
    _st("first", "the first row of trips and of holds is the one that is told", _first),
    _st("no_latch", "without a job nothing latches, and nothing but a trip ever does", _no_latch),
    _st("acknowledge", "an acknowledgement changes nothing that is forbidden, latched or held", _acknowledged),
    _st("delay", "a cause counts after its delay without a break, stays within its band, and goes with it", _delay),
    _st("alarms", "the alarms listed are those that stand, in their state, and every change is news", _shown),
    _st("seen", "what comes up in the scan of an acknowledgement is not taken as seen", _seen),
    Statement(
        "latches.table",
        "every trip takes motor, ways in, XV-203, heater and push-pull, every hold the ways in, and advice nothing",
        "every row of the real table",
        "nothing",
        _real_rows,
    ),
)
