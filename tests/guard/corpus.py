"""The runs with the simulated plant: scenarios, jobs, random benches, push-pull, water, power cuts."""

from __future__ import annotations

import contextlib
import math
import random
from dataclasses import dataclass, replace
from math import inf, nan
from pathlib import Path
from typing import Any

import msgspec

from tests.guard.adapter import NotFoundError, bench_fault, found, of

CONFIGS = Path("configs")
"""Of the revision under guard: the collector runs in its folder."""
KINDS = {
    "split-ac": ("R-410A", "R-410A", "R-32", "R-22", "R-407C", "R-454B", "R-134a"),
    "refrigerator": ("R-134a", "R-404A", "R-600a", "R-290", "R-1234yf", "R-513A", "R-12"),
    "chiller": ("R-134a",),
}
PLACES = (
    "PT-101", "PT-102", "PT-201", "PT-301", "PT-001", "TT-101", "TT-201", "TT-301", "TT-001", "AT-001", "WT-301",
    "WT-301", "FS-001", "LSH-301", "PSH-201", "HS-001", "M-101.ok", "CV-103", "XV-101", "XV-102", "XV-201", "XV-202",
    "XV-203", "XV-204", "XV-301", "XV-104", "XV-105", "XV-106", "M-101", "M-201", "M-202", "M-001", "EH-001", "plant",
    "plant", "plant", "plant", "plant", "plant",
)  # fmt: skip
WRONG_BY = {"P": (-1e6, 1e6), "T": (-30.0, 90.0), "W": (-2.0, 2.0), "A": (0.05, 0.6), "C": (-0.4, 0.4)}
"""By how much a false instrument may be off, by the first letter of its tag."""
LIMITS = {
    "limits.discharge_high_pa_abs": (1.4e6, 2.6e6),
    "limits.discharge_high_degc": (40.0, 90.0),
    "limits.compression_ratio_high": (5.0, 20.0),
    "limits.cylinder_pause_fraction": (0.3, 0.7),
    "limits.cylinder_warm_degc": (15.0, 30.0),
    "limits.cylinder_high_degc": (31.0, 45.0),
    "limits.estimates_disagree_kg": (0.05, 0.5),
    "limits.scale_frozen_kg": (0.1, 0.5),
    "limits.suction_not_falling_s": (10.0, 40.0),
    "limits.freeze_guard_k": (2.0, 12.0),
    "limits.fill_reserve_kg": (0.2, 1.0),
    "procedure.line_up_limit_s": (5.0, 60.0),
    "procedure.liquid_limit_s": (20.0, 200.0),
    "procedure.vapor_limit_s": (30.0, 300.0),
    "procedure.push_pull_limit_s": (20.0, 200.0),
    "procedure.standing_limit_s": (40.0, 200.0),
    "procedure.standing_s": (20.0, 90.0),
    "procedure.standing_settle_s": (3.0, 20.0),
    "procedure.clear_out_limit_s": (5.0, 40.0),
    "procedure.holding_limit_s": (5.0, 60.0),
    "procedure.stopping_limit_s": (5.0, 60.0),
    "procedure.restarting_limit_s": (3.0, 30.0),
    "procedure.isolate_limit_s": (3.0, 30.0),
    "procedure.dwell_s": (2.0, 12.0),
    "procedure.compressor_min_off_s": (0.0, 8.0),
    "procedure.pull_fraction": (0.3, 0.95),
    "procedure.clear_out_level_pa_abs": (8e4, 3e5),
    "procedure.pt_tolerance_k": (0.5, 8.0),
    "procedure.throttle_ramp_s": (2.0, 40.0),
}
"""What is moved so that rows and branches come within reach that lie hours or rare faults away."""

