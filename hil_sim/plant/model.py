"""The plant as Python sees it: set actuators and hands, advance time, read the truth, check the books."""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np

from hil_sim.plant import exchange, kernel, network
from hil_sim.plant import layout as at
from hil_sim.plant import phase as ph
from hil_sim.plant.exchange import ZERO_C
from hil_sim.plant.flow import KV_TO_AREA_M2, hose_area_m2
from hil_sim.plant.parameters import (
    AmbientParameters,
    ApplianceParameters,
    CylinderParameters,
    LineParameters,
    ModelParameters,
    PlantParameters,
    RigParameters,
    validate_group,
)
from hil_sim.plant.phase import REFRIGERANTS, SHIFTING, Array, load_family, load_tables, no_family

__all__ = [
    "REFRIGERANTS",
    "Actuators",
    "AmbientParameters",
    "ApplianceParameters",
    "Books",
    "CylinderParameters",
    "Hand",
    "LineParameters",
    "ModelParameters",
    "Plant",
    "PlantError",
    "PlantParameters",
    "RigParameters",
    "Truth",
]

VALVES = ("XV-101", "XV-102", "XV-201", "XV-202", "XV-203", "XV-204", "XV-301", "CV-103", "XV-104", "XV-105", "XV-106")
"""Tags that `Hand.stuck` accepts."""

AIR_LEAST_MOL = 1e-6
VESSEL_LEAST_M3 = 1e-4
"""An accumulator or receiver smaller than this is taken as none."""
_FIXED = (
    *(("appliance", name) for name in ("volume_m3", "accumulator_volume_m3", "receiver_volume_m3", "water_kg")),
    *(("rig", name) for name in (
        "two_inlets", "head_check_valve_fitted", "outlet_check_valve_fitted", "coil_fitted", "coil_tube_bore_m",
        "coil_length_m", "coil_parallel", "header_volume_m3", "plenum_volume_m3", "discharge_volume_m3",
        "condenser_volume_m3",
    )),
)  # fmt: skip
"""Group and field of what stays as it was made."""
_BY_HAND = (
    "dip_tube", "inverted", "in_bath", "bath_covers", "bath_vessel_m3", "bath_running_water_kg_s", "bath_supply_degc",
    "bath_water_kg", "bath_ice_kg",
)  # fmt: skip
"""What of the cylinder's parameters a person alters without changing the cylinder."""


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
    m_101_speed: float = 1.0
    """Speed asked of M-101, as a share of its nominal speed, 0.2..1.5; 1 on a rig without a drive."""
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
    condenser_blocked: float = 0.0
    """Share of the condenser's air flow that dirt or a cover keeps away, 0..1."""
    hose_leak_m2: float = 0.0
    """Hole in the discharge hose, 0..1e-5 m2."""
    appliance_leak_m2: float = 0.0
    """Hole in the appliance, 0..1e-5 m2; takes in air when in vacuum."""
    stuck: dict[str, float] = field(default_factory=dict)
    """Tag of a valve -> position 0..1 that it is held in, whatever its command."""


class Truth(NamedTuple):
    """Everything that can be observed, by name, in the order of the truth vector; `plant.truth` has it for readers.

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
    accumulator_pa_abs: float
    receiver_pa_abs: float
    accumulator_kg: float
    """Of `a_kg`, which is all that the appliance holds."""
    receiver_kg: float
    a_light_fraction: float
    """Share of the light component; 0 unless the composition of a blend is followed."""
    y_light_fraction: float
    cylinder_surface_k: float
    """How much warmer the surface is than the cylinder's liquid on the average; 0 without the two-zone option."""
    ice_used_kg: float
    """Ice that the heat given to the baths by coil and cylinder melts, whether there was so much or not."""
    water_burst: float
    """1 once so much of the exchanger's water was ice that it burst."""
    motor_tripped: float
    motor_stalled: float
    rig_ncg_mol: float
    on_scale: float
    """0 while the cylinder stands in a bath: what a scale then shows is not the cylinder's weight."""


