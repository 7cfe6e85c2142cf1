"""Optional equipment may be absent: whatever combination of it a rig has, the job can be finished."""

from __future__ import annotations

import os
import random
from dataclasses import replace

import msgspec
import pytest

from hil_sim.bench import Bench, rig_parameters
from hil_sim.people import Operator
from rigctl.control.settings import Fitted, unsafe
from rigctl.control.vocabulary import Phase
from tests.promise_helpers import loaded

CHOSEN = 40 * (1 + 20 * int(os.environ.get("RIG_CAMPAIGN", "0")))


NEEDED = ("cooler_valves", "cv_103", "xv_101", "xv_102", "pt_001")
"""What push-pull can't do without."""


def with_push_pull() -> list[Fitted]:
    """Rigs with the three valves that lack one thing, all that may be lacking, or some of it."""
    chance = random.Random(21)
    free = [name for name in Fitted.__struct_fields__ if name not in (*NEEDED, "push_pull", "fs_001", "m_001")]
    lacking = [*([name] for name in ("pt_301", "pt_102", "lsh_301")), free]
    lacking += [[name for name in free if chance.random() < 0.5] for _ in range(CHOSEN // 10)]
    everything = dict.fromkeys(Fitted.__struct_fields__, True)
    return [Fitted(**{**everything, **dict.fromkeys(names, False)}) for names in lacking]


def combinations() -> list[Fitted]:
    """Nothing but what is compulsory, everything, everything but one, only one, and random mixtures."""
    names = Fitted.__struct_fields__
    everything = dict.fromkeys(names, True)
    nothing = {**dict.fromkeys(names, False), "xv_101": True}
    chance = random.Random(20)
    mixtures = [{name: chance.random() < 0.5 for name in names} for _ in range(CHOSEN)]
    for mixture in mixtures:  # else half of them would be refused
        mixture["push_pull"] = mixture["push_pull"] and all(mixture[name] for name in NEEDED)
    picked = [everything, nothing, *({**everything, name: False} for name in names[:4])]
    settings = loaded("refrigerator", "all-out", "full")[0]
    rigs = [Fitted(**choice) for choice in [*picked, *mixtures]]
    return [rig for rig in rigs if unsafe(msgspec.structs.replace(settings, fitted=rig)) == ()]


def has(fitted: Fitted) -> str:
    return "+".join(name for name in Fitted.__struct_fields__ if getattr(fitted, name)) or "nothing"


@pytest.mark.parametrize("fitted", combinations(), ids=has)
def test_every_combination_of_fitted_that_is_accepted_can_finish_a_job(fitted: Fitted) -> None:
    settings, plant, spares = loaded("refrigerator", "all-out", "full")
    settings = msgspec.structs.replace(settings, fitted=fitted)
    # The plant is built to match the rig, as the bench does for a rig's file.
    rig = replace(rig_parameters(settings), coil_fitted=plant.rig.coil_fitted and fitted.m_202)
    bench = Bench(settings, replace(plant, rig=rig), seed=3, operator=Operator(3, spares))
    result = bench.finish(20_000.0)
    assert result.outcome is Phase.COMPLETE, result.sentence
    assert abs(result.recovered_kg - result.true_recovered_kg) < 3.0 * result.recovered_uncertainty_kg


@pytest.mark.parametrize("fitted", with_push_pull(), ids=has)
def test_every_rig_with_push_pull_uses_it_for_a_chiller_and_finishes_the_job(fitted: Fitted) -> None:
    settings, plant, spares = loaded("chiller", "short-wide-hoses", "full")
    settings = msgspec.structs.replace(settings, fitted=fitted)
    assert unsafe(settings) == ()
    plant = replace(plant, rig=rig_parameters(settings))
    bench = Bench(settings, plant, seed=3, operator=Operator(3, spares))
    result = bench.finish(20_000.0)
    assert result.outcome is Phase.COMPLETE, result.sentence
    assert Phase.PUSH_PULL in {span.phase for span in result.phases}
    assert abs(result.recovered_kg - result.true_recovered_kg) < 3.0 * result.recovered_uncertainty_kg
    assert result.least_water_degc > 0.0
    assert not result.compressor_damaged
