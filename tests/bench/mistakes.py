"""Cylinders changed in mid-job, wrong ones put on, and what pressure and temperature can tell of what is in them.

Three sets of runs: a cylinder with too little room, so that it is changed in mid-job, with a wrong one put in its place
first; every refrigerant of the plant in an appliance whose job names another one; air in the appliance or the cylinder.
"""

import argparse
import math
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace

import msgspec
import numpy as np

from hil_sim.instruments.faults import Fault, PlantFault
from hil_sim.plant import layout as at
from hil_sim.plant.batch import cores
from hil_sim.plant.model import REFRIGERANTS, Plant, PlantError
from hil_sim.simulation import prepare
from rigctl.control.readings import RequestKind
from rigctl.control.vocabulary import Ask, Phase
from rigctl.refrigerant import catalogue
from rigctl.refrigerant.cylinder import fill_limit, pressure_rating
from tests.bench import jobs
from tests.bench.core import Figure

CHANGES, QUICK_CHANGES = 60, 4
WRONG = ("other refrigerant", "retest overdue", "rating too low", "no room", "")
"""What is wrong with the cylinder that is put on first; "" for nothing."""
LONGEST_S = 3.0 * 3600.0
LINE_UP_S = 400.0
TOLD_APART_K = 4.0
"""Two refrigerants whose pressures lie further apart than this much warmer or colder, and `TOLD_APART_PA` besides, can
be told apart: 3 K for probe and pipe, 1 K for the probe's own error; 0.2 bar for the transmitter."""
TOLD_APART_PA = 0.4e5


# ---- cylinders -------------------------------------------------------------------------------------------


@dataclass
class Change:
    """One job with a cylinder that is too small for it."""

    seed: int
    wrong: str
    ended: str = ""
    phase: str = ""
    """In which the first cylinder became full."""
    refused: bool = False
    """The wrong cylinder was refused and nothing went into it."""
    cylinders: int = 0
    off_kg: float = math.nan
    """Recorded less true mass, over all cylinders."""
    uncertainty_kg: float = math.nan
    over_limit: float = 0.0
    sentence: str = ""


def change_job(seed):
    """A random job whose first cylinder has room for a share of it, and the sort of the first one that replaces it."""
    simulation = jobs.job(seed)
    draw = np.random.default_rng((seed, 77))
    wrong = WRONG[int(draw.integers(len(WRONG)))]
    fluid, charge_kg = simulation.refrigerant, simulation.parameters.appliance.charge_kg
    first = simulation.settings.cylinder
    refrigerant = catalogue.get(fluid)
    limit_kg = fill_limit(refrigerant, first.water_capacity_kg).limit_kg
    reserve_kg = simulation.settings.limits.fill_reserve_kg
    residual_kg = max(limit_kg - reserve_kg - float(draw.uniform(0.2, 0.8)) * charge_kg, 0.05)
    first = msgspec.structs.replace(first, refrigerant=fluid, residual_kg=round(residual_kg, 2))
    good = [msgspec.structs.replace(first, serial=f"BENCH-{n}", refrigerant="", residual_kg=0.0) for n in (2, 3, 4)]
    bad = msgspec.structs.replace(good[0], serial="BENCH-WRONG")
    if wrong == "other refrigerant":
        bad = msgspec.structs.replace(bad, refrigerant="R-22" if fluid != "R-22" else "R-134a", residual_kg=0.5)
    elif wrong == "retest overdue":
        bad = msgspec.structs.replace(bad, retest_due="2019-06-30")
    elif wrong == "rating too low":
        bad = msgspec.structs.replace(bad, service_pressure_pa_gauge=6e5)
        if pressure_rating(refrigerant, bad.service_pressure_pa_gauge).ok:
            wrong = ""  # none of the usual ratings is too low for it
    elif wrong == "no room":
        bad = msgspec.structs.replace(bad, refrigerant=fluid, residual_kg=round(limit_kg - 0.1, 2))
    spares = (bad, *good) if wrong else tuple(good)
    job = msgspec.structs.replace(simulation.job, cylinder=first, spare_cylinders=spares)
    settings = msgspec.structs.replace(simulation.settings, cylinder=first)
    cylinder = replace(simulation.parameters.cylinder, residual_kg=first.residual_kg)
    parameters = replace(simulation.parameters, cylinder=cylinder)
    return replace(simulation, job=job, settings=settings, parameters=parameters, faults=()), wrong


