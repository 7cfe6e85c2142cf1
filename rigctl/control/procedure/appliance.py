"""What the procedure knows of the appliance: how warm, which refrigerant it may hold, whether liquid is left."""

from __future__ import annotations

from rigctl.control.points import INLETS, XV_102
from rigctl.control.prepared import Prepared
from rigctl.control.procedure.work import Work
from rigctl.control.sense.signals import Signals
from rigctl.control.settings import Settings


def fitting(s: Signals, prepared: Prepared) -> tuple[str, ...]:
    """Return the refrigerants, by name, that may have the appliance's pressure at its temperature over liquid.

    Pressure and temperature cannot tell these from each other; mixtures and air may look like any of them.
    """
    settings = prepared.settings
    t, tolerance = appliance_temperature(s, prepared)
    slack, p = settings.instruments.pressure_uncertainty_pa, s.p_appliance
    found = []
    for name, one in prepared.refrigerants.items():
        low, high = one.dew_pressure_pa_abs(t - tolerance), one.bubble_pressure_pa_abs(t + tolerance)
        if low - slack <= p <= high + slack:
            found.append(name)
    return tuple(found)


def alike(s: Signals, prepared: Prepared) -> str:
    """Say which others the appliance's pressure and temperature would fit; "" when it can only be the declared one."""
    declared = prepared.refrigerant
    others = tuple(name for name in fitting(s, prepared) if name != declared.name)
    if not others:
        return ""
    burns = tuple(name for name in others if prepared.refrigerants[name].flammable)
    text = (
        f"By pressure and temperature it is {declared.name}, or as well {listed(others)}: only the label tells them "
        "apart."
    )
    if burns and not declared.flammable:
        text += f" Mind: {listed(burns)} {'burn' if len(burns) > 1 else 'burns'}."
    return text


def listed(names: tuple[str, ...]) -> str:
    """Names in a sentence: a, b or c."""
    return ", ".join(names[:-1]) + " or " + names[-1] if len(names) > 1 else "".join(names)


def one_inlet(settings: Settings) -> bool:
    """Whether one hose serves both ports, so that a person has to move it."""
    return not (settings.fitted.xv_101 and settings.fitted.xv_102)


def appliance_temperature(s: Signals, prepared: Prepared) -> tuple[float, float]:
    """Return how warm the appliance is, degC, and how far off that may be, K."""
    tolerance_k = prepared.settings.procedure.pt_tolerance_k
    if s.t_001 == s.t_001:
        return s.t_001, tolerance_k
    return prepared.settings.job.ambient_degc, tolerance_k + prepared.figures.procedure.appliance.unmeasured_k


def inlets_hooked_up(settings: Settings) -> int:
    """Inlets that lead to a port: without a liquid port in reach XV-101 may stand on a loose hose."""
    return INLETS if settings.job.liquid_first or not settings.fitted.xv_102 else XV_102


def liquid_in_reach(w: Work) -> bool:
    """Whether an inlet leads to the appliance's liquid port."""
    if not w.settings.job.liquid_first:
        return False
    return w.appliance.hose_at == "liquid" if one_inlet(w.settings) else w.settings.fitted.xv_101


def may_hold_liquid(w: Work, p_pa_abs: float) -> bool:
    """Whether liquid may still stand in the appliance; far below its first pressure what comes is the cooler's own."""
    return p_pa_abs > w.figures.appliance.may_hold_liquid_share * w.before.appliance.start_pa_abs
