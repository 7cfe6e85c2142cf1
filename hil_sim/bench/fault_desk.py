"""What goes wrong: faults that are due, begin, end, or are mended."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from math import inf

from hil_sim.bench.final_elements import FinalElements
from hil_sim.bench.happenings import Happenings
from hil_sim.bench.wire_values import WireValues
from hil_sim.instruments.faults import Fault, FaultKind, Place, PlantFault, UnsupportedFaultError, place_of
from hil_sim.plant.model import Plant

_ON_THE_WIRE = frozenset({Place.LOOP, Place.SCALE, Place.CONTACT})
_AT_OUTPUTS = frozenset({Place.VALVE, Place.THROTTLE, Place.MOTOR})


class FaultDesk:
    """All faults of one bench.

    Parameters
    ----------
    faults
        What goes wrong, and when.
    plant
        As it was made: what it lacks cannot go wrong.
    ports
        How far the service ports of the appliance for liquid and vapor stand open while nothing is wrong.
    wire_values, elements
        Where faults of instruments, contacts and outputs act.
    cut_power, restore_power
        Called when the supply goes and comes back.
    happenings
        Told when a fault begins and ends.

    Raises
    ------
    UnsupportedFaultError
        If this rig or plant can't have one of the faults.
    """

    def __init__(
        self,
        faults: Iterable[Fault],
        plant: Plant,
        ports: tuple[float, float],
        wire_values: WireValues,
        elements: FinalElements,
        cut_power: Callable[[], None],
        restore_power: Callable[[], None],
        happenings: Happenings,
    ) -> None:
        self._plant, self._ports = plant, ports
        self._wire_values, self._elements = wire_values, elements
        self._cut_power, self._restore_power = cut_power, restore_power
        self._happenings = happenings
        self._has_water = plant.parameters.appliance.water_kg > 0.0
        self._active: list[Fault] = []
        self._next_change_s = -inf
        faults = tuple(faults)
        for fault in faults:
            self.check(fault)
        self._due = sorted(faults, key=_when)

    def check(self, fault: Fault) -> None:
        """Refuse what this rig or plant can't have.

        Raises
        ------
        UnsupportedFaultError
            With a sentence.
        """
        place = place_of(fault.tag)
        missing = (place in _ON_THE_WIRE and fault.tag not in self._wire_values.tags) or (
            place in _AT_OUTPUTS and fault.tag not in self._elements.tags
        )
        if missing:
            raise UnsupportedFaultError(f"{fault.tag} is not fitted on this rig; choose a fault at what it has.")
        if fault.kind is PlantFault.AIR_IN_CYLINDER and fault.at_s > 0.0:
            raise UnsupportedFaultError("Air comes with the cylinder; let this fault begin at 0 s.")
        if fault.kind is PlantFault.POWER_CUT and fault.until_s == inf:
            raise UnsupportedFaultError("A power cut must end for anything to follow; give until_s.")
        if fault.kind is PlantFault.WATER_STOPPED and not self._has_water:
            raise UnsupportedFaultError("This appliance has no water that could stop; choose another fault.")

    def inject(self, fault: Fault) -> None:
        """Let something go wrong, from its `at_s` on (at once when that is past).

        Raises
        ------
        UnsupportedFaultError
            If this rig or plant can't have it.
        """
        self.check(fault)
        if fault.kind is PlantFault.AIR_IN_CYLINDER:
            raise UnsupportedFaultError("Air comes with the cylinder; give this fault when the bench is made.")
        self._due.append(fault)
        self._due.sort(key=_when)
        self._next_change_s = -inf

    def mend(self, tag: str | None = None) -> None:
        """End every active fault, or those at one tag."""
        for fault in [fault for fault in self._active if tag is None or fault.tag == tag]:
            self._end(fault)
        self._next_change_s = -inf

    def mend_plant(self, *kinds: PlantFault) -> None:
        """End the active faults of these kinds."""
        for fault in [fault for fault in self._active if fault.kind in kinds]:
            self._end(fault)

    def call_off(self) -> None:
        """Let nothing that is still to come go wrong; what is wrong already stays."""
        self._due.clear()

    def work(self, now_s: float) -> None:
        """End what is over and begin what is due."""
        if now_s < self._next_change_s:
            return
        for fault in [fault for fault in self._active if fault.until_s <= now_s]:
            self._end(fault)
        while self._due and self._due[0].at_s <= now_s:
            self._begin(self._due.pop(0), now_s)
        ahead = [fault.until_s for fault in self._active] + [fault.at_s for fault in self._due[:1]]
        self._next_change_s = min(ahead, default=inf)

    def _begin(self, fault: Fault, now_s: float) -> None:
        self._happenings.tell("fault", fault.kind.value, fault.tag, f"{fault.kind.value}.")
        if fault.kind is FaultKind.OK:
            self.mend(fault.tag)
            return
        if isinstance(fault.kind, PlantFault):
            self._active.append(fault)
            self._begin_in_plant(fault, now_s)
            return
        # One fault at one place at a time: the last one counts.
        self.mend(fault.tag)
        self._active.append(fault)
        if place_of(fault.tag) in _ON_THE_WIRE:
            self._wire_values.begin_fault(fault)
        else:
            self._elements.begin_fault(fault)

    def _end(self, fault: Fault) -> None:
        self._active.remove(fault)
        self._happenings.tell("fault", fault.kind.value, fault.tag, f"{fault.kind.value} is over.")
        if isinstance(fault.kind, PlantFault):
            self._end_in_plant(fault)
        elif place_of(fault.tag) in _ON_THE_WIRE:
            self._wire_values.end_fault(fault.tag)
        else:
            self._elements.end_fault(fault.tag)

    def _begin_in_plant(self, fault: Fault, now_s: float) -> None:
        kind, hand, scale = fault.kind, self._plant.hand, self._wire_values.sensors.scale
        if kind is PlantFault.CYLINDER_VALVE_SHUT:
            hand.cylinder_valve = 0.0
        elif kind is PlantFault.PORT_SHUT:
            hand.liquid_port = hand.vapor_port = 0.0
        elif kind is PlantFault.ICED_INLET:
            left = fault.or_default(0.03)
            hand.liquid_port, hand.vapor_port = self._ports[0] * left, self._ports[1] * left
        elif kind is PlantFault.LEAK:
            hand.hose_leak_m2 = fault.or_default(1e-7)
        elif kind is PlantFault.APPLIANCE_LEAK:
            hand.appliance_leak_m2 = fault.or_default(1e-8)
        elif kind is PlantFault.CONDENSER_BLOCKED:
            hand.condenser_blocked = fault.or_default(0.8)
        elif kind is PlantFault.WATER_STOPPED:
            hand.water_flow = 0.0
        elif kind is PlantFault.SCALE_KNOCKED:
            scale.knock(now_s, fault.or_default(3.0))
        elif kind is PlantFault.SCALE_MOVED:
            scale.pull(fault.or_default(0.3))
        elif kind is PlantFault.SCALE_REMOVED:
            scale.remove()
        elif kind is PlantFault.POWER_CUT:
            self._cut_power()

    def _end_in_plant(self, fault: Fault) -> None:
        kind, hand = fault.kind, self._plant.hand
        if kind is PlantFault.CYLINDER_VALVE_SHUT:
            hand.cylinder_valve = 1.0
        elif kind in {PlantFault.PORT_SHUT, PlantFault.ICED_INLET}:
            hand.liquid_port, hand.vapor_port = self._ports
        elif kind is PlantFault.LEAK:
            hand.hose_leak_m2 = 0.0
        elif kind is PlantFault.APPLIANCE_LEAK:
            hand.appliance_leak_m2 = 0.0
        elif kind is PlantFault.CONDENSER_BLOCKED:
            hand.condenser_blocked = 0.0
        elif kind is PlantFault.WATER_STOPPED:
            hand.water_flow = 1.0
        elif kind in {PlantFault.SCALE_MOVED, PlantFault.SCALE_REMOVED}:
            self._wire_values.sensors.scale.put_right()
        elif kind is PlantFault.POWER_CUT:
            self._restore_power()


def _when(fault: Fault) -> tuple[float, str]:
    return fault.at_s, fault.tag
