"""What of a scan is held against another revision: the table of fields, and how a record and a state are read by it."""

from __future__ import annotations

import dataclasses
import enum
import hashlib
import types
import typing
from math import nan
from operator import attrgetter

import msgspec

MOVES, TELLS, SEES, STATE = "moves", "tells", "sees", "state"
DIGESTS = (MOVES, TELLS, SEES, STATE)
"""What moves outputs; what only advises; what a scan was given; what is carried on. `tells` is what nothing in the
core reads again: it is made for the record, and another figure in it changes no output of any later scan."""
MOVES_IF_ANY, TELLS_IF_ANY = "moves, whether there is any", "tells, whether there is any"
"""Prose: wording is free, but whether a sentence stands there is not."""
BY_KIND, BY_KIND_IF_ANY = "by kind", "by kind, whether there is any"
"""Of an event: an advice belongs to what tells, all others to what moves."""
LEFT_OUT = "left out"
"""Named, and not held against the other side: a field that only one of two revisions has."""

FIELDS = {
    "scan": MOVES,
    "readings": SEES,
    "phase": MOVES,
    "in_phase_s": MOVES,
    "ask": MOVES,
    "sentence": MOVES_IF_ANY,
    # The weight, the flow and the pump's word decide on fill, holds, ends and cylinder changes.
    "estimate.net_kg": MOVES,
    "estimate.net_uncertainty_kg": MOVES,
    "estimate.flow_kg_s": MOVES,
    "estimate.flow_uncertainty_kg_s": MOVES,
    "estimate.recovered_kg": MOVES,
    "estimate.recovered_uncertainty_kg": MOVES,
    "estimate.contents_kg": MOVES,
    "estimate.second_kg": MOVES,
    "estimate.second_uncertainty_kg": MOVES,
    "estimate.fill_limit_kg": MOVES,
    "estimate.fill_fraction": MOVES,
    "estimate.compression_ratio": MOVES,
    # Worked out for people: a word for what comes in, and two temperatures that nothing is decided by.
    "estimate.inlet_phase": TELLS,
    "estimate.saturation_degc": TELLS,
    "estimate.superheat_k": TELLS,
    "estimate.left_kg": TELLS,
    "estimate.left_low_kg": TELLS,
    "estimate.left_high_kg": TELLS,
    "estimate.finish_s": TELLS,
    "estimate.finish_low_s": TELLS,
    "estimate.finish_high_s": TELLS,
    "estimate.limited_by": TELLS,
    "estimate.remedies[].what": TELLS,
    "estimate.remedies[].saves_s": TELLS,
    "estimate.remedies[].low_s": TELLS,
    "estimate.remedies[].high_s": TELLS,
    "estimate.remedies[].sentence": TELLS_IF_ANY,
    "alarms[].tag": MOVES,
    "alarms[].kind": MOVES,
    "alarms[].state": MOVES,
    "alarms[].since_s": MOVES,
    "alarms[].text": MOVES_IF_ANY,
    "outputs.bits": MOVES,
    "outputs.cv_103": MOVES,
    "events[].kind": BY_KIND,
    "events[].tag": BY_KIND,
    "events[].text": BY_KIND_IF_ANY,
    "replies[].request_id": MOVES,
    "replies[].accepted": MOVES,
    "replies[].text": MOVES_IF_ANY,
    "cylinders[].cylinder.serial": MOVES,
    "cylinders[].cylinder.water_capacity_kg": MOVES,
    "cylinders[].cylinder.tare_kg": MOVES,
    "cylinders[].cylinder.service_pressure_pa_gauge": MOVES,
    "cylinders[].cylinder.refrigerant": MOVES,
    "cylinders[].cylinder.retest_due": MOVES,
    "cylinders[].cylinder.residual_kg": MOVES,
    "cylinders[].tare_reading_kg": MOVES,
    "cylinders[].net_kg": MOVES,
    "cylinders[].net_uncertainty_kg": MOVES,
    "standing_checks[].started_s": MOVES,
    "standing_checks[].duration_s": MOVES,
    "standing_checks[].start_pa_abs": MOVES,
    "standing_checks[].end_pa_abs": MOVES,
    "standing_checks[].passed": MOVES,
    "standing_checks[].shape": MOVES,
}
"""Every field of the record, and of the items in its lists, by its path as it was first called: which digest it is in.
A field that is not here is an error."""
STATE_FIELDS = {
    "state.stage": MOVES,
}
"""What is taken from the carried state since the record does not show it: the step inside the phase."""
ALIASES = {
    "state.stage": ("state.control.procedure.step", "state.control.step"),
}
"""Where a field may have moved to: path as it was first called -> other paths, tried in order."""
STEPS = {
    "WHOLE": 0, "STATIC": 0, "CONNECTED": 1, "PRESSING": 0, "CROSSING": 1, "GOING_OVER": 2, "EMPTYING": 0,
    "SHUTTING": 1, "STANDING_BY": 2,
}  # fmt: skip
"""Steps by name, as they were once counted inside their phases."""
PROSE = frozenset({"text", "sentence"})
"""Fields of the carried state that hold wording."""


