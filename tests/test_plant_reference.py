"""The stepper against an independent integrator of high order (scipy's BDF) on random set-ups.

More of them by ``python -m tests.bench plant``; these are taken because together they pull every lever.
"""

import pytest

from tests import reference

SEEDS = (0, 3, 5, 8, 10, 13, 15, 25)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_job_ends_when_and_as_an_independent_integrator_says(seed):
    found = reference.compare(seed, rtol=1e-6)
    assert found.time_error < 2e-3
    assert found.mass_error < 1e-3
    assert found.pressure_error < 0.02


def test_these_set_ups_pull_every_lever():
    about = " ".join(reference.setup(seed).about for seed in SEEDS)
    for lever in ("coil", "bucket", "accumulator and receiver", "composition", "air", "two zones"):
        assert lever in about
