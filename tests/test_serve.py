"""The simulated plant on the wire: real sockets, pseudo-terminals and files, and the rig's file that reaches them."""

from __future__ import annotations

import itertools
import json
import os
import re
import select
import signal
import socket
import subprocess
import sys
import threading
import time
import tomllib
from collections.abc import Iterator
from math import nan
from pathlib import Path
from typing import Any

import msgspec
import pytest
from pymodbus.client import ModbusSerialClient, ModbusTcpClient

from hil_sim.instruments.faults import Fault, FaultKind, PlantFault
from hil_sim.instruments.sensors import Instrument
from hil_sim.simulation import prepare
from hil_sim.wire import control, scale_face, tree_face
from hil_sim.wire.control import Control
from hil_sim.wire.io_module import COILS, CONTACTS, LOOPS, THROTTLE_FULL, IoModule
from hil_sim.wire.modbus_face import FaceError, ModbusFace
from hil_sim.wire.pty_line import Line, LineError
from hil_sim.wire.serve import Serve
from hil_sim.wire.unix_socket import SocketError
from rigctl.config import load_job, load_rig
from rigctl.control.points import ALL, M_101, SAFE, XV_101, XV_301, Outputs
from rigctl.control.readings import Reading
from rigctl.hardware import wiring
from tests.served import last_scan, pressed, with_patience
from tests.strategies import CONFIGS
from tests.test_bench import bench as bench_with
from tests.waiting import PATIENCE_S, PROGRAM_S, until

BEAT = COILS.index("KS-001")


class Clock:
    def __init__(self) -> None:
        self.now_s = 100.0

    def __call__(self) -> float:
        return self.now_s


class Served:
    """A plant that is served in a thread, and a Modbus client that may keep the heartbeat going.

    With a clock of its own time passes only in `passes`; without, the dead-man relay waits for any heartbeat.
    """

    def __init__(self, folder: Path, **how: Any) -> None:
        self.clock: Clock | None = how.get("clock")
        if self.clock is None:
            how.setdefault("dead_man_s", PATIENCE_S)
        simulation = prepare(how.pop("job", "split-ac"), how.pop("rig", "full"), how.pop("setup", "short-wide-hoses"))
        self.path = folder / "control"
        self.serve = Serve(simulation, 1, control=self.path, **how)
        self.thread = threading.Thread(target=self.serve.go, daemon=True)
        self.client = ModbusTcpClient("127.0.0.1", port=self.serve.modbus.port, timeout=PATIENCE_S, retries=0)
        assert self.client.connect()
        self.beats, self.beat = threading.Event(), False
        self.lock = threading.Lock()
        self.ended = False
        self.beater = threading.Thread(target=self._beat, daemon=True)

    def __enter__(self) -> Served:
        self.thread.start()
        self.beater.start()
        return self

    def __exit__(self, *error: object) -> None:
        self.ended = self.serve.ending = True
        self.thread.join(PATIENCE_S)
        self.beater.join(PATIENCE_S)
        self.client.close()
        self.serve.close()

    def _beat(self) -> None:
        on = False
        while not self.ended:
            if self.beats.is_set():
                on = not on
                with self.lock:
                    self.client.write_coil(BEAT, on, device_id=1)
            time.sleep(0.05)

    def passes(self, for_s: float, beats: bool = False) -> None:
        """Let time pass on the clock, 0.1 s and a heartbeat or none at a time; the plant keeps up."""
        assert self.clock is not None
        for _ in range(round(for_s / 0.1)):
            self.keeps_up()
            self.clock.now_s += 0.1
            if beats:
                self.beat = not self.beat
                self.client.write_coil(BEAT, self.beat, device_id=1)
        self.keeps_up()

    def keeps_up(self) -> None:
        """Wait until the next step is one that is not due yet."""
        assert self.clock is not None
        now_s = self.clock.now_s
        assert until(lambda: self.serve.due_s > now_s, every_s=0.001)

    def coils(self) -> list[bool]:
        with self.lock:
            return self.client.read_coils(0, count=len(COILS), device_id=1).bits[: len(COILS)]

    def write(self, **tags: bool) -> None:
        with self.lock:
            for tag, on in tags.items():
                assert not self.client.write_coil(COILS.index(tag.replace("_", "-")), on, device_id=1).isError()

    def current_ua(self, tag: str) -> int:
        with self.lock:
            return int(self.client.read_input_registers(LOOPS.index(tag), count=1, device_id=1).registers[0])

    def tell(self, **request: Any) -> dict[str, Any]:
        return control.tell(self.path, json.dumps(request))

    def truth(self) -> dict[str, float]:
        truth: dict[str, float] = self.tell(do="truth")["truth"]
        return truth


def pa(current_ua: int, high_pa: float = 4.0e6) -> float:
    return (current_ua - 4000) / 16000 * high_pa


# ---- the plant without its controller


def test_driven_over_the_wire_the_plant_and_its_instruments_are_those_of_the_bench() -> None:
    faults = (
        Fault("PT-101", FaultKind.GARBAGE, at_s=20.0, until_s=25.0),
        Fault("FS-001", FaultKind.INTERMITTENT, at_s=0.0),
        Fault("WT-301", FaultKind.OFF, at_s=30.0, until_s=33.0),
        Fault("M-101", FaultKind.INTERMITTENT, at_s=40.0, until_s=60.0),
    )
    whole, plant = bench_with(*faults), bench_with(*faults)
    plant.operator = None
    fitted = [tag for tag in wiring.wanted(whole.settings.fitted) if tag in wiring.INPUTS]
    compared = 0
    for _ in range(800):
        record = whole.scan()
        assert record is not None
        wire = plant.wire(plant.time_s)
        assert sorted(wire) == sorted(fitted)
        for tag in fitted:
            reading: Reading = getattr(record.readings, wiring.INPUTS[tag][0])
            compared += 1
            if tag in LOOPS:
                instrument = next(one for one in plant.sensors.instruments if one.tag == tag)
                assert reading.fault is not None or reading.value == pytest.approx(instrument.value(wire[tag]))
                assert (reading.fault is None) is (3.8 < wire[tag] < 20.5)
            elif wire[tag] == wire[tag]:
                assert reading.value == wire[tag], tag
            else:
                assert reading.fault is not None
        plant.exchange(record.outputs)
        assert plant.read_back == whole.read_back
    assert compared == 800 * len(fitted)
    assert plant.plant.named_truth() == whole.plant.named_truth()


