"""The compiled stepper: mass and energy balances of all volumes, advanced by adaptive linearly implicit steps.

Each sub-step solves one linear system for the pressures of all volumes, so that small volumes in
vacuum and volumes shut full of liquid do not dictate the step. Flows are linearised by their secant (flow
over pressure drop), which keeps their direction that of the new pressure drop: a one-way valve cannot
rectify chatter into a numerical pump. Whatever the linearisation, each flow leaves one volume and
enters another unchanged, so mass and energy are conserved to round-off.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from hil_sim.plant import exchange as ex
from hil_sim.plant import layout as at
from hil_sim.plant import network as nw
from hil_sim.plant import phase as ph
from hil_sim.plant.exchange import ZERO_C, ice_mass, water_temperature
from hil_sim.plant.phase import Array, Family, Tables, compiled, evaluate, evaluate_shifted, liquid_fill

GAS_CONSTANT = 8.314462618
STEP_MIN_S = 2e-6
REVERSAL_SHARE = 0.02
FULL_SHARE = 0.03
"""Share of the tolerance that is left to the pressure of a volume full of liquid."""

OK, NOT_FINITE, STEP_TOO_SMALL = 0, 1, 2

T_OF_WALL = np.array([at.T_METAL, at.T_SHELL, at.T_MOTOR, at.T_CONDENSER, at.T_WALL, at.T_SA, at.T_LR], np.int64)
"""Place of each wall's temperature."""


class Fluid(NamedTuple):
    """Property tables as the compiled functions take them."""

    sat: Array
    gas_a: Array
    gas_b: Array
    scalars: Array
    oil: Array
    light: Array
    family_sat: Array
    family_gas_a: Array
    family_gas_b: Array
    vapor_light: Array


class Store(NamedTuple):
    """All arrays of one plant: what changes (x, rows, eos, z), what is set (k, u) and how it is joined."""

    x: Array
    k: Array
    u: Array
    rows: NDArray[np.int64]
    eos: Array
    z: Array
    start: NDArray[np.int64]
    end: NDArray[np.int64]
    one_way: NDArray[np.bool_]


def fluid(tables: Tables, family: Family, *, shifted: bool) -> Fluid:
    """Join a refrigerant's tables; with `shifted` the family's scalars are those of its own grid."""
    return Fluid(
        tables.sat, tables.gas_a, tables.gas_b, family.scalars if shifted else tables.scalars, tables.oil,
        family.light, family.saturation, family.gas_a, family.gas_b, family.vapor_light,
    )  # fmt: skip


@compiled
def _total_pressure(i: int, x: Array, k: Array, state: Array) -> float:
    """Add to a fresh state's pressure and slopes what air and a warm surface do; returns dP/dn of air, Pa/mol."""
    volume = k[at.K_VOLUME + i]
    p, t = state[ph.P_REF], state[ph.T]
    # Along saturation dlnP/dT is the ratio of both slopes at constant volume.
    steep = state[ph.DPDU] / state[ph.DTDU] / p if state[ph.DTDU] > 0.0 else 0.0
    if i == at.Y and k[at.K_TWO_ZONE] > 0.5:
        # ln P is straight in 1/T (Clausius and Clapeyron).
        excess = ex.surface_excess(x, k, state)
        factor = math.exp(min(max(steep * excess * t / (t + excess), -1.0), 2.0))
        state[ph.P] = p * factor
        state[ph.DPDM] *= factor
        state[ph.DPDU] *= factor
    # Dalton: the partial pressure of air in the space that liquid leaves.
    space = max(volume * (1.0 - liquid_fill(state)), 0.005 * volume)
    slope = GAS_CONSTANT * t / space
    moles = x[at.N_NCG + i]
    if moles > 0.0:
        partial = moles * slope
        state[ph.P] += partial
        state[ph.DPDM] += partial / t * state[ph.DTDM]
        state[ph.DPDU] += partial / t * state[ph.DTDU]
        if state[ph.PHASE] == ph.TWO_PHASE and space > 0.005 * volume:
            # Liquid that comes, or vapor that condenses as it cools, squeezes the air.
            v_f, v_fg = state[ph.VF], state[ph.VG] - state[ph.VF]
            by_mass = v_f * state[ph.VG] / v_fg
            by_kelvin = -v_f * state[ph.VG] * (steep - 1.0 / t) * (volume - x[at.N_MASS + i] * v_f) / (v_fg * v_fg)
            state[ph.DPDM] += partial / space * (by_mass + by_kelvin * state[ph.DTDM])
            state[ph.DPDU] += partial / space * by_kelvin * state[ph.DTDU]
    return float(slope)