def is_advice(kind, tag):
    """Whether an event tells of a remedy: a note that belongs to no point of the rig."""
    return kind == "note" and tag == ""


class FieldError(Exception):
    """The record and the table of fields do not agree; one sentence that names the field and what to do."""


# ---- encoding --------------------------------------------------------------------------------------------

_encode = msgspec.msgpack.Encoder().encode
_NAN, _MINUS_NAN = b"\xcb\x7f\xf8\0\0\0\0\0\0", b"\xcb\xff\xf8\0\0\0\0\0\0"


def packed(values):
    """Bytes that are equal only for values that are equal to the bit; of NaN there is one."""
    return _encode(values).replace(_MINUS_NAN, _NAN)


# ---- types -----------------------------------------------------------------------------------------------


def _fields(kind):
    """Fields of a struct or dataclass with their types; None for anything else."""
    if isinstance(kind, type) and issubclass(kind, msgspec.Struct):
        return {one.name: one.type for one in msgspec.structs.fields(kind)}
    if isinstance(kind, type) and dataclasses.is_dataclass(kind):
        hints = typing.get_type_hints(kind)
        return {one.name: hints[one.name] for one in dataclasses.fields(kind)}
    return None


def _optional(kind):
    """What stands beside None in `X | None`; the type itself otherwise."""
    if isinstance(kind, types.UnionType) or typing.get_origin(kind) is typing.Union:
        rest = [one for one in typing.get_args(kind) if one is not type(None)]
        return rest[0] if len(rest) == 1 else kind
    return kind


def _item(kind):
    """The type of the items of `tuple[X, ...]`; None for anything else."""
    arguments = typing.get_args(kind)
    return arguments[0] if typing.get_origin(kind) is tuple and arguments[1:] == (...,) else None


def paths(kind, whole=("readings",), here=""):
    """Paths of all fields below a type: `estimate.net_kg`, `alarms[].tag`; those in `whole` are not looked into."""
    found = _fields(_optional(kind))
    if found is None or here in whole:
        item = _item(kind)
        if item is not None and _fields(item) is not None:
            return paths(item, whole, f"{here}[]")
        return [here]
    return [path for name, one in found.items() for path in paths(one, whole, f"{here}.{name}" if here else name)]


def shape(kind):
    """The layout of a type as text: names and types of all fields, nested."""
    inside = _fields(_optional(kind))
    if inside is None:
        item = _item(kind)
        return f"[{shape(item)}]" if item is not None else getattr(kind, "__name__", str(kind))
    return "{" + ", ".join(f"{name}: {shape(one)}" for name, one in inside.items()) + "}"


# ---- the record ------------------------------------------------------------------------------------------


