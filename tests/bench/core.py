"""Figures of the controller and of the closed loop on virtual time."""

import gc
import statistics
import subprocess
import sys
import tempfile
import time
from dataclasses import asdict, dataclass, field
from pathlib import Path

import msgspec

from hil_sim.bench import controller as controller_module
from hil_sim.simulation import prepare
from rigctl import tablegen
from rigctl.refrigerant import catalogue

ROOT = Path(__file__).resolve().parent.parent.parent
JOBS = ("split-ac", "refrigerator", "chiller")
RIG = "full"


@dataclass(frozen=True)
class Figure:
    """One measured figure."""

    name: str
    value: float
    unit: str
    how: str = ""


def measure(quick):
    yield from cold_start(quick)
    loop = run_loop("split-ac", quick, keep_readings=True)
    yield from step_time(loop)
    yield from memory(loop, quick)
    yield from closed_loop(loop, quick)
    yield from tables(quick)


# ---- a fresh process -------------------------------------------------------------------------------------

_START = """
from rigctl import config
from rigctl.scan import prepare
from rigctl.scan import initial, step
from rigctl.control.readings import Reading, Readings
import rigctl.journal.record, rigctl.journal.store, rigctl.telemetry.publisher, rigctl.telemetry.commands
settings = config.settings_for(config.load_rig("configs/rigs/full.toml"), config.load_job("configs/jobs/split-ac.toml"))
def at(value):
    return Reading(value, 0.0)
readings = Readings(0.0, 0.0, at(1e5), at(1e5), at(13.0), at(1e5), at(7e5), at(16e5), at(25.0), at(25.0), at(25.0),
                    at(25.0), at(0.0), at(1.0), at(1.0), at(1.0), at(1.0), at(1.0), 0)
state, outputs, record = step(initial(prepare(settings)), readings, prepare(settings))
"""
_RESIDENT = """
import re
resident_kib = int(re.search(r"VmRSS:\\s+(\\d+)", open("/proc/self/status").read())[1])
"""


def cold_start(quick):
    """From starting the interpreter until the first scan is done: what a restart costs."""
    times, sizes = [], []
    for _ in range(3 if quick else 11):
        began_s = time.perf_counter()
        child = subprocess.Popen(
            [sys.executable, "-c", f"{_START}print(flush=True)\n{_RESIDENT}print(resident_kib, flush=True)"],
            stdout=subprocess.PIPE, text=True, cwd=ROOT,
        )  # fmt: skip
        child.stdout.readline()
        times.append(time.perf_counter() - began_s)
        sizes.append(int(child.stdout.readline()))
        child.communicate()
    how = f"median of {len(times)} fresh processes: config, control, journal, telemetry, files, first scan"
    yield Figure("cold start to the first scan", 1e3 * statistics.median(times), "ms", how)
    yield Figure("resident memory after the first scan", statistics.median(sizes) / 1024, "MiB", how)


# ---- the loop --------------------------------------------------------------------------------------------


@dataclass
class Loop:
    """A closed-loop run and where its time went."""

    job: str
    outcome: str = ""
    simulated_s: float = 0.0
    wall_s: float = 0.0
    plant_s: float = 0.0
    sensors_s: float = 0.0
    steps_s: list = field(default_factory=list)
    steps_cpu_s: list = field(default_factory=list)
    """The same in processor time, which other programs on the machine do not lengthen."""
    mass_error: float = 0.0
    energy_error: float = 0.0
    readings: list = field(default_factory=list)


def run_loop(job, quick, keep_readings=False):
    """Run one job to its end (quick: ten minutes) and time plant, sensors and controller apart."""
    bench = prepare(job, RIG, None).bench(1)
    for _ in range(50):
        bench.scan()  # whatever is compiled or filled on first use
    loop = Loop(job)
    clock = time.perf_counter
    original_step, original_advance, original_read = controller_module.step, bench.plant.advance, bench.sensors.read

    def timed_step(state, readings, settings):
        began, began_cpu = clock(), time.thread_time()
        answer = original_step(state, readings, settings)
        loop.steps_cpu_s.append(time.thread_time() - began_cpu)
        loop.steps_s.append(clock() - began)
        return answer

    def timed_advance(dt_s):
        began = clock()
        original_advance(dt_s)
        loop.plant_s += clock() - began

    def timed_read(now_s, truth):
        began = clock()
        raw = original_read(now_s, truth)
        loop.sensors_s += clock() - began
        return raw

    controller_module.step, bench.plant.advance, bench.sensors.read = timed_step, timed_advance, timed_read
    gc.collect()
    from_s, began = bench.time_s, clock()
    try:
        for record in bench.run(600.0 if quick else 12 * 3600.0):
            if keep_readings:
                loop.readings.append(record.readings)
    finally:
        controller_module.step = original_step
    loop.wall_s = clock() - began
    loop.simulated_s = bench.time_s - from_s
    loop.outcome = bench.last.phase.value
    books = bench.plant.books()
    loop.mass_error, loop.energy_error = books.mass, books.energy
    return loop


