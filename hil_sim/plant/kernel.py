"""The compiled stepper: mass and energy balances of all volumes, advanced by adaptive linearly implicit steps.

Each sub-step solves one linear system for the pressures of all volumes, so that small volumes in
vacuum and volumes shut full of liquid do not dictate the step. Flows are linearised by their secant (flow
over pressure drop), which keeps their direction that of the new pressure drop: a one-way valve cannot
rectify chatter into a numerical pump. Whatever the linearisation, each flow leaves one volume and
enters another unchanged, so mass and energy are conserved to round-off.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from hil_sim.plant import layout as at
from hil_sim.plant import phase as ph
from hil_sim.plant.flow import LINEAR_SHARE, flux, omega_two_phase
from hil_sim.plant.phase import Array, compiled, evaluate, liquid_fill

GAS_CONSTANT = 8.314462618
ICE_HEAT_J_KG = 334e3
WATER_CP_J_KG_K = 4186.0
NCG_KG_MOL = 0.02896
STEP_MIN_S = 2e-6
ZERO_C = 273.15
REVERSAL_SHARE = 0.02

OK, NOT_FINITE, STEP_TOO_SMALL = 0, 1, 2

# Flow paths in the order of their places in `layout`: where each starts and where it ends.
_FROM = np.array(
    [
        at.A, at.A, at.M, at.S, at.PD, at.C, at.X, at.PD, at.X, at.H,
        at.A, at.Y, at.PD, at.H, at.A, at.Y, at.X, at.H,
    ]
)  # fmt: skip
_TO = np.array(
    [
        at.M, at.M, at.S, at.PD, at.C, at.X, at.H, at.H, at.M, at.Y,
        at.Y, at.M, at.A, at.OUTSIDE, at.OUTSIDE, at.OUTSIDE, at.H, at.Y,
    ]
)  # fmt: skip

# The compressor's discharge check valve stands behind its head: none of what follows runs back into it.
_ONE_WAY = np.zeros(at.EDGES, np.bool_)
_ONE_WAY[[at.E_201, at.E_204, at.E_106, at.E_PSV_201, at.E_PSV_301]] = True


@compiled
def _wall(t: float, lost: float, ua: float, t_out: float, c: float, h: float) -> float:
    """New temperature of a wall that lost `lost` joules inside and meets `t_out` outside; implicit outside."""
    share = h * ua / c
    return (t - lost / c + share * t_out) / (1.0 + share)


@compiled
def _series4(a: float, b: float, c: float, d: float) -> float:
    """Effective area of four restrictions in a row; zero if one is shut."""
    if min(min(a, b), min(c, d)) <= 1e-12:
        return 0.0
    return 1.0 / math.sqrt(1.0 / (a * a) + 1.0 / (b * b) + 1.0 / (c * c) + 1.0 / (d * d))


@compiled
def water_temperature(heat: float, mass: float) -> float:
    """Temperature (K) of water with ice from its heat content above liquid at 0 degC."""
    if mass <= 0.0:
        return ZERO_C
    if heat >= 0.0:
        return ZERO_C + heat / (mass * WATER_CP_J_KG_K)
    if heat >= -ICE_HEAT_J_KG * mass:
        return ZERO_C
    return ZERO_C + (heat + ICE_HEAT_J_KG * mass) / (mass * 0.5 * WATER_CP_J_KG_K)


@compiled
def ice_mass(heat: float, mass: float) -> float:
    """Ice (kg) in water of that heat content."""
    return min(max(-heat / ICE_HEAT_J_KG, 0.0), mass)


@compiled
def oil_mass_fraction(p_pa: float, t_k: float, oil: Array) -> float:
    """Equilibrium mass fraction of refrigerant in oil, bilinear in temperature and sqrt(P/Psat)."""
    y = min(max((t_k - ph.OIL_T_FIRST_K) / ph.OIL_T_STEP_K, 0.0), oil.shape[0] - 1.000001)
    i = int(y)
    f = y - i
    psat = math.exp(math.log(oil[i, 0]) * (1.0 - f) + math.log(oil[i + 1, 0]) * f)
    columns = oil.shape[1] - 1
    s = math.sqrt(min(max(p_pa / psat, 0.0), 1.0)) * (columns - 1)
    j = min(int(s), columns - 2)
    g = s - j
    low = oil[i, 1 + j] + g * (oil[i, 2 + j] - oil[i, 1 + j])
    high = oil[i + 1, 1 + j] + g * (oil[i + 1, 2 + j] - oil[i + 1, 1 + j])
    return float(low + f * (high - low))


@compiled
def _smooth(y: float) -> float:
    z = min(max(y, 0.0), 1.0)
    return z * z * (3.0 - 2.0 * z)


@compiled
def port_quality(state: Array, mass: float, k: Array) -> float:
    """Quality at the appliance's liquid port: 0 while covered, 1 when only the trapped pocket is left."""
    if state[ph.PHASE] == ph.LIQUID:
        return 0.0
    if state[ph.PHASE] != ph.TWO_PHASE:
        return 1.0
    liquid = (1.0 - state[ph.X]) * mass
    return 1.0 - _smooth((liquid - k[at.K_POCKET]) / k[at.K_TRANSITION])


