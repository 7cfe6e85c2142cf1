"""The plant's equations against closed forms, published examples and CoolProp itself."""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import numpy as np
import pytest
from CoolProp import CoolProp

from hil_sim.plant import exchange, flow, oil, tablegen
from hil_sim.plant import layout as at
from hil_sim.plant import phase as ph
from hil_sim.plant.model import REFRIGERANTS, Plant, PlantParameters
from hil_sim.plant.parameters import split_air_conditioner
from tests.reference import choked_gas_flux

COOLPROP_NAMES = {
    "R-22": "R22",
    "R-32": "R32",
    "R-134a": "R134a",
    "R-12": "R12",
    "R-123": "R123",
    "R-290": "Propane",
    "R-600a": "IsoButane",
    "R-1234yf": "R1234yf",
    "R-410A": "R410A",
    "R-404A": "R404A",
    "R-407C": "R407C",
}
PURE = ("R-22", "R-32", "R-134a", "R-12", "R-123", "R-290", "R-600a", "R-1234yf")


def state(refrigerant: str, v: float, u: float) -> np.ndarray:
    t = ph.load_tables(refrigerant)
    out = np.zeros(ph.STATE_FIELDS)
    ph.evaluate(1.0, u, v, 400, t.sat, t.gas_a, t.gas_b, t.scalars, out)
    return out


def saturated(refrigerant: str, t_k: float) -> tuple[float, np.ndarray]:
    """Bubble pressure and the phase limits at a temperature, from the shipped table."""
    t = ph.load_tables(refrigerant)
    out = np.zeros(ph.STATE_FIELDS)
    return ph.dew_or_bubble(t_k, ph.T_F, t.sat, t.scalars, out), out


# ---------------------------------------------------------------- properties


@pytest.mark.parametrize("refrigerant", PURE)
def test_a_boiling_mixture_has_the_pressure_and_temperature_of_coolprop(refrigerant: str) -> None:
    fluid = CoolProp.AbstractState("HEOS", COOLPROP_NAMES[refrigerant])
    rng = np.random.default_rng(1)
    low = max(fluid.Tmin() + 2.0, 215.0)
    for t_k, x in zip(rng.uniform(low, 0.95 * fluid.T_critical(), 60), rng.uniform(0.01, 0.99, 60), strict=True):
        fluid.update(CoolProp.QT_INPUTS, x, t_k)
        got = state(refrigerant, 1.0 / fluid.rhomass(), fluid.umass())
        assert got[ph.PHASE] == ph.TWO_PHASE
        assert got[ph.P] == pytest.approx(fluid.p(), rel=5e-4)
        assert got[ph.T] == pytest.approx(t_k, abs=0.02)
        assert got[ph.X] == pytest.approx(x, abs=1e-3)


@pytest.mark.parametrize("refrigerant", sorted(COOLPROP_NAMES))
def test_vapor_pressure_and_temperature_are_those_of_coolprop(refrigerant: str) -> None:
    fluid = CoolProp.AbstractState("HEOS", COOLPROP_NAMES[refrigerant])
    rng = np.random.default_rng(2)
    p_errors, t_errors = [], []
    for _ in range(150):
        t_sat = rng.uniform(228.0, 0.95 * fluid.T_critical())
        fluid.update(CoolProp.QT_INPUTS, 1.0, t_sat)
        rho = fluid.rhomass()
        t_k = t_sat + rng.uniform(0.5, 90.0)
        fluid.specify_phase(CoolProp.iphase_gas)
        fluid.update(CoolProp.DmassT_INPUTS, rho, t_k)
        got = state(refrigerant, 1.0 / rho, fluid.umass())
        p_errors.append(abs(got[ph.P] / fluid.p() - 1.0))
        t_errors.append(abs(got[ph.T] - t_k))
        fluid.unspecify_phase()
    assert np.median(p_errors) < 5e-3
    assert np.max(p_errors) < 0.02
    assert np.max(t_errors) < 0.5


