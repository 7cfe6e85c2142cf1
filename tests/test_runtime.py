"""The scan loop and its workers: deadlines, silence, safe outputs whatever ends it, and coming up after a death."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import pytest

from rigctl import scan
from rigctl.control.points import OUTPUT_TAGS, SAFE
from rigctl.control.readings import Fault, Request, RequestKind, Source
from rigctl.control.settings import Settings
from rigctl.hardware import wiring
from rigctl.hardware.driver import DriverError, Sample, WiringError, Worker
from rigctl.hardware.wiring import HEARTBEAT, INPUTS, OUTPUTS, Point, Station, Wiring
from rigctl.runtime.door import Door, press
from rigctl.runtime.loop import ScanLoop, percentiles
from rigctl.scan import prepare
from tests.strategies import FULL, change
from tests.waiting import PATIENCE_S, until

RIG = change(FULL, scan_period_s=0.02)


class Time:
    """A clock that goes on only while the loop sleeps; on the way drivers have their turns, each when it is due."""

    def __init__(self) -> None:
        self.now_s = 1000.0
        self.due: list[tuple[float, Callable[[], None]]] = []

    def __call__(self) -> float:
        return self.now_s

    def at(self, at_s: float, what: Callable[[], None]) -> None:
        self.due.append((at_s, what))

    def sleep(self, for_s: float) -> None:
        until_s = self.now_s + for_s
        while self.due and (first := min(self.due, key=lambda one: one[0]))[0] <= until_s:
            self.due.remove(first)
            self.now_s = max(self.now_s, first[0])
            first[1]()
        self.now_s = max(self.now_s, until_s)


class InTurn(Worker):
    """A worker without a thread: its turns fall due on the clock of the loop, also at once for a new command."""

    def __init__(self, board: Board, time: Time) -> None:
        super().__init__("board", board, 0.01, time)
        self._board, self._time, self._ended = board, time, False

    def start(self) -> None:
        self._at_its_turn()

    def command(self, raw: Mapping[str, float]) -> None:
        super().command(raw)
        if self._is_open:
            self._time.due.clear()
            self._time.at(self._time.now_s, self._at_its_turn)

    def stop(self, within_s: float = 0.0) -> bool:
        self._time.due.clear()
        self.turn()
        self._board.close()
        return True

    def _at_its_turn(self) -> None:
        self._board.takes_s = 0.0
        wait_s = self.turn()
        self._time.at(self._time.now_s + self._board.takes_s + max(wait_s, 0.001), self._at_its_turn)


class Board:
    """A device in memory: inputs that stand still, outputs that are kept, and a switch that makes it dumb."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self.clock, self.takes_s = clock, 0.0
        self.values = dict.fromkeys(INPUTS, 1.0) | {"WT-301": 13.0}
        self.outputs: dict[str, float] = {}
        self.beats: list[float] = []
        self.dumb = False
        self.opened = self.closed = 0

    def open(self) -> None:
        if self.dumb:
            raise DriverError("board: no answer")
        self.opened += 1

    def read(self) -> Mapping[str, Sample]:
        if self.dumb:
            raise DriverError("board: no answer")
        now_s = self.clock()
        return {tag: Sample(value, now_s) for tag, value in self.values.items()}

    def write(self, raw: Mapping[str, float]) -> Mapping[str, float]:
        if self.dumb:
            raise DriverError("board: no answer")
        self.outputs = dict(raw)
        if not self.beats or self.beats[-1] != raw[HEARTBEAT]:
            self.beats.append(raw[HEARTBEAT])
        return self.outputs

    def close(self) -> None:
        self.closed += 1


def wired(settings: Settings = RIG, stale_s: float = 0.2) -> Wiring:
    station = Station("board", "modbus-tcp", 0.01, stale_s, {})
    points = {}
    for tag in wiring.wanted(settings.fitted):
        pressure = tag in INPUTS and INPUTS[tag][0].endswith("_pa_abs")
        contact = tag in OUTPUTS or tag == HEARTBEAT or INPUTS.get(tag, ("",))[0].endswith(("_ok", "_flow"))
        signal = "contact" if contact and tag != "CV-103" else "value"
        points[tag] = Point(tag, "board", signal, factor=1e5 if pressure else 1.0)
    return Wiring({"board": station}, points)


def looped(
    board: Board, hear: Callable[..., None] = lambda record, state: None, stale_s: float = 0.2, **more: Any
) -> ScanLoop:
    worker = Worker("board", board, 0.01)
    return ScanLoop(RIG, wired(stale_s=stale_s), {"board": worker}, scan.initial(prepare(RIG)), hear=hear, **more)