UNSAID = "nothing is said of it"
DIRECTED = {
    # name: kind, push-pull, changes of the settings, faults
    "stays hot": ("split-ac", None, {"limits__discharge_high_degc": 38.0, "fitted__tt_201": True}, ()),
    "undeclared": ("chiller", True, {"hookup": UNSAID}, ()),
    "nothing said": ("split-ac", None, {"hookup": UNSAID}, ()),
    "pressed for long": ("chiller", True, {"procedure__push_pull_limit_s": 60.0}, ()),
    "late retest": ("refrigerator", None, {"cylinder__retest_due": "2020-01-31"}, ()),
    "in use, not weighed": (
        "chiller", False,
        {"job__scale_usable": False, "fitted__pt_102": True, "cylinder__residual_kg": 0.0,
         "cylinder__refrigerant": "R-134a"}, (),
    ),
    "scale stood still": (
        "split-ac", None, {"limits__scale_frozen_kg": 0.4, "cylinder__water_capacity_kg": 27.2},
        (("WT-301", "STUCK", 40.0, inf, nan),),
    ),
    "falls slowly": (
        "split-ac", None, {"job__level_pa_abs": 4e5, "procedure__standing_settle_s": 5.0},
        (("plant", "ICED_INLET", 60.0, inf, 0.02),),
    ),
    "pressed into a fault": ("chiller", True, {}, (("PT-001", "OFF", 60.0, 90.0, nan),)),
}  # fmt: skip
"""Runs that are led to what chance does not reach."""


@dataclass(frozen=True)
class Case:
    """One run; `run(tally)` carries it out."""

    name: str
    scans: int
    """About how many at most: what the work is shared out by."""
    run: Any


class Draw(random.Random):
    """Random figures of the kinds that are needed; a name is the seed."""

    def log_uniform(self, low, high):
        return math.exp(self.uniform(math.log(low), math.log(high)))

    def chance(self, share):
        return self.random() < share


def change(struct, **changes):
    """A copy with changes; `limits__gas_alarm_lfl=0.1` reaches into a field of a field."""
    here = {key: value for key, value in changes.items() if "__" not in key}
    for key, value in changes.items():
        if "__" in key:
            outer, inner = key.split("__", 1)
            here[outer] = change(here.get(outer, getattr(struct, outer)), **{inner: value})
    return msgspec.structs.replace(struct, **here)


def cases():
    """All runs with the plant, in a fixed order."""
    some = [
        Case(f"scenario {path.stem}", 40_000 if path.stem in ("chiller", "stopped-water") else 8000, _scenario(path))
        for path in sorted(CONFIGS.glob("scenarios/*.toml"))
    ]
    setups = sorted(path.stem for path in CONFIGS.glob("setups/*.toml"))
    turn = 0
    for job in sorted(path.stem for path in CONFIGS.glob("jobs/*.toml")):
        for rig in sorted(path.stem for path in CONFIGS.glob("rigs/*.toml")):
            for _ in range(2):
                setup = setups[turn % len(setups)]
                turn += 3
                some.append(Case(f"job {job}, {rig}, {setup}", 9000, _job(job, rig, setup)))
    some += [Case(f"random bench {n}", 6000, _random(f"random bench {n}")) for n in range(200)]
    some += [Case(f"push-pull {n}", 5000, _random(f"push-pull {n}", kind="chiller", press=True)) for n in range(14)]
    some += [Case(f"water {n}", 5000, _random(f"water {n}", kind="chiller", press=False)) for n in range(10)]
    some += [Case(f"power cut {n}", 7000, _random(f"power cut {n}", cuts=3)) for n in range(10)]
    for name, (kind, press, changes, more) in DIRECTED.items():
        some += [
            Case(f"{name} {n}", 5000, _random(f"{name} {n}", kind, press, changes=changes, more=more)) for n in range(3)
        ]
    return [*some, Case("settings refused", 2000, _refused), Case("outputs and rows by name", 10, _by_name)]


# ---- as they stand in the files --------------------------------------------------------------------------


def _scenario(path):
    def run(tally):
        said, simulation = found("prepare_scenario")(path)
        _follow(simulation.bench(said.seed), tally, said.until_s, 60_000)

    return run


def _job(job, rig, setup):
    def run(tally):
        try:
            settings, parameters, spares = _put_together(job, rig, setup)
        except ValueError as error:  # this job may not be run on this rig
            tally.mark(type(error).__name__)
            return
        operator = found("Operator")(7, spares, tries=2)
        _follow(found("Bench")(settings, parameters, 5, operator), tally, inf, 9000)

    return run


def _put_together(job, rig, setup):
    job_file = found("load_job")(CONFIGS / f"jobs/{job}.toml")
    settings = found("settings_for")(found("load_rig")(CONFIGS / f"rigs/{rig}.toml"), job_file)
    appliance = found("load_appliance")(CONFIGS / f"appliances/{job}.toml")
    settings, parameters = found("scenario")(settings, appliance, found("load_setup")(CONFIGS / f"setups/{setup}.toml"))
    return settings, parameters, job_file.spare_cylinders