@pytest.mark.parametrize("refrigerant", ["R-22", "R-32", "R-134a", "R-290", "R-410A"])
def test_liquid_squeezed_without_heat_is_as_stiff_as_coolprop_says(refrigerant: str) -> None:
    # Saturated liquid at 30 degC brought to +20 bar at constant entropy. The pseudo-pure blend equation has no
    # entropy flash there, so the density and energy along the path come from small steps of du = -p dv.
    fluid = CoolProp.AbstractState("HEOS", COOLPROP_NAMES[refrigerant])
    fluid.update(CoolProp.QT_INPUTS, 0.0, 303.15)
    p, rho, t_k, u = fluid.p(), fluid.rhomass(), 303.15, fluid.umass()
    target = p + 20e5
    fluid.specify_phase(CoolProp.iphase_liquid)
    fluid.update(CoolProp.DmassT_INPUTS, rho, t_k)
    while fluid.p() < target:
        v_new = 1.0 / rho - 1e-5 / rho
        u += fluid.p() * 1e-5 / rho
        rho = 1.0 / v_new
        # Temperature for that energy, by two Newton steps.
        for _ in range(3):
            fluid.update(CoolProp.DmassT_INPUTS, rho, t_k)
            t_k += (u - fluid.umass()) / fluid.cvmass()
        fluid.update(CoolProp.DmassT_INPUTS, rho, t_k)
    p0, _ = saturated(refrigerant, 303.15)
    got = state(refrigerant, 1.0 / rho, u)
    assert got[ph.PHASE] == ph.LIQUID
    assert (got[ph.P] - p0) == pytest.approx(fluid.p() - p, rel=0.05)


@pytest.mark.parametrize(
    ("refrigerant", "bar_per_k"),
    # dp/dT at constant volume of saturated liquid at 25 degC, CoolProp reference equations.
    [("R-22", 6.6), ("R-32", 6.8), ("R-134a", 6.4), ("R-410A", 5.4), ("R-1234yf", 5.0), ("R-123", 8.8)],
)
def test_liquid_shut_in_rises_by_the_known_pressure_for_one_kelvin(refrigerant: str, bar_per_k: float) -> None:
    _, at_25 = saturated(refrigerant, 298.15)
    v = at_25[ph.VF]
    low, high = -1e5, 1e6
    pressures = []
    for t_k in (298.15, 299.15):
        a, b = low, high
        for _ in range(100):
            mid = 0.5 * (a + b)
            if state(refrigerant, v, mid)[ph.T] < t_k:
                a = mid
            else:
                b = mid
        pressures.append(state(refrigerant, v, b)[ph.P])
    assert (pressures[1] - pressures[0]) / 1e5 == pytest.approx(bar_per_k, rel=0.05)


@pytest.mark.parametrize("refrigerant", REFRIGERANTS)
def test_pressure_and_temperature_have_no_step_at_the_phase_boundary(refrigerant: str) -> None:
    table = ph.load_tables(refrigerant)
    for row in range(300, 1000, 37):
        for v_column, u_column in ((ph.V_F, ph.U_F), (ph.V_G, ph.U_G)):
            v = table.sat[row, v_column] * 0.6 + table.sat[row + 1, v_column] * 0.4
            u = table.sat[row, u_column] * 0.6 + table.sat[row + 1, u_column] * 0.4
            below, above = state(refrigerant, v, u - 1e-5), state(refrigerant, v, u + 1e-5)
            assert below[ph.PHASE] == ph.TWO_PHASE
            assert above[ph.PHASE] != ph.TWO_PHASE
            assert above[ph.P] == pytest.approx(below[ph.P], rel=1e-5)
            assert above[ph.T] == pytest.approx(below[ph.T], abs=1e-3)


