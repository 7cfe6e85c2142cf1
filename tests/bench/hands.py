"""When to stop pulling and how long to stand: the closed loop against three hands at the same rig.

Everybody begins at the same instant in the same plant, that in which the closed loop first opens an inlet to take
refrigerant, and is done when a standing check is passed. Line-up, clear-out and isolating are the same for all and
left out; the whole time of the closed loop stands beside.

What counts
    From the first opening of an inlet in liquid or vapor to the end of the first standing check that passed, waits for
    a technician, holds and trips in it; beside it the same without them.
The check
    Pumping has stopped, for `standing_settle_s` + `standing_s` of the job's settings the appliance is watched: after
    the settling it is never above the level, and the appliance, shut in, is not above it ten minutes later either. For
    the hands the truth says so (nobody at the rig could know), and the check takes its whole length; the closed loop
    goes by its instruments and may pass early; how often the truth was above the level then, and ten minutes later, is
    told. Inlets are shut where PT-001 is fitted; without it one looks at the appliance through an open inlet, and so do
    the hands.
The same for all
    Plant, set-up, aids as fitted (fans, bath, heater; the hands switch all on at once), the limits: discharge pressure
    and temperature, compression ratio, cylinder pressure (pause, then the same deed of the technician), fill limit
    (then another cylinder), 15 s between stop and start of the motor. Where a throttle is fitted the slugging index
    of the oracle stays below 1 from 5 s after a start, and the hands listen for it; what stands in the plenum after
    line-up goes through the compressor whoever works. A ratio above its limit stops the hands for 30 s. A deed of the
    technician (hose moved, cylinder changed or cooled) takes a hand as long as it took in this job's closed loop; if
    it was not needed there, as long as the technician takes on average.
(a) fixed rule
    Liquid as (b) takes it, then vapor down to the level, 60 s of standing, again if it came back above; after 60 s
    that hold he stands on until the check is passed. Looks and acts like (b).
(b) careful hand
    Looks at gauges and scale every 15 s and acts 15 s after what was seen. Opens the throttle in steps as the sound
    of the compressor allows, goes over to vapor when the weight slope has fallen to half, pulls a third below the
    level, stands; when it comes back, pulls deeper.
(c) oracle
    Knows the plant: searches throttle, switch to vapor, vapor inlet, ramp, fan, stands between and what to do at a
    limit, some 10 to 25 plans a job; pulls without a break and stops at the first instant, to 5 s, from which the
    check will be passed. A search, not a proof: the true best may be some per cent lower.

`python -m tests.bench.hands --jobs 20` prints one line for each tuning job; `--why` how each of the four went,
`--stops` what other stops would have given from the first stop of the closed loop on.
"""

import argparse
import dataclasses
import math
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field

import numpy as np

from hil_sim.instruments.faults import PlantFault
from hil_sim.plant import layout as at
from hil_sim.plant.batch import cores
from hil_sim.plant.model import Actuators, Hand, Plant, PlantError
from rigctl.control.vocabulary import Ask, Phase
from rigctl.refrigerant import catalogue
from rigctl.refrigerant.cylinder import fill_limit
from tests.bench import jobs
from tests.bench.core import Figure

JOBS, QUICK_JOBS = 100, 3
LONGEST_S = 3.0 * 3600.0
"""Who is not done by then never is."""
STEP_S = 1.0
KEPT_S = 600.0
"""A level that is kept so long is kept (the project's design)."""
LOOK_S = 15.0
"""Between two looks of a hand, and from a look to what is done about it."""
UNCOVERED = 0.5
"""Quality at the liquid port above which the liquid that can flow is taken as gone."""
GRACE_S = 5.0
"""After a start of the motor: what then stands in the plenum goes through the compressor whoever works."""
ATMOSPHERE_PA = 101_325.0
TECHNICIAN_S = 22.5
"""Mean delay of the simulated technician for a simple thing (`hil_sim.people`: 5 to 40 s, times as below)."""
DEEDS_S = {
    Ask.HOSE_TO_VAPOR: TECHNICIAN_S + 4.0,
    Ask.CHANGE_CYLINDER: 6 * TECHNICIAN_S + 40.0,
    Ask.COOL_CYLINDER: 8 * TECHNICIAN_S + 4.0,
}
COOLING_ICE_KG = 5.0
RATIO = "ratio"
TRIES = 4
"""So often a cylinder is cooled before a hand gives up, as the technician does."""


# ---- the plant at one instant ----------------------------------------------------------------------------


@dataclass(frozen=True)
class Snapshot:
    """A plant that can be gone back to."""

    arrays: tuple
    act: Actuators
    hand: Hand


_KEPT = ("x", "k", "rows", "eos", "z")


def snapshot(plant):
    store, _ = plant.compiled_form()
    arrays = tuple(getattr(store, name).copy() for name in _KEPT)
    hand = dataclasses.replace(plant.hand, stuck=dict(plant.hand.stuck))
    return Snapshot(arrays, dataclasses.replace(plant.act), hand)


def restore(plant, kept):
    store, _ = plant.compiled_form()
    for name, array in zip(_KEPT, kept.arrays, strict=True):
        getattr(store, name)[:] = array
    plant.act = dataclasses.replace(kept.act)
    plant.hand = dataclasses.replace(kept.hand, stuck=dict(kept.hand.stuck))
    plant.forget_inputs()


# ---- the closed loop -------------------------------------------------------------------------------------


