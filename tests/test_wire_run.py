"""Whole recoveries by the program `rigctl run` over real wires, and what happens when a wire is pulled out."""

import json

import pytest

from hil_sim.wire.modbus_face import ModbusFace
from rigctl.control.points import M_101
from rigctl.control.sequence import Phase
from tests.served import Served, until


def test_a_recovery_over_the_wire_goes_as_on_the_bench(tmp_path):
    """Ten times faster than time, over Modbus TCP and a scale's line: outcome, 10 g and 2 % of the time."""
    with Served(tmp_path, speed=10.0, noise=False, patient=True) as served:
        program = served.run("--until-end")
        assert served.pressed("start")
        program.communicate(timeout=240.0)
        expected, made = served.on_the_bench(), json.loads((served.out / "record.json").read_text(encoding="utf-8"))
        truth_kg = served.gained_kg()
    assert made["outcome"] == expected.outcome.value == Phase.COMPLETE.value
    assert made["recovered_kg"] == pytest.approx(expected.recovered_kg, abs=0.010)
    assert made["recovered_kg"] == pytest.approx(truth_kg, abs=2.0 * made["recovered_uncertainty_kg"])
    assert made["duration_s"] == pytest.approx(expected.duration_s, rel=0.02)


def drawing(served):
    program = served.run()
    assert served.pressed("start")
    assert until(lambda: served.phase() is Phase.LIQUID and served.serve.module.outputs().on(M_101), 60.0)
    return program


def test_a_scale_whose_line_is_pulled_out_holds_the_rig_and_its_return_lets_it_go_on(tmp_path):
    with Served(tmp_path) as served:
        drawing(served)
        served.tell("fault", name="WT-301:off")
        assert until(lambda: served.phase() is Phase.HELD, 30.0), served.last()
        assert not served.serve.module.outputs().on(M_101)
        assert "WT-301" in served.last().record.sentence or "scale" in served.last().record.sentence
        served.tell("mend", tag="WT-301")
        assert served.pressed("restart")
        assert until(lambda: served.phase() is Phase.LIQUID, 60.0), served.last().record.sentence


def test_a_module_that_is_lost_drops_its_outputs_and_comes_back_with_none_on(tmp_path):
    """The dead-man relay drops them while nobody can write; when the wire is back, the rig does not go on by itself."""
    with Served(tmp_path) as served:
        program = drawing(served)
        port = served.serve.modbus.port
        served.serve.modbus.close()
        assert until(lambda: served.serve.module.outputs().bits == 0, 3.0)
        assert until(lambda: served.phase() in (Phase.ABORTING, Phase.ABORTED, Phase.HOLDING, Phase.HELD), 5.0)
        said = served.last().record.sentence
        served.serve.modbus = ModbusFace(served.serve.module, "127.0.0.1", port)
        assert not until(lambda: served.serve.module.outputs().on(M_101), 10.0), "nobody told it to go on"
        assert said and program.poll() is None