def watch_change(seed):
    """Run one such job."""
    simulation, wrong = change_job(seed)
    outcome = Change(seed, wrong)
    try:
        bench = simulation.bench(seed)
    except ValueError as error:
        outcome.ended = f"plant: {error}"
        return outcome
    refrigerant = catalogue.get(simulation.refrigerant)
    limit_kg = fill_limit(refrigerant, simulation.settings.cylinder.water_capacity_kg).limit_kg
    before = Phase.IDLE
    try:
        for record in bench.run(LONGEST_S):
            truth = bench.plant.truth()
            outcome.over_limit = max(outcome.over_limit, float(truth[at.Z_KG_Y]) / limit_kg)
            if record.phase is Phase.HOLDING and before is not Phase.HOLDING and record.ask is Ask.CHANGE_CYLINDER:
                outcome.phase = outcome.phase or before.value
            said = [reply.text for reply in record.replies if not reply.accepted] + [record.sentence]
            if any("BENCH-WRONG" in text for text in said) and record.phase is Phase.HELD:
                outcome.refused, outcome.sentence = True, said[0]
            before = record.phase
    except PlantError as error:
        outcome.ended = f"plant: {error}"
        return outcome
    result, stated = bench.result(), bench.last.estimate
    outcome.ended = result.outcome.value if bench.operator.done else f"unfinished in {result.outcome.value}"
    filled = bench.last.cylinders
    outcome.cylinders = len(filled)
    outcome.refused = outcome.refused and all(f.net_kg < 0.01 for f in filled if f.cylinder.serial == "BENCH-WRONG")
    outcome.off_kg = stated.recovered_kg - result.true_recovered_kg
    outcome.uncertainty_kg = stated.recovered_uncertainty_kg
    return outcome


def changes(seeds):
    done = _each(watch_change, seeds)
    where = f"{len(done)} jobs, seeds {seeds[0]} to {seeds[-1]}"
    changed = [one for one in done if one.phase]
    for phase in ("liquid", "vapor"):
        these = [one for one in changed if one.phase == phase]
        ended = sum(one.ended == Phase.COMPLETE.value for one in these)
        how = f"{ended} of {len(these)} whose cylinder was changed there; {where}"
        yield Figure(f"cylinder changed in mid-{phase}: COMPLETE", _share(ended, len(these)), "%", how)
    for wrong in WRONG[:-1]:
        these = [one for one in changed if one.wrong == wrong]
        refused = sum(one.refused for one in these)
        how = f"{refused} of {len(these)}; {where}"
        yield Figure(f"wrong cylinder, {wrong}: refused", _share(refused, len(these)), "%", how)
    ended = [one for one in changed if one.ended == Phase.COMPLETE.value]
    held = sum(abs(one.off_kg) <= 2.0 * one.uncertainty_kg for one in ended)
    how = f"{held} of {len(ended)} complete; {where}"
    yield Figure("mass over all cylinders: truth within 2 uncertainties", _share(held, len(ended)), "%", how)
    off = [abs(one.off_kg) for one in ended]
    yield Figure("mass over all cylinders: error, median", 1e3 * _percentile(off, 50), "g", where)
    yield Figure("mass over all cylinders: error, greatest", 1e3 * max(off, default=math.nan), "g", where)
    over = sum(one.over_limit > 1.0 for one in done)
    most = max((one.over_limit for one in done), default=math.nan)
    yield Figure("true mass over the fill limit, greatest", 100.0 * most, "%", f"{over} jobs above; {where}")
    for cause, count in Counter(one.ended for one in changed if one.ended != Phase.COMPLETE.value).most_common():
        yield Figure(f"ended {cause}", _share(count, len(changed)), "%", f"{count}; {where}")


