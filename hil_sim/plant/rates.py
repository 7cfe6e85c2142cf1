"""The plant's equations as one explicit right-hand side, for an integrator that knows nothing of our stepper.

Flows, heat and all the rest come from the same functions that the stepper uses; what differs is how time is
advanced. Discrete things (PSH-201, relief of the cylinder, thermal trip, burst) stay as they are.
"""

from __future__ import annotations

import numpy as np

from hil_sim.plant import exchange as ex
from hil_sim.plant import kernel
from hil_sim.plant import layout as at
from hil_sim.plant import network as nw
from hil_sim.plant import phase as ph
from hil_sim.plant.exchange import water_temperature
from hil_sim.plant.kernel import Fluid, Store
from hil_sim.plant.phase import Array, compiled, liquid_fill

_DISCRETE = (
    at.SWITCH, at.RELIEF, at.TRIPPED, at.BURST, at.STEP, at.M_BATH, at.M_BATH_2, at.ENERGY_MOVED, at.MASS_MOVED,
)  # fmt: skip


def unknowns(k: Array) -> Array:
    """Places of the state that change with time in a plant with these parameters."""
    places = []
    for place in range(at.STATES):
        if place < 4 * at.VOLUMES:
            quantity, volume = divmod(place, at.VOLUMES)
            if k[at.K_VOLUME + volume] <= 0.0 or (quantity == 3 and k[at.K_SHIFT] < 0.5):
                continue
        elif place in _DISCRETE:
            continue
        places.append(place)
    return np.array(places, np.int64)


