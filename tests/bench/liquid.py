"""How soon the rig sees the end of the liquid, how often it errs, and how soon it sees liquid that comes again.

Random jobs (`tests.bench.jobs`) run in closed loop until two minutes after the end: sound ones, rough ones (sticking
core, surging, moving throttle, kicked scale), and such whose cores are blocked for a while. Truth is the quality at the
appliance's liquid port: from 0.5 on by mass nearly all of what flows is vapor by volume; the port counts as uncovered.
"""

import argparse
import math
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field

import numpy as np

from hil_sim.instruments.faults import PlantFault
from hil_sim.plant import layout as at
from hil_sim.plant.batch import cores
from hil_sim.plant.model import VESSEL_LEAST_M3, PlantError
from rigctl.control.procedure.appliance import one_inlet
from rigctl.control.vocabulary import ACTIVE, Ask, Phase
from rigctl.refrigerant import catalogue
from tests.bench import jobs
from tests.bench.core import Figure

KINDS = {"sound": 300, "rough": 300, "blocked": 60}
"""Kinds of jobs, and how many of each."""
QUICK_JOBS = 6
LONGEST_S = 3600.0
AFTER_S = 120.0
UNCOVERED = 0.5
"""Quality at the liquid port above which the liquid that can flow is taken as gone."""
EARLY_S = (3.0, 10.0)
FALSE_S = 10.0
"""A switch is false when the port stays covered for longer than this, and could still give more than a little:"""
LITTLE_KG, LITTLE_SHARE = 0.05, 0.03
"""the larger of the mass and the share of the charge."""
RETURN_S = 10.0


@dataclass
class End:
    """One job around the end of its liquid."""

    seed: int
    about: str
    pt_102: bool
    two_inlets: bool
    covered: bool = False
    """Liquid stood at the port when the liquid phase began."""
    end_s: float = math.nan
    """Truth: the port is uncovered for good."""
    delay_s: float = math.nan
    """Time in the liquid phase from then on, returns included; negative: how long before it was left for good."""
    early: list = field(default_factory=list)
    """Each leaving with liquid at the port: for how long it stayed covered (s), and what it could still give (kg)."""
    false: int = 0
    in_vain: bool = False
    """The liquid phase was entered again after the end."""
    left_s: list = field(default_factory=list)
    returns: list = field(default_factory=list)
    """Liquid free to flow while vapor is drawn: for how long (s), and whether the rig went back to the liquid."""
    trouble: str = ""

    @property
    def early_s(self):
        return max((covered_s for covered_s, _ in self.early), default=0.0)


def watch(task):
    """Run one job, (seed, kind), up to two minutes after its liquid has ended."""
    seed, kind = task
    simulation = jobs.job(seed, rough=kind == "rough", blocked=kind == "blocked")
    appliance, settings = simulation.parameters.appliance, simulation.settings
    names = sorted({fault.kind.value for fault in simulation.faults})
    end = End(
        seed, f"{simulation.rig.name.split()[0].lower()}, {simulation.refrigerant}, {appliance.charge_kg:.2f} kg; "
        + ", ".join(names), settings.fitted.pt_102, not one_inlet(settings),
    )  # fmt: skip
    bench = simulation.bench(seed)
    look = _Look(bench, simulation)
    try:
        for record in bench.run(LONGEST_S):
            if look.scan(record):
                break
    except PlantError as error:
        end.trouble = str(error)
    look.judge(end)
    return end