def resolved(table, aliases, thing, root=""):
    """Where each field of the table stands in this revision: path as first called -> path now.

    Raises
    ------
    FieldError
        If one is nowhere, or one that is there is not in the table.
    """
    there, now = set(paths(type(thing))), {}
    for path, digest in table.items():
        tried = [one.removeprefix(root) for one in (path, *aliases.get(path, ()))]
        place = next((one for one in tried if one in there), None)
        if place is not None:
            now[path] = place
        elif digest != LEFT_OUT:
            raise FieldError(
                f"{path} is not in {type(thing).__name__} (looked for {', '.join(tried)}); say in ALIASES of "
                f"{__name__} where it has gone."
            )
    unnamed = sorted(there - set(now.values())) if not root else []
    if unnamed:
        raise FieldError(
            f"{type(thing).__name__} has {', '.join(unnamed)}, of which FIELDS in {__name__} does not say whether it "
            "moves or tells; name it there, or in ALIASES if it was called something else before."
        )
    return now


class _Picked:
    """The fields of one digest: single ones, and those of the items of each list."""

    def __init__(self, digest, if_any, fields, where):
        mine = [path for path, one in fields.items() if one in (digest, if_any)]
        flat = [path for path in mine if "[]" not in path]
        lists = {}
        for path in (path for path in mine if "[]" in path):
            base, _, rest = where[path].partition("[].")
            lists.setdefault((path.partition("[].")[0], base), []).append((path, rest, fields[path] == if_any))
        self.flat = [path for path in flat if fields[path] == digest]
        self.prose = [path for path in flat if fields[path] == if_any]
        self._flat = _getter([where[path] for path in self.flat])
        self._prose = _getter([where[path] for path in self.prose])
        self.lists = [(name, [path for path, _, _ in items]) for (name, _), items in lists.items()]
        self._lists = [
            (attrgetter(base), _getter([rest for _, rest, _ in items]), [n for n, one in enumerate(items) if one[2]])
            for (_, base), items in lists.items()
        ]
        self._last = [(None, ()) for _ in self._lists]

    def __call__(self, record):
        values = [self._flat(record), [one != "" for one in self._prose(record)]]
        for n, (get, pick, prose) in enumerate(self._lists):
            items = get(record)
            if items is not self._last[n][0]:
                self._last[n] = items, [_without_prose(pick(item), prose) for item in items]
            values.append(self._last[n][1])
        return values

    def named(self, values):
        """Path -> value, for people and for finding what differs."""
        out = dict(zip(self.flat, values[0], strict=True))
        out.update((f"{path} is there", there) for path, there in zip(self.prose, values[1], strict=True))
        for (name, inside), items in zip(self.lists, values[2:], strict=True):
            out[f"{name}: how many"] = len(items)
            for n, item in enumerate(items):
                out.update((path.replace("[]", f"[{n}]", 1), value) for path, value in zip(inside, item, strict=True))
        return out


def _getter(places):
    if not places:
        return lambda thing: ()
    if len(places) == 1:
        one = attrgetter(places[0])
        return lambda thing: (one(thing),)
    return attrgetter(*places)


def _without_prose(values, prose):
    if not prose:
        return values
    values = list(values)
    for n in prose:
        values[n] = values[n] != ""
    return values


