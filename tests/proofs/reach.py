"""Reachable states: the real story of a scan, again and again, with all that it reads and judges set free."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from functools import lru_cache
from itertools import product
from types import SimpleNamespace
from typing import Any, NamedTuple
from unittest import mock

from rigctl.control import decide, notation, state
from rigctl.control.points import M_101, WAYS_IN, XV_202, XV_204, XV_301, Outputs
from rigctl.control.procedure import clearing, cylinders, rooms, sequence
from rigctl.control.procedure.phases import clear_out, ended, held, holding, line_up, restarting
from rigctl.control.protect.alarms import Memory
from rigctl.control.protect.gate import fitted_outputs
from rigctl.control.protect.table import TABLE
from rigctl.control.sense import weight
from rigctl.control.settings import Fitted
from rigctl.control.state import Appliance, Drive, Event, Lines, OnScale, Pull, Rest, Standing, State
from rigctl.control.vocabulary import RUNNING, Ask, Cause, Kind, Phase, Step
from tests.proofs.engine import NotProvenError, Path, Statement, paths
from tests.proofs.requests import GOOD, Sign
from tests.proofs.wants import AIDS, Free

TAKING = (Phase.PUSH_PULL, Phase.LIQUID, Phase.VAPOR)
RIGS = {
    "no clear-out": Fitted(),
    "push-pull": Fitted(cooler_valves=True, pt_001=True, cv_103=True, push_pull=True),
}


class Kept(NamedTuple):
    """What is carried from scan to scan, as far as the statements hang on it; all else is free in every scan."""

    phase: Phase = Phase.IDLE
    step: Step = Step.WHOLE
    resume_to: Phase = Phase.LINE_UP
    ask: Ask = Ask.NOTHING
    said: bool = False
    moved: bool = False
    path_shut: bool = False
    uncleared: bool = False
    tare_known: bool = False
    off: bool = False
    bits: int = 0
    wet: bool = False
    """No memory of the controller but the truth: liquid may have been pumped into the lines and not cleared out."""


ASKS = (Ask.NOTHING, Ask.CHANGE_CYLINDER, Ask.CHECK_CHARGE)
"""What the procedure goes on by; all other asks are one."""


class _Signed(Sign):
    """The first active row of a kind; which one is chosen when it is looked up."""

    def __init__(self, path: Path, name: str, rows: dict[Kind, Any]) -> None:
        super().__init__(path, name)
        self.rows = rows

    def row(self) -> Any:
        kind = Kind.HOLD if "hold" in self.name else Kind.TRIP
        takes, change = self.path.choose(f"row of {self.name}", self.rows[kind])
        ask = Ask.CHANGE_CYLINDER if change else Ask.CHECK_RIG
        return SimpleNamespace(takes=takes, ask=ask, tag="TAG", cause="cause", say=lambda x: "The row's sentence.")


def _classes(kind: Kind, outputs: int) -> tuple[tuple[int, bool], ...]:
    """What rows take of a rig's outputs and whether they ask for another cylinder, alone or with all others."""
    rows = [(row.takes & outputs, row.ask is Ask.CHANGE_CYLINDER) for row in TABLE if row.kind is kind]
    together = 0
    for takes, _ in rows:
        together |= takes
    return tuple(sorted({*rows, *((together, change) for _, change in rows)}))


class _Rows:
    def __getitem__(self, sign: _Signed) -> Any:
        return sign.row()


class _Permits:
    news = ()

    def __init__(self, path: Path, suffix: str, rows: dict[Kind, Any]) -> None:
        self.trip, self.hold = _Signed(path, f"tripped{suffix}", rows), _Signed(path, f"must hold{suffix}", rows)
        self.inhibit = _Signed(path, "inhibit", rows)

        self.rows = rows
        self.forbidden = _Forbidden(self)


