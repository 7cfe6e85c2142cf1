"""Cylinders: which may be filled, what they must weigh, and the change from one to the next."""

from __future__ import annotations

import msgspec

from rigctl.control import notation
from rigctl.control.figures.procedure import Cylinders
from rigctl.control.prepared import Prepared
from rigctl.control.procedure.work import Work
from rigctl.control.sense import weight
from rigctl.control.sense.memory import Memory as Senses
from rigctl.control.settings import Cylinder, Settings
from rigctl.control.state import CylinderFill, Event, OnScale, State, limit_kg
from rigctl.refrigerant import catalogue
from rigctl.refrigerant.catalogue import UnknownRefrigerantError
from rigctl.refrigerant.cylinder import CylinderError, fill_limit, pressure_rating, retest_check
from rigctl.refrigerant.saturation import ATMOSPHERE_PA_ABS

SCALE_RESTLESS = "The scale does not come to rest. See that nothing touches the cylinder, then restart."


def cylinder_fault(cylinder: Cylinder, prepared: Prepared) -> str:
    """Return why a cylinder may not be filled in this job, as one sentence; "" when it may."""
    settings, refrigerant = prepared.settings, prepared.refrigerant
    if not (0.0 < cylinder.tare_kg < 1e4 and 0.0 <= cylinder.residual_kg < 1e4):
        return f"Cylinder {cylinder.serial}: its tare or its log is no weight. Read the stamp and name it again."
    try:
        if cylinder.refrigerant and catalogue.official(cylinder.refrigerant) != refrigerant.name:
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
        hot = notation.pressure(rating.pressure_at_55c_pa_gauge + ATMOSPHERE_PA_ABS, settings.units)
        return (
            f"Cylinder {cylinder.serial} is not rated for {refrigerant.name}: it would reach {hot} at 55 °C. "
            "Put on another cylinder, then restart."
        )
    return ""


def too_light(gross_kg: float, cylinder: Cylinder, figures: Cylinders) -> bool:
    """Whether a cylinder is not (wholly) on the scale, or the scale reads low and would hide what is in it."""
    least_kg = cylinder.tare_kg * (1.0 - figures.tare_share) - figures.tare_below_kg + cylinder.residual_kg
    return not gross_kg >= least_kg


def too_heavy(gross_kg: float, cylinder: Cylinder, figures: Cylinders) -> bool:
    """Whether a cylinder that comes on weighs more than its stamp and its log explain, or the scale stands still."""
    logged = not cylinder.refrigerant or cylinder.residual_kg > 0.0
    most_kg = cylinder.tare_kg * (1.0 + figures.tare_share) + cylinder.residual_kg + figures.tare_above_kg
    return logged and gross_kg > most_kg


def wrong_weight(gross_kg: float, cylinder: Cylinder, settings: Settings) -> str:
    """The sentence about a cylinder that is too light or too heavy."""
    shown = notation.mass(gross_kg, settings.units)
    expected = notation.mass(cylinder.tare_kg + cylinder.residual_kg, settings.units)
    return (
        f"The scale shows {shown}; cylinder {cylinder.serial} should weigh about {expected} by its stamp and log. See "
        "that it is the right one and stands alone on a scale that moves, then restart."
    )


def change_cylinder(state: State, memory: Senses, cylinder: Cylinder, prepared: Prepared) -> State:
    """Return the state with another cylinder on the scale: what the old one got is booked, the new tare is to come."""
    was, lines = state.on_scale, state.lines
    earlier = was.earlier
    if was.tare_known:
        net, uncertainty = weight.net_kg(memory, prepared), weight.net_uncertainty_kg(memory, prepared)
        if was.off:
            net, uncertainty = was.off_net_kg, was.off_uncertainty_kg
        earlier = (*earlier, CylinderFill(was.cylinder, memory.contents.tare_kg, net, uncertainty))
    return msgspec.structs.replace(
        state,
        on_scale=OnScale(
            cylinder,
            limit_kg(cylinder, prepared),
            off=True,
            off_net_kg=was.off_net_kg,
            off_uncertainty_kg=was.off_uncertainty_kg,
            earlier=earlier,
        ),
        lines=msgspec.structs.replace(lines, path_shut=True, moved=False, uncleared=lines.uncleared or lines.moved),
    )


def cylinder_on(cylinder: Cylinder, memory: Senses, settings: Settings) -> Event:
    """Tell that a cylinder has been weighed and may be filled."""
    if not settings.job.scale_usable:
        holds = notation.mass(memory.contents.start_kg, settings.units)
        text = f"Cylinder {cylinder.serial} is on, not weighed: {holds} in it by its log."
        return Event("cylinder", "WT-301", text)
    gross = notation.mass(memory.contents.tare_kg, settings.units)
    return Event("cylinder", "WT-301", f"Cylinder {cylinder.serial} on the scale, {gross} gross.")


def weigh_cylinder(w: Work) -> None:
    """Take the cylinder on the scale, as it weighs now, for the new start of weighing."""
    lines_kg = w.settings.limits.fill_reserve_kg if w.lines.uncleared else 0.0
    on_scale, weighed = w.on_scale, w.settings.job.scale_usable
    tare_kg, logged_kg = on_scale.cylinder.tare_kg, on_scale.cylinder.residual_kg
    w.estimate = weight.with_cylinder(w.estimate, w.prepared, tare_kg, logged_kg, lines_kg, weighed=weighed)
    on_scale.tare_known, on_scale.off = True, False
    w.events.append(cylinder_on(on_scale.cylinder, w.estimate, w.settings))