def in_virtual_time(
    board: Board, time: Time, hear: Callable[..., None], for_s: float, stale_s: float = 0.2
) -> tuple[ScanLoop, float]:
    """Let a loop run for so long; returns it with the time of its first deadline."""
    first: list[float] = []

    def hear_until(record: Any, state: Any) -> None:
        first.append(time.now_s)
        hear(record, state)
        if time.now_s - first[0] >= for_s:
            loop.stop()

    workers = {"board": InTurn(board, time)}
    loop = ScanLoop(
        RIG, wired(stale_s=stale_s), workers, scan.initial(prepare(RIG)), hear=hear_until, clock=time, sleep=time.sleep
    )
    loop.run()
    return loop, first[0]


def running(loop: ScanLoop) -> threading.Thread:
    thread = threading.Thread(target=loop.run)
    thread.start()
    return thread


# ---- the loop


def test_it_scans_on_absolute_deadlines_and_beats_with_every_scan() -> None:
    time = Time()
    board, at_s, ages_s = Board(time), [], []
    takes_s = iter([0.0, 0.003, 0.019, 0.011, 0.0, 0.007] * 100)

    def hear(record: Any, state: Any) -> None:
        at_s.append(time.now_s)
        ages_s.append(record.readings.now_s - record.readings.pt_101_pa_abs.taken_at_s)
        assert record.readings.pt_101_pa_abs.fault is None
        time.now_s += next(takes_s)

    loop, begun_s = in_virtual_time(board, time, hear, 1.0)
    assert loop.overruns == 0 and loop.scans == 51
    expected = [begun_s + n * RIG.scan_period_s for n in range(51)]
    assert at_s == pytest.approx(expected, abs=1e-6), "deadlines do not drift with what a scan takes"
    assert len(board.beats) == 51 and all(a != b for a, b in zip(board.beats, board.beats[1:], strict=False))
    assert all(0.0 <= age_s <= 0.02 for age_s in ages_s)


def test_scans_that_come_late_are_counted_and_left_out() -> None:
    time = Time()
    at_s: list[float] = []
    takes_s = iter([0.0] * 5 + [0.11] + [0.0] * 1000)

    def hear(record: Any, state: Any) -> None:
        at_s.append(time.now_s)
        time.now_s += next(takes_s)

    loop, begun_s = in_virtual_time(Board(time), time, hear, 0.6)
    # 0.11 s over a period of 0.02 s: the scan due at 0.12 s begins at 0.21 s, and those due until then are left out.
    assert loop.overruns == 4
    assert [round(at - begun_s, 6) for at in at_s[4:9]] == [0.08, 0.1, 0.21, 0.22, 0.24]
    assert loop.pace.late_s["max"] == pytest.approx(0.09)


def test_what_is_raised_in_a_scan_leaves_safe_outputs_behind() -> None:
    board = Board()

    def hear(record: Any, state: Any) -> None:
        if record.scan == 10:
            raise RuntimeError("planted")

    loop = looped(board, hear)
    with pytest.raises(RuntimeError, match="planted"):
        loop.run()
    assert until(lambda: board.closed), "the driver is let go of"
    assert {tag: raw for tag, raw in board.outputs.items() if tag != HEARTBEAT} == dict.fromkeys(
        [tag for tag in board.outputs if tag != HEARTBEAT], 0.0
    )
    assert set(board.outputs) >= {"XV-101", "M-101", "CV-103"}


def test_a_driver_that_falls_silent_becomes_a_fault_within_its_time_and_heals() -> None:
    time = Time()
    board, seen, dumb_s = Board(time), [], []

    def hear(record: Any, state: Any) -> None:
        seen.append((record.readings.now_s, record.readings.pt_101_pa_abs.fault))
        if len(seen) == 16:
            board.dumb = True
            dumb_s.append(time.now_s)
        if len(seen) == 46:
            board.dumb = False

    in_virtual_time(board, time, hear, 2.0)
    lost_s = next(at_s for at_s, fault in seen if fault is Fault.NO_REPLY)
    # Stale after 0.2 s; the newest answer is a period of the driver older than the silence, a scan looks once a period.
    assert 0.19 <= lost_s - dumb_s[0] <= 0.2 + RIG.scan_period_s + 1e-9
    healed_s = next(at_s for at_s, fault in seen if at_s > lost_s and fault is None)
    assert healed_s > dumb_s[0] + 30 * RIG.scan_period_s
    assert all(fault is Fault.NO_REPLY for at_s, fault in seen if lost_s <= at_s < healed_s)
    assert all(fault is None for at_s, fault in seen if at_s < lost_s or at_s >= healed_s)
    assert board.opened == 2