def test_without_power_nothing_is_on_the_wire_and_nothing_runs() -> None:
    rig = bench_with(Fault("plant", PlantFault.POWER_CUT, at_s=1.0, until_s=2.0))
    seen = []
    for _ in range(30):
        wire = rig.wire(rig.time_s)
        rig.exchange(Outputs(M_101 | XV_301))
        seen.append((bool(wire), rig.read_back != 0))
    assert seen == [(True, True)] * 10 + [(False, False)] * 10 + [(True, True)] * 10


# ---- the module


def test_outputs_drop_when_the_heartbeat_stands_still_and_what_was_commanded_is_forgotten() -> None:
    clock = Clock()
    module = IoModule(1.0, clock)
    module.write_coils(0, [True, False, True])
    module.write_throttle(2_500)
    assert module.outputs() == SAFE and module.coils() == 0 and module.throttle() == 0
    module.write_coils(BEAT, [True])
    assert module.outputs() == Outputs(0b101, 0.25)
    clock.now_s += 0.999
    assert module.outputs() == Outputs(0b101, 0.25) and module.coils() == 0b101 | 1 << BEAT
    clock.now_s += 0.001
    assert module.outputs() == SAFE and module.coils() == 0 and module.throttle() == 0 and module.drops == 1
    module.write_coils(BEAT, [True])
    assert module.outputs() == SAFE, "the same again is no heartbeat"
    module.write_coils(BEAT, [False])
    assert module.outputs() == SAFE, "nothing was commanded since"
    module.write_coils(0, [True])
    assert module.outputs() == Outputs(1)


def test_a_command_that_comes_with_the_first_heartbeat_after_a_drop_acts_at_once() -> None:
    clock = Clock()
    module = IoModule(1.0, clock)
    module.write_coils(0, [True] * 15 + [True])
    assert module.outputs() == Outputs(ALL)
    clock.now_s += 5.0
    module.write_coils(0, [True] + [False] * 15)
    assert module.outputs() == Outputs(1) and module.drops == 1


def test_a_module_refuses_what_it_has_not() -> None:
    module = IoModule()
    assert not module.write_coils(10, [True] * 7) and not module.write_throttle(THROTTLE_FULL + 1)
    with pytest.raises(ValueError, match="dead-man time"):
        IoModule(0.0)


def test_contactors_that_do_not_follow_are_read_back() -> None:
    module = IoModule()
    module.write_coils(0, [True, True, False] + [False] * 12 + [True])
    module.contactors(0b011, 0b101)
    assert module.coils() == 0b101 | 1 << BEAT
    assert module.outputs() == Outputs(0b011)


# ---- Modbus


@pytest.fixture
def face() -> Iterator[ModbusFace]:
    module = IoModule(dead_man_s=30.0)
    served = ModbusFace(module, rtu=True)
    yield served
    served.close()


@pytest.fixture(params=["tcp", "rtu"])
def client(request: pytest.FixtureRequest, face: ModbusFace) -> Iterator[ModbusTcpClient | ModbusSerialClient]:
    made: ModbusTcpClient | ModbusSerialClient = (
        ModbusTcpClient("127.0.0.1", port=face.port, timeout=PATIENCE_S, retries=0)
        if request.param == "tcp"
        else ModbusSerialClient(face.rtu_name, baudrate=115_200, timeout=PATIENCE_S, retries=0)
    )
    assert made.connect()
    yield made
    made.close()


def test_registers_and_bits_are_the_raw_values_of_the_instruments(
    face: ModbusFace, client: ModbusTcpClient | ModbusSerialClient
) -> None:
    rig = bench_with()
    for _ in range(3):
        wire = rig.wire(rig.time_s)
        rig.exchange(SAFE)
        face._module.put(wire)
        words = client.read_input_registers(0, count=len(LOOPS), device_id=1).registers
        assert words == [round(1000 * wire.get(tag, 0.0)) for tag in LOOPS]
        assert any(words[1:])
        bits = client.read_discrete_inputs(0, count=len(CONTACTS), device_id=1).bits[: len(CONTACTS)]
        assert bits == [wire.get(tag, 0.0) > 0.5 for tag in CONTACTS]
        one = client.read_input_registers(2, count=1, device_id=1).registers
        assert one == [words[2]]


def test_outputs_written_one_by_one_or_together_are_read_back(
    face: ModbusFace, client: ModbusTcpClient | ModbusSerialClient
) -> None:
    module = face._module
    assert not client.write_coils(0, [True, False, True] + [False] * 12 + [True], device_id=1).isError()
    assert module.outputs() == Outputs(0b101)
    assert not client.write_coil(6, True, device_id=1).isError()
    assert not client.write_register(0, 2500, device_id=1).isError()
    assert module.outputs() == Outputs(0b1000101, 0.25)
    assert client.read_coils(0, count=16, device_id=1).bits[:7] == [True, False, True, False, False, False, True]
    assert client.read_holding_registers(0, count=1, device_id=1).registers == [2500]
    assert client.write_register(0, THROTTLE_FULL + 1, device_id=1).isError()
    assert client.read_holding_registers(0, count=1, device_id=1).registers == [2500]
    assert client.write_coils(14, [True] * 4, device_id=1).isError()
    assert client.read_input_registers(len(LOOPS), count=1, device_id=1).isError()
    assert module.outputs() == Outputs(0b1000101, 0.25)