@compiled
def rates(s: Store, f: Fluid, dx: Array) -> bool:
    """Write dx/dt of the state `s.x` into `dx`; false where a state is not finite."""
    x, k, u, eos = s.x, s.k, s.u, s.eos
    dx[:] = 0.0
    air_slope, other = np.zeros(at.VOLUMES), np.zeros(ph.STATE_FIELDS)
    if not kernel.evaluate_all(s, f, air_slope, other):
        return False
    area = np.zeros(at.EDGES)
    kg_s, d_start, d_end = np.zeros(at.EDGES), np.zeros(at.EDGES), np.zeros(at.EDGES)
    h_edge, air, light = np.zeros(at.EDGES), np.zeros(at.EDGES), np.zeros(at.EDGES)
    work, scratch = np.zeros(2), np.zeros(nw.DRAWN)
    nw.openings(x, k, u, area)
    nw.flows(
        x,
        k,
        eos,
        area,
        s.start,
        s.end,
        s.one_way,
        f.scalars[3],
        kg_s,
        d_start,
        d_end,
        h_edge,
        air,
        light,
        work,
        scratch,
    )
    ncg, lgt = at.N_NCG, at.N_LIGHT
    energy = 0.0
    for e in range(at.EDGES):
        i, j = s.start[e], s.end[e]
        if (e == at.E_COMPRESSOR or j == at.OUTSIDE or s.one_way[e]) and kg_s[e] < 0.0:
            kg_s[e] = 0.0
        m = kg_s[e]
        if m == 0.0:
            continue
        dx[i] -= m
        dx[at.N_ENERGY + i] -= m * h_edge[e]
        dx[ncg + i] -= m * air[e]
        dx[lgt + i] -= m * light[e]
        if j == at.OUTSIDE:
            dx[at.VENTED_KG] += m
            dx[at.NCG_IN] -= m * air[e]
            dx[at.LIGHT_OUT] += m * light[e]
            energy -= m * h_edge[e]
        else:
            dx[j] += m
            dx[at.N_ENERGY + j] += m * (h_edge[e] + (work[0] if e == at.E_COMPRESSOR else 0.0))
            dx[ncg + j] += m * air[e]
            dx[lgt + j] += m * light[e]

    # Oil and air.
    state_a = eos[at.A]
    desorbed = ex.desorption(x, k, state_a, f.oil)
    two = state_a[ph.PHASE] == ph.TWO_PHASE
    h_oil_gas = state_a[ph.HG] if two else state_a[ph.H]
    dx[at.A] += desorbed
    dx[at.N_ENERGY + at.A] += desorbed * h_oil_gas
    dx[at.OIL_KG] = -desorbed
    if k[at.K_SHIFT] > 0.5:
        share = state_a[ph.Z_G] if two else x[lgt + at.A] / x[at.A]
        if desorbed > 0.0:
            share = x[at.OIL_LIGHT] / x[at.OIL_KG]
        dx[lgt + at.A] += desorbed * share
        dx[at.OIL_LIGHT] = -desorbed * share
    ingress = kernel.air_ingress(k, state_a[ph.P], area[at.E_LEAK_A])
    dx[ncg + at.A] += ingress
    dx[at.NCG_IN] += ingress

    # Heat from the walls, and what the walls meet outside.
    ua_wall, t_wall, c_wall = np.zeros(at.VOLUMES), np.zeros(at.VOLUMES), np.zeros(at.VOLUMES)
    ua_metal, ua_shell = ex.inner(x, k, u, eos, ua_wall, t_wall, c_wall)
    q_metal = ua_metal * (x[at.T_METAL] - state_a[ph.T])
    q_shell = ua_shell * (x[at.T_SHELL] - state_a[ph.T])
    dx[at.N_ENERGY + at.A] += q_metal + q_shell
    heat = np.zeros(at.VOLUMES)
    for i in range(at.VOLUMES):
        if i != at.A and k[at.K_VOLUME + i] > 0.0:
            heat[i] = ua_wall[i] * (t_wall[i] - eos[i, ph.T])
            dx[at.N_ENERGY + i] += heat[i]
    ua_out, t_out, heat_w = np.zeros(at.WALLS), np.zeros(at.WALLS), np.zeros(at.WALLS)
    ua_water, ua_bath = ex.outer(x, k, u, 0.0, ua_out, t_out, heat_w)
    lost = np.zeros(at.WALLS)
    lost[at.W_METAL] = q_metal
    lost[at.W_SHELL] = q_shell + desorbed * (h_oil_gas - k[at.K_H_OIL])
    lost[at.W_MOTOR], lost[at.W_CONDENSER], lost[at.W_CYLINDER] = heat[at.PD], heat[at.C], heat[at.Y]
    lost[at.W_SA], lost[at.W_LR] = heat[at.SA], heat[at.LR]
    stuck = kernel.stalled(x, k, u, eos)
    shaft = kg_s[at.E_COMPRESSOR] * work[0]
    electric = kernel.electric_power(x, k, u, shaft, work[1] > 0.0, stuck)
    heat_w[at.W_MOTOR] += electric - shaft
    energy += shaft
    for w in range(at.WALLS):
        place = kernel.T_OF_WALL[w]
        outside = ua_out[w] * (t_out[w] - x[place]) + heat_w[w]
        dx[place] = (outside - lost[w]) / k[at.K_CAPACITY + w]
        energy += outside
    t_amb = k[at.K_T_AMB]
    if k[at.K_WATER] > 0.0:
        t_water = water_temperature(x[at.H_WATER], k[at.K_WATER])
        dx[at.H_WATER] = -ua_water * (t_water - x[at.T_METAL])
        if ex.water_moves(x, k, u):
            dx[at.H_WATER] += ex.supply(k, u) * ex.WATER_CP_J_KG_K * (k[at.K_WATER_T] - t_water)
        energy += dx[at.H_WATER]
    energy += heat[at.M] + heat[at.S] + heat[at.H]
    t_bath = water_temperature(x[at.H_BATH], x[at.M_BATH])
    brought = k[at.K_BATH_UA] * (t_amb - t_bath)
    brought += k[at.K_BATH_FLOW] * ex.WATER_CP_J_KG_K * (k[at.K_BATH_T] - t_bath)
    dx[at.H_BATH] = brought - heat[at.X]
    dx[at.BATH_HEAT] = -heat[at.X]
    energy += brought
    if k[at.K_Y_IN_BATH] > 0.5:
        t_bath = water_temperature(x[at.H_BATH_2], x[at.M_BATH_2])
        brought = k[at.K_BATH_UA] * (t_amb - t_bath)
        brought += k[at.K_BATH_2_FLOW] * ex.WATER_CP_J_KG_K * (k[at.K_BATH_2_T] - t_bath)
        given = ua_bath * (x[at.T_WALL] - t_bath)
        dx[at.H_BATH_2] = brought + given
        dx[at.BATH_HEAT] += given
        energy += brought + given
    dx[at.ENERGY_IN] = energy

    if k[at.K_TWO_ZONE] > 0.5:
        top = np.zeros(4)
        stream_kg_s, stream_w, quality = kernel.into_cylinder(eos[at.Y], kg_s, h_edge)
        ex.layer(x, k, eos[at.Y], stream_kg_s, stream_w, quality, top)
        theta = x[at.THETA]
        dx[at.THETA] = top[0] - theta * (top[1] if theta >= 0.0 else top[2])

    # Motor, valves and counters.
    load = electric / k[at.K_RATED]
    dx[at.OVERLOAD] = (load * load - x[at.OVERLOAD]) / k[at.K_OVERLOAD_TAU]
    dx[at.ENERGY_ELECTRIC] = electric
    run = u[at.U_M101] > 0.5 and x[at.SWITCH] < 0.5 and x[at.TRIPPED] < 0.5 and not stuck
    speed = u[at.U_SPEED] if run else 0.0
    # A ramp that ends smoothly: within a thousandth of its goal the distance decides.
    dx[at.SPEED] = _towards(speed - x[at.SPEED], 1.0 / 0.5, 1.0 / 0.1)
    for n in range(at.VALVE_COUNT):
        target = u[at.U_STUCK_101 + n] if u[at.U_STUCK_101 + n] >= 0.0 else u[at.U_101 + n]
        rate = 1.0 / (k[at.K_STROKE_CV] if n == 7 else k[at.K_STROKE])
        dx[at.V_101 + n] = _towards(target - x[at.V_101 + n], rate, rate)
    wetness = liquid_fill(eos[at.S]) / k[at.K_SLUG_LIMIT] * x[at.SPEED]
    dx[at.SLUG] = (wetness - x[at.SLUG]) / 0.5
    dx[at.DOSE] = x[at.SLUG] if x[at.SLUG] > 1.0 else 0.0
    dx[at.TIME] = 1.0
    return True


@compiled
def _towards(distance: float, up: float, down: float) -> float:
    rate = up if distance > 0.0 else down
    return float(rate * min(max(distance / 1e-3, -1.0), 1.0))
