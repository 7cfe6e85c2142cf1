"""The simulated plant served from this process, and `rigctl run` as a program before its wires."""

import contextlib
import json
import os
import re
import subprocess
import sys
import threading
from pathlib import Path

import msgspec

from hil_sim.bench import Bench
from hil_sim.simulation import prepare
from hil_sim.wire.control import tell
from hil_sim.wire.serve import Serve
from rigctl.config import settings_for
from rigctl.control.readings import RequestKind
from rigctl.journal.store import JournalError, JournalReader
from rigctl.runtime.door import press
from rigctl.runtime.run import DOOR
from tests.waiting import PATIENCE_S, until

ROOT = Path(__file__).resolve().parents[1]
NO_JOURNAL = (StopIteration, OSError, ValueError, JournalError)
"""What a journal raises that is not begun yet."""
PATIENT = {"reading_max_age": "5 s", "scan_overrun": "5 s", "readback": "5 s", "stale": "10 s", "timeout": "10 s"}
"""Limits of a rig's file as wide as they may be: on a busy machine nothing is late."""


def with_patience(text, keys=tuple(PATIENT)):
    """A rig's file with the widest limits on lateness."""
    for key in keys:
        value = PATIENT[key]
        text = re.sub(rf'(?m)^{key} = "[^"]*"', f'{key} = "{value}"', text)
    return text


class Served:
    """A plant in real time on its wires, and the program that runs it.

    `patient`: nothing is judged by whether it came in time, and the dead-man relay waits as long as readings may; for
    tests. Without: a rig as supplied, for figures. Without `runs` the plant stands still but for `serve.step`.
    """

    def __init__(
        self, folder, *, scan="100 ms", speed=1.0, wire="TCP", seed=1, noise=True, patient=False, runs=True, **how
    ):
        text = (ROOT / "configs/rigs/full.toml").read_text(encoding="utf-8")
        text, times = re.subn(r'(?m)^scan_period = "[^"]*"', f'scan_period = "{scan}"', text)
        assert times == 1
        own = folder / "own.toml"
        own.write_text(text, encoding="utf-8")
        self.out, self.speed, self.seed, self.programs = folder / "job", speed, seed, []
        self.simulation = prepare("split-ac", str(own), None)
        if patient:
            how.setdefault("dead_man_s", 5.0)
        self.serve = Serve(self.simulation, seed, speed=speed, rtu=wire == "RTU", control=folder / "control", **how)
        if not noise:
            self.serve.bench.sensors.hush()
        self.rig = folder / "rig.toml"
        self.serve.write_rig(self.rig)
        if patient:
            self.rig.write_text(with_patience(self.rig.read_text(encoding="utf-8")), encoding="utf-8")
        self.first_kg = self._cylinder_kg()
        self.thread = threading.Thread(target=self.serve.go, daemon=True)
        if runs:
            self.thread.start()

    def __enter__(self):
        return self

    def __exit__(self, *error):
        for program in self.programs:
            if program.poll() is None:
                program.kill()
            program.communicate()
        self.serve.ending = True
        if self.thread.is_alive():
            self.thread.join(PATIENCE_S)
        self.serve.close()

    def run(self, *more):
        command = [sys.executable, "-m", "rigctl", "run", str(self.rig), "split-ac", "--out", str(self.out)]
        program = subprocess.Popen(
            [*command, "--speed", f"{self.speed:g}", *more], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
            text=True, env=dict(os.environ, PYTHONPATH=str(ROOT)), cwd=ROOT,
        )  # fmt: skip
        self.programs.append(program)
        return program

    def tell(self, do, **more):
        """What hands and mishaps do at the plant."""
        answer = tell(self.serve.control.path, json.dumps({"do": do, **more}))
        assert answer["ok"], answer
        return answer

    def pressed(self, what):
        """Press until it is taken; whether it was."""
        return pressed(self.out, what)

    def last(self):
        """The newest scan in the journal with its session, or None."""
        return last_scan(self.out)

    def phase(self):
        """Of the newest scan in the journal, or None."""
        last = self.last()
        return None if last is None else last.record.phase

    def gained_kg(self):
        """Truth: what has come into the cylinder."""
        return self._cylinder_kg() - self.first_kg

    def _cylinder_kg(self):
        return float(self.serve.bench.plant.named_truth().y_kg)

    def on_the_bench(self):
        """How the same job goes in one process, with the same errors of the instruments and no noise."""
        settings = msgspec.structs.replace(settings_for(self.simulation.rig, self.simulation.job), simulated=True)
        bench = Bench(settings, self.simulation.parameters, self.seed, refrigerant=self.simulation.refrigerant)
        bench.sensors.hush()
        bench.press(RequestKind.START)
        for _ in bench.run():
            pass
        return bench.result()


def last_scan(folder):
    """The newest scan of the journal in a folder, or None."""
    with contextlib.suppress(*NO_JOURNAL), JournalReader(next(folder.glob("*.journal"))) as reader:
        return reader.last_scan()
    return None


def pressed(folder, what, program=None):
    """Press at the door of a job's folder until it is taken; whether it was.

    On a busy machine an answer may come too late for the door; it stands in the journal all the same.
    """
    since = last_scan(folder)
    after_row = 0 if since is None else since.row

    def taken():
        assert program is None or program.poll() is None, "the program has ended"
        with contextlib.suppress(OSError, ValueError):
            return press(folder / DOOR, what)[0]
        return False

    def answered():
        with contextlib.suppress(*NO_JOURNAL), JournalReader(next(folder.glob("*.journal"))) as reader:
            scans = [stored.record for stored in reader.scans(after_row=after_row, states=False)]
            ids = {one.request_id for scan in scans for one in scan.readings.requests if one.kind is RequestKind(what)}
            return any(reply.accepted and reply.request_id in ids for scan in scans for reply in scan.replies)
        return False

    return until(lambda: taken() or answered(), every_s=0.05)