class _Look:
    """What is seen of a run while it goes on."""

    def __init__(self, bench, simulation):
        self.bench, self.appliance = bench, simulation.parameters.appliance
        self.refrigerant = catalogue.get(simulation.refrigerant)
        self.iced = [fault for fault in simulation.faults if fault.kind is PlantFault.ICED_INLET]
        self.little_kg = max(LITTLE_KG, LITTLE_SHARE * self.appliance.charge_kg)
        self.phase, self.quality = Phase.IDLE, 1.0
        self.entered, self.stays, self.left, self.crossed_s, self.returns = [], [], [], [], []
        self.free_since_s = math.nan
        self.quiet_since_s = math.nan

    def scan(self, record):
        """Take a scan down; whether all has been seen."""
        truth, phase, now_s = self.bench.plant.truth(), record.phase, self.bench.time_s
        quality = float(truth[at.Z_QUALITY_PORT])
        if self.quality < UNCOVERED <= quality:
            self.crossed_s.append(now_s)
        self.quality = quality
        if phase is not self.phase:
            if phase is Phase.LIQUID:
                self.entered.append((now_s, quality))
            elif self.phase is Phase.LIQUID:
                self.stays.append((self.entered[-1][0], now_s))
                if phase is Phase.VAPOR or record.ask is Ask.HOSE_TO_VAPOR:
                    self.left.append((now_s, quality, self.liquid_kg(truth)))
            self.phase = phase
        self._follow_return(phase, quality, truth, now_s)
        over = phase in (Phase.VAPOR, Phase.STANDING, Phase.CLEAR_OUT) and quality >= UNCOVERED
        self.quiet_since_s = (self.quiet_since_s if self.quiet_since_s == self.quiet_since_s else now_s) if over else (
            math.nan if phase in ACTIVE else self.quiet_since_s
        )  # fmt: skip
        return now_s - self.quiet_since_s > AFTER_S

    def _follow_return(self, phase, quality, truth, now_s):
        open_way = truth[at.Z_X101] > 0.5 and truth[at.Z_RUNNING] > 0.5
        iced = any(fault.at_s <= now_s < fault.until_s for fault in self.iced)
        free = phase is Phase.VAPOR and quality < UNCOVERED and open_way and not iced
        free = free and self.liquid_kg(truth) > self.little_kg
        since_s = self.free_since_s
        if free and since_s != since_s:
            self.free_since_s = now_s
        elif not free and since_s == since_s:
            self.returns.append((now_s - since_s, phase is Phase.LIQUID))
            self.free_since_s = math.nan

    def liquid_kg(self, truth):
        """Liquid that the liquid port could still give: all but the pocket, or what stands in the receiver."""
        appliance = self.appliance
        if appliance.receiver_volume_m3 >= VESSEL_LEAST_M3:
            vapor = self.refrigerant.vapor_density_kg_m3(float(truth[at.Z_PA_LR]))
            return max(float(truth[at.Z_KG_LR]) - vapor * appliance.receiver_volume_m3, 0.0)
        density = self.refrigerant.liquid_density_kg_m3(float(truth[at.Z_T_A]))
        liquid_kg = float(truth[at.Z_FILL_A]) * appliance.volume_m3 * density
        return max(liquid_kg - appliance.liquid_pocket_kg, 0.0)

    def judge(self, end):
        if not self.entered:
            return
        end.covered = self.entered[0][1] < UNCOVERED
        end.returns, end.left_s = self.returns, [now_s for now_s, _, _ in self.left]
        if not end.covered:
            return
        for now_s, quality, kg in self.left:
            if quality < UNCOVERED:
                later = [crossed_s for crossed_s in self.crossed_s if crossed_s > now_s]
                covered_s = (later[0] if later else self.bench.time_s) - now_s
                end.early.append((covered_s, kg))
                end.false += covered_s > FALSE_S and kg > self.little_kg
        if self.quality < UNCOVERED or not self.crossed_s or not self.stays:
            return  # liquid stands there to the end of the run
        end.end_s = self.crossed_s[-1]
        after_s = sum(max(to_s - max(from_s, end.end_s), 0.0) for from_s, to_s in self.stays)
        end.delay_s = after_s or self.stays[-1][1] - end.end_s
        end.in_vain = any(at_s > end.end_s for at_s, _ in self.entered)


def ends(tasks):
    """All jobs, on all cores."""
    if cores() == 1:
        return [watch(task) for task in tasks]
    with ProcessPoolExecutor(cores()) as pool:
        return list(pool.map(watch, tasks, chunksize=4))


def measure(quick):
    seeds = jobs.TUNING if quick else jobs.HELD_OUT
    for kind, count in KINDS.items():
        yield from figures(ends([(seed, kind) for seed in seeds[: QUICK_JOBS if quick else count]]), kind)


