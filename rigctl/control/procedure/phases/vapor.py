"""VAPOR: vapor is drawn until a standing check may be expected to hold."""

from __future__ import annotations

from math import nan

from rigctl.control.procedure.appliance import inlets_hooked_up, liquid_in_reach, may_hold_liquid
from rigctl.control.procedure.clearing import lines_fill
from rigctl.control.procedure.sequence import Facts
from rigctl.control.procedure.wish import Wish, drawing
from rigctl.control.procedure.work import Work
from rigctl.control.sense import outgassing
from rigctl.control.vocabulary import Phase


def judge(w: Work, f: Facts) -> None:
    s, settings, p, k = w.s, w.settings, w.s.p_appliance, w.figures.vapor
    w.pull.giving = outgassing.drawn(
        w.pull.giving, p, s.pumped_flow_kg_s, w.x.dt_s, w.x.pumping, w.prepared.figures.sense.outgassing
    )
    enough = _pulled_enough(w)
    # Below the level and at the end of what the compressor can do: stand and let the oil give back meanwhile.
    ratio_high = k.spent_ratio_share * settings.limits.compression_ratio_high
    spent = s.no_progress_s > k.spent_after_s or s.ratio > ratio_high
    f.level_held = enough or (w.x.pumping and p <= settings.job.level_pa_abs and spent)
    # An appliance that was pressed up blows through the compressor's valves: more than it displaces, and no liquid.
    blows = w.appliance.push_pull_over and s.p_101 > k.blows_share * s.p_201
    may_return = not blows and liquid_in_reach(w) and w.appliance.liquid_returns < k.most_liquid_returns
    f.liquid_back = may_return and may_hold_liquid(w, p) and s.liquid_back_s > k.returns_after_s


def _pulled_enough(w: Work) -> bool:
    """Whether a standing check may be expected to hold, by what is given off while pumping."""
    p, level, giving = w.s.p_appliance, w.settings.job.level_pa_abs, w.pull.giving
    down = w.x.pumping and p <= w.pull.target_pa_abs
    w.pull.dwell_s = (w.pull.dwell_s if w.pull.dwell_s == w.pull.dwell_s else w.now_s) if down else nan
    if not down:
        return False
    k = w.prepared.figures.sense.outgassing
    rise, allowed = giving.rise_pa_s(k), outgassing.allowed_pa_s(giving, w.prepared, level, p)
    dwelt_s = w.now_s - w.pull.dwell_s
    if rise != rise:
        return dwelt_s >= w.settings.procedure.dwell_s * (1 + w.standing.repeats)
    if w.x.motor_on_s < k.least_pull_s:
        return False
    if not giving.measured:
        allowed *= k.first_look_times
    return dwelt_s >= w.settings.procedure.dwell_s and (rise <= allowed or dwelt_s >= k.most_pull_s)


def leave(w: Work, f: Facts, phase: Phase) -> None:
    if f.liquid_back and phase is Phase.LIQUID:
        w.appliance.liquid_returns += 1


def enter(w: Work, f: Facts, was: Phase) -> None:
    lines_fill(w)


def wants(wish: Wish) -> int:
    return drawing(wish, inlets_hooked_up(wish.settings)) | wish.aids
