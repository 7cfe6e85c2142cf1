"""The bench itself: runs the parts in their order, scan by scan."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from math import inf

import msgspec

from hil_sim.bench.clock import Clock
from hil_sim.bench.controller import Controller
from hil_sim.bench.fault_desk import FaultDesk
from hil_sim.bench.final_elements import FinalElements
from hil_sim.bench.hands import HandsAtPlant
from hil_sim.bench.happenings import Happening, Happenings
from hil_sim.bench.matched import cylinder_parameters
from hil_sim.bench.result import Result, Tally
from hil_sim.bench.wire_values import WireValues
from hil_sim.instruments.faults import Fault, PlantFault
from hil_sim.instruments.sensors import Sensors
from hil_sim.people import Act, Deed, Operator
from hil_sim.plant.model import Plant, PlantParameters
from rigctl.control.figures.figures import Figures
from rigctl.control.points import SAFE, Outputs
from rigctl.control.prepare import FIGURES
from rigctl.control.readings import Request, RequestKind, Source
from rigctl.control.settings import Cylinder, Settings
from rigctl.control.vocabulary import Phase
from rigctl.scan import ScanRecord, State


class Bench:
    """One rig, one appliance, one controller and perhaps a technician, on virtual time.

    Parameters
    ----------
    settings
        What the controller runs with.
    plant_parameters
        The plant. Volume and tare of its cylinder are taken from `settings.cylinder`.
    seed
        For instruments, faults and nothing else; the technician has a seed of its own.
    operator
        The technician; None leaves the buttons to the caller (`press`).
    faults
        What goes wrong, and when.
    scan_period_s
        Instead of that of the settings.
    refrigerant
        What is really in the appliance; the job's refrigerant when None.
    utc_s
        Wall clock at the start, s since 1970; only written into records.
    listen
        Called with every happening.
    figures
        Tuned figures of the controller; a study gives its own.

    Raises
    ------
    UnsupportedFaultError
        If a fault can't be simulated on this rig.
    ValueError
        If the plant does not take the parameters.
    """

    def __init__(
        self,
        settings: Settings,
        plant_parameters: PlantParameters,
        seed: int = 0,
        operator: Operator | None = None,
        faults: Iterable[Fault] = (),
        scan_period_s: float | None = None,
        *,
        refrigerant: str | None = None,
        utc_s: float = 1.75e9,
        listen: Callable[[Happening], None] | None = None,
        figures: Figures = FIGURES,
    ) -> None:
        if scan_period_s is not None:
            settings = msgspec.structs.replace(settings, scan_period_s=scan_period_s)
        faults = tuple(faults)
        self.settings = settings
        self.scan_period_s = settings.scan_period_s
        self.operator = operator
        self._utc_s = utc_s
        self._pressed = 0
        self.clock = Clock(settings.scan_period_s)
        self.controller = Controller(settings, self.clock, figures)
        self.plant = Plant(
            refrigerant or settings.job.refrigerant, _with_cylinder(plant_parameters, settings.cylinder, faults)
        )
        ports = (1.0 if settings.job.liquid_first else 0.0, 1.0)
        self.plant.hand.liquid_port, self.plant.hand.vapor_port = ports
        self.plant.hand.hose_on_vapor = not settings.job.liquid_first
        self.tally = Tally(self.plant, self.clock)
        self.final_elements = FinalElements(settings, self.plant, seed)
        self.wire_values = WireValues(settings, self.plant, self.final_elements, self.tally.extremes, self.clock, seed)
        self._happenings = Happenings(self.clock, listen)
        self.fault_desk = FaultDesk(
            faults, self.plant, ports, self.wire_values, self.final_elements, self.cut_power, self.restore_power,
            self._happenings,
        )  # fmt: skip
        self.hands = HandsAtPlant(
            self.plant, ports, self.sensors.scale, self.wire_values.tags, self.fault_desk, self.request,
            self.tally.cylinder_changed, self._happenings,
        )  # fmt: skip

    # ------------------------------------------------------------------ looking

    @property
    def time_s(self) -> float:
        """Simulated time since the start, s."""
        return self.clock.now_s

    @property
    def state(self) -> State:
        """The controller's state after the last scan."""
        return self.controller.state

    @property
    def last(self) -> ScanRecord | None:
        """The record of the last scan; None before the first."""
        return self.controller.last

    @property
    def powered(self) -> bool:
        """Whether the supply is there."""
        return self.controller.powered

    @property
    def emergency_stop(self) -> bool:
        """Whether HS-001 is pressed."""
        return self.final_elements.emergency_stop

    @property
    def sensors(self) -> Sensors:
        """The rig's instruments, its scale among them."""
        return self.wire_values.sensors

    @property
    def happenings(self) -> list[Happening]:
        """All that happened so far."""
        return self._happenings.told

    def result(self) -> Result:
        """How it stands now."""
        return self.tally.result(self.last, gave_up=self.operator is not None and self.operator.gave_up)

    # ------------------------------------------------------------------ running

    def scan(self) -> ScanRecord | None:
        """Run one scan and advance the plant by one scan period.

        Returns
        -------
        ScanRecord or None
            None while the power is off.

        Raises
        ------
        PlantError
            If the plant can't be advanced.
        """
        now_s, controller = self.clock.now_s, self.controller
        self.fault_desk.work(now_s)
        outputs, record = SAFE, None
        if controller.powered:
            requests = controller.take_requests()
            readings = self.wire_values.readings(now_s, now_s - controller.woken_s, self._utc_s + now_s, requests)
            outputs, record = controller.scan(readings)
            for event in record.events:
                self._happenings.tell("rig", event.kind, event.tag, event.text)
            self.tally.follow(record, now_s)
            if self.operator is not None:
                for act in self.operator.look(record):
                    self.hands.do(act)
        self._advance(outputs, now_s)
        return record

    def _advance(self, outputs: Outputs, now_s: float) -> None:
        self.final_elements.drive(outputs, now_s)
        self.plant.advance(self.scan_period_s)
        self.clock.tick()

    def run(self, until_s: float = inf, until: Callable[[ScanRecord], bool] | None = None) -> Iterator[ScanRecord]:
        """Scan until simulated time `until_s`, until `until` says so, or until the technician has done all.

        Without a technician and without `until` it ends with the job: COMPLETE, STOPPED or ABORTED.
        """
        ends = {Phase.COMPLETE, Phase.STOPPED, Phase.ABORTED}
        while self.time_s < until_s:
            record = self.scan()
            if record is None:
                continue
            yield record
            if until is not None and until(record):
                return
            if self.operator is not None:
                if self.operator.done:
                    return
            elif until is None and record.phase in ends:
                return

    def finish(self, until_s: float = 86_400.0) -> Result:
        """Run to the end (or `until_s`) and return the result."""
        for _ in self.run(until_s):
            pass
        return self.result()

    # ------------------------------------------------------------------ buttons, supply, faults, hands

    def press(self, kind: RequestKind, source: Source = Source.LOCAL, cylinder: Cylinder | None = None) -> None:
        """Put a request before the next scan."""
        self._pressed += 1
        self.request(Request(kind, source, f"bench-{self._pressed}", cylinder))

    def request(self, request: Request) -> None:
        """Put somebody's request, with its own id, before the next scan."""
        self.controller.request(request)

    def press_emergency_stop(self) -> None:
        """Press HS-001: the supply of all outputs is cut in hardware, whatever the controller commands."""
        self.final_elements.emergency_stop = True

    def release_emergency_stop(self) -> None:
        """Release HS-001."""
        self.final_elements.emergency_stop = False

    def cut_power(self) -> None:
        """Cut the supply: outputs drop, the controller's memory is gone but for what the journal has."""
        if self.powered:
            self.controller.cut_power()
            self._happenings.tell("fault", PlantFault.POWER_CUT.value, "", "Power is off.")

    def restore_power(self) -> None:
        """Bring the supply back: the controller wakes up with its last journaled state and a new clock."""
        if self.powered:
            return
        self.controller.restore_power()
        if self.operator is not None:
            self.operator.come_back()
        self._happenings.tell("fault", PlantFault.POWER_CUT.value, "", "Power is back.")

    def inject(self, fault: Fault) -> None:
        """Let something go wrong, from its `at_s` on (at once when that is past).

        Raises
        ------
        UnsupportedFaultError
            If this rig or plant can't have it.
        """
        self.fault_desk.inject(fault)

    def mend(self, tag: str | None = None) -> None:
        """End every active fault, or those at one tag."""
        self.fault_desk.mend(tag)

    def hand(self, deed: Deed, text: str, cylinder: Cylinder | None = None) -> None:
        """Do at the plant what the technician's hands can do; `text` tells it on the screen."""
        self.hands.do(Act(deed, text, None, cylinder))

    # ------------------------------------------------------------------ the plant side alone

    def wire(self, now_s: float) -> dict[str, float]:
        """What stands on the wire now, by the tags of `rigctl.hardware.wiring`; without power there is nothing.

        Call it once a scan: instruments lag and drift from call to call.

        Parameters
        ----------
        now_s
            `time_s`.

        Returns
        -------
        dict of str to float
            mA for loops, kg for the scale (NaN: no answer), 1.0 for a closed contact and 0.0 for an open one.
        """
        self.fault_desk.work(now_s)
        return self.wire_values.by_tag(now_s, powered=self.powered)

    def exchange(self, outputs: Outputs) -> None:
        """Advance the plant by one scan period with these outputs, from whatever controller they come.

        Raises
        ------
        PlantError
            If the plant can't be advanced.
        """
        now_s = self.clock.now_s
        self.fault_desk.work(now_s)
        self._advance(outputs if self.powered else SAFE, now_s)

    @property
    def read_back(self) -> int:
        """The outputs as their contactors' auxiliary contacts say, a bit each."""
        return self.final_elements.bits


def _with_cylinder(parameters: PlantParameters, label: Cylinder, faults: Iterable[Fault]) -> PlantParameters:
    """The plant with the cylinder that the job names, and the air that faults say is in it."""
    air_mol = sum(fault.or_default(0.5) for fault in faults if fault.kind is PlantFault.AIR_IN_CYLINDER)
    cylinder = cylinder_parameters(label, parameters.cylinder)
    return replace(parameters, cylinder=replace(cylinder, ncg_mol=cylinder.ncg_mol + air_mol))
