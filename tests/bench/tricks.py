"""What each trick of the trade does in the simulated plant: `python -m tests.bench.tricks [--quick]` writes tables.

The plant runs alone, driven as a careful hand would drive it. Nothing here is tuned to agree with what the trade
says; its sayings stand beside the figures as 'common practice, no source'.
"""

import argparse
import dataclasses
import math
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple

import numpy as np
from scipy.stats import qmc, spearmanr

from hil_sim.plant import layout as at
from hil_sim.plant import phase
from hil_sim.plant.batch import Stage, Until, in_parallel, run_stage
from hil_sim.plant.model import Actuators, Hand, Plant, PlantError, PlantParameters
from hil_sim.plant.phase import load_tables
from tests.bench.core import Figure

ROOT = Path(__file__).resolve().parents[2]
README = ROOT / "hil_sim" / "plant" / "README.md"
BEGIN, END = "<!-- tables: begin -->", "<!-- tables: end -->"
ATMOSPHERE_PA = 101_325.0
ZERO_PSIG_PA_ABS = ATMOSPHERE_PA
TEN_INHG_PA_ABS = ATMOSPHERE_PA - 10 * 3386.39
"""10 inches of mercury of vacuum (NIST SP 811: 1 inHg = 3386.39 Pa)."""
HOLD_S = 60.0
REBOUND_PA = 0.3e5
"""The end is verified once 60 s of isolation bring back no more than this."""
PATIENCE_S = 2400.0
"""Jobs that take longer count as never finished."""
LOOK_S = 0.5
PLANTS = 40
"""Plausible plants for R-410A; the other refrigerants get the first half of them."""
SEED = 82156

CHARGES_KG = {"R-410A": 3.0, "R-134a": 3.0, "R-32": 2.2}
"""Refrigerants with the charge of the same 8 L appliance; R-32 systems hold about a quarter less."""

BASE = {
    "hand.ports": "both",
    "hand.condenser_fan": True,
    "hand.condenser_blocked": 0.0,
    "hand.indoor_fan": False,
    "hand.speed": 1.0,
    # EH-001 is on throughout; what it heats, if anything, is up to the trick.
    "appliance.heater_w": 0.0,
    "appliance.blanket_w": 0.0,
}
"""Cores in, manifold, 1/4 in hoses of 1.5 m, dip tube, both ports open from the start, no ice, no fan, no heat."""


# ---- tricks ----------------------------------------------------------------------------------------------


class Trick(NamedTuple):
    """One thing a hand may do, or that may befall it: changes to `group.field` of the parameters or the hand."""

    name: str
    changes: dict
    practice: str = ""
    """What the trade says of it, without source."""
    in_all: bool = False


_COIL = {"rig.coil_fitted": True}
_QUARTER = {"rig.coil_tube_diameter_m": 6.35e-3, "rig.coil_tube_bore_m": 4.8e-3, "rig.coil_length_m": 6.0}
_BUCKET = {"cylinder.in_bath": True, "cylinder.bath_water_kg": 10.0, "cylinder.bath_ice_kg": 10.0}
_TAP = {"cylinder.in_bath": True, "cylinder.bath_ice_kg": 0.0, "cylinder.bath_running_water_kg_s": 0.1}
_WIDE = {
    "lines.liquid_hose_bore_m": 8e-3,
    "lines.liquid_hose_length_m": 0.9,
    "lines.vapor_hose_bore_m": 8e-3,
    "lines.vapor_hose_length_m": 0.9,
}
_TWO_ZONES = {"model.two_zone_cylinder": True}