@pytest.mark.parametrize("refrigerant", REFRIGERANTS)
def test_pressing_more_liquid_into_a_full_volume_always_raises_its_pressure(refrigerant: str) -> None:
    # Also on lines of constant specific energy: the phase test must not mistake dense liquid for a mixture.
    table = ph.load_tables(refrigerant)
    for t_k in (253.15, 283.15, 313.15):
        p, limits = saturated(refrigerant, t_k)
        u = limits[ph.HF] - p * limits[ph.VF]
        pressures = []
        for share in np.linspace(1.001, 1.15, 40):
            got = state_of(table, share / limits[ph.VF], share / limits[ph.VF] * u, 1.0)
            assert got[ph.PHASE] == ph.LIQUID
            pressures.append(got[ph.P])
        assert (np.diff(pressures) > 0.0).all()
        assert pressures[-1] > p + 100e5


@pytest.mark.parametrize("refrigerant", REFRIGERANTS)
def test_the_slopes_given_to_the_stepper_are_those_of_the_state(refrigerant: str) -> None:
    table = ph.load_tables(refrigerant)
    volume = 1e-3
    rng = np.random.default_rng(3)
    for _ in range(60):
        rho = math.exp(rng.uniform(math.log(0.5), math.log(1.02 / table.sat[500, ph.V_F])))
        u_mid = 0.5 * (table.sat[850, ph.U_F] + table.sat[850, ph.U_G])
        m, u = rho * volume, u_mid + rng.uniform(-1e5, 2e5)
        a = state_of(table, m, m * u, volume)
        small = 1e-6
        b = state_of(table, m, m * u * (1.0 + small), volume)
        if a[ph.PHASE] != b[ph.PHASE]:
            continue
        slope = (b[ph.P] - a[ph.P]) / (m * u * small)
        assert a[ph.DPDU] == pytest.approx(slope, rel=2e-2, abs=1e-9)
        assert a[ph.DTDU] == pytest.approx((b[ph.T] - a[ph.T]) / (m * u * small), rel=2e-2, abs=1e-12)


def state_of(table: ph.Tables, mass: float, energy: float, volume: float) -> np.ndarray:
    out = np.zeros(ph.STATE_FIELDS)
    ph.evaluate(mass, energy, volume, 400, table.sat, table.gas_a, table.gas_b, table.scalars, out)
    return out


def test_an_isolated_charge_boiled_from_25_to_0_degc_leaves_83_percent() -> None:
    # R-134a, vapor drawn off a vessel that starts full of saturated liquid: 16.6 % leaves (CoolProp integral of
    # cp dT / hfg; the rule 1 - exp(-cp dT / hfg) gives the same within 2 %).
    _, start = saturated("R-134a", 298.15)
    table = ph.load_tables("R-134a")
    mass, volume = 1.0, start[ph.VF] * 1.0001
    energy = start[ph.HF] - ph_p(start) * start[ph.VF]
    now = state_of(table, mass, energy, volume)
    while now[ph.T] > 273.15:
        mass -= 2e-5
        energy -= 2e-5 * now[ph.HG]
        now = state_of(table, mass, energy, volume)
    gone = 1.0 - mass
    # What is left in the space above the liquid is vapor too.
    vapor = mass * now[ph.X]
    assert 100.0 * (gone + vapor) == pytest.approx(16.6, abs=0.5)


def ph_p(limits: np.ndarray) -> float:
    p, _ = saturated("R-134a", 298.15)
    assert limits[ph.VF] > 0.0
    return p


@pytest.mark.parametrize("refrigerant", ["R-134a", "R-407C"])
def test_the_shipped_tables_are_what_the_generator_makes(refrigerant: str) -> None:
    shipped, made = ph.load_tables(refrigerant), tablegen.generate(refrigerant)
    np.testing.assert_allclose(shipped.sat, made["saturation"], rtol=1e-9)
    np.testing.assert_allclose(shipped.gas_a, made["gas_a"], rtol=1e-9)
    np.testing.assert_allclose(shipped.gas_b, made["gas_b"], rtol=1e-9)
    np.testing.assert_allclose(shipped.oil[:, 1:], made["oil_mass_fraction"], rtol=1e-9)


