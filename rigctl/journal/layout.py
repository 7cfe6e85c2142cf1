"""How scans and states are laid out in a journal, so that another version never reads one field for another.

A scan is stored as a list of values without names, ten times a second; the names stand once a session, as the layout.
Values that were added at the end since, or that went from there, do no harm. Anything else (another order, a field put
in between, a number where there was a structure) would give wrong figures without a word, and is refused.
"""

from __future__ import annotations

import functools
import typing
from typing import Any

import msgspec

Layout = Any
"""Names in order for what is stored as a list, [[name, layout of the value or null], ...]; {name: layout or null} for
what is stored by name; as in JSON."""


@functools.cache
def layout_of(kind: type[msgspec.Struct]) -> Layout:
    """Return how a structure is laid out in msgpack, all the way down."""
    parts = []
    for field in msgspec.structs.fields(kind):
        inner = _struct_in(field.type)
        parts.append((field.encode_name, None if inner is None else layout_of(inner)))
    return [list(part) for part in parts] if kind.__struct_config__.array_like else dict(parts)


def go_together(stored: Layout, present: Layout) -> bool:
    """Whether what was stored in one layout can be read in another without taking one value for another."""
    if isinstance(stored, list) and isinstance(present, list):
        return all(a[0] == b[0] and go_together(a[1], b[1]) for a, b in zip(stored, present, strict=False))
    if isinstance(stored, dict) and isinstance(present, dict):
        return all(go_together(stored[name], present[name]) for name in stored.keys() & present.keys())
    return stored is None and present is None


def _struct_in(of: Any) -> type[msgspec.Struct] | None:
    """The structure in a type such as `tuple[Remedy, ...]` or `Cylinder | None`; None for plain values."""
    if isinstance(of, type) and issubclass(of, msgspec.Struct):
        return of
    return next((found for part in typing.get_args(of) if (found := _struct_in(part)) is not None), None)
