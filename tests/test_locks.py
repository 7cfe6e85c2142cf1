"""The locks against what pyproject.toml asks for: one that was forgotten after a change there is found here."""

import re
import tomllib
from pathlib import Path

import pytest
from packaging.requirements import Requirement

ROOT = Path(__file__).resolve().parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
EXTRAS = {
    "demo": ("simulation",),
    "simulation": ("simulation", "fit", "monitor", "modbus"),
    "test": ("test", "monitor", "simulation", "tables", "fit", "modbus", "gpio"),
    "board": ("modbus", "gpio"),
}
AGAIN = "write the locks anew: sh .ci/newest --as-locked"


def plain(name):
    return re.sub(r"[-_.]+", "-", name).lower()


def locked(level):
    text = (ROOT / ".ci" / "lock" / f"{level}.txt").read_text(encoding="utf-8")
    return {plain(name): version for name, version in re.findall(r"^([\w.-]+)==([^\s;\\]+)", text, re.MULTILINE)}


@pytest.mark.parametrize("level", EXTRAS)
def test_a_lock_has_all_that_the_project_asks_for_within_its_bounds(level):
    asked = [*PROJECT["build-system"]["requires"], *PROJECT["project"]["dependencies"]]
    asked += [line for extra in EXTRAS[level] for line in PROJECT["project"]["optional-dependencies"][extra]]
    there = locked(level)
    for requirement in map(Requirement, asked):
        if requirement.name != PROJECT["project"]["name"]:
            version = there.get(plain(requirement.name))
            assert version is not None, f"{requirement.name} is not in the lock of {level}; {AGAIN}"
            assert requirement.specifier.contains(version), f"{requirement}, locked {version}; {AGAIN}"


@pytest.mark.parametrize("level", EXTRAS)
def test_every_lock_has_the_versions_of_the_tests_and_a_hash_for_each(level):
    assert locked(level).items() <= locked("test").items(), AGAIN
    text = (ROOT / ".ci" / "lock" / f"{level}.txt").read_text(encoding="utf-8")
    entries = re.split(r"^(?=[\w.-]+==)", text, flags=re.MULTILINE)[1:]
    assert entries and all("--hash=sha256:" in entry for entry in entries)