@dataclass
class Ours:
    """How the closed loop did. Times in s, from the first opening of an inlet."""

    ended: str = ""
    verified_s: float = math.inf
    whole_s: float = math.nan
    """From the start of the job to its end, waits included."""
    waits_s: float = 0.0
    """Of `verified_s`: holding, HELD, restarting, trips."""
    liquid_s: float = 0.0
    vapor_s: float = 0.0
    standing_s: float = 0.0
    """In checks that failed."""
    checks: int = 0
    returns: int = 0
    """Times it went back to the liquid."""
    causes: list = field(default_factory=list)
    """What made it hold or trip."""
    trips: int = 0
    above_level: bool = False
    """The truth was above the level when the check was passed."""
    above_later: bool = False
    """It would be ten minutes later, were the appliance then shut in and left."""
    dose_s: float = 0.0
    """Slugging beyond index 1, weighted by it, once `GRACE_S` have gone by since a start."""
    spans: list = field(default_factory=list)


@dataclass
class Case:
    """One job as all find it."""

    seed: int
    about: str
    settings: object
    refrigerant: str
    parameters: object
    start: Snapshot | None
    start_s: float
    deeds_s: dict
    spares: tuple
    first_stop: Snapshot | None = None
    first_stop_s: float = math.nan
    leak: bool = False
    pressure_error_pa: float = 0.0
    """Of the instrument by which the closed loop judges the level, at the level."""


def closed_loop(seed):
    """Run the job in closed loop; its case and how it went."""
    simulation = jobs.job(seed)
    settings, appliance = simulation.settings, simulation.parameters.appliance
    bench = simulation.bench(seed)
    ours = Ours()
    cylinder = dataclasses.replace(
        simulation.parameters.cylinder,
        volume_m3=settings.cylinder.water_capacity_kg * 1e-3,
        tare_kg=settings.cylinder.tare_kg,
        residual_kg=settings.cylinder.residual_kg or simulation.parameters.cylinder.residual_kg,
    )
    tag = "PT-001" if settings.fitted.pt_001 else "PT-101"
    bias, gain, _ = bench.sensors.error_of(tag)
    case = Case(
        seed,
        f"{simulation.rig.name.split()[0]} {simulation.refrigerant} {appliance.charge_kg:.2f}kg "
        f"{'liq' if settings.job.liquid_first else 'vap'} {simulation.parameters.ambient.temperature_degc:.0f}C",
        settings, simulation.refrigerant, dataclasses.replace(simulation.parameters, cylinder=cylinder), None, math.nan,
        dict(DEEDS_S), simulation.job.spare_cylinders,
        leak=any(fault.kind is PlantFault.APPLIANCE_LEAK for fault in simulation.faults),
        pressure_error_pa=bias + gain * settings.job.level_pa_abs,
    )  # fmt: skip
    try:
        _run(bench, case, ours)
    except PlantError as error:
        ours.ended = f"plant: {error}"
        return case, ours
    result = bench.result()
    ours.ended, ours.whole_s = result.outcome.value, result.duration_s
    if not bench.operator.done:
        ours.ended = f"unfinished in {ours.ended}"
    return case, ours


def _run(bench, case, ours):
    level, truth = case.settings.job.level_pa_abs, bench.plant.truth()
    phase, begin_s, ask, away_s, checks = Phase.IDLE, 0.0, Ask.NOTHING, math.nan, 0
    dose, on_s = 0.0, 0.0
    for record in bench.run(LONGEST_S):
        now_s, truth = bench.time_s, bench.plant.truth()
        on_s = on_s + bench.scan_period_s if truth[at.Z_RUNNING] > 0.5 else 0.0
        if case.start is not None and on_s > GRACE_S and ours.verified_s == math.inf:
            ours.dose_s += truth[at.Z_DOSE] - dose
        dose = truth[at.Z_DOSE]
        for event in record.events:
            if event.kind in ("trip", "hold") and case.start is not None and ours.verified_s == math.inf:
                ours.causes.append(event.tag)
        if record.phase is not phase:
            if case.start is not None and ours.verified_s == math.inf:
                _spent(ours, phase, now_s - begin_s, record.phase)
            if phase is Phase.VAPOR and record.phase is Phase.STANDING and case.first_stop is None:
                case.first_stop, case.first_stop_s = snapshot(bench.plant), now_s
            if record.phase in (Phase.LIQUID, Phase.VAPOR):
                if case.start is None:
                    case.start, case.start_s = snapshot(bench.plant), now_s - bench.scan_period_s
                elif away_s == away_s:
                    case.deeds_s[ask] = now_s - away_s
                    away_s = math.nan
            elif record.phase in (Phase.HOLDING, Phase.ABORTING) and away_s != away_s:
                away_s = now_s
            phase, begin_s = record.phase, now_s
        if record.phase is Phase.HELD:
            ask = record.ask
        elif record.phase in (Phase.LIQUID, Phase.VAPOR, Phase.STANDING):
            ask = Ask.NOTHING
        if len(record.standing_checks) > checks:
            checks = len(record.standing_checks)
            if record.standing_checks[-1].passed and ours.verified_s == math.inf:
                ours.verified_s = now_s - case.start_s
                ours.checks = checks
                ours.above_level = bool(truth[at.Z_PA_A] > level)
                ours.above_later = not keeps(bench.plant, level)
    if ours.verified_s == math.inf:
        ours.checks = checks


def _spent(ours, phase, spent_s, to):
    if phase is Phase.LIQUID:
        ours.liquid_s += spent_s
    elif phase is Phase.VAPOR:
        ours.vapor_s += spent_s
        ours.returns += to is Phase.LIQUID
    elif phase is Phase.STANDING:
        ours.standing_s += spent_s
    else:
        ours.waits_s += spent_s
        ours.trips += phase is Phase.ABORTING
    ours.spans.append((phase.value, spent_s))


# ---- somebody at the rig ---------------------------------------------------------------------------------


class BeatenError(Exception):
    """A limit was met that ends the attempt."""