class Books(NamedTuple):
    """Balance errors since the start, relative to what is on the books and to the energy exchanged."""

    mass: float
    energy: float
    air: float
    """Of air, relative to all that there is or was let in, at least a millionth of a mole."""
    light: float
    """Of the light component, relative to all refrigerant; 0 unless composition is followed."""


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
        shift = parameters.model.composition_shift
        if shift and refrigerant not in SHIFTING:
            raise ValueError(
                f"the composition of {refrigerant} is not followed: leave composition_shift off, or take one of "
                f"{', '.join(SHIFTING)}"
            )
        self._tables = load_tables(refrigerant)
        family = load_family(refrigerant) if shift else no_family()
        self._fluid = kernel.fluid(self._tables, family, shifted=shift)
        self._light = float(family.light[family.nominal]) if shift else 0.0
        self._k = np.zeros(at.PARAMETERS)
        self._x = np.zeros(at.STATES)
        self._u = np.zeros(at.INPUTS)
        self._z = np.zeros(at.TRUTHS)
        self._rows = np.zeros(at.VOLUMES, np.int64)
        self._eos = np.zeros((at.VOLUMES, ph.STATE_FIELDS))
        a, r = parameters.appliance, parameters.rig
        paths = network.net(
            coil=r.coil_fitted,
            accumulator=a.accumulator_volume_m3 >= VESSEL_LEAST_M3,
            receiver=a.receiver_volume_m3 >= VESSEL_LEAST_M3,
            head_check=r.head_check_valve_fitted,
            outlet_check=r.outlet_check_valve_fitted,
        )
        self._store = kernel.Store(self._x, self._k, self._u, self._rows, self._eos, self._z, *paths)
        self._any_stuck = True
        self._inputs: tuple[float, ...] = ()
        self._fill_parameters(step_s)
        self._fill_state()
        self._books_0 = self._on_the_books()
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
        self.check(kernel.advance(dt_s, self._store, self._fluid))

    def compiled_form(self) -> tuple[kernel.Store, kernel.Fluid]:
        """Bring inputs up to date and return the arrays that the compiled functions work on; they stay the plant's.

        Raises
        ------
        ValueError
            If a command, hand position or leak is out of range.
        """
        self._fill_inputs()
        return self._store, self._fluid

    def forget_inputs(self) -> None:
        """Fill all inputs in anew at the next call: somebody else wrote into the compiled form."""
        self._inputs, self._any_stuck = (), True

    def check(self, code: int) -> None:
        """Turn an answer of the kernel into an exception.

        Raises
        ------
        PlantError
            For any answer but `kernel.OK`.
        """
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
        removed = float(self._x[at.N_MASS + at.Y])
        with self._by_hand():
            self._fill_cylinder(cylinder)
            self._put_cylinder(cylinder, t + ZERO_C)
        return removed

    def put_into_bath(self, *, water_kg: float, ice_kg: float) -> None:
        """Stand the cylinder in a bath, or into a fresh one; its weight is then not to be had.

        Raises
        ------
        ValueError
            If water is outside 0.5..500 kg or ice outside 0..500 kg.
        """
        if not (0.5 <= water_kg <= 500.0 and 0.0 <= ice_kg <= 500.0):
            raise ValueError(f"a bath of {water_kg!r} kg water and {ice_kg!r} kg ice; give 0.5 to 500 and 0 to 500 kg")
        y = replace(self._cylinder, in_bath=True, bath_water_kg=water_kg, bath_ice_kg=ice_kg)
        with self._by_hand():
            self._fill_cylinder(y)
            self._fill_bath(y)

    def take_out_of_bath(self) -> None:
        """Take the cylinder out of its bath and put it on the scale."""
        self._fill_cylinder(replace(self._cylinder, in_bath=False))
        self._refresh()

    def change(self, parameters: PlantParameters) -> None:
        """Go on with other parameters, as if a person had altered cores, hoses, manifold, cylinder port or bath.

        What is in every volume stays there: other hoses hold the same refrigerant. Of the cylinder only its port and
        its bath are heeded; one that only now stands in a bath stands in a fresh one.

        Raises
        ------
        ValueError
            If a parameter is out of range, or differs and can't be altered while the rig is in use: volumes of
            vessels, check valves, the coil, options of the model.
        """
        parameters.validate()
        old, was = self.parameters, self._cylinder
        for group, name in _FIXED:
            if getattr(getattr(old, group), name) != getattr(getattr(parameters, group), name):
                raise ValueError(f"{group}.{name} can't be changed while the rig is in use; make a new plant")
        if parameters.model != old.model:
            raise ValueError("options of the model can't be changed while it runs; make a new plant")
        now = replace(was, **{name: getattr(parameters.cylinder, name) for name in _BY_HAND})
        with self._by_hand():
            self.parameters = replace(parameters, cylinder=now)
            try:
                self._fill_parameters(float(self._k[at.K_STEP_MAX]))
                if now.in_bath and not was.in_bath:
                    self._fill_bath(now)
            except ValueError:
                self.parameters = old
                raise

    def displaced_m3(self) -> float:
        """Water that the cylinder displaces in its bath: water capacity and steel of 7850 kg/m3, as far as it dips."""
        y = self._cylinder
        return (y.volume_m3 + y.tare_kg / 7850.0) * y.bath_covers if y.in_bath else 0.0

    def add_ice(self, ice_kg: float) -> None:
        """Add ice at 0 degC to the coil's bath and, if the cylinder stands in a bath, as much to that.

        What finds no room in the cylinder's vessel runs over as water.

        Raises
        ------
        ValueError
            If `ice_kg` is outside 0..500, or more than the cylinder's vessel takes with all its water run over.
        """
        if not 0.0 <= ice_kg <= 500.0:
            raise ValueError(f"ice_kg is {ice_kg!r}; give an amount from 0 to 500 kg")
        x = self._x
        if self._cylinder.in_bath:
            room_kg = self._bath_room_kg(self._cylinder) - exchange.ice_mass(x[at.H_BATH_2], x[at.M_BATH_2])
            if ice_kg > room_kg:
                raise ValueError(f"the vessel takes {max(room_kg, 0.0):.1f} kg of ice and no more; add less")
        with self._by_hand():
            x[at.M_BATH] += ice_kg
            x[at.H_BATH] -= ice_kg * exchange.ICE_HEAT_J_KG
            if self._cylinder.in_bath:
                t = exchange.water_temperature(x[at.H_BATH_2], x[at.M_BATH_2])
                # Floating ice displaces its own weight: so much water runs over once the vessel is full.
                over_kg = max(x[at.M_BATH_2] + ice_kg - self._bath_room_kg(self._cylinder), 0.0)
                x[at.M_BATH_2] += ice_kg - over_kg
                x[at.H_BATH_2] -= ice_kg * exchange.ICE_HEAT_J_KG
                x[at.H_BATH_2] -= over_kg * exchange.WATER_CP_J_KG_K * max(t - ZERO_C, 0.0)

    def reset_pressure_switch(self) -> None:
        """Press the reset of PSH-201; it stays open if the pressure is still above its setting."""
        self._x[at.SWITCH] = 1.0 if self._eos[at.PD, ph.P] > self._k[at.K_SWITCH] else 0.0
        self._refresh()

    # ------------------------------------------------------------------ books

    def books(self) -> Books:
        """Relative errors of the balances since the start; round-off if all is well."""
        now, start = self._on_the_books(), self._books_0
        scale = max(float(self._x[at.ENERGY_MOVED]), 1e5)
        air = start.air + max(float(self._x[at.NCG_IN]), 0.0)
        return Books(
            abs(now.mass - start.mass) / start.mass,
            abs(now.energy - start.energy) / scale,
            abs(now.air - start.air) / max(air, AIR_LEAST_MOL),
            abs(now.light - start.light) / start.mass,
        )

    def _on_the_books(self) -> Books:
        """What is there, plus what left, minus what came in: does not change while time is advanced."""
        x = self._x

        def total(first: int, *more: float) -> float:
            return math.fsum([*x[first : first + at.VOLUMES].tolist(), *more])

        return Books(
            total(at.N_MASS, float(x[at.OIL_KG]), float(x[at.VENTED_KG])),
            self._energy() - float(x[at.ENERGY_IN]),
            total(at.N_NCG, -float(x[at.NCG_IN])),
            total(at.N_LIGHT, float(x[at.OIL_LIGHT]), float(x[at.LIGHT_OUT])),
        )

    def _energy(self) -> float:
        x, k = self._x, self._k
        terms = x[at.N_ENERGY : at.N_ENERGY + at.VOLUMES].tolist()
        terms.append(x[at.OIL_KG] * k[at.K_H_OIL])
        terms += [x[t] * k[at.K_CAPACITY + w] for w, t in enumerate(kernel.T_OF_WALL)]
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
        if r.coil_fitted:
            self._fill_coil(r)
        k[at.K_VOLUME + at.H] = hoses[2]
        for vessel, volume_m3 in ((at.SA, a.accumulator_volume_m3), (at.LR, a.receiver_volume_m3)):
            k[at.K_VOLUME + vessel] = volume_m3 if volume_m3 >= VESSEL_LEAST_M3 else 0.0
        k[at.K_VESSEL] = area(a.vessel_kv_m3_h)
        k[at.K_VESSEL_IN], k[at.K_VESSEL_AIR] = a.vessel_inner_ua_w_k, a.vessel_air_ua_w_k
        k[at.K_ORIFICE] = a.port_orifice_length_m / 0.1
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
        k[at.K_PUSH_PULL] = area(r.push_pull_kv_m3_h) if r.push_pull_fitted else 0.0
        for index, fitted in (
            (at.K_TWO_INLETS, r.two_inlets),
            (at.K_CV_FITTED, r.cv_103_fitted),
            (at.K_201_FITTED, r.xv_201_fitted),
            (at.K_202_FITTED, r.xv_202_fitted),
            (at.K_203_FITTED, r.xv_203_fitted),
            (at.K_204_FITTED, r.xv_204_fitted),
        ):
            k[index] = float(fitted)
        k[at.K_STROKE], k[at.K_STROKE_CV] = r.valve_stroke_s, r.throttle_stroke_s
        k[at.K_SWEPT_M3_S] = r.swept_volume_m3 * r.speed_rpm / 60.0
        k[at.K_CLEARANCE], k[at.K_LEAK] = r.clearance, r.leak_factor
        k[at.K_VALVE_LOSS], k[at.K_POLY] = r.valve_loss_pa, r.polytropic_exponent
        k[at.K_EFF], k[at.K_FRICTION], k[at.K_MOTOR] = r.compression_efficiency, r.friction_w, r.motor_efficiency
        k[at.K_STRAIGHT] = area(r.compressor_kv_m3_h)
        k[at.K_SHELL_UA] = r.shell_ua_w_k
        for wall, capacity_j_k in (
            (at.W_METAL, a.metal_heat_capacity_j_k),
            (at.W_SHELL, a.shell_heat_capacity_j_k),
            (at.W_MOTOR, r.shell_heat_capacity_j_k),
            (at.W_CONDENSER, r.condenser_heat_capacity_j_k),
            (at.W_SA, a.vessel_heat_capacity_j_k),
            (at.W_LR, a.vessel_heat_capacity_j_k),
        ):
            k[at.K_CAPACITY + wall] = capacity_j_k
        k[at.K_DISCHARGE_UA] = r.discharge_ua_w_k
        k[at.K_SLUG_LIMIT], k[at.K_DOSE_LIMIT] = r.slugging_liquid_fraction, r.slugging_dose_limit_s
        k[at.K_CON_ON], k[at.K_CON_OFF] = r.condenser_ua_fan_on_w_k, r.condenser_ua_fan_off_w_k
        k[at.K_CON_IN] = r.condenser_inner_ua_w_k
        k[at.K_BATH_UA] = r.bath_air_ua_w_k
        k[at.K_BATH_FLOW], k[at.K_BATH_T] = r.bath_running_water_kg_s, r.bath_supply_degc + ZERO_C
        k[at.K_START], k[at.K_RATED] = r.start_pressure_difference_pa, r.motor_rated_w
        k[at.K_OVERLOAD_TAU] = r.overload_time_s
        sun = p.ambient.sun_w_m2
        k[at.K_SUN_METAL], k[at.K_SUN_CONDENSER] = sun * a.sunlit_area_m2, sun * r.condenser_sunlit_area_m2
        k[at.K_SWITCH], k[at.K_CRACK] = r.pressure_switch_pa_abs, r.relief_cracking_pa
        k[at.K_T_AMB] = p.ambient.temperature_degc + ZERO_C
        k[at.K_P_AMB] = p.ambient.pressure_pa_abs
        k[at.K_BLANKET], k[at.K_BLANKET_LIMIT] = a.blanket_w, a.blanket_limit_degc + ZERO_C
        k[at.K_BURST] = a.water_burst_ice_fraction
        k[at.K_A_OFF], k[at.K_A_ON] = a.air_ua_fan_off_w_k, a.air_ua_fan_on_w_k
        k[at.K_A_WET], k[at.K_A_DRY] = a.refrigerant_ua_wet_w_k, a.refrigerant_ua_dry_w_k
        k[at.K_A_SHELL_AIR], k[at.K_A_SHELL_REF] = a.shell_air_ua_w_k, a.shell_refrigerant_ua_w_k
        k[at.K_OIL] = a.oil_kg
        k[at.K_TAU_COLD], k[at.K_TAU_WARM] = a.desorption_time_cold_s, a.desorption_time_warm_s
        k[at.K_TAU_FOAM] = a.desorption_time_foaming_s if p.model.foaming else 1e9
        k[at.K_TAU_IN] = a.absorption_time_s
        k[at.K_HEATER] = a.heater_w
        k[at.K_POCKET], k[at.K_TRANSITION] = a.liquid_pocket_kg, a.liquid_transition_kg
        water = a.water_kg if a.water_kg >= 0.1 else 0.0
        k[at.K_WATER], k[at.K_WATER_FLOW] = water, a.water_flow_kg_s
        k[at.K_WATER_ON], k[at.K_WATER_OFF] = a.water_ua_flowing_w_k, a.water_ua_still_w_k
        k[at.K_WATER_T] = a.water_supply_degc + ZERO_C
        k[at.K_HOSE_UA] = lines.hose_ua_w_k
        k[at.K_STEP_MAX] = step_s
        # Second-order error per step: a tolerance that shrinks with the step's square halves it too.
        k[at.K_TOLERANCE] = 0.003 * (step_s / 0.05) ** 2
        m = p.model
        k[at.K_TWO_ZONE], k[at.K_SHIFT] = float(m.two_zone_cylinder), float(m.composition_shift)
        k[at.K_LAYER_KG], k[at.K_LAYER_UA], k[at.K_LAYER_WALL] = m.layer_kg, m.layer_ua_w_k, m.layer_wall_share
        k[at.K_MIX_ABOVE], k[at.K_MIX_BELOW] = m.stirring_from_above, m.stirring_from_below
        scratch = np.zeros(ph.STATE_FIELDS)
        ph.dew_or_bubble(298.15, ph.T_F, self._tables.sat, self._tables.scalars, scratch)
        k[at.K_H_OIL] = scratch[ph.HF]
        self._fill_cylinder(p.cylinder)

    def _fill_coil(self, r: RigParameters) -> None:
        """Volume, flow area and conductance of the coil from its tube; what its inside resists is in the figure."""
        if r.coil_parallel != round(r.coil_parallel):
            raise ValueError(f"rig.coil_parallel is {r.coil_parallel:g}; give 1, 2 or 3 coils")
        if r.coil_tube_bore_m >= r.coil_tube_diameter_m:
            raise ValueError("rig.coil_tube_bore_m must be smaller than rig.coil_tube_diameter_m")
        k, n = self._k, r.coil_parallel
        k[at.K_VOLUME + at.X] = n * 0.25 * math.pi * r.coil_tube_bore_m**2 * r.coil_length_m
        k[at.K_COIL] = n * hose_area_m2(r.coil_tube_bore_m, r.coil_length_m)
        outer_m2 = n * math.pi * r.coil_tube_diameter_m * r.coil_length_m
        outer_m2 *= r.coil_touching_share if r.coil_turns_touching else 1.0
        k[at.K_COIL_ON], k[at.K_COIL_OFF] = r.coil_stirred_w_m2_k * outer_m2, r.coil_still_w_m2_k * outer_m2

    def _fill_cylinder(self, y: CylinderParameters) -> None:
        k = self._k
        self._cylinder = y
        k[at.K_VOLUME + at.Y] = y.volume_m3
        k[at.K_PORT_Y] = (y.dip_tube_kv_m3_h if y.dip_tube else y.port_kv_m3_h) * KV_TO_AREA_M2
        # Upside down, the port without dip tube is under the liquid, and one with a dip tube ends in the vapor.
        k[at.K_DIPS] = k[at.K_FROM_BELOW] = float(y.dip_tube != y.inverted)
        k[at.K_CAPACITY + at.W_CYLINDER], k[at.K_Y_IN] = y.wall_heat_capacity_j_k, y.inner_ua_w_k
        k[at.K_Y_AIR] = y.air_ua_w_k * (1.0 - y.bath_covers) if y.in_bath else y.air_ua_w_k
        k[at.K_Y_BATH], k[at.K_Y_IN_BATH] = y.bath_ua_w_k * y.bath_covers, float(y.in_bath)
        k[at.K_BATH_2_FLOW], k[at.K_BATH_2_T] = y.bath_running_water_kg_s, y.bath_supply_degc + ZERO_C
        k[at.K_SUN_CYLINDER] = 0.0 if y.in_bath else self.parameters.ambient.sun_w_m2 * y.sunlit_area_m2
        k[at.K_RELIEF], k[at.K_RELIEF_AREA], k[at.K_TARE] = y.relief_pa_abs, y.relief_area_m2, y.tare_kg

    def _evaluate(self, mass: float, energy: float, volume: float, out: Array) -> None:
        f = self._fluid
        if self._light > 0.0:
            ph.evaluate_shifted(
                mass, mass * self._light, energy, volume, 200, f.light, f.family_sat, f.family_gas_a, f.family_gas_b,
                f.vapor_light, f.scalars, out, np.zeros(ph.STATE_FIELDS),
            )  # fmt: skip
        else:
            ph.evaluate(mass, energy, volume, 500, f.sat, f.gas_a, f.gas_b, f.scalars, out)

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
                f"{temperature_k - ZERO_C:g} degC; give a smaller mass or a larger volume"
            )
        return 0.5 * (low + high)

    def _fill_volume(self, i: int, mass_kg: float, temperature_k: float, what: str) -> None:
        """Put a mass of the refrigerant's own composition into a volume at a temperature."""
        volume = float(self._k[at.K_VOLUME + i])
        self._x[at.N_MASS + i] = mass_kg
        self._x[at.N_LIGHT + i] = mass_kg * self._light
        self._x[at.N_ENERGY + i] = self._energy_at(mass_kg, volume, temperature_k, what)

    def _fill_state(self) -> None:
        p, k, x = self.parameters, self._k, self._x
        t_amb = float(k[at.K_T_AMB])
        a = p.appliance
        w = a.oil_initial_mass_fraction
        x[at.OIL_KG] = min(a.oil_kg * w / (1.0 - w), 0.5 * a.charge_kg)
        x[at.OIL_LIGHT] = x[at.OIL_KG] * self._light
        free = a.charge_kg - float(x[at.OIL_KG])
        scratch = np.zeros(ph.STATE_FIELDS)
        p_sat = ph.dew_or_bubble(t_amb, ph.T_G, self._tables.sat, self._tables.scalars, scratch)
        for i, volume, liquid_kg, what in (
            (at.SA, a.accumulator_volume_m3, a.accumulator_liquid_kg, "accumulator"),
            (at.LR, a.receiver_volume_m3, a.receiver_liquid_kg, "receiver"),
        ):
            if volume >= VESSEL_LEAST_M3:
                vapor_kg = max(volume - liquid_kg * scratch[ph.VF], 0.0) / scratch[ph.VG]
                # No more than half of the charge waits there.
                mass = min(liquid_kg + vapor_kg, 0.5 * free)
                free -= mass
                self._fill_volume(i, mass, t_amb, what)
        self._fill_volume(at.A, free, t_amb, "appliance")
        low = min(p.rig.initial_pressure_pa_abs, 0.8 * p_sat)
        density = low * self._tables.scalars[4] / (kernel.GAS_CONSTANT * t_amb)
        for i in (at.M, at.S, at.PD, at.C, at.X, at.H):
            if k[at.K_VOLUME + i] > 0.0:
                self._fill_volume(i, density * float(k[at.K_VOLUME + i]), t_amb, "rig")
        x[kernel.T_OF_WALL] = t_amb
        x[at.H_WATER] = k[at.K_WATER] * exchange.WATER_CP_J_KG_K * (k[at.K_WATER_T] - ZERO_C)
        self._check_ncg(a.ncg_mol, a.volume_m3, "appliance")
        x[at.N_NCG + at.A] = a.ncg_mol
        x[at.M_BATH] = p.rig.bath_water_kg + p.rig.bath_ice_kg
        x[at.H_BATH] = self._bath_heat(p.rig.bath_water_kg, p.rig.bath_ice_kg)
        x[at.STEP] = 1e-3
        self._put_cylinder(p.cylinder, t_amb)

    def _bath_heat(self, water_kg: float, ice_kg: float) -> float:
        """Heat content of a bath above liquid at 0 degC; at 0 degC if it holds ice, else at room temperature."""
        if ice_kg > 0.0:
            return -ice_kg * exchange.ICE_HEAT_J_KG
        return water_kg * exchange.WATER_CP_J_KG_K * max(self.parameters.ambient.temperature_degc, 0.0)

    def _check_ncg(self, moles: float, volume_m3: float, what: str) -> None:
        pressure = moles * kernel.GAS_CONSTANT * 300.0 / volume_m3
        if pressure > 20e5:
            raise ValueError(f"{moles:g} mol of air in the {what} is {pressure / 1e5:.0f} bar when empty; give less")

    def _put_cylinder(self, y: CylinderParameters, temperature_k: float) -> None:
        x = self._x
        self._check_ncg(y.ncg_mol, y.volume_m3, "cylinder")
        self._fill_volume(at.Y, y.residual_kg, temperature_k, "cylinder")
        x[at.T_WALL] = temperature_k
        x[at.N_NCG + at.Y] = y.ncg_mol
        x[at.RELIEF] = x[at.THETA] = 0.0
        self._fill_bath(y)

    def _bath_room_kg(self, y: CylinderParameters) -> float:
        """Water and ice that the cylinder's vessel takes, kg; without limit if it has none."""
        return (y.bath_vessel_m3 - self.displaced_m3()) * 1e3 if y.bath_vessel_m3 > 0.0 else math.inf

    @contextmanager
    def _by_hand(self) -> Iterator[None]:
        """Take what a person changes into the books; leave all as it was if it is refused."""
        before = self._on_the_books()
        x, k, cylinder = self._x.copy(), self._k.copy(), self._cylinder
        try:
            yield
        except ValueError:
            self._x[:], self._k[:], self._cylinder = x, k, cylinder
            raise
        now = self._on_the_books()
        self._books_0 = Books(*(s + n - b for s, n, b in zip(self._books_0, now, before, strict=True)))
        self._refresh()

    def _fill_bath(self, y: CylinderParameters) -> None:
        """Bucket or bath of the cylinder; what the cylinder displaces beyond the rim has run over."""
        water_kg = y.bath_water_kg
        if y.bath_vessel_m3 > 0.0:
            room_kg = self._bath_room_kg(y) - y.bath_ice_kg
            if room_kg < 0.5:
                raise ValueError(
                    f"cylinder.bath_vessel_m3 is {y.bath_vessel_m3 * 1e3:g} L: cylinder and ice leave no room for "
                    "water; give a larger vessel or less ice"
                )
            water_kg = min(water_kg, room_kg)
        self._x[at.M_BATH_2] = water_kg + y.bath_ice_kg
        self._x[at.H_BATH_2] = self._bath_heat(water_kg, y.bath_ice_kg)

    def _fill_inputs(self) -> None:
        act, hand, u = self.act, self.hand, self._u
        cv = act.cv_103
        inputs = (
            act.xv_101, act.xv_102, act.xv_201, act.xv_202, act.xv_203, act.xv_204, act.xv_301, cv,
            act.xv_104, act.xv_105, act.xv_106,
            act.m_101, act.m_201, act.m_202, act.m_001, act.eh_001,
            hand.cylinder_valve, hand.liquid_port, hand.vapor_port, hand.hose_on_vapor,
            hand.hose_leak_m2, hand.appliance_leak_m2, hand.water_flow, act.m_101_speed, hand.condenser_blocked,
        )  # fmt: skip
        if inputs == self._inputs and not (hand.stuck or self._any_stuck):
            return  # as checked and filled in before: most calls change nothing
        if not 0.0 <= cv <= 1.0:
            raise ValueError(f"cv_103 is {cv!r}; give a position from 0 to 1")
        if not 0.2 <= act.m_101_speed <= 1.5:
            raise ValueError(f"m_101_speed is {act.m_101_speed!r}; give a share of nominal speed from 0.2 to 1.5")
        for value in (
            hand.cylinder_valve, hand.liquid_port, hand.vapor_port, hand.water_flow, hand.condenser_blocked,
        ):  # fmt: skip
            if not 0.0 <= value <= 1.0:
                raise ValueError(f"a hand position is {value!r}; give a position from 0 to 1")
        if not (0.0 <= hand.hose_leak_m2 <= 1e-5 and 0.0 <= hand.appliance_leak_m2 <= 1e-5):
            raise ValueError("a leak area is out of range; give an area from 0 to 1e-5 m2")
        u[: at.U_BLOCKED + 1] = inputs
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
        kernel.evaluate_all(self._store, self._fluid, np.zeros(at.VOLUMES), np.zeros(ph.STATE_FIELDS))
        kernel.fill_truth(self._store, np.zeros(at.EDGES), 0.0)
