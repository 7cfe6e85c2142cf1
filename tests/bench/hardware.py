"""Figures of the rig run for real: pace over a real socket and a pseudo-terminal, kills, and how it comes up again.

The program `rigctl run` is started as it would be on a board; behind the wires stands a rig that never changes. What is
measured shares the machine with that stand-in.
"""

import json
import os
import random
import signal
import tempfile
import time
from pathlib import Path

from rigctl.control.sequence import Phase
from rigctl.journal.store import JournalReader
from tests.bench.core import Figure
from tests.test_run import Stand, until

PACED_S = 1800.0
QUICK_S = 20.0
KILLS = 200
QUICK_KILLS = 3
SETTLES_S = 5.0


def measure(quick):
    yield from pace(QUICK_S if quick else PACED_S)
    yield from kills(QUICK_KILLS if quick else KILLS)


def broken(figures):
    """What no noise can excuse."""
    named = {figure.name: figure.value for figure in figures}
    if named["kills: came up in HELD with its sentence"] < 100.0:
        yield "a killed program did not come up in HELD"
    if named["kills: journals that cannot be read"] > 0.0:
        yield "a kill spoiled a journal"


def pace(for_s):
    """Deadlines at 20 Hz over Modbus TCP with a scale on a serial line; processor and memory."""
    with tempfile.TemporaryDirectory() as folder:
        stand = Stand(Path(folder))
        try:
            text = stand.rig.read_text(encoding="utf-8")
            stand.rig.write_text(text.replace('scan_period = "100 ms"', 'scan_period = "50 ms"'), encoding="utf-8")
            program = stand.run("--json")
            stand.pressed("acknowledge")
            time.sleep(SETTLES_S)
            used_s, from_s = _processor_s(program.pid), time.monotonic()
            time.sleep(for_s)
            share = (_processor_s(program.pid) - used_s) / (time.monotonic() - from_s)
            resident = _resident_mb(program.pid)
            program.send_signal(signal.SIGTERM)
            out, _ = program.communicate(timeout=20.0)
        finally:
            stand.close()
    kept = json.loads(out)["pace"]
    how = f"20 Hz over Modbus TCP and a serial scale, {for_s:.0f} s, {kept['scans']} scans"
    yield Figure("pace: overruns", kept["overruns"], "scans", how)
    for name, value in kept["late_s"].items():
        yield Figure(f"pace: late, {name}", 1e3 * value, "ms", how)
    for name, value in kept["step_s"].items():
        yield Figure(f"pace: a scan takes, {name}", 1e3 * value, "ms", how)
    yield Figure("pace: share of one core", 100.0 * share, "%", how)
    yield Figure("pace: resident memory", resident, "MB", how)


def kills(count):
    """kill -9 at random moments of a job: the next start must come up in HELD, with nothing acknowledged lost."""
    chance = random.Random(1)
    held = spoiled = 0
    waits_s = []
    with tempfile.TemporaryDirectory() as folder:
        stand = Stand(Path(folder))
        try:
            for number in range(count):
                stand.out = Path(folder) / f"job-{number}"
                program = stand.run()
                stand.pressed("start")
                until(lambda: stand.phase() not in (None, Phase.IDLE))
                time.sleep(chance.uniform(0.0, 3.0))
                program.kill()
                program.communicate()
                from_s = time.monotonic()
                again = stand.run()
                held += until(lambda: stand.phase() is Phase.HELD)
                waits_s.append(time.monotonic() - from_s)
                again.kill()
                again.communicate()
                try:
                    with JournalReader(next(stand.out.glob("*.journal"))) as reader:
                        said = reader.last_scan().record.sentence
                        rows = [stored.row for stored in reader.scans(states=False)]
                    spoiled += rows != list(range(rows[0], rows[0] + len(rows))) or "Power was lost" not in said
                except (OSError, ValueError, AttributeError, StopIteration):
                    spoiled += 1
                stand.programs.clear()
        finally:
            stand.close()
    how = f"{count} kills at random moments of the first seconds of a job"
    yield Figure("kills: came up in HELD with its sentence", 100.0 * held / count, "%", how)
    yield Figure("kills: journals that cannot be read", spoiled, "", how)
    yield Figure("kills: from start to HELD, median", sorted(waits_s)[count // 2], "s", how)


def _processor_s(pid):
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8").rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def _resident_mb(pid):
    lines = Path(f"/proc/{pid}/status").read_text(encoding="utf-8").splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("VmRSS")) / 1024.0
