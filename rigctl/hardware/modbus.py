"""Modbus TCP and RTU: points on the registers and bits of remote inputs and outputs, drives and transmitters.

Neighbours are read with one request, so that a scan of 20 Hz is possible on a serial bus too. Addresses count from 0,
as they go over the wire. Application protocol: MODBUS Application Protocol Specification V1.1b3.
"""

from __future__ import annotations

import contextlib
import logging
import struct
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from math import isfinite
from typing import Annotated, Final, Literal

import msgspec
from pymodbus import ModbusException
from pymodbus.client import ModbusSerialClient, ModbusTcpClient
from pymodbus.pdu import ModbusPDU

from rigctl.hardware import checking
from rigctl.hardware.driver import DriverError, Sample, Wire, WiringError

# What it logs as an error comes as an exception, too, and is told once by the worker.
logging.getLogger("pymodbus").setLevel(logging.CRITICAL)

MOST_REGISTERS: Final = 120
MOST_BITS: Final = 1900
"""In one request; the specification allows 125 (123 when writing) and 2000 (1968)."""
_BITS: Final = ("coil", "discrete")
_FORMATS: Final = {"int16": ">h", "uint16": ">H", "int32": ">i", "uint32": ">I", "float32": ">f"}
_RANGES: Final = {
    "int16": (-(2**15), 2**15 - 1),
    "uint16": (0, 2**16 - 1),
    "int32": (-(2**31), 2**31 - 1),
    "uint32": (0, 2**32 - 1),
}
_FLOAT_MOST: Final = struct.unpack(">f", b"\x7f\x7f\xff\xff")[0]
_EXCEPTIONS: Final = {
    1: "does not know this function",
    2: "has no such address",
    3: "does not accept the value or the number of registers",
    4: "failed while doing it",
    6: "is busy",
    10: "is behind a gateway that has no path to it",
    11: "does not answer the gateway",
}
_PARITIES: Final = {"none": "N", "even": "E", "odd": "O"}

_Unit = Annotated[int, msgspec.Meta(ge=0, le=255)]
_Type = Literal["int16", "uint16", "int32", "uint32", "float32"]


class _Tcp(msgspec.Struct, frozen=True):
    host: Annotated[str, msgspec.Meta(min_length=1)]
    port: Annotated[int, msgspec.Meta(ge=1, le=65535)] = 502
    unit: _Unit = 1
    timeout: str = "200 ms"
    gap: Annotated[int, msgspec.Meta(ge=0, le=MOST_REGISTERS)] = 8


class _Rtu(msgspec.Struct, frozen=True):
    port: Annotated[str, msgspec.Meta(min_length=1)]
    baud: Annotated[int, msgspec.Meta(ge=300, le=4_000_000)] = 19200
    parity: Literal["even", "none", "odd"] = "even"
    stop_bits: Literal[1, 2] = 1
    unit: _Unit = 1
    timeout: str = "200 ms"
    gap: Annotated[int, msgspec.Meta(ge=0, le=MOST_REGISTERS)] = 8


class _Address(msgspec.Struct, frozen=True):
    register: Annotated[int, msgspec.Meta(ge=0, le=65535)]
    table: Literal["input", "holding", "coil", "discrete"]
    type: _Type | None = None
    order: Literal["big", "little"] = "big"
    unit: _Unit | None = None


_WRITE_COMMON: Final = {
    "unit": "the number of the device, like unit = 1",
    "timeout": 'a time with its unit, like timeout = "200 ms"',
    "gap": "how many unused registers may be read along, like gap = 8, or 0 for none",
}
_WRITE_TCP: Final = _WRITE_COMMON | {
    "host": 'the address of the device, like host = "192.168.1.20"',
    "port": "a number, usually port = 502",
}
_WRITE_RTU: Final = _WRITE_COMMON | {
    "port": 'the serial device, like port = "/dev/ttyUSB0"',
    "baud": "the speed, like baud = 19200",
    "parity": 'one of "even", "none", "odd"',
    "stop_bits": "1 or 2",
}
_WRITE_ADDRESS: Final = {
    "register": "the address as it goes over the wire, counted from 0, like register = 0",
    "table": 'one of "input", "holding", "coil", "discrete"',
    "type": 'one of "int16", "uint16", "int32", "uint32", "float32"',
    "order": '"big" (high word first) or "little"',
    "unit": "the number of the device, like unit = 1",
}


