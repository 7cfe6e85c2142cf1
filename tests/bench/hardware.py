"""Figures of the rig run for real: pace, agreement with the closed loop in one process, kills and coming up again.

The program `rigctl run` is started as it would be on a board; behind its wires stands the simulated plant, served from
this process: Modbus TCP or RTU, a scale on a pseudo-terminal, a dead-man relay. All of it shares the machine.
"""

import json
import os
import random
import signal
import subprocess
import tempfile
import time
from pathlib import Path

from rigctl.control.sequence import Phase
from rigctl.journal.store import ENDED, JournalReader
from tests.bench.core import Figure
from tests.served import Served, until

PACED_S = 1800.0
QUICK_S = 20.0
SPEED = 5.0
QUICK_SPEED = 10.0
KILLS = 200
KILLS_A_JOB = 20
QUICK_KILLS = 3
SETTLES_S = 5.0
LEFT_ALONE_S = 400.0
STEADY_S = 2.0
"""Until scale and journal have caught up with a rig that came up again, real time."""


def measure(quick):
    for wire in ("TCP", "RTU"):
        yield from pace(wire, QUICK_S if quick else PACED_S)
    yield from agreement("TCP", QUICK_SPEED if quick else SPEED)
    yield from kills(QUICK_KILLS if quick else KILLS)


def broken(figures):
    """What no noise can excuse."""
    named = {figure.name: figure.value for figure in figures}
    for name, value in named.items():
        if name.startswith("wire against bench") and "outcome" in name and value != 1.0:
            yield f"{name}: the recovery over the wire ends otherwise"
    if named["kills: came up in HELD with its sentence"] < 100.0:
        yield "a killed program did not come up in HELD"
    if named["kills: journals with a committed row lost"] > 0.0:
        yield "a kill lost a row of a journal"
    if named["kills: outputs that stayed on"] > 0.0:
        yield "the dead-man relay did not drop the outputs"


def pace(wire, for_s):
    """Deadlines at 20 Hz while a whole recovery runs; processor and memory; then whether it went as on the bench."""
    with tempfile.TemporaryDirectory() as folder, Served(Path(folder), scan="50 ms", wire=wire, noise=False) as served:
        program = served.run("--json")
        assert served.pressed("start")
        time.sleep(SETTLES_S)
        used_s, from_s = _processor_s(program.pid), time.monotonic()
        time.sleep(for_s)
        share = (_processor_s(program.pid) - used_s) / (time.monotonic() - from_s)
        resident = _resident_mb(program.pid)
        program.send_signal(signal.SIGTERM)
        out, _ = program.communicate(timeout=20.0)
        kept = json.loads(out)["pace"]
        how = f"20 Hz over Modbus {wire} and a serial scale, {for_s:.0f} s, {kept['scans']} scans"
        yield Figure(f"pace {wire}: overruns", kept["overruns"], "scans", how)
        for name, value in kept["late_s"].items():
            yield Figure(f"pace {wire}: late, {name}", 1e3 * value, "ms", how)
        for name, value in kept["step_s"].items():
            yield Figure(f"pace {wire}: a scan takes, {name}", 1e3 * value, "ms", how)
        yield Figure(f"pace {wire}: share of one core", 100.0 * share, "%", how)
        yield Figure(f"pace {wire}: resident memory", resident, "MB", how)
        if for_s == PACED_S:
            yield from _against_bench(served, f"{wire}, speed 1")


def agreement(wire, speed):
    """A whole recovery over the wire, several times faster than real time, against the bench."""
    with tempfile.TemporaryDirectory() as folder, Served(Path(folder), speed=speed, wire=wire, noise=False) as served:
        program = served.run("--until-end")
        assert served.pressed("start")
        program.communicate(timeout=3600.0 / speed)
        yield from _against_bench(served, f"{wire}, speed {speed:g}")


def _against_bench(served, which):
    """Outcome, mass and time of a finished job against the closed loop in one process: same errors, no noise."""
    expected, made = served.on_the_bench(), json.loads((served.out / "record.json").read_text(encoding="utf-8"))
    how = (
        f"{made['outcome']}, {made['recovered_kg']:.3f} kg, {made['duration_s']:.0f} s; bench {expected.outcome.value}"
    )
    how += f", {expected.recovered_kg:.3f} kg, {expected.duration_s:.0f} s"
    yield Figure(
        f"wire against bench, {which}: same outcome", float(made["outcome"] == expected.outcome.value), "", how
    )
    yield Figure(f"wire against bench, {which}: mass", 1e3 * (made["recovered_kg"] - expected.recovered_kg), "g", how)
    share = made["duration_s"] / expected.duration_s - 1.0
    yield Figure(f"wire against bench, {which}: time", 100.0 * share, "%", how)
    late, steps = served.serve.late_steps, served.serve.steps
    yield Figure(f"wire against bench, {which}: late steps of the plant", late, f"of {steps}")


