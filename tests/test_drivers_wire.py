"""Modbus and serial scale over real sockets and pseudo-terminals: right values, silence, lies, half frames."""

from __future__ import annotations

import asyncio
import os
import pty
import re
import socket
import struct
import threading
import time
import tty
from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from rigctl.control.readings import Fault
from rigctl.hardware import modbus, serial_scale
from rigctl.hardware.driver import DriverError, Wire, WiringError, Worker
from rigctl.hardware.modbus import Address, decoded, encoded
from rigctl.hardware.wiring import Point

pytestmark = pytest.mark.timeout(60)


class Server:
    """A Modbus TCP device in a thread: 200 registers of each kind, shared, and 200 bits."""

    def __init__(self, port: int = 0, words: dict[int, int] | None = None) -> None:
        self.words = [0] * 200
        for register, word in (words or {}).items():
            self.words[register] = word
        self.port = port
        self._loop = asyncio.new_event_loop()
        self._up = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()
        assert self._up.wait(5.0)

    def _run(self) -> None:
        asyncio.set_event_loop(self._loop)
        self._loop.run_until_complete(self._serve())
        self._loop.close()

    async def _serve(self) -> None:
        registers = SimData(0, values=self.words, datatype=DataType.REGISTERS)
        bits = SimData(0, values=[False] * 200, datatype=DataType.BITS)
        device = SimDevice(1, simdata=([bits], [bits], [registers], [registers]))
        self._server = ModbusTcpServer(device, address=("127.0.0.1", self.port))
        await self._server.listen()
        self.port = self._server.transport.sockets[0].getsockname()[1]
        self._end = asyncio.Event()
        self._up.set()
        await self._end.wait()
        await self._server.shutdown()

    def stop(self) -> None:
        if self._thread.is_alive():
            self._loop.call_soon_threadsafe(self._end.set)
            self._thread.join(5.0)


@pytest.fixture
def server() -> Iterator[Server]:
    made = Server(words={0: 12_000, 1: 0xFFFE, 2: 0x4048, 3: 0xF5C3, 4: 0xF5C3, 5: 0x4048, 40: 7})
    yield made
    made.stop()


def driver(port: int, *wires: Wire, **more: Any) -> Any:
    return modbus.make("modbus-tcp", {"host": "127.0.0.1", "port": port, "timeout": "200 ms"} | more, wires)


def at(tag: str, register: int, table: str = "input", **more: Any) -> Wire:
    output = tag.startswith(("XV", "CV", "M-", "KS"))
    return Wire(tag, output, {"register": register, "table": table} | more)


# ---- Modbus


@pytest.mark.parametrize(
    ("kind", "code"), [("int16", "h"), ("uint16", "H"), ("int32", "i"), ("uint32", "I"), ("float32", "f")]
)
@pytest.mark.parametrize("order", ["big", "little"])
def test_values_stand_in_registers_as_the_protocol_says(kind: Any, code: str, order: Any) -> None:
    # Big-endian bytes in a register (Modbus Application Protocol V1.1b3, 4.2); struct is the reference.
    value = 1234.5 if code == "f" else -7 if code.islower() else 54321
    packed = struct.pack(f">{code}", value)
    words = list(struct.unpack(f">{len(packed) // 2}H", packed))
    address = Address(0, "holding", kind, order)
    assert encoded(address, value) == (words if order == "big" else words[::-1])
    assert decoded(address, encoded(address, value)) == value


def test_a_value_beyond_its_type_is_kept_within() -> None:
    assert encoded(Address(0, "holding", "uint16"), 70_000.0) == [0xFFFF]
    assert encoded(Address(0, "holding", "int16"), -70_000.0) == [0x8000]
    with pytest.raises(DriverError):
        encoded(Address(0, "holding"), float("nan"))


def test_inputs_come_over_a_real_socket(server: Server) -> None:
    made = driver(
        server.port, at("PT-101", 0), at("PT-102", 1, type="int16"), at("PT-201", 2, type="float32"),
        at("PT-301", 4, type="float32", order="little"), at("TT-101", 40, "holding"),
    )  # fmt: skip
    made.open()
    samples = made.read()
    assert {tag: sample.raw for tag, sample in samples.items()} == pytest.approx(
        # IEEE 754: 0x4048F5C3 is the single nearest to 3.14.
        {"PT-101": 12_000.0, "PT-102": -2.0, "PT-201": 3.14, "PT-301": 3.14, "TT-101": 7.0}, rel=1e-6
    )  # fmt: skip
    assert time.monotonic() - samples["PT-101"].taken_at_s < 1.0
    made.close()


