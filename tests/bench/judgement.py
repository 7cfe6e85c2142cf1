"""How good the controller's judgement is over random jobs: liquid end, fill, mass left, time to finish, outcome.

Every job (`tests.bench.jobs`) is run once in closed loop, and the plant's truth is taken down beside what the rig
states. The figures come from seeds held out; `python -m tests.bench.judgement` measures the seeds that the controller
may be tuned to, and names the jobs that went worst.
"""

import argparse
import math
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field

import msgspec
import numpy as np

from hil_sim.plant import layout as at
from hil_sim.plant.batch import cores
from hil_sim.plant.model import VESSEL_LEAST_M3, PlantError
from rigctl.control.sense.fill import Moved, carried
from rigctl.control.vocabulary import RUNNING, Ask, Phase
from rigctl.refrigerant import catalogue
from rigctl.refrigerant.cylinder import fill_limit
from rigctl.scan import prepare
from tests.bench import jobs
from tests.bench.core import Figure

JOBS, QUICK_JOBS = 150, 9
FAULTY, QUICK_FAULTY = 50, 3
LONGEST_S = 3.0 * 3600.0
"""A job that has not ended by then is cut off."""
PROGRESS = (0.2, 0.4, 0.6, 0.8)
"""By the true mass taken out of the appliance, over all that comes out of it. Not by the cylinder's weight: a cold coil
fills first and gives to the cylinder at the end."""
CLOSE = 0.06
KEPT_MIN = (0, 5, 10, 30)
"""When somebody looks at the appliance again after COMPLETE."""
LOST_AT = (0.2, 0.8)
"""Between these shares of the fill the scale is lost, where the second estimate is to go on alone."""
LEAST_NET_KG = 0.03
"""Less than this in the cylinder says nothing about a relative error."""
FAR_S = 10.0
"""A switch so long before the end of the liquid is no matter of taste."""
UNCOVERED = 0.5
"""Quality at the liquid port above which the liquid that can flow is taken as gone."""


@dataclass
class At:
    """What was stated and what was true at one point of progress."""

    left_kg: float
    left_low_kg: float
    left_high_kg: float
    true_left_kg: float
    """In the appliance, its oil included."""
    finish_s: float
    finish_low_s: float
    finish_high_s: float
    true_finish_s: float
    """Until COMPLETE, without the time for which the rig waits for a person in HELD."""
    phase: str


@dataclass
class Outcome:
    """One job: what happened and how right the rig was."""

    seed: int
    scale_fault: str
    about: str
    charge_kg: float
    pt_102: bool
    ended: str = ""
    """Value of the last phase; with "unfinished" or "plant" before it where the run was cut off."""
    sentence: str = ""
    total_s: float = math.nan
    """From start to the end, waits in HELD included."""
    held_s: float = 0.0
    checks: int = 0
    held: list = field(default_factory=list)
    """What the rig asked for in each stay in HELD, with the rows that made it hold."""
    trips: list = field(default_factory=list)
    # The end of the liquid.
    covered: bool = False
    """Liquid stood at the liquid port when the liquid phase began."""
    liquid_end_s: float = math.nan
    """Truth: the liquid port is uncovered for good."""
    delay_s: float = math.nan
    """Time spent in the liquid phase from then on; negative: how long before it was left for good."""
    in_vain: bool = False
    """The liquid phase was entered again after that."""
    skipped: bool = False
    """Liquid was to come first and stood at the port, and no liquid phase came."""
    early_kg: list = field(default_factory=list)
    """Liquid that the port could still have given, at each leaving with liquid at the port."""
    early_s: float = math.nan
    """How long after such a leaving the port really was uncovered, the longest."""
    dry_s: float = math.nan
    """Length of a liquid phase that began without liquid at the port."""
    # The fill at the end.
    net_kg: float = math.nan
    """Truth, of the cylinder on the scale."""
    lines_kg: float = math.nan
    """Truth: what hoses and rig still hold."""
    alone_kg: float = math.nan
    """By the nameplate alone."""
    alone_uncertainty_kg: float = math.nan
    lost_kg: float = math.nan
    """By the second estimate, had the scale been lost for good at a random moment between 20 and 80 % of the fill."""
    lost_uncertainty_kg: float = math.nan
    second_net_kg: float = math.nan
    second_uncertainty_kg: float = math.nan
    scale_net_kg: float = math.nan
    recovered_kg: float = math.nan
    recovered_uncertainty_kg: float = math.nan
    true_recovered_kg: float = math.nan
    most_over_limit: float = 0.0
    """Greatest true mass in a cylinder over its fill limit."""
    most_fill: float = 0.0
    """Greatest share of a cylinder's volume that liquid took."""
    kept: dict = field(default_factory=dict)
    """Minutes after COMPLETE -> true pressure of the appliance, shut in and the rig off, over the level."""
    points: dict = field(default_factory=dict)
    """Progress -> `At`; only of jobs that end COMPLETE."""

    @property
    def complete(self):
        return self.ended == Phase.COMPLETE.value