@compiled
def _evaluate_one(i: int, s: Store, f: Fluid, other: Array) -> None:
    x, volume, state = s.x, s.k[at.K_VOLUME + i], s.eos[i]
    if s.k[at.K_SHIFT] > 0.5:
        s.rows[i] = evaluate_shifted(
            x[at.N_MASS + i], x[at.N_LIGHT + i], x[at.N_ENERGY + i], volume, s.rows[i], f.light, f.family_sat,
            f.family_gas_a, f.family_gas_b, f.vapor_light, f.scalars, state, other,
        )  # fmt: skip
    else:
        s.rows[i] = evaluate(
            x[at.N_MASS + i], x[at.N_ENERGY + i], volume, s.rows[i], f.sat, f.gas_a, f.gas_b, f.scalars, state
        )


@compiled
def evaluate_all(s: Store, f: Fluid, air_slope: Array, other: Array) -> bool:
    """States of all volumes; false if one is not finite. Fills the slope of pressure with air where air may come."""
    x, k, eos = s.x, s.k, s.eos
    good = True
    airy = False
    for i in range(at.VOLUMES):
        if k[at.K_VOLUME + i] <= 0.0:
            continue
        _evaluate_one(i, s, f, other)
        state = eos[i]
        airy = airy or x[at.N_NCG + i] > 0.0
        good = good and math.isfinite(state[ph.P]) and math.isfinite(state[ph.T]) and state[ph.P] > 0.0
    if not good:
        return False
    if airy:
        for i in range(at.VOLUMES):
            if k[at.K_VOLUME + i] > 0.0:
                air_slope[i] = _total_pressure(i, x, k, eos[i])
    elif k[at.K_TWO_ZONE] > 0.5:
        _total_pressure(at.Y, x, k, eos[at.Y])
    return good


@compiled
def move_valves(h: float, x: Array, k: Array, u: Array) -> bool:
    """Stroke every valve towards its command (or where it is stuck)."""
    moved = False
    for n in range(at.VALVE_COUNT):
        target = u[at.U_101 + n]
        stuck = u[at.U_STUCK_101 + n]
        if stuck >= 0.0:
            target = stuck
        travel = h / (k[at.K_STROKE_CV] if n == 7 else k[at.K_STROKE])
        now = x[at.V_101 + n]
        if now != target:
            moved = True
            x[at.V_101 + n] = now + min(max(target - now, -travel), travel)
    return moved


@compiled
def _assemble(
    h: float, compression: float, s: Store, is_open: NDArray[np.bool_], kg_s: Array, d_start: Array, d_end: Array,
    h_edge: Array, air: Array, alpha: Array, beta: Array, gamma: Array, mat: Array, dp: Array,
) -> None:  # fmt: skip
    """Add every open path to the linear system for the pressure changes."""
    for e in range(at.EDGES):
        if not is_open[e] or (kg_s[e] == 0.0 and d_start[e] == 0.0):
            continue
        i, j = s.start[e], s.end[e]
        w_i = h * (alpha[i] + beta[i] * h_edge[e] + gamma[i] * air[e])
        dp[i] -= w_i * kg_s[e]
        # Adding cold liquid may lower a pressure; such a path is left explicit, the matrix stays dominant.
        w_i = max(w_i, 0.0)
        mat[i, i] += w_i * d_start[e]
        if j != at.OUTSIDE:
            mat[i, j] += w_i * d_end[e]
            h_to = h_edge[e] + (compression if e == at.E_COMPRESSOR else 0.0)
            w_j = h * (alpha[j] + beta[j] * h_to + gamma[j] * air[e])
            dp[j] += w_j * kg_s[e]
            w_j = max(w_j, 0.0)
            mat[j, i] -= w_j * d_start[e]
            mat[j, j] -= w_j * d_end[e]


@compiled
def _turn_back(
    e: int, before: Array, kg_s: Array, d_start: Array, d_end: Array, h_edge: Array, air: Array, light: Array
) -> None:
    """Give a turned path back what it had at first."""
    before[e, 0] = 0.0
    kg_s[e], d_start[e], d_end[e] = before[e, 1], before[e, 2], before[e, 3]
    h_edge[e], air[e], light[e] = before[e, 4], before[e, 5], before[e, 6]


@compiled
def _turn(
    e: int, area: float, drop: float, s: Store, was: Array, before: Array, k_gas: float,
    kg_s: Array, d_start: Array, d_end: Array, h_edge: Array, air: Array, light: Array, scratch: Array,
) -> None:  # fmt: skip
    """Turn a path through which the solution runs backwards: what then flows is what the other volume holds.

    Hot gas passed as if it were the liquid it pushes back (or the other way round) would overshoot by several times
    and be thrown back in the next sub-step. `before` keeps what the path had at first: a path whose drop comes out
    with its first sign gets that back. `drop` is the one that the solution comes to.
    """
    i, j = s.start[e], s.end[e]
    if before[e, 0] > 0.5:
        _turn_back(e, before, kg_s, d_start, d_end, h_edge, air, light)
        return
    before[e, 0] = 1.0
    before[e, 1], before[e, 2], before[e, 3] = kg_s[e], d_start[e], d_end[e]
    before[e, 4], before[e, 5], before[e, 6] = h_edge[e], air[e], light[e]
    slope = nw.conductance(e, i if drop > 0.0 else j, abs(drop), s.x, s.k, was, area, k_gas, scratch)
    kg_s[e], d_start[e], d_end[e] = slope * (was[i, ph.P] - was[j, ph.P]), slope, -slope
    h_edge[e], air[e], light[e] = scratch[nw.D_H], scratch[nw.D_AIR], scratch[nw.D_LIGHT]


