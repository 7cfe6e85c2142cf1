"""One scan: readings in, outputs and the frozen record of the scan out.

`step(state, readings, settings)` is a pure function. It reads no clock, does no I/O and does not raise on bad
readings; the same inputs give the same outputs on any machine.
"""

from __future__ import annotations

from math import inf, nan

from rigctl.control import estimate, interlocks, outputs, words
from rigctl.control.forecast import Progress
from rigctl.control.interlocks import Situation
from rigctl.control.line_up import change_cylinder, cylinder_fault
from rigctl.control.moves import move
from rigctl.control.phases import facts, may_hold_liquid
from rigctl.control.points import M_101, M_201, XV_301, Outputs
from rigctl.control.readings import Readings
from rigctl.control.requests import NOTHING_ASKED, Asked, answer, hear
from rigctl.control.sequence import ACTIVE, Phase, next_phase, phase_word
from rigctl.control.settings import Settings
from rigctl.control.signals import Signals
from rigctl.control.state import (
    CylinderFill,
    Event,
    Reply,
    ScanRecord,
    StandingCheck,
    State,
    after_power_loss,
    initial,
)
from rigctl.control.work import Work

__all__ = [
    "CylinderFill",
    "Event",
    "Reply",
    "ScanRecord",
    "StandingCheck",
    "State",
    "after_power_loss",
    "cylinder_fault",
    "initial",
    "step",
]

DISCHARGE_EASE_FRACTION = 0.92
"""Share of the discharge limit at which the suction throttle starts to close."""
CLEAR_WIDE_S = 10.0
"""The throttle stays small this long: the first that comes from the cooler is liquid."""
COOLING_ON_KG_S = 2.0e-3
COOLING_OFF_KG_S = 1.2e-3
"""Flow at which the condenser fan starts and stops to pay while vapor is drawn."""

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
    memory, s = estimate.update(
        state.estimate,
        readings,
        settings,
        state.outputs,
        expecting_liquid=state.phase is Phase.LIQUID,
        cylinder_off=state.cylinder_off or not state.tare_known,
        appliance_pa_abs=state.appliance_start_pa_abs,
    )
    asked = hear(state, readings.requests, settings) if readings.requests else NOTHING_ASKED
    w = _judged(state, memory, readings, settings, s, asked)
    replies = answer(readings.requests, asked, w.permits, w.phase) if readings.requests else ()

    f = facts(w)
    phase = next_phase(w.phase, f)
    if phase is not w.phase:
        move(w, f, phase)

    _command(w)
    record = _record(w, readings, replies)
    return w.carried(), w.outputs, record


def _judged(
    state: State, memory: estimate.Memory, readings: Readings, settings: Settings, s: Signals, asked: Asked
) -> Work:
    """Begin the scan's work with what the interlocks say."""
    x = _situation(state, readings, settings, s)
    locks, permits = interlocks.evaluate(state.interlocks, x, acknowledge=asked.acknowledge, reset=asked.reset)
    if asked.reset and asked.cylinder is not None and state.phase is Phase.ABORTED:
        # With another cylinder on the scale the cause may be gone; a reset refused all the same changes nothing.
        other = change_cylinder(state, memory, asked.cylinder, settings)
        x_2 = _situation(other, readings, settings, s)
        locks_2, permits_2 = interlocks.evaluate(state.interlocks, x_2, acknowledge=asked.acknowledge, reset=True)
        if permits_2.trip < 0:
            state, x, locks, permits = other, x_2, locks_2, permits_2
    return Work(state, memory, locks, permits, x, asked)


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
    x.phase_word = phase_word(phase).capitalize()
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


def _command(w: Work) -> None:
    """Set the outputs: what the phase wishes, as far as the gate lets it through."""
    before, settings, now_s, forbidden = w.before, w.settings, w.now_s, w.permits.forbidden
    bits_before = before.outputs.bits
    wish = outputs.Wish()
    wish.phase, wish.stage, wish.in_stage_s, wish.settings = w.phase, w.stage, w.in_stage_s, settings
    wish.in_switch_s, wish.uncleared = now_s - w.clearing.switched_s, w.uncleared
    wish.moved, wish.path_shut, wish.bits = w.moved, w.path_shut, bits_before
    wish.cooling_pays = w.s.pumped_flow_kg_s > (COOLING_OFF_KG_S if bits_before & M_201 else COOLING_ON_KG_S)
    wish.path_open_s = now_s - w.path_s if w.path_s == w.path_s else 0.0
    running = bits_before & M_101 != 0
    wish.ready_s = inf if running or w.motor_s != w.motor_s else now_s - w.motor_s
    bits = outputs.gate(outputs.wanted(wish), forbidden, settings)
    way = outputs.gate(bits | M_101, forbidden, settings) & M_101 if bits & XV_301 else 0
    w.path_s = (w.path_s if w.path_s == w.path_s else now_s) if way else nan
    w.throttle = _throttle(before, w.phase, w.stage, w.x) if settings.fitted.cv_103 else 0.0
    w.outputs = Outputs(bits, w.throttle)
    if (bits ^ bits_before) & M_101:
        w.motor_s = now_s
    if w.motor_s != w.motor_s and before.at_s != before.at_s and before.scan > 0:
        w.motor_s = now_s  # back after a power loss: the motor has just been stopped, as far as anyone knows