def step_time(loop):
    """What one scan costs, in a run with everything that happens in one."""
    how = f"{len(loop.steps_s)} scans of {loop.job} on rig {RIG} in closed loop, timer's own cost included"
    for name, taken in (("", loop.steps_s), (", processor time", loop.steps_cpu_s)):
        steps = sorted(taken)
        yield Figure(f"step(): median{name}", 1e6 * steps[len(steps) // 2], "us", how)
        yield Figure(f"step(): 99.9th percentile{name}", 1e6 * steps[int(0.999 * (len(steps) - 1))], "us", how)
        yield Figure(f"step(): longest{name}", 1e6 * steps[-1], "us", how)


def closed_loop(first, quick):
    """How fast simulated time goes, where the time goes, and whether the plant's books balance."""
    for job in JOBS:
        loop = first if job == first.job else run_loop(job, quick)
        how = f"rig {RIG}, {loop.simulated_s / 60:.0f} simulated minutes, ended {loop.outcome}"
        yield Figure(f"{job}: simulated s per s", loop.simulated_s / loop.wall_s, "", how)
        step_s = sum(loop.steps_s)
        shares = {"plant": loop.plant_s, "sensors": loop.sensors_s, "step": step_s}
        for name, spent_s in shares.items():
            yield Figure(f"{job}: share of {name}", 100 * spent_s / loop.wall_s, "%")
        rest_s = loop.wall_s - sum(shares.values())
        yield Figure(
            f"{job}: share of the rest", 100 * rest_s / loop.wall_s, "%", "wire, faults, technician, loop, timers"
        )
        yield Figure(f"{job}: plant's book of mass, relative error", loop.mass_error, "")
        yield Figure(f"{job}: plant's book of energy, relative error", loop.energy_error, "")


# ---- memory ----------------------------------------------------------------------------------------------

_HOURS = (
    _START
    + _RESIDENT
    + """
import sys, time
from pathlib import Path
import msgspec
from rigctl.journal.record import RecordBuilder
from rigctl.journal.store import Journal
from rigctl.telemetry.publisher import Publisher, PublisherOptions
# Kept as bytes, one blob a scan: what the process holds must be the controller's, not this loop's.
day = msgspec.msgpack.decode(Path(sys.argv[1]).read_bytes(), type=list[bytes])
read = msgspec.msgpack.Decoder(Readings).decode
scans, folder = int(sys.argv[2]), Path(sys.argv[3])
journal = Journal(folder / "journal.sqlite", settings, commit_every_s=0.01)  # hours pass in a minute here
builder = RecordBuilder(settings)
prepared = prepare(settings)
publisher = Publisher(PublisherOptions(site="bench", rig="bench", reading_max_age_s=1.0, port=1))
publisher.start()
def resident():
    return int(re.search(r"VmRSS:\\s+(\\d+)", open("/proc/self/status").read())[1])
done, shift, early = 0, 0.0, None
while done < scans:
    state = initial(prepared)  # the same job over and over
    for blob in day:
        one = read(blob)
        moved = {name: Reading(r.value, r.taken_at_s + shift, r.fault) for name in one.__struct_fields__
                 if isinstance(r := getattr(one, name), Reading)}
        now = msgspec.structs.replace(one, now_s=one.now_s + shift, utc_s=one.utc_s + shift, **moved)
        state, outputs, record = step(state, now, prepared)
        while journal.health().waiting > 200:  # at ten scans a second about ten wait for the next commit
            time.sleep(0.002)
        journal.offer(record, state)
        builder.add(record)
        publisher.offer(record)
        done += 1
        if done == scans // 5:
            early = resident()
        if done >= scans:
            break
    shift += read(day[-1]).now_s - read(day[0]).now_s + 0.1
late = resident()
dropped = journal.close(60.0).dropped
publisher.stop(1.0)
print(early, late, dropped)
"""
)


def memory(loop, quick):
    """Growth of the controller's process over hours of scans, the first fifth left out: queues have filled then."""
    hours = 1.0 if quick else 10.0
    scans = int(hours * 36_000)
    with tempfile.TemporaryDirectory() as folder:
        day = Path(folder) / "readings"
        day.write_bytes(msgspec.msgpack.encode([msgspec.msgpack.encode(one) for one in loop.readings]))
        done = subprocess.run(
            [sys.executable, "-c", _HOURS, day, str(scans), folder],
            capture_output=True, text=True, cwd=ROOT, check=True,
        )  # fmt: skip
        early, late, dropped = map(int, done.stdout.split())
    how = f"{scans} scans ({hours:g} h) with journal, record and a publisher without broker; {dropped} not stored"
    yield Figure("resident memory after a fifth of it", early / 1024, "MiB", how)
    yield Figure("growth over the rest", late - early, "KiB", how)


# ---- tables ----------------------------------------------------------------------------------------------


def tables(quick):
    """Largest errors of the saturation tables against CoolProp at random points."""
    points = 100 if quick else 1_000
    for name in catalogue.names():
        errors = asdict(tablegen.measure_errors(name, points))
        compared = errors.pop("points")
        for what, error in errors.items():
            yield Figure(
                f"{name}: table, {what.replace('_', ' ')}", 1e6 * error, "ppm", f"largest of {compared} points"
            )
