"""Push-pull from the choice to the end: when it is chosen, what it opens and shuts in which order, and how it ends."""

from __future__ import annotations

from functools import cache

import msgspec
import pytest

from hil_sim.bench import Bench
from hil_sim.instruments.faults import Fault, FaultKind, PlantFault
from hil_sim.people import Operator
from hil_sim.plant import layout as at
from rigctl.control.points import INLETS, M_101, PUSH_PULL, XV_104, XV_105, XV_106, XV_201, XV_301
from rigctl.control.prepare import FIGURES
from rigctl.control.readings import RequestKind, Source
from rigctl.control.sense import crossing
from rigctl.control.sense.crossing import Line, followed_line, gain_s
from rigctl.control.settings import appliance_ceiling_pa_abs, unsafe
from rigctl.control.vocabulary import RUNNING, Phase
from rigctl.scan import prepare
from tests.promise_helpers import CAMPAIGN, Watch, Work, loaded, named
from tests.strategies import FULL, SHOP, WATER, change, led_to

pytestmark = pytest.mark.timeout(7200 if CAMPAIGN else 1800)

BIG = Work(job="chiller", charge_kg=20.0, level_pa_abs=2.0e5)
NEARLY_FULL = Work(job="chiller", charge_kg=20.0, level_pa_abs=2.0e5, room_kg=7.0, ambient_degc=20.0)
CROSSING = FIGURES.sense.crossing
P_PA_ABS = 5.717e5
"""R-134a at 20 degC (published tables)."""


def crossing_now(work: Work = BIG, *faults: Fault, **more: object) -> Watch:
    """A watched rig while liquid crosses: motor on, XV-104 open for 20 s."""
    watch = Watch(work, faults, seed=3, **more)  # type: ignore[arg-type]
    watch.to(Phase.PUSH_PULL, within_s=300.0)
    next(record for record in watch.run(120.0) if record.outputs.on(M_101 | XV_104))
    for _ in watch.run(20.0):
        pass
    return watch


@cache
def one_job() -> Watch:
    """A whole job with two cylinders, run once."""
    watch = Watch(NEARLY_FULL, seed=3)
    watch.orders = []  # type: ignore[attr-defined]
    before = None
    for record in watch.run(9000.0):
        if before is not None and record.outputs.bits != before.outputs.bits:
            watch.orders.append((record.phase, before.outputs.bits, record.outputs.bits))  # type: ignore[attr-defined]
        before = record
    return watch


# ---- the choice


@pytest.mark.parametrize(("liquid_kg", "pays"), [(1.0, False), (2.0, False), (8.0, True), (50.0, True)])
def test_it_pays_from_some_kilograms_of_liquid_on(liquid_kg: float, pays: bool) -> None:
    # Common practice, no source: worth it above some 5 to 10 kg (10 to 20 lb) of liquid.
    assert (gain_s(prepare(WATER), Line(), P_PA_ABS, liquid_kg) > CROSSING.least_gain_s) is pays


def test_the_gain_is_the_difference_of_two_times() -> None:
    # The compressor may swallow 4.5 % of liquid by volume and is led to 0.7 of that: of R-134a at 20 degC 1225 kg/m3 of
    # liquid and at 0.4 of the pressure 11.2 kg/m3 of vapor (published tables), times displacement and leakage.
    through = crossing.liquid_rate_kg_s(prepare(WATER), P_PA_ABS)
    assert through == pytest.approx(5e-4 * 0.92 * (0.7 * 0.045 * 1225.0 + 11.2), rel=0.02)
    # Liquid that flashes passes in proportion to area, half of Kv 0.6; its equilibrium flux is some 6900 kg/m2s (omega
    # method, API 520-1 Annex C). The compressor takes vapor out of the cylinder, 19.5 kg/m3 at 0.7 of the pressure.
    across = 0.5 * 0.6 * 1.964e-5 * 6900.0 - 5e-4 * 0.92 * 19.5
    expected = 20.0 / through - 20.0 / across - CROSSING.overhead_s
    assert gain_s(prepare(WATER), Line(), P_PA_ABS, 20.0) == pytest.approx(expected, rel=0.1)


