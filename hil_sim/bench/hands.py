"""The technician's hands: what is done at the plant, and what that mends."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from hil_sim.bench.fault_desk import FaultDesk
from hil_sim.bench.happenings import Happenings
from hil_sim.bench.matched import cylinder_parameters
from hil_sim.instruments.faults import PlantFault
from hil_sim.instruments.sensors import Scale
from hil_sim.people import Act, Deed
from hil_sim.plant.model import Plant
from rigctl.control.points import OUTPUT_TAGS
from rigctl.control.readings import Request
from rigctl.control.settings import Cylinder

_ICE_KG = 5.0
"""What is put round the cylinder at a time."""
_NEW_RESIDUAL_KG = 0.002
"""In a new and evacuated cylinder: next to nothing."""


class HandsAtPlant:
    """Carries out what a person does at rig, appliance and cylinder.

    Parameters
    ----------
    plant
        Its hand positions are moved.
    ports
        How far the service ports for liquid and vapor are opened.
    scale
        Of the rig, to clear it.
    instruments
        Tags of all that can be mended there.
    fault_desk
        Told what is mended.
    request
        Called with the request of a button.
    cylinder_changed
        Called with the refrigerant that left with the old cylinder, kg.
    happenings
        Told every deed.
    """

    def __init__(
        self,
        plant: Plant,
        ports: tuple[float, float],
        scale: Scale,
        instruments: tuple[str, ...],
        fault_desk: FaultDesk,
        request: Callable[[Request], None],
        cylinder_changed: Callable[[float], None],
        happenings: Happenings,
    ) -> None:
        self._plant, self._ports, self._scale, self._instruments = plant, ports, scale, instruments
        self._fault_desk, self._happenings = fault_desk, happenings
        self._request, self._cylinder_changed = request, cylinder_changed
        self._first_cylinder = plant.parameters.cylinder

    def do(self, act: Act) -> None:
        """Do one thing now."""
        kind = act.deed.value if act.request is None else act.request.kind.value
        self._happenings.tell("technician", kind, "", act.text)
        deed, hand, desk = act.deed, self._plant.hand, self._fault_desk
        if deed is Deed.PRESS and act.request is not None:
            self._request(act.request)
        elif deed is Deed.CHANGE_CYLINDER and act.cylinder is not None:
            self.change_cylinder(act.cylinder)
        elif deed is Deed.OPEN_CYLINDER_VALVE:
            desk.mend_plant(PlantFault.CYLINDER_VALVE_SHUT)
            hand.cylinder_valve = 1.0
            self._plant.reset_pressure_switch()
        elif deed is Deed.OPEN_PORTS:
            desk.mend_plant(PlantFault.PORT_SHUT, PlantFault.ICED_INLET)
            hand.liquid_port, hand.vapor_port = self._ports
        elif deed is Deed.HOSE_TO_LIQUID:
            hand.hose_on_vapor = False
        elif deed is Deed.HOSE_TO_VAPOR:
            hand.hose_on_vapor = True
        elif deed is Deed.ICE_CYLINDER:
            self._plant.add_ice(_ICE_KG)
        elif deed is Deed.START_WATER:
            desk.mend_plant(PlantFault.WATER_STOPPED)
            hand.water_flow = 1.0
        elif deed is Deed.CLEAR_SCALE:
            desk.mend_plant(PlantFault.SCALE_KNOCKED, PlantFault.SCALE_MOVED, PlantFault.SCALE_REMOVED)
            desk.mend("WT-301")
            self._scale.put_right()
        elif deed is Deed.MEND_INSTRUMENTS:
            for tag in self._instruments:
                desk.mend(tag)
        elif deed is Deed.MEND_RIG:
            for tag in (*OUTPUT_TAGS, "CV-103"):
                desk.mend(tag)
            self._plant.reset_pressure_switch()
        elif deed is Deed.STOP_LEAK:
            desk.mend_plant(PlantFault.LEAK, PlantFault.APPLIANCE_LEAK)
            hand.hose_leak_m2 = hand.appliance_leak_m2 = 0.0

    def change_cylinder(self, cylinder: Cylinder) -> None:
        """Put another cylinder on the scale, connect it and open its valve."""
        parameters = cylinder_parameters(cylinder, replace(self._first_cylinder, ncg_mol=0.0))
        if cylinder.refrigerant == "" and not cylinder.residual_kg:
            parameters = replace(parameters, residual_kg=_NEW_RESIDUAL_KG)
        self._cylinder_changed(self._plant.swap_cylinder(parameters))
        self._plant.hand.cylinder_valve = 1.0
