"""Controller, plant and faults together on virtual time: a random walk that judges safety in every scan.

Drawn evenly, rules hardly ever reach the interesting states; so the walk begins in a phase of its choice (snapshots of
a bench on its way through a job), with a fault of its choice, runs many scans a rule, and reports its reach: it fails
when a phase was never visited. (Hypothesis' `target` was tried and left out: it climbs round one walk and costs the
others.) That each row of the cause-and-effect table can fire is shown one by one, on purpose, on the plant.
"""

from __future__ import annotations

import copy
from collections.abc import Callable
from functools import cache

import pytest
from hypothesis import HealthCheck
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)

from hil_sim.instruments.faults import Fault, FaultKind, PlantFault, UnsupportedFaultError
from hil_sim.people import _DEEDS, Act, Operator
from rigctl.control.points import M_101, WAYS_IN, XV_104
from rigctl.control.protect.table import TABLE
from rigctl.control.readings import RequestKind, Source
from rigctl.control.vocabulary import ACTIVE, AlarmState, Ask, Kind, Phase
from rigctl.scan import ScanRecord
from tests.promise_helpers import CAMPAIGN, NEARLY_FULL, SMALL, WATER, Watch, Work, faults_at
from tests.strategies import change

pytestmark = pytest.mark.timeout(7200 if CAMPAIGN else 1800)
ROWS = {row.tag: row for row in TABLE}

# ---------------------------------------------------------------------- the walk

WALKED = Work(charge_kg=0.5, level_pa_abs=2.0e5)
PRESSED = Work(job="chiller", charge_kg=15.0, level_pa_abs=2.0e5, ambient_degc=20.0)
"""Big enough for push-pull to pay."""
BEGINNINGS = (
    Phase.IDLE, Phase.LINE_UP, Phase.PUSH_PULL, Phase.LIQUID, Phase.VAPOR, Phase.STANDING, Phase.CLEAR_OUT,
    Phase.ISOLATE,
)  # fmt: skip


@cache
def snapshots() -> dict[Phase, Watch]:
    """A watched bench in each phase of one job, half a second in."""
    watch = Watch(WALKED, seed=11)
    found: dict[Phase, Watch] = {}
    entered: Phase | None = None
    for record in watch.run(2000.0):
        if record.phase is not entered:
            entered, since_s = record.phase, record.readings.now_s
        # Once the motor runs, where the phase has it run: the walk should not spend its scans waiting.
        settled = record.outputs.on(M_101) or record.phase not in (Phase.LIQUID, Phase.VAPOR, Phase.CLEAR_OUT)
        if record.phase not in found and settled and record.readings.now_s - since_s >= 0.5:
            found[record.phase] = copied(watch)
    pressed = Watch(PRESSED, seed=11)
    pressed.to(Phase.PUSH_PULL)
    next(record for record in pressed.run(60.0) if record.outputs.on(M_101 | XV_104))
    found[Phase.PUSH_PULL] = pressed
    return found


def copied(watch: Watch) -> Watch:
    """A copy that can go its own way; what never changes is shared."""
    bench = watch.bench
    shared = (watch.settings, bench.settings, bench.plant._tables, bench.plant.parameters, watch.work, watch.spares)
    return copy.deepcopy(watch, {id(thing): thing for thing in shared})


def possible(fault: Fault) -> bool:
    """Whether the walked rig can have this fault in the middle of a job."""
    if fault.kind in (PlantFault.AIR_IN_CYLINDER, PlantFault.POWER_CUT):
        return False  # the one comes with the cylinder, the other is a rule of its own
    try:
        snapshots()[Phase.LIQUID].bench.fault_desk.check(fault)
    except UnsupportedFaultError:
        return False
    return True


@cache
def possible_faults() -> tuple[Fault, ...]:
    """Every fault that the walked rig can have."""
    return tuple(fault for fault in faults_at(0.0) if possible(fault))


