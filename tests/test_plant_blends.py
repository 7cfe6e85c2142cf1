"""Blends whose composition shifts, against CoolProp's mixture model at compositions between those tabulated."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest
from CoolProp import CoolProp
from hypothesis import given, settings
from hypothesis import strategies as st

from hil_sim.plant import phase as ph
from hil_sim.plant import tablegen
from tests.made_with import made_with

# ASHRAE 34: R-407C is R-32/R-125/R-134a 23/25/52, R-454B R-32/R-1234yf 68.9/31.1, R-513A R-1234yf/R-134a 56/44 by mass.
LIGHT = {"R-407C": {"R32": 23 / 48, "R125": 25 / 48}, "R-454B": {"R32": 1.0}, "R-513A": {"R1234yf": 1.0}}
HEAVY = {"R-407C": "R134a", "R-454B": "R1234yf", "R-513A": "R134a"}
NOMINAL = {"R-407C": 0.48, "R-454B": 0.689, "R-513A": 0.56}
# Pressures up to which CoolProp and the tables are compared, below the rows where the phases are led together.
P_MAX = {"R-407C": 3.3e6, "R-454B": 3.4e6, "R-513A": 2.6e6}

blends = pytest.mark.parametrize("blend", ph.SHIFTING)


class Mixture:
    """CoolProp's mixture at a light mass fraction or with given mole fractions, for one blend."""

    def __init__(self, blend: str) -> None:
        self.names = [*LIGHT[blend], HEAVY[blend]]
        self.molar = np.array([CoolProp.PropsSI("M", name) for name in self.names])
        self.blend = blend
        self.state: Any = CoolProp.AbstractState("HEOS", "&".join(self.names))

    def moles(self, light: float) -> np.ndarray:
        mass = np.array([light * share for share in LIGHT[self.blend].values()] + [1.0 - light])
        return mass / self.molar / (mass / self.molar).sum()

    def light(self, moles: Any) -> float:
        mass = np.array(moles) * self.molar
        return float(mass[:-1].sum() / mass.sum())

    def at(self, moles: Any, pair: int, a: float, b: float, gas: bool = False) -> Any:
        self.state.unspecify_phase()
        self.state.set_mole_fractions(list(moles))
        if gas:
            self.state.specify_phase(CoolProp.iphase_gas)
        self.state.update(pair, a, b)
        return self.state


def offset(blend: str, light: float) -> float:
    """Energy of the tables less that of CoolProp: a straight line through the two end members at 5 degC."""
    family, mixture = ph.load_family(blend), Mixture(blend)
    ends = []
    for k in (0, -1):
        u = mixture.at(mixture.moles(family.light[k]), CoolProp.QT_INPUTS, 0.0, 278.15).umass()
        ends.append(np.interp(278.15, family.saturation[k, :, ph.T_F], family.saturation[k, :, ph.U_F]) - u)
    share = (light - family.light[0]) / (family.light[-1] - family.light[0])
    return float(ends[0] + share * (ends[1] - ends[0]))


def state(blend: str, light: float, v: float, u: float, guess: int = 200) -> np.ndarray:
    f = ph.load_family(blend)
    out, scratch = np.zeros(ph.STATE_FIELDS), np.zeros(ph.STATE_FIELDS)
    ph.evaluate_shifted(
        1.0, light, u, v, guess, f.light, f.saturation, f.gas_a, f.gas_b, f.vapor_light, f.scalars, out, scratch
    )
    return out


def compositions(blend: str, count: int, seed: int) -> list[float]:
    light = ph.load_family(blend).light
    return list(np.random.default_rng(seed).uniform(light[0], light[-1], count))