class _Forbidden:
    """What is taken away. The path forks only as far as it makes a difference to what is asked."""

    def __init__(self, permits: _Permits) -> None:
        self.permits, self.path = permits, permits.trip.path
        self.could: list[tuple[Any, Any]] | None = None

    def __and__(self, mask: int) -> int:
        trip, hold = self.permits.trip, self.permits.hold
        takes = trip.row().takes if trip >= 0 else 0
        return (takes | (hold.row().takes if hold >= 0 else 0)) & mask  # type: ignore[no-any-return]

    def __invert__(self) -> _Allowed:
        return _Allowed(self)

    def allow(self, bits: int) -> int:
        """`bits & ~forbidden`, asked last in a scan: what had to be known of trips and holds is known by then."""
        if self.could is None:
            self.could = list(
                product(self._rows(self.permits.trip, Kind.TRIP), self._rows(self.permits.hold, Kind.HOLD))
            )
        left = {pair: bits & ~(pair[0][0] | pair[1][0]) for pair in self.could}
        found: int = self.path.choose(f"left of {bits}", sorted(set(left.values())))
        self.could = [pair for pair in self.could if left[pair] == found]
        return found

    def _rows(self, sign: _Signed, kind: Kind) -> list[tuple[int, bool]]:
        known, none = self.path.known, (0, False)
        if known.get(sign.name) is False:
            return [none]
        row = f"row of {sign.name}"
        rows = [known[row]] if row in known else list(self.permits.rows[kind])
        return rows if known.get(sign.name) else [none, *rows]


class _Allowed:
    """What is not forbidden, of the rig's outputs: the gate meets it with those first, then with what is wanted."""

    def __init__(self, forbidden: _Forbidden, outputs: int | None = None) -> None:
        self.forbidden, self.outputs = forbidden, outputs

    def __rand__(self, bits: int) -> Any:
        if self.outputs is None:
            return _Allowed(self.forbidden, bits)
        return self.forbidden.allow(bits & self.outputs)


class _Asked:
    """What `requests.contract` says may be asked in a state, and no more."""

    acknowledge = False
    refusals: tuple[str, ...] = ()

    def __init__(self, path: Path, before: Kept) -> None:
        phase = before.phase
        self.path, self.must_name = path, before.ask is Ask.CHANGE_CYLINDER and phase is Phase.HELD
        self.abort, self.stop = path.flag("abort asked"), path.flag("stop asked")
        self.hold = path.flag("hold asked") if phase in RUNNING or phase is Phase.RESTARTING else False
        self.start = path.flag("start asked") if phase is Phase.IDLE else False
        self.restart = path.flag("restart asked") if phase is Phase.HELD else False
        self.reset = path.flag("reset asked") if phase is Phase.ABORTED else False

    @property
    def cylinder(self) -> Any:
        return GOOD if self.must_name else self.path.choose("cylinder named", (None, GOOD))


