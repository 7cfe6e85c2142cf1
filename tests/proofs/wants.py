"""What each phase wants of the outputs: every phase in every step, all doubles, all outputs that may be on."""

from __future__ import annotations

from collections.abc import Callable
from itertools import product
from typing import Any

from rigctl.control.points import (
    ALL,
    EH_001,
    INLETS,
    M_001,
    M_101,
    M_201,
    M_202,
    PUSH_PULL,
    WAYS_IN,
    XV_102,
    XV_104,
    XV_105,
    XV_106,
    XV_201,
    XV_202,
    XV_203,
    XV_204,
    XV_301,
)
from rigctl.control.procedure import aids, rooms
from rigctl.control.procedure.wish import Wish
from rigctl.control.vocabulary import Phase, Step
from tests.proofs.engine import Bits, Path, Statement, Unknown, has, over, paths, raw, some

WHERE = tuple(product(Phase, Step))
"""Every phase in every step, also in those that it never takes."""
DOMAIN = "all doubles (NaN, infinities) for 4 times and 2 settings x 2^16 outputs on x all flags of wish, rig and job"
AIDS = M_201 | M_202 | M_001 | EH_001
DRAWS = (Phase.LIQUID, Phase.VAPOR)
STANDS = (Phase.HOLDING, Phase.STOPPING)
SAFE = (Phase.IDLE, Phase.ABORTING, Phase.ABORTED)
VALVES = ALL & ~(AIDS | M_101)


def wish_of(path: Path, phase: Phase, step: Step) -> Wish:
    """A wish of which only phase and step are known; the aids are those that there are (`wants.aids`)."""
    wish: Any = Wish()
    wish.phase, wish.step = phase, step
    for name in ("in_step_s", "path_open_s", "ready_s", "in_switch_s"):
        setattr(wish, name, path.double(name))
    for name in ("resting", "moved", "path_shut", "uncleared"):
        setattr(wish, name, path.flag(name))
    wish.bits, wish.aids = path.bits("on now"), path.bits("aids") & AIDS
    wish.settings = Unknown(
        path, "settings", Path.flag,
        fitted=Unknown(path, "fitted", Path.flag), job=Unknown(path, "job", Path.flag),
        procedure=Unknown(path, "procedure", Path.double),
    )  # fmt: skip
    return wish  # type: ignore[no-any-return]


def _asked(path: Path, where: tuple[Phase, Step]) -> tuple[Wish, Bits]:
    wish = wish_of(path, *where)
    return wish, Bits(path, raw(rooms.wanted(wish)))


def _pumps(phase: Phase, step: Step) -> bool:
    return phase in (Phase.PUSH_PULL, *DRAWS, Phase.CLEAR_OUT) or (phase in STANDS and step is Step.EMPTYING)


def _motor(path: Path, where: tuple[Phase, Step]) -> None:
    _, bits = _asked(path, where)
    path.prove(~some(bits, M_101), f"the motor is wanted in {where}")


def _ready(path: Path, where: tuple[Phase, Step]) -> None:
    wish, bits = _asked(path, where)
    procedure: Any = wish.settings.procedure
    times: Any = (wish.path_open_s >= procedure.valve_stroke_s, wish.ready_s >= procedure.compressor_min_off_s)
    goes_over = where[0] is Phase.PUSH_PULL and where[1] not in (Step.PRESSING, Step.CROSSING)
    may = has(wish.bits, M_101) if goes_over else times[0] & times[1]
    path.prove(may, "the motor starts before its way out is surely open, or too soon", some(bits, M_101))


def _unknown(path: Path, where: tuple[Phase, Step]) -> None:
    wish, bits = _asked(path, where)
    times: Any = wish
    unknown = times.path_open_s.nan() | times.ready_s.nan()
    path.prove(~some(bits, M_101), "the motor starts at an unknown time", unknown & ~has(wish.bits, M_101))