def test_a_narrow_way_in_is_known_from_the_hook_up_before_it_is_tried() -> None:
    wide = change(WATER, hookup=change(WATER.hookup, liquid_core_in=False, liquid_hose_bore_m=0.008, manifold=False))
    narrow = change(WATER, hookup=change(WATER.hookup, liquid_core_in=True, liquid_hose_bore_m=0.0048, manifold=True))
    assert gain_s(prepare(wide), Line(), P_PA_ABS, 50.0) > CROSSING.least_gain_s
    assert not gain_s(prepare(narrow), Line(), P_PA_ABS, 50.0) > CROSSING.least_gain_s


def test_a_line_that_was_measured_too_narrow_is_not_chosen_again() -> None:
    narrow = gain_s(prepare(WATER), Line(0.2), P_PA_ABS, 50.0)
    assert not narrow > CROSSING.least_gain_s


@pytest.mark.parametrize(
    ("changes", "why"),
    [
        ({"fitted__push_pull": False}, "no valves for it"),
        ({"job__ambient_degc": 20.0, "cylinder__residual_kg": 19.0}, "a cylinder full of warmer liquid"),
        ({"job__charge_kg": None}, "nobody knows how much"),
        ({"job__charge_kg": 2.0}, "too little"),
        ({"job__liquid_first": False}, "no liquid port"),
        ({"limits__appliance_high_degc": 21.0}, "the appliance stands near its ceiling"),
        ({"job__design_pressure_pa_gauge": 5e5}, "its design pressure is low"),
    ],
)
def test_it_is_left_alone_where_it_does_not_pay_or_may_not_be(changes: dict[str, object], why: str) -> None:
    watch = Watch(BIG, seed=3, settings=changes)
    assert watch.to(Phase.LIQUID, Phase.PUSH_PULL, Phase.VAPOR).phase is not Phase.PUSH_PULL, why


def test_a_declared_design_pressure_counts_before_the_rigs_own_figure() -> None:
    assert appliance_ceiling_pa_abs(WATER) == pytest.approx(8.15e5, rel=0.01)  # R-134a at 32 degC, published tables
    assert appliance_ceiling_pa_abs(change(WATER, job__design_pressure_pa_gauge=1e6)) == pytest.approx(10.01325e5)


@pytest.mark.parametrize("lacks", ["cooler_valves", "cv_103", "xv_101", "xv_102", "pt_001"])
def test_a_rig_with_the_valves_but_without_what_they_need_is_refused(lacks: str) -> None:
    assert not unsafe(FULL)
    [why] = unsafe(change(FULL, **{f"fitted__{lacks}": False, "fitted__m_202": False}))
    assert why.startswith("Push-pull")
    assert not any("Push-pull" in why for why in unsafe(SHOP))


# ---- the line across


def test_the_line_is_measured_once_and_the_mass_put_right() -> None:
    # XV-104 alone would pass 0.08 kg/s, the scale gains 0.03 and the compressor takes 0.01 out: half of it crosses.
    line, counted, gross, now, dt = Line(), 0.0, 30.0, 100.0, 0.1
    for _ in range(600):
        flow = max(0.0, crossing.share_of(line) * 0.08 - 0.01)
        counted += flow * dt
        gross += 0.03 * dt
        now += dt
        line, amiss = followed_line(line, 0.08, 0.01, flow, gross, now, dt, True, CROSSING)
        counted += amiss
    assert line.share == pytest.approx(0.5, rel=1e-6)
    assert counted == pytest.approx(gross - 30.0, rel=2e-3)


@pytest.mark.parametrize("gain_kg_s", [0.0, -0.01, 0.5], ids=["stands", "falls", "runs away"])
def test_a_scale_that_does_not_follow_measures_nothing(gain_kg_s: float) -> None:
    line, gross, now = Line(), 30.0, 100.0
    for _ in range(2000):
        gross, now = gross + gain_kg_s * 0.1, now + 0.1
        line, amiss = followed_line(line, 0.08, 0.0, 0.08, gross, now, 0.1, True, CROSSING)
        assert line.share != line.share
        assert amiss == 0.0


def test_the_count_without_the_scale_follows_what_really_crosses() -> None:
    watch = crossing_now()
    for _ in watch.run(120.0):
        pass
    memory = watch.bench.state.control.estimate
    gained = watch.bench.tally.gained_kg
    assert gained > 5.0
    # Its own stated uncertainty, 10 %, and what changing pressures add.
    assert memory.pumped.kg == pytest.approx(gained, rel=watch.settings.limits.second_estimate_uncertainty + 0.05)


# ---- valves and motor


