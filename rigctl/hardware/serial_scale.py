"""A scale on a serial line: its frame is described by a pattern; continuous or polled.

Half frames, garbage and lines that are too long are skipped; only a whole line that the pattern fits gives a weight.
"""

from __future__ import annotations

import contextlib
import re
import time
from collections.abc import Mapping, Sequence
from typing import Annotated, Final, Literal

import msgspec
import serial

from rigctl.control.readings import Fault
from rigctl.hardware import options
from rigctl.hardware.driver import Driver, DriverError, Sample, Wire, WiringError

_LONGEST: Final = 256
_PARITY: Final = {"none": "N", "even": "E", "odd": "O"}
_KG: Final = {"kg": 1.0, "g": 1e-3, "t": 1e3, "lb": 0.453_592_37, "oz": 0.453_592_37 / 16.0}
"""NIST SP 811, B.8."""
_ENDS: Final = re.compile(rb"[\r\n]")


class Options(msgspec.Struct, frozen=True):
    """Of a driver of kind serial-scale; `pattern` names a group `value`, and may name `sign`, `unit` and `bad`."""

    port: str
    pattern: str
    mode: Literal["continuous", "polled"] = "continuous"
    request: str = ""
    baud: Annotated[int, msgspec.Meta(ge=300, le=1_000_000)] = 9600
    parity: Literal["none", "even", "odd"] = "none"
    stop_bits: Literal[1, 2] = 1
    timeout_s: Annotated[float, msgspec.Meta(ge=0.05, le=10.0)] = 0.5


def make(kind: str, table: Mapping[str, object], wires: Sequence[Wire]) -> Driver:
    """A driver for one scale.

    Raises
    ------
    WiringError
        If an option or an address cannot be used.
    """
    given = options.read(table, Options)
    if len(wires) != 1 or wires[0].output:
        raise WiringError("a scale has one point, WT-301; wire exactly that to it.")
    if wires[0].address:
        raise WiringError(
            f"{wires[0].tag}: {', '.join(wires[0].address)}: unknown key; a scale's point has no address."
        )
    try:
        pattern = re.compile(given.pattern)
    except re.error as error:
        raise WiringError(f"pattern: it is no regular expression ({error}).") from None
    if "value" not in pattern.groupindex:
        raise WiringError("pattern: it names no group for the weight; write (?P<value>[0-9.]+) where that stands.")
    if given.mode == "polled" and not given.request:
        raise WiringError('request: a polled scale must be asked; write what it wants to hear, like "W\\\\r".')
    return SerialScale(given, pattern, wires[0].tag)


def weight(line: bytes, pattern: re.Pattern[str]) -> float | Fault | None:
    """What a line says, kg; None where it is no frame of this scale."""
    found = pattern.search(line.decode("ascii", errors="replace"))
    if found is None:
        return None
    groups = found.groupdict()
    if groups.get("bad"):
        return Fault.FAILURE
    unit = groups.get("unit") or "kg"
    try:
        value = float((groups.get("sign") or "") + groups["value"].strip())
    except (TypeError, ValueError):
        return None
    factor = _KG.get(unit.strip().lower())
    return None if factor is None or value - value != 0.0 else value * factor


class SerialScale:
    """One scale."""

    def __init__(self, given: Options, pattern: re.Pattern[str], tag: str) -> None:
        self._given, self._pattern, self._tag = given, pattern, tag
        self._line: serial.Serial | None = None
        self._pending = b""
        self._whole = False
        """The pending bytes begin at the beginning of a line."""
        self._request = given.request.encode().decode("unicode_escape").encode("latin-1")

    def open(self) -> None:
        """Open the line; what it holds is from before."""
        given = self._given
        try:
            self._line = serial.Serial(
                given.port, given.baud, parity=_PARITY[given.parity], stopbits=given.stop_bits,
                timeout=min(given.timeout_s, 0.05), write_timeout=given.timeout_s,
            )  # fmt: skip
            self._line.reset_input_buffer()
        except (serial.SerialException, OSError, ValueError) as error:
            raise DriverError(f"scale on {given.port} cannot be opened ({error}).") from None
        # Somewhere in the middle of a frame: the first piece counts only when the scale speaks on request alone.
        self._pending, self._whole = b"", given.mode == "polled"

    def read(self) -> Mapping[str, Sample]:
        """The newest whole frame."""
        line, given = self._line, self._given
        if line is None:
            raise DriverError(f"scale on {given.port} is not open.")
        until_s = time.monotonic() + given.timeout_s
        newest: float | Fault | None = None
        try:
            if given.mode == "polled":
                line.reset_input_buffer()
                self._pending, self._whole = b"", True
                line.write(self._request)
            while newest is None:
                came = line.read(max(line.in_waiting, 1))
                if came:
                    taken_s = time.monotonic()
                    for one in self._lines(came):
                        said = weight(one, self._pattern)
                        newest = said if said is not None else newest
                if newest is None and time.monotonic() > until_s:
                    raise DriverError(f"scale on {given.port}: no frame in {given.timeout_s:g} s.")
        except (serial.SerialException, OSError, TypeError) as error:
            raise DriverError(f"scale on {given.port}: {error}.") from None
        if isinstance(newest, Fault):
            return {self._tag: Sample(0.0, taken_s, newest)}
        return {self._tag: Sample(newest, taken_s)}

    def write(self, raw: Mapping[str, float]) -> Mapping[str, float]:
        """A scale has no outputs."""
        return {}

    def close(self) -> None:
        """Close the line."""
        if self._line is not None:
            with contextlib.suppress(Exception):
                self._line.close()
            self._line = None

    def _lines(self, came: bytes) -> list[bytes]:
        pieces = _ENDS.split(self._pending + came)
        self._pending = pieces.pop()
        lines = pieces if self._whole else pieces[1:]
        self._whole = self._whole or bool(pieces)
        if len(self._pending) > _LONGEST:
            self._pending, self._whole = b"", False
        return [line for line in lines if line and len(line) <= _LONGEST]