def test_two_clients_on_tcp_see_the_same(face: ModbusFace) -> None:
    clients = [ModbusTcpClient("127.0.0.1", port=face.port, timeout=PATIENCE_S, retries=0) for _ in range(2)]
    assert all(one.connect() for one in clients)
    clients[0].write_coils(0, [True] + [False] * 14 + [True], device_id=1)
    assert clients[1].read_coils(0, count=1, device_id=1).bits[0] is True
    for one in clients:
        one.close()


def test_an_address_that_is_taken_is_one_sentence() -> None:
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        with pytest.raises(FaceError, match=r"cannot listen at 127\.0\.0\.1:\d+: .+; name another HOST:PORT\.$"):
            ModbusFace(IoModule(), port=other.getsockname()[1])


# ---- the whole plant over the wire


def test_outputs_over_modbus_move_the_plant(tmp_path: Path) -> None:
    with Served(tmp_path, speed=5.0) as rig:
        appliance_pa = rig.truth()["appliance_pa_abs"]
        before_pa = pa(rig.current_ua("PT-101"))
        assert appliance_pa > 1.5e6 and before_pa < 0.2e6
        rig.beats.set()
        rig.write(XV_101=True)
        # The inlet opens: the suction header comes to the appliance's pressure (within the transmitter's 0.2 bar x 2).
        assert until(lambda: abs(pa(rig.current_ua("PT-101")) - appliance_pa) < 0.4e5), pa(rig.current_ua("PT-101"))
        discharge_pa, weight_kg = pa(rig.current_ua("PT-201"), 6.0e6), rig.truth()["cylinder_kg"]
        rig.client.write_register(0, 3000, device_id=1)
        rig.write(XV_201=True, XV_202=True, XV_204=True, XV_301=True, M_101=True, M_201=True)
        assert until(lambda: rig.truth()["cylinder_kg"] > weight_kg + 0.01), "refrigerant arrives in the cylinder"
        assert pa(rig.current_ua("PT-201"), 6.0e6) > discharge_pa + 1e5
        pace = rig.tell(do="truth")
        assert pace["outputs"]["M-101"] is True and pace["outputs"]["CV-103"] == 0.3


def test_outputs_drop_within_the_dead_mans_time(tmp_path: Path) -> None:
    with Served(tmp_path, clock=Clock()) as rig:
        rig.passes(0.1, beats=True)
        rig.write(M_101=True, XV_301=True)
        rig.passes(3.0, beats=True)
        assert rig.coils()[COILS.index("M-101")] and rig.truth()["xv_301_open_fraction"] > 0.5, (
            "they stay while the heartbeat goes"
        )
        rig.passes(0.9)
        assert rig.coils()[COILS.index("M-101")] and rig.serve.bench.read_back != 0
        rig.passes(0.2)
        assert not any(rig.coils())
        assert rig.serve.bench.read_back == 0 and rig.serve.module.drops == 1
        rig.passes(3.0)
        assert rig.truth()["xv_301_open_fraction"] == 0.0, "valves shut in the plant, too"


def test_simulated_time_keeps_the_pace_it_is_told(tmp_path: Path) -> None:
    with Served(tmp_path, clock=Clock()) as rig:
        rig.passes(0.5)
        simulated_s = rig.serve.bench.time_s
        rig.passes(2.0)
        assert rig.serve.bench.time_s - simulated_s == pytest.approx(2.0, abs=0.101)
        assert rig.tell(do="speed", value=20)["speed"] == 20.0
        rig.passes(0.2)
        simulated_s = rig.serve.bench.time_s
        rig.passes(1.0)
        assert rig.serve.bench.time_s - simulated_s == pytest.approx(20.0, abs=0.101)
        assert rig.serve.given_up_s == 0.0


# ---- the scale


class Listener:
    """Whoever is connected to a line, with all that it has heard."""

    def __init__(self, name: str | Path) -> None:
        self._port = os.open(name, os.O_RDWR | os.O_NOCTTY)
        self.heard = b""

    def lines(self) -> list[bytes]:
        """All complete lines so far."""
        while select.select([self._port], [], [], 0.0)[0]:
            self.heard += os.read(self._port, 4096)
        return self.heard.split(b"\r\n")[:-1]

    def forget(self) -> None:
        self.lines()
        self.heard = b""

    def say(self, text: bytes) -> None:
        os.write(self._port, text)

    def close(self) -> None:
        os.close(self._port)


def test_frames_of_a_scale_that_sends_on_its_own_say_its_weight() -> None:
    begun_s = time.monotonic()
    scale = scale_face.ScaleFace()
    listener = Listener(scale.name)
    try:
        scale.weight_kg = 12.345
        assert until(lambda: len(listener.lines()) >= 13)
        assert time.monotonic() - begun_s > 11 * 0.1, "not more than ten a second"
        assert b"ST,GS,+  12.345kg" in listener.lines()
        assert all(re.fullmatch(scale_face.PATTERN, frame.decode()) for frame in listener.lines())
        scale.weight_kg = -0.05
        assert until(lambda: b"ST,GS,-   0.050kg" in listener.lines())
        scale.weight_kg = nan
        assert until(lambda: scale._before_kg != scale._before_kg)  # it has had its turn without a weight
        listener.forget()
        assert not until(lambda: listener.lines(), 0.4), "a dead scale is silent"
    finally:
        listener.close()
        scale.close()


def test_a_scale_that_is_asked_answers_once_and_only_to_its_request() -> None:
    scale = scale_face.ScaleFace("polled")
    listener = Listener(scale.name)
    try:
        scale.weight_kg = 33.0
        assert not until(lambda: listener.lines(), 0.3)
        listener.say(b"Q\rW\r")
        assert until(lambda: listener.lines() == [b"ST,GS,+  33.000kg"])
        assert not until(lambda: len(listener.lines()) > 1, 0.3)
        listener.say(b"W")
        listener.say(b"\r")
        assert until(lambda: len(listener.lines()) == 2)
    finally:
        listener.close()
        scale.close()


