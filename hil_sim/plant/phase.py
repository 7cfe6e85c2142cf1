"""State of a refrigerant from its volume and energy: the compiled equilibrium-phase lookup.

All tables are uniform in ln(pressure). Inside a table cell bubble and dew properties are linear, so
the two-phase state solves a quadratic and the phase boundary used by gas, liquid and two-phase
branches is one and the same line: pressure is continuous across it.

For blends whose composition shifts there is a family of such tables on one grid of pressures, one member for
each of a few mass fractions of the lighter part. Rows between two members are interpolated first and solved
afterwards, so that a composition between members has a bubble and a dew line of its own.
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
SATURATION_COLUMNS = 9

# Fields of one evaluated state.
P, T, X, V, H, DPDM, DPDU, DTDM, DTDU, PHASE, SUPERHEAT, VF, VG, HF, HG, CF, PSAT, P_REF, Z_F, Z_G = range(20)
STATE_FIELDS = 20
TWO_PHASE, GAS, LIQUID, DENSE = 0, 1, 2, 3

COARSE = 8
SUPERHEATS = 17
JOINING_ROWS = 6.0
NEWTON_ROUNDS = 8
NEWTON_ENOUGH = 1e-6
SPLIT_ENOUGH = 1e-5


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
    "R-12", "R-22", "R-32", "R-123", "R-134a", "R-290", "R-404A", "R-407C", "R-410A", "R-454B", "R-513A", "R-600a",
    "R-1234yf",
)  # fmt: skip
"""Refrigerants a table is shipped for."""

SHIFTING = ("R-407C", "R-454B", "R-513A")
"""Blends a family of compositions is shipped for."""

OIL_T_FIRST_K, OIL_T_STEP_K = 233.15, 5.0


def _scalars(data: Any) -> Array:
    """Scalars as `Tables` holds them, from a file of tables."""
    log_p = data["log_p"]
    step_w, k_gas, molar_kg = data["scalars"][:3]
    return np.array([log_p[0], (log_p[-1] - log_p[0]) / (len(log_p) - 1), step_w, k_gas, molar_kg])


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
        oil = np.ascontiguousarray(np.column_stack([data["oil_psat_pa"], data["oil_mass_fraction"]]))
        return Tables(data["saturation"], data["gas_a"], data["gas_b"], _scalars(data), oil)


class Family(NamedTuple):
    """Tables of one blend for several compositions, as `evaluate_shifted` takes them."""

    light: Array
    """Mass fraction of the light part in each member, rising; shape (n,)."""
    saturation: Array
    """Saturation tables of the members; shape (n, rows, 9)."""
    gas_a: Array
    gas_b: Array
    vapor_light: Array
    """Light mass fraction of the vapor over saturated liquid of the member's composition; shape (n, rows)."""
    molar_kg: Array
    """Molar mass of each member in kg/mol; shape (n,)."""
    scalars: Array
    """As in `Tables`, for the grid of the family; molar mass and cp/cv are those of the nominal blend."""
    nominal: int
    """Place of the nominal composition among the members."""


@lru_cache(maxsize=8)
def load_family(refrigerant: str) -> Family:
    """Load the family of compositions of a blend, for example ``R-407C``.

    Raises
    ------
    ValueError
        If no family is shipped for that name.
    """
    if refrigerant not in SHIFTING:
        raise ValueError(f"no tables of shifted composition for {refrigerant!r}; use one of {', '.join(SHIFTING)}")
    with np.load(Path(__file__).parent / "data" / f"{refrigerant}.shift.npz") as data:
        return Family(
            data["light"],
            data["saturation"],
            data["gas_a"],
            data["gas_b"],
            data["vapor_light"],
            data["molar_kg"],
            _scalars(data),
            int(data["nominal"]),
        )


