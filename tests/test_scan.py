"""One scan as a whole: what moves outputs needs no advice, and two rigs in one process never touch each other."""

from __future__ import annotations

import os
import sys
import threading
from collections.abc import Iterator

import msgspec
import pytest

from rigctl import scan
from rigctl.control.decide import decide
from rigctl.control.readings import Readings, RequestKind
from rigctl.control.settings import Settings
from rigctl.control.vocabulary import Phase
from rigctl.scan import prepare
from tests.strategies import BASIC, FULL, SHOP, Puppet

SCANS = 1_000_000 if os.environ.get("RIG_CAMPAIGN") else 100_000
"""In each of the two threads."""


class Heard(Puppet):
    """A puppet that keeps what it was given."""

    def __init__(self, settings: Settings) -> None:
        super().__init__(settings)
        self.given: list[Readings] = []

    def readings(self, *asked):
        given = super().readings(*asked)
        self.given.append(given)
        return given


def whole_job(settings: Settings) -> Heard:
    rig = Heard(settings)
    rig.wait(1.0)
    rig.ask(RequestKind.START)
    rig.to(Phase.COMPLETE)
    return rig


@pytest.mark.parametrize("settings", [FULL, SHOP, BASIC], ids=["full", "shop", "basic"])
def test_without_advice_the_outputs_are_the_same_to_the_bit(settings: Settings) -> None:
    rig, prepared = whole_job(settings), prepare(settings)
    alone = scan.initial(prepared).control
    assert len(rig.given) == len(rig.records)
    for given, record in zip(rig.given, rig.records, strict=True):
        before, encoded = alone, msgspec.msgpack.encode(alone)
        alone, outputs, found = decide(alone, given, prepared)
        assert msgspec.msgpack.encode(before) == encoded, "a scan leaves the state that it was given as it was"
        assert outputs == record.outputs and alone.phase is record.phase and found.replies == record.replies
    assert alone == rig.state.control, "not even what is carried on"


def test_two_rigs_in_two_threads_never_touch_each_other() -> None:
    rigs = [whole_job(FULL), whole_job(SHOP)]
    wrong: list[str] = []
    before_s = sys.getswitchinterval()

    def again(rig: Heard) -> None:
        prepared = prepare(rig.settings)
        state = scan.initial(prepared)
        for given, record in _over_and_over(rig):
            if record is rig.records[0]:
                state = scan.initial(prepared)
            state, outputs, made = scan.step(state, given, prepared)
            if outputs != record.outputs or made.phase is not record.phase or made.events != record.events:
                wrong.append(f"{rig.settings.rig}, scan {record.scan}: {made.phase} for {record.phase}")
                return

    threads = [threading.Thread(target=again, args=(rig,)) for rig in rigs]
    sys.setswitchinterval(1e-6)
    try:
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    finally:
        sys.setswitchinterval(before_s)
    assert not wrong


def _over_and_over(rig: Heard) -> Iterator[tuple[Readings, scan.ScanRecord]]:
    done = 0
    while done < SCANS:
        for pair in zip(rig.given, rig.records, strict=True):
            yield pair
            done += 1