class Reach:
    """What the walks have visited so far."""

    phases: dict[Phase, int]
    rows: dict[str, int]

    def __init__(self) -> None:
        self.phases = dict.fromkeys(Phase, 0)
        self.rows = dict.fromkeys(ROWS, 0)
        self.walks = self.scans = 0

    def told(self) -> str:
        phases = ", ".join(f"{phase.value} {count}" for phase, count in self.phases.items())
        seen = {tag: count for tag, count in self.rows.items() if count}
        rows = ", ".join(f"{tag} {count}" for tag, count in seen.items())
        missed = ", ".join(tag for tag in self.rows if tag not in seen) or "none"
        return (
            f"{self.walks} walks, {self.scans} scans\nwalks through each phase: {phases}\n"
            f"walks with each of {len(seen)} of {len(self.rows)} interlocks: {rows}\nnot met by chance: {missed}"
        )


reach = Reach()


class Rig(RuleBasedStateMachine):
    """The walk. `armed` is this test's own word on whether a person has let the rig start."""

    beginning: Phase
    first_faults: tuple[Fault | None, ...]

    @initialize(data=st.data())
    def begin(self, data: st.DataObject) -> None:
        phase = self.beginning
        fault = data.draw(st.sampled_from(self.first_faults))
        first = data.draw(st.sampled_from([None, None, None, RequestKind.HOLD, RequestKind.STOP]))
        self.watch = copied(snapshots()[phase])
        self.bench = self.watch.bench
        self.bench.operator = None
        self.spares = list(self.watch.spares)
        self.watch.phases, self.watch.rows = set(), set()
        self.armed = phase in ACTIVE
        self.scans = 0
        self.stop_due: float | None = None
        reach.walks += 1
        if fault is not None:
            self.watch.inject(change_time(fault, self.bench.time_s))
        if first is not None:
            self.bench.press(first)
        for _ in range(100):
            self.one()
        self.watch.sound()

    def one(self) -> None:
        record = self.watch.scan()
        self.scans += 1
        if record is None:
            self.armed, self.stop_due = False, None
            act = self.bench.plant.act
            assert not (act.m_101 or act.xv_101 or act.xv_102 or act.xv_301 or act.xv_104 or act.xv_106)
            return
        self.judge(record)

    def judge(self, record: ScanRecord) -> None:
        bits = record.outputs.bits
        if record.phase in (Phase.ABORTING, Phase.ABORTED, Phase.HELD, Phase.IDLE, Phase.STOPPED, Phase.COMPLETE):
            self.armed = False
        for reply, asked in zip(record.replies, record.readings.requests, strict=True):
            if asked.kind in (RequestKind.START, RequestKind.RESTART, RequestKind.RESET):
                assert asked.source is Source.LOCAL or not reply.accepted
                if reply.accepted and asked.kind is not RequestKind.RESET:
                    self.armed = True
            if asked.kind in (RequestKind.STOP, RequestKind.ABORT):
                assert reply.accepted
                assert not bits & WAYS_IN
                limit_s = 0.0 if asked.kind is RequestKind.ABORT else self.watch.settings.procedure.stopping_limit_s
                self.stop_due = record.readings.now_s + limit_s + 3.0
                assert not (limit_s == 0.0 and bits & M_101)
        if bits & (M_101 | WAYS_IN):
            assert self.armed, f"{record.outputs.by_tag()} in {record.phase.value}, and nobody let it"
            assert self.stop_due is None or record.readings.now_s < self.stop_due or not bits & WAYS_IN
        if record.phase in (Phase.LINE_UP, Phase.HELD):
            self.stop_due = None
        for alarm in record.alarms:
            if alarm.kind in (Kind.TRIP, Kind.HOLD) and alarm.state in (
                AlarmState.UNACKNOWLEDGED,
                AlarmState.ACKNOWLEDGED,
                AlarmState.LATCHED,
            ):
                assert not bits & ROWS[alarm.tag].takes, alarm.tag
            if alarm.kind is Kind.TRIP and alarm.state is AlarmState.LATCHED:
                assert record.phase in (Phase.ABORTING, Phase.ABORTED)

    @rule(scans=st.integers(1, 150))
    def run(self, scans: int) -> None:
        for _ in range(scans):
            self.one()
        self.watch.sound()

    @rule(scans=st.integers(300, 1500), seed=st.integers(0, 99))
    def work_on(self, scans: int, seed: int) -> None:
        """A quick technician stands at the rig for a while and does whatever it asks."""
        spares = [change(self.spares[0], serial=f"SPARE-{seed}", residual_kg=0.0, refrigerant="")]
        self.bench.operator = Operator(seed, spares, quickest_s=0.5, slowest_s=2.0)
        for _ in range(scans):
            self.one()
        self.bench.operator = None
        self.watch.sound()

    @rule(kind=st.sampled_from(RequestKind), source=st.sampled_from(Source))
    def press(self, kind: RequestKind, source: Source) -> None:
        self.bench.press(kind, source)
        self.one()

    @precondition(lambda self: self.bench.state.control.phase in ACTIVE)
    @rule(fault=st.deferred(lambda: st.sampled_from(possible_faults())), scans=st.integers(20, 200))
    def inject(self, fault: Fault, scans: int) -> None:
        # One fault at a time: that is what is promised.
        self.mend()
        self.watch.inject(change_time(fault, self.bench.time_s))
        self.run(scans)

    @rule()
    def mend(self) -> None:
        self.bench.mend()
        self.bench.fault_desk.call_off()
        self.bench.sensors.scale.put_right()
        self.bench.plant.reset_pressure_switch()

    @rule(what=st.sampled_from(["power cut", "emergency stop", "stall"]), scans=st.integers(1, 60))
    def strike(self, what: str, scans: int) -> None:
        """Something that stops any job."""
        bench = self.bench
        if what == "power cut":
            bench.cut_power()
        elif what == "emergency stop":
            bench.press_emergency_stop()
        else:
            self.watch.stall(scans * bench.scan_period_s)
        for _ in range(scans):
            self.one()
            assert what == "stall" or not bench.plant.act.m_101
        bench.restore_power()
        bench.release_emergency_stop()
        self.one()

    @rule()
    def do_as_asked(self) -> None:
        """The technician does what the rig asks for, and says so."""
        record = self.bench.last
        if record is None:
            return
        for deed in _DEEDS[record.ask]:
            self.bench.hands.do(Act(deed, ""))
        cylinder = None
        if record.ask is Ask.CHANGE_CYLINDER and record.phase is Phase.HELD:
            cylinder = change(self.spares[0], serial=f"SPARE-{self.scans}", residual_kg=0.0, refrigerant="")
            self.bench.hands.change_cylinder(cylinder)
        wanted = {
            Phase.IDLE: RequestKind.START,
            Phase.ABORTED: RequestKind.RESET,
            Phase.HELD: RequestKind.RESTART,
        }.get(record.phase, RequestKind.ACKNOWLEDGE)
        self.bench.press(wanted, cylinder=cylinder)
        self.one()

    @invariant()
    def no_promise_is_broken(self) -> None:
        if hasattr(self, "watch"):
            self.watch.sound()

    def teardown(self) -> None:
        if not hasattr(self, "watch"):
            return
        for phase in self.watch.phases:
            reach.phases[phase] += 1
        for tag in self.watch.rows:
            reach.rows[tag] += 1
        reach.scans += self.scans


