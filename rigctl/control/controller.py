"""One scan: readings in, outputs and the frozen record of the scan out.

`step(state, readings, settings)` is a pure function. It reads no clock, does no I/O and does not raise on bad
readings; the same inputs give the same outputs on any machine.
"""

from __future__ import annotations

from math import inf, nan

import msgspec

from rigctl.control import estimate, interlocks, outputs, words
from rigctl.control.estimate import Estimate, Progress, Signals
from rigctl.control.interlocks import TABLE, Alarm, Ask, Kind, Permits, Situation
from rigctl.control.points import INLETS, M_101, M_201, XV_203, XV_301, Outputs
from rigctl.control.readings import Readings, Request, RequestKind, Source
from rigctl.control.sequence import ACTIVE, RUNNING, Facts, Phase, next_phase
from rigctl.control.settings import Cylinder, Settings
from rigctl.refrigerant import catalogue
from rigctl.refrigerant.catalogue import UnknownRefrigerantError
from rigctl.refrigerant.cylinder import CylinderError, fill_limit, pressure_rating, retest_check

LINE_UP_GRACE_S = 15.0
"""Time a check of the line-up may take to come good before it counts as failed."""
UNMEASURED_K = 5.0
"""How far an appliance whose temperature nobody measures may be from the room's."""
FILLING_S = 180.0
"""Time the rig's own volumes may take to fill from the appliance before its pressure is judged."""
DISCHARGE_EASE_FRACTION = 0.92
"""Share of the discharge limit at which the suction throttle starts to close."""
LIQUID_RETURNS = 6
"""The procedure goes back to the liquid at most so often: every job ends."""
LIQUID_BACK_S = 8.0
"""How long more must arrive than vapor can explain before the rig goes back to drawing liquid."""
TARE_SHARE = 0.02
TARE_SLACK_KG = 0.2
TARE_MORE_KG = 1.0
"""How far from its stamp and log a cylinder may weigh, below and above; common practice, no source."""
SCALE_RESTLESS = "The scale does not come to rest. See that nothing touches the cylinder, then restart."
TOO_LITTLE_SHARE = 0.5
"""Less than this share of the declared charge, with the level held, makes the rig ask before it ends."""
CLEAR_START_S = 2.0
CLEAR_HEADER_S = 20.0
CLEAR_IN_VAIN_S = 20.0
"""The motor runs at least so long before the bypass is tried; a header that is not down by then never will be (an inlet
leaks); a header that has not risen so long after the cooler should have been let in means that XV-203 is shut."""
CLEAR_WIDE_S = 10.0
"""The throttle stays small this long: the first that comes from the cooler is liquid."""
CLEAR_SEEN_PA = 2e4
HEADER_STAYS_UP = "The cooler was not cleared out: the header does not come down. Does an inlet valve not shut?"
COOLER_STAYS_SHUT = "The cooler was not cleared out: nothing came from it. Does XV-203 open?"
CLEAR_TIME_OUT = "The cooler was not wholly cleared out in the time given for it."
LINES_HOLD_LIQUID = (
    "Cooler and discharge hose still hold liquid and stay open to the cylinder: empty them before any valve is closed."
)
CLEAR_FLOW_KG_S = 5e-4
"""Weight gain above which the cooler is not empty yet."""
SPENT_RATIO = 0.85
"""Share of the compression ratio limit at which a pull that is below the level has done what it can."""
COOLING_ON_KG_S = 2.0e-3
COOLING_OFF_KG_S = 1.2e-3
"""Flow at which the condenser fan starts and stops to pay while vapor is drawn."""
TIGHTEN = 0.7
"""A pull after a failed standing check goes at least this much lower."""


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


class State(msgspec.Struct, frozen=True):
    """All that is carried from scan to scan; enough, with the settings, to go on after a power loss."""

    phase: Phase
    cylinder: Cylinder
    fill_limit_kg: float
    pull_target_pa_abs: float
    throttle: float
    scan: int = 0
    at_s: float = nan
    entered_s: float = nan
    stage: int = 0
    stage_s: float = nan
    """When the step inside the phase began."""
    resume_to: Phase = Phase.LINE_UP
    ask: Ask = Ask.NOTHING
    sentence: str = ""
    estimate: estimate.Memory = estimate.Memory()
    interlocks: interlocks.Memory = interlocks.Memory()
    outputs: Outputs = Outputs()
    changed_s: float = nan
    """When an output last changed."""
    motor_s: float = nan
    """When the motor last started or stopped."""
    path_s: float = nan
    """When the way out was last commanded open; NaN while it is not."""
    moved: bool = False
    path_shut: bool = False
    tare_known: bool = False
    cylinder_off: bool = False
    excess_accepted_kg: float = 0.0
    off_net_kg: float = nan
    """Net weight of the cylinder that came off, as weighed before it was touched."""
    hose_at: str = ""
    """On a rig with one inlet valve: "liquid" or "vapor" once a person has connected it there."""
    refrigerant_accepted: bool = False
    vapor_only: bool = False
    """The pressure at line-up was below saturation."""
    little_accepted: bool = False
    """A person has said that less than the declared charge is all there is."""
    liquid_done: bool = False
    liquid_returns: int = 0
    appliance_start_pa_abs: float = nan
    dwell_s: float = nan
    """Since when the pull's target has held; NaN while it does not."""
    clearing: Clearing = Clearing()
    uncleared: bool = False
    """Lines to the cylinder hold liquid that could not be cleared out."""
    standing_start_pa_abs: float = nan
    standing_middle_pa_abs: float = nan
    repeats: int = 0
    cylinders: tuple[CylinderFill, ...] = ()
    standing_checks: tuple[StandingCheck, ...] = ()


def initial(settings: Settings) -> State:
    """Return the state before a job: IDLE, nothing known of scale and appliance."""
    return State(
        Phase.IDLE,
        settings.cylinder,
        _limit_kg(settings.cylinder, settings),
        settings.job.level_pa_abs * settings.procedure.pull_fraction
        if settings.job.level_pa_abs * settings.procedure.pull_fraction > settings.procedure.pull_floor_pa_abs
        else settings.procedure.pull_floor_pa_abs,
        settings.procedure.liquid_position,
    )


