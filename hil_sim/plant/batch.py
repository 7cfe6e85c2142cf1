"""Many runs of plants without Python in between: recorded commands followed, stages run to a condition, on all cores.

The compiled loops hold no lock, so that threads share the cores; a run is one call, and which thread makes it
changes nothing in its result.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from typing import NamedTuple, TypeVar

import numpy as np

from hil_sim.plant import kernel
from hil_sim.plant import layout as at
from hil_sim.plant.kernel import Fluid, Store
from hil_sim.plant.model import Actuators, Hand, Plant
from hil_sim.plant.phase import Array, compiled

T = TypeVar("T")
R = TypeVar("R")


class Until(NamedTuple):
    """A condition on the truth that ends a stage."""

    what: int
    """Place in the truth vector, `layout.Z_*`."""
    above: bool
    """Ends when the value is above the level; otherwise when it is below."""
    level: float
    hold_s: float = 0.0
    """How long that must have been so without a break."""


@dataclass(frozen=True)
class Stage:
    """Actuators and hands that stay as they are until a condition holds."""

    act: Actuators
    until: tuple[Until, ...] = ()
    """The first that holds ends the stage."""
    at_most_s: float = 3600.0
    hand: Hand = field(default_factory=Hand)
    look_s: float = 0.1
    """Time between two looks at the conditions; the end is found between them by a straight line, and the plant is
    left standing there."""


class StageEnd(NamedTuple):
    """How a stage ended."""

    time_s: float
    """Plant's time at the end, interpolated to the instant at which the condition began to hold long enough."""
    reason: int
    """Place of the condition among those of the stage; -1 when time was up."""
    truth: Array
    """All of the truth at the end, a copy."""
    highest: Array
    """Highest value of every place of the truth at any look of the stage."""
    lowest: Array


@compiled
def _run_stage(
    s: Store, f: Fluid, look: float, at_most: float, conditions: Array, high: Array, low: Array, out: Array
) -> int:
    """Advance until a condition holds; `out` = [end time, condition or -1].

    The look that finds a condition met is taken back and repeated up to the instant at which it was, so that what a
    later stage sets does not come late by part of a look.
    """
    x, rows, eos, z = s.x, s.rows, s.eos, s.z
    n = conditions.shape[0]
    since = np.full(n, -1.0)
    before = np.empty(n)
    for c in range(n):
        before[c] = z[int(conditions[c, 0])]
    begin = z[at.Z_TIME_S]
    for q in range(z.shape[0]):
        high[q] = z[q]
        low[q] = z[q]
    out[1] = -1.0
    count = int(np.ceil(at_most / look - 1e-9))
    x_before, rows_before, eos_before, z_before = x.copy(), rows.copy(), eos.copy(), z.copy()
    for step in range(count):
        h = min(look, at_most - step * look)
        if n > 0:
            x_before[:], rows_before[:], eos_before[:], z_before[:] = x, rows, eos, z
        code = kernel.advance(h, s, f)
        if code != kernel.OK:
            return code
        now = begin + min((step + 1) * look, at_most)
        end = now
        for c in range(n):
            value = z[int(conditions[c, 0])]
            level = conditions[c, 2]
            holds = value > level if conditions[c, 1] > 0.5 else value < level
            if holds:
                if since[c] < 0.0:
                    held = before[c] > level if conditions[c, 1] > 0.5 else before[c] < level
                    change = value - before[c]
                    share = (level - before[c]) / change if abs(change) > 0.0 else 1.0
                    since[c] = now - h if held else now - h + min(max(share, 0.0), 1.0) * h
                met = since[c] + conditions[c, 3]
                if met <= now + 1e-9 and (out[1] < 0.0 or met < end):
                    end = min(met, now)
                    out[1] = float(c)
            else:
                since[c] = -1.0
            before[c] = value
        if end < now - 1e-9:
            x[:], rows[:], eos[:], z[:] = x_before, rows_before, eos_before, z_before
            h += end - now
            if h > 1e-9:
                code = kernel.advance(h, s, f)
                if code != kernel.OK:
                    return code
        for q in range(z.shape[0]):
            high[q] = max(high[q], z[q])
            low[q] = min(low[q], z[q])
        if out[1] >= 0.0:
            out[0] = end
            return kernel.OK
    out[0] = begin + at_most
    return kernel.OK