# ---------------------------------------------------------------- flow


def test_saturated_flow_reproduces_the_worked_example_of_api_520() -> None:
    # API 520-1, Appendix C.2.2: two-phase relief, 216560 kg/h from 5.564 bar to 2.045 bar, Kd 0.85.
    omega = 9.0 * (0.02265 / 0.01945 - 1.0)
    assert flow.critical_ratio(omega) * 5.564 == pytest.approx(3.65, rel=0.01)
    g, choked = flow.saturated_flux(5.564e5, 2.045e5, 0.01945, omega)
    assert choked
    assert 216560.0 / 3600.0 / (0.85 * g) * 1e6 == pytest.approx(2.45e4, rel=0.01)


def test_subcooled_flow_reproduces_the_worked_example_of_api_520() -> None:
    # API 520-1, Appendix C.2.3: 378.5 L/min from 20.733 bar to 1.703 bar, boiling at 7.419 bar, Kd 0.65.
    omega = 9.0 * (511.3 / 262.7 - 1.0)
    g, choked = flow.subcooled_flux(20.733e5, 1.703e5, 1.0 / 511.3, omega, 7.419e5)
    assert choked
    assert 378.5e-3 / 60.0 * 511.3 / (0.65 * g) * 1e6 == pytest.approx(134.5, rel=0.01)


@pytest.mark.parametrize(
    ("refrigerant", "t_degc", "flux"),
    # Homogeneous equilibrium, G = max rho sqrt(2 (h0 - h)) along s0, saturated liquid (CoolProp).
    [("R-134a", 25.0, 7657.0), ("R-134a", 40.0, 10327.0), ("R-22", 25.0, 11213.0), ("R-32", 25.0, 14236.0)],
)
def test_boiling_liquid_chokes_at_the_homogeneous_equilibrium_flux(
    refrigerant: str, t_degc: float, flux: float
) -> None:
    p, s = saturated(refrigerant, t_degc + 273.15)
    omega = flow.omega_two_phase(0.0, s[ph.VF], p, t_degc + 273.15, s[ph.VG] - s[ph.VF], s[ph.HG] - s[ph.HF], s[ph.CF])
    g, choked = flow.saturated_flux(p, 0.1 * p, s[ph.VF], omega)
    assert choked
    assert g == pytest.approx(flux, rel=0.04)
    # Barely subcooled liquid joins that value without a step.
    near, _ = flow.subcooled_flux(p * 1.0001, 0.1 * p, s[ph.VF], omega, p)
    assert near == pytest.approx(g, rel=0.02)


def test_choked_air_and_refrigerant_gas_follow_the_ideal_formula() -> None:
    # Air 7 bar, 288 K: 1667 kg/m2s from the ideal-gas formula.
    assert choked_gas_flux(7e5, 288.0, 287.05, 1.4) == pytest.approx(1667.0, rel=1e-3)
    # The plant's own route (omega = 1/k) for vapor at 25 degC and 1.5 bar: ideal formula says 609 and 572,
    # the real gas 0.7 % more.
    for refrigerant, k, expected in (("R-134a", 1.12, 609.0), ("R-22", 1.185, 572.0)):
        v = CoolProp.PropsSI("D", "T", 298.15, "P", 1.5e5, COOLPROP_NAMES[refrigerant]) ** -1
        g, choked = flow.saturated_flux(1.5e5, 0.3e5, v, 1.0 / k)
        assert choked
        assert g == pytest.approx(expected, rel=0.03)
        assert ph.load_tables(refrigerant).scalars[3] == pytest.approx(k, rel=0.02)


def test_a_valve_of_kv_one_passes_one_cubic_metre_of_water_an_hour_at_one_bar() -> None:
    # Definition of Kv, IEC 60534.
    g, _ = flow.flux(3e5, 2e5, 1e-3, 1.0, 2e3, True)
    assert flow.KV_TO_AREA_M2 * g * 3600.0 / 1000.0 == pytest.approx(1.0, rel=1e-3)