def after_power_loss(state: State) -> State:
    """Return the state to wake up in: a job that was under way waits in HELD for a person, a trip stays latched.

    The monotonic clock starts anew with the machine, so every instant of the old one is dropped.
    """
    phase, sentence, ask = state.phase, state.sentence, state.ask
    resume_to = state.resume_to
    if phase in ACTIVE:
        if state.cylinder_off and state.tare_known:
            sentence = "Power was lost while the cylinder was being changed. Put the new one on, then restart or stop."
            ask = Ask.CHANGE_CYLINDER
        else:
            word = _word(phase)
            sentence = f"Power was lost during {word}. Look at the rig, hoses and cylinder, then restart or stop."
            ask = Ask.CONFIRM
        resume_to = Phase.LINE_UP
        phase = Phase.HELD
    elif phase is Phase.ABORTING:
        phase = Phase.ABORTED
    memory = msgspec.structs.replace(
        state.estimate,
        at_s=nan,
        gross_kg=nan,
        flow_kg_s=0.0,
        disturbed_since_s=nan,
        steady_since_s=nan,
        anchor_gross_kg=nan,
        progress_s=nan,
        expecting_s=nan,
        ratio_high_since_s=nan,
        flow_low_since_s=nan,
        p_201_pa_abs=nan,
        p_201_rate_pa_s=0.0,
        p_side_pa_abs=nan,
    )
    return msgspec.structs.replace(
        state,
        phase=phase,
        sentence=sentence,
        ask=ask,
        resume_to=resume_to,
        at_s=nan,
        entered_s=nan,
        stage=0,
        stage_s=nan,
        estimate=memory,
        interlocks=msgspec.structs.replace(state.interlocks, raw=0, since_s=()),
        outputs=Outputs(),
        changed_s=nan,
        motor_s=nan,
        path_s=nan,
        path_shut=True,
        dwell_s=nan,
        clearing=Clearing(),
    )


def _word(phase: Phase) -> str:
    return phase.value.replace("_", "-")


def _limit_kg(cylinder: Cylinder, settings: Settings) -> float:
    return fill_limit(catalogue.get(settings.job.refrigerant), cylinder.water_capacity_kg).limit_kg


def cylinder_fault(cylinder: Cylinder, settings: Settings) -> str:
    """Return why a cylinder may not be filled in this job, as one sentence; "" when it may."""
    refrigerant = catalogue.get(settings.job.refrigerant)
    if not (0.0 < cylinder.tare_kg < 1e4 and 0.0 <= cylinder.residual_kg < 1e4):
        return f"Cylinder {cylinder.serial}: its tare or its log is no weight. Read the stamp and name it again."
    try:
        if cylinder.refrigerant and catalogue.get(cylinder.refrigerant).name != refrigerant.name:
            return (
                f"Cylinder {cylinder.serial} is for {cylinder.refrigerant}, the appliance holds {refrigerant.name}: "
                "never mix. Put on another cylinder, then restart."
            )
        fill_limit(refrigerant, cylinder.water_capacity_kg)
        rating = pressure_rating(refrigerant, cylinder.service_pressure_pa_gauge)
    except (UnknownRefrigerantError, CylinderError) as error:
        return f"Cylinder {cylinder.serial}: {error} Put on another cylinder, then restart."
    retest = retest_check(cylinder.retest_due, settings.job.date)
    if not retest.ok:
        return f"Cylinder {cylinder.serial}: {retest.text} Put on another cylinder, then restart."
    if not rating.ok:
        hot = words.pressure(rating.pressure_at_55c_pa_gauge + words.ATMOSPHERE_PA, settings.units)
        return (
            f"Cylinder {cylinder.serial} is not rated for {refrigerant.name}: it would reach {hot} at 55 °C. "
            "Put on another cylinder, then restart."
        )
    return ""


class _Asked:
    """What the requests of a scan come to."""

    __slots__ = ("abort", "acknowledge", "cylinder", "hold", "refusals", "reset", "restart", "start", "stop")

    def __init__(self) -> None:
        self.abort = self.acknowledge = self.hold = self.reset = self.restart = self.start = self.stop = False
        self.cylinder: Cylinder | None = None
        self.refusals: list[str] = []
        """Why each request of the scan is refused, "" for those taken."""


_AT_THE_RIG = (RequestKind.START, RequestKind.RESTART, RequestKind.RESET)


def _hear(state: State, requests: tuple[Request, ...], settings: Settings) -> _Asked:
    """Sort out requests. Stop, hold, abort and acknowledge are taken from anywhere; the rest only at the rig."""
    asked = _Asked()
    for request in requests:
        kind, text = request.kind, ""
        if request.source is not Source.LOCAL and kind in _AT_THE_RIG:
            text = f"{kind.value} is only taken from a person at the rig."
        elif kind is RequestKind.STOP:
            asked.stop = True
        elif kind is RequestKind.ABORT:
            asked.abort = True
        elif kind is RequestKind.HOLD:
            if state.phase in RUNNING or state.phase is Phase.RESTARTING:
                asked.hold = True
            else:
                text = f"There is nothing to hold in {_word(state.phase)}."
        elif kind is RequestKind.ACKNOWLEDGE:
            asked.acknowledge = True
        elif kind is RequestKind.START:
            if state.phase is Phase.IDLE:
                asked.start = True
            else:
                text = f"The rig is in {_word(state.phase)}; start is taken in idle."
        elif kind is RequestKind.RESET:
            if request.cylinder is None:
                asked.reset = True
            elif state.phase is not Phase.ABORTED:
                text = "Another cylinder is named with restart when the rig is held, or with reset after a trip."
            else:
                text = cylinder_fault(request.cylinder, settings)
                if not text:
                    asked.reset, asked.cylinder = True, request.cylinder
        elif state.phase is not Phase.HELD:
            text = f"The rig is in {_word(state.phase)}; restart is taken when it is held."
        elif state.ask is Ask.CHANGE_CYLINDER and request.cylinder is None:
            text = "Say which cylinder is on the scale now."
        else:
            text = cylinder_fault(request.cylinder, settings) if request.cylinder is not None else ""
            if not text:
                asked.restart, asked.cylinder = True, request.cylinder or asked.cylinder
        asked.refusals.append(text)
    return asked