class Projection:
    """Reads records and states of one revision by the table of fields.

    Parameters
    ----------
    record, state
        The first of a run: their types tell where everything stands.
    fields, aliases
        The table, and where fields have moved to.

    Raises
    ------
    FieldError
        If table and types do not agree.
    """

    def __init__(self, record, state, fields=FIELDS, aliases=ALIASES):
        where = resolved(fields, aliases, record)
        inner = resolved(STATE_FIELDS, aliases, state, "state.")
        plain = {path: digest for path, digest in fields.items() if not digest.startswith(BY_KIND)}
        events = {path: MOVES if digest == BY_KIND else MOVES_IF_ANY
                  for path, digest in fields.items() if digest.startswith(BY_KIND)}  # fmt: skip
        self._moves = _Picked(MOVES, MOVES_IF_ANY, plain, where)
        self._tells = _Picked(TELLS, TELLS_IF_ANY, plain, where)
        self._sees = attrgetter(where["readings"])
        self._events = _Picked(MOVES, MOVES_IF_ANY, events, where)
        steps = _getter(list(inner.values()))
        self.step = lambda state: tuple(STEPS[one.name] if isinstance(one, enum.Enum) else one for one in steps(state))
        self._step_names = list(inner)
        self._state = carried(type(state))
        self.shape = hashlib.sha256(shape(type(state)).encode()).hexdigest()[:12]

    def __call__(self, record, state):
        """What each digest is fed with: values for MOVES, TELLS, SEES, STATE."""
        moves, tells = self._moves(record), self._tells(record)
        moves.append(self.step(state))
        happened = self._events(record)[2]
        if happened:
            advice = [one for one in happened if is_advice(one[0], one[1])]
            moves.append([one for one in happened if not is_advice(one[0], one[1])])
            tells.append(advice)
        else:
            moves.append(())
            tells.append(())
        return moves, tells, self._sees(record), self._state(state)

    def named(self, record, state):
        """The same by digest and path."""
        moves, tells, sees, _ = self(record, state)
        names = [path.removeprefix("events[].") for path in self._events.lists[0][1]]

        def events(some):
            return {f"events[{n}].{k}": v for n, one in enumerate(some) for k, v in zip(names, one, strict=True)}

        moving = self._moves.named(moves[:-2]) | dict(zip(self._step_names, moves[-2], strict=True))
        return {
            MOVES: moving | events(moves[-1]),
            TELLS: self._tells.named(tells[:-1]) | events(tells[-1]),
            SEES: flattened(sees, "readings"),
            STATE: flattened(state, "state"),
        }


# ---- the carried state -----------------------------------------------------------------------------------


def carried(kind):
    """A function that turns a state into plain values without wording."""
    strip = _stripper(kind)
    return strip if strip is not None else lambda value: value


def _stripper(kind):
    """What takes the wording out of a value of this type; None where there is none in it."""
    bare = _optional(kind)
    if bare is not kind:
        inner = _stripper(bare)
        return None if inner is None else lambda value: None if value is None else inner(value)
    item = _item(kind)
    if item is not None:
        inner = _stripper(item)
        return None if inner is None else _kept(inner)
    inside = _fields(kind)
    if inside is None:
        return None
    special = []
    for n, (name, one) in enumerate(inside.items()):
        strip = (lambda text: text != "") if name in PROSE and one is str else _stripper(one)
        if strip is not None:
            special.append((n, strip))
    if not special:
        return None
    names = attrgetter(*inside) if len(inside) > 1 else _getter(list(inside))

    def strip_struct(value):
        values = list(names(value))
        for n, strip in special:
            values[n] = strip(values[n])
        return values

    return strip_struct


def _kept(inner):
    """The same for every item of a tuple; one that is the very tuple of the scan before is not done again."""
    last = [None, ()]

    def strip_items(value):
        if value is not last[0]:
            last[:] = value, [inner(one) for one in value]
        return last[1]

    return strip_items


def flattened(value, path):
    """Path -> value for everything in a nested value, wording left out."""
    inside = _fields(type(value))
    if inside is not None:
        out = {}
        for name in inside:
            one = getattr(value, name)
            if name in PROSE and isinstance(one, str):
                out[f"{path}.{name} is there"] = one != ""
            else:
                out.update(flattened(one, f"{path}.{name}"))
        return out
    if isinstance(value, tuple):
        out = {f"{path}: how many": len(value)}
        for n, one in enumerate(value):
            out.update(flattened(one, f"{path}[{n}]"))
        return out
    return {path: value}


def shown(value):
    """A value as text that is equal only for equal bits."""
    if isinstance(value, enum.Enum):
        value = value.value
    if isinstance(value, float) and value != value:
        value = nan
    return repr(value)