def _follow(bench, tally, until_s, most):
    operator = of(bench, "operator")
    for _ in range(most):
        if of(bench, "time_s") >= until_s or operator.done:
            return
        record = bench.scan()
        tally.scan(record, of(bench, "state") if record is not None else None)


# ---- random ----------------------------------------------------------------------------------------------


def made(draw, kind=None, press=None):
    """Settings, plant, spare cylinders and what is really in the appliance, drawn.

    Raises
    ------
    ValueError
        If the plant or the configuration does not take what was drawn.
    """
    kind = kind or draw.choice(("split-ac", "split-ac", "split-ac", "refrigerator", "refrigerator", "chiller"))
    rig = "full" if kind == "chiller" else draw.choice(("full", "full", "full", "shop", "shop", "basic"))
    job_file = found("load_job")(CONFIGS / f"jobs/{kind}.toml")
    appliance = found("load_appliance")(CONFIGS / f"appliances/{kind}.toml")
    setup = _setup(draw, press)
    rig_file = found("load_rig")(CONFIGS / f"rigs/{rig}.toml")
    fluid = draw.choice(KINDS[kind])
    if found("catalogue").get(fluid).flammable and not rig_file.fitted.at_001:
        fluid = "R-134a"
    water = kind == "chiller" and (press is False or draw.chance(0.5))
    settings = found("settings_for")(found("load_rig")(CONFIGS / "rigs/full.toml"), job_file)
    settings = msgspec.structs.replace(
        settings, fitted=rig_file.fitted, compressor=rig_file.compressor, units=rig_file.units
    )
    ambient_degc = draw.uniform(5.0, 42.0) if draw.chance(0.5) else 25.0
    charge_kg = {
        "split-ac": draw.log_uniform(0.4, 4.0), "refrigerator": draw.log_uniform(0.15, 0.8),
        "chiller": draw.log_uniform(12.0, 30.0) if press else draw.log_uniform(6.0, 14.0),
    }[kind]  # fmt: skip
    settings = change(
        settings,
        fitted=_fitted(draw, settings.fitted, fluid, water, kind == "chiller" and press),
        job__refrigerant=fluid,
        job__water_side=water,
        job__ambient_degc=round(ambient_degc + draw.uniform(-2.0, 2.0), 1),
        job__charge_kg=draw.choice((None, charge_kg, charge_kg, charge_kg, 0.7 * charge_kg, 3.0 * charge_kg)),
        job__level_pa_abs=draw.choice((settings.job.level_pa_abs, draw.log_uniform(4e4, 2.5e5))),
        job__liquid_first=press or draw.chance(0.8),
        job__vapor_inlet_with_liquid=draw.chance(0.2),
        job__design_pressure_pa_gauge=draw.choice((None, draw.log_uniform(1e6, 4e6))),
        units=draw.choice(list(type(settings.units))),
        procedure__standing_s=draw.choice((30.0, 60.0, settings.procedure.standing_s)),
        procedure__standing_repeats=draw.choice((0, 1, 3, 25)),
        cylinder=_cylinder(draw, settings.cylinder, fluid, charge_kg),
    )
    if press:
        settings = change(settings, job__charge_kg=charge_kg * draw.choice((1.0, 1.0, 2.0)))
    if draw.chance(0.08) and settings.fitted.pt_102:
        settings = change(settings, job__scale_usable=False)
    settings = _moved_limits(draw, settings)
    base = appliance.appliance
    share = charge_kg / base.charge_kg
    changed = {
        "charge_kg": charge_kg,
        "volume_m3": max(base.volume_m3 * share, 2.5e-3),
        "ncg_mol": draw.choice((0.0, 0.0, 0.0, draw.uniform(0.1, 2.0))),
        "oil_kg": base.oil_kg * share * draw.log_uniform(0.3, 1.5),
        "liquid_pocket_kg": base.liquid_pocket_kg * share,
        "liquid_transition_kg": max(base.liquid_transition_kg * share, 1e-3),
        "metal_heat_capacity_j_k": max(base.metal_heat_capacity_j_k * share, 2e3),
        "shell_heat_capacity_j_k": max(base.shell_heat_capacity_j_k * share, 2e3),
        "water_kg": base.water_kg * share if water else 0.0,
        "core_kv_m3_h": base.core_kv_m3_h * draw.log_uniform(0.5, 2.0),
    }
    appliance = replace(
        appliance,
        refrigerant=fluid,
        appliance=replace(base, **changed),
        ambient=replace(appliance.ambient, temperature_degc=ambient_degc),
    )
    settings, parameters = found("scenario")(settings, appliance, setup)
    spares = [
        change(settings.cylinder, serial=f"SPARE-{n}", refrigerant="", residual_kg=0.0,
               retest_due=draw.choice(("2031-01-31", "2031-01-31", "2031-01-31", "2020-01-31")))
        for n in range(draw.choice((0, 1, 3, 5)))
    ]  # fmt: skip
    other = fluid if draw.chance(0.93) else draw.choice(KINDS["split-ac"])
    return settings, parameters, spares, other


