"""What must be right before refrigerant flows: hose, appliance, and a cylinder that may be filled."""

from __future__ import annotations

import msgspec

from rigctl.control import estimate, words
from rigctl.control.interlocks import TABLE, Ask, Permits, Situation
from rigctl.control.settings import Cylinder, Settings
from rigctl.control.signals import Signals
from rigctl.control.state import CylinderFill, Event, State, limit_kg
from rigctl.refrigerant import catalogue
from rigctl.refrigerant.catalogue import UnknownRefrigerantError
from rigctl.refrigerant.cylinder import CylinderError, fill_limit, pressure_rating, retest_check

UNMEASURED_K = 5.0
"""How far an appliance whose temperature nobody measures may be from the room's."""
TARE_SHARE = 0.02
TARE_SLACK_KG = 0.2
TARE_MORE_KG = 1.0
"""How far from its stamp and log a cylinder may weigh, below and above; common practice, no source."""
SCALE_RESTLESS = "The scale does not come to rest. See that nothing touches the cylinder, then restart."


def line_up_fault(state: State, x: Situation, permits: Permits) -> tuple[str, Ask]:
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
        if one_inlet(settings) and not state.hose_at:
            if job.liquid_first and not state.liquid_done:
                return "Connect the hose to the appliance's liquid port, purge it, then restart.", Ask.HOSE_TO_LIQUID
            return "Connect the hose to the appliance's vapor port, purge it, then restart.", Ask.HOSE_TO_VAPOR
        if state.cylinder_off and state.tare_known:
            return "Say which cylinder is on the scale now, then restart.", Ask.CHANGE_CYLINDER
        if not job.scale_usable:
            return "", Ask.NOTHING
        gross = state.estimate.gross_kg
        if too_light(gross, state.cylinder) or (not state.tare_known and too_heavy(gross, state.cylinder)):
            return wrong_weight(gross, state.cylinder, settings), Ask.CHECK_SCALE
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
    t, tolerance = appliance_temperature(s, settings)
    slack = settings.instruments.pressure_uncertainty_pa
    high = refrigerant.bubble_pressure_pa_abs(t + tolerance) + slack
    low = refrigerant.dew_pressure_pa_abs(t - tolerance) - slack
    if low <= p <= high:
        return "", Ask.NOTHING
    here = f"{words.pressure(p, units)} in the appliance"
    could = _listed(fitting(s, settings))
    fits = f" {could} would have that pressure." if could else ""
    if p > high:
        more = words.pressure_difference(p - refrigerant.bubble_pressure_pa_abs(t), units)
        return (
            f"{here} is above what {refrigerant.name} can have at {words.temperature(t, units)}: another "
            f"refrigerant, {more} of air in it, or a warm spot.{fits} Check the label; restart only if you are sure.",
            Ask.CHECK_REFRIGERANT,
        )
    return (
        f"{here} is below saturation of {refrigerant.name} at {words.temperature(t, units)}: only vapor is left in it, "
        f"or it is another refrigerant.{fits} Check the label; restart if it is right.",
        Ask.CHECK_REFRIGERANT,
    )


def fitting(s: Signals, settings: Settings) -> tuple[str, ...]:
    """Return the refrigerants, by name, that may have the appliance's pressure at its temperature over liquid.

    Pressure and temperature cannot tell these from each other; mixtures and air may look like any of them.
    """
    t, tolerance = appliance_temperature(s, settings)
    slack, p = settings.instruments.pressure_uncertainty_pa, s.p_appliance
    found = []
    for name in catalogue.names():
        one = catalogue.get(name)
        low, high = one.dew_pressure_pa_abs(t - tolerance), one.bubble_pressure_pa_abs(t + tolerance)
        if low - slack <= p <= high + slack:
            found.append(name)
    return tuple(found)


def alike(s: Signals, settings: Settings) -> str:
    """Say which others the appliance's pressure and temperature would fit; "" when it can only be the declared one."""
    declared = catalogue.get(settings.job.refrigerant)
    others = tuple(name for name in fitting(s, settings) if name != declared.name)
    if not others:
        return ""
    burns = tuple(name for name in others if catalogue.get(name).flammable)
    text = (
        f"By pressure and temperature it is {declared.name}, or as well {_listed(others)}: only the label tells them "
        "apart."
    )
    if burns and not declared.flammable:
        text += f" Mind: {_listed(burns)} {'burn' if len(burns) > 1 else 'burns'}."
    return text