@compiled
def _draw(state: Array, x: float, k_gas: float, out: Array) -> None:
    """What flows out of a volume at port quality x: volume, enthalpy, omega, Psat, liquid or not."""
    phase = state[ph.PHASE]
    p = state[ph.P]
    if phase == ph.TWO_PHASE:
        v_fg, h_fg = state[ph.VG] - state[ph.VF], state[ph.HG] - state[ph.HF]
        v = state[ph.VF] + x * v_fg
        out[0] = v
        out[1] = state[ph.HF] + x * h_fg
        out[2] = omega_two_phase(x, v, state[ph.P_REF], state[ph.T], v_fg, h_fg, state[ph.CF])
        out[3] = state[ph.P_REF]
        # Air above the liquid keeps it from boiling at once.
        out[4] = 1.0 if x < 1e-3 and p > 1.0001 * state[ph.P_REF] else 0.0
    elif phase == ph.LIQUID:
        v_fg, h_fg = state[ph.VG] - state[ph.VF], state[ph.HG] - state[ph.HF]
        out[0], out[1] = state[ph.V], state[ph.H]
        p_sat = min(max(state[ph.PSAT], 100.0), p)
        out[2] = omega_two_phase(0.0, state[ph.V], p_sat, state[ph.T], v_fg, h_fg, state[ph.CF])
        out[3] = p_sat
        out[4] = 1.0
    else:
        out[0], out[1] = state[ph.V], state[ph.H]
        out[2], out[3], out[4] = 1.0 / k_gas, 0.0, 0.0


@compiled
def _areas(x: Array, k: Array, u: Array, area: Array) -> None:
    """Effective area of every path from the actual valve positions (0 where shut or not fitted)."""
    hand_l, hand_v = u[at.U_LIQUID_PORT], u[at.U_VAPOR_PORT]
    inlet, manifold = k[at.K_INLET], k[at.K_MANIFOLD]
    if k[at.K_TWO_INLETS] > 0.5:
        area[at.E_LIQUID] = _series4(k[at.K_LIQUID_PORT] * hand_l, k[at.K_LIQUID_C], inlet * x[at.V_101], manifold)
        area[at.E_VAPOR] = _series4(k[at.K_VAPOR_PORT] * hand_v, k[at.K_VAPOR_C], inlet * x[at.V_102], manifold)
    else:
        # One hose: it hangs on one port or the other.
        on_vapor = u[at.U_HOSE_ON_VAPOR] > 0.5
        core = k[at.K_VAPOR_PORT] * hand_v if on_vapor else k[at.K_LIQUID_PORT] * hand_l
        one = _series4(core, k[at.K_LIQUID_C], inlet * x[at.V_101], manifold)
        area[at.E_LIQUID] = 0.0 if on_vapor else one
        area[at.E_VAPOR] = one if on_vapor else 0.0
    # A throttle never seals: 0.1 % of its full area is left at position 0.
    area[at.E_THROTTLE] = k[at.K_THROTTLE] * max(x[at.V_103], 1e-3) if k[at.K_CV_FITTED] > 0.5 else k[at.K_FIXED]
    area[at.E_COMPRESSOR] = k[at.K_STRAIGHT]
    cooler = k[at.K_COOLER]
    area[at.E_201] = cooler * (x[at.V_201] if k[at.K_201_FITTED] > 0.5 else 1.0)
    area[at.E_COIL] = k[at.K_COIL] if k[at.K_COIL_FITTED] > 0.5 else 0.0
    area[at.E_202] = cooler * (x[at.V_202] if k[at.K_202_FITTED] > 0.5 else 1.0)
    area[at.E_204] = cooler * (x[at.V_204] if k[at.K_204_FITTED] > 0.5 else 0.0)
    area[at.E_203] = k[at.K_CLEAR] * (x[at.V_203] if k[at.K_203_FITTED] > 0.5 else 0.0)
    port = k[at.K_PORT_Y] * u[at.U_CYLINDER]
    area[at.E_301] = _series4(k[at.K_HOSE_D], cooler * x[at.V_301], port, 1.0)
    # Push-pull: liquid straight across, cylinder vapor to the header, discharge onto the appliance.
    push_pull = k[at.K_PUSH_PULL]
    area[at.E_104] = _series4(
        k[at.K_LIQUID_PORT] * hand_l, k[at.K_LIQUID_C], push_pull * x[at.V_104], k[at.K_PORT_Y] * u[at.U_CYLINDER]
    )
    area[at.E_105] = push_pull * x[at.V_105] * (1.0 if u[at.U_CYLINDER] > 0.0 else 0.0)
    area[at.E_106] = _series4(k[at.K_VAPOR_PORT] * hand_v, k[at.K_VAPOR_C], push_pull * x[at.V_106], 1.0)
    area[at.E_LEAK_H] = 0.8 * u[at.U_LEAK_H]
    area[at.E_LEAK_A] = 0.8 * u[at.U_LEAK_A]
    area[at.E_RELIEF] = k[at.K_RELIEF_AREA] * x[at.RELIEF]
    # The thermal reliefs are small; PSV-301 still needs the cylinder's own hand valve.
    area[at.E_PSV_201] = 0.1 * cooler
    area[at.E_PSV_301] = _series4(0.1 * cooler, port, 1.0, 1.0)


