"""The story of one scan: readings are judged, interlocks weighed, the phase moved, outputs wanted and gated."""

from __future__ import annotations

from math import inf, nan

from rigctl.control import notation
from rigctl.control.points import M_101, XV_106, XV_301, Outputs
from rigctl.control.prepared import Prepared
from rigctl.control.procedure import aids, pauses, rooms, throttle
from rigctl.control.procedure.asked import NOTHING_ASKED, Asked
from rigctl.control.procedure.cylinders import change_cylinder
from rigctl.control.procedure.requests import answer, hear
from rigctl.control.procedure.sequence import next_phase
from rigctl.control.procedure.wish import Wish, onto_appliance
from rigctl.control.procedure.work import Work
from rigctl.control.protect import engine, gate
from rigctl.control.protect.situation import Situation
from rigctl.control.readings import Readings
from rigctl.control.sense import estimate, weight
from rigctl.control.sense.memory import Memory as Senses
from rigctl.control.sense.signals import Signals
from rigctl.control.state import CylinderFill, Event, Reply, State
from rigctl.control.vocabulary import ACTIVE, Cause, Phase

WITHOUT_SCALE = "The scale is out of use; the fill goes on from its last trusted weight by what the pump moves:"
_LIMITS = {
    Phase.LINE_UP: "line_up_limit_s",
    Phase.PUSH_PULL: "push_pull_limit_s",
    Phase.LIQUID: "liquid_limit_s",
    Phase.VAPOR: "vapor_limit_s",
    Phase.STANDING: "standing_limit_s",
    Phase.ISOLATE: "isolate_limit_s",
}


class Decision:
    """What a scan has found and decided, besides the state: for records and for advice. Lives for one scan."""

    __slots__ = ("cylinders", "events", "in_phase_s", "net_uncertainty_kg", "replies", "s", "taking")

    s: Signals
    """Net weight and its uncertainty are those of the cylinder on the scale, or of the one that has just come off."""
    net_uncertainty_kg: float
    in_phase_s: float
    taking: bool
    """Refrigerant was being taken when the scan began."""
    events: tuple[Event, ...]
    replies: tuple[Reply, ...]
    cylinders: tuple[CylinderFill, ...]
    """Finished cylinders first, the one on the scale last."""


def decide(state: State, readings: Readings, prepared: Prepared) -> tuple[State, Outputs, Decision]:
    """Run one scan of all that may move an output.

    Parameters
    ----------
    state
        From `initial`, the scan before, or `after_power_loss`.
    readings
        This scan's readings and requests.
    prepared
        Of the job: the same for all its scans.

    Returns
    -------
    The state to carry on, the outputs to write, and what was found.
    """
    memory, s = estimate.update(
        state.estimate,
        readings,
        prepared,
        state.drive.outputs,
        expecting_liquid=state.phase is Phase.LIQUID,
        cylinder_off=state.on_scale.off or not state.on_scale.tare_known,
        appliance_pa_abs=state.appliance.start_pa_abs,
    )
    asked = hear(state, readings.requests, prepared) if readings.requests else NOTHING_ASKED
    w = _judged(state, memory, readings, prepared, s, asked)
    replies = answer(readings.requests, asked, w.permits, w.phase) if readings.requests else ()

    f = rooms.facts(w)
    phase = next_phase(w.phase, f)
    if phase is not w.phase:
        rooms.move(w, f, phase)
    pauses.rest(w)

    _command(w)
    found = _decision(w, replies)
    return w.carried(), w.drive.outputs, found


def _judged(state: State, memory: Senses, readings: Readings, prepared: Prepared, s: Signals, asked: Asked) -> Work:
    """Begin the scan's work with what the interlocks say."""
    x = _situation(state, readings, prepared, s)
    locks, permits = engine.evaluate(state.interlocks, x, acknowledge=asked.acknowledge, reset=asked.reset)
    if asked.reset and asked.cylinder is not None and state.phase is Phase.ABORTED:
        # With another cylinder on the scale the cause may be gone; a reset refused all the same changes nothing.
        other = change_cylinder(state, memory, asked.cylinder, prepared)
        x_2 = _situation(other, readings, prepared, s)
        locks_2, permits_2 = engine.evaluate(state.interlocks, x_2, acknowledge=asked.acknowledge, reset=True)
        if permits_2.trip < 0:
            state, x, locks, permits = other, x_2, locks_2, permits_2
    return Work(state, memory, locks, permits, x, asked)


