"""VAPOR: vapor is drawn until a standing check may be expected to hold."""

from __future__ import annotations

from math import nan

from rigctl.control.points import INLETS
from rigctl.control.procedure.appliance import liquid_in_reach, may_hold_liquid
from rigctl.control.procedure.clearing import lines_fill
from rigctl.control.procedure.sequence import Facts
from rigctl.control.procedure.wish import Wish, drawing
from rigctl.control.procedure.work import Work
from rigctl.control.sense import outgassing
from rigctl.control.vocabulary import Phase

BLOWS = 0.95
"""Header over discharge pressure above which the compressor's valves may stand open."""
LIQUID_RETURNS = 6
"""The procedure goes back to the liquid at most so often: every job ends."""
LIQUID_BACK_S = 5.0
"""How long more must arrive than vapor can explain before the rig goes back to drawing liquid."""
NO_PROGRESS_S = 50.0
"""So long without a lower pressure, below the level, and a pull has done what it can, too."""
SPENT_RATIO = 0.95
"""Share of the compression ratio limit at which a pull that is below the level has done what it can."""


def judge(w: Work, f: Facts) -> None:
    s, settings, p = w.s, w.settings, w.s.p_appliance
    w.pull.giving = outgassing.drawn(w.pull.giving, p, s.pumped_flow_kg_s, w.x.dt_s, w.x.pumping)
    enough = _pulled_enough(w)
    # Below the level and at the end of what the compressor can do: stand and let the oil give back meanwhile.
    spent = s.no_progress_s > NO_PROGRESS_S or s.ratio > SPENT_RATIO * settings.limits.compression_ratio_high
    f.level_held = enough or (w.x.pumping and p <= settings.job.level_pa_abs and spent)
    # An appliance that was pressed up blows through the compressor's valves: more than it displaces, and no liquid.
    blows = w.appliance.push_pull_over and s.p_101 > BLOWS * s.p_201
    may_return = not blows and liquid_in_reach(w) and w.appliance.liquid_returns < LIQUID_RETURNS
    f.liquid_back = may_return and may_hold_liquid(w.before, p) and s.liquid_back_s > LIQUID_BACK_S


def _pulled_enough(w: Work) -> bool:
    """Whether a standing check may be expected to hold, by what is given off while pumping."""
    p, level, giving = w.s.p_appliance, w.settings.job.level_pa_abs, w.pull.giving
    down = w.x.pumping and p <= w.pull.target_pa_abs
    w.pull.dwell_s = (w.pull.dwell_s if w.pull.dwell_s == w.pull.dwell_s else w.now_s) if down else nan
    if not down:
        return False
    rise, allowed = giving.rise_pa_s, outgassing.allowed_pa_s(giving, level, p)
    dwelt_s = w.now_s - w.pull.dwell_s
    if rise != rise:
        return dwelt_s >= w.settings.procedure.dwell_s * (1 + w.standing.repeats)
    if w.x.motor_on_s < outgassing.PULL_S:
        return False
    if not giving.measured:
        allowed *= outgassing.FIRST_LOOK
    return dwelt_s >= w.settings.procedure.dwell_s and (rise <= allowed or dwelt_s >= outgassing.PROBE_S)


def leave(w: Work, f: Facts, phase: Phase) -> None:
    if f.liquid_back and phase is Phase.LIQUID:
        w.appliance.liquid_returns += 1


def enter(w: Work, f: Facts, was: Phase) -> None:
    lines_fill(w)


def wants(wish: Wish) -> int:
    return drawing(wish, INLETS) | wish.aids
