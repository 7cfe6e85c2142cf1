"""The simulated scale on a pseudo-terminal: frames ten times a second, or one for every request."""

from __future__ import annotations

import contextlib
import select
import threading
import time
from math import nan
from pathlib import Path
from typing import Final, Literal

from hil_sim.wire.pty_line import Line

PERIOD_S: Final = 0.1
REQUEST: Final = b"W\r"
PATTERN: Final = r"(?:ST|US),GS,(?P<sign>[+-]) *(?P<value>\d+\.\d{3})(?P<unit>kg)"
"""What a driver is told that a frame looks like."""
_MOTION_KG: Final = 0.02
"""From frame to frame; more counts as motion."""

Mode = Literal["continuous", "polled"]


def frame(weight_kg: float, steady: bool = True) -> bytes:
    """One frame, like "ST,GS,+  12.345kg"; US instead of ST while the weight moves."""
    sign = "-" if weight_kg < 0.0 else "+"
    return f"{'ST' if steady else 'US'},GS,{sign}{abs(weight_kg):8.3f}kg\r\n".encode("ascii")


class ScaleFace:
    """Sends the newest weight; a scale without one (NaN) is silent.

    Parameters
    ----------
    mode
        How it speaks.
    period_s
        Between two frames of a continuous one.
    link
        As in `Line`.
    """

    def __init__(self, mode: Mode = "continuous", period_s: float = PERIOD_S, link: Path | None = None) -> None:
        self.mode = mode
        self._period_s = period_s
        self.weight_kg = nan
        """Replaced by whoever runs the plant."""
        self._line = Line(link)
        self.name = self._line.name
        self._before_kg = nan
        self._ending = threading.Event()
        self._thread = threading.Thread(
            target=self._sends if mode == "continuous" else self._answers, name="scale", daemon=True
        )
        self._thread.start()

    def close(self) -> None:
        """Fall silent and end the line."""
        if not self._ending.is_set():
            self._ending.set()
            self._thread.join(2.0)
            self._line.close()

    def _say(self) -> None:
        weight_kg = self.weight_kg
        if weight_kg == weight_kg:
            self._line.send(frame(weight_kg, not abs(weight_kg - self._before_kg) > _MOTION_KG))
        self._before_kg = weight_kg

    def _sends(self) -> None:
        due_s = time.monotonic()
        while not self._ending.wait(max(due_s - time.monotonic(), 0.0)):
            self._say()
            due_s = max(due_s + self._period_s, time.monotonic())

    def _answers(self) -> None:
        asked = bytearray()
        while not self._ending.is_set():
            with contextlib.suppress(OSError):
                if select.select([self._line.far], [], [], 0.1)[0]:
                    asked += self._line.receive()
            while (end := asked.find(b"\r")) >= 0:
                if asked[: end + 1] == REQUEST:
                    self._say()
                del asked[: end + 1]
            del asked[:-64]