# ---- what is in it ---------------------------------------------------------------------------------------


def _line_up(declared, actual, ambient_degc, *, ncg_mol=0.0, faults=()):
    """Line up a split air conditioner that is said to hold one refrigerant and holds another: the last record."""
    simulation = prepare("split-ac", "full", "short-wide-hoses")
    cylinder = msgspec.structs.replace(
        simulation.settings.cylinder, refrigerant="", residual_kg=0.0, service_pressure_pa_gauge=4.2e6
    )
    job = msgspec.structs.replace(
        simulation.settings.job, refrigerant=declared, charge_kg=None, ambient_degc=round(ambient_degc)
    )
    settings = msgspec.structs.replace(simulation.settings, job=job, cylinder=cylinder)
    parameters = replace(
        simulation.parameters,
        appliance=replace(simulation.parameters.appliance, charge_kg=2.2, ncg_mol=ncg_mol),
        cylinder=replace(simulation.parameters.cylinder, residual_kg=0.5 if faults else 0.002),
        ambient=replace(simulation.parameters.ambient, temperature_degc=ambient_degc),
    )
    if faults:
        cylinder = msgspec.structs.replace(cylinder, refrigerant=declared, residual_kg=5.0)
        settings = msgspec.structs.replace(settings, cylinder=cylinder)
    made = replace(simulation, settings=settings, parameters=parameters, refrigerant=actual, faults=faults)
    bench = made.bench(1)
    bench.operator = None
    bench.press(RequestKind.START)
    notes, begun_pa = [], float(bench.plant.truth()[at.Z_PA_A])
    for record in bench.run(LINE_UP_S):
        notes += [event.text for event in record.events if event.kind == "note"]
        if record.phase in (Phase.LIQUID, Phase.VAPOR, Phase.HELD, Phase.ABORTED):
            break
    return record, notes, begun_pa, bench


def _saturated_pa(name, ambient_degc):
    """By the plant's own tables, which the controller does not use."""
    simulation = prepare("split-ac", "full", "short-wide-hoses")
    parameters = replace(
        simulation.parameters,
        appliance=replace(simulation.parameters.appliance, charge_kg=2.2),
        cylinder=replace(simulation.parameters.cylinder, residual_kg=0.002),
        ambient=replace(simulation.parameters.ambient, temperature_degc=ambient_degc),
    )
    return float(Plant(name, parameters).truth()[at.Z_PA_A])


def _identity(task):
    declared, ambient_degc = task
    rows = []
    low = _saturated_pa(declared, ambient_degc - TOLD_APART_K) - TOLD_APART_PA
    high = _saturated_pa(declared, ambient_degc + TOLD_APART_K) + TOLD_APART_PA
    for actual in REFRIGERANTS:
        record, notes, begun_pa, _ = _line_up(declared, actual, ambient_degc)
        refused = record.phase is Phase.HELD and record.ask is Ask.CHECK_REFRIGERANT
        other = record.phase not in (Phase.LIQUID, Phase.VAPOR) and not refused
        named = any(actual in note for note in notes) or (refused and actual in record.sentence)
        rows.append((declared, actual, not low <= begun_pa <= high, refused, named, other))
    return rows