class Run:
    """What stands in the place of readings, checks and estimates; it answers for one path of one scan at a time."""

    path: Path
    before: Kept
    cleared: bool
    evaluations: int
    static: Callable[..., tuple[str, Ask]]
    prepared: Any

    def __init__(self, fitted: Fitted) -> None:
        self.fitted = fitted
        self.outputs = fitted_outputs(SimpleNamespace(fitted=fitted))  # type: ignore[arg-type]
        self.rows = {kind: _classes(kind, self.outputs & ~AIDS) for kind in (Kind.TRIP, Kind.HOLD)}

    def begin(self, path: Path, before: Kept) -> None:
        """A path of a scan begins."""
        self.path, self.before, self.cleared, self.evaluations = path, before, False, 0
        settings: Any = Free(path, "settings", fitted=self.fitted)
        self.prepared = Free(
            path, "prepared", settings=settings, outputs_fitted=self.outputs, figures=Free(path, "figures")
        )

    def text(self, *args: Any, **named: Any) -> str:
        return "text"

    def free(self, name: str) -> Callable[..., Any]:
        return lambda *args, **named: Free(self.path, name)

    def state(self) -> State:
        b, path = self.before, self.path
        free: Any = Free(path, "memory before")
        appliance: Any = {name: Free(path, f"appliance.{name}") for name in Appliance.__struct_fields__}
        return State(
            phase=b.phase, step=b.step, resume_to=b.resume_to, ask=b.ask, sentence="before" if b.said else "",
            on_scale=OnScale(GOOD, 20.0, b.tare_known, b.off), pull=Pull(1e4), scan=5,
            drive=Drive(0.5, Outputs(b.bits, 0.5), motor_s=3.0, path_s=2.0), at_s=4.0, entered_s=0.0, step_s=1.0,
            estimate=free, lines=Lines(b.moved, b.path_shut, b.uncleared), appliance=Appliance(**appliance),
            standing=Standing(),
        )  # fmt: skip

    # --- what stands in the place of checks and estimates

    def evaluate(self, memory: Any, x: Any, *, acknowledge: Any, reset: Any) -> Any:
        self.evaluations += 1
        return Memory(), _Permits(self.path, "" if self.evaluations == 1 else " with the other cylinder", self.rows)

    def situation(self, *args: Any) -> Any:
        return Free(self.path, "x", s=Free(self.path, "s"), settings=self.prepared.settings, prepared=self.prepared)

    def clear(self, w: Any) -> tuple[bool, str]:
        done, why = self.path.choose("clear", ((True, ""), (False, ""), (False, "in vain")))
        self.cleared = done
        return done, why

    def find(self, *names: str) -> Callable[[Any, Any], None]:
        def judge(w: Any, f: Any) -> None:
            for name in names:
                setattr(f, name, self.path.flag(name))

        return judge

    def push_pull(self, w: Any, f: Any) -> None:
        if w.step is Step.GOING_OVER:
            f.crossed, f.push_pull_over = self.path.flag("crossed"), self.path.flag("push_pull_over")
        else:
            step = self.path.choose("step", (w.step, Step.CROSSING, Step.GOING_OVER))
            if step is not w.step:
                w.begin(step)

    def line_up(self, before: State, x: Any, permits: Any) -> tuple[str, Ask]:
        """The static checks as they are; with an inlet open, any of the others may fail."""
        if before.step is Step.STATIC:
            return self.static(before, x, permits)
        return self.path.choose("line-up", (("", Ask.NOTHING), ("A fault.", Ask.CHECK_REFRIGERANT)))  # type: ignore[no-any-return]

    def passed(self, w: Any, f: Any) -> None:
        f.line_up_passed, f.liquid_wanted = True, self.path.flag("liquid wanted")
        f.push_pull_pays = self.fitted.push_pull and self.path.flag("push_pull_pays")

    def failed(self, w: Any, f: Any, fault: str, ask: Ask) -> None:
        f.line_up_failed, w.sentence, w.ask = True, fault, ask

    def rest(self, w: Any) -> None:
        if w.phase in (Phase.LIQUID, Phase.VAPOR) and self.path.choose("rests", (False, True)):
            w.pull.rest = Rest(Cause.CYLINDER)

    @contextmanager
    def stubs(self) -> Iterator[None]:
        text, free, self.static = self.text, self.free, line_up.line_up_fault
        nothing: Callable[..., None] = lambda *args: None  # noqa: E731
        fault: Callable[..., str] = lambda *args: self.path.choose("cylinder fault", ("", "A fault."))  # noqa: E731
        places: dict[Any, dict[str, Any]] = {
            decide: {
                "_situation": self.situation, "hear": lambda *args: _Asked(self.path, self.before),
                "answer": lambda *args: (), "_decision": nothing,
                "estimate": SimpleNamespace(update=lambda *args, **named: (Free(self.path, "m"), Free(self.path, "s"))),
                "engine": SimpleNamespace(evaluate=self.evaluate), "pauses": SimpleNamespace(rest=self.rest),
                "aids": SimpleNamespace(aids=lambda w: 0), "throttle": SimpleNamespace(throttle=lambda w: 0.0),
            },
            notation: dict.fromkeys(WORDS, text),
            weight: {name: free(name) for name in WEIGHING},
            sequence: {"stirred": lambda f: True},
            clearing: {"clear": self.clear}, clear_out: {"clear": self.clear},
            cylinders: {"limit_kg": lambda *args: 20.0, "cylinder_on": lambda *args: Event("cylinder", "", "on")},
            line_up: {
                "cylinder_fault": fault, "TABLE": _Rows(), "wrong_weight": text, "line_up_fault": self.line_up,
                "_passed": self.passed, "_failed": self.failed,
            },
            held: {"wrong_weight": text},
            holding: {"TABLE": _Rows(), "_say_too_little": text, "_say_leaks": text, "_say_came_back": text},
            restarting: {
                "cylinder_fault": fault, "TABLE": _Rows(), "wrong_weight": text,
                "push_pull_pays": lambda w: self.fitted.push_pull and self.path.flag("push_pull_pays"),
            },
            rooms.aborting: {"TABLE": _Rows()},
        }  # fmt: skip
        judges = {
            Phase.PUSH_PULL: self.push_pull, Phase.LIQUID: self.find("liquid_gone", "hose_must_move"),
            Phase.VAPOR: self.find("level_held", "liquid_back"),
            Phase.STANDING: self.find("standing_failed", "standing_passed", "standing_gave_up", "too_little"),
        }  # fmt: skip
        with ExitStack() as stack:
            for module, names in places.items():
                stack.enter_context(mock.patch.multiple(module, **names))
            stack.enter_context(mock.patch.dict(rooms._IN_PHASE, judges))
            stack.enter_context(mock.patch.dict(rooms._ON_LEAVING, {Phase.STANDING: nothing}))
            yield