# ---- one job ---------------------------------------------------------------------------------------------


def watch(task):
    """Run one job, (seed, faulty), and judge it."""
    seed, faulty = task
    simulation = jobs.job(seed, faulty)
    appliance, settings = simulation.parameters.appliance, simulation.settings
    about = (
        f"{simulation.rig.name.split()[0].lower()}, {simulation.refrigerant}, {appliance.charge_kg:.2f} kg, plate "
        f"{settings.job.charge_kg}, {simulation.parameters.ambient.temperature_degc:.0f} degC"
    )
    outcome = Outcome(seed, jobs.scale_fault_of(simulation), about, appliance.charge_kg, settings.fitted.pt_102)
    bench = simulation.bench(seed)
    look = _Look(bench, simulation)
    try:
        for record in bench.run(LONGEST_S):
            look.scan(record)
    except PlantError as error:
        outcome.ended, outcome.sentence = f"plant: {error}", str(error)
        return outcome
    look.judge(outcome)
    return outcome


class _Look:
    """What is seen of a run while it goes on."""

    def __init__(self, bench, simulation):
        self.bench, self.simulation = bench, simulation
        self.refrigerant = catalogue.get(simulation.refrigerant)
        self.limit_kg = fill_limit(self.refrigerant, simulation.settings.cylinder.water_capacity_kg).limit_kg
        self.phase, self.quality = Phase.IDLE, 1.0
        self.entered, self.left, self.crossed_s = [], [], []
        self.stays = []
        self.held, self.trips, self.causes = [], [], []
        self.rows = []
        self.most_kg = 0.0
        truth = bench.plant.truth()
        self.quality_at_start = float(truth[at.Z_QUALITY_PORT])
        self.empty_kg = self.in_cylinder_kg = float(truth[at.Z_KG_Y])
        self.scans = 0
        self.steps = []
        """Every step of the second estimate since the cylinder came on: what is needed to do it again."""
        self.filled, self.tare_kg, self.step_s = None, math.nan, 0.0

    def scan(self, record):
        truth, phase, now_s = self.bench.plant.truth(), record.phase, self.bench.time_s
        in_cylinder_kg = float(truth[at.Z_KG_Y])
        if in_cylinder_kg < self.in_cylinder_kg - 0.05:  # within one scan: another cylinder
            self.empty_kg = in_cylinder_kg
        self.in_cylinder_kg = in_cylinder_kg
        self.most_kg = max(self.most_kg, in_cylinder_kg)
        quality = float(truth[at.Z_QUALITY_PORT])
        if self.quality < UNCOVERED <= quality:
            self.crossed_s.append(now_s)
        self.quality = quality
        for event in record.events:
            if event.kind in {"trip", "hold"}:
                self.causes.append(event.tag)
        if phase is not self.phase:
            self._turn(record, truth, now_s)
            self.phase = phase
        if self.scans % 10 == 0:
            self._take_down(record, now_s)
        self._follow_fill(in_cylinder_kg, truth, now_s)
        self.scans += 1

    def _turn(self, record, truth, now_s):
        phase, quality = record.phase, self.quality
        if phase is Phase.LIQUID:
            self.entered.append((now_s, quality))
        elif self.phase is Phase.LIQUID:
            self.stays.append((self.entered[-1][0], now_s))
        if self.phase is Phase.LIQUID and (phase is Phase.VAPOR or record.ask is Ask.HOSE_TO_VAPOR):
            self.left.append((now_s, quality, self._liquid_kg(truth)))
        if phase is Phase.HELD:
            causes = set(self.causes) - {record.ask.name.lower()}
            self.held.append(" ".join([record.ask.value, *sorted(causes)]))
            self.causes = []
        elif phase is Phase.ABORTED:
            self.trips.append(" ".join(sorted(set(self.causes))))
            self.causes = []

    def _liquid_kg(self, truth):
        """Liquid that the liquid port could still give: all but the pocket, or what stands in the receiver."""
        appliance = self.simulation.parameters.appliance
        if appliance.receiver_volume_m3 >= VESSEL_LEAST_M3:
            vapor = self.refrigerant.vapor_density_kg_m3(float(truth[at.Z_PA_LR]))
            return max(float(truth[at.Z_KG_LR]) - vapor * appliance.receiver_volume_m3, 0.0)
        density = self.refrigerant.liquid_density_kg_m3(float(truth[at.Z_T_A]))
        liquid_kg = float(truth[at.Z_FILL_A]) * appliance.volume_m3 * density
        return max(liquid_kg - appliance.liquid_pocket_kg, 0.0)

    def _follow_fill(self, in_cylinder_kg, truth, now_s):
        memory = self.bench.state.control.estimate
        known, before = memory.pumped.fill, self.filled
        if memory.contents.tare_kg != self.tare_kg:
            self.tare_kg, self.steps = memory.contents.tare_kg, []
        elif known is not before and before is not None and known.covariance:
            more = Moved(*(now - then for now, then in zip(
                msgspec.structs.astuple(known.moved), msgspec.structs.astuple(before.moved), strict=True)))  # fmt: skip
            lines_kg = sum(float(truth[at.Z_KG_P + n]) for n in range(4))
            passed_kg = in_cylinder_kg - self.empty_kg + lines_kg
            self.steps.append((passed_kg, known, more, now_s - self.step_s))
        if known is not before:
            self.filled, self.step_s = known, now_s

    def _lost(self, outcome, settings):
        """The second estimate once more, without the scale from a random moment on."""
        if len(self.steps) < 2:
            return
        passed = np.array([step[0] for step in self.steps])
        share = np.random.default_rng((outcome.seed, 2)).uniform(*LOST_AT)
        first = int(np.argmax(passed - passed[0] >= share * (passed[-1] - passed[0])))
        known, prepared = self.steps[first][1], prepare(settings)
        for _, seen, more, dt_s in self.steps[first + 1 :]:
            known = carried(known, more, dt_s, seen.way, seen.condensing, math.nan, prepared)
        outcome.lost_kg = known.net_kg
        spread = known.variance_kg2 + settings.instruments.scale_uncertainty_kg**2
        spread += self.bench.state.control.estimate.weight.shift_variance_kg2
        outcome.lost_uncertainty_kg = math.sqrt(spread)

    def _take_down(self, record, now_s):
        result, stated = self.bench.result(), record.estimate
        self.rows.append(
            (
                now_s, record.phase, result.left_kg, stated.left_kg, stated.left_low_kg, stated.left_high_kg,
                stated.finish_s, stated.finish_low_s, stated.finish_high_s,
            )
        )  # fmt: skip

    def judge(self, outcome):
        result, stated, state = self.bench.result(), self.bench.last.estimate, self.bench.state
        outcome.ended, outcome.sentence = result.outcome.value, result.sentence
        if not self.bench.operator.done:
            outcome.ended = f"unfinished in {outcome.ended}"
        outcome.total_s, outcome.checks = result.duration_s, len(state.control.standing.checks)
        outcome.held_s = sum(span.to_s - span.from_s for span in result.phases if span.phase is Phase.HELD)
        outcome.held, outcome.trips = self.held, self.trips
        outcome.most_over_limit, outcome.most_fill = self.most_kg / self.limit_kg, result.most_cylinder_fill
        outcome.net_kg = self.in_cylinder_kg - self.empty_kg
        outcome.lines_kg = result.rig_kg
        memory = state.control.estimate
        outcome.alone_kg = memory.pumped.fill.alone_kg + memory.pumped.due_kg
        outcome.alone_uncertainty_kg = memory.pumped.fill.alone_spread_kg
        self._lost(outcome, self.simulation.settings)
        outcome.second_net_kg = stated.second_kg - memory.contents.start_kg
        outcome.second_uncertainty_kg = stated.second_uncertainty_kg
        outcome.scale_net_kg = stated.net_kg
        outcome.recovered_kg, outcome.recovered_uncertainty_kg = stated.recovered_kg, stated.recovered_uncertainty_kg
        outcome.true_recovered_kg = result.true_recovered_kg
        self._judge_liquid(outcome)
        if outcome.complete:
            self._judge_progress(outcome)
            self._judge_verdict(outcome)  # last: the plant goes on

    def _judge_verdict(self, outcome):
        """Leave the appliance shut in with the rig off, as a technician finds it later; nothing of the rig is asked."""
        plant, level, before = self.bench.plant, self.simulation.settings.job.level_pa_abs, 0
        for minutes in KEPT_MIN:
            outcome.kept[minutes] = jobs.later_pa_abs(plant, 60.0 * (minutes - before)) / level
            before = minutes

    def _judge_liquid(self, outcome):
        if not self.entered:
            wanted = self.simulation.settings.job.liquid_first and self.quality_at_start < UNCOVERED
            outcome.skipped = wanted and any(row[1] is Phase.VAPOR for row in self.rows)
            return
        began_s, quality = self.entered[0]
        outcome.covered = quality < UNCOVERED
        if not outcome.covered:
            outcome.dry_s = self.stays[0][1] - began_s if self.stays else math.nan
            return
        early = [(at_s, liquid_kg) for at_s, quality, liquid_kg in self.left if quality < UNCOVERED]
        outcome.early_kg = [liquid_kg for _, liquid_kg in early]
        if self.quality < UNCOVERED or not self.crossed_s or not self.stays:
            return  # liquid stands there to the end
        end_s = outcome.liquid_end_s = self.crossed_s[-1]
        if early:
            outcome.early_s = max(end_s - at_s for at_s, _ in early)
        after_s = sum(max(to_s - max(from_s, end_s), 0.0) for from_s, to_s in self.stays)
        outcome.delay_s = after_s or self.stays[-1][1] - end_s
        outcome.in_vain = any(at_s > end_s for at_s, _ in self.entered)

    def _judge_progress(self, outcome):
        rows = self.rows
        first_kg, last_kg = rows[0][2], rows[-1][2]
        if first_kg - last_kg < LEAST_NET_KG:
            return
        to_go_s = [0.0] * len(rows)
        for n in range(len(rows) - 2, -1, -1):
            waits = rows[n][1] is Phase.HELD
            to_go_s[n] = to_go_s[n + 1] + (0.0 if waits else rows[n + 1][0] - rows[n][0])
        for share in PROGRESS:
            for row, true_s in zip(rows, to_go_s, strict=True):
                _, phase, true_left_kg, left_kg, left_low_kg, left_high_kg, finish_s, low_s, high_s = row
                if first_kg - true_left_kg >= share * (first_kg - last_kg) and phase in RUNNING:
                    outcome.points[share] = At(
                        left_kg, left_low_kg, left_high_kg, true_left_kg, finish_s, low_s, high_s, true_s, phase.value
                    )
                    break


