"""Valves and motors: what the plant gets of the controller's outputs, and what their contacts read back."""

from __future__ import annotations

from hil_sim.instruments.faults import ActuatorFault, Fault, FaultKind
from hil_sim.plant import layout as at
from hil_sim.plant.model import Plant
from rigctl.control.points import M_101, OUTPUT_TAGS, SAFE, Outputs
from rigctl.control.protect.gate import fitted_outputs
from rigctl.control.settings import Settings

_ACTUATORS = tuple(tag.lower().replace("-", "_") for tag in OUTPUT_TAGS)
_POSITION_OF = {
    "XV-101": at.Z_X101, "XV-102": at.Z_X102, "XV-201": at.Z_X201, "XV-202": at.Z_X202, "XV-203": at.Z_X203,
    "XV-204": at.Z_X204, "XV-301": at.Z_X301, "CV-103": at.Z_X103, "XV-104": at.Z_X104, "XV-105": at.Z_X105,
    "XV-106": at.Z_X106,
}  # fmt: skip


class FinalElements:
    """All valves and motors of one rig, their faults, and the emergency stop that cuts their supply.

    Parameters
    ----------
    settings
        Of the rig: what is fitted.
    plant
        Whose actuators are moved.
    seed
        Of faults that come and go.
    """

    def __init__(self, settings: Settings, plant: Plant, seed: int) -> None:
        fitted = settings.fitted
        self._plant, self._seed = plant, seed
        self._one_inlet = not (fitted.xv_101 and fitted.xv_102)
        self._fan_switched = fitted.m_201
        self._has_readback = fitted.readback
        bits = fitted_outputs(settings)
        self.tags = frozenset(tag for n, tag in enumerate(OUTPUT_TAGS) if bits >> n & 1) | (
            {"CV-103"} if fitted.cv_103 else set()
        )
        """Of the outputs that the rig has."""
        self.emergency_stop = False
        """HS-001 is pressed."""
        self._faults: dict[str, ActuatorFault] = {}
        self._driven: Outputs | None = None
        """What the plant was last driven with; None: it has to be driven anew."""
        self._commanded = SAFE
        self._bits = 0

    @property
    def bits(self) -> int:
        """The outputs as their contactors' auxiliary contacts say, a bit each."""
        return self._bits

    @property
    def readback(self) -> int | None:
        """`bits`, where the rig reads them back."""
        return self._bits if self._has_readback else None

    def motor_ok(self) -> bool:
        """Whether the compressor's drive is content: it reports a fault when it was told to run and can't."""
        fault = self._faults.get("M-101")
        return not (fault is not None and fault.fault.kind is FaultKind.OFF and self._commanded.bits & M_101)

    def drive(self, outputs: Outputs, now_s: float) -> None:
        """Let the plant have these outputs from now on; the emergency stop takes them all away."""
        if self.emergency_stop:
            outputs = SAFE
        if outputs == self._driven and not self._faults:
            return
        bits = outputs.bits
        self._driven = self._commanded = outputs
        act = self._plant.act
        for position, name in enumerate(_ACTUATORS):
            setattr(act, name, bool(bits >> position & 1))
        act.cv_103 = outputs.cv_103
        if self._one_inlet:
            # The plant calls the only inlet valve XV-101, whichever tag the rig gave it.
            act.xv_101, act.xv_102 = act.xv_101 or act.xv_102, False
        if not self._fan_switched:
            act.m_201 = act.m_101  # a fan that nobody switches hangs on the motor's contactor
        self._bits = bits
        for tag, fault in self._faults.items():
            self._drive_faulty(tag, fault, outputs, now_s)

    def _drive_faulty(self, tag: str, fault: ActuatorFault, outputs: Outputs, now_s: float) -> None:
        plant, truth = self._plant, self._plant.truth()
        if tag in _POSITION_OF:
            command = outputs.cv_103 if tag == "CV-103" else float(outputs.bits >> OUTPUT_TAGS.index(tag) & 1)
            valve = self._valve(tag)
            position = float(truth[_POSITION_OF[valve]])
            plant.hand.stuck[valve] = min(max(fault.apply(now_s, command, position), 0.0), 1.0)
            return
        # Motors: the contactor's auxiliary contact is what is read back.
        place = OUTPUT_TAGS.index(tag)
        running = 1.0 if getattr(plant.act, _ACTUATORS[place]) else 0.0
        now_on = float(truth[at.Z_RUNNING]) if tag == "M-101" else running
        on = fault.apply(now_s, running, now_on) > 0.5
        setattr(plant.act, _ACTUATORS[place], on)
        self._bits = self._bits | 1 << place if on else self._bits & ~(1 << place)

    def _valve(self, tag: str) -> str:
        return "XV-101" if self._one_inlet and tag == "XV-102" else tag

    def begin_fault(self, fault: Fault) -> None:
        """Let a fault begin at the output that it names."""
        self._faults[fault.tag] = ActuatorFault(fault, self._seed)

    def end_fault(self, tag: str) -> None:
        """Let the fault at an output end."""
        del self._faults[tag]
        self._plant.hand.stuck.pop(self._valve(tag), None)
        self._driven = None