@compiled
def _move_valves(h: float, x: Array, k: Array, u: Array) -> bool:
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
def _add_ncg(state: Array, moles: float, volume: float) -> None:
    """Dalton: the partial pressure of air in the space that liquid leaves."""
    if moles > 0.0:
        space = max(volume * (1.0 - liquid_fill(state)), 0.005 * volume)
        state[ph.P] = state[ph.P_REF] + moles * GAS_CONSTANT * state[ph.T] / space


@compiled
def evaluate_all(
    x: Array, k: Array, rows: NDArray[np.int64], eos: Array, sat: Array, ga: Array, gb: Array, sc: Array
) -> bool:
    """States of all volumes; false if one is not finite."""
    good = True
    for i in range(at.VOLUMES):
        if i == at.X and k[at.K_COIL_FITTED] < 0.5:
            continue
        state = eos[i]
        rows[i] = evaluate(x[at.N_MASS + i], x[at.N_ENERGY + i], k[at.K_VOLUME + i], rows[i], sat, ga, gb, sc, state)
        good = good and math.isfinite(state[ph.P]) and math.isfinite(state[ph.T]) and state[ph.P] > 0.0
    _add_ncg(eos[at.A], x[at.NCG_A], k[at.K_VOLUME + at.A])
    _add_ncg(eos[at.Y], x[at.NCG_Y], k[at.K_VOLUME + at.Y])
    if k[at.K_COIL_FITTED] < 0.5:
        for f in range(ph.STATE_FIELDS):
            eos[at.X, f] = eos[at.C, f]
    return good


@compiled
def _port(e: int, d: int, x: Array, k: Array, eos: Array, k_gas: float, scratch: Array) -> float:
    """Fill `scratch` with what path e draws from volume d; return the refrigerant's share of that stream."""
    quality = eos[d, ph.X]
    if d == at.A:
        quality = (
            port_quality(eos[d], x[at.N_MASS + at.A], k)
            if e == at.E_LIQUID or e == at.E_104
            else 1.0 - _smooth((liquid_fill(eos[d]) - 0.95) / 0.05)
        )
    elif d == at.Y:
        fill = liquid_fill(eos[d])
        dips = k[at.K_DIP] > 0.5 and (e == at.E_301 or e == at.E_104)
        quality = 1.0 - _smooth((fill - 0.01) / 0.02) if dips else 1.0 - _smooth((fill - 0.95) / 0.05)
    _draw(eos[d], quality, k_gas, scratch)
    share = 1.0
    if quality > 0.5 and (d == at.A or d == at.Y):
        # Vapor leaves with the air it is mixed with: the stream is denser, refrigerant is only its share.
        moles = x[at.NCG_A] if d == at.A else x[at.NCG_Y]
        if moles > 0.0:
            share = 1.0 / (1.0 + moles * NCG_KG_MOL / max(x[at.N_MASS + d] * eos[d, ph.X], 1e-12))
            scratch[0] *= share
            if eos[d, ph.V] > 1e5:
                share = 0.0  # below 0.01 g/m3 only air is left
    return share


@compiled
def _flows(
    x: Array, k: Array, u: Array, eos: Array, area: Array, k_gas: float, kg_s: Array, d_from: Array, d_to: Array,
    h_edge: Array, work: Array, scratch: Array,
) -> None:  # fmt: skip
    """Flow of every path now, its slopes with both pressures, and the enthalpy it carries."""
    coil = k[at.K_COIL_FITTED] > 0.5
    p_out = k[at.K_P_AMB]
    for e in range(at.EDGES):
        kg_s[e] = 0.0
        d_from[e] = 0.0
        d_to[e] = 0.0
        h_edge[e] = 0.0
        i, j = _FROM[e], _TO[e]
        if i == at.X and not coil:
            i = at.C
        p_i = eos[i, ph.P]
        p_j = p_out if j == at.OUTSIDE else eos[j, ph.P]
        if e == at.E_PSV_201 or e == at.E_PSV_301:
            over = p_i - p_j - k[at.K_CRACK]
            if over > -2e5 and area[e] > 0.0:
                # Linear in the overpressure, so that its slope is exact and a shut line does not chatter.
                slope = area[e] * math.sqrt(2.0 * k[at.K_CRACK] / eos[i, ph.V]) / 0.5e5
                kg_s[e] = slope * over
                d_from[e], d_to[e] = slope, -slope
                h_edge[e] = eos[i, ph.H]
            continue
        if e == at.E_COMPRESSOR:
            work[0] = 0.0
            work[1] = 0.0
            h_edge[e] = eos[i, ph.H]
            if x[at.SPEED] > 1e-3:
                n = k[at.K_POLY]
                ratio = max(p_j / p_i, 1.0)
                back = k[at.K_CLEARANCE] * ratio ** (1.0 / n)
                loss = max(1.0 - k[at.K_VALVE_LOSS] / p_i, 0.0)
                swept = k[at.K_SWEPT_M3_S] * x[at.SPEED] * k[at.K_LEAK] / eos[i, ph.V]
                fill = 1.0 + k[at.K_CLEARANCE] - back
                if fill > 0.0 and loss > 0.0:
                    kg_s[e] = swept * fill * loss
                    slope = swept * back / n * loss
                    d_from[e] = (kg_s[e] * (1.0 + k[at.K_VALVE_LOSS] / (p_i * loss)) + slope) / p_i
                    d_to[e] = -slope / p_j
                    head = (ratio ** ((n - 1.0) / n) - 1.0) * n / (n - 1.0)
                    work[0] = head * p_i * eos[i, ph.V] / k[at.K_EFF]
                work[1] = 1.0
            if p_i > p_j:
                # Straight through both reed valves when the suction is above the discharge.
                _draw(eos[i], eos[i, ph.X], k_gas, scratch)
                g, choked = flux(p_i, min(p_j, p_i - 1.0), scratch[0], scratch[2], scratch[3], scratch[4] > 0.5)
                slope = area[e] * g / max(p_i - p_j, 1.0)
                passive = slope * (p_i - p_j)
                if passive > kg_s[e]:
                    kg_s[e] = passive
                    work[0] = 0.0
                    if choked:
                        d_from[e], d_to[e] = passive / p_i, 0.0
                    else:
                        d_from[e], d_to[e] = slope, -slope
            continue
        if area[e] <= 0.0:
            continue
        forward = p_i >= p_j or _ONE_WAY[e]
        if j == at.OUTSIDE and not forward:
            continue
        d = i if forward else j
        share = _port(e, d, x, k, eos, k_gas, scratch)
        h_edge[e] = scratch[1]
        high, low = (p_i, p_j) if forward else (p_j, p_i)
        drop = high - low
        if drop < 0.0:
            # A check valve held shut: what it would pass per pascal, should it open within the sub-step.
            g, choked = flux(high, high - 1.0, scratch[0], scratch[2], scratch[3], scratch[4] > 0.5)
            slope = share * area[e] * g
            kg_s[e] = slope * drop
            d_from[e], d_to[e] = slope, -slope
            continue
        g, choked = flux(high, min(low, high - 1.0), scratch[0], scratch[2], scratch[3], scratch[4] > 0.5)
        slope = share * area[e] * g / max(drop, 1.0)
        m = slope * drop
        up, down = (m / high, 0.0) if choked else (slope, slope)
        if scratch[4] > 0.5 and low < scratch[3] and drop > LINEAR_SHARE * high:
            # Flashing liquid: the flow hangs on the small distance to the boiling pressure, not on the whole
            # drop. G**2 = 2 rho (p - ..) gives dG/dp = rho / G; too small a slope would oscillate.
            up = max(up, 1.5 * area[e] / (scratch[0] * g))
        if forward:
            kg_s[e] = m
            d_from[e], d_to[e] = up, -down
        else:
            kg_s[e] = -m
            d_from[e], d_to[e] = down, -up