def change_time(fault: Fault, at_s: float) -> Fault:
    """The same fault from now on."""
    return Fault(fault.tag, fault.kind, at_s, value=fault.value)


def test_a_random_walk_breaks_no_promise_and_visits_every_phase() -> None:
    for position, phase in enumerate(BEGINNINGS):
        # Each beginning gets its own faults: left to chance, a few of them would be drawn again and again.
        faults = (None, *possible_faults()[position :: len(BEGINNINGS)])
        walk = type(f"From_{phase.value}", (Rig,), {"beginning": phase, "first_faults": faults})
        run_state_machine_as_test(
            walk,
            settings=hypothesis_settings(
                max_examples=14 * (1 + 10 * CAMPAIGN),
                stateful_step_count=12,
                derandomize=not CAMPAIGN,
                database=None,
                deadline=None,
                suppress_health_check=list(HealthCheck),
            ),
        )
    print(reach.told())
    assert all(reach.phases.values()), f"never visited: {[p.value for p, n in reach.phases.items() if not n]}"
    # A walk that meets few interlocks tests little. The rest is met on purpose below.
    assert sum(1 for count in reach.rows.values() if count) >= 10, reach.told()


# ---------------------------------------------------------------------- each interlock fires on the plant


def stalled(watch: Watch, record: ScanRecord) -> None:
    """The computer stands still for a second."""
    if record.phase is Phase.LIQUID and not watch.rows:
        watch.stall(1.0)


