"""Faults to inject: eight kinds for instruments and outputs, and what goes wrong in the plant itself.

The eight kinds carry the names of PX4's failure injection (docs/en/debug/failure_injection.md). A pair of
place and kind that can't be simulated is refused, never silently ignored.
"""

from __future__ import annotations

import enum
from collections import deque
from dataclasses import dataclass
from math import exp, inf, isfinite, nan

import numpy as np

from hil_sim.instruments.sensors import Instrument


class FaultKind(enum.Enum):
    """What can be wrong with one instrument, contact or output."""

    OK = "ok"
    """Mended."""
    OFF = "off"
    """Dead: no loop current, no answer, open contact, output that never energises."""
    STUCK = "stuck"
    """Stays where it is, or at `value` where one is given (valve stuck open: 1, shut: 0)."""
    GARBAGE = "garbage"
    """Nonsense, new in every scan."""
    WRONG = "wrong"
    """Plausible and false: off by `value` (in the unit of the instrument); contacts say the opposite."""
    SLOW = "slow"
    """Follows with a time constant (valves: stroke time) of `value` seconds."""
    DELAYED = "delayed"
    """Right, but `value` seconds late."""
    INTERMITTENT = "intermittent"
    """Comes and goes: dead for a share `value` of the time."""


class PlantFault(enum.Enum):
    """What can go wrong in the plant, on the platform or with the supply."""

    CYLINDER_VALVE_SHUT = "cylinder valve shut"
    PORT_SHUT = "port shut"
    """Both service ports of the appliance are shut."""
    LEAK = "leak"
    """A leak from the cylinder connection; `value` is the hole's area in m2."""
    APPLIANCE_LEAK = "appliance leak"
    """A hole in the appliance of `value` m2: loses refrigerant above the atmosphere, takes in air below it."""
    CONDENSER_BLOCKED = "condenser blocked"
    """The share `value` of the rig condenser's air flow is kept away, 0 to 1."""
    AIR_IN_CYLINDER = "air in cylinder"
    """Air in the cylinder; `value` in mol."""
    ICED_INLET = "iced inlet"
    """The inlet is all but closed by ice; `value` is what is left of its opening, 0 to 1."""
    WATER_STOPPED = "water stopped"
    SCALE_KNOCKED = "scale knocked"
    """Swing of `value` kg that rings down."""
    SCALE_MOVED = "scale moved"
    """A hose or a bucket bears on the platform with `value` kg from now on."""
    SCALE_REMOVED = "scale removed"
    POWER_CUT = "power cut"
    """Supply gone from `at_s` to `until_s`."""


class Place(enum.Enum):
    """What sort of thing a tag names."""

    LOOP = "4-20 mA instrument"
    SCALE = "scale"
    CONTACT = "contact"
    VALVE = "on/off valve"
    THROTTLE = "throttle"
    MOTOR = "motor or heater"
    PLANT = "plant"


_K = FaultKind
SUPPORTED: dict[Place, frozenset[FaultKind]] = {
    Place.LOOP: frozenset(_K),
    Place.SCALE: frozenset(_K),
    Place.CONTACT: frozenset(_K) - {_K.SLOW},
    Place.VALVE: frozenset({_K.OK, _K.OFF, _K.STUCK, _K.SLOW, _K.DELAYED, _K.INTERMITTENT}),
    Place.THROTTLE: frozenset({_K.OK, _K.OFF, _K.STUCK, _K.WRONG, _K.SLOW, _K.DELAYED}),
    Place.MOTOR: frozenset({_K.OK, _K.OFF, _K.STUCK, _K.DELAYED, _K.INTERMITTENT}),
    Place.PLANT: frozenset(),
}
"""Which kinds each sort of place can have."""

_CONTACTS = frozenset({"FS-001", "LSH-301", "PSH-201", "HS-001", "M-101.ok"})
_DEFAULT_SLOW_S = 20.0
_DEFAULT_DELAY_S = 5.0
_DEFAULT_DEAD_SHARE = 0.3
_INTERMITTENT_S = 2.0


class UnsupportedFaultError(ValueError):
    """Such a fault can't be simulated at this place; the message is one sentence."""