def test_whoever_comes_late_to_the_scale_gets_new_frames_after_a_while() -> None:
    scale = scale_face.ScaleFace("polled")
    try:
        scale.weight_kg = 1.0
        for _ in range(1000):  # more than the terminal holds: the oldest are lost, not the newest
            scale._say()
        scale.weight_kg = 2.0
        scale._say()
        listener = Listener(scale.name)
        assert until(lambda: listener.lines()[-1:] == [b"US,GS,+   2.000kg"])
        listener.close()
    finally:
        scale.close()


# ---- trees


@pytest.mark.parametrize(
    ("degc", "word"),
    # DS18B20 data sheet, table 1: temperature and data relationship.
    [(125.0, "d0 07"), (85.0, "50 05"), (25.0625, "91 01"), (10.125, "a2 00"), (0.5, "08 00"), (0.0, "00 00"),
     (-0.5, "f8 ff"), (-10.125, "5e ff"), (-25.0625, "6f fe"), (-55.0, "90 fc")],
)  # fmt: skip
def test_a_thermometer_says_what_the_data_sheet_tells(degc: float, word: str) -> None:
    first, second = tree_face.w1_slave(degc).splitlines()
    assert first.startswith(word) and first.endswith("YES") and second.startswith(word)
    assert second.endswith(f" t={int(degc * 1000)}")


def test_the_checksum_of_a_thermometer_is_that_of_a_real_one() -> None:
    # Scratchpad of a DS18B20 after power-on, as the kernel shows it.
    assert tree_face.w1_slave(85.0).startswith("50 05 4b 46 7f ff 0c 10 1c : crc=1c YES\n")
    # Maxim application note 27: the ROM 02 1c b8 01 00 00 00 has the checksum a2.
    assert tree_face.crc8(bytes.fromhex("021cb801000000")) == 0xA2


def test_nobody_reads_half_a_file(tmp_path: Path) -> None:
    instruments = (Instrument("PT-101", 0.0, 4.0e6), Instrument("TT-301", -60.0, 180.0))
    trees = tree_face.TreeFace(tmp_path / "trees", instruments)
    slave = trees.one_wire / tree_face.sensor_id("TT-301") / "w1_slave"
    current = trees.iio / tree_face.IIO_DEVICE / "in_current0_raw"
    enough = threading.Event()

    def write() -> None:
        for n in itertools.count():
            trees.put({"PT-101": 4.0 + n % 2000 / 1000.0, "TT-301": 4.0 + n % 2000 / 200.0}, float(n))
            if enough.is_set():
                return

    trees.put({"PT-101": 4.0, "TT-301": 4.0}, -1.0)
    writer = threading.Thread(target=write)
    writer.start()
    for _ in range(300):
        assert re.fullmatch(r"(?:[0-9a-f]{2} ){9}: crc=.. YES\n(?:[0-9a-f]{2} ){9}t=-?\d+\n", slave.read_text())
        assert re.fullmatch(r"\d+\n", current.read_text())
    enough.set()
    writer.join()
    trees.put({"PT-101": 4.0 + 1.999, "TT-301": 4.0 + 9.995}, 1e6)
    assert (float(current.read_text()), slave.read_text().rsplit("t=", 1)[1]) == (5999.0, "89937\n")
    trees.put({"PT-101": 12.0}, 1e9)
    assert "crc" in slave.read_text() and "NO\n" in slave.read_text(), "a dead one does not answer"
    trees.close()
    assert list((tmp_path / "trees").iterdir()) == []


# ---- the rig's file


@pytest.mark.parametrize("rig", ["full", "shop", "basic"])
@pytest.mark.parametrize("how", [{}, {"rtu": True, "scale_mode": "polled"}, {"trees": True}])
def test_the_rigs_file_that_is_written_is_the_rig_with_every_point_wired(
    tmp_path: Path, rig: str, how: dict[str, Any]
) -> None:
    how = {key: tmp_path / "trees" if key == "trees" else value for key, value in how.items()}
    out = tmp_path / "rig.toml"
    serve = Serve(prepare("split-ac", rig, None), **how)
    try:
        serve.write_rig(out)
        serve.write_rig(out)  # over its own, as at the next start
    finally:
        serve.close()
    written, original = load_rig(out), load_rig(CONFIGS / f"rigs/{rig}.toml")
    wires = wiring.load(written.hardware, written.fitted)
    assert list(wires.points) == wiring.wanted(original.fitted)
    assert written.simulated and not original.simulated
    assert msgspec.structs.replace(written, path="", hardware={}, simulated=False) == msgspec.structs.replace(
        original, path="", hardware={}
    )
    for tag in ("XV-101", "M-101"):
        if tag in wires.points:
            assert wires.points[tag].address == {"table": "coil", "register": COILS.index(tag)}
    if "CV-103" in wires.points:
        assert wires.points["CV-103"].raw(1.0) == pytest.approx(THROTTLE_FULL)


@pytest.mark.parametrize("setup", ["all-out", "slow-hand"])
def test_the_jobs_file_that_is_written_knows_the_set_up(tmp_path: Path, setup: str) -> None:
    simulation = prepare("split-ac", "full", setup)
    serve = Serve(simulation)
    try:
        serve.write_job(tmp_path / "job.toml")
        serve.write_job(tmp_path / "job.toml")
    finally:
        serve.close()
    written, original = load_job(tmp_path / "job.toml"), load_job(CONFIGS / "jobs/split-ac.toml")
    assert written.hookup == simulation.settings.hookup
    assert msgspec.structs.replace(written, path="", hookup=original.hookup) == msgspec.structs.replace(
        original, path=""
    )


