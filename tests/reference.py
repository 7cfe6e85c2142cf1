"""The plant's equations under an independent integrator, and the random set-ups on which both are compared."""

import math
from dataclasses import dataclass, replace

import numpy as np
from numba import njit
from scipy.integrate import solve_ivp

from hil_sim.plant import kernel, rates
from hil_sim.plant import layout as at
from hil_sim.plant import phase as ph
from hil_sim.plant.batch import Stage, Until, run_stage
from hil_sim.plant.model import Actuators, Plant
from hil_sim.plant.parameters import (
    AmbientParameters,
    ApplianceParameters,
    CylinderParameters,
    LineParameters,
    ModelParameters,
    PlantParameters,
    RigParameters,
)

# What each kind of quantity may be wrong by: kg, J, mol, kg of the light component; everything else 1e-6.
ABSOLUTE = (1e-9, 1e-3, 1e-10, 1e-9)


@njit(cache=True, error_model="numpy")
def _jacobian(s, f, places, steps, full, y, base, dx, out):
    for c in range(len(places)):
        s.x[:] = full
        s.x[places] = y
        s.x[places[c]] += steps[c]
        rates.rates(s, f, dx)
        for r in range(len(places)):
            out[r, c] = (dx[places[r]] - base[r]) / steps[c]


HEAT = (at.H_WATER, at.H_BATH, at.H_BATH_2, at.ENERGY_IN, at.ENERGY_ELECTRIC, at.BATH_HEAT)


def tolerances(places, rtol):
    """Absolute tolerance of each unknown that goes with a relative one."""
    absolute = np.full(at.STATES, 1e-6)
    for kind, tolerance in enumerate(ABSOLUTE):
        absolute[kind * at.VOLUMES : (kind + 1) * at.VOLUMES] = tolerance
    absolute[list(HEAT)] = 1e-1
    return absolute[places] * rtol / 1e-7


def show(store, fluid, places, y):
    """Put unknowns into a plant and bring its truth up to date."""
    store.x[places] = y
    kernel.evaluate_all(store, fluid, np.zeros(at.VOLUMES), np.zeros(ph.STATE_FIELDS))
    kernel.fill_truth(store, np.zeros(at.EDGES), 0.0)


class Reference:
    """A plant advanced by scipy: implicit, of high order, at tight tolerance, without anything of our stepper."""

    def __init__(self, plant, *, rtol=1e-7, method="BDF"):
        self.plant = plant
        self.rtol, self.method = rtol, method
        self.calls = self.steps = 0
        self._s, self._f = plant.compiled_form()
        self._places = rates.unknowns(self._s.k)
        self._absolute = tolerances(self._places, rtol)

    def _show(self, y):
        show(self._s, self._f, self._places, y)

    def stage(self, stage):
        """Advance to the end of a stage; returns the time and the place of the condition that ended it."""
        plant, s, f, places = self.plant, self._s, self._f, self._places
        plant.act, plant.hand = stage.act, stage.hand
        plant.compiled_form()
        full = s.x.copy()
        dx, base = np.zeros(at.STATES), np.zeros(len(places))

        def right_hand_side(_t, y):
            self.calls += 1
            s.x[:] = full
            s.x[places] = y
            if not rates.rates(s, f, dx):
                return np.full(len(y), np.nan)
            return dx[places]

        def jacobian(t, y):
            base[:] = right_hand_side(t, y)
            out = np.zeros((len(places), len(places)))
            steps = 1e-7 * np.abs(y) + 1e-2 * self._absolute
            _jacobian(s, f, places, steps, full, y, base, dx, out)
            return out

        events = []
        for until in stage.until:

            def event(_t, y, until=until):
                self._show(y)
                return s.z[until.what] - until.level

            event.terminal, event.direction = True, 1.0 if until.above else -1.0
            events.append(event)
        start = float(full[at.TIME])
        # Integrators step over what happens within their first long step: valves and motor move for half a second.
        answer = solve_ivp(
            right_hand_side, (start, start + stage.at_most_s), full[places], method=self.method, rtol=self.rtol,
            atol=self._absolute, jac=jacobian, events=events, first_step=1e-4,
        )  # fmt: skip
        self.steps += len(answer.t)
        if answer.status < 0:
            raise RuntimeError(f"the reference stopped at {answer.t[-1]:.2f} s: {answer.message}")
        s.x[:] = full
        self._show(answer.y[:, -1])
        ended = [n for n, times in enumerate(answer.t_events) if len(times)] if events else []
        return float(answer.t[-1]), ended[0] if ended else -1