def place_of(tag: str) -> Place:
    """What sort of thing a tag names.

    Raises
    ------
    UnsupportedFaultError
        If no instrument, contact or output has this tag.
    """
    if tag == "plant":
        return Place.PLANT
    if tag == "WT-301":
        return Place.SCALE
    if tag == "CV-103":
        return Place.THROTTLE
    if tag in _CONTACTS:
        return Place.CONTACT
    if tag in {"PT-101", "PT-102", "PT-201", "PT-301", "PT-001", "AT-001"}:
        return Place.LOOP
    if tag in {"TT-101", "TT-201", "TT-301", "TT-001"}:
        return Place.LOOP
    if tag in {"XV-101", "XV-102", "XV-201", "XV-202", "XV-203", "XV-204", "XV-301", "XV-104", "XV-105", "XV-106"}:
        return Place.VALVE
    if tag in {"M-101", "M-201", "M-202", "M-001", "EH-001"}:
        return Place.MOTOR
    raise UnsupportedFaultError(f"{tag}: no instrument, contact or output has this tag; use one of the rig's.")


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault at one place for a time.

    Raises
    ------
    UnsupportedFaultError
        If the place can't have this fault, or a figure makes no sense.
    """

    tag: str
    """The rig's tag, or "plant" with a `PlantFault`."""
    kind: FaultKind | PlantFault
    at_s: float = 0.0
    until_s: float = inf
    value: float = nan
    """What the kind says it is; NaN takes the default of the kind."""

    def __post_init__(self) -> None:
        place = place_of(self.tag)
        if isinstance(self.kind, PlantFault):
            if place is not Place.PLANT:
                raise UnsupportedFaultError(
                    f"{self.tag} can't have the fault '{self.kind.value}'; give it the tag 'plant'."
                )
        elif self.kind not in SUPPORTED[place]:
            can = ", ".join(sorted(kind.value for kind in SUPPORTED[place])) or "plant faults only"
            raise UnsupportedFaultError(
                f"{self.tag} ({place.value}) can't have the fault '{self.kind.value}'; it can have: {can}."
            )
        if not isfinite(self.at_s) or not self.until_s > self.at_s:
            raise UnsupportedFaultError(f"{self.tag}: a fault must begin, and end after that.")
        if self.kind is _K.WRONG and place is not Place.CONTACT and not isfinite(self.value):
            raise UnsupportedFaultError(f"{self.tag}: 'wrong' needs by how much; give a value.")
        if self.kind in {_K.SLOW, _K.DELAYED} and not (self.value != self.value or 0.0 < self.value < inf):
            raise UnsupportedFaultError(f"{self.tag}: '{self.kind.value}' needs a positive time in seconds.")
        if self.kind is _K.INTERMITTENT and not (self.value != self.value or 0.0 < self.value < 1.0):
            raise UnsupportedFaultError(f"{self.tag}: 'intermittent' needs a share between 0 and 1.")

    def or_default(self, default: float) -> float:
        """`value`, or `default` where none was given."""
        return default if self.value != self.value else self.value


def _seed(seed: int, tag: str) -> int:
    # Not hash(): that differs from run to run.
    return seed * 1_000_003 + int.from_bytes(tag.encode(), "big") % 1_000_000_007


class _Comings:
    """On and off at random: dead for a share of the time, in spells of a few seconds."""

    def __init__(self, dead_share: float, random: np.random.Generator) -> None:
        self._dead_share = dead_share
        self._random = random
        self._until_s = -inf
        self.dead = False

    def at(self, now_s: float) -> bool:
        """Whether it is dead now."""
        while now_s >= self._until_s:
            began_s = now_s if self._until_s == -inf else self._until_s
            self.dead = bool(self._random.random() < self._dead_share)
            self._until_s = began_s + _INTERMITTENT_S * (0.25 + 1.5 * float(self._random.random()))
        return self.dead