class Rig:
    """The rig of a case in somebody's hands, with the same limits as in the closed loop."""

    def __init__(self, case, start=None):
        self.case, self.settings = case, case.settings
        self.plant = Plant(case.refrigerant, case.parameters)
        restore(self.plant, start or case.start)
        self.z = self.plant.truth()
        limits, fitted = self.settings.limits, self.settings.fitted
        self.began_s = float(self.z[at.Z_TIME_S])
        self.one_inlet = not (fitted.xv_101 and fitted.xv_102)
        self.limits, self.fitted = limits, fitted
        service_pa = self.settings.cylinder.service_pressure_pa_gauge
        self.pause_pa = ATMOSPHERE_PA + limits.cylinder_pause_fraction * service_pa
        self.high_pa = ATMOSPHERE_PA + limits.cylinder_high_fraction * service_pa
        water_kg = self.settings.cylinder.water_capacity_kg
        self.full_kg = fill_limit(catalogue.get(case.refrigerant), water_kg).limit_kg - limits.fill_reserve_kg
        self.spares = list(case.spares)
        self.inlets, self.throttle, self.pumping = "none", 0.25, False
        self.since_s = self.off_s = -math.inf
        self.fan, self.emptying, self.near = True, False, False
        self.loud = 0.0
        """Loudest of the compressor's sound, as slugging index, since somebody listened."""
        self.slugged, self.trips, self.cooled = False, 0, 0
        self.ratio_s, self.motor_s = 0.0, 0.0
        self.events = []

    # -- what is done

    @property
    def time_s(self):
        return float(self.z[at.Z_TIME_S]) - self.began_s

    def pull(self, inlets, throttle=None):
        """Inlets "liquid" or "both" open and the compressor on."""
        if inlets != self.inlets or not self.pumping:
            self.since_s = self.time_s
        self.inlets, self.pumping = inlets, True
        self.throttle = self.throttle if throttle is None else min(max(throttle, 0.02), 1.0)

    def stand(self):
        """Compressor off; the appliance is watched."""
        if self.pumping:
            self.off_s = self.time_s
        self.pumping, self.inlets = False, "none" if self.fitted.pt_001 else "both"

    def rest(self):
        """All shut, the way into the cylinder open."""
        if self.pumping:
            self.off_s = self.time_s
        self.pumping, self.inlets = False, "none"

    def move_hose(self):
        """Only for a rig with one inlet: to the vapor port."""
        if self.one_inlet and not self.plant.hand.hose_on_vapor:
            self.deed(Ask.HOSE_TO_VAPOR)
            self.plant.hand.hose_on_vapor = True

    def deed(self, ask):
        """A person does something while the rig rests."""
        self._rest_for(ask.value, self.case.deeds_s.get(ask, DEEDS_S[ask]))

    def _rest_for(self, why, seconds):
        before = self.inlets, self.pumping
        self.rest()
        self.events.append((why, seconds))
        self.steps(seconds)
        self.inlets, self.pumping = before
        self.since_s = self.time_s

    # -- time

    def steps(self, seconds):
        for _ in range(max(round(seconds / STEP_S), 1)):
            self.step()

    def step(self):
        z, fitted, now_s = self.z, self.fitted, self.time_s
        if now_s > LONGEST_S:
            raise BeatenError("time")
        liquid, both = self.inlets == "liquid", self.inlets == "both"
        runs = self.pumping and now_s >= self.since_s + 1.0 and now_s >= self.off_s + 15.0
        self.plant.act = Actuators(
            xv_101=(liquid or both) and (fitted.xv_101 or self.one_inlet),
            xv_102=both and fitted.xv_102 and not self.one_inlet,
            xv_201=self.pumping or self.inlets == "none" or not fitted.cooler_valves,
            xv_202=True, xv_301=True, cv_103=self.throttle, m_101=runs,
            m_201=(self.fan and self.pumping) if fitted.m_201 else runs,
            m_202=fitted.m_202, m_001=fitted.m_001, eh_001=fitted.eh_001,
        )  # fmt: skip
        if not self.pumping and self.inlets == "both":
            self.plant.act.xv_201 = False
        if self.emptying:
            self.plant.act = Actuators(
                xv_203=True, xv_204=True, xv_301=True, m_101=True, m_201=fitted.m_201, cv_103=self.throttle,
                m_001=fitted.m_001, eh_001=fitted.eh_001,
            )  # fmt: skip
        dose = z[at.Z_DOSE]
        self.plant.advance(STEP_S)
        self.motor_s = self.motor_s + STEP_S if z[at.Z_RUNNING] > 0.5 else 0.0
        if self.motor_s > GRACE_S:
            self.slugged = self.slugged or (fitted.cv_103 and z[at.Z_DOSE] > dose)
            self.loud = max(self.loud, float(z[at.Z_SLUG]))
        self._limits()

    def _limits(self):
        z, limits = self.z, self.limits
        if z[at.Z_PA_P] >= limits.discharge_high_pa_abs or z[at.Z_SWITCH_OPEN] > 0.5:
            raise BeatenError("discharge pressure")
        if self.fitted.tt_201 and z[at.Z_T_P] >= limits.discharge_high_degc:
            raise BeatenError("discharge temperature")
        if self.fitted.tt_301 and z[at.Z_T_WALL] >= limits.cylinder_high_degc:
            raise BeatenError("cylinder hot")
        if z[at.Z_DAMAGED] > 0.5:
            raise BeatenError("compressor damaged")
        if z[at.Z_TRIPPED] > 0.5:
            self.trips += 1
        cylinder_pa = self.cylinder_pa
        if cylinder_pa >= self.high_pa:
            raise BeatenError("cylinder pressure")
        if not self.pumping:
            return
        over = self.motor_s > 0.0 and z[at.Z_PA_P] >= limits.compression_ratio_high * z[at.Z_PA_M]
        self.ratio_s = self.ratio_s + STEP_S if over else 0.0
        if self.ratio_s > 5.0:
            self.ratio_s = 0.0
            self._rest_for(RATIO, 2.0 * LOOK_S)
        if cylinder_pa >= self.pause_pa:
            self.cooled += 1
            if self.cooled > TRIES:
                raise BeatenError("cylinder too warm")
            self.deed(Ask.COOL_CYLINDER)
            self.plant.add_ice(COOLING_ICE_KG)
        if z[at.Z_KG_Y] >= self.full_kg:
            self._change_cylinder()

    def _change_cylinder(self):
        if not self.spares:
            raise BeatenError("no cylinder left")
        self.deed(Ask.CHANGE_CYLINDER)
        new = self.spares.pop(0)
        like = self.case.parameters.cylinder
        self.plant.swap_cylinder(
            dataclasses.replace(
                like, volume_m3=new.water_capacity_kg * 1e-3, tare_kg=new.tare_kg, residual_kg=0.002, ncg_mol=0.0
            )
        )

    # -- what is seen

    @property
    def appliance_pa(self):
        """What the gauge shows that the closed loop has for the appliance, without its error."""
        return float(self.z[at.Z_PA_A if self.fitted.pt_001 else at.Z_PA_M])

    @property
    def cylinder_pa(self):
        return float(self.z[at.Z_PA_Y if self.fitted.pt_301 else at.Z_PA_P])

    def strain(self):
        """How near the compressor is to a limit that a smaller throttle keeps it from: 1 is at the limit."""
        z, limits = self.z, self.limits
        return max(
            z[at.Z_PA_P] / z[at.Z_PA_M] / limits.compression_ratio_high,
            z[at.Z_PA_P] / limits.discharge_high_pa_abs,
            1.0 - 4.0 * (1.0 - self.cylinder_pa / self.pause_pa),  # that comes slowly
        )

    @property
    def heat(self):
        """The same for the discharge temperature, from 25 degC: only standing helps."""
        if not self.fitted.tt_201:
            return 0.0
        return (float(self.z[at.Z_T_P]) - 25.0) / (self.limits.discharge_high_degc - 25.0)

    @property
    def liquid_first(self):
        """Whether liquid stands at a port that can be reached."""
        return self.settings.job.liquid_first and float(self.z[at.Z_QUALITY_PORT]) < UNCOVERED


