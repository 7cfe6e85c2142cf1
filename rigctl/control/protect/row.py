"""One row of the cause-and-effect table, and what the checks share.

A check asks whether its cause is present; it is written as "not surely good", so that an unfit reading (NaN) counts as
the cause.
"""

from __future__ import annotations

from collections.abc import Callable
from math import inf

import msgspec

from rigctl.control import notation
from rigctl.control.figures.protect import Protect
from rigctl.control.points import EH_001, INLETS, M_101, PUSH_PULL, XV_203
from rigctl.control.protect.situation import Situation
from rigctl.control.readings import Reading, sound
from rigctl.control.sense.signals import Signals
from rigctl.control.settings import Settings
from rigctl.control.vocabulary import Ask, Kind

STOP_PUMPING = M_101 | INLETS | XV_203 | EH_001 | PUSH_PULL
"""What most trips take away; the way into the cylinder stays open so that no liquid is locked in."""


class Interlock(msgspec.Struct, frozen=True):
    """One row of the cause-and-effect table."""

    tag: str
    kind: Kind
    cause: str
    """The cause in words, for the printed table."""
    takes: int
    """Bits of the outputs it takes away."""
    present: Callable[..., bool]
    """Whether its cause is present in a `Situation`."""
    say: Callable[[Situation], str]
    """The sentence: what is wrong, with the number that matters, and what to do."""
    ask: Ask = Ask.CHECK_RIG
    fitted: Callable[[Settings], bool] = lambda settings: True
    delay_s: Callable[[Settings, Protect], float] = lambda settings, figures: 0.0
    """How long the cause must be present, by settings and figures."""
    banded: bool = False
    """Its check has a dead band: asked whether the cause is *still* present, it takes the limit less that."""

    @property
    def latched(self) -> bool:
        """Every trip latches; a person at the rig resets it."""
        return self.kind is Kind.TRIP

    @property
    def reset_by(self) -> str:
        """Who may clear it."""
        if self.kind is Kind.TRIP:
            return "person at the rig"
        return "goes with its cause" if self.kind is not Kind.HOLD else "cause gone, then restart by a person"


def in_p(x: Situation, p_pa_abs: float) -> str:
    """A pressure in the reader's units."""
    return notation.pressure(p_pa_abs, x.settings.units)


def in_t(x: Situation, t_degc: float) -> str:
    """A temperature in the reader's units."""
    return notation.temperature(t_degc, x.settings.units)


def in_m(x: Situation, m_kg: float) -> str:
    """A mass in the reader's units."""
    return notation.mass(m_kg, x.settings.units)


def say_unfit(tag: str, reading: Reading, x: Situation) -> str:
    """Why a reading cannot be used, and what to look at."""
    if reading.fault is not None:
        why = reading.fault.value
    elif reading.value - reading.value != 0.0:
        why = "not a number"
    else:
        why = "no fresh value"
    return f"{tag} cannot be trusted ({why}). Check the instrument, its plug and its supply."


def contact_bad(reading: Reading, x: Situation) -> bool:
    """Whether a contact is not surely closed."""
    # `sound` written out: a value above a half is no NaN, and one that is infinite is no contact's.
    if reading.fault is not None or not 0.5 < reading.value < inf:
        return True
    return not 0.0 <= x.s.now_s - reading.taken_at_s <= x.settings.instruments.reading_max_age_s


def say_contact(tag: str, reading: Reading, x: Situation, said: str) -> str:
    """What an open contact means; one that says nothing is taken for open, and is told so."""
    if sound(reading, x.s.now_s, x.settings.instruments.reading_max_age_s):
        return said
    return say_unfit(tag, reading, x)


def fit(value: float) -> bool:
    """Whether a judged reading is a number."""
    return value == value


def is_unfit(value: Callable[[Signals], float]) -> Callable[[Situation], bool]:
    """A check that asks whether a reading is unfit while a job is under way."""

    def unfit(x: Situation) -> bool:
        if not x.active:
            return False
        judged = value(x.s)
        return judged != judged

    return unfit


def weighs(settings: Settings) -> bool:
    """Whether the job goes by the scale."""
    return settings.job.scale_usable
