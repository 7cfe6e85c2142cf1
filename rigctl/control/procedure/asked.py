"""What the requests of a scan come to."""

from __future__ import annotations

from rigctl.control.settings import Cylinder


class Asked:
    """What the requests of a scan come to."""

    __slots__ = ("abort", "acknowledge", "cylinder", "hold", "refusals", "reset", "restart", "start", "stop")

    def __init__(self) -> None:
        self.abort = self.acknowledge = self.hold = self.reset = self.restart = self.start = self.stop = False
        self.cylinder: Cylinder | None = None
        self.refusals: list[str] = []
        """Why each request of the scan is refused, "" for those taken."""


NOTHING_ASKED = Asked()
"""For the scans without a request, which is nearly all."""