def outcomes(tasks):
    """All jobs, on all cores."""
    if cores() == 1:
        return [watch(task) for task in tasks]
    with ProcessPoolExecutor(cores()) as pool:
        return list(pool.map(watch, tasks, chunksize=1))


# ---- figures ---------------------------------------------------------------------------------------------


def measure(quick):
    seeds = jobs.TUNING if quick else jobs.HELD_OUT
    count, faulty = (QUICK_JOBS, QUICK_FAULTY) if quick else (JOBS, FAULTY)
    done = outcomes([(seed, False) for seed in seeds[:count]] + [(seed, True) for seed in seeds[:faulty]])
    yield from figures(done)


def figures(done):
    """All figures of these outcomes."""
    sound = [one for one in done if not one.scale_fault]
    wrong = [one for one in done if one.scale_fault]
    where = f"of {len(sound)} jobs, seeds {sound[0].seed} to {sound[-1].seed}"
    yield from liquid_end(sound, where)
    yield from fill(sound, where)
    yield from progress(sound, where)
    yield from ending(sound, where)
    if wrong:
        yield from scale_trouble(wrong, f"of {len(wrong)} jobs, seeds {wrong[0].seed} to {wrong[-1].seed}")


def _median(values):
    return float(np.median(values)) if len(values) else math.nan