@compiled
def _solve(a: Array, b: Array, n: int) -> None:
    """Gauss elimination in place; the diagonal dominates, so no pivoting."""
    for c in range(n):
        inverse = 1.0 / a[c, c]
        for r in range(c + 1, n):
            if a[r, c] != 0.0:
                factor = a[r, c] * inverse
                for q in range(c + 1, n):
                    a[r, q] -= factor * a[c, q]
                b[r] -= factor * b[c]
    for c in range(n - 1, -1, -1):
        total = b[c]
        for q in range(c + 1, n):
            total -= a[c, q] * b[q]
        b[c] = total / a[c, c]


@compiled
def stalled(x: Array, k: Array, u: Array, eos: Array) -> bool:
    """Whether the motor is switched on but cannot turn the compressor over against the pressure."""
    wanted = u[at.U_M101] > 0.5 and x[at.SWITCH] < 0.5 and x[at.TRIPPED] < 0.5
    return bool(wanted and x[at.SPEED] < 0.05 and eos[at.PD, ph.P] - eos[at.S, ph.P] > k[at.K_START])


LOCKED_ROTOR = 5.0
"""Power of a motor that is on and does not turn, over its rated power; common practice 4 to 6, no source."""


@compiled
def electric_power(x: Array, k: Array, u: Array, shaft_w: float, turns: bool, stuck: bool) -> float:
    """Electric power of M-101 (W)."""
    if stuck:
        return float(LOCKED_ROTOR * k[at.K_RATED])
    if not turns:
        return 0.0
    if u[at.U_M101] < 0.5 or x[at.SWITCH] > 0.5 or x[at.TRIPPED] > 0.5:
        return shaft_w  # running down on its own inertia
    return float((shaft_w + k[at.K_FRICTION] * x[at.SPEED]) / k[at.K_MOTOR])


@compiled
def air_ingress(k: Array, p_pa: float, area_m2: float) -> float:
    """Air (mol/s) that a hole in the appliance takes in; St Venant's flow of air, k = 1.4, choked below 0.528."""
    if area_m2 <= 0.0 or p_pa >= k[at.K_P_AMB]:
        return 0.0
    ratio = max(p_pa / k[at.K_P_AMB], 0.528)
    rho_air = k[at.K_P_AMB] / (287.05 * k[at.K_T_AMB])
    term = max(ratio ** (2.0 / 1.4) - ratio ** (2.4 / 1.4), 0.0)
    return float(area_m2 * math.sqrt(7.0 * k[at.K_P_AMB] * rho_air * term) / nw.NCG_KG_MOL)


