"""Drivers on a wire: Modbus over TCP and over a serial line (a pair of pseudo terminals), and a scale on one."""

import asyncio
import contextlib
import fcntl
import itertools
import logging
import math
import os
import re
import select
import socket
import struct
import termios
import threading
import time
import tty
from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pymodbus.constants import ExcCodes
from pymodbus.server import ModbusSerialServer, ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from rigctl.control.readings import Fault
from rigctl.hardware import modbus, serial_scale
from rigctl.hardware.driver import Driver, DriverError, Wire, WiringError, Worker
from rigctl.hardware.wiring import Point
from tests.waiting import PATIENCE_S, until


class Clock:
    """A clock that stands still, but for what is done to it."""

    def __init__(self) -> None:
        self.now_s = 1000.0
        self.a_look_s = 0.0
        """What passes with every look at it."""

    def __call__(self) -> float:
        self.now_s += self.a_look_s
        return self.now_s


def point(tag: str, table: str, register: int, kind: str | None = None, **more: Any) -> Wire:
    output = tag.startswith(("XV", "M-", "CV", "EH", "KS"))
    keys = {"type": kind} if kind else {}
    return Wire(tag, output, {"register": register, "table": table, **keys, **more})


def words_of(form: str, value: float) -> list[int]:
    """Registers of a value, high word first: the bytes that `struct` packs big-endian (MODBUS V1.1b3, 4.2)."""
    packed = struct.pack(">" + form, value)
    return [int.from_bytes(packed[at : at + 2], "big") for at in range(0, len(packed), 2)]


class Device:
    """A Modbus server in a thread: coils, discrete inputs, holding and input registers 0 to 199 (bits to 1999)."""

    def __init__(self, input_registers: Mapping[int, int] | None = None, port: int = 0, line: str = "") -> None:
        registers = [(input_registers or {}).get(at, 0) for at in range(200)]
        self.requests: list[tuple[int, int, int]] = []
        self.refuse: ExcCodes | None = None
        bits = [at % 3 == 0 for at in range(2000)]
        self._device = SimDevice(
            id=1,
            simdata=(
                [SimData(0, values=[False] * 2000, datatype=DataType.BITS)],
                [SimData(0, values=bits, datatype=DataType.BITS)],
                [SimData(0, values=[0] * 200, datatype=DataType.REGISTERS)],
                [SimData(0, values=registers, datatype=DataType.REGISTERS)],
            ),
            action=self._maybe,
        )
        self.port, self.line = port or free_port(), line
        self._loop = asyncio.new_event_loop()
        self._ready = threading.Event()
        self._thread = threading.Thread(target=self._loop.run_until_complete, args=(self._serve(),), daemon=True)
        self._thread.start()
        assert self._ready.wait(PATIENCE_S)

    def _note(self, sending: bool, pdu: Any) -> Any:
        if not sending:
            self.requests.append((pdu.function_code, pdu.address, pdu.count))
        return pdu

    async def _maybe(self, *_: Any) -> ExcCodes | None:
        return self.refuse

    async def _serve(self) -> None:
        if self.line:
            self._server: Any = ModbusSerialServer(self._device, port=self.line, baudrate=115200, trace_pdu=self._note)
        else:
            self._server = ModbusTcpServer(self._device, address=("127.0.0.1", self.port), trace_pdu=self._note)
        await self._server.serve_forever(background=True)
        self._ready.set()
        await self._server.serving
        await self._let_go_on()

    async def _end(self) -> None:
        # A connection must not be half accepted when the server closes: asyncio would leave it open.
        await self._let_go_on()
        await self._server.shutdown()

    async def _let_go_on(self) -> None:
        for _ in range(10):  # rounds of the loop, however long each takes
            await asyncio.sleep(0.002)

    def values(self, function: int, address: int, count: int) -> list[int]:
        asked = self._server.async_getValues(1, function, address, count)
        return list(asyncio.run_coroutine_threadsafe(asked, self._loop).result(PATIENCE_S))

    def stop(self) -> None:
        if self._thread.is_alive():
            asyncio.run_coroutine_threadsafe(self._end(), self._loop).result(PATIENCE_S)
            self._thread.join(PATIENCE_S)
            self._loop.close()


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@pytest.fixture
def device() -> Iterator[Device]:
    made = Device(INPUT_REGISTERS)
    yield made
    made.stop()


INPUT_REGISTERS = dict(
    enumerate(
        [
            *words_of("h", -12345), *words_of("H", 54321),
            *words_of("i", -1234567890), *words_of("i", -1234567890)[::-1],
            *words_of("I", 4023456789), *words_of("I", 4023456789)[::-1],
            # IEEE 754 binary32: -118.625 is 0xC2ED4000, and 0x3F800000 is 1.
            0xC2ED, 0x4000, 0x4000, 0xC2ED, 0x3F80, 0x0000,
        ]
    )
)  # fmt: skip


def tcp(port: int, *wires: Wire, clock: Callable[[], float] = time.monotonic, **options: Any) -> modbus.Modbus:
    """With the longest limit that may be written: whoever answers in a test may be slow."""
    return modbus.make("modbus-tcp", {"host": "127.0.0.1", "port": port, "timeout": "10 s", **options}, wires, clock)


@contextlib.contextmanager
def opened(driver: Driver) -> Iterator[Any]:
    driver.open()
    try:
        yield driver
    finally:
        driver.close()


EVERY_TYPE = [
    (point("PT-101", "input", 0, "int16"), -12345.0),
    (point("PT-102", "input", 1, "uint16"), 54321.0),
    (point("PT-201", "input", 2, "int32"), -1234567890.0),
    (point("PT-301", "input", 4, "int32", order="little"), -1234567890.0),
    (point("PT-001", "input", 6, "uint32"), 4023456789.0),
    (point("TT-101", "input", 8, "uint32", order="little"), 4023456789.0),
    (point("TT-201", "input", 10, "float32"), -118.625),
    (point("TT-301", "input", 12, "float32", order="little"), -118.625),
    (point("TT-001", "input", 14, "float32"), 1.0),
    (point("FS-001", "discrete", 3), 1.0),
    (point("HS-001", "discrete", 4), 0.0),
]


