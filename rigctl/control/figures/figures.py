"""The figures of all rooms in one object, and a way to change one by its name."""

from __future__ import annotations

from difflib import get_close_matches
from typing import Any

import msgspec

from rigctl.control.figures.procedure import Procedure
from rigctl.control.figures.protect import Protect
from rigctl.control.figures.sense import Sense


class Figures(msgspec.Struct, frozen=True):
    """All tuned figures of what may move an output."""

    sense: Sense = Sense()
    protect: Protect = Protect()
    procedure: Procedure = Procedure()


class UnknownFigureError(LookupError):
    """No figure has this name; the message is one sentence with the nearest names that there are."""


def changed(figures: Figures, name: str, value: Any) -> Figures:
    """Return the figures with one of them changed: what a study runs.

    Parameters
    ----------
    figures
        Stay as they are.
    name
        Room, subject and figure with dots between, as in "sense.crossing.better_times".
    value
        In the figure's own unit.

    Raises
    ------
    UnknownFigureError
        When there is no such figure, or the name stands for a whole subject.
    """
    if name not in _names(figures):
        near = get_close_matches(name, _names(figures), 3, 0.4)
        meant = f"; near it are {', '.join(near)}" if near else ""
        raise UnknownFigureError(f'There is no figure "{name}": say room, subject and figure with dots between{meant}.')
    made: Figures = _changed(figures, name.split("."), value)
    return made


def _names(one: msgspec.Struct, before: str = "") -> list[str]:
    """All figures in a struct, by dotted names."""
    found = []
    for field in one.__struct_fields__:
        inside = getattr(one, field)
        if isinstance(inside, msgspec.Struct):
            found += _names(inside, f"{before}{field}.")
        else:
            found.append(before + field)
    return found


def _changed(one: Any, path: list[str], value: Any) -> Any:
    inside = _changed(getattr(one, path[0]), path[1:], value) if len(path) > 1 else value
    return msgspec.structs.replace(one, **{path[0]: inside})