def _setup(draw, press):
    setups = sorted(CONFIGS.glob("setups/*.toml"))
    setup = found("load_setup")(draw.choice(setups))
    if press:
        return replace(setup, liquid_core_in=False, vapor_core_in=False, manifold_kv_m3_h=0.8)
    return replace(
        setup,
        liquid_core_in=draw.chance(0.4),
        vapor_core_in=draw.chance(0.4),
        manifold_kv_m3_h=draw.choice((0.15, 0.8)),
        dip_tube=draw.chance(0.4),
        coil_in_ice=draw.chance(0.4),
        cylinder_in_ice=draw.chance(0.25),
        ice_kg=draw.uniform(1.0, 15.0),
        vapor_inlet_with_liquid=draw.chance(0.25),
        warming=draw.chance(0.5),
        fan=draw.chance(0.5),
    )


def _fitted(draw, fitted, fluid, water, press):
    needed = {"at_001"} if found("catalogue").get(fluid).flammable else set()
    needed |= {"fs_001"} if water else set()
    needed |= {"pt_001", "cv_103", "cooler_valves", "xv_101", "xv_102", "push_pull"} if press else set()
    share = draw.choice((0.0, 0.1, 0.3))
    kept = {
        name: bool(has) and (name in needed or not draw.chance(share))
        for name, has in msgspec.structs.asdict(fitted).items()
    }
    if not (kept["xv_101"] or kept["xv_102"]):
        kept["xv_101"] = True
    kept["m_202"] &= kept["cooler_valves"]
    kept["push_pull"] &= kept["pt_001"] and kept["cv_103"] and kept["cooler_valves"] and kept["xv_101"]
    kept["push_pull"] &= kept["xv_102"]
    return msgspec.structs.replace(fitted, **kept)


def _cylinder(draw, cylinder, fluid, charge_kg):
    """A cylinder that often has too little room for all."""
    capacity_kg = draw.choice((4.0, 11.9, 21.6, 27.2, 27.2))
    room_kg = 0.85 * capacity_kg  # about: the limit is worked out by the core
    residual_kg = draw.choice((0.0, 0.0, draw.uniform(0.0, 0.5) * room_kg, room_kg - 0.5 - charge_kg * draw.random()))
    residual_kg = round(min(max(residual_kg, 0.0), room_kg), 2)
    return change(
        cylinder,
        serial="GUARD-1",
        water_capacity_kg=capacity_kg,
        tare_kg=round(2.0 + 0.5 * capacity_kg, 1),
        residual_kg=residual_kg,
        refrigerant=fluid if residual_kg and draw.chance(0.9) else "",
        service_pressure_pa_gauge=draw.choice((2.76e6, 2.76e6, 3.4e6, cylinder.service_pressure_pa_gauge)),
    )


def _moved_limits(draw, settings):
    for name in draw.sample(sorted(LIMITS), draw.choice((0, 0, 1, 2, 3))):
        settings = change(settings, **{name.replace(".", "__"): draw.uniform(*LIMITS[name])})
    return settings


