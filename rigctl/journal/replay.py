"""Replay: the stored readings once more through `step`, and whether the same comes out, to the bit.

A journal of another core is replayed as well, as far as its scans can be read: what differs is then the change of the
controller.
"""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import msgspec

from rigctl import scan
from rigctl.control.points import Outputs
from rigctl.journal.store import JournalError, JournalReader, Session, this_program
from rigctl.scan import prepare

_SCAN_FIELDS = tuple(field for field in scan.ScanRecord.__struct_fields__ if field not in ("readings", "outputs"))

_encode = msgspec.msgpack.Encoder(order="deterministic").encode


@dataclass(frozen=True, slots=True)
class Change:
    """One value that came out differently."""

    where: str
    """An output's tag, a field of the scan record, or a field of the state, for example "M-101"."""
    stored: str
    replayed: str


@dataclass(frozen=True, slots=True)
class Difference:
    """The first scan that came out differently."""

    row: int
    session: int
    scan: int
    now_s: float
    changes: tuple[Change, ...]


@dataclass(frozen=True, slots=True)
class Replay:
    """What a replay found."""

    path: Path
    compared: int
    """Scans whose outputs, record and, where stored, state were compared."""
    skipped: int
    """Stored scans that no state led up to: those between a gap and the next checkpoint."""
    gaps: tuple[str, ...]
    """One sentence for each place where the replay had to start again from a checkpoint."""
    difference: Difference | None
    foreign: str = ""
    """What is to be known first of a journal that another core wrote; "" for one of this core."""

    @property
    def identical(self) -> bool:
        """Whether something was compared and nothing differed."""
        return self.difference is None and self.compared > 0

    def describe(self) -> str:
        """The result in words, a line for each gap and each value that differs."""
        lines = [*([self.foreign] if self.foreign else []), *self.gaps]
        found = self.difference
        if found is not None:
            lines.append(
                f"Scan {found.scan} of session {found.session} (row {found.row}, {found.now_s:.3f} s)"
                f" differs, after {self.compared - 1} identical scans:"
            )
            lines += [
                f"  {change.where}: stored {change.stored}, replayed {change.replayed}" for change in found.changes
            ]
        elif self.compared:
            skipped = f", {self.skipped} not compared" if self.skipped else ""
            lines.append(f"{self.compared} scans identical{skipped}.")
        else:
            lines.append("Nothing could be compared: no scan had a state to start from.")
        return "\n".join(lines)


def replay(path: Path, *, from_row: int | None = None) -> Replay:
    """Run the stored readings through `step` and compare what comes out with what was stored.

    Parameters
    ----------
    path
        The journal; it is only read.
    from_row
        Row of a checkpoint (`JournalReader.checkpoints`) to start after; None starts with the first scan.

    Raises
    ------
    JournalError
        The journal can't be read, or `from_row` holds no state.
    """
    with JournalReader(path) as reader:
        if from_row is not None and from_row not in reader.checkpoints():
            raise JournalError(
                f"Row {from_row} of the journal {path} holds no state to start from: take one of its checkpoints."
            )
        return _Run(reader).over(None if from_row is None else from_row)