class _Late:
    """Passes on what it was told some time ago; before that time is up, the first."""

    def __init__(self, delay_s: float) -> None:
        self._delay_s = delay_s
        self._waiting: deque[tuple[float, float]] = deque()
        self._passed: float | None = None

    def at(self, now_s: float, told: float) -> float:
        """What was told `delay_s` ago."""
        if self._passed is None:
            self._passed = told
        self._waiting.append((now_s + self._delay_s, told))
        # A nanosecond of grace: sums of scan periods don't come out even.
        while self._waiting and self._waiting[0][0] <= now_s + 1e-9:
            self._passed = self._waiting.popleft()[1]
        return self._passed


class WireFault:
    """One fault on the wire of one instrument or contact; made anew when the fault begins.

    Parameters
    ----------
    fault
        Which; its tag must be that of the instrument or contact.
    instrument
        The instrument, or None for a contact.
    seed
        For garbage and intermittence.
    """

    def __init__(self, fault: Fault, instrument: Instrument | None, seed: int) -> None:
        self.fault = fault
        self._instrument = instrument
        self._random = np.random.Generator(np.random.PCG64(_seed(seed, fault.tag)))
        self._held = nan
        self._held_at_s = nan
        self._comings = _Comings(fault.or_default(_DEFAULT_DEAD_SHARE), self._random)
        self._late = _Late(fault.or_default(_DEFAULT_DELAY_S))
        self._dead = 0.0 if instrument is None or instrument.loop else nan

    def apply(self, now_s: float, raw: float) -> float:
        """What stands on the wire instead of `raw`."""
        kind, instrument = self.fault.kind, self._instrument
        if kind is _K.OFF:
            return self._dead
        if kind is _K.STUCK:
            if self._held != self._held:
                given, self._held = self.fault.value, raw
                if given == given:
                    self._held = given if instrument is None else instrument.raw(given)
            return self._held
        if kind is _K.GARBAGE:
            drawn = float(self._random.random())
            if instrument is None:
                return float(drawn < 0.5)
            if instrument.loop:
                return 22.0 * drawn
            return instrument.low + (instrument.high - instrument.low) * drawn
        if kind is _K.WRONG:
            if instrument is None:
                return 1.0 - raw
            return instrument.raw(instrument.value(raw) + self.fault.value)
        if kind is _K.SLOW:
            if self._held != self._held:
                self._held = raw
            else:
                tau_s = self.fault.or_default(_DEFAULT_SLOW_S)
                self._held += (1.0 - exp(-(now_s - self._held_at_s) / tau_s)) * (raw - self._held)
            self._held_at_s = now_s
            return self._held
        if kind is _K.DELAYED:
            return self._late.at(now_s, raw)
        if kind is _K.INTERMITTENT:
            return self._dead if self._comings.at(now_s) else raw
        return raw


class ActuatorFault:
    """One fault between the command to one output and what the plant gets.

    Commands and results are 0 to 1: opening of a valve, running of a motor.
    """

    def __init__(self, fault: Fault, seed: int) -> None:
        self.fault = fault
        self._random = np.random.Generator(np.random.PCG64(_seed(seed, fault.tag)))
        self._held = nan
        self._held_at_s = nan
        self._comings = _Comings(fault.or_default(_DEFAULT_DEAD_SHARE), self._random)
        self._late = _Late(fault.or_default(_DEFAULT_DELAY_S))

    def apply(self, now_s: float, command: float, position: float) -> float:
        """What the plant gets instead of `command`; `position` is where the actuator stands now."""
        kind = self.fault.kind
        if kind is _K.OFF:
            return 0.0
        if kind is _K.STUCK:
            if self._held != self._held:
                self._held = self.fault.or_default(position)
            return self._held
        if kind is _K.WRONG:
            return min(max(command + self.fault.value, 0.0), 1.0)
        if kind is _K.SLOW:
            if self._held != self._held:
                self._held = position
            else:
                stroke = (now_s - self._held_at_s) / self.fault.or_default(_DEFAULT_SLOW_S)
                self._held += min(max(command - self._held, -stroke), stroke)
            self._held_at_s = now_s
            return self._held
        if kind is _K.DELAYED:
            return self._late.at(now_s, command)
        if kind is _K.INTERMITTENT:
            return 0.0 if self._comings.at(now_s) else command
        return command
