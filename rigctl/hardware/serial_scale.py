r"""A scale on a serial line, which sends frames on its own or when asked; the configuration says what they look like.

A weight is only taken from a whole line that fits the pattern, and never from a line whose beginning was not seen, that
paused midway, or that is too long. What does not fit is skipped. The more of a frame the pattern spells out (a header,
a fixed number of digits, the unit), the less a disturbed line can pass for another weight; a frame of bare digits has
no such protection.
"""

from __future__ import annotations

import contextlib
import re
import select
import termios
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from math import nan
from typing import Annotated, Final, Literal

import msgspec
import serial

from rigctl.control.readings import Fault
from rigctl.hardware import checking
from rigctl.hardware.driver import DriverError, Sample, Wire, WiringError
from rigctl.quoting import plain

MOST_BYTES: Final = 256
"""Of a line; a longer one is no frame."""
KG: Final = {"kg": 1.0, "g": 1e-3, "t": 1e3, "lb": 0.453_592_37, "oz": 0.453_592_37 / 16.0}
"""Units that a frame may bear, kg; avoirdupois pound and ounce: NIST SP 811, B.8."""
_GROUPS: Final = ("value", "sign", "unit", "stable", "bad")
_NUMBER: Final = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)", re.ASCII)
_SIGNS: Final = {"": 1.0, "+": 1.0, "-": -1.0}
_PARITIES: Final = {"none": serial.PARITY_NONE, "even": serial.PARITY_EVEN, "odd": serial.PARITY_ODD}
_PAUSE_S: Final = 0.1
_BUFFER: Final = 4000
"""Of a little more than so many bytes the system's buffer overflows, and what follows has a gap."""
_ESCAPE: Final = re.compile(r"\\(?:x([0-9a-fA-F]{2})|(.?))", re.DOTALL)
_ESCAPED: Final = {"r": "\r", "n": "\n", "t": "\t", "0": "\0", "\\": "\\"}


class _Options(msgspec.Struct, frozen=True):
    port: Annotated[str, msgspec.Meta(min_length=1)]
    pattern: Annotated[str, msgspec.Meta(min_length=1)]
    mode: Literal["continuous", "polled"]
    baud: Annotated[int, msgspec.Meta(ge=300, le=4_000_000)] = 9600
    data_bits: Literal[7, 8] = 8
    parity: Literal["even", "none", "odd"] = "none"
    stop_bits: Literal[1, 2] = 1
    request: str = ""
    timeout: str = "500 ms"


class _Nothing(msgspec.Struct, frozen=True):
    pass


_WRITE: Final = {
    "port": 'the serial device, like port = "/dev/ttyUSB0"',
    "pattern": r"""the form of a line, like pattern = 'ST,GS,(?P<sign>[+-]) *(?P<value>\d+\.\d+) (?P<unit>kg|lb)'""",
    "mode": '"continuous" if the scale sends on its own, "polled" if it must be asked',
    "baud": "the speed, like baud = 9600",
    "data_bits": "7 or 8",
    "parity": 'one of "even", "none", "odd"',
    "stop_bits": "1 or 2",
    "request": r"what asks the scale for a weight, like request = 'W\r'",
    "timeout": 'a time with its unit, like timeout = "500 ms"',
}


class Lines:
    """Cuts a stream of bytes into lines at CR or LF, and drops every line that cannot be trusted as a whole.

    Parameters
    ----------
    pause_s
        A line that pauses longer is dropped: a scale that was reset may have begun anew in its middle.
    whole
        Whether the first byte is known to begin a line.
    """

    def __init__(self, pause_s: float, whole: bool) -> None:
        self._pause_s = pause_s
        self._part, self._doubted, self._last_s = bytearray(), not whole, float("-inf")

    @property
    def trusted(self) -> bool:
        """Whether the line under way was seen from its beginning."""
        return not self._doubted

    def doubt(self) -> None:
        """Drop the line that is under way: bytes of it may be missing."""
        self._part.clear()
        self._doubted = True

    def feed(self, chunk: bytes, at_s: float) -> Iterator[bytes]:
        """Every complete line, without its end; `at_s` is when the chunk was read, monotonic s."""
        if self._part and at_s - self._last_s > self._pause_s:
            self.doubt()
        self._last_s = at_s
        for byte in chunk:
            if byte in b"\r\n":
                if self._part and not self._doubted:
                    yield bytes(self._part)
                self._part.clear()
                self._doubted = False
            elif not self._doubted:
                self._part.append(byte)
                if len(self._part) > MOST_BYTES:
                    self.doubt()


def weight(line: bytes, pattern: re.Pattern[str]) -> float | Fault | None:
    """What a line says: kg (or as it stands, without a unit), that the scale cannot weigh, or nothing usable."""
    matched = pattern.fullmatch(line.decode("latin-1"))
    if matched is None:
        return None
    groups = matched.groupdict()
    if groups.get("bad"):
        return Fault.FAILURE
    text = (groups["value"] or "").strip(" ")
    unit, sign = groups.get("unit"), (groups.get("sign") or "").strip(" ")
    factor = 1.0 if unit is None else KG.get(unit.strip(" ").casefold())
    if factor is None or sign not in _SIGNS or _NUMBER.fullmatch(text) is None or (sign and text[0] in "+-"):
        return None
    return _SIGNS[sign] * float(text) * factor


