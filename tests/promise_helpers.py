"""A bench that is watched: after every scan the plant's truth is held against what the rig promises.

The watch judges by the plant's own state (valve positions, contents, temperatures) and by the raw readings, never
by what the controller thinks of them. It keeps every breach as a sentence that begins with the promise's number.
"""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cache
from math import inf, pi
from pathlib import Path
from typing import Any

import msgspec

from hil_sim.bench import Bench, Result, scenario
from hil_sim.instruments.faults import SUPPORTED, Fault, FaultKind, Place, PlantFault, place_of
from hil_sim.people import Operator
from hil_sim.plant import layout as at
from hil_sim.plant.model import PlantParameters
from hil_sim.scenario import load_appliance, load_setup
from hil_sim.simulation import Simulation
from rigctl.config import load_job, load_rig, settings_for
from rigctl.control.points import M_101, OUTPUT_TAGS, WAYS_IN, XV_106, XV_201, XV_202, XV_204, XV_301
from rigctl.control.readings import Reading, Readings
from rigctl.control.settings import Cylinder, Settings
from rigctl.control.vocabulary import ACTIVE, Kind, Phase
from rigctl.scan import ScanRecord
from tests.strategies import change

CONFIGS = Path(__file__).parents[1] / "configs"
CAMPAIGN = int(os.environ.get("RIG_CAMPAIGN", "0"))
"""0 in every-day runs; 1 and more multiply the number of runs: RIG_CAMPAIGN=5 pytest tests/test_promises.py."""

LIQUID_KG_M3_25_DEGC = {
    "R-410A": 1058.6, "R-134a": 1206.7, "R-22": 1190.7, "R-407C": 1134.0, "R-32": 961.0, "R-404A": 1044.0,
    "R-290": 492.4, "R-600a": 550.7, "R-1234yf": 1091.7, "R-12": 1311.0, "R-454B": 985.0, "R-513A": 1134.0,
}  # fmt: skip
"""Saturated liquid at 25 degC, NIST REFPROP figures as printed in makers' data sheets (from memory, within 0.5 %)."""
FREEZING_PA_ABS = {"R-134a": 2.928e5}
"""Saturation at 0 degC; NIST REFPROP, as in every printed pressure-temperature chart (from memory)."""
FILL_SLACK = 1.005
"""The density figures above are good to half a percent."""
SHUT_IN_S = 30.0
"""Valves change over one after another; a section that stays shut for longer is shut in. In that time a cooler warms
by well under a kelvin; our choice, no source."""
SHUT = 0.02
"""A valve that is open less than this is shut."""
SEEN_S, SEEN_WARM_S = 0.5, 15.0
"""How long the motor may turn beyond a limit: transmitter (lag 50 ms; a pocket 3 s), scan and contactor; our choice."""
STILL_KG = 0.01
"""What valves that have just been told to shut still let pass; engineering estimate, no source."""
UNARMED = (Phase.IDLE, Phase.HELD, Phase.ABORTED, Phase.STOPPED, Phase.COMPLETE)
ATMOSPHERE_PA = 101_325.0
FULL_OF_LIQUID = 0.8
"""Liquid share of a shut section's volume above which warming could fill it: that of cylinders, AHRI Guideline K."""


@cache
def loaded(job: str, setup: str, rig: str) -> tuple[Settings, PlantParameters, tuple[Cylinder, ...]]:
    """Settings, plant and spare cylinders out of the supplied files, with shorter limits for liquid and vapor."""
    rig_file, job_file = load_rig(CONFIGS / f"rigs/{rig}.toml"), load_job(CONFIGS / f"jobs/{job}.toml")
    appliance = load_appliance(CONFIGS / f"appliances/{job}.toml")
    settings, plant = scenario(
        settings_for(rig_file, job_file), appliance, load_setup(CONFIGS / f"setups/{setup}.toml")
    )
    return settings, plant, tuple(job_file.spare_cylinders)