def no_family() -> Family:
    """Empty arrays of the same kinds, for a refrigerant whose composition does not shift."""
    line, sheet, block = np.zeros(0), np.zeros((0, 0)), np.zeros((0, 0, 0))
    return Family(line, block, block, block, sheet, line, line, 0)


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
def _dew_point(
    v: float, thin: bool, i: int, row: int, sat: Array, sc: Array
) -> tuple[float, float, float, float, float, float, float]:
    """Dew line at a volume in the cell of row i (row of the whole table: `row`).

    Returns the place in the cell, then pressure, temperature and energy there, and their slopes in v.
    """
    dl = sc[1]
    if thin:
        p_dew = math.exp(sc[0]) * sat[i, V_G] / v
        return 0.0, p_dew, sat[i, T_G], sat[i, U_G], -p_dew / v, 0.0, 0.0
    dv = sat[i + 1, V_G] - sat[i, V_G]
    lam = (v - sat[i, V_G]) / dv
    p_dew = math.exp(sc[0] + dl * (row + lam))
    t_dew = sat[i, T_G] + lam * (sat[i + 1, T_G] - sat[i, T_G])
    u_dew = sat[i, U_G] + lam * (sat[i + 1, U_G] - sat[i, U_G])
    dt_dv = (sat[i + 1, T_G] - sat[i, T_G]) / dv
    du_dv = (sat[i + 1, U_G] - sat[i, U_G]) / dv
    return lam, p_dew, t_dew, u_dew, p_dew * dl / dv, dt_dv, du_dv


@compiled
def _mean_slopes(row: float, w: float, ga: Array, gb: Array, sc: Array) -> tuple[float, float, float, float]:
    """Mean slopes over the superheat w, bilinear on a coarser grid, and the slopes at w itself."""
    y = row / COARSE
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
    # Hotter than the table the mean slopes are held.
    inside = w if 0.0 < w < sc[2] * (SUPERHEATS - 1) else 0.0
    return a, b, a + inside * (a1 - a0) / sc[2], b + inside * (b1 - b0) / sc[2]


@compiled
def _superheated(
    v: float,
    u: float,
    dew: tuple[float, float, float, float, float, float, float],
    slopes: tuple[float, float, float, float],
    out: Array,
) -> None:
    _, p_dew, t_dew, u_dew, dp_dv, dt_dv, du_dv = dew
    a, b, slope_a, slope_b = slopes
    w = u - u_dew
    out[T] = t_dew + w * a
    out[P] = p_dew + w * b / v
    slope_p = slope_b / v
    out[DTDU] = slope_a
    out[DPDU] = slope_p
    out[DPDM] = dp_dv - slope_p * du_dv - w * b / (v * v)  # d/dv, turned into d/dm by the caller
    out[DTDM] = dt_dv - slope_a * du_dv
    out[SUPERHEAT] = w


@compiled
def _gas(v: float, u: float, guess: int, sat: Array, ga: Array, gb: Array, sc: Array, out: Array) -> int:
    """Single phase on the dew side. Writes T, P, slopes and superheat; returns the row."""
    thin = v > sat[0, V_G]
    i = 0 if thin else find_column(sat, V_G, v, False, guess)
    dew = _dew_point(v, thin, i, i, sat, sc)
    _superheated(v, u, dew, _mean_slopes(i + dew[0], u - dew[3], ga, gb, sc), out)
    return i


@compiled
def _liquid(v: float, u: float, i: int, row: int, sat: Array, sc: Array, out: Array) -> float:
    """Single phase on the bubble side: P = Pbub(v) + slope * (u - ubub(v)). Returns the place in the cell."""
    dl = sc[1]
    dv = sat[i + 1, V_F] - sat[i, V_F]
    lam = (v - sat[i, V_F]) / dv
    p_bub = math.exp(sc[0] + dl * (row + lam))
    # Denser than the table's coldest liquid: straight on in volume, with the last slopes.
    held = max(lam, 0.0) if row == 0 else lam
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
    return float(lam)