def arrives(port: serial.Serial, within_s: float) -> bool:
    """Whether there is something to read, now or within a time (s)."""
    return bool(select.select([port], [], [], within_s)[0])


class Scale:
    """One scale; every call ends within about its time limit.

    Parameters
    ----------
    tag
        The point.
    connect
        Opens the serial port (which then never blocks while reading); raises `OSError`.
    name
        Of the scale, for messages.
    pattern
        Must fit a whole line.
    request
        What asks for a frame; None where the scale sends on its own.
    limit_s
        Time limit of a call, s.
    pause_s
        Longest pause within a frame, s.
    clock
        Monotonic, s.
    arrives
        Waits for bytes, as `arrives` does; goes by the same clock.
    """

    def __init__(
        self,
        tag: str,
        connect: Callable[[], serial.Serial],
        name: str,
        pattern: re.Pattern[str],
        request: bytes | None,
        limit_s: float,
        pause_s: float,
        clock: Callable[[], float] = time.monotonic,
        arrives: Callable[[serial.Serial, float], bool] = arrives,
    ) -> None:
        self._tag, self._connect, self._name, self._pattern = tag, connect, name, pattern
        self._request, self._limit_s, self._pause_s = request, limit_s, pause_s
        self._clock, self._arrives = clock, arrives
        self._port: serial.Serial | None = None
        self._lines = Lines(pause_s, whole=False)
        self._emptied_s = float("-inf")
        self._skipped = b""

    def open(self) -> None:
        """Open the port and find where a frame begins.

        Where the scale sends on its own, that is after the end of a line; where it is asked, when the line is quiet.

        Raises
        ------
        DriverError
            If the port cannot be opened, no line ends in time, or a scale that should wait for a request does not.
        """
        self.close()
        try:
            self._port = self._connect()
            # A byte with a wrong parity or stop bit then comes as a NUL and spoils its frame.
            settings = termios.tcgetattr(self._port.fd)
            settings[0] |= termios.INPCK
            termios.tcsetattr(self._port.fd, termios.TCSANOW, settings)
            self._lines = Lines(self._pause_s, whole=self._request is not None)
            self._emptied_s = self._clock()
            if self._request is not None:
                self._quiet(self._port)
            else:
                self._begin(self._port)
        except (OSError, ValueError, termios.error) as error:
            self.close()
            raise DriverError(f"Scale {self._name}: cannot be opened ({error}).") from error

    def read(self) -> Mapping[str, Sample]:
        """Give the newest complete frame.

        One that arrived since the last call is stamped with the middle of that time, one that arrives during the call
        with its arrival. Nothing that may have waited longer than the time limit is used.

        Raises
        ------
        DriverError
            If no usable frame comes in time.
        """
        if self._port is None:
            raise DriverError(f"Scale {self._name}: is not open.")
        self._skipped = b""
        try:
            sample = self._asked(self._port) if self._request is not None else self._newest(self._port)
        except (OSError, ValueError, TypeError, termios.error) as error:
            raise DriverError(f"Scale {self._name}: the line is lost ({error}).") from error
        if sample is None:
            limit = f"within {self._limit_s * 1000.0:.0f} ms"
            if self._skipped:
                heard = plain(self._skipped[:40].decode("ascii", "backslashreplace"), 160)
                raise DriverError(f'Scale {self._name}: no frame fits the pattern {limit}; heard "{heard}".')
            raise DriverError(f"Scale {self._name}: no frame {limit}.")
        return {self._tag: sample}

    def write(self, raw: Mapping[str, float]) -> Mapping[str, float]:
        """A scale has no outputs."""
        return {}

    def close(self) -> None:
        """Let go of the port."""
        port, self._port = self._port, None
        if port is not None:
            with contextlib.suppress(Exception):
                port.close()

    def _newest(self, port: serial.Serial) -> Sample | None:
        begun_s = self._clock()
        before_s, self._emptied_s = self._emptied_s, begun_s
        waiting = self._drain(port, 0.5 * (before_s + begun_s))
        if waiting is not None and begun_s - before_s <= self._limit_s:
            return waiting
        return self._live(port, begun_s + self._limit_s)

    def _asked(self, port: serial.Serial) -> Sample | None:
        until_s = self._clock() + self._limit_s
        self._drain(port, 0.0)
        port.write(self._request)
        return self._live(port, until_s)

    def _drain(self, port: serial.Serial, at_s: float) -> Sample | None:
        """Take what is waiting: its last frame."""
        newest, size = None, 0
        # Bounded: a line that never pauses must not hold the call.
        for _ in range(16):
            if not (chunk := port.read(4096)):
                break
            newest, size = self._last(chunk, at_s) or newest, size + len(chunk)
        if size >= _BUFFER:
            self._lines.doubt()
        return newest

    def _live(self, port: serial.Serial, until_s: float) -> Sample | None:
        """Wait for the next usable frame."""
        while (left_s := until_s - self._clock()) > 0.0:
            if not self._arrives(port, left_s):
                self._emptied_s = self._clock()
                break
            chunk = port.read(4096)
            self._emptied_s = self._clock()
            if (sample := self._last(chunk, self._emptied_s)) is not None:
                return sample
        return None

    def _last(self, chunk: bytes, at_s: float) -> Sample | None:
        sample = None
        for line in self._lines.feed(chunk, self._clock()):
            said = weight(line, self._pattern)
            if said is None:
                self._skipped = line
            else:
                fault = said if isinstance(said, Fault) else None
                sample = Sample(nan if isinstance(said, Fault) else said, at_s, fault)
        return sample

    def _begin(self, port: serial.Serial) -> None:
        until_s = self._clock() + self._limit_s
        while not self._lines.trusted:
            left_s = until_s - self._clock()
            if left_s <= 0.0 or not self._arrives(port, left_s):
                self.close()
                raise DriverError(f"Scale {self._name}: no frame within {self._limit_s * 1000.0:.0f} ms.")
            for _ in self._lines.feed(port.read(4096), self._clock()):
                pass
            self._emptied_s = self._clock()

    def _quiet(self, port: serial.Serial) -> None:
        until_s = self._clock() + max(self._limit_s, 2.0 * self._pause_s)
        while self._arrives(port, self._pause_s):
            port.read(4096)
            if self._clock() > until_s:
                self.close()
                raise DriverError(f'Scale {self._name}: sends without being asked; write mode = "continuous".')


