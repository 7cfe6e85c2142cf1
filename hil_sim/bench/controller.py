"""The controller under test: its memory from scan to scan, the requests put to it, and its supply."""

from __future__ import annotations

import msgspec

from hil_sim.bench.clock import Clock
from rigctl.control.figures.figures import Figures
from rigctl.control.points import Outputs
from rigctl.control.prepare import FIGURES
from rigctl.control.readings import Readings, Request
from rigctl.control.settings import Settings
from rigctl.scan import ScanRecord, State, after_power_loss, initial, prepare, step

JOURNAL_SCANS = 10
"""The journal commits once in so many scans, and at once when something happens."""


class Controller:
    """One controller on virtual time.

    Parameters
    ----------
    settings
        What it runs with.
    clock
        Of the bench.
    figures
        Tuned figures; a study gives its own.
    """

    def __init__(self, settings: Settings, clock: Clock, figures: Figures = FIGURES) -> None:
        self._prepared = prepare(settings, figures)
        self._clock = clock
        self.state = initial(self._prepared)
        """After the last scan."""
        self.kept = self.state
        """What the journal has, and so what a power cut leaves."""
        self.last: ScanRecord | None = None
        self.powered = True
        self.woken_s = 0.0
        """Simulated time at which its own clock began, s."""
        self._requests: list[Request] = []

    def request(self, request: Request) -> None:
        """Put a request before the next scan."""
        self._requests.append(request)

    def take_requests(self) -> tuple[Request, ...]:
        """The requests that wait; they wait no longer."""
        if not self._requests:
            return ()
        requests = tuple(self._requests)
        self._requests.clear()
        return requests

    def scan(self, readings: Readings) -> tuple[Outputs, ScanRecord]:
        """Run one scan."""
        self.state, outputs, record = step(self.state, readings, self._prepared)
        self.last = record
        if self._clock.scans % JOURNAL_SCANS == 0 or record.events:
            self.kept = self.state
        return outputs, record

    def cut_power(self) -> None:
        """Lose all memory but what the journal has."""
        self.powered = False
        self._requests.clear()

    def restore_power(self) -> None:
        """Wake up with the last journaled state and a new clock."""
        kept = msgspec.msgpack.decode(msgspec.msgpack.encode(self.kept), type=State)
        self.state = self.kept = after_power_loss(kept)
        self.woken_s = self._clock.now_s
        self.powered = True