WORDS = ("mass", "pressure", "temperature", "duration", "pressure_difference", "absolute")
WEIGHING = ("net_kg", "net_uncertainty_kg", "owed_kg", "with_cylinder", "with_scale_believed", "with_scale_moved")


class Scan(NamedTuple):
    """What one scan made of what was kept; `sentence` as it was said."""

    before: Kept
    after: Kept
    sentence: str
    holds: bool
    """A hold row was active, or nobody looked."""
    tripped: bool
    fitted: Fitted

    def __str__(self) -> str:
        return f"{self.before} -> {self.after}, {self.sentence!r}, {self.fitted}"


def _kept(after: State, wet: bool) -> Kept:
    on_scale, lines = after.on_scale, after.lines
    ask = after.ask if after.ask in ASKS else Ask.CONFIRM
    return Kept(
        after.phase, after.step, after.resume_to, ask, bool(after.sentence), bool(lines.moved), bool(lines.path_shut),
        bool(lines.uncleared), bool(on_scale.tare_known), bool(on_scale.off), after.drive.outputs.bits & ~AIDS, wet,
    )  # fmt: skip


def _wet(run: Run, after: State) -> bool:
    """Whether lines may hold liquid in truth.

    What pumps or presses liquid fills them; a clear-out that was found done empties them. Where there is none, vapor
    drawn through them does, as far as the procedure takes it to.
    """
    pumps = after.drive.outputs.bits & M_101
    if pumps and after.phase in (Phase.LIQUID, Phase.PUSH_PULL):
        return True
    if run.fitted.cooler_valves:
        return (run.before.wet or bool(pumps and after.phase is Phase.VAPOR)) and not run.cleared
    return run.before.wet and after.phase is not Phase.VAPOR


def scans(fitted: Fitted) -> Iterator[Scan]:
    """Every scan from every state that can be reached, a power cut after any of them included."""
    begin, run = Kept(), Run(fitted)
    readings: Any = SimpleNamespace(requests=(1,))
    seen, edge = {begin}, deque([begin])
    while edge:
        before = edge.popleft()
        found: dict[Any, Scan] = {}

        def one(path: Path, before: Kept = before, found: dict[Any, Scan] = found) -> None:
            run.begin(path, before)
            after, _, _ = decide.decide(run.state(), readings, run.prepared)
            kept = _kept(after, _wet(run, after))
            holds = bool(path.known.get("must hold", True))  # not asked for: it may
            tripped = bool(path.known.get("tripped", True))
            found[kept, after.sentence, holds, tripped] = Scan(before, kept, after.sentence, holds, tripped, fitted)

        with run.stubs():
            paths(one)
        for scan in found.values():
            yield scan
            for later in map(_matters, (scan.after, _power_cut(scan.after))):
                if later not in seen:
                    seen.add(later)
                    edge.append(later)


def _power_cut(kept: Kept) -> Kept:
    path = Path([], None)  # type: ignore[arg-type]
    run = Run(Fitted())
    run.begin(path, kept)
    nothing: Any = lambda *args, **named: None  # noqa: E731
    with (
        mock.patch.object(state, "estimate", SimpleNamespace(after_power_loss=nothing)),
        mock.patch.object(state.outgassing, "kept", lambda giving: giving),
    ):
        return _kept(state.after_power_loss(run.state()), kept.wet)


STANDING_STATES = (Phase.HELD, Phase.ABORTED, Phase.STOPPED, Phase.COMPLETE)
PAUSED = (Phase.HOLDING, Phase.HELD, Phase.RESTARTING)
LIQUID_SAID = (clearing.LINES_HOLD_LIQUID, clearing.LINES_SHUT_IN, ended.NO_CLEAR_OUT, "still hold liquid")


