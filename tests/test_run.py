"""`rigctl run` as a program over a real Modbus socket and a pseudo-terminal: signals, a kill, and run again."""

from __future__ import annotations

import asyncio
import json
import os
import pty
import signal
import sqlite3
import subprocess
import sys
import threading
import tty
from collections.abc import Iterator
from pathlib import Path

import pytest
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from rigctl.control.vocabulary import Phase
from rigctl.journal.store import JournalReader
from rigctl.scan import ScanRecord
from tests.served import last_scan, pressed, with_patience
from tests.strategies import CONFIGS
from tests.waiting import PATIENCE_S, until

BAR_UA = 16_000.0 / 40.0


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
        assert self._up.wait(PATIENCE_S)

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
            self._thread.join(PATIENCE_S)


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


class Stand:
    """A rig's wires with a rig behind them that never changes: 16 bar everywhere, a cylinder of 13.2 kg."""

    def __init__(self, folder: Path) -> None:
        # R-410A at 25 degC boils at 16.6 bar (published tables).
        suction, discharge = round(4_000 + 16.6 * BAR_UA), round(4_000 + 16.6 * 16_000 / 60)
        degc = round(4_000 + 16_000 * (25.0 + 60.0) / 240.0)
        self.server = Server(words={0: suction, 1: suction, 2: discharge, 3: degc})
        self.indicator = Indicator()
        self._silent = threading.Event()
        self._talker = threading.Thread(target=self._talk, daemon=True)
        self._talker.start()
        text = with_patience((CONFIGS / "rigs/shop-modbus.toml").read_text())
        text = text.replace("[rig]\n", "[rig]\nsimulated = true\n", 1)
        text = text.replace('host = "192.168.1.20"\nport = 502', f'host = "127.0.0.1"\nport = {self.server.port}')
        self.rig = folder / "rig.toml"
        self.rig.write_text(text.replace("/dev/serial/by-id/scale", self.indicator.port))
        self.out = folder / "job"
        self.programs: list[subprocess.Popen[str]] = []

    def _talk(self) -> None:
        while not self._silent.wait(0.1):
            self.indicator.say(b"ST,GS,+ 13.200kg\r\n")

    def run(self, *more: str) -> subprocess.Popen[str]:
        command = [sys.executable, "-m", "rigctl", "run", str(self.rig), "split-ac", "--out", str(self.out), *more]
        environment = dict(os.environ, PYTHONPATH=str(CONFIGS.parent))
        program = subprocess.Popen(
            command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment, cwd=CONFIGS.parent
        )
        self.programs.append(program)
        return program

    def pressed(self, what: str) -> bool:
        """Press until it is taken; whether it was."""
        return bool(pressed(self.out, what, self.programs[-1]))

    def last(self) -> ScanRecord | None:
        """The newest scan in the journal."""
        last = last_scan(self.out)
        return None if last is None else last.record

    def phase(self) -> Phase | None:
        last = self.last()
        return None if last is None else last.phase

    def coils(self) -> list[bool]:
        from pymodbus.client import ModbusTcpClient

        client = ModbusTcpClient("127.0.0.1", port=self.server.port, timeout=PATIENCE_S)
        client.connect()
        bits: list[bool] = client.read_coils(0, count=10, device_id=1).bits[:10]
        client.close()
        return bits

    def close(self) -> None:
        for program in self.programs:
            if program.poll() is None:
                program.kill()
            program.communicate()
        self._silent.set()
        self._talker.join(PATIENCE_S)
        self.server.stop()
        self.indicator.close()


@pytest.fixture
def stand(tmp_path: Path) -> Iterator[Stand]:
    made = Stand(tmp_path)
    yield made
    made.close()


def test_sigterm_leaves_safe_outputs_and_the_next_run_comes_up_held(stand: Stand) -> None:
    program = stand.run("--json")
    assert stand.pressed("start")
    assert until(lambda: any(stand.coils())), "valves open and the motor starts"
    assert until(lambda: (last := stand.last()) is not None and last.scan > 10)
    program.send_signal(signal.SIGTERM)
    out, err = program.communicate(timeout=PATIENCE_S)
    assert not any(stand.coils())
    answer = json.loads(out)
    assert answer["pace"]["scans"] > 10 and "idle -> line-up" in err and "Every output was commanded off." in err
    again = stand.run()
    assert until(lambda: stand.phase() is Phase.HELD)
    held = stand.last()
    assert until(lambda: (last := stand.last()) is not None and held is not None and last.scan > held.scan + 5)
    again.send_signal(signal.SIGINT)
    text, _ = again.communicate(timeout=PATIENCE_S)
    assert "Comes up again: Power was lost during" in text
    assert not any(stand.coils()), "it waits for a person with everything shut"


def test_a_killed_program_comes_up_held_with_its_totals(stand: Stand) -> None:
    program = stand.run()
    assert stand.pressed("start")
    assert until(lambda: stand.phase() not in (None, Phase.IDLE, Phase.LINE_UP))
    program.kill()
    program.wait(PATIENCE_S)
    assert any(stand.coils()), "nobody made them safe: that is the dead-man relay's part"
    stand.run()
    assert until(lambda: stand.phase() is Phase.HELD)
    assert until(lambda: not any(stand.coils()))
    with JournalReader(next(stand.out.glob("*.journal"))) as reader:
        assert [session.reason for session in reader.sessions()] == ["start", "resume"]
        assert "Power was lost" in reader.last_scan().record.sentence  # type: ignore[union-attr]


def test_a_job_that_another_version_left_unfinished_is_told_and_left_as_it_is(stand: Stand) -> None:
    program = stand.run()
    assert stand.pressed("start")
    assert until(lambda: stand.phase() not in (None, Phase.IDLE, Phase.LINE_UP))
    program.kill()
    program.wait(PATIENCE_S)
    journal = next(stand.out.glob("*.journal"))
    plain = sqlite3.connect(journal)
    own = plain.execute("SELECT core FROM sessions").fetchone()[0]
    plain.execute("UPDATE sessions SET core = ?, software_version = '0.0.9'", ("0123abcd" * 8,))
    plain.commit()
    plain.close()
    before = journal.read_bytes()
    again = stand.run()
    _, err = again.communicate(timeout=PATIENCE_S)
    assert again.returncode == 2 and "Traceback" not in err
    assert "version 0.0.9 (core 0123abcd), and only that version can go on with it" in err
    assert f"(core {own[:8]})" in err and f'"rigctl record {journal}"' in err
    assert journal.read_bytes() == before and list(stand.out.glob("*.journal")) == [journal]
    # And with its own core the job is gone on with.
    plain = sqlite3.connect(journal)
    plain.execute("UPDATE sessions SET core = ?", (own,))
    plain.commit()
    plain.close()
    stand.run()
    assert until(lambda: stand.phase() is Phase.HELD)


def test_a_rig_without_wires_is_told_so_in_one_sentence(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "rigctl", "run", "shop", "split-ac", "--out", str(tmp_path / "x")],
        capture_output=True, text=True, cwd=CONFIGS.parent, check=False,
    )  # fmt: skip
    assert done.returncode == 2 and "[hardware]" in done.stderr and done.stderr.count("\n") == 1
    assert not (tmp_path / "x").exists()


def test_nobody_at_the_door_is_told_so(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "rigctl", "press", str(tmp_path), "start"], capture_output=True, text=True, check=False,
        cwd=CONFIGS.parent,
    )  # fmt: skip
    assert done.returncode == 2 and "no rig listens" in done.stderr
