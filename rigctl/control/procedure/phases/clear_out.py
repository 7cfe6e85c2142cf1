"""CLEAR_OUT: the liquid in condenser, coil and hose is taken back."""

from __future__ import annotations

from rigctl.control.procedure.clearing import CLEAR_TIME_OUT, clear, emptying
from rigctl.control.procedure.sequence import Facts
from rigctl.control.procedure.wish import Wish, water_moves
from rigctl.control.procedure.work import Work


def judge(w: Work, f: Facts) -> None:
    done, in_vain = clear(w)
    f.cleared = done or in_vain != "" or w.in_phase_s > w.settings.procedure.clear_out_limit_s
    w.lines.uncleared = f.cleared and not done
    if w.lines.uncleared:
        w.tell("note", "XV-203", in_vain or CLEAR_TIME_OUT)


def wants(wish: Wish) -> int:
    return emptying(wish) | water_moves(wish)