def saturated(blend: str, quality: float, seed: int) -> Iterator[tuple[float, Mixture]]:
    """CoolProp at boiling or condensing points of random composition and temperature, where it has an answer."""
    mixture, rng, count = Mixture(blend), np.random.default_rng(seed), 0
    for light in compositions(blend, 60, seed + 100):
        try:
            fluid = mixture.at(mixture.moles(light), CoolProp.QT_INPUTS, quality, rng.uniform(235.0, 325.0))
        except ValueError:
            continue  # The mixture model has holes near 25 to 35 bar.
        if fluid.p() < P_MAX[blend]:
            count += 1
            yield light, mixture
    assert count > 45


def boundary(blend: str, light: float, row: float, column: int) -> tuple[float, float, float]:
    """Pressure, volume and energy on the bubble (V_F) or dew (V_G) line of the tables, between rows and members."""
    f = ph.load_family(blend)
    i, k = int(row), int(np.clip(np.searchsorted(f.light, light) - 1, 0, len(f.light) - 2))
    share = float(np.clip((light - f.light[k]) / (f.light[k + 1] - f.light[k]), 0.0, 1.0))
    rows = f.saturation[k, i : i + 2] * (1.0 - share) + f.saturation[k + 1, i : i + 2] * share
    at = rows[0] + (row - i) * (rows[1] - rows[0])
    u_column = ph.U_F if column == ph.V_F else ph.U_G
    return math.exp(f.scalars[0] + f.scalars[1] * row), at[column], at[u_column]


# ---------------------------------------------------------------- against CoolProp


@blends
def test_bubble_pressure_between_members_is_that_of_coolprop(blend: str) -> None:
    for light, mixture in saturated(blend, 0.0, 11):
        fluid = mixture.state
        got = state(blend, light, 1.0 / fluid.rhomass(), fluid.umass() + offset(blend, light))
        # On either side of the bubble line; liquid is stiff, so there the pressure its temperature would boil at.
        assert got[ph.X] == pytest.approx(0.0, abs=1e-3)
        assert got[ph.PSAT] == pytest.approx(fluid.p(), rel=5e-3)
        assert got[ph.T] == pytest.approx(fluid.T(), abs=0.15)


@blends
def test_dew_pressure_between_members_is_that_of_coolprop(blend: str) -> None:
    for light, mixture in saturated(blend, 1.0, 12):
        fluid = mixture.state
        got = state(blend, light, 1.0 / fluid.rhomass(), fluid.umass() + offset(blend, light))
        assert got[ph.X] == pytest.approx(1.0, abs=2e-3)
        assert got[ph.P] == pytest.approx(fluid.p(), rel=5e-3)
        assert got[ph.T] == pytest.approx(fluid.T(), abs=0.15)


@blends
def test_the_vapor_over_a_liquid_has_the_composition_of_coolprop(blend: str) -> None:
    for light, mixture in saturated(blend, 0.0, 13):
        fluid = mixture.state
        vapor = mixture.light(fluid.mole_fractions_vapor())
        got = state(blend, light, 1.0002 / fluid.rhomass(), fluid.umass() + offset(blend, light))
        assert got[ph.Z_G] == pytest.approx(vapor, abs=0.002)
        assert got[ph.Z_F] == pytest.approx(light, abs=1e-3)


@blends
def test_the_first_drop_in_a_vapor_has_the_composition_of_coolprop(blend: str) -> None:
    family = ph.load_family(blend)
    for light, mixture in saturated(blend, 1.0, 14):
        fluid = mixture.state
        drop = mixture.light(fluid.mole_fractions_liquid())
        if family.light[0] < drop < family.light[-1]:
            got = state(blend, light, 1.0 / fluid.rhomass(), fluid.umass() + offset(blend, light) + 500.0)
            assert got[ph.PHASE] == ph.GAS
            # R-407C: the ratio of changes too, which two pseudo-components cannot follow.
            assert got[ph.Z_F] == pytest.approx(drop, abs=0.01)