TRICKS = (
    Trick("vapor port only", {"hand.ports": "vapor"}, "wrong way, much slower"),
    Trick("liquid first", {"hand.ports": "liquid first"}, "faster", in_all=True),
    Trick(
        "valve cores out",
        {"appliance.liquid_core_fitted": False, "appliance.vapor_core_fitted": False},
        "about twice as fast",
        in_all=True,
    ),
    Trick("tee in place of the manifold", {"rig.manifold_kv_m3_h": 2.0}, "faster", in_all=True),
    Trick("suction hoses 3/8 in, 0.9 m", _WIDE, "faster", in_all=True),
    Trick("discharge hose 3/8 in", {"lines.discharge_hose_bore_m": 8e-3}, "a little faster", in_all=True),
    Trick("cylinder port without dip tube", {"cylinder.dip_tube": False}, "a little faster"),
    Trick(
        "the same, cylinder inverted",
        {"cylinder.dip_tube": False, "cylinder.inverted": True},
        "faster, cooler cylinder",
        in_all=True,
    ),
    Trick("cylinder in a bucket of ice", _BUCKET, "faster, lower pressure", in_all=True),
    Trick("tap water over the cylinder", _TAP, "helps, less than ice"),
    Trick("coil in ice, 1/4 in, 6 m", {**_COIL, **_QUARTER}, "faster, cooler cylinder"),
    Trick("coil in ice, 3/8 in, 5 m", _COIL, "faster, cooler cylinder", in_all=True),
    Trick("two such coils in parallel", {**_COIL, "rig.coil_parallel": 2.0}, "better still"),
    Trick("coil with touching turns", {**_COIL, "rig.coil_turns_touching": True}, "keep turns apart"),
    Trick("condenser fan off", {"hand.condenser_fan": False}, "slower, high pressure"),
    Trick("condenser half blocked", {"hand.condenser_blocked": 0.5}, "slower"),
    Trick("indoor fan on", {"hand.indoor_fan": True}, "faster", in_all=True),
    Trick("crankcase heater 70 W", {"appliance.heater_w": 70.0}, "less left in the oil", in_all=True),
    Trick("heating blanket 250 W", {"appliance.blanket_w": 250.0}, "faster at the end", in_all=True),
    Trick("check valve at the outlet", {"rig.outlet_check_valve_fitted": True}, "no flow back", in_all=True),
    Trick("drive at speed 1.2", {"hand.speed": 1.2}, "faster, hotter", in_all=True),
    Trick("port of 7 mm: liquid boils late", {"appliance.port_orifice_length_m": 7e-3}, ""),
    Trick("two zones, way in from above", {**_TWO_ZONES, "cylinder.dip_tube": False}, "hot top, higher pressure"),
    Trick("two zones, way in from below", _TWO_ZONES, ""),
    Trick("40 degC and sun", {"ambient.temperature_degc": 40.0, "ambient.sun_w_m2": 1000.0}, "slower, high pressure"),
)


def together(*names):
    """Changes of several tricks, the later over the earlier."""
    by_name = {trick.name: trick.changes for trick in TRICKS}
    return {key: value for name in names for key, value in by_name[name].items()}


ALL = together(*(trick.name for trick in TRICKS if trick.in_all))
RESTRICTIONS_OUT = together(
    "liquid first", "valve cores out", "tee in place of the manifold", "discharge hose 3/8 in",
    "the same, cylinder inverted",
)  # fmt: skip
_MORE = together("suction hoses 3/8 in, 0.9 m", "coil in ice, 3/8 in, 5 m", "indoor fan on", "crankcase heater 70 W")
JOBS = {
    "A: restrictions out, liquid first": RESTRICTIONS_OUT,
    "B: A + short wide suction + coil + fan + heater": RESTRICTIONS_OUT | _MORE,
    "C: B + blanket": RESTRICTIONS_OUT | _MORE | together("heating blanket 250 W"),
    "D: all tricks": ALL,
}
"""Jobs with several tricks; the trade says about 7 min for A and 5 min for B."""


def without(changes, trick):
    """Changes less all that the trick touches."""
    return {key: value for key, value in changes.items() if key not in trick.changes}


# ---- plausible plants ------------------------------------------------------------------------------------


class Range(NamedTuple):
    """Range of one parameter over plausible plants; engineering estimates unless another source is named."""

    key: str
    low: float
    high: float
    even_in_log: bool = False


RANGES = (
    Range("appliance.oil_initial_mass_fraction", 0.08, 0.35),
    Range("appliance.metal_heat_capacity_j_k", 5e3, 14e3),
    Range("appliance.air_ua_fan_off_w_k", 6.0, 25.0),
    Range("appliance.air_ua_fan_on_w_k", 60.0, 220.0),
    Range("appliance.refrigerant_ua_wet_w_k", 60.0, 600.0),
    Range("appliance.refrigerant_ua_dry_w_k", 20.0, 60.0),
    Range("appliance.liquid_pocket_kg", 0.15, 0.5),
    # A core is said to halve the speed, which with a 1/4 in hose makes a Kv near 0.18; lower estimates exist.
    Range("appliance.core_kv_m3_h", 0.05, 0.3, even_in_log=True),
    Range("appliance.desorption_time_cold_s", 600.0, 2400.0, even_in_log=True),
    Range("appliance.desorption_time_warm_s", 120.0, 300.0, even_in_log=True),
    Range("appliance.desorption_time_foaming_s", 60.0, 300.0, even_in_log=True),
    Range("rig.manifold_kv_m3_h", 0.1, 0.3, even_in_log=True),
    Range("rig.cv_103_kv_m3_h", 0.15, 0.6),
    Range("rig.inlet_valve_kv_m3_h", 0.15, 0.6),
    Range("rig.swept_volume_m3", 12e-6, 25e-6),
    Range("rig.speed_rpm", 1450.0, 1750.0),
    Range("rig.clearance", 0.015, 0.06),
    Range("rig.leak_factor", 0.85, 0.95),
    Range("rig.condenser_ua_fan_on_w_k", 25.0, 60.0),
    Range("rig.coil_stirred_w_m2_k", 170.0, 540.0),
    Range("cylinder.residual_kg", 0.3, 8.0),
    Range("cylinder.inner_ua_w_k", 100.0, 400.0, even_in_log=True),
    Range("cylinder.bath_ua_w_k", 80.0, 250.0),
)
ZONE_RANGES = (
    Range("model.layer_kg", 0.2, 2.0, even_in_log=True),
    Range("model.layer_ua_w_k", 0.5, 8.0, even_in_log=True),
    Range("model.layer_wall_share", 0.2, 0.7),
    Range("model.stirring_from_above", 0.5, 8.0, even_in_log=True),
    Range("model.stirring_from_below", 5.0, 60.0, even_in_log=True),
)


