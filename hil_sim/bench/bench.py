"""Plant and controller on virtual time: the only file that knows both.

Everything is counted in scans, so a run depends on its settings, parameters, faults and seed alone: two runs
give the same outputs to the bit.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from math import inf, nan

import msgspec

from hil_sim.instruments.faults import (
    ActuatorFault,
    Fault,
    FaultKind,
    Place,
    PlantFault,
    UnsupportedFaultError,
    WireFault,
    place_of,
)
from hil_sim.instruments.sensors import (
    FAILURE_HIGH_MA,
    FAILURE_LOW_MA,
    SATURATED_HIGH_MA,
    SATURATED_LOW_MA,
    Sensors,
    standard_instruments,
)
from hil_sim.people import Act, Deed, Operator
from hil_sim.plant import layout as at
from hil_sim.plant.model import CylinderParameters, Plant, PlantParameters, RigParameters
from hil_sim.scenario import Appliance, Setup, plant_parameters
from rigctl.control.points import M_101, OUTPUT_TAGS, SAFE, Outputs
from rigctl.control.prepare import prepare
from rigctl.control.protect.gate import fitted_outputs
from rigctl.control.readings import ABSENT, Reading, Readings, Request, RequestKind, Source
from rigctl.control.readings import Fault as ReadingFault
from rigctl.control.settings import Bath, Cylinder, Fitted, Hookup, Settings
from rigctl.control.vocabulary import Phase
from rigctl.scan import ScanRecord, State, after_power_loss, initial, step

LEVEL_SWITCH_FILL = 0.85
"""Liquid volume at which LSH-301 opens. Above the 80 % that the mass limit means at 25 degC, because warm liquid
takes more room; our choice, no source."""
MANIFOLD_KV_M3_H = 0.5
"""A narrower way is a gauge manifold, a wider one a tee; our choice, no source."""
_VENTILATION_M3_S = 0.05
_LFL_KG_M3 = 0.3
# Gas detector beside the rig: a leak mixes with this air stream. Estimate, no source; the LFL is that of A2L fluids.
_JOURNAL_SCANS = 10
"""The journal commits once in so many scans, and at once when something happens."""

_TRUTH_OF = {
    "PT-101": at.Z_PA_M,
    "PT-201": at.Z_PA_P,
    "WT-301": at.Z_GROSS_KG,
    "PT-102": at.Z_PA_S,
    "PT-301": at.Z_PA_Y,
    "PT-001": at.Z_PA_A,
    "TT-101": at.Z_T_M,
    "TT-201": at.Z_T_P,
    "TT-301": at.Z_T_WALL,
    "TT-001": at.Z_T_METAL,
    "AT-001": at.Z_VENTED_KG,
}
_SLOT_OF = {tag: slot for slot, tag in enumerate(_TRUTH_OF)}
_CONTACTS = ("FS-001", "LSH-301", "PSH-201", "HS-001", "M-101.ok")
_ON_THE_WIRE = ("FS-001", "LSH-301", "PSH-201", "HS-001", "YS-101")
"""The contacts again, by the tags that the wiring calls them."""
_SLOTS = len(_SLOT_OF) + len(_CONTACTS)
_ACTUATORS = tuple(tag.lower().replace("-", "_") for tag in OUTPUT_TAGS)
_POSITION_OF = {
    "XV-101": at.Z_X101, "XV-102": at.Z_X102, "XV-201": at.Z_X201, "XV-202": at.Z_X202, "XV-203": at.Z_X203,
    "XV-204": at.Z_X204, "XV-301": at.Z_X301, "CV-103": at.Z_X103, "XV-104": at.Z_X104, "XV-105": at.Z_X105,
    "XV-106": at.Z_X106,
}  # fmt: skip
_WATCHED = (
    at.Z_WATER_FLOW, at.Z_FILL_Y, at.Z_SWITCH_OPEN, at.Z_DAMAGED, at.Z_T_A, at.Z_PA_P, at.Z_T_WATER, at.Z_PA_Y,
    at.Z_TRIPPED,
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Happening:
    """Something for the screen: who or what, when, in words."""

    at_s: float
    source: str
    """rig, technician or fault."""
    text: str


@dataclass(frozen=True, slots=True)
class PhaseSpan:
    """One stay in a phase."""

    phase: Phase
    from_s: float
    to_s: float
    sentence: str
    """What the rig said at its end."""


@dataclass(frozen=True, slots=True)
class Result:
    """How a run ended, with the plant's truth beside what the rig says."""

    outcome: Phase
    sentence: str
    gave_up: bool
    duration_s: float
    """From the start of the job to the end of the run."""
    recovered_kg: float
    recovered_uncertainty_kg: float
    true_recovered_kg: float
    """By the plant's own books: what all cylinders gained."""
    left_kg: float
    """Truth: refrigerant left in the appliance, its oil included."""
    rig_kg: float
    """Truth: refrigerant left in hoses and rig."""
    vented_kg: float
    least_appliance_degc: float
    least_water_degc: float
    most_discharge_pa_abs: float
    most_cylinder_pa_abs: float
    most_cylinder_fill: float
    """Greatest share of a cylinder's volume that liquid took."""
    energy_j: float
    ice_used_kg: float
    """Ice that coil and cylinder melted in their baths, or would have melted had there been so much."""
    trips: int
    holds: int
    compressor_damaged: bool
    mass_error: float
    """Relative error of the plant's own books."""
    phases: tuple[PhaseSpan, ...]


