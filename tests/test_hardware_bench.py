"""What the figures of the rig run for real call broken: nothing that load explains, and all that it does not."""

from __future__ import annotations

import pytest

from tests.bench import hardware
from tests.bench.core import Figure

GOOD = {
    "wire against bench, TCP, speed 10: same outcome": 1.0,
    "wire against bench, TCP, speed 10: mass against the truth, share of 2 u": 0.3,
    "wire against bench, TCP, speed 10: scans with something late": 0.0,
    "wire against bench, TCP, speed 10: time the plant gave up": 0.0,
    "kills: came up in HELD with its sentence": 100.0,
    "kills: motors that started by themselves": 0.0,
    "kills: journals with a committed row lost": 0.0,
    "kills: outputs that stayed on": 0.0,
    "kills: their mass against the truth, share of 2 u": 0.8,
}


def said(**changed: float) -> list[str]:
    """What is broken if the figures whose names contain these words (spaces for _) are others."""
    named = dict(GOOD)
    for words, value in changed.items():
        (name,) = (name for name in named if words.replace("_", " ") in name)
        named[name] = value
    return list(hardware.broken([Figure(name, value, "") for name, value in named.items()]))


def test_a_good_run_and_one_that_ended_otherwise_because_something_was_late_are_not_broken() -> None:
    assert said() == []
    assert said(same_outcome=0.0, something_late=3.0) == []
    assert said(same_outcome=0.0, gave_up=1.2) == []


@pytest.mark.parametrize(
    ("changed", "sentence"),
    [
        ({"same_outcome": 0.0}, "ends otherwise, and nothing came late"),
        ({"TCP,_speed_10:_mass_against": 1.1, "something_late": 9.0}, "the record's mass is wrong"),
        ({"their_mass": 1.1}, "the record's mass is wrong"),
        ({"came_up": 99.5}, "did not come up in HELD"),
        ({"by_themselves": 1.0}, "went on before anybody told it to"),
        ({"row_lost": 1.0}, "lost a row"),
        ({"stayed_on": 1.0}, "did not drop the outputs"),
    ],
)
def test_what_no_load_explains_is_broken(changed: dict[str, float], sentence: str) -> None:
    (only,) = said(**changed)
    assert sentence in only