def _answer(requests: tuple[Request, ...], asked: _Asked, permits: Permits, phase: Phase) -> tuple[Reply, ...]:
    """Answer the requests of a scan, once the interlocks have been judged."""
    replies = []
    for request, refusal in zip(requests, asked.refusals, strict=True):
        text = refusal
        if not text and permits.trip >= 0 and request.kind in (RequestKind.START, RequestKind.RESET):
            row = TABLE[permits.trip]
            text = f"{row.tag} still stands ({row.cause}); {request.kind.value} is not taken."
        idle = phase not in ACTIVE and request.kind in (RequestKind.STOP, RequestKind.ABORT)
        done = "Nothing is running." if idle else f"{request.kind.value} taken."
        replies.append(Reply(request.request_id, not text, text or done))
    return tuple(replies)


_LIMITS = {
    Phase.LINE_UP: "line_up_limit_s",
    Phase.LIQUID: "liquid_limit_s",
    Phase.VAPOR: "vapor_limit_s",
    Phase.STANDING: "standing_limit_s",
    Phase.ISOLATE: "isolate_limit_s",
}
_STAGE_OF = {
    Phase.LINE_UP: 1,
    Phase.LIQUID: 1,
    Phase.VAPOR: 2,
    Phase.STANDING: 3,
    Phase.CLEAR_OUT: 4,
    Phase.ISOLATE: 5,
    Phase.STOPPED: 6,
    Phase.COMPLETE: 6,
    Phase.ABORTED: 6,
}
_CAN_CLEAR = (Phase.LINE_UP, Phase.LIQUID, Phase.VAPOR, Phase.STANDING, Phase.CLEAR_OUT)


def _situation(state: State, readings: Readings, settings: Settings, s: Signals) -> Situation:
    now, phase = readings.now_s, state.phase
    entered = state.entered_s if state.entered_s == state.entered_s else now
    x = Situation()
    x.s, x.settings, x.readings = s, settings, readings
    x.bits = state.outputs.bits
    x.active = phase in ACTIVE
    x.under_way = x.active or phase in (Phase.ABORTING, Phase.ABORTED)
    x.taking = phase is Phase.LIQUID or phase is Phase.VAPOR
    x.vapor = phase is Phase.VAPOR
    x.line_up = phase is Phase.LINE_UP
    x.filling = x.bits & XV_301 != 0
    x.attended = phase in (Phase.HELD, Phase.RESTARTING)
    x.pumping = x.bits & M_101 != 0
    x.cylinder, x.cylinder_off, x.fill_limit_kg = state.cylinder, state.cylinder_off, state.fill_limit_kg
    if state.tare_known:
        x.net_contents_kg = state.estimate.contents_start_kg + s.net_kg
    else:
        x.net_contents_kg = max(0.0, state.estimate.gross_kg - state.cylinder.tare_kg)
    x.appliance_start_pa_abs = state.appliance_start_pa_abs
    x.in_phase_s = now - entered
    limit = _LIMITS.get(phase)
    x.phase_limit_s = getattr(settings.procedure, limit) if limit else inf
    x.phase_word = phase.value.replace("_", "-").capitalize()
    since_motor = now - state.motor_s if state.motor_s == state.motor_s else inf
    x.motor_on_s = since_motor if x.pumping else 0.0
    x.motor_off_s = 0.0 if x.pumping else since_motor
    x.clear_from_pa_abs = state.clearing.from_pa_abs
    x.excess_accepted_kg = state.excess_accepted_kg
    x.dt_s = now - state.at_s if state.at_s == state.at_s else 0.0
    x.readback_bad = 0
    if settings.fitted.readback:
        if readings.readback is None:
            x.readback_bad = -1
        else:
            x.readback_bad = (readings.readback ^ x.bits) & outputs.fitted_outputs(settings)
    return x


def _line_up_fault(state: State, x: Situation, permits: Permits) -> tuple[str, Ask]:
    """The first line-up check that is not met, as a sentence with what it asks; ("", NOTHING) when all are."""
    settings, s = x.settings, x.s
    job, units = settings.job, settings.units
    if permits.inhibit >= 0:
        row = TABLE[permits.inhibit]
        return row.say(x), row.ask
    if state.stage == 0:
        fault = cylinder_fault(state.cylinder, settings)
        if fault:
            return fault, Ask.CHANGE_CYLINDER
        if _one_inlet(settings) and not state.hose_at:
            if job.liquid_first and not state.liquid_done:
                return "Connect the hose to the appliance's liquid port, purge it, then restart.", Ask.HOSE_TO_LIQUID
            return "Connect the hose to the appliance's vapor port, purge it, then restart.", Ask.HOSE_TO_VAPOR
        if state.cylinder_off and state.tare_known:
            return "Say which cylinder is on the scale now, then restart.", Ask.CHANGE_CYLINDER
        gross = state.estimate.gross_kg
        if _too_light(gross, state.cylinder) or (not state.tare_known and _too_heavy(gross, state.cylinder)):
            return _wrong_weight(gross, state.cylinder, settings), Ask.CHECK_SCALE
        if s.steady_s < settings.procedure.scale_steady_s:
            return SCALE_RESTLESS, Ask.CHECK_SCALE
        return "", Ask.NOTHING
    if state.refrigerant_accepted:
        return "", Ask.NOTHING
    p = s.p_appliance
    if not p > max(settings.procedure.empty_appliance_pa_abs, job.level_pa_abs):
        return (
            f"The appliance is at {words.pressure(p, units)}, not above the level required: empty, or its service "
            "valve is closed. Check ports and hoses, then restart, or stop if there is nothing to recover.",
            Ask.CHECK_APPLIANCE,
        )
    refrigerant = catalogue.get(job.refrigerant)
    t = s.t_001 if s.t_001 == s.t_001 else job.ambient_degc
    tolerance = settings.procedure.pt_tolerance_k + (0.0 if s.t_001 == s.t_001 else UNMEASURED_K)
    slack = settings.instruments.pressure_uncertainty_pa
    high = refrigerant.bubble_pressure_pa_abs(t + tolerance) + slack
    low = refrigerant.dew_pressure_pa_abs(t - tolerance) - slack
    if p > high:
        return (
            f"{words.pressure(p, units)} in the appliance is above what {refrigerant.name} can have at "
            f"{words.temperature(t, units)}: another refrigerant, air in it, or a warm spot. Check the label; "
            "restart only if you are sure.",
            Ask.CHECK_REFRIGERANT,
        )
    if p < low:
        return (
            f"{words.pressure(p, units)} in the appliance is below saturation of {refrigerant.name} at "
            f"{words.temperature(t, units)}: only vapor is left in it, or it is another refrigerant. Check the "
            "label; restart if it is right.",
            Ask.CHECK_REFRIGERANT,
        )
    return "", Ask.NOTHING


