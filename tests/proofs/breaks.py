"""Breaks made on purpose: a mutated copy of a function in the place of the real one, for as long as a test lasts."""

from __future__ import annotations

import inspect
import sys
import textwrap
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from types import FunctionType
from typing import Any
from unittest import mock

from transitions import Machine

from rigctl.control.procedure import sequence
from rigctl.control.vocabulary import Phase


def mutated(function: Callable[..., Any], old: str, new: str) -> Callable[..., Any]:
    """A copy of a function with one place of its text changed; it sees the names that the real one sees."""
    source = textwrap.dedent(inspect.getsource(function))
    if source.count(old) != 1:
        raise ValueError(f"{old!r} stands {source.count(old)} times in {function.__name__}; it must stand once")
    code = compile(
        source.replace(old, new), f"<broken {function.__name__}>", "exec", annotations.compiler_flag, dont_inherit=True
    )
    made: dict[str, Any] = {}
    exec(code, function.__globals__, made)
    found = made[function.__name__]
    assert isinstance(found, FunctionType)
    return found


@contextmanager
def in_place_of(real: Any, other: Any) -> Iterator[None]:
    """Wherever the control core names the real thing, in its modules and their tables, the other stands instead."""
    with ExitStack() as stack:
        for name, module in list(sys.modules.items()):
            if not name.startswith(("rigctl.control", "tests.proofs")):
                continue
            for key, value in list(vars(module).items()):
                if value is real:
                    stack.enter_context(mock.patch.object(module, key, other))
                elif isinstance(value, dict) and not key.startswith("__"):
                    here = {k: other for k, v in value.items() if v is real}
                    if here:
                        stack.enter_context(mock.patch.dict(value, here))
        yield


@contextmanager
def broken(function: Callable[..., Any], old: str, new: str) -> Iterator[None]:
    """One place of a function's text is changed, everywhere; in the procedure's table, too."""
    other = mutated(function, old, new)

    def change(rows: list[dict[str, Any]]) -> None:
        for row in rows:
            row["conditions"] = other if row["conditions"] is function else row["conditions"]

    with in_place_of(function, other), table(change):
        yield


@contextmanager
def table(change: Callable[[list[dict[str, Any]]], None]) -> Iterator[None]:
    """The procedure's table with a change."""
    rows = [{**row, "source": list(row["source"])} for row in sequence.TRANSITIONS]
    change(rows)
    machine = Machine(None, states=Phase, transitions=rows, initial=Phase.IDLE, auto_transitions=False)
    with in_place_of(sequence.TRANSITIONS, rows), in_place_of(sequence._ADVANCE, machine.events["advance"]):
        yield
