"""Optional equipment may be absent: whatever combination of it a rig has, the job can be finished."""

from __future__ import annotations

import os
import random
from dataclasses import replace

import msgspec
import pytest

from hil_sim.bench import Bench, rig_parameters
from hil_sim.operator import Operator
from rigctl.control.sequence import Phase
from rigctl.control.settings import Fitted, unsafe
from tests.promise_helpers import loaded

CHOSEN = 40 * (1 + 20 * int(os.environ.get("RIG_CAMPAIGN", "0")))


def combinations() -> list[Fitted]:
    """Nothing but what is compulsory, everything, everything but one, only one, and random mixtures."""
    names = Fitted.__struct_fields__
    everything = dict.fromkeys(names, True)
    nothing = {**dict.fromkeys(names, False), "xv_101": True}
    chance = random.Random(20)
    mixtures = [{name: chance.random() < 0.5 for name in names} for _ in range(CHOSEN)]
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