class Check:
    """A standing check, second by second."""

    def __init__(self, settings):
        procedure = settings.procedure
        self.settle_s, self.standing_s = procedure.standing_settle_s, procedure.standing_s
        self.level = settings.job.level_pa_abs
        self.stood_s = 0.0

    def second(self, p):
        """None while it goes on; else whether it stood below the level."""
        self.stood_s += STEP_S
        watched_s = self.stood_s - self.settle_s
        if watched_s < 0.0:
            return None
        if not p <= self.level:
            return False
        return None if watched_s < self.standing_s else True


def keeps(plant, level_pa_abs):
    """Whether the appliance, shut in now, is not above the level later; the plant stays where it is."""
    here = snapshot(plant)
    kept = jobs.later_pa_abs(plant, KEPT_S) <= level_pa_abs
    restore(plant, here)
    return kept


def passes(rig):
    """Stand for the check, by the truth."""
    rig.stand()
    check = Check(rig.settings)
    while True:
        rig.step()
        verdict = check.second(float(rig.z[at.Z_PA_A]))
        if verdict is not None:
            return verdict and keeps(rig.plant, check.level)


@dataclass
class Done:
    """How somebody did. Times in s."""

    verified_s: float = math.inf
    why: str = ""
    liquid_s: float = 0.0
    first_stop_s: float = math.nan
    stops: int = 0
    stood_s: float = 0.0
    """In checks that failed."""
    waits_s: float = 0.0
    slugged: bool = False
    trips: int = 0
    events: list = field(default_factory=list)
    choice: dict = field(default_factory=dict)
    stop_pa: float = math.nan
    """Of the appliance, at the stop before the check that passed."""


# ---- (a) and (b): hands ----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Manner:
    """How a hand finishes."""

    below: float
    """First pull, as a share of the level."""
    tighten: float
    """Each later pull over the one before."""
    stand_s: float = 0.0
    """A stand so long is looked at only at its end; 0: looked at every 15 s."""
    look_s: float = LOOK_S


FIXED_RULE = Manner(1.0, 1.0, 60.0)
CAREFUL = Manner(2.0 / 3.0, 0.7)
FIRST_THROTTLE = 0.15
QUIET, LOUD = 0.5, 0.8
"""Slugging index at which a hand opens the throttle by half, and shuts it by a third."""
NEAR = 0.85
"""Share of a limit from which a hand goes slower, or stands for a while."""
SPENT = 0.7
"""Share at which a pull that is below the level has done what it can."""
SLOPE_SHARE = 0.5
SLOW_KG_S = 1e-3


def by_hand(case, manner, start=None):
    rig, done = Rig(case, start), Done()
    try:
        if start is None:
            _liquid_by_hand(rig, done)
        _finish_by_hand(rig, done, manner)
    except BeatenError as met:
        done.why, done.verified_s = str(met), math.inf
    except PlantError:
        done.why = "plant"
    done.slugged, done.trips, done.events = rig.slugged, rig.trips, rig.events
    return done


def _by_ear(rig):
    """Throttle that a hand would set after what was heard and read."""
    throttle = rig.throttle
    if rig.strain() > NEAR or rig.loud > LOUD:
        throttle /= 1.5
    elif rig.loud < QUIET and rig.strain() < 0.9 * NEAR and rig.motor_s > GRACE_S:
        throttle *= 1.5
    rig.loud = 0.0
    return min(throttle, 1.0)


