"""Whole recoveries over real wires, and what happens to the program `rigctl run` when a wire is pulled out."""

import json

import pytest

from hil_sim.wire.modbus_face import ModbusFace
from rigctl import scan
from rigctl.config import load_job, load_rig, settings_for
from rigctl.control.points import M_101
from rigctl.control.readings import Request, RequestKind, Source
from rigctl.control.vocabulary import Phase
from rigctl.hardware import modbus, serial_scale, wiring
from rigctl.hardware.driver import Wire, Worker
from rigctl.journal.record import record_from_journal
from rigctl.journal.store import ENDED, Journal
from rigctl.runtime.loop import ScanLoop
from rigctl.scan import prepare
from tests.served import Served, until
from tests.strategies import CONFIGS
from tests.waiting import PATIENCE_S, PROGRAM_S


class Lockstep:
    """One clock for plant and loop: whenever the loop has slept to the plant's deadline, the plant makes its step.

    What the wires take is no time at all by it, so that everything happens in the same order on every machine.
    """

    def __init__(self, serve):
        self.now_s, self.serve, self.workers = 1000.0, serve, []
        self._due_s = self.now_s + serve.bench.scan_period_s

    def __call__(self):
        return self.now_s

    def sleep(self, for_s):
        until_s = self.now_s + for_s
        while self._due_s <= until_s + 1e-9:
            self.now_s = self._due_s
            self._due_s += self.serve.bench.scan_period_s
            self.serve.step()
            for worker in self.workers:
                worker.turn()
        self.now_s = max(self.now_s, until_s)


class InStep(Worker):
    """A worker without a thread."""

    def start(self):
        self.turn()

    def stop(self, within_s=0.0):
        self.turn()
        self._driver.close()
        return not self.trouble


def in_step(served, folder):
    """Let the loop recover over the wires of a plant that goes by the same clock; its journal's record."""
    rig = load_rig(served.rig)
    settings = settings_for(rig, load_job(CONFIGS / "jobs/split-ac.toml"))
    wires, clock = wiring.load(rig.hardware, rig.fitted), Lockstep(served.serve)

    def worker(name, module):
        station = wires.stations[name]
        mine = [
            Wire(point.tag, wiring.is_output(point.tag), point.address)
            for point in wires.points.values()
            if point.driver == name
        ]
        return InStep(name, module.make(station.kind, station.options, mine, clock), station.period_s, clock)

    workers = {"io": worker("io", modbus), "scale": worker("scale", serial_scale)}
    clock.workers = list(workers.values())

    def start():
        return (Request(RequestKind.START, Source.LOCAL, "1"),) if loop.state.control.phase is Phase.IDLE else ()

    def hear(record, state):
        journal.offer(record, state)
        if record.phase in ENDED:
            loop.stop()

    with Journal(folder / "a.journal", settings, capacity=100_000) as journal:
        loop = ScanLoop(
            settings, wires, workers, scan.initial(prepare(settings)), requests=start, hear=hear, clock=clock,
            utc=lambda: 1.8e9 + clock.now_s, sleep=clock.sleep,
        )  # fmt: skip
        loop.run()
        assert journal.close(PATIENCE_S).ok
    assert loop.safe and loop.overruns == 0 and served.serve.module.outputs().bits == 0
    assert all(worker.failures == 0 for worker in workers.values())
    return record_from_journal(folder / "a.journal")


def test_a_recovery_over_the_wire_goes_as_on_the_bench(tmp_path):
    """Over Modbus TCP and a scale's line: outcome, 10 g and 2 % of the time."""
    with Served(tmp_path, noise=False, patient=True, runs=False, scale_mode="polled", dead_man_s=PATIENCE_S) as served:
        made, expected, truth_kg = in_step(served, tmp_path), served.on_the_bench(), served.gained_kg()
    assert made.outcome == expected.outcome.value == Phase.COMPLETE.value
    assert made.recovered_kg == pytest.approx(expected.recovered_kg, abs=0.010)
    assert made.recovered_kg == pytest.approx(truth_kg, abs=2.0 * made.recovered_uncertainty_kg)
    assert made.duration_s == pytest.approx(expected.duration_s, rel=0.02)


def drawing(served, *more):
    program = served.run(*more)
    assert served.pressed("start")
    assert until(lambda: served.phase() is Phase.LIQUID and served.serve.module.outputs().on(M_101), every_s=0.05)
    return program


def test_a_job_that_is_stopped_ends_the_program_that_runs_until_the_end_with_a_record_that_is_true(tmp_path):
    with Served(tmp_path, speed=2.0, noise=False, patient=True) as served:
        program = drawing(served, "--until-end")
        assert until(lambda: served.gained_kg() > 0.02)
        assert served.pressed("stop")
        program.communicate(timeout=PROGRAM_S)
        made = json.loads((served.out / "record.json").read_text(encoding="utf-8"))
        assert made["outcome"] == Phase.STOPPED.value
        assert made["recovered_kg"] == pytest.approx(served.gained_kg(), abs=2.0 * made["recovered_uncertainty_kg"])


def test_a_scale_whose_line_is_pulled_out_holds_the_rig_and_its_return_lets_it_go_on(tmp_path):
    with Served(tmp_path, patient=True) as served:
        drawing(served)
        served.tell("fault", name="WT-301:off")
        assert until(lambda: served.phase() is Phase.HELD, every_s=0.05), served.last()
        assert until(lambda: not served.serve.module.outputs().on(M_101))
        assert "WT-301" in served.last().record.sentence or "scale" in served.last().record.sentence
        served.tell("mend", tag="WT-301")
        assert served.pressed("restart")
        assert until(lambda: served.phase() is Phase.LIQUID, every_s=0.05), served.last().record.sentence


def test_a_module_that_is_lost_drops_its_outputs_and_comes_back_with_none_on(tmp_path):
    """The dead-man relay drops them while nobody can write; when the wire is back, the rig does not go on by itself."""
    with Served(tmp_path, patient=True) as served:
        program, module = drawing(served), served.serve.module
        port = served.serve.modbus.port
        served.serve.modbus.close()
        assert until(lambda: module.outputs().bits == 0)
        stopped = (Phase.ABORTING, Phase.ABORTED, Phase.HOLDING, Phase.HELD)
        assert until(lambda: served.phase() in stopped, every_s=0.05)
        said = served.last().record.sentence
        served.serve.modbus = ModbusFace(module, "127.0.0.1", port)
        assert until(lambda: module.coils() != 0), "the heartbeat is back"
        went_on, back = [], served.last().record.scan

        def seen():
            went_on.append(module.outputs().on(M_101))
            return served.last().record.scan > back + 50

        assert until(seen, every_s=0.02)
        assert not any(went_on), "nobody told it to go on"
        assert said and program.poll() is None
