"""Faults between the plant's truth and the wire, and between the command and the plant."""

from __future__ import annotations

import itertools
import math

import pytest

from hil_sim.instruments.faults import (
    SUPPORTED,
    ActuatorFault,
    Fault,
    FaultKind,
    Place,
    PlantFault,
    UnsupportedFaultError,
    WireFault,
    place_of,
)
from hil_sim.instruments.sensors import Instrument

PRESSURE = Instrument("PT-101", 0.0, 4.0e6)
SCALE = Instrument("WT-301", -5.0, 150.0, loop=False)
TAGS = {
    Place.LOOP: "PT-101",
    Place.SCALE: "WT-301",
    Place.CONTACT: "FS-001",
    Place.VALVE: "XV-301",
    Place.THROTTLE: "CV-103",
    Place.MOTOR: "M-101",
    Place.PLANT: "plant",
}
INSTRUMENT = {Place.LOOP: PRESSURE, Place.SCALE: SCALE, Place.CONTACT: None}


def wire(kind: FaultKind, instrument: Instrument | None = PRESSURE, value: float = math.nan) -> WireFault:
    tag = "FS-001" if instrument is None else instrument.tag
    return WireFault(Fault(tag, kind, value=value), instrument, seed=4)


def test_the_kinds_are_the_eight_of_the_published_vocabulary() -> None:
    # PX4 user guide, "System Failure Injection": ok, off, stuck, garbage, wrong, slow, delayed, intermittent.
    assert [kind.value for kind in FaultKind] == [
        "ok", "off", "stuck", "garbage", "wrong", "slow", "delayed", "intermittent",
    ]  # fmt: skip


@pytest.mark.parametrize(("place", "kind"), list(itertools.product(Place, FaultKind)))
def test_every_pair_is_either_taken_or_refused_with_a_sentence(place: Place, kind: FaultKind) -> None:
    value = 2.0 if kind in {FaultKind.WRONG, FaultKind.SLOW, FaultKind.DELAYED} else math.nan
    if kind in SUPPORTED[place]:
        assert place_of(Fault(TAGS[place], kind, value=value).tag) is place
    else:
        with pytest.raises(UnsupportedFaultError, match="can't have the fault") as refused:
            Fault(TAGS[place], kind, value=value)
        assert str(refused.value).endswith(".")


