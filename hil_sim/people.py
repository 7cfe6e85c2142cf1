"""A simulated technician: reads what the rig shows, and after a human delay does what it asks.

Sees the scan record and nothing else: no truth of the plant. What the hands do is handed back as acts;
whoever runs the simulation carries them out.
"""

from __future__ import annotations

import enum
from collections.abc import Sequence
from dataclasses import dataclass
from math import inf, isfinite

import numpy as np

from rigctl.control.readings import Request, RequestKind, Source
from rigctl.control.settings import Cylinder
from rigctl.control.vocabulary import AlarmState, Ask, Phase
from rigctl.scan import ScanRecord


class Deed(enum.Enum):
    """What hands can do at the rig and the appliance."""

    PRESS = "press a button"
    CHANGE_CYLINDER = "change the cylinder"
    OPEN_CYLINDER_VALVE = "open the cylinder valve"
    OPEN_PORTS = "open the service ports and clear the inlet"
    HOSE_TO_LIQUID = "put the hose on the liquid port"
    HOSE_TO_VAPOR = "put the hose on the vapor port"
    ICE_CYLINDER = "put ice round the cylinder"
    START_WATER = "start the water"
    CLEAR_SCALE = "clear the scale"
    MEND_INSTRUMENTS = "mend the instruments"
    MEND_RIG = "mend valves and motors"
    STOP_LEAK = "tighten the leak"
    WARM_APPLIANCE = "warm the appliance"
    WAIT = "wait"


@dataclass(frozen=True, slots=True)
class Act:
    """One thing the technician does, and how the screen tells it."""

    deed: Deed
    text: str
    request: Request | None = None
    """With `PRESS`."""
    cylinder: Cylinder | None = None
    """With `CHANGE_CYLINDER`: the one put on."""


_DEEDS: dict[Ask, tuple[Deed, ...]] = {
    Ask.NOTHING: (),
    Ask.CHANGE_CYLINDER: (),
    Ask.CHECK_CYLINDER: (Deed.OPEN_CYLINDER_VALVE,),
    Ask.COOL_CYLINDER: (Deed.ICE_CYLINDER,),
    Ask.CHECK_SCALE: (Deed.CLEAR_SCALE,),
    Ask.CHECK_APPLIANCE: (Deed.OPEN_PORTS,),
    Ask.CHECK_REFRIGERANT: (),
    Ask.HOSE_TO_LIQUID: (Deed.HOSE_TO_LIQUID,),
    Ask.HOSE_TO_VAPOR: (Deed.HOSE_TO_VAPOR,),
    Ask.START_WATER: (Deed.START_WATER,),
    Ask.CHECK_INSTRUMENT: (Deed.MEND_INSTRUMENTS,),
    Ask.CHECK_RIG: (Deed.MEND_RIG, Deed.OPEN_CYLINDER_VALVE),
    Ask.FIND_LEAK: (Deed.STOP_LEAK,),
    Ask.WARM_APPLIANCE: (Deed.WARM_APPLIANCE,),
    Ask.CHECK_CHARGE: (Deed.OPEN_PORTS, Deed.OPEN_CYLINDER_VALVE),
    Ask.CONFIRM: (),
}
_TOLD: dict[Deed, str] = {
    Deed.OPEN_CYLINDER_VALVE: "opened the cylinder valve",
    Deed.OPEN_PORTS: "opened the service ports and cleared the inlet",
    Deed.HOSE_TO_LIQUID: "put the hose on the liquid port",
    Deed.HOSE_TO_VAPOR: "put the hose on the vapor port",
    Deed.ICE_CYLINDER: "put ice round the cylinder",
    Deed.START_WATER: "started the water",
    Deed.CLEAR_SCALE: "cleared the scale",
    Deed.MEND_INSTRUMENTS: "mended the instruments",
    Deed.MEND_RIG: "mended valves and motors",
    Deed.STOP_LEAK: "tightened the leak",
    Deed.WARM_APPLIANCE: "warmed the appliance",
}
# How much longer than a button these take; engineering estimate, no source.
_TIMES_LONGER: dict[Ask, float] = {
    Ask.CHANGE_CYLINDER: 6.0,
    Ask.COOL_CYLINDER: 8.0,
    Ask.WARM_APPLIANCE: 8.0,
    Ask.CHECK_INSTRUMENT: 8.0,
    Ask.CHECK_RIG: 8.0,
    Ask.FIND_LEAK: 6.0,
    Ask.START_WATER: 3.0,
}
_ENDED = frozenset({Phase.COMPLETE, Phase.STOPPED})
_WORTH_GOING_ON_KG = 0.2