@compiled
def _limits(i: int, lam: float, p: float, sat: Array, out: Array) -> None:
    out[VF] = sat[i, V_F] + lam * (sat[i + 1, V_F] - sat[i, V_F])
    out[VG] = sat[i, V_G] + lam * (sat[i + 1, V_G] - sat[i, V_G])
    out[HF] = sat[i, U_F] + lam * (sat[i + 1, U_F] - sat[i, U_F]) + p * out[VF]
    out[HG] = sat[i, U_G] + lam * (sat[i + 1, U_G] - sat[i, U_G]) + p * out[VG]
    out[CF] = sat[i, C_F] + lam * (sat[i + 1, C_F] - sat[i, C_F])


@compiled
def _boiling(v: float, u: float, i: int, row: int, sat: Array, sc: Array, out: Array) -> float:
    """Two phases: the tie line through (v, u) in the cell of row i. Returns the place in the cell."""
    dl = sc[1]
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
    p = math.exp(sc[0] + dl * (row + lam))
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
    return lam


@compiled
def _dense(share: float, w: float, liquid: tuple[float, float, float, float], i: int, sat: Array, out: Array) -> None:
    """Above the top of the table (row i) between the two boundaries: blend `out` of the gas with the liquid side."""
    p_l, t_l, pu_l, tu_l = liquid
    span = sat[i, V_G] - sat[i, V_F]
    slope_u = (sat[i, U_G] - sat[i, U_F]) / span
    dp, dt = (out[P] - p_l) / span, (out[T] - t_l) / span
    out[P] = p_l + share * (out[P] - p_l)
    out[T] = t_l + share * (out[T] - t_l)
    out[DPDU] = pu_l + share * (out[DPDU] - pu_l)
    out[DTDU] = tu_l + share * (out[DTDU] - tu_l)
    out[DPDM] = dp - out[DPDU] * slope_u
    out[DTDM] = dt - out[DTDU] * slope_u
    out[X] = share
    out[SUPERHEAT] = w


@compiled
def _finish(v: float, u: float, mass: float, single: int, out: Array) -> None:
    out[V] = v
    out[PHASE] = single
    out[P_REF] = out[P]
    out[H] = u + out[P] * v
    # From slopes at (v, u) to slopes at (mass, energy) of the fixed volume.
    p_v, p_u, t_v, t_u = out[DPDM], out[DPDU], out[DTDM], out[DTDU]
    out[DPDM] = -(p_v * v + p_u * u) / mass
    out[DPDU] = p_u / mass
    out[DTDM] = -(t_v * v + t_u * u) / mass
    out[DTDU] = t_u / mass


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
    single = 0
    row = guess
    # Which side of the dome? On a line of constant volume, single phase lies above it on both sides.
    if v < sat[top, V_F]:
        i = find_column(sat, V_F, v, True, guess)
        lam = (v - sat[i, V_F]) / (sat[i + 1, V_F] - sat[i, V_F])
        if u >= sat[i, U_F] + lam * (sat[i + 1, U_F] - sat[i, U_F]):
            single = LIQUID
            row = i
    elif v > sat[top, V_G]:
        if v > sat[0, V_G]:
            single = GAS
        else:
            i = find_column(sat, V_G, v, False, guess)
            lam = (v - sat[i, V_G]) / (sat[i + 1, V_G] - sat[i, V_G])
            if u >= sat[i, U_G] + lam * (sat[i + 1, U_G] - sat[i, U_G]):
                single = GAS
                row = i
    else:
        share = (v - sat[top, V_F]) / (sat[top, V_G] - sat[top, V_F])
        u_top = sat[top, U_F] + share * (sat[top, U_G] - sat[top, U_F])
        if u >= u_top:
            single = DENSE
    out[PSAT] = 0.0
    # Light fraction of liquid and vapor: known to a family of compositions only.
    out[Z_F], out[Z_G] = 0.0, 0.0
    if single == GAS:
        row = _gas(v, u, row, sat, ga, gb, sc, out)
        out[X] = 1.0
    elif single == LIQUID:
        lam = _liquid(v, u, row, row, sat, sc, out)
        out[X] = 0.0
        _limits(row, min(max(lam, 0.0), 1.0), out[PSAT], sat, out)
    elif single == DENSE:
        share = (v - sat[top, V_F]) / (sat[top, V_G] - sat[top, V_F])
        w = u - (sat[top, U_F] + share * (sat[top, U_G] - sat[top, U_F]))
        _liquid(sat[top, V_F] * (1.0 - 1e-12), sat[top, U_F] + w, top - 1, top - 1, sat, sc, out)
        liquid = (out[P], out[T], out[DPDU], out[DTDU])
        row = _gas(sat[top, V_G] * (1.0 - 1e-12), sat[top, U_G] + w, top - 1, sat, ga, gb, sc, out)
        _dense(share, w, liquid, top, sat, out)
    else:
        row = find_two_phase(sat, v, u, guess)
        i = min(row, top - 1)
        _boiling(v, u, i, i, sat, sc, out)
    _finish(v, u, mass, single, out)
    return row