def identities(quick):
    draw = np.random.default_rng(5)
    declared = REFRIGERANTS[:3] if quick else REFRIGERANTS
    tasks = [(name, float(draw.uniform(5.0, 40.0))) for name in declared]
    rows = [row for some in _each(_identity, tasks) for row in some]
    where = f"{len(rows)} pairs of declared and true refrigerant, 5 to 40 degC"
    same = [row for row in rows if row[0] == row[1]]
    others = [row for row in rows if row[0] != row[1]]
    apart, near = [row for row in others if row[2]], [row for row in others if not row[2]]
    yield Figure("the right refrigerant: asked about", _share(sum(r[3] for r in same), len(same)), "%",
                 f"{sum(r[3] for r in same)} of {len(same)}; {where}")  # fmt: skip
    held, asked = sum(r[3] or r[5] for r in apart), sum(r[3] for r in apart)
    how = f"{held} of {len(apart)}, {asked} of them with a question about the refrigerant; {where}"
    yield Figure("another one that can be told by P and T: held", _share(held, len(apart)), "%", how)
    yield Figure("the true one named then, or in the note", _share(sum(r[4] for r in others), len(others)), "%",
                 f"{sum(r[4] for r in others)} of {len(others)}; {where}")  # fmt: skip
    yield Figure("another one that looks alike: goes on", _share(sum(not r[3] for r in near), len(near)), "%",
                 f"{len(near)} pairs; {where}")  # fmt: skip
    named = sum(r[4] for r in near)
    yield Figure("of those: the true one named as possible", _share(named, len(near)), "%", f"{named} of {len(near)}")


def _air(task):
    where, bar, ambient_degc = task
    moles = bar * 1e5 * 5e-3 / (8.314 * (ambient_degc + 273.15))  # some 5 L of gas
    if where == "appliance":
        record, _, _, bench = _line_up("R-410A", "R-410A", ambient_degc, ncg_mol=moles)
        over_pa = float(bench.plant.truth()[at.Z_PA_A]) - _saturated_pa("R-410A", ambient_degc)
        return where, over_pa, record.phase is Phase.HELD and record.ask is Ask.CHECK_REFRIGERANT
    fault = Fault("plant", PlantFault.AIR_IN_CYLINDER, 0.0, value=3.0 * moles)
    record, _, _, bench = _line_up("R-410A", "R-410A", ambient_degc, faults=(fault,))
    over_pa = float(bench.plant.truth()[at.Z_PA_Y]) - _saturated_pa("R-410A", ambient_degc)
    return where, over_pa, record.phase is Phase.HELD and record.ask is Ask.CHECK_CYLINDER


def air(quick):
    draw = np.random.default_rng(6)
    count = 6 if quick else 40
    tasks = [
        (where, float(draw.uniform(0.0, 4.0)), float(draw.uniform(10.0, 35.0)))
        for where in ("appliance", "cylinder")
        for _ in range(count)
    ]
    rows = _each(_air, tasks)
    for where in ("appliance", "cylinder"):
        for low, high in ((-9.0, 0.3), (0.3, 1.2), (1.2, 99.0)):
            these = [row for row in rows if row[0] == where and low <= row[1] / 1e5 < high]
            held = sum(row[2] for row in these)
            span = f"{low:g} to {high:g} bar" if high < 90 else f"over {low:g} bar"
            if low < 0.0:
                span = f"under {high:g} bar"
            how = f"{held} of {len(these)}; by the plant, pressure above saturation"
            yield Figure(f"air in the {where}, {span}: held", _share(held, len(these)), "%", how)


# ---- all ---------------------------------------------------------------------------------------------------


def measure(quick):
    seeds = jobs.TUNING if quick else jobs.HELD_OUT
    yield from changes(list(seeds[: QUICK_CHANGES if quick else CHANGES]))
    yield from identities(quick)
    yield from air(quick)


def _each(function, tasks):
    if cores() == 1:
        return [function(task) for task in tasks]
    with ProcessPoolExecutor(cores()) as pool:
        return list(pool.map(function, tasks, chunksize=1))


def _share(some, all_):
    return 100.0 * some / all_ if all_ else math.nan


def _percentile(values, share):
    return float(np.percentile(values, share)) if len(values) else math.nan


def main():
    parser = argparse.ArgumentParser(prog="python -m tests.bench.mistakes", description=__doc__.partition("\n")[0])
    parser.add_argument("--jobs", type=int, default=30, help="jobs with a cylinder change, of the seeds for tuning")
    asked = parser.parse_args()
    seeds = list(jobs.TUNING[: asked.jobs])
    for part in (changes(seeds), identities(False), air(False)):
        for figure in part:
            print(f"{figure.name:<66} {figure.value:>10.4g} {figure.unit:<4} {figure.how}".rstrip())


if __name__ == "__main__":
    main()
