"""The simulated plant served from this process, and `rigctl run` as a program before its wires."""

import json
import os
import re
import subprocess
import sys
import threading
import time
from pathlib import Path

import msgspec

from hil_sim.bench import Bench
from hil_sim.cli import prepare
from hil_sim.wire.control import tell
from hil_sim.wire.serve import Serve
from rigctl.config import settings_for
from rigctl.control.readings import RequestKind
from rigctl.journal.store import JournalReader
from rigctl.runtime.door import press
from rigctl.runtime.run import DOOR

ROOT = Path(__file__).resolve().parents[1]


class Served:
    """A plant in real time on its wires, and the program that runs it.

    `patient`: limits on the age of readings and scans as wide as a file may have them, for a busy machine.
    """

    def __init__(self, folder, *, scan="100 ms", speed=1.0, wire="TCP", seed=1, noise=True, patient=False):
        text = (ROOT / "configs/rigs/full.toml").read_text(encoding="utf-8")
        changes = {"scan_period": scan}
        if patient:
            changes |= {"reading_max_age": "5 s", "scan_overrun": "5 s", "readback": "5 s"}
        for key, value in changes.items():
            text, times = re.subn(rf'(?m)^{key} = "[^"]*"', f'{key} = "{value}"', text)
            assert times == 1, key
        own = folder / "own.toml"
        own.write_text(text, encoding="utf-8")
        self.out, self.speed, self.seed, self.programs = folder / "job", speed, seed, []
        self.simulation = prepare("split-ac", str(own), None)
        self.serve = Serve(self.simulation, seed, speed=speed, rtu=wire == "RTU", control=folder / "control")
        if not noise:
            self.serve.bench.sensors.hush()
        self.rig = folder / "rig.toml"
        self.serve.write_rig(self.rig)
        self.first_kg = self._cylinder_kg()
        self.thread = threading.Thread(target=self.serve.go, daemon=True)
        self.thread.start()

    def __enter__(self):
        return self

    def __exit__(self, *error):
        for program in self.programs:
            if program.poll() is None:
                program.kill()
            program.communicate()
        self.serve.ending = True
        self.thread.join(5.0)
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

    def pressed(self, what, within_s=30.0):
        """Press until it is taken; whether it was."""
        until_s = time.monotonic() + within_s
        while time.monotonic() < until_s:
            try:
                if press(self.out / DOOR, what)[0]:
                    return True
            except (OSError, ValueError):
                pass
            time.sleep(0.05)
        return False

    def last(self):
        """The newest scan in the journal with its session, or None."""
        try:
            with JournalReader(next(self.out.glob("*.journal"))) as reader:
                return reader.last_scan()
        except (StopIteration, OSError, ValueError):
            return None

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


def until(what, within_s=20.0, every_s=0.02):
    end_s = time.monotonic() + within_s
    while time.monotonic() < end_s:
        if what():
            return True
        time.sleep(every_s)
    return False
