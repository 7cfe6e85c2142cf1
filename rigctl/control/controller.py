"""One scan: readings in, outputs and the frozen record of the scan out.

`step(state, readings, settings)` is a pure function. It reads no clock, does no I/O and does not raise on bad
readings; the same inputs give the same outputs on any machine.
"""

from __future__ import annotations

from math import inf, nan

from rigctl.control import estimate, finishing, governing, interlocks, outputs, remedies, words
from rigctl.control.forecast import Progress
from rigctl.control.interlocks import Situation
from rigctl.control.line_up import change_cylinder, cylinder_fault
from rigctl.control.moves import move
from rigctl.control.phases import facts
from rigctl.control.points import M_101, XV_106, XV_301, Outputs
from rigctl.control.readings import Readings
from rigctl.control.requests import NOTHING_ASKED, Asked, answer, hear
from rigctl.control.rests import Cause
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

_LIMITS = {
    Phase.LINE_UP: "line_up_limit_s",
    Phase.PUSH_PULL: "push_pull_limit_s",
    Phase.LIQUID: "liquid_limit_s",
    Phase.VAPOR: "vapor_limit_s",
    Phase.STANDING: "standing_limit_s",
    Phase.ISOLATE: "isolate_limit_s",
}
_STAGE_OF = {
    Phase.LINE_UP: 1,
    Phase.PUSH_PULL: 1,
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
    governing.rest(w)

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
    x.push_pull = phase is Phase.PUSH_PULL
    x.taking = phase is Phase.LIQUID or phase is Phase.VAPOR or x.push_pull
    x.vapor = phase is Phase.VAPOR
    x.line_up = phase is Phase.LINE_UP
    x.filling = x.bits & XV_301 != 0
    x.attended = phase in (Phase.HELD, Phase.RESTARTING)
    x.pumping = x.bits & M_101 != 0
    x.rest_in_vain = state.rest.cause if state.rest.in_vain else Cause.NONE
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
    if governing.onto_appliance(w.phase, w.stage) is not governing.onto_appliance(before.phase, before.stage):
        w.path_s = nan  # another way out: it has to be open for a stroke before the motor counts on it
    wish = outputs.Wish()
    wish.phase, wish.stage, wish.in_stage_s, wish.settings = w.phase, w.stage, w.in_stage_s, settings
    wish.in_switch_s, wish.uncleared = now_s - w.clearing.switched_s, w.uncleared
    wish.moved, wish.path_shut, wish.bits = w.moved, w.path_shut, bits_before
    wish.resting, wish.aids = w.rest.cause is not Cause.NONE, governing.aids(w)
    wish.path_open_s = now_s - w.path_s if w.path_s == w.path_s else 0.0
    running = bits_before & M_101 != 0
    wish.ready_s = inf if running or w.motor_s != w.motor_s else now_s - w.motor_s
    bits = outputs.gate(outputs.wanted(wish), forbidden, settings)
    if governing.onto_appliance(w.phase, w.stage):
        way = bits & XV_106
    else:
        way = outputs.gate(bits & ~XV_106 | M_101, forbidden, settings) & M_101 if bits & XV_301 else 0
    w.path_s = (w.path_s if w.path_s == w.path_s else now_s) if way else nan
    w.throttle = governing.throttle(w) if settings.fitted.cv_103 else 0.0
    w.outputs = Outputs(bits, w.throttle)
    if (bits ^ bits_before) & M_101:
        w.motor_s = now_s
    if w.motor_s != w.motor_s and before.at_s != before.at_s and before.scan > 0:
        w.motor_s = now_s  # back after a power loss: the motor has just been stopped, as far as anyone knows


def _remedies(w: Work, progress: Progress) -> remedies.Memory:
    """Carry on what is known of the remedies; the scan's own signals only, so that replay gives the same."""
    memory, s, settings = w.estimate, w.s, w.settings
    seen = remedies.Seen()
    seen.s, seen.settings = s, settings
    seen.liquid, seen.in_phase_s, seen.throttle = w.phase is Phase.LIQUID, w.in_phase_s, w.throttle
    seen.start_pa_abs, seen.flow_kg_s = w.appliance_start_pa_abs, memory.flow_kg_s
    net_kg = s.net_kg if s.net_kg == s.net_kg else 0.0
    seen.contents_kg, seen.recovered_kg = memory.contents_start_kg + net_kg, progress.previous_kg + net_kg
    seen.charge_kg = nan if settings.job.charge_kg is None else settings.job.charge_kg
    taking = w.phase in (Phase.LIQUID, Phase.VAPOR) and w.outputs.bits & M_101 != 0
    after, text = remedies.news(w.remedies, remedies.follow(w.remedies, seen, taking))
    if text:
        w.tell("note", "", text)
    return after


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
    if not w.cylinder_off:
        s.net_kg, net_u = estimate.net_kg(memory), estimate.net_uncertainty_kg(memory, w.settings)
    elif w.tare_known:  # the one that came off, until the next one is named
        s.net_kg, net_u = w.off_net_kg, w.off_uncertainty_kg
    else:
        s.net_kg, net_u = 0.0, w.settings.instruments.scale_uncertainty_kg
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
        finishing.rise_over_allowed(w.giving, w.settings.procedure, w.settings.job.level_pa_abs, s.p_appliance),
        w.giving.measured,
        w.giving.rise_pa_s,
        w.giving.best_gain_pa_kg,
        w.outlook.fails if w.outlook is not None else nan,
        w.x.taking,
    )
    w.remedies = _remedies(w, progress)
    shown = estimate.report(memory, s, net_u, w.settings, progress, w.remedies)
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
