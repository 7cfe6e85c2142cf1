"""What one scan works on: all that is carried, open to change, and what this scan knows."""

from __future__ import annotations

from operator import attrgetter

from rigctl.control.procedure.asked import Asked
from rigctl.control.protect.alarms import Memory
from rigctl.control.protect.engine import Permits
from rigctl.control.protect.situation import Situation
from rigctl.control.sense.memory import Memory as Senses
from rigctl.control.state import Event, State
from rigctl.control.vocabulary import Step

_carried = attrgetter(*State.__struct_fields__)
"""All fields of the state, in their order, as a tuple: nobody has to keep a list in step."""


class Work:
    """One scan's work. Lives for one scan.

    It has every field of `State` under the same name; each begins as the scan before left it, and what it holds at
    the end is carried on. Memories of rooms are copies.
    """

    __slots__ = (
        *State.__struct_fields__,
        "asked",
        "before",
        "events",
        "figures",
        "in_phase_s",
        "in_step_s",
        "now_s",
        "permits",
        "prepared",
        "s",
        "settings",
        "x",
    )

    def __init__(
        self,
        before: State,
        memory: Senses,
        locks: Memory,
        permits: Permits,
        x: Situation,
        asked: Asked,
    ) -> None:
        now_s = x.s.now_s
        self.now_s, self.x, self.s, self.settings = now_s, x, x.s, x.settings
        self.prepared, self.figures = x.prepared, x.prepared.figures.procedure
        self.before, self.permits, self.asked = before, permits, asked
        self.events: list[Event] = []
        self.estimate, self.interlocks = memory, locks
        self.scan, self.at_s = before.scan + 1, now_s
        # An instant that is not known yet, at the start and after a power loss, is now.
        self.entered_s = before.entered_s if before.entered_s == before.entered_s else now_s
        self.step_s = before.step_s if before.step_s == before.step_s else now_s
        self.in_phase_s, self.in_step_s = now_s - self.entered_s, now_s - self.step_s
        self.phase, self.step, self.resume_to = before.phase, before.step, before.resume_to
        self.ask, self.sentence = before.ask, before.sentence
        self.drive, self.lines, self.on_scale = (
            before.drive.__copy__(),
            before.lines.__copy__(),
            before.on_scale.__copy__(),
        )
        self.appliance, self.pull, self.standing = (
            before.appliance.__copy__(),
            before.pull.__copy__(),
            before.standing.__copy__(),
        )

    def carried(self) -> State:
        """Return what is carried on to the next scan."""
        return State(*_carried(self))

    def begin(self, step: Step) -> None:
        """Go on to another step inside the phase."""
        self.step, self.step_s, self.in_step_s = step, self.now_s, 0.0

    def tell(self, kind: str, tag: str, text: str) -> None:
        """Note something that a person may want to read later."""
        self.events.append(Event(kind, tag, text))

    def recovered_kg(self) -> float:
        """All that came out so far, over all cylinders, kg."""
        earlier_kg = 0.0
        for fill in self.on_scale.earlier:
            earlier_kg += fill.net_kg
        return earlier_kg + self.s.net_kg