@compiled
def _member(light: Array, z: float) -> tuple[int, float]:
    """Lower one of the two members next to a light fraction, and the share of the upper; ends are held."""
    k = 0
    while k < light.shape[0] - 2 and z >= light[k + 1]:
        k += 1
    return k, min(max((z - light[k]) / (light[k + 1] - light[k]), 0.0), 1.0)


@compiled
def _between(sat: Array, k: int, share: float, i: int, column: int) -> float:
    return float(sat[k, i, column] + share * (sat[k + 1, i, column] - sat[k, i, column]))


@compiled
def _tie_between(sat: Array, k: int, share: float, i: int, v: float, u: float) -> float:
    """`_tie` for a composition between members k and k + 1."""
    v_f, u_f = _between(sat, k, share, i, V_F), _between(sat, k, share, i, U_F)
    v_fg, u_fg = _between(sat, k, share, i, V_G) - v_f, _between(sat, k, share, i, U_G) - u_f
    return float((v - v_f) * u_fg - (u - u_f) * v_fg)


@compiled
def _find_two_phase_between(sat: Array, k: int, share: float, v: float, u: float, guess: int) -> int:
    """`find_two_phase` for a composition between members k and k + 1; ends are held to the first and last cell."""
    low, high = 0, int(sat.shape[1]) - 1
    i = min(max(guess, 0), high - 1)
    if _tie_between(sat, k, share, i, v, u) < 0.0:
        low = i
        if i + 1 < high:
            if _tie_between(sat, k, share, i + 1, v, u) >= 0.0:
                return i
            low = i + 1
    else:
        high = max(i, 1)
        if i > 0:
            if _tie_between(sat, k, share, i - 1, v, u) < 0.0:
                return i - 1
            high = max(i - 1, 1)
    while high - low > 1:
        mid = (low + high) // 2
        if _tie_between(sat, k, share, mid, v, u) < 0.0:
            low = mid
        else:
            high = mid
    return low


@compiled
def _find_column_between(sat: Array, k: int, share: float, column: int, value: float, rising: bool, guess: int) -> int:
    """`find_column` for a composition between members k and k + 1."""
    low, high = 0, int(sat.shape[1]) - 1
    i = min(max(guess, 0), high - 1)
    sign = 1.0 if rising else -1.0
    if sign * (value - _between(sat, k, share, i, column)) >= 0.0:
        if sign * (value - _between(sat, k, share, i + 1, column)) < 0.0:
            return i
        low = i
    else:
        high = i
    while high - low > 1:
        mid = (low + high) // 2
        if sign * (value - _between(sat, k, share, mid, column)) >= 0.0:
            low = mid
        else:
            high = mid
    return low