def rig_parameters(settings: Settings) -> RigParameters:
    """The plant's rig, as the rig's file describes it."""
    fitted, compressor = settings.fitted, settings.compressor
    base = RigParameters()
    swept_m3_s = base.swept_volume_m3 * base.speed_rpm / 60.0
    return replace(
        base,
        two_inlets=fitted.xv_101 and fitted.xv_102,
        cv_103_fitted=fitted.cv_103,
        xv_201_fitted=fitted.cooler_valves,
        xv_202_fitted=fitted.cooler_valves,
        xv_203_fitted=fitted.cooler_valves,
        xv_204_fitted=fitted.cooler_valves,
        push_pull_fitted=fitted.push_pull,
        push_pull_kv_m3_h=settings.compressor.push_pull_kv_m3_h,
        cv_103_kv_m3_h=compressor.throttle_kv_m3_h,
        fixed_restriction_kv_m3_h=compressor.throttle_kv_m3_h,
        swept_volume_m3=compressor.displacement_m3_s * 60.0 / base.speed_rpm,
        clearance=max(compressor.clearance, 0.005),
        leak_factor=compressor.leak_factor,
        # A motor as large as its compressor.
        motor_rated_w=base.motor_rated_w * max(compressor.displacement_m3_s / swept_m3_s, 0.1),
    )


def scenario(settings: Settings, appliance: Appliance, setup: Setup) -> tuple[Settings, PlantParameters]:
    """Settings and plant for this job, hooked up like this: what a set-up plugs in, the rig may use.

    Raises
    ------
    ScenarioError
        If a value is outside what the plant takes.
    """
    fitted = msgspec.structs.replace(
        settings.fitted,
        eh_001=settings.fitted.eh_001 and setup.warming,
        m_001=settings.fitted.m_001 and (setup.fan or settings.job.water_side),
        m_202=settings.fitted.m_202 and setup.coil_in_ice,
    )
    job = msgspec.structs.replace(settings.job, vapor_inlet_with_liquid=setup.vapor_inlet_with_liquid)
    # The coil and its bath belong to the rig: without circulation M-202 there is none to put in ice.
    setup = replace(setup, coil_in_ice=setup.coil_in_ice and settings.fitted.m_202)
    # What the simulated cylinder holds stands in its log, too.
    cylinder = settings.cylinder
    if cylinder.refrigerant and not cylinder.residual_kg:
        cylinder = msgspec.structs.replace(cylinder, residual_kg=appliance.cylinder.residual_kg)
    hooked_up = msgspec.structs.replace(
        settings, fitted=fitted, job=job, cylinder=cylinder, hookup=hookup(setup, fitted)
    )
    return hooked_up, plant_parameters(appliance, setup, rig_parameters(settings))