def test_the_cylinder_is_drawn_down_first_where_it_stands_at_the_appliances_pressure() -> None:
    watch = Watch(NEARLY_FULL, seed=3)
    watch.to(Phase.PUSH_PULL)
    z = watch.bench.plant.truth()
    for record in watch.run(200.0):
        if record.outputs.on(XV_104):
            break
        assert record.phase is Phase.PUSH_PULL
    assert z[at.Z_PA_A] > z[at.Z_PA_Y], "else liquid would run back into the appliance"


def test_xv_104_shuts_first_and_a_way_out_is_open_at_every_step() -> None:
    orders = one_job().orders  # type: ignore[attr-defined]
    pushed = [step for step in orders if step[0] is Phase.PUSH_PULL or step[1] & PUSH_PULL]
    assert pushed
    for phase, before, after in pushed:
        if before & XV_106 and not after & XV_106:
            assert not before & XV_104 or not after & M_101, phase
        if after & M_101:
            assert after & XV_106 or (after & XV_201 and after & XV_301)
        assert not (after & XV_104 and after & INLETS)
        assert not (after & XV_105 and after & INLETS)
        if after & XV_104:
            assert not after & XV_201, "the discharge would run round in a circle"


@pytest.mark.parametrize("kind", [RequestKind.HOLD, RequestKind.STOP, RequestKind.ABORT])
@pytest.mark.parametrize("source", Source)
def test_a_request_ends_the_crossing_in_its_own_scan(kind: RequestKind, source: Source) -> None:
    rig = led_to(Phase.PUSH_PULL)
    assert rig.outputs.on(M_101 | XV_104)
    record = rig.ask(kind, source)
    assert not record.outputs.bits & (PUSH_PULL | INLETS | M_101)
    assert record.outputs.on(XV_301), "what the cooler holds keeps its way"


def test_after_a_power_cut_nothing_is_open_and_a_person_can_go_on() -> None:
    watch = crossing_now()
    watch.bench.operator = None
    watch.bench.cut_power()
    for _ in range(50):
        watch.scan()
    act = watch.bench.plant.act
    assert not (act.m_101 or act.xv_104 or act.xv_105 or act.xv_106)
    watch.bench.restore_power()
    record = watch.scan()
    assert record is not None
    assert record.phase is Phase.HELD
    assert "push-pull" in record.sentence
    watch.bench.press(RequestKind.RESTART)
    watch.to(Phase.PUSH_PULL)
    watch.sound()


# ---- the end


def test_a_whole_job_with_a_cylinder_change_breaks_no_promise_and_goes_on_crossing() -> None:
    watch = one_job()
    watch.at_the_end(9000.0)
    watch.sound()
    result = watch.bench.result()
    assert result.outcome is Phase.COMPLETE
    assert result.trips == 0
    stays = [span.phase for span in result.phases]
    draws = [phase for phase in stays if phase in (Phase.PUSH_PULL, Phase.LIQUID)]
    assert len(draws) == result.holds + 1 > 2, "liquid was left for the next cylinder"
    # The last few kilograms may be too little to cross; from then on nothing crosses any more.
    assert draws[:-1] == [Phase.PUSH_PULL] * result.holds
    last = len(stays) - 1 - stays[::-1].index(draws[-1])
    assert stays[last + 1] is Phase.VAPOR, "nothing is left to draw as liquid"
    error_kg, uncertainty_kg = watch.mass_error()
    assert abs(error_kg) < 2.0 * uncertainty_kg
    assert result.least_water_degc > 0.0


def test_each_of_three_cylinders_is_booked_with_what_the_scale_knew_before_it_was_lifted() -> None:
    settings, parameters, spares = loaded("chiller", "all-out", "full")
    bench = Bench(settings, parameters, seed=1, operator=Operator(1, spares))
    for record in bench.run(2400.0):
        if len(record.cylinders) == 3 and record.phase is Phase.VAPOR and record.in_phase_s > 60.0:
            break
    assert len(record.cylinders) == 3 and record.phase is Phase.VAPOR
    # A scale of 20 g by its data sheet; what the lines gave when they were cleared out was weighed, too.
    assert max(cylinder.net_uncertainty_kg for cylinder in record.cylinders[:2]) < 0.03
    assert record.estimate.recovered_kg == pytest.approx(bench.result().true_recovered_kg, abs=0.1)


