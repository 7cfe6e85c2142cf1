"""Would the tests notice a mistake? `python -m tests.mutate [ROOM ...] [--budget SECONDS] [--sample N] [--seed N]`.

    python -m tests.mutate                          every mutant of every room: many hours
    python -m tests.mutate gate sequence            of these rooms
    python -m tests.mutate --sample 200 --seed 7    so many by chance, of all rooms: the nightly form
    python -m tests.mutate requests --budget 180    as many as can be had in three minutes; the next call goes on

A mutant (`engine`) runs in a copy of the tree, and the room's test files (`ROOMS`) should fail. Results stand in
build/mutate/ROOM.json by a digest of the source and the mutant; a survivor is tried again when its tests have changed.
A survivor needs a reason in survivors.toml.

Exit status 0: every survivor so far has its reason. 1: one has none. 2: the tests fail without any mutant.
"""

import argparse
import hashlib
import json
import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
import tomllib
from pathlib import Path

from tests.mutate.engine import mutants

REPO = Path(__file__).resolve().parents[2]
RESULTS = REPO / "build/mutate"
SURVIVORS = Path(__file__).with_name("survivors.toml")
CONTROL = "rigctl/control"
ROOMS = {
    "gate": ((f"{CONTROL}/protect/gate.py",), ("tests/test_outputs.py", "-k", "by_chance")),
    "table": ((f"{CONTROL}/protect/table.py",), ("tests/test_interlocks.py",)),
    "sequence": ((f"{CONTROL}/procedure/sequence.py",), ("tests/test_sequence.py",)),
    "phases": ((f"{CONTROL}/procedure/phases",), ("tests/test_outputs.py", "tests/test_controller.py")),
    "finishing": ((f"{CONTROL}/sense/outgassing.py",), ("tests/test_finishing.py",)),
    "fill": ((f"{CONTROL}/sense/fill.py",), ("tests/test_fill.py",)),
    "governing": (
        tuple(f"{CONTROL}/procedure/{name}.py" for name in ("pauses", "throttle", "aids")),
        ("tests/test_governing.py", "tests/test_controller.py"),
    ),
    "requests": (
        (f"{CONTROL}/procedure/requests.py",),
        ("tests/test_controller.py", "-k", "taken or request or stop or reset or restart or acknowledge or cylinder"),
    ),
    "commands": (("rigctl/telemetry/commands.py",), ("tests/test_telemetry.py", "-k", "command")),
    "journal": (("rigctl/journal/store.py", "rigctl/journal/layout.py", "rigctl/journal/facts.py"),
                ("tests/test_journal.py", "tests/test_journal_versions.py")),
    "record": (("rigctl/journal/record.py",), ("tests/test_record.py",)),
}  # fmt: skip
"""Room -> modules (a folder: all in it), and what pytest is given."""
COPIED = ("rigctl", "hil_sim", "tests", "configs", "pyproject.toml", ".ci")
SPARE_S = 10.0
"""A mutant may take three times as long as the tests do without one, and this."""


class TestsFailError(Exception):
    """The tests of a room fail without any mutant."""


def modules(room, repo=REPO):
    """Paths of a room's modules, relative to the tree."""
    for name in ROOMS[room][0]:
        path = repo / name
        yield from sorted(str(one.relative_to(repo)) for one in path.glob("*.py")) if path.is_dir() else (name,)


def all_of(room):
    """Every mutant of a room, with its module and its key."""
    for module in modules(room):
        source = (REPO / module).read_bytes()
        yield from ((module, one, one.key(source)) for one in mutants(source))


def tests_digest(room):
    """Digest of a room's test files."""
    hashed = hashlib.sha256()
    for name in ROOMS[room][1]:
        hashed.update((REPO / name).read_bytes() if name.endswith(".py") else name.encode())
    return hashed.hexdigest()[:20]


def copy_tree(folder):
    """Copy what the tests need; the compiled code of numba goes with it."""
    for name in COPIED:
        source = REPO / name
        if source.is_dir():
            shutil.copytree(source, folder / name)
        elif source.exists():
            shutil.copy2(source, folder / name)