@dataclass(frozen=True)
class Setup:
    """One random plant and the stages it is taken through."""

    refrigerant: str
    parameters: PlantParameters
    stages: tuple[Stage, ...]
    about: str


REFRIGERANTS = ("R-410A", "R-32", "R-134a", "R-22", "R-407C", "R-454B", "R-290", "R-404A", "R-513A", "R-1234yf")


def setup(seed):
    """Random set-up: parameters over plausible ranges, options on and off, liquid first or not, and a wait at the end.

    Charges keep to what the vessels hold; the pressure switch and the reliefs, which act at an instant and for good,
    are set so high that they stay shut.
    """
    draw = np.random.default_rng(seed)

    def between(low, high):
        return float(np.exp(draw.uniform(math.log(low), math.log(high))))

    def flag(chance=0.5):
        return bool(draw.random() < chance)

    refrigerant = REFRIGERANTS[seed % len(REFRIGERANTS)]
    volume = between(3e-3, 20e-3)
    coil, bucket, vessels = flag(), flag(0.3), flag(0.3)
    shift = refrigerant in ph.SHIFTING and flag(0.7)
    air_mol = between(0.01, 0.1) if flag(0.3) else 0.0
    parameters = PlantParameters(
        appliance=ApplianceParameters(
            volume_m3=volume,
            charge_kg=volume * draw.uniform(120.0, 330.0),
            ncg_mol=air_mol,
            oil_kg=between(0.2, 1.5),
            oil_initial_mass_fraction=draw.uniform(0.05, 0.3),
            metal_heat_capacity_j_k=between(4e3, 15e3),
            air_ua_fan_off_w_k=between(6.0, 25.0),
            refrigerant_ua_wet_w_k=between(60.0, 600.0),
            liquid_pocket_kg=0.03 * volume * 1e3,
            liquid_transition_kg=between(0.05, 0.2),
            liquid_core_fitted=flag(),
            vapor_core_fitted=flag(),
            core_kv_m3_h=between(0.05, 0.3),
            port_orifice_length_m=between(7e-3, 0.1),
            accumulator_volume_m3=0.1 * volume if vessels else 0.0,
            accumulator_liquid_kg=0.02 * volume * 1e3,
            receiver_volume_m3=0.2 * volume if vessels else 0.0,
            receiver_liquid_kg=0.05 * volume * 1e3,
            water_kg=10.0 if flag(0.2) else 0.0,
            blanket_w=100.0 if flag(0.3) else 0.0,
        ),
        lines=LineParameters(
            liquid_hose_bore_m=draw.uniform(4.5e-3, 8e-3), vapor_hose_bore_m=draw.uniform(4.5e-3, 8e-3),
            liquid_hose_length_m=draw.uniform(0.9, 2.0), vapor_hose_length_m=draw.uniform(0.9, 2.0),
        ),
        rig=RigParameters(
            coil_fitted=coil,
            coil_parallel=float(draw.integers(1, 4)),
            manifold_kv_m3_h=between(0.15, 0.8),
            swept_volume_m3=between(12e-6, 25e-6),
            clearance=between(0.015, 0.04),
            condenser_ua_fan_on_w_k=between(25.0, 60.0),
            outlet_check_valve_fitted=flag(),
            pressure_switch_pa_abs=80e5,
            motor_rated_w=1e4,
            bath_ice_kg=5.0,
        ),
        cylinder=CylinderParameters(
            residual_kg=between(0.3, 4.0), dip_tube=flag(), inverted=flag(0.3), in_bath=bucket, relief_pa_abs=80e5
        ),
        ambient=AmbientParameters(temperature_degc=draw.uniform(5.0, 38.0), sun_w_m2=600.0 if flag(0.3) else 0.0),
        model=ModelParameters(two_zone_cylinder=flag(), composition_shift=shift, foaming=flag()),
    )  # fmt: skip
    fan, heater = flag(), flag()
    liquid = Actuators(
        xv_101=True, xv_102=flag(0.3), xv_201=True, xv_202=True, xv_301=True, cv_103=draw.uniform(0.08, 0.25),
        m_101=True, m_101_speed=draw.uniform(0.8, 1.2), m_201=flag(0.9), m_202=coil, m_001=fan, eh_001=heater,
    )  # fmt: skip
    vapor = replace(liquid, xv_102=True, cv_103=1.0)
    wait = Actuators(m_201=True)
    level = draw.uniform(0.8e5, 1.6e5)
    stages = (
        Stage(liquid, (Until(at.Z_QUALITY_PORT, True, 0.5),), 900.0),
        Stage(vapor, (Until(at.Z_PA_A, False, level),), 1800.0),
        Stage(wait, (), 60.0),
    )
    if flag(0.2):
        stages = (replace(stages[1], act=replace(vapor, xv_101=False)), stages[2])
    options = [name for name, on in (
        ("coil", coil), ("bucket", bucket), ("accumulator and receiver", vessels), ("composition", shift),
        ("air", air_mol > 0.0), ("two zones", parameters.model.two_zone_cylinder),
    ) if on]  # fmt: skip
    return Setup(refrigerant, parameters, stages, ", ".join((refrigerant, *options)))


