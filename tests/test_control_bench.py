"""The quick form of the controller's bench: fails on broken behaviour, not on noise."""

from __future__ import annotations

import math

from tests.bench import control
from tests.bench.core import Figure


def test_nothing_is_broken_in_a_few_random_jobs() -> None:
    figures = list(control.measure(quick=True))
    assert control.broken(figures) == []
    known = [figure for figure in figures if math.isfinite(figure.value)]
    assert len(known) > 0.6 * len(figures), "most figures could not be told: something is missing"


def test_what_is_broken_is_said_in_a_sentence_and_what_is_unknown_is_not_judged() -> None:
    good = [Figure(name, bound, "%", "made up") for name, _, bound in control.MUST]
    assert control.broken(good) == []
    over = [Figure(good[0].name, 104.0, "%", "1 job"), *good[1:]]
    assert control.broken(over) == [f"{good[0].name} is 104 %, must be at most 100 (1 job)."]
    assert control.broken([Figure(good[0].name, math.nan, "%"), *good[1:]]) == []
    assert "nothing watches over it" in control.broken(good[1:])[0]