def _situation(state: State, readings: Readings, prepared: Prepared, s: Signals) -> Situation:
    settings = prepared.settings
    now, phase = readings.now_s, state.phase
    entered = state.entered_s if state.entered_s == state.entered_s else now
    x = Situation()
    x.s, x.prepared, x.settings, x.readings = s, prepared, settings, readings
    x.figures = prepared.figures.protect
    x.bits = state.drive.outputs.bits
    x.active = phase in ACTIVE
    x.under_way = x.active or phase in (Phase.ABORTING, Phase.ABORTED)
    x.push_pull = phase is Phase.PUSH_PULL
    # Before a restart the rows are judged as in the phase it leads to: what would hold the rig there holds it here. Not
    # before the next cylinder has been weighed: until then the weight is still that of the last one.
    going = state.resume_to if phase is Phase.RESTARTING and not state.on_scale.off else phase
    x.taking = going is Phase.LIQUID or going is Phase.VAPOR or going is Phase.PUSH_PULL
    x.line_up = going is Phase.LINE_UP
    x.filling = x.bits & XV_301 != 0
    x.attended = phase in (Phase.HELD, Phase.RESTARTING)
    x.pumping = x.bits & M_101 != 0
    x.rest_in_vain = state.pull.rest.cause if state.pull.rest.in_vain else Cause.NONE
    on_scale = state.on_scale
    x.cylinder, x.cylinder_off, x.fill_limit_kg = on_scale.cylinder, on_scale.off, on_scale.fill_limit_kg
    if on_scale.tare_known:
        x.net_contents_kg = state.estimate.contents.start_kg + s.net_kg
    else:
        x.net_contents_kg = max(0.0, state.estimate.weight.gross_kg - state.on_scale.cylinder.tare_kg)
    x.appliance_start_pa_abs = state.appliance.start_pa_abs
    x.in_phase_s = now - entered
    limit = _LIMITS.get(phase)
    x.phase_limit_s = getattr(settings.procedure, limit) if limit else inf
    x.phase = phase
    since_motor = now - state.drive.motor_s if state.drive.motor_s == state.drive.motor_s else inf
    x.motor_on_s = since_motor if x.pumping else 0.0
    x.motor_off_s = 0.0 if x.pumping else since_motor
    x.clear_from_pa_abs = state.lines.clearing.from_pa_abs
    x.excess_accepted_kg = state.on_scale.excess_accepted_kg
    x.dt_s = now - state.at_s if state.at_s == state.at_s else 0.0
    x.readback_bad = 0
    if settings.fitted.readback:
        if readings.readback is None:
            x.readback_bad = -1
        else:
            x.readback_bad = (readings.readback ^ x.bits) & prepared.outputs_fitted
    return x


def _command(w: Work) -> None:
    """Set the outputs: what the phase wishes, as far as the gate lets it through."""
    before, settings, now_s, forbidden = w.before, w.settings, w.now_s, w.permits.forbidden
    bits_before = before.drive.outputs.bits
    if onto_appliance(w.phase, w.step) is not onto_appliance(before.phase, before.step):
        w.drive.path_s = nan  # another way out: it has to be open for a stroke before the motor counts on it
    wish = Wish()
    wish.phase, wish.step, wish.in_step_s, wish.settings = w.phase, w.step, w.in_step_s, settings
    wish.in_switch_s, wish.uncleared = now_s - w.lines.clearing.switched_s, w.lines.uncleared
    wish.moved, wish.path_shut, wish.bits = w.lines.moved, w.lines.path_shut, bits_before
    wish.resting, wish.aids = w.pull.rest.cause is not Cause.NONE, aids.aids(w)
    wish.path_open_s = now_s - w.drive.path_s if w.drive.path_s == w.drive.path_s else 0.0
    running = bits_before & M_101 != 0
    wish.ready_s = inf if running or w.drive.motor_s != w.drive.motor_s else now_s - w.drive.motor_s
    bits = gate.gate(rooms.wanted(wish), forbidden, w.prepared)
    if onto_appliance(w.phase, w.step):
        way = bits & XV_106
    else:
        way = gate.gate(bits & ~XV_106 | M_101, forbidden, w.prepared) & M_101 if bits & XV_301 else 0
    w.drive.path_s = (w.drive.path_s if w.drive.path_s == w.drive.path_s else now_s) if way else nan
    w.drive.throttle = throttle.throttle(w) if settings.fitted.cv_103 else 0.0
    w.drive.outputs = Outputs(bits, w.drive.throttle)
    if (bits ^ bits_before) & M_101:
        w.drive.motor_s = now_s
    if w.drive.motor_s != w.drive.motor_s and before.at_s != before.at_s and before.scan > 0:
        w.drive.motor_s = now_s  # back after a power loss: the motor has just been stopped, as far as anyone knows


def _decision(w: Work, replies: tuple[Reply, ...]) -> Decision:
    """What people get to see of the scan, and what advice starts from."""
    s, memory = w.s, w.estimate
    if not w.on_scale.off:
        s.net_kg, net_u = weight.net_kg(memory, w.prepared), weight.net_uncertainty_kg(memory, w.prepared)
    elif w.on_scale.tare_known:  # the one that came off, until the next one is named
        s.net_kg, net_u = w.on_scale.off_net_kg, w.on_scale.off_uncertainty_kg
    else:
        s.net_kg, net_u = 0.0, w.settings.instruments.scale_uncertainty_kg
    if w.x.taking and w.settings.job.scale_usable:
        _tell_of_scale(w, s.net_kg, net_u)
    for alarm in w.permits.news:
        w.tell("alarm", alarm.tag, f"{alarm.state.value}: {alarm.text}")
    for reply in replies:
        w.tell("request", reply.request_id, reply.text)
    found = Decision()
    found.s, found.net_uncertainty_kg = s, net_u
    found.in_phase_s, found.taking = w.in_phase_s, w.x.taking
    found.events, found.replies, found.cylinders = tuple(w.events), replies, w.on_scale.earlier
    if w.on_scale.tare_known and s.net_kg == s.net_kg:
        found.cylinders = (
            *w.on_scale.earlier,
            CylinderFill(w.on_scale.cylinder, memory.contents.tare_kg, s.net_kg, net_u),
        )
    return found


def _tell_of_scale(w: Work, net_kg: float, net_uncertainty_kg: float) -> None:
    """Tell when the fill begins to go on without the scale, and when the scale counts again."""
    without = weight.out_of_use(w.estimate, w.prepared)
    if without is weight.out_of_use(w.before.estimate, w.prepared):
        return
    net = notation.mass(net_kg, w.settings.units)
    if without:
        spread = notation.mass(2.0 * net_uncertainty_kg, w.settings.units)
        text = f"{WITHOUT_SCALE} {net} in this cylinder, give or take {spread}. See what is wrong with the scale."
    else:
        text = f"The scale agrees with what the pump moved and counts again: {net} in this cylinder."
    w.tell("note", "WT-301", text)