def _percentile(values, share):
    return float(np.percentile(values, share)) if len(values) else math.nan


def _share(some, all_):
    return 100.0 * some / all_ if all_ else math.nan


def _recorded(one):
    """Whether the mass that the record states holds the truth within twice its uncertainty."""
    return abs(one.recovered_kg - one.true_recovered_kg) <= 2.0 * one.recovered_uncertainty_kg


def liquid_end(done, where):
    """How long after the liquid has really ended the liquid phase is left, and how often before."""
    for fitted in (True, False):
        word = "liquid end with PT-102" if fitted else "liquid end without PT-102"
        these = [one for one in done if one.pt_102 is fitted]
        with_liquid = [one for one in these if one.covered]
        delays = [one.delay_s for one in with_liquid if one.delay_s == one.delay_s]
        how = f"{len(delays)} jobs with liquid at the port, negative is early, {where}"
        yield Figure(f"{word}: delay, median", _median(delays), "s", how)
        yield Figure(f"{word}: delay, 95th percentile", _percentile(delays, 95), "s", how)
        again = [one.delay_s for one in with_liquid if one.in_vain]
        how = (
            f"{len(again)} of {len(with_liquid)}; in them {_median(again):.0f} s in the liquid phase (median), {where}"
        )
        yield Figure(f"{word}: entered again in vain", _share(len(again), len(with_liquid)), "%", how)
        early = [one for one in with_liquid if one.early_kg]
        far = sum(one.early_s > FAR_S for one in early)
        how = f"{len(early)} of {len(with_liquid)}, {far} over {FAR_S:.0f} s early, {where}"
        yield Figure(f"{word}: left with liquid at the port", _share(len(early), len(with_liquid)), "%", how)
        kg = [max(one.early_kg) for one in early]
        how = f"median of those {len(early)}; the port was uncovered {_median([o.early_s for o in early]):.0f} s later"
        yield Figure(f"{word}: liquid not taken then", _median(kg), "kg", how)
        skipped = sum(one.skipped for one in these)
        how = f"{skipped} jobs with liquid at the port; {len(these)} jobs, {where}"
        yield Figure(f"{word}: liquid phase skipped", _share(skipped, skipped + len(with_liquid)), "%", how)
        dry = [one.dry_s for one in these if one.dry_s == one.dry_s]
        if dry:
            how = f"median of {len(dry)} liquid phases begun without liquid at the port, {where}"
            yield Figure(f"{word}: liquid phase in vain", _median(dry), "s", how)


