"""The build guide names only what there is: commands with options, files, tags; and the wiring is the controller's."""

from __future__ import annotations

import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

from rigctl import config
from rigctl.control.points import tags
from rigctl.control.protect.gate import fitted_outputs
from rigctl.hardware.wiring import HEARTBEAT, INPUTS, OUTPUTS, wanted
from rigctl.refrigerant import catalogue
from rigctl.refrigerant.cylinder import fill_limit
from tests.strategies import CONFIGS
from tests.waiting import PROGRAM_S

ROOT = CONFIGS.parent
TEXT = (ROOT / "configs/BUILD.md").read_text(encoding="utf-8")
BLOCKS = re.findall(r"^```\n(.*?)^```$", TEXT, re.MULTILINE | re.DOTALL)
PROSE = re.sub(r"^```\n.*?^```$", "", TEXT, flags=re.MULTILINE | re.DOTALL)
CODE = [line.partition(" #")[0].strip() for block in BLOCKS for line in block.splitlines()]
CODE += [code.replace("\n", " ") for code in re.findall(r"`([^`]+)`", PROSE)]
_COMMAND = re.compile(r"(?:^|/bin/)((?:rigctl|hil-sim)(?: [^>]*)?)$|^((?:rigctl|hil-sim) [^>]*) > ")
COMMANDS = sorted({(match[1] or match[2]).strip() for code in CODE if (match := _COMMAND.search(code))})
MODULES = {"rigctl": "rigctl", "hil-sim": "hil_sim.cli"}


def program_of(command: str) -> list[str]:
    words = shlex.split(command)
    return [words[0].rsplit("/", 1)[-1], *words[1:]]


def helped(program: str, *words: str) -> subprocess.CompletedProcess[str]:
    run = [sys.executable, "-m", MODULES[program], *words, "--help"]
    return subprocess.run(run, capture_output=True, text=True, timeout=PROGRAM_S, check=False, cwd=ROOT)


def test_the_guide_takes_a_rig_from_the_check_to_the_first_recovery() -> None:
    named = {tuple(program_of(command)[:2]) for command in COMMANDS}
    whole = ("check", "points", "interlocks", "run", "press", "commission")
    assert {("rigctl", name) for name in whole} | {("hil-sim", "serve")} <= named


@pytest.mark.parametrize("command", [command for command in COMMANDS if " " in command])
def test_every_command_is_there_with_its_options(command: str) -> None:
    program, name, *rest = program_of(command)
    there = re.findall(r"^  ([a-z]+)\b", helped(program).stdout.partition("Commands:")[2], re.MULTILINE)
    if name == "commission" and name not in there:
        pytest.skip("this version has no rigctl commission")
    assert name in there, command
    done = helped(program, name)
    assert done.returncode == 0, done.stderr
    for option in (word.partition("=")[0] for word in rest if word.startswith("-")):
        assert re.search(rf"(?<![\w-]){re.escape(option)}(?![\w-])", done.stdout), (command, option)
    least = done.stdout.partition("Usage:")[2].split("\n\n")[0].count("{")
    # Named in a sentence, a command may stand without its arguments.
    assert not rest or sum(not word.startswith("-") for word in rest) >= least, f"{command}: an argument is missing"


def test_every_file_is_there() -> None:
    paths = set(re.findall(r"(?<![\w/.-])((?:configs|tests|docs|rigctl|hil_sim|\.ci)/[\w@./-]*[\w@])", TEXT))
    assert len(paths) > 5
    assert [path for path in sorted(paths) if not (ROOT / path).exists()] == []
    assert {f"configs/host/{path.name}" for path in (CONFIGS / "host").iterdir()} <= paths
    assert (ROOT / "tests/bench/board.py").exists() and "python -m tests.bench board" in TEXT
    for path in (ROOT / "README.md", ROOT / "DEVELOPERS.md"):
        assert "configs/BUILD.md" in path.read_text(encoding="utf-8"), f"{path.name} leads here"


def test_every_point_stands_in_the_bill_of_points_and_nothing_else_does() -> None:
    part = TEXT.partition("## 4. Bill of points")[2].partition("\n## ")[0]
    first = [line.split("|")[1] for line in part.splitlines() if re.match(r"\| [A-Z]+-\d", line)]
    listed = [tag for cell in first for tag in re.findall(r"[A-Z]+-\d{3}", cell)]
    assert sorted(listed) == sorted([*INPUTS, *OUTPUTS, HEARTBEAT])


def test_every_tag_in_the_guide_is_a_point_or_a_relief() -> None:
    found = set(re.findall(r"\b(?:[A-Z]{1,3}V|[PTWLFA][TS]H?|LSH|PSH|HS|KS|YS|EH|M)-\d{3}\b", TEXT))
    assert found - {*INPUTS, *OUTPUTS, HEARTBEAT} == {"PSV-201", "PSV-202", "PSV-301"}


@pytest.mark.parametrize("path", sorted(CONFIGS.glob("rigs/*.toml")), ids=lambda path: path.stem)
def test_the_wiring_wants_the_outputs_that_the_controller_drives(path: Path) -> None:
    rig, job = config.load_rig(path), config.load_job(CONFIGS / "jobs/split-ac.toml")
    driven = set(tags(fitted_outputs(config.settings_for(rig, job)))) | ({"CV-103"} if rig.fitted.cv_103 else set())
    assert {tag for tag in wanted(rig.fitted) if tag in OUTPUTS} == driven


def test_the_valves_round_the_cooler_are_called_what_they_are() -> None:
    # By the piping diagram: XV-201 - condenser - coil - XV-202, XV-203 from between them, XV-204 round both.
    words = {"XV-201": "into the cooler", "XV-202": "outlet", "XV-203": "clear-out", "XV-204": "bypass"}
    assert all(word in OUTPUTS[tag][1] for tag, word in words.items())
    assert "inlet" not in OUTPUTS["XV-202"][1]


def test_figures_that_the_guide_takes_from_property_data() -> None:
    coolprop = pytest.importorskip("CoolProp.CoolProp")
    for fluid, name in (("R32", "R-32"), ("R410A", "R-410A")):
        gauge_bar = (coolprop.PropsSI("P", "T", 328.15, "Q", 0, fluid) - 101_325.0) * 1e-5
        assert f"{gauge_bar:.1f} bar g" in TEXT, name
    hot_degc = coolprop.PropsSI("T", "P", 400.0 * 6_894.757 + 101_325.0, "Q", 0, "R410A") - 273.15
    assert f"R-410A at {hot_degc:.1f} degC" in TEXT
    job = config.load_job(CONFIGS / "jobs/split-ac.toml")
    limit = fill_limit(catalogue.get("R-410A"), job.cylinder.water_capacity_kg)
    assert f"{limit.limit_kg:.1f} kg of R-410A" in TEXT


def test_limits_that_the_guide_names_are_those_of_the_supplied_rig() -> None:
    for name in ("shop-modbus", "full"):
        limits = config.load_rig(CONFIGS / f"rigs/{name}.toml").limits
        assert (limits.discharge_high_pa_abs - 101_325.0) * 1e-5 == pytest.approx(36.0)
    bar = 550.0 * 0.06894757
    assert bar == pytest.approx(37.9, abs=0.05)
    assert TEXT.count("36 bar g") >= 2 and "37.9 bar g (550 psig" in TEXT
    assert len(TEXT.splitlines()) <= 300, "it stays readable"
