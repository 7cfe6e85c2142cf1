"""HELD: a person is asked; a restart is the answer."""

from __future__ import annotations

from rigctl.control.procedure.cylinders import SCALE_RESTLESS, change_cylinder, too_light, wrong_weight
from rigctl.control.procedure.sequence import Facts
from rigctl.control.procedure.wish import Wish, water_moves, way_kept_open
from rigctl.control.procedure.work import Work
from rigctl.control.sense import weight
from rigctl.control.settings import Cylinder
from rigctl.control.vocabulary import Ask, Phase


def judge(w: Work, f: Facts) -> None:
    if not w.asked.restart:
        return
    another = w.asked.cylinder
    if another is not None:
        if w.lines.moved and not w.lines.path_shut:
            f.restart_asked, f.change_asked = False, True
        else:
            _put_on(w, another)
    elif w.on_scale.tare_known and abs(_handled_kg(w)) > w.settings.limits.scale_step_kg:
        _judge_handling(w, f)
    if w.ask is Ask.CHECK_SCALE and w.on_scale.tare_known:
        w.on_scale.excess_accepted_kg = w.s.second_raw_kg - (w.estimate.weight.gross_kg - w.estimate.contents.tare_kg)
    _take_for_granted(w)


def _put_on(w: Work, cylinder: Cylinder) -> None:
    other = change_cylinder(w.before, w.estimate, cylinder, w.prepared)
    w.on_scale = other.on_scale
    w.lines = other.lines


def _handled_kg(w: Work) -> float:
    """How far the scale has moved while nothing could flow."""
    return w.estimate.weight.raw_kg - w.estimate.weight.offset_kg - w.estimate.weight.gross_kg


def _judge_handling(w: Work, f: Facts) -> None:
    # Nothing flows while the rig is held. A scale that had stood still may now show what it owes; any other step is
    # handling, no refrigerant.
    memory, moved_kg, k = w.estimate, _handled_kg(w), w.figures.held
    if abs(memory.weight.raw_kg - w.before.estimate.weight.raw_kg) > k.scale_moves_kg:
        f.restart_asked = False
        w.sentence, w.ask = SCALE_RESTLESS, Ask.CHECK_SCALE
        text = w.sentence
    elif too_light(memory.weight.raw_kg, w.on_scale.cylinder, w.figures.cylinders):
        f.restart_asked = False
        w.sentence, w.ask = wrong_weight(memory.weight.raw_kg, w.on_scale.cylinder, w.settings), Ask.CHECK_SCALE
        text = w.sentence
    elif 0.0 < moved_kg <= k.owed_times * weight.owed_kg(memory) + w.settings.limits.scale_step_kg:
        text = f"The scale shows {moved_kg:+.2f} kg, which the pump says it may have owed: it counts."
        w.estimate = weight.with_scale_believed(memory)
    else:
        text = (
            f"The weight moved by {moved_kg:+.2f} kg while the rig was held; it is taken as handling, and "
            "the mass so far is kept."
        )
        w.estimate = weight.with_scale_moved(memory, w.prepared)
    w.tell("note", "WT-301", text)


def _take_for_granted(w: Work) -> None:
    """Take a restart as the answer to what the rig had asked for."""
    if w.ask is Ask.HOSE_TO_LIQUID:
        w.appliance.hose_at = "liquid"
    elif w.ask is Ask.HOSE_TO_VAPOR:
        w.appliance.hose_at = "vapor"
    elif w.ask is Ask.CHECK_REFRIGERANT:
        w.appliance.refrigerant_accepted = True
        w.appliance.liquid_done = w.appliance.liquid_done or w.appliance.vapor_only
    elif w.ask is Ask.CHECK_CHARGE:
        w.appliance.little_accepted = True
        # Nothing was opened that had been shut, and the level has held all the while: the check counts.
        if w.settings.fitted.pt_001 and w.s.p_appliance <= w.settings.job.level_pa_abs:
            w.resume_to = Phase.CLEAR_OUT if w.settings.fitted.cooler_valves else Phase.ISOLATE
    elif w.ask is Ask.WARM_APPLIANCE:
        w.standing.repeats = 0


def enter(w: Work, f: Facts, was: Phase) -> None:
    if was is Phase.LINE_UP:
        w.resume_to = Phase.LINE_UP
    if w.ask is Ask.CHANGE_CYLINDER:
        if not w.on_scale.off:
            w.on_scale.off_net_kg = weight.net_kg(w.estimate, w.prepared)
            w.on_scale.off_uncertainty_kg = weight.net_uncertainty_kg(w.estimate, w.prepared)
        w.lines.path_shut, w.on_scale.off = True, True
        not_emptied = was is not Phase.HOLDING or not w.settings.fitted.cooler_valves
        if w.lines.uncleared or (w.lines.moved and not_emptied):
            w.lines.uncleared = True
            w.sentence += " Mind: the lines to it still hold liquid."
        if was is Phase.HOLDING:
            w.lines.moved = False
    w.tell("hold", w.ask.name.lower(), w.sentence)


def wants(wish: Wish) -> int:
    return way_kept_open(wish) | water_moves(wish)