@compiled
def advance(dt: float, s: Store, f: Fluid) -> int:
    """Advance the plant by `dt` seconds; returns OK or an error code and leaves the truth in `s.z`."""
    x, k, u, rows, eos, z = s.x, s.k, s.u, s.rows, s.eos, s.z
    nv = at.VOLUMES
    area = np.zeros(at.EDGES)
    kg_s, flow = np.zeros(at.EDGES), np.zeros(at.EDGES)
    d_start, d_end, h_edge = np.zeros(at.EDGES), np.zeros(at.EDGES), np.zeros(at.EDGES)
    air, light = np.zeros(at.EDGES), np.zeros(at.EDGES)
    mat, dp = np.zeros((nv, nv)), np.zeros(nv)
    alpha, beta, gamma, kappa = np.zeros(nv), np.zeros(nv), np.zeros(nv), np.zeros(nv)
    ua, heat0 = np.zeros(nv), np.zeros(nv)
    ua_wall, t_wall, c_wall = np.zeros(nv), np.zeros(nv), np.zeros(nv)
    d_m, d_u, h_in = np.zeros(nv), np.zeros(nv), np.zeros(nv)
    d_air, d_light = np.zeros(nv), np.zeros(nv)
    ua_out, t_out, heat_w = np.zeros(at.WALLS), np.zeros(at.WALLS), np.zeros(at.WALLS)
    lost = np.zeros(at.WALLS)
    work, scratch, top = np.zeros(2), np.zeros(nw.DRAWN), np.zeros(4)
    other = np.zeros(ph.STATE_FIELDS)
    trial = np.zeros(4 * nv)
    is_open = np.ones(at.EDGES, np.bool_)
    before = np.zeros((at.EDGES, 7))
    position = np.zeros(at.VALVE_COUNT)
    any_turned = False
    old_rows = np.zeros(nv, np.int64)
    keep = np.zeros((nv, ph.STATE_FIELDS))
    by_air = np.zeros(nv)
    k_gas = f.scalars[3]
    shift = k[at.K_SHIFT] > 0.5
    two_zone = k[at.K_TWO_ZONE] > 0.5
    t_amb = k[at.K_T_AMB]
    left = dt
    steps = 0.0
    rejected = 0.0
    power_j = 0.0
    valves_moved = True
    # States are up to date from the last sub-step or the last change by hand; only the slopes with air are not kept.
    for i in range(nv):
        if x[at.N_NCG + i] > 0.0:
            if not evaluate_all(s, f, by_air, other):
                return NOT_FINITE
            break
    while left > 1e-12:
        h = min(max(x[at.STEP], STEP_MIN_S), k[at.K_STEP_MAX])
        h = left / math.ceil(left / h - 1e-9)
        if valves_moved:
            # The position half-way through the sub-step: that of its begin would come late by half a sub-step.
            for n in range(at.VALVE_COUNT):
                position[n] = x[at.V_101 + n]
            move_valves(0.5 * h, x, k, u)
            nw.openings(x, k, u, area)
            for n in range(at.VALVE_COUNT):
                x[at.V_101 + n] = position[n]
        nw.flows(
            x, k, eos, area, s.start, s.end, s.one_way, k_gas, kg_s, d_start, d_end, h_edge, air, light, work, scratch
        )
        ua_metal, ua_shell = ex.inner(x, k, u, eos, ua_wall, t_wall, c_wall)
        state_a = eos[at.A]
        desorbed = ex.desorption(x, k, state_a, f.oil)
        h_oil_gas = state_a[ph.HG] if state_a[ph.PHASE] == ph.TWO_PHASE else state_a[ph.H]
        ingress = air_ingress(k, state_a[ph.P], area[at.E_LEAK_A])
        oil_light = 0.0
        if shift:
            if desorbed > 0.0:
                oil_light = x[at.OIL_LIGHT] / x[at.OIL_KG]
            else:
                two = state_a[ph.PHASE] == ph.TWO_PHASE
                oil_light = state_a[ph.Z_G] if two else x[at.N_LIGHT + at.A] / x[at.N_MASS + at.A]

        for i in range(nv):
            old_rows[i] = rows[i]
            gamma[i] = by_air[i]
            for n in range(ph.STATE_FIELDS):
                keep[i, n] = eos[i, n]
        for e in range(at.EDGES):
            is_open[e] = not s.one_way[e] or kg_s[e] > 0.0

        # Try the sub-step; halve it until the pressures come out as the linear system foresaw.
        error = 0.0
        change = 0.0
        q_metal = 0.0
        q_shell = 0.0
        while True:
            if any_turned:
                any_turned = False
                for e in range(at.EDGES):
                    if before[e, 0] > 0.5:
                        _turn_back(e, before, kg_s, d_start, d_end, h_edge, air, light)
            # A wall warms or cools while it gives: dividing by 1 + h UA / C makes that implicit too.
            ua_m = ua_metal / (1.0 + h * ua_metal / k[at.K_CAPACITY + at.W_METAL])
            ua_s = ua_shell / (1.0 + h * ua_shell / k[at.K_CAPACITY + at.W_SHELL])
            for i in range(nv):
                if k[at.K_VOLUME + i] <= 0.0:
                    d_m[i] = 0.0
                    continue
                if i == at.A:
                    ua[i] = ua_m + ua_s
                    heat0[i] = ua_m * (x[at.T_METAL] - keep[i, ph.T]) + ua_s * (x[at.T_SHELL] - keep[i, ph.T])
                else:
                    ua[i] = ua_wall[i] / (1.0 + h * ua_wall[i] / c_wall[i])
                    heat0[i] = ua[i] * (t_wall[i] - keep[i, ph.T])
                kappa[i] = 1.0 + h * ua[i] * keep[i, ph.DTDU]
                beta[i] = keep[i, ph.DPDU] / kappa[i]
                alpha[i] = keep[i, ph.DPDM] - beta[i] * h * ua[i] * keep[i, ph.DTDM]
                d_m[i] = beta[i] * h * heat0[i]
            d_m[at.A] += h * desorbed * (alpha[at.A] + beta[at.A] * h_oil_gas) + h * ingress * gamma[at.A]
            # One-way valves open and shut inside the sub-step, and flow turns: solve again until each path agrees
            # with its pressures.
            for attempt in range(5):
                for i in range(nv):
                    dp[i] = d_m[i]
                    for c in range(nv):
                        mat[i, c] = 0.0
                    mat[i, i] = 1.0
                _assemble(h, work[0], s, is_open, kg_s, d_start, d_end, h_edge, air, alpha, beta, gamma, mat, dp)
                _solve(mat, dp, nv)
                agreed = True
                for e in range(at.EDGES):
                    if d_start[e] == 0.0 or attempt == 4:
                        continue
                    if not s.one_way[e]:
                        i, j = s.start[e], s.end[e]
                        if j == at.OUTSIDE or e == at.E_COMPRESSOR:
                            continue
                        drop = keep[i, ph.P] - keep[j, ph.P]
                        if ((drop + dp[i] - dp[j]) * drop < 0.0) != (before[e, 0] > 0.5):
                            _turn(
                                e, area[e], drop + dp[i] - dp[j], s, keep, before, k_gas, kg_s, d_start, d_end, h_edge,
                                air, light, scratch,
                            )  # fmt: skip
                            any_turned = True
                            agreed = False
                        continue
                    m = kg_s[e] + d_start[e] * dp[s.start[e]] + d_end[e] * dp[s.end[e]]
                    if (m > 0.0) != is_open[e]:
                        is_open[e] = m > 0.0
                        agreed = False
                if agreed:
                    break
            for i in range(nv):
                d_m[i] = 0.0
                h_in[i] = 0.0
                d_air[i] = 0.0
                d_light[i] = 0.0
            turned = 0.0
            d_m[at.A] = h * desorbed
            h_in[at.A] = h * desorbed * h_oil_gas
            d_air[at.A] = h * ingress
            d_light[at.A] = h * desorbed * oil_light
            for e in range(at.EDGES):
                flow[e] = 0.0
                if not is_open[e] or (kg_s[e] == 0.0 and d_start[e] == 0.0):
                    continue
                i, j = s.start[e], s.end[e]
                m = kg_s[e] + d_start[e] * dp[i]
                if j != at.OUTSIDE:
                    m += d_end[e] * dp[j]
                if (e == at.E_COMPRESSOR or j == at.OUTSIDE or s.one_way[e]) and m < 0.0:
                    m = 0.0
                flow[e] = m
                carried, with_air, with_light = h_edge[e], air[e], light[e]
                if m * kg_s[e] < 0.0 and before[e, 0] < 0.5:
                    # Turned round within the sub-step all the same: it carries what the other volume holds.
                    nw.drawn(e, j if m < 0.0 else i, x, k, keep, k_gas, scratch)
                    carried, with_air, with_light = scratch[nw.D_H], scratch[nw.D_AIR], scratch[nw.D_LIGHT]
                    # Its density was the wrong one too: allow only a little of that in one sub-step.
                    least = min(x[at.N_MASS + i], x[at.N_MASS + j])
                    turned = max(turned, h * abs(m) / (REVERSAL_SHARE * least))
                d_m[i] -= h * m
                h_in[i] -= h * m * carried
                d_air[i] -= h * m * with_air
                d_light[i] -= h * m * with_light
                if j != at.OUTSIDE:
                    d_m[j] += h * m
                    h_in[j] += h * m * (carried + (work[0] if e == at.E_COMPRESSOR else 0.0))
                    d_air[j] += h * m * with_air
                    d_light[j] += h * m * with_light
            fault = False
            for i in range(nv):
                if k[at.K_VOLUME + i] <= 0.0:
                    continue
                t_end = (
                    keep[i, ph.T] + (keep[i, ph.DTDM] * d_m[i] + keep[i, ph.DTDU] * (h_in[i] + h * heat0[i])) / kappa[i]
                )
                if i == at.A:
                    q_metal = h * ua_m * (x[at.T_METAL] - t_end)
                    q_shell = h * ua_s * (x[at.T_SHELL] - t_end)
                    d_u[i] = h_in[i] + q_metal + q_shell
                else:
                    # Heat into the volume over the sub-step, by the temperature it ends at.
                    heat = h * (heat0[i] + ua[i] * (keep[i, ph.T] - t_end))
                    d_u[i] = h_in[i] + heat
                    h_in[i] = heat
                for q in range(4):
                    trial[q * nv + i] = x[q * nv + i]
                fault = fault or not (d_m[i] > -0.5 * trial[i]) or d_air[i] < -0.9 * trial[at.N_NCG + i] - 1e-15
                x[at.N_MASS + i] = trial[i] + d_m[i]
                x[at.N_ENERGY + i] = trial[nv + i] + d_u[i]
                x[at.N_NCG + i] = max(trial[at.N_NCG + i] + d_air[i], 0.0)
                if shift:
                    x[at.N_LIGHT + i] = trial[at.N_LIGHT + i] + d_light[i]
            error = 4.0 * turned
            change = 0.0
            if not fault:
                fault = not evaluate_all(s, f, by_air, other)
                for i in range(nv):
                    if k[at.K_VOLUME + i] <= 0.0:
                        continue
                    p_0 = keep[i, ph.P]
                    foreseen = p_0 + keep[i, ph.DPDM] * d_m[i] + keep[i, ph.DPDU] * d_u[i] + gamma[i] * d_air[i]
                    actual = eos[i, ph.P]
                    scale = k[at.K_TOLERANCE] * (min(p_0, actual) + 5e3)
                    if keep[i, ph.PHASE] == ph.LIQUID or eos[i, ph.PHASE] == ph.LIQUID:
                        # A volume full of liquid follows at once: an overshoot would drive flow backwards.
                        scale *= FULL_SHARE
                    error = max(error, abs(actual - foreseen) / scale)
                    change = max(change, abs(actual - p_0) / (min(p_0, actual) + 2e4))
            if not fault and (error < 4.0 or h <= 4.0 * STEP_MIN_S):
                break
            rejected += 1.0
            for i in range(nv):
                if k[at.K_VOLUME + i] > 0.0:
                    for q in range(4):
                        x[q * nv + i] = trial[q * nv + i]
                    rows[i] = old_rows[i]
            if h <= STEP_MIN_S:
                for i in range(nv):
                    for n in range(ph.STATE_FIELDS):
                        eos[i, n] = keep[i, n]
                return STEP_TOO_SMALL
            h = max(0.5 * h if fault else h * min(0.5, 0.8 / math.sqrt(error)), STEP_MIN_S)

        # The sub-step stands: everything that follows uses the same flows.
        steps += 1.0
        left -= h
        x[at.TIME] += h
        grow = 1.7
        if error > 0.0:
            grow = min(grow, 0.8 / math.sqrt(error))
        if change > 0.0:
            grow = min(grow, 0.08 / change)
        # Shortened only to end on the call's last instant: keep the longer step for the next call.
        x[at.STEP] = min(max(h * max(grow, 0.2), x[at.STEP] if grow >= 1.7 else 0.0), k[at.K_STEP_MAX])

        x[at.OIL_KG] -= h * desorbed
        x[at.OIL_LIGHT] -= h * desorbed * oil_light
        x[at.NCG_IN] += h * ingress

        # Motor.
        turns = work[1] > 0.0
        stuck = stalled(x, k, u, keep)
        shaft = flow[at.E_COMPRESSOR] * work[0]
        electric = electric_power(x, k, u, shaft, turns, stuck)
        power_j += h * electric
        x[at.ENERGY_ELECTRIC] += h * electric
        load = electric / k[at.K_RATED]
        x[at.OVERLOAD] += (load * load - x[at.OVERLOAD]) * (1.0 - math.exp(-h / k[at.K_OVERLOAD_TAU]))
        if x[at.OVERLOAD] > 1.3:
            x[at.TRIPPED] = 1.0
        elif x[at.OVERLOAD] < 0.5:
            x[at.TRIPPED] = 0.0

        # Walls: what each gave inside is known, what it takes outside is implicit.
        ua_water, ua_bath = ex.outer(x, k, u, h, ua_out, t_out, heat_w)
        lost[at.W_METAL] = q_metal
        lost[at.W_SHELL] = q_shell + h * desorbed * (h_oil_gas - k[at.K_H_OIL])
        lost[at.W_MOTOR] = h_in[at.PD]
        lost[at.W_CONDENSER] = h_in[at.C]
        lost[at.W_CYLINDER] = h_in[at.Y]
        lost[at.W_SA] = h_in[at.SA]
        lost[at.W_LR] = h_in[at.LR]
        heat_w[at.W_MOTOR] += electric - shaft
        energy_in = h * shaft
        for w in range(at.WALLS):
            place = T_OF_WALL[w]
            c = k[at.K_CAPACITY + w]
            old = x[place]
            r = h * ua_out[w] / c
            x[place] = (old + (h * heat_w[w] - lost[w]) / c + r * t_out[w]) / (1.0 + r)
            energy_in += c * (x[place] - old) + lost[w]
        if k[at.K_WATER] > 0.0:
            t_water = water_temperature(x[at.H_WATER], k[at.K_WATER])
            q_water = h * ua_water * (t_water - x[at.T_METAL])
            brought = 0.0
            if ex.water_moves(x, k, u):
                brought = ex.stream(h, ex.supply(k, u), k[at.K_WATER_T], t_water, k[at.K_WATER], -q_water)
            x[at.H_WATER] += brought - q_water
            energy_in += brought - q_water
            if ice_mass(x[at.H_WATER], k[at.K_WATER]) > k[at.K_BURST] * k[at.K_WATER]:
                x[at.BURST] = 1.0
        energy_in += h_in[at.M] + h_in[at.S] + h_in[at.H]
        t_bath = water_temperature(x[at.H_BATH], x[at.M_BATH])
        brought = h * k[at.K_BATH_UA] * (t_amb - t_bath)
        brought += ex.stream(h, k[at.K_BATH_FLOW], k[at.K_BATH_T], t_bath, x[at.M_BATH], brought - h_in[at.X])
        x[at.H_BATH] += brought - h_in[at.X]
        x[at.BATH_HEAT] -= h_in[at.X]
        energy_in += brought
        if k[at.K_Y_IN_BATH] > 0.5:
            t_bath = water_temperature(x[at.H_BATH_2], x[at.M_BATH_2])
            brought = h * k[at.K_BATH_UA] * (t_amb - t_bath)
            given = h * ua_bath * (x[at.T_WALL] - t_bath)
            brought += ex.stream(h, k[at.K_BATH_2_FLOW], k[at.K_BATH_2_T], t_bath, x[at.M_BATH_2], brought + given)
            x[at.H_BATH_2] += brought + given
            x[at.BATH_HEAT] += given
            energy_in += brought + given
        for e in range(at.EDGES):
            if s.end[e] == at.OUTSIDE and flow[e] > 0.0:
                x[at.VENTED_KG] += h * flow[e]
                x[at.NCG_IN] -= h * flow[e] * air[e]
                x[at.LIGHT_OUT] += h * flow[e] * light[e]
                energy_in -= h * flow[e] * h_edge[e]
        x[at.ENERGY_IN] += energy_in
        x[at.ENERGY_MOVED] += abs(energy_in)
        x[at.MASS_MOVED] += h * abs(flow[at.E_COMPRESSOR])

        if two_zone:
            _warm_surface(h, x, k, keep[at.Y], flow, h_edge, top)
            _evaluate_one(at.Y, s, f, other)
            _total_pressure(at.Y, x, k, eos[at.Y])

        valves_moved = move_valves(h, x, k, u)
        stuck = stalled(x, k, u, eos)
        run = u[at.U_M101] > 0.5 and x[at.SWITCH] < 0.5 and x[at.TRIPPED] < 0.5 and not stuck
        speed = u[at.U_SPEED] if run else 0.0
        # 0.5 s to speed; a loaded reciprocating compressor stops in about 0.1 s.
        x[at.SPEED] = min(x[at.SPEED] + h / 0.5, speed) if x[at.SPEED] < speed else max(x[at.SPEED] - h / 0.1, speed)
        if eos[at.PD, ph.P] > k[at.K_SWITCH]:
            x[at.SWITCH] = 1.0
        over = (eos[at.Y, ph.P] - k[at.K_RELIEF]) / (0.1 * k[at.K_RELIEF])
        lift = min(max(over, 0.0), 1.0)
        if x[at.RELIEF] > 0.0 and over > -1.0:
            lift = max(lift, 0.3 * min(1.0, 1.0 + over))
        if lift != x[at.RELIEF]:
            x[at.RELIEF] = lift
            valves_moved = True
        # Liquid taken in per stroke, by volume, filtered over half a second.
        wetness = liquid_fill(eos[at.S]) / k[at.K_SLUG_LIMIT] * x[at.SPEED]
        x[at.SLUG] += (wetness - x[at.SLUG]) * min(h / 0.5, 1.0)
        if x[at.SLUG] > 1.0:
            x[at.DOSE] += h * x[at.SLUG]
        for w in range(at.WALLS):
            if not math.isfinite(x[T_OF_WALL[w]]):
                return NOT_FINITE

    fill_truth(s, flow, power_j / dt if dt > 0.0 else 0.0)
    z[at.Z_STEPS] += steps
    z[at.Z_REJECTED] += rejected
    return OK


