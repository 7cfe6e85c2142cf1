"""COMPLETE is the rig's word: the plant's truth is looked at again later, in worlds nobody tuned on."""

from __future__ import annotations

from rigctl.control.vocabulary import Phase
from tests.bench import jobs

LATER_S = 600.0
"""The project's design: a level told as held stays below the required one for ten minutes after COMPLETE."""
WORLDS = range(12_000, 12_016)
"""Of `jobs.HELD_OUT`."""
MOST_ABOVE = 5
"""At 90 % a world, more than five of sixteen above it would be chance once in 300 (binomial)."""


def _over_the_level_later(seed: int) -> float:
    """True pressure over the level ten minutes after COMPLETE, shut in and the rig off; 0 where it did not complete."""
    simulation = jobs.job(seed)
    bench = simulation.bench(seed)
    for record in bench.run(3.0 * 3600.0):
        last = record
    if last.phase is not Phase.COMPLETE:
        return 0.0
    assert last.standing_checks[-1].passed
    return jobs.later_pa_abs(bench.plant, LATER_S) / simulation.settings.job.level_pa_abs


def test_promise_13_a_level_told_as_held_stays_below_the_required_one() -> None:
    over = {seed: _over_the_level_later(seed) for seed in WORLDS}
    done = [value for value in over.values() if value > 0.0]
    assert len(done) >= 0.8 * len(WORLDS), over  # in the others the cylinder grows too warm for any hand
    above = {seed: round(value, 3) for seed, value in over.items() if value > 1.0}
    assert len(above) <= MOST_ABOVE, above
    assert max(over.values()) < 1.3, "no verdict is far off"