def faults(draw, span_s):
    """A few faults at random places and times."""
    some = []
    for _ in range(draw.choice((0, 0, 1, 1, 2, 3))):
        tag = draw.choice(PLACES)
        at_s = draw.log_uniform(5.0, span_s)
        until_s = inf if draw.chance(0.3) else at_s + draw.log_uniform(1.0, 200.0)
        if tag == "plant":
            kind = draw.choice(list(found("PlantFault")))
            value = nan
            if kind.name == "POWER_CUT":
                until_s = at_s + draw.uniform(2.0, 60.0)
            elif kind.name == "AIR_IN_CYLINDER":
                at_s, until_s, value = 0.0, inf, draw.log_uniform(0.2, 12.0)
            elif kind.name == "SCALE_MOVED":
                value = draw.uniform(-1.5, 1.5)
            elif kind.name in ("LEAK", "APPLIANCE_LEAK"):
                value = draw.log_uniform(1e-9, 5e-6)
        else:
            supported = found("SUPPORTED")[found("place_of")(tag)]
            kind = draw.choice(sorted(supported, key=lambda one: one.name))
            value = nan
            if kind.name == "WRONG" and tag[0] in WRONG_BY:
                value = draw.uniform(*WRONG_BY[tag[0]])
            elif kind.name == "STUCK" and tag[0] in "XMEC":
                value = draw.choice((0.0, 1.0, 0.4))
        with contextlib.suppress(ValueError):
            some.append(bench_fault(tag, kind, at_s, until_s, value))
    return some


def bench_of(draw, kind=None, press=None, span_s=300.0, changes=None, more=()):
    """A random bench with its faults, a technician or none, and the spare cylinders; None if the plant takes none.

    `changes` are of the settings, `more` are faults besides: tag, name of the kind, from, until, value.
    """
    for _ in range(20):
        try:
            settings, parameters, spares, other = made(draw, kind, press)
            settings = change(settings, **{name: one for name, one in (changes or {}).items() if one is not UNSAID})
            if changes is not None and changes.get("hookup") is UNSAID:
                settings = change(settings, hookup=type(settings.hookup)())
            some = faults(draw, span_s) if changes is None else []
            for tag, name, *times_and_value in more:
                named = {one.name: one for one in (*found("FaultKind"), *found("PlantFault"))}
                some.append(bench_fault(tag, named[name], *times_and_value))
            operator = None
            if draw.chance(0.7):
                quick = draw.chance(0.7)
                operator = found("Operator")(
                    draw.randrange(10_000), spares, quickest_s=1.0, slowest_s=4.0 if quick else 40.0,
                    tries=draw.choice((2, 4, 8)), handy=draw.chance(0.7),
                    label="" if other == settings.job.refrigerant or draw.chance(0.5) else other,
                )  # fmt: skip
            first = [one for one in some if one.at_s == 0.0]
            period_s = draw.choice((None, None, None, None, 0.05, 0.2, 0.25))
            bench = found("Bench")(
                settings, parameters, draw.randrange(10_000), operator, first, period_s, refrigerant=other
            )
        except ValueError:
            continue
        for one in some:
            if one.at_s > 0.0:
                with contextlib.suppress(ValueError):
                    of(bench, "inject")(one)
        return bench, spares
    return None, []


class Presser:
    """Presses buttons at random, and now and then does what the rig asks for."""

    def __init__(self, draw, bench, spares, often):
        self._draw, self._bench, self._spares, self._often = draw, bench, list(spares), often
        self._kinds, self._sources = list(found("RequestKind")), list(found("Source"))
        self._wait = 0
        self._alone = of(bench, "operator") is None

    def look(self, record):
        """Before the next scan."""
        draw, bench = self._draw, self._bench
        if draw.chance(self._often):
            of(bench, "press")(draw.choice(self._kinds), draw.choice(self._sources))
        if not self._alone:
            return
        phase = record.phase.value
        self._wait = self._wait + 1 if phase in ("idle", "held", "aborted") else 0
        if self._wait > 30 and draw.chance(0.05):
            self._wait = 0
            self._go_on(record, phase)

    def _go_on(self, record, phase):
        draw, bench = self._draw, self._bench
        kind = found("RequestKind")
        cylinder = None
        if phase != "idle" and record.ask.name in ("CHANGE_CYLINDER", "CHECK_CYLINDER") and self._spares:
            cylinder = self._spares.pop(0)
            if draw.chance(0.9):
                with contextlib.suppress(NotFoundError):
                    of(bench, "hand")(found("Deed").CHANGE_CYLINDER, "", cylinder)
        if draw.chance(0.3):
            of(bench, "mend")()
        with contextlib.suppress(NotFoundError, ValueError):
            of(bench, "hand")(draw.choice([deed for deed in found("Deed") if deed.name != "PRESS"]), "")
        wanted = {"idle": kind.START, "held": kind.RESTART, "aborted": kind.RESET}[phase]
        of(bench, "press")(wanted, cylinder=cylinder)


