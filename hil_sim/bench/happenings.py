"""What happens in a run, as data: events of the rig, deeds of the technician, faults that begin and end."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from hil_sim.bench.clock import Clock


@dataclass(frozen=True, slots=True)
class Happening:
    """Something that happened: who or what, when, of which kind, and in words."""

    at_s: float
    source: str
    """rig, technician or fault."""
    kind: str
    """Of an event of the rig: alarm, phase, trip and so on. Of a fault: its kind. Of the technician: the request behind
    the button, or the deed."""
    tag: str
    """Of the event or fault: an instrument, an output, a phase, a request's id; "" where there is none."""
    words: str
    """The event's own text."""

    @property
    def text(self) -> str:
        """One line for the screen."""
        return f"{self.tag}: {self.words}" if self.tag else self.words


class Happenings:
    """All that happened so far, told to one listener as it happens.

    Parameters
    ----------
    clock
        Of the bench.
    listen
        Called with every happening; None for nobody.
    """

    def __init__(self, clock: Clock, listen: Callable[[Happening], None] | None = None) -> None:
        self.told: list[Happening] = []
        self._clock, self._listen = clock, listen

    def tell(self, source: str, kind: str, tag: str, words: str) -> None:
        """Note that something happens now."""
        happening = Happening(self._clock.now_s, source, kind, tag, words)
        self.told.append(happening)
        if self._listen is not None:
            self._listen(happening)
