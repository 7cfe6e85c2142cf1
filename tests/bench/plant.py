"""Figures of the plant: against an independent integrator, step refinement, properties, speed, what else was tried.

Those of the tricks and of the fit follow; each is a part of its own as well.
"""

import statistics
import subprocess
import sys
import time
from dataclasses import replace

import numpy as np
from CoolProp import CoolProp as cp  # noqa: N813  (a module, not a class)
from scipy.integrate import solve_ivp

from hil_sim.plant import layout as at
from hil_sim.plant import phase as ph
from hil_sim.plant import rates, tablegen
from hil_sim.plant.batch import Stage, Until, cores, in_parallel, run_stage
from hil_sim.plant.model import Actuators, Plant, PlantParameters
from tests import reference
from tests.bench import fit, tricks
from tests.bench.core import Figure

SETUPS, SETUPS_QUICK = 36, 6
REPEATS = 9


def measure(quick):
    yield from against_reference(quick)
    yield from refinement(quick)
    yield from properties(quick)
    yield from speed(quick)
    yield from tried(quick)
    yield from tricks.measure(quick)
    yield from fit.measure(quick)


# ---- trust ----------------------------------------------------------------------------------------------------------


def against_reference(quick):
    """Ours against scipy's BDF at a relative tolerance of 1e-6 on random set-ups."""
    found = [reference.compare(seed, rtol=1e-6) for seed in range(SETUPS_QUICK if quick else SETUPS)]
    how = f"{len(found)} random set-ups against scipy's BDF at 1e-6"
    for name, values in (
        ("end of the job", [c.time_error for c in found]),
        ("masses in cylinder, appliance and rig, of the charge", [c.mass_error for c in found]),
        ("appliance's pressure after 60 s of waiting", [c.pressure_error for c in found]),
    ):
        yield Figure(f"reference: {name}, worst", 100 * max(values), "%", how)
        yield Figure(f"reference: {name}, median", 100 * statistics.median(values), "%", how)


def refinement(quick):
    """The ordinary step against one of a tenth, for all random set-ups."""
    seeds = range(SETUPS_QUICK if quick else SETUPS)

    def both(seed):
        case = reference.setup(seed)
        ends, masses = [], []
        for step_s in (0.05, 0.005):
            plant = Plant(case.refrigerant, case.parameters, step_s=step_s)
            last = [run_stage(plant, stage) for stage in case.stages]
            ends.append(last[-2].time_s)
            masses.append(reference.masses(plant))
        charge_kg = case.parameters.appliance.charge_kg
        return abs(ends[0] / ends[1] - 1.0), np.abs(masses[0] - masses[1]).max() / charge_kg

    found = in_parallel(both, seeds)
    how = f"step 50 ms against 5 ms, {len(found)} random set-ups"
    yield Figure("refinement: end of the job, worst", 100 * max(t for t, _ in found), "%", how)
    yield Figure("refinement: masses, worst of the charge", 100 * max(m for _, m in found), "%", how)


