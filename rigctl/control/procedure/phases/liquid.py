"""LIQUID: liquid is drawn through the throttle until it ends."""

from __future__ import annotations

from math import nan

from rigctl.control.points import INLETS, M_001, M_201, M_202, XV_101, XV_102
from rigctl.control.procedure.appliance import one_inlet
from rigctl.control.procedure.clearing import lines_fill
from rigctl.control.procedure.sequence import Facts
from rigctl.control.procedure.wish import Wish, drawing
from rigctl.control.procedure.work import Work
from rigctl.control.vocabulary import Phase


def judge(w: Work, f: Facts) -> None:
    k = w.figures.liquid
    down = w.x.pumping and w.s.p_appliance <= k.gone_target_times * w.pull.target_pa_abs
    w.pull.dwell_s = (w.pull.dwell_s if w.pull.dwell_s == w.pull.dwell_s else w.now_s) if down else nan
    # A header that a sticking core starves says nothing about the appliance.
    lasts_s = 0.0 if w.settings.fitted.pt_001 else k.header_down_s
    f.liquid_gone = w.s.liquid_gone or (down and w.now_s - w.pull.dwell_s >= lasts_s)
    f.hose_must_move = one_inlet(w.settings)


def leave(w: Work, f: Facts, phase: Phase) -> None:
    if phase is Phase.VAPOR or f.liquid_gone:
        w.appliance.liquid_done = True


def enter(w: Work, f: Facts, was: Phase) -> None:
    lines_fill(w)


def wants(wish: Wish) -> int:
    inlet = XV_101 if wish.settings.fitted.xv_101 else XV_102
    if wish.settings.job.vapor_inlet_with_liquid:
        inlet = INLETS
    return drawing(wish, inlet) | wish.aids & (M_201 | M_202 | M_001)
