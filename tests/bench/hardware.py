"""Figures of the rig run for real: pace, agreement with the closed loop in one process, kills and coming up again.

The program `rigctl run` is started as it would be on a board; behind its wires stands the simulated plant, served from
this process: Modbus TCP or RTU, a scale on a pseudo-terminal, a dead-man relay. All of it shares the machine:
where that is busy readings come late and a recovery may end otherwise, which is a figure here and not broken.
"""

import json
import os
import random
import signal
import statistics
import subprocess
import tempfile
import time
from pathlib import Path

import msgspec

from hil_sim.wire.scale_face import ScaleFace
from rigctl.control.points import M_101
from rigctl.control.readings import Fault, Reading
from rigctl.control.vocabulary import Phase
from rigctl.hardware import modbus, serial_scale
from rigctl.hardware.driver import DriverError, Wire
from rigctl.journal.store import ENDED, JournalReader
from tests.bench.core import Figure
from tests.served import Served, last_scan
from tests.test_drivers_wire import EVERY_TYPE, INPUT_REGISTERS, OUTPUTS, PATTERN, Answers, Device, Line, tcp
from tests.test_serve import Listener
from tests.waiting import PROGRAM_S, until

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
STANDS_S = 10.0
"""Held for so long, real time, with nobody there: it will not end."""


def measure(quick):
    yield from drivers(40 if quick else 400)
    for wire in ("TCP", "RTU"):
        yield from pace(wire, QUICK_S if quick else PACED_S)
    yield from agreement("TCP", QUICK_SPEED if quick else SPEED)
    yield from kills(QUICK_KILLS if quick else KILLS)


def broken(figures):
    """What neither noise nor load can excuse."""
    named = {figure.name: figure.value for figure in figures}
    for name, value in named.items():
        which = name.removesuffix("same outcome")
        late = which != name and (named[f"{which}scans with something late"] or named[f"{which}time the plant gave up"])
        if which != name and value != 1.0 and not late:
            yield f"{name}: the recovery over the wire ends otherwise, and nothing came late"
        if name.endswith("mass against the truth, share of 2 u") and value > 1.0:
            yield f"{name}: {value:.2f}, the record's mass is wrong"
    if named["kills: came up in HELD with its sentence"] < 100.0:
        yield "a killed program did not come up in HELD"
    if named["kills: motors that started by themselves"] > 0.0:
        yield "a rig that came up again went on before anybody told it to"
    if named["kills: journals with a committed row lost"] > 0.0:
        yield "a kill lost a row of a journal"
    if named["kills: outputs that stayed on"] > 0.0:
        yield "the dead-man relay did not drop the outputs"


def drivers(count):
    """What calls of the drivers take, and when a silent device is told; a test must not time them."""
    device = Device(INPUT_REGISTERS)
    driver = tcp(device.port, *(wire for wire, _ in EVERY_TYPE), *OUTPUTS)
    wish = dict.fromkeys((wire.tag for wire in OUTPUTS), 1.0)
    took_s = []
    driver.open()
    for _ in range(count):
        begun_s = time.perf_counter()
        driver.write(wish)
        driver.read()
        took_s.append(time.perf_counter() - begun_s)
    driver.close()
    device.stop()
    how = f"{len(EVERY_TYPE)} inputs, {len(OUTPUTS)} outputs, {count} times; a scan of 20 Hz has 50 ms"
    yield Figure(
        "drivers: all points over Modbus TCP written and read, median", 1e3 * statistics.median(took_s), "ms", how
    )
    yield Figure("drivers: the same, longest", 1e3 * max(took_s), "ms", how)

    silent, line = Answers(lambda request: b""), Line()
    options = {"host": "127.0.0.1", "port": silent.port, "timeout": "200 ms"}
    driver = modbus.make("modbus-tcp", options, [EVERY_TYPE[0][0]])
    driver.open()
    yield Figure(
        "drivers: a silent Modbus device is told after", 1e3 * _until_told_s(driver.read), "ms", "limit 200 ms"
    )
    driver.close()
    silent.stop()
    options = {"port": line.port, "pattern": PATTERN, "mode": "continuous", "timeout": "300 ms"}
    driver = serial_scale.make("serial-scale", options, [Wire("WT-301", False, {})])
    yield Figure("drivers: a silent scale is told after", 1e3 * _until_told_s(driver.open), "ms", "limit 300 ms")
    line.stop()

    scale = ScaleFace()
    listener = Listener(scale.name)
    scale.weight_kg = 12.0
    time.sleep(2.0)
    yield Figure("plant: frames of its scale a second", len(listener.lines()) / 2.0, "", "10 asked for")
    listener.close()
    scale.close()


