"""What stands on the wire: the truth through instruments and their faults, and what the controller reads of it."""

from __future__ import annotations

from math import nan

from hil_sim.bench.clock import Clock
from hil_sim.bench.final_elements import FinalElements
from hil_sim.bench.result import Extremes
from hil_sim.instruments.faults import Fault, Place, WireFault, place_of
from hil_sim.instruments.sensors import (
    FAILURE_HIGH_MA,
    FAILURE_LOW_MA,
    SATURATED_HIGH_MA,
    SATURATED_LOW_MA,
    Sensors,
    standard_instruments,
)
from hil_sim.plant import layout as at
from hil_sim.plant.model import Plant
from rigctl.control.readings import Fault as ReadingFault
from rigctl.control.readings import Reading, Readings, Request
from rigctl.control.settings import Settings

LEVEL_SWITCH_FILL = 0.85
"""Liquid volume at which LSH-301 opens. Above the 80 % that the mass limit means at 25 degC, because warm liquid
takes more room; our choice, no source."""
_VENTILATION_M3_S = 0.05
_LFL_KG_M3 = 0.3
# Gas detector beside the rig: a leak mixes with this air stream. Estimate, no source; the LFL is that of A2L fluids.

_INSTRUMENTS = {
    "PT-101": (at.Z_PA_M, "pt_101_pa_abs"),
    "PT-201": (at.Z_PA_P, "pt_201_pa_abs"),
    "WT-301": (at.Z_GROSS_KG, "wt_301_kg"),
    "PT-102": (at.Z_PA_S, "pt_102_pa_abs"),
    "PT-301": (at.Z_PA_Y, "pt_301_pa_abs"),
    "PT-001": (at.Z_PA_A, "pt_001_pa_abs"),
    "TT-101": (at.Z_T_M, "tt_101_degc"),
    "TT-201": (at.Z_T_P, "tt_201_degc"),
    "TT-301": (at.Z_T_WALL, "tt_301_degc"),
    "TT-001": (at.Z_T_METAL, "tt_001_degc"),
    "AT-001": (at.Z_VENTED_KG, "at_001_lfl"),
}
"""Tag -> what it measures in the plant's truth, and which reading the controller makes of it."""
_ALWAYS = frozenset({"WT-301", "PT-101", "PT-201"})
_CONTACTS = {
    "FS-001": ("FS-001", "fs_001_flow"),
    "LSH-301": ("LSH-301", "lsh_301_ok"),
    "PSH-201": ("PSH-201", "psh_201_ok"),
    "HS-001": ("HS-001", "hs_001_ok"),
    "M-101.ok": ("YS-101", "m_101_ok"),
}
"""Tag, as faults name it -> the tag that the wiring calls it, and which reading the controller makes of it."""
_WATCHED = (
    at.Z_WATER_FLOW, at.Z_FILL_Y, at.Z_SWITCH_OPEN, at.Z_DAMAGED, at.Z_T_A, at.Z_PA_P, at.Z_T_WATER, at.Z_PA_Y,
    at.Z_TRIPPED,
)  # fmt: skip


