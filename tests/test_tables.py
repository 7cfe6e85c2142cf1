"""The saturation tables against CoolProp 8.0.0, from which they were generated, at points they never saw."""

import CoolProp
import numpy as np
import pytest

from rigctl import tablegen
from rigctl.refrigerant import catalogue
from rigctl.refrigerant.catalogue import get, names
from rigctl.refrigerant.cylinder import WATER_KG_M3
from tests.made_with import made_with

OTHER_SEED = tablegen.SEED + 1


@pytest.mark.parametrize("name", names())
def test_a_table_is_within_its_error_at_a_thousand_random_points(name):
    errors = tablegen.measure_errors(name, points=1000, seed=OTHER_SEED)
    assert errors.points > 900
    assert errors.bubble_pressure <= 2e-4
    assert errors.dew_pressure <= 2e-4
    assert errors.liquid_density <= 5e-4
    assert errors.vapor_density <= 5e-4
    assert errors.enthalpy <= 5e-4


@pytest.mark.parametrize("name", names())
def test_superheated_density_is_within_its_stated_error(name):
    assert tablegen.superheated_error(name, points=150, seed=OTHER_SEED) <= 8e-3


@pytest.mark.parametrize("name", ["R-454B", "R-513A"])
def test_filled_holes_lie_on_the_phase_envelope_where_direct_solutions_fail(name):
    # The envelope is traced by continuation and converges in the holes too; the top point is the critical one.
    r = get(name)
    state = CoolProp.AbstractState("HEOS", tablegen.FLUIDS[name].coolprop)
    state.build_phase_envelope("")
    envelope = state.get_phase_envelope_data()
    top = int(np.argmax(envelope.p))
    compared = 0
    for i, p in enumerate(envelope.p):
        if i == top or not r.p_min_pa_abs <= p <= r.p_max_pa_abs:
            continue
        t_degc = envelope.T[i] - 273.15
        density = envelope.rhomolar_vap[i] * r.molar_mass_kg_mol
        if i < top:
            assert r.dew_temperature_degc(p) == pytest.approx(t_degc, abs=2e-3)
            assert r.vapor_density_kg_m3(p) == pytest.approx(density, rel=5e-4)
        else:
            assert r.bubble_temperature_degc(p) == pytest.approx(t_degc, abs=2e-3)
            assert r.liquid_density_kg_m3(t_degc) == pytest.approx(density, rel=5e-4)
        compared += 1
    assert compared > 70


@pytest.mark.parametrize("name", ["R-134a", "R-454B"])
def test_generating_a_table_anew_gives_the_packaged_file(name, tmp_path):
    written = tablegen.write(name, tmp_path)
    packaged = tablegen.TABLES / f"{catalogue.module_name(name)}.py"
    assert written.name == packaged.name
    assert written.read_text(encoding="utf-8") == packaged.read_text(encoding="utf-8"), made_with("CoolProp", "numpy")


@pytest.mark.parametrize("name", names())
def test_every_table_says_its_source_range_errors_and_filled_nodes(name):
    text = (tablegen.TABLES / f"{catalogue.module_name(name)}.py").read_text(encoding="utf-8")
    header = " ".join(text.split('"""')[1].split())
    for words in ("Source: CoolProp 8.0.0", "Range: ", "Largest error at ", "Filled nodes of the bubble line"):
        assert words in header
    nothing_filled = "bubble line, bar abs: none. Filled nodes of the dew line, bar abs: none."
    # Only this blend's model fails at nodes by pressure and by temperature alike.
    assert (nothing_filled in header) is (name != "R-454B")


@pytest.mark.parametrize("name", [n for n in names() if tablegen.FLUIDS[n].kind == "mixture"])
def test_compositions_are_those_of_the_mixture_model(name):
    state = CoolProp.AbstractState("HEOS", tablegen.FLUIDS[name].coolprop)
    model = dict(zip(state.fluid_names(), state.get_mass_fractions(), strict=True))
    for component, share in get(name).facts.composition:
        assert model[component.replace("-", "")] == pytest.approx(share, abs=1e-6)


def test_the_spline_reproduces_a_cubic_exactly():
    # A not-a-knot cubic spline through points of a cubic is that cubic.
    x = np.array([0.0, 0.7, 1.1, 2.0, 2.6, 3.5])
    slopes = tablegen.spline_slopes(x, x**3 - 2 * x**2 + x)
    assert slopes == pytest.approx(3 * x**2 - 4 * x + 1, abs=1e-12)


def test_the_catalogue_and_the_generator_list_the_same_refrigerants():
    assert set(tablegen.FLUIDS) == set(names())


def test_water_at_60_degf_has_the_density_used_for_water_capacity():
    state = CoolProp.AbstractState("HEOS", "Water")
    state.update(CoolProp.PT_INPUTS, 101325.0, (60.0 - 32.0) / 1.8 + 273.15)
    assert pytest.approx(state.rhomass(), abs=0.05) == WATER_KG_M3
