"""PUSH_PULL: the cylinder's vapor presses the appliance's liquid straight across."""

from __future__ import annotations

from math import nan

from rigctl.control import notation
from rigctl.control.points import M_001, M_101, M_201, XV_104, XV_105, XV_106, XV_202, XV_301
from rigctl.control.procedure.clearing import lines_fill
from rigctl.control.procedure.sequence import Facts
from rigctl.control.procedure.wish import THROUGH_COOLER, Wish, ready_motor
from rigctl.control.procedure.work import Work
from rigctl.control.sense import crossing
from rigctl.control.state import Crossing
from rigctl.control.vocabulary import Phase, Step


def wants(wish: Wish) -> int:
    # The cooler keeps its way to the cylinder, as in a standing check; XV-201 cuts it off from the discharge, which
    # would else run round in a circle. XV-104 opens once the appliance stands above the cylinder, and shuts first.
    # Then the ordinary way opens before XV-106 shuts, so that the motor need not stop.
    across = XV_105 | XV_106 | M_001
    if wish.step is Step.PRESSING:
        return across | XV_202 | XV_301 | ready_motor(wish)
    if wish.step is Step.CROSSING:
        return across | XV_104 | XV_202 | XV_301 | ready_motor(wish)
    return across | THROUGH_COOLER | M_201 | M_101 & wish.bits


def push_pull_pays(w: Work) -> bool:
    """Whether it is quicker to press the liquid across than to draw it through the compressor.

    By how much liquid the declared charge leaves, what the cylinder still takes, and both rates; not with an appliance
    that stands near its ceiling already.
    """
    settings, p, charge_kg, k = w.settings, w.s.p_appliance, w.settings.job.charge_kg, w.figures.push_pull
    if not settings.fitted.push_pull or w.appliance.push_pull_over or w.appliance.liquid_done or charge_kg is None:
        return False
    if not p < k.start_share * w.prepared.appliance_ceiling_pa_abs:
        return False
    left_kg = w.prepared.figures.sense.crossing.declared_charge_share * charge_kg - w.recovered_kg()
    room_kg = w.on_scale.fill_limit_kg - settings.limits.fill_reserve_kg - w.x.net_contents_kg
    draw_s = crossing.draw_down_s(w.prepared, p, w.s.p_301, w.x.net_contents_kg)
    if not draw_s < k.draw_down_share * k.press_most_s:
        return False
    return (
        crossing.gain_s(w.prepared, w.estimate.pumped.line, p, min(left_kg, room_kg)) - draw_s
        > w.prepared.figures.sense.crossing.least_gain_s
    )


def judge(w: Work, f: Facts) -> None:
    procedure, s, k = w.settings.procedure, w.s, w.figures.push_pull
    pressed_pa = s.p_001 - crossing.cylinder_pa_abs(s)
    if w.step is Step.PRESSING:
        open_s = k.press_strokes * procedure.valve_stroke_s
        if w.x.bits & XV_105 and w.in_step_s >= open_s and pressed_pa > k.press_pa:
            w.begin(Step.CROSSING)
        elif w.in_step_s > k.press_most_s:
            _end(w, "the appliance does not come above the cylinder", dry=False)
    elif w.step is Step.CROSSING:
        _crossing(w, pressed_pa)
    else:
        over = w.in_step_s > procedure.valve_stroke_s + k.going_over_scans * w.settings.scan_period_s
        f.crossed, f.push_pull_over = over and w.pull.crossing.dry, over and not w.pull.crossing.dry


def _crossing(w: Work, pressed_pa: float) -> None:
    """Carry the crossing on, and end it when nothing, or only vapor, comes across, or when it has become no quicker."""
    procedure, s, was, k = w.settings.procedure, w.s, w.pull.crossing, w.figures.push_pull
    if w.in_step_s < k.judged_from_s:
        return
    best = max(was.best_kg_s * (1.0 - min(w.x.dt_s, 1.0) / k.best_forgotten_s), s.flow_kg_s)
    # A cylinder that stood at the appliance's pressure has to be drawn down before anything can be said.
    across = w.prepared.figures.sense.crossing
    presses = pressed_pa > across.choked_share * s.p_001 or w.in_step_s > k.pressing_s
    slow = presses and not s.flow_kg_s > across.better_times * crossing.liquid_rate_kg_s(w.prepared, s.p_001)
    crosses = s.flow_kg_s + s.drawn_kg_s
    few = s.flow_kg_s < procedure.liquid_end_flow * best or crosses < procedure.liquid_end_flow * s.crossing_kg_s
    low = slow or few or not pressed_pa > k.least_press_pa
    since = (was.low_since_s if was.low_since_s == was.low_since_s else w.now_s) if low else nan
    w.pull.crossing = Crossing(best, since)
    # Vapor is what still crosses where liquid did; where nothing does any more, something is shut.
    dry = few and crosses > k.dry_share * max(best + s.drawn_kg_s, s.crossing_kg_s if presses else 0.0)
    if low and w.now_s - since >= k.low_s:
        _end(w, "vapor comes across" if dry else "little comes across", dry=dry)
    elif not s.p_001 < k.end_share * w.prepared.appliance_ceiling_pa_abs:
        _end(w, "the appliance is pressed as far as it may be", dry=False)
    elif w.in_phase_s > k.end_time_share * procedure.push_pull_limit_s:
        _end(w, "its time is up", dry=False)


def _end(w: Work, why: str, *, dry: bool) -> None:
    w.pull.crossing = Crossing(dry=dry)
    w.begin(Step.GOING_OVER)
    w.tell("note", "XV-104", f"Push-pull ends after {notation.mass(w.s.net_kg, w.settings.units)}: {why}.")


def enter(w: Work, f: Facts, was: Phase) -> None:
    lines_fill(w)


def leave(w: Work, f: Facts, phase: Phase) -> None:
    if f.crossed or f.push_pull_over:
        w.appliance.push_pull_over = True
        w.appliance.liquid_done = w.appliance.liquid_done or f.crossed
