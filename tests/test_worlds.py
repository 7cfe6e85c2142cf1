"""Every promise against the plant's truth, over random jobs with random faults; what was exercised is counted.

A world is a random job of `tests/bench/jobs.py` (held-out seeds): rig, refrigerant, weather, hook-up, what the plate
says; every second has something wrong with the scale or a rough beginning, and each has one more fault at a random
moment. A promise that no world exercised fails the test: it would say nothing.
"""

from __future__ import annotations

import random
from collections import Counter

from hil_sim.instruments.faults import UnsupportedFaultError
from tests.bench import jobs
from tests.promise_helpers import CAMPAIGN, Watch, faults_at, named

FIRST = 13_000
COUNT = 200 * CAMPAIGN or 8
LONGEST_S = 9000.0
JUDGED = {1: "way out", 2: "fill limit", 3: "trips", 4: "stands still", 5: "shut in", 7: "ends", 8: "recorded mass"}
"""Promises that a world may exercise; 6 needs water and stands in `test_promises.py`."""
OFTEN = (1, 4)
"""Exercised in every world; the others somewhere."""


def _world(seed: int) -> tuple[Watch, str]:
    draw = random.Random(seed)
    simulation = jobs.job(seed, faulty=seed % 4 == 1, rough=seed % 4 == 3)
    found = faults_at(draw.uniform(5.0, 600.0))
    draw.shuffle(found)
    for fault in found:
        try:
            watch = Watch.over(simulation, seed, [fault])
            watch.lying_scale |= jobs.scale_fault_of(simulation) != ""
            return watch, f"{seed}: {simulation.refrigerant}, {named(fault)}"
        except UnsupportedFaultError:
            continue  # this rig has no such part
    raise AssertionError("no fault fits this rig")


def test_every_promise_holds_in_random_worlds_with_random_faults() -> None:
    exercised: Counter[int] = Counter()
    broken: list[str] = []
    for seed in range(FIRST, FIRST + COUNT):
        watch, world = _world(seed)
        for _ in watch.run(LONGEST_S):
            pass
        watch.at_the_end(LONGEST_S)
        broken += [f"{world}: {breach}" for breach in watch.breaches]
        for promise in JUDGED:
            exercised[promise] += watch.exercised[promise] > 0
    print("; ".join(f"promise {n} ({word}): {exercised[n]} of {COUNT} worlds" for n, word in JUDGED.items()))
    assert not broken, "\n".join(broken)
    assert all(exercised[promise] == COUNT for promise in OFTEN), exercised
    assert all(exercised[promise] for promise in JUDGED if COUNT >= 100 or promise in (2, 3, 7, 8)), exercised
