"""What a driver is, and the thread that runs one: newest samples out, newest command in, silence becomes a fault.

A driver is a plain blocking object; nothing in it retries. Its worker calls it from a thread of its own, leaves the
newest samples for the scan, and opens it anew after trouble. A scan never waits for a wire.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Mapping
from typing import Final, Protocol

import msgspec

from rigctl.control.readings import Fault

_LOG = logging.getLogger(__name__)
SAFE_WITHIN_S: Final = 2.0
"""For all drivers together."""
_AGAIN_FIRST_S: Final = 0.05
_AGAIN_MOST_S: Final = 5.0
"""A device that does not answer is tried again after the first, then less and less often. Soon, so that an answer or
two lost on a noisy line are no fault yet; not at once, so that one that comes late is not taken for the next."""


class Sample(msgspec.Struct, frozen=True, gc=False):
    """What came over the wire for one point, before any scaling."""

    raw: float
    taken_at_s: float
    """Monotonic clock, s, when it was taken."""
    fault: Fault | None = None


class DriverError(Exception):
    """The device cannot be reached or does not answer properly; the message is one sentence."""


class WiringError(ValueError):
    """The configuration of a driver or a point cannot be used; one sentence: what, and what to write."""


class Wire(msgspec.Struct, frozen=True):
    """Where one point is, as far as its driver is concerned."""

    tag: str
    output: bool
    address: dict[str, object]
    """The keys of the point that only its driver understands."""


class Driver(Protocol):
    """One device, or one bus of them. Every call ends within the driver's own time limit."""

    def open(self) -> None:
        """Reach the device.

        Raises
        ------
        DriverError
            If it cannot be reached.
        """

    def read(self) -> Mapping[str, Sample]:
        """Take all inputs of this driver once; a point that the device itself calls bad comes with a fault.

        Raises
        ------
        DriverError
            If the device does not answer.
        """

    def write(self, raw: Mapping[str, float]) -> Mapping[str, float]:
        """Set all outputs of this driver and return what the hardware reads back of them, empty where it cannot.

        Raises
        ------
        DriverError
            If the device does not take it.
        """

    def close(self) -> None:
        """Let go of the device; never raises, may be called at any time."""


class Worker:
    """Runs a driver in a thread of its own.

    Parameters
    ----------
    name
        Of the driver, as the configuration calls it.
    driver
        Opened, used and closed in this thread alone.
    period_s
        Between two exchanges; a new command is written at once.
    clock
        Monotonic, s.
    """

    def __init__(self, name: str, driver: Driver, period_s: float, clock: Callable[[], float] = time.monotonic) -> None:
        self.name = name
        self.samples: Mapping[str, Sample] = {}
        """The newest of every input, replaced as a whole."""
        self.readback: Mapping[str, float] = {}
        self.readback_at_s = float("-inf")
        self.trouble = ""
        """Why the device does not answer now; empty while it does."""
        self.answered_at_s = float("-inf")
        """When the device last answered."""
        self.exchanges = self.failures = 0
        self._driver, self._period_s, self._clock = driver, period_s, clock
        self._command: Mapping[str, float] | None = None
        self._is_open, self._again_s = False, _AGAIN_FIRST_S
        self._wake, self._ending = threading.Event(), False
        self._thread = threading.Thread(target=self._run, name=f"driver {name}", daemon=True)

    def start(self) -> None:
        """Begin; returns at once, whether the device answers or not."""
        self._thread.start()

    def command(self, raw: Mapping[str, float]) -> None:
        """Hand over what is to be written; only the newest counts."""
        self._command = raw
        self._wake.set()

    def stop(self, within_s: float = SAFE_WITHIN_S) -> bool:
        """Write the newest command once more, close the device and end; whether that was done in time."""
        self._ending = True
        self._wake.set()
        if self._thread.is_alive():
            self._thread.join(within_s)
        return not self._thread.is_alive()

    def turn(self) -> float:
        """Open the device if need be and exchange once; how long to wait until the next turn, s. Never raises."""
        try:
            if not self._is_open:
                self._driver.open()
                self._is_open = True
            begun_s = self._clock()
            self._exchange()
            self._again_s = _AGAIN_FIRST_S
            return self._period_s - (self._clock() - begun_s)
        except Exception as error:  # a driver that errs must not take its thread along
            self._complain(error)
            self._driver.close()
            self._is_open = False
            wait_s, self._again_s = self._again_s, min(2.0 * self._again_s, _AGAIN_MOST_S)
            return wait_s

    def _run(self) -> None:
        while True:
            ending = self._ending
            self._wake.clear()
            wait_s = self.turn()
            if ending:
                break
            if wait_s > 0.0 and (self._is_open or not self._ending):
                self._pause(wait_s)
        self._driver.close()

    def _pause(self, wait_s: float) -> None:
        """Wait; a command wakes a device that answers, only the end wakes one that does not."""
        until_s = self._clock() + wait_s
        while not self._ending and (left_s := until_s - self._clock()) > 0.0:
            if self._wake.wait(left_s):
                if self._is_open:
                    return
                self._wake.clear()

    def _exchange(self) -> None:
        command = self._command
        if command is not None:
            self.readback = self._driver.write(command)
            self.readback_at_s = self._clock()
        self.samples = self._driver.read()
        self.answered_at_s = self._clock()
        self.exchanges += 1
        if self.trouble:
            _LOG.info("driver %s answers again", self.name)
            self.trouble = ""

    def _complain(self, error: Exception) -> None:
        self.failures += 1
        if not isinstance(error, DriverError | OSError):
            _LOG.exception("driver %s", self.name, exc_info=error)
        text = str(error) or type(error).__name__
        if text != self.trouble:
            _LOG.warning("driver %s: %s", self.name, text)
            self.trouble = text


def stop_all(workers: Mapping[str, Worker], safe: Mapping[str, Mapping[str, float]]) -> bool:
    """Write what is safe to every driver and let go of it; whether all took it within `SAFE_WITHIN_S` together."""
    for name, raw in safe.items():
        workers[name].command(raw)  # to all at once, before any is waited for; a worker that ends writes it last
    until_s = time.monotonic() + SAFE_WITHIN_S
    done = True
    for worker in workers.values():
        done = worker.stop(within_s=max(until_s - time.monotonic(), 0.01)) and done
    return done