def test_every_type_and_word_order_comes_right_with_two_requests(device: Device) -> None:
    with opened(tcp(device.port, *(wire for wire, _ in EVERY_TYPE))) as driver:
        before_s = time.monotonic()
        samples = driver.read()
        assert {tag: sample.raw for tag, sample in samples.items()} == {wire.tag: value for wire, value in EVERY_TYPE}
        assert all(before_s <= sample.taken_at_s <= time.monotonic() for sample in samples.values())
        assert all(sample.fault is None for sample in samples.values())
    assert sorted(device.requests) == [(2, 3, 2), (4, 0, 16)]


@given(
    kind=st.sampled_from(["int16", "uint16", "int32", "uint32", "float32"]),
    little=st.booleans(),
    value=st.floats(allow_nan=False, allow_infinity=False),
)
def test_a_written_value_is_clamped_rounded_and_reads_back_as_struct_packs_it(
    kind: str, little: bool, value: float
) -> None:
    item = modbus._Item("CV-103", 1, "holding", 0, kind, little)
    words = item.encode(value)
    form = {"int16": "h", "uint16": "H", "int32": "i", "uint32": "I", "float32": "f"}[kind]
    if kind == "float32":
        most = struct.unpack(">f", b"\x7f\x7f\xff\xff")[0]
        expected = min(max(value, -most), most)
    else:
        bits = int(kind[-2:])
        low, high = (0, 2**bits - 1) if kind[0] == "u" else (-(2 ** (bits - 1)), 2 ** (bits - 1) - 1)
        expected = min(max(round(value), low), high)
    assert words == (words_of(form, expected)[::-1] if little else words_of(form, expected))
    assert item.decode(words) == struct.unpack(">" + form, struct.pack(">" + form, expected))[0]


@given(
    places=st.lists(st.tuples(st.integers(0, 400), st.sampled_from(["int16", "int32"])), min_size=1, max_size=40),
    gap=st.integers(0, 20),
)
def test_requests_cover_every_point_stay_within_the_limits_and_bridge_no_wide_gap(
    places: list[tuple[int, str]], gap: int
) -> None:
    items = [modbus._Item(str(at), 1, "input", register, kind, False) for at, (register, kind) in enumerate(places)]
    groups = modbus.grouped(items, gap)
    assert sorted(item.tag for group in groups for item in group.items) == sorted(item.tag for item in items)
    for group in groups:
        assert group.count <= modbus.MOST_REGISTERS
        used = sorted({at for item in group.items for at in range(item.register, item.end)})
        assert used[0] == group.first.register and used[-1] == group.first.register + group.count - 1
        assert all(after - before - 1 <= gap for before, after in itertools.pairwise(used))


def test_neighbours_share_a_request_and_distant_ones_other_tables_and_units_do_not() -> None:
    def counts(*places: tuple[int, str, int], gap: int = 8) -> list[tuple[int, str, int, int]]:
        items = [modbus._Item(str(at), unit, table, at, "", False) for at, table, unit in places]
        return [(g.first.unit, g.first.table, g.first.register, g.count) for g in modbus.grouped(items, gap)]

    assert counts((0, "coil", 1), (9, "coil", 1)) == [(1, "coil", 0, 10)]
    assert counts((0, "coil", 1), (10, "coil", 1)) == [(1, "coil", 0, 1), (1, "coil", 10, 1)]
    assert counts((0, "coil", 1), (1, "coil", 2), (1, "discrete", 1)) == [
        (1, "coil", 0, 1),
        (1, "discrete", 1, 1),
        (2, "coil", 1, 1),
    ]
    assert [count for *_, count in counts(*((at, "coil", 1) for at in range(2000)))] == [1900, 100]
    assert [count for *_, count in counts(*((at, "input", 1) for at in range(130)))] == [120, 10]


OUTPUTS = (
    point("XV-101", "coil", 0),
    point("XV-102", "coil", 1),
    point("M-101", "coil", 5),
    point("CV-103", "holding", 20, "uint16"),
    point("EH-001", "holding", 21, "float32", order="little"),
)


def test_outputs_are_written_in_few_requests_and_read_back_and_nothing_between_them_is_touched(device: Device) -> None:
    with opened(tcp(device.port, *OUTPUTS)) as driver:
        wish = {"XV-101": 1.0, "XV-102": 0.0, "M-101": 1.0, "CV-103": 70000.0, "EH-001": 0.1}
        back = driver.write(wish)
        tenth = struct.unpack(">f", struct.pack(">f", 0.1))[0]
        assert back == {"XV-101": 1.0, "XV-102": 0.0, "M-101": 1.0, "CV-103": 65535.0, "EH-001": tenth}
        assert device.requests == [
            (15, 0, 2), (15, 5, 1), (16, 20, 3),
            (1, 0, 6), (3, 20, 3),
        ]  # fmt: skip
        assert device.values(3, 20, 3) == [65535, *words_of("f", 0.1)[::-1]]
        assert [bool(bit) for bit in device.values(1, 0, 8)] == [True, False, False, False, False, True, False, False]
        assert driver.write({**wish, "XV-101": 0.0})["XV-101"] == 0.0


@pytest.mark.parametrize("bad", [math.nan, math.inf, None])
def test_a_command_without_a_number_writes_nothing_at_all(device: Device, bad: float | None) -> None:
    wish = {wire.tag: 1.0 for wire in OUTPUTS}
    if bad is None:
        del wish["CV-103"]
    else:
        wish["CV-103"] = bad
    with opened(tcp(device.port, *OUTPUTS)) as driver, pytest.raises(DriverError, match="CV-103 is no number"):
        driver.write(wish)
    assert device.requests == []