@compiled
def into_cylinder(state: Array, flow: Array, h_edge: Array) -> tuple[float, float, float]:
    """Stream into the cylinder (kg/s), its heat above saturated liquid (W), and the vapor share of that stream."""
    kg_s = max(flow[at.E_301], 0.0) + flow[at.E_PSV_301] + max(flow[at.E_104], 0.0)
    if kg_s <= 0.0:
        return 0.0, 0.0, 0.0
    heat = 0.0
    for e in (at.E_301, at.E_PSV_301, at.E_104):
        if flow[e] > 0.0:
            heat += flow[e] * (h_edge[e] - state[ph.HF])
    h_fg = state[ph.HG] - state[ph.HF]
    quality = min(max(heat / (kg_s * h_fg), 0.0), 1.0) if h_fg > 0.0 else 0.0
    return kg_s, heat, quality


@compiled
def _warm_surface(h: float, x: Array, k: Array, state: Array, flow: Array, h_edge: Array, top: Array) -> None:
    kg_s, heat_w, quality = into_cylinder(state, flow, h_edge)
    ex.layer(x, k, state, kg_s, heat_w, quality, top)
    theta = (x[at.THETA] + h * top[0]) / (1.0 + h * top[1])
    if theta < 0.0:
        theta = (x[at.THETA] + h * top[0]) / (1.0 + h * top[2])
    x[at.THETA] = min(max(theta, -60.0), 60.0)


