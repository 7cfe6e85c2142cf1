"""Whether the remedies that the rig names save what it says: each is done to the plant from the same instant on.

Random jobs (`tests.bench.jobs`) run in closed loop; copies of the bench are kept on the way. From a random one in the
liquid phase and one in the vapor phase the job goes on once as it is and once with each remedy that the set-up leaves
open, its handling included: what needs the rig to stand is done while it is held.

What is compared is the time until a standing check *would* hold, the rig pulling on until then. The job itself goes by
whole checks of 135 s, and how many it needs is partly chance: what does next to nothing shifted COMPLETE by up to 300
s, either way, in the first jobs looked at. So the end is looked for with copies of the plant that are shut in, every
10 s, and a trip or hold on the way (compression ratio, discharge temperature) is left out. What COMPLETE itself gains
is a figure of its own.
"""

import argparse
import copy
import math
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace

import msgspec
import numpy as np

from hil_sim.plant import layout as at
from hil_sim.plant.batch import cores
from hil_sim.plant.model import Actuators, PlantError
from rigctl.advice.remedies import What
from rigctl.control.readings import RequestKind
from rigctl.control.vocabulary import Phase
from tests.bench import jobs
from tests.bench.core import Figure

JOBS, QUICK_JOBS = 44, 2
LONGEST_S = 5400.0
PULL_PA_ABS = 5e3
"""A level that no pull reaches."""
KEEP_S = 10.0
"""A copy of the bench is kept so often."""
LOOK_S = 10.0
"""So often it is tried whether a standing check would hold now."""
WORTH_S = 30.0
"""What truly saves less counts as nothing worth doing."""
NEAR_S, NEAR_SHARE = 20.0, 0.35
"""A stated saving counts as right within the greater of the two."""
BEST_S, BEST_SHARE = 20.0, 0.1
"""A first choice counts as right if it saves as much as the truly best one, less the greater of the two."""
MOST_S = 600.0
"""Savings and losses beyond are counted as this: the job does not end at all with or without the remedy."""


# ---- what hands do ---------------------------------------------------------------------------------------


def _cores(p):
    if p.appliance.liquid_core_fitted or p.appliance.vapor_core_fitted:
        return replace(p, appliance=replace(p.appliance, liquid_core_fitted=False, vapor_core_fitted=False))
    return None


def _hoses(p):
    if min(p.lines.liquid_hose_bore_m, p.lines.vapor_hose_bore_m) > 7e-3:
        return None
    lines = replace(
        p.lines, liquid_hose_bore_m=8e-3, liquid_hose_length_m=0.9, vapor_hose_bore_m=8e-3, vapor_hose_length_m=0.9
    )
    return replace(p, lines=lines)


def _tee(p):
    return replace(p, rig=replace(p.rig, manifold_kv_m3_h=0.8)) if p.rig.manifold_kv_m3_h < 0.5 else None


def _ice(p):
    if p.cylinder.in_bath:
        return None
    return replace(p, cylinder=replace(p.cylinder, in_bath=True, bath_water_kg=10.0, bath_ice_kg=10.0))


def _water(p):
    if p.cylinder.in_bath:
        return None
    running = {"bath_running_water_kg_s": 0.1, "bath_supply_degc": 15.0}
    return replace(p, cylinder=replace(p.cylinder, in_bath=True, bath_water_kg=10.0, bath_ice_kg=0.0, **running))


def _warm(p):
    """A fan in front of the coil."""
    return replace(p, appliance=replace(p.appliance, air_ua_fan_off_w_k=p.appliance.air_ua_fan_on_w_k))


def _port(p):
    return replace(p, cylinder=replace(p.cylinder, dip_tube=False)) if p.cylinder.dip_tube else None


DOINGS = {
    What.CORES: (_cores, False, 60.0),
    What.HOSES: (_hoses, True, 120.0),
    What.TEE: (_tee, True, 90.0),
    What.ICE: (_ice, False, 60.0),
    What.WATER: (_water, False, 30.0),
    What.WARM: (_warm, False, 60.0),
    What.PORT: (_port, True, 60.0),
}
"""Remedy -> the plant's parameters afterwards (None: it is so already), whether the rig is held for it, and the time it
takes; estimates, no source."""


# ---- one job ---------------------------------------------------------------------------------------------