def test_a_hardware_table_that_is_there_is_replaced_and_other_files_are_not(tmp_path: Path) -> None:
    text = (CONFIGS / "rigs/full.toml").read_text()
    wired = '\n[hardware.drivers.io]\nkind = "gpio"\n\n[hardware.points."PT-101"]  # x\ndriver = "io"\n'
    wired += "\n[simulation]\na = 1\n\n[mqtt]\nhost = 'h'\nsite = 's'\nrig = 'r'\npassword_file = 'secret'\n"
    rig = tmp_path / "own.toml"
    rig.write_text(text + wired)
    before = rig.read_text()
    serve = Serve(prepare("split-ac", str(rig), None))
    try:
        with pytest.raises(FileExistsError):
            serve.write_rig(rig)
        assert rig.read_text() == before
        serve.write_rig(tmp_path / "out.toml")
    finally:
        serve.close()
    tables = tomllib.loads((tmp_path / "out.toml").read_text())
    assert set(tables["hardware"]["drivers"]) == {"io", "scale"} and tables["simulation"] == {"a": 1}
    assert tables["hardware"]["drivers"]["io"]["kind"] == "modbus-tcp"
    assert tables["mqtt"]["password_file"] == str(tmp_path / "secret"), "found from the folder of the rig's own file"


@pytest.mark.parametrize("how", [{}, {"rtu": True, "scale_mode": "polled"}, {"trees": True}])
def test_the_drivers_read_over_the_wires_what_the_instruments_say(tmp_path: Path, how: dict[str, Any]) -> None:
    pytest.importorskip("rigctl.hardware.modbus")
    from rigctl.hardware.driver import Worker

    how = {key: tmp_path / "trees" if key == "trees" else value for key, value in how.items()}
    serve = Serve(prepare("split-ac", "full", None), dead_man_s=3600.0, **how)
    workers: dict[str, Worker] = {}
    try:
        serve.write_rig(tmp_path / "rig.toml")
        (tmp_path / "rig.toml").write_text(with_patience((tmp_path / "rig.toml").read_text()))
        rig = load_rig(tmp_path / "rig.toml")
        wires = wiring.load(rig.hardware, rig.fitted)
        workers = {name: Worker(name, driver, 0.05) for name, driver in wires.drivers().items()}
        commands = wiring.commands_of(wires, XV_101 | M_101, 0.25, True)
        for name, worker in workers.items():
            worker.start()
            if name in commands:
                worker.command(commands[name])
        # The plant stands still: the wires carry what was laid on them when it was made.
        wire = _laid_out(serve)

        def readings() -> dict[str, Reading]:
            samples = {name: worker.samples for name, worker in workers.items()}
            return wiring.readings_of(wires, samples, time.monotonic())

        got = readings()

        def sound() -> bool:
            got.update(readings())
            return all(reading.fault is None for reading in got.values())

        assert until(sound), got
        for tag, (field, _, _) in wiring.INPUTS.items():
            instrument = next((one for one in serve.bench.sensors.instruments if one.tag == tag), None)
            expected = wire[tag] if instrument is None else instrument.value(wire[tag])
            # The least a register, or a thermometer (1/16 K), can tell.
            least = 0.032 if tag.startswith("TT-") else 0.0 if instrument is None else 6e6 / 16000
            assert abs(got[field].value - expected) <= least + 1e-9, tag
        assert until(lambda: serve.module.outputs() == Outputs(XV_101 | M_101, 0.25))

        def read_back() -> int:
            return wiring.readback_of(wires, {name: worker.readback for name, worker in workers.items()}, 0)

        assert until(lambda: read_back() == XV_101 | M_101)
    finally:
        for worker in workers.values():
            worker.stop(PATIENCE_S)
        serve.close()


def _laid_out(serve: Serve) -> dict[str, float]:
    wire = serve.bench.wire(serve.bench.time_s)
    serve.module.put(wire)
    serve.scale.weight_kg = wire["WT-301"]
    if serve.trees is not None:
        serve.trees.put(wire, time.monotonic() + 10.0)
    return wire


# ---- names that stay


def test_a_name_that_stays_is_kept_over_a_kill_and_gone_at_the_end(tmp_path: Path) -> None:
    link = tmp_path / "scale"
    link.symlink_to("/dev/pts/999999")  # as a killed program leaves it
    scale = scale_face.ScaleFace(link=link)
    assert scale.name == str(link) and link.is_char_device()
    scale.weight_kg = 12.345
    listener = Listener(link)
    assert until(lambda: b"ST,GS,+  12.345kg" in listener.lines())
    listener.close()
    scale.close()
    assert not link.is_symlink()
    assert list(tmp_path.iterdir()) == []


def test_a_name_that_another_line_took_over_is_left_to_it(tmp_path: Path) -> None:
    first, second = Line(tmp_path / "line"), Line(tmp_path / "line")
    first.close()
    assert (tmp_path / "line").is_char_device()
    second.close()
    assert not (tmp_path / "line").is_symlink()


def test_a_name_takes_the_place_of_nothing_but_such_a_link(tmp_path: Path) -> None:
    (tmp_path / "mine").write_text("mine")
    (tmp_path / "link").symlink_to(tmp_path / "mine")
    for name, why in (("mine", "something stands there already"), ("link", "a link to something else")):
        with pytest.raises(LineError, match=rf"{name}: {why}.*; name another path\.$"):
            Line(tmp_path / name)
    with pytest.raises(LineError, match=r"no link can be made there \(.+\); name another path\.$"):
        Line(tmp_path / "nowhere" / "line")
    assert (tmp_path / "mine").read_text() == "mine" and (tmp_path / "link").read_text() == "mine"


