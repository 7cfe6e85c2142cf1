"""Emptying and shutting the lines between compressor and cylinder, in the order that traps no liquid."""

from __future__ import annotations

from math import nan

from rigctl.control.points import M_101, M_201, XV_203, XV_204, XV_301
from rigctl.control.procedure.sequence import Facts
from rigctl.control.procedure.wish import ROUND_COOLER, THROUGH_COOLER, Wish, ready_motor, water_moves, way_kept_open
from rigctl.control.procedure.work import Work
from rigctl.control.protect.situation import Situation
from rigctl.control.state import Clearing
from rigctl.control.vocabulary import Phase, Step

HEADER_STAYS_UP = "The cooler was not cleared out: the header does not come down. Does an inlet valve not shut?"
COOLER_STAYS_SHUT = "The cooler was not cleared out: nothing came from it. Does XV-203 open?"
CLEAR_TIME_OUT = "The cooler was not wholly cleared out in the time given for it."
NO_ROOM = "The cooler was not wholly cleared out: the cylinder has no room left for what it still holds."
LINES_HOLD_LIQUID = (
    "Cooler and discharge hose still hold liquid and stay open to the cylinder: empty them before any valve is closed."
)
LINES_SHUT_IN = (
    "Cooler and discharge hose may hold liquid, shut in: keep them cool, and open no joint before they are emptied."
)
CAN_CLEAR = (Phase.LINE_UP, Phase.PUSH_PULL, Phase.LIQUID, Phase.VAPOR, Phase.STANDING, Phase.CLEAR_OUT)


def emptying(wish: Wish) -> int:
    """What a clear-out wants of the outputs."""
    # First the header is pumped down the ordinary way. Then make before break: the bypass opens before the cooler is
    # cut off, and the cooler is let into the header last. So should the bypass not have opened, the dead end meets a
    # little vapor, not liquid; and the cooler is shut in for no longer than a valve's stroke.
    motor, stroke = ready_motor(wish), wish.settings.procedure.valve_stroke_s
    if not wish.in_switch_s >= 0.0:
        return THROUGH_COOLER | M_201 | motor
    if wish.in_switch_s < stroke:
        return THROUGH_COOLER | XV_204 | M_201 | motor
    cooler = XV_203 if wish.in_switch_s >= 2.0 * stroke else 0
    return cooler | ROUND_COOLER | M_201 | motor


def shutting(wish: Wish) -> int:
    """Motor first, then the bypass, then the cylinder; the cooler stays cut off and nearly empty.

    Shutting only ever closes: what is not open now stays shut.
    """
    stroke = wish.settings.procedure.valve_stroke_s
    if wish.in_step_s < stroke:
        return ROUND_COOLER & wish.bits
    return XV_301 & wish.bits if wish.in_step_s < 2.0 * stroke else 0


def stand_down(w: Work, f: Facts, limit_s: float) -> None:
    """Clear out, then shut and weigh, or only stand by: the steps of HOLDING and STOPPING."""
    procedure, k = w.settings.procedure, w.figures.clear_out
    if w.step is Step.EMPTYING:
        done, in_vain = clear(w)
        if done or in_vain or w.in_phase_s > k.limit_share * limit_s or w.permits.forbidden & M_101:
            w.begin(Step.SHUTTING)
            w.lines.uncleared = not done
            if w.lines.uncleared:
                w.tell("note", "XV-203", in_vain or CLEAR_TIME_OUT)
    elif w.step is Step.SHUTTING:
        rested = w.s.steady_s >= procedure.scale_steady_s or not w.lines.moved
        f.settled = (w.in_step_s > k.shut_strokes * procedure.valve_stroke_s and rested) or w.in_phase_s > limit_s
    else:
        f.settled = w.in_step_s > k.stand_by_strokes * procedure.valve_stroke_s


def clear(w: Work) -> tuple[bool, str]:
    """Carry a clear-out on; return whether it is done, and why it is in vain ("" while it is not).

    Done means: XV-203 showed itself open by a rising header, and the header has been down for the dwell time with
    the cylinder gaining nothing (XV-203 is narrow: the header may be low while the cooler still boils).
    """
    x, s, now_s, was, k = w.x, w.s, w.now_s, w.lines.clearing, w.figures.clear_out
    level = w.settings.procedure.clear_out_level_pa_abs
    if was.switched_s != was.switched_s:
        return _pump_header_down(w, x, level)
    if not x.bits & XV_203:
        w.lines.clearing = Clearing(s.p_201, s.p_101, was.switched_s)
        return False, ""
    seen = was.seen or s.p_101 > was.low_pa_abs + k.cooler_seen_pa
    still = not (s.scale_ok and s.disturbed_s == 0.0 and w.before.estimate.weight.flow_kg_s > k.boils_kg_s)
    # A cooler that still boils holds the header up; where no scale sees what comes, it must go lower.
    enough = level if s.scale_ok else k.unseen_level_share * level
    down = x.pumping and seen and s.p_101 <= enough and still
    down_s = (was.down_s if was.down_s == was.down_s else now_s) if down else nan
    w.lines.clearing = Clearing(was.from_pa_abs, was.low_pa_abs, was.switched_s, seen, down_s)
    in_vain = not seen and now_s - was.switched_s > k.cooler_most_s
    done = down and now_s - down_s >= w.settings.procedure.dwell_s
    if not done and w.on_scale.tare_known:
        margin_kg = k.no_room_reserve_share * w.settings.limits.fill_reserve_kg
        margin_kg += k.no_room_ahead_s * max(s.flow_kg_s, 0.0)
        if x.net_contents_kg > x.fill_limit_kg - margin_kg:
            return False, NO_ROOM
    return done, COOLER_STAYS_SHUT if in_vain else ""


def _pump_header_down(w: Work, x: Situation, level_pa_abs: float) -> tuple[bool, str]:
    """First the header alone, over the ordinary way; when it is down the clear-out goes over to the bypass."""
    running_s, k = min(x.motor_on_s, w.now_s - w.before.step_s), w.figures.clear_out
    if running_s >= k.header_least_s and w.s.p_101 <= level_pa_abs:
        w.lines.clearing = Clearing(w.s.p_201, w.s.p_101, w.now_s)
        return False, ""
    reserve_kg = k.header_reserve_share * w.settings.limits.fill_reserve_kg
    full = w.on_scale.tare_known and x.net_contents_kg > x.fill_limit_kg - reserve_kg
    return False, HEADER_STAYS_UP if full or running_s > k.header_most_s else ""


def lines_fill(w: Work) -> None:
    """Refrigerant is about to be taken: from here on lines may hold liquid."""
    w.lines.moved, w.lines.path_shut, w.lines.uncleared = True, False, False


def cooler_can_be_emptied(w: Work) -> bool:
    """Whether the rig has the valves, and the motor may run."""
    return w.settings.fitted.cooler_valves and not w.permits.forbidden & M_101


def standing_down(wish: Wish) -> int:
    """What HOLDING and STOPPING want of the outputs."""
    if wish.step is Step.EMPTYING:
        return emptying(wish) | water_moves(wish)
    if wish.step is Step.SHUTTING:
        return shutting(wish) | water_moves(wish)
    return way_kept_open(wish) | water_moves(wish)