def hookup(setup: Setup, fitted: Fitted) -> Hookup:
    """What a technician knows of the set-up and would type in."""
    lines = setup.lines
    return Hookup(
        liquid_core_in=setup.liquid_core_in,
        vapor_core_in=setup.vapor_core_in,
        liquid_hose_bore_m=lines.liquid_hose_bore_m,
        liquid_hose_length_m=lines.liquid_hose_length_m,
        vapor_hose_bore_m=lines.vapor_hose_bore_m,
        vapor_hose_length_m=lines.vapor_hose_length_m,
        manifold=setup.manifold_kv_m3_h < MANIFOLD_KV_M3_H,
        dip_tube=setup.dip_tube,
        cylinder_bath=Bath.ICE if setup.cylinder_in_ice else Bath.AIR,
        fan=fitted.m_001,
    )


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
    ) -> None:
        if scan_period_s is not None:
            settings = msgspec.structs.replace(settings, scan_period_s=scan_period_s)
        self.settings = settings
        self._prepared = prepare(settings)
        self.scan_period_s = settings.scan_period_s
        self.operator = operator
        self.last: ScanRecord | None = None
        self.happenings: list[Happening] = []
        self.powered = True
        self.emergency_stop = False
        self._listen = listen
        self._seed, self._utc_s = seed, utc_s
        faults = tuple(faults)
        air_mol = sum(fault.or_default(0.5) for fault in faults if fault.kind is PlantFault.AIR_IN_CYLINDER)
        cylinder = self._cylinder(settings.cylinder, plant_parameters.cylinder)
        self._parameters = replace(plant_parameters, cylinder=replace(cylinder, ncg_mol=cylinder.ncg_mol + air_mol))
        self.plant = Plant(refrigerant or settings.job.refrigerant, self._parameters)
        self._truth = self.plant.truth()
        self._ports = (1.0 if settings.job.liquid_first else 0.0, 1.0)
        self.plant.hand.liquid_port, self.plant.hand.vapor_port = self._ports
        self.plant.hand.hose_on_vapor = not settings.job.liquid_first
        self._state = initial(self._prepared)
        self._kept = self._state
        self._make_instruments()
        self._make_watch()
        self._due = sorted((fault for fault in faults), key=lambda fault: (fault.at_s, fault.tag))
        self._active: list[Fault] = []
        self._next_change_s = -inf
        for fault in faults:
            self._check(fault)

    # ------------------------------------------------------------------ making

    def _cylinder(self, label: Cylinder, like: CylinderParameters) -> CylinderParameters:
        # Water capacity in kg is the volume in litres within 0.2 % (water at 16 degC).
        residual_kg = label.residual_kg or like.residual_kg
        return replace(like, volume_m3=label.water_capacity_kg * 1e-3, tare_kg=label.tare_kg, residual_kg=residual_kg)

    def _make_instruments(self) -> None:
        settings, fitted = self.settings, self.settings.fitted
        self._one_inlet = not (fitted.xv_101 and fitted.xv_102)
        own = {"WT-301", "PT-101", "PT-201"}
        tags = [tag for tag in _TRUTH_OF if tag in own or getattr(fitted, tag.lower().replace("-", "_"))]
        figures = settings.instruments
        heaviest_kg = max(2.2 * (settings.cylinder.tare_kg + settings.cylinder.water_capacity_kg), 50.0)
        self._instruments = standard_instruments(
            tags,
            pressure_uncertainty_pa=figures.pressure_uncertainty_pa,
            temperature_uncertainty_k=figures.temperature_uncertainty_k,
            scale_uncertainty_kg=figures.scale_uncertainty_kg,
            scale_noise_kg=figures.scale_noise_kg,
            scale_resolution_kg=figures.scale_resolution_kg,
            scale_capacity_kg=heaviest_kg,
        )
        self.sensors = Sensors(self._instruments, self._seed, self.scan_period_s)
        self._pick = [_TRUTH_OF[tag] for tag in tags] + list(_WATCHED)
        self._count = len(tags)
        self._gas = tags.index("AT-001") if "AT-001" in tags else -1
        self._vented_kg = 0.0
        self._loops = [
            (_SLOT_OF[tag], row, instrument.low, (instrument.high - instrument.low) / 16.0)
            for row, (tag, instrument) in enumerate(zip(tags, self._instruments, strict=True))
            if instrument.loop
        ]
        self._weight = tags.index("WT-301")
        self._row_of = {tag: row for row, tag in enumerate(tags)}
        has = (fitted.fs_001, fitted.lsh_301, fitted.psh_201, fitted.hs_001, fitted.m_101_ok)
        self._contacts = [(len(_SLOT_OF) + n, n) for n, is_fitted in enumerate(has) if is_fitted]
        self._contact_of = {_CONTACTS[n]: n for _, n in self._contacts}
        bits = fitted_outputs(settings)
        self._outputs = {tag for n, tag in enumerate(OUTPUT_TAGS) if bits >> n & 1}
        if fitted.cv_103:
            self._outputs.add("CV-103")
        self._absent: list[Reading] = [ABSENT] * _SLOTS
        self._wire: dict[int, WireFault] = {}
        self._contact_faults: dict[int, WireFault] = {}
        self._actuator_faults: dict[str, ActuatorFault] = {}

    def _make_watch(self) -> None:
        self._scan = 0
        self._clock_from_s = 0.0
        self._requests: list[Request] = []
        self._pressed = 0
        self._driven: Outputs | None = None
        self._bits = 0
        self._commanded = SAFE
        self._phase = Phase.IDLE
        self._phase_from_s = 0.0
        self._sentence = ""
        self._started_s = nan
        self._spans: list[PhaseSpan] = []
        self._trips = self._holds = 0
        self._least_degc = self._least_water_degc = inf
        self._most_pa = self._most_cylinder_pa = self._most_fill = 0.0
        self._put_on_kg = float(self._truth[at.Z_KG_Y])
        self._gained_kg = 0.0

    # ------------------------------------------------------------------ running

    @property
    def time_s(self) -> float:
        """Simulated time since the start, s."""
        return self._scan * self.scan_period_s

    @property
    def state(self) -> State:
        """The controller's state after the last scan."""
        return self._state

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
        now_s = self._scan * self.scan_period_s
        if now_s >= self._next_change_s:
            self._change_faults(now_s)
        record = None
        if self.powered:
            readings = self._read(now_s)
            self._state, outputs, record = step(self._state, readings, self._prepared)
            self.last = record
            if self._scan % _JOURNAL_SCANS == 0 or record.events:
                self._kept = self._state
            self._watch(record, now_s)
            if self.operator is not None:
                for act in self.operator.look(record):
                    self._do(act, now_s)
        else:
            outputs = SAFE
        if self.emergency_stop:
            outputs = SAFE
        self._drive(outputs, now_s)
        self.plant.advance(self.scan_period_s)
        self._scan += 1
        return record

    def run(self, until_s: float = inf, until: Callable[[ScanRecord], bool] | None = None) -> Iterator[ScanRecord]:
        """Scan until simulated time `until_s`, until `until` says so, or until the technician has done all.

        Without a technician and without `until` it ends with the job: COMPLETE, STOPPED or ABORTED.
        """
        ends = {Phase.COMPLETE, Phase.STOPPED, Phase.ABORTED}
        while self._scan * self.scan_period_s < until_s:
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

    def press(self, kind: RequestKind, source: Source = Source.LOCAL, cylinder: Cylinder | None = None) -> None:
        """Put a request before the next scan."""
        self._pressed += 1
        self.request(Request(kind, source, f"bench-{self._pressed}", cylinder))

    def request(self, request: Request) -> None:
        """Put somebody's request, with its own id, before the next scan."""
        self._requests.append(request)

    def press_emergency_stop(self) -> None:
        """Press HS-001: the supply of all outputs is cut in hardware, whatever the controller commands."""
        self.emergency_stop = True

    def release_emergency_stop(self) -> None:
        """Release HS-001."""
        self.emergency_stop = False

    def cut_power(self) -> None:
        """Cut the supply: outputs drop, the controller's memory is gone but for what the journal has."""
        if self.powered:
            self.powered = False
            self._requests.clear()
            self._tell("fault", "Power is off.")

    def restore_power(self) -> None:
        """Bring the supply back: the controller wakes up with its last journaled state and a new clock."""
        if self.powered:
            return
        kept = msgspec.msgpack.decode(msgspec.msgpack.encode(self._kept), type=State)
        self._state = after_power_loss(kept)
        self._kept = self._state
        self._clock_from_s = self.time_s
        self.powered = True
        if self.operator is not None:
            self.operator.come_back()
        self._tell("fault", "Power is back.")

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
        if now_s >= self._next_change_s:
            self._change_faults(now_s)
        raw, contacts = self._on_the_wire(now_s)
        if not self.powered:
            return {}
        wire = dict(zip(self.sensors.tags, raw, strict=True))
        wire.update((_ON_THE_WIRE[n], contacts[n]) for _, n in self._contacts)
        return wire

    def exchange(self, outputs: Outputs) -> None:
        """Advance the plant by one scan period with these outputs, from whatever controller they come.

        Raises
        ------
        PlantError
            If the plant can't be advanced.
        """
        now_s = self.time_s
        if now_s >= self._next_change_s:
            self._change_faults(now_s)
        self._drive(outputs if self.powered and not self.emergency_stop else SAFE, now_s)
        self.plant.advance(self.scan_period_s)
        self._scan += 1

    @property
    def read_back(self) -> int:
        """The outputs as their contactors' auxiliary contacts say, a bit each."""
        return self._bits

    def hand(self, deed: Deed, text: str, cylinder: Cylinder | None = None) -> None:
        """Do at the plant what the technician's hands can do; `text` tells it on the screen."""
        self._do(Act(deed, text, None, cylinder), self.time_s)

    # ------------------------------------------------------------------ truth -> wire -> readings

    def _on_the_wire(self, now_s: float) -> tuple[list[float], list[float]]:
        """Raw values of the instruments in their order, and all contacts, whether fitted or not."""
        truth: list[float] = self._truth[self._pick].tolist()
        count = self._count
        if self._gas >= 0:
            vented_kg = truth[self._gas]
            leak_kg_s = (vented_kg - self._vented_kg) / self.scan_period_s
            self._vented_kg = vented_kg
            truth[self._gas] = leak_kg_s / _VENTILATION_M3_S / _LFL_KG_M3
        flow, fill, switch, damaged, t_a, p_p, t_water, p_y, tripped = truth[count:]
        if t_a < self._least_degc:
            self._least_degc = t_a
        if t_water < self._least_water_degc:
            self._least_water_degc = t_water
        if p_p > self._most_pa:
            self._most_pa = p_p
        if p_y > self._most_cylinder_pa:
            self._most_cylinder_pa = p_y
        if fill > self._most_fill:
            self._most_fill = fill
        raw = self.sensors.read(now_s, truth[:count])
        if self._wire:
            for row, fault in self._wire.items():
                raw[row] = fault.apply(now_s, raw[row])
        if not self._contacts:
            return raw, []
        motor_ok = 0.0 if damaged or tripped else 1.0
        if self._actuator_faults:
            motor_ok = self._motor_contact(motor_ok)
        contacts = [
            flow,
            1.0 if fill < LEVEL_SWITCH_FILL else 0.0,
            1.0 - switch,
            0.0 if self.emergency_stop else 1.0,
            motor_ok,
        ]
        if self._contact_faults:
            for n, fault in self._contact_faults.items():
                contacts[n] = fault.apply(now_s, contacts[n])
        return raw, contacts

    def _read(self, now_s: float) -> Readings:
        raw, contacts = self._on_the_wire(now_s)
        clock_s = now_s - self._clock_from_s
        slots = self._absent.copy()
        for slot, row, low, per_ma in self._loops:
            current_ma = raw[row]
            slots[slot] = (
                Reading(low + (current_ma - 4.0) * per_ma, clock_s)
                if SATURATED_LOW_MA < current_ma < SATURATED_HIGH_MA
                else _unfit(current_ma, clock_s)
            )
        weight_kg = raw[self._weight]
        slots[2] = (
            Reading(weight_kg, clock_s) if weight_kg == weight_kg else Reading(nan, clock_s, ReadingFault.NO_REPLY)
        )
        for slot, n in self._contacts:
            slots[slot] = Reading(contacts[n], clock_s)
        requests: tuple[Request, ...] = ()
        if self._requests:
            requests = tuple(self._requests)
            self._requests.clear()
        readback = self._bits if self.settings.fitted.readback else None
        (p101, p201, w301, p102, p301, p001, t101, t201, t301, t001, gas, flow_ok, level, switch_ok, stop, motor) = (
            slots
        )
        return Readings(
            clock_s, self._utc_s + now_s, p101, p201, w301, p102, p301, p001, t101, t201, t301, t001, gas, flow_ok,
            level, switch_ok, stop, motor, readback, 0, requests,
        )  # fmt: skip

    def _motor_contact(self, motor_ok: float) -> float:
        """The drive reports a fault when it was told to run and can't."""
        fault = self._actuator_faults.get("M-101")
        dead = fault is not None and fault.fault.kind is FaultKind.OFF and self._commanded.bits & M_101
        return 0.0 if dead else motor_ok

    # ------------------------------------------------------------------ outputs -> actuators

    def _drive(self, outputs: Outputs, now_s: float) -> None:
        if outputs == self._driven and not self._actuator_faults:
            return
        bits = outputs.bits
        self._driven = self._commanded = outputs
        act = self.plant.act
        for position, name in enumerate(_ACTUATORS):
            setattr(act, name, bool(bits >> position & 1))
        act.cv_103 = outputs.cv_103
        if self._one_inlet:
            # The plant calls the only inlet valve XV-101, whichever tag the rig gave it.
            act.xv_101, act.xv_102 = act.xv_101 or act.xv_102, False
        if not self.settings.fitted.m_201:
            act.m_201 = act.m_101  # a fan that nobody switches hangs on the motor's contactor
        self._bits = bits
        for tag, fault in self._actuator_faults.items():
            self._drive_faulty(tag, fault, outputs, now_s)

    def _drive_faulty(self, tag: str, fault: ActuatorFault, outputs: Outputs, now_s: float) -> None:
        plant = self.plant
        if tag in _POSITION_OF:
            command = outputs.cv_103 if tag == "CV-103" else float(outputs.bits >> OUTPUT_TAGS.index(tag) & 1)
            valve = self._valve(tag)
            position = float(self._truth[_POSITION_OF[valve]])
            plant.hand.stuck[valve] = min(max(fault.apply(now_s, command, position), 0.0), 1.0)
            return
        # Motors: the contactor's auxiliary contact is what is read back.
        bit = 1 << OUTPUT_TAGS.index(tag)
        running = 1.0 if getattr(plant.act, _ACTUATORS[OUTPUT_TAGS.index(tag)]) else 0.0
        now_on = float(self._truth[at.Z_RUNNING]) if tag == "M-101" else running
        on = fault.apply(now_s, running, now_on) > 0.5
        setattr(plant.act, _ACTUATORS[OUTPUT_TAGS.index(tag)], on)
        self._bits = self._bits | bit if on else self._bits & ~bit

    def _valve(self, tag: str) -> str:
        return "XV-101" if self._one_inlet and tag == "XV-102" else tag

    # ------------------------------------------------------------------ faults

    def inject(self, fault: Fault) -> None:
        """Let something go wrong, from its `at_s` on (at once when that is past).

        Raises
        ------
        UnsupportedFaultError
            If this rig or plant can't have it.
        """
        self._check(fault)
        if fault.kind is PlantFault.AIR_IN_CYLINDER:
            raise UnsupportedFaultError("Air comes with the cylinder; give this fault when the bench is made.")
        self._due.append(fault)
        self._due.sort(key=lambda due: (due.at_s, due.tag))
        self._next_change_s = -inf

    def mend(self, tag: str | None = None) -> None:
        """End every active fault, or those at one tag."""
        for fault in [fault for fault in self._active if tag is None or fault.tag == tag]:
            self._end(fault)
        self._next_change_s = -inf

    def _check(self, fault: Fault) -> None:
        place = place_of(fault.tag)
        if place is Place.CONTACT and fault.tag not in self._contact_of:
            raise UnsupportedFaultError(f"{fault.tag} is not fitted on this rig; choose a fault at what it has.")
        if place in {Place.LOOP, Place.SCALE} and fault.tag not in self._row_of:
            raise UnsupportedFaultError(f"{fault.tag} is not fitted on this rig; choose a fault at what it has.")
        if place in {Place.VALVE, Place.THROTTLE, Place.MOTOR} and fault.tag not in self._outputs:
            raise UnsupportedFaultError(f"{fault.tag} is not fitted on this rig; choose a fault at what it has.")
        if fault.kind is PlantFault.AIR_IN_CYLINDER and fault.at_s > 0.0:
            raise UnsupportedFaultError("Air comes with the cylinder; let this fault begin at 0 s.")
        if fault.kind is PlantFault.POWER_CUT and fault.until_s == inf:
            raise UnsupportedFaultError("A power cut must end for anything to follow; give until_s.")
        if fault.kind is PlantFault.WATER_STOPPED and self._parameters.appliance.water_kg <= 0.0:
            raise UnsupportedFaultError("This appliance has no water that could stop; choose another fault.")

    def _change_faults(self, now_s: float) -> None:
        for fault in [fault for fault in self._active if fault.until_s <= now_s]:
            self._end(fault)
        while self._due and self._due[0].at_s <= now_s:
            self._begin(self._due.pop(0), now_s)
        ahead = [fault.until_s for fault in self._active] + [fault.at_s for fault in self._due[:1]]
        self._next_change_s = min(ahead, default=inf)

    def _begin(self, fault: Fault, now_s: float) -> None:
        self._tell("fault", f"{fault.tag}: {fault.kind.value}.")
        if fault.kind is FaultKind.OK:
            self.mend(fault.tag)
            return
        if isinstance(fault.kind, PlantFault):
            self._active.append(fault)
            self._set_plant_fault(fault, now_s)
            return
        # One fault at one place at a time: the last one counts.
        self.mend(fault.tag)
        self._active.append(fault)
        place = place_of(fault.tag)
        if place is Place.CONTACT:
            self._contact_faults[self._contact_of[fault.tag]] = WireFault(fault, None, self._seed)
        elif place in {Place.LOOP, Place.SCALE}:
            row = self._row_of[fault.tag]
            self._wire[row] = WireFault(fault, self._instruments[row], self._seed)
        else:
            self._actuator_faults[fault.tag] = ActuatorFault(fault, self._seed)

    def _end(self, fault: Fault) -> None:
        self._active.remove(fault)
        self._tell("fault", f"{fault.tag}: {fault.kind.value} is over.")
        if isinstance(fault.kind, PlantFault):
            self._end_plant_fault(fault)
        elif fault.tag in self._actuator_faults:
            del self._actuator_faults[fault.tag]
            self.plant.hand.stuck.pop(self._valve(fault.tag), None)
            self._driven = None
        elif fault.tag in self._contact_of:
            self._contact_faults.pop(self._contact_of[fault.tag], None)
        else:
            self._wire.pop(self._row_of[fault.tag], None)

    def _set_plant_fault(self, fault: Fault, now_s: float) -> None:
        kind, hand, scale = fault.kind, self.plant.hand, self.sensors.scale
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
            self.cut_power()

    def _end_plant_fault(self, fault: Fault) -> None:
        kind, hand = fault.kind, self.plant.hand
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
            self.sensors.scale.put_right()
        elif kind is PlantFault.POWER_CUT:
            self.restore_power()

    # ------------------------------------------------------------------ the technician's hands

    def _do(self, act: Act, now_s: float) -> None:
        self._tell("technician", act.text)
        deed, hand = act.deed, self.plant.hand
        if deed is Deed.PRESS and act.request is not None:
            self._requests.append(act.request)
        elif deed is Deed.CHANGE_CYLINDER and act.cylinder is not None:
            self._change_cylinder(act.cylinder)
        elif deed is Deed.OPEN_CYLINDER_VALVE:
            self._mend_plant(PlantFault.CYLINDER_VALVE_SHUT)
            hand.cylinder_valve = 1.0
            self.plant.reset_pressure_switch()
        elif deed is Deed.OPEN_PORTS:
            self._mend_plant(PlantFault.PORT_SHUT, PlantFault.ICED_INLET)
            hand.liquid_port, hand.vapor_port = self._ports
        elif deed is Deed.HOSE_TO_LIQUID:
            hand.hose_on_vapor = False
        elif deed is Deed.HOSE_TO_VAPOR:
            hand.hose_on_vapor = True
        elif deed is Deed.ICE_CYLINDER:
            self.plant.add_ice(5.0)
        elif deed is Deed.START_WATER:
            self._mend_plant(PlantFault.WATER_STOPPED)
            hand.water_flow = 1.0
        elif deed is Deed.CLEAR_SCALE:
            self._mend_plant(PlantFault.SCALE_KNOCKED, PlantFault.SCALE_MOVED, PlantFault.SCALE_REMOVED)
            self.mend("WT-301")
            self.sensors.scale.put_right()
        elif deed is Deed.MEND_INSTRUMENTS:
            for tag in (*self._row_of, *self._contact_of):
                self.mend(tag)
        elif deed is Deed.MEND_RIG:
            for tag in (*OUTPUT_TAGS, "CV-103"):
                self.mend(tag)
            self.plant.reset_pressure_switch()
        elif deed is Deed.STOP_LEAK:
            self._mend_plant(PlantFault.LEAK, PlantFault.APPLIANCE_LEAK)
            self.plant.hand.hose_leak_m2 = self.plant.hand.appliance_leak_m2 = 0.0

    def _mend_plant(self, *kinds: PlantFault) -> None:
        for fault in [fault for fault in self._active if fault.kind in kinds]:
            self._end(fault)

    def _change_cylinder(self, cylinder: Cylinder) -> None:
        parameters = self._cylinder(cylinder, replace(self._parameters.cylinder, ncg_mol=0.0))
        if cylinder.refrigerant == "" and not cylinder.residual_kg:
            parameters = replace(parameters, residual_kg=0.002)  # new and evacuated: next to nothing
        removed_kg = self.plant.swap_cylinder(parameters)
        self._truth = self.plant.truth()
        self._gained_kg += removed_kg - self._put_on_kg
        self._put_on_kg = float(self._truth[at.Z_KG_Y])
        self.plant.hand.cylinder_valve = 1.0

    # ------------------------------------------------------------------ watching

    def _tell(self, source: str, text: str) -> None:
        happening = Happening(self.time_s, source, text)
        self.happenings.append(happening)
        if self._listen is not None:
            self._listen(happening)

    def _watch(self, record: ScanRecord, now_s: float) -> None:
        for event in record.events:
            self._tell("rig", f"{event.tag}: {event.text}" if event.tag else event.text)
        phase = record.phase
        if phase is not self._phase:
            self._spans.append(PhaseSpan(self._phase, self._phase_from_s, now_s, self._sentence))
            if phase is Phase.ABORTING:
                self._trips += 1
            elif phase is Phase.HELD:
                self._holds += 1
            if self._phase is Phase.IDLE and self._started_s != self._started_s:
                self._started_s = now_s
            self._phase, self._phase_from_s = phase, now_s
        self._sentence = record.sentence

    def result(self) -> Result:
        """How it stands now."""
        z = self.plant.named_truth()
        estimate = self.last.estimate if self.last is not None else None
        spans = (*self._spans, PhaseSpan(self._phase, self._phase_from_s, self.time_s, self._sentence))
        ended_s = self._phase_from_s if self._phase in {Phase.COMPLETE, Phase.STOPPED} else self.time_s
        return Result(
            outcome=self._phase,
            sentence=self._sentence,
            gave_up=self.operator is not None and self.operator.gave_up,
            duration_s=ended_s - self._started_s,
            recovered_kg=estimate.recovered_kg if estimate else 0.0,
            recovered_uncertainty_kg=estimate.recovered_uncertainty_kg if estimate else nan,
            true_recovered_kg=self._gained_kg + z.y_kg - self._put_on_kg,
            left_kg=z.a_kg + z.oil_kg,
            rig_kg=z.m_kg + z.s_kg + z.p_kg + z.d_kg + z.x_kg + z.h_kg,
            vented_kg=z.vented_kg,
            least_appliance_degc=self._least_degc,
            least_water_degc=self._least_water_degc,
            most_discharge_pa_abs=self._most_pa,
            most_cylinder_pa_abs=self._most_cylinder_pa,
            most_cylinder_fill=self._most_fill,
            energy_j=z.electric_energy_j,
            ice_used_kg=z.ice_used_kg,
            trips=self._trips,
            holds=self._holds,
            compressor_damaged=bool(z.damaged),
            mass_error=self.plant.books().mass,
            phases=spans,
        )


def _unfit(current_ma: float, clock_s: float) -> Reading:
    """A reading of a loop that gives no measurement (NAMUR NE 43)."""
    if current_ma != current_ma:
        return Reading(nan, clock_s, ReadingFault.NO_REPLY)
    if FAILURE_LOW_MA <= current_ma <= FAILURE_HIGH_MA:
        return Reading(nan, clock_s, ReadingFault.OUT_OF_RANGE)
    return Reading(nan, clock_s, ReadingFault.FAILURE)
