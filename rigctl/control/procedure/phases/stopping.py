"""STOPPING: the way to STOPPED."""

from __future__ import annotations

from rigctl.control.procedure.clearing import CAN_CLEAR, cooler_can_be_emptied, stand_down, standing_down
from rigctl.control.procedure.sequence import Facts
from rigctl.control.procedure.wish import Wish
from rigctl.control.procedure.work import Work
from rigctl.control.vocabulary import Ask, Phase, Step


def judge(w: Work, f: Facts) -> None:
    stand_down(w, f, w.settings.procedure.stopping_limit_s)


def enter(w: Work, f: Facts, was: Phase) -> None:
    # Lines that cannot be emptied now keep their way into the cylinder: nothing is shut in full of liquid.
    cooler_valves = w.settings.fitted.cooler_valves
    if w.lines.moved and w.lines.path_shut:
        w.lines.uncleared = True  # the power has shut them in, and nothing has emptied them since
    late = was in (Phase.VAPOR, Phase.STANDING, Phase.ISOLATE)  # by then a cooler is far from full
    keep = Step.SHUTTING if late and not cooler_valves else Step.STANDING_BY
    can_clear = was in CAN_CLEAR and cooler_can_be_emptied(w)
    w.step = (Step.EMPTYING if can_clear else keep) if w.lines.moved and not w.lines.path_shut else Step.SHUTTING
    w.sentence, w.ask = "Stopping on request.", Ask.NOTHING


def wants(wish: Wish) -> int:
    return standing_down(wish)
