"""The plant's truth as people read it: every field once, by a name that ends in its unit, with what it is."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from hil_sim.plant.model import Plant, PlantParameters, Truth
from hil_sim.plant.truth import FIELD_OF, QUANTITIES, SUFFIX_OF, by_name, picked
from hil_sim.wire.command import truth_rows


@pytest.fixture(scope="module")
def plant() -> Plant:
    return Plant("R-410A", PlantParameters())


def test_every_field_of_the_truth_has_one_name_and_one_meaning() -> None:
    assert [one.field for one in QUANTITIES] == list(Truth._fields)
    assert len(FIELD_OF) == len(QUANTITIES) == len({one.meaning + one.unit for one in QUANTITIES})


def test_every_name_ends_in_its_unit_and_says_no_other() -> None:
    for one in QUANTITIES:
        # The longest suffix that fits is the one that is read: kg_s is not s.
        fitting = [suffix for suffix in SUFFIX_OF.values() if one.name.endswith(suffix) or one.name == suffix[1:]]
        assert max(fitting, key=len) == SUFFIX_OF[one.unit], one.name


def test_names_units_and_fields_agree_about_the_dimension() -> None:
    # The fields carry units of their own, written down beside the kernel.
    for one in QUANTITIES:
        for suffix in ("_pa_abs", "_degc", "_mol", "_kg_s"):
            assert one.name.endswith(suffix) == one.field.endswith(suffix), one.name


def test_the_names_lead_to_what_a_technician_could_check_by_hand(plant: Plant) -> None:
    """Saturated R-410A has 10.87 bar abs at 10 degC (NIST REFPROP, from memory): a plant at rest must show it."""
    parameters = PlantParameters()
    cold = replace(parameters, ambient=replace(parameters.ambient, temperature_degc=10.0))
    truth = by_name(Plant("R-410A", cold).named_truth())
    assert truth["appliance_degc"] == pytest.approx(10.0, abs=0.1)
    assert truth["appliance_pa_abs"] == pytest.approx(10.87e5, rel=0.02)
    contents_kg = truth["cylinder_gross_kg"] - cold.cylinder.tare_kg
    assert contents_kg == pytest.approx(truth["cylinder_kg"], abs=1e-3)
    held_kg = truth["appliance_kg"] + truth["appliance_oil_refrigerant_kg"]
    assert held_kg == pytest.approx(cold.appliance.charge_kg, rel=1e-6)
    assert truth["compressor_power_w"] == truth["compressor_running_flag"] == 0.0


def test_what_is_picked_is_what_stands_under_its_name(plant: Plant) -> None:
    truth = plant.named_truth()
    names = ("cylinder_kg", "time_s", "header_pa_abs")
    assert (
        picked(truth, names) == [by_name(truth)[name] for name in names] == [truth.y_kg, truth.time_s, truth.m_pa_abs]
    )
    with pytest.raises(KeyError):
        picked(truth, ("y_kg",))


def test_the_truth_is_told_as_value_unit_and_meaning_and_what_is_not_known_is_said_so(plant: Plant) -> None:
    truth = {name: value if math.isfinite(value) else None for name, value in by_name(plant.named_truth()).items()}
    truth["suction_kg_s"] = None
    rows = truth_rows({"truth": truth, "powered": True, "outputs": {"XV-101": True, "M-101": False, "CV-103": 0.5}})
    said = dict(rows)
    assert len(rows) == len(said) == len(QUANTITIES) + 2
    assert all(meaning for meaning in said.values())
    assert said["suction_kg_s = unknown kg/s"] == "flow through the compressor"
    assert said["xv_301_open_fraction = 0 (0 to 1)"] == "opening of XV-301"
    assert {"powered = yes", "outputs = XV-101 CV-103"} < set(said)
