"""The gate: all outputs that may be wanted, all that may be forbidden, every rig that can be fitted."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

from rigctl.control.points import M_101, OUTPUT_TAGS, XV_106, XV_201, XV_202, XV_204, XV_301
from rigctl.control.protect import gate
from rigctl.control.settings import Fitted
from tests.proofs.engine import Bits, NotProvenError, Path, Statement, Truth, has, over, raw

OPTIONS = ("xv_101", "xv_102", "cooler_valves", "m_201", "m_202", "m_001", "eh_001", "push_pull")
"""The settings that fit or leave out an output."""
RIGS = tuple(
    SimpleNamespace(fitted=Fitted(**dict(zip(OPTIONS, chosen, strict=True))))
    for chosen in itertools.product((False, True), repeat=len(OPTIONS))
)
DOMAIN = f"2^16 outputs x 2^16 masks x {len(RIGS)} rigs (all that can be fitted, also those that are refused)"


def _let_through(path: Path, rig: Any) -> tuple[Bits, Bits, Bits, int]:
    """Run the gate; return what was wanted, what is forbidden, what comes through, and what the rig has."""
    wanted, forbidden, fitted = path.bits("wanted"), path.bits("forbidden"), gate.fitted_outputs(rig)
    through = gate.gate(wanted, forbidden, SimpleNamespace(outputs_fitted=fitted, settings=rig))  # type: ignore[arg-type]
    return wanted, forbidden, Bits(path, raw(through)), fitted


def _way_out(bits: Bits, rig: Any) -> Truth:
    """By the drawing of the rig: to the cylinder through cooler or bypass, or to the appliance."""
    cylinder = has(bits, XV_301)
    if rig.fitted.cooler_valves:
        cylinder &= has(bits, XV_201 | XV_202) | has(bits, XV_204)
    return cylinder | has(bits, XV_106)


def _motor(path: Path, rig: Any) -> None:
    _, _, through, _ = _let_through(path, rig)
    path.prove(_way_out(through, rig), "motor on without a way out", premise=has(through, M_101))


def _forbidden(path: Path, rig: Any) -> None:
    _, forbidden, through, fitted = _let_through(path, rig)
    path.prove((through & forbidden == 0) & (through & ~fitted == 0), "forbidden or not fitted, and on")


def _added(path: Path, rig: Any) -> None:
    wanted, _, through, _ = _let_through(path, rig)
    path.prove(through & ~wanted == 0, "on though nobody wants it")


def _kept(path: Path, rig: Any) -> None:
    wanted, forbidden, through, fitted = _let_through(path, rig)
    allowed = wanted & fitted & ~forbidden
    may_run = has(allowed, M_101) & _way_out(allowed, rig)
    path.prove(has(through, M_101), "motor taken away though its way out is open", premise=may_run)


def _rest(path: Path, rig: Any) -> None:
    wanted, forbidden, through, fitted = _let_through(path, rig)
    allowed = wanted & fitted & ~forbidden
    path.prove(through | M_101 == allowed | M_101, "taken away though it is allowed")


def _twice(path: Path, rig: Any) -> None:
    _, forbidden, through, fitted = _let_through(path, rig)
    again = gate.gate(through, forbidden, SimpleNamespace(outputs_fitted=fitted, settings=rig))  # type: ignore[arg-type]
    path.prove(through == again, "a second gate takes more away")


BY_HAND = {
    "XV-101": "xv_101", "XV-102": "xv_102", "XV-201": "cooler_valves", "XV-202": "cooler_valves",
    "XV-203": "cooler_valves", "XV-204": "cooler_valves", "XV-301": "", "M-101": "", "M-201": "m_201",
    "M-202": "m_202", "M-001": "m_001", "EH-001": "eh_001", "XV-104": "push_pull", "XV-105": "push_pull",
    "XV-106": "push_pull",
}  # fmt: skip
"""The setting that fits each output, by its tag; "" for those that every rig has."""


def _fitted() -> tuple[int, int]:
    for rig in RIGS:
        outputs = gate.fitted_outputs(rig)  # type: ignore[arg-type]
        for i, tag in enumerate(OUTPUT_TAGS):
            has_it = not BY_HAND[tag] or getattr(rig.fitted, BY_HAND[tag])
            if bool(outputs >> i & 1) is not has_it:
                raise NotProvenError(f"{tag} of {rig}")
        if outputs >> len(OUTPUT_TAGS):
            raise NotProvenError(f"outputs without a tag: {rig}")
    return len(RIGS), len(RIGS)


def _st(name: str, says: str, one: Callable[[Path, Any], None]) -> Statement:
    return Statement(name, says, DOMAIN, "nothing", lambda: over(RIGS, one))


STATEMENTS = (
    _st("gate.motor", "motor on implies an open way out, to the cylinder or the appliance", _motor),
    _st("gate.forbidden", "nothing that is forbidden or not fitted is on", _forbidden),
    _st("gate.added", "nothing is on that was not wanted", _added),
    _st("gate.kept", "the motor is kept where it may run and a way out is open", _kept),
    _st("gate.rest", "of all else nothing is taken away but what is forbidden or not fitted", _rest),
    _st("gate.twice", "what the gate lets through it lets through again", _twice),
    Statement(
        "gate.fitted", "a rig's outputs are those that its settings fit", f"{len(RIGS)} rigs", "nothing", _fitted
    ),
)
