"""Heat and what dissolves: walls, baths, water, oil, and the warm surface layer in the cylinder."""

from __future__ import annotations

import math

from hil_sim.plant import layout as at
from hil_sim.plant import phase as ph
from hil_sim.plant.phase import Array, compiled, liquid_fill

ICE_HEAT_J_KG = 334e3
WATER_CP_J_KG_K = 4186.0
ZERO_C = 273.15


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
def desorption(x: Array, k: Array, state: Array, oil: Array) -> float:
    """Refrigerant that the oil gives to the appliance's gas, kg/s; negative while it takes up.

    By diffusion, faster when warm and, as an option, while it foams; uptake by still oil is slow.
    """
    if k[at.K_OIL] <= 0.0:
        return 0.0
    w_eq = oil_mass_fraction(state[ph.P_REF], x[at.T_SHELL], oil)
    m_eq = k[at.K_OIL] * w_eq / (1.0 - w_eq)
    if x[at.OIL_KG] <= m_eq:
        return float((x[at.OIL_KG] - m_eq) / k[at.K_TAU_IN])
    w = x[at.OIL_KG] / (x[at.OIL_KG] + k[at.K_OIL])
    warm = min(max((x[at.T_SHELL] - 298.15) / 35.0, 0.0), 1.0)
    tau = k[at.K_TAU_COLD] + (k[at.K_TAU_WARM] - k[at.K_TAU_COLD]) * warm
    foam = min(max((w - w_eq) / 0.05, 0.0), 1.0)
    tau += (min(k[at.K_TAU_FOAM], tau) - tau) * foam
    return float((x[at.OIL_KG] - m_eq) / tau)


@compiled
def wet_share(state: Array) -> float:
    """How far the appliance's exchangers are wetted, 0..1: dry out over the last 2 % of liquid by volume."""
    if state[ph.PHASE] == ph.TWO_PHASE:
        return min(liquid_fill(state) / 0.02, 1.0)
    return 1.0 if state[ph.PHASE] == ph.LIQUID else 0.0


@compiled
def inner(
    x: Array, k: Array, u: Array, eos: Array, ua_wall: Array, t_wall: Array, c_wall: Array
) -> tuple[float, float]:
    """Conductance to, temperature and capacity of the wall that each volume meets; returns those of A's two walls."""
    t_amb = k[at.K_T_AMB]
    for i in range(at.VOLUMES):
        t_wall[i] = t_amb
        ua_wall[i] = 0.5 * k[at.K_HOSE_UA]
        c_wall[i] = 1e12
    c = at.K_CAPACITY
    t_wall[at.PD], ua_wall[at.PD], c_wall[at.PD] = x[at.T_MOTOR], k[at.K_DISCHARGE_UA], k[c + at.W_MOTOR]
    t_wall[at.C], ua_wall[at.C], c_wall[at.C] = x[at.T_CONDENSER], k[at.K_CON_IN], k[c + at.W_CONDENSER]
    t_wall[at.Y], ua_wall[at.Y], c_wall[at.Y] = x[at.T_WALL], k[at.K_Y_IN], k[c + at.W_CYLINDER]
    t_wall[at.SA], ua_wall[at.SA], c_wall[at.SA] = x[at.T_SA], k[at.K_VESSEL_IN], k[c + at.W_SA]
    t_wall[at.LR], ua_wall[at.LR], c_wall[at.LR] = x[at.T_LR], k[at.K_VESSEL_IN], k[c + at.W_LR]
    t_wall[at.X] = water_temperature(x[at.H_BATH], x[at.M_BATH])
    ua_wall[at.X] = k[at.K_COIL_ON] if u[at.U_M202] > 0.5 else k[at.K_COIL_OFF]
    c_wall[at.X] = x[at.M_BATH] * WATER_CP_J_KG_K
    dry, wet = k[at.K_A_DRY], k[at.K_A_WET]
    metal = wet if wet < dry else dry + (wet - dry) * wet_share(eos[at.A])
    return metal, k[at.K_A_SHELL_REF]


@compiled
def water_moves(x: Array, k: Array, u: Array) -> bool:
    """Whether water flows through the appliance's exchanger: pumped, and not blocked by ice."""
    blocked = ice_mass(x[at.H_WATER], k[at.K_WATER]) > 0.5 * k[at.K_WATER]
    return bool(u[at.U_M001] > 0.5 and u[at.U_WATER_FLOW] > 0.0 and not blocked)


