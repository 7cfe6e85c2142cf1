"""State of a refrigerant from its volume and energy: the compiled equilibrium-phase lookup.

All tables are uniform in ln(pressure). Inside a table cell bubble and dew properties are linear, so
the two-phase state solves a quadratic and the phase boundary used by gas, liquid and two-phase
branches is one and the same line: pressure is continuous across it.
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path
from typing import Any, NamedTuple, TypeVar, cast

import numpy as np
from numba import njit
from numpy.typing import NDArray

F = TypeVar("F", bound=Callable[..., Any])
Array = NDArray[np.float64]


def _drop_stale_code() -> None:
    """Delete compiled code older than any source of this package.

    Numba renews a function's code when its own file changes, not when a function or a constant it uses from
    another file does; old places in a flat array would then be read without complaint.
    """
    folder = Path(__file__).parent
    newest = max(source.stat().st_mtime for source in folder.glob("*.py"))
    for old in folder.glob("__pycache__/*.nb[ic]"):
        with contextlib.suppress(OSError):
            if old.stat().st_mtime < newest:
                old.unlink()


_drop_stale_code()


def compiled(function: F) -> F:
    """Compile with numba, free of the interpreter lock; keep the result on disk, and the type for the checker."""
    return cast(F, njit(cache=True, error_model="numpy", nogil=True)(function))


# Columns of the saturation table.
T_F, T_G, V_F, V_G, U_F, U_G, C_F, LIQ_A, LIQ_B = range(9)

# Fields of one evaluated state.
P, T, X, V, H, DPDM, DPDU, DTDM, DTDU, PHASE, SUPERHEAT, VF, VG, HF, HG, CF, PSAT, P_REF, Z_F, Z_G = range(20)
STATE_FIELDS = 20
TWO_PHASE, GAS, LIQUID, DENSE = 0, 1, 2, 3

COARSE = 8
SUPERHEATS = 17


class Tables(NamedTuple):
    """Arrays of one refrigerant, as the compiled functions take them."""

    sat: Array
    gas_a: Array
    gas_b: Array
    scalars: Array
    """[ln p of row 0, step of ln p, step of superheat J/kg, cp/cv of the gas, molar mass kg/mol]."""
    oil: Array
    """Row 0: saturation pressure over temperature; further rows: mass fraction over sqrt(P/Psat)."""


REFRIGERANTS = (
    "R-12", "R-22", "R-32", "R-123", "R-134a", "R-290", "R-404A", "R-407C", "R-410A", "R-454B", "R-600a", "R-1234yf",
)  # fmt: skip
"""Refrigerants a table is shipped for."""

OIL_T_FIRST_K, OIL_T_STEP_K = 233.15, 5.0


@lru_cache(maxsize=32)
def load_tables(refrigerant: str) -> Tables:
    """Load the shipped tables of a refrigerant, for example ``R-410A``.

    Raises
    ------
    ValueError
        If no table is shipped for that name.
    """
    if refrigerant not in REFRIGERANTS:
        raise ValueError(f"no property table for refrigerant {refrigerant!r}; use one of {', '.join(REFRIGERANTS)}")
    with np.load(Path(__file__).parent / "data" / f"{refrigerant}.npz") as data:
        log_p = data["log_p"]
        step_w, k_gas, molar_kg = data["scalars"][:3]
        scalars = np.array([log_p[0], (log_p[-1] - log_p[0]) / (len(log_p) - 1), step_w, k_gas, molar_kg])
        oil = np.ascontiguousarray(np.column_stack([data["oil_psat_pa"], data["oil_mass_fraction"]]))
        return Tables(data["saturation"], data["gas_a"], data["gas_b"], scalars, oil)


@compiled
def _tie(sat: Array, i: int, v: float, u: float) -> float:
    """Below zero while row i lies at a lower pressure than the two-phase state (v, u)."""
    return float((v - sat[i, V_F]) * (sat[i, U_G] - sat[i, U_F]) - (u - sat[i, U_F]) * (sat[i, V_G] - sat[i, V_F]))


@compiled
def find_two_phase(sat: Array, v: float, u: float, guess: int) -> int:
    """Row whose cell holds the tie line through (v, u); the last row means above the table."""
    top = int(sat.shape[0]) - 1
    i = min(max(guess, 0), top - 1)
    low, high = 0, top
    if _tie(sat, i, v, u) < 0.0:
        low = i
        if _tie(sat, i + 1, v, u) >= 0.0:
            return i
        low = i + 1
        if low >= top:
            return top
        if _tie(sat, low + 1, v, u) >= 0.0:
            return low
        if _tie(sat, top, v, u) < 0.0:
            return top
    else:
        high = i
        if i == 0:
            return 0
        if _tie(sat, i - 1, v, u) < 0.0:
            return i - 1
    while high - low > 1:
        mid = (low + high) // 2
        if _tie(sat, mid, v, u) < 0.0:
            low = mid
        else:
            high = mid
    return low


@compiled
def find_column(sat: Array, column: int, value: float, rising: bool, guess: int) -> int:
    """Row of the cell that holds a value of a monotonic column; ends are held to the first and last cell."""
    top = int(sat.shape[0]) - 1
    i = min(max(guess, 0), top - 1)
    sign = 1.0 if rising else -1.0
    if sign * (value - sat[i, column]) >= 0.0:
        if sign * (value - sat[i + 1, column]) < 0.0:
            return i
        low, high = i, top
    else:
        low, high = 0, i
    while high - low > 1:
        mid = (low + high) // 2
        if sign * (value - sat[mid, column]) >= 0.0:
            low = mid
        else:
            high = mid
    return low


@compiled
def _gas(v: float, u: float, guess: int, sat: Array, ga: Array, gb: Array, sc: Array, out: Array) -> int:
    """Single phase on the dew side. Writes T, P, slopes and superheat; returns the row."""
    dl = sc[1]
    thin = v > sat[0, V_G]
    if thin:
        i, lam = 0, 0.0
        p_dew = math.exp(sc[0]) * sat[0, V_G] / v
        t_dew, u_dew = sat[0, T_G], sat[0, U_G]
        dp_dv, dt_dv, du_dv = -p_dew / v, 0.0, 0.0
    else:
        i = find_column(sat, V_G, v, False, guess)
        dv = sat[i + 1, V_G] - sat[i, V_G]
        lam = (v - sat[i, V_G]) / dv
        p_dew = math.exp(sc[0] + dl * (i + lam))
        t_dew = sat[i, T_G] + lam * (sat[i + 1, T_G] - sat[i, T_G])
        u_dew = sat[i, U_G] + lam * (sat[i + 1, U_G] - sat[i, U_G])
        dp_dv = p_dew * dl / dv
        dt_dv = (sat[i + 1, T_G] - sat[i, T_G]) / dv
        du_dv = (sat[i + 1, U_G] - sat[i, U_G]) / dv
    w = u - u_dew
    # Mean slopes over the superheat, bilinear on a coarser grid.
    y = (i + lam) / COARSE
    j = min(int(y), ga.shape[0] - 2)
    fy = y - j
    z = min(max(w / sc[2], 0.0), SUPERHEATS - 1.000001)
    k = int(z)
    fz = z - k
    a0 = ga[j, k] + fy * (ga[j + 1, k] - ga[j, k])
    a1 = ga[j, k + 1] + fy * (ga[j + 1, k + 1] - ga[j, k + 1])
    b0 = gb[j, k] + fy * (gb[j + 1, k] - gb[j, k])
    b1 = gb[j, k + 1] + fy * (gb[j + 1, k + 1] - gb[j, k + 1])
    a, b = a0 + fz * (a1 - a0), b0 + fz * (b1 - b0)
    out[T] = t_dew + w * a
    out[P] = p_dew + w * b / v
    # Hotter than the table the mean slopes are held.
    inside = w if 0.0 < w < sc[2] * (SUPERHEATS - 1) else 0.0
    slope_t = a + inside * (a1 - a0) / sc[2]
    slope_p = (b + inside * (b1 - b0) / sc[2]) / v
    out[DTDU] = slope_t
    out[DPDU] = slope_p
    out[DPDM] = dp_dv - slope_p * du_dv - w * b / (v * v)  # d/dv, turned into d/dm by the caller
    out[DTDM] = dt_dv - slope_t * du_dv
    out[SUPERHEAT] = w
    return i


@compiled
def _liquid(v: float, u: float, guess: int, sat: Array, sc: Array, out: Array) -> int:
    """Single phase on the bubble side: P = Pbub(v) + slope * (u - ubub(v)). Returns the row."""
    dl = sc[1]
    i = find_column(sat, V_F, v, True, guess)
    dv = sat[i + 1, V_F] - sat[i, V_F]
    lam = (v - sat[i, V_F]) / dv
    p_bub = math.exp(sc[0] + dl * (i + lam))
    # Denser than the table's coldest liquid: straight on in volume, with the last slopes.
    held = max(lam, 0.0) if i == 0 else lam
    u_bub = sat[i, U_F] + lam * (sat[i + 1, U_F] - sat[i, U_F])
    t_bub = sat[i, T_F] + lam * (sat[i + 1, T_F] - sat[i, T_F])
    a = sat[i, LIQ_A] + held * (sat[i + 1, LIQ_A] - sat[i, LIQ_A])
    g = sat[i, LIQ_B] + held * (sat[i + 1, LIQ_B] - sat[i, LIQ_B])
    w = u - u_bub
    du_dv = (sat[i + 1, U_F] - sat[i, U_F]) / dv
    dt_dv = (sat[i + 1, T_F] - sat[i, T_F]) / dv
    out[T] = t_bub + a * w
    out[P] = p_bub + g * w
    out[DTDU] = a
    out[DPDU] = g
    out[DPDM] = p_bub * dl / dv - g * du_dv
    out[DTDM] = dt_dv - a * du_dv
    out[SUPERHEAT] = w
    # Saturation pressure at the liquid's own temperature, for flashing flow.
    out[PSAT] = p_bub * (1.0 + dl / (sat[i + 1, T_F] - sat[i, T_F]) * a * w)
    return i


@compiled
def _limits(i: int, lam: float, p: float, sat: Array, out: Array) -> None:
    out[VF] = sat[i, V_F] + lam * (sat[i + 1, V_F] - sat[i, V_F])
    out[VG] = sat[i, V_G] + lam * (sat[i + 1, V_G] - sat[i, V_G])
    out[HF] = sat[i, U_F] + lam * (sat[i + 1, U_F] - sat[i, U_F]) + p * out[VF]
    out[HG] = sat[i, U_G] + lam * (sat[i + 1, U_G] - sat[i, U_G]) + p * out[VG]
    out[CF] = sat[i, C_F] + lam * (sat[i + 1, C_F] - sat[i, C_F])


@compiled
def evaluate(
    mass: float, energy: float, volume: float, guess: int, sat: Array, ga: Array, gb: Array, sc: Array, out: Array
) -> int:
    """State of a volume from its mass (kg) and internal energy (J); fills `out`, returns the table row.

    The derivatives are with respect to the mass and the energy of the whole volume.
    """
    v = volume / mass
    u = energy / mass
    top = int(sat.shape[0]) - 1
    dl = sc[1]
    single = 0
    # Which side of the dome? On a line of constant volume, single phase lies above it on both sides.
    if v < sat[top, V_F]:
        i = find_column(sat, V_F, v, True, guess)
        lam = (v - sat[i, V_F]) / (sat[i + 1, V_F] - sat[i, V_F])
        if u >= sat[i, U_F] + lam * (sat[i + 1, U_F] - sat[i, U_F]):
            single = LIQUID
    elif v > sat[top, V_G]:
        if v > sat[0, V_G]:
            single = GAS
        else:
            i = find_column(sat, V_G, v, False, guess)
            lam = (v - sat[i, V_G]) / (sat[i + 1, V_G] - sat[i, V_G])
            if u >= sat[i, U_G] + lam * (sat[i + 1, U_G] - sat[i, U_G]):
                single = GAS
    else:
        share = (v - sat[top, V_F]) / (sat[top, V_G] - sat[top, V_F])
        u_top = sat[top, U_F] + share * (sat[top, U_G] - sat[top, U_F])
        if u >= u_top:
            single = DENSE
    out[V] = v
    out[PSAT] = 0.0
    # Light fraction of liquid and vapor: known to a family of compositions only.
    out[Z_F], out[Z_G] = 0.0, 0.0
    if single == GAS:
        row = _gas(v, u, guess, sat, ga, gb, sc, out)
        out[X] = 1.0
    elif single == LIQUID:
        row = _liquid(v, u, guess, sat, sc, out)
        out[X] = 0.0
        i = min(row, top - 1)
        _limits(i, min(max((v - sat[i, V_F]) / (sat[i + 1, V_F] - sat[i, V_F]), 0.0), 1.0), out[PSAT], sat, out)
    elif single == DENSE:
        # Above the top of the table between the two boundaries: blend the gas and the liquid side.
        share = (v - sat[top, V_F]) / (sat[top, V_G] - sat[top, V_F])
        w = u - (sat[top, U_F] + share * (sat[top, U_G] - sat[top, U_F]))
        _liquid(sat[top, V_F] * (1.0 - 1e-12), sat[top, U_F] + w, top - 1, sat, sc, out)
        p_l, t_l, pu_l, tu_l = out[P], out[T], out[DPDU], out[DTDU]
        row = _gas(sat[top, V_G] * (1.0 - 1e-12), sat[top, U_G] + w, top - 1, sat, ga, gb, sc, out)
        span = sat[top, V_G] - sat[top, V_F]
        slope_u = (sat[top, U_G] - sat[top, U_F]) / span
        dp, dt = (out[P] - p_l) / span, (out[T] - t_l) / span
        out[P] = p_l + share * (out[P] - p_l)
        out[T] = t_l + share * (out[T] - t_l)
        out[DPDU] = pu_l + share * (out[DPDU] - pu_l)
        out[DTDU] = tu_l + share * (out[DTDU] - tu_l)
        out[DPDM] = dp - out[DPDU] * slope_u
        out[DTDM] = dt - out[DTDU] * slope_u
        out[X] = share
        out[SUPERHEAT] = w
    else:
        row = find_two_phase(sat, v, u, guess)
        i = min(row, top - 1)
        v_f, u_f = sat[i, V_F], sat[i, U_F]
        v_fg, u_fg = sat[i, V_G] - v_f, sat[i, U_G] - u_f
        d_vf, d_uf = sat[i + 1, V_F] - v_f, sat[i + 1, U_F] - u_f
        d_vfg = sat[i + 1, V_G] - sat[i + 1, V_F] - v_fg
        d_ufg = sat[i + 1, U_G] - sat[i + 1, U_F] - u_fg
        c0 = (v - v_f) * u_fg - (u - u_f) * v_fg
        c1 = (v - v_f) * d_ufg - d_vf * u_fg - (u - u_f) * d_vfg + d_uf * v_fg
        c2 = -d_vf * d_ufg + d_uf * d_vfg
        root = math.sqrt(max(c1 * c1 - 4.0 * c0 * c2, 0.0))
        lam = -2.0 * c0 / (c1 + root) if c1 > 0.0 else 0.0
        # Colder than the table: hold the extrapolation to a few cells, pressures there mean nothing.
        lam = min(max(lam, -50.0), 1.0)
        p = math.exp(sc[0] + dl * (i + lam))
        v_f, u_f = v_f + lam * d_vf, u_f + lam * d_uf
        v_fg, u_fg = v_fg + lam * d_vfg, u_fg + lam * d_ufg
        x = (v - v_f) / v_fg
        f_lam = c1 + 2.0 * c2 * lam
        lam_v, lam_u = -u_fg / f_lam, v_fg / f_lam
        dt_f, dt_g = sat[i + 1, T_F] - sat[i, T_F], sat[i + 1, T_G] - sat[i, T_G]
        t_f, t_g = sat[i, T_F] + lam * dt_f, sat[i, T_G] + lam * dt_g
        out[P] = p
        out[T] = t_f + x * (t_g - t_f)
        out[X] = x
        out[DPDM], out[DPDU] = p * dl * lam_v, p * dl * lam_u
        # Across the glide the quality moves too.
        x_v = (1.0 - (d_vf + x * d_vfg) * lam_v) / v_fg
        x_u = -(d_vf + x * d_vfg) * lam_u / v_fg
        slope = dt_f + x * (dt_g - dt_f)
        out[DTDM] = slope * lam_v + (t_g - t_f) * x_v
        out[DTDU] = slope * lam_u + (t_g - t_f) * x_u
        out[SUPERHEAT] = 0.0
        out[PSAT] = p
        _limits(i, lam, p, sat, out)
    out[PHASE] = single
    out[P_REF] = out[P]
    out[H] = u + out[P] * v
    # From slopes at (v, u) to slopes at (mass, energy) of the fixed volume.
    p_v, p_u, t_v, t_u = out[DPDM], out[DPDU], out[DTDM], out[DTDU]
    out[DPDM] = -(p_v * v + p_u * u) / mass
    out[DPDU] = p_u / mass
    out[DTDM] = -(t_v * v + t_u * u) / mass
    out[DTDU] = t_u / mass
    return row


@compiled
def liquid_fill(state: Array) -> float:
    """Share of a volume that liquid takes, 0..1."""
    if state[PHASE] == LIQUID:
        return 1.0
    if state[PHASE] == TWO_PHASE:
        return float(min(max((1.0 - state[X]) * state[VF] / state[V], 0.0), 1.0))
    return 0.0


@compiled
def dew_or_bubble(t_k: float, column: int, sat: Array, sc: Array, out: Array) -> float:
    """Saturation pressure at a temperature on the bubble (T_F) or dew (T_G) line; fills the phase limits."""
    i = find_column(sat, column, t_k, True, 0)
    lam = (t_k - sat[i, column]) / (sat[i + 1, column] - sat[i, column])
    p = math.exp(sc[0] + sc[1] * (i + lam))
    _limits(i, lam, p, sat, out)
    return p
