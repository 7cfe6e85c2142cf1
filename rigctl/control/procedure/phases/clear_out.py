"""CLEAR_OUT: the liquid in condenser, coil and hose is taken back."""

from __future__ import annotations

from rigctl.control.procedure.clearing import CLEAR_TIME_OUT, clear, emptying
from rigctl.control.procedure.sequence import Facts
from rigctl.control.procedure.wish import Wish, water_moves
from rigctl.control.procedure.work import Work
from rigctl.control.vocabulary import Phase


def judge(w: Work, f: Facts) -> None:
    done, in_vain = clear(w)
    f.cleared = done or in_vain != "" or w.in_phase_s > w.settings.procedure.clear_out_limit_s
    if f.cleared:
        w.lines.uncleared = not done
    if f.cleared and not done:
        w.tell("note", "XV-203", in_vain or CLEAR_TIME_OUT)


def enter(w: Work, f: Facts, was: Phase) -> None:
    # The header is pumped into the lines first: they may hold liquid again, also where another cylinder came on with
    # its way still shut and the lines behind it told as empty.
    w.lines.moved, w.lines.path_shut = True, False


def wants(wish: Wish) -> int:
    return emptying(wish) | water_moves(wish)