class _Item(msgspec.Struct, frozen=True):
    """One point on the bus."""

    tag: str
    unit: int
    table: str
    register: int
    type: str
    """Empty for a bit."""
    little: bool

    @property
    def size(self) -> int:
        return 2 if self.type.endswith("32") else 1

    @property
    def end(self) -> int:
        return self.register + self.size

    def decode(self, words: Sequence[int]) -> float:
        """The value in registers, or in a bit."""
        if not self.type:
            return float(words[0])
        ordered = words[::-1] if self.little else words
        return float(struct.unpack(_FORMATS[self.type], struct.pack(f">{len(words)}H", *ordered))[0])

    def encode(self, value: float) -> list[int]:
        """The registers, or the bit, of a value; what is beyond the type's range is clamped."""
        if not self.type:
            return [int(value > 0.5)]
        if self.type in _RANGES:
            low, high = _RANGES[self.type]
            packed = struct.pack(_FORMATS[self.type], min(max(round(value), low), high))
        else:
            packed = struct.pack(_FORMATS[self.type], min(max(value, -_FLOAT_MOST), _FLOAT_MOST))
        words = list(struct.unpack(f">{len(packed) // 2}H", packed))
        return words[::-1] if self.little else words


class _Group(msgspec.Struct, frozen=True):
    """What one request carries."""

    items: tuple[_Item, ...]

    @property
    def first(self) -> _Item:
        return self.items[0]

    @property
    def count(self) -> int:
        return max(item.end for item in self.items) - self.first.register

    @property
    def words(self) -> str:
        last = self.first.register + self.count - 1
        span = f"{self.first.register}" if self.count == 1 else f"{self.first.register} to {last}"
        return f"{self.first.table} {span} of unit {self.first.unit}"


def grouped(items: Iterable[_Item], gap: int) -> list[_Group]:
    """Requests that cover all items: neighbours of one table and unit together, at most `gap` unused between them."""
    groups: list[list[_Item]] = []
    end = 0
    for item in sorted(items, key=lambda item: (item.unit, item.table, item.register, item.size)):
        if groups:
            first = groups[-1][0]
            most = MOST_BITS if item.table in _BITS else MOST_REGISTERS
            alike = (item.unit, item.table) == (first.unit, first.table)
            if alike and item.register - end <= gap and item.end - first.register <= most:
                groups[-1].append(item)
                end = max(end, item.end)
                continue
        groups.append([item])
        end = item.end
    return [_Group(tuple(group)) for group in groups]


