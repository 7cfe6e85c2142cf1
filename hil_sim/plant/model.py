"""The plant as Python sees it: set actuators and hands, advance time, read the truth, check the books."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

from hil_sim.plant import kernel
from hil_sim.plant import layout as at
from hil_sim.plant import phase as ph
from hil_sim.plant.flow import KV_TO_AREA_M2, hose_area_m2
from hil_sim.plant.parameters import (
    AmbientParameters,
    ApplianceParameters,
    CylinderParameters,
    LineParameters,
    PlantParameters,
    RigParameters,
    validate_group,
)
from hil_sim.plant.phase import REFRIGERANTS, Array, load_tables

__all__ = [
    "REFRIGERANTS",
    "Actuators",
    "AmbientParameters",
    "ApplianceParameters",
    "Books",
    "CylinderParameters",
    "Hand",
    "LineParameters",
    "Plant",
    "PlantError",
    "PlantParameters",
    "RigParameters",
    "Truth",
]

VALVES = ("XV-101", "XV-102", "XV-201", "XV-202", "XV-203", "XV-204", "XV-301", "CV-103", "XV-104", "XV-105", "XV-106")
"""Tags that `Hand.stuck` accepts."""


class PlantError(RuntimeError):
    """The plant could not be advanced: a state is not finite or the step became too small."""


@dataclass(slots=True)
class Actuators:
    """Commands to the plant, as they arrive at the coils and drives. All off and shut by default."""

    xv_101: bool = False
    xv_102: bool = False
    xv_201: bool = False
    xv_202: bool = False
    xv_203: bool = False
    xv_204: bool = False
    xv_301: bool = False
    cv_103: float = 0.0
    """Throttle position asked for, 0..1."""
    xv_104: bool = False
    """Push-pull valves XV-104, XV-105, XV-106 do nothing unless fitted."""
    xv_105: bool = False
    xv_106: bool = False
    m_101: bool = False
    m_201: bool = False
    m_202: bool = False
    m_001: bool = False
    eh_001: bool = False


@dataclass(slots=True)
class Hand:
    """What a person, an accident or a wear-out does to the plant."""

    cylinder_valve: float = 1.0
    """Cylinder hand valve, 0 shut .. 1 open."""
    liquid_port: float = 1.0
    """Appliance liquid-port hand valve, 0..1."""
    vapor_port: float = 1.0
    """Appliance vapor-port hand valve, 0..1."""
    hose_on_vapor: bool = False
    """Rig with one inlet: the hose hangs on the vapor port (else on the liquid port)."""
    water_flow: float = 1.0
    """Water that the pump M-001 moves, as a share of its normal flow, 0..1."""
    hose_leak_m2: float = 0.0
    """Hole in the discharge hose, 0..1e-5 m2."""
    appliance_leak_m2: float = 0.0
    """Hole in the appliance, 0..1e-5 m2; takes in air when in vacuum."""
    stuck: dict[str, float] = field(default_factory=dict)
    """Tag of a valve -> position 0..1 that it is held in, whatever its command."""


class Truth(NamedTuple):
    """Everything that can be observed, by name, in the order of the truth vector.

    Pressures are absolute pascals, `_degc` degrees Celsius, masses kilograms; `fill_*` is the share of a
    section's volume that liquid takes, 0..1 (1 = full of liquid). `d` is the condenser, `x` the coil,
    `p` the compressor's discharge, `m` the header, `s` the plenum, `h` the discharge hose.
    """

    time_s: float
    a_pa_abs: float
    m_pa_abs: float
    s_pa_abs: float
    p_pa_abs: float
    d_pa_abs: float
    x_pa_abs: float
    h_pa_abs: float
    y_pa_abs: float
    a_degc: float
    m_degc: float
    s_degc: float
    p_degc: float
    d_degc: float
    x_degc: float
    h_degc: float
    y_degc: float
    metal_degc: float
    oil_degc: float
    motor_degc: float
    condenser_metal_degc: float
    cylinder_wall_degc: float
    bath_degc: float
    cylinder_bath_degc: float
    water_degc: float
    a_kg: float
    m_kg: float
    s_kg: float
    p_kg: float
    d_kg: float
    x_kg: float
    h_kg: float
    y_kg: float
    oil_kg: float
    fill_a: float
    fill_m: float
    fill_s: float
    fill_p: float
    fill_d: float
    fill_x: float
    fill_h: float
    fill_y: float
    gross_kg: float
    suction_kg_s: float
    liquid_port_kg_s: float
    vapor_port_kg_s: float
    cylinder_kg_s: float
    liquid_port_quality: float
    power_w: float
    electric_energy_j: float
    slugging_index: float
    slugging_dose_s: float
    damaged: float
    ice_kg: float
    cylinder_ice_kg: float
    water_ice_fraction: float
    water_flow_proved: float
    xv_101: float
    xv_102: float
    xv_201: float
    xv_202: float
    xv_203: float
    xv_204: float
    xv_301: float
    cv_103: float
    xv_104: float
    xv_105: float
    xv_106: float
    motor_running: float
    motor_speed: float
    pressure_switch_open: float
    relief_open: float
    vented_kg: float
    a_ncg_mol: float
    y_ncg_mol: float
    steps: float
    rejected_steps: float


class Books(NamedTuple):
    """Balance errors since the start, relative to the refrigerant on the books and to the energy exchanged."""

    mass: float
    energy: float


class Plant:
    """One rig, the appliance it empties and the cylinder it fills.

    Parameters
    ----------
    refrigerant
        One of `REFRIGERANTS`, for example ``R-410A``.
    parameters
        All parameters; checked here.
    step_s
        Longest sub-step, 0.0005..0.1 s. The error tolerance of the adaptive step scales with its square.

    Raises
    ------
    ValueError
        For an unknown refrigerant, a parameter out of range, or a charge that does not fit its vessel.
    """

    def __init__(self, refrigerant: str, parameters: PlantParameters, *, step_s: float = 0.05) -> None:
        parameters.validate()
        if not 5e-4 <= step_s <= 0.1:
            raise ValueError(f"step_s is {step_s!r}; give a step from 0.0005 to 0.1 s")
        self.refrigerant = refrigerant
        self.parameters = parameters
        self.act = Actuators()
        self.hand = Hand()
        self._tables = load_tables(refrigerant)
        self._k = np.zeros(at.PARAMETERS)
        self._x = np.zeros(at.STATES)
        self._u = np.zeros(at.INPUTS)
        self._z = np.zeros(at.TRUTHS)
        self._rows = np.zeros(at.VOLUMES, np.int64)
        self._eos = np.zeros((at.VOLUMES, ph.STATE_FIELDS))
        self._any_stuck = True
        self._inputs: tuple[float, ...] = ()
        self._fill_parameters(step_s)
        self._fill_state()
        self._mass_0 = self._mass()
        self._energy_0 = self._energy()
        self._refresh()

    # ------------------------------------------------------------------ running

    def advance(self, dt_s: float) -> None:
        """Advance by `dt_s` seconds (0 < dt_s <= 3600) with the present actuators and hands.

        Raises
        ------
        ValueError
            If `dt_s` or a command, hand position or leak is out of range.
        PlantError
            If a state stops being finite or the step collapses.
        """
        if not 0.0 < dt_s <= 3600.0:
            raise ValueError(f"dt_s is {dt_s!r}; give a time from just above 0 to 3600 s")
        self._fill_inputs()
        t = self._tables
        code = kernel.advance(
            dt_s, self._x, self._k, self._u, self._rows, self._eos, t.sat, t.gas_a, t.gas_b, t.scalars, t.oil, self._z
        )
        if code != kernel.OK:
            what = "a state is no longer finite" if code == kernel.NOT_FINITE else "the step became too small"
            raise PlantError(
                f"the plant stopped at {self._x[at.TIME]:.3f} s because {what}; check the parameters and leaks"
            )

    def truth(self) -> Array:
        """Return the truth vector, indexed by `layout.Z_*`. It is overwritten by the next `advance`."""
        return self._z

    def named_truth(self) -> Truth:
        """Return the truth by name, as a copy."""
        return Truth._make(self._z.tolist())

    # ------------------------------------------------------------------ a person's doings

    def swap_cylinder(self, cylinder: CylinderParameters, temperature_degc: float | None = None) -> float:
        """Put another cylinder on; return the refrigerant (kg) that left with the old one.

        Parameters
        ----------
        cylinder
            The new cylinder.
        temperature_degc
            Its temperature, -20..60 degC; room temperature if None.
        """
        validate_group(cylinder, "cylinder")
        t = self.parameters.ambient.temperature_degc if temperature_degc is None else temperature_degc
        if not -20.0 <= t <= 60.0:
            raise ValueError(f"temperature_degc is {t!r}; give a temperature from -20 to 60 degC")
        mass_before, energy_before = self._mass(), self._energy()
        removed = float(self._x[at.N_MASS + at.Y])
        self._fill_cylinder(cylinder)
        self._put_cylinder(cylinder, t + kernel.ZERO_C)
        self._mass_0 += self._mass() - mass_before
        self._energy_0 += self._energy() - energy_before
        self._refresh()
        return removed

    def add_ice(self, ice_kg: float) -> None:
        """Add ice at 0 degC to the coil's bath and, if the cylinder stands in a bath, as much to that.

        Raises
        ------
        ValueError
            If `ice_kg` is outside 0..500.
        """
        if not 0.0 <= ice_kg <= 500.0:
            raise ValueError(f"ice_kg is {ice_kg!r}; give an amount from 0 to 500 kg")
        before = self._energy()
        self._x[at.M_BATH] += ice_kg
        self._x[at.H_BATH] -= ice_kg * kernel.ICE_HEAT_J_KG
        if self._k[at.K_Y_IN_BATH] > 0.5:
            self._x[at.M_BATH_2] += ice_kg
            self._x[at.H_BATH_2] -= ice_kg * kernel.ICE_HEAT_J_KG
        self._energy_0 += self._energy() - before
        self._refresh()

    def reset_pressure_switch(self) -> None:
        """Press the reset of PSH-201; it stays open if the pressure is still above its setting."""
        self._x[at.SWITCH] = 1.0 if self._eos[at.PD, ph.P] > self._k[at.K_SWITCH] else 0.0
        self._refresh()

    # ------------------------------------------------------------------ books

    def books(self) -> Books:
        """Relative errors of the mass and energy balances since the start; round-off if all is well."""
        mass_error = self._mass() + self._x[at.VENTED_KG] - self._mass_0
        energy_error = self._energy() - self._x[at.ENERGY_IN] - self._energy_0
        scale = max(float(self._x[at.ENERGY_MOVED]), 1e5)
        return Books(float(abs(mass_error) / self._mass_0), float(abs(energy_error) / scale))

    def _mass(self) -> float:
        masses = self._x[at.N_MASS : at.N_MASS + at.VOLUMES]
        return math.fsum([*masses.tolist(), float(self._x[at.OIL_KG])])

    def _energy(self) -> float:
        x, k = self._x, self._k
        terms = x[at.N_ENERGY : at.N_ENERGY + at.VOLUMES].tolist()
        terms.append(x[at.OIL_KG] * k[at.K_H_OIL])
        for t, c in (
            (at.T_METAL, at.K_A_C),
            (at.T_SHELL, at.K_A_SHELL_C),
            (at.T_MOTOR, at.K_SHELL_C),
            (at.T_CONDENSER, at.K_CON_C),
            (at.T_WALL, at.K_Y_C),
        ):
            terms.append(x[t] * k[c])
        terms += [x[at.H_WATER], x[at.H_BATH], x[at.H_BATH_2]]
        return math.fsum(float(term) for term in terms)

    # ------------------------------------------------------------------ set-up

    def _fill_parameters(self, step_s: float) -> None:
        p, k = self.parameters, self._k
        a, lines, r = p.appliance, p.lines, p.rig

        def area(kv: float) -> float:
            return kv * KV_TO_AREA_M2

        hoses = [
            0.25 * math.pi * bore**2 * length
            for bore, length in (
                (lines.liquid_hose_bore_m, lines.liquid_hose_length_m),
                (lines.vapor_hose_bore_m, lines.vapor_hose_length_m),
                (lines.discharge_hose_bore_m, lines.discharge_hose_length_m),
            )
        ]
        suction = hoses[0] + (hoses[1] if r.two_inlets else 0.0)
        k[at.K_VOLUME + at.A] = a.volume_m3
        k[at.K_VOLUME + at.M] = r.header_volume_m3 + suction
        k[at.K_VOLUME + at.S] = r.plenum_volume_m3
        k[at.K_VOLUME + at.PD] = r.discharge_volume_m3
        k[at.K_VOLUME + at.C] = r.condenser_volume_m3
        k[at.K_VOLUME + at.X] = r.coil_volume_m3
        k[at.K_VOLUME + at.H] = hoses[2]
        k[at.K_LIQUID_C] = hose_area_m2(lines.liquid_hose_bore_m, lines.liquid_hose_length_m)
        k[at.K_VAPOR_C] = hose_area_m2(lines.vapor_hose_bore_m, lines.vapor_hose_length_m)
        k[at.K_HOSE_D] = hose_area_m2(lines.discharge_hose_bore_m, lines.discharge_hose_length_m)
        k[at.K_LIQUID_PORT] = area(a.core_kv_m3_h if a.liquid_core_fitted else a.port_kv_m3_h)
        k[at.K_VAPOR_PORT] = area(a.core_kv_m3_h if a.vapor_core_fitted else a.port_kv_m3_h)
        k[at.K_INLET] = area(r.inlet_valve_kv_m3_h)
        k[at.K_MANIFOLD] = area(r.manifold_kv_m3_h)
        k[at.K_THROTTLE] = area(r.cv_103_kv_m3_h)
        k[at.K_FIXED] = area(r.fixed_restriction_kv_m3_h)
        k[at.K_COOLER] = area(r.cooler_valve_kv_m3_h)
        k[at.K_CLEAR] = area(r.clear_out_kv_m3_h)
        k[at.K_COIL] = area(r.coil_kv_m3_h)
        k[at.K_PUSH_PULL] = area(r.push_pull_kv_m3_h) if r.push_pull_fitted else 0.0
        for index, fitted in (
            (at.K_TWO_INLETS, r.two_inlets),
            (at.K_CV_FITTED, r.cv_103_fitted),
            (at.K_201_FITTED, r.xv_201_fitted),
            (at.K_202_FITTED, r.xv_202_fitted),
            (at.K_203_FITTED, r.xv_203_fitted),
            (at.K_204_FITTED, r.xv_204_fitted),
            (at.K_COIL_FITTED, r.coil_fitted),
        ):
            k[index] = float(fitted)
        k[at.K_STROKE], k[at.K_STROKE_CV] = r.valve_stroke_s, r.throttle_stroke_s
        k[at.K_SWEPT_M3_S] = r.swept_volume_m3 * r.speed_rpm / 60.0
        k[at.K_CLEARANCE], k[at.K_LEAK] = r.clearance, r.leak_factor
        k[at.K_VALVE_LOSS], k[at.K_POLY] = r.valve_loss_pa, r.polytropic_exponent
        k[at.K_EFF], k[at.K_FRICTION], k[at.K_MOTOR] = r.compression_efficiency, r.friction_w, r.motor_efficiency
        k[at.K_STRAIGHT] = area(r.compressor_kv_m3_h)
        k[at.K_SHELL_C], k[at.K_SHELL_UA] = r.shell_heat_capacity_j_k, r.shell_ua_w_k
        k[at.K_DISCHARGE_UA] = r.discharge_ua_w_k
        k[at.K_SLUG_LIMIT], k[at.K_DOSE_LIMIT] = r.slugging_liquid_fraction, r.slugging_dose_limit_s
        k[at.K_CON_ON], k[at.K_CON_OFF] = r.condenser_ua_fan_on_w_k, r.condenser_ua_fan_off_w_k
        k[at.K_CON_IN], k[at.K_CON_C] = r.condenser_inner_ua_w_k, r.condenser_heat_capacity_j_k
        k[at.K_COIL_ON], k[at.K_COIL_OFF] = r.coil_ua_stirred_w_k, r.coil_ua_still_w_k
        k[at.K_BATH_UA] = r.bath_air_ua_w_k
        k[at.K_SWITCH], k[at.K_CRACK] = r.pressure_switch_pa_abs, r.relief_cracking_pa
        k[at.K_T_AMB] = p.ambient.temperature_degc + kernel.ZERO_C
        k[at.K_P_AMB] = p.ambient.pressure_pa_abs
        k[at.K_A_C], k[at.K_A_SHELL_C] = a.metal_heat_capacity_j_k, a.shell_heat_capacity_j_k
        k[at.K_A_OFF], k[at.K_A_ON] = a.air_ua_fan_off_w_k, a.air_ua_fan_on_w_k
        k[at.K_A_WET], k[at.K_A_DRY] = a.refrigerant_ua_wet_w_k, a.refrigerant_ua_dry_w_k
        k[at.K_A_SHELL_AIR], k[at.K_A_SHELL_REF] = a.shell_air_ua_w_k, a.shell_refrigerant_ua_w_k
        k[at.K_OIL] = a.oil_kg
        k[at.K_TAU_COLD], k[at.K_TAU_WARM] = a.desorption_time_cold_s, a.desorption_time_warm_s
        k[at.K_TAU_FOAM], k[at.K_TAU_IN] = a.desorption_time_foaming_s, a.absorption_time_s
        k[at.K_HEATER] = a.heater_w
        k[at.K_POCKET], k[at.K_TRANSITION] = a.liquid_pocket_kg, a.liquid_transition_kg
        water = a.water_kg if a.water_kg >= 0.1 else 0.0
        k[at.K_WATER], k[at.K_WATER_FLOW] = water, a.water_flow_kg_s
        k[at.K_WATER_ON], k[at.K_WATER_OFF] = a.water_ua_flowing_w_k, a.water_ua_still_w_k
        k[at.K_WATER_T] = a.water_supply_degc + kernel.ZERO_C
        k[at.K_HOSE_UA] = lines.hose_ua_w_k
        k[at.K_STEP_MAX] = step_s
        # Second-order error per step: a tolerance that shrinks with the step's square halves it too.
        k[at.K_TOLERANCE] = 0.003 * (step_s / 0.05) ** 2
        scratch = np.zeros(ph.STATE_FIELDS)
        ph.dew_or_bubble(298.15, ph.T_F, self._tables.sat, self._tables.scalars, scratch)
        k[at.K_H_OIL] = scratch[ph.HF]
        self._fill_cylinder(p.cylinder)

    def _fill_cylinder(self, y: CylinderParameters) -> None:
        k = self._k
        k[at.K_VOLUME + at.Y] = y.volume_m3
        k[at.K_PORT_Y] = (y.dip_tube_kv_m3_h if y.dip_tube else y.port_kv_m3_h) * KV_TO_AREA_M2
        k[at.K_DIP] = float(y.dip_tube)
        k[at.K_Y_C], k[at.K_Y_IN], k[at.K_Y_AIR] = y.wall_heat_capacity_j_k, y.inner_ua_w_k, y.air_ua_w_k
        k[at.K_Y_BATH], k[at.K_Y_IN_BATH] = y.bath_ua_w_k, float(y.in_bath)
        k[at.K_RELIEF], k[at.K_RELIEF_AREA], k[at.K_TARE] = y.relief_pa_abs, y.relief_area_m2, y.tare_kg

    def _evaluate(self, mass: float, energy: float, volume: float, out: Array) -> None:
        t = self._tables
        ph.evaluate(mass, energy, volume, 500, t.sat, t.gas_a, t.gas_b, t.scalars, out)

    def _energy_at(self, mass: float, volume: float, temperature_k: float, what: str) -> float:
        """Energy (J) of a mass in a volume at a temperature, by bisection."""
        out = np.zeros(ph.STATE_FIELDS)
        low, high = -2e5 * mass, 1.2e6 * mass
        for _ in range(80):
            mid = 0.5 * (low + high)
            self._evaluate(mass, mid, volume, out)
            if out[ph.T] < temperature_k:
                low = mid
            else:
                high = mid
        self._evaluate(mass, high, volume, out)
        if not out[ph.P] < 60e5:
            raise ValueError(
                f"{mass:g} kg of {self.refrigerant} does not fit the {what} of {volume * 1e3:g} L at "
                f"{temperature_k - kernel.ZERO_C:g} degC; give a smaller mass or a larger volume"
            )
        return 0.5 * (low + high)

    def _fill_state(self) -> None:
        p, k, x = self.parameters, self._k, self._x
        t_amb = float(k[at.K_T_AMB])
        a = p.appliance
        w = a.oil_initial_mass_fraction
        x[at.OIL_KG] = min(a.oil_kg * w / (1.0 - w), 0.5 * a.charge_kg)
        free = a.charge_kg - float(x[at.OIL_KG])
        x[at.N_MASS + at.A] = free
        x[at.N_ENERGY + at.A] = self._energy_at(free, a.volume_m3, t_amb, "appliance")
        scratch = np.zeros(ph.STATE_FIELDS)
        p_sat = ph.dew_or_bubble(t_amb, ph.T_G, self._tables.sat, self._tables.scalars, scratch)
        low = min(p.rig.initial_pressure_pa_abs, 0.8 * p_sat)
        density = low * self._tables.scalars[4] / (kernel.GAS_CONSTANT * t_amb)
        for i in (at.M, at.S, at.PD, at.C, at.X, at.H):
            volume = float(k[at.K_VOLUME + i])
            x[at.N_MASS + i] = density * volume
            x[at.N_ENERGY + i] = self._energy_at(density * volume, volume, t_amb, "rig")
        if not p.rig.coil_fitted:
            x[at.N_MASS + at.X] = 0.0
            x[at.N_ENERGY + at.X] = 0.0
        for t in (at.T_METAL, at.T_SHELL, at.T_MOTOR, at.T_CONDENSER):
            x[t] = t_amb
        x[at.H_WATER] = k[at.K_WATER] * kernel.WATER_CP_J_KG_K * (k[at.K_WATER_T] - kernel.ZERO_C)
        self._check_ncg(a.ncg_mol, a.volume_m3, "appliance")
        x[at.NCG_A] = a.ncg_mol
        x[at.M_BATH] = p.rig.bath_water_kg + p.rig.bath_ice_kg
        x[at.H_BATH] = self._bath_heat(p.rig.bath_water_kg, p.rig.bath_ice_kg)
        x[at.STEP] = 1e-3
        self._put_cylinder(p.cylinder, t_amb)

    def _bath_heat(self, water_kg: float, ice_kg: float) -> float:
        """Heat content of a bath above liquid at 0 degC; at 0 degC if it holds ice, else at room temperature."""
        if ice_kg > 0.0:
            return -ice_kg * kernel.ICE_HEAT_J_KG
        return water_kg * kernel.WATER_CP_J_KG_K * max(self.parameters.ambient.temperature_degc, 0.0)

    def _check_ncg(self, moles: float, volume_m3: float, what: str) -> None:
        pressure = moles * kernel.GAS_CONSTANT * 300.0 / volume_m3
        if pressure > 20e5:
            raise ValueError(f"{moles:g} mol of air in the {what} is {pressure / 1e5:.0f} bar when empty; give less")

    def _put_cylinder(self, y: CylinderParameters, temperature_k: float) -> None:
        x = self._x
        self._check_ncg(y.ncg_mol, y.volume_m3, "cylinder")
        x[at.N_MASS + at.Y] = y.residual_kg
        x[at.N_ENERGY + at.Y] = self._energy_at(y.residual_kg, y.volume_m3, temperature_k, "cylinder")
        x[at.T_WALL] = temperature_k
        x[at.NCG_Y] = y.ncg_mol
        x[at.RELIEF] = 0.0
        x[at.M_BATH_2] = y.bath_water_kg + y.bath_ice_kg
        x[at.H_BATH_2] = self._bath_heat(y.bath_water_kg, y.bath_ice_kg)

    def _fill_inputs(self) -> None:
        act, hand, u = self.act, self.hand, self._u
        cv = act.cv_103
        inputs = (
            act.xv_101, act.xv_102, act.xv_201, act.xv_202, act.xv_203, act.xv_204, act.xv_301, cv,
            act.xv_104, act.xv_105, act.xv_106,
            act.m_101, act.m_201, act.m_202, act.m_001, act.eh_001,
            hand.cylinder_valve, hand.liquid_port, hand.vapor_port, hand.hose_on_vapor,
            hand.hose_leak_m2, hand.appliance_leak_m2, hand.water_flow,
        )  # fmt: skip
        if inputs == self._inputs and not (hand.stuck or self._any_stuck):
            return  # as checked and filled in before: most calls change nothing
        if not 0.0 <= cv <= 1.0:
            raise ValueError(f"cv_103 is {cv!r}; give a position from 0 to 1")
        for value in (hand.cylinder_valve, hand.liquid_port, hand.vapor_port, hand.water_flow):
            if not 0.0 <= value <= 1.0:
                raise ValueError(f"a hand position is {value!r}; give a position from 0 to 1")
        if not (0.0 <= hand.hose_leak_m2 <= 1e-5 and 0.0 <= hand.appliance_leak_m2 <= 1e-5):
            raise ValueError("a leak area is out of range; give an area from 0 to 1e-5 m2")
        u[: at.U_LEAK_A + 1] = inputs[:-1]
        u[at.U_WATER_FLOW] = hand.water_flow
        self._inputs = inputs
        if hand.stuck or self._any_stuck:
            u[at.U_STUCK_101 : at.U_STUCK_106 + 1] = -1.0
            for tag, position in hand.stuck.items():
                if tag not in VALVES or not 0.0 <= position <= 1.0:
                    raise ValueError(f"stuck valve {tag!r} at {position!r}; use a tag of {VALVES} and 0 to 1")
                u[at.U_STUCK_101 + VALVES.index(tag)] = position
            self._any_stuck = bool(hand.stuck)

    def _refresh(self) -> None:
        """Bring the truth up to date after a change by hand, without advancing time."""
        self._fill_inputs()
        t = self._tables
        kernel.evaluate_all(self._x, self._k, self._rows, self._eos, t.sat, t.gas_a, t.gas_b, t.scalars)
        kernel.fill_truth(self._x, self._k, self._u, self._eos, np.zeros(at.EDGES), 0.0, self._z)
