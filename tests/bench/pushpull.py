"""Push-pull against drawing all liquid through the compressor: random jobs of chiller size, run both ways.

Each job follows from its seed alone. Three runs: as the rig chooses by itself, without the three valves, and, where the
rig has not chosen push-pull, with it all the same. Times leave out the waits in HELD, which hang on the technician.
`python -m tests.bench.pushpull` measures the seeds that the controller may be tuned to and prints a line a job.
"""

import argparse
import math
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace

import msgspec
import numpy as np

from hil_sim import bench
from hil_sim.bench import Bench
from hil_sim.people import Operator
from hil_sim.plant import layout as at
from hil_sim.plant.batch import cores
from hil_sim.plant.model import LineParameters, Plant, PlantError
from hil_sim.scenario import Setup, load_appliance
from rigctl import config
from rigctl.console import find
from rigctl.control.figures import figures as tuned
from rigctl.control.prepare import FIGURES
from rigctl.control.settings import Cylinder, appliance_ceiling_pa_abs
from rigctl.control.vocabulary import Phase
from rigctl.refrigerant import catalogue, evacuation
from rigctl.refrigerant.cylinder import fill_limit
from tests.bench import jobs
from tests.bench.core import Figure

JOBS, QUICK_JOBS = 40, 4
LONGEST_S = 8.0 * 3600.0
OWN, WITHOUT, ALL_THE_SAME = "own choice", "without", "all the same"
_FLUIDS = ("R-134a", "R-134a", "R-134a", "R-410A", "R-22", "R-407C", "R-513A", "R-32")
_BORES_M = (4.8e-3, 6.3e-3, 8.0e-3, 8.0e-3)
_CYLINDERS = ((21.6, 12.7), (27.2, 16.2), (27.2, 16.2), (56.2, 30.0))
"""Water capacity and tare, kg: "50 lb", "60 lb" and "125 lb" classes."""
_ATTEMPTS = 50


@dataclass
class Run:
    """One run of one job."""

    ended: str
    sentence: str
    work_s: float
    """Start to end, waits in HELD left out."""
    liquid_s: float
    """In push-pull and the liquid phase."""
    pushed_s: float
    recovered_kg: float
    uncertainty_kg: float
    true_kg: float
    over_limit: float
    """Greatest true mass in a cylinder over its fill limit."""
    ice: float
    """Greatest share of the water that was ice."""
    pressed: float
    """Highest true pressure in the appliance during push-pull, over what the rig may press it to."""
    trips: int
    holds: tuple
    """What the rig asked for."""


def job(seed):
    """Settings, plant and spare cylinders of one random job of chiller size.

    Ranges are engineering estimates of what a technician meets, no source.

    Raises
    ------
    RuntimeError
        If no legal job could be drawn.
    """
    for attempt in range(_ATTEMPTS):
        draw = jobs._Draw(np.random.default_rng((seed, attempt, 2)))
        try:
            made = _drawn(draw)
            Plant(made[0].job.refrigerant, made[1])
        except (config.ConfigError, ValueError):
            continue
        return made
    raise RuntimeError(f"no legal job in {_ATTEMPTS} attempts for seed {seed}")