@dataclass(frozen=True)
class Work:
    """One job on one rig, small enough for a test."""

    job: str = "split-ac"
    setup: str = "short-wide-hoses"
    rig: str = "full"
    charge_kg: float = 0.9
    """Refrigerant in the appliance; what the oil holds and the pocket of liquid shrink with it."""
    room_kg: float = inf
    """Room left in the cylinder below its limit when it comes on; infinite for what the files say."""
    refrigerant: str = ""
    ambient_degc: float = 25.0
    level_pa_abs: float = 0.0
    """Level to reach; 0 for that of the job."""


SMALL = Work()
NEARLY_FULL = Work(charge_kg=3.0, room_kg=1.4)
WATER = Work(job="chiller", charge_kg=9.0)


def limit_kg(refrigerant: str, volume_m3: float) -> float:
    """80 % of the volume with liquid at 25 degC (AHRI Guideline K), from a figure of our own."""
    return 0.8 * LIQUID_KG_M3_25_DEGC[refrigerant] * volume_m3


def made(work: Work) -> tuple[Settings, PlantParameters, tuple[Cylinder, ...]]:
    """What a bench for this job is made of."""
    settings, plant, spares = loaded(work.job, work.setup, work.rig)
    name = work.refrigerant or settings.job.refrigerant
    appliance = plant.appliance
    share = work.charge_kg / appliance.charge_kg
    appliance = replace(
        appliance,
        charge_kg=work.charge_kg,
        volume_m3=max(appliance.volume_m3 * share, 2.5e-3),
        oil_kg=appliance.oil_kg * share,
        liquid_pocket_kg=appliance.liquid_pocket_kg * share,
        liquid_transition_kg=max(appliance.liquid_transition_kg * share, 1e-3),
        metal_heat_capacity_j_k=max(appliance.metal_heat_capacity_j_k * share, 2e3),
        shell_heat_capacity_j_k=max(appliance.shell_heat_capacity_j_k * share, 2e3),
        water_kg=appliance.water_kg * share,
    )
    cylinder = settings.cylinder
    if work.refrigerant:
        cylinder = change(cylinder, refrigerant=name)
        spares = tuple(change(spare, refrigerant=name) for spare in spares)
    own = plant.cylinder
    if work.room_kg < inf:
        residual = limit_kg(name, cylinder.water_capacity_kg * 1e-3) - work.room_kg
        cylinder = change(cylinder, residual_kg=residual)
    if not spares:
        spares = (change(settings.cylinder, serial="SPARE-1", refrigerant="", residual_kg=0.0),)
    ambient = replace(plant.ambient, temperature_degc=work.ambient_degc)
    # Shorter limits than those of a big chiller, so that a job that gets nowhere ends within a test.
    settings = change(
        settings,
        cylinder=cylinder,
        job__refrigerant=name,
        job__charge_kg=work.charge_kg,
        job__ambient_degc=work.ambient_degc,
        job__level_pa_abs=work.level_pa_abs or settings.job.level_pa_abs,
        procedure__liquid_limit_s=600.0,
        procedure__vapor_limit_s=600.0,
        procedure__standing_repeats=8,
        procedure__standing_s=60.0,
    )
    return settings, replace(plant, appliance=appliance, cylinder=own, ambient=ambient), spares


_Z = at
_HOSE = (_Z.Z_X202, _Z.Z_X204, _Z.Z_X301)
_COOLER = (_Z.Z_X201, _Z.Z_X202, _Z.Z_X203)


