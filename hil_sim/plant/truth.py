"""The plant's truth for those who read it: names that end in their unit, and what each is.

Inside the kernel the sections have letters (`model.Truth`); whatever leaves the plant for a person, a file or a socket
goes by these names.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from hil_sim.plant.model import Truth


@dataclass(frozen=True, slots=True)
class Quantity:
    """One thing that is true of the plant."""

    name: str
    """Ends in its unit, as `SUFFIX_OF` has it."""
    unit: str
    meaning: str
    field: str
    """Of `model.Truth`."""


SUFFIX_OF: Final[dict[str, str]] = {
    "Pa abs": "_pa_abs",
    "degC": "_degc",
    "K": "_k",
    "kg": "_kg",
    "kg/s": "_kg_s",
    "mol": "_mol",
    "s": "_s",
    "W": "_w",
    "J": "_j",
    "(0 to 1)": "_fraction",
    "(0 or 1)": "_flag",
    "(1 is the limit)": "_ratio",
    "(1 is nominal)": "_ratio",
    "steps": "_count",
}
"""Unit -> how the names of quantities in it end."""

QUANTITIES: Final = (
    Quantity("time_s", "s", "simulated time since the start", "time_s"),
    Quantity("appliance_pa_abs", "Pa abs", "pressure in the appliance", "a_pa_abs"),
    Quantity("header_pa_abs", "Pa abs", "pressure in the suction header", "m_pa_abs"),
    Quantity("plenum_pa_abs", "Pa abs", "pressure in the plenum between throttle and compressor", "s_pa_abs"),
    Quantity("discharge_pa_abs", "Pa abs", "pressure in the compressor's discharge up to XV-201", "p_pa_abs"),
    Quantity("condenser_pa_abs", "Pa abs", "pressure in the rig's condenser", "d_pa_abs"),
    Quantity(
        "coil_pa_abs", "Pa abs", "pressure in the sub-cooling coil, or in the condenser where there is none", "x_pa_abs"
    ),
    Quantity("hose_pa_abs", "Pa abs", "pressure in the hose to the cylinder", "h_pa_abs"),
    Quantity("cylinder_pa_abs", "Pa abs", "pressure in the cylinder", "y_pa_abs"),
    Quantity("appliance_degc", "degC", "refrigerant in the appliance", "a_degc"),
    Quantity("header_degc", "degC", "refrigerant in the suction header", "m_degc"),
    Quantity("plenum_degc", "degC", "refrigerant in the plenum between throttle and compressor", "s_degc"),
    Quantity("discharge_degc", "degC", "refrigerant in the compressor's discharge up to XV-201", "p_degc"),
    Quantity("condenser_degc", "degC", "refrigerant in the rig's condenser", "d_degc"),
    Quantity(
        "coil_degc", "degC", "refrigerant in the sub-cooling coil, or in the condenser where there is none", "x_degc"
    ),
    Quantity("hose_degc", "degC", "refrigerant in the hose to the cylinder", "h_degc"),
    Quantity("cylinder_degc", "degC", "refrigerant in the cylinder", "y_degc"),
    Quantity("appliance_metal_degc", "degC", "metal of the appliance, where TT-001 sits", "metal_degc"),
    Quantity("appliance_oil_degc", "degC", "crankcase oil of the appliance", "oil_degc"),
    Quantity("motor_degc", "degC", "motor of the rig's compressor", "motor_degc"),
    Quantity("condenser_metal_degc", "degC", "metal of the rig's condenser", "condenser_metal_degc"),
    Quantity("cylinder_wall_degc", "degC", "wall of the cylinder, where TT-301 sits", "cylinder_wall_degc"),
    Quantity("coil_bath_degc", "degC", "bath of the sub-cooling coil", "bath_degc"),
    Quantity("cylinder_bath_degc", "degC", "bath that the cylinder stands in", "cylinder_bath_degc"),
    Quantity("exchanger_water_degc", "degC", "water in the appliance's exchanger", "water_degc"),
    Quantity(
        "appliance_kg",
        "kg",
        "refrigerant in the appliance, accumulator and receiver included, without what is in the oil",
        "a_kg",
    ),
    Quantity("header_kg", "kg", "refrigerant in the suction header", "m_kg"),
    Quantity("plenum_kg", "kg", "refrigerant in the plenum between throttle and compressor", "s_kg"),
    Quantity("discharge_kg", "kg", "refrigerant in the compressor's discharge up to XV-201", "p_kg"),
    Quantity("condenser_kg", "kg", "refrigerant in the rig's condenser", "d_kg"),
    Quantity("coil_kg", "kg", "refrigerant in the sub-cooling coil", "x_kg"),
    Quantity("hose_kg", "kg", "refrigerant in the hose to the cylinder", "h_kg"),
    Quantity("cylinder_kg", "kg", "refrigerant in the cylinder", "y_kg"),
    Quantity("appliance_oil_refrigerant_kg", "kg", "refrigerant dissolved in the appliance's oil", "oil_kg"),
    Quantity("appliance_liquid_fraction", "(0 to 1)", "share of the volume that liquid takes: appliance", "fill_a"),
    Quantity("header_liquid_fraction", "(0 to 1)", "share of the volume that liquid takes: suction header", "fill_m"),
    Quantity(
        "plenum_liquid_fraction",
        "(0 to 1)",
        "share of the volume that liquid takes: plenum between throttle and compressor",
        "fill_s",
    ),
    Quantity(
        "discharge_liquid_fraction",
        "(0 to 1)",
        "share of the volume that liquid takes: compressor's discharge up to XV-201",
        "fill_p",
    ),
    Quantity(
        "condenser_liquid_fraction", "(0 to 1)", "share of the volume that liquid takes: rig's condenser", "fill_d"
    ),
    Quantity(
        "coil_liquid_fraction",
        "(0 to 1)",
        "share of the volume that liquid takes: sub-cooling coil, or in the condenser where there is none",
        "fill_x",
    ),
    Quantity(
        "hose_liquid_fraction", "(0 to 1)", "share of the volume that liquid takes: hose to the cylinder", "fill_h"
    ),
    Quantity("cylinder_liquid_fraction", "(0 to 1)", "share of the volume that liquid takes: cylinder", "fill_y"),
    Quantity(
        "cylinder_gross_kg", "kg", "cylinder with all that is in it, as a scale without errors would show", "gross_kg"
    ),
    Quantity("suction_kg_s", "kg/s", "flow through the compressor", "suction_kg_s"),
    Quantity("liquid_port_kg_s", "kg/s", "flow out of the appliance's liquid port", "liquid_port_kg_s"),
    Quantity("vapor_port_kg_s", "kg/s", "flow out of the appliance's vapor port", "vapor_port_kg_s"),
    Quantity("cylinder_inflow_kg_s", "kg/s", "net flow into the cylinder", "cylinder_kg_s"),
    Quantity(
        "liquid_port_vapor_fraction",
        "(0 to 1)",
        "share of vapor by mass in what the liquid port gives",
        "liquid_port_quality",
    ),
    Quantity("compressor_power_w", "W", "electric power of M-101, mean over the last advance", "power_w"),
    Quantity("compressor_energy_j", "J", "electric energy that M-101 has taken", "electric_energy_j"),
    Quantity(
        "compressor_slugging_ratio",
        "(1 is the limit)",
        "liquid that the compressor swallows over what it bears",
        "slugging_index",
    ),
    Quantity(
        "compressor_slugging_s",
        "s",
        "time above that limit, weighted by the ratio: enough of it does damage",
        "slugging_dose_s",
    ),
    Quantity("compressor_damaged_flag", "(0 or 1)", "compressor damaged by liquid", "damaged"),
    Quantity("coil_bath_ice_kg", "kg", "ice left in the bath of the coil", "ice_kg"),
    Quantity("cylinder_bath_ice_kg", "kg", "ice left in the bath of the cylinder", "cylinder_ice_kg"),
    Quantity("exchanger_ice_fraction", "(0 to 1)", "share of the exchanger's water that is ice", "water_ice_fraction"),
    Quantity(
        "water_flow_flag", "(0 or 1)", "water moves through the exchanger: what FS-001 proves", "water_flow_proved"
    ),
    Quantity("xv_101_open_fraction", "(0 to 1)", "opening of XV-101", "xv_101"),
    Quantity("xv_102_open_fraction", "(0 to 1)", "opening of XV-102", "xv_102"),
    Quantity("xv_201_open_fraction", "(0 to 1)", "opening of XV-201", "xv_201"),
    Quantity("xv_202_open_fraction", "(0 to 1)", "opening of XV-202", "xv_202"),
    Quantity("xv_203_open_fraction", "(0 to 1)", "opening of XV-203", "xv_203"),
    Quantity("xv_204_open_fraction", "(0 to 1)", "opening of XV-204", "xv_204"),
    Quantity("xv_301_open_fraction", "(0 to 1)", "opening of XV-301", "xv_301"),
    Quantity("cv_103_open_fraction", "(0 to 1)", "opening of CV-103", "cv_103"),
    Quantity("xv_104_open_fraction", "(0 to 1)", "opening of XV-104", "xv_104"),
    Quantity("xv_105_open_fraction", "(0 to 1)", "opening of XV-105", "xv_105"),
    Quantity("xv_106_open_fraction", "(0 to 1)", "opening of XV-106", "xv_106"),
    Quantity("compressor_running_flag", "(0 or 1)", "compressor turns", "motor_running"),
    Quantity(
        "compressor_speed_ratio", "(1 is nominal)", "speed of the compressor over its nominal speed", "motor_speed"
    ),
    Quantity(
        "pressure_switch_open_flag", "(0 or 1)", "PSH-201 has opened and waits to be reset", "pressure_switch_open"
    ),
    Quantity("cylinder_relief_flag", "(0 or 1)", "relief valve of the cylinder blows", "relief_open"),
    Quantity("vented_kg", "kg", "refrigerant lost to the air", "vented_kg"),
    Quantity("appliance_air_mol", "mol", "air in the appliance", "a_ncg_mol"),
    Quantity("cylinder_air_mol", "mol", "air in the cylinder", "y_ncg_mol"),
    Quantity("solver_steps_count", "steps", "steps that the solver has taken", "steps"),
    Quantity("solver_rejected_steps_count", "steps", "steps that it took back and made shorter", "rejected_steps"),
    Quantity(
        "accumulator_pa_abs",
        "Pa abs",
        "pressure in the appliance's accumulator; the appliance's without one",
        "accumulator_pa_abs",
    ),
    Quantity(
        "receiver_pa_abs",
        "Pa abs",
        "pressure in the appliance's receiver; the appliance's without one",
        "receiver_pa_abs",
    ),
    Quantity("accumulator_kg", "kg", "of the appliance's refrigerant: in its accumulator", "accumulator_kg"),
    Quantity("receiver_kg", "kg", "of the appliance's refrigerant: in its receiver", "receiver_kg"),
    Quantity(
        "appliance_light_fraction",
        "(0 to 1)",
        "share of a blend's light component in the appliance; 0 where it is not followed",
        "a_light_fraction",
    ),
    Quantity(
        "cylinder_light_fraction",
        "(0 to 1)",
        "share of a blend's light component in the cylinder; 0 where it is not followed",
        "y_light_fraction",
    ),
    Quantity(
        "cylinder_surface_excess_k",
        "K",
        "surface of the cylinder's liquid over the liquid's mean; 0 where it is not followed",
        "cylinder_surface_k",
    ),
    Quantity(
        "ice_used_kg",
        "kg",
        "ice that coil and cylinder have melted, or would have, had there been so much",
        "ice_used_kg",
    ),
    Quantity("exchanger_burst_flag", "(0 or 1)", "exchanger burst by ice", "water_burst"),
    Quantity("motor_tripped_flag", "(0 or 1)", "overload of the compressor's motor has tripped", "motor_tripped"),
    Quantity("motor_stalled_flag", "(0 or 1)", "motor is on and cannot turn against the pressure", "motor_stalled"),
    Quantity("rig_air_mol", "mol", "air in hoses and rig", "rig_ncg_mol"),
    Quantity("cylinder_on_scale_flag", "(0 or 1)", "cylinder stands on the scale, not in a bath", "on_scale"),
)
"""All of the truth, in the order of `model.Truth`."""
FIELD_OF: Final = {quantity.name: quantity.field for quantity in QUANTITIES}
"""Name -> field of `model.Truth`."""


def by_name(truth: Truth) -> dict[str, float]:
    """All of the truth by the names of `QUANTITIES`."""
    return {quantity.name: float(getattr(truth, quantity.field)) for quantity in QUANTITIES}


def picked(truth: Truth, names: tuple[str, ...]) -> list[float]:
    """Some of the truth, in the order of the names.

    Raises
    ------
    KeyError
        If there is no such name.
    """
    return [float(getattr(truth, FIELD_OF[name])) for name in names]