@blends
def test_superheated_vapor_has_the_pressure_and_temperature_of_coolprop(blend: str) -> None:
    rng = np.random.default_rng(16)
    for light, mixture in saturated(blend, 1.0, 15):
        rho, t_k = mixture.state.rhomass(), mixture.state.T() + rng.uniform(1.0, 80.0)
        fluid = mixture.at(mixture.moles(light), CoolProp.DmassT_INPUTS, rho, t_k, gas=True)
        got = state(blend, light, 1.0 / rho, fluid.umass() + offset(blend, light))
        assert got[ph.PHASE] == ph.GAS
        assert got[ph.P] == pytest.approx(fluid.p(), rel=3e-3)
        assert got[ph.T] == pytest.approx(t_k, abs=0.15)


@blends
@pytest.mark.parametrize("x", [0.003, 0.03, 0.3, 0.7, 0.97])
def test_a_boiling_blend_splits_into_the_phases_of_coolprop(blend: str, x: float) -> None:
    # Liquid and the vapor in equilibrium with it, put together by hand: no two-phase flash of a mixture is needed.
    mixture, rng = Mixture(blend), np.random.default_rng(18)
    # R-32 against R-125 again: 2 % in latent heat and quality.
    p_limit, x_limit, z_limit, h_limit = (0.006, 0.025, 0.01, 0.03) if blend == "R-407C" else (0.003, 1e-3, 2e-3, 2e-3)
    for z_f in rng.uniform(NOMINAL[blend] - 0.25, NOMINAL[blend] + 0.1, 20):
        fluid = mixture.at(mixture.moles(z_f), CoolProp.QT_INPUTS, 0.0, rng.uniform(243.0, 318.0))
        p, t_k, vapor = fluid.p(), fluid.T(), np.array(fluid.mole_fractions_vapor())
        v_f, u_f = 1.0 / fluid.rhomass(), fluid.umass() + offset(blend, z_f)
        z_g = mixture.light(vapor)
        fluid = mixture.at(vapor, CoolProp.PT_INPUTS, p * (1.0 - 1e-7), t_k, gas=True)
        v_g, u_g = 1.0 / fluid.rhomass(), fluid.umass() + offset(blend, z_g)
        got = state(blend, (1 - x) * z_f + x * z_g, (1 - x) * v_f + x * v_g, (1 - x) * u_f + x * u_g)
        assert got[ph.PHASE] == ph.TWO_PHASE
        assert got[ph.P] == pytest.approx(p, rel=p_limit)
        assert got[ph.T] == pytest.approx(t_k, abs=0.4)
        assert got[ph.X] == pytest.approx(x, abs=x_limit)
        assert got[ph.Z_F] == pytest.approx(z_f, abs=z_limit)
        assert got[ph.Z_G] == pytest.approx(z_g, abs=z_limit)
        latent = u_g - u_f + p * (v_g - v_f)
        assert got[ph.HG] - got[ph.HF] == pytest.approx(latent, rel=h_limit)


@pytest.mark.parametrize(("t_degc", "sign"), [(-20.0, 1.0), (75.0, -1.0)])
def test_r513a_is_enriched_in_the_other_component_beyond_its_azeotrope(t_degc: float, sign: float) -> None:
    mixture = Mixture("R-513A")
    fluid = mixture.at(mixture.moles(0.56), CoolProp.QT_INPUTS, 0.0, t_degc + 273.15)
    there = mixture.light(fluid.mole_fractions_vapor()) - 0.56
    got = state("R-513A", 0.56, 1.0005 / fluid.rhomass(), fluid.umass() + offset("R-513A", 0.56))
    assert there * sign > 0.002
    assert got[ph.Z_G] - got[ph.Z_F] == pytest.approx(there, abs=5e-4)


@blends
def test_energies_differ_from_coolprop_by_a_straight_line_in_the_light_fraction(blend: str) -> None:
    # Only such an offset leaves the balance of transported energy as it is; the heat of mixing stays.
    family, mixture = ph.load_family(blend), Mixture(blend)
    lights, t_k = family.light, 288.15
    for k, light in enumerate(lights):
        u = mixture.at(mixture.moles(light), CoolProp.QT_INPUTS, 0.0, t_k).umass()
        table = np.interp(t_k, family.saturation[k, :, ph.T_F], family.saturation[k, :, ph.U_F])
        assert table - u == pytest.approx(offset(blend, light), abs=3.0)