class Watch:
    """A bench under watch.

    Parameters
    ----------
    work
        The job.
    faults
        What goes wrong.
    seed
        Of instruments and faults; the technician's follows from it.
    operated
        Whether a technician stands at the rig, or the test presses the buttons itself.
    handy
        Whether the technician can mend anything.
    """

    def __init__(
        self,
        work: Work = SMALL,
        faults: Iterable[Fault] = (),
        seed: int = 1,
        *,
        operated: bool = True,
        handy: bool = True,
        settings: dict[str, Any] | None = None,
    ) -> None:
        faults = tuple(faults)
        given, plant, spares = made(work)
        if settings:
            given = change(given, **settings)
        operator = Operator(seed + 100, spares, handy=handy, tries=2, slowest_s=15.0) if operated else None
        self.spares = spares
        self._begin(work, Bench(given, plant, seed, operator, faults), given, faults)

    @classmethod
    def over(cls, simulation: Simulation, seed: int, faults: Iterable[Fault] = ()) -> Watch:
        """A watch over a simulation that was put together elsewhere, with one more thing that goes wrong."""
        watch = cls.__new__(cls)
        watch.spares = tuple(simulation.job.spare_cylinders)
        bench = simulation.bench(seed)
        watch._begin(simulation.setup, bench, simulation.settings, simulation.faults)
        for fault in faults:
            watch.inject(fault)
        return watch

    def _begin(self, work: Work | str, bench: Bench, settings: Settings, faults: tuple[Fault, ...]) -> None:
        self.work, self.bench, self.settings = work, bench, settings
        self.exercised: Counter[int] = Counter()
        """Scans in which what a promise speaks of was there, by its number."""
        self.breaches: list[str] = []
        self.rows: set[str] = set()
        self.phases: set[Phase] = set()
        self.frozen_s = 0.0
        """Longest time for which refrigerant stayed below freezing without flow."""
        self.dead_headed_s = 0.0
        """Time for which the motor turned against a way out that was shut, by valves, cylinder valve and all."""
        self._below_since_s = inf
        self._truth = self.bench.plant.truth()
        self._over_since_s: dict[str, float] = {}
        self._idle_kg = inf
        """What was in the appliance when the rig last stood; infinite while it is armed."""
        self._faulty = {fault.tag for fault in faults}
        self.lying_scale = any(fault.tag == "WT-301" and fault.kind is FaultKind.WRONG for fault in faults)
        """Nobody can tell it from one that tells the truth: the recorded mass is not judged."""
        self._dropped_until_s = -inf
        self._shut_since_s: dict[str, float] = {}
        self._volumes()

    def _volumes(self) -> None:
        parameters = self.bench.plant.parameters
        lines, rig = parameters.lines, parameters.rig
        self._hose_m3 = 0.25 * pi * lines.discharge_hose_bore_m**2 * lines.discharge_hose_length_m
        self._condenser_m3 = rig.condenser_volume_m3
        self._coil_m3 = float(self.bench.plant._k[at.K_VOLUME + at.X])

    # ------------------------------------------------------------------ doing

    def inject(self, fault: Fault) -> None:
        """Let one more thing go wrong."""
        self.bench.inject(fault)
        self._faulty.add(fault.tag)
        self.lying_scale |= fault.tag == "WT-301" and fault.kind is FaultKind.WRONG

    def scan(self) -> ScanRecord | None:
        """One scan, then the check."""
        record = self.bench.scan()
        self._check(record)
        return record

    def run(self, seconds: float) -> Iterator[ScanRecord]:
        """Scan for so long, or until the technician is done."""
        end = self.bench.time_s + seconds
        operator = self.bench.operator
        while self.bench.time_s < end:
            record = self.scan()
            if record is not None:
                yield record
            if operator is not None and operator.done:
                return

    def to(self, *phases: Phase, within_s: float = 1500.0) -> ScanRecord:
        """Scan until one of these phases is reached; fails the test when it is not."""
        for record in self.run(within_s):
            if record.phase in phases:
                return record
        raise AssertionError(f"{self.told()}\nnever reached {[phase.value for phase in phases]}")

    def finish(self, within_s: float = 9000.0) -> Result:
        """Run to the end."""
        for _ in self.run(within_s):
            pass
        self.at_the_end(within_s)
        return self.bench.result()

    def stall(self, seconds: float) -> None:
        """The computer stops for a while; the plant goes on with what was last commanded."""
        for _ in range(round(seconds / self.bench.scan_period_s)):
            self.bench.plant.advance(self.bench.scan_period_s)
            self.bench.clock.tick()

    def told(self) -> str:
        """The last happenings, for the message of a failed test."""
        last = "\n".join(f"{h.at_s:8.1f} {h.source}: {h.text}" for h in self.bench.happenings[-12:])
        return f"{self.work}\n{last}"

    # ------------------------------------------------------------------ judging

    def _breach(self, promise: int, text: str) -> None:
        if len(self.breaches) < 20:
            self.breaches.append(f"promise {promise}, at {self.bench.time_s:.1f} s: {text}")

    def sound(self) -> None:
        """Fail the test if a promise was broken."""
        assert not self.breaches, "\n".join(self.breaches) + "\n" + self.told()

    def _check(self, record: ScanRecord | None) -> None:
        z: list[float] = self._truth.tolist()
        bench, now_s, met = self.bench, self.bench.time_s, self.exercised
        met[1] += z[at.Z_RUNNING] > 0.5
        if record is not None:
            met[3] += any(alarm.kind is Kind.TRIP for alarm in record.alarms)
            met[4] += record.phase in UNARMED
            met[7] += record.phase in (Phase.HELD, Phase.ABORTED)
            self.phases.add(record.phase)
            self.rows.update(alarm.tag for alarm in record.alarms)
            bits = record.outputs.bits
            if bits & M_101 and not way_out(bits, self.settings):
                self._breach(1, f"M-101 commanded without a way out: {record.outputs.by_tag()}")
            cause = must_stop(record.readings, self.settings)
            if cause and bits & (M_101 | WAYS_IN):
                self._breach(3, f"{cause}, and M-101 or an inlet is on in {record.phase.value}")
            if record.phase not in ACTIVE and bits & (M_101 | WAYS_IN):
                self._breach(4, f"M-101 or an inlet is on in {record.phase.value}")
            if record.phase in (Phase.HELD, Phase.ABORTED) and not record.sentence:
                self._breach(7, f"no sentence in {record.phase.value}")
            dropped = bench.emergency_stop or any(
                alarm.tag in ("HS-001.pressed", "AT-001.gas", "WT-301.falling") for alarm in record.alarms
            )
        else:
            dropped = True
        if dropped:
            self._dropped_until_s = now_s + 5.0
        self._check_limits(z, now_s)
        self._check_standing_still(z, record)
        self._check_way_out(z)
        self._check_contents(z)
        self._check_sections(z, now_s)
        if self.settings.job.water_side:
            self._check_water(z, record, now_s)

    def _check_limits(self, z: list[float], now_s: float) -> None:
        """A true value beyond what trips and the instrument may be off has the motor off, as soon as it can be seen."""
        limits, instruments, fitted = self.settings.limits, self.settings.instruments, self.settings.fitted
        rated = self.settings.cylinder.service_pressure_pa_gauge * limits.cylinder_high_fraction + ATMOSPHERE_PA
        u, u_k = 2.0 * instruments.pressure_uncertainty_pa, 2.0 * instruments.temperature_uncertainty_k
        cylinder = "PT-301" if fitted.pt_301 else "PT-201"
        over = {
            "PT-201": (z[at.Z_PA_P] > limits.discharge_high_pa_abs + u, SEEN_S),
            cylinder + " cylinder": (z[at.Z_PA_Y] > rated + u, SEEN_S),
        }
        if fitted.tt_201:
            over["TT-201"] = (z[at.Z_T_P] > limits.discharge_high_degc + u_k, SEEN_WARM_S)
        for name, (is_over, seen_s) in over.items():
            if not is_over or z[at.Z_RUNNING] < 0.5 or self._faulty & {name.split()[0], "M-101", "outputs"}:
                self._over_since_s.pop(name, None)
            elif now_s - self._over_since_s.setdefault(name, now_s) > seen_s:
                self._breach(3, f"M-101 turns {seen_s:.1f} s and more beyond the limit of {name}")

    def _check_standing_still(self, z: list[float], record: ScanRecord | None) -> None:
        """Nothing leaves the appliance while the rig is not under way, or waits for a person."""
        armed = record is None or record.phase not in UNARMED
        if armed or self._faulty & {"XV-101", "XV-102", "XV-104", "plant", "outputs"}:
            self._idle_kg = inf
            return
        held_kg = z[at.Z_KG_A] + z[at.Z_KG_OIL] + z[at.Z_KG_LR]
        self._idle_kg = min(self._idle_kg, max(held_kg, 0.0)) if self._idle_kg == inf else self._idle_kg
        if held_kg < self._idle_kg - STILL_KG:
            self._breach(4, f"{1e3 * (self._idle_kg - held_kg):.0f} g left the appliance in {record.phase.value}")

    def _check_way_out(self, z: list[float]) -> None:
        if z[at.Z_RUNNING] < 0.5:
            return
        way = z[at.Z_X301]
        if self.settings.fitted.cooler_valves:
            way = min(way, max(min(z[at.Z_X201], z[at.Z_X202]), z[at.Z_X204]))
        onto_appliance = z[at.Z_X106] if self.settings.fitted.push_pull else 0.0
        hand = self.bench.plant.hand
        if max(min(way, hand.cylinder_valve), min(onto_appliance, hand.vapor_port)) < 0.01:
            self.dead_headed_s += self.bench.scan_period_s
        way = max(way, onto_appliance)
        if way < 0.1 and not self._faulty & {"M-101", "XV-201", "XV-202", "XV-204", "XV-301", "XV-106"}:
            self._breach(1, f"M-101 turns and its way out is open {way:.2f}")

    def _check_contents(self, z: list[float]) -> None:
        volume = float(self.bench.plant._k[at.K_VOLUME + at.Y])
        limit = limit_kg(self.bench.plant.refrigerant, volume)
        self.exercised[2] += z[at.Z_KG_Y] > 0.8 * limit
        # What is promised is about sensors. An inlet that sticks open is stopped at the limit itself, and what hose and
        # cooler hold then comes on top.
        slack = 1.02 if self._faulty & {"XV-101", "XV-102", "XV-104", "M-101"} else FILL_SLACK
        if z[at.Z_KG_Y] > slack * limit:
            self._breach(2, f"{z[at.Z_KG_Y]:.2f} kg in a cylinder for {limit:.2f} kg")

    def _check_sections(self, z: list[float], now_s: float) -> None:
        sections: list[tuple[str, tuple[int, ...], float]]
        if self.settings.fitted.cooler_valves:
            cooler = self._condenser_m3 + self._coil_m3
            fill = (z[at.Z_FILL_D] * self._condenser_m3 + z[at.Z_FILL_X] * self._coil_m3) / cooler
            sections = [("cooler", _COOLER, fill), ("discharge hose", _HOSE, z[at.Z_FILL_H])]
        else:
            volume = self._condenser_m3 + self._coil_m3 + self._hose_m3
            held = z[at.Z_FILL_D] * self._condenser_m3 + z[at.Z_FILL_X] * self._coil_m3 + z[at.Z_FILL_H] * self._hose_m3
            sections = [("discharge side", (at.Z_X301,), held / volume)]
        worst = max(z[at.Z_PA_D], z[at.Z_PA_X] if self._coil_m3 else 0.0, z[at.Z_PA_H])
        allowed = z[at.Z_PA_Y] + self.bench.plant.parameters.rig.relief_cracking_pa + 2e5
        for name, valves, fill in sections:
            shut_full = fill > FULL_OF_LIQUID and all(z[valve] < SHUT for valve in valves)
            if not shut_full or self.bench.plant.hand.cylinder_valve < SHUT:
                # Where a person has shut the cylinder's own valve no valve of the rig can keep a way open.
                self._shut_since_s.pop(name, None)
                continue
            self.exercised[5] += 1
            since_s = self._shut_since_s.setdefault(name, now_s)
            if worst > allowed and not self._faulty:
                # Outputs that had to drop shut liquid in: relief valves carry what is too much to the cylinder.
                self._breach(5, f"{name} shut at {worst / 1e5:.1f} bar, {allowed / 1e5:.1f} bar allowed")
            if now_s <= self._dropped_until_s or self._faulty & {"XV-201", "XV-202", "XV-203", "XV-204", "XV-301"}:
                continue
            if now_s - since_s > SHUT_IN_S:
                self._breach(5, f"{name} is shut in {100 * fill:.0f} % full of liquid")

    def _check_water(self, z: list[float], record: ScanRecord | None, now_s: float) -> None:
        if z[at.Z_WATER_ICE] > 0.0:
            self._breach(6, f"{100 * z[at.Z_WATER_ICE]:.2f} % of the water is ice")
        below = z[at.Z_WATER_FLOW] < 0.5 and z[at.Z_PA_A] < FREEZING_PA_ABS[self.bench.plant.refrigerant]
        if not below:
            self._below_since_s = inf
        elif self._below_since_s == inf:
            self._below_since_s = now_s
        else:
            self.frozen_s = max(self.frozen_s, now_s - self._below_since_s)

    def at_the_end(self, within_s: float) -> None:
        """What must be so when nobody does anything any more."""
        bench = self.bench
        operator, record = bench.operator, bench.last
        assert operator is not None
        assert record is not None
        if not operator.done:
            self._breach(7, f"no end within {within_s:.0f} s, in {record.phase.value}: {record.sentence!r}")
        ends = (Phase.COMPLETE, Phase.STOPPED, Phase.ABORTED, Phase.HELD)
        if record.phase is Phase.IDLE:
            refused = [h.text for h in bench.happenings if h.source == "rig" and "start is not taken" in h.text]
            if not refused and Phase.ABORTED not in self.phases:
                self._breach(7, "ended in IDLE with neither a trip nor a refused start to say why")
        elif record.phase not in ends or not record.sentence:
            self._breach(7, f"ended in {record.phase.value}: {record.sentence!r}")
        # Coverage factor 3 (JCGM 100:2008, 6.3): beyond it lies one in 370 of single results, and a test runs many.
        error_kg, uncertainty_kg = self.mass_error()
        self.exercised[8] += not self.lying_scale
        # A scale that lies by less than a knock can't be told from one that tells the truth, and nothing else weighs.
        if not abs(error_kg) <= 3.0 * uncertainty_kg and not self.lying_scale:
            self._breach(8, f"{error_kg:+.3f} kg off, and {uncertainty_kg:.3f} kg stated")

    def mass_error(self) -> tuple[float, float]:
        """Recorded less true mass, and the stated standard uncertainty, kg."""
        result = self.bench.result()
        return result.recovered_kg - result.true_recovered_kg, result.recovered_uncertainty_kg