def _too_light(gross_kg: float, cylinder: Cylinder) -> bool:
    """Whether a cylinder is not (wholly) on the scale, or the scale reads low and would hide what is in it."""
    return not gross_kg >= cylinder.tare_kg * (1.0 - TARE_SHARE) - TARE_SLACK_KG + cylinder.residual_kg


def _too_heavy(gross_kg: float, cylinder: Cylinder) -> bool:
    """Whether a cylinder that comes on weighs more than its stamp and its log explain, or the scale stands still."""
    logged = not cylinder.refrigerant or cylinder.residual_kg > 0.0
    return logged and gross_kg > cylinder.tare_kg * (1.0 + TARE_SHARE) + cylinder.residual_kg + TARE_MORE_KG


def _wrong_weight(gross_kg: float, cylinder: Cylinder, settings: Settings) -> str:
    shown = words.mass(gross_kg, settings.units)
    expected = words.mass(cylinder.tare_kg + cylinder.residual_kg, settings.units)
    return (
        f"The scale shows {shown}; cylinder {cylinder.serial} should weigh about {expected} by its stamp and log. See "
        "that it is the right one and stands alone on a scale that moves, then restart."
    )


def _change_cylinder(state: State, memory: estimate.Memory, cylinder: Cylinder, settings: Settings) -> State:
    """Return the state with another cylinder on the scale: what the old one got is booked, the new tare is to come."""
    cylinders = state.cylinders
    if state.tare_known:
        net = state.off_net_kg if state.cylinder_off else memory.gross_kg - memory.tare_kg
        cylinders = (*cylinders, _fill(state.cylinder, memory, net, settings))
    return msgspec.structs.replace(
        state,
        cylinder=cylinder,
        fill_limit_kg=_limit_kg(cylinder, settings),
        cylinders=cylinders,
        tare_known=False,
        cylinder_off=True,
        path_shut=True,
        moved=False,
        uncleared=state.uncleared or (state.moved and not state.path_shut),
        excess_accepted_kg=0.0,
    )


def _one_inlet(settings: Settings) -> bool:
    return not (settings.fitted.xv_101 and settings.fitted.xv_102)


def _will_hold(start_pa: float, middle_pa: float, end_pa: float, level_pa: float) -> bool:
    """Whether a decaying rise comes to rest below the level.

    Refrigerant boiling out of oil and a chilled appliance raise the pressure towards a limit, each half of the check
    by less than the half before; the rest of such a geometric series is r2*r2/(r1 - r2). A leak rises evenly and
    gets no credit.
    """
    first, second = middle_pa - start_pa, end_pa - middle_pa
    if not second < 0.9 * first:
        return False
    return end_pa + max(second, 0.0) ** 2 / (first - max(second, 0.0)) <= level_pa


def _clear(clearing: Clearing, state: State, x: Situation) -> tuple[Clearing, bool, str]:
    """Carry a clear-out on; return it with whether it is done, and why it is in vain ("" while it is not).

    Done means: XV-203 showed itself open by a rising header, and the header has been down for the dwell time with
    the cylinder gaining nothing (XV-203 is narrow: the header may be low while the cooler still boils).
    """
    settings, s, now = x.settings, x.s, x.s.now_s
    level = settings.procedure.clear_out_level_pa_abs
    start, low, switched, seen = clearing.from_pa_abs, clearing.low_pa_abs, clearing.switched_s, clearing.seen
    if switched != switched:
        running_s = min(x.motor_on_s, now - state.stage_s)
        if running_s >= CLEAR_START_S and s.p_101 <= level:
            return Clearing(s.p_201, s.p_101, now), False, ""
        reserve = settings.limits.fill_reserve_kg
        full = state.tare_known and x.net_contents_kg > x.fill_limit_kg - 0.25 * reserve
        in_vain = full or running_s > CLEAR_HEADER_S
        return clearing, False, HEADER_STAYS_UP if in_vain else ""
    if not x.bits & XV_203:
        return Clearing(s.p_201, s.p_101, switched), False, ""
    seen = seen or s.p_101 > low + CLEAR_SEEN_PA
    still = not (s.scale_ok and s.disturbed_s == 0.0 and state.estimate.flow_kg_s > CLEAR_FLOW_KG_S)
    down = x.pumping and seen and s.p_101 <= level and still
    down_s = (clearing.down_s if clearing.down_s == clearing.down_s else now) if down else nan
    done = down and now - down_s >= settings.procedure.dwell_s
    in_vain = not seen and now - switched > CLEAR_IN_VAIN_S
    return Clearing(start, low, switched, seen, down_s), done, COOLER_STAYS_SHUT if in_vain else ""