def _drawn(draw):
    fluid = draw.one_of(_FLUIDS)
    refrigerant = catalogue.get(fluid)
    rig = config.load_rig(find("rigs", "full"))
    plate_kg = draw.log_even(3.0, 80.0)
    charge_kg = plate_kg * draw.even(0.9, 1.05) if draw.chance(0.8) else plate_kg * draw.even(0.5, 0.9)
    ambient_degc = draw.even(8.0, 32.0)
    water = draw.chance(0.6)
    like = load_appliance(find("appliances", "chiller"))
    base, size = like.appliance, plate_kg / like.appliance.charge_kg
    oil_share = draw.even(0.05, 0.3)
    oil_kg = min(draw.about(base.oil_kg * size, 0.3), 0.3 * charge_kg * (1.0 - oil_share) / oil_share)
    changed = {
        "volume_m3": plate_kg / refrigerant.liquid_density_kg_m3(25.0) / draw.even(0.25, 0.5),
        "charge_kg": charge_kg,
        "oil_kg": oil_kg,
        "oil_initial_mass_fraction": oil_share,
        "liquid_pocket_kg": plate_kg * draw.log_even(0.02, 0.15),
        "liquid_transition_kg": plate_kg * draw.even(0.01, 0.05),
        "core_kv_m3_h": draw.log_even(0.1, 0.6),
        "port_kv_m3_h": draw.log_even(0.6, 3.0),
        "water_kg": base.water_kg * size if water else 0.0,
        "water_supply_degc": min(max(ambient_degc, 10.0), 30.0),
    }
    for name in (
        "metal_heat_capacity_j_k", "shell_heat_capacity_j_k", "air_ua_fan_off_w_k", "air_ua_fan_on_w_k",
        "refrigerant_ua_wet_w_k", "refrigerant_ua_dry_w_k", "shell_air_ua_w_k", "shell_refrigerant_ua_w_k", "heater_w",
        "water_ua_flowing_w_k", "water_ua_still_w_k", "water_flow_kg_s",
    ):  # fmt: skip
        changed[name] = draw.about(getattr(base, name) * size**0.7, 0.3)
    appliance = replace(
        like, refrigerant=fluid, appliance=replace(base, **changed),
        ambient=replace(like.ambient, temperature_degc=ambient_degc),
    )  # fmt: skip
    bores = [draw.one_of(_BORES_M) for _ in range(3)]
    lengths = [draw.even(0.8, 2.5) for _ in range(3)]
    cores_in = draw.chance(0.3)
    setup = Setup(
        "random", LineParameters(
            liquid_hose_bore_m=bores[0], liquid_hose_length_m=lengths[0], vapor_hose_bore_m=bores[1],
            vapor_hose_length_m=lengths[1], discharge_hose_bore_m=bores[2], discharge_hose_length_m=lengths[2],
        ),
        cores_in, cores_in, 0.8, draw.chance(0.5), draw.chance(0.3), draw.chance(0.2), draw.even(5.0, 30.0), False,
        draw.chance(0.4), False,
    )  # fmt: skip
    said = config.load_job(find("jobs", "chiller"))
    level = evacuation.required_level(refrigerant, plate_kg, "us-82.156", case="whole", compressor_works=False)
    design = None
    if draw.chance(0.5):
        design = refrigerant.bubble_pressure_pa_abs(draw.even(40.0, 55.0))
    named = msgspec.structs.replace(
        said.job, name="Random job", refrigerant=fluid, charge_kg=round(plate_kg, 1), water_side=water,
        ambient_degc=round(ambient_degc + 1.5 * draw.even(-1.0, 1.0), 1), level_pa_abs=level.level_pa_abs,
        level_text=level.text, level_source=level.source, design_pressure_pa_gauge=design,
    )  # fmt: skip
    capacity_kg, tare_kg = draw.one_of(_CYLINDERS)
    room_kg = fill_limit(refrigerant, capacity_kg).limit_kg
    residual_kg = 0.0 if draw.chance(0.4) else round(draw.even(0.05, 0.7) * room_kg, 2)
    first = Cylinder(
        "BENCH-1", capacity_kg, tare_kg, said.cylinder.service_pressure_pa_gauge, fluid if residual_kg else "",
        said.cylinder.retest_due, residual_kg,
    )  # fmt: skip
    spares = tuple(
        msgspec.structs.replace(first, serial=f"BENCH-{number}", refrigerant="", residual_kg=0.0)
        for number in range(2, 12)
    )
    said = msgspec.structs.replace(said, job=named, level=level, cylinder=first, spare_cylinders=spares)
    settings, parameters = bench.scenario(config.settings_for(rig, said), appliance, setup)
    own = parameters.rig
    wear = {"clearance": own.clearance * draw.log_even(0.8, 1.5), "leak_factor": own.leak_factor * draw.even(0.9, 1.0)}
    for name in ("cv_103_kv_m3_h", "inlet_valve_kv_m3_h", "cooler_valve_kv_m3_h", "push_pull_kv_m3_h"):
        wear[name] = draw.about(getattr(own, name), 0.1 if name == "cv_103_kv_m3_h" else 0.2)
    parameters = replace(
        parameters, rig=replace(own, **wear), cylinder=replace(parameters.cylinder, residual_kg=residual_kg or 0.002),
        model=replace(parameters.model, two_zone_cylinder=draw.chance(0.3)),
    )  # fmt: skip
    return settings, parameters, spares