def way_out(bits: int, settings: Settings) -> bool:
    """Whether these outputs leave the compressor an open way out, into the cylinder or in push-pull onto the appliance;
    written a second time by hand."""
    if settings.fitted.push_pull and bits & XV_106:
        return True
    if not bits & XV_301:
        return False
    if not settings.fitted.cooler_valves:
        return True
    return bool(bits & XV_204) or (bool(bits & XV_201) and bool(bits & XV_202))


def unfit(reading: Reading, now_s: float, settings: Settings) -> bool:
    """Whether a reading may not be used; written a second time by hand."""
    if reading.fault is not None or not -inf < reading.value < inf:
        return True
    age = now_s - reading.taken_at_s
    return not 0.0 <= age <= settings.instruments.reading_max_age_s


def must_stop(readings: Readings, settings: Settings) -> str:
    """A cause in this scan's readings that has to stop M-101 and shut the inlets at once; "" when there is none.

    Written from the cause-and-effect table's words, without its code: only causes that need no memory.
    """
    r, now, limits, fitted = readings, readings.now_s, settings.limits, settings.fitted
    if unfit(r.pt_201_pa_abs, now, settings) or r.pt_201_pa_abs.value >= limits.discharge_high_pa_abs:
        return "PT-201 high or unfit"
    if unfit(r.pt_101_pa_abs, now, settings):
        return "PT-101 unfit"
    if fitted.tt_201 and (unfit(r.tt_201_degc, now, settings) or r.tt_201_degc.value >= limits.discharge_high_degc):
        return "TT-201 high or unfit"
    if fitted.at_001 and (unfit(r.at_001_lfl, now, settings) or r.at_001_lfl.value >= limits.gas_alarm_lfl):
        return "AT-001 in alarm or unfit"
    for tag, has, contact in (
        ("HS-001", fitted.hs_001, r.hs_001_ok),
        ("PSH-201", fitted.psh_201, r.psh_201_ok),
        ("M-101", fitted.m_101_ok, r.m_101_ok),
    ):
        if has and (unfit(contact, now, settings) or contact.value <= 0.5):
            return f"{tag} contact open or unfit"
    return ""