def test_outputs_are_written_and_read_back(server: Server) -> None:
    made = driver(
        server.port, at("XV-101", 3, "coil"), at("XV-102", 4, "coil"), at("KS-001", 15, "coil"),
        at("CV-103", 60, "holding"),
    )  # fmt: skip
    made.open()
    wanted = {"XV-101": 1.0, "XV-102": 0.0, "KS-001": 1.0, "CV-103": 8000.0}
    assert made.write(wanted) == wanted
    assert made.write(wanted | {"XV-101": 0.0})["XV-101"] == 0.0
    made.close()


def test_neighbours_share_a_request_and_outputs_never_write_what_is_between() -> None:
    near = [(f"PT-{n}", Address(n, "input")) for n in (0, 1, 5, 12, 90)]
    assert [block.count for block in modbus._blocks(near, 1, 8)] == [13, 1]
    far = [(f"PT-{n}", Address(n, "input")) for n in range(0, 300, 5)]
    assert all(block.count <= 125 for block in modbus._blocks(far, 1, 8)), "Modbus reads 125 registers at most"
    coils = [(f"XV-{n}", Address(n, "coil")) for n in (0, 1, 3)]
    assert [(block.first, block.count) for block in modbus._blocks(coils, 1, 0)] == [(0, 2), (3, 1)]


def test_a_device_that_says_nothing_is_an_error_within_its_time() -> None:
    with socket.create_server(("127.0.0.1", 0)) as mute:
        made = driver(mute.getsockname()[1], at("PT-101", 0))
        made.open()
        begun_s = time.monotonic()
        with pytest.raises(DriverError, match="no answer"):
            made.read()
        assert time.monotonic() - begun_s < 1.0
        made.close()


def test_a_refusal_and_nobody_there_are_errors_with_the_place(server: Server) -> None:
    made = driver(server.port, at("PT-101", 5000))
    made.open()
    with pytest.raises(DriverError, match="5000"):
        made.read()
    made.close()
    server.stop()
    with pytest.raises(DriverError, match="cannot be reached"):
        driver(server.port, at("PT-101", 0)).open()


def test_a_device_that_goes_and_comes_back_is_no_reply_meanwhile(server: Server) -> None:
    point = Point("PT-101", "io", "4-20 mA", 0.0, 40e5, factor=1e-3)
    worker = Worker("io", driver(server.port, at("PT-101", 0)), 0.02)
    worker.start()

    def reads(fault: Fault | None, within_s: float) -> bool:
        until_s = time.monotonic() + within_s
        while time.monotonic() < until_s:
            if point.reading(worker.samples.get("PT-101"), time.monotonic(), 0.5).fault is fault:
                return True
            time.sleep(0.01)
        return False

    assert reads(None, 3.0)
    server.stop()
    assert reads(Fault.NO_REPLY, 1.5), "a sample is stale after half a second"
    again = Server(server.port, {0: 8_000})
    assert reads(None, 8.0)
    assert point.reading(worker.samples["PT-101"], time.monotonic(), 5.0).value == pytest.approx(10e5)
    assert worker.stop()
    again.stop()


@pytest.mark.parametrize(
    ("table", "wire", "expected"),
    [
        ({}, at("PT-101", 0, "coils"), "table"),
        ({}, at("XV-101", 0, "input"), "coil"),
        ({"hots": "x"}, at("PT-101", 0), "hots"),
        ({"port": 99_999}, at("PT-101", 0), "65535"),
        ({"timeout": "3 apples"}, at("PT-101", 0), "timeout"),
        ({}, Wire("PT-101", False, {"table": "input"}), "register"),
        ({}, at("PT-101", 0, register_typo=1), "register_typo"),
    ],
)
def test_wrong_options_are_refused_with_the_key(table: dict[str, Any], wire: Wire, expected: str) -> None:
    with pytest.raises(WiringError, match=expected):
        modbus.make("modbus-tcp", {"host": "127.0.0.1"} | table, [wire])


# ---- the scale

PATTERN = r"(?P<bad>OL)|(?P<sign>[+-])\s*(?P<value>[0-9.]+)\s*(?P<unit>kg|g|lb|oz)"