def _out(path: Path, where: tuple[Phase, Step]) -> None:
    _, bits = _asked(path, where)
    way = has(bits, XV_301) & (has(bits, XV_201 | XV_202) | has(bits, XV_204))
    if where[0] is Phase.PUSH_PULL:
        way |= has(bits, XV_106)
    path.prove(way, f"the motor without its way out in {where}", some(bits, M_101))


def _rests(path: Path, where: tuple[Phase, Step]) -> None:
    wish, bits = _asked(path, where)
    path.prove(~some(bits, M_101), "the motor is wanted while it rests", wish.resting)


def _ways_in(path: Path, where: tuple[Phase, Step]) -> None:
    wish, bits = _asked(path, where)
    phase, step = where
    allowed = INLETS if phase in DRAWS else 0
    if phase is Phase.LINE_UP and step is Step.CONNECTED:
        both = has(bits, INLETS)
        path.prove(~both, "line-up opens both inlets")
        allowed = INLETS
    elif phase is Phase.STANDING and not wish.settings.fitted.pt_001:
        allowed = INLETS
    elif phase is Phase.PUSH_PULL and step is Step.CROSSING:
        allowed = XV_104
    path.prove(~some(bits, WAYS_IN & ~allowed), f"a way in is wanted in {where}")


def _loose(path: Path, where: tuple[Phase, Step]) -> None:
    wish, bits = _asked(path, where)
    hangs = wish.settings.fitted.xv_102 and not wish.settings.job.liquid_first
    path.prove(~some(bits, INLETS & ~XV_102), "the inlet of a port out of reach is wanted", hangs)


def _standing(path: Path, where: tuple[Phase, Step]) -> None:
    _, bits = _asked(path, where)
    said = "a standing check with the appliance not by itself"
    path.prove(~some(bits, M_101 | XV_201 | XV_203 | XV_204 | PUSH_PULL) & has(bits, XV_202 | XV_301), said)


def _across(path: Path, where: tuple[Phase, Step]) -> None:
    _, bits = _asked(path, where)
    path.prove(
        has(bits, XV_105 | XV_106 | XV_202 | XV_301) & ~some(bits, XV_201 | INLETS), f"{where}", some(bits, XV_104)
    )


def _valves_across(path: Path, where: tuple[Phase, Step]) -> None:
    _, bits = _asked(path, where)
    path.prove(~some(bits, PUSH_PULL), f"push-pull's valves are wanted in {where}")


def _cooler(path: Path, where: tuple[Phase, Step]) -> None:
    wish, bits = _asked(path, where)
    times, procedure = wish.in_switch_s, wish.settings.procedure
    later: Any = times >= 2.0 * procedure.valve_stroke_s
    right = has(bits, XV_204 | XV_301) & ~some(bits, XV_201 | XV_202 | WAYS_IN) & later
    path.prove(right, f"the cooler is let into the header in {where}", some(bits, XV_203))


def _bypass(path: Path, where: tuple[Phase, Step]) -> None:
    wish, bits = _asked(path, where)
    down: Any = wish.in_switch_s >= 0.0
    path.prove(down, f"the bypass is opened in {where} before the header was down", some(bits, XV_204))


def _cut_off(path: Path, where: tuple[Phase, Step]) -> None:
    _, bits = _asked(path, where)
    path.prove(~some(bits, XV_203 | XV_204), f"the cooler's bypass is wanted in {where}")


def _shuts(path: Path, where: tuple[Phase, Step]) -> None:
    wish, bits = _asked(path, where)
    only = ~some(bits & ~wish.bits, VALVES) & ~some(bits, M_101)
    order = has(bits, XV_301) | ~some(bits, XV_204) | ~has(wish.bits, XV_301)
    cleared = where[0] is not Phase.ISOLATE or not wish.uncleared
    path.prove(only & order, f"{where} opens something, or shuts the cylinder before the bypass", cleared)


def _shutting(phase: Phase, step: Step) -> bool:
    return phase is Phase.ISOLATE or (phase in STANDS and step is Step.SHUTTING)