@compiled
def _assemble(
    h: float, coil: bool, compression: float, is_open: NDArray[np.bool_], kg_s: Array, d_from: Array, d_to: Array,
    h_edge: Array, alpha: Array, beta: Array, mat: Array, dp: Array,
) -> None:  # fmt: skip
    """Add every open path to the linear system for the pressure changes."""
    for e in range(at.EDGES):
        if not is_open[e] or (kg_s[e] == 0.0 and d_from[e] == 0.0):
            continue
        i, j = _FROM[e], _TO[e]
        if i == at.X and not coil:
            i = at.C
        w_i = h * (alpha[i] + beta[i] * h_edge[e])
        dp[i] -= w_i * kg_s[e]
        # Adding cold liquid may lower a pressure; such a path is left explicit, the matrix stays dominant.
        w_i = max(w_i, 0.0)
        mat[i, i] += w_i * d_from[e]
        if j != at.OUTSIDE:
            mat[i, j] += w_i * d_to[e]
            h_to = h_edge[e] + (compression if e == at.E_COMPRESSOR else 0.0)
            w_j = h * (alpha[j] + beta[j] * h_to)
            dp[j] += w_j * kg_s[e]
            w_j = max(w_j, 0.0)
            mat[j, i] -= w_j * d_from[e]
            mat[j, j] -= w_j * d_to[e]


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
def advance(
    dt: float,
    x: Array,
    k: Array,
    u: Array,
    rows: NDArray[np.int64],
    eos: Array,
    sat: Array,
    ga: Array,
    gb: Array,
    sc: Array,
    oil: Array,
    z: Array,
) -> int:
    """Advance the plant by `dt` seconds; returns OK or an error code and leaves the truth in `z`."""
    nv = at.VOLUMES
    area = np.zeros(at.EDGES)
    kg_s = np.zeros(at.EDGES)
    flow = np.zeros(at.EDGES)
    d_from, d_to, h_edge = np.zeros(at.EDGES), np.zeros(at.EDGES), np.zeros(at.EDGES)
    mat, dp = np.zeros((nv, nv)), np.zeros(nv)
    alpha, beta, kappa = np.zeros(nv), np.zeros(nv), np.zeros(nv)
    ua, heat0 = np.zeros(nv), np.zeros(nv)
    ua_wall, t_wall, c_wall = np.zeros(nv), np.zeros(nv), np.zeros(nv)
    d_m, d_u, h_in = np.zeros(nv), np.zeros(nv), np.zeros(nv)
    work, scratch = np.zeros(2), np.zeros(6)
    trial = np.zeros(2 * nv)
    is_open = np.ones(at.EDGES, np.bool_)
    old_rows = np.zeros(nv, np.int64)
    keep = np.zeros((nv, ph.STATE_FIELDS))
    k_gas = sc[3]
    coil = k[at.K_COIL_FITTED] > 0.5
    t_amb = k[at.K_T_AMB]
    left = dt
    steps = 0.0
    rejected = 0.0
    power_j = 0.0
    valves_moved = True
    if not evaluate_all(x, k, rows, eos, sat, ga, gb, sc):
        return NOT_FINITE
    while left > 1e-12:
        h = min(max(x[at.STEP], STEP_MIN_S), k[at.K_STEP_MAX])
        h = left / math.ceil(left / h - 1e-9)
        if valves_moved:
            _areas(x, k, u, area)
        _flows(x, k, u, eos, area, k_gas, kg_s, d_from, d_to, h_edge, work, scratch)

        # Walls that each volume exchanges heat with, frozen over the sub-step.
        state_a = eos[at.A]
        wet = 0.0
        if state_a[ph.PHASE] == ph.TWO_PHASE:
            wet = min(liquid_fill(state_a) / 0.02, 1.0)
        elif state_a[ph.PHASE] == ph.LIQUID:
            wet = 1.0
        ua_metal = k[at.K_A_DRY] + (k[at.K_A_WET] - k[at.K_A_DRY]) * wet
        if k[at.K_A_WET] < k[at.K_A_DRY]:
            ua_metal = k[at.K_A_WET]
        ua_shell = k[at.K_A_SHELL_REF]
        t_bath = water_temperature(x[at.H_BATH], x[at.M_BATH])
        for i in range(nv):
            t_wall[i] = t_amb
            ua_wall[i] = 0.5 * k[at.K_HOSE_UA]
            c_wall[i] = 1e12
        t_wall[at.PD], ua_wall[at.PD], c_wall[at.PD] = x[at.T_MOTOR], k[at.K_DISCHARGE_UA], k[at.K_SHELL_C]
        t_wall[at.C], ua_wall[at.C], c_wall[at.C] = x[at.T_CONDENSER], k[at.K_CON_IN], k[at.K_CON_C]
        t_wall[at.Y], ua_wall[at.Y], c_wall[at.Y] = x[at.T_WALL], k[at.K_Y_IN], k[at.K_Y_C]
        t_wall[at.X], ua_wall[at.X] = t_bath, 0.0
        if coil:
            ua_wall[at.X] = k[at.K_COIL_ON] if u[at.U_M202] > 0.5 else k[at.K_COIL_OFF]
            c_wall[at.X] = x[at.M_BATH] * WATER_CP_J_KG_K

        # Oil gives refrigerant back by diffusion, faster when warm or foaming; it takes it up slowly.
        desorbed = 0.0
        h_oil_gas = 0.0
        if k[at.K_OIL] > 0.0:
            w_eq = oil_mass_fraction(state_a[ph.P_REF], x[at.T_SHELL], oil)
            m_eq = k[at.K_OIL] * w_eq / (1.0 - w_eq)
            w = x[at.OIL_KG] / (x[at.OIL_KG] + k[at.K_OIL])
            if x[at.OIL_KG] > m_eq:
                warm = min(max((x[at.T_SHELL] - 298.15) / 35.0, 0.0), 1.0)
                tau = k[at.K_TAU_COLD] + (k[at.K_TAU_WARM] - k[at.K_TAU_COLD]) * warm
                foam = min(max((w - w_eq) / 0.05, 0.0), 1.0)
                tau += (min(k[at.K_TAU_FOAM], tau) - tau) * foam
            else:
                tau = k[at.K_TAU_IN]
            desorbed = (x[at.OIL_KG] - m_eq) / tau
            h_oil_gas = state_a[ph.HG] if state_a[ph.PHASE] == ph.TWO_PHASE else state_a[ph.H]

        for i in range(nv):
            old_rows[i] = rows[i]
            for f in range(ph.STATE_FIELDS):
                keep[i, f] = eos[i, f]

        for e in range(at.EDGES):
            is_open[e] = not _ONE_WAY[e] or kg_s[e] > 0.0

        # Try the sub-step; halve it until the pressures come out as the linear system foresaw.
        error = 0.0
        change = 0.0
        q_metal = 0.0
        q_shell = 0.0
        while True:
            # A wall warms or cools while it gives: dividing by 1 + h UA / C makes that implicit too.
            ua_m = ua_metal / (1.0 + h * ua_metal / k[at.K_A_C])
            ua_s = ua_shell / (1.0 + h * ua_shell / k[at.K_A_SHELL_C])
            for i in range(nv):
                if i == at.A:
                    ua[i] = ua_m + ua_s
                    heat0[i] = ua_m * (x[at.T_METAL] - keep[i, ph.T]) + ua_s * (x[at.T_SHELL] - keep[i, ph.T])
                else:
                    ua[i] = ua_wall[i] / (1.0 + h * ua_wall[i] / c_wall[i])
                    heat0[i] = ua[i] * (t_wall[i] - keep[i, ph.T])
                kappa[i] = 1.0 + h * ua[i] * keep[i, ph.DTDU]
                beta[i] = keep[i, ph.DPDU] / kappa[i]
                alpha[i] = keep[i, ph.DPDM] - beta[i] * h * ua[i] * keep[i, ph.DTDM]
                dp[i] = beta[i] * h * heat0[i]
            dp[at.A] += h * desorbed * (alpha[at.A] + beta[at.A] * h_oil_gas)
            for i in range(nv):
                d_m[i] = dp[i]
            # One-way valves open and shut inside the sub-step: solve again until each agrees with its pressures.
            for attempt in range(5):
                for i in range(nv):
                    dp[i] = d_m[i]
                    for c in range(nv):
                        mat[i, c] = 0.0
                    mat[i, i] = 1.0
                _assemble(h, coil, work[0], is_open, kg_s, d_from, d_to, h_edge, alpha, beta, mat, dp)
                _solve(mat, dp, nv)
                agreed = True
                for e in range(at.EDGES):
                    if not _ONE_WAY[e] or d_from[e] == 0.0:
                        continue
                    i, j = _FROM[e], _TO[e]
                    if i == at.X and not coil:
                        i = at.C
                    m = kg_s[e] + d_from[e] * dp[i] + d_to[e] * dp[j]
                    if (m > 0.0) != is_open[e] and attempt < 4:
                        is_open[e] = m > 0.0
                        agreed = False
                if agreed:
                    break
            for i in range(nv):
                d_m[i] = 0.0
                h_in[i] = 0.0
            turned = 0.0
            d_m[at.A] = h * desorbed
            h_in[at.A] = h * desorbed * h_oil_gas
            for e in range(at.EDGES):
                flow[e] = 0.0
                if not is_open[e] or (kg_s[e] == 0.0 and d_from[e] == 0.0):
                    continue
                i, j = _FROM[e], _TO[e]
                if i == at.X and not coil:
                    i = at.C
                m = kg_s[e] + d_from[e] * dp[i]
                if j != at.OUTSIDE:
                    m += d_to[e] * dp[j]
                if (e == at.E_COMPRESSOR or e >= at.E_LEAK_H or _ONE_WAY[e]) and m < 0.0:
                    m = 0.0
                flow[e] = m
                carried = h_edge[e]
                if m * kg_s[e] < 0.0:
                    # Turned round within the sub-step: it carries the other volume's enthalpy.
                    _port(e, j if m < 0.0 else i, x, k, keep, k_gas, scratch)
                    carried = scratch[1]
                    # Its density was the wrong one too: allow only a little of that in one sub-step.
                    least = min(x[at.N_MASS + i], x[at.N_MASS + j])
                    turned = max(turned, h * abs(m) / (REVERSAL_SHARE * least))
                d_m[i] -= h * m
                h_in[i] -= h * m * carried
                if j != at.OUTSIDE:
                    d_m[j] += h * m
                    h_in[j] += h * m * (carried + (work[0] if e == at.E_COMPRESSOR else 0.0))
            fault = False
            for i in range(nv):
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
                trial[i] = x[at.N_MASS + i]
                trial[nv + i] = x[at.N_ENERGY + i]
                if i == at.X and not coil:
                    continue
                fault = fault or not (d_m[i] > -0.5 * trial[i])
                x[at.N_MASS + i] = trial[i] + d_m[i]
                x[at.N_ENERGY + i] = trial[nv + i] + d_u[i]
            error = 4.0 * turned
            change = 0.0
            if not fault:
                fault = not evaluate_all(x, k, rows, eos, sat, ga, gb, sc)
                for i in range(nv):
                    if i == at.X and not coil:
                        continue
                    p_0 = keep[i, ph.P_REF]
                    foreseen = p_0 + keep[i, ph.DPDM] * d_m[i] + keep[i, ph.DPDU] * d_u[i]
                    actual = eos[i, ph.P_REF]
                    scale = k[at.K_TOLERANCE] * (min(p_0, actual) + 5e3)
                    error = max(error, abs(actual - foreseen) / scale)
                    change = max(change, abs(actual - p_0) / (min(p_0, actual) + 2e4))
            if not fault and (error < 4.0 or h <= 4.0 * STEP_MIN_S):
                break
            rejected += 1.0
            for i in range(nv):
                x[at.N_MASS + i] = trial[i]
                x[at.N_ENERGY + i] = trial[nv + i]
                rows[i] = old_rows[i]
            if h <= STEP_MIN_S:
                for i in range(nv):
                    for f in range(ph.STATE_FIELDS):
                        eos[i, f] = keep[i, f]
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

        energy_in = 0.0
        x[at.OIL_KG] -= h * desorbed
        water = k[at.K_WATER] > 0.0
        old = x[at.T_METAL]
        ua_air = k[at.K_A_ON] if u[at.U_M001] > 0.5 and not water else k[at.K_A_OFF]
        if water:
            t_water = water_temperature(x[at.H_WATER], k[at.K_WATER])
            c_water = k[at.K_WATER] * WATER_CP_J_KG_K
            blocked = ice_mass(x[at.H_WATER], k[at.K_WATER]) > 0.5 * k[at.K_WATER]
            moving = u[at.U_M001] > 0.5 and u[at.U_WATER_FLOW] > 0.0 and not blocked
            ua_water = k[at.K_WATER_ON] if moving else k[at.K_WATER_OFF]
            ua_water /= 1.0 + h * ua_water / c_water
            # One joint outside for the metal: room air and water, weighted.
            both = ua_air + ua_water
            t_out = (ua_air * t_amb + ua_water * t_water) / both if both > 0.0 else t_amb
            x[at.T_METAL] = _wall(old, q_metal, both, t_out, k[at.K_A_C], h)
            q_water = h * ua_water * (t_water - x[at.T_METAL])
            supply = 0.0
            if moving:
                # Mixed node, implicit: a small hold-up with a large flow does not oscillate.
                c_flow = h * k[at.K_WATER_FLOW] * u[at.U_WATER_FLOW] * WATER_CP_J_KG_K
                supply = c_flow * (k[at.K_WATER_T] - t_water) / (1.0 + c_flow / c_water)
            x[at.H_WATER] += supply - q_water
            energy_in += supply
            energy_in += k[at.K_A_C] * (x[at.T_METAL] - old) + q_metal - q_water
        else:
            x[at.T_METAL] = _wall(old, q_metal, ua_air, t_amb, k[at.K_A_C], h)
            energy_in += k[at.K_A_C] * (x[at.T_METAL] - old) + q_metal
        old = x[at.T_SHELL]
        heater = h * k[at.K_HEATER] if u[at.U_EH001] > 0.5 else 0.0
        lost = q_shell + h * desorbed * (h_oil_gas - k[at.K_H_OIL])
        x[at.T_SHELL] = _wall(old, lost - heater, k[at.K_A_SHELL_AIR], t_amb, k[at.K_A_SHELL_C], h)
        energy_in += k[at.K_A_SHELL_C] * (x[at.T_SHELL] - old) + lost
        m_c = flow[at.E_COMPRESSOR]
        shaft = m_c * work[0]
        electric = 0.0
        if work[1] > 0.0:
            electric = (shaft + k[at.K_FRICTION] * x[at.SPEED]) / k[at.K_MOTOR]
            if u[at.U_M101] < 0.5 or x[at.SWITCH] > 0.5:
                electric = shaft  # running down on its own inertia
        old = x[at.T_MOTOR]
        lost = h_in[at.PD] - h * (electric - shaft)
        x[at.T_MOTOR] = _wall(old, lost, k[at.K_SHELL_UA], t_amb, k[at.K_SHELL_C], h)
        energy_in += k[at.K_SHELL_C] * (x[at.T_MOTOR] - old) + h_in[at.PD] + h * shaft
        power_j += h * electric
        x[at.ENERGY_ELECTRIC] += h * electric
        old = x[at.T_CONDENSER]
        ua_air = k[at.K_CON_ON] if u[at.U_M201] > 0.5 else k[at.K_CON_OFF]
        x[at.T_CONDENSER] = _wall(old, h_in[at.C], ua_air, t_amb, k[at.K_CON_C], h)
        energy_in += k[at.K_CON_C] * (x[at.T_CONDENSER] - old) + h_in[at.C]
        energy_in += h_in[at.M] + h_in[at.S] + h_in[at.H]
        if coil:
            x[at.H_BATH] -= h_in[at.X]
        q_air = h * k[at.K_BATH_UA] * (t_amb - t_bath)
        x[at.H_BATH] += q_air
        energy_in += q_air
        t_bath_2 = water_temperature(x[at.H_BATH_2], x[at.M_BATH_2])
        old = x[at.T_WALL]
        if k[at.K_Y_IN_BATH] > 0.5:
            q_air = h * k[at.K_BATH_UA] * (t_amb - t_bath_2)
            x[at.T_WALL] = _wall(old, h_in[at.Y], k[at.K_Y_BATH], t_bath_2, k[at.K_Y_C], h)
            x[at.H_BATH_2] += q_air - (k[at.K_Y_C] * (x[at.T_WALL] - old) + h_in[at.Y])
            energy_in += q_air
        else:
            x[at.T_WALL] = _wall(old, h_in[at.Y], k[at.K_Y_AIR], t_amb, k[at.K_Y_C], h)
            energy_in += k[at.K_Y_C] * (x[at.T_WALL] - old) + h_in[at.Y]
        for e in (at.E_LEAK_H, at.E_LEAK_A, at.E_RELIEF):
            x[at.VENTED_KG] += h * flow[e]
            energy_in -= h * flow[e] * h_edge[e]
        x[at.ENERGY_IN] += energy_in
        x[at.ENERGY_MOVED] += abs(energy_in)
        x[at.MASS_MOVED] += h * abs(m_c)

        # Air: comes in where the appliance leaks in vacuum, leaves with the vapor straight to the cylinder.
        if x[at.NCG_A] > 0.0:
            gas_kg = max(trial[at.A] * keep[at.A, ph.X], 1e-9)
            share = min(max(flow[at.E_VAPOR], 0.0) * h / gas_kg, 0.5)
            if keep[at.A, ph.PHASE] == ph.LIQUID:
                share = 0.0
            to_y = x[at.NCG_A] * share
            x[at.NCG_A] -= to_y
            x[at.NCG_Y] += to_y
            share = min(flow[at.E_LEAK_A] * h / gas_kg, 0.5)
            x[at.NCG_IN] -= x[at.NCG_A] * share
            x[at.NCG_A] -= x[at.NCG_A] * share
        if area[at.E_LEAK_A] > 0.0 and keep[at.A, ph.P] < k[at.K_P_AMB]:
            ratio = max(keep[at.A, ph.P] / k[at.K_P_AMB], 0.528)
            rho_air = k[at.K_P_AMB] / (287.05 * t_amb)
            # St Venant's compressible discharge of air, k = 1.4; choked below a ratio of 0.528.
            term = max(ratio ** (2.0 / 1.4) - ratio ** (2.4 / 1.4), 0.0)
            g_air = math.sqrt(7.0 * k[at.K_P_AMB] * rho_air * term)
            moles = h * area[at.E_LEAK_A] * g_air / NCG_KG_MOL
            x[at.NCG_A] += moles
            x[at.NCG_IN] += moles
        if flow[at.E_RELIEF] > 0.0 and x[at.NCG_Y] > 0.0:
            gas_kg = max(trial[at.Y] * keep[at.Y, ph.X], 1e-9)
            lost = x[at.NCG_Y] * min(flow[at.E_RELIEF] * h / gas_kg, 0.5)
            x[at.NCG_Y] -= lost
            x[at.NCG_IN] -= lost

        valves_moved = _move_valves(h, x, k, u)
        run = u[at.U_M101] > 0.5 and x[at.SWITCH] < 0.5
        # 0.5 s to speed; a loaded reciprocating compressor stops in about 0.1 s.
        x[at.SPEED] = min(x[at.SPEED] + h / 0.5, 1.0) if run else max(x[at.SPEED] - h / 0.1, 0.0)
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
        if not math.isfinite(x[at.T_METAL] + x[at.T_SHELL] + x[at.T_MOTOR] + x[at.T_CONDENSER] + x[at.T_WALL]):
            return NOT_FINITE

    fill_truth(x, k, u, eos, flow, power_j / dt if dt > 0.0 else 0.0, z)
    z[at.Z_STEPS] += steps
    z[at.Z_REJECTED] += rejected
    return OK