@dataclass
class Case:
    """One instant of one job: what was said and what was true."""

    seed: int
    about: str
    phase: str
    limited_by: str
    left_s: float
    """Truth: time until a standing check would hold, as it is."""
    first: What
    said: dict
    """Remedy -> stated saving, low and high end of its band."""
    true: dict = field(default_factory=dict)
    """Remedy -> true saving."""
    stuck: list = field(default_factory=list)
    """Remedies after whose hold the rig did not come to the level at all."""
    complete_s: float = math.nan
    """By how much COMPLETE comes sooner with the first choice; NaN where that is to let it run."""

    @property
    def best_s(self):
        return max([0.0, *self.true.values()])

    @property
    def right(self):
        """The first choice is as good as the best; or to let it run, and nothing would have been worth the way."""
        if self.first is What.WAIT:
            return self.best_s <= WORTH_S
        gain_s = self.true[self.first]
        return gain_s > 0.0 and gain_s >= self.best_s - max(BEST_S, BEST_SHARE * self.best_s)

    def near(self, what):
        return abs(self.said[what][0] - self.true[what]) <= max(NEAR_S, NEAR_SHARE * abs(self.true[what]))


def twin(bench):
    """A bench that goes on from here exactly as this one will; the fluid's tables are shared."""
    fluid = bench.plant._fluid
    return copy.deepcopy(bench, {id(fluid): fluid})


def pulling_on(bench):
    """Let a bench pull on and on, never standing, whatever its compressor's ratio and temperature."""
    settings = bench.settings
    procedure = msgspec.structs.replace(settings.procedure, dwell_s=1e9)
    limits = msgspec.structs.replace(settings.limits, compression_ratio_high=1e6, discharge_high_degc=1e3)
    job = msgspec.structs.replace(settings.job, level_pa_abs=PULL_PA_ABS)
    bench.settings = msgspec.structs.replace(settings, procedure=procedure, limits=limits, job=job)
    return bench


def rise(bench, level_pa_abs):
    """Rise of the appliance within a standing check that began now, over what the level leaves room for; its log."""
    plant, procedure = bench.plant, bench.settings.procedure
    p_0 = float(plant.truth()[at.Z_PA_A])
    fluid = plant._fluid
    alone = copy.deepcopy(plant, {id(fluid): fluid})
    alone.act = Actuators()
    alone.advance(procedure.standing_settle_s + procedure.standing_s)
    return math.log(max(float(alone.truth()[at.Z_PA_A]) - p_0, 1.0) / max(level_pa_abs - p_0, 1.0))


def time_to_hold_s(bench, what=None):
    """Time from now until a standing check would hold, a remedy being done first; infinite if that never comes.

    Between two looks the log of the rise is taken as straight. None where the set-up has the remedy already.
    """
    level, from_s = bench.settings.job.level_pa_abs, bench.time_s
    change, held, takes_s = DOINGS[what] if what else (None, False, math.inf)
    if change and change(bench.plant.parameters) is None:
        return None
    bench = pulling_on(twin(bench))
    if held:
        _hold(bench, change, takes_s)
    before_s, before, due_s, waited_s = math.nan, math.nan, 0.0, 0.0
    try:
        for record in bench.run(from_s + LONGEST_S):
            now_s = bench.time_s
            if change and not held and now_s >= from_s + takes_s:
                bench.plant.change(change(bench.plant.parameters))
                change = None
            if record.phase not in (Phase.LIQUID, Phase.VAPOR):
                waited_s += bench.scan_period_s
            elif now_s >= due_s and float(bench.plant.truth()[at.Z_PA_A]) < level:
                now = rise(bench, level)
                if now <= 0.0:
                    if before == before:
                        now_s = before_s + (now_s - before_s) * before / (before - now)
                    return now_s - from_s - waited_s
                before_s, before, due_s = now_s, now, now_s + LOOK_S * (2.0 if now > 0.7 else 1.0)
    except PlantError:
        return math.nan
    return math.inf


def _hold(bench, change, takes_s):
    """Hold the rig, let hands do it, go on."""
    technician, bench.operator = bench.operator, None
    bench.press(RequestKind.HOLD)
    until_s = bench.time_s + takes_s
    while bench.time_s < until_s:
        bench.scan()
    bench.plant.change(change(bench.plant.parameters))
    bench.press(RequestKind.RESTART)
    bench.scan()
    bench.scan()
    bench.operator = technician