class _Run:
    def __init__(self, reader: JournalReader) -> None:
        self._reader = reader
        self._compared = 0
        self._skipped = 0
        self._gaps: list[str] = []

    def over(self, from_row: int | None) -> Replay:
        difference = None
        foreign = ""
        for session in self._reader.sessions():
            if session.foreign:
                foreign = _foreign(session, self._reader)
            try:
                difference = self._session(session, from_row)
            except JournalError as error:
                if not session.foreign:
                    raise
                self._gaps.append(str(error))
            if difference is not None:
                break
        return Replay(self._reader.path, self._compared, self._skipped, tuple(self._gaps), difference, foreign)

    def _session(self, session: Session, from_row: int | None) -> Difference | None:
        prepared = prepare(session.settings)
        # Of a foreign core's states only those are taken that this one can't misread.
        states = not session.foreign or session.reads_as("state")
        state = session.start_state if states else None
        if state is None and session.session == 1:
            state = scan.initial(prepared)
        expected: int | None = None
        waiting = ""
        first_row = 0 if from_row is None else from_row - 1
        for stored in self._reader.scans(session.session, after_row=first_row, states=states):
            record = stored.record
            if from_row is not None and stored.row <= from_row:
                state = stored.state
                expected = record.scan + 1
                continue
            lost = stored.dropped_before or (record.scan - expected if expected is not None else 0)
            expected = record.scan + 1
            if lost:
                state = None
                waiting = f"{lost} scans are missing before scan {record.scan} of session {session.session}"
            elif state is None and not waiting:
                waiting = f"Session {session.session} has no state before its first scan {record.scan}"
            if state is None:
                self._skipped += 1
                if stored.state is not None:
                    state = stored.state
                    self._gaps.append(f"{waiting}: went on from the checkpoint at scan {record.scan}.")
                    waiting = ""
                continue
            state, outputs, again = scan.step(state, record.readings, prepared)
            self._compared += 1
            changes = (
                []
                if _encode(record) == _encode(again) and record.outputs == outputs
                else [
                    *_output_changes(record.outputs, outputs),
                    *(
                        change
                        for field in _SCAN_FIELDS
                        for change in differences(getattr(record, field), getattr(again, field), field)
                    ),
                ]
            )
            if stored.state is not None:
                # Through msgpack once, as the stored state went (an int where a float is meant).
                plain = msgspec.msgpack.decode(_encode(state), type=type(state))
                changes += differences(stored.state, plain, "state")
            if changes:
                return Difference(stored.row, session.session, record.scan, record.readings.now_s, tuple(changes))
        if waiting:
            self._gaps.append(f"{waiting}, and no checkpoint follows: the rest was not compared.")
        return None


def _foreign(session: Session, reader: JournalReader) -> str:
    said = (
        f"The journal was written by {session.written_by}, this is {this_program()}: what differs may come from the"
        " change of the controller."
    )
    return f"{said} {reader.left_unfinished()}".rstrip()


def _output_changes(stored: Outputs, replayed: Outputs) -> list[Change]:
    again = replayed.by_tag()
    return [change for tag, value in stored.by_tag().items() for change in differences(value, again[tag], tag)]


def differences(stored: Any, replayed: Any, where: str = "") -> list[Change]:
    """Where two values of the same kind differ; floats are compared bit by bit, and NaN equals NaN.

    The bits within a NaN are left out: their sign depends on the processor.
    """
    if isinstance(stored, float | int) and isinstance(replayed, float | int):
        return [] if _same_number(stored, replayed) else [Change(where, repr(stored), repr(replayed))]
    if isinstance(stored, msgspec.Struct) and type(stored) is type(replayed):
        if stored is replayed:
            return []
        return [
            change
            for field in stored.__struct_fields__
            for change in differences(
                getattr(stored, field), getattr(replayed, field), f"{where}.{field}" if where else field
            )
        ]
    if isinstance(stored, tuple | list) and isinstance(replayed, tuple | list):
        if len(stored) != len(replayed):
            return [Change(where, repr(stored), repr(replayed))]
        return [
            change
            for position, (a, b) in enumerate(zip(stored, replayed, strict=True))
            for change in differences(a, b, f"{where}[{position}]")
        ]
    if isinstance(stored, dict) and isinstance(replayed, dict):
        if stored.keys() != replayed.keys():
            return [Change(where, repr(stored), repr(replayed))]
        return [change for key in stored for change in differences(stored[key], replayed[key], f"{where}[{key!r}]")]
    return [] if stored == replayed else [Change(where, repr(stored), repr(replayed))]


def _same_number(a: float, b: float) -> bool:
    if isinstance(a, int) and isinstance(b, int):
        return a == b
    if math.isnan(a) or math.isnan(b):
        return math.isnan(a) and math.isnan(b)
    return struct.pack("<d", a) == struct.pack("<d", b)
