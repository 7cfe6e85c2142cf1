"""Paths between volumes: openings from valve positions, what each path draws, and its flow with slopes."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from hil_sim.plant import layout as at
from hil_sim.plant import phase as ph
from hil_sim.plant.flow import LINEAR_SHARE, flux, omega_two_phase
from hil_sim.plant.phase import Array, compiled, liquid_fill

NCG_KG_MOL = 0.02896
"""Molar mass of dry air."""

# Fields of what a path draws.
D_V, D_H, D_OMEGA, D_PSAT, D_LIQUID, D_AIR, D_LIGHT, D_QUALITY = range(8)
DRAWN = 8


class Net(NamedTuple):
    """Which volume each path leaves and enters, and which paths are one-way (shape: one entry a path)."""

    start: NDArray[np.int64]
    end: NDArray[np.int64]
    one_way: NDArray[np.bool_]


def net(*, coil: bool, accumulator: bool, receiver: bool, head_check: bool, outlet_check: bool) -> Net:
    """Paths of a rig with or without the optional volumes and check valves."""
    start = np.array(
        [
            at.A, at.A, at.M, at.S, at.PD, at.C, at.X, at.PD, at.X, at.H,
            at.A, at.Y, at.PD, at.H, at.A, at.Y, at.X, at.H, at.A, at.A,
        ],
        np.int64,
    )  # fmt: skip
    end = np.array(
        [
            at.M, at.M, at.S, at.PD, at.C, at.X, at.H, at.H, at.M, at.Y,
            at.Y, at.M, at.A, at.OUTSIDE, at.OUTSIDE, at.OUTSIDE, at.H, at.Y, at.SA, at.LR,
        ],
        np.int64,
    )  # fmt: skip
    if not coil:
        start[[at.E_202, at.E_203, at.E_PSV_201]] = at.C
    if accumulator:
        # The accumulator stands at the compressor's suction, where the vapor port is.
        start[at.E_VAPOR] = at.SA
        end[at.E_106] = at.SA
    if receiver:
        start[[at.E_LIQUID, at.E_104]] = at.LR
    one_way = np.zeros(at.EDGES, np.bool_)
    one_way[[at.E_106, at.E_PSV_201, at.E_PSV_301]] = True
    # The check valve of the compressor stands behind its head: nothing that follows runs back into it.
    one_way[[at.E_201, at.E_204]] = head_check
    one_way[at.E_301] = outlet_check
    return Net(start, end, one_way)


@compiled
def _series4(a: float, b: float, c: float, d: float) -> float:
    """Effective area of four restrictions in a row; zero if one is shut."""
    if min(min(a, b), min(c, d)) <= 1e-12:
        return 0.0
    return 1.0 / math.sqrt(1.0 / (a * a) + 1.0 / (b * b) + 1.0 / (c * c) + 1.0 / (d * d))


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
def dip_quality(state: Array) -> float:
    """Quality at the end of a dip tube: 0 until the last 3 % of a vessel's volume."""
    return 1.0 - _smooth((liquid_fill(state) - 0.01) / 0.02)


@compiled
def _draw(state: Array, x: float, k_gas: float, out: Array) -> None:
    """What flows out of a volume at quality x: volume, enthalpy, omega, Psat, liquid or not."""
    phase = state[ph.PHASE]
    p = state[ph.P]
    if phase == ph.TWO_PHASE:
        v_fg, h_fg = state[ph.VG] - state[ph.VF], state[ph.HG] - state[ph.HF]
        v = state[ph.VF] + x * v_fg
        out[D_V] = v
        out[D_H] = state[ph.HF] + x * h_fg
        # The last drops: from the boiling mixture's compressibility to that of a gas, so that dew is no step.
        dry = min(max((x - 0.95) / 0.05, 0.0), 1.0)
        boiling = omega_two_phase(x, v, state[ph.P_REF], state[ph.T], v_fg, h_fg, state[ph.CF])
        out[D_OMEGA] = boiling + dry * (1.0 / k_gas - boiling)
        # Air, or a warm surface above the liquid, keeps it from boiling at once; less so the first vapor.
        over = max(p - state[ph.P_REF], 0.0)
        out[D_PSAT] = state[ph.P_REF] + over * min(x / 0.01, 1.0)
        out[D_LIQUID] = 1.0 if x < 0.01 and over > 0.0 else 0.0
    elif phase == ph.LIQUID:
        v_fg, h_fg = state[ph.VG] - state[ph.VF], state[ph.HG] - state[ph.HF]
        out[D_V], out[D_H] = state[ph.V], state[ph.H]
        p_sat = min(max(state[ph.PSAT], 100.0), p)
        out[D_OMEGA] = omega_two_phase(0.0, state[ph.V], p_sat, state[ph.T], v_fg, h_fg, state[ph.CF])
        out[D_PSAT] = p_sat
        out[D_LIQUID] = 1.0
    else:
        out[D_V], out[D_H] = state[ph.V], state[ph.H]
        out[D_OMEGA], out[D_PSAT], out[D_LIQUID] = 1.0 / k_gas, 0.0, 0.0


