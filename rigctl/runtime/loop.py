"""The clocked scan loop: newest samples in, one scan of the core, commands out, on absolute deadlines.

Nothing here waits for a wire, a disk or a broker: drivers, journal and telemetry have threads of their own. A scan that
comes late is counted, the missed ones are left out, and the core trips where its limit says so. Whatever ends the loop,
the outputs are made safe first and everything else comes after.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Mapping
from typing import Final

import msgspec

from rigctl import scan
from rigctl.control.points import SAFE, Outputs
from rigctl.control.readings import Readings, Request
from rigctl.control.settings import Settings
from rigctl.hardware import wiring
from rigctl.hardware.driver import Worker, stop_all
from rigctl.hardware.wiring import Wiring
from rigctl.scan import ScanRecord, State, prepare

_KEPT_SCANS: Final = 72_000
"""Scans whose lateness is kept for the percentiles: an hour at 20 Hz."""
_FIRST_ANSWER_S: Final = 5.0


class Pace(msgspec.Struct, frozen=True):
    """How well the deadlines were kept."""

    scans: int
    overruns: int
    """Deadlines that passed without their scan."""
    late_s: dict[str, float]
    """Percentiles of how late a scan began: p50, p95, p99, p99.9, max."""
    step_s: dict[str, float]
    """The same of what a scan took."""


def percentiles(values: list[float]) -> dict[str, float]:
    """Percentiles by nearest rank; empty without values."""
    ranked = sorted(values)
    shares = {"p50": 0.5, "p95": 0.95, "p99": 0.99, "p99.9": 0.999, "max": 1.0}
    return (
        {name: ranked[min(int(share * len(ranked)), len(ranked) - 1)] for name, share in shares.items()}
        if ranked
        else {}
    )


class ScanLoop:
    """Runs the core against real drivers.

    Parameters
    ----------
    settings, wiring, workers
        Of the rig and the job; the workers by their drivers' names, not yet started.
    state
        To begin with: `scan.initial` or `scan.after_power_loss`.
    requests
        Asked once a scan for what people want.
    hear
        Handed every scan's record and the state after it; must not wait. What it raises ends the loop.
    speed
        Against a simulation that runs so many times faster than the clock on the wall: the core's time goes with it.
        Deadlines, devices and the heartbeat keep to the wall.
    clock, utc, sleep
        Replaced in tests.
    """

    def __init__(
        self,
        settings: Settings,
        wires: Wiring,
        workers: Mapping[str, Worker],
        state: State,
        *,
        requests: Callable[[], tuple[Request, ...]] = tuple,
        hear: Callable[[ScanRecord, State], None] = lambda record, state: None,
        speed: float = 1.0,
        clock: Callable[[], float] = time.monotonic,
        utc: Callable[[], float] = time.time,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self.state = state
        self.scans = self.overruns = 0
        self.safe = False
        """Whether every driver took the safe command at the end."""
        self._settings, self._wires, self._workers = settings, wires, workers
        self._prepared = prepare(settings)
        self._requests, self._hear = requests, hear
        self._clock, self._utc, self._sleep = clock, utc, sleep
        self._speed, self._from_s, self._utc_from_s = speed, clock(), utc()
        self._beat = False
        self._ending = False
        self._late: deque[float] = deque(maxlen=_KEPT_SCANS)
        self._took: deque[float] = deque(maxlen=_KEPT_SCANS)

    def stop(self) -> None:
        """End after the present scan; may be called from a signal handler or another thread."""
        self._ending = True

    @property
    def pace(self) -> Pace:
        """How well the deadlines were kept so far."""
        return Pace(self.scans, self.overruns, percentiles(list(self._late)), percentiles(list(self._took)))

    def run(self) -> None:
        """Scan until `stop`; outputs are safe when it returns or raises."""
        period_s = self._settings.scan_period_s / self._speed
        try:
            for worker in self._workers.values():
                worker.start()
            self._await_devices()
            deadline_s = self._clock()
            while not self._ending:
                now_s = self._clock()
                self._late.append(now_s - deadline_s)
                missed = int((now_s - deadline_s) / period_s)
                self.overruns += missed
                deadline_s += (missed + 1) * period_s
                self._scan()
                self._took.append(self._clock() - now_s)
                while (left_s := deadline_s - self._clock()) > 0.0 and not self._ending:
                    self._sleep(min(left_s, 0.1))
        finally:
            self.safe = self.make_safe()

    def _await_devices(self) -> None:
        """Give every device time to answer once: a scan before that would trip on instruments that are only slow."""
        until_s = self._clock() + _FIRST_ANSWER_S
        while not self._ending and self._clock() < until_s:
            if all(worker.exchanges for worker in self._workers.values()):
                return
            self._sleep(0.02)

    def make_safe(self) -> bool:
        """Write the safe command to every driver and let go of it; whether all took it in time."""
        return stop_all(self._workers, wiring.commands_of(self._wires, SAFE.bits, SAFE.cv_103, self._beat))

    def _scan(self) -> None:
        samples = {name: worker.samples for name, worker in self._workers.items()}
        wall_s = self._clock()  # after the samples: one from the future is believed by nobody
        fields = wiring.readings_of(self._wires, samples, wall_s)
        now_s, utc_s = wall_s, self._utc()
        if self._speed != 1.0:
            now_s, utc_s = self._core_s(wall_s), self._utc_from_s + self._speed * (wall_s - self._from_s)
            fields = {
                field: msgspec.structs.replace(reading, taken_at_s=self._core_s(reading.taken_at_s))
                for field, reading in fields.items()
            }
        readings = Readings(
            now_s=now_s,
            utc_s=utc_s,
            readback=self._readback(wall_s) if self._settings.fitted.readback else None,
            overruns=self.overruns,
            requests=self._requests(),
            **fields,
        )
        self.state, outputs, record = scan.step(self.state, readings, self._prepared)
        self._drive(outputs)
        self.scans += 1
        self._hear(record, self.state)

    def _core_s(self, wall_s: float) -> float:
        """A time of the wall's clock as the core counts it."""
        return self._from_s + self._speed * (wall_s - self._from_s)

    def _readback(self, now_s: float) -> int:
        """The outputs as the hardware has them; a driver silent for its stated time has dropped its outputs by now."""
        lost, backs = set(), {}
        for name, worker in self._workers.items():
            stale_s = self._wires.stations[name].stale_s
            if worker.trouble and now_s - worker.answered_at_s > stale_s:
                lost.add(name)  # one lost answer is not a lost driver
            elif worker.readback and now_s - worker.readback_at_s <= stale_s:
                backs[name] = worker.readback
        return wiring.readback_of(self._wires, backs, self.state.control.drive.outputs.bits, lost)

    def _drive(self, outputs: Outputs) -> None:
        self._beat = not self._beat
        commands = wiring.commands_of(self._wires, outputs.bits, outputs.cv_103, self._beat)
        for name, raw in commands.items():
            self._workers[name].command(raw)