def plausible(ranges, count):
    """Plants spread over the ranges (latin hypercube, fixed seed), as changes."""
    shares = qmc.LatinHypercube(d=len(ranges), seed=SEED).random(count)
    low, high = (np.array([getattr(r, side) for r in ranges]) for side in ("low", "high"))
    in_log = np.array([r.even_in_log for r in ranges])
    values = np.where(in_log, low * (high / low) ** shares, low + (high - low) * shares)
    return [{r.key: float(v) for r, v in zip(ranges, row, strict=True)} for row in values]


# ---- one job ---------------------------------------------------------------------------------------------


@dataclass
class Job:
    """How a job went. Times are NaN where that point was not reached within 40 minutes."""

    throttle: float = math.nan
    liquid_s: float = math.nan
    zero_psig_s: float = math.nan
    ten_inhg_s: float = math.nan
    verified_s: float = math.nan
    pulls: int = 0
    coldest_degc: float = math.inf
    head_pa_abs: float = 0.0
    slugging: float = 0.0
    left_in_oil_kg: float = math.nan
    left_in_rig_kg: float = math.nan
    tripped: bool = False
    marks: dict = field(default_factory=dict)
    """Truth at the end of each stage."""

    def note(self, end):
        self.coldest_degc = min(self.coldest_degc, end.lowest[at.Z_T_A])
        self.head_pa_abs = max(self.head_pa_abs, end.highest[at.Z_PA_P])
        self.slugging = max(self.slugging, end.highest[at.Z_SLUG])
        self.tripped = bool(end.truth[at.Z_SWITCH_OPEN] or end.truth[at.Z_TRIPPED] or end.truth[at.Z_STALLED])
        return end


class Setting(NamedTuple):
    """A plant to build and the hand that works on it."""

    refrigerant: str
    parameters: PlantParameters
    hand: dict

    def plant(self):
        return Plant(self.refrigerant, self.parameters)

    def act(self, ports, throttle):
        return Actuators(
            xv_101=ports != "vapor", xv_102=ports in ("both", "vapor"), cv_103=throttle,
            xv_201=True, xv_202=True, xv_301=True, m_101=True, m_101_speed=self.hand["speed"],
            m_201=self.hand["condenser_fan"], m_202=True, m_001=self.hand["indoor_fan"], eh_001=True,
        )  # fmt: skip

    def hold(self):
        return dataclasses.replace(self.act("both", 0.0), xv_101=False, xv_102=False, m_101=False)

    def stage(self, act, *until, at_most_s=PATIENCE_S):
        blocked = Hand(condenser_blocked=self.hand["condenser_blocked"])
        return Stage(act, until, at_most_s, blocked, LOOK_S)


def setting(refrigerant, *layers):
    """Build a setting from layers of changes; the later wins."""
    changed = {**BASE, "appliance.charge_kg": CHARGES_KG.get(refrigerant, 3.0)}
    for layer in layers:
        changed |= layer
    groups = {}
    for key, value in changed.items():
        group, _, name = key.partition(".")
        groups.setdefault(group, {})[name] = value
    hand = groups.pop("hand")
    parameters = PlantParameters()
    new = {group: dataclasses.replace(getattr(parameters, group), **fields) for group, fields in groups.items()}
    return Setting(refrigerant, dataclasses.replace(parameters, **new), hand)


def liquid_stage(work, throttle):
    """Draw liquid until the port shows vapor, or until the compressor would slug."""
    plant = work.plant()
    act = work.act("both" if work.hand["ports"] == "both" else "liquid", throttle)
    until = (Until(at.Z_QUALITY_PORT, True, 0.5), Until(at.Z_SLUG, True, 1.0))
    return plant, run_stage(plant, work.stage(act, *until))


def opened_with_care(work):
    """Liquid stage with the throttle as far open as the slugging index permits, to 6 % of its position."""
    plant, end = liquid_stage(work, 1.0)
    if end.reason != 1:
        return 1.0, plant, end
    low, high, found = math.log(0.03), 0.0, None
    for _ in range(6):
        middle = 0.5 * (low + high)
        plant, end = liquid_stage(work, math.exp(middle))
        if end.reason == 1:
            high = middle
        else:
            low, found = middle, (math.exp(middle), plant, end)
    return found or (math.exp(low), *liquid_stage(work, math.exp(low)))


