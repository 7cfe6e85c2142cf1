"""Mass flow through a restriction: subcooled, flashing, saturated and choked vapor, compiled.

Homogeneous equilibrium by the omega method of Leung (API 520-1, 10th ed., Annex C). A real short orifice
passes more flashing liquid than equilibrium says, so liquid rates through a port core are a low bound.
"""

from __future__ import annotations

import math

from hil_sim.plant.phase import compiled

KV_TO_AREA_M2 = 1.964e-5
"""Effective area Cd*A of a valve with Kv = 1 m3/h: Kv/3600 * sqrt(1000/1e5) / sqrt(2)."""

LINEAR_SHARE = 0.005
"""Below this pressure drop, as a share of the inlet pressure, flow is taken as linear in the drop."""


@compiled
def critical_ratio(omega: float) -> float:
    """Throat over inlet pressure at choking; explicit form of API 520-1 Annex C, 0 < omega < 1e4."""
    base = 1.0 + (1.0446 - 0.0093431 * math.sqrt(omega)) * omega**-0.56261
    return float(base ** (-0.70356 + 0.014685 * math.log(omega)))


@compiled
def _omega_flux(p_1: float, ratio: float, v: float, omega: float) -> float:
    """Unchoked flux of a saturated or two-phase inlet, kg/(m2 s)."""
    head = -2.0 * (omega * math.log(ratio) + (omega - 1.0) * (1.0 - ratio))
    return math.sqrt(max(head, 0.0) * p_1 / v) / (omega * (1.0 / ratio - 1.0) + 1.0)


@compiled
def saturated_flux(p_1: float, p_2: float, v: float, omega: float) -> tuple[float, bool]:
    """Flux (kg/(m2 s)) and whether it is choked, for a gas, saturated or two-phase inlet at volume v m3/kg."""
    ratio = p_2 / p_1
    if ratio >= 1.0:
        return 0.0, False
    w = min(max(omega, 0.05), 2000.0)
    choked = False
    # The critical ratio stays below 0.92 for omega < 30: spare its two powers at small drops.
    if ratio < 0.92 or w > 30.0:
        critical = critical_ratio(w)
        if ratio <= critical:
            ratio = critical
            choked = True
    return _omega_flux(p_1, ratio, v, w), choked


@compiled
def subcooled_flux(p_1: float, p_2: float, v: float, omega: float, p_sat: float) -> tuple[float, bool]:
    """Flux and whether choked for a liquid inlet below its boiling point; joins the saturated flux at p_sat.

    Low and high subcooling as in Leung's extension; the throat ratio of the flashing branch is taken as that
    of the saturated liquid, where the flux is flat.
    """
    if p_2 >= p_1:
        return 0.0, False
    if p_2 >= p_sat:
        return math.sqrt(2.0 * (p_1 - p_2) / v), False
    bernoulli = math.sqrt(2.0 * max(p_1 - p_sat, 0.0) / v)
    w = min(max(omega, 0.05), 2000.0)
    eta_s = p_sat / p_1
    lowest = critical_ratio(w) * eta_s
    eta = max(lowest, p_2 / p_1)
    head = 2.0 * (1.0 - eta_s) + 2.0 * (w * eta_s * math.log(eta_s / eta) - (w - 1.0) * (eta_s - eta))
    flashing = math.sqrt(max(head, 0.0) * p_1 / v) / (w * (eta_s / eta - 1.0) + 1.0)
    if bernoulli >= flashing:
        return bernoulli, True
    return flashing, p_2 / p_1 <= lowest


@compiled
def flux(p_1: float, p_2: float, v: float, omega: float, p_sat: float, liquid: bool) -> tuple[float, bool]:
    """Flux from p_1 to p_2 (p_2 < p_1), linear in the drop near zero."""
    drop = p_1 - p_2
    small = LINEAR_SHARE * p_1
    low = p_2
    scale = 1.0
    if drop < small:
        low = p_1 - small
        scale = drop / small
    g, choked = subcooled_flux(p_1, low, v, omega, p_sat) if liquid else saturated_flux(p_1, low, v, omega)
    return g * scale, choked and scale == 1.0


@compiled
def omega_two_phase(x: float, v: float, p: float, t_k: float, v_fg: float, h_fg: float, c_f: float) -> float:
    """Compressibility of a boiling mixture: ``x vfg/v + cf T P / v (vfg/hfg)**2`` (Leung)."""
    return float(x * v_fg / v + c_f * t_k * p / v * (v_fg / h_fg) ** 2)


def hose_area_m2(bore_m: float, length_m: float) -> float:
    """Effective area of a hose: ``A / sqrt(f L / D + 1.8)`` with f = 0.028 (engineering estimate)."""
    area = 0.25 * math.pi * bore_m**2
    return area / math.sqrt(0.028 * length_m / bore_m + 1.8)