@compiled
def openings(x: Array, k: Array, u: Array, area: Array) -> None:
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
    # Half of the coil's friction before its volume, half behind: gas goes in, liquid comes out.
    coil = math.sqrt(2.0) * k[at.K_COIL]
    area[at.E_COIL] = coil
    area[at.E_202] = cooler * (x[at.V_202] if k[at.K_202_FITTED] > 0.5 else 1.0)
    if coil > 0.0:
        area[at.E_202] = _series4(area[at.E_202], coil, 1.0, 1.0)
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
    area[at.E_SA] = k[at.K_VESSEL] if k[at.K_VOLUME + at.SA] > 0.0 else 0.0
    area[at.E_LR] = k[at.K_VESSEL] if k[at.K_VOLUME + at.LR] > 0.0 else 0.0


@compiled
def drawn(e: int, d: int, x: Array, k: Array, eos: Array, k_gas: float, out: Array) -> float:
    """Fill `out` with what path e draws from volume d; return the refrigerant's share of that stream by mass."""
    state = eos[d]
    mass = x[at.N_MASS + d]
    quality = state[ph.X]
    layered = True
    if d == at.A:
        if e == at.E_LIQUID or e == at.E_104 or e == at.E_LR:
            quality = port_quality(state, mass, k)
        else:
            quality = 1.0 - _smooth((liquid_fill(state) - 0.95) / 0.05)
    elif d == at.Y:
        fill = liquid_fill(state)
        dips = k[at.K_DIPS] > 0.5 and (e == at.E_301 or e == at.E_104)
        quality = dip_quality(state) if dips else 1.0 - _smooth((fill - 0.95) / 0.05)
    elif d == at.SA:
        quality = 1.0 - _smooth((liquid_fill(state) - 0.90) / 0.10)
    elif d == at.LR:
        # The dip tube leads to the port; the pipe from the exchangers ends above the liquid.
        quality = 1.0 - _smooth((liquid_fill(state) - 0.90) / 0.10) if e == at.E_LR else dip_quality(state)
    else:
        layered = False
    _draw(state, quality, k_gas, out)
    out[D_QUALITY] = quality
    out[D_AIR] = 0.0
    out[D_LIGHT] = 0.0
    if k[at.K_SHIFT] > 0.5:
        if layered and state[ph.PHASE] == ph.TWO_PHASE:
            out[D_LIGHT] = quality * state[ph.Z_G] + (1.0 - quality) * state[ph.Z_F]
        else:
            out[D_LIGHT] = x[at.N_LIGHT + d] / mass
    moles = x[at.N_NCG + d]
    if moles <= 0.0:
        return 1.0
    # Gas leaves with the air it is mixed with: the stream is denser, refrigerant is only its share.
    gas_kg = max(mass * state[ph.X], 1e-12) if layered else mass
    out[D_AIR] = moles / gas_kg * (quality if layered else 1.0)
    share = 1.0 / (1.0 + out[D_AIR] * NCG_KG_MOL)
    out[D_V] *= share
    if state[ph.V] > 1e5:
        return 0.0  # below 0.01 g/m3 only air is left
    return float(share)