class Modbus:
    """One Modbus TCP device (or gateway), or one RTU bus.

    Every call ends within about its time limit, all requests of the call together; looking up a host by name is the
    system's affair and may take longer. Nothing is tried twice, and a lost connection is made anew by `open` alone.

    Parameters
    ----------
    name
        Of the device, for messages.
    client
        A synchronous client without retries.
    limit_s
        Time limit of a call, s.
    inputs, outputs
        The points.
    gap
        How many unused registers or bits may be read between two points; none are ever written.
    clock
        Monotonic, s.
    """

    def __init__(
        self,
        name: str,
        client: ModbusTcpClient | ModbusSerialClient,
        limit_s: float,
        inputs: Sequence[_Item],
        outputs: Sequence[_Item],
        gap: int,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._name, self._client, self._limit_s, self._clock = name, client, limit_s, clock
        self._reads, self._checks, self._writes = grouped(inputs, gap), grouped(outputs, gap), grouped(outputs, 0)
        self._gapped = gap > 0
        self._until_s = 0.0
        serial = isinstance(client, ModbusSerialClient)
        self._check = (
            "is it plugged in, and may this user open it?" if serial else "check its address, cable and supply."
        )

    def open(self) -> None:
        """Connect; raises `DriverError` if that does not work."""
        self._allow(self._limit_s)
        try:
            connected = bool(self._client.connect())
        except (ModbusException, OSError) as error:
            raise DriverError(f"{self._name}: cannot be opened ({error}).") from error
        if not connected:
            raise DriverError(f"{self._name}: cannot be reached; {self._check}")

    def read(self) -> Mapping[str, Sample]:
        """Take all inputs; each is stamped with the moment before its request, so it is never made younger."""
        self._until_s = self._clock() + self._limit_s
        return self._fetch(self._reads)

    def write(self, raw: Mapping[str, float]) -> Mapping[str, float]:
        """Write all outputs, then read them back; nothing is written unless there is a number for each."""
        self._until_s = self._clock() + self._limit_s
        for group in self._writes:
            for item in group.items:
                if not isfinite(raw.get(item.tag, float("nan"))):
                    raise DriverError(f"{self._name}: the command for {item.tag} is no number.")
        for group in self._writes:
            self._put(group, [word for item in group.items for word in item.encode(raw[item.tag])])
        return {tag: sample.raw for tag, sample in self._fetch(self._checks).items()}

    def close(self) -> None:
        """Let go."""
        with contextlib.suppress(Exception):
            self._client.close()  # type: ignore[no-untyped-call]

    def _fetch(self, groups: Iterable[_Group]) -> dict[str, Sample]:
        samples = {}
        for group in groups:
            asked_s = self._clock()
            words = self._get(group)
            for item in group.items:
                at = item.register - group.first.register
                samples[item.tag] = Sample(item.decode(words[at : at + item.size]), asked_s)
        return samples

    def _get(self, group: _Group) -> Sequence[int]:
        client, first = self._client, group.first
        ask = {
            "coil": client.read_coils,
            "discrete": client.read_discrete_inputs,
            "holding": client.read_holding_registers,
            "input": client.read_input_registers,
        }[first.table]
        self._ready()
        try:
            reply = ask(first.register, count=group.count, device_id=first.unit)
        except (ModbusException, OSError, struct.error) as error:
            raise self._lost(group, error) from error
        self._refused(group, reply)
        words: Sequence[int] = reply.bits[: group.count] if first.table in _BITS else reply.registers
        if len(words) != group.count:
            self.close()
            raise DriverError(f"{self._name}: the answer for {group.words} has the wrong length.")
        return words

    def _put(self, group: _Group, words: list[int]) -> None:
        first = group.first
        self._ready()
        try:
            if first.table == "coil":
                bits = [bool(word) for word in words]
                reply = self._client.write_coils(first.register, bits, device_id=first.unit)
            else:
                reply = self._client.write_registers(first.register, words, device_id=first.unit)
        except (ModbusException, OSError, struct.error) as error:
            raise self._lost(group, error) from error
        self._refused(group, reply)
        if (reply.address, reply.count) != (first.register, len(words)):
            self.close()
            raise DriverError(f"{self._name}: the answer to writing {group.words} is for something else.")

    def _ready(self) -> None:
        """Before a request: still connected (the client would connect by itself), and time left."""
        if not self._client.connected:
            raise DriverError(f"{self._name}: the connection is lost.")
        left_s = self._until_s - self._clock()
        if left_s <= 0.0:
            self.close()
            raise DriverError(f"{self._name}: too slow, not done within {self._limit_s * 1000.0:.0f} ms.")
        self._allow(left_s)

    def _allow(self, left_s: float) -> None:
        self._client.comm_params.timeout_connect = left_s
        self._client.transaction.comm_params.timeout_connect = left_s

    def _lost(self, group: _Group, error: Exception) -> DriverError:
        # A late answer must not be taken for that to the next request.
        self.close()
        if "No response" in str(error):
            limit = f"within {self._limit_s * 1000.0:.0f} ms"
            return DriverError(f"{self._name}: no answer {limit} for {group.words}.")
        return DriverError(f"{self._name}: the connection is lost ({type(error).__name__}).")

    def _refused(self, group: _Group, reply: ModbusPDU) -> None:
        if not reply.isError():
            return
        code = getattr(reply, "exception_code", 0)
        what = _EXCEPTIONS.get(code, "refuses")
        hint = ""
        if code == 2 and self._gapped and group.count > sum(item.size for item in group.items):
            hint = "; if it has none between the points, write gap = 0"
        raise DriverError(f"{self._name}: the device {what} ({group.words}, exception {code}){hint}.")


def make(
    kind: str, options: Mapping[str, object], wires: Sequence[Wire], clock: Callable[[], float] = time.monotonic
) -> Modbus:
    """Make a driver of the kind "modbus-tcp" or "modbus-rtu".

    Raises
    ------
    WiringError
        If an option or an address cannot be used; one sentence.
    """
    client: ModbusTcpClient | ModbusSerialClient
    used: _Tcp | _Rtu
    if kind == "modbus-tcp":
        used = tcp = checking.checked(_Tcp, options, _WRITE_TCP)
        limit_s, name = checking.timeout_s(tcp.timeout), f"Modbus {tcp.host}:{tcp.port}"
        client = ModbusTcpClient(tcp.host, port=tcp.port, timeout=limit_s, retries=0)
    else:
        used = rtu = checking.checked(_Rtu, options, _WRITE_RTU)
        limit_s, name = checking.timeout_s(rtu.timeout), f"Modbus {rtu.port}"
        client = ModbusSerialClient(
            rtu.port, baudrate=rtu.baud, parity=_PARITIES[rtu.parity], stopbits=rtu.stop_bits, timeout=limit_s,
            retries=0,
        )  # fmt: skip
    items: dict[bool, list[_Item]] = {False: [], True: []}
    for wire in wires:
        items[wire.output].append(_item(wire, used.unit, kind == "modbus-rtu"))
    _overlaps(items[True])
    return Modbus(name, client, limit_s, items[False], items[True], used.gap, clock)


def _item(wire: Wire, unit: int, rtu: bool) -> _Item:
    where = f"{wire.tag}: "
    address = checking.checked(_Address, wire.address, _WRITE_ADDRESS, where)
    if wire.output and address.table in ("input", "discrete"):
        raise WiringError(f'{where}table: "{address.table}" cannot be written; write "coil" or "holding".')
    number = address.unit if address.unit is not None else unit
    if rtu and not 1 <= number <= 247:
        raise WiringError(f"{where}unit: {number} is no device of a serial bus; write 1 to 247.")
    if address.table in _BITS:
        return _Item(wire.tag, number, address.table, address.register, "", False)
    if address.type is None:
        raise WiringError(f"{where}type: missing; write {_WRITE_ADDRESS['type']}.")
    item = _Item(wire.tag, number, address.table, address.register, address.type, address.order == "little")
    if item.end > 65536:
        raise WiringError(f"{where}register: {item.register} is the last, and {address.type} needs two; write a lower.")
    return item


def _overlaps(outputs: list[_Item]) -> None:
    """Refuse two outputs that set the same."""
    taken: dict[tuple[int, str, int], str] = {}
    for item in outputs:
        for register in range(item.register, item.end):
            other = taken.setdefault((item.unit, item.table, register), item.tag)
            if other != item.tag:
                raise WiringError(
                    f"{item.tag}: register: {item.table} {register} is that of {other}, too; give each its own."
                )