def _liquid_by_hand(rig, done):
    if not rig.liquid_first:
        rig.move_hose()
        rig.throttle = FIRST_THROTTLE
        return
    inlets = "both" if rig.settings.job.vapor_inlet_with_liquid else "liquid"
    rig.pull(inlets, FIRST_THROTTLE)
    best, before_kg, highest_pa = 0.0, float(rig.z[at.Z_GROSS_KG]), 0.0
    while True:
        rig.steps(LOOK_S)
        slope = (rig.z[at.Z_GROSS_KG] - before_kg) / LOOK_S
        before_kg, best = float(rig.z[at.Z_GROSS_KG]), max(best, slope)
        highest_pa = max(highest_pa, rig.z[at.Z_PA_M])
        fallen = best > SLOW_KG_S and slope < SLOPE_SHARE * best
        if fallen or rig.z[at.Z_PA_M] < 0.5 * highest_pa or (rig.time_s > 120.0 and best < SLOW_KG_S):
            break
        throttle = _by_ear(rig)
        rig.steps(LOOK_S)
        rig.pull(inlets, throttle)
    rig.steps(LOOK_S)  # reaction
    rig.move_hose()
    done.liquid_s = rig.time_s


def _finish_by_hand(rig, done, manner):
    procedure, level = rig.settings.procedure, rig.settings.job.level_pa_abs
    target = max(manner.below * level, procedure.pull_floor_pa_abs)
    while True:
        rig.pull("both")
        _pull_by_hand(rig, target, level, manner)
        if done.first_stop_s != done.first_stop_s:
            done.first_stop_s = rig.time_s
        done.stops += 1
        done.stop_pa, stopped_s = float(rig.z[at.Z_PA_A]), rig.time_s
        if _stand_by_hand(rig, manner, level):
            done.verified_s = rig.time_s
            return
        done.stood_s += rig.time_s - stopped_s
        target = max(manner.tighten * target, procedure.pull_floor_pa_abs)


def _pull_by_hand(rig, target, level, manner):
    lowest, since_s = math.inf, rig.time_s
    look_s = manner.look_s
    while True:
        rig.steps(look_s)
        p = rig.appliance_pa
        if p < 0.98 * lowest:
            lowest, since_s = p, rig.time_s
        near = (rig.strain() if not rig.fitted.cv_103 else 0.0) > NEAR or rig.heat > NEAR
        spent = near or rig.strain() > SPENT or rig.time_s - since_s > 60.0
        throttle = _by_ear(rig)
        rig.steps(look_s)
        if p <= target or (p <= level and spent):
            return
        if near:
            rig.stand()
            rig.steps(2.0 * look_s)
        rig.pull("both", throttle)


def _stand_by_hand(rig, manner, level):
    """Whether the check is passed; a look that sees more than the level ends it, one reaction later."""
    rig.stand()
    check = Check(rig.settings)
    due_s = manner.stand_s or manner.look_s
    failed = False
    while True:
        rig.step()
        verdict = check.second(float(rig.z[at.Z_PA_A]))
        verdict = keeps(rig.plant, level) if verdict else verdict
        if verdict:
            return True
        failed = failed or verdict is False
        if failed and check.stood_s >= check.settle_s + check.standing_s:
            return False
        if check.stood_s >= due_s:
            if rig.appliance_pa > level and check.stood_s >= check.settle_s:
                rig.steps(0.0 if manner.stand_s else manner.look_s)
                return False
            due_s += manner.look_s


# ---- (c) oracle ------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Plan:
    """What the oracle chooses."""

    throttle: float = 0.25
    """While liquid comes."""
    both: bool = False
    """Vapor inlet open with the liquid."""
    late_s: float = 0.0
    """How long after the port shows vapor (or before, negative) it goes over to vapor."""
    ramp_s: float = 2.0
    """Time in which the throttle then opens wholly."""
    widest: float = 1.0
    fan_to_kg_s: float = 0.0
    """Flow below which the condenser fan is off."""
    pulses: bool = False
    """At a limit it stands for a while; otherwise it keeps below with the throttle, where there is one."""
    pulse_s: float = 15.0
    """How long it then stands, and when the compressor is too hot."""
    stand_s: float = 0.0
    """One stand, once the level is reached, before the pull goes on."""


AIM = 0.95
"""Share of a limit at which the oracle works."""
FINE_S = 5.0
BLOCK_S = 30.0


def _liquid_by_plan(rig, plan, uncovered_s=math.inf):
    """Draw liquid to the planned end; when the port was uncovered."""
    inlets = "both" if plan.both else "liquid"
    rig.pull(inlets, plan.throttle)
    left_s = math.inf
    while True:
        rig.step()
        if rig.z[at.Z_QUALITY_PORT] >= UNCOVERED:
            left_s = min(left_s, rig.time_s)
        end_s = left_s if plan.late_s >= 0.0 else uncovered_s
        if rig.time_s >= end_s + plan.late_s or (rig.slugged and rig.fitted.cv_103):
            return left_s


def _pull_second(rig, plan, began_s):
    """One second of vapor: throttle by plan, smaller where ratio or discharge come near their limits."""
    rise = (plan.widest - 0.02) / plan.ramp_s * STEP_S
    strain = rig.strain() if rig.motor_s > GRACE_S else 0.0
    rig.near = rig.near or strain > AIM
    if (strain > AIM and (plan.pulses or not rig.fitted.cv_103)) or rig.heat > AIM:
        rig.stand()
        rig.steps(plan.pulse_s)
        rig.pull("both")
    elif rig.near and not plan.pulses:
        rig.throttle = min(max(rig.throttle * min(max((AIM / max(strain, 0.1)) ** 3, 0.85), 1.1), 0.02), plan.widest)
    else:
        rig.throttle = min(rig.throttle + rise, plan.widest)
    rig.fan = rig.z[at.Z_FLOW_SUCTION] > plan.fan_to_kg_s or rig.time_s < began_s + 30.0
    rig.step()