# ---------------------------------------------------------------- drawing off vapor


def phases(mixture: Mixture, parts_kg: np.ndarray, volume: float, t_k: float) -> tuple[float, np.ndarray, np.ndarray]:
    """Pressure and mass fractions of liquid and vapor in a vessel, by bubble-point calls of CoolProp alone."""
    total = parts_kg.sum()
    liquid = parts_kg / total
    for _ in range(30):
        fluid = mixture.at(liquid / mixture.molar / (liquid / mixture.molar).sum(), CoolProp.QT_INPUTS, 0.0, t_k)
        p, v_f, moles = fluid.p(), 1.0 / fluid.rhomass(), np.array(fluid.mole_fractions_vapor())
        vapor = moles * mixture.molar / (moles * mixture.molar).sum()
        v_g = 1.0 / mixture.at(moles, CoolProp.PT_INPUTS, p * (1.0 - 1e-7), t_k, gas=True).rhomass()
        x = (volume / total - v_f) / (v_g - v_f)
        before, liquid = liquid, (parts_kg / total - x * vapor) / (1.0 - x)
        if np.abs(liquid - before).max() < 1e-8:
            break
    return p, liquid, vapor


@pytest.mark.parametrize(
    ("blend", "t_degc", "moved", "p_limit"),
    # R-407C: R-32 leaves before R-125, which two pseudo-components cannot follow.
    [("R-454B", 20.0, 0.15, 3e-3), ("R-407C", 25.0, 0.2, 0.02), ("R-513A", -20.0, 0.03, 3e-3)],
)
def test_drawing_off_vapor_at_one_temperature_is_the_distillation_of_rayleigh(
    blend: str, t_degc: float, moved: float, p_limit: float
) -> None:
    mixture, t_k, volume = Mixture(blend), t_degc + 273.15, 0.01
    light = NOMINAL[blend]
    fluid = mixture.at(mixture.moles(light), CoolProp.QT_INPUTS, 0.0, t_k)
    full_kg, u = 0.9 * volume * fluid.rhomass(), fluid.umass() + offset(blend, light)
    parts = full_kg * mixture.moles(light) * mixture.molar / (mixture.moles(light) * mixture.molar).sum()
    mass, light_kg, drawn = full_kg, full_kg * light, full_kg / 400.0
    for step in range(301):
        for _ in range(4):
            got = state(blend, light_kg / mass, volume / mass, u)
            u += (t_k - got[ph.T]) / got[ph.DTDU]
        got = state(blend, light_kg / mass, volume / mass, u)
        assert got[ph.T] == pytest.approx(t_k, abs=1e-3)
        if step in (100, 220, 300):
            p, liquid, vapor = phases(mixture, parts, volume, t_k)
            assert got[ph.P] == pytest.approx(p, rel=p_limit)
            assert got[ph.Z_F] == pytest.approx(1.0 - liquid[-1], abs=0.003)
            assert got[ph.Z_G] == pytest.approx(1.0 - vapor[-1], abs=0.003)
        # The same draw with CoolProp, ten steps at once with the vapor of their middle.
        if step % 10 == 0:
            _, _, vapor = phases(mixture, parts, volume, t_k)
            _, _, vapor = phases(mixture, parts - 5 * drawn * vapor, volume, t_k)
            parts = parts - 10 * drawn * vapor
        mass, light_kg = mass - drawn, light_kg - drawn * got[ph.Z_G]
    # It matters: three quarters gone, the liquid has lost this much of its light part.
    assert light - got[ph.Z_F] > moved


# ---------------------------------------------------------------- promises at any state


