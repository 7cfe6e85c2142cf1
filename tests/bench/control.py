"""All that is said of the controller in one table, over random jobs, with their number and seeds.

The end of the liquid (`liquid`), the fill without the scale, mass left, time to finish and how jobs end
(`judgement`), what remedies are worth (`remedies`), verified time against hands and an oracle (`hands`), push-pull
(`pushpull`), cylinders changed and mistaken, wrong refrigerant and air (`mistakes`). The seeds are held out: nothing
was fitted to them. The quick form takes a few of the seeds for tuning; it is meant to show broken behaviour, and
`broken` says what that is.
"""

import time

from tests.bench import hands, jobs, judgement, liquid, mistakes, pushpull, remedies
from tests.bench.core import Figure

ROUGH, SOUND = 300, 60
JUDGED, FAULTY = 120, 50
REMEDIED = 16
BY_HAND = 100
PUSHED = 8
CHANGED = 40
"""Jobs of each part: as many as a quarter of an hour holds on two idle cores."""
QUICK = {"liquid": 4, "judged": 5, "faulty": 3, "remedied": 1, "by hand": 2, "changed": 3}


def _parts(quick):
    seeds = jobs.TUNING if quick else jobs.HELD_OUT
    for kind, count in (("rough", ROUGH), ("sound", SOUND)):
        if not quick or kind == "rough":
            count = QUICK["liquid"] if quick else count
            yield f"liquid end, {kind}", _ends(seeds[:count], kind)
    judged, faulty = (QUICK["judged"], QUICK["faulty"]) if quick else (JUDGED, FAULTY)
    yield "judgement", _judged(seeds[:judged], seeds[:faulty])
    count = QUICK["remedied"] if quick else REMEDIED
    yield "remedies", _remedied(seeds[:count])
    yield "hands", _by_hand(seeds[: QUICK["by hand"] if quick else BY_HAND])
    if not quick:
        yield "push-pull", _pushed(seeds[:PUSHED])
    yield "mistakes", _mistaken(seeds[: QUICK["changed"] if quick else CHANGED], quick)


def _ends(seeds, kind):
    yield from liquid.figures(liquid.ends([(seed, kind) for seed in seeds]), kind)


def _judged(seeds, faulty):
    tasks = [(seed, False) for seed in seeds] + [(seed, True) for seed in faulty]
    yield from judgement.figures(judgement.outcomes(tasks))


def _remedied(seeds):
    yield from remedies.figures(remedies.all_cases(seeds), f"{len(seeds)} jobs, seeds {seeds[0]} to {seeds[-1]}")


def _by_hand(seeds):
    yield from hands.figures(hands.rows(seeds))


def _pushed(seeds):
    yield from pushpull.figures(pushpull.compared(seeds), f"seeds {seeds[0]} to {seeds[-1]}")


def _mistaken(seeds, quick):
    yield from mistakes.changes(list(seeds))
    yield from mistakes.identities(quick)
    yield from mistakes.air(quick)


def measure(quick):
    for name, figures in _parts(quick):
        begun_s = time.perf_counter()
        yield from figures
        yield Figure(f"part {name}: took", time.perf_counter() - begun_s, "s")


MUST = (
    ("true mass over the fill limit, greatest", "at most", 100.0),
    ("scale faults: jobs above the fill limit", "at most", 0.0),
    ("jobs that end COMPLETE", "at least", 60.0),
    ("scale faults: jobs that end COMPLETE", "at least", 30.0),
    ("wrong cylinder, ", "at least", 100.0),
    ("another one that can be told by P and T: held", "at least", 100.0),
    ("the right refrigerant: asked about", "at most", 34.0),
    ("air in the appliance, over 1.2 bar: held", "at least", 100.0),
    ("air in the cylinder, over 1.2 bar: held", "at least", 100.0),
    ("standing checks, 95th percentile", "at most", 40.0),
)
"""Beginning of a figure's name, and how it must be on any few jobs; a figure that is not known (NaN) is not judged."""


def broken(figures):
    """What is not as it must be: one sentence each, empty when all is well."""
    found = []
    for name, way, bound in MUST:
        these = [figure for figure in figures if figure.name.startswith(name)]
        if not these:
            found.append(f"No figure is called '{name}' any more: nothing watches over it.")
        for figure in these:
            wrong = figure.value < bound if way == "at least" else figure.value > bound
            if wrong:
                found.append(
                    f"{figure.name} is {figure.value:g} {figure.unit}, must be {way} {bound:g} ({figure.how})."
                )
    return found