def by_plan(case, plan, best_s=math.inf, start=None, uncovered_s=math.inf, prepare=None):
    """Carry a plan out; stops at the first instant from which the check will be passed."""
    rig, done = Rig(case, start), Done()
    done.choice = dataclasses.asdict(plan)
    left_s = math.nan
    try:
        if start is None and rig.liquid_first:
            left_s = _liquid_by_plan(rig, plan, uncovered_s)
            done.liquid_s = rig.time_s
        rig.move_hose()
        if prepare is not None:
            prepare(rig)
        if start is None and not done.liquid_s:
            rig.throttle = 0.1
        if not (rig.slugged and rig.fitted.cv_103):
            _pull_until_it_holds(case, rig, plan, done, best_s)
        else:
            done.why = "slugging"
    except BeatenError as met:
        done.why = str(met)
    except PlantError:
        done.why = "plant"
    if rig.slugged and done.verified_s < math.inf:
        done.verified_s, done.why = math.inf, "slugging"
    done.slugged, done.trips, done.events = rig.slugged, rig.trips, rig.events
    return done, left_s


def _pull_until_it_holds(case, rig, plan, done, best_s):
    level = rig.settings.job.level_pa_abs
    check_s = rig.settings.procedure.standing_settle_s + rig.settings.procedure.standing_s
    rig.pull("both")
    trial = Rig(case)
    began_s, kept, stood = rig.time_s, [], plan.stand_s <= 0.0
    while rig.time_s + check_s < best_s:
        _pull_second(rig, plan, began_s)
        if rig.slugged and rig.fitted.cv_103:
            done.why = "slugging"
            return
        below = rig.z[at.Z_PA_A] <= level
        if not stood and below:
            stood = True
            rig.stand()
            rig.steps(plan.stand_s)
            rig.pull("both")
            continue
        if not below or rig.time_s - rig.since_s < 5.0:
            continue
        if round(rig.time_s) % round(FINE_S) == 0:
            kept.append((rig.time_s, snapshot(rig.plant), float(rig.z[at.Z_PA_A])))
        if len(kept) >= round(BLOCK_S / FINE_S):
            if _holds(trial, kept[-1][1]):
                break
            kept = kept[-1:] if not kept else []
    else:
        done.why = "slower"
        return
    low, high = -1, len(kept) - 1
    while high - low > 1:
        middle = (low + high) // 2
        if _holds(trial, kept[middle][1]):
            high = middle
        else:
            low = middle
    done.first_stop_s, _, done.stop_pa = kept[high]
    done.verified_s = done.first_stop_s + check_s
    done.stops = 1


def _holds(trial, kept):
    restore(trial.plant, kept)
    trial.began_s, trial.pumping, trial.motor_s = float(trial.z[at.Z_TIME_S]), True, 0.0
    trial.off_s = -math.inf
    return passes(trial)


def oracle(case):
    """Search for the plan of least verified time; some 20 to 35 plans are tried."""
    best = Done()
    tried = 0
    plans, known = [], {}
    rig = Rig(case)
    if rig.liquid_first:
        wish = case.settings.job.vapor_inlet_with_liquid
        for both in (False,) if rig.one_inlet else (wish, not wish):
            widest = _widest(case, both) if rig.fitted.cv_103 else 1.0
            shares = (1.0, 0.75, 0.5) if rig.fitted.cv_103 else (1.0,)
            plans += [Plan(throttle=max(share * widest, 0.02), both=both) for share in shares]
    else:
        plans.append(Plan())

    def attempt(plan):
        nonlocal best, tried, chosen
        tried += 1
        done, left_s = by_plan(case, plan, best.verified_s, uncovered_s=known.get((plan.throttle, plan.both), math.inf))
        known.setdefault((plan.throttle, plan.both), left_s)
        if done.verified_s < best.verified_s:
            best, chosen = done, plan
        return done

    chosen = plans[0]
    for plan in plans:
        done = attempt(plan)
        for ramp_s in (10.0, 40.0):
            if done.why not in ("slugging", "discharge pressure"):
                break
            done = attempt(dataclasses.replace(plan, ramp_s=ramp_s))
    if rig.liquid_first:
        for late_s in (-10.0, 10.0, 20.0, 40.0):
            attempt(dataclasses.replace(chosen, late_s=late_s))
    for changed in (
        {"ramp_s": 10.0}, {"ramp_s": 30.0}, {"widest": 0.6}, {"widest": 0.35}, {"fan_to_kg_s": 1.5e-3},
        {"fan_to_kg_s": 4e-3}, {"pulse_s": 30.0}, {"pulses": True}, {"pulses": True, "pulse_s": 40.0},
        {"stand_s": 20.0}, {"stand_s": 60.0},
    ):  # fmt: skip
        attempt(dataclasses.replace(chosen, **changed))
    best.choice["tried"] = tried
    return best


def _widest(case, both):
    """Widest throttle that does not slug while liquid comes, to some 5 %."""

    def quiet(throttle):
        rig = Rig(case)
        try:
            _liquid_by_plan(rig, Plan(throttle=throttle, both=both))
        except (BeatenError, PlantError):
            return False
        return not rig.slugged

    if quiet(1.0):
        return 1.0
    low, high = 0.05, 1.0
    for _ in range(5):
        middle = math.sqrt(low * high)
        if quiet(middle):
            low = middle
        else:
            high = middle
    return low


# ---- all jobs --------------------------------------------------------------------------------------------


@dataclass
class Row:
    """One job in everybody's hands."""

    seed: int
    about: str
    ours: Ours
    fixed: Done
    careful: Done
    oracle: Done
    stops: dict = field(default_factory=dict)
    leak: bool = False
    check_s: float = 135.0
    pressure_error_pa: float = 0.0

    @property
    def sound(self):
        return self.ours.ended == Phase.COMPLETE.value and self.ours.verified_s < math.inf


