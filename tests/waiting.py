"""Waiting for what other threads and programs do: long enough for any machine, and over as soon as it is so."""

from __future__ import annotations

import time
from collections.abc import Callable

PATIENCE_S = 60.0
"""A wait that lasts so long has failed; no machine is so busy."""
PROGRAM_S = 20.0 * PATIENCE_S
"""So long may a program take, which may have to compile the plant first."""


def until(holds: Callable[[], object], within_s: float = PATIENCE_S, every_s: float = 0.01) -> bool:
    """Wait until something holds; whether it did."""
    end_s = time.monotonic() + within_s
    while not holds():
        if time.monotonic() > end_s:
            return bool(holds())
        time.sleep(every_s)
    return True