def fill(done, where):
    """The estimates of what is in the cylinder, at the end of complete jobs."""
    ended = [one for one in done if one.complete and one.net_kg >= LEAST_NET_KG]
    jobs_all, where = where, f"{len(ended)} complete, {where}"
    errors_of = {
        "scale fit to the end": [(one.second_net_kg, one.second_uncertainty_kg, one.net_kg) for one in ended],
        "scale lost": [(one.lost_kg, one.lost_uncertainty_kg, one.net_kg) for one in ended],
        "scale lost, 1 kg and more": [
            (one.lost_kg, one.lost_uncertainty_kg, one.net_kg) for one in ended if one.net_kg >= 1.0
        ],
        "nameplate alone": [(one.alone_kg, one.alone_uncertainty_kg, one.net_kg) for one in ended],
    }
    for word, figures_of in errors_of.items():
        figures_of = [one for one in figures_of if one[0] == one[0]]
        errors = np.array([stated / net - 1.0 for stated, _, net in figures_of])
        within = int(np.sum(np.abs(errors) <= CLOSE))
        how = f"of {len(errors)}; {where}"
        yield Figure(f"second estimate, {word}: error, median", 100 * _median(errors), "%", how)
        yield Figure(f"second estimate, {word}: absolute error, median", 100 * _median(np.abs(errors)), "%", how)
        yield Figure(f"second estimate, {word}: abs. error, 95th", 100 * _percentile(np.abs(errors), 95), "%", how)
        name = f"second estimate, {word}: within 6 %"
        yield Figure(name, _share(within, len(errors)), "%", f"{within} {how}")
        for times in (1.0, 2.0):
            held = sum(abs(stated - net) <= times * spread for stated, spread, net in figures_of)
            name = f"second estimate, {word}: truth within {times:g} u"
            yield Figure(name, _share(held, len(errors)), "%", f"{held} {how}")
    held = sum(_recorded(one) for one in ended)
    yield Figure("recovered mass: truth within 2 uncertainties", _share(held, len(ended)), "%", f"{held} of {where}")
    most = max((one.most_over_limit for one in done), default=math.nan)
    over = sum(one.most_over_limit > 1.0 for one in done)
    yield Figure("true mass over the fill limit, greatest", 100 * most, "%", f"{over} jobs above, {jobs_all}")