class Indicator:
    """The far end of a pseudo-terminal."""

    def __init__(self) -> None:
        self.end, line = pty.openpty()
        tty.setraw(self.end)
        tty.setraw(line)
        self.port = os.ttyname(line)
        self._line = line

    def say(self, text: bytes) -> None:
        os.write(self.end, text)

    def close(self) -> None:
        os.close(self.end)
        os.close(self._line)


@pytest.fixture
def indicator() -> Iterator[Indicator]:
    made = Indicator()
    yield made
    made.close()


def scale(indicator: Indicator, **more: Any) -> Any:
    table = {"port": indicator.port, "pattern": PATTERN, "timeout": "300 ms"} | more
    made = serial_scale.make("serial-scale", table, [Wire("WT-301", False, {})])
    made.open()
    return made


def test_a_continuous_scale_gives_its_newest_whole_frame(indicator: Indicator) -> None:
    made = scale(indicator)
    indicator.say(b"99.000kg\r\nST,GS,+ 12.345kg\r\nST,GS,+ 12.350kg\r\nST,GS,+ 1")
    assert made.read()["WT-301"].raw == pytest.approx(12.35)
    indicator.say(b"3.000kg\r\n")
    assert made.read()["WT-301"].raw == pytest.approx(13.0)
    made.close()


def test_the_piece_of_a_frame_it_wakes_up_in_is_no_weight(indicator: Indicator) -> None:
    made = scale(indicator)
    indicator.say(b"+ 2.345kg\r\n")  # of "+ 12.345kg", perhaps
    with pytest.raises(DriverError, match="no frame"):
        made.read()
    made.close()


def test_a_polled_scale_is_asked(indicator: Indicator) -> None:
    made = scale(indicator, mode="polled", request="W\\r")
    heard: list[bytes] = []

    def answer() -> None:
        heard.append(os.read(indicator.end, 16))
        indicator.say(b"ST,+  1.000lb\r\n")

    threading.Thread(target=answer, daemon=True).start()
    # 1 lb = 0.453 592 37 kg (NIST SP 811).
    assert made.read()["WT-301"].raw == pytest.approx(0.45359237)
    assert heard == [b"W\r"]
    made.close()


def test_a_silent_scale_is_an_error_and_an_overloaded_one_a_failure(indicator: Indicator) -> None:
    made = scale(indicator)
    begun_s = time.monotonic()
    with pytest.raises(DriverError, match=r"no frame in 0\.3 s"):
        made.read()
    assert 0.2 < time.monotonic() - begun_s < 1.5
    indicator.say(b"\r\nOL\r\n")
    assert made.read()["WT-301"].fault is Fault.FAILURE
    made.close()


FRAMES = st.sampled_from([b"+ 10.0kg\r\n", b"- 0.5kg\n", b"+ 7.25kg\r"])


@given(st.lists(st.one_of(st.binary(max_size=40), FRAMES), max_size=12))
@hypothesis_settings(max_examples=300, deadline=None)
def test_promise_no_bytes_whatever_become_a_weight_that_no_whole_line_said(pieces: list[bytes]) -> None:
    given_ = serial_scale.Options("/dev/null", PATTERN)
    made = serial_scale.SerialScale(given_, re.compile(PATTERN), "WT-301")
    made._whole = False
    lines = [line for piece in pieces for line in made._lines(piece)]
    # Reference: the lines between two line ends of the whole stream, the first and the last piece left out.
    whole = re.split(rb"[\r\n]", b"".join(pieces))[1:-1]
    assert all(line in whole for line in lines)
    for line in lines:
        said = serial_scale.weight(line, re.compile(PATTERN))
        assert said is None or said is Fault.FAILURE or abs(float(said)) < 1e40


@pytest.mark.parametrize(
    ("table", "expected"),
    [
        ({"pattern": "("}, "no regular expression"),
        ({"pattern": "[0-9]+"}, "names no group"),
        ({"mode": "polled"}, "must be asked"),
        ({"mode": "sometimes"}, "sometimes"),
        ({"parity": "both"}, "both"),
    ],
)
def test_wrong_options_of_a_scale_are_refused(table: dict[str, Any], expected: str) -> None:
    with pytest.raises(WiringError, match=expected):
        serial_scale.make("serial-scale", {"port": "x", "pattern": PATTERN} | table, [Wire("WT-301", False, {})])