def work(task):
    seed, with_stops = task
    case, ours = closed_loop(seed)
    if case.start is None:
        return Row(seed, case.about, ours, Done(), Done(), Done())
    row = Row(seed, case.about, ours, by_hand(case, FIXED_RULE), by_hand(case, CAREFUL), oracle(case), leak=case.leak)
    procedure = case.settings.procedure
    row.check_s = procedure.standing_settle_s + procedure.standing_s
    row.pressure_error_pa = case.pressure_error_pa
    if with_stops and case.first_stop is not None and ours.verified_s < math.inf:
        row.stops = other_stops(case, ours)
    return row


def rows(seeds, with_stops=False):
    """All jobs, on all cores."""
    tasks = [(seed, with_stops) for seed in seeds]
    if cores() == 1 or len(tasks) == 1:
        return [work(task) for task in tasks]
    with ProcessPoolExecutor(cores()) as pool:
        return list(pool.map(work, tasks, chunksize=1))


# ---- what other stops would have given -------------------------------------------------------------------


def other_stops(case, ours):
    """Time to the passed check from the first stop of the closed loop on, by other ways to go on; s.

    All by the truth and without delay, so that only the pattern of pulling and standing is compared.
    """
    found = {"closed loop": ours.verified_s - (case.first_stop_s - case.start_s)}
    level = case.settings.job.level_pa_abs
    floor = case.settings.procedure.pull_floor_pa_abs

    def on(plan, prepare=None):
        return by_plan(case, plan, start=case.first_stop, prepare=prepare)[0].verified_s

    found["one pull, best stop"] = on(Plan())
    found["the same at throttle 0.3"] = on(Plan(widest=0.3))
    found["the same at throttle 0.1"] = on(Plan(widest=0.1))
    found["the same, fan off"] = on(Plan(fan_to_kg_s=1.0))
    if case.settings.fitted.cooler_valves:
        found["cooler emptied first"] = on(Plan(), prepare=_empty_cooler)
    for share in (0.7, 0.5, 0.35, 0.0):
        target = max(share * level, floor)
        name = f"cycles: to {share:g} of the level" if share else "cycles: to the floor"
        found[name] = _timed(case, lambda rig, target=target: _cycles(rig, target, 0.0))
    for pull_s in (30.0, 60.0, 120.0, 240.0):
        found[f"cycles: pulls of {pull_s:.0f} s"] = _timed(case, lambda rig, s=pull_s: _cycles(rig, 0.0, s))
    return found


def _timed(case, finish):
    rig = Rig(case, case.first_stop)
    try:
        finish(rig)
    except (BeatenError, PlantError):
        return math.inf
    return rig.time_s


def _empty_cooler(rig):
    """The cooler pumped down into the cylinder for 25 s, inlets shut."""
    rig.emptying = True
    rig.throttle = 0.25
    rig.steps(25.0)
    rig.emptying = False


def _cycles(rig, target, pull_s):
    plan = Plan()
    while True:
        rig.pull("both")
        began_s = rig.time_s
        while rig.time_s - began_s < max(pull_s, 5.0) or (not pull_s and rig.z[at.Z_PA_A] > target):
            _pull_second(rig, plan, began_s)
            spent = rig.strain() > 0.97 or rig.time_s - began_s > 120.0
            if not pull_s and spent and rig.z[at.Z_PA_A] < rig.settings.job.level_pa_abs:
                break
        if passes(rig):
            return


# ---- figures ---------------------------------------------------------------------------------------------

NAMES = {"fixed": "fixed rule", "careful": "careful hand", "oracle": "oracle"}


def measure(quick):
    seeds = jobs.TUNING if quick else jobs.HELD_OUT
    yield from figures(rows(seeds[: QUICK_JOBS if quick else JOBS]))


def _ratios(sound, name, waits=True):
    """Closed loop over somebody, of the jobs that both finish; without what both wait for, if asked."""
    found = []
    for row in sound:
        done = getattr(row, name)
        if done.verified_s < math.inf:
            deeds_s = sum(seconds for why, seconds in done.events if why != RATIO)
            less = (0.0, 0.0) if waits else (row.ours.waits_s, deeds_s)
            found.append((row.ours.verified_s - less[0]) / (done.verified_s - less[1]))
    return np.array(found)


def figures(found):
    """All figures of these jobs."""
    sound = [row for row in found if row.sound]
    where = f"of {len(found)} jobs, seeds {found[0].seed} to {found[-1].seed}"
    how = "; ".join(f"{row.seed} {row.ours.ended}" for row in found if not row.sound)
    yield Figure("closed loop: COMPLETE", float(len(sound)), "jobs", f"{where}{'; not: ' if how else ''}{how}")
    times = [row.ours.verified_s / 60.0 for row in sound]
    yield Figure("closed loop: first inlet to passed check, median", _median(times), "min", where)
    whole = [row.ours.whole_s / 60.0 for row in sound]
    yield Figure("closed loop: whole job, median", _median(whole), "min", f"line-up, waits, clear-out in it; {where}")
    above = [row.seed for row in sound if row.ours.above_level]
    yield Figure("closed loop: above the level by the truth then", float(len(above)), "jobs", f"{above}")
    later = [row.seed for row in sound if row.ours.above_later]
    yield Figure("closed loop: above it ten minutes later", float(len(later)), "jobs", f"shut in, rig off; {later}")
    slugs = [row.seed for row in sound if row.ours.dose_s > 0.0]
    yield Figure(
        "closed loop: slugging beyond index 1", float(len(slugs)), "jobs", f"5 s and more after a start; {slugs}"
    )
    nobody = [row.seed for row in found if min(getattr(row, name).verified_s for name in NAMES) == math.inf]
    yield Figure("jobs that no hand can do either", float(len(nobody)), "jobs", f"{where}; {nobody}")
    for name, word in NAMES.items():
        done = [getattr(row, name) for row in found]
        never = [
            f"{row.seed} {one.why or 'not begun'}"
            for row, one in zip(found, done, strict=True)
            if one.verified_s == math.inf
        ]
        yield Figure(f"{word}: never done", float(len(never)), "jobs", "; ".join(never))
        reached = [one.verified_s / 60.0 for one in done if one.verified_s < math.inf]
        yield Figure(f"{word}: median", _median(reached), "min", where)
        slugs = [row.seed for row, one in zip(found, done, strict=True) if one.slugged]
        yield Figure(
            f"{word}: slugging beyond index 1", float(len(slugs)), "jobs", f"where a throttle is fitted; {slugs}"
        )
        ratios = _ratios(sound, name)
        low, median, high = np.percentile(ratios, (5, 50, 95)) if len(ratios) else (math.nan,) * 3
        slower = [row.seed for row in sound if row.ours.verified_s > getattr(row, name).verified_s + 1.0]
        how = f"5 to 95 %: {low:.2f} to {high:.2f}; {len(ratios)} jobs that both finish"
        yield Figure(f"closed loop / {word}: median", median, "", how)
        yield Figure(f"closed loop / {word}: worst", ratios.max() if len(ratios) else math.nan, "", how)
        yield Figure(f"closed loop slower than the {word}", float(len(slower)), "jobs", f"of {len(ratios)}: {slower}")
        how = "holds, trips and a technician's deeds left out on both sides"
        yield Figure(f"closed loop / {word}: median, no waits", _median(_ratios(sound, name, waits=False)), "", how)
    both = [row for row in sound if row.oracle.verified_s < math.inf]
    for name, lost in losses(both).items():
        yield Figure(f"lost to the oracle, {name}", float(np.mean(lost)) if lost else math.nan, "s", "mean")