# ---------------------------------------------------------------------- every single fault

_VALUES: dict[str, float] = {
    "PT-101": 2e5, "PT-102": 2e5, "PT-201": 4e5, "PT-301": 4e5, "PT-001": 2e5, "TT-101": 15.0, "TT-201": 30.0,
    "TT-301": 10.0, "TT-001": 8.0, "AT-001": 0.1, "WT-301": -1.5, "CV-103": 0.4,
}  # fmt: skip
_LATE_S = {FaultKind.SLOW: 20.0, FaultKind.DELAYED: 5.0}
_INSTRUMENTS = (
    "PT-101", "PT-102", "PT-201", "PT-301", "PT-001", "TT-101", "TT-201", "TT-301", "TT-001", "AT-001", "WT-301",
)  # fmt: skip
_CONTACTS = ("FS-001", "LSH-301", "PSH-201", "HS-001", "M-101.ok")
_PLANT_FAULTS: dict[PlantFault, dict[str, float]] = {
    PlantFault.CYLINDER_VALVE_SHUT: {},
    PlantFault.PORT_SHUT: {},
    PlantFault.LEAK: {"value": 5e-7},
    PlantFault.ICED_INLET: {},
    PlantFault.APPLIANCE_LEAK: {},
    PlantFault.CONDENSER_BLOCKED: {},
    PlantFault.WATER_STOPPED: {},
    PlantFault.SCALE_KNOCKED: {},
    PlantFault.SCALE_MOVED: {"value": 1.5},
    PlantFault.SCALE_REMOVED: {},
}