def test_a_quarter_inch_hose_passes_five_and_a_half_kilograms_of_liquid_a_minute() -> None:
    # Swamee-Jain pipe formula, R-134a liquid at 25 degC, 1 bar, 1.5 m of 4.8 mm, entry and exit K = 3: 5.6 kg/min.
    # The plant's fixed friction factor 0.028 is on the low side of that.
    area = flow.hose_area_m2(4.8e-3, 1.5)
    assert area * math.sqrt(2.0 * 1206.7 * 1e5) * 60.0 == pytest.approx(5.6, rel=0.12)


def test_flow_does_not_jump_where_it_becomes_linear() -> None:
    edge = flow.LINEAR_SHARE
    inside, _ = flow.flux(1e6, 1e6 * (1.0 - edge * 0.9999), 0.02, 1.2, 0.0, False)
    outside, _ = flow.flux(1e6, 1e6 * (1.0 - edge * 1.0001), 0.02, 1.2, 0.0, False)
    assert inside == pytest.approx(outside, rel=1e-3)


# ---------------------------------------------------------------- compressor, oil, ice, air


def with_rig(**changes: Any) -> PlantParameters:
    base = split_air_conditioner()
    return dataclasses.replace(base, rig=dataclasses.replace(base.rig, **changes))


def test_the_compressor_stops_pumping_at_the_zero_flow_ratio_of_its_clearance() -> None:
    # ((1 + C) / C)**n = 28.5 at C 0.05, n 1.1: textbook clearance model.
    plant = Plant("R-134a", with_rig(clearance=0.05, valve_loss_pa=0.0, polytropic_exponent=1.1))
    act = plant.act
    act.xv_201 = act.xv_202 = act.xv_301 = act.m_201 = act.m_101 = True
    act.cv_103 = 1.0
    plant.advance(2.0)
    z = plant.truth()
    while z[at.Z_FLOW_SUCTION] > 5e-7 and z[at.Z_TIME_S] < 600.0:
        plant.advance(0.1)
    assert z[at.Z_FLOW_SUCTION] < 5e-7
    assert z[at.Z_PA_P] / z[at.Z_PA_S] == pytest.approx(28.5, rel=0.01)


@pytest.mark.parametrize(
    ("fit", "fluid", "p_pa", "w"),
    # Wahlstrom and Vamling, J. Chem. Eng. Data 44 (1999) 823: R-134a at 30 degC, molar data converted.
    [
        ("R-134a/PEB8", "R134a", 90.1e3, 0.0276),
        ("R-134a/PEB8", "R134a", 214.2e3, 0.0710),
        ("R-134a/PEC5", "R134a", 90.2e3, 0.0381),
    ],
)
def test_oil_holds_what_was_measured(fit: str, fluid: str, p_pa: float, w: float) -> None:
    psat = CoolProp.PropsSI("P", "T", 303.15, "Q", 0, fluid)
    rho = CoolProp.PropsSI("D", "T", 303.15, "Q", 0, fluid)
    assert oil.fitted_mass_fraction(oil.ESTER_FITS[fit], p_pa / psat, 303.15, rho) == pytest.approx(w, rel=0.10)
    if fit == "R-134a/PEB8":
        table = ph.load_tables("R-134a").oil
        assert exchange.oil_mass_fraction(p_pa, 303.15, table) == pytest.approx(w, rel=0.10)


def test_heat_from_the_room_melts_ice_by_its_latent_heat() -> None:
    # 334 kJ/kg; the bath stays at 0 degC while there is ice.
    plant = Plant("R-134a", with_rig(bath_air_ua_w_k=20.0, bath_ice_kg=2.0))
    plant.advance(600.0)
    melted = 2.0 - plant.truth()[at.Z_ICE_KG]
    assert melted == pytest.approx(20.0 * 25.0 * 600.0 / 334e3, rel=1e-6)
    assert plant.truth()[at.Z_T_BATH] == pytest.approx(0.0, abs=1e-9)


