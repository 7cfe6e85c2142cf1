"""What is carried from scan to scan, and what a scan leaves for those who watch."""

from __future__ import annotations

from math import nan

import msgspec

from rigctl.control.points import Outputs
from rigctl.control.prepared import Prepared
from rigctl.control.protect.alarms import Memory
from rigctl.control.room import Room
from rigctl.control.sense import estimate, outgassing
from rigctl.control.sense.memory import Memory as Senses
from rigctl.control.sense.outgassing import Giving, Outlook, Rise
from rigctl.control.settings import Cylinder
from rigctl.control.vocabulary import ACTIVE, Ask, Cause, Phase, Shape, Step, phase_word
from rigctl.refrigerant.cylinder import fill_limit


class Rest(msgspec.Struct, frozen=True, array_like=True, gc=False):
    """A stop of the motor that ends by itself."""

    cause: Cause = Cause.NONE
    since_s: float = nan
    looked_s: float = nan
    looked_at: float = nan
    """The value it waits for, when last looked at."""
    in_vain: bool = False
    """By what the last look saw it would take too long: a hold, and a person, instead."""
    ended_s: float = nan
    """When the last rest ended."""


class Event(msgspec.Struct, frozen=True):
    """Something that happened in this scan and that a person may want to read later."""

    kind: str
    """phase, trip, hold, alarm, request, cylinder, standing or note."""
    tag: str
    text: str


class Reply(msgspec.Struct, frozen=True):
    """The answer to one request."""

    request_id: str
    accepted: bool
    text: str


class CylinderFill(msgspec.Struct, frozen=True):
    """What one cylinder got in this job."""

    cylinder: Cylinder
    tare_reading_kg: float
    """Gross weight when it came on."""
    net_kg: float
    net_uncertainty_kg: float


class StandingCheck(msgspec.Struct, frozen=True):
    """One hold-and-watch: inlets shut, compressor off, pressure watched."""

    started_s: float
    duration_s: float
    start_pa_abs: float
    end_pa_abs: float
    passed: bool
    shape: Shape = Shape.UNKNOWN
    """What the rise meant."""


class Clearing(msgspec.Struct, frozen=True, array_like=True, gc=False):
    """How far a clear-out has come."""

    from_pa_abs: float = nan
    """Discharge pressure when its pumping began."""
    low_pa_abs: float = nan
    """Header pressure just before XV-203 opened."""
    switched_s: float = nan
    """When the header was down and the clear-out went over to the bypass."""
    seen: bool = False
    """The header rose when XV-203 opened: the cooler is connected."""
    down_s: float = nan
    """Since when the cooler section has been down."""


class Crossing(msgspec.Struct, frozen=True, array_like=True, gc=False):
    """How a crossing goes: push-pull with XV-104 open."""

    best_kg_s: float = 0.0
    """The weight's slope at its best, forgotten over minutes: what it is measured by."""
    low_since_s: float = nan
    dry: bool = False
    """It ended because vapor came."""


class Drive(Room, gc=False):
    """What the rig's outputs are told, and since when."""

    throttle: float = 0.0
    """Opening of CV-103."""
    outputs: Outputs = Outputs()
    motor_s: float = nan
    """When the motor last started or stopped."""
    path_s: float = nan
    """When the way out was last commanded open; NaN while it is not."""


class Lines(Room, gc=False):
    """Cooler, discharge hose and the way into the cylinder: what they may hold, and whether they may be open."""

    moved: bool = False
    """The way into the cylinder has been open, so lines may hold liquid."""
    path_shut: bool = False
    """XV-301 has to stay shut: cylinder off, power lost."""
    uncleared: bool = False
    """They hold liquid that could not be cleared out."""
    clearing: Clearing = Clearing()


class OnScale(Room, gc=False):
    """The cylinder on the scale, and those before it."""

    cylinder: Cylinder
    fill_limit_kg: float
    tare_known: bool = False
    off: bool = False
    """It is being changed: nothing may flow, and the scale says nothing of refrigerant."""
    excess_accepted_kg: float = 0.0
    """Difference of pump and scale that a person has looked into."""
    off_net_kg: float = nan
    off_uncertainty_kg: float = nan
    """Net weight of the cylinder that came off and its standard uncertainty, as weighed before it was touched."""
    earlier: tuple[CylinderFill, ...] = ()