def _until_told_s(call):
    begun_s = time.monotonic()
    try:
        call()
    except DriverError:
        return time.monotonic() - begun_s
    return float("nan")


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
        out, _ = program.communicate(timeout=PROGRAM_S)
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
        _ends(served, program, 3600.0 / speed)
        yield from _against_bench(served, f"{wire}, speed {speed:g}")


def _ends(served, program, within_s):
    """Wait for a program that ends with its job; whether it did. One that is held waits for a person in vain."""
    held_s = 0.0
    while _goes_on(program, 0.5):
        within_s -= 0.5
        held_s = held_s + 0.5 if served.phase() is Phase.HELD else 0.0
        if within_s < 0.0 or held_s > STANDS_S:
            return False
    return True


def _late(folder):
    """Scans of a journal with something late in them, and what: a reading without reply, or scans left out before."""
    scans, tags, overruns = 0, set(), 0
    with JournalReader(next(folder.glob("*.journal"))) as reader:
        for stored in reader.scans(states=False):
            readings = stored.record.readings
            silent = {
                field
                for field, value in msgspec.structs.asdict(readings).items()
                if isinstance(value, Reading) and value.fault is Fault.NO_REPLY
            }
            scans += bool(silent) or readings.overruns > overruns
            if readings.overruns > overruns:
                tags.add("scans left out")
            tags |= silent
            overruns = readings.overruns
    return scans, ", ".join(sorted(tags)) or "nothing"


def _against_bench(served, which):
    """Outcome, mass and time of a finished job against the closed loop in one process: same errors, no noise."""
    expected, path, name = served.on_the_bench(), served.out / "record.json", f"wire against bench, {which}: "
    late_scans, late_what = _late(served.out)
    late_steps, steps = served.serve.late_steps, served.serve.steps
    if not path.exists():
        last = last_scan(served.out).record
        yield Figure(f"{name}same outcome", 0.0, "", f"not ended, {last.phase.value}: {last.sentence}")
    else:
        made = json.loads(path.read_text(encoding="utf-8"))
        how = f"{made['outcome']}, {made['recovered_kg']:.3f} kg, {made['duration_s']:.0f} s; "
        how += f"bench {expected.outcome.value}, {expected.recovered_kg:.3f} kg, {expected.duration_s:.0f} s"
        yield Figure(f"{name}same outcome", float(made["outcome"] == expected.outcome.value), "", how)
        yield Figure(f"{name}mass", 1e3 * (made["recovered_kg"] - expected.recovered_kg), "g", how)
        yield Figure(f"{name}time", 100.0 * (made["duration_s"] / expected.duration_s - 1.0), "%", how)
        yield Figure(f"{name}mass against the truth, share of 2 u", _of_two_u(made, served), "", how)
    yield Figure(f"{name}scans with something late", late_scans, "", late_what)
    yield Figure(f"{name}late steps of the plant", late_steps, f"of {steps}")
    yield Figure(f"{name}time the plant gave up", served.serve.given_up_s, "s")