def test_it_ends_within_its_time_and_the_compressor_draws_the_rest() -> None:
    watch = Watch(BIG, seed=3, settings={"procedure__push_pull_limit_s": 60.0})
    record = watch.to(Phase.LIQUID)
    assert record.in_phase_s < 1.0
    stay = watch.bench.result().phases[-2]
    assert stay.phase is Phase.PUSH_PULL
    assert stay.to_s - stay.from_s <= 60.0
    assert record.outputs.on(M_101), "the motor need not stop on the way"
    for record in watch.run(300.0):
        assert record.phase is not Phase.PUSH_PULL, "it is not begun again"
    watch.sound()


def test_a_port_that_is_shut_ends_it_without_a_word_of_liquid_gone() -> None:
    watch = crossing_now()
    watch.inject(Fault("XV-104", FaultKind.STUCK, watch.bench.time_s, value=0.0))
    record = watch.to(Phase.LIQUID, Phase.VAPOR, Phase.HOLDING, Phase.ABORTING, within_s=60.0)
    assert record.phase is not Phase.VAPOR
    assert not watch.bench.state.control.appliance.liquid_done


WRONG = [
    Fault("WT-301", FaultKind.OFF),
    Fault("WT-301", FaultKind.STUCK),
    Fault("WT-301", FaultKind.WRONG, value=-0.15),
    Fault("WT-301", FaultKind.WRONG, value=-1.5),
    Fault("WT-301", FaultKind.SLOW, value=20.0),
    Fault("WT-301", FaultKind.DELAYED, value=15.0),
    Fault("plant", PlantFault.SCALE_MOVED, value=-1.0),
    Fault("plant", PlantFault.SCALE_REMOVED),
    Fault("PT-001", FaultKind.WRONG, value=-2e5),
    Fault("PT-301", FaultKind.WRONG, value=-2e5),
    Fault("PT-101", FaultKind.STUCK),
]


@pytest.mark.parametrize("at_s", [25.0, 45.0, 90.0])
@pytest.mark.parametrize("fault", WRONG, ids=named)
def test_the_cylinder_is_never_filled_above_its_limit_while_liquid_crosses(fault: Fault, at_s: float) -> None:
    watch = Watch(
        NEARLY_FULL, [Fault(fault.tag, fault.kind, at_s, value=fault.value)], seed=4, handy=False,
        settings={"fitted__lsh_301": False},
    )  # fmt: skip
    reached = False
    for record in watch.run(1500.0):
        reached = reached or record.phase is Phase.PUSH_PULL
        if reached and record.phase not in (*RUNNING, Phase.HOLDING):
            break
    assert reached or record.phase is Phase.HELD
    watch.sound()


@pytest.mark.parametrize("tag", ["XV-104", "XV-105", "XV-106", "XV-201"])
@pytest.mark.parametrize("kind", [FaultKind.OFF, FaultKind.STUCK], ids=lambda kind: kind.value)
@pytest.mark.parametrize("value", [0.0, 1.0])
def test_no_valve_of_push_pull_that_sticks_overfills_or_blows(tag: str, kind: FaultKind, value: float) -> None:
    if kind is FaultKind.OFF and value:
        pytest.skip("off is off")
    watch = crossing_now()
    watch.inject(Fault(tag, kind, watch.bench.time_s, value=value if kind is FaultKind.STUCK else float("nan")))
    for record in watch.run(900.0):
        if record.phase in (Phase.HELD, Phase.ABORTED, Phase.STANDING):
            break
    watch.sound()
    assert watch.bench.result().vented_kg == 0.0
    assert watch.bench.result().most_discharge_pa_abs < 40e5


def test_water_that_stops_does_not_freeze_while_liquid_crosses() -> None:
    watch = crossing_now(BIG, handy=False)
    watch.inject(Fault("plant", PlantFault.WATER_STOPPED, watch.bench.time_s))
    watch.finish()
    watch.sound()
    assert watch.frozen_s < 5.0


def test_the_same_readings_give_the_same_outputs_from_a_state_that_was_written_and_read_back() -> None:
    from rigctl import scan
    from rigctl.scan import State

    rig = led_to(Phase.PUSH_PULL)
    kept = msgspec.msgpack.decode(msgspec.msgpack.encode(rig.state), type=State)
    readings = rig.readings()
    assert (
        scan.step(kept, readings, prepare(rig.settings))[1] == scan.step(rig.state, readings, prepare(rig.settings))[1]
    )