@dataclass(frozen=True)
class Comparison:
    """Ours against the reference on one set-up."""

    seed: int
    about: str
    end_s: float
    time_error: float
    """Greatest error of the end of any stage that a condition ended, over the time of the job's end."""
    mass_error: float
    """Greatest error of the refrigerant in the cylinder, in appliance and oil, and in the rig, over the charge."""
    pressure_error: float
    """Error of the appliance's pressure after the wait, relative."""
    calls: int
    """Evaluations of the right-hand side that the reference took."""


def masses(plant):
    """Refrigerant in cylinder, in appliance with its oil, and in the rig."""
    z = plant.named_truth()
    return np.array([z.y_kg, z.a_kg + z.oil_kg, z.m_kg + z.s_kg + z.p_kg + z.d_kg + z.x_kg + z.h_kg])


def compare(seed, *, step_s=0.05, rtol=1e-7):
    """Run one set-up both ways.

    The last stage has no condition; its length is the same for both, and masses are compared at its end.
    """
    case = setup(seed)
    ours = Plant(case.refrigerant, case.parameters, step_s=step_s)
    reference = Reference(Plant(case.refrigerant, case.parameters), rtol=rtol)
    worst_s = 0.0
    end_s = 0.0
    for stage in case.stages:
        mine = run_stage(ours, stage)
        at_s, reason = reference.stage(stage)
        if mine.reason != reason:
            worst_s = math.inf
        if stage.until:
            worst_s = max(worst_s, abs(mine.time_s - at_s))
            end_s = at_s
    error = np.abs(masses(ours) - masses(reference.plant)).max() / case.parameters.appliance.charge_kg
    p_ours, p_reference = ours.named_truth().a_pa_abs, reference.plant.named_truth().a_pa_abs
    return Comparison(
        seed, case.about, end_s, worst_s / end_s, float(error), abs(p_ours / p_reference - 1.0), reference.calls
    )


def choked_gas_flux(p_pa: float, temperature_k: float, gas_constant_j_kg_k: float, k: float) -> float:
    """Ideal-gas choked flux ``p sqrt(k / R T) (2 / (k + 1)) ** ((k + 1) / (2 (k - 1)))``, kg/(m2 s)."""
    exponent = (k + 1.0) / (2.0 * (k - 1.0))
    return float(p_pa * math.sqrt(k / (gas_constant_j_kg_k * temperature_k)) * (2.0 / (k + 1.0)) ** exponent)