@pytest.mark.parametrize(
    ("place", "kind"),
    [(place, kind) for place in INSTRUMENT for kind in FaultKind if kind in SUPPORTED[place] - {FaultKind.OK}],
)
def test_each_kind_changes_what_stands_on_the_wire(place: Place, kind: FaultKind) -> None:
    instrument = INSTRUMENT[place]
    value = {FaultKind.WRONG: 3.0e5 if place is Place.LOOP else 1.0}.get(kind, math.nan)
    fault = wire(kind, instrument, value)
    told = [(float(n // 40 % 2) if instrument is None else 6.0 + 0.02 * n) for n in range(400)]
    passed = [fault.apply(0.1 * n, raw) for n, raw in enumerate(told)]
    assert any(a != b for a, b in zip(told, passed, strict=True))


def test_off_is_no_current_on_a_loop_no_answer_from_a_scale_and_an_open_contact() -> None:
    assert wire(FaultKind.OFF).apply(0.0, 12.0) == 0.0
    assert math.isnan(wire(FaultKind.OFF, SCALE).apply(0.0, 30.0))
    assert wire(FaultKind.OFF, None).apply(0.0, 1.0) == 0.0


def test_stuck_keeps_the_last_value_or_the_given_one() -> None:
    fault = wire(FaultKind.STUCK)
    assert [fault.apply(0.1 * n, 8.0 + n) for n in range(4)] == [8.0] * 4
    assert wire(FaultKind.STUCK, value=2.0e6).apply(0.0, 5.0) == pytest.approx(12.0)


def test_wrong_is_off_by_the_given_amount_and_still_saturates() -> None:
    # 0.25 MPa of a 4 MPa span is 1 mA; NAMUR NE 43 ends the measurement at 20.5 mA.
    assert wire(FaultKind.WRONG, value=2.5e5).apply(0.0, 12.0) == pytest.approx(13.0)
    assert wire(FaultKind.WRONG, value=9.0e6).apply(0.0, 12.0) == 20.5
    assert wire(FaultKind.WRONG, None).apply(0.0, 1.0) == 0.0


def test_slow_covers_63_percent_of_a_step_in_its_time_constant() -> None:
    fault = wire(FaultKind.SLOW, value=5.0)
    fault.apply(0.0, 4.0)
    passed = [fault.apply(0.1 * (n + 1), 20.0) for n in range(50)]
    assert passed[-1] == pytest.approx(4.0 + 16.0 * (1.0 - math.exp(-1.0)), rel=1e-6)


def test_delayed_passes_the_same_values_later() -> None:
    fault = wire(FaultKind.DELAYED, value=1.0)
    told = [4.0 + 0.1 * n for n in range(40)]
    passed = [fault.apply(0.1 * n, raw) for n, raw in enumerate(told)]
    assert passed[:10] == [told[0]] * 10
    assert passed[10:] == told[:30]


def test_garbage_reaches_every_region_of_namur_ne_43() -> None:
    fault = wire(FaultKind.GARBAGE)
    drawn = [fault.apply(0.1 * n, 12.0) for n in range(2000)]
    assert min(drawn) < 3.6 < 21.0 < max(drawn)
    assert sum(3.8 < current < 20.5 for current in drawn) > 1000


def test_intermittent_is_dead_for_about_the_given_share() -> None:
    fault = wire(FaultKind.INTERMITTENT, value=0.4)
    passed = [fault.apply(0.1 * n, 12.0) for n in range(60_000)]
    dead = passed.count(0.0) / len(passed)
    assert set(passed) == {0.0, 12.0}
    # 6000 s of spells of 2 s: some 3000 draws, so five standard errors are 0.045.
    assert dead == pytest.approx(0.4, abs=0.06)


def test_faults_repeat_for_a_seed() -> None:
    def run(seed: int) -> list[float]:
        fault = WireFault(Fault("PT-101", FaultKind.GARBAGE), PRESSURE, seed)
        return [fault.apply(0.1 * n, 12.0) for n in range(50)]

    assert run(1) == run(1) != run(2)


def test_a_stuck_valve_stays_and_a_dead_valve_falls_shut() -> None:
    stuck = ActuatorFault(Fault("XV-301", FaultKind.STUCK), 1)
    assert [stuck.apply(0.1 * n, command, 1.0) for n, command in enumerate((0.0, 1.0, 0.0))] == [1.0] * 3
    stuck_shut = ActuatorFault(Fault("XV-301", FaultKind.STUCK, value=0.0), 1)
    assert stuck_shut.apply(0.0, 1.0, 1.0) == 0.0
    assert ActuatorFault(Fault("XV-301", FaultKind.OFF), 1).apply(0.0, 1.0, 1.0) == 0.0


def test_a_slow_valve_needs_its_stroke_time() -> None:
    slow = ActuatorFault(Fault("XV-301", FaultKind.SLOW, value=10.0), 1)
    passed = [slow.apply(0.1 * n, 1.0, 0.0) for n in range(121)]
    assert passed[50] == pytest.approx(0.5)
    assert passed[100] == pytest.approx(1.0)
    assert max(passed) <= 1.0


def test_a_throttle_can_stand_off_its_command() -> None:
    wrong = ActuatorFault(Fault("CV-103", FaultKind.WRONG, value=0.3), 1)
    assert wrong.apply(0.0, 0.5, 0.5) == pytest.approx(0.8)
    assert wrong.apply(0.1, 0.9, 0.8) == 1.0


@pytest.mark.parametrize(
    "make",
    [
        lambda: Fault("PT-999", FaultKind.OFF),
        lambda: Fault("PT-101", PlantFault.LEAK),
        lambda: Fault("plant", FaultKind.OFF),
        lambda: Fault("PT-101", FaultKind.WRONG),
        lambda: Fault("PT-101", FaultKind.SLOW, value=-1.0),
        lambda: Fault("PT-101", FaultKind.INTERMITTENT, value=1.5),
        lambda: Fault("PT-101", FaultKind.OFF, at_s=5.0, until_s=4.0),
        lambda: Fault("PT-101", FaultKind.OFF, at_s=math.nan),
    ],
)
def test_what_cannot_be_simulated_raises_one_sentence(make: object) -> None:
    with pytest.raises(UnsupportedFaultError) as refused:
        make()  # type: ignore[operator]
    text = str(refused.value)
    assert text.endswith(".")
    assert text.count("\n") == 0