def time_to_complete_s(bench, what=None):
    """Time from now to COMPLETE, a remedy being done first, waits for a person left out; NaN if it does not end so."""
    from_s, waited_s = bench.time_s, 0.0
    bench = twin(bench)
    change, held, takes_s = DOINGS[what] if what else (None, False, math.inf)
    if held:
        _hold(bench, change, takes_s)
    try:
        for record in bench.run(from_s + 2.0 * LONGEST_S):
            if change and not held and bench.time_s >= from_s + takes_s:
                bench.plant.change(change(bench.plant.parameters))
                change = None
            if record.phase is Phase.COMPLETE:
                return bench.time_s - from_s - waited_s
            if record.phase in (Phase.HELD, Phase.ABORTED):
                waited_s += bench.scan_period_s
    except PlantError:
        pass
    return math.nan


def snapshots(seed):
    """Copies of the bench on the way through a job, where the rig has named remedies; none unless it ends well."""
    bench = jobs.job(seed).bench(seed)
    kept, due_s = [], 0.0
    try:
        for record in bench.run(2.0 * LONGEST_S):
            if bench.time_s >= due_s and record.estimate.remedies:
                kept.append((record.phase, twin(bench)))
                due_s = bench.time_s + KEEP_S
    except PlantError:
        return []
    return kept if bench.last.phase is Phase.COMPLETE else []


def watch(seed):
    """The cases of one job."""
    kept = snapshots(seed)
    random = np.random.default_rng((seed, 77))
    cases = []
    for phase in (Phase.LIQUID, Phase.VAPOR):
        these = [bench for was, bench in kept if was is phase]
        if not these:
            continue
        bench = these[int(random.integers(len(these)))]
        stated = bench.last.estimate
        said = {one.what: (one.saves_s, one.low_s, one.high_s) for one in stated.remedies if one.what in DOINGS}
        about = f"{bench.settings.rig.split()[0].lower()}, {bench.settings.job.refrigerant}, {bench.time_s:.0f} s"
        left_s = time_to_hold_s(bench)
        case = Case(seed, about, phase.value, stated.limited_by.value, left_s, stated.remedies[0].what, said)
        for what in said:
            with_it_s = time_to_hold_s(bench, what)
            if with_it_s is None or left_s != left_s or with_it_s != with_it_s:
                continue
            if with_it_s == math.inf and left_s < math.inf and DOINGS[what][1]:
                case.stuck.append(what)
            else:
                saves_s = 0.0 if left_s == with_it_s else left_s - with_it_s
                case.true[what] = min(max(saves_s, -MOST_S), MOST_S)
        case.said = {what: said[what] for what in case.true}
        if case.first is not What.WAIT:
            if case.first not in case.true:
                continue
            case.complete_s = time_to_complete_s(bench) - time_to_complete_s(bench, case.first)
        cases.append(case)
    return cases


def all_cases(seeds):
    """The cases of all jobs, on all cores."""
    if cores() == 1:
        return [case for seed in seeds for case in watch(seed)]
    with ProcessPoolExecutor(cores()) as pool:
        return [case for some in pool.map(watch, seeds, chunksize=1) for case in some]


# ---- figures ---------------------------------------------------------------------------------------------


def measure(quick):
    seeds = jobs.TUNING[:QUICK_JOBS] if quick else jobs.HELD_OUT[:JOBS]
    yield from figures(all_cases(seeds), f"{len(seeds)} jobs, seeds {seeds[0]} to {seeds[-1]}")


def _share(some, all_):
    return 100.0 * some / all_ if all_ else math.nan


def _median(values):
    return float(np.median(values)) if values else math.nan