def test_an_exception_reply_is_a_sentence_with_its_code(device: Device) -> None:
    wires = [point("PT-101", "input", 0, "int16"), point("PT-102", "input", 5, "int16"), OUTPUTS[0]]
    with opened(tcp(device.port, *wires)) as driver:
        device.refuse = ExcCodes.DEVICE_FAILURE
        with pytest.raises(
            DriverError, match=r"Modbus 127\.0\.0\.1:\d+: .*failed.*input 0 to 5 of unit 1, exception 4"
        ):
            driver.read()
        with pytest.raises(DriverError, match=r"coil 0 of unit 1, exception 4"):
            driver.write({"XV-101": 1.0})
        device.refuse = ExcCodes.ILLEGAL_ADDRESS
        with pytest.raises(DriverError, match=r"no such address.*write gap = 0"):
            driver.read()
        device.refuse = None
        assert driver.read()["PT-101"].raw == -12345.0


class Answers:
    """A TCP server that accepts and answers every request with what a function makes of it, or not at all.

    With a pause the answer comes byte by byte, and without end if the function says so.
    """

    def __init__(self, answer: Callable[[bytes], Iterable[int]], pause_s: float = 0.0) -> None:
        self._pause_s = pause_s
        self._listen = socket.create_server(("127.0.0.1", 0))
        self.port = self._listen.getsockname()[1]
        self._answer, self.connections, self.requests = answer, 0, 0
        threading.Thread(target=self._run, daemon=True).start()

    def _run(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                link, _ = self._listen.accept()
                self.connections += 1
                with link, contextlib.suppress(ConnectionError):
                    while request := link.recv(300):
                        self.requests += 1
                        self._reply(link, self._answer(request))

    def _reply(self, link: socket.socket, reply: Iterable[int]) -> None:
        if not self._pause_s:
            link.sendall(bytes(reply))
            return
        for byte in reply:
            link.sendall(bytes([byte]))
            time.sleep(self._pause_s)

    def stop(self) -> None:
        with contextlib.suppress(OSError):
            self._listen.shutdown(socket.SHUT_RDWR)
        self._listen.close()


@contextlib.contextmanager
def answering(answer: Callable[[bytes], Iterable[int]], pause_s: float = 0.0) -> Iterator[Answers]:
    made = Answers(answer, pause_s)
    try:
        yield made
    finally:
        made.stop()


def fails(call: Callable[[], object], match: str) -> None:
    with pytest.raises(DriverError, match=match):
        call()


def test_a_server_that_accepts_and_never_answers_is_asked_once_and_told() -> None:
    wires = [point("PT-101", "input", 0, "int16"), point("PT-102", "input", 100, "int16"), OUTPUTS[0]]
    with answering(lambda _: b"") as server:
        for call in (lambda driver: driver.read(), lambda driver: driver.write({"XV-101": 1.0})):
            with opened(tcp(server.port, *wires, timeout="200 ms")) as driver:
                fails(lambda c=call, d=driver: c(d), "no answer within 200 ms")
                fails(driver.read, "connection is lost")
        assert until(lambda: server.requests == 2) and server.connections == 2


def reply_to(request: bytes, words: list[int]) -> bytes:
    """A right answer to reading registers (MODBUS Messaging on TCP/IP V1.0b, 3.1.3; V1.1b3, 6.4)."""
    body = struct.pack(">BBB", request[6], request[7], 2 * len(words)) + struct.pack(f">{len(words)}H", *words)
    return request[:4] + struct.pack(">H", len(body)) + body


def test_a_slow_device_does_not_stretch_a_call_of_many_requests_beyond_the_limit() -> None:
    clock = Clock()

    def slowly(request: bytes) -> bytes:
        clock.now_s += 5.2
        return reply_to(request, [7])

    wires = [point(f"PT-{at}", "input", 100 * at, "int16") for at in range(8)]
    with answering(slowly) as server, opened(tcp(server.port, *wires, clock=clock)) as driver:
        fails(driver.read, "too slow, not done within 10000 ms")
        assert server.requests == 2


def test_an_answer_that_comes_in_pieces_is_put_together_but_not_waited_for_without_end() -> None:
    wire = point("PT-101", "input", 0, "int16")
    with answering(lambda request: reply_to(request, [7]), 0.005) as server, opened(tcp(server.port, wire)) as driver:
        assert driver.read()["PT-101"].raw == 7.0

    def never_whole(request: bytes) -> Iterator[int]:
        yield from request[:4] + struct.pack(">H", 60_000) + request[6:8]
        yield from itertools.repeat(0)

    with answering(never_whole, 0.02) as server, opened(tcp(server.port, wire, timeout="200 ms")) as driver:
        fails(driver.read, "no answer within 200 ms")


def test_a_server_that_was_silent_for_long_is_read_at_once_when_it_answers() -> None:
    silent, clock = [True], Clock()
    with answering(lambda request: b"" if silent[0] else reply_to(request, [7])) as server:
        driver = tcp(server.port, point("PT-101", "input", 0, "int16"), clock=clock)
        clock.a_look_s = 4.97  # of two looks in a call: little is left of the 10 s, and silence soon over
        for _ in range(8):
            with opened(driver):
                fails(driver.read, "no answer within 10000 ms")
        silent[0], clock.a_look_s = False, 0.0
        with opened(driver):
            assert driver.read()["PT-101"].raw == 7.0


def test_a_later_request_of_a_call_gets_the_time_that_is_left() -> None:
    asked, clock = [], Clock()

    def first_only(request: bytes) -> bytes:
        asked.append(request)
        clock.now_s += 9.8
        return reply_to(request, [7]) if len(asked) == 1 else b""

    wires = [point("PT-101", "input", 0, "int16"), point("PT-102", "input", 100, "int16")]
    with answering(first_only) as server, opened(tcp(server.port, *wires, clock=clock)) as driver:
        fails(driver.read, "no answer within 10000 ms for input 100")
        assert driver._client.comm_params.timeout_connect == pytest.approx(0.2)
        assert driver._client.transaction.comm_params.timeout_connect == pytest.approx(0.2)


@pytest.mark.parametrize(
    "lie",
    [
        lambda request: reply_to(request, [1]),
        lambda request: reply_to(request, [1, 2, 3]),
        lambda request: request[:7] + b"\x01\x01\x01",
        lambda request: bytes(range(40)),
        lambda request: b"\xff" * 300,
        lambda request: struct.pack(">H", 999) + reply_to(request, [1, 2])[2:],
        lambda request: reply_to(request, [1, 2])[:6] + b"\x09" + reply_to(request, [1, 2])[7:],
    ],
    ids=["short", "long", "other function", "garbage", "ones", "other transaction", "other unit"],
)
def test_a_lying_server_gives_an_error_and_no_value(lie: Callable[[bytes], bytes]) -> None:
    wire = point("PT-101", "input", 0, "int32")
    with answering(lie) as server, opened(tcp(server.port, wire, timeout="200 ms")) as driver:
        fails(driver.read, "127.0.0.1")


def test_the_answer_of_the_hand_made_server_is_right_when_it_does_not_lie() -> None:
    with (
        answering(lambda request: reply_to(request, words_of("i", -5))) as server,
        opened(tcp(server.port, point("PT-101", "input", 0, "int32"))) as driver,
    ):
        assert driver.read()["PT-101"].raw == -5.0


def test_nobody_there_is_told_by_open_and_only_open_connects_again(device: Device) -> None:
    fails(tcp(free_port(), point("PT-101", "input", 0, "int16")).open, "cannot be reached")
    driver = tcp(device.port, point("PT-101", "input", 0, "int16"))
    with pytest.raises(DriverError, match="connection is lost"):
        driver.read()
    with opened(driver):
        assert driver.read()["PT-101"].raw == -12345.0
    with opened(driver):
        assert driver.read()["PT-101"].raw == -12345.0
    driver.close()


def test_samples_go_stale_when_the_server_vanishes_and_heal_when_it_comes_back(
    caplog: pytest.LogCaptureFixture,
) -> None:
    caplog.set_level(logging.INFO)
    meaning = Point("PT-101", "io", "value")
    server = Device(INPUT_REGISTERS)
    worker = Worker("io", tcp(server.port, point("PT-101", "input", 0, "int16")), 0.02)

    def fault() -> Fault | None:
        return meaning.reading(worker.samples.get("PT-101"), time.monotonic(), 0.5).fault

    worker.start()
    try:
        assert until(lambda: fault() is None)
        server.stop()
        assert until(lambda: fault() is Fault.NO_REPLY)
        assert until(lambda: worker.trouble)
        server = Device(INPUT_REGISTERS, port=server.port)
        assert until(lambda: fault() is None)
        assert until(lambda: not worker.trouble)
    finally:
        assert worker.stop(PATIENCE_S)
        server.stop()
    assert "answers again" in caplog.text


# Serial lines


class Cable:
    """Two pseudo terminals whose other ends are joined: what goes into one comes out of the other."""

    def __init__(self) -> None:
        self._masters, self.ends = [], []
        self._slaves = []
        for _ in range(2):
            master, slave = os.openpty()
            tty.setraw(slave)
            self._masters.append(master)
            self._slaves.append(slave)
            self.ends.append(os.ttyname(slave))
        self.cut = self._done = False
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        one, other = self._masters
        while not self._done:
            for fd in select.select([one, other], [], [], 0.05)[0]:
                chunk = os.read(fd, 4096)
                if not self.cut:
                    os.write(other if fd == one else one, chunk)

    def stop(self) -> None:
        self._done = True
        self._thread.join(PATIENCE_S)
        for fd in (*self._masters, *self._slaves):
            os.close(fd)


@pytest.fixture
def cable() -> Iterator[Cable]:
    made = Cable()
    yield made
    made.stop()


def test_rtu_reads_writes_falls_silent_and_heals(cable: Cable) -> None:
    server = Device(INPUT_REGISTERS, line=cable.ends[0])
    try:
        options = {"port": cable.ends[1], "baud": 115200, "parity": "none"}
        wires = [*(wire for wire, _ in EVERY_TYPE), *OUTPUTS]
        clock = Clock()
        driver = modbus.make("modbus-rtu", {**options, "timeout": "10 s"}, wires, clock)
        with opened(driver):
            expected = {wire.tag: value for wire, value in EVERY_TYPE}
            assert {tag: sample.raw for tag, sample in driver.read().items()} == expected
            assert driver.write({wire.tag: 1.0 for wire in OUTPUTS}) == {wire.tag: 1.0 for wire in OUTPUTS}
            cable.cut, clock.a_look_s = True, 4.9
            fails(driver.read, f"Modbus {cable.ends[1]}: no answer within 10000 ms")
            cable.cut, clock.a_look_s = False, 0.0
        with opened(driver):
            assert {tag: sample.raw for tag, sample in driver.read().items()} == expected
    finally:
        server.stop()


@pytest.mark.parametrize(("parity", "letter"), [("none", "N"), ("even", "E"), ("odd", "O")])
def test_the_settings_of_a_serial_line_reach_it(parity: str, letter: str) -> None:
    # A pseudo terminal has no parity, so only the request for it can be seen here.
    options = {"port": "/dev/x", "baud": 4800, "parity": parity, "stop_bits": 2, "timeout": "150 ms"}
    asked = modbus.make("modbus-rtu", options, [])._client.comm_params
    assert (asked.host, asked.baudrate, asked.parity, asked.stopbits) == ("/dev/x", 4800, letter, 2)
    assert asked.timeout_connect == pytest.approx(0.15)
    usual = modbus.make("modbus-rtu", {"port": "/dev/x"}, [])._client.comm_params
    assert (usual.baudrate, usual.parity, usual.stopbits) == (19200, "E", 1)


def test_a_serial_device_that_is_not_there_is_told() -> None:
    driver = modbus.make("modbus-rtu", {"port": "/dev/no-such-line"}, [point("PT-101", "input", 0, "int16")])
    with pytest.raises(DriverError, match="/dev/no-such-line: cannot be reached"):
        driver.open()
    with pytest.raises(DriverError, match="/dev/no-such-line: cannot be opened"):
        keys = {"port": "/dev/no-such-line", "pattern": PATTERN, "mode": "continuous"}
        serial_scale.make("serial-scale", keys, [Wire("WT-301", False, {})]).open()


@pytest.mark.parametrize(
    ("kind", "options", "address", "sentence"),
    [
        ("modbus-tcp", {}, {}, "host: missing; write .*192.168"),
        ("modbus-tcp", {"host": "h", "prot": 1}, {}, "prot: unknown key; known here: host, port"),
        ("modbus-tcp", {"host": "h", "port": "502"}, {}, "port: '502' will not do .*write .*port = 502"),
        ("modbus-tcp", {"host": "h", "port": 0}, {}, "port: 0 will not do"),
        ("modbus-tcp", {"host": "h", "unit": True}, {}, "unit: True will not do"),
        ("modbus-tcp", {"host": "h", "timeout": "200"}, {}, 'timeout: "200" has no unit'),
        ("modbus-tcp", {"host": "h", "timeout": "1 min"}, {}, "timeout: 1 min is outside 20 ms to 10 s"),
        ("modbus-rtu", {"port": "/dev/x", "parity": "E"}, {}, 'parity: .E. will not do .*"even", "none", "odd"'),
        ("modbus-rtu", {"port": "/dev/x", "unit": 0}, {}, "PT-101: unit: 0 is no device of a serial bus"),
        ("modbus-tcp", {"host": "h"}, {"register": None}, "PT-101: register: missing; write .*counted from 0"),
        ("modbus-tcp", {"host": "h"}, {"register": -1}, "PT-101: register: -1 will not do"),
        ("modbus-tcp", {"host": "h"}, {"register": 40001.0}, "PT-101: register: 40001.0 will not do"),
        ("modbus-tcp", {"host": "h"}, {"table": "inputs"}, "PT-101: table: .*will not do.*coil"),
        ("modbus-tcp", {"host": "h"}, {"type": None}, "PT-101: type: missing; write one of"),
        ("modbus-tcp", {"host": "h"}, {"type": "float64"}, "PT-101: type: 'float64' will not do"),
        ("modbus-tcp", {"host": "h"}, {"colour": 1}, "PT-101: colour: unknown key"),
        ("modbus-tcp", {"host": "h"}, {"register": 65535, "type": "int32"}, "PT-101: register: 65535 is the last"),
    ],
)
def test_a_wrong_configuration_is_one_sentence_that_names_the_key(
    kind: str, options: dict[str, object], address: dict[str, object], sentence: str
) -> None:
    keys = {"register": 0, "table": "input", "type": "int16", **address}
    wire = Wire("PT-101", False, {key: value for key, value in keys.items() if value is not None})
    with pytest.raises(WiringError, match=sentence) as caught:
        modbus.make(kind, options, [wire])
    assert "\n" not in str(caught.value)


def test_outputs_need_a_table_that_can_be_written_and_a_place_of_their_own() -> None:
    with pytest.raises(WiringError, match='XV-101: table: "discrete" cannot be written; write "coil" or "holding"'):
        tcp(502, point("XV-101", "discrete", 0))
    with pytest.raises(WiringError, match="CV-103: register: holding 1 is that of EH-001, too"):
        tcp(502, point("EH-001", "holding", 0, "float32"), point("CV-103", "holding", 1, "int16"))


# The scale

PATTERN = r"(?P<stable>ST|US|(?P<bad>OL)),GS,(?P<sign>[+-])(?P<value>[ \d]{4}\d\.\d\d)(?P<unit>kg|lb|oz| g| t)"


def frame(value: float, unit: str = "kg", head: str = "ST") -> bytes:
    return f"{head},GS,{'-' if value < 0 else '+'}{abs(value):8.2f}{unit}\r\n".encode()


def scale(line: "Line", **options: Any) -> serial_scale.Scale:
    used = {"port": line.port, "pattern": PATTERN, "mode": "continuous", "timeout": "300 ms", **options}
    return serial_scale.make("serial-scale", used, [Wire("WT-301", False, {})], line.clock, line.arrives)


class Line:
    """The scale's end of a serial line, and the clock that its driver goes by.

    Time passes only while the driver waits, and then from one sending to the next: what is sent, and when, is the same
    on every machine. The line itself is a real one.
    """

    def __init__(self) -> None:
        self.master, self._slave = os.openpty()
        tty.setraw(self._slave)
        self.port = os.ttyname(self._slave)
        self.clock = Clock()
        self._due: list[tuple[float, Callable[[], object]]] = []
        self._answers: Callable[[bytes], bytes] | None = None

    def send(self, text: bytes) -> None:
        """Send at once; has arrived when it returns."""
        there = self._waiting() + len(text)
        os.write(self.master, text)
        assert until(lambda: self._waiting() >= there, every_s=0.001)

    def later(self, in_s: float, text: bytes) -> None:
        self._due.append((self.clock.now_s + in_s, lambda: self.send(text)))

    def every(self, period_s: float, make: Callable[[], bytes]) -> None:
        """From now on, again and again."""

        def step() -> None:
            self.send(make())
            self._due.append((self.clock.now_s + period_s, step))

        self._due.append((self.clock.now_s, step))

    def answer(self, answers: Callable[[bytes], bytes]) -> None:
        """Wait for a request whenever the driver waits, and answer it."""
        self._answers = answers

    def rest(self, for_s: float) -> None:
        """Let time pass."""
        self._go_on(self.clock.now_s + for_s, lambda: False)

    def arrives(self, port: Any, within_s: float) -> bool:
        """What the driver waits by, in place of `serial_scale.arrives`."""
        if self._answers is not None and not self._waiting():
            assert select.select([self.master], [], [], PATIENCE_S)[0], "nothing was asked"
            self.send(self._answers(os.read(self.master, 100)))
        self._go_on(self.clock.now_s + within_s, self._waiting)
        return bool(self._waiting())

    def quiet(self) -> None:
        self._due.clear()

    def stop(self) -> None:
        os.close(self.master)
        os.close(self._slave)

    def _waiting(self) -> int:
        return int.from_bytes(fcntl.ioctl(self._slave, termios.FIONREAD, bytes(4)), "little")

    def _go_on(self, until_s: float, ends: Callable[[], object]) -> None:
        while not ends():
            at_s, step = min(self._due, key=lambda due: due[0], default=(math.inf, lambda: None))
            if at_s > until_s:
                self.clock.now_s = until_s
                return
            self._due.remove((at_s, step))
            self.clock.now_s = max(self.clock.now_s, at_s)
            step()


@pytest.fixture
def line() -> Iterator[Line]:
    made = Line()
    yield made
    made.stop()


def begun(line: Line, **options: Any) -> serial_scale.Scale:
    """A scale that sends on its own, opened, with its line at the beginning of a frame."""
    driver = scale(line, **options)
    line.later(0.01, b"\r\n")
    driver.open()
    return driver


def fails_at(line: Line, after_s: float, call: Callable[[], object], match: str) -> None:
    """It fails when so much time has passed, no sooner and no later."""
    begun_s = line.clock.now_s
    fails(call, match)
    assert line.clock.now_s - begun_s == pytest.approx(after_s)


def said(driver: serial_scale.Scale) -> float:
    sample = driver.read()["WT-301"]
    assert sample.fault is None
    return sample.raw


def test_a_driver_waits_for_a_real_line_by_the_real_clock(line: Line) -> None:
    assert not serial_scale.arrives(line._slave, 0.05)  # type: ignore[arg-type]
    line.send(b"\r\n")
    assert serial_scale.arrives(line._slave, 0.0)  # type: ignore[arg-type]
    keys = {"port": line.port, "pattern": PATTERN, "mode": "continuous", "timeout": "10 s"}
    driver = serial_scale.make("serial-scale", keys, [Wire("WT-301", False, {})])
    ends = threading.Event()

    def talk() -> None:
        while not ends.wait(0.05):
            os.write(line.master, frame(3.0))

    talking = threading.Thread(target=talk)
    talking.start()
    try:
        with opened(driver):
            before_s = time.monotonic()
            sample = driver.read()["WT-301"]
            assert sample.raw == 3.0 and before_s - 10.0 < sample.taken_at_s <= time.monotonic()
    finally:
        ends.set()
        talking.join(PATIENCE_S)


def test_a_scale_that_sends_on_its_own_gives_its_newest_frame_with_the_time_it_came(line: Line) -> None:
    count = iter(range(1, 1000))
    line.every(0.05, lambda: frame(next(count) / 100))
    begun_s = line.clock.now_s
    with opened(scale(line)) as driver:
        samples = [driver.read()["WT-301"] for _ in range(10)]
    values = [sample.raw for sample in samples]
    assert values == pytest.approx([0.02 + 0.01 * at for at in range(10)]), "the first may have begun before"
    assert [sample.taken_at_s - begun_s for sample in samples] == pytest.approx([0.05 * at for at in range(1, 11)])
    assert driver.write({}) == {}


def test_of_several_frames_waiting_the_newest_counts_and_none_is_given_twice(line: Line) -> None:
    with contextlib.closing(begun(line)) as driver:
        line.send(frame(1.0))
        assert said(driver) == 1.0
        emptied_s = line.clock.now_s
        line.rest(0.05)
        line.send(frame(2.0) + frame(3.0) + frame(4.0)[:7])
        line.rest(0.02)
        sample = driver.read()["WT-301"]
        assert sample.raw == 3.0 and sample.taken_at_s == pytest.approx(emptied_s + 0.035), "the middle of that time"
        line.send(frame(4.0)[7:])
        assert said(driver) == 4.0
        fails_at(line, 0.3, driver.read, f"Scale {line.port}: no frame within 300 ms")


def test_a_frame_that_waited_longer_than_the_limit_is_never_given(line: Line) -> None:
    with contextlib.closing(begun(line)) as driver:
        line.send(frame(1.0))
        line.rest(0.4)
        fails_at(line, 0.3, driver.read, "no frame within 300 ms")
        line.send(frame(2.0))
        line.rest(0.4)
        line.later(0.1, frame(3.0))
        assert said(driver) == 3.0


def test_a_silent_scale_and_a_line_that_is_gone_are_told(line: Line) -> None:
    fails_at(line, 0.3, scale(line).open, f"Scale {line.port}: no frame within 300 ms")
    with contextlib.closing(begun(line)) as driver:
        fails_at(line, 0.3, driver.read, "no frame within 300 ms")
        driver.close()
        fails_at(line, 0.0, driver.read, "is not open")
    other = Line()
    with contextlib.closing(begun(other)) as driver:
        other.stop()
        fails_at(other, 0.0, driver.read, "the line is lost")


def test_a_lying_scale_gives_an_error_that_quotes_it_and_no_weight(line: Line) -> None:
    lies = [
        b"ST,GS,+   12.3\xb5kg\r\n", b"ST,GS,+  1 2.30kg\r\n", b"\xff\xfe\x00\r\n", b"ST,GS,+  ------kg\r\n",
        b"ST,GS,+     nankg\r\n", b"ST,GS,+    1e9kg\r\n", b"ST,GS,+" + b" " * 400 + b"1.00kg\r\n", b"12.34\r\n",
        "ST,GS,+   \u0661\u0662.34kg\r\n".encode(), b"ST,GS,+   12.34pc\r\n", b"xST,GS,+   12.34kg\r\n",
    ]  # fmt: skip
    with contextlib.closing(begun(line, timeout="100 ms")) as driver:
        for lie in lies:
            line.send(lie)
            with pytest.raises(DriverError, match="no frame"):
                driver.read()
        line.send(lies[0])
        with pytest.raises(DriverError, match=re.escape(r'heard "ST,GS,+   12.3\xb5kg"')):
            driver.read()
        line.send(lies[0] + frame(5.0) + lies[2])
        assert said(driver) == 5.0


@pytest.mark.parametrize("step", [1, 100, 1000])
def test_a_line_of_more_than_256_bytes_is_no_frame_and_the_next_is(step: int) -> None:
    lines = serial_scale.Lines(0.1, whole=True)
    stream = b"1" * 256 + b"\r\n" + b"2" * 257 + b"\r\n" + b"3" * 600 + b"\r" + b"4\n"
    cut = [line for at in range(0, len(stream), step) for line in lines.feed(stream[at : at + step], 0.0)]
    assert cut == [b"1" * 256, b"4"]


def test_a_line_that_never_pauses_does_not_hold_a_call(line: Line) -> None:
    with contextlib.closing(begun(line)) as driver:
        line.every(0.017, lambda: b"\xaa" * 200)  # what 115200 baud bring
        fails_at(line, 0.3, driver.read, "no frame within 300 ms")
        line.rest(0.1)
        fails_at(line, 0.3, driver.read, "no frame within 300 ms")
        fails_at(line, 0.3, driver.open, "no frame within 300 ms")


def test_a_line_that_is_quicker_than_its_reader_does_not_hold_a_call_either(line: Line) -> None:
    class Flood:
        """A port that always has another block."""

        fd = line._slave
        reads = 0

        def read(self, size: int) -> bytes:
            self.reads += 1
            line.clock.now_s += 0.001
            return b"\xaa" * size

        def close(self) -> None:
            pass

    port = Flood()
    driver = serial_scale.Scale(
        "WT-301", lambda: port, "flood", re.compile(PATTERN), None, 0.3, 0.1, line.clock, lambda port, within_s: True
    )  # type: ignore[arg-type, return-value]
    fails(driver.open, "no frame within 300 ms")
    driver._port = port  # type: ignore[assignment]
    fails(driver.read, "no frame within 300 ms")
    assert port.reads <= 2 * 300 + 20


def test_over_range_is_a_failure_and_heals(line: Line) -> None:
    with contextlib.closing(begun(line)) as driver:
        line.send(frame(9999.0, head="OL"))
        sample = driver.read()["WT-301"]
        assert sample.fault is Fault.FAILURE and math.isnan(sample.raw)
        line.send(frame(9.0))
        assert said(driver) == 9.0


def test_one_frame_a_second_is_enough_with_a_longer_limit(line: Line) -> None:
    line.every(1.0, lambda: frame(7.5))
    with opened(scale(line, timeout="1.5 s")) as driver:
        times = [driver.read()["WT-301"].taken_at_s for _ in range(3)]
    assert [after - before for before, after in itertools.pairwise(times)] == pytest.approx([1.0, 1.0])
    fails_at(line, 0.9, scale(line, timeout="0.9 s").open, "no frame within 900 ms")


BARE = r" *(?P<value>\d+\.\d+)"
LOOSE = r".*?(?P<value>\d+\.\d+).*"


@pytest.mark.parametrize(
    ("pattern", "good", "cut", "anew"),
    [
        (PATTERN, frame(1.0), frame(123.45)[:12], frame(123.45)),
        (BARE, b"   1.00\r\n", b"  12", b"123.45\r\n"),
        (LOOSE, b"   1.00\r\n", b"  12", b"123.45\r\n"),
    ],
    ids=["spelled out", "bare digits", "anything goes"],
)
def test_a_reset_in_mid_frame_costs_a_frame_and_makes_no_weight(
    line: Line, pattern: str, good: bytes, cut: bytes, anew: bytes
) -> None:
    with contextlib.closing(begun(line, pattern=pattern)) as driver:
        line.send(good + cut)
        assert said(driver) == 1.0
        line.rest(0.2)
        line.send(anew)
        fails_at(line, 0.3, driver.read, "no frame within")
        line.send(anew)
        assert said(driver) == 123.45
        # The same while it is being read.
        line.later(0.02, cut)
        line.later(0.2, anew)
        fails_at(line, 0.3, driver.read, "no frame within")


def test_the_tail_of_a_frame_that_was_under_way_at_the_opening_is_no_frame(line: Line) -> None:
    line.later(0.3, b"3.45\r\n")
    with opened(scale(line, pattern=BARE, timeout="1 s")) as driver:
        line.later(0.05, b" 123.45\r\n")
        assert said(driver) == 123.45


def polled(line: Line, **options: Any) -> serial_scale.Scale:
    return scale(line, mode="polled", request="W\\r\\x05", **options)


def test_a_scale_that_is_asked_gets_the_request_and_gives_the_answer(line: Line) -> None:
    asked = []

    def answer(request: bytes) -> bytes:
        asked.append(request)
        return frame(10.0 * len(asked))

    with opened(polled(line)) as driver:
        line.answer(answer)
        for at in range(1, 6):
            line.clock.a_look_s = 0.001
            before_s = line.clock.now_s
            sample = driver.read()["WT-301"]
            assert sample.raw == 10.0 * at and before_s < sample.taken_at_s < line.clock()
    assert asked == [b"W\r\x05"] * 5


def test_what_came_before_the_request_is_no_answer_to_it(line: Line) -> None:
    with opened(polled(line)) as driver:
        line.send(frame(1.0))
        line.rest(0.05)
        fails_at(line, 0.3, driver.read, "no frame within 300 ms")
        assert os.read(line.master, 100) == b"W\r\x05"
        line.answer(lambda _: frame(2.0))
        line.send(frame(3.0))
        assert said(driver) == 2.0


def test_a_late_answer_is_not_mixed_with_the_next(line: Line) -> None:
    with opened(polled(line, pattern=BARE)) as driver:
        fails_at(line, 0.3, driver.read, "no frame")
    os.read(line.master, 100)
    line.later(0.05, b"3.45\r\n")
    with opened(driver):
        line.answer(lambda _: b" 123.45\r\n")
        assert said(driver) == 123.45


def test_a_scale_that_does_not_wait_to_be_asked_is_told(line: Line) -> None:
    line.every(0.02, lambda: frame(1.0))
    begun_s = line.clock.now_s
    fails(polled(line).open, "sends without being asked")
    assert line.clock.now_s - begun_s == pytest.approx(0.3, abs=0.021)


@pytest.mark.parametrize(
    ("unit", "kg"),
    # NIST SP 811 (2008), B.8: pound (avoirdupois) 4.535 924 E-01 kg (exactly 0.453 592 37), ounce 2.834 952 E-02 kg,
    # metric ton 1.0 E+03 kg.
    [("kg", 1.0), (" g", 0.001), ("lb", 0.45359237), ("oz", 0.02834952), (" t", 1000.0)],
)
def test_units_of_a_frame_become_kg(unit: str, kg: float) -> None:
    pattern = re.compile(PATTERN, re.ASCII)
    assert serial_scale.weight(frame(2.0, unit).strip(), pattern) == pytest.approx(2.0 * kg, rel=2e-7)
    assert serial_scale.weight(frame(-2.0, unit).strip(), pattern) == pytest.approx(-2.0 * kg, rel=2e-7)
    if unit in ("kg", "lb", " t"):
        assert serial_scale.weight(frame(1.0, unit).strip(), pattern) == kg


def test_a_frame_without_a_unit_stands_as_it_is_and_a_sign_stands_once() -> None:
    bare = re.compile(r"(?P<sign>[ +-]?)(?P<value>[-+.\d]+)")
    for text, value in (("12.5", 12.5), ("-12.5", -12.5), (" .5", 0.5), ("+3.", 3.0), ("--3", None), ("+-3", None)):
        assert serial_scale.weight(text.encode(), bare) == value


@given(
    parts=st.lists(
        st.one_of(
            st.integers(-99999, 99999),
            st.binary(max_size=40),
            st.binary(min_size=250, max_size=300),
            st.sampled_from([b"\r", b"\n", b"ST,GS,+", b"12.34kg\r\n", b"12", b".", b"\x00", b"kg", b"\r\n "]),
        ),
        max_size=20,
    ),
    cuts=st.lists(st.integers(1, 50), min_size=1),
    begin=st.integers(0, 17),
)
@settings(max_examples=400)
def test_any_bytes_between_good_frames_never_make_a_weight_that_no_good_frame_said(
    parts: list[int | bytes], cuts: list[int], begin: int
) -> None:
    good = {part / 100 for part in parts if isinstance(part, int)}
    stream = b"".join(frame(part / 100) if isinstance(part, int) else part for part in parts)
    if len([part for part in parts if isinstance(part, bytes)]) == 0:
        begin = 0
    lines, pattern = serial_scale.Lines(0.1, whole=begin == 0), re.compile(PATTERN, re.ASCII)
    stream = stream[begin:]
    weights, at = [], 0
    while at < len(stream):
        step = cuts[at % len(cuts)]
        for one in lines.feed(stream[at : at + step], 0.0):
            value = serial_scale.weight(one, pattern)
            # Bytes that happen to be a whole frame themselves are one that was said.
            spelled = re.fullmatch(rb"(ST|US|OL),GS,([+-])([ 0-9]{4}[0-9]\.[0-9][0-9])kg", one)
            if value is not None and not isinstance(value, Fault):
                assert spelled is not None
                weights.append(value)
        at += step
    whole = set(re.findall(rb"(?<=[\r\n])(?:ST|US),GS,[+-][ 0-9]{4}[0-9]\.[0-9][0-9]kg(?=[\r\n])", b"\n" + stream))
    allowed = good | {float(text[6:14].replace(b"+", b"").replace(b" ", b"")) for text in whole if b"- " not in text}
    assert set(weights) <= allowed
    if begin == 0 and all(isinstance(part, int) for part in parts):
        assert weights == [part / 100 for part in parts]


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        ({"port": None}, "port: missing; write .*/dev/ttyUSB0"),
        ({"pattern": "("}, r"pattern: '\(' is no regular expression"),
        ({"pattern": "abc"}, "pattern: has no group named value; write .*value"),
        ({"pattern": "(?P<value>.)(?P<colour>.)"}, "pattern: unknown group colour; known here: value"),
        ({"mode": "asked"}, 'mode: .asked. will not do .*"continuous"'),
        ({"mode": "polled"}, "request: missing; write"),
        ({"request": "W"}, "request: a scale that sends on its own is not asked"),
        ({"mode": "polled", "request": "\\q"}, r"request: \\q is no escape"),
        ({"mode": "polled", "request": "W\\"}, r"request: \\ is no escape"),
        ({"mode": "polled", "request": "€"}, "request: .* is not plain text"),
        ({"baud": "9600"}, "baud: '9600' will not do"),
        ({"data_bits": 9}, "data_bits: 9 will not do"),
        ({"timeout": "0.2"}, 'timeout: "0.2" has no unit'),
        ({"timeout": "20 ms"}, "timeout: 20 ms is outside 100 ms to 10 s"),
        ({"colour": 1}, "colour: unknown key"),
    ],
)
def test_a_wrong_configuration_of_a_scale_is_one_sentence(options: dict[str, Any], sentence: str) -> None:
    keys = {"port": "/dev/x", "pattern": PATTERN, "mode": "continuous", **options}
    with pytest.raises(WiringError, match=sentence) as caught:
        serial_scale.make(
            "serial-scale",
            {key: value for key, value in keys.items() if value is not None},
            [Wire("WT-301", False, {})],
        )
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("wires", "sentence"),
    [
        ([], "has one point, WT-301, and this one has none"),
        ([Wire("M-101", True, {})], "and this one has M-101"),
        ([Wire("WT-301", False, {}), Wire("PT-101", False, {})], "has WT-301, PT-101"),
        ([Wire("WT-301", False, {"register": 1})], "WT-301: register: unknown key; none is needed here, remove it"),
    ],
)
def test_a_scale_has_one_point_without_an_address(wires: list[Wire], sentence: str) -> None:
    with pytest.raises(WiringError, match=sentence):
        serial_scale.make("serial-scale", {"port": "/dev/x", "pattern": PATTERN, "mode": "continuous"}, wires)