def creeping(watch: Watch, record: ScanRecord) -> None:
    """A hose bears more and more on the scale, each time too little to be taken for a knock."""
    if record.phase is Phase.LIQUID and record.scan % 10 == 0:
        watch.bench.sensors.scale.pull(0.12)


def pressed_stop(watch: Watch, record: ScanRecord) -> None:
    """Somebody presses the emergency stop."""
    if record.phase is Phase.LIQUID:
        watch.bench.press_emergency_stop()


def nothing(watch: Watch, record: ScanRecord) -> None:
    """What happens is in the faults."""


Doing = Callable[[Watch, ScanRecord], None]
Scenario = tuple[Work, tuple[Fault, ...], dict[str, object], Doing]


def on(work: Work = SMALL, *faults: Fault, act: Doing = nothing, **settings: object) -> Scenario:
    return work, faults, settings, act


BIG = Work(charge_kg=3.0)
SCENARIOS: dict[str, Scenario] = {
    "HS-001.pressed": on(act=pressed_stop),
    "AT-001.gas": on(SMALL, Fault("plant", PlantFault.LEAK, 30.0, value=1e-6)),
    "PSH-201.open": on(SMALL, Fault("XV-201", FaultKind.OFF, 24.0)),
    "PT-201.high": on(BIG, limits__discharge_high_pa_abs=17.2e5),
    "M-101.dead_head": on(SMALL, Fault("plant", PlantFault.CYLINDER_VALVE_SHUT, 24.0)),
    "TT-201.high": on(SMALL, Fault("TT-201", FaultKind.WRONG, 30.0, value=120.0)),
    "TT-201.stays": on(limits__discharge_high_degc=40.0),
    "PT-301.high": on(NEARLY_FULL, Fault("plant", PlantFault.AIR_IN_CYLINDER, 0.0, value=14.0)),
    "TT-301.high": on(SMALL, Fault("TT-301", FaultKind.WRONG, 30.0, value=40.0)),
    "WT-301.overfull": on(Work(room_kg=-0.3)),
    "LSH-301.high": on(SMALL, Fault("LSH-301", FaultKind.OFF, 30.0)),
    "WT-301.falling": on(
        Work(charge_kg=3.0, room_kg=8.0),
        Fault("plant", PlantFault.LEAK, 14.0, value=9e-6),
        fitted__at_001=False,
        limits__estimates_disagree_kg=9.0,
    ),
    "PT-101.unfit": on(SMALL, Fault("PT-101", FaultKind.OFF, 30.0)),
    "M-101.fault": on(SMALL, Fault("M-101", FaultKind.OFF, 5.0)),
    "OUTPUTS.readback": on(SMALL, Fault("M-201", FaultKind.OFF, 5.0)),
    "SCAN.overrun": on(act=stalled),
    "FS-001.freezing": on(WATER, Fault("plant", PlantFault.WATER_STOPPED, 150.0)),
    "WT-301.full": on(NEARLY_FULL, act=creeping),
    "M-101.filled": on(NEARLY_FULL, Fault("WT-301", FaultKind.DELAYED, 14.0, value=30.0)),
    "PT-201.ratio": on(limits__compression_ratio_high=8.0),
    "PT-301.near": on(NEARLY_FULL, limits__cylinder_pause_fraction=0.565),
    "WT-301.unfit": on(SMALL, Fault("WT-301", FaultKind.OFF, 28.0)),
    "WT-301.disturbed": on(SMALL, Fault("plant", PlantFault.SCALE_MOVED, 28.0, value=1.5)),
    "WT-301.frozen": on(BIG, Fault("WT-301", FaultKind.STUCK, 20.0)),
    "WT-301.disagree": on(BIG, act=creeping),
    "PT-101.falls_fast": on(BIG, Fault("plant", PlantFault.PORT_SHUT, 24.0)),
    "PT-101.not_falling": on(SMALL, Fault("PT-001", FaultKind.STUCK, 45.0), limits__suction_not_falling_s=30.0),
    "PT-001.high": on(PRESSED, Fault("PT-001", FaultKind.WRONG, 30.0, value=3e5)),
    "PT-001.unfit": on(SMALL, Fault("PT-001", FaultKind.OFF, 28.0)),
    "PHASE.time": on(procedure__vapor_limit_s=30.0),
    "FS-001.no_flow": on(WATER, Fault("plant", PlantFault.WATER_STOPPED, 0.0)),
    "PT-301.air": on(NEARLY_FULL, Fault("plant", PlantFault.AIR_IN_CYLINDER, 0.0, value=1.5)),
    "PT-301.air_advice": on(NEARLY_FULL, Fault("plant", PlantFault.AIR_IN_CYLINDER, 0.0, value=1.5)),
    "PT-201.above": on(BIG, Fault("XV-301", FaultKind.STUCK, 14.0, value=0.05)),
    "TT-301.warm": on(limits__cylinder_warm_degc=20.0),
    "PT-102.unfit": on(SMALL, Fault("PT-102", FaultKind.OFF, 28.0)),
    "TT-101.unfit": on(SMALL, Fault("TT-101", FaultKind.OFF, 28.0)),
}
"""What makes each row fire on the plant; limits are moved where the real one lies hours away."""


