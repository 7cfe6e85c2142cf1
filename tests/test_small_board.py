"""The controller alone, as on a small board: what it loads, and that the simulation is no part of it."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from rigctl.control.vocabulary import Phase
from tests.strategies import CONFIGS
from tests.test_run import Stand
from tests.waiting import PATIENCE_S, PROGRAM_S, until

HEAVY = {"CoolProp", "numpy", "numba", "scipy", "matplotlib", "hil_sim", "amqtt", "dask"}
"""What a board need not have installed."""
LOOK = """
import atexit, json, os, sys
def look():
    with open(os.environ["LOADED"], "w") as out:
        json.dump(sorted({name.partition(".")[0] for name in sys.modules}), out)
atexit.register(look)
from rigctl.cli import main
main()
"""


def start(loaded: Path, *words: str) -> subprocess.Popen[str]:
    """Run a command of rigctl and have all that it has loaded by its end written down."""
    environment = dict(os.environ, PYTHONPATH=str(CONFIGS.parent), LOADED=str(loaded))
    return subprocess.Popen(
        [sys.executable, "-c", LOOK, *words],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment, cwd=CONFIGS.parent,
    )  # fmt: skip


def names(loaded: Path) -> set[str]:
    return set(json.loads(loaded.read_text()))


@pytest.mark.parametrize(
    "words",
    [
        ("check", "shop-modbus", "--job", "split-ac"),
        ("check", "basic-gpio"),
        ("points", "shop-modbus"),
        ("points", "shop-modbus", "--format", "csv"),
        ("interlocks", "--rig", "shop-modbus"),
    ],
    ids=" ".join,
)
def test_commands_of_the_board_load_nothing_heavy(tmp_path: Path, words: tuple[str, ...]) -> None:
    program = start(tmp_path / "loaded", *words)
    out, err = program.communicate(timeout=PROGRAM_S)
    assert program.returncode == 0 and out, err
    assert "rigctl" in names(tmp_path / "loaded")
    assert not names(tmp_path / "loaded") & HEAVY


def test_a_rig_that_runs_loads_nothing_heavy(tmp_path: Path) -> None:
    stand = Stand(tmp_path)
    program = start(tmp_path / "loaded", "run", str(stand.rig), "split-ac", "--out", str(stand.out))
    stand.programs.append(program)
    try:
        assert stand.pressed("acknowledge") and stand.pressed("start")
        assert until(lambda: stand.phase() not in (None, Phase.IDLE))
        program.send_signal(signal.SIGTERM)
        out, err = program.communicate(timeout=PATIENCE_S)
    finally:
        stand.close()
    assert "idle -> line-up" in out, err
    loaded = names(tmp_path / "loaded")
    assert {"pymodbus", "serial", "msgspec"} <= loaded and not loaded & HEAVY


def test_the_look_finds_what_a_command_loads(tmp_path: Path) -> None:
    program = start(tmp_path / "loaded", "demo", "--list-faults")
    program.communicate(timeout=PROGRAM_S)
    assert "hil_sim" in names(tmp_path / "loaded")