@compiled
def _copy_cell(sat: Array, k: int, share: float, i: int, cell: Array) -> None:
    """Rows i and i + 1 of a composition between members k and k + 1."""
    for r in range(2):
        for c in range(SATURATION_COLUMNS):
            cell[r, c] = sat[k, i + r, c] + share * (sat[k + 1, i + r, c] - sat[k, i + r, c])


@compiled
def _slopes_between(
    k: int, share: float, row: float, w: float, fam_ga: Array, fam_gb: Array, sc: Array
) -> tuple[float, float, float, float]:
    a0, b0, c0, d0 = _mean_slopes(row, w, fam_ga[k], fam_gb[k], sc)
    a1, b1, c1, d1 = _mean_slopes(row, w, fam_ga[k + 1], fam_gb[k + 1], sc)
    return a0 + share * (a1 - a0), b0 + share * (b1 - b0), c0 + share * (c1 - c0), d0 + share * (d1 - d0)


@compiled
def _per_light(light: Array, k: int, z: float) -> float:
    """One over the distance of the members k and k + 1; 0 outside the family, where the end member is held."""
    return float(1.0 / (light[k + 1] - light[k])) if light[0] <= z <= light[-1] else 0.0


@compiled
def _volatility(member: int, i: int, lam: float, light: Array, vapor_light: Array) -> tuple[float, float]:
    """Relative volatility by mass, (y / (1 - y)) / (z / (1 - z)), of a member, and its slope in the row."""
    d_y = vapor_light[member, i + 1] - vapor_light[member, i]
    y = vapor_light[member, i] + lam * d_y
    inverse = 1.0 / ((1.0 - y) * light[member])
    alpha = y * (1.0 - light[member]) * inverse
    return alpha, d_y * inverse * (1.0 - light[member] + alpha * light[member])


@compiled
def _volatility_of(z_f: float, i: int, lam: float, light: Array, vapor_light: Array) -> tuple[float, float, float]:
    """Relative volatility over liquid of a composition, and its slopes in the row and in the composition."""
    k, share = _member(light, z_f)
    lower, lower_l = _volatility(k, i, lam, light, vapor_light)
    upper, upper_l = _volatility(k + 1, i, lam, light, vapor_light)
    over = lower + share * (upper - lower) - 1.0
    per_row = lower_l + share * (upper_l - lower_l)
    # Towards both ends of the table the two phases are led together: beyond them there is one composition.
    below, above = (i + lam) / JOINING_ROWS, (vapor_light.shape[1] - 1 - i - lam) / JOINING_ROWS
    near = min(below, above, 1.0)
    if near <= 0.0:
        return 1.0, 0.0, 0.0
    if near < 1.0:
        per_row = near * per_row + (over if below < above else -over) / JOINING_ROWS
    return 1.0 + near * over, per_row, near * (upper - lower) * _per_light(light, k, z_f)


@compiled
def _liquid_light(z: float, x: float, alpha: float) -> float:
    """Light fraction of the liquid where the volatility is known: the balance is a quadratic."""
    a = (1.0 - x) * (alpha - 1.0)
    b = 1.0 - x + x * alpha - z * (alpha - 1.0)
    return 2.0 * z / (b + math.sqrt(max(b * b + 4.0 * a * z, 0.0)))