def _matters(kept: Kept) -> Kept:
    """What the next scan can hang on: outputs only where shutting and going over look at them, and so on."""
    paused = kept.phase in PAUSED
    bits = kept.bits & (XV_301 | XV_204 | (M_101 if kept.phase is Phase.PUSH_PULL else 0))
    return kept._replace(
        resume_to=kept.resume_to if paused else Phase.LINE_UP,
        ask=kept.ask if paused else Ask.NOTHING,
        said=kept.said and kept.phase not in RUNNING,
        bits=bits,
    )


def _weighed(scan: Scan) -> bool | None:
    now = scan.after
    if not (now.phase in TAKING or (now.bits & (WAYS_IN | M_101) and now.phase is not Phase.LINE_UP)):
        return None
    return now.tare_known and not now.off


def _liquid_said(scan: Scan) -> bool | None:
    now = scan.after
    asks = now.phase is Phase.HELD and now.ask is Ask.CHANGE_CYLINDER and scan.before.phase is Phase.HOLDING
    ends = now.phase in (Phase.STOPPED, Phase.COMPLETE) and scan.before.phase is not now.phase
    if not (now.wet and (asks or ends)):
        return None
    return any(said in scan.sentence for said in LIQUID_SAID)


def _liquid_open(scan: Scan) -> bool | None:
    now = scan.after
    shut_on_purpose = now.step is Step.SHUTTING or (now.phase is Phase.ISOLATE and not now.uncleared)
    if not now.moved or now.path_shut or shut_on_purpose or scan.tripped:
        return None
    way = not scan.fitted.cooler_valves or bool(now.bits & (XV_202 | XV_204))
    return bool(now.bits & XV_301) and way


def _no_entry(scan: Scan) -> bool | None:
    if scan.before.phase in (*RUNNING, Phase.IDLE) or not scan.holds:
        return None
    return scan.after.phase not in RUNNING


def _sentence(scan: Scan) -> bool | None:
    return scan.after.said if scan.after.phase in STANDING_STATES else None


def _off(scan: Scan) -> bool | None:
    return not scan.after.bits & XV_301 if scan.after.off else None


ASKED: dict[str, Callable[[Scan], bool | None]] = {
    "weighed": _weighed, "liquid_said": _liquid_said, "liquid_open": _liquid_open, "hold": _no_entry,
    "sentence": _sentence, "off": _off,
}  # fmt: skip


@lru_cache(maxsize=1)
def everything() -> tuple[int, dict[str, int], dict[str, str]]:
    """Look at every scan once for all statements: scans, premises met and the first counterexample of each."""
    cases, met, wrong = 0, dict.fromkeys(ASKED, 0), dict[str, str]()
    for fitted in RIGS.values():
        for scan in scans(fitted):
            cases += 1
            for name, holds in ASKED.items():
                answer = holds(scan)
                met[name] += answer is not None
                if answer is not None and not answer:
                    wrong.setdefault(name, str(scan))
    return cases, met, wrong


def _of(name: str) -> tuple[int, int]:
    cases, met, wrong = everything()
    if name in wrong:
        raise NotProvenError(wrong[name])
    return cases, met[name]


def first_wrong(name: str) -> str:
    """The first counterexample to one statement alone, "" for none; for breaks, which need not look on."""
    for fitted in RIGS.values():
        for scan in scans(fitted):
            answer = ASKED[name](scan)
            if answer is not None and not answer:
                return str(scan)
    return ""


DOMAIN = (
    f"every state that can be reached on {len(RIGS)} kinds of rig ({', '.join(RIGS)}), with any request that may be "
    "taken, any trip and hold, and a power cut after any scan"
)
STUBS = (
    "readings, estimates, figures and settings answer anything; the checks of line-up with an inlet open, PUSH_PULL, "
    "LIQUID, VAPOR, STANDING and the clear-out find anything; requests as by requests.contract; no aids; throttle shut"
)


def _st(name: str, says: str) -> Statement:
    return Statement(f"reach.{name}", says, DOMAIN, STUBS, lambda: _of(name))


STATEMENTS = (
    _st("weighed", "nothing is taken or pumped without a weighed cylinder on"),
    _st("off", "a cylinder that is off has XV-301 shut"),
    _st("liquid_said", "whoever is to take off cylinder or hoses is told where lines may hold liquid"),
    _st(
        "liquid_open",
        "lines that may hold liquid are open to the cylinder, unless shut on purpose, by power or by a trip",
    ),
    _st("hold", "with a hold present nothing that stands enters RUNNING (but a start, which only begins its checks)"),
    _st("sentence", "every standing state has a sentence"),
)