def _throttle(state: State, phase: Phase, stage: int, x: Situation) -> float:
    """Opening of CV-103: small while liquid may come, wide for vapor, closing when the discharge nears its limit."""
    procedure, limits = x.settings.procedure, x.settings.limits
    low = procedure.liquid_position
    clearing = phase is Phase.CLEAR_OUT or (phase in (Phase.HOLDING, Phase.STOPPING) and stage == 0)
    if not clearing and phase not in (Phase.VAPOR, Phase.STANDING):
        return low
    ramp = (1.0 - low) / max(procedure.throttle_ramp_s, 0.1) * min(x.dt_s, 1.0)
    if phase is Phase.VAPOR and x.s.liquid_back_s > 2.0 and may_hold_liquid(state, x.s.p_appliance):
        return max(low, state.throttle - 4.0 * ramp)
    if x.s.p_201 > DISCHARGE_EASE_FRACTION * limits.discharge_high_pa_abs:
        return max(low, state.throttle - 2.0 * ramp)
    if clearing and not x.s.now_s - state.clearing.switched_s >= CLEAR_WIDE_S:
        return low
    return min(1.0, state.throttle + ramp)


def _tell_of_scale(w: Work, shown: estimate.Estimate) -> None:
    """Tell when the fill begins to go on without the scale, and when the scale counts again."""
    without = estimate.out_of_use(w.estimate)
    if without is estimate.out_of_use(w.before.estimate):
        return
    net, spread = (
        words.mass(shown.net_kg, w.settings.units),
        words.mass(2.0 * shown.net_uncertainty_kg, w.settings.units),
    )
    if without:
        text = (
            f"{estimate.WITHOUT_SCALE} {net} in this cylinder, give or take {spread}. See what is wrong with the scale."
        )
    else:
        text = f"The scale agrees with what the pump moved and counts again: {net} in this cylinder."
    w.tell("note", "WT-301", text)


def _record(w: Work, readings: Readings, replies: tuple[Reply, ...]) -> ScanRecord:
    """Return what people get to see of the scan."""
    s, memory, phase = w.s, w.estimate, w.phase
    if w.cylinder_off:
        s.net_kg = w.off_net_kg if w.tare_known else 0.0  # the one that came off, until the next one is named
    else:
        s.net_kg = estimate.net_kg(memory)
    earlier_kg = earlier_var_kg2 = 0.0
    for fill in w.cylinders:
        earlier_kg += fill.net_kg
        earlier_var_kg2 += fill.net_uncertainty_kg**2
    progress = Progress(
        earlier_kg,
        earlier_var_kg2,
        w.fill_limit_kg,
        w.pull_target_pa_abs,
        w.in_phase_s,
        w.repeats,
        w.settings.fitted.cooler_valves and not w.uncleared,
        _STAGE_OF.get(phase, _STAGE_OF.get(w.resume_to, 0) if phase in ACTIVE else 0),
        w.isolated_pa_abs,
        w.ready_s - w.now_s,
    )
    shown = estimate.report(memory, s, w.settings, progress)
    if w.x.taking and w.settings.job.scale_usable:
        _tell_of_scale(w, shown)
    for alarm in w.permits.news:
        w.tell("alarm", alarm.tag, f"{alarm.state.value}: {alarm.text}")
    for reply in replies:
        w.tell("request", reply.request_id, reply.text)
    cylinders = w.cylinders
    if w.tare_known and s.net_kg == s.net_kg:
        cylinders = (*cylinders, CylinderFill(w.cylinder, memory.tare_kg, s.net_kg, shown.net_uncertainty_kg))
    return ScanRecord(
        w.before.scan, readings, phase, w.in_phase_s, w.ask, w.sentence, shown, w.interlocks.alarms, w.outputs,
        tuple(w.events), replies, cylinders, w.standing_checks,
    )  # fmt: skip