def step(state: State, readings: Readings, settings: Settings) -> tuple[State, Outputs, ScanRecord]:
    """Run one scan.

    Parameters
    ----------
    state
        From `initial`, the scan before, or `after_power_loss`.
    readings
        This scan's readings and requests.
    settings
        The same object for the whole job.

    Returns
    -------
    The state to carry on, the outputs to write, and the record for observers.
    """
    now = readings.now_s
    procedure, fitted, job = settings.procedure, settings.fitted, settings.job
    was = state.phase
    entered = state.entered_s if state.entered_s == state.entered_s else now
    stage, stage_s = state.stage, (state.stage_s if state.stage_s == state.stage_s else now)
    events: list[Event] = []

    memory, s = estimate.update(
        state.estimate,
        readings,
        settings,
        state.outputs,
        expecting_liquid=was is Phase.LIQUID,
        cylinder_off=state.cylinder_off or not state.tare_known,
        appliance_pa_abs=state.appliance_start_pa_abs,
    )
    asked = _hear(state, readings.requests, settings) if readings.requests else _NOTHING_ASKED
    x = _situation(state, readings, settings, s)
    locks, permits = interlocks.evaluate(state.interlocks, x, acknowledge=asked.acknowledge, reset=asked.reset)
    if asked.reset and asked.cylinder is not None and was is Phase.ABORTED:
        # With another cylinder on the scale the cause may be gone; a reset refused all the same changes nothing.
        other = _change_cylinder(state, memory, asked.cylinder, settings)
        x_2 = _situation(other, readings, settings, s)
        locks_2, permits_2 = interlocks.evaluate(state.interlocks, x_2, acknowledge=asked.acknowledge, reset=True)
        if permits_2.trip < 0:
            state, x, locks, permits = other, x_2, locks_2, permits_2
    in_phase, in_stage = now - entered, now - stage_s

    # --- facts for the sequence
    f = Facts()
    f.tripped = permits.trip >= 0
    f.abort_asked = asked.abort
    f.stop_asked = asked.stop
    f.hold_asked = asked.hold
    f.start_asked = asked.start and not (f.tripped or asked.stop or asked.abort)  # of two words the safe one counts
    f.restart_asked, f.change_asked = asked.restart, False
    f.must_hold = permits.hold >= 0
    f.resume_to = state.resume_to
    f.has_clear_out = fitted.cooler_valves
    f.reset_taken = asked.reset and not f.tripped
    f.line_up_failed = f.line_up_passed = f.liquid_wanted = f.liquid_gone = f.hose_must_move = False
    f.too_little = f.liquid_back = False
    f.level_held = f.standing_failed = f.standing_passed = f.standing_gave_up = False
    f.cleared = f.isolated = f.settled = f.restart_ready = f.restart_failed = False
    replies = _answer(readings.requests, asked, permits, was) if readings.requests else ()

    dwell_s, clearing, uncleared = state.dwell_s, state.clearing, state.uncleared
    standing_start, standing_middle = state.standing_start_pa_abs, state.standing_middle_pa_abs
    sentence, ask = state.sentence, state.ask
    cylinder, limit_kg = state.cylinder, state.fill_limit_kg
    cylinders, checks = state.cylinders, state.standing_checks
    excess_accepted = state.excess_accepted_kg
    tare_known, cylinder_off, off_net = state.tare_known, state.cylinder_off, state.off_net_kg
    appliance_start = state.appliance_start_pa_abs
    moved, path_shut = state.moved, state.path_shut
    liquid_done, accepted, little = state.liquid_done, state.refrigerant_accepted, state.little_accepted
    vapor_only, liquid_returns = state.vapor_only, state.liquid_returns
    hose_at, repeats, pull_target = state.hose_at, state.repeats, state.pull_target_pa_abs
    p = s.p_appliance

    if was is Phase.LINE_UP:
        fault, fault_ask = _line_up_fault(state, x, permits)
        if fault:
            grace = LINE_UP_GRACE_S + (procedure.scale_steady_s if stage == 0 else 0.0)
            still_filling = stage == 1 and not s.p_settled and in_stage < FILLING_S
            f.line_up_failed = in_stage > grace and not still_filling
        elif stage == 0:
            if not tare_known:
                lines_kg = settings.limits.fill_reserve_kg if uncleared else 0.0
                memory = estimate.with_cylinder(memory, cylinder.tare_kg, cylinder.residual_kg, lines_kg)
                tare_known, cylinder_off = True, False
                events.append(_cylinder_on(cylinder, memory, settings))
            stage, stage_s, in_stage = 1, now, 0.0
        elif in_stage > 4.0 * procedure.valve_stroke_s and (s.p_settled or accepted):
            f.line_up_passed = True
            appliance_start = p
            refrigerant = catalogue.get(job.refrigerant)
            t = s.t_001 if s.t_001 == s.t_001 else job.ambient_degc
            tolerance = procedure.pt_tolerance_k + (0.0 if s.t_001 == s.t_001 else UNMEASURED_K)
            saturated = p > refrigerant.dew_pressure_pa_abs(t - tolerance)
            reachable = hose_at == "liquid" if _one_inlet(settings) else fitted.xv_101
            # What was found the first time stays: on the way back after a stop the pressure is not at rest.
            liquid_done = liquid_done or not (saturated or accepted)
            f.liquid_wanted = job.liquid_first and reachable and not liquid_done
        if f.line_up_failed:
            sentence, ask = fault, fault_ask
            t = s.t_001 if s.t_001 == s.t_001 else job.ambient_degc
            below = p < catalogue.get(job.refrigerant).dew_pressure_pa_abs(t)
            vapor_only = fault_ask is Ask.CHECK_REFRIGERANT and below
    elif was is Phase.LIQUID:
        f.liquid_gone = s.liquid_gone or (x.pumping and p <= 1.5 * pull_target)
        f.hose_must_move = _one_inlet(settings)
    elif was is Phase.VAPOR:
        down = x.pumping and p <= pull_target
        dwell_s = (dwell_s if dwell_s == dwell_s else now) if down else nan
        enough = down and now - dwell_s >= procedure.dwell_s * (1 + repeats)
        # Below the level and at the end of what the compressor can do: stand and let the oil give back meanwhile.
        spent = s.no_progress_s > 30.0 or s.p_201 > SPENT_RATIO * settings.limits.compression_ratio_high * s.p_101
        reachable = hose_at == "liquid" if _one_inlet(settings) else fitted.xv_101
        again = reachable and state.liquid_returns < LIQUID_RETURNS and _may_hold_liquid(state, p)
        f.liquid_back = again and s.liquid_back_s > LIQUID_BACK_S
        f.level_held = enough or (x.pumping and p <= job.level_pa_abs and spent)
    elif was is Phase.STANDING:
        recovered = _recovered_kg(cylinders, s)
        # A cold coil may hold most of a small charge until it is cleared out; the pump has counted it.
        on_the_way = max(0.0, memory.pumped_kg - s.net_kg) if fitted.cooler_valves else 0.0
        watched = in_phase - procedure.standing_settle_s
        if watched >= 0.0:
            if standing_start != standing_start:
                standing_start = p
            if standing_middle != standing_middle and watched >= 0.5 * procedure.standing_s:
                standing_middle = p
            f.standing_failed = not p <= job.level_pa_abs
            if watched >= procedure.standing_s and not f.standing_failed:
                held = p - standing_start <= procedure.standing_rise_pa
                held = held or _will_hold(standing_start, standing_middle, p, job.level_pa_abs)
                f.standing_passed, f.standing_failed = held, not held
            # A level that holds over a shut service valve looks like success: the weight says otherwise.
            f.too_little = (
                f.standing_passed
                and job.charge_kg is not None
                and not state.little_accepted
                and not recovered + on_the_way >= TOO_LITTLE_SHARE * job.charge_kg
            )
            f.standing_gave_up = repeats >= procedure.standing_repeats
    elif was is Phase.CLEAR_OUT:
        clearing, done, in_vain = _clear(state.clearing, state, x)
        f.cleared = done or in_vain != "" or in_phase > procedure.clear_out_limit_s
        uncleared = f.cleared and not done
        if uncleared:
            events.append(Event("note", "XV-203", in_vain or CLEAR_TIME_OUT))
    elif was is Phase.ISOLATE:
        f.isolated = in_stage > 3.0 * procedure.valve_stroke_s and s.steady_s >= procedure.scale_steady_s
    elif was in (Phase.HOLDING, Phase.STOPPING):
        limit = procedure.holding_limit_s if was is Phase.HOLDING else procedure.stopping_limit_s
        if stage == 0:
            clearing, done, in_vain = _clear(state.clearing, state, x)
            if done or in_vain or in_phase > 0.7 * limit or permits.forbidden & M_101:
                stage, stage_s, in_stage, uncleared = 1, now, 0.0, not done
                if uncleared:
                    events.append(Event("note", "XV-203", in_vain or CLEAR_TIME_OUT))
        elif stage == 1:
            rested = s.steady_s >= procedure.scale_steady_s or not moved
            f.settled = (in_stage > 3.0 * procedure.valve_stroke_s and rested) or in_phase > limit
        else:
            f.settled = in_stage > 2.0 * procedure.valve_stroke_s
    elif was is Phase.HELD:
        if asked.restart:
            if asked.cylinder is not None:
                if moved and not path_shut:
                    f.restart_asked, f.change_asked = False, True
                else:
                    state = _change_cylinder(state, memory, asked.cylinder, settings)
                    cylinder, limit_kg, cylinders = state.cylinder, state.fill_limit_kg, state.cylinders
                    tare_known, cylinder_off, path_shut, moved = False, True, True, False
                    excess_accepted = 0.0
            elif tare_known and abs(memory.raw_kg - memory.offset_kg - memory.gross_kg) > settings.limits.scale_step_kg:
                # Nothing flows while the rig is held. A scale that had stood still may now show what it owes; any
                # other step is handling, no refrigerant.
                moved_kg = memory.raw_kg - memory.offset_kg - memory.gross_kg
                owed = 1.3 * estimate.owed_kg(memory) + settings.limits.scale_step_kg
                if _too_light(memory.raw_kg, cylinder):
                    f.restart_asked = False
                    sentence, ask = _wrong_weight(memory.raw_kg, cylinder, settings), Ask.CHECK_SCALE
                    text = sentence
                elif not memory.stepped or 0.0 < moved_kg <= owed:
                    text = f"The scale shows {moved_kg:+.2f} kg; it did not jump there, or the pump owed it: it counts."
                    memory = estimate.with_scale_believed(memory)
                else:
                    text = (
                        f"The weight moved by {moved_kg:+.2f} kg while the rig was held; it is taken as handling, and "
                        "the mass so far is kept."
                    )
                    memory = estimate.with_scale_moved(memory, settings.limits.second_estimate_uncertainty)
                events.append(Event("note", "WT-301", text))
            if ask is Ask.CHECK_SCALE and tare_known:
                excess_accepted = memory.pumped_kg - (memory.gross_kg - memory.tare_kg)
            if ask is Ask.HOSE_TO_LIQUID:
                hose_at = "liquid"
            elif ask is Ask.HOSE_TO_VAPOR:
                hose_at = "vapor"
            elif ask is Ask.CHECK_REFRIGERANT:
                accepted = True
                liquid_done = liquid_done or state.vapor_only
            elif ask is Ask.CHECK_CHARGE:
                little = True
            elif ask is Ask.WARM_APPLIANCE:
                repeats = 0
    elif was is Phase.RESTARTING:
        fault = cylinder_fault(cylinder, settings)
        if fault:
            f.restart_failed = True
            sentence, ask = fault, Ask.CHANGE_CYLINDER
        elif (
            not tare_known
            and state.cylinder_off
            and s.steady_s >= procedure.scale_steady_s
            and not (_too_light(memory.gross_kg, cylinder) or _too_heavy(memory.gross_kg, cylinder))
        ):
            lines_kg = settings.limits.fill_reserve_kg if uncleared else 0.0
            memory = estimate.with_cylinder(memory, cylinder.tare_kg, cylinder.residual_kg, lines_kg)
            tare_known, cylinder_off = True, False
            events.append(_cylinder_on(cylinder, memory, settings))
        f.restart_ready = not fault and in_phase > 2.0 * procedure.valve_stroke_s and not cylinder_off
        if in_phase > procedure.restarting_limit_s and not f.restart_ready:
            f.restart_failed = True
            sentence, ask = SCALE_RESTLESS, Ask.CHECK_SCALE
            if _too_light(memory.gross_kg, cylinder) or _too_heavy(memory.gross_kg, cylinder):
                sentence = _wrong_weight(memory.gross_kg, cylinder, settings)
    elif was is Phase.ABORTING:
        f.settled = in_phase >= procedure.aborting_s

    # --- the move
    phase = next_phase(was, f)
    resume_to: Phase = state.resume_to
    if phase is not was:
        entered = stage_s = now
        stage, in_phase, in_stage = 0, 0.0, 0.0
        dwell_s, clearing = nan, Clearing()
        if was is Phase.LINE_UP and state.stage == 1 and not fitted.cooler_valves:
            moved = True  # through the compressor's valves liquid has run as far as XV-301
        judged = f.standing_passed or f.standing_failed
        if was is Phase.STANDING and judged and phase in (*RUNNING, Phase.HOLDING):
            passed = f.standing_passed
            began = standing_start if standing_start == standing_start else p
            check = StandingCheck(state.entered_s, now - state.entered_s, began, p, passed)
            checks = (*checks, check)
            text = (
                f"Standing check {'passed' if passed else 'not passed'}: "
                f"{words.absolute(began, settings.units)} to {words.absolute(p, settings.units)} "
                f"in {words.duration(check.duration_s)}."
            )
            events.append(Event("standing", "PT-001" if fitted.pt_001 else "PT-101", text))
            if f.standing_failed:
                repeats += 1
                lower = min(TIGHTEN * pull_target, job.level_pa_abs - (p - began))
                pull_target = max(procedure.pull_floor_pa_abs, lower)
        standing_start = standing_middle = nan
        if was is Phase.LINE_UP and phase in (Phase.LIQUID, Phase.VAPOR):
            accepted = True
        if was is Phase.LIQUID and (phase is Phase.VAPOR or f.liquid_gone):
            liquid_done = True
        if f.liquid_back and phase is Phase.LIQUID:
            liquid_returns += 1
        if phase in (Phase.LIQUID, Phase.VAPOR):
            moved, path_shut, uncleared = True, False, False
        if phase is Phase.HOLDING:
            state_resume: Phase = Phase.VAPOR if was is Phase.STANDING else was
            if f.change_asked:
                ask, state_resume = Ask.CHANGE_CYLINDER, state.resume_to
                sentence = f"Change cylinder {cylinder.serial}: close its valve, put the next one on, then restart."
            elif f.too_little:
                ask = Ask.CHECK_CHARGE
                came = words.mass(max(0.0, _recovered_kg(cylinders, s)), settings.units)
                declared = words.mass(job.charge_kg or 0.0, settings.units)
                sentence = (
                    f"The level holds, but only {came} of the declared {declared} came out. "
                    "See that every service valve is open and no part is shut off; restart to pull once more."
                )
            elif f.standing_gave_up and f.standing_failed:
                ask = Ask.WARM_APPLIANCE
                sentence = (
                    f"The pressure came back to {words.pressure(p, settings.units)} after {repeats} pulls: "
                    "refrigerant still boils out of the oil, liquid is left, or the appliance leaks. Warm the "
                    "compressor shell and the coldest spot, then restart to pull again, or stop."
                )
            elif f.must_hold:
                row = TABLE[permits.hold]
                ask, sentence = row.ask, row.say(x)
                events.append(Event("hold", row.tag, sentence))
            elif was is Phase.LIQUID and f.liquid_gone and f.hose_must_move:
                ask, state_resume = Ask.HOSE_TO_VAPOR, Phase.VAPOR
                sentence = "The liquid has gone over. Move the hose to the appliance's vapor port, then restart."
            else:
                ask, sentence = Ask.CONFIRM, "Held on request. Restart or stop."
            # A person will take the cylinder off: the lines to it are emptied first. Otherwise just stand by.
            change = ask is Ask.CHANGE_CYLINDER
            full = was in _CAN_CLEAR or f.change_asked
            can_clear = moved and fitted.cooler_valves and full and not permits.forbidden & M_101
            stage = (0 if can_clear else 1) if change else 2
            uncleared = uncleared or (change and moved and not can_clear)
            resume_to = state_resume
        if phase is Phase.STOPPING:
            # Lines that cannot be emptied now keep their way into the cylinder: nothing is shut in full of liquid.
            can_clear = fitted.cooler_valves and was in _CAN_CLEAR and not permits.forbidden & M_101
            little = was in (Phase.VAPOR, Phase.STANDING, Phase.ISOLATE)  # late, a cooler is far from full
            keep = 1 if little and not fitted.cooler_valves else 2
            stage = (0 if can_clear else keep) if moved and not path_shut else 1
            sentence, ask = "Stopping on request.", Ask.NOTHING
        if phase is Phase.HELD:
            if was is Phase.LINE_UP:
                resume_to = Phase.LINE_UP
            if ask is Ask.CHANGE_CYLINDER:
                if not cylinder_off:
                    off_net = memory.gross_kg - memory.tare_kg
                path_shut, cylinder_off = True, True
                if moved and (uncleared or not fitted.cooler_valves):
                    uncleared = True
                    sentence += " Mind: the lines to it still hold liquid."
                if was is Phase.HOLDING:
                    moved = False
            events.append(Event("hold", ask.name.lower(), sentence))
        if phase is Phase.ABORTING:
            if permits.trip >= 0:
                row = TABLE[permits.trip]
                known = [alarm.text for alarm in locks.alarms if alarm.tag == row.tag]
                ask, sentence = row.ask, known[0] if known else row.say(x)
                events.append(Event("trip", row.tag, sentence))
            else:
                ask, sentence = Ask.CONFIRM, "Aborted on request. Look at the rig, then reset."
                events.append(Event("trip", "request", sentence))
        if phase in RUNNING or phase is Phase.IDLE:
            sentence, ask = "", Ask.NOTHING
        if phase is Phase.COMPLETE:
            sentence, ask = (
                "Done. Close the cylinder's valve and the service ports before taking hoses off.",
                Ask.NOTHING,
            )
        if phase is Phase.STOPPED:
            sentence = "Stopped. Close the cylinder's valve and the service ports before taking hoses off."
            if (state.stage == 2 or uncleared) and moved:
                sentence = f"Stopped. {LINES_HOLD_LIQUID}"
            else:
                moved = False
        if phase is Phase.COMPLETE:
            if uncleared:
                sentence = f"The level is reached. {LINES_HOLD_LIQUID}"
            else:
                moved = False
        events.append(Event("phase", phase.value, f"{was.value} -> {phase.value}"))

    # --- outputs
    bits_before = state.outputs.bits
    path_s = state.path_s
    wish = outputs.Wish()
    wish.phase, wish.stage, wish.in_stage_s, wish.settings = phase, stage, in_stage, settings
    wish.in_switch_s, wish.uncleared = now - clearing.switched_s, uncleared
    wish.moved, wish.path_shut, wish.bits = moved, path_shut, bits_before
    wish.cooling_pays = s.pumped_flow_kg_s > (COOLING_OFF_KG_S if bits_before & M_201 else COOLING_ON_KG_S)
    wish.path_open_s = now - path_s if path_s == path_s else 0.0
    running = bits_before & M_101 != 0
    wish.ready_s = inf if running or state.motor_s != state.motor_s else now - state.motor_s
    bits = outputs.gate(outputs.wanted(wish), permits.forbidden, settings)
    way = outputs.gate(bits | M_101, permits.forbidden, settings) & M_101 if bits & XV_301 else 0
    path_s = (path_s if path_s == path_s else now) if way else nan
    throttle = _throttle(state, phase, stage, x) if fitted.cv_103 else 0.0
    command = Outputs(bits, throttle)
    changed_s = now if bits != bits_before else state.changed_s
    motor_s = now if (bits ^ bits_before) & M_101 else state.motor_s
    if motor_s != motor_s and state.at_s != state.at_s and state.scan > 0:
        motor_s = now  # back after a power loss: the motor has just been stopped, as far as anyone knows

    # --- what people see
    previous = sum(fill.net_kg for fill in cylinders)
    previous_var = sum(fill.net_uncertainty_kg**2 for fill in cylinders)
    progress = Progress(
        previous, previous_var, limit_kg, pull_target, in_phase, repeats, fitted.cooler_valves and not uncleared,
        _STAGE_OF.get(phase, _STAGE_OF.get(resume_to, 0) if phase in ACTIVE else 0),
    )  # fmt: skip
    if cylinder_off:
        s.net_kg = off_net if tare_known else 0.0  # the one that came off, until the next one is named
    else:
        s.net_kg = memory.gross_kg - memory.tare_kg
    shown = estimate.report(memory, s, settings, progress)
    if permits.news:
        events += [Event("alarm", alarm.tag, f"{alarm.state.value}: {alarm.text}") for alarm in permits.news]
    for reply in replies:
        events.append(Event("request", reply.request_id, reply.text))
    current = (
        (CylinderFill(cylinder, memory.tare_kg, s.net_kg, shown.net_uncertainty_kg),)
        if tare_known and s.net_kg == s.net_kg
        else ()
    )
    record = ScanRecord(
        state.scan, readings, phase, in_phase, ask, sentence, shown, locks.alarms, command, tuple(events), replies,
        cylinders + current, checks,
    )  # fmt: skip
    carried = State(
        phase, cylinder, limit_kg, pull_target, throttle, state.scan + 1, now, entered, stage, stage_s, resume_to,
        ask, sentence, memory, locks, command, changed_s, motor_s, path_s, moved, path_shut, tare_known, cylinder_off,
        excess_accepted, off_net, hose_at, accepted, vapor_only, little, liquid_done, liquid_returns, appliance_start,
        dwell_s, clearing, uncleared, standing_start, standing_middle, repeats, cylinders, checks,
    )  # fmt: skip
    return carried, command, record