def kills(count):
    """kill -9 at random moments all through recoveries: outputs drop, the next start comes up HELD, nothing is lost."""
    chance = random.Random(1)
    tally = _Tally()
    with tempfile.TemporaryDirectory() as folder:
        number = 0
        while tally.kills < count:
            number += 1
            place = Path(folder) / f"{number}"
            place.mkdir()
            with Served(place, speed=SPEED, seed=number) as served:
                _one_job(served, chance, tally, count)
    how = f"{count} kills at random moments of {number} recoveries, speed {SPEED:g}"
    off = sorted(tally.off_s)
    yield Figure("kills: came up in HELD with its sentence", 100.0 * tally.held / count, "%", how)
    yield Figure("kills: outputs that stayed on", tally.stayed_on, "", how)
    yield Figure("kills: from kill to outputs off, median", off[len(off) // 2], "s", f"{len(off)} with outputs on")
    yield Figure("kills: from kill to outputs off, longest", off[-1], "s", "dead-man relay of 1 s")
    yield Figure("kills: journals with a committed row lost", tally.lost, "", how)
    yield Figure("kills: mass said in HELD against the truth, most", 1e3 * max(tally.apart_kg), "g", "2 u = 40 g")
    ranked = sorted(tally.apart_kg)
    yield Figure("kills: mass said in HELD against the truth, p95", 1e3 * ranked[int(0.95 * len(ranked))], "g", how)
    yield Figure("kills: from start to HELD, median", sorted(tally.waits_s)[count // 2], "s", how)
    ends = ", ".join(dict.fromkeys(tally.ends))
    yield Figure("kills: recoveries ended COMPLETE", tally.complete, f"of {tally.ended}", ends)
    if tally.errors_kg:
        yield Figure("kills: their mass against the truth, most", 1e3 * max(tally.errors_kg), "g", "2 u = 40 g")


class _Tally:
    def __init__(self):
        self.kills = self.held = self.stayed_on = self.lost = self.complete = self.ended = 0
        self.ends = []
        self.off_s, self.apart_kg, self.waits_s, self.errors_kg = [], [], [], []


def _one_job(served, chance, tally, count):
    """A recovery that is killed some times, and then left alone to its end."""
    served.run("--until-end")
    assert served.pressed("start")
    left = min(KILLS_A_JOB, count - tally.kills)
    while _goes_on(served.programs[-1], chance.uniform(0.5, 12.0) if left > 0 else LEFT_ALONE_S):
        if left == 0:
            tally.ended += 1
            tally.ends.append("not ended")
            return
        before = served.last()
        if before is None or before.record.phase in ENDED or before.record.phase is Phase.IDLE:
            continue
        _kill(served, served.programs[-1], before, tally)
        left -= 1
        if not served.pressed("restart"):
            return
    tally.ended += 1
    record = json.loads((served.out / "record.json").read_text(encoding="utf-8"))
    tally.ends.append(record["outcome_text"])
    tally.complete += record["outcome"] == Phase.COMPLETE.value
    tally.errors_kg.append(abs(record["recovered_kg"] - served.gained_kg()))


def _goes_on(program, for_s):
    """Whether the program still runs after so long."""
    try:
        program.communicate(timeout=for_s)
    except subprocess.TimeoutExpired:
        return True
    return False


def _kill(served, program, before, tally):
    module = served.serve.module
    was_on = module.outputs().bits != 0
    at_s = time.monotonic()
    program.kill()
    program.communicate()
    tally.kills += 1
    if until(lambda: module.outputs().bits == 0, 5.0, 0.002):
        if was_on:
            tally.off_s.append(time.monotonic() - at_s)
    else:
        tally.stayed_on += 1
    path = next(served.out.glob("*.journal"))
    with JournalReader(path) as reader:
        sessions = len(reader.sessions())
        rows = [stored.row for stored in reader.scans(states=False)]
    tally.lost += rows != list(range(rows[0], rows[0] + len(rows))) or rows[-1] < before.row
    from_s = time.monotonic()
    served.run("--until-end")

    def up():
        last = served.last()
        return last is not None and last.session == sessions + 1 and last.record.phase is Phase.HELD

    came = until(up, 20.0, 0.05)
    tally.waits_s.append(time.monotonic() - from_s)
    if came:
        tally.held += "Power was lost" in served.last().record.sentence
        time.sleep(STEADY_S)
        tally.apart_kg.append(abs(served.last().record.estimate.recovered_kg - served.gained_kg()))


def _processor_s(pid):
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8").rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def _resident_mb(pid):
    lines = Path(f"/proc/{pid}/status").read_text(encoding="utf-8").splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("VmRSS")) / 1024.0