def _of_two_u(record, served):
    """How far the mass of a record is from the truth, as a share of what it says it may be."""
    return abs(record["recovered_kg"] - served.gained_kg()) / (2.0 * record["recovered_uncertainty_kg"])


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
    yield Figure("kills: motors that started by themselves", tally.by_itself, "", how)
    yield Figure("kills: outputs that stayed on", tally.stayed_on, "", how)
    if off:
        yield Figure("kills: from kill to outputs off, median", off[len(off) // 2], "s", f"{len(off)} with outputs on")
        yield Figure("kills: from kill to outputs off, longest", off[-1], "s", "dead-man relay of 1 s")
    yield Figure("kills: journals with a committed row lost", tally.lost, "", how)
    ranked = sorted(tally.apart_kg)
    if ranked:
        yield Figure("kills: mass said in HELD against the truth, most", 1e3 * ranked[-1], "g", "2 u = 40 g")
        yield Figure("kills: mass said in HELD against the truth, p95", 1e3 * ranked[int(0.95 * len(ranked))], "g", how)
    yield Figure("kills: from start to HELD, median", sorted(tally.waits_s)[count // 2], "s", how)
    ends = ", ".join(dict.fromkeys(tally.ends))
    yield Figure("kills: recoveries ended COMPLETE", tally.complete, f"of {tally.ended}", ends)
    yield Figure("kills: scans with something late", tally.late, "", ", ".join(sorted(tally.late_what)) or "nothing")
    if tally.errors_kg:
        yield Figure("kills: their mass against the truth, most", 1e3 * max(tally.errors_kg), "g", "2 u = 40 g")
        yield Figure("kills: their mass against the truth, share of 2 u", max(tally.shares), "")


class _Tally:
    def __init__(self):
        self.kills = self.held = self.by_itself = self.stayed_on = self.lost = self.complete = self.ended = (
            self.late
        ) = 0
        self.ends, self.late_what = [], set()
        self.off_s, self.apart_kg, self.waits_s, self.errors_kg, self.shares = [], [], [], [], []


def _one_job(served, chance, tally, count):
    """A recovery that is killed some times, and then left alone to its end."""
    served.run("--until-end")
    assert served.pressed("start")
    left = min(KILLS_A_JOB, count - tally.kills)
    while left > 0 and _goes_on(served.programs[-1], chance.uniform(0.5, 12.0)):
        before = served.last()
        if before is None or before.record.phase in ENDED or before.record.phase is Phase.IDLE:
            continue
        _kill(served, served.programs[-1], before, tally)
        left -= 1
        if not served.pressed("restart"):
            break
    tally.ended += 1
    ended = _ends(served, served.programs[-1], LEFT_ALONE_S)
    scans, what = _late(served.out)
    tally.late += scans
    tally.late_what.add(what)
    if not ended:
        tally.ends.append("not ended")
        return
    record = json.loads((served.out / "record.json").read_text(encoding="utf-8"))
    tally.ends.append(record["outcome_text"])
    tally.complete += record["outcome"] == Phase.COMPLETE.value
    tally.errors_kg.append(abs(record["recovered_kg"] - served.gained_kg()))
    tally.shares.append(_of_two_u(record, served))


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
    if until(lambda: module.outputs().bits == 0, every_s=0.002):
        if was_on:
            tally.off_s.append(time.monotonic() - at_s)
    else:
        tally.stayed_on += 1
    path = next(served.out.glob("*.journal"))
    with JournalReader(path) as reader:
        sessions = len(reader.sessions())
        rows = [stored.row for stored in reader.scans(states=False)]
    tally.lost += rows != list(range(rows[0], rows[0] + len(rows))) or rows[-1] < before.row
    from_s, ran = time.monotonic(), []
    served.run("--until-end")

    def up():
        ran.append(module.outputs().on(M_101))
        last = served.last()
        return last is not None and last.session == sessions + 1 and last.record.phase is Phase.HELD

    came = until(up, every_s=0.05)
    tally.waits_s.append(time.monotonic() - from_s)
    if came:
        tally.held += "Power was lost" in served.last().record.sentence
        until(lambda: ran.append(module.outputs().on(M_101)), STEADY_S, 0.05)
        tally.apart_kg.append(abs(served.last().record.estimate.recovered_kg - served.gained_kg()))
    tally.by_itself += any(ran)


def _processor_s(pid):
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8").rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def _resident_mb(pid):
    lines = Path(f"/proc/{pid}/status").read_text(encoding="utf-8").splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("VmRSS")) / 1024.0