def _median(values):
    return float(np.median(values)) if len(values) else math.nan


def _line(row):
    ours = row.ours
    a, b, c = row.fixed.verified_s, row.careful.verified_s, row.oracle.verified_s
    o = ours.verified_s
    return (
        f"{row.seed:>5} {row.about:<32} {o:6.0f} {a:6.0f} {b:6.0f} {c:6.0f}  o/a {o / a:5.2f} o/b {o / b:5.2f} "
        f"o/c {o / c:5.2f} | liq {ours.liquid_s:4.0f} b{row.careful.liquid_s:4.0f} c{row.oracle.liquid_s:4.0f} "
        f"vap {ours.vapor_s:4.0f} stood {ours.standing_s:4.0f} waits {ours.waits_s:4.0f} checks {ours.checks:2d} "
        f"b{row.careful.stops:2d} a{row.fixed.stops:3d} | {ours.ended}"
    )


def main():
    parser = argparse.ArgumentParser(prog="python -m tests.bench.hands", description=__doc__.partition("\n")[0])
    parser.add_argument("--jobs", type=int, default=20, help="how many tuning seeds")
    parser.add_argument("--first", type=int, default=0, help="the first of them")
    parser.add_argument("--why", action="store_true", help="more about each job")
    parser.add_argument("--stops", action="store_true", help="what other stops would have given")
    asked = parser.parse_args()
    if asked.first + asked.jobs > jobs.TUNING.stop:
        parser.error("these seeds are not all for tuning")
    found = rows(range(asked.first, asked.first + asked.jobs), asked.stops)
    for row in found:
        print(_line(row))
        if row.stops:
            ours_s = row.stops["closed loop"]
            print("        " + ", ".join(f"{name} {other_s / ours_s:.2f}" for name, other_s in row.stops.items()))
        if asked.why:
            for name, done in (("a", row.fixed), ("b", row.careful), ("c", row.oracle)):
                print(f"        {name}: {done}")
            print(f"        ours: {row.ours}")
    print("\n".join(summary(found)))


def summary(found):
    """Where the closed loop loses time, over these jobs."""
    sound = [row for row in found if row.sound]
    both = [row for row in sound if row.oracle.verified_s < math.inf]
    yield f"{len(found)} jobs, {len(sound)} COMPLETE, {len(both)} also by the oracle"
    for name in ("fixed", "careful", "oracle"):
        ratios = [row.ours.verified_s / getattr(row, name).verified_s for row in sound]
        shown = " / ".join(f"{value:.2f}" for value in np.percentile(ratios, (5, 25, 50, 75, 95)))
        yield f"closed loop / {name:<8} 5, 25, 50, 75, 95 %: {shown}; above 1: {sum(r > 1.0 for r in ratios)}"
    for name, lost in losses(both).items():
        yield f"lost to the oracle, {name:<42} mean {np.mean(lost):6.0f} s, median {np.median(lost):6.0f} s"
    stops = [row.stops for row in found if row.stops]
    for name in dict.fromkeys(key for one in stops for key in one):
        ratios = [one[name] / one["closed loop"] for one in stops if name in one]
        best = [one[name] / one["one pull, best stop"] for one in stops if name in one]
        yield (
            f"from the first stop on, {name:<28} over the closed loop: median {np.median(ratios):.2f}, "
            f"worst {max(ratios):.2f}; over one pull: median {np.median(best):.2f} ({len(ratios)} jobs)"
        )


def losses(both):
    """What makes the difference between closed loop and oracle, s, by job."""
    waits = [row.ours.waits_s - sum(seconds for _, seconds in row.oracle.events) for row in both]
    liquid = [row.ours.liquid_s - row.oracle.liquid_s for row in both]
    stood = [row.ours.standing_s - row.check_s for row in both]
    all_ = [row.ours.verified_s - row.oracle.verified_s for row in both]
    pulls = [a - w - q - t for a, w, q, t in zip(all_, waits, liquid, stood, strict=True)]
    return {
        "all": all_, "waits (holds, trips)": waits, "liquid": liquid, "vapor (negative: oracle pulls longer)": pulls,
        "checks that failed": stood,
    }  # fmt: skip


if __name__ == "__main__":
    main()