@compiled
def split_light(
    z: float, x: float, start: float, rounds: int, i: int, lam: float, light: Array, vapor_light: Array
) -> tuple[float, float]:
    """Light mass fractions of liquid and vapor in equilibrium, with ``z = (1 - x) * z_f + x * z_g``.

    Parameters
    ----------
    z
        Light mass fraction of the whole, 0..1.
    x
        Quality, mass of vapor over mass of the whole, 0..1.
    start
        Where to start looking for the liquid's fraction, for example z.
    rounds
        Most Newton steps for the volatility, which depends on the liquid's composition; at least 1. The light
        balance is exact after any of them.
    i, lam
        Row of the pressure, and the place in its cell, 0..1.
    light, vapor_light
        Arrays of the `Family`.
    """
    z_f, alpha = start, 1.0
    for _ in range(rounds):
        alpha, _, alpha_z = _volatility_of(z_f, i, lam, light, vapor_light)
        found = _liquid_light(z, x, alpha)
        below = 1.0 / (1.0 + (alpha - 1.0) * found)
        # How far `found` follows z_f; below 1 as long as more light in the liquid means more in the vapor.
        follows = -x * found * (1.0 - found) * below * below / (1.0 - x + x * alpha * below * below) * alpha_z
        step = (found - z_f) / max(1.0 - follows, 0.1)
        alpha = max(alpha + alpha_z * step, 0.01)
        z_f = _liquid_light(z, x, alpha)
        if abs(step) < SPLIT_ENOUGH:
            break
    return z_f, alpha * z_f / (1.0 + (alpha - 1.0) * z_f)


@compiled
def _at(
    sat: Array, k: int, share: float, per_light: float, i: int, lam: float, column: int
) -> tuple[float, float, float]:
    """Value between members and rows, and its slopes in the row and in the light fraction."""
    lower, upper = sat[k, i, column], sat[k + 1, i, column]
    d_lower, d_upper = sat[k, i + 1, column] - lower, sat[k + 1, i + 1, column] - upper
    per_row = d_lower + share * (d_upper - d_lower)
    across = upper - lower + lam * (d_upper - d_lower)
    return lower + lam * d_lower + share * across, per_row, across * per_light


@compiled
def _limits_of_phases(i: int, lam: float, p: float, light: Array, sat: Array, out: Array) -> None:
    """`_limits`, with liquid and vapor each of its own composition."""
    k, share = _member(light, out[Z_F])
    out[VF] = _at(sat, k, share, 0.0, i, lam, V_F)[0]
    out[HF] = _at(sat, k, share, 0.0, i, lam, U_F)[0] + p * out[VF]
    out[CF] = _at(sat, k, share, 0.0, i, lam, C_F)[0]
    k, share = _member(light, out[Z_G])
    out[VG] = _at(sat, k, share, 0.0, i, lam, V_G)[0]
    out[HG] = _at(sat, k, share, 0.0, i, lam, U_G)[0] + p * out[VG]