def test_modbus_rtu_and_the_rigs_file_go_by_the_names_that_stay(tmp_path: Path) -> None:
    links = {"rtu_link": tmp_path / "bus", "scale_link": tmp_path / "scale"}
    serve = Serve(prepare("split-ac", "full", None), rtu=True, **links)
    try:
        serve.write_rig(tmp_path / "rig.toml")
        client = ModbusSerialClient(str(tmp_path / "bus"), baudrate=115_200, timeout=PATIENCE_S, retries=0)
        assert client.connect()
        words = client.read_input_registers(0, count=len(LOOPS), device_id=1).registers
        client.close()
        assert any(words)
    finally:
        serve.close()
    drivers = tomllib.loads((tmp_path / "rig.toml").read_text())["hardware"]["drivers"]
    assert (drivers["io"]["port"], drivers["scale"]["port"]) == (str(tmp_path / "bus"), str(tmp_path / "scale"))
    assert sorted(path.name for path in tmp_path.iterdir()) == ["rig.toml"]


EXAMPLE = CONFIGS / "rigs/simulated-modbus.toml"
PORT, SCALE = "port = 5020", "./simulated-scale"


def test_the_supplied_file_of_a_simulated_rig_is_what_would_be_written(tmp_path: Path) -> None:
    assert f"hil-sim serve --rig full --tcp 127.0.0.1:5020 --scale-link {SCALE}\n" in EXAMPLE.read_text()
    serve = Serve(prepare("split-ac", "full", None), scale_link=tmp_path / "scale")
    try:
        serve.write_rig(tmp_path / "rig.toml")
        written = (tmp_path / "rig.toml").read_text()
    finally:
        serve.close()
    written = written.replace(f"port = {serve.modbus.port}", PORT).replace(str(tmp_path / "scale"), SCALE)
    supplied, expected = tomllib.loads(EXAMPLE.read_text()), tomllib.loads(written)
    assert supplied["rig"].pop("name") != expected["rig"].pop("name")
    assert supplied == expected and supplied["rig"]["simulated"] is True


def test_a_controller_with_the_supplied_file_runs_the_served_plant(tmp_path: Path) -> None:
    with Served(tmp_path, scale_link=tmp_path / "scale") as rig:
        text = with_patience(EXAMPLE.read_text()).replace(PORT, f"port = {rig.serve.modbus.port}")
        (tmp_path / "rig.toml").write_text(text.replace(SCALE, str(tmp_path / "scale")))
        environment = dict(os.environ, PYTHONPATH=str(CONFIGS.parent))
        program = subprocess.Popen(
            [sys.executable, "-m", "rigctl", "run", "rig.toml", str(CONFIGS / "jobs/split-ac.toml"), "--out", "job"],
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment, cwd=tmp_path,
        )  # fmt: skip
        try:
            before_kg = rig.truth()["cylinder_kg"]
            for what in ("acknowledge", "start"):
                assert pressed(tmp_path / "job", what, program)
            assert until(lambda: rig.truth()["cylinder_kg"] > before_kg + 0.05), "refrigerant arrives in the cylinder"
            assert rig.tell(do="truth")["outputs"]["M-101"] is True
            program.send_signal(signal.SIGTERM)
            out, err = program.communicate(timeout=PATIENCE_S)
        finally:
            program.kill()
        assert until(lambda: rig.serve.module.outputs() == SAFE)
    assert "line-up -> liquid" in out and err == "", err


# ---- the control socket


def test_faults_and_hands_over_the_control_socket_show_on_the_wire(tmp_path: Path) -> None:
    with Served(tmp_path, job="chiller", speed=2.0) as rig:
        assert rig.current_ua("PT-101") >= 3800
        assert rig.tell(do="fault", name="dead-suction-gauge")["ok"] is True
        assert until(lambda: rig.current_ua("PT-101") == 0)
        assert rig.tell(do="mend", tag="PT-101")["ok"] is True
        assert until(lambda: rig.current_ua("PT-101") >= 3800)
        assert rig.tell(do="fault", name="TT-201:stuck=99@0.2")["ok"] is True
        assert until(lambda: rig.current_ua("TT-201") == 4000 + round(16000 * 159 / 240))

        stop = CONTACTS.index("HS-001")
        pressed = lambda: not rig.client.read_discrete_inputs(stop, count=1, device_id=1).bits[0]  # noqa: E731
        assert rig.tell(do="hand", what="press-emergency-stop")["ok"] is True
        assert until(pressed)
        rig.beats.set()
        rig.write(M_101=True)
        assert until(lambda: not rig.coils()[COILS.index("M-101")]), "the supply of the outputs is cut"
        rig.tell(do="hand", what="release-emergency-stop")
        assert until(lambda: rig.coils()[COILS.index("M-101")])

        before_kg = rig.serve.scale.weight_kg
        assert rig.tell(do="hand", what="bucket", kg=1.5)["ok"] is True
        assert until(lambda: abs(rig.serve.scale.weight_kg - before_kg - 1.5) < 0.1)
        rig.tell(do="hand", what="clear-scale")
        assert until(lambda: abs(rig.serve.scale.weight_kg - before_kg) < 0.1)
        rig.tell(do="hand", what="knock-scale", kg=5)
        assert until(lambda: abs(rig.serve.scale.weight_kg - before_kg) > 0.2)
        rig.write(M_001=True)  # the pump
        assert until(lambda: rig.truth()["water_flow_flag"] == 1.0)
        rig.tell(do="hand", what="water-off")
        assert until(lambda: rig.truth()["water_flow_flag"] == 0.0)
        rig.tell(do="hand", what="water-on")
        assert until(lambda: rig.truth()["water_flow_flag"] == 1.0)
        changed = rig.tell(do="hand", what="change-cylinder")
        assert changed["ok"] is True and changed["serial"]
        assert rig.tell(do="quit")["ok"] is True
        rig.thread.join(PATIENCE_S)
        assert not rig.thread.is_alive()