def properties(quick):
    """Against CoolProp: pressure of gas and of boiling mixtures by (v, u), stiffness of pressed liquid by entropy."""
    names = ("R-134a", "R-22", "R-32", "R-410A", "R-290", "R-1234yf")
    draw = np.random.default_rng(5)
    gas, gas_t, boiling, stiff = [], [], [], []
    out = np.zeros(ph.STATE_FIELDS)
    for name in names:
        t = ph.load_tables(name)
        source = tablegen.SOURCES[name]
        p_critical = cp.PropsSI("Pcrit", source)
        for _ in range(60 if quick else 400):
            p = float(np.exp(draw.uniform(np.log(3e4), np.log(min(30e5, 0.7 * p_critical)))))
            t_dew = cp.PropsSI("T", "P", p, "Q", 1, source)
            t_gas = t_dew + float(draw.uniform(1.0, 100.0))
            v = 1.0 / cp.PropsSI("D", "P", p, "T|gas", t_gas, source)
            u = cp.PropsSI("U", "P", p, "T|gas", t_gas, source)
            ph.evaluate(1.0, u, v, 300, t.sat, t.gas_a, t.gas_b, t.scalars, out)
            gas.append(abs(out[ph.P] / p - 1.0))
            gas_t.append(abs(out[ph.T] - t_gas))
            x = float(draw.uniform(0.02, 0.98))
            ends = [[cp.PropsSI(what, "P", p, "Q", q, source) for q in (0, 1)] for what in ("D", "U")]
            v = (1 - x) / ends[0][0] + x / ends[0][1]
            u = (1 - x) * ends[1][0] + x * ends[1][1]
            ph.evaluate(1.0, u, v, 300, t.sat, t.gas_a, t.gas_b, t.scalars, out)
            boiling.append(abs(out[ph.P] / p - 1.0))
        for t_k in (263.15, 283.15, 303.15, 313.15):
            p_0 = cp.PropsSI("P", "T", t_k, "Q", 0, source)
            s = cp.PropsSI("S", "T", t_k, "Q", 0, source)
            v = 1.0 / cp.PropsSI("D", "P", p_0 + 20e5, "S", s, source)
            u = cp.PropsSI("U", "P", p_0 + 20e5, "S", s, source)
            ph.evaluate(1.0, u, v, 300, t.sat, t.gas_a, t.gas_b, t.scalars, out)
            stiff.append(abs((out[ph.P] - p_0) / 20e5 - 1.0))
    how = f"{', '.join(names)}; 0.3 to 30 bar, 1 to 100 K above dew"
    yield Figure("vapor pressure by (v, u): median error", 100 * statistics.median(gas), "%", how)
    yield Figure("vapor pressure by (v, u): worst error", 100 * max(gas), "%", how)
    yield Figure("vapor temperature by (v, u): worst error", max(gas_t), "K", how)
    yield Figure("two-phase pressure by (v, u): worst error", 100 * max(boiling), "%", "the same pressures")
    yield Figure("liquid pressed by 20 bar at constant entropy: worst", 100 * max(stiff), "%", "-10 to 40 degC")


# ---- speed ----------------------------------------------------------------------------------------------------------

_FIRST = """
import time
from hil_sim.plant.model import Plant, PlantParameters
begin = time.perf_counter()
plant = Plant("R-410A", PlantParameters())
plant.advance(1.0)
print(time.perf_counter() - begin)
"""


def split_job(coil):
    """Plant and stages of the split system: 3 kg of R-410A, liquid first, to 1 bar in the appliance."""
    parameters = PlantParameters()
    parameters = replace(parameters, rig=replace(parameters.rig, coil_fitted=coil))
    liquid = Actuators(
        xv_101=True, xv_201=True, xv_202=True, xv_301=True, m_101=True, m_201=True, m_202=coil, cv_103=0.25
    )
    vapor = replace(liquid, xv_102=True, cv_103=1.0)
    stages = (Stage(liquid, (Until(at.Z_QUALITY_PORT, True, 0.5),)), Stage(vapor, (Until(at.Z_PA_A, False, 1e5),)))
    return Plant("R-410A", parameters), stages


def _one_job(coil, called_s=None):
    """Simulated seconds and wall seconds; with `called_s` by calls of that length from Python, as the bench does."""
    plant, stages = split_job(coil)
    begin = time.perf_counter()
    if called_s is None:
        for stage in stages:
            end = run_stage(plant, stage)
        return end.time_s, time.perf_counter() - begin
    z = plant.truth()
    for stage in stages:
        until = stage.until[0]
        plant.act = stage.act
        while (z[until.what] > until.level) != until.above:
            plant.advance(called_s)
    return float(z[at.Z_TIME_S]), time.perf_counter() - begin