def progress(done, where):
    """Mass left and time to finish, at points of progress by the true mass recovered."""
    ended = [one for one in done if one.complete]
    for share in PROGRESS:
        points = [one.points[share] for one in ended if share in one.points]
        told = [p for p in points if p.left_kg == p.left_kg]
        held = sum(p.left_low_kg <= p.true_left_kg <= p.left_high_kg for p in told)
        how = f"{held} of {len(told)} stated, {len(points)} jobs that reached the point, {where}"
        yield Figure(f"mass left at {share:.0%}: 90 % band holds the truth", _share(held, len(told)), "%", how)
        off = [abs(p.left_kg - p.true_left_kg) / max(p.true_left_kg, 1e-3) for p in told]
        yield Figure(f"mass left at {share:.0%}: relative error, median", 100 * _median(off), "%", how)
    for share in PROGRESS:
        points = [one.points[share] for one in ended if share in one.points]
        told = [p for p in points if p.finish_s == p.finish_s]
        held = sum(p.finish_low_s <= p.true_finish_s <= p.finish_high_s for p in told)
        above = sum(p.true_finish_s > p.finish_high_s for p in told)
        how = f"{held} of {len(told)} stated ({above} took longer), {len(points)} jobs that reached it, {where}"
        yield Figure(f"time to finish at {share:.0%}: 90 % band holds", _share(held, len(told)), "%", how)
        wide = [(p.finish_high_s - p.finish_low_s) / p.true_finish_s for p in told]
        yield Figure(f"time to finish at {share:.0%}: width of the band", _median(wide), "", "median, over the truth")
        off = [p.finish_s / p.true_finish_s - 1.0 for p in told]
        how = f"median; with its sign {100 * _median(off):+.0f} %; {where}"
        yield Figure(f"time to finish at {share:.0%}: relative error", 100 * _median(np.abs(off)), "%", how)


def ending(done, where):
    """How jobs end, how long they take, and what they wait for."""
    ended = [one for one in done if one.complete]
    yield Figure("jobs that end COMPLETE", _share(len(ended), len(done)), "%", f"{len(ended)} {where}")
    how = f"median of {len(ended)} complete, {where}"
    yield Figure("start to COMPLETE", _median([one.total_s for one in ended]) / 60, "min", how)
    yield Figure("start to COMPLETE, waits in HELD left out", _median([o.total_s - o.held_s for o in ended]) / 60,
                 "min", how)  # fmt: skip
    for minutes in KEPT_MIN:
        over = np.array([one.kept[minutes] for one in ended])
        above = int(np.sum(over > 1.0))
        seen = f"{above} of {len(ended)} complete, shut in, by the truth; 9 of 10 below {_percentile(over, 90):.2f}"
        name = f"above the level {minutes} min after COMPLETE"
        yield Figure(name, _share(above, len(ended)), "%", f"{seen}; {where}")
    how = f"median of {len(ended)} complete, {where}"
    yield Figure("standing checks", _median([one.checks for one in ended]), "", how)
    yield Figure("standing checks, 95th percentile", _percentile([one.checks for one in ended], 95), "", where)
    for name, kind in (("held", "held"), ("tripped", "trips")):
        counts = Counter(cause for one in done for cause in set(getattr(one, kind)))
        for cause, count in counts.most_common():
            yield Figure(f"{name}: {cause}", _share(count, len(done)), "%", f"{count} {where}")
    for cause, count in Counter(_why(one) for one in done if not one.complete).most_common():
        yield Figure(f"ended {cause}", _share(count, len(done)), "%", f"{count} {where}")


def _why(one):
    last = (one.trips or one.held or [""])[-1]
    return f"{one.ended} after: {last}" if last else one.ended