def _kept(path: Path, where: tuple[Phase, Step]) -> None:
    wish, bits = _asked(path, where)
    if where[0] is Phase.ISOLATE and not wish.uncleared:
        return
    way = has(bits, XV_301) & (has(bits, XV_202) | has(bits, XV_204))
    path.prove(way, f"lines that may hold liquid are shut in {where}", wish.moved and not wish.path_shut)


def _stays_shut(path: Path, where: tuple[Phase, Step]) -> None:
    wish, bits = _asked(path, where)
    path.prove(~some(bits, XV_301), f"XV-301 is opened in {where}", wish.path_shut or not wish.moved)


def _heat(path: Path, where: tuple[Phase, Step]) -> None:
    wish, bits = _asked(path, where)
    warms = where[0] in (Phase.VAPOR, Phase.STANDING)
    right = has(wish.aids, EH_001) | ~some(bits, EH_001) if warms else ~some(bits, EH_001)
    path.prove(right, f"the heater is wanted in {where}")


def _water(path: Path, where: tuple[Phase, Step]) -> None:
    wish, bits = _asked(path, where)
    phase = where[0]
    needed = wish.settings.job.water_side
    if phase in (*DRAWS, Phase.STANDING):
        needed = needed and bool(has(wish.aids, M_001))
    elif phase in SAFE:
        needed = needed and wish.moved
    path.prove(has(bits, M_001), f"the water stands in {where}", needed)


def _aids(path: Path) -> None:
    """`aids.aids` with everything free that it looks at."""

    def free(path: Path, name: str) -> Any:
        return Free(path, name)

    w = Free(path, "w", settings=Unknown(path, "settings", free, job=Unknown(path, "job", free)))
    bits = Bits(path, raw(aids.aids(w)))  # type: ignore[arg-type]
    path.prove(~some(bits, ~AIDS), "an aid that is none")
    path.prove(has(bits, M_001), "no aid moves the water", w.settings.job.water_side)


class Free(Unknown):
    """A value of which nothing is known, whatever is asked of it; each answer to a comparison is free."""

    def __init__(self, path: Path, name: str, **known: Any) -> None:
        self._path, self._of, self._make = path, name, Free
        if known:
            self.__dict__.update(known)

    def _answer(self, how: str, other: object) -> bool:
        return bool(self._path.choose(f"{self._of} {how} {_name(other)}", (False, True)))

    def __lt__(self, other: object) -> bool:
        return self._answer("<", other)

    def __le__(self, other: object) -> bool:
        return self._answer("<=", other)

    def __gt__(self, other: object) -> bool:
        return self._answer(">", other)

    def __ge__(self, other: object) -> bool:
        return self._answer(">=", other)

    def __eq__(self, other: object) -> bool:
        return self._answer("==", other)

    def __ne__(self, other: object) -> bool:
        return self._answer("!=", other)

    def __bool__(self) -> bool:
        return self._answer("is", "true")

    def _more(self, how: str, other: object) -> Free:
        return Free(self._path, f"({self._of} {how} {_name(other)})")

    def __add__(self, other: object) -> Free:
        return self._more("+", other)

    def __sub__(self, other: object) -> Free:
        return self._more("-", other)

    def __mul__(self, other: object) -> Free:
        return self._more("*", other)

    def __truediv__(self, other: object) -> Free:
        return self._more("/", other)

    def __and__(self, other: object) -> Free:
        return self._more("&", other)

    def __radd__(self, other: object) -> Free:
        return self._more("after +", other)

    def __rsub__(self, other: object) -> Free:
        return self._more("after -", other)

    def __rmul__(self, other: object) -> Free:
        return self._more("after *", other)

    def __abs__(self) -> Free:
        return self._more("without its sign", "")

    def __pow__(self, other: object) -> Free:
        return self._more("to the", other)

    def __format__(self, how: str) -> str:
        return self._of

    def __neg__(self) -> Free:
        return self._more("negative", "")

    def __call__(self, *args: object, **named: object) -> Free:
        return self._more("of", ", ".join(map(_name, args)))

    __hash__ = None  # type: ignore[assignment]


