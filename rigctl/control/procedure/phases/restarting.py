"""RESTARTING: what was asked for is looked at before the work goes on."""

from __future__ import annotations

from rigctl.control.procedure.cylinders import (
    SCALE_RESTLESS,
    cylinder_fault,
    too_heavy,
    too_light,
    weigh_cylinder,
    wrong_weight,
)
from rigctl.control.procedure.phases.push_pull import push_pull_pays
from rigctl.control.procedure.sequence import Facts
from rigctl.control.procedure.wish import Wish, water_moves, way_kept_open
from rigctl.control.procedure.work import Work
from rigctl.control.protect.table import TABLE
from rigctl.control.vocabulary import Ask, Phase


def judge(w: Work, f: Facts) -> None:
    procedure, cylinder = w.settings.procedure, w.on_scale.cylinder
    rested = w.s.steady_s >= procedure.scale_steady_s
    fault = cylinder_fault(cylinder, w.prepared)
    if fault:
        f.restart_failed = True
        w.sentence, w.ask = fault, Ask.CHANGE_CYLINDER
    elif not w.on_scale.tare_known and w.on_scale.off and rested and not _weighs_wrong(w):
        weigh_cylinder(w)
    ready_s = w.figures.restarting.ready_strokes * procedure.valve_stroke_s
    held = w.permits.hold >= 0
    judged = not w.before.on_scale.off  # with the cylinder weighed the rows are judged as for running
    f.restart_ready = not (fault or held) and judged and w.in_phase_s > ready_s
    if f.restart_ready and w.resume_to in (Phase.PUSH_PULL, Phase.LIQUID):
        # Another cylinder: what is left may not be worth pressing any more, or the room in the last one was not.
        w.resume_to = f.resume_to = Phase.PUSH_PULL if push_pull_pays(w) else Phase.LIQUID
    if w.in_phase_s > procedure.restarting_limit_s and not f.restart_ready:
        f.restart_failed = True
        w.sentence, w.ask = SCALE_RESTLESS, Ask.CHECK_SCALE
        if w.on_scale.off and _weighs_wrong(w):
            w.sentence = wrong_weight(w.estimate.weight.gross_kg, cylinder, w.settings)
        elif held:
            row = TABLE[w.permits.hold]
            w.sentence, w.ask = row.say(w.x), row.ask


def _weighs_wrong(w: Work) -> bool:
    gross, cylinder, k = w.estimate.weight.gross_kg, w.on_scale.cylinder, w.figures.cylinders
    return w.settings.job.scale_usable and (too_light(gross, cylinder, k) or too_heavy(gross, cylinder, k))


def wants(wish: Wish) -> int:
    return way_kept_open(wish) | water_moves(wish)