@compiled
def _follow(s: Store, f: Fluid, times: Array, inputs: Array, places: Array, out: Array) -> int:
    """Advance from time to time with one row of inputs each; write the wanted places of the truth."""
    n = times.shape[0]
    for row in range(n):
        if row > 0:
            code = kernel.advance(times[row] - times[row - 1], s, f)
            if code != kernel.OK:
                return code
        for c in range(places.shape[0]):
            out[row, c] = s.z[int(places[c])]
        for q in range(inputs.shape[1]):
            s.u[q] = inputs[row, q]
    return kernel.OK


def run_stage(plant: Plant, stage: Stage) -> StageEnd:
    """Run one stage on a plant; the plant keeps the stage's actuators and hands.

    Raises
    ------
    ValueError
        If `look_s` or `at_most_s` is not above 0, or an actuator or hand is out of range.
    PlantError
        If the plant can't be advanced.
    """
    if not (stage.look_s > 0.0 and stage.at_most_s > 0.0):
        raise ValueError("a stage needs look_s and at_most_s above 0 s")
    plant.act, plant.hand = stage.act, stage.hand
    store, fluid = plant.compiled_form()
    conditions = np.array([tuple(map(float, c)) for c in stage.until], float).reshape(len(stage.until), 4)
    high, low, out = np.zeros(at.TRUTHS), np.zeros(at.TRUTHS), np.zeros(2)
    plant.check(_run_stage(store, fluid, stage.look_s, stage.at_most_s, conditions, high, low, out))
    return StageEnd(float(out[0]), int(out[1]), plant.truth().copy(), high, low)


def input_rows(plant: Plant, acts: Sequence[Actuators], hands: Sequence[Hand] | None = None) -> Array:
    """Turn commands into rows of the kernel's inputs; shape (n, `layout.INPUTS`).

    Raises
    ------
    ValueError
        If a command or hand is out of range.
    """
    act, hand = plant.act, plant.hand
    rows = np.empty((len(acts), at.INPUTS))
    try:
        for n, row in enumerate(acts):
            plant.act = row
            if hands is not None:
                plant.hand = hands[n]
            rows[n] = plant.compiled_form()[0].u
    finally:
        plant.act, plant.hand = act, hand
        plant.compiled_form()
    return rows


def follow(plant: Plant, times_s: Array, inputs: Array, places: Sequence[int]) -> Array:
    """Run a plant through recorded commands and return what it shows.

    Parameters
    ----------
    plant
        Stands at the time of the first row.
    times_s
        Rising times of the rows, s; shape (n,). Row i of `inputs` is in force from ``times_s[i]`` to the next.
    inputs
        From `input_rows`; shape (n, `layout.INPUTS`).
    places
        Wanted places of the truth, `layout.Z_*`.

    Returns
    -------
    Array
        Value of each place at each time; shape (n, len(places)).

    Raises
    ------
    ValueError
        If the shapes don't fit or times don't rise.
    PlantError
        If the plant can't be advanced.
    """
    times_s = np.ascontiguousarray(times_s, float)
    if times_s.ndim != 1 or inputs.shape != (len(times_s), at.INPUTS) or not (np.diff(times_s) > 0.0).all():
        raise ValueError("times must rise, and each must have one row of inputs")
    store, fluid = plant.compiled_form()
    out = np.empty((len(times_s), len(places)))
    plant.check(_follow(store, fluid, times_s, inputs, np.array(places, float), out))
    plant.forget_inputs()
    return out


def cores() -> int:
    """Cores that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else (os.cpu_count() or 1)


def in_parallel(work: Callable[[T], R], items: Iterable[T], workers: int | None = None) -> list[R]:
    """Do the work on every item, in threads on all cores; results in the order of the items.

    Worth it where the work is mostly `run_stage`, `follow` or `Plant.advance` with long times: those hold no lock.

    Raises
    ------
    ValueError
        If `workers` is below 1.
    """
    count = cores() if workers is None else workers
    if count < 1:
        raise ValueError(f"workers is {workers!r}; give 1 or more")
    if count == 1:
        return [work(item) for item in items]
    with ThreadPoolExecutor(count) as pool:
        return list(pool.map(work, items))
