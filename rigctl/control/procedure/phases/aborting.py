"""ABORTING: the safe state takes effect, then ABORTED."""

from __future__ import annotations

from rigctl.control.procedure.sequence import Facts
from rigctl.control.procedure.wish import Wish, water_moves, way_kept_open
from rigctl.control.procedure.work import Work
from rigctl.control.protect.table import TABLE
from rigctl.control.vocabulary import Ask, Phase


def judge(w: Work, f: Facts) -> None:
    f.settled = w.in_phase_s >= w.settings.procedure.aborting_s


def enter(w: Work, f: Facts, was: Phase) -> None:
    if w.permits.trip >= 0:
        row = TABLE[w.permits.trip]
        known = [alarm.text for alarm in w.interlocks.alarms if alarm.tag == row.tag]
        w.ask, w.sentence = row.ask, known[0] if known else row.say(w.x)
        w.tell("trip", row.tag, w.sentence)
    else:
        w.ask, w.sentence = Ask.CONFIRM, "Aborted on request. Look at the rig, then reset."
        w.tell("trip", "request", w.sentence)


def wants(wish: Wish) -> int:
    """Of ABORTING, ABORTED and IDLE: where something has moved, water goes on to keep the exchanger from freezing."""
    return way_kept_open(wish) | (water_moves(wish) if wish.moved else 0)