def faults_at(at_s: float) -> list[Fault]:
    """Every single fault a rig can have, each once: every kind at every instrument, contact, valve and motor."""
    found = []
    for tag in (*_INSTRUMENTS, *_CONTACTS, *OUTPUT_TAGS, "CV-103"):
        place = place_of(tag)
        for kind in sorted(SUPPORTED[place] - {FaultKind.OK}, key=lambda kind: kind.value):
            value = _VALUES.get(tag, float("nan")) if kind is FaultKind.WRONG else _LATE_S.get(kind, float("nan"))
            found.append(Fault(tag, kind, at_s, value=value))
            if kind is FaultKind.STUCK and place is Place.VALVE:
                found[-1] = Fault(tag, kind, at_s, value=0.0)
                found.append(Fault(tag, kind, at_s, value=1.0))
            if kind is FaultKind.WRONG and place is not Place.CONTACT:
                found.append(Fault(tag, kind, at_s, value=-value))
    found += [Fault("plant", kind, at_s, **more) for kind, more in _PLANT_FAULTS.items()]
    found.append(Fault("plant", PlantFault.AIR_IN_CYLINDER, 0.0, value=0.7))
    found.append(Fault("plant", PlantFault.POWER_CUT, at_s, at_s + 8.0))
    return found


def named(fault: Fault) -> str:
    """A fault as the name of a test."""
    value = "" if fault.value != fault.value else f" {fault.value:g}"
    return f"{fault.tag} {fault.kind.value}{value} at {fault.at_s:g} s"


def sampled(faults: Sequence[Fault], one_in: int, start: int = 0) -> list[Fault]:
    """An even share of these faults; all of them in a campaign."""
    return list(faults) if CAMPAIGN else list(faults)[start::one_in]


def encoded(value: object) -> bytes:
    """Bytes that are equal only for values that are equal to the bit."""
    return msgspec.msgpack.Encoder(order="deterministic").encode(value)