@st.composite
def states(draw: st.DrawFn) -> tuple[str, float, float, float]:
    blend = draw(st.sampled_from(ph.SHIFTING))
    family = ph.load_family(blend)
    light = draw(st.one_of(st.floats(1e-6, 1.0 - 1e-6), st.sampled_from(list(family.light))))
    sat = family.saturation[family.nominal]
    v = math.exp(draw(st.floats(math.log(0.85 * sat[0, ph.V_F]), math.log(20.0))))
    # On a line of constant volume from cold two-phase states to hot single-phase ones.
    at_25 = int(np.searchsorted(sat[:, ph.T_F], 298.15))
    x = min(max((v - sat[at_25, ph.V_F]) / (sat[at_25, ph.V_G] - sat[at_25, ph.V_F]), 0.0), 1.0)
    u_25 = sat[at_25, ph.U_F] + x * (sat[at_25, ph.U_G] - sat[at_25, ph.U_F])
    return blend, light, v, u_25 + draw(st.floats(-4e4, 2e5))


@settings(deadline=None)
@given(states())
def test_every_state_is_finite_and_its_phases_add_up(case: tuple[str, float, float, float]) -> None:
    _, light, v, u = case
    got = state(*case)
    assert np.isfinite(got).all()
    assert got[ph.P] > 0.0
    x = got[ph.X]
    assert 0.0 <= x <= 1.0
    assert 0.0 <= got[ph.Z_F] <= 1.0
    assert 0.0 <= got[ph.Z_G] <= 1.0
    assert (1.0 - x) * got[ph.Z_F] + x * got[ph.Z_G] == pytest.approx(light, abs=1e-9)
    if got[ph.PHASE] == ph.TWO_PHASE:
        assert (1.0 - x) * got[ph.VF] + x * got[ph.VG] == pytest.approx(v, rel=2e-6)
        assert (1.0 - x) * got[ph.HF] + x * got[ph.HG] == pytest.approx(u + got[ph.P] * v, rel=2e-6)


@settings(deadline=None)
@given(states(), st.integers(-3, 500))
def test_the_answer_does_not_depend_on_where_the_search_starts(case: tuple[str, float, float, float], g: int) -> None:
    np.testing.assert_array_equal(state(*case), state(*case, guess=g))


@settings(deadline=None)
@given(states())
def test_a_hair_more_volume_energy_or_light_changes_the_state_by_a_hair(case: tuple[str, float, float, float]) -> None:
    blend, light, v, u = case
    here = state(*case)
    for dz, dv, du in ((1e-9, 0.0, 0.0), (0.0, 1e-9, 0.0), (0.0, 0.0, 1e-4), (-1e-9, -1e-9, -1e-4)):
        there = state(blend, light + dz, v * (1.0 + dv), u + du)
        # Pressed liquid is stiff: 1e-9 of its volume is up to some ten pascal.
        assert there[ph.P] == pytest.approx(here[ph.P], rel=1e-6, abs=100.0)
        assert there[ph.T] == pytest.approx(here[ph.T], abs=1e-4)
        assert there[ph.X] == pytest.approx(here[ph.X], abs=2e-6)
        assert there[ph.Z_F] == pytest.approx(here[ph.Z_F], abs=1e-5)
        assert there[ph.Z_G] == pytest.approx(here[ph.Z_G], abs=1e-5)


