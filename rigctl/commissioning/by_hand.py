"""A rig driven by hand: its drivers, outputs one at a time, and the heartbeat that keeps the dead-man relay closed."""

from __future__ import annotations

import threading
import time
from collections.abc import Mapping
from typing import Final

from rigctl.control.readings import Fault, Reading
from rigctl.hardware import wiring
from rigctl.hardware.driver import Worker, stop_all
from rigctl.hardware.wiring import INPUTS, Wiring

_BEAT_S: Final = 0.1
_FIRST_ANSWER_S: Final = 5.0


class ByHand:
    """Drives the outputs of a rig while a person looks.

    Parameters
    ----------
    wires, workers
        Of the rig; the workers not yet started.
    """

    def __init__(self, wires: Wiring, workers: Mapping[str, Worker]) -> None:
        self.wires = wires
        self.beating = True
        """Whether the heartbeat goes on."""
        self._workers = workers
        self._on: dict[str, float] = {}
        self._beat = False
        self._lock = threading.Lock()
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run, name="heartbeat", daemon=True)

    def start(self) -> list[str]:
        """Begin with everything off; returns a sentence for every driver that does not answer."""
        for worker in self._workers.values():
            worker.start()
        self._thread.start()
        until_s = time.monotonic() + _FIRST_ANSWER_S
        while time.monotonic() < until_s and not all(worker.exchanges for worker in self._workers.values()):
            time.sleep(0.02)
        return [
            f"Driver {name} does not answer: {worker.trouble or 'nothing came in time'}"
            for name, worker in self._workers.items()
            if not worker.exchanges
        ]

    def close(self) -> bool:
        """Make everything safe and let go; whether every driver took it in time."""
        self._ending.set()
        if self._thread.is_alive():
            self._thread.join(1.0)
        with self._lock:
            self._on = {}
        return stop_all(self._workers, self._commands())

    def put(self, tag: str, command: float) -> None:
        """Command one output, 0 to 1; every other one is off."""
        with self._lock:
            self._on = {tag: command} if command else {}
        self._write()

    def off(self) -> None:
        """Everything off."""
        with self._lock:
            self._on = {}
        self._write()

    def reading(self, tag: str) -> Reading:
        """What an input says now."""
        samples = {name: worker.samples for name, worker in self._workers.items()}
        return wiring.readings_of(self.wires, samples, time.monotonic())[INPUTS[tag][0]]

    def plain(self, tag: str) -> float:
        """What an input says without its calibration, SI; NaN while it has a fault."""
        reading, point = self.reading(tag), self.wires.points[tag]
        return (reading.value - point.zero) / point.gain if reading.fault is None else float("nan")

    def fault(self, tag: str) -> Fault | None:
        """What is wrong with an input."""
        return self.reading(tag).fault

    def is_on(self, tag: str) -> bool | None:
        """Whether the hardware reads an output back as energised; None where it cannot."""
        point = self.wires.points[tag]
        raw = self._workers[point.driver].readback.get(tag)
        return None if raw is None else point.is_on(raw)

    def position(self, tag: str) -> float | None:
        """What the hardware reads back of an output that has a position, 0 to 1; None where it cannot."""
        point = self.wires.points[tag]
        raw = self._workers[point.driver].readback.get(tag)
        if raw is None:
            return None
        nothing, full = point.raw(0.0), point.raw(1.0)
        return (raw - nothing) / (full - nothing)

    def beat(self) -> None:
        """Change the heartbeat, if it goes on, and write everything anew."""
        if self.beating:
            self._beat = not self._beat
        self._write()

    def _run(self) -> None:
        while not self._ending.wait(_BEAT_S):
            self.beat()

    def _write(self) -> None:
        for name, raw in self._commands().items():
            self._workers[name].command(raw)

    def _commands(self) -> dict[str, dict[str, float]]:
        commands = wiring.commands_of(self.wires, 0, 0.0, self._beat)
        with self._lock:
            on = dict(self._on)
        for tag, command in on.items():
            point = self.wires.points[tag]
            commands[point.driver][tag] = point.raw(command)
        return commands
