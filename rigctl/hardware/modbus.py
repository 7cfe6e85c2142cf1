"""Modbus TCP and RTU: loops and contacts in registers, valves and motors as coils, written and read back together.

Modbus Application Protocol V1.1b3: at most 125 registers or 2000 bits are read at once, 123 and 1968 written.
"""

from __future__ import annotations

import contextlib
import struct
import time
from collections.abc import Callable, Mapping, Sequence
from math import isfinite
from typing import Annotated, Any, Final, Literal

import msgspec
from pymodbus import FramerType
from pymodbus.client import ModbusSerialClient, ModbusTcpClient
from pymodbus.exceptions import ModbusException

from rigctl.hardware import options
from rigctl.hardware.driver import Driver, DriverError, Sample, Wire, WiringError

_AT_ONCE: Final = {"input": 120, "holding": 120, "coil": 1900, "discrete": 1900}
_GAP: Final = 8
"""Registers that are read along rather than asked for in a request of their own."""
_FORMATS: Final = {"int16": "h", "uint16": "H", "int32": "i", "uint32": "I", "float32": "f"}
_PARITY: Final = {"none": "N", "even": "E", "odd": "O"}

_Unit = Annotated[int, msgspec.Meta(ge=0, le=255)]
_Timeout = Annotated[float, msgspec.Meta(ge=0.01, le=5.0)]


class TcpOptions(msgspec.Struct, frozen=True):
    """Of a driver of kind modbus-tcp."""

    host: str
    port: Annotated[int, msgspec.Meta(ge=1, le=65535)] = 502
    unit: _Unit = 1
    timeout_s: _Timeout = 0.2


class RtuOptions(msgspec.Struct, frozen=True):
    """Of a driver of kind modbus-rtu."""

    port: str
    baud: Annotated[int, msgspec.Meta(ge=300, le=1_000_000)] = 19200
    parity: Literal["none", "even", "odd"] = "even"
    stop_bits: Literal[1, 2] = 1
    unit: _Unit = 1
    timeout_s: _Timeout = 0.2


class Address(msgspec.Struct, frozen=True):
    """Of a point: `order` is that of the two words of a 32-bit value."""

    register: Annotated[int, msgspec.Meta(ge=0, le=65535)]
    table: Literal["input", "holding", "coil", "discrete"]
    type: Literal["int16", "uint16", "int32", "uint32", "float32"] = "uint16"
    order: Literal["big", "little"] = "big"
    unit: _Unit | None = None

    @property
    def words(self) -> int:
        """Places that it takes in its table."""
        return 2 if self.table in ("input", "holding") and self.type.endswith("32") else 1


class _Block(msgspec.Struct):
    """Neighbours that one request fetches or sets."""

    table: str
    unit: int
    first: int
    count: int
    points: list[tuple[str, Address]]


def make(kind: str, table: Mapping[str, object], wires: Sequence[Wire]) -> Driver:
    """A driver for these points.

    Raises
    ------
    WiringError
        If an option or an address cannot be used.
    """
    given: TcpOptions | RtuOptions
    given = options.read(table, TcpOptions) if kind == "modbus-tcp" else options.read(table, RtuOptions)
    inputs: list[tuple[str, Address]] = []
    outputs: list[tuple[str, Address]] = []
    for wire in wires:
        address = options.read(wire.address, Address, wire.tag)
        if wire.output and address.table not in ("coil", "holding"):
            raise WiringError(f'{wire.tag}: table: an output is written to "coil" or "holding".')
        (outputs if wire.output else inputs).append((wire.tag, address))
    return Modbus(given, inputs, outputs)


def decoded(address: Address, words: Sequence[int]) -> float:
    """The value of one or two registers."""
    ordered = words if address.order == "big" else words[::-1]
    code = _FORMATS[address.type]
    packed = struct.pack(f">{len(ordered)}H", *ordered)
    return float(struct.unpack(f">{code}", packed)[0])


def encoded(address: Address, value: float) -> list[int]:
    """The registers of a value; a whole number is rounded and kept within its type.

    Raises
    ------
    DriverError
        If it is no number.
    """
    if not isfinite(value):
        raise DriverError(f"{value} cannot be written to a register.")
    code = _FORMATS[address.type]
    if code == "f":
        packed = struct.pack(">f", value)
    else:
        bits = 8 * struct.calcsize(f">{code}")
        low, high = (-(1 << bits - 1), (1 << bits - 1) - 1) if code.islower() else (0, (1 << bits) - 1)
        packed = struct.pack(f">{code}", min(max(round(value), low), high))
    words = list(struct.unpack(f">{len(packed) // 2}H", packed))
    return words if address.order == "big" else words[::-1]


