"""What keeps compressor, cylinder and appliance inside their limits, on the simulated plant and over wild readings."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil_sim.bench import Bench
from hil_sim.instruments.faults import Fault, PlantFault
from hil_sim.plant import layout as at
from rigctl.control.figures.procedure import Pauses
from rigctl.control.points import EH_001, INLETS, M_001, M_101, M_201, M_202
from rigctl.control.readings import RequestKind
from rigctl.control.sense.compressor import liquid_fraction
from rigctl.control.settings import Settings
from rigctl.control.vocabulary import Ask, Phase
from rigctl.refrigerant import catalogue
from rigctl.scan import ScanRecord
from tests.promise_helpers import FREEZING_PA_ABS, SMALL, WATER, Watch, Work, made
from tests.strategies import FULL, change, led_to
from tests.strategies import WATER as WATER_SETTINGS

SLOWEST_S = 3600.0


def driven(bench: Bench, until_s: float = SLOWEST_S) -> list[tuple[float, ScanRecord]]:
    """Run a job to its end or to the first hold."""
    bench.press(RequestKind.START)
    seen = []
    for record in bench.run(until_s):
        seen.append((bench.time_s, record))
        if record.phase in (Phase.HELD, Phase.ABORTED):
            break
    return seen


def made_with(work: Work, faults: tuple[Fault, ...] = (), **limits: float) -> Bench:
    """A bench without a technician, some limits changed."""
    settings, parameters, _ = made(work)
    settings = change(settings, limits=change(settings.limits, **limits), fitted__push_pull=False)
    return Bench(settings, parameters, seed=1, faults=faults)


def runs_of_the_motor(seen: list[tuple[float, ScanRecord]], phases: tuple[Phase, ...]) -> list[tuple[float, float]]:
    """Begin and end of each stretch of rest inside these phases."""
    rests, since = [], None
    for now_s, record in seen:
        on, inside = record.outputs.bits & M_101 != 0, record.phase in phases
        if inside and not on and since is None:
            since = now_s
        if since is not None and (on or not inside):
            rests.append((since, now_s))
            since = None
    return rests


# --- water


def test_water_that_stops_is_guarded_and_what_can_be_taken_above_freezing_is_taken() -> None:
    bench = made_with(WATER, (Fault("plant", PlantFault.WATER_STOPPED, 100.0),))
    least_pa, at_stop_kg = float("inf"), 0.0
    bench.press(RequestKind.START)
    for record in bench.run(SLOWEST_S):
        if bench.time_s > 100.0 and not at_stop_kg:
            at_stop_kg = record.estimate.recovered_kg
        least_pa = min(least_pa, float(bench.plant.truth()[at.Z_PA_A]))
        if record.phase is Phase.HELD:
            break
    assert record.phase is Phase.HELD
    assert record.ask is Ask.START_WATER
    # Saturation of R-134a at 0 degC: 292.8 kPa (CoolProp).
    assert least_pa > FREEZING_PA_ABS["R-134a"]
    assert record.estimate.recovered_kg > at_stop_kg + 3.0, "liquid above freezing is no danger and goes on"
    assert "water" in record.sentence.lower()


def test_water_that_comes_back_while_the_motor_rests_needs_nobody() -> None:
    bench = made_with(WATER)
    bench.press(RequestKind.START)
    rested_s = float("inf")
    for record in bench.run(SLOWEST_S):
        if any(event.kind == "note" and event.tag == "FS-001" for event in record.events):
            rested_s = min(rested_s, bench.time_s)
        running = 100.0 < bench.time_s < rested_s + 20.0
        bench.plant.hand.water_flow = 0.0 if running else 1.0
        if record.phase is Phase.HELD:
            break
    assert rested_s < SLOWEST_S, "it did not rest: the test shows nothing"
    assert record.phase is Phase.COMPLETE


# --- compressor


def test_a_hot_discharge_makes_the_motor_rest_and_nothing_trips() -> None:
    limit_degc = 75.0
    bench = made_with(Work(charge_kg=1.5), discharge_high_degc=limit_degc)
    seen = driven(bench)
    assert seen[-1][1].phase is Phase.COMPLETE, seen[-1][1].sentence
    assert max(r.readings.tt_201_degc.value for _, r in seen) < limit_degc
    rests = runs_of_the_motor(seen, (Phase.VAPOR,))
    long = [end - begin for begin, end in rests if end - begin > 5.0]
    assert long, "the limit was never near: the test shows nothing"
    assert min(long) >= Pauses().rest_least_s - 0.2
    told = [r.sentence for _, r in seen if r.phase is Phase.VAPOR and not r.outputs.bits & M_101 and r.sentence]
    assert told and all("rests until" in sentence for sentence in told), "a rig that stands says why"


@pytest.mark.parametrize("pt_301", [False, True])
@pytest.mark.parametrize("refrigerant", ["R-407C", "R-22"])
def test_a_discharge_that_jumps_up_to_a_warm_cylinder_is_no_dead_head(refrigerant: str, pt_301: bool) -> None:
    # 6 kg as vapor on a hot day, on a rig that sees little: the cylinder's valve stands open by the plant's truth.
    work = Work(rig="shop", charge_kg=6.0, refrigerant=refrigerant, ambient_degc=35.0)
    changes = {"fitted__pt_301": pt_301, "fitted__tt_301": False, "fitted__tt_201": False, "job__liquid_first": False}
    watch = Watch(work, settings=changes)
    while watch.bench.time_s < 4000.0 and watch.phases.isdisjoint({Phase.COMPLETE, Phase.ABORTED, Phase.STOPPED}):
        watch.scan()
    assert watch.dead_headed_s == 0.0
    assert "M-101.dead_head" not in watch.rows
    assert Phase.COMPLETE in watch.phases


def test_the_first_liquid_meets_a_throttle_that_is_nearly_shut() -> None:
    # Slugging dose: seconds above the index that stands for harmful liquid; the plant's damage limit is 20 s.
    bench = made_with(SMALL)
    bench.press(RequestKind.START)
    for record in bench.run(120.0):
        if record.phase is Phase.VAPOR:
            break
    assert float(bench.plant.truth()[at.Z_DOSE]) < 1.5


def test_liquid_that_has_flashed_further_takes_less_of_the_volume() -> None:
    # Isenthalpic flash of saturated R-134a from 25 to -10 degC: quality 0.218 by NIST-based tables (CoolProp
    # 8.0.0: h = 234.5 and 186.7/392.7 kJ/kg), densities 1327 and 10.0 kg/m3: 2.6 % liquid by volume.
    refrigerant = catalogue.get("R-134a")
    assert liquid_fraction(refrigerant, 6.654e5, 2.006e5) == pytest.approx(0.026, abs=0.003)
    falling = [liquid_fraction(refrigerant, 6.654e5, p) for p in (6.6e5, 5e5, 3e5, 2e5, 1.2e5)]
    assert falling == sorted(falling, reverse=True)


# --- compression ratio


def in_vacuum(high_pa_abs: float, low_pa_abs: float, scans: int) -> list[ScanRecord]:
    """Vapor at 1 MPa against a header whose transmitter shows the second figure in one scan of four, the appliance
    below its level of one atmosphere but not yet where the procedure pulls it to."""
    puppet = led_to(Phase.VAPOR, FULL)
    assert FULL.limits.discharge_high_pa_abs > 20.0e5 and FULL.limits.compression_ratio_high == 40.0
    records = []
    for scan in range(scans):
        shown = low_pa_abs if scan % 4 == 0 else high_pa_abs
        puppet.overrides |= {"pt_201_pa_abs": 10.0e5, "pt_101_pa_abs": shown, "pt_001_pa_abs": 8.5e4}
        records.append(puppet.scan())
    return records


def test_a_transmitter_that_trembles_in_vacuum_does_not_end_a_pull() -> None:
    # 1 MPa over 46, 46, 46 and 24 kPa: 25 by their mean of 40.5, and 42 for a single scan.
    seen = in_vacuum(46e3, 24e3, 250)
    assert all(record.phase is Phase.VAPOR for record in seen), "within 25 s, and no progress is waited for longer"
    assert seen[-1].estimate.compression_ratio == pytest.approx(1000.0 / 40.5, rel=0.15)


def test_a_pull_at_the_end_of_what_the_compressor_can_do_ends() -> None:
    seen = in_vacuum(25.6e3, 25.6e3, 250)
    assert seen[-1].phase is Phase.STANDING


def test_near_the_ratio_limit_the_throttle_closes_and_below_it_opens() -> None:
    # Beyond 0.85 of the limit of 40: 1 MPa over 27 kPa is 37.
    seen = in_vacuum(27e3, 27e3, 450)
    assert max(record.outputs.cv_103 for record in seen) > 0.9 and seen[-1].outputs.cv_103 < 0.1
    assert seen[-1].phase is Phase.VAPOR
    assert in_vacuum(33e3, 33e3, 250)[-1].outputs.cv_103 == 1.0


# --- aids


def aided(settings: Settings, **readings: Any) -> int:
    """Outputs after a scan of vapor with these readings."""
    puppet = led_to(Phase.VAPOR, settings)
    puppet.overrides |= readings
    return puppet.scan().outputs.bits


FLAMMABLE = change(FULL, job=change(FULL.job, refrigerant="R-1234yf"), cylinder=change(FULL.cylinder, refrigerant=""))


@given(lfl=st.floats(0.0, 1.0), p=st.floats(1e3, 2e6), t=st.floats(-30.0, 80.0))
def test_promise_nothing_is_heated_with_gas_about_nor_an_appliance_that_is_dry_or_hot(
    lfl: float, p: float, t: float
) -> None:
    bits = aided(FLAMMABLE, at_001_lfl=lfl, pt_001_pa_abs=p, tt_001_degc=t)
    if bits & EH_001:
        assert lfl < 0.5 * FLAMMABLE.limits.gas_alarm_lfl
        assert p > FLAMMABLE.procedure.empty_appliance_pa_abs
        assert t < 50.0


def test_the_heater_is_on_where_it_may_be_and_off_where_one_thing_is_unknown() -> None:
    nan = float("nan")
    assert aided(FULL) & EH_001
    assert aided(FLAMMABLE, at_001_lfl=0.0) & EH_001
    for unknown in ("pt_001_pa_abs", "tt_001_degc"):
        assert not aided(FULL, **{unknown: nan}) & EH_001, unknown
    assert not aided(FLAMMABLE, at_001_lfl=nan) & EH_001


def test_a_fan_is_off_where_it_would_only_cool_what_is_being_warmed() -> None:
    room = FULL.job.ambient_degc
    assert aided(FULL, tt_001_degc=room - 5.0) & M_001
    assert not aided(FULL, tt_001_degc=room + 5.0) & M_001
    assert aided(WATER_SETTINGS, tt_001_degc=room + 5.0) & M_001, "water is kept moving whatever its temperature"


def test_condenser_fan_and_bath_pay_only_while_something_flows() -> None:
    assert aided(FULL, pt_101_pa_abs=5e5, pt_001_pa_abs=5e5) & (M_201 | M_202) == M_201 | M_202
    assert not aided(FULL, pt_101_pa_abs=6e4, pt_001_pa_abs=6e4) & (M_201 | M_202)
    hot = FULL.limits.discharge_high_degc - 10.0
    assert aided(FULL, pt_101_pa_abs=6e4, pt_001_pa_abs=6e4, tt_201_degc=hot) & M_201


def test_while_the_motor_rests_the_appliance_is_left_to_its_own_instrument() -> None:
    near = FULL.limits.discharge_high_degc - 1.0
    assert not aided(FULL, tt_201_degc=near) & (M_101 | INLETS)