def run_job(work, target_pa_abs=TEN_INHG_PA_ABS, half_mark=False):
    """Liquid, vapor to 0 psig and on to the target, then isolate and repeat until it stays there."""
    job = Job()
    ports = work.hand["ports"]
    try:
        if ports == "vapor":
            plant = work.plant()
        else:
            job.throttle, plant, end = opened_with_care(work)
            job.note(end)
            job.marks["liquid end"] = end.truth
            if end.reason == 0:
                job.liquid_s = end.time_s
        act = work.act("vapor" if ports == "vapor" else "both", 1.0)

        def pull(level_pa_abs, what=at.Z_PA_A):
            now = plant.truth()[at.Z_TIME_S]
            if now >= PATIENCE_S or job.tripped:
                return None
            end = job.note(
                run_stage(plant, work.stage(act, Until(what, False, level_pa_abs), at_most_s=PATIENCE_S - now))
            )
            return end if end.reason == 0 else None

        if half_mark:
            pull(0.5 * plant.truth()[at.Z_KG_A], at.Z_KG_A)
            job.marks["vapor middle"] = plant.truth().copy()
        if end := pull(ZERO_PSIG_PA_ABS):
            job.zero_psig_s = end.time_s
            job.left_in_oil_kg = end.truth[at.Z_KG_OIL]
        if target_pa_abs < ZERO_PSIG_PA_ABS and end and (end := pull(target_pa_abs)):
            job.ten_inhg_s = end.time_s
            job.left_in_oil_kg = end.truth[at.Z_KG_OIL]
        job.marks["end"] = z = plant.truth().copy()
        job.left_in_rig_kg = float(z[at.Z_KG_M : at.Z_KG_H + 1].sum())
        while end:
            job.pulls += 1
            held = run_stage(plant, work.stage(work.hold(), at_most_s=HOLD_S))
            if held.truth[at.Z_PA_A] <= target_pa_abs + REBOUND_PA:
                job.verified_s = held.time_s
                break
            end = pull(target_pa_abs)
        job.plant = plant
    except PlantError as error:
        job.marks["error"] = str(error)
    return job


# ---- all jobs --------------------------------------------------------------------------------------------


@dataclass
class Pair:
    """A trick's jobs and the same without it, in the default plant (first) and in every plausible one."""

    name: str
    refrigerant: str
    with_it: list
    without_it: list

    def ratios(self, what="ten_inhg_s"):
        """Time with / without of the plausible plants, where both finish."""
        both = [(getattr(a, what), getattr(b, what)) for a, b in zip(self.with_it, self.without_it, strict=True)][1:]
        return np.array([a / b for a, b in both if math.isfinite(a) and math.isfinite(b)])

    def default_ratio(self, what="ten_inhg_s"):
        return getattr(self.with_it[0], what) / getattr(self.without_it[0], what)

    def spread(self, what="ten_inhg_s"):
        """Median, 5th and 95th percentile."""
        found = self.ratios(what)
        return tuple(np.percentile(found, (50, 5, 95))) if found.size else (math.nan,) * 3

    def never(self):
        """Plausible plants that never finish with the trick, and without."""
        return tuple(sum(not math.isfinite(j.ten_inhg_s) for j in jobs[1:]) for jobs in (self.with_it, self.without_it))


@dataclass
class Results:
    plants: int
    alone: dict
    """By refrigerant: pairs of each trick against the base hand."""
    in_company: dict
    """The same against all other tricks."""
    jobs: dict
    """By refrigerant: pairs of the joint jobs against the base hand."""
    to_zero: dict
    """Joint jobs of R-410A that end, verified, at 0 psig."""
    zones: dict
    shift: dict
    guesses: dict
    """By changed guess: default plant's jobs base, A and B of R-410A."""
    every: list
    """All different jobs of the first three."""


GUESSES = {
    "as it is": {},
    "no oil in the appliance": {"appliance.oil_kg": 0.0},
    "oil never foams": {"model.foaming": False},
    "foaming oil gives back over 300 s": {"appliance.desorption_time_foaming_s": 300.0},
    "core Kv 0.05": {"appliance.core_kv_m3_h": 0.05},
    "core Kv 0.18": {"appliance.core_kv_m3_h": 0.18},
    "core Kv 0.3": {"appliance.core_kv_m3_h": 0.3},
    "metal to boiling refrigerant 60 W/K": {"appliance.refrigerant_ua_wet_w_k": 60.0},
    "clearance 6 %": {"rig.clearance": 0.06},
    "condenser 25 W/K": {"rig.condenser_ua_fan_on_w_k": 25.0},
    "clearance 6 % and condenser 25 W/K": {"rig.clearance": 0.06, "rig.condenser_ua_fan_on_w_k": 25.0},
    "day of 0 degC": {"ambient.temperature_degc": 0.0},
    "twice the charge in twice the volume": {"appliance.charge_kg": 6.0, "appliance.volume_m3": 16e-3},
}
"""One guess at a time at the end of its range, and two other conditions."""