def test_two_answers_that_are_lost_are_no_fault_yet() -> None:
    """With a limit of 0.2 s an answer on a noisy line is missed, tried anew, missed again: 0.62 s in all."""

    class Noisy(Board):
        lost = 0

        def read(self) -> Mapping[str, Sample]:
            if self.lost:
                self.lost -= 1
                self.takes_s = 0.2
                raise DriverError("no answer within 200 ms")
            return super().read()

    time = Time()
    board, seen = Noisy(time), []

    def hear(record: Any, state: Any) -> None:
        seen.append(record)
        if len(seen) in (25, 85, 145):
            board.lost = 2

    in_virtual_time(board, time, hear, 4.0, stale_s=0.8)
    assert board.opened == 1 + 6 and board.lost == 0
    assert all(record.readings.pt_101_pa_abs.fault is None for record in seen)
    assert all(record.readings.readback == record.outputs.bits for record in seen[2:])
    ages_s = [record.readings.now_s - record.readings.pt_101_pa_abs.taken_at_s for record in seen]
    assert 0.5 < max(ages_s) < 0.65


def test_outputs_of_a_driver_that_does_not_answer_count_as_dropped() -> None:
    wires = wired()
    bits = (1 << OUTPUT_TAGS.index("M-101")) | 1
    assert wiring.readback_of(wires, {}, bits) == bits, "hardware that cannot read back is believed"
    assert wiring.readback_of(wires, {}, bits, lost={"board"}) == 0
    assert wiring.readback_of(wires, {"board": {"XV-101": 0.0, "XV-301": 1.0}}, bits) == (
        (1 << OUTPUT_TAGS.index("M-101")) | (1 << OUTPUT_TAGS.index("XV-301"))
    )


def test_the_safe_command_switches_everything_off_also_where_contacts_are_inverted() -> None:
    wires = wired()
    points = wires.points | {"XV-301": Point("XV-301", "board", "contact", inverted=True)}
    commands = wiring.commands_of(Wiring(wires.stations, points), SAFE.bits, SAFE.cv_103, False)["board"]
    assert commands["XV-301"] == 1.0 and commands["M-101"] == 0.0
    assert points["XV-301"].is_on(0.0) and not points["XV-301"].is_on(1.0)


def test_percentiles_are_by_nearest_rank() -> None:
    assert percentiles([]) == {}
    assert percentiles([float(n) for n in range(1, 101)])["p95"] == pytest.approx(96.0, abs=1.0)


# ---- what a sample means


@pytest.mark.parametrize(
    ("current_ma", "fault"),
    [
        (3.5, Fault.FAILURE), (3.7, Fault.OUT_OF_RANGE), (3.81, None), (4.0, None), (20.0, None), (20.49, None),
        (20.7, Fault.OUT_OF_RANGE), (21.5, Fault.FAILURE), (float("nan"), Fault.FAILURE), (0.0, Fault.FAILURE),
    ],
)  # fmt: skip
def test_loops_follow_namur_ne_43(current_ma: float, fault: Fault | None) -> None:
    # NAMUR NE 43: measurement 3.8 to 20.5 mA, failure below 3.6 and above 21 mA.
    point = Point("PT-101", "io", "4-20 mA", 0.0, 40e5)
    assert point.reading(Sample(current_ma, 10.0), 10.1, 0.5).fault is fault


def test_a_loop_a_unit_and_a_calibration_give_the_value() -> None:
    loop = Point("PT-101", "io", "4-20 mA", 0.0, 40e5, factor=1e-3)
    assert loop.reading(Sample(12_000.0, 1.0), 1.0, 0.5).value == pytest.approx(20e5)
    trimmed = Point("PT-101", "io", "4-20 mA", 0.0, 40e5, factor=1e-3, gain=1.01, zero=-500.0)
    assert trimmed.reading(Sample(12_000.0, 1.0), 1.0, 0.5).value == pytest.approx(20e5 * 1.01 - 500.0)
    assert loop.reading(Sample(12_000.0, 1.0), 1.6, 0.5).fault is Fault.NO_REPLY
    assert loop.reading(Sample(12_000.0, 2.0), 1.6, 0.5).fault is Fault.NO_REPLY, "from the future"
    assert loop.reading(None, 1.6, 0.5).fault is Fault.NO_REPLY
    throttle = Point("CV-103", "io", "4-20 mA", factor=1e-3)
    assert throttle.raw(0.25) == pytest.approx(8_000.0)