class Modbus:
    """One Modbus device or line."""

    def __init__(
        self,
        given: TcpOptions | RtuOptions,
        inputs: Sequence[tuple[str, Address]],
        outputs: Sequence[tuple[str, Address]],
    ) -> None:
        self._given = given
        self._inputs = _blocks(inputs, given.unit, _GAP)
        # What lies between two outputs is not ours to write.
        self._outputs = _blocks(outputs, given.unit, 0)
        self._client: Any = None
        self._name = f"{given.host}:{given.port}" if isinstance(given, TcpOptions) else given.port

    def open(self) -> None:
        """Connect."""
        given = self._given
        if isinstance(given, TcpOptions):
            self._client = ModbusTcpClient(
                given.host, port=given.port, timeout=given.timeout_s, retries=0, reconnect_delay=0
            )
        else:
            self._client = ModbusSerialClient(
                given.port, framer=FramerType.RTU, baudrate=given.baud, parity=_PARITY[given.parity],
                stopbits=given.stop_bits, timeout=given.timeout_s, retries=0, reconnect_delay=0,
            )  # fmt: skip
        connected = False
        with contextlib.suppress(ModbusException, OSError):
            connected = self._client.connect()
        if not connected:
            raise DriverError(f"Modbus {self._name} cannot be reached.")

    def read(self) -> Mapping[str, Sample]:
        """Fetch all inputs."""
        samples = {}
        for block in self._inputs:
            values = self._fetch(block)
            now_s = time.monotonic()
            for tag, raw in values.items():
                samples[tag] = Sample(raw, now_s)
        return samples

    def write(self, raw: Mapping[str, float]) -> Mapping[str, float]:
        """Set all outputs and read them back."""
        for block in self._outputs:
            if block.table == "coil":
                bits = [raw[tag] > 0.5 for tag, _ in block.points]
                self._ask(self._client.write_coils, block, bits)
            else:
                words = [word for tag, address in block.points for word in encoded(address, raw[tag])]
                self._ask(self._client.write_registers, block, words)
        back: dict[str, float] = {}
        for block in self._outputs:
            back |= self._fetch(block)
        return back

    def close(self) -> None:
        """Let go of the connection."""
        if self._client is not None:
            with contextlib.suppress(Exception):
                self._client.close()
            self._client = None

    def _fetch(self, block: _Block) -> dict[str, float]:
        client = self._client
        reading = {
            "input": client.read_input_registers, "holding": client.read_holding_registers,
            "coil": client.read_coils, "discrete": client.read_discrete_inputs,
        }[block.table]  # fmt: skip
        reply = self._ask(reading, block, None)
        bits = block.table in ("coil", "discrete")
        words = reply.bits if bits else reply.registers
        if len(words) < block.count:
            raise DriverError(f"Modbus {self._name}: the answer is too short.")
        values = {}
        for tag, address in block.points:
            at = address.register - block.first
            values[tag] = float(words[at]) if bits else decoded(address, words[at : at + address.words])
        return values

    def _ask(self, call: Callable[..., Any], block: _Block, values: list[Any] | None) -> Any:
        where = f"{block.table} {block.first} of unit {block.unit}"
        try:
            if values is None:
                reply = call(block.first, count=block.count, device_id=block.unit)
            else:
                reply = call(block.first, values, device_id=block.unit)
        except (ModbusException, OSError) as error:
            raise DriverError(f"Modbus {self._name}, {where}: no answer ({error}).") from None
        if reply.isError():
            raise DriverError(f"Modbus {self._name}, {where}: refused ({reply}).")
        return reply


def _blocks(points: Sequence[tuple[str, Address]], unit: int, gap: int) -> list[_Block]:
    """As few requests as fetch all these points."""
    blocks: list[_Block] = []
    keyed = [(unit if a.unit is None else a.unit, a.table, a.register, tag, a) for tag, a in points]
    for at_unit, table, first, tag, address in sorted(keyed, key=lambda one: one[:3]):
        last = blocks[-1] if blocks else None
        if (
            last is not None and (last.unit, last.table) == (at_unit, table)
            and last.first + last.count <= first <= last.first + last.count + gap
            and first + address.words - last.first <= _AT_ONCE[table]
        ):  # fmt: skip
            last.count = first + address.words - last.first
            last.points.append((tag, address))
        else:
            blocks.append(_Block(table, at_unit, first, address.words, [(tag, address)]))
    return blocks