def figures(done, kind):
    """All figures of these jobs."""
    where = f"{len(done)} {kind} jobs, seeds {done[0].seed} to {done[-1].seed}"
    for word, fitted in (("with PT-102", True), ("without PT-102", False)):
        name = f"liquid end, {kind} jobs, {word}"
        these = [one for one in done if one.pt_102 is fitted and one.covered]
        give = _back if kind == "blocked" else _figures
        yield from give(these, name, f"of {len(these)} that begin with liquid at the port; {where}")


def _figures(these, name, where):
    delays = [one.delay_s for one in these if one.delay_s == one.delay_s]
    if not delays:
        return
    yield Figure(f"{name}: delay, median", float(np.median(delays)), "s", f"{len(delays)} {where}; negative is early")
    yield Figure(f"{name}: delay, 95th percentile", float(np.percentile(delays, 95)), "s", f"{len(delays)} {where}")
    for at_least_s in (0.0, *EARLY_S):
        early = [one for one in these if any(covered_s > at_least_s for covered_s, _ in one.early)]
        kg = [max(kg for _, kg in one.early) for one in early]
        how = f"{len(early)} {where}" + (f"; {np.median(kg):.2g} kg left (median), at most {max(kg):.2g}" if kg else "")
        yield Figure(f"{name}: left over {at_least_s:.0f} s early", _share(len(early), len(these)), "%", how)
    false = sum(one.false > 0 for one in these)
    yield Figure(f"{name}: false switches", _share(false, len(these)), "%", f"{false} {where}")
    vain = sum(one.in_vain for one in these)
    yield Figure(f"{name}: entered again in vain", _share(vain, len(these)), "%", f"{vain} {where}")
    yield from _back(these, name, where)


def _back(these, name, where):
    back = [lasted for one in these for lasted in one.returns if one.two_inlets]
    if back:
        caught = [s for s, taken in back if taken]
        missed = sum(not taken and s > RETURN_S for s, taken in back)
        how = f"median of {len(caught)} of {len(back)} spells of liquid while vapor was drawn; {missed} over "
        how += f"{RETURN_S:.0f} s were missed; {where}"
        yield Figure(f"{name}: back to the liquid after", float(np.median(caught)) if caught else math.nan, "s", how)


def _share(some, all_):
    return 100.0 * some / all_ if all_ else math.nan


def _line(one):
    early = ", ".join(f"{s:.1f} s, {kg:.2f} kg" for s, kg in one.early)
    back = ", ".join(f"{s:.1f} s{'' if taken else ' missed'}" for s, taken in one.returns)
    return (
        f"seed {one.seed} ({one.about}; PT-102 {'yes' if one.pt_102 else 'no'}): end {one.end_s:.1f} s, left "
        f"{', '.join(f'{s:.1f}' for s in one.left_s)}, delay {one.delay_s:.1f} s; early: {early}; back: {back} "
        f"{one.trouble}".rstrip()
    )


def main():
    parser = argparse.ArgumentParser(prog="python -m tests.bench.liquid", description=__doc__.partition("\n")[0])
    parser.add_argument("--jobs", type=int, default=120)
    parser.add_argument("--first", type=int, default=0, help="first seed")
    parser.add_argument("--kind", choices=list(KINDS), default="sound")
    asked = parser.parse_args()
    done = ends([(seed, asked.kind) for seed in range(asked.first, asked.first + asked.jobs)])
    for figure in figures(done, asked.kind):
        print(f"{figure.name:<66} {figure.value:>10.4g} {figure.unit:<4} {figure.how}".rstrip())
    if asked.first + asked.jobs > jobs.TUNING.stop:
        return  # seeds held out are for figures only
    for what, worst in (
        ("false", [one for one in done if one.false]),
        ("in vain", [one for one in done if one.in_vain]),
        ("missed", [one for one in done if any(s > RETURN_S and not taken for s, taken in one.returns)]),
        ("late", sorted((one for one in done if one.delay_s > 0.0), key=lambda one: -one.delay_s)[:8]),
        ("trouble", [one for one in done if one.trouble]),
    ):
        print()
        for one in worst:
            print(f"{what}: {_line(one)}")


if __name__ == "__main__":
    main()