def _random(name, kind=None, press=None, cuts=0, changes=None, more=()):
    def run(tally):
        draw = Draw(name)
        bench, spares = bench_of(draw, kind, press, changes=changes, more=more)
        if bench is None:
            tally.mark("the plant takes none of what was drawn")
            return
        most = draw.randrange(2500, 6000) if kind is None else 5000
        presser = Presser(draw, bench, spares, draw.choice((0.0, 3e-4, 2e-3)))
        cut_at = {draw.randrange(200, most) for _ in range(cuts if cuts else draw.choice((0, 0, 0, 0, 1)))}
        stop_at = draw.randrange(most) if draw.chance(0.1) else -1
        back_at = pressed_at = -1
        operator = of(bench, "operator")
        if operator is None:
            of(bench, "press")(found("RequestKind").START)
        for n in range(most):
            if n in cut_at and back_at < 0:
                of(bench, "cut_power")()
                back_at = n + draw.randrange(5, 400)
            elif n == back_at:
                of(bench, "restore_power")()
                back_at = -1
            if n == stop_at:
                of(bench, "press_emergency_stop")()
                pressed_at = n
            elif pressed_at >= 0 and n == pressed_at + 100:
                of(bench, "release_emergency_stop")()
            record = bench.scan()
            tally.scan(record, of(bench, "state") if record is not None else None)
            if record is not None:
                presser.look(record)
                ended = record.phase.value in ("complete", "stopped")
                if (operator is not None and operator.done) or (ended and draw.chance(0.01)):
                    break

    return run


# ---- what is asked of the core besides scans -------------------------------------------------------------


def _refused(tally):
    """How many reasons are given why settings may not be run, for many that may not."""
    draw = Draw("settings refused")
    unsafe = found("unsafe")
    for _ in range(400):
        kind = draw.choice(sorted(KINDS))
        settings = found("settings_for")(
            found("load_rig")(CONFIGS / "rigs/full.toml"), found("load_job")(CONFIGS / f"jobs/{kind}.toml")
        )
        changes = {}
        for _ in range(draw.choice((0, 1, 1, 2, 4))):
            changes |= draw.choice(
                (
                    {f"protection__{draw.choice(sorted(msgspec.structs.asdict(settings.protection)))}": False},
                    {f"fitted__{draw.choice(sorted(msgspec.structs.asdict(settings.fitted)))}": False},
                    {"fitted__xv_101": False, "fitted__xv_102": False},
                    {"fitted__cv_103": False, "compressor__takes_throttled_liquid": False},
                    {"limits__cylinder_pause_fraction": draw.uniform(0.0, 1.2)},
                    {"limits__cylinder_warm_degc": draw.uniform(30.0, 60.0)},
                    {"limits__fill_reserve_kg": draw.choice((0.0, -1.0, 0.5))},
                    {"limits__scan_overrun_s": 0.05},
                    {"limits__discharge_high_pa_abs": draw.log_uniform(1e4, 4e6)},
                    {"procedure__pull_floor_pa_abs": draw.log_uniform(1e3, 1e6)},
                    {"instruments__reading_max_age_s": 0.05},
                    {"job__scale_usable": False},
                    {"job__water_side": True},
                    {"job__refrigerant": draw.choice(("R-290", "R-32", "R-600a"))},
                    {"cylinder__water_capacity_kg": draw.choice((0.0, -1.0, nan, 10.0))},
                )
            )
        tally.mark(f"{len(unsafe(change(settings, **changes)))} reasons", remark=False)


def _by_name(tally):
    """Outputs by their tags, and the rows of the cause-and-effect table by what they do."""
    draw, outputs = Draw("outputs by name"), found("Outputs")
    for _ in range(50):
        bits = draw.randrange(1 << len(found("OUTPUT_TAGS")))
        one = outputs(bits, draw.random())
        tally.mark(f"{one.by_tag()} {one.on(bits & 0x155)} {one.on(1)}", remark=False)
    settings = found("settings_for")(
        found("load_rig")(CONFIGS / "rigs/shop.toml"), found("load_job")(CONFIGS / "jobs/split-ac.toml")
    )
    tally.mark(f"{found('rows_fitted')(settings)}", remark=False)
    for row in found("table")():
        tally.mark(f"{row['tag']} {row['takes away']} {row['latched']} {row['reset by']}", remark=False)
