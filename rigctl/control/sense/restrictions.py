"""Flow through valves, cores, hoses and ports, one by one and in a row."""

from __future__ import annotations

from math import log, nan, pi, sqrt

from rigctl.control.figures import sense as figures
from rigctl.control.settings import Hookup
from rigctl.refrigerant.saturation import Refrigerant

ORIFICE_M2_PER_KV = 1.964e-5
"""Effective area of a valve with Kv = 1 m3/h: from m = Kv*sqrt(dp*rho), IEC 60534-2-1."""


def choked_liquid_flux_kg_m2_s(refrigerant: Refrigerant, p_pa_abs: float, quality: float = 0.0) -> float:
    """Return the critical mass flux of saturated or flashing liquid through a restriction, NaN outside the table.

    Omega method for flashing flow (Leung; API 520-1 Annex C) for a saturated or two-phase inlet of the given vapor
    quality (0 to 1), with the compressibility parameter from an isenthalpic flash to 0.9 of the inlet pressure.
    """
    v_1, omega, eta = _omega(refrigerant, p_pa_abs, quality)
    return float(eta * sqrt(p_pa_abs / (v_1 * omega))) if omega > 0.0 else nan


def _omega(refrigerant: Refrigerant, p_pa_abs: float, quality: float) -> tuple[float, float, float]:
    """Specific volume before the restriction, m3/kg, compressibility parameter omega, and critical pressure ratio.

    The ratio is the correlation of the omega method for a saturated or two-phase inlet; it means nothing where omega
    is not above 0.
    """
    low = 0.9 * p_pa_abs
    v_liquid = 1.0 / refrigerant.liquid_density_kg_m3(refrigerant.bubble_temperature_degc(p_pa_abs))
    v_1 = quality / refrigerant.vapor_density_kg_m3(p_pa_abs) + (1.0 - quality) * v_liquid
    v_liquid = 1.0 / refrigerant.liquid_density_kg_m3(refrigerant.bubble_temperature_degc(low))
    x = refrigerant.flash_quality(p_pa_abs, low)
    x += quality * (1.0 - x)  # the vapor that was there stays; only liquid flashes
    v_9 = x / refrigerant.vapor_density_kg_m3(low) + (1.0 - x) * v_liquid
    omega = 9.0 * (v_9 / v_1 - 1.0)
    if not omega > 0.0:
        return v_1, omega, nan
    return (
        v_1,
        omega,
        (1.0 + (1.0446 - 0.0093431 * sqrt(omega)) * omega**-0.56261) ** (-0.70356 + 0.014685 * log(omega)),
    )


def hose_area_m2(bore_m: float, length_m: float, k: figures.Restrictions) -> float:
    """Effective area of a hose: its bore over the root of friction and end losses (Darcy-Weisbach)."""
    return 0.25 * pi * bore_m * bore_m / sqrt(k.hose_friction * length_m / bore_m + k.hose_ends)


def in_a_row(*areas_m2: float) -> float:
    """Effective area of restrictions one behind the other."""
    total = 0.0
    for area in areas_m2:
        total += 1.0 / (area * area)
    return 1.0 / sqrt(total)


def liquid_flux_kg_m2_s(refrigerant: Refrigerant, p_1: float, p_2: float) -> float:
    """Mass flux of saturated liquid through a restriction from `p_1` to `p_2`, choked or not; NaN outside the table.

    Omega method as for the choked flux.
    """
    v_1, omega, choked = _omega(refrigerant, p_1, 0.0)
    if not omega > 0.0:
        return nan
    r = max(p_2 / p_1, choked)
    head = -2.0 * (omega * log(r) + (omega - 1.0) * (1.0 - r))
    flux: float = sqrt(max(head, 0.0) * p_1 / v_1) / (omega * (1.0 / r - 1.0) + 1.0)
    return flux


def _hose(bore_m: float | None, length_m: float | None, k: figures.Restrictions) -> float:
    return hose_area_m2(
        k.common_hose_bore_m if bore_m is None else bore_m, k.common_hose_length_m if length_m is None else length_m, k
    )


def ways_in(hookup: Hookup, two: bool, core_kv: float, k: figures.Restrictions) -> tuple[float, float]:
    """Effective areas of the ways in from the liquid and the vapor port to the header, m2.

    `two`: each port has a hose of its own; `core_kv`: Kv of a port with its core in, m3/h.
    """
    kv = ORIFICE_M2_PER_KV
    core, port, inlet = core_kv * kv, k.port_kv_m3_h * kv, k.inlet_kv_m3_h * kv
    manifold = kv * (k.tee_kv_m3_h if hookup.manifold is False else k.manifold_kv_m3_h)
    hose_l = _hose(hookup.liquid_hose_bore_m, hookup.liquid_hose_length_m, k)
    # One hose: it is moved from port to port.
    hose_v = _hose(hookup.vapor_hose_bore_m, hookup.vapor_hose_length_m, k) if two else hose_l
    port_l = port if hookup.liquid_core_in is False else core
    port_v = port if hookup.vapor_core_in is False else core
    return in_a_row(port_l, hose_l, inlet, manifold), in_a_row(port_v, hose_v, inlet, manifold)