def run(seed, way):
    """Run one job in one of the three ways."""
    settings, parameters, spares = job(seed)
    if way == WITHOUT:
        settings = msgspec.structs.replace(settings, fitted=msgspec.structs.replace(settings.fitted, push_pull=False))
        parameters = replace(parameters, rig=replace(parameters.rig, push_pull_fitted=False))
    figures = FIGURES
    if way == ALL_THE_SAME:
        figures = tuned.changed(figures, "sense.crossing.least_gain_s", -math.inf)
    return _run(settings, parameters, spares, seed, figures)


def _run(settings, parameters, spares, seed, figures):
    operator = Operator(seed, spares, quickest_s=10.0, slowest_s=10.0)
    rig = Bench(settings, parameters, seed, operator, figures=figures)
    truth = rig.plant.truth()
    limit_kg = fill_limit(catalogue.get(settings.job.refrigerant), settings.cylinder.water_capacity_kg).limit_kg
    ceiling = appliance_ceiling_pa_abs(settings)
    most_kg = ice = pressed = 0.0
    asked = []
    before = Phase.IDLE
    try:
        for record in rig.run(LONGEST_S):
            most_kg = max(most_kg, float(truth[at.Z_KG_Y]))
            ice = max(ice, float(truth[at.Z_WATER_ICE]))
            if record.phase is Phase.PUSH_PULL:
                pressed = max(pressed, float(truth[at.Z_PA_A]) / ceiling)
            if record.phase is Phase.HELD and before is not Phase.HELD:
                asked.append(record.ask.value)
            before = record.phase
    except PlantError as error:
        return Run(f"plant: {error}", "", *[math.nan] * 9, 0, ())
    result = rig.result()
    stay = Counter()
    for span in result.phases:
        stay[span.phase] += span.to_s - span.from_s
    return Run(
        result.outcome.value if rig.operator.done else f"unfinished in {result.outcome.value}", result.sentence,
        result.duration_s - stay[Phase.HELD], stay[Phase.PUSH_PULL] + stay[Phase.LIQUID], stay[Phase.PUSH_PULL],
        result.recovered_kg, result.recovered_uncertainty_kg, result.true_recovered_kg, most_kg / limit_kg, ice,
        pressed, result.trips, tuple(asked),
    )  # fmt: skip


def compare(seed):
    """The same job in all ways that are asked for: way -> run."""
    done = {way: run(seed, way) for way in (OWN, WITHOUT)}
    if not done[OWN].pushed_s:
        done[ALL_THE_SAME] = run(seed, ALL_THE_SAME)
    return done


def compared(seeds):
    """All jobs, on all cores."""
    if cores() == 1:
        return [compare(seed) for seed in seeds]
    with ProcessPoolExecutor(cores()) as pool:
        return list(pool.map(compare, seeds, chunksize=1))


def measure(quick):
    seeds = (jobs.TUNING if quick else jobs.HELD_OUT)[: QUICK_JOBS if quick else JOBS]
    yield from figures(compared(seeds), f"seeds {seeds[0]} to {seeds[-1]}")