@compiled
def _fractionate(
    v: float, u: float, z: float, place: float, light: Array, sat: Array, vapor_light: Array, sc: Array, out: Array
) -> int:
    """Two phases of different composition, in equilibrium; returns the row.

    Starts from `out` and the place (row and part of a cell) where both phases have the composition of the
    whole, and takes Newton steps in place and quality; the light fraction is in balance at each. At both ends
    of the two-phase region the start is already the answer.
    """
    top = int(sat.shape[1]) - 1
    x, z_f, rounds = out[X], z, 4
    for count in range(NEWTON_ROUNDS):
        i = min(max(int(place), 0), top - 1)
        lam = place - i
        z_f, z_g = split_light(z, x, z_f, rounds, i, max(lam, 0.0), light, vapor_light)
        rounds = 1
        alpha, alpha_l, alpha_z = _volatility_of(z_f, i, max(lam, 0.0), light, vapor_light)
        k_f, share_f = _member(light, z_f)
        per_f = _per_light(light, k_f, z_f)
        k_g, share_g = _member(light, z_g)
        per_g = _per_light(light, k_g, z_g)
        vf, vf_l, vf_z = _at(sat, k_f, share_f, per_f, i, lam, V_F)
        uf, uf_l, uf_z = _at(sat, k_f, share_f, per_f, i, lam, U_F)
        vg, vg_l, vg_z = _at(sat, k_g, share_g, per_g, i, lam, V_G)
        ug, ug_l, ug_z = _at(sat, k_g, share_g, per_g, i, lam, U_G)
        # Slopes of the vapor's fraction in place and in the liquid's fraction.
        below = 1.0 / (1.0 + (alpha - 1.0) * z_f)
        by_alpha = z_f * (1.0 - z_f) * below * below
        y_l, y_z = by_alpha * alpha_l, alpha * below * below + by_alpha * alpha_z
        # The liquid's fraction follows place and quality so that the light mass stays.
        weight = -1.0 / (1.0 - x + x * y_z)
        zf_l, zf_x = x * y_l * weight, (z_g - z_f) * weight
        dry = 1.0 - x
        v_z, u_z = dry * vf_z + x * vg_z * y_z, dry * uf_z + x * ug_z * y_z
        v_l = dry * vf_l + x * (vg_l + vg_z * y_l) + v_z * zf_l
        u_l = dry * uf_l + x * (ug_l + ug_z * y_l) + u_z * zf_l
        v_x, u_x = vg - vf + v_z * zf_x, ug - uf + u_z * zf_x
        inverse = 1.0 / (v_l * u_x - v_x * u_l)
        rest_v, rest_u = v - dry * vf - x * vg, u - dry * uf - x * ug
        next_place = min(max(place + (rest_v * u_x - rest_u * v_x) * inverse, min(place, 0.0)), float(top))
        next_x = min(max(x + (rest_u * v_l - rest_v * u_l) * inverse, 0.0), 1.0)
        enough = abs(next_place - place) < NEWTON_ENOUGH and abs(next_x - x) * (vg - vf) < NEWTON_ENOUGH * v
        if enough or count == NEWTON_ROUNDS - 1:
            break
        place, x = next_place, next_x
    tf, tf_l, tf_z = _at(sat, k_f, share_f, per_f, i, lam, T_F)
    tg, tg_l, tg_z = _at(sat, k_g, share_g, per_g, i, lam, T_G)
    t_z = dry * tf_z + x * tg_z * y_z
    t_l = dry * tf_l + x * (tg_l + tg_z * y_l) + t_z * zf_l
    t_x = tg - tf + t_z * zf_x
    p_l = math.exp(sc[0] + sc[1] * (i + lam))
    out[P] = p_l
    p_l *= sc[1] * inverse
    out[T] = dry * tf + x * tg
    out[X] = x
    out[Z_F], out[Z_G] = z_f, z_g
    out[DPDM], out[DPDU] = p_l * u_x, -p_l * v_x
    out[DTDM], out[DTDU] = (t_l * u_x - t_x * u_l) * inverse, (t_x * v_l - t_l * v_x) * inverse
    out[PSAT] = out[P]
    _limits_of_phases(i, lam, out[P], light, sat, out)
    return i


