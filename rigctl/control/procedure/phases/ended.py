"""STOPPED and COMPLETE: what is said at the end."""

from __future__ import annotations

from rigctl.control.procedure.clearing import LINES_HOLD_LIQUID, LINES_SHUT_IN
from rigctl.control.procedure.sequence import Facts
from rigctl.control.procedure.wish import Wish, way_kept_open
from rigctl.control.procedure.work import Work
from rigctl.control.vocabulary import Ask, Phase, Step

NO_CLEAR_OUT = "This rig has no clear-out: condenser and discharge hose still hold refrigerant."


def enter_stopped(w: Work, f: Facts, was: Phase) -> None:
    if w.lines.uncleared or (w.lines.moved and w.before.step is Step.STANDING_BY):
        w.sentence = f"Stopped. {_say_liquid(w)}"
    else:
        w.lines.moved = False
        w.sentence = "Stopped. Close the cylinder's valve and the service ports before taking hoses off."


def enter_complete(w: Work, f: Facts, was: Phase) -> None:
    w.ask = Ask.NOTHING
    if w.lines.uncleared:
        w.sentence = f"The level is reached. {_say_liquid(w)}"
    else:
        bare = w.lines.moved and not w.settings.fitted.cooler_valves
        w.lines.moved = False
        w.sentence = "Done. Close the cylinder's valve and the service ports before taking hoses off."
        if bare:
            w.sentence += f" {NO_CLEAR_OUT}"


def _say_liquid(w: Work) -> str:
    """The liquid in the lines: open to the cylinder, or shut in."""
    return LINES_HOLD_LIQUID if w.lines.moved and not w.lines.path_shut else LINES_SHUT_IN


def wants(wish: Wish) -> int:
    return way_kept_open(wish)  # shut, unless lines that hold liquid had to stay open