@pytest.mark.parametrize(
    ("line", "sentence"),
    [
        ("{", '\'{\' is no JSON; write one object in one line, like {"do": "truth"}.'),
        ("[1]", 'does not say what to do; write an object with "do"'),
        ('{"do": 1}', "does not say what to do"),
        ('{"do": "dance"}', '"dance" cannot be done; known are fault, mend, truth, hand, speed, quit.'),
        ('{"do": "truth", "x": 1}', '"x" is no key of "truth"; leave it out.'),
        ('{"do": "fault", "name": "frozen-scales"}', 'did you mean "frozen-scale"?'),
        ('{"do": "fault"}', "Say which fault"),
        ('{"do": "fault", "name": "empty-appliance"}', "is so from the start"),
        ('{"do": "fault", "name": "air-in-cylinder"}', "Air comes with the cylinder"),
        ('{"do": "fault", "name": "XX-1:stuck"}', "XX-1"),
        ('{"do": "hand", "what": "juggle"}', "Hands cannot do 'juggle'; known are "),
        ('{"do": "hand", "what": ["a"]}', "Hands cannot do ['a']"),
        ('{"do": "hand", "what": "bucket", "kg": NaN}', '"kg" is nan; give a number'),
        ('{"do": "speed", "value": 0}', "The speed is 0; give a number from 0.05 to 100."),
        ('{"do": "mend", "tag": 3}', '"tag" is the tag of'),
        ("[" * 50_000, "is no JSON"),
    ],
)
def test_what_makes_no_sense_is_answered_with_one_sentence(served_idle: Path, line: str, sentence: str) -> None:
    answer = control.tell(served_idle, line)
    assert answer["ok"] is False and sentence in answer["error"] and "\n" not in answer["error"]


@pytest.fixture(scope="module")
def served_idle(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    with Served(tmp_path_factory.mktemp("idle")) as rig:
        yield rig.path
        assert rig.tell(do="truth")["ok"] is True, "and it goes on"


def test_a_control_socket_takes_the_place_of_a_dead_one_and_of_nothing_else(tmp_path: Path) -> None:
    path = tmp_path / "control"
    with socket.socket(socket.AF_UNIX) as dead:
        dead.bind(str(path))
    first = Control(path, lambda request: {})
    with pytest.raises(SocketError, match="another simulated plant listens there"):
        Control(path, lambda request: {})
    first.close()
    assert not path.exists()
    path.write_text("mine")
    with pytest.raises(SocketError, match="no socket"):
        Control(path, lambda request: {})
    assert path.read_text() == "mine"
    with pytest.raises(SocketError, match="no control socket can be made there"):
        Control(tmp_path / ("x" * 200), lambda request: {})


# ---- the commands


def command(*words: str, cwd: Path) -> subprocess.CompletedProcess[str]:
    environment = dict(os.environ, PYTHONPATH=str(CONFIGS.parent))
    return subprocess.run(
        [sys.executable, "-m", *words], capture_output=True, text=True, env=environment, cwd=cwd,
        timeout=PROGRAM_S,
    )  # fmt: skip


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_the_program_writes_a_rigs_file_that_passes_the_check_and_ends_cleanly(tmp_path: Path, number: int) -> None:
    environment = dict(os.environ, PYTHONPATH=str(CONFIGS.parent))
    program = subprocess.Popen(
        [sys.executable, "-m", "hil_sim.cli", "serve", "--scenario", "split-ac-no-tricks", "--rtu", "--trees", "trees",
         "--control", "control", "--config-out", "rig.toml", "--speed", "2"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment, cwd=tmp_path,
    )  # fmt: skip
    try:
        assert until(lambda: program.poll() is not None or (tmp_path / "rig.toml").exists(), PROGRAM_S)
        checked = command("rigctl", "check", "rig.toml", cwd=tmp_path)
        assert checked.returncode == 0 and checked.stdout.rstrip().endswith("OK"), checked.stderr
        told = command("hil_sim.cli", "tell", "control", '{"do": "truth"}', cwd=tmp_path)
        assert told.returncode == 0 and json.loads(told.stdout)["truth"]["cylinder_kg"] > 0.0
        told = command("hil_sim.cli", "tell", "control", "hand", "knock-scale", "2.5", cwd=tmp_path)
        assert told.returncode == 0, told.stderr
        told = command("hil_sim.cli", "tell", "control", "truth", "--json", cwd=tmp_path)
        assert told.returncode == 0 and json.loads(told.stdout)["truth"]["cylinder_kg"] > 0.0
        told = command("hil_sim.cli", "tell", "control", "truth", cwd=tmp_path)
        assert told.returncode == 0, told.stderr
        assert re.search(r"^cylinder_kg = [\d.]+ kg +refrigerant in the cylinder$", told.stdout, re.MULTILINE)
        for words, sentence in (
            (["nonsense"], '"nonsense" cannot be done; known are fault'), (["{nonsense"], "is no JSON; "),
            (["speed", "fast"], '"fast" is no number'), (["truth", "now"], '"now" is one word too many'),
        ):  # fmt: skip
            wrong = command("hil_sim.cli", "tell", "control", *words, cwd=tmp_path)
            assert wrong.returncode == 2 and sentence in wrong.stderr, wrong.stderr
        program.send_signal(number)
        out, err = program.communicate(timeout=PATIENCE_S)
    finally:
        program.kill()
    assert program.returncode == 0 and err == ""
    for head in ("Modbus TCP", "Modbus RTU", "Scale", "IIO", "1-Wire", "Control", "Rig's file"):
        assert re.search(rf"^{head} +\S", out, re.MULTILINE), head
    assert re.search(r"^Ended at [\d.]+ s of simulated time: \d+ steps, \d+ late, ", out, re.MULTILINE)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["rig.toml", "trees"]
    gone = command("hil_sim.cli", "tell", "control", '{"do": "truth"}', cwd=tmp_path)
    assert gone.returncode == 2 and "nobody listens there" in gone.stderr


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        (("--speed", "0"), "--speed: 0 is outside 0.05 to 100."),
        (("--tcp", "nowhere"), "--tcp: nowhere is no address"),
        (("--tcp", "192.0.2.1:0"), "Modbus TCP cannot listen at 192.0.2.1:0"),
        (("--rtu-link", "bus"), "--rtu-link names the line of --rtu"),
        (("--scale-link", "nowhere/scale"), "nowhere/scale: no link can be made there (no such file or directory)"),
        (("--scale", "loud"), '--scale: "loud" is no way to speak'),
        (("--dead-man", "1"), "--dead-man: "),
        (("--scenario", "split-ac", "--job", "split-ac"), "--job cannot go with --scenario"),
    ],
)
def test_options_that_make_no_sense_are_refused(tmp_path: Path, options: tuple[str, ...], sentence: str) -> None:
    refused = command("hil_sim.cli", "serve", *options, cwd=tmp_path)
    assert refused.returncode == 2 and sentence in refused.stderr and refused.stderr.count("\n") == 1