@compiled
def outer(x: Array, k: Array, u: Array, h: float, ua_out: Array, t_out: Array, heat_w: Array) -> tuple[float, float]:
    """What each wall meets outside: conductance, temperature, heat put in (W).

    Returns the part of the conductance that goes to the exchanger's water and to the cylinder's bath; these are
    reduced for a sub-step of `h` seconds, over which water and bath change their temperature too (0 for none).
    """
    t_amb = k[at.K_T_AMB]
    for w in range(at.WALLS):
        t_out[w] = t_amb
        heat_w[w] = 0.0
    heating = u[at.U_EH001] > 0.5
    ua_water = 0.0
    ua_air = k[at.K_A_ON] if u[at.U_M001] > 0.5 and k[at.K_WATER] <= 0.0 else k[at.K_A_OFF]
    ua_out[at.W_METAL] = ua_air
    if k[at.K_WATER] > 0.0:
        ua_water = k[at.K_WATER_ON] if water_moves(x, k, u) else k[at.K_WATER_OFF]
        ua_water /= 1.0 + h * ua_water / (k[at.K_WATER] * WATER_CP_J_KG_K)
        t_water = water_temperature(x[at.H_WATER], k[at.K_WATER])
        both = ua_air + ua_water
        ua_out[at.W_METAL] = both
        if both > 0.0:
            t_out[at.W_METAL] = (ua_air * t_amb + ua_water * t_water) / both
    heat_w[at.W_METAL] = k[at.K_SUN_METAL]
    if heating:
        # The blanket has a thermostat of its own, 2 K wide.
        heat_w[at.W_METAL] += k[at.K_BLANKET] * min(max(0.5 * (k[at.K_BLANKET_LIMIT] - x[at.T_METAL]), 0.0), 1.0)
    ua_out[at.W_SHELL] = k[at.K_A_SHELL_AIR]
    if heating:
        heat_w[at.W_SHELL] = k[at.K_HEATER]
    ua_out[at.W_MOTOR] = k[at.K_SHELL_UA]
    on, off = k[at.K_CON_ON], k[at.K_CON_OFF]
    free = 1.0 - u[at.U_BLOCKED]
    ua_out[at.W_CONDENSER] = off + max(on - off, 0.0) * free if u[at.U_M201] > 0.5 else off * (0.5 + 0.5 * free)
    heat_w[at.W_CONDENSER] = k[at.K_SUN_CONDENSER]
    ua_bath = 0.0
    ua_out[at.W_CYLINDER] = k[at.K_Y_AIR]
    if k[at.K_Y_IN_BATH] > 0.5:
        ua_bath = k[at.K_Y_BATH]
        both = k[at.K_Y_AIR] + ua_bath
        ua_out[at.W_CYLINDER] = both
        t_bath = water_temperature(x[at.H_BATH_2], x[at.M_BATH_2])
        if both > 0.0:
            t_out[at.W_CYLINDER] = (k[at.K_Y_AIR] * t_amb + ua_bath * t_bath) / both
    heat_w[at.W_CYLINDER] = k[at.K_SUN_CYLINDER]
    ua_out[at.W_SA] = k[at.K_VESSEL_AIR]
    ua_out[at.W_LR] = k[at.K_VESSEL_AIR]
    return ua_water, ua_bath


@compiled
def stream(h: float, flow_kg_s: float, t_in: float, t_node: float, mass: float, heat: float) -> float:
    """Heat (J) that water running through a node of water brings in `h` seconds; mixed node, implicit.

    `heat` is what else the node takes in over that time, J: the stream meets the temperature that it leads to.
    """
    if flow_kg_s <= 0.0:
        return 0.0
    c_flow, c_node = h * flow_kg_s * WATER_CP_J_KG_K, mass * WATER_CP_J_KG_K
    return c_flow * (t_in - t_node - heat / c_node) / (1.0 + c_flow / c_node)


@compiled
def supply(k: Array, u: Array) -> float:
    """Water that the pump sends through the exchanger, kg/s."""
    return float(k[at.K_WATER_FLOW] * u[at.U_WATER_FLOW])


@compiled
def layer(x: Array, k: Array, state: Array, in_kg_s: float, in_w: float, quality: float, out: Array) -> None:
    """Two-zone cylinder: how the surface layer's excess over the bulk liquid changes.

    What comes in from above warms the surface layer, with which the vapor is in equilibrium; what comes in from
    below goes into the bulk and stirs. Fills `out` = [source K/s, decay 1/s, decay 1/s while upside down, share of
    the liquid that the layer is].

    Parameters
    ----------
    in_kg_s, in_w, quality
        Stream into the cylinder, its heat above saturated liquid of the cylinder, and its vapor share.
    """
    liquid_kg = x[at.N_MASS + at.Y] * (1.0 - state[ph.X])
    out[0], out[1], out[2], out[3] = 0.0, 1.0, 1.0, 0.0
    if state[ph.PHASE] != ph.TWO_PHASE or liquid_kg < 1e-3:
        return
    layer_kg = min(k[at.K_LAYER_KG], 0.5 * liquid_kg)
    c_top, c_bulk = layer_kg * state[ph.CF], (liquid_kg - layer_kg) * state[ph.CF]
    share = layer_kg / liquid_kg
    below = k[at.K_FROM_BELOW] > 0.5
    to_top = 0.0 if below else in_w
    stirring = k[at.K_MIX_BELOW] if below else k[at.K_MIX_ABOVE] * (1.0 - quality)
    mixing = k[at.K_LAYER_UA] + stirring * in_kg_s * state[ph.CF]
    ua_top = k[at.K_Y_IN] * k[at.K_LAYER_WALL]
    ua_bulk = k[at.K_Y_IN] - ua_top
    over = state[ph.T] - x[at.T_WALL]
    out[0] = (to_top - ua_top * over) / c_top - (in_w - to_top - ua_bulk * over) / c_bulk
    walls = ua_top * (1.0 - share) / c_top + ua_bulk * share / c_bulk
    out[1] = mixing * (1.0 / c_top + 1.0 / c_bulk) + walls
    # Colder liquid on top sinks at once.
    out[2] = 50.0 * mixing * (1.0 / c_top + 1.0 / c_bulk) + walls
    out[3] = share


@compiled
def surface_excess(x: Array, k: Array, state: Array) -> float:
    """How much warmer the surface is than the mean of the cylinder's liquid, K; 0 without the two-zone option."""
    if k[at.K_TWO_ZONE] < 0.5 or state[ph.PHASE] != ph.TWO_PHASE:
        return 0.0
    liquid_kg = x[at.N_MASS + at.Y] * (1.0 - state[ph.X])
    if liquid_kg < 1e-3:
        return 0.0
    share = min(k[at.K_LAYER_KG], 0.5 * liquid_kg) / liquid_kg
    # Fades out where liquid fills the cylinder and no surface is left.
    room = min((1.0 - liquid_fill(state)) / 0.05, 1.0) * min(liquid_kg / 0.05, 1.0)
    return float(x[at.THETA] * (1.0 - share) * room)
