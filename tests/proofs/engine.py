"""Runs real functions on symbolic values, path by path, and judges statements.

A function is run again and again from its start. Whenever it asks a symbolic value for a Boolean the path forks: the
first answer that can be is taken, the others are tried in later runs. So all runs together are all inputs. What a
fork means for numbers and bits is asked of z3; a flag nobody has read yet can be either way and needs no solver.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import z3

_ROUND = z3.RNE()
_DOUBLE = z3.Float64()
WIDTH = 16
"""Bits of an integer of outputs."""


_ANSWERS: dict[frozenset[int], tuple[bool, Any]] = {}
"""What z3 has said already, by the conditions it was asked together; they are kept, so that no number names another."""


class NotProvenError(Exception):
    """A statement that does not hold (with its counterexample), or of which that is not known."""


class Path:
    """One run: the answers taken so far, and what they say of numbers and bits."""

    def __init__(self, forks: list[list[Any]], solver: z3.Solver) -> None:
        self._forks, self._next, self._solver = forks, 0, solver
        self.known: dict[str, Any] = {}
        """What has been chosen on this path, by name."""
        self.premises_met = 0

    def _fork(self, answers: Callable[[], Sequence[Any]]) -> Any:
        if self._next == len(self._forks):
            self._forks.append([0, answers()])
        position, values = self._forks[self._next]
        self._next += 1
        return values[position]

    def choose(self, name: str, values: Sequence[Any]) -> Any:
        """One of the values; all of them are tried. The same name has the same value all along a path."""
        if name not in self.known:
            self.known[name] = self._fork(lambda: values) if len(values) > 1 else values[0]
        return self.known[name]

    def decide(self, condition: z3.BoolRef) -> bool:
        """Whether the condition holds on this path; both where both can be."""
        plain = z3.simplify(condition)
        if z3.is_true(plain) or z3.is_false(plain):
            return z3.is_true(plain)
        taken = self._fork(lambda: [one for one in (True, False) if self._can_be(plain if one else z3.Not(plain))])
        self._solver.add(plain if taken else z3.Not(plain))
        return bool(taken)

    def _can_be(self, condition: z3.BoolRef) -> bool:
        key = frozenset(one.get_id() for one in (*self._solver.assertions(), condition))
        if key not in _ANSWERS:
            answer = self._solver.check(condition)
            if answer == z3.unknown:
                raise NotProvenError(f"unknown: {self._solver.reason_unknown()}")
            _ANSWERS[key] = bool(answer == z3.sat), (*self._solver.assertions(), condition)
        return _ANSWERS[key][0]

    def prove(self, conclusion: Any, said: str, premise: Any = True) -> None:
        """Raise unless the conclusion holds wherever the premise does on this path; count the premises met."""
        if isinstance(premise, Flag) or not isinstance(premise, Truth):
            if not premise:
                return
            premise = Truth(self, z3.BoolVal(True))
        if not self._can_be(premise.z3):
            return
        self.premises_met += 1
        if isinstance(conclusion, Truth):
            wrong = z3.And(premise.z3, z3.Not(conclusion.z3))
            if self._can_be(wrong):
                self._solver.check(wrong)
                raise NotProvenError(f"{said}: {self.shown()} {self._solver.model()}")
        elif not conclusion:
            raise NotProvenError(f"{said}: {self.shown()}")

    def shown(self) -> str:
        """What has been chosen on this path, in words."""
        return ", ".join(f"{name} = {value}" for name, value in self.known.items())

    def flag(self, name: str) -> Flag:
        """A Boolean of which nothing is known."""
        return Flag(self, name)

    def bits(self, name: str) -> Bits:
        """Outputs of which nothing is known."""
        return Bits(self, z3.BitVec(name, WIDTH))

    def double(self, name: str) -> Double:
        """A double of which nothing is known: NaN, infinities and both zeros included."""
        return Double(self, z3.FP(name, _DOUBLE))


def paths(body: Callable[[Path], None], most: int = 1_000_000) -> tuple[int, int]:
    """Run the body on every path; return how many there were, and how many premises they met."""
    forks: list[list[Any]] = []
    solver, runs, met = z3.SolverFor("QF_FPBV"), 0, 0
    while True:
        solver.push()
        path = Path(forks, solver)
        try:
            body(path)
        except NotProvenError:
            raise
        except Exception as why:
            raise NotProvenError(f"raises {why!r}: {path.shown()}") from why
        solver.pop()
        runs, met = runs + 1, met + path.premises_met
        while forks and forks[-1][0] + 1 == len(forks[-1][1]):
            forks.pop()
        if not forks:
            return runs, met
        if runs >= most:
            raise NotProvenError(f"cut short after {runs} paths")
        forks[-1][0] += 1


class Flag:
    """A free Boolean; it forks the path when it is read."""

    def __init__(self, path: Path, name: str) -> None:
        self.path, self.name = path, name

    def __bool__(self) -> bool:
        return bool(self.path.choose(self.name, (True, False)))

    def __eq__(self, other: object) -> bool:
        return bool(self) == bool(other)

    __hash__ = None  # type: ignore[assignment]


class Truth:
    """A condition on numbers or bits; it forks the path when it is read."""

    def __init__(self, path: Path, condition: z3.BoolRef) -> None:
        self.path, self.z3 = path, condition

    def __bool__(self) -> bool:
        return self.path.decide(self.z3)

    def __and__(self, other: Truth) -> Truth:
        return Truth(self.path, z3.And(self.z3, other.z3))

    def __or__(self, other: Truth) -> Truth:
        return Truth(self.path, z3.Or(self.z3, other.z3))

    def __invert__(self) -> Truth:
        return Truth(self.path, z3.Not(self.z3))


class Bits:
    """An integer of outputs. Python's negative numbers are those of two's complement, as far as the bits go."""

    def __init__(self, path: Path, value: z3.BitVecRef) -> None:
        self.path, self.z3 = path, value

    def _with(self, value: Any) -> Bits:
        return Bits(self.path, value)

    def __and__(self, other: Any) -> Bits:
        return self._with(self.z3 & raw(other))

    def __or__(self, other: Any) -> Bits:
        return self._with(self.z3 | raw(other))

    def __xor__(self, other: Any) -> Bits:
        return self._with(self.z3 ^ raw(other))

    __rand__, __ror__, __rxor__ = __and__, __or__, __xor__

    def __invert__(self) -> Bits:
        return self._with(~self.z3)

    def __eq__(self, other: object) -> Truth:  # type: ignore[override]
        return Truth(self.path, self.z3 == raw(other))

    def __ne__(self, other: object) -> Truth:  # type: ignore[override]
        return Truth(self.path, self.z3 != raw(other))

    def __bool__(self) -> bool:
        return self.path.decide(self.z3 != 0)

    __hash__ = None  # type: ignore[assignment]


def has(bits: Any, mask: int) -> Truth:
    """Whether all of these outputs are on."""
    return bits & mask == mask  # type: ignore[no-any-return]


def some(bits: Any, mask: int) -> Truth:
    """Whether any of these outputs is on."""
    return bits & mask != 0  # type: ignore[no-any-return]


class Unknown:
    """A struct of which nothing is known: every field is made when it is first read, the same all along a path."""

    def __init__(self, path: Path, of: str, make: Callable[[Path, str], Any], **known: Any) -> None:
        self._path, self._of, self._make = path, of, make
        self.__dict__.update(known)

    def __getattr__(self, name: str) -> Any:
        return self._make(self._path, f"{self._of}.{name}")


def raw(value: Any) -> Any:
    """What z3 knows of bits or a plain integer."""
    return value.z3 if isinstance(value, Bits) else z3.BitVecVal(int(value), WIDTH)


class Double:
    """A double by IEEE 754: NaN, infinities, both zeros, rounding to nearest."""

    def __init__(self, path: Path, value: z3.FPRef) -> None:
        self.path, self.z3 = path, value

    def _raw(self, other: Any) -> Any:
        return other.z3 if isinstance(other, Double) else z3.FPVal(float(other), _DOUBLE)

    def __mul__(self, other: Any) -> Double:
        return Double(self.path, z3.fpMul(_ROUND, self.z3, self._raw(other)))

    __rmul__ = __mul__

    def __lt__(self, other: Any) -> Truth:
        return Truth(self.path, z3.fpLT(self.z3, self._raw(other)))

    def __le__(self, other: Any) -> Truth:
        return Truth(self.path, z3.fpLEQ(self.z3, self._raw(other)))

    def __gt__(self, other: Any) -> Truth:
        return Truth(self.path, z3.fpGT(self.z3, self._raw(other)))

    def __ge__(self, other: Any) -> Truth:
        return Truth(self.path, z3.fpGEQ(self.z3, self._raw(other)))

    def __eq__(self, other: object) -> Truth:  # type: ignore[override]
        return Truth(self.path, z3.fpEQ(self.z3, self._raw(other)))

    def __ne__(self, other: object) -> Truth:  # type: ignore[override]
        return Truth(self.path, z3.Not(z3.fpEQ(self.z3, self._raw(other))))

    def nan(self) -> Truth:
        """Whether it is no number."""
        return Truth(self.path, z3.fpIsNaN(self.z3))

    __hash__ = None  # type: ignore[assignment]


@dataclass(frozen=True)
class Statement:
    """What is to hold, of which inputs, and what was put in place of the real thing."""

    name: str
    says: str
    domain: str
    stubs: str
    check: Callable[[], tuple[int, int]]
    """Returns how many cases there were and how many met the premise; raises `NotProvenError`."""
    defect: str = ""
    """Why it is known not to hold; "" where it is to hold."""


@dataclass(frozen=True)
class Verdict:
    """What came of a statement."""

    proven: bool
    said: str
    seconds: float


def judge(statement: Statement) -> Verdict:
    """Prove a statement, or say why not: a counterexample, unknown, cut short, vacuous."""
    begun = time.perf_counter()
    try:
        cases, met = statement.check()
        proven = met > 0
        said = f"{cases} cases, {met} of them within the premise" if proven else "vacuous: nothing meets the premise"
    except NotProvenError as why:
        proven, said = False, str(why)
    return Verdict(proven, said, time.perf_counter() - begun)


def over(items: Iterable[Any], body: Callable[[Path, Any], None], most: int = 1_000_000) -> tuple[int, int]:
    """Run the body on every path for every item; the premise has to be met by every single item."""
    cases = met = 0
    for item in items:
        more, within = paths(lambda path, item=item: body(path, item), most)  # type: ignore[misc]
        if not within:
            raise NotProvenError(f"vacuous for {item}")
        cases, met = cases + more, met + within
    return cases, met


def each(items: Iterator[Any]) -> tuple[int, int]:
    """Count an enumeration that raises by itself where a statement fails."""
    met = sum(1 for _ in items)
    return met, met
