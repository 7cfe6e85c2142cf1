"""ISOLATE: all is shut in order and the cylinder weighed."""

from __future__ import annotations

from rigctl.control.procedure.clearing import shutting
from rigctl.control.procedure.sequence import Facts
from rigctl.control.procedure.wish import Wish, water_moves, way_kept_open
from rigctl.control.procedure.work import Work


def judge(w: Work, f: Facts) -> None:
    procedure = w.settings.procedure
    shut = w.in_step_s > w.figures.clear_out.shut_strokes * procedure.valve_stroke_s
    f.isolated = shut and w.s.steady_s >= procedure.scale_steady_s


def wants(wish: Wish) -> int:
    return (way_kept_open(wish) if wish.uncleared else shutting(wish)) | water_moves(wish)