@compiled
def flows(
    x: Array, k: Array, eos: Array, area: Array, start: NDArray[np.int64], end: NDArray[np.int64],
    one_way: NDArray[np.bool_], k_gas: float, kg_s: Array, d_start: Array, d_end: Array, h_edge: Array,
    air: Array, light: Array, work: Array, scratch: Array,
) -> None:  # fmt: skip
    """Flow of every path now, its slopes with both pressures, and the enthalpy, air and light share it carries.

    A one-way path that is held shut gets the negative flow it would have if it opened; callers take that as none.
    """
    p_out = k[at.K_P_AMB]
    for e in range(at.EDGES):
        kg_s[e] = 0.0
        d_start[e] = 0.0
        d_end[e] = 0.0
        h_edge[e] = 0.0
        air[e] = 0.0
        light[e] = 0.0
        if area[e] <= 0.0:
            continue
        i, j = start[e], end[e]
        p_i = eos[i, ph.P]
        p_j = p_out if j == at.OUTSIDE else eos[j, ph.P]
        if e == at.E_PSV_201 or e == at.E_PSV_301:
            over = p_i - p_j - k[at.K_CRACK]
            if over > -2e5:
                # Linear in the overpressure, so that its slope is exact and a shut line does not chatter.
                slope = area[e] * math.sqrt(2.0 * k[at.K_CRACK] / eos[i, ph.V]) / 0.5e5
                kg_s[e] = slope * over
                d_start[e], d_end[e] = slope, -slope
                h_edge[e] = eos[i, ph.H]
                air[e] = x[at.N_NCG + i] / x[at.N_MASS + i]
                light[e] = x[at.N_LIGHT + i] / x[at.N_MASS + i]
            continue
        if e == at.E_COMPRESSOR:
            _compress(x, k, eos[i], p_i, p_j, k_gas, area[e], kg_s, d_start, d_end, work, scratch)
            h_edge[e] = eos[i, ph.H]
            air[e] = x[at.N_NCG + i] / x[at.N_MASS + i]
            light[e] = x[at.N_LIGHT + i] / x[at.N_MASS + i]
            continue
        forward = p_i >= p_j or one_way[e]
        if j == at.OUTSIDE and not forward:
            continue
        small = LINEAR_SHARE * min(p_i, p_j)
        if not one_way[e] and j != at.OUTSIDE and abs(p_i - p_j) < small:
            _slack(
                e, i, j, p_i, p_j, small, x, k, eos, area[e], k_gas, kg_s, d_start, d_end, h_edge, air, light, scratch
            )
            continue
        d = i if forward else j
        share = drawn(e, d, x, k, eos, k_gas, scratch)
        h_edge[e] = scratch[D_H]
        air[e] = scratch[D_AIR]
        light[e] = scratch[D_LIGHT]
        high, low = (p_i, p_j) if forward else (p_j, p_i)
        drop = high - low
        if drop < 0.0:
            # A check valve held shut: what it would pass per pascal, should it open within the sub-step.
            g, choked = flux(high, high - 1.0, scratch[D_V], scratch[D_OMEGA], scratch[D_PSAT], scratch[D_LIQUID] > 0.5)
            slope = share * area[e] * g
            kg_s[e] = slope * drop
            d_start[e], d_end[e] = slope, -slope
            continue
        g, choked = _passing(e, high, min(low, high - 1.0), drop, k, scratch)
        slope = share * area[e] * g / max(drop, 1.0)
        m = slope * drop
        up, down = (m / high, 0.0) if choked else (slope, slope)
        if scratch[D_LIQUID] > 0.5 and low < scratch[D_PSAT] and drop > LINEAR_SHARE * high:
            # Flashing liquid: the flow hangs on the small distance to the boiling pressure, not on the whole
            # drop. G**2 = 2 rho (p - ..) gives dG/dp = rho / G; too small a slope would oscillate.
            up = max(up, 1.5 * area[e] / (scratch[D_V] * g))
        if forward:
            kg_s[e] = m
            d_start[e], d_end[e] = up, -down
        else:
            kg_s[e] = -m
            d_start[e], d_end[e] = down, -up


@compiled
def _passing(e: int, high: float, low: float, drop: float, k: Array, out: Array) -> tuple[float, bool]:
    """Flux of what was drawn for path e, and whether it is choked; the liquid port may be a short orifice."""
    g, choked = flux(high, low, out[D_V], out[D_OMEGA], out[D_PSAT], out[D_LIQUID] > 0.5)
    if e == at.E_LIQUID and k[at.K_ORIFICE] < 1.0 and out[D_QUALITY] < 0.02:
        return _short_orifice(g, high, drop, out[D_V], out[D_QUALITY], k[at.K_ORIFICE]), False
    return g, choked


@compiled
def conductance(
    e: int, d: int, drop: float, x: Array, k: Array, eos: Array, area: float, k_gas: float, out: Array
) -> float:
    """Flow over pressure drop (kg/s/Pa) of a path that draws from volume d; `out` gets what it draws."""
    high = eos[d, ph.P]
    drop = min(max(drop, LINEAR_SHARE * high), 0.9 * high)
    share = drawn(e, d, x, k, eos, k_gas, out)
    g, _ = _passing(e, high, high - drop, drop, k, out)
    return share * area * g / drop