@blends
def test_nothing_jumps_at_the_boundary_of_the_two_phase_region(blend: str) -> None:
    for light in (0.05, *compositions(blend, 4, 20), 0.99):
        for row in np.linspace(40.3, 399.6, 25):
            for column in (ph.V_F, ph.V_G):
                p, v, u = boundary(blend, light, row, column)
                below, above = state(blend, light, v, u - 1e-4), state(blend, light, v, u + 1e-4)
                assert below[ph.PHASE] == ph.TWO_PHASE
                assert above[ph.PHASE] == (ph.LIQUID if column == ph.V_F else ph.GAS)
                assert below[ph.P] == pytest.approx(p, rel=1e-5)
                # One pascal: what 2e-4 J/kg does to liquid.
                assert above[ph.P] == pytest.approx(below[ph.P], rel=1e-5, abs=1.0)
                assert above[ph.T] == pytest.approx(below[ph.T], abs=1e-3)
                assert above[ph.X] == pytest.approx(below[ph.X], abs=1e-5)
                assert above[[ph.Z_F, ph.Z_G]] == pytest.approx(below[[ph.Z_F, ph.Z_G]], abs=1e-4)
                if column == ph.V_F:
                    assert above[[ph.HF, ph.HG, ph.VF, ph.VG]] == pytest.approx(
                        below[[ph.HF, ph.HG, ph.VF, ph.VG]], rel=1e-4
                    )


@blends
def test_nothing_jumps_at_the_top_of_the_table(blend: str) -> None:
    for light in compositions(blend, 6, 21):
        _, v_f, u_f = boundary(blend, light, 399.9999999, ph.V_F)
        _, v_g, u_g = boundary(blend, light, 399.9999999, ph.V_G)
        for share in (0.01, 0.3, 0.6, 0.99):
            v, u = v_f + share * (v_g - v_f), u_f + share * (u_g - u_f)
            below, above = state(blend, light, v, u - 0.01), state(blend, light, v, u + 0.01)
            assert (below[ph.PHASE], above[ph.PHASE]) == (ph.TWO_PHASE, ph.DENSE)
            assert above[[ph.P, ph.T]] == pytest.approx(below[[ph.P, ph.T]], rel=1e-5)
            assert above[[ph.X, ph.Z_F, ph.Z_G]] == pytest.approx(below[[ph.X, ph.Z_F, ph.Z_G]], abs=1e-4)


@blends
def test_pressing_more_liquid_into_a_full_volume_always_raises_its_pressure(blend: str) -> None:
    for light in (0.03, *compositions(blend, 4, 22), 0.99):
        for row in (180.0, 280.0, 350.0):
            p, v, u = boundary(blend, light, row, ph.V_F)
            pressures = []
            for share in np.linspace(1.001, 1.15, 40):
                got = state(blend, light, v / share, u)
                assert got[ph.PHASE] == ph.LIQUID
                pressures.append(got[ph.P])
            assert (np.diff(pressures) > 0.0).all()
            assert pressures[-1] > p + 100e5


@settings(deadline=None)
@given(states())
def test_the_slopes_given_to_the_stepper_are_those_of_the_state(case: tuple[str, float, float, float]) -> None:
    blend, light, v, u = case
    here = state(*case)
    # Liquid pressed harder than this gets stiffer on the way, which its slope leaves out.
    if here[ph.P] > 60e5:
        return
    for dm, du in ((0.0, 2.0), (2e-6, 2e-6 * u)):
        # Mass m and energy U of a fixed volume: v / (1 + dm), and U over the new mass; central differences.
        low = state(blend, light, v / (1.0 - dm), (u - du) / (1.0 - dm))
        high = state(blend, light, v / (1.0 + dm), (u + du) / (1.0 + dm))
        if not low[ph.PHASE] == here[ph.PHASE] == high[ph.PHASE]:
            continue
        for value, by_mass, by_energy, scale in (
            (ph.P, ph.DPDM, ph.DPDU, 1e-5 * here[ph.P]),
            (ph.T, ph.DTDM, ph.DTDU, 1e-4),
        ):
            slope = here[by_mass] * 2.0 * dm + here[by_energy] * 2.0 * du
            # Where a row or a member ends the slope has a small step.
            assert high[value] - low[value] == pytest.approx(slope, rel=0.1, abs=scale)


# ---------------------------------------------------------------- tables