class Operator:
    """The technician.

    Parameters
    ----------
    seed
        For the delays.
    spares
        Cylinders at hand, in the order in which they are put on.
    quickest_s, slowest_s
        A person's delay for a simple thing, drawn evenly between the two; heavier work takes a few times
        that.
    tries
        How often the same thing is tried without at least 0.2 kg of progress before giving up.
    handy
        False for one who only presses buttons: whatever is broken stays broken.

    Raises
    ------
    ValueError
        If the delays or the tries make no sense.
    """

    def __init__(
        self,
        seed: int,
        spares: Sequence[Cylinder] = (),
        *,
        quickest_s: float = 5.0,
        slowest_s: float = 40.0,
        tries: int = 4,
        handy: bool = True,
        label: str = "",
    ) -> None:
        if not (0.0 <= quickest_s <= slowest_s and isfinite(slowest_s)):
            raise ValueError(f"The delay runs from {quickest_s} to {slowest_s} s; give 0 or more, shortest first.")
        if tries < 1:
            raise ValueError(f"The technician tries {tries} times; give 1 or more.")
        self.spares = list(spares)
        self.done = False
        """Nothing more to do: the job has ended, or was given up."""
        self.gave_up = False
        self._random = np.random.Generator(np.random.PCG64(seed))
        self._quickest_s, self._slowest_s = quickest_s, slowest_s
        self._tries, self._handy = tries, handy
        self._label = label
        self._before: tuple[Phase, Ask] | None = None
        self._put_on: Cylinder | None = None
        """The cylinder put on in this stay in HELD: if the rig is not content at once, it is not changed again."""
        self._due_s = inf
        self._acknowledge_s = inf
        self._tried: dict[Ask, tuple[int, float]] = {}
        self._requests = 0

    def look(self, record: ScanRecord) -> tuple[Act, ...]:
        """What is done in this scan; nearly always nothing."""
        now_s = record.readings.now_s
        acts: tuple[Act, ...] = ()
        if self._put_on is not None and any(not reply.accepted for reply in record.replies):
            # The rig does not take this cylinder and says why: the next one is put on, if there is one.
            self._put_on = None if self.spares else self._put_on
        if record.alarms:
            acts = self._heed_alarms(record, now_s)
        elif self._acknowledge_s != inf:
            self._acknowledge_s = inf
        before = self._before
        if before is None or record.phase is not before[0] or record.ask is not before[1]:
            self._before = record.phase, record.ask
            self._put_on = None
            self._due_s = self._when(record, now_s)
        if now_s >= self._due_s:
            acts += self._act(record)
            # If the rig did not follow, the same is tried again later.
            self._due_s = inf if self.done else now_s + self._delay_s(record.ask) + self._slowest_s
        return acts

    def come_back(self) -> None:
        """Look afresh: after a power cut nothing seen before counts."""
        self._before, self._due_s, self._acknowledge_s = None, inf, inf

    def _delay_s(self, ask: Ask) -> float:
        drawn = self._quickest_s + (self._slowest_s - self._quickest_s) * float(self._random.random())
        return drawn * _TIMES_LONGER.get(ask, 1.0)

    def _when(self, record: ScanRecord, now_s: float) -> float:
        phase = record.phase
        if phase in _ENDED:
            self.done = True
            return inf
        if self.gave_up:
            # Stopping a rig that stands in HELD or ABORTED needs nobody to wait for more.
            self.done = phase in {Phase.ABORTED, Phase.IDLE}
            return inf
        # While the rig is still holding or aborting it is not touched.
        if phase in {Phase.IDLE, Phase.HELD, Phase.ABORTED}:
            return now_s + self._delay_s(record.ask)
        return inf

    def _heed_alarms(self, record: ScanRecord, now_s: float) -> tuple[Act, ...]:
        unseen = any(alarm.state in {AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED} for alarm in record.alarms)
        if not unseen:
            self._acknowledge_s = inf
        elif self._acknowledge_s == inf:
            self._acknowledge_s = now_s + self._delay_s(Ask.NOTHING)
        elif now_s >= self._acknowledge_s:
            self._acknowledge_s = inf
            return (self._press(RequestKind.ACKNOWLEDGE, "acknowledged the alarms"),)
        return ()

    def _press(self, kind: RequestKind, text: str, cylinder: Cylinder | None = None) -> Act:
        self._requests += 1
        request = Request(kind, Source.LOCAL, f"hand-{self._requests}", cylinder)
        return Act(Deed.PRESS, f"Technician {text}.", request)

    def _act(self, record: ScanRecord) -> tuple[Act, ...]:
        phase, ask = record.phase, record.ask
        if phase is Phase.IDLE:
            if self._wears_out(Ask.NOTHING, record):
                return self._give_up("cannot get it started", phase)
            return (self._press(RequestKind.START, "pressed start"),)
        if self._wears_out(ask, record):
            return self._give_up(f"has tried '{ask.value}' {self._tries} times in vain", phase)
        if ask is Ask.CHECK_REFRIGERANT and self._label:
            return self._give_up(f"reads {self._label} on the appliance's label, never mixes,", phase)
        acts: list[Act] = []
        # A scale that still disagrees after a look: the rig offers another cylinder as the other way out.
        again = ask is Ask.CHECK_SCALE and self._tried[ask][0] > 1 and bool(self.spares)
        if again:
            return (self._press(RequestKind.RESTART, "asked for a cylinder change", self.spares[0]),)
        if ask is Ask.CHANGE_CYLINDER and self._put_on is None:
            if not self.spares:
                return self._give_up("has no empty cylinder left", phase)
            self._put_on = self.spares.pop(0)
            told = f"Technician put cylinder {self._put_on.serial} on the scale and opened its valve."
            acts.append(Act(Deed.CHANGE_CYLINDER, told, cylinder=self._put_on))
        if self._handy:
            acts += [Act(deed, f"Technician {_TOLD[deed]}.") for deed in _DEEDS[ask]]
        if phase is Phase.ABORTED:
            acts.append(self._press(RequestKind.RESET, "reset the trip"))
        else:
            acts.append(self._press(RequestKind.RESTART, "told the rig to go on", self._put_on))
        return tuple(acts)

    def _wears_out(self, ask: Ask, record: ScanRecord) -> bool:
        recovered_kg = record.estimate.recovered_kg
        times, at_kg = self._tried.get(ask, (0, recovered_kg))
        if recovered_kg > at_kg + _WORTH_GOING_ON_KG:
            times, at_kg = 0, recovered_kg
        self._tried[ask] = times + 1, at_kg
        return times >= self._tries

    def _give_up(self, why: str, phase: Phase) -> tuple[Act, ...]:
        self.gave_up = True
        if phase in {Phase.ABORTED, Phase.IDLE}:
            self.done = True
            return (Act(Deed.WAIT, f"Technician {why} and leaves the rig as it stands."),)
        return (self._press(RequestKind.STOP, f"{why} and stops the job"),)