def figures(done, where):
    """All figures of these jobs."""
    everyone = [one for runs in done for one in runs.values()]
    both = [runs for runs in done if all(one.ended == Phase.COMPLETE.value for one in runs.values())]
    chosen = [runs for runs in both if runs[OWN].pushed_s]
    refused = [runs for runs in both if not runs[OWN].pushed_s]
    where_all = f"{len(done)} jobs, {where}"
    ended = sum(one.ended == Phase.COMPLETE.value for one in everyone)
    yield Figure("runs that end COMPLETE", ended, "", f"of {len(everyone)}, {where_all}")
    yield Figure("push-pull chosen", len(chosen), "", f"of {len(both)} jobs complete in every way, {where}")
    for what, time_s in (("liquid part", lambda one: one.liquid_s), ("start to COMPLETE", lambda one: one.work_s)):
        gains = [time_s(runs[WITHOUT]) / time_s(runs[OWN]) for runs in chosen]
        how = f"without over with, {len(gains)} jobs, {where}, waits in HELD left out"
        yield Figure(f"{what}: times as fast, median", _median(gains), "", how)
        yield Figure(f"{what}: times as fast, least", min(gains, default=math.nan), "", how)
        yield Figure(f"{what}: times as fast, most", max(gains, default=math.nan), "", how)
    saved = [(runs[WITHOUT].work_s - runs[OWN].work_s) / 60.0 for runs in chosen]
    yield Figure("start to COMPLETE: saved, median", _median(saved), "min", where)
    yield Figure("start to COMPLETE: saved, worst", min(saved, default=math.nan), "min", where)
    right = sum(runs[OWN].work_s <= runs[WITHOUT].work_s for runs in chosen)
    yield Figure("chosen, and it was the quicker way", right, "", f"of {len(chosen)}, {where}")
    right = sum(runs[OWN].work_s <= runs[ALL_THE_SAME].work_s for runs in refused)
    pushed = sum(runs[ALL_THE_SAME].pushed_s > 0.0 for runs in refused)
    how = f"of {len(refused)} ({pushed} of them could be pressed at all), {where}"
    yield Figure("not chosen, and that was the quicker way", right, "", how)
    lost = [(runs[OWN].work_s - runs[ALL_THE_SAME].work_s) / 60.0 for runs in refused]
    yield Figure("not chosen: time that it would have saved, most", max(lost, default=math.nan), "min", where)
    yield Figure("true mass over the fill limit, greatest", 100 * max(o.over_limit for o in everyone), "%", where_all)
    yield Figure("water frozen, greatest share", 100 * max(one.ice for one in everyone), "%", where_all)
    highest = max(one.pressed for one in everyone)
    yield Figure("appliance in push-pull, over what it may be pressed to", 100 * highest, "%", where_all)
    held = sum(abs(one.recovered_kg - one.true_kg) <= 2.0 * one.uncertainty_kg for one in everyone)
    yield Figure("recovered mass: truth within 2 uncertainties", 100 * held / len(everyone), "%",
                 f"{held} of {len(everyone)} runs")  # fmt: skip
    yield Figure("trips", sum(one.trips for one in everyone), "", where_all)
    for way in (OWN, WITHOUT):
        for asked, count in Counter(asked for runs in done for asked in runs[way].holds).most_common():
            yield Figure(f"held, {way}: {asked}", count, "times", where_all)


def _median(values):
    return float(np.median(values)) if values else math.nan


def _line(seed, runs):
    settings, parameters, _ = job(seed)
    said = settings.job
    text = (
        f"{seed}: {said.refrigerant} {parameters.appliance.charge_kg:.1f} kg, plate {said.charge_kg}, "
        f"{parameters.ambient.temperature_degc:.0f} degC, WC {settings.cylinder.water_capacity_kg}"
    )
    for way, one in runs.items():
        over = f" over {100 * one.over_limit:.1f} %" if one.over_limit > 1.0 else ""
        text += (
            f"\n    {way}: {one.ended} {one.work_s / 60:.1f} min, liquid {one.liquid_s / 60:.1f}, pushed "
            f"{one.pushed_s / 60:.1f}, {one.true_kg:.2f} kg, off {one.recovered_kg - one.true_kg:+.3f} (u "
            f"{one.uncertainty_kg:.3f}){over} pressed {one.pressed:.2f} trips {one.trips} "
            f"{dict(Counter(one.holds))} {one.sentence[:90] if one.ended != 'complete' else ''}"
        )
    return text


def main():
    parser = argparse.ArgumentParser(prog="python -m tests.bench.pushpull", description=__doc__.partition("\n")[0])
    parser.add_argument("--jobs", type=int, default=20, help="random jobs, of the seeds for tuning")
    parser.add_argument("--first", type=int, default=0, help="first seed")
    asked = parser.parse_args()
    seeds = [seed for seed in range(asked.first, asked.first + asked.jobs) if seed in jobs.TUNING]
    done = compared(seeds)
    for seed, runs in zip(seeds, done, strict=True):
        print(_line(seed, runs))
    for figure in figures(done, f"seeds {seeds[0]} to {seeds[-1]}"):
        print(f"{figure.name:<66} {figure.value:>10.4g} {figure.unit:<5} {figure.how}".rstrip())


if __name__ == "__main__":
    main()