_NOTHING_ASKED = _Asked()


def _recovered_kg(cylinders: tuple[CylinderFill, ...], s: Signals) -> float:
    return sum(fill.net_kg for fill in cylinders) + s.net_kg


def _cylinder_on(cylinder: Cylinder, memory: estimate.Memory, settings: Settings) -> Event:
    gross = words.mass(memory.tare_kg, settings.units)
    return Event("cylinder", "WT-301", f"Cylinder {cylinder.serial} on the scale, {gross} gross.")


def _fill(cylinder: Cylinder, memory: estimate.Memory, net_kg: float, settings: Settings) -> CylinderFill:
    """What the cylinder that is coming off got."""
    spread = settings.instruments.scale_uncertainty_kg
    uncertainty = (spread * spread + memory.var_kg2 + memory.shift_variance_kg2) ** 0.5
    return CylinderFill(cylinder, memory.tare_kg, net_kg, uncertainty)


def _may_hold_liquid(state: State, p_pa_abs: float) -> bool:
    """Whether liquid may still stand in the appliance; far below its first pressure what comes is the cooler's own."""
    return p_pa_abs > 0.5 * state.appliance_start_pa_abs


def _throttle(state: State, phase: Phase, stage: int, x: Situation) -> float:
    """Opening of CV-103: small while liquid may come, wide for vapor, closing when the discharge nears its limit."""
    procedure, limits = x.settings.procedure, x.settings.limits
    low = procedure.liquid_position
    clearing = phase is Phase.CLEAR_OUT or (phase in (Phase.HOLDING, Phase.STOPPING) and stage == 0)
    if not clearing and phase not in (Phase.VAPOR, Phase.STANDING):
        return low
    ramp = (1.0 - low) / max(procedure.throttle_ramp_s, 0.1) * min(x.dt_s, 1.0)
    if phase is Phase.VAPOR and x.s.liquid_back_s > 2.0 and _may_hold_liquid(state, x.s.p_appliance):
        return max(low, state.throttle - 4.0 * ramp)
    if x.s.p_201 > DISCHARGE_EASE_FRACTION * limits.discharge_high_pa_abs:
        return max(low, state.throttle - 2.0 * ramp)
    if clearing and not x.s.now_s - state.clearing.switched_s >= CLEAR_WIDE_S:
        return low
    return min(1.0, state.throttle + ramp)


__all__ = [
    "INLETS",
    "CylinderFill",
    "Event",
    "Kind",
    "Reply",
    "ScanRecord",
    "StandingCheck",
    "State",
    "after_power_loss",
    "cylinder_fault",
    "initial",
    "step",
]