def speed(quick):
    """One core, split-system job; each figure the best and the median of several runs."""
    subprocess.run([sys.executable, "-c", _FIRST], capture_output=True, check=True)
    first = [
        float(subprocess.run([sys.executable, "-c", _FIRST], capture_output=True, check=True, text=True).stdout)
        for _ in range(3)
    ]
    yield Figure(
        "first call in a fresh process, compiled code cached", statistics.median(first), "s", "plant made, 1 s"
    )
    for coil in (False, True):
        for called_s, way in ((None, "stages in one call, a look every 0.1 s"), (0.1, "calls of 0.1 s from Python")):
            _one_job(coil, called_s)
            runs = [_one_job(coil, called_s) for _ in range(3 if quick else REPEATS)]
            rates_ = [simulated_s / wall_s for simulated_s, wall_s in runs]
            name = f"split system {'with' if coil else 'without'} coil: simulated s per s"
            yield Figure(f"{name}, median", statistics.median(rates_), "", way)
            yield Figure(f"{name}, best", max(rates_), "", way)
    yield from ensemble(quick)


def ensemble(quick):
    """Many plants from one call, on one core and on all."""
    count = 16 if quick else 96
    best = {}
    for workers in (1, cores(), 1, cores(), 1, cores()):
        jobs = [split_job(False) for _ in range(count)]

        def run(job):
            plant, stages = job
            return [run_stage(plant, replace(stage, look_s=0.5)).time_s for stage in stages]

        begin = time.perf_counter()
        in_parallel(run, jobs, workers)
        wall_s = time.perf_counter() - begin
        best[workers] = min(best.get(workers, wall_s), wall_s)
    how = f"{count} split jobs, best of three"
    yield Figure("ensemble on one core", count / best[1], "jobs/s", how)
    yield Figure(f"ensemble on {cores()} cores", count / best[cores()], "jobs/s", how)
    yield Figure("ensemble: parallel efficiency", 100 * best[1] / best[cores()] / cores(), "%", how)


# ---- what else was tried --------------------------------------------------------------------------------------------


def tried(quick):
    """The same equations by general integrators, for the split system with coil; Python calls included."""
    runs = [("BDF", 1e-4), ("Radau", 1e-4)]
    if not quick:
        runs.append(("RK23", 1e-3))
    simulated_s, wall_s = _one_job(True)
    yield Figure("tried: ours, with coil", simulated_s / wall_s, "", "simulated s per s")
    for method, rtol in runs:
        plant, stages = split_job(True)
        # An explicit method is stopped after a little: its step tells all.
        limit_s = 5.0 if method == "RK23" else None
        begin = time.perf_counter()
        end_s, calls, steps = _general(plant, stages, method, rtol, limit_s)
        wall_s = time.perf_counter() - begin
        how = f"{calls} evaluations, mean step {1e3 * end_s / max(steps, 1):.3g} ms"
        if limit_s is None:
            how += f"; end {100 * (end_s / simulated_s - 1):+.3f} % from ours"
        yield Figure(f"tried: {method} at {rtol:g}, with coil", end_s / wall_s, "", how)


def _general(plant, stages, method, rtol, limit_s):
    if method in ("BDF", "Radau"):
        integrator = reference.Reference(plant, rtol=rtol, method=method)
        ends = [integrator.stage(stage)[0] for stage in stages]
        return ends[-1], integrator.calls, integrator.steps
    store, fluid = plant.compiled_form()
    places = rates.unknowns(store.k)
    dx = np.zeros(at.STATES)
    calls = steps = 0
    for stage in stages:
        plant.act = stage.act
        plant.compiled_form()
        full = store.x.copy()
        until = stage.until[0]

        def right_hand_side(_t, y, full=full):
            nonlocal calls
            calls += 1
            store.x[:] = full
            store.x[places] = y
            if not rates.rates(store, fluid, dx):
                return np.full(len(y), np.nan)
            return dx[places]

        def event(_t, y, until=until):
            reference.show(store, fluid, places, y)
            return store.z[until.what] - until.level

        event.terminal, event.direction = True, 1.0 if until.above else -1.0
        start = float(full[at.TIME])
        span = (start, start + (limit_s or stage.at_most_s))
        answer = solve_ivp(
            right_hand_side, span, full[places], method=method, rtol=rtol, atol=reference.tolerances(places, rtol),
            events=event, first_step=1e-4,
        )  # fmt: skip
        steps += len(answer.t)
        store.x[:] = full
        reference.show(store, fluid, places, answer.y[:, -1])
        if limit_s is not None:
            break
    return float(answer.t[-1]), calls, steps