@compiled
def evaluate_shifted(
    mass: float,
    light_kg: float,
    energy: float,
    volume: float,
    guess: int,
    light: Array,
    fam_sat: Array,
    fam_ga: Array,
    fam_gb: Array,
    vapor_light: Array,
    sc: Array,
    out: Array,
    scratch: Array,
) -> int:
    """State of a volume of a blend from its mass, the mass of its light part (kg) and its internal energy (J).

    Fills `out` as `evaluate` does and returns the table row. Where both phases are present, ``Z_F, VF, HF``
    belong to the liquid and ``Z_G, VG, HG`` to the vapor of their own compositions, in equilibrium; with the
    quality they add up to the light fraction, the volume and the enthalpy of the whole. A liquid's ``Z_G, VG,
    HG`` are those of the first bubble, a vapor's ``Z_F`` is that of the first drop. Above the top of the table
    all is of one composition, and the last rows below it lead there. Outside the family's range the properties
    of the end member hold, with its volatility. The derivatives hold the light fraction, not the light mass.

    Parameters
    ----------
    mass, light_kg
        Mass and light mass in the volume; the fraction is held to 0..1.
    energy, volume
        Internal energy in J, aligned as the tables are, and volume in m3.
    guess
        Row to start looking from.
    light, fam_sat, fam_ga, fam_gb, vapor_light, sc
        Arrays of the `Family`.
    out
        The state, `STATE_FIELDS` long.
    scratch
        Work space, `STATE_FIELDS` long and contiguous.
    """
    v = volume / mass
    u = energy / mass
    z = min(max(light_kg / mass, 0.0), 1.0)
    k, share = _member(light, z)
    top = int(fam_sat.shape[1]) - 1
    cell = scratch[: 2 * SATURATION_COLUMNS].reshape((2, SATURATION_COLUMNS))
    single, row = 0, -1
    thin = False
    v_f, v_g = _between(fam_sat, k, share, top, V_F), _between(fam_sat, k, share, top, V_G)
    if v < v_f:
        i = _find_column_between(fam_sat, k, share, V_F, v, True, guess)
        _copy_cell(fam_sat, k, share, i, cell)
        lam = (v - cell[0, V_F]) / (cell[1, V_F] - cell[0, V_F])
        if u >= cell[0, U_F] + lam * (cell[1, U_F] - cell[0, U_F]):
            single, row = LIQUID, i
    elif v > v_g:
        thin = v > _between(fam_sat, k, share, 0, V_G)
        i = 0 if thin else _find_column_between(fam_sat, k, share, V_G, v, False, guess)
        _copy_cell(fam_sat, k, share, i, cell)
        lam = (v - cell[0, V_G]) / (cell[1, V_G] - cell[0, V_G])
        if thin or u >= cell[0, U_G] + lam * (cell[1, U_G] - cell[0, U_G]):
            single, row = GAS, i
    else:
        u_f, u_g = _between(fam_sat, k, share, top, U_F), _between(fam_sat, k, share, top, U_G)
        if u >= u_f + (v - v_f) / (v_g - v_f) * (u_g - u_f):
            single, row = DENSE, top - 1
            _copy_cell(fam_sat, k, share, row, cell)
    out[PSAT] = 0.0
    if single == GAS:
        dew = _dew_point(v, thin, 0, row, cell, sc)
        _superheated(v, u, dew, _slopes_between(k, share, row + dew[0], u - dew[3], fam_ga, fam_gb, sc), out)
        out[X] = 1.0
        out[Z_F], out[Z_G] = split_light(z, 1.0, z, 8, row, min(max(dew[0], 0.0), 1.0), light, vapor_light)
    elif single == LIQUID:
        lam = min(max(_liquid(v, u, 0, row, cell, sc, out), 0.0), 1.0)
        out[X] = 0.0
        out[Z_F], out[Z_G] = split_light(z, 0.0, z, 1, row, lam, light, vapor_light)
        _limits_of_phases(row, lam, out[PSAT], light, fam_sat, out)
    elif single == DENSE:
        part = (v - v_f) / (v_g - v_f)
        w = u - (cell[1, U_F] + part * (cell[1, U_G] - cell[1, U_F]))
        _liquid(v_f, cell[1, U_F] + w, 0, row, cell, sc, out)
        liquid = (out[P], out[T], out[DPDU], out[DTDU])
        dew = _dew_point(v_g, False, 0, row, cell, sc)
        slopes = _slopes_between(k, share, row + dew[0], w, fam_ga, fam_gb, sc)
        _superheated(v_g, cell[1, U_G] + w, dew, slopes, out)
        _dense(part, w, liquid, 1, cell, out)
        out[Z_F], out[Z_G] = z, z
    else:
        row = _find_two_phase_between(fam_sat, k, share, v, u, guess)
        _copy_cell(fam_sat, k, share, row, cell)
        lam = _boiling(v, u, 0, row, cell, sc, out)
        out[X] = min(max(out[X], 0.0), 1.0)
        row = _fractionate(v, u, z, row + lam, light, fam_sat, vapor_light, sc, out)
    _finish(v, u, mass, single, out)
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