def make(
    kind: str,
    options: Mapping[str, object],
    wires: Sequence[Wire],
    clock: Callable[[], float] = time.monotonic,
    arrives: Callable[[serial.Serial, float], bool] = arrives,
) -> Scale:
    """Make a driver of the kind "serial-scale".

    Named groups of the pattern: `value`, and where a frame has them `sign`, `unit` (kg, g, t, lb, oz), `bad` (over
    range and the like) and `stable` (allowed, not used). Clock and waiting are those of `Scale`.

    Raises
    ------
    WiringError
        If an option or the point cannot be used; one sentence.
    """
    used = checking.checked(_Options, options, _WRITE)
    limit_s = checking.timeout_s(used.timeout, least_s=_PAUSE_S)
    if len(wires) != 1 or wires[0].output:
        tags = ", ".join(wire.tag for wire in wires) or "none"
        raise WiringError(f"a scale has one point, WT-301, and this one has {tags}; correct the points' driver.")
    checking.checked(_Nothing, wires[0].address, {}, f"{wires[0].tag}: ")
    if used.mode == "polled" and not used.request:
        raise WiringError(f"request: missing; write {_WRITE['request']}.")
    if used.mode == "continuous" and used.request:
        raise WiringError('request: a scale that sends on its own is not asked; remove it, or write mode = "polled".')

    def connect() -> serial.Serial:
        return serial.Serial(
            used.port, used.baud, bytesize=used.data_bits, parity=_PARITIES[used.parity], stopbits=used.stop_bits,
            timeout=0, write_timeout=limit_s, exclusive=True,
        )  # fmt: skip

    request = _unescaped(used.request) if used.mode == "polled" else None
    pause_s = _PAUSE_S + 4.0 * 12.0 / used.baud
    return Scale(wires[0].tag, connect, used.port, _pattern(used.pattern), request, limit_s, pause_s, clock, arrives)


def _pattern(text: str) -> re.Pattern[str]:
    try:
        pattern = re.compile(text, re.ASCII)
    except re.error as error:
        raise WiringError(f"pattern: {text!r} is no regular expression ({error}); write {_WRITE['pattern']}.") from None
    unknown = [name for name in pattern.groupindex if name not in _GROUPS]
    if "value" not in pattern.groupindex:
        raise WiringError(f"pattern: has no group named value; write {_WRITE['pattern']}.")
    if unknown:
        raise WiringError(f"pattern: unknown group {unknown[0]}; known here: {', '.join(_GROUPS)}.")
    return pattern


def _unescaped(text: str) -> bytes:
    r"""The bytes of a request, with \r, \n, \t, \0, \\ and \x1b replaced."""

    def replace(found: re.Match[str]) -> str:
        if found[1]:
            return chr(int(found[1], 16))
        if found[2] not in _ESCAPED:
            raise WiringError(rf"request: {found[0]} is no escape; write one of \r, \n, \t, \0, \\ or like \x1b.")
        return _ESCAPED[found[2]]

    try:
        return _ESCAPE.sub(replace, text).encode("latin-1")
    except UnicodeEncodeError:
        raise WiringError(f"request: {text!r} is not plain text; write other bytes like \\x1b.") from None