def test_the_bath_warms_once_its_ice_is_gone() -> None:
    plant = Plant("R-134a", with_rig(bath_air_ua_w_k=20.0, bath_ice_kg=0.1, bath_water_kg=5.0))
    plant.advance(1200.0)
    assert plant.truth()[at.Z_ICE_KG] == 0.0
    # Lumped water of 5.1 kg warming towards 25 degC after the ice; cp 4186 J/kgK.
    t_melt = 0.1 * 334e3 / (20.0 * 25.0)
    expected = 25.0 * (1.0 - math.exp(-20.0 * (1200.0 - t_melt) / (5.1 * 4186.0)))
    assert plant.truth()[at.Z_T_BATH] == pytest.approx(expected, abs=0.05)


def test_air_in_the_cylinder_adds_its_ideal_gas_pressure() -> None:
    base = split_air_conditioner()
    aired = dataclasses.replace(base, cylinder=dataclasses.replace(base.cylinder, ncg_mol=1.0))
    clean, dirty = Plant("R-410A", base).truth(), Plant("R-410A", aired).truth()
    space = 21.6e-3 * (1.0 - clean[at.Z_FILL_Y])
    assert dirty[at.Z_PA_Y] - clean[at.Z_PA_Y] == pytest.approx(8.314 * 298.15 / space, rel=1e-3)


def test_air_leaks_into_a_vessel_in_vacuum_at_the_choked_rate() -> None:
    base = split_air_conditioner()
    leaky = dataclasses.replace(base, appliance=dataclasses.replace(base.appliance, charge_kg=0.01, oil_kg=0.0))
    plant = Plant("R-410A", leaky)
    plant.hand.appliance_leak_m2 = 1e-8
    before = float(plant.truth()[at.Z_PA_A])
    assert before < 0.5e5
    plant.advance(60.0)
    # Discharge coefficient 0.8; choked air at 1 atm and 25 degC, 8 L, 28.96 g/mol.
    moles = 0.8 * 1e-8 * choked_gas_flux(101325.0, 298.15, 287.05, 1.4) / 0.02896 * 60.0
    assert plant.truth()[at.Z_NCG_A] == pytest.approx(moles, rel=0.01)
    assert plant.truth()[at.Z_PA_A] - before == pytest.approx(moles * 8.314 * 298.15 / 8e-3, rel=0.02)


def test_the_shut_cylinder_raises_pressure_as_fast_as_liquid_stiffness_demands() -> None:
    # dP/dt = K_s * volume flow / volume, once condenser and hose are full of liquid.
    base = split_air_conditioner()
    open_ports = dataclasses.replace(
        base, appliance=dataclasses.replace(base.appliance, liquid_core_fitted=False, vapor_core_fitted=False)
    )
    plant = Plant("R-134a", open_ports)
    act, z = plant.act, plant.truth()
    act.xv_101 = act.xv_201 = act.xv_202 = act.xv_301 = act.m_201 = True
    act.cv_103 = 0.3
    plant.advance(1.0)
    act.m_101 = True
    plant.advance(40.0)
    plant.hand.cylinder_valve = 0.0
    while z[at.Z_PA_P] < 20e5:
        plant.advance(0.01)
    p_1, t_1 = float(z[at.Z_PA_P]), float(z[at.Z_TIME_S])
    filled = float(z[at.Z_FLOW_SUCTION])
    plant.advance(0.02)
    rate = (z[at.Z_PA_P] - p_1) / (z[at.Z_TIME_S] - t_1)
    volume = 40e-6 + 250e-6 + 0.25 * math.pi * 4.8e-3**2 * 1.5
    t_k = z[at.Z_T_D] + 273.15
    rho = CoolProp.PropsSI("D", "T", t_k, "P", p_1, "R134a")
    stiffness = rho * CoolProp.PropsSI("A", "T", t_k, "P", p_1, "R134a") ** 2
    assert rate == pytest.approx(stiffness * filled / rho / volume, rel=0.15)