@compiled
def fill_truth(x: Array, k: Array, u: Array, eos: Array, flow: Array, power_w: float, z: Array) -> None:
    """Write what can be observed into the truth vector."""
    coil = k[at.K_COIL_FITTED] > 0.5
    z[at.Z_TIME_S] = x[at.TIME]
    for i in range(at.VOLUMES):
        z[at.Z_PA_A + i] = eos[i, ph.P]
        z[at.Z_T_A + i] = eos[i, ph.T] - ZERO_C
        z[at.Z_KG_A + i] = x[at.N_MASS + i] if i != at.X or coil else 0.0
        z[at.Z_FILL_A + i] = liquid_fill(eos[i])
    z[at.Z_T_METAL] = x[at.T_METAL] - ZERO_C
    z[at.Z_T_OIL] = x[at.T_SHELL] - ZERO_C
    z[at.Z_T_MOTOR] = x[at.T_MOTOR] - ZERO_C
    z[at.Z_T_CONDENSER] = x[at.T_CONDENSER] - ZERO_C
    z[at.Z_T_WALL] = x[at.T_WALL] - ZERO_C
    z[at.Z_T_BATH] = water_temperature(x[at.H_BATH], x[at.M_BATH]) - ZERO_C
    z[at.Z_T_BATH_2] = water_temperature(x[at.H_BATH_2], x[at.M_BATH_2]) - ZERO_C
    z[at.Z_T_WATER] = water_temperature(x[at.H_WATER], k[at.K_WATER]) - ZERO_C
    z[at.Z_KG_OIL] = x[at.OIL_KG]
    z[at.Z_GROSS_KG] = k[at.K_TARE] + x[at.N_MASS + at.Y] + NCG_KG_MOL * x[at.NCG_Y]
    z[at.Z_FLOW_SUCTION] = flow[at.E_COMPRESSOR]
    z[at.Z_FLOW_LIQUID] = flow[at.E_LIQUID] + flow[at.E_104]
    z[at.Z_FLOW_VAPOR] = flow[at.E_VAPOR]
    z[at.Z_FLOW_CYLINDER] = flow[at.E_301] + flow[at.E_PSV_301] + flow[at.E_104] - flow[at.E_105]
    z[at.Z_QUALITY_PORT] = port_quality(eos[at.A], x[at.N_MASS + at.A], k)
    z[at.Z_POWER_W] = power_w
    z[at.Z_ENERGY_J] = x[at.ENERGY_ELECTRIC]
    z[at.Z_SLUG] = x[at.SLUG]
    z[at.Z_DOSE] = x[at.DOSE]
    z[at.Z_DAMAGED] = 1.0 if x[at.DOSE] > k[at.K_DOSE_LIMIT] else 0.0
    z[at.Z_ICE_KG] = ice_mass(x[at.H_BATH], x[at.M_BATH])
    z[at.Z_ICE_2_KG] = ice_mass(x[at.H_BATH_2], x[at.M_BATH_2])
    water = k[at.K_WATER]
    frozen = ice_mass(x[at.H_WATER], water) / water if water > 0.0 else 0.0
    z[at.Z_WATER_ICE] = frozen
    moving = water > 0.0 and u[at.U_M001] > 0.5 and u[at.U_WATER_FLOW] >= 0.3 and frozen <= 0.5
    z[at.Z_WATER_FLOW] = 1.0 if moving else 0.0
    for n in range(at.VALVE_COUNT):
        z[at.Z_X101 + n] = x[at.V_101 + n]
    z[at.Z_RUNNING] = 1.0 if x[at.SPEED] > 0.5 else 0.0
    z[at.Z_SPEED] = x[at.SPEED]
    z[at.Z_SWITCH_OPEN] = x[at.SWITCH]
    z[at.Z_RELIEF_OPEN] = 1.0 if x[at.RELIEF] > 0.0 else 0.0
    z[at.Z_VENTED_KG] = x[at.VENTED_KG]
    z[at.Z_NCG_A] = x[at.NCG_A]
    z[at.Z_NCG_Y] = x[at.NCG_Y]
