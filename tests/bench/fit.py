"""How often the fit's standard errors keep their word: runs with hidden parameters, fitted from the default ones.

Each trial: parameters are drawn from the distribution that the fit takes for granted (logarithms normal, widths of
`hil_sim.fit.estimate.WIDTHS`, drawn again when outside their range), a job is run in closed loop with them (controller,
technician, instruments with noise and errors of their own), and the recording is fitted from the figures in the files.
A job that does not end within eight simulated minutes is cut off there, as a recording may be.
"""

import math
import time
from collections import defaultdict
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace

import numpy as np

from hil_sim.fit import estimate as fit
from hil_sim.fit.recording import from_records, run_of
from hil_sim.plant.batch import cores
from hil_sim.simulation import prepare
from tests.bench.core import Figure

TRIALS, QUICK_TRIALS = 40, 4
SETUPS = ("everything", "liquid-first", "coil-in-ice", "warming")
"""One after the other; they differ in hoses, cores, coil and aids."""
LONGEST_S = 480.0


def start_of(setup):
    """Simulation as it stands in the files, and what the fit frees of it."""
    simulation = prepare("split-ac", "full", setup)
    parameters = simulation.bench(1).plant.parameters
    return simulation, parameters, fit.default_names(parameters, charge_known=True)


def hidden(parameters, names, seed):
    """Parameters drawn around those of the files."""
    random = np.random.default_rng(seed)
    values = {}
    for one in fit.free_parameters(parameters, names):
        value = math.nan
        while not one.low <= value <= one.high:
            value = one.start * math.exp(one.width * random.standard_normal())
        values[one.name] = value
        for other in one.along:
            values[other] = fit.value_of(parameters, other) * value / one.start
    return values


def record(simulation, values, seed):
    """The scans of a closed-loop run with these parameters, and its settings."""
    changed = replace(simulation, parameters=fit.with_values(simulation.parameters, values))
    bench = changed.bench(seed)
    return list(bench.run(LONGEST_S)), bench.settings


def problem(simulation, parameters, names, recordings, **more):
    """What is to be solved, from the figures in the files."""
    bench = simulation.bench(1)
    tags = [one.tag for one in bench.sensors.instruments if one.tag in fit.TRUTH_OF]
    runs = [run_of(one, bench.settings, tags) for one in recordings]
    free = fit.free_parameters(parameters, names)
    return fit.Problem(
        runs, simulation.settings.job.refrigerant, parameters, bench.plant.hand, bench.sensors.instruments, free, **more
    )  # fmt: skip


def trial(number):
    """Hidden values and fit of one trial."""
    simulation, parameters, names = start_of(SETUPS[number % len(SETUPS)])
    values = hidden(parameters, names, 1000 + number)
    scans, settings = record(simulation, values, 100 + number)
    began_s, began_cpu_s = time.perf_counter(), time.process_time()
    recording = from_records(f"trial {number}", scans, settings)
    solved = problem(simulation, parameters, names, [recording], workers=1).solve()
    return values, solved, time.perf_counter() - began_s, time.process_time() - began_cpu_s


def trials(count):
    """All trials, on all cores."""
    if cores() == 1:
        return [trial(number) for number in range(count)]
    with ProcessPoolExecutor(cores()) as pool:
        return list(pool.map(trial, range(count)))


def _true_value(values, solved, name):
    return values[name] if name in values else fit.value_of(solved.parameters, name)


def measure(quick):
    count = QUICK_TRIALS if quick else TRIALS
    done = trials(count)
    ways = []
    known, within, away = defaultdict(int), defaultdict(int), defaultdict(list)
    names = []
    for values, solved, _, _ in done:
        for one in solved.estimates:
            if one.name not in names:
                names.append(one.name)
            if one.identified:
                off = math.log(one.value / values[one.name]) / one.relative_sd
                known[one.name] += 1
                within[one.name] += abs(off) <= 2.0
                away[one.name].append(off)
        for way in solved.ways:
            if math.isfinite(way.relative_sd):
                kv = sum(_true_value(values, solved, name) ** -2.0 for name in way.names) ** -0.5
                ways.append((math.log(way.kv_m3_h / kv), way.relative_sd))
    total, inside = sum(known.values()), sum(within.values())
    how = f"{inside} of {total} identified estimates in {count} closed-loop trials, fitted from the files' figures"
    yield Figure("truth within two standard errors", 100.0 * inside / total, "%", how)
    for name in names:
        offs = np.array(away[name])
        how = f"{within[name]} of {known[name]}; identified in {known[name]} trials"
        if len(offs):
            how += f"; mean {offs.mean():+.2f}, root mean square {np.sqrt(np.mean(offs**2)):.2f} standard errors"
        share = 100.0 * within[name] / known[name] if known[name] else math.nan
        yield Figure(f"{name}: within two", share, "%", how)
    offs = np.array([off / sd for off, sd in ways])
    if len(offs):
        how = (
            f"core or port, valve and manifold; {int((abs(offs) <= 2.0).sum())} of {len(offs)}; root mean square "
            f"{np.sqrt(np.mean(offs**2)):.2f} standard errors; median standard error "
            f"{100.0 * np.median([sd for _, sd in ways]):.2g} %"
        )
        yield Figure("Kv of a whole way in: within two", 100.0 * float((abs(offs) <= 2.0).mean()), "%", how)
    yield Figure("one fit", float(np.median([cpu for *_, cpu in done])), "s", "processor time, median; one core")
    yield Figure("simulated runs for one fit", float(np.median([s.runs for _, s, *_ in done])), "", "median")
    yield Figure("chi-square per reading", float(np.median([s.chi_square for _, s, *_ in done])), "", "median")