def test_it_ends_at_the_simulated_time_it_is_told(tmp_path: Path) -> None:
    done = command("hil_sim.cli", "serve", "--speed", "20", "--until", "10 s", cwd=tmp_path)
    assert done.returncode == 0 and "Ended at 10.0 s of simulated time: 100 steps" in done.stdout, done.stderr


# ---- the GPIO chip -----------------------------------------------------------------------------------------


def test_the_stand_in_for_gpiod_has_the_names_and_calls_of_the_real_one() -> None:
    """gpiod 2.x (libgpiod's Python binding), where it is installed."""
    import inspect

    real = pytest.importorskip("gpiod")
    from hil_sim.wire.gpio_stand_in import gpiod

    for kind in ("Direction", "Bias", "Value"):
        ours, theirs = getattr(gpiod.line, kind), getattr(real.line, kind)
        assert [member.name for member in ours] == [member.name for member in theirs]
    for name in ("direction", "bias", "active_low", "output_value"):
        assert name in inspect.signature(gpiod.LineSettings).parameters
        assert name in inspect.signature(real.LineSettings).parameters
    for name in ("get_values", "set_values", "release"):
        assert hasattr(gpiod.LineRequest, name) and hasattr(real.LineRequest, name)


def test_contacts_and_coils_are_lines_of_a_chip(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from hil_sim.wire.gpio_face import FIRST_OUTPUT, GpioFace, line_of
    from hil_sim.wire.gpio_stand_in import gpiod

    monkeypatch.setattr(gpiod, "_WAITS_S", PATIENCE_S)

    now = [0.0]
    module = IoModule(1.0, lambda: now[0])
    chip = GpioFace(module, tmp_path / "chip")
    value, direction = gpiod.line.Value, gpiod.line.Direction
    beat, valve, contact = line_of("KS-001"), line_of("XV-101"), line_of("HS-001")
    config = {
        beat: gpiod.LineSettings(direction.OUTPUT),
        valve: gpiod.LineSettings(direction.OUTPUT, active_low=True),
        contact: gpiod.LineSettings(direction.INPUT),
    }
    try:
        request = gpiod.request_lines(str(chip.path), config, "test")
        module.put({"HS-001": 1.0})
        assert request.get_values([contact]) == [value.ACTIVE]
        request.set_values({beat: value.ACTIVE})
        request.set_values({beat: value.INACTIVE, valve: value.INACTIVE})
        assert module.outputs().on(XV_101), "active low: inactive is a high level"
        assert request.get_values([valve, contact]) == [value.INACTIVE, value.ACTIVE]
        now[0] = 2.0
        assert module.outputs().bits == 0 and request.get_values([valve]) == [value.ACTIVE], "the relay has dropped"
        with pytest.raises(OSError, match="is an input"):
            request.set_values({contact: value.ACTIVE})
        for wrong in (
            {FIRST_OUTPUT + 99: gpiod.LineSettings(direction.OUTPUT)},
            {99: gpiod.LineSettings(direction.INPUT)},
        ):
            with pytest.raises(OSError, match="is no"):
                gpiod.request_lines(str(chip.path), wrong)
        request.release()
        with pytest.raises(SocketError, match="listens there"):
            GpioFace(module, tmp_path / "chip")
    finally:
        chip.close()
    with pytest.raises(OSError):
        gpiod.request_lines(str(chip.path), config)
    assert not chip.path.exists()


def test_a_controller_runs_the_plant_over_gpio_lines_and_converters(tmp_path: Path) -> None:
    """The program, GPIO driver before the stand-in, loops by IIO, temperatures by 1-Wire, throttle by Modbus."""
    from hil_sim.wire.gpio_face import STAND_IN
    from rigctl.control.vocabulary import Phase

    serve = Serve(prepare("split-ac", "full", None), dead_man_s=5.0, trees=tmp_path / "trees", gpio=tmp_path / "chip")
    rig = tmp_path / "rig.toml"
    serve.write_rig(rig)
    rig.write_text(with_patience(rig.read_text()))
    kinds = {one["kind"] for one in tomllib.loads(rig.read_text())["hardware"]["drivers"].values()}
    assert kinds == {"modbus-tcp", "serial-scale", "iio", "one-wire", "gpio"}
    thread = threading.Thread(target=serve.go, daemon=True)
    thread.start()
    environment = dict(os.environ, PYTHONPATH=f"{STAND_IN}{os.pathsep}{CONFIGS.parent}")
    program = subprocess.Popen(
        [sys.executable, "-m", "rigctl", "run", str(rig), "split-ac", "--out", str(tmp_path / "job")],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment, cwd=CONFIGS.parent,
    )  # fmt: skip
    try:
        assert pressed(tmp_path / "job", "start", program)

        def draws() -> bool:
            last = last_scan(tmp_path / "job")
            return last is not None and last.record.phase is Phase.LIQUID and serve.module.outputs().bits != 0

        assert until(draws, every_s=0.05)
        program.kill()
        program.communicate()
        assert until(lambda: serve.module.outputs().bits == 0), "the dead-man relay drops the lines"
    finally:
        program.kill()
        program.communicate()
        serve.ending = True
        thread.join(PATIENCE_S)
        serve.close()