class WireValues:
    """All instruments and contacts of one rig, and the faults on their wires.

    Parameters
    ----------
    settings
        Of the rig: what is fitted, and how good its instruments are.
    plant
        Whose truth is measured.
    elements
        Valves and motors of the rig: the drive's contact and the emergency stop are read, too.
    extremes
        Told the truth of every scan.
    clock
        Of the bench.
    seed
        Of the instruments' errors and noise, and of faults that come and go.
    """

    def __init__(
        self, settings: Settings, plant: Plant, elements: FinalElements, extremes: Extremes, clock: Clock, seed: int
    ) -> None:
        fitted, figures = settings.fitted, settings.instruments
        self._plant, self._elements, self._extremes, self._clock = plant, elements, extremes, clock
        self._seed = seed
        tags = [tag for tag in _INSTRUMENTS if tag in _ALWAYS or getattr(fitted, tag.lower().replace("-", "_"))]
        heaviest_kg = max(2.2 * (settings.cylinder.tare_kg + settings.cylinder.water_capacity_kg), 50.0)
        instruments = standard_instruments(
            tags,
            pressure_uncertainty_pa=figures.pressure_uncertainty_pa,
            temperature_uncertainty_k=figures.temperature_uncertainty_k,
            scale_uncertainty_kg=figures.scale_uncertainty_kg,
            scale_noise_kg=figures.scale_noise_kg,
            scale_resolution_kg=figures.scale_resolution_kg,
            scale_capacity_kg=heaviest_kg,
        )
        self.sensors = Sensors(instruments, seed, clock.scan_period_s)
        self._pick = [_INSTRUMENTS[tag][0] for tag in tags] + list(_WATCHED)
        self._count = len(tags)
        self._gas = tags.index("AT-001") if "AT-001" in tags else -1
        self._vented_kg = 0.0
        self._loops = [
            (_INSTRUMENTS[tag][1], row, instrument.low, (instrument.high - instrument.low) / 16.0)
            for row, (tag, instrument) in enumerate(zip(tags, instruments, strict=True))
            if instrument.loop
        ]
        self._row_of = {tag: row for row, tag in enumerate(tags)}
        self._weight = self._row_of["WT-301"]
        has = (fitted.fs_001, fitted.lsh_301, fitted.psh_201, fitted.hs_001, fitted.m_101_ok)
        self._contact_of = {tag: n for n, tag in enumerate(_CONTACTS) if has[n]}
        self._contacts = [(*_CONTACTS[tag], n) for tag, n in self._contact_of.items()]
        self._loop_faults: dict[int, WireFault] = {}
        self._contact_faults: dict[int, WireFault] = {}

    @property
    def tags(self) -> tuple[str, ...]:
        """Of all instruments and contacts that the rig has, as faults name them."""
        return (*self._row_of, *self._contact_of)

    def begin_fault(self, fault: Fault) -> None:
        """Let a fault begin on the wire of the instrument or contact that it names."""
        if place_of(fault.tag) is Place.CONTACT:
            self._contact_faults[self._contact_of[fault.tag]] = WireFault(fault, None, self._seed)
        else:
            row = self._row_of[fault.tag]
            self._loop_faults[row] = WireFault(fault, self.sensors.instruments[row], self._seed)

    def end_fault(self, tag: str) -> None:
        """Let the fault on the wire of an instrument or contact end."""
        if tag in self._contact_of:
            self._contact_faults.pop(self._contact_of[tag], None)
        else:
            self._loop_faults.pop(self._row_of[tag], None)

    def by_tag(self, now_s: float, *, powered: bool) -> dict[str, float]:
        """What stands on the wire now, by the tags of `rigctl.hardware.wiring`; without power there is nothing.

        Instruments lag and drift from call to call, with power and without: call it once a scan.
        """
        raw, contacts = self._raw(now_s)
        if not powered:
            return {}
        wire = dict(zip(self.sensors.tags, raw, strict=True))
        wire.update((wired, contacts[n]) for wired, _, n in self._contacts)
        return wire

    def readings(self, now_s: float, clock_s: float, utc_s: float, requests: tuple[Request, ...]) -> Readings:
        """What the controller reads in this scan.

        Parameters
        ----------
        now_s
            Simulated time.
        clock_s
            The controller's own monotonic clock.
        utc_s
            Its wall clock, s since 1970.
        requests
            What it is asked in this scan.
        """
        raw, contacts = self._raw(now_s)
        read: dict[str, Reading] = {}
        for name, row, low, per_ma in self._loops:
            current_ma = raw[row]
            read[name] = (
                Reading(low + (current_ma - 4.0) * per_ma, clock_s)
                if SATURATED_LOW_MA < current_ma < SATURATED_HIGH_MA
                else _unfit(current_ma, clock_s)
            )
        weight_kg = raw[self._weight]
        read["wt_301_kg"] = (
            Reading(weight_kg, clock_s) if weight_kg == weight_kg else Reading(nan, clock_s, ReadingFault.NO_REPLY)
        )
        for _, name, n in self._contacts:
            read[name] = Reading(contacts[n], clock_s)
        return Readings(
            now_s=clock_s, utc_s=utc_s, readback=self._elements.readback, overruns=0, requests=requests, **read
        )

    def _raw(self, now_s: float) -> tuple[list[float], list[float]]:
        """Raw values of the instruments in their order, and all contacts, whether fitted or not."""
        truth: list[float] = self._plant.truth()[self._pick].tolist()
        count = self._count
        if self._gas >= 0:
            vented_kg = truth[self._gas]
            leak_kg_s = (vented_kg - self._vented_kg) / self._clock.scan_period_s
            self._vented_kg = vented_kg
            truth[self._gas] = leak_kg_s / _VENTILATION_M3_S / _LFL_KG_M3
        flow, fill, switch, damaged, t_a, p_p, t_water, p_y, tripped = truth[count:]
        self._extremes.see(
            appliance_degc=t_a, water_degc=t_water, discharge_pa_abs=p_p, cylinder_pa_abs=p_y, cylinder_fill=fill
        )
        raw = self.sensors.read(now_s, truth[:count])
        if self._loop_faults:
            for row, fault in self._loop_faults.items():
                raw[row] = fault.apply(now_s, raw[row])
        if not self._contacts:
            return raw, []
        contacts = [
            flow,
            1.0 if fill < LEVEL_SWITCH_FILL else 0.0,
            1.0 - switch,
            0.0 if self._elements.emergency_stop else 1.0,
            0.0 if damaged or tripped or not self._elements.motor_ok() else 1.0,
        ]
        if self._contact_faults:
            for n, fault in self._contact_faults.items():
                contacts[n] = fault.apply(now_s, contacts[n])
        return raw, contacts


def _unfit(current_ma: float, clock_s: float) -> Reading:
    """A reading of a loop that gives no measurement (NAMUR NE 43)."""
    if current_ma != current_ma:
        return Reading(nan, clock_s, ReadingFault.NO_REPLY)
    if FAILURE_LOW_MA <= current_ma <= FAILURE_HIGH_MA:
        return Reading(nan, clock_s, ReadingFault.OUT_OF_RANGE)
    return Reading(nan, clock_s, ReadingFault.FAILURE)