def shows(record: ScanRecord, tag: str) -> bool:
    """Whether the row is active in this scan."""
    return any(
        alarm.tag == tag and alarm.state in (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED)
        for alarm in record.alarms
    )


@pytest.mark.parametrize("tag", list(SCENARIOS))
def test_each_interlock_fires_on_the_plant_and_takes_effect_in_the_same_scan(tag: str) -> None:
    work, faults, settings, act = SCENARIOS[tag]
    watch = Watch(work, faults, seed=2, operated=False, settings=settings)
    bench, row = watch.bench, ROWS[tag]
    bench.press(RequestKind.START)
    before = Phase.IDLE
    for record in watch.run(900.0):
        if shows(record, tag):
            break
        if record.phase in (Phase.ABORTED, Phase.COMPLETE) or (
            record.phase is Phase.HELD and row.kind is not Kind.ADVICE
        ):
            pytest.fail(f"{tag} did not fire\n{watch.told()}")
        before = record.phase
        act(watch, record)
    else:
        pytest.fail(f"{tag} did not fire\n{watch.told()}")
    print(f"{tag}: fired at {bench.time_s:.1f} s in {before.value}")
    assert not record.outputs.bits & row.takes
    text = next(alarm.text for alarm in record.alarms if alarm.tag == tag)
    assert text.endswith(".")
    if row.kind is Kind.TRIP:
        assert record.phase is (Phase.ABORTING if before in ACTIVE else before)
    elif row.kind is Kind.HOLD:
        assert record.phase is Phase.HOLDING
    elif row.kind is Kind.START_INHIBIT:
        assert record.phase is Phase.LINE_UP
        assert watch.to(Phase.LIQUID, Phase.VAPOR, Phase.HELD, within_s=240.0).phase is Phase.HELD
    else:
        assert record.phase is before or record.phase in ACTIVE


def test_there_is_a_scenario_for_every_row_of_the_table() -> None:
    assert set(SCENARIOS) == set(ROWS)