def run_all(quick):
    """Run everything; the same settings run once."""
    count = 3 if quick else PLANTS
    plants = [{}, *plausible(RANGES, count)]
    wanted, done = {}, {}

    def series(refrigerant, changes, layers=plants):
        keys = []
        for plant in layers:
            one = setting(refrigerant, plant, changes)
            key = repr(one)
            wanted.setdefault(key, one)
            keys.append(key)
        return keys

    def pair(name, refrigerant, a, b, layers=plants):
        return name, refrigerant, series(refrigerant, a, layers), series(refrigerant, b, layers)

    asked_alone, asked_company, asked_jobs = [], [], []
    for refrigerant in CHARGES_KG:
        first = refrigerant == "R-410A"
        layers = plants if first else plants[: 1 if quick else 1 + count // 2]
        asked_alone += [pair(t.name, refrigerant, t.changes, {}, layers) for t in TRICKS]
        asked_jobs += [pair(name, refrigerant, changes, {}, layers) for name, changes in JOBS.items()]
        if first:
            asked_company += [pair(t.name, refrigerant, ALL | t.changes, without(ALL, t)) for t in TRICKS]
    keys = list(wanted)
    done = dict(zip(keys, in_parallel(lambda key: run_job(wanted[key]), keys), strict=True))

    def collect(asked):
        found = {}
        for name, refrigerant, a, b in asked:
            one = Pair(name, refrigerant, [done[k] for k in a], [done[k] for k in b])
            found.setdefault(refrigerant, {})[name] = one
        return found

    return Results(
        count,
        collect(asked_alone),
        collect(asked_company),
        collect(asked_jobs),
        to_zero(plants),
        zones(4 if quick else PLANTS),
        shifts(("R-454B",) if quick else tuple(BLENDS)),
        guesses(),
        list(done.values()),
    )


def guesses():
    """Base, A and B of the default plant with one guess changed."""
    works = ({}, *list(JOBS.values())[:2])
    items = [(changed, work) for changed in GUESSES.values() for work in works]
    ends = in_parallel(lambda item: run_job(setting("R-410A", *item)), items)
    return {name: ends[3 * i : 3 * i + 3] for i, name in enumerate(GUESSES)}


def to_zero(plants):
    """Joint jobs to a verified 0 psig."""
    names = ["base", *JOBS]
    items = [(name, plant) for name in names for plant in plants]
    ends = in_parallel(lambda item: run_job(setting("R-410A", item[1], JOBS.get(item[0], {})), ZERO_PSIG_PA_ABS), items)
    n = len(plants)
    return {name: ends[i * n : (i + 1) * n] for i, name in enumerate(names)}


def zones(count):
    """Cylinder with two zones: way in from above or below, plain job or vapor only, over what was guessed."""
    guesses = [{}, *plausible(ZONE_RANGES, count)]
    ways = {"from above": {"cylinder.dip_tube": False}, "from below": {}}
    works = {"both ports": {}, "vapor only": {"hand.ports": "vapor"}, "restrictions out": RESTRICTIONS_OUT}
    items = [
        (way, work, zoned, guess)
        for way in ways
        for work in works
        for zoned in (False, True)
        for guess in (guesses if zoned else guesses[:1])
    ]

    def run(item):
        way, work, zoned, guess = item
        port = {"cylinder.inverted": False, "cylinder.dip_tube": True} | ways[way]
        return run_job(setting("R-410A", works[work], port, guess, _TWO_ZONES if zoned else {}))

    found = {}
    for (way, work, zoned, _), job in zip(items, in_parallel(run, items), strict=True):
        found.setdefault((way, work), {}).setdefault(zoned, []).append(job)
    return found


# ---- composition -----------------------------------------------------------------------------------------

BLENDS = {"R-407C": 3.0, "R-454B": 2.6, "R-513A": 3.0}
RESIDUAL_KG = 0.1


@dataclass
class Shift:
    """One job of a blend, with its composition followed or not."""

    job: Job
    nominal: float
    """Share of the light component by the label."""

    def marks(self):
        return [name for name in ("liquid end", "vapor middle", "end") if name in self.job.marks]

    def over_label(self, mark):
        """Cylinder's pressure above the label's bubble pressure at the cylinder's temperature, Pa."""
        z = self.job.marks[mark]
        tables = load_tables(self.job.plant.refrigerant)
        scratch = np.zeros(phase.STATE_FIELDS)
        bubble = phase.dew_or_bubble(z[at.Z_T_Y] + 273.15, phase.T_F, tables.sat, tables.scalars, scratch)
        return z[at.Z_PA_Y] - bubble


def shifts(names):
    """Blends with composition followed or not, into an almost empty cylinder."""
    items = [(name, ports, on) for name in names for ports in ("both", "vapor") for on in (False, True)]

    def run(item):
        name, ports, on = item
        changes = {
            "appliance.charge_kg": BLENDS[name],
            "cylinder.residual_kg": RESIDUAL_KG,
            "hand.ports": ports,
            "model.composition_shift": on,
        }
        work = setting(name, changes)
        return Shift(run_job(work, half_mark=True), work.plant().truth()[at.Z_LIGHT_A])

    return dict(zip(items, in_parallel(run, items), strict=True))


# ---- figures and tables ----------------------------------------------------------------------------------


def step_ratio(results, refrigerant, what="ten_inhg_s", jobs=None):
    """Time of B over time of A as a pair, for the trade's "7 to 5 minutes"."""
    a, b, *_ = jobs or [results.jobs[refrigerant][name].with_it for name in JOBS]
    return Pair("B / A", refrigerant, b, a)


def measure(quick):
    """Yield figures: ratios of time to 10 inHg, trick over base; composition; two zones."""
    yield from figures(run_all(quick))


def figures(results):
    for refrigerant, pairs in results.alone.items():
        base = next(iter(pairs.values())).without_it[0]
        for name in ("zero_psig_s", "ten_inhg_s", "verified_s"):
            yield Figure(f"{refrigerant}: base, {name[:-2]}", getattr(base, name), "s", "default plant")
        for kind, some in (("alone", pairs), ("in company", results.in_company.get(refrigerant, {}))):
            for name, pair in some.items():
                yield from _ratio_figures(f"{refrigerant}: {name}, {kind}", pair)
        for name, pair in results.jobs[refrigerant].items():
            yield Figure(f"{refrigerant}: {name}", pair.with_it[0].ten_inhg_s, "s", "default plant, to 10 inHg")
            yield from _ratio_figures(f"{refrigerant}: {name}", pair)
        yield from _ratio_figures(f"{refrigerant}: B / A", step_ratio(results, refrigerant))
    for (way, work), found in results.zones.items():
        heads = [job.head_pa_abs / 1e5 for job in found[True]]
        how = f"one zone {found[False][0].head_pa_abs / 1e5:.1f}; guesses {min(heads):.1f} to {max(heads):.1f}"
        yield Figure(f"two zones, {way}, {work}: highest discharge", heads[0], "bar", how)
    for (name, ports, on), shift in results.shift.items():
        if on:
            off = results.shift[name, ports, False]
            for mark in shift.marks():
                fooled = (shift.over_label(mark) - off.over_label(mark)) / 1e5
                how = "cylinder above the label's bubble line, composition followed less not"
                yield Figure(f"{name}, {ports}: air check fooled, {mark}", fooled, "bar", how)


def _ratio_figures(name, pair):
    yield Figure(f"{name}: default ratio", pair.default_ratio(), "")
    if pair.ratios().size:
        median, low, high = pair.spread()
        never = pair.never()
        how = f"5 to 95 %: {low:.2f} to {high:.2f}; never finished {never[0]} with, {never[1]} without"
        yield Figure(f"{name}: median ratio", median, "", how)


def _cell(pair, what="ten_inhg_s"):
    median, low, high = pair.spread(what)
    return f"{median:.2f} ({low:.2f}-{high:.2f})" if math.isfinite(median) else "-"


def _seconds(value):
    return f"{value:.0f}" if math.isfinite(value) else "never"


def _rows(head, rows):
    yield "| " + " | ".join(head) + " |"
    yield "|" + "---|" * len(head)
    for row in rows:
        yield "| " + " | ".join(row) + " |"


def tables(results):
    """Write all tables as Markdown."""
    pairs, company = results.alone["R-410A"], results.in_company["R-410A"]
    lines = [f"**One trick at a time, R-410A, {results.plants} plants**", ""]
    lines += _rows(
        ("trick", "alone", "plants", "verified", "with all others", "never", "min degC", "bar", "practice"),
        [
            (
                t.name, f"{pairs[t.name].default_ratio():.2f}", _cell(pairs[t.name]),
                f"{pairs[t.name].spread('verified_s')[0]:.2f}", _cell(company[t.name]),
                "{}/{}".format(*pairs[t.name].never()),
                f"{pairs[t.name].with_it[0].coldest_degc:.0f}", f"{pairs[t.name].with_it[0].head_pa_abs / 1e5:.1f}",
                t.practice,
            )
            for t in TRICKS
        ],
    )  # fmt: skip
    lines += ["", "**Joint jobs**", ""]
    rows = []
    for refrigerant, jobs in results.jobs.items():
        base = next(iter(results.alone[refrigerant].values())).without_it
        for name, ends in {"base": base, **{name: pair.with_it for name, pair in jobs.items()}}.items():
            one = ends[0]
            reached = [j.ten_inhg_s for j in ends[1:] if math.isfinite(j.ten_inhg_s)]
            spread = " / ".join(f"{v / 60:.1f}" for v in np.percentile(reached, (5, 50, 95))) if reached else "-"
            rows.append(
                (
                    refrigerant, name.partition(":")[0], *map(_seconds, (one.liquid_s, one.zero_psig_s, one.ten_inhg_s,
                    one.verified_s)), spread, str(len(ends) - 1 - len(reached)), f"{one.coldest_degc:.0f}",
                    f"{one.head_pa_abs / 1e5:.1f}", f"{1e3 * one.left_in_oil_kg:.0f}",
                    f"{1e3 * one.left_in_rig_kg:.0f}",
                )
            )  # fmt: skip
    head = ("refrigerant", "job", "liquid s", "0 psig s", "10 inHg s", "verified s", "plants min", "never", "min degC")
    lines += _rows((*head, "bar", "oil g", "rig g"), rows)
    lines += ["", "**B over A**", ""]
    rows = []
    for refrigerant in results.jobs:
        pair = step_ratio(results, refrigerant)
        kinds = (("0 psig", "zero_psig_s"), ("10 inHg", "ten_inhg_s"), ("10 inHg verified", "verified_s"))
        for label, what in kinds:
            rows.append((refrigerant, label, f"{pair.default_ratio(what):.2f}", _cell(pair, what)))
    zero = Pair("", "R-410A", *(results.to_zero[name] for name in reversed(list(JOBS)[:2])))
    rows.append(("R-410A", "0 psig verified", f"{zero.default_ratio('verified_s'):.2f}", _cell(zero, "verified_s")))
    lines += _rows(("refrigerant", "end", "default", "plants"), rows)
    lines += ["", *_chosen(results)]
    lines += ["", "**Other refrigerants, alone: default; plants**", ""]
    others = [name for name in results.alone if name != "R-410A"]
    lines += _rows(
        ("trick", *(f"{name}{what}" for name in others for what in ("", " plants", " never", " bar"))),
        [
            (
                t.name,
                *(
                    cell
                    for name in others
                    for pair in (results.alone[name][t.name],)
                    for cell in (
                        f"{pair.default_ratio():.2f}", _cell(pair), "{}/{}".format(*pair.never()),
                        f"{pair.with_it[0].head_pa_abs / 1e5:.1f}",
                    )
                ),
            )
            for t in TRICKS
        ],
    )  # fmt: skip
    return "\n".join(
        [
            *lines,
            "",
            *_mishaps(results),
            "",
            *_guess_table(results),
            "",
            *_ruled_by(results),
            "",
            *_zone_table(results),
            "",
            *_shift_table(results),
        ]
    )


def _chosen(results):
    """Of the plants whose job A takes 6 to 8 minutes: how often B takes a quarter less or better."""
    a, b, *_ = [results.jobs["R-410A"][name].with_it[1:] for name in JOBS]
    for what in ("zero_psig_s", "ten_inhg_s", "verified_s"):
        both = [(getattr(x, what), getattr(y, what)) for x, y in zip(a, b, strict=True)]
        near = [y / x for x, y in both if 360 <= x <= 480 and math.isfinite(y)]
        every = [y / x for x, y in both if math.isfinite(x * y)]
        yield (
            f"{what}: {len(near)} plants with A in 6 to 8 min, median B/A {np.median(near) if near else math.nan:.2f}, "
            f"lowest {min(near, default=math.nan):.2f}; of all {len(every)}: {sum(r <= 0.76 for r in every)} at most "
            f"0.76, lowest {min(every, default=math.nan):.2f}"
        )


def _mishaps(results):
    every = results.every
    yield (
        f"{len(every)} different jobs: {sum(j.slugging > 1.0 for j in every)} with the slugging index above 1 (highest "
        f"{max(j.slugging for j in every):.2f}), {sum(j.tripped for j in every)} ended by a trip, "
        f"{sum('error' in j.marks for j in every)} by an error of the plant, "
        f"{sum(not math.isfinite(j.ten_inhg_s) for j in every)} not at 10 inHg within 40 min"
    )


def _guess_table(results):
    rows = []
    for name, (base, a, b) in results.guesses.items():
        rows.append(
            (
                name, *(_seconds(j.ten_inhg_s) for j in (base, a, b)), f"{b.ten_inhg_s / a.ten_inhg_s:.2f}",
                *(_seconds(j.verified_s) for j in (base, a, b)), f"{1e3 * b.left_in_oil_kg:.0f}",
            )
        )  # fmt: skip
    yield from ("**What the times rest on: one guess changed, R-410A**", "")
    head = ("guess", "base s", "A s", "B s", "B/A", "base verified", "A verified", "B verified", "oil g (B)")
    yield from _rows(head, rows)


def _zone_table(results):
    rows = []
    for (way, work), found in results.zones.items():
        one, (default, *spread) = found[False][0], found[True]
        heads = [j.head_pa_abs / 1e5 for j in spread]
        ends = [j.ten_inhg_s for j in spread]
        liquid = [j.marks["liquid end"][at.Z_PA_P] / 1e5 if "liquid end" in j.marks else math.nan
                  for j in (one, default)]  # fmt: skip
        rows.append(
            (
                way, work, *(f"{v:.1f}" if math.isfinite(v) else "-" for v in liquid), f"{one.head_pa_abs / 1e5:.1f}",
                f"{default.head_pa_abs / 1e5:.1f} ({min(heads):.1f}-{max(heads):.1f})", _seconds(one.ten_inhg_s),
                f"{_seconds(default.ten_inhg_s)} ({_seconds(min(ends))}-{_seconds(max(ends))})",
            )
        )  # fmt: skip
    yield from ("**Two-zone cylinder, R-410A: one zone; two zones (over its guesses)**", "")
    head = ("way in", "job", "liquid end bar, one", "two", "highest bar, one", "two", "10 inHg s, one", "two")
    yield from _rows(head, rows)


def _shift_table(results):
    rows = []
    for (name, ports, on), found in results.shift.items():
        if not on:
            continue
        off, places, marks = results.shift[name, ports, False], found.marks(), found.job.marks
        # Light share of what came into the cylinder since the mark before.
        kg, light, came = RESIDUAL_KG, RESIDUAL_KG * found.nominal, []
        for place in places:
            new_kg = marks[place][at.Z_KG_Y]
            new_light = marks[place][at.Z_LIGHT_Y] * new_kg
            came.append((new_light - light) / (new_kg - kg))
            kg, light = new_kg, new_light
        rows.append(
            (
                f"{name} ({found.nominal:.3f})",
                "vapor only" if ports == "vapor" else "plain",
                " / ".join(f"{marks[place][at.Z_LIGHT_A]:.3f}" for place in places),
                " / ".join(f"{share:.3f}" for share in came),
                f"{_seconds(off.job.ten_inhg_s)} / {_seconds(found.job.ten_inhg_s)}",
                " / ".join(f"{off.over_label(place) / 1e5:+.2f}" for place in places),
                " / ".join(f"{found.over_label(place) / 1e5:+.2f}" for place in places),
            )
        )
    yield from ("**Composition**", "")
    head = (
        "blend (light share)",
        "job",
        "light left",
        "light came in",
        "10 inHg s off / on",
        "bar over label, off",
        "on",
    )
    yield from _rows(head, rows)


def _ruled_by(results):
    """Yield what the outcome hangs on over the plants: rank correlations with the sampled parameters."""
    alone, jobs = results.alone["R-410A"], results.jobs["R-410A"]
    a, b, *_ = [jobs[name] for name in JOBS]
    outcomes = {
        "base time": [j.ten_inhg_s for j in a.without_it[1:]],
        "A time": [j.ten_inhg_s for j in a.with_it[1:]],
        "B/A": [y.ten_inhg_s / x.ten_inhg_s for x, y in zip(a.with_it[1:], b.with_it[1:], strict=True)],
    }
    for name in ("liquid first", "valve cores out", "coil in ice, 3/8 in, 5 m", "heating blanket 250 W"):
        both = zip(alone[name].with_it[1:], alone[name].without_it[1:], strict=True)
        outcomes[name] = [x.ten_inhg_s / y.ten_inhg_s for x, y in both]
    plants = plausible(RANGES, results.plants)
    rows = []
    for name, values in outcomes.items():
        kept = np.isfinite(values)
        if kept.sum() < 10:
            continue
        ranks = {
            r.key.partition(".")[2]: spearmanr([p[r.key] for p in plants], values, nan_policy="omit").statistic
            for r in RANGES
        }
        strongest = sorted(ranks.items(), key=lambda item: -abs(item[1]))[:3]
        rows.append((name, str(kept.sum()), ", ".join(f"{key} {value:+.2f}" for key, value in strongest)))
    yield from ("**What it hangs on (rank correlation over the plants)**", "")
    yield from _rows(("outcome", "plants", "strongest three"), rows)


def main():
    parser = argparse.ArgumentParser(prog="python -m tests.bench.tricks", description=__doc__.partition("\n")[0])
    parser.add_argument("--quick", action="store_true", help="few plants")
    parser.add_argument("--write", action="store_true", help=f"put the tables into {README.relative_to(ROOT)}")
    options = parser.parse_args()
    if options.write and options.quick:
        parser.error("--write wants all plants; leave out --quick")
    text = tables(run_all(options.quick))
    print(text)
    if options.write:
        write(text)


def write(text, path=README):
    """Put the tables between the marks; what people wrote around them stays."""
    before, begin, rest = path.read_text(encoding="utf-8").partition(BEGIN)
    _, end, after = rest.partition(END)
    if not (begin and end):
        raise SystemExit(f"{path} lacks the marks {BEGIN} and {END}; put them where the tables belong.")
    path.write_text(f"{before}{BEGIN}\n{text.strip()}\n{END}{after}", encoding="utf-8")


if __name__ == "__main__":
    main()