@compiled
def fill_truth(s: Store, flow: Array, power_w: float) -> None:
    """Write what can be observed into the truth vector."""
    x, k, u, eos, z = s.x, s.k, s.u, s.eos, s.z
    z[at.Z_TIME_S] = x[at.TIME]
    for i in range(at.SA):
        # Without a coil its place shows the condenser's state.
        n = i if k[at.K_VOLUME + i] > 0.0 else at.C
        z[at.Z_PA_A + i] = eos[n, ph.P]
        z[at.Z_T_A + i] = eos[n, ph.T] - ZERO_C
        z[at.Z_KG_A + i] = x[at.N_MASS + i]
        z[at.Z_FILL_A + i] = liquid_fill(eos[n])
    # The appliance is all of it.
    z[at.Z_KG_A] += x[at.N_MASS + at.SA] + x[at.N_MASS + at.LR]
    z[at.Z_T_METAL] = x[at.T_METAL] - ZERO_C
    z[at.Z_T_OIL] = x[at.T_SHELL] - ZERO_C
    z[at.Z_T_MOTOR] = x[at.T_MOTOR] - ZERO_C
    z[at.Z_T_CONDENSER] = x[at.T_CONDENSER] - ZERO_C
    z[at.Z_T_WALL] = x[at.T_WALL] - ZERO_C
    z[at.Z_T_BATH] = water_temperature(x[at.H_BATH], x[at.M_BATH]) - ZERO_C
    z[at.Z_T_BATH_2] = water_temperature(x[at.H_BATH_2], x[at.M_BATH_2]) - ZERO_C
    z[at.Z_T_WATER] = water_temperature(x[at.H_WATER], k[at.K_WATER]) - ZERO_C
    z[at.Z_KG_OIL] = x[at.OIL_KG]
    z[at.Z_GROSS_KG] = k[at.K_TARE] + x[at.N_MASS + at.Y] + nw.NCG_KG_MOL * x[at.N_NCG + at.Y]
    z[at.Z_FLOW_SUCTION] = flow[at.E_COMPRESSOR]
    z[at.Z_FLOW_LIQUID] = flow[at.E_LIQUID] + flow[at.E_104]
    z[at.Z_FLOW_VAPOR] = flow[at.E_VAPOR]
    z[at.Z_FLOW_CYLINDER] = flow[at.E_301] + flow[at.E_PSV_301] + flow[at.E_104] - flow[at.E_105]
    if k[at.K_VOLUME + at.LR] > 0.0:
        z[at.Z_QUALITY_PORT] = nw.dip_quality(eos[at.LR])
    else:
        z[at.Z_QUALITY_PORT] = nw.port_quality(eos[at.A], x[at.N_MASS + at.A], k)
    z[at.Z_POWER_W] = power_w
    z[at.Z_ENERGY_J] = x[at.ENERGY_ELECTRIC]
    z[at.Z_SLUG] = x[at.SLUG]
    z[at.Z_DOSE] = x[at.DOSE]
    z[at.Z_DAMAGED] = 1.0 if x[at.DOSE] > k[at.K_DOSE_LIMIT] else 0.0
    z[at.Z_ICE_KG] = ice_mass(x[at.H_BATH], x[at.M_BATH])
    z[at.Z_ICE_2_KG] = ice_mass(x[at.H_BATH_2], x[at.M_BATH_2]) if k[at.K_Y_IN_BATH] > 0.5 else 0.0
    water = k[at.K_WATER]
    frozen = ice_mass(x[at.H_WATER], water) / water if water > 0.0 else 0.0
    z[at.Z_WATER_ICE] = frozen
    moving = water > 0.0 and u[at.U_M001] > 0.5 and u[at.U_WATER_FLOW] >= 0.3 and frozen <= 0.5
    z[at.Z_WATER_FLOW] = 1.0 if moving else 0.0
    for n in range(at.VALVE_COUNT):
        z[at.Z_X101 + n] = x[at.V_101 + n]
    z[at.Z_RUNNING] = 1.0 if x[at.SPEED] > 0.1 else 0.0
    z[at.Z_SPEED] = x[at.SPEED]
    z[at.Z_SWITCH_OPEN] = x[at.SWITCH]
    z[at.Z_RELIEF_OPEN] = 1.0 if x[at.RELIEF] > 0.0 else 0.0
    z[at.Z_VENTED_KG] = x[at.VENTED_KG]
    z[at.Z_NCG_A] = x[at.N_NCG + at.A] + x[at.N_NCG + at.SA] + x[at.N_NCG + at.LR]
    z[at.Z_NCG_Y] = x[at.N_NCG + at.Y]
    air = 0.0
    for i in (at.M, at.S, at.PD, at.C, at.X, at.H):
        air += x[at.N_NCG + i]
    z[at.Z_NCG_RIG] = air
    for n, i in enumerate((at.SA, at.LR)):
        there = k[at.K_VOLUME + i] > 0.0
        z[at.Z_PA_SA + n] = eos[i, ph.P] if there else eos[at.A, ph.P]
        z[at.Z_KG_SA + n] = x[at.N_MASS + i]
    light_kg = x[at.N_LIGHT + at.A] + x[at.N_LIGHT + at.SA] + x[at.N_LIGHT + at.LR]
    z[at.Z_LIGHT_A] = light_kg / z[at.Z_KG_A]
    z[at.Z_LIGHT_Y] = x[at.N_LIGHT + at.Y] / x[at.N_MASS + at.Y]
    z[at.Z_SURFACE_K] = ex.surface_excess(x, k, eos[at.Y])
    z[at.Z_ICE_USED_KG] = max(x[at.BATH_HEAT], 0.0) / ex.ICE_HEAT_J_KG
    z[at.Z_BURST] = x[at.BURST]
    z[at.Z_TRIPPED] = x[at.TRIPPED]
    z[at.Z_STALLED] = 1.0 if stalled(x, k, u, eos) else 0.0
    z[at.Z_ON_SCALE] = 0.0 if k[at.K_Y_IN_BATH] > 0.5 else 1.0