def figures(cases, where):
    """All figures of these cases."""
    where = f"{len(cases)} instants of {where}"
    right = sum(case.right for case in cases)
    yield Figure("remedies: first choice right", _share(right, len(cases)), "%", f"{right} of {where}")
    worth = [case for case in cases if case.best_s > WORTH_S]
    idle = len(cases) - len(worth)
    how = f"{idle}: nothing saves over {WORTH_S:.0f} s there, so to let it run is right"
    yield Figure("remedies: right by never naming any", _share(idle, len(cases)), "%", how)
    right = sum(case.right for case in worth)
    yield Figure("remedies: first choice right where one is worth it", _share(right, len(worth)), "%",
                 f"{right} of {len(worth)} where one saves over {WORTH_S:.0f} s")  # fmt: skip
    named = [case for case in cases if case.first is not What.WAIT]
    gains = [case.true[case.first] for case in named]
    how = f"median of {len(named)} named; {sum(gain > 0.0 for gain in gains)} of them save anything"
    yield Figure("remedies: true saving of what is named first", _median(gains), "s", how)
    ends = [case.complete_s for case in named if case.complete_s == case.complete_s]
    how = f"median of {len(ends)}; in {sum(end > 0.0 for end in ends)} sooner; goes by whole checks"
    yield Figure("remedies: COMPLETE sooner with it by", _median(ends), "s", how)
    stuck = sum(len(case.stuck) for case in cases)
    held = stuck + sum(DOINGS[what][1] for case in cases for what in case.true)
    how = f"{stuck} of {held} holds in which something was done; these are left out below"
    yield Figure("remedies: rig does not get on after being held", _share(stuck, held), "%", how)
    pairs = [(case, what) for case in cases for what in case.true]
    near = sum(case.near(what) for case, what in pairs)
    how = f"{near} of {len(pairs)} remedies stated, {where}"
    yield Figure("remedies: stated saving within 35 % or 20 s", _share(near, len(pairs)), "%", how)
    some = [(c, what) for c, what in pairs if max(c.said[what][0], c.true[what]) > WORTH_S]
    near = sum(case.near(what) for case, what in some)
    how = f"{near} of {len(some)} where stated or true saving is over {WORTH_S:.0f} s"
    yield Figure("remedies: of these within 35 % or 20 s", _share(near, len(some)), "%", how)
    inside = sum(c.said[what][1] <= c.true[what] <= c.said[what][2] for c, what in pairs)
    yield Figure("remedies: stated band holds the truth", _share(inside, len(pairs)), "%", f"{inside} of {len(pairs)}")
    inside = sum(c.said[what][1] <= c.true[what] <= c.said[what][2] for c, what in some)
    how = f"{inside} of {len(some)} where stated or true saving is over {WORTH_S:.0f} s"
    yield Figure("remedies: stated band holds the truth, of these", _share(inside, len(some)), "%", how)
    for what in DOINGS:
        these = [(c, w) for c, w in pairs if w is what]
        if these:
            near = sum(case.near(what) for case, _ in these)
            best = sum(case.true[what] >= case.best_s > WORTH_S for case, _ in these)
            first = sum(case.first is what for case, _ in these)
            how = f"{near} of {len(these)}; truly best and worth it in {best}, named first in {first}"
            yield Figure(f"remedies: {what.value}: within 35 % or 20 s", _share(near, len(these)), "%", how)


def lines(cases):
    """Every case as a line of text."""
    for case in cases:
        some = "; ".join(
            f"{what.name.lower()} {case.said[what][0]:.0f} said, {case.true[what]:.0f} true" for what in case.true
        )
        mark = "right" if case.right else "WRONG"
        yield (
            f"seed {case.seed} ({case.about}), {case.phase}, limited by {case.limited_by}, {case.left_s:.0f} s left: "
            f"{case.first.name.lower()} {mark}; {some}"
        )


def main():
    parser = argparse.ArgumentParser(prog="python -m tests.bench.remedies", description=__doc__.partition("\n")[0])
    parser.add_argument("--jobs", type=int, default=20, help="random jobs, of the seeds for tuning")
    parser.add_argument("--first", type=int, default=0, help="first seed")
    asked = parser.parse_args()
    began_s = time.perf_counter()
    seeds = [seed for seed in range(asked.first, asked.first + asked.jobs) if seed in jobs.TUNING]
    cases = all_cases(seeds)
    for figure in figures(cases, f"{len(seeds)} jobs, seeds {seeds[0]} to {seeds[-1]}"):
        print(f"{figure.name:<66} {figure.value:>10.4g} {figure.unit:<4} {figure.how}".rstrip())
    print(f"{time.perf_counter() - began_s:.0f} s")
    for line in lines(cases):
        print(line)


if __name__ == "__main__":
    main()
