"""The simulated module of inputs and outputs, with its dead-man relay: what stands in its registers and bits.

No network is in here; the faces that put it on a wire share it between threads.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Mapping, Sequence
from typing import Final

from rigctl.control.points import OUTPUT_TAGS, SAFE, Outputs
from rigctl.hardware.wiring import HEARTBEAT, INPUTS

_CONTACT_FIELDS: Final = ("_ok", "_flow")
CONTACTS: Final = tuple(tag for tag, (field, _, _) in INPUTS.items() if field.endswith(_CONTACT_FIELDS))
"""The discrete inputs, in their order from 0."""
LOOPS: Final = tuple(tag for tag in INPUTS if tag not in CONTACTS and tag != "WT-301")
"""The input registers, in their order from 0: uint16, the loop's current in uA; 0 where there is no loop."""
COILS: Final = (*OUTPUT_TAGS, HEARTBEAT)
"""The coils, in their order from 0."""
THROTTLE_FULL: Final = 10_000
"""Holding register 0 with CV-103 fully open."""
_HEARTBEAT: Final = 1 << COILS.index(HEARTBEAT)
_MOST: Final = 65_535


class IoModule:
    """One module: registers and bits, and outputs that drop when the heartbeat stands still.

    A command that stood when the outputs dropped is forgotten; one that comes after that acts as soon as the heartbeat
    changes again. At power-on nothing is energised before the heartbeat has changed for the first time.

    Parameters
    ----------
    dead_man_s
        How long the heartbeat may stand still, s of `clock`.
    clock
        Monotonic, s.
    """

    def __init__(self, dead_man_s: float = 1.0, clock: Callable[[], float] = time.monotonic) -> None:
        if not dead_man_s > 0.0:
            raise ValueError(f"The dead-man time is {dead_man_s} s; give more than 0.")
        self.drops = 0
        """How often the dead-man relay has dropped outputs."""
        self._dead_man_s, self._clock = dead_man_s, clock
        self._lock = threading.Lock()
        self._loops_ua = [0] * len(LOOPS)
        self._contacts = 0
        self._coils = 0
        self._throttle = 0
        self._beat = 0
        self._beat_at_s = float("-inf")
        self._alive = False
        self._stuck_on = self._stuck_off = 0

    # ------------------------------------------------------------------ the plant's side

    def put(self, wire: Mapping[str, float]) -> None:
        """Lay raw values on the terminals: mA and contacts by tag; what is not named carries nothing."""
        loops_ua = [min(max(round(1000.0 * wire.get(tag, 0.0)), 0), _MOST) for tag in LOOPS]
        contacts = sum(1 << n for n, tag in enumerate(CONTACTS) if wire.get(tag, 0.0) > 0.5)
        with self._lock:
            self._loops_ua, self._contacts = loops_ua, contacts

    def outputs(self) -> Outputs:
        """What the output terminals carry now."""
        with self._lock:
            if not self._lives():
                return SAFE
            return Outputs(self._coils & ~_HEARTBEAT, self._throttle / THROTTLE_FULL)

    def contactors(self, commanded: int, read_back: int) -> None:
        """Say what the contactors did with a command, a bit an output: coils are read back accordingly."""
        with self._lock:
            self._stuck_on, self._stuck_off = read_back & ~commanded, commanded & ~read_back

    # ------------------------------------------------------------------ the wire's side

    def loops_ua(self) -> list[int]:
        """All input registers."""
        with self._lock:
            return list(self._loops_ua)

    def contacts(self) -> int:
        """All discrete inputs, a bit each."""
        with self._lock:
            return self._contacts

    def coils(self) -> int:
        """All coils as they are read back, a bit each; none while the dead-man relay is open."""
        with self._lock:
            coils = self._coils if self._lives() else 0
            return coils & ~self._stuck_off | self._stuck_on

    def throttle(self) -> int:
        """Holding register 0 as it is read back."""
        with self._lock:
            return self._throttle if self._lives() else 0

    def write_coils(self, first: int, values: Sequence[bool]) -> bool:
        """Set neighbouring coils; False if there are no such ones, and then none is set."""
        if first < 0 or first + len(values) > len(COILS):
            return False
        with self._lock:
            self._lives()
            mask = ((1 << len(values)) - 1) << first
            wanted = sum(1 << n for n, value in enumerate(values, first) if value)
            self._coils = self._coils & ~mask | wanted
            if mask & _HEARTBEAT and wanted & _HEARTBEAT != self._beat:
                self._beat, self._beat_at_s, self._alive = wanted & _HEARTBEAT, self._clock(), True
        return True

    def write_throttle(self, value: int) -> bool:
        """Set holding register 0; False for more than `THROTTLE_FULL`, and then it stays as it is."""
        if not 0 <= value <= THROTTLE_FULL:
            return False
        with self._lock:
            self._lives()
            self._throttle = value
        return True

    def _lives(self) -> bool:
        """Whether the dead-man relay is closed; opens it when its time is up."""
        if self._alive and self._clock() - self._beat_at_s >= self._dead_man_s:
            self._alive = False
            self._coils = self._throttle = 0
            self.drops += 1
        return self._alive