def scale_trouble(done, where):
    """Jobs with something wrong with the scale: what counts is that no cylinder is overfilled."""
    over = [one for one in done if one.most_over_limit > 1.0]
    most = max(done, key=lambda one: one.most_over_limit)
    yield Figure("scale faults: jobs above the fill limit", len(over), "", f"{where}, by the true mass")
    how = f"seed {most.seed}, {most.scale_fault}; {where}"
    yield Figure("scale faults: true mass over the fill limit, greatest", 100 * most.most_over_limit, "%", how)
    ended = sum(one.complete for one in done)
    yield Figure("scale faults: jobs that end COMPLETE", _share(ended, len(done)), "%", f"{ended} {where}")
    noted = [one for one in done if one.complete]
    held = sum(_recorded(one) for one in noted)
    how = f"{held} of {len(noted)} complete, {where}"
    yield Figure("scale faults: recovered mass within 2 uncertainties", _share(held, len(noted)), "%", how)
    for kind in jobs.SCALE_FAULTS:
        these = [one for one in done if one.scale_fault == kind]
        if these:
            ends = Counter(one.ended for one in these)
            off = _median([abs(one.recovered_kg - one.true_recovered_kg) for one in these])
            most_over = 100 * max(one.most_over_limit for one in these)
            how = f"{len(these)} jobs: " + ", ".join(f"{count} {end}" for end, count in ends.most_common())
            how += f"; recorded mass off by {off:.2g} kg (median)"
            yield Figure(f"scale faults: {kind}: greatest true mass over the limit", most_over, "%", how)


# ---- the worst of them -----------------------------------------------------------------------------------


def worst(done, count=5):
    """The jobs that went worst in each respect, as lines of text."""
    sound = [one for one in done if not one.scale_fault]
    ranks = {
        "late at the liquid's end, s": lambda one: one.delay_s,
        "early at the liquid's end, s": lambda one: one.early_s,
        "liquid left behind by leaving early, kg": lambda one: max(one.early_kg, default=math.nan),
        "nameplate alone, relative error": lambda one: (
            abs(one.alone_kg / one.net_kg - 1.0) if one.complete else math.nan
        ),
        "scale lost, stated uncertainties off": lambda one: (
            abs(one.lost_kg - one.net_kg) / one.lost_uncertainty_kg if one.complete else math.nan
        ),
        "time to finish at 60 %, log of the error": lambda one: _log_error(one.points.get(0.6)),
        "over the level 10 min after COMPLETE": lambda one: one.kept.get(10, math.nan),
        "longest, min": lambda one: one.total_s / 60.0,
    }
    for what, rank in ranks.items():
        ranked = sorted((one for one in sound if rank(one) == rank(one)), key=rank, reverse=True)
        yield from (f"{what}: {rank(one):.3g}: {_line(one)}" for one in ranked[:count])
    yield from (f"liquid phase skipped: {_line(one)}" for one in sound if one.skipped)
    yield from (f"recorded mass off by {one.recovered_kg - one.true_recovered_kg:+.2f} kg: {_line(one)}"
                for one in done if not _recorded(one))  # fmt: skip
    yield from (f"not complete: {_line(one)}" for one in done if not one.complete)
    yield from (f"above the limit by {one.most_over_limit - 1.0:.2%}: {_line(one)}"
                for one in done if one.most_over_limit > 1.0)  # fmt: skip


def _log_error(point):
    if point is None or not (point.finish_s > 0.0 and point.true_finish_s > 0.0):
        return math.nan
    return abs(math.log(point.finish_s / point.true_finish_s))


def _line(one):
    fault = f" [{one.scale_fault}]" if one.scale_fault else ""
    held = "; ".join(f"{count}x {cause}" for cause, count in Counter(one.held + one.trips).items())
    return (
        f"seed {one.seed}{fault} ({one.about}, PT-102 {'yes' if one.pt_102 else 'no'}): {one.ended} after "
        f"{one.total_s / 60:.0f} min, {one.checks} checks; {held} {one.sentence}".rstrip()
    )


def main():
    parser = argparse.ArgumentParser(prog="python -m tests.bench.judgement", description=__doc__.partition("\n")[0])
    parser.add_argument("--jobs", type=int, default=40, help="random jobs, of the seeds for tuning")
    parser.add_argument("--faulty", type=int, default=12, help="of these, so many once more with a bad scale")
    parser.add_argument("--first", type=int, default=0, help="first seed")
    asked = parser.parse_args()
    seeds = [seed for seed in range(asked.first, asked.first + asked.jobs) if seed in jobs.TUNING]
    done = outcomes([(seed, False) for seed in seeds] + [(seed, True) for seed in seeds[: asked.faulty]])
    for figure in figures(done):
        print(f"{figure.name:<66} {figure.value:>10.4g} {figure.unit:<4} {figure.how}".rstrip())
    print()
    for line in worst(done):
        print(line)


if __name__ == "__main__":
    main()