# ---- the configuration

TABLE: dict[str, Any] = {
    "drivers": {"io": {"kind": "modbus-tcp", "host": "192.0.2.1", "period": "50 ms"}},
    "points": {
        "PT-101": {
            "driver": "io", "signal": "4-20 mA", "span": ["0 bar abs", "40 bar abs"], "scale": 0.001, "register": 0,
        },
        "WT-301": {"driver": "io", "unit": "lb", "register": 1},
    },
}  # fmt: skip


def said(table: dict[str, Any]) -> str:
    with pytest.raises(WiringError) as caught:
        wiring.load(table, FULL.fitted)
    return str(caught.value)


def test_every_point_that_is_fitted_and_not_wired_is_named() -> None:
    sentences = said(TABLE)
    assert "PT-201" in sentences and "XV-301" in sentences and HEARTBEAT in sentences
    assert '"PT-101"' not in sentences and '"WT-301"' not in sentences


@pytest.mark.parametrize(
    ("change_of", "expected"),
    [
        ({"points": {"PT-999": {"driver": "io"}}}, "no such point"),
        ({"points": {"PT-101": {"driver": "oi"}}}, "none of the drivers"),
        ({"points": {"PT-101": {"driver": "io", "signal": "4-20 mA"}}}, "span"),
        ({"points": {"PT-101": {"driver": "io", "unit": "parsec"}}}, "no unit"),
        ({"points": {"PT-101": {"driver": "io", "signal": "contact"}}}, "does not fit"),
        ({"points": {"XV-101": {"driver": "io", "signal": "value"}}}, "does not fit"),
        ({"points": {"PT-101": {"driver": "io", "unit": "kPa abs", "scale": 0}}}, "0 makes everything"),
        ({"drivers": {"io": {"kind": "telepathy"}}}, "no driver"),
        ({"drivers": {"io": {"kind": "gpio", "period": "1 h"}}}, "outside"),
        ({"drivers": 3}, "table of tables"),
    ],
)
def test_what_is_wrong_is_said_with_the_place(change_of: dict[str, Any], expected: str) -> None:
    assert expected in said(TABLE | change_of)


def test_units_of_points_are_those_a_person_writes() -> None:
    # 1 lb = 0.453 592 37 kg (NIST SP 811).
    problems: list[str] = []
    point = wiring._point("WT-301", TABLE["points"]["WT-301"], {"io": Station("io", "gpio", 1.0, 1.0, {})}, problems)
    assert not problems and point is not None
    assert point.reading(Sample(10.0, 1.0), 1.0, 1.0).value == pytest.approx(4.5359237)
    assert point.address == {"register": 1}


# ---- the local door


def pressed(door: Door, what: str, cylinder: str | None = None) -> tuple[bool, str]:
    return press(door.path, what, cylinder, PATIENCE_S)


def test_a_person_presses_through_the_door_and_hears_what_the_rig_says(tmp_path: Path) -> None:
    board = Board()
    board.values |= {"PT-001": 1.0}
    door = Door(tmp_path / "press.sock", (RIG.cylinder,), PATIENCE_S)
    loop = looped(board, lambda record, state: door.answered(record.replies), requests=door.take)
    thread = running(loop)
    try:
        assert pressed(door, "acknowledge")[1]
        accepted, text = pressed(door, "restart")
        assert not accepted and text, "nothing is held that could be restarted"
        for word in ("fly", "restart"):
            refused, why = pressed(door, word, "ZZ-1" if word == "restart" else None)
            assert not refused and ("ZZ-1" in why or "fly" in why)
        assert (door.path.stat().st_mode & 0o077) == 0, "nobody else may press"
    finally:
        loop.stop()
        thread.join(PATIENCE_S)
        door.close()
    with pytest.raises(FileNotFoundError):
        press(door.path, "start")


def test_requests_of_the_door_count_as_made_at_the_rig(tmp_path: Path) -> None:
    door = Door(tmp_path / "press.sock", ())
    asker = threading.Thread(target=press, args=(door.path, "reset"), daemon=True)
    asker.start()
    taken: list[Request] = []

    def came() -> bool:
        taken.extend(door.take())
        return bool(taken)

    assert until(came)
    assert taken[0].kind is RequestKind.RESET and taken[0].source is Source.LOCAL
    door.close()