@compiled
def _slack(
    e: int, i: int, j: int, p_i: float, p_j: float, small: float, x: Array, k: Array, eos: Array, area: float,
    k_gas: float, kg_s: Array, d_start: Array, d_end: Array, h_edge: Array, air: Array, light: Array, scratch: Array,
) -> None:  # fmt: skip
    """Flow at next to no pressure drop: its slope goes smoothly from what one end gives to what the other gives.

    A sharp turn from liquid to vapor, where flow hardly knows its way, would make small volumes chatter.
    """
    share = drawn(e, i, x, k, eos, k_gas, scratch)
    g, _ = _passing(e, p_i, p_i - small, small, k, scratch)
    slope = share * area * g / small
    h, a, z = scratch[D_H], scratch[D_AIR], scratch[D_LIGHT]
    share = drawn(e, j, x, k, eos, k_gas, scratch)
    g, _ = _passing(e, p_j, p_j - small, small, k, scratch)
    drop = p_i - p_j
    own = 0.5 + 0.5 * drop / small
    slope = own * slope + (1.0 - own) * share * area * g / small
    kg_s[e] = slope * drop
    d_start[e], d_end[e] = slope, -slope
    if drop >= 0.0:
        h_edge[e], air[e], light[e] = h, a, z
    else:
        h_edge[e], air[e], light[e] = scratch[D_H], scratch[D_AIR], scratch[D_LIGHT]


@compiled
def _short_orifice(g: float, p: float, drop: float, v: float, quality: float, length: float) -> float:
    """Flux of liquid that has no time to boil: between Bernoulli (no length) and equilibrium (0.1 m).

    Non-equilibrium flashing flow after Fauske, *Plant/Operations Progress* 4 (1985) 132: 1/G**2 grows with length
    over the relaxation length of 0.1 m. `length` is that ratio, 0..1. Fades out over the first 2 % of vapor.
    """
    small = LINEAR_SHARE * p
    bernoulli = math.sqrt(2.0 * max(drop, small) / v) * min(drop / small, 1.0)
    if bernoulli <= g or g <= 0.0:
        return g
    ratio = min(length + (1.0 - length) * quality / 0.02, 1.0)
    return 1.0 / math.sqrt((1.0 - ratio) / (bernoulli * bernoulli) + ratio / (g * g))


@compiled
def _compress(
    x: Array, k: Array, suction: Array, p_i: float, p_j: float, k_gas: float, area: float, kg_s: Array,
    d_start: Array, d_end: Array, work: Array, scratch: Array,
) -> None:  # fmt: skip
    """Flow through the compressor, and its work: `work` = [J/kg on the gas, 1 while it turns]."""
    e = at.E_COMPRESSOR
    work[0] = 0.0
    work[1] = 0.0
    if x[at.SPEED] > 1e-3:
        n = k[at.K_POLY]
        ratio = max(p_j / p_i, 1.0)
        back = k[at.K_CLEARANCE] * ratio ** (1.0 / n)
        loss = max(1.0 - k[at.K_VALVE_LOSS] / p_i, 0.0)
        swept = k[at.K_SWEPT_M3_S] * x[at.SPEED] * k[at.K_LEAK] / suction[ph.V]
        fill = 1.0 + k[at.K_CLEARANCE] - back
        if fill > 0.0 and loss > 0.0:
            kg_s[e] = swept * fill * loss
            slope = swept * back / n * loss
            d_start[e] = (kg_s[e] * (1.0 + k[at.K_VALVE_LOSS] / (p_i * loss)) + slope) / p_i
            d_end[e] = -slope / p_j
            head = (ratio ** ((n - 1.0) / n) - 1.0) * n / (n - 1.0)
            work[0] = head * p_i * suction[ph.V] / k[at.K_EFF]
        work[1] = 1.0
    if p_i > p_j:
        # Straight through both reed valves when the suction is above the discharge.
        _draw(suction, suction[ph.X], k_gas, scratch)
        g, choked = flux(
            p_i, min(p_j, p_i - 1.0), scratch[D_V], scratch[D_OMEGA], scratch[D_PSAT], scratch[D_LIQUID] > 0.5
        )
        slope = area * g / max(p_i - p_j, 1.0)
        passive = slope * (p_i - p_j)
        if passive > kg_s[e]:
            kg_s[e] = passive
            work[0] = 0.0
            if choked:
                d_start[e], d_end[e] = passive / p_i, 0.0
            else:
                d_start[e], d_end[e] = slope, -slope