def _listed(names: tuple[str, ...]) -> str:
    return ", ".join(names[:-1]) + " or " + names[-1] if len(names) > 1 else "".join(names)


def one_inlet(settings: Settings) -> bool:
    """Whether one hose serves both ports, so that a person has to move it."""
    return not (settings.fitted.xv_101 and settings.fitted.xv_102)


def appliance_temperature(s: Signals, settings: Settings) -> tuple[float, float]:
    """Return how warm the appliance is, degC, and how far off that may be, K."""
    if s.t_001 == s.t_001:
        return s.t_001, settings.procedure.pt_tolerance_k
    return settings.job.ambient_degc, settings.procedure.pt_tolerance_k + UNMEASURED_K


# --- cylinders


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
    if not settings.job.scale_usable and cylinder.refrigerant and not cylinder.residual_kg:
        return (
            f"Cylinder {cylinder.serial} has been in use, its log does not say what is in it, and it cannot be "
            "weighed. Put on an empty one or one with its contents in its log, then restart."
        )
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


def too_light(gross_kg: float, cylinder: Cylinder) -> bool:
    """Whether a cylinder is not (wholly) on the scale, or the scale reads low and would hide what is in it."""
    return not gross_kg >= cylinder.tare_kg * (1.0 - TARE_SHARE) - TARE_SLACK_KG + cylinder.residual_kg


def too_heavy(gross_kg: float, cylinder: Cylinder) -> bool:
    """Whether a cylinder that comes on weighs more than its stamp and its log explain, or the scale stands still."""
    logged = not cylinder.refrigerant or cylinder.residual_kg > 0.0
    return logged and gross_kg > cylinder.tare_kg * (1.0 + TARE_SHARE) + cylinder.residual_kg + TARE_MORE_KG


def wrong_weight(gross_kg: float, cylinder: Cylinder, settings: Settings) -> str:
    """The sentence about a cylinder that is too light or too heavy."""
    shown = words.mass(gross_kg, settings.units)
    expected = words.mass(cylinder.tare_kg + cylinder.residual_kg, settings.units)
    return (
        f"The scale shows {shown}; cylinder {cylinder.serial} should weigh about {expected} by its stamp and log. See "
        "that it is the right one and stands alone on a scale that moves, then restart."
    )


def change_cylinder(state: State, memory: estimate.Memory, cylinder: Cylinder, settings: Settings) -> State:
    """Return the state with another cylinder on the scale: what the old one got is booked, the new tare is to come."""
    cylinders = state.cylinders
    if state.tare_known:
        net, uncertainty = estimate.net_kg(memory), estimate.net_uncertainty_kg(memory, settings)
        if state.cylinder_off:
            net, uncertainty = state.off_net_kg, state.off_uncertainty_kg
        cylinders = (*cylinders, CylinderFill(state.cylinder, memory.tare_kg, net, uncertainty))
    return msgspec.structs.replace(
        state,
        cylinder=cylinder,
        fill_limit_kg=limit_kg(cylinder, settings),
        cylinders=cylinders,
        tare_known=False,
        cylinder_off=True,
        path_shut=True,
        moved=False,
        uncleared=state.uncleared or (state.moved and not state.path_shut),
        excess_accepted_kg=0.0,
    )


def cylinder_on(cylinder: Cylinder, memory: estimate.Memory, settings: Settings) -> Event:
    """Tell that a cylinder has been weighed and may be filled."""
    if not settings.job.scale_usable:
        holds = words.mass(memory.contents_start_kg, settings.units)
        text = f"Cylinder {cylinder.serial} is on, not weighed: {holds} in it by its log."
        return Event("cylinder", "WT-301", text)
    gross = words.mass(memory.tare_kg, settings.units)
    return Event("cylinder", "WT-301", f"Cylinder {cylinder.serial} on the scale, {gross} gross.")