def _name(value: object) -> str:
    return value._of if isinstance(value, Unknown) else str(value)


Place = tuple[Phase, Step]


def _where(chosen: Callable[[Phase, Step], bool]) -> tuple[Place, ...]:
    return tuple((phase, step) for phase, step in WHERE if chosen(phase, step))


def _empties(phase: Phase, step: Step) -> bool:
    return phase is Phase.CLEAR_OUT or (phase in STANDS and step is Step.EMPTYING)


def _waits(phase: Phase, step: Step) -> bool:
    idle = (*SAFE, Phase.LINE_UP, Phase.HELD, Phase.RESTARTING, Phase.STOPPED, Phase.COMPLETE)
    return phase in idle or (phase in STANDS and step not in (Step.EMPTYING, Step.SHUTTING))


def _st(name: str, says: str, one: Callable[[Path, Place], None], chosen: Callable[[Phase, Step], bool]) -> Statement:
    where = _where(chosen)
    domain = f"{DOMAIN}; {len(where)} of {len(WHERE)} phases x steps"
    return Statement(f"wants.{name}", says, domain, "nothing", lambda: over(where, one))


STATEMENTS = (
    _st("motor", "the motor is wanted only where something is drawn, pressed or cleared out", _motor,
        lambda phase, step: not _pumps(phase, step)),
    _st("ready", "the motor is wanted only with its way out open for a stroke and rested long enough, or as it runs",
        _ready, _pumps),
    _st("unknown", "at a time that is no number the motor is not started", _unknown, _pumps),
    _st("out", "the motor is wanted only together with a way out", _out, _pumps),
    _st("rests", "while the motor rests it is not wanted", _rests, lambda phase, step: phase in DRAWS),
    _st("ways_in", "a way in is wanted only to draw, to cross, to connect (one), or to watch without PT-001",
        _ways_in, lambda phase, step: True),
    _st("loose", "the inlet of a port out of reach stays shut", _loose,
        lambda phase, step: phase in (Phase.LINE_UP, Phase.VAPOR, Phase.STANDING)),
    _st("standing", "in a standing check motor, discharge and bypass are kept from the appliance", _standing,
        lambda phase, step: phase is Phase.STANDING),
    _st("across", "XV-104 is wanted only with the circle of push-pull closed and XV-201 shut", _across,
        lambda phase, step: phase is Phase.PUSH_PULL and step is Step.CROSSING),
    _st("valves_across", "push-pull's valves are wanted in push-pull only", _valves_across,
        lambda phase, step: phase is not Phase.PUSH_PULL),
    _st("cooler", "XV-203 opens last: bypass open, cooler cut off, two strokes after the header was down", _cooler,
        _empties),
    _st("bypass", "the bypass opens only once the header has been pumped down", _bypass, _empties),
    _st("cut_off", "elsewhere XV-203 is not wanted, and the bypass only to shut", _cut_off,
        lambda phase, step: not _empties(phase, step) and not _shutting(phase, step)),
    _st("shuts", "shutting opens nothing, and shuts the cylinder after the bypass", _shuts, _shutting),
    _st("kept", "lines that may hold liquid keep their way into the cylinder, but where they are shut on purpose",
        _kept, lambda phase, step: not _shutting(phase, step) or phase is Phase.ISOLATE),
    _st("stays_shut", "where nothing is done, XV-301 stays shut if it has to, or if nothing has moved", _stays_shut,
        _waits),
    _st("heat", "the heater is wanted only over drawn vapor and in a standing check, and only if it may be on", _heat,
        lambda phase, step: True),
    _st("water", "the water of an exchanger moves, in every state but the ended ones", _water,
        lambda phase, step: phase not in (Phase.STOPPED, Phase.COMPLETE)),
    Statement("wants.aids", "the aids are fans, bath, water and heater, and the water is among them",
              "everything free that aids() looks at", "readings, figures and memories answer anything",
              lambda: paths(_aids)),
)  # fmt: skip
