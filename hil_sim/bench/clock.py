"""Virtual time: scans counted, nothing measured."""

from __future__ import annotations


class Clock:
    """Simulated time of one bench.

    Parameters
    ----------
    scan_period_s
        Time between two scans, s.
    """

    def __init__(self, scan_period_s: float) -> None:
        self.scan_period_s = scan_period_s
        self.scans = 0
        """Scan periods that have passed."""

    @property
    def now_s(self) -> float:
        """Simulated time since the start, s."""
        # A product, not a sum: no rounding error builds up.
        return self.scans * self.scan_period_s

    def tick(self) -> None:
        """Let one scan period pass."""
        self.scans += 1