class Appliance(Room, gc=False):
    """What has been found or said of the appliance in this job."""

    start_pa_abs: float = nan
    """Its pressure before anything flowed."""
    hose_at: str = ""
    """On a rig with one inlet valve: "liquid" or "vapor" once a person has connected it there."""
    refrigerant_accepted: bool = False
    vapor_only: bool = False
    """The pressure at line-up was below saturation."""
    little_accepted: bool = False
    """A person has said that less than the declared charge is all there is."""
    liquid_done: bool = False
    liquid_returns: int = 0
    push_pull_over: bool = False
    """Push-pull has ended in this job: what liquid is left comes through the compressor."""


class Pull(Room, gc=False):
    """How the drawing goes."""

    target_pa_abs: float
    dwell_s: float = nan
    """Since when the target has held; NaN while it does not."""
    giving: Giving = Giving()
    rest: Rest = Rest()
    crossing: Crossing = Crossing()


class Standing(Room, gc=False):
    """The standing check under way, and those before it."""

    start_pa_abs: float = nan
    isolated_degc: float = nan
    """Temperature of the appliance when it was shut in."""
    rise: Rise = Rise()
    outlook: Outlook | None = None
    """Where the rise of the present check leads."""
    shape: Shape = Shape.UNKNOWN
    """What the rise of the last check meant."""
    repeats: int = 0
    checks: tuple[StandingCheck, ...] = ()


class State(msgspec.Struct, frozen=True):
    """All that is carried from scan to scan; enough, with the settings, to go on after a power loss.

    One memory a room. A scan works on copies of them: the state that it was given stays as it was.
    """

    phase: Phase
    on_scale: OnScale
    pull: Pull
    drive: Drive
    scan: int = 0
    at_s: float = nan
    entered_s: float = nan
    step: Step = Step.WHOLE
    step_s: float = nan
    """When the step inside the phase began."""
    resume_to: Phase = Phase.LINE_UP
    ask: Ask = Ask.NOTHING
    sentence: str = ""
    estimate: Senses = msgspec.field(default_factory=Senses)
    interlocks: Memory = Memory()
    lines: Lines = msgspec.field(default_factory=Lines)
    appliance: Appliance = msgspec.field(default_factory=Appliance)
    standing: Standing = msgspec.field(default_factory=Standing)


def limit_kg(cylinder: Cylinder, prepared: Prepared) -> float:
    """Return the most refrigerant a cylinder may hold in this job, kg."""
    return fill_limit(prepared.refrigerant, cylinder.water_capacity_kg).limit_kg


def initial(prepared: Prepared) -> State:
    """Return the state before a job: IDLE, nothing known of scale and appliance."""
    settings = prepared.settings
    level, procedure = settings.job.level_pa_abs, settings.procedure
    return State(
        phase=Phase.IDLE,
        on_scale=OnScale(settings.cylinder, limit_kg(settings.cylinder, prepared)),
        pull=Pull(
            max(level * procedure.pull_fraction, procedure.pull_floor_pa_abs),
            giving=outgassing.unmeasured(prepared.figures.sense.outgassing),
        ),
        drive=Drive(procedure.liquid_position),
        estimate=estimate.initial(prepared),
    )


def after_power_loss(state: State) -> State:
    """Return the state to wake up in: a job that was under way waits in HELD for a person, a trip stays latched.

    The monotonic clock starts anew with the machine, so every instant of the old one is dropped.
    """
    phase, sentence, ask, resume_to = state.phase, state.sentence, state.ask, state.resume_to
    if phase in ACTIVE:
        if state.on_scale.off and state.on_scale.tare_known:
            sentence = "Power was lost while the cylinder was being changed. Put the new one on, then restart or stop."
            ask = Ask.CHANGE_CYLINDER
        else:
            word = phase_word(phase)
            sentence = f"Power was lost during {word}. Look at the rig, hoses and cylinder, then restart or stop."
            ask = Ask.CONFIRM
        resume_to = Phase.LINE_UP
        phase = Phase.HELD
    elif phase is Phase.ABORTING:
        phase = Phase.ABORTED
    replace = msgspec.structs.replace
    pull, standing = state.pull, state.standing
    return replace(
        state,
        phase=phase,
        sentence=sentence,
        ask=ask,
        resume_to=resume_to,
        at_s=nan,
        entered_s=nan,
        step=Step.WHOLE,
        step_s=nan,
        estimate=estimate.after_power_loss(
            state.estimate, refrigerant_may_have_come=phase is Phase.HELD and state.on_scale.tare_known
        ),
        interlocks=replace(state.interlocks, raw=0, since_s=()),
        drive=Drive(state.drive.throttle),
        lines=replace(state.lines, path_shut=True, clearing=Clearing()),
        pull=Pull(pull.target_pa_abs, giving=outgassing.kept(pull.giving)),
        standing=replace(standing, rise=Rise(), outlook=None),
    )
