"""LINE_UP: what must be right before refrigerant flows."""

from __future__ import annotations

from rigctl.control import notation
from rigctl.control.points import M_001, XV_101, XV_102
from rigctl.control.procedure.appliance import alike, appliance_temperature, fitting, liquid_in_reach, listed, one_inlet
from rigctl.control.procedure.cylinders import (
    SCALE_RESTLESS,
    cylinder_fault,
    too_heavy,
    too_light,
    weigh_cylinder,
    wrong_weight,
)
from rigctl.control.procedure.phases.push_pull import push_pull_pays
from rigctl.control.procedure.sequence import Facts
from rigctl.control.procedure.wish import Wish, way_kept_open
from rigctl.control.procedure.work import Work
from rigctl.control.protect.engine import Permits
from rigctl.control.protect.situation import Situation
from rigctl.control.protect.table import TABLE
from rigctl.control.state import State
from rigctl.control.vocabulary import Ask, Phase, Step


def line_up_fault(state: State, x: Situation, permits: Permits) -> tuple[str, Ask]:
    """The first line-up check that is not met, as a sentence with what it asks; ("", NOTHING) when all are."""
    settings, s = x.settings, x.s
    job, units = settings.job, settings.units
    if permits.inhibit >= 0:
        row = TABLE[permits.inhibit]
        return row.say(x), row.ask
    if state.step is Step.STATIC:
        fault = cylinder_fault(state.on_scale.cylinder, x.prepared)
        if fault:
            return fault, Ask.CHANGE_CYLINDER
        if one_inlet(settings) and not state.appliance.hose_at:
            if job.liquid_first and not state.appliance.liquid_done:
                return "Connect the hose to the appliance's liquid port, purge it, then restart.", Ask.HOSE_TO_LIQUID
            return "Connect the hose to the appliance's vapor port, purge it, then restart.", Ask.HOSE_TO_VAPOR
        if state.on_scale.off and state.on_scale.tare_known:
            return "Say which cylinder is on the scale now, then restart.", Ask.CHANGE_CYLINDER
        if not job.scale_usable:
            return "", Ask.NOTHING
        gross, cylinder = state.estimate.weight.gross_kg, state.on_scale.cylinder
        k = x.prepared.figures.procedure.cylinders
        if too_light(gross, cylinder, k) or (not state.on_scale.tare_known and too_heavy(gross, cylinder, k)):
            return wrong_weight(gross, cylinder, settings), Ask.CHECK_SCALE
        if s.steady_s < settings.procedure.scale_steady_s:
            return SCALE_RESTLESS, Ask.CHECK_SCALE
        return "", Ask.NOTHING
    if state.appliance.refrigerant_accepted:
        return "", Ask.NOTHING
    p = s.p_appliance
    if not p > max(settings.procedure.empty_appliance_pa_abs, job.level_pa_abs):
        return (
            f"The appliance is at {notation.pressure(p, units)}, not above the level required: empty, or its service "
            "valve is closed. Check ports and hoses, then restart, or stop if there is nothing to recover.",
            Ask.CHECK_APPLIANCE,
        )
    refrigerant = x.prepared.refrigerant
    t, tolerance = appliance_temperature(s, x.prepared)
    slack = settings.instruments.pressure_uncertainty_pa
    high = refrigerant.bubble_pressure_pa_abs(t + tolerance) + slack
    low = refrigerant.dew_pressure_pa_abs(t - tolerance) - slack
    if low <= p <= high:
        return "", Ask.NOTHING
    here = f"{notation.pressure(p, units)} in the appliance"
    could = listed(fitting(s, x.prepared))
    fits = f" {could} would have that pressure." if could else ""
    if p > high:
        more = notation.pressure_difference(p - refrigerant.bubble_pressure_pa_abs(t), units)
        return (
            f"{here} is above what {refrigerant.name} can have at {notation.temperature(t, units)}: another "
            f"refrigerant, {more} of air in it, or a warm spot.{fits} Check the label; restart only if you are sure.",
            Ask.CHECK_REFRIGERANT,
        )
    return (
        f"{here} is below saturation of {refrigerant.name} at {notation.temperature(t, units)}: only vapor is "
        f"left in it, or it is another refrigerant.{fits} Check the label; restart if it is right.",
        Ask.CHECK_REFRIGERANT,
    )


def judge(w: Work, f: Facts) -> None:
    procedure, k = w.settings.procedure, w.figures.line_up
    fault, ask = line_up_fault(w.before, w.x, w.permits)
    if fault:
        grace = k.grace_s + (procedure.scale_steady_s if w.step is Step.STATIC else 0.0)
        still_filling = w.step is Step.CONNECTED and not w.s.p_settled and w.in_step_s < k.filling_s
        if w.in_step_s > grace and not still_filling:
            _failed(w, f, fault, ask)
    elif w.step is Step.STATIC:
        if not w.on_scale.tare_known:
            weigh_cylinder(w)
        w.begin(Step.CONNECTED)
    elif w.in_step_s > k.connected_strokes * procedure.valve_stroke_s and (
        w.s.p_settled or w.appliance.refrigerant_accepted
    ):
        _passed(w, f)


def _failed(w: Work, f: Facts, fault: str, ask: Ask) -> None:
    f.line_up_failed = True
    w.sentence, w.ask = fault, ask
    t, _ = appliance_temperature(w.s, w.prepared)
    below = w.s.p_appliance < w.prepared.refrigerant.dew_pressure_pa_abs(t)
    w.appliance.vapor_only = ask is Ask.CHECK_REFRIGERANT and below


def _passed(w: Work, f: Facts) -> None:
    p = w.s.p_appliance
    f.line_up_passed = True
    others = "" if w.appliance.refrigerant_accepted else alike(w.s, w.prepared)
    if others:
        w.tell("note", "PT-001" if w.settings.fitted.pt_001 else "PT-101", others)
    w.appliance.start_pa_abs = p
    t, tolerance = appliance_temperature(w.s, w.prepared)
    saturated = p > w.prepared.refrigerant.dew_pressure_pa_abs(t - tolerance)
    # What was found the first time stays: on the way back after a stop the pressure is not at rest.
    w.appliance.liquid_done = w.appliance.liquid_done or not (saturated or w.appliance.refrigerant_accepted)
    f.liquid_wanted = liquid_in_reach(w) and not w.appliance.liquid_done
    f.push_pull_pays = f.liquid_wanted and push_pull_pays(w)


def leave(w: Work, f: Facts, phase: Phase) -> None:
    if w.before.step is Step.CONNECTED and not w.settings.fitted.cooler_valves:
        w.lines.moved = True  # through the compressor's valves liquid has run as far as XV-301
    if phase in (Phase.PUSH_PULL, Phase.LIQUID, Phase.VAPOR):
        w.appliance.refrigerant_accepted = True


def wants(wish: Wish) -> int:
    settings, inlet = wish.settings, 0
    if wish.step is Step.CONNECTED:
        inlet = XV_101 if settings.fitted.xv_101 else XV_102
        if not settings.job.liquid_first and settings.fitted.xv_102:
            inlet = XV_102
    return inlet | way_kept_open(wish) | M_001
