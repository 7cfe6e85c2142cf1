"""Numbers as a person at the rig reads them, in metric or US units."""

from __future__ import annotations

from rigctl.control.settings import Units
from rigctl.refrigerant.saturation import ATMOSPHERE_PA_ABS, INHG_PA, POUND_KG, PSI_PA


def pressure(p_pa_abs: float, units: Units) -> str:
    """Return a pressure as gauge above the atmosphere and as vacuum or absolute below it."""
    if p_pa_abs != p_pa_abs:
        return "an unknown pressure"
    gauge = p_pa_abs - ATMOSPHERE_PA_ABS
    if units is Units.US:
        return f"{gauge / PSI_PA:.0f} psig" if gauge >= 0.0 else f"{-gauge / INHG_PA:.1f} inHg vacuum"
    return f"{gauge / 1e5:.1f} bar g" if gauge >= 0.0 else f"{p_pa_abs / 1e5:.2f} bar abs"


def absolute(p_pa_abs: float, units: Units) -> str:
    """Return a pressure near the atmosphere so that two of them can be compared: absolute, or gauge and vacuum."""
    return pressure(p_pa_abs, units) if units is Units.US else f"{p_pa_abs / 1e5:.2f} bar abs"


def pressure_difference(p_pa: float, units: Units) -> str:
    """Return a difference of pressures."""
    return f"{p_pa / PSI_PA:.0f} psi" if units is Units.US else f"{p_pa / 1e5:.2f} bar"


def temperature(t_degc: float, units: Units) -> str:
    """Return a temperature."""
    if t_degc != t_degc:
        return "an unknown temperature"
    return f"{t_degc * 1.8 + 32.0:.0f} °F" if units is Units.US else f"{t_degc:.0f} °C"


def mass(m_kg: float, units: Units) -> str:
    """Return a mass."""
    if m_kg != m_kg:
        return "an unknown mass"
    if abs(m_kg) < 0.005:
        m_kg = 0.0  # no "-0.00"
    return f"{m_kg / POUND_KG:.2f} lb" if units is Units.US else f"{m_kg:.2f} kg"


def duration(t_s: float) -> str:
    """Return a time in the largest unit that reads well."""
    if t_s < 120.0:
        return f"{t_s:.0f} s"
    return f"{t_s / 60.0:.0f} min" if t_s < 7200.0 else f"{t_s / 3600.0:.1f} h"
