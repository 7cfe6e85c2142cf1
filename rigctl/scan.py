"""One scan: decide, then advise. The only place that knows both.

`step(state, readings, prepared)` is a pure function. It reads no clock, does no I/O and does not raise on bad
readings; the same inputs give the same outputs on any machine.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import msgspec

from rigctl.advice.figures import AdviceFigures
from rigctl.advice.remedies import Memory as Advice
from rigctl.advice.report import Estimate, advise
from rigctl.control import prepare as decides
from rigctl.control import state as control
from rigctl.control.decide import decide
from rigctl.control.figures.figures import Figures
from rigctl.control.points import Outputs
from rigctl.control.prepared import Prepared as Decides
from rigctl.control.protect.alarms import Alarm
from rigctl.control.readings import Readings
from rigctl.control.settings import Settings
from rigctl.control.state import CylinderFill, Event, Reply, StandingCheck
from rigctl.control.vocabulary import Ask, Phase

ADVICE_FIGURES = AdviceFigures()
"""As they are in every job that nobody studies."""


@dataclass(frozen=True, slots=True, eq=False)
class Prepared(Decides):
    """A job's settings and what follows from them, for what decides and for what advises."""

    advice: AdviceFigures
    """Nothing in it moves an output."""


class State(msgspec.Struct, frozen=True):
    """All that is carried from scan to scan; enough, with the settings, to go on after a power loss."""

    control: control.State
    advice: Advice = Advice()
    """Nothing in it moves an output."""


class ScanRecord(msgspec.Struct, frozen=True):
    """All there is to know of one scan; what journal, telemetry, page and live view are given."""

    scan: int
    readings: Readings
    phase: Phase
    in_phase_s: float
    ask: Ask
    sentence: str
    """What the rig wants of the person, or why it stands; "" when nothing."""
    estimate: Estimate
    alarms: tuple[Alarm, ...]
    outputs: Outputs
    events: tuple[Event, ...]
    replies: tuple[Reply, ...]
    cylinders: tuple[CylinderFill, ...]
    """Finished cylinders first, the one on the scale last."""
    standing_checks: tuple[StandingCheck, ...]


def prepare(settings: Settings, figures: Figures = decides.FIGURES, advice: AdviceFigures = ADVICE_FIGURES) -> Prepared:
    """Return what all scans of a job share.

    Parameters
    ----------
    settings
        Of the job.
    figures, advice
        Tuned figures; a study gives its own.

    Raises
    ------
    UnknownRefrigerantError
        When there is no table of the job's refrigerant.
    """
    base = decides.prepare(settings, figures)
    return Prepared(**{field.name: getattr(base, field.name) for field in fields(base)}, advice=advice)


def initial(prepared: Prepared) -> State:
    """Return the state before a job: IDLE, nothing known of scale and appliance."""
    return State(control.initial(prepared))


def after_power_loss(state: State) -> State:
    """Return the state to wake up in: a job that was under way waits in HELD for a person, a trip stays latched."""
    return State(control.after_power_loss(state.control), state.advice)


def step(state: State, readings: Readings, prepared: Prepared) -> tuple[State, Outputs, ScanRecord]:
    """Run one scan.

    Parameters
    ----------
    state
        From `initial`, the scan before, or `after_power_loss`.
    readings
        This scan's readings and requests.
    prepared
        By `prepare`, of the job: the same for all its scans.

    Returns
    -------
    The state to carry on, the outputs to write, and the record for observers.
    """
    after, outputs, found = decide(state.control, readings, prepared)
    advice, shown, notes = advise(state.advice, after, found, prepared, prepared.advice)
    record = ScanRecord(
        scan=state.control.scan,
        readings=readings,
        phase=after.phase,
        in_phase_s=found.in_phase_s,
        ask=after.ask,
        sentence=after.sentence,
        estimate=shown,
        alarms=after.interlocks.alarms,
        outputs=outputs,
        events=found.events + notes,
        replies=found.replies,
        cylinders=found.cylinders,
        standing_checks=after.standing.checks,
    )
    return State(after, advice), outputs, record