@blends
def test_the_nominal_member_is_the_base_table(blend: str) -> None:
    # R-407C: pseudo-pure equation against mixture model.
    family, base = ph.load_family(blend), ph.load_tables(blend)
    nominal = family.saturation[family.nominal]
    assert family.light[family.nominal] == NOMINAL[blend]
    here, there = np.zeros(ph.STATE_FIELDS), np.zeros(ph.STATE_FIELDS)
    for t_k in np.linspace(233.15, 328.15, 20):
        for column in (ph.T_F, ph.T_G):
            p = ph.dew_or_bubble(t_k, column, nominal, family.scalars, here)
            assert p == pytest.approx(ph.dew_or_bubble(t_k, column, base.sat, base.scalars, there), rel=5e-4)
            assert here[ph.HG] == pytest.approx(there[ph.HG], abs=250.0)
            assert here[ph.HF] == pytest.approx(there[ph.HF], abs=60.0)


@blends
def test_at_nominal_composition_vapor_and_liquid_are_as_without_shift(blend: str) -> None:
    base, rng = ph.load_tables(blend), np.random.default_rng(23)
    out = np.zeros(ph.STATE_FIELDS)
    # From about 0.5 bar; colder the pseudo-pure equation of R-407C and the mixture model part.
    for row in rng.uniform(210.0, 380.0, 60):
        _, v, u = boundary(blend, NOMINAL[blend], row, ph.V_G)
        u += rng.uniform(1e3, 8e4)
        ph.evaluate(1.0, u, v, 400, base.sat, base.gas_a, base.gas_b, base.scalars, out)
        got = state(blend, NOMINAL[blend], v, u)
        assert got[ph.P] == pytest.approx(out[ph.P], rel=3e-3)
        assert got[ph.T] == pytest.approx(out[ph.T], abs=0.4)
        _, v, u = boundary(blend, NOMINAL[blend], row, ph.V_F)
        ph.evaluate(1.0, u, 1.2 * v, 400, base.sat, base.gas_a, base.gas_b, base.scalars, out)
        got = state(blend, NOMINAL[blend], 1.2 * v, u)
        assert got[ph.P] == pytest.approx(out[ph.P], rel=1e-2)


def test_the_shipped_tables_of_blends_are_what_the_generator_makes() -> None:
    shipped, made = ph.load_family("R-454B"), tablegen.generate_family("R-454B")
    why = made_with("CoolProp", "numpy")
    for name in ("light", "saturation", "gas_a", "gas_b", "vapor_light", "molar_kg"):
        np.testing.assert_allclose(getattr(shipped, name), made[name], rtol=1e-9, err_msg=f"{name}: {why}")
    base, made = ph.load_tables("R-513A"), tablegen.generate("R-513A")
    np.testing.assert_allclose(base.sat, made["saturation"], rtol=1e-9, err_msg=why)
    np.testing.assert_allclose(base.gas_b, made["gas_b"], rtol=1e-9, err_msg=why)


def test_r513a_boils_where_its_published_table_says() -> None:
    # Normal boiling point -29.2 degC, critical temperature above 94 degC: common data sheets, from memory.
    base = ph.load_tables("R-513A")
    p = ph.dew_or_bubble(273.15 - 29.2, ph.T_F, base.sat, base.scalars, np.zeros(ph.STATE_FIELDS))
    assert p == pytest.approx(101325.0, rel=0.03)


def test_a_refrigerant_that_does_not_shift_has_no_family() -> None:
    with pytest.raises(ValueError, match="no tables of shifted composition for 'R-32'; use one of R-407C"):
        ph.load_family("R-32")
    none, some = ph.no_family(), ph.load_family("R-407C")
    for field in ("light", "saturation", "gas_a", "gas_b", "vapor_light", "molar_kg", "scalars"):
        empty, full = getattr(none, field), getattr(some, field)
        assert (empty.size, empty.ndim, empty.dtype) == (0, full.ndim, full.dtype)
        assert empty.flags.c_contiguous and full.flags.c_contiguous