def passes(tree, arguments, limit_s):
    """Whether pytest passes in a tree; None when it did not end in time."""
    environment = dict(os.environ, PYTHONPATH=str(tree), PYTHONDONTWRITEBYTECODE="1", PYTHONHASHSEED="0")
    command = [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", "--tb=no", *arguments]
    with subprocess.Popen(
        command, cwd=tree, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True
    ) as process:
        try:
            return process.wait(limit_s) == 0
        except subprocess.TimeoutExpired:
            os.killpg(process.pid, 9)
            return None


class Room:
    """The mutants of a room, and what has become of them so far."""

    def __init__(self, name, results=RESULTS):
        self.name, self.file, self.tests = name, results / f"{name}.json", tests_digest(name)
        self.mutants = list(all_of(name))
        self.known = json.loads(self.file.read_text()) if self.file.exists() else {}

    def outcome(self, key):
        """ "killed", "timeout", "survived", or "" for one that must be tried (again)."""
        said = self.known.get(key)
        if said is None or (said["outcome"] == "survived" and said["tests"] != self.tests):
            return ""
        return said["outcome"]

    def keep(self, key, outcome):
        self.known[key] = {"outcome": outcome, "tests": self.tests}
        self.file.parent.mkdir(parents=True, exist_ok=True)
        self.file.write_text(json.dumps(self.known, indent=0, sort_keys=True))

    def judge(self, chosen, until_s):
        """Run the chosen mutants that have no outcome yet, until the time is up."""
        left = [one for one in chosen if not self.outcome(one[2])]
        if not left or time.monotonic() > until_s:
            return
        with tempfile.TemporaryDirectory(prefix="mutate") as folder:
            tree = Path(folder)
            copy_tree(tree)
            began = time.monotonic()
            if not passes(tree, ROOMS[self.name][1], 3600.0):
                raise TestsFailError(f"the tests of {self.name} fail without a mutant; mend them first.")
            limit_s = 3.0 * (time.monotonic() - began) + SPARE_S
            for module, mutant, key in left:
                if time.monotonic() > until_s:
                    return
                source = (REPO / module).read_bytes()
                (tree / module).write_bytes(mutant.applied(source))
                for stale in (tree / module).parent.glob(f"__pycache__/{Path(module).stem}.*.pyc"):
                    stale.unlink()
                passed = passes(tree, ROOMS[self.name][1], limit_s)
                self.keep(key, "timeout" if passed is None else "survived" if passed else "killed")
                (tree / module).write_bytes(source)


def reasons(file=SURVIVORS):
    """(Room, line, mutation) -> why it may survive."""
    entries = tomllib.loads(file.read_text()).get("survivor", [])
    return {(one["room"], one["line"], one["mutation"]): one["reason"] for one in entries}


def tell(rooms, file=SURVIVORS):
    """Print the table, and every survivor without a reason; how many there are."""
    known, without = reasons(file), 0
    print(f"{'room':12}{'mutants':>9}{'run':>7}{'killed':>8}{'timeout':>9}{'survived':>10}{'no reason':>11}")
    for room in rooms:
        outcomes = [(one, room.outcome(one[2])) for one in room.mutants]
        count = [sum(said == word for _, said in outcomes) for word in ("killed", "timeout", "survived")]
        bare = [
            (module, one) for (module, one, _), said in outcomes
            if said == "survived" and not known.get((room.name, one.text, one.what), "").strip()
        ]  # fmt: skip
        without += len(bare)
        print(f"{room.name:12}{len(outcomes):9}{sum(count):7}{count[0]:8}{count[1]:9}{count[2]:10}{len(bare):11}")
        for module, one in bare:
            print(f"  {module}:{one.line}: {one.what}: {one.text}")
    return without


def main():
    parser = argparse.ArgumentParser(
        prog="python -m tests.mutate", description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("room", nargs="*", help=f"of {', '.join(ROOMS)}; all if not given")
    parser.add_argument("--budget", type=float, default=float("inf"), help="seconds in all, begun mutants excepted")
    parser.add_argument("--sample", type=int, help="so many mutants by chance, of the rooms together")
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    for name in asked.room:
        if name not in ROOMS:
            parser.error(f'there is no room "{name}"; write one of {", ".join(ROOMS)}.')
    until_s = time.monotonic() + asked.budget
    rooms = [Room(name) for name in asked.room or ROOMS]
    every = [(room, one) for room in rooms for one in room.mutants]
    # By chance also without a sample: what a budget leaves out is then spread over all of a room.
    random.Random(asked.seed).shuffle(every)
    chosen = every[: asked.sample] if asked.sample is not None else every
    try:
        for room in rooms:
            room.judge([one for of, one in chosen if of is room], until_s)
    except TestsFailError as error:
        print(error, file=sys.stderr)
        return 2
    return int(tell(rooms) > 0)


if __name__ == "__main__":
    sys.exit(main())
