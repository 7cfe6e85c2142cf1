"""Every parameter of the plant: meaning, unit, default and accepted range, in one place."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, fields, is_dataclass
from typing import Any, NamedTuple


def _number(default: float, low: float, high: float, meaning: str) -> Any:
    return field(default=default, metadata={"low": low, "high": high, "meaning": meaning})


def _flag(default: bool, meaning: str) -> Any:
    return field(default=default, metadata={"meaning": meaning})


class ParameterInfo(NamedTuple):
    """What one parameter is; `low` and `high` are None for yes/no parameters."""

    name: str
    default: float | bool
    low: float | None
    high: float | None
    meaning: str


@dataclass(frozen=True, kw_only=True)
class ApplianceParameters:
    """The appliance that is emptied. Values are engineering estimates of a 3 kg split air conditioner."""

    volume_m3: float = _number(8e-3, 1e-4, 1.0, "inner volume of the refrigerant circuit")
    charge_kg: float = _number(3.0, 0.01, 500.0, "refrigerant in the appliance at the start, oil's share included")
    ncg_mol: float = _number(0.0, 0.0, 20.0, "air or nitrogen in the appliance at the start")
    metal_heat_capacity_j_k: float = _number(8e3, 500.0, 5e6, "metal of the exchangers")
    shell_heat_capacity_j_k: float = _number(7e3, 300.0, 1e6, "compressor shell and its oil")
    air_ua_fan_off_w_k: float = _number(12.0, 0.0, 2000.0, "metal to room air, fan M-001 off")
    air_ua_fan_on_w_k: float = _number(140.0, 0.0, 5000.0, "metal to room air, fan M-001 on")
    refrigerant_ua_wet_w_k: float = _number(500.0, 1.0, 2e4, "metal to refrigerant while liquid is present")
    refrigerant_ua_dry_w_k: float = _number(40.0, 0.1, 2e3, "metal to refrigerant, vapor only")
    shell_air_ua_w_k: float = _number(2.0, 0.0, 200.0, "compressor shell to room air")
    shell_refrigerant_ua_w_k: float = _number(5.0, 0.0, 500.0, "compressor shell and oil to refrigerant")
    oil_kg: float = _number(0.95, 0.0, 200.0, "crankcase oil without refrigerant")
    oil_initial_mass_fraction: float = _number(0.25, 0.0, 0.6, "refrigerant in the oil at the start, of the mixture")
    desorption_time_cold_s: float = _number(900.0, 20.0, 1e5, "time constant of release from still oil at 25 degC")
    desorption_time_warm_s: float = _number(180.0, 10.0, 1e5, "time constant of release from oil at 60 degC")
    desorption_time_foaming_s: float = _number(180.0, 5.0, 1e5, "time constant while the oil foams")
    absorption_time_s: float = _number(7200.0, 100.0, 1e6, "time constant of uptake by still oil")
    heater_w: float = _number(70.0, 0.0, 2e4, "EH-001 on the compressor shell: crankcase or tank heater")
    blanket_w: float = _number(0.0, 0.0, 2e4, "EH-001 on the exchangers' metal: heating blanket, 0 for none")
    blanket_limit_degc: float = _number(45.0, 10.0, 90.0, "thermostat of the blanket")
    sunlit_area_m2: float = _number(0.3, 0.0, 50.0, "area of the appliance that the sun meets, times absorptance")
    accumulator_volume_m3: float = _number(0.0, 0.0, 0.5, "suction accumulator at the vapor port; below 0.1 L none")
    accumulator_liquid_kg: float = _number(0.0, 0.0, 200.0, "liquid in the accumulator at the start, of the charge")
    receiver_volume_m3: float = _number(0.0, 0.0, 0.5, "receiver with dip tube at the liquid port; below 0.1 L none")
    receiver_liquid_kg: float = _number(0.0, 0.0, 200.0, "liquid in the receiver at the start, of the charge")
    vessel_kv_m3_h: float = _number(1.0, 0.02, 50.0, "pipe from the exchangers to accumulator or receiver")
    vessel_heat_capacity_j_k: float = _number(1.5e3, 100.0, 1e6, "metal of accumulator or receiver, each")
    vessel_inner_ua_w_k: float = _number(40.0, 0.1, 2e3, "that metal to refrigerant")
    vessel_air_ua_w_k: float = _number(1.5, 0.0, 100.0, "that metal to room air")
    port_orifice_length_m: float = _number(
        0.1, 7e-3, 0.1, "narrowest passage of the liquid port; liquid boils in it fully from 0.1 m on"
    )
    liquid_pocket_kg: float = _number(0.35, 0.0, 100.0, "liquid that the liquid port cannot reach")
    liquid_transition_kg: float = _number(
        0.12, 1e-3, 100.0, "liquid above the pocket over which the port turns to vapor"
    )
    liquid_core_fitted: bool = _flag(True, "valve core left in the liquid port")
    vapor_core_fitted: bool = _flag(True, "valve core left in the vapor port")
    core_kv_m3_h: float = _number(0.07, 0.01, 50.0, "Kv of a port with its core in (estimates run from 0.05 to 0.3)")
    port_kv_m3_h: float = _number(0.50, 0.01, 50.0, "Kv of a port with its core out, hand valve open")
    water_kg: float = _number(0.0, 0.0, 5e3, "water in the exchanger; below 0.1 kg means none")
    water_ua_flowing_w_k: float = _number(4e3, 0.0, 1e5, "metal to water, pump M-001 on")
    water_ua_still_w_k: float = _number(300.0, 0.0, 1e4, "metal to water, pump off")
    water_flow_kg_s: float = _number(4.0, 0.0, 200.0, "water flow with the pump M-001 on")
    water_supply_degc: float = _number(20.0, 0.5, 60.0, "temperature of the water that comes in")
    water_burst_ice_fraction: float = _number(
        0.3, 0.01, 1.0, "share of that water frozen at which the exchanger bursts"
    )


@dataclass(frozen=True, kw_only=True)
class LineParameters:
    """Hoses. A 1/4 in hose has a bore of 4.5-5 mm, a 3/8 in hose about 8 mm."""

    liquid_hose_bore_m: float = _number(4.8e-3, 2e-3, 0.05, "liquid hose, bore")
    liquid_hose_length_m: float = _number(1.5, 0.05, 30.0, "liquid hose, length")
    vapor_hose_bore_m: float = _number(4.8e-3, 2e-3, 0.05, "vapor hose, bore")
    vapor_hose_length_m: float = _number(1.5, 0.05, 30.0, "vapor hose, length")
    discharge_hose_bore_m: float = _number(4.8e-3, 2e-3, 0.05, "discharge hose, bore")
    discharge_hose_length_m: float = _number(1.5, 0.05, 30.0, "discharge hose, length")
    hose_ua_w_k: float = _number(0.5, 0.0, 20.0, "each side's hose to room air")


@dataclass(frozen=True, kw_only=True)
class RigParameters:
    """The rig: valves, compressor M-101, condenser and sub-cooling coil."""

    two_inlets: bool = _flag(True, "XV-101 and XV-102 both fitted; otherwise XV-101 serves the port the hose is on")
    cv_103_fitted: bool = _flag(True, "suction throttle fitted; otherwise a fixed restriction")
    xv_201_fitted: bool = _flag(True, "condenser inlet valve fitted; otherwise always open")
    xv_202_fitted: bool = _flag(True, "condenser outlet valve fitted; otherwise always open")
    xv_203_fitted: bool = _flag(True, "clear-out valve fitted; otherwise always shut")
    xv_204_fitted: bool = _flag(True, "bypass valve fitted; otherwise always shut")
    head_check_valve_fitted: bool = _flag(True, "check valve behind the compressor's head")
    outlet_check_valve_fitted: bool = _flag(False, "check valve in the way to the cylinder")
    coil_fitted: bool = _flag(False, "sub-cooling coil in its bath fitted")
    coil_turns_touching: bool = _flag(False, "turns of the coil touch: half of their surface sees little water")
    push_pull_fitted: bool = _flag(False, "XV-104, XV-105 and XV-106 fitted")
    header_volume_m3: float = _number(40e-6, 1e-5, 1e-2, "header without hoses")
    plenum_volume_m3: float = _number(60e-6, 1e-5, 1e-2, "between CV-103 and the compressor's valves")
    discharge_volume_m3: float = _number(40e-6, 1e-5, 1e-2, "compressor head and discharge line")
    condenser_volume_m3: float = _number(250e-6, 2e-5, 0.05, "condenser")
    coil_tube_diameter_m: float = _number(
        9.53e-3, 4e-3, 0.05, "coil, outer diameter (1/4 in: 6.35 mm, 3/8 in: 9.53 mm)"
    )
    coil_tube_bore_m: float = _number(7.9e-3, 2e-3, 0.045, "coil, bore (1/4 in tube: 4.8 mm, 3/8 in tube: 7.9 mm)")
    coil_length_m: float = _number(5.0, 0.3, 60.0, "coil, length of one tube")
    coil_parallel: float = _number(1.0, 1.0, 3.0, "coils in parallel, 1 to 3")
    inlet_valve_kv_m3_h: float = _number(0.45, 0.01, 20.0, "XV-101 and XV-102, each")
    manifold_kv_m3_h: float = _number(0.15, 0.01, 20.0, "hose manifold, in each inlet path")
    cv_103_kv_m3_h: float = _number(0.45, 0.01, 20.0, "throttle fully open (Kv is linear in position)")
    fixed_restriction_kv_m3_h: float = _number(0.20, 0.01, 20.0, "in place of a throttle")
    cooler_valve_kv_m3_h: float = _number(0.6, 0.01, 20.0, "XV-201, XV-202, XV-204 and XV-301, each")
    clear_out_kv_m3_h: float = _number(0.08, 0.005, 20.0, "XV-203")
    push_pull_kv_m3_h: float = _number(0.6, 0.01, 20.0, "XV-104, XV-105 and XV-106, each")
    valve_stroke_s: float = _number(0.3, 0.02, 60.0, "full stroke of an on/off valve")
    throttle_stroke_s: float = _number(2.0, 0.05, 120.0, "full stroke of CV-103")
    swept_volume_m3: float = _number(20e-6, 2e-6, 1e-3, "compressor, swept volume of one revolution")
    speed_rpm: float = _number(1500.0, 300.0, 4000.0, "compressor speed")
    clearance: float = _number(0.02, 0.005, 0.15, "clearance volume over swept volume")
    leak_factor: float = _number(0.95, 0.3, 1.0, "share left after ring and valve leakage")
    valve_loss_pa: float = _number(2e3, 0.0, 3e4, "pressure lost at the suction reed valve")
    polytropic_exponent: float = _number(1.10, 1.02, 1.4, "compression and re-expansion")
    compression_efficiency: float = _number(0.62, 0.2, 1.0, "ideal work over work done on the gas")
    friction_w: float = _number(120.0, 0.0, 5e3, "mechanical friction while running")
    motor_efficiency: float = _number(0.80, 0.3, 1.0, "shaft power over electric power")
    compressor_kv_m3_h: float = _number(0.3, 0.01, 20.0, "straight through both reed valves, standing still")
    start_pressure_difference_pa: float = _number(40e5, 0.0, 80e5, "against which the motor still starts")
    motor_rated_w: float = _number(1500.0, 50.0, 2e4, "electric power at which the motor may run for ever")
    overload_time_s: float = _number(60.0, 2.0, 3600.0, "time constant of the motor's thermal overload")
    shell_heat_capacity_j_k: float = _number(6e3, 300.0, 1e6, "compressor and motor body")
    shell_ua_w_k: float = _number(7.0, 0.0, 500.0, "compressor body to room air")
    discharge_ua_w_k: float = _number(4.0, 0.0, 200.0, "hot gas to compressor body")
    slugging_liquid_fraction: float = _number(
        0.06, 1e-3, 1.0, "liquid by volume at the suction that index 1 stands for"
    )
    slugging_dose_limit_s: float = _number(20.0, 0.1, 1e5, "seconds above index 1 (weighted by it) that do damage")
    condenser_ua_fan_on_w_k: float = _number(55.0, 0.0, 2e3, "condenser metal to room air, fan M-201 on")
    condenser_ua_fan_off_w_k: float = _number(8.0, 0.0, 500.0, "condenser metal to room air, fan off")
    condenser_inner_ua_w_k: float = _number(300.0, 1.0, 5e3, "refrigerant to condenser metal")
    condenser_heat_capacity_j_k: float = _number(1.8e3, 200.0, 1e5, "condenser metal")
    condenser_sunlit_area_m2: float = _number(
        0.0, 0.0, 5.0, "area of the condenser that the sun meets, times absorptance"
    )
    coil_stirred_w_m2_k: float = _number(370.0, 20.0, 5e3, "coil to bath by its outer area, circulation M-202 on")
    coil_still_w_m2_k: float = _number(165.0, 10.0, 5e3, "coil to bath by its outer area, circulation off")
    coil_touching_share: float = _number(0.6, 0.2, 1.0, "of that where the turns touch")
    bath_water_kg: float = _number(10.0, 0.5, 500.0, "water in the coil's bath, ice not counted")
    bath_ice_kg: float = _number(5.0, 0.0, 500.0, "ice in the coil's bath")
    bath_air_ua_w_k: float = _number(3.0, 0.0, 100.0, "bath to room air, that of the coil and that of the cylinder")
    bath_running_water_kg_s: float = _number(0.0, 0.0, 5.0, "water running through the coil's bath")
    bath_supply_degc: float = _number(15.0, 0.5, 40.0, "temperature of that water")
    initial_pressure_pa_abs: float = _number(1.0e5, 5e3, 5e5, "vapor left in the rig at the start (held to 0.8 Psat)")
    pressure_switch_pa_abs: float = _number(39e5, 2e5, 80e5, "PSH-201 opens above this")
    relief_cracking_pa: float = _number(3.5e5, 2e4, 3e6, "pressure difference that opens PSV-201 and PSV-301")


@dataclass(frozen=True, kw_only=True)
class CylinderParameters:
    """The recovery cylinder Y on the scale."""

    volume_m3: float = _number(21.6e-3, 1e-3, 2.0, "water capacity")
    tare_kg: float = _number(12.0, 0.5, 1000.0, "empty cylinder")
    residual_kg: float = _number(2.0, 0.002, 1000.0, "refrigerant in it when it is put on")
    ncg_mol: float = _number(0.0, 0.0, 100.0, "air or nitrogen in it when it is put on")
    dip_tube: bool = _flag(True, "port with a dip tube to the liquid; otherwise to the vapor space")
    inverted: bool = _flag(False, "stands upside down: the port without dip tube is under the liquid")
    dip_tube_kv_m3_h: float = _number(0.25, 0.01, 20.0, "port with dip tube")
    port_kv_m3_h: float = _number(0.9, 0.01, 50.0, "port without dip tube")
    wall_heat_capacity_j_k: float = _number(6e3, 300.0, 1e6, "shell of the cylinder")
    inner_ua_w_k: float = _number(200.0, 1.0, 5e3, "wall to refrigerant")
    air_ua_w_k: float = _number(4.0, 0.0, 200.0, "wall to room air")
    sunlit_area_m2: float = _number(0.08, 0.0, 5.0, "area of the cylinder that the sun meets, times absorptance")
    bath_ua_w_k: float = _number(150.0, 0.0, 2e3, "wall to bath, if it stands in one to the neck")
    bath_covers: float = _number(1.0, 0.05, 1.0, "share of the cylinder that is under water (weighed down if it swims)")
    in_bath: bool = _flag(False, "cylinder stands in a bath")
    bath_vessel_m3: float = _number(0.0, 0.0, 1.0, "bucket: what the cylinder displaces runs over; 0 for no limit")
    bath_running_water_kg_s: float = _number(0.0, 0.0, 5.0, "water running through the cylinder's bath")
    bath_supply_degc: float = _number(15.0, 0.5, 40.0, "temperature of that water")
    bath_water_kg: float = _number(10.0, 0.5, 500.0, "water in the cylinder's bath, ice not counted")
    bath_ice_kg: float = _number(10.0, 0.0, 500.0, "ice in the cylinder's bath")
    relief_pa_abs: float = _number(38e5, 3e5, 80e5, "relief valve starts to open; it reseats 10 % lower")
    relief_area_m2: float = _number(2e-5, 1e-6, 1e-3, "relief valve, effective area")


@dataclass(frozen=True, kw_only=True)
class AmbientParameters:
    """The room."""

    temperature_degc: float = _number(25.0, -20.0, 48.0, "room air")
    pressure_pa_abs: float = _number(101325.0, 6e4, 1.1e5, "barometric pressure")
    sun_w_m2: float = _number(0.0, 0.0, 1200.0, "sunshine on appliance, cylinder and condenser; 1000 W/m2 at noon")


@dataclass(frozen=True, kw_only=True)
class ModelParameters:
    """Options of the model: more physics for more time, each with figures that are estimates."""

    foaming: bool = _flag(True, "oil foams when its pressure falls quickly and gives refrigerant back sooner")
    two_zone_cylinder: bool = _flag(False, "surface and bulk of the cylinder's liquid at different temperatures")
    composition_shift: bool = _flag(False, "blends: vapor richer in the light component than liquid")
    layer_kg: float = _number(0.6, 0.05, 10.0, "two zones: liquid in the warm surface layer")
    layer_ua_w_k: float = _number(2.0, 0.05, 100.0, "two zones: surface layer to bulk in still liquid")
    layer_wall_share: float = _number(0.4, 0.0, 1.0, "two zones: share of the inner wall at vapor and surface layer")
    stirring_from_above: float = _number(2.0, 0.0, 50.0, "two zones: liquid mixed for each kg that falls in")
    stirring_from_below: float = _number(20.0, 0.0, 500.0, "two zones: liquid mixed for each kg let in from below")


@dataclass(frozen=True, kw_only=True)
class PlantParameters:
    """All parameters of one plant. The accepted range of each stands beside its default; see `describe`."""

    appliance: ApplianceParameters = field(default_factory=ApplianceParameters)
    lines: LineParameters = field(default_factory=LineParameters)
    rig: RigParameters = field(default_factory=RigParameters)
    cylinder: CylinderParameters = field(default_factory=CylinderParameters)
    ambient: AmbientParameters = field(default_factory=AmbientParameters)
    model: ModelParameters = field(default_factory=ModelParameters)

    def validate(self) -> None:
        """Check every parameter against its range.

        Raises
        ------
        ValueError
            With one sentence naming the first parameter that is out of range.
        """
        for group in fields(self):
            validate_group(getattr(self, group.name), group.name)


def validate_group(group: object, name: str) -> None:
    """Check one parameter group against its ranges.

    Raises
    ------
    ValueError
        With one sentence naming the first parameter that is out of range.
    """
    if not is_dataclass(group):
        raise ValueError(f"{name} must be a parameter group, not {type(group).__name__}")
    for item in fields(group):
        value = getattr(group, item.name)
        if "low" not in item.metadata:
            if not isinstance(value, bool):
                raise ValueError(f"{name}.{item.name} must be true or false, not {value!r}")
            continue
        low, high = item.metadata["low"], item.metadata["high"]
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
            raise ValueError(f"{name}.{item.name} must be a number from {low:g} to {high:g}, not {value!r}")
        if not low <= value <= high:
            raise ValueError(f"{name}.{item.name} is {value:g}; give a value from {low:g} to {high:g}")


def describe() -> tuple[ParameterInfo, ...]:
    """Every parameter of `PlantParameters` as ``group.name`` with default, range and meaning."""
    found = []
    defaults = PlantParameters()
    for group in fields(defaults):
        for item in fields(getattr(defaults, group.name)):
            about = item.metadata
            found.append(
                ParameterInfo(
                    f"{group.name}.{item.name}",
                    getattr(getattr(defaults, group.name), item.name),
                    about.get("low"),
                    about.get("high"),
                    about["meaning"],
                )
            )
    return tuple(found)


def split_air_conditioner() -> PlantParameters:
    """Split air conditioner, 3 kg: the defaults."""
    return PlantParameters()


def refrigerator() -> PlantParameters:
    """Domestic or shop refrigerator, 0.35 kg, for R-134a or R-1234yf (or 0.1 kg of R-290)."""
    return PlantParameters(
        appliance=ApplianceParameters(
            volume_m3=2.5e-3,
            charge_kg=0.35,
            metal_heat_capacity_j_k=3e3,
            shell_heat_capacity_j_k=4e3,
            air_ua_fan_off_w_k=5.0,
            air_ua_fan_on_w_k=30.0,
            refrigerant_ua_wet_w_k=120.0,
            refrigerant_ua_dry_w_k=10.0,
            shell_air_ua_w_k=1.5,
            shell_refrigerant_ua_w_k=3.0,
            core_kv_m3_h=0.03,
            oil_kg=0.25,
            oil_initial_mass_fraction=0.15,
            heater_w=40.0,
            liquid_pocket_kg=0.10,
            liquid_transition_kg=0.05,
        )
    )


def water_chiller() -> PlantParameters:
    """Water chiller with 60 kg of R-134a in 120 L, 1/2 in hoses, 27 L cylinders swapped as they fill."""
    return PlantParameters(
        appliance=ApplianceParameters(
            volume_m3=0.12,
            charge_kg=60.0,
            metal_heat_capacity_j_k=1.2e5,
            shell_heat_capacity_j_k=6e4,
            air_ua_fan_off_w_k=15.0,
            air_ua_fan_on_w_k=15.0,
            refrigerant_ua_wet_w_k=6e3,
            refrigerant_ua_dry_w_k=200.0,
            shell_air_ua_w_k=6.0,
            shell_refrigerant_ua_w_k=20.0,
            oil_kg=8.0,
            oil_initial_mass_fraction=0.20,
            heater_w=300.0,
            liquid_pocket_kg=4.0,
            liquid_transition_kg=2.0,
            liquid_core_fitted=False,
            vapor_core_fitted=False,
            port_kv_m3_h=2.0,
            water_kg=80.0,
        ),
        lines=LineParameters(
            liquid_hose_bore_m=9e-3, vapor_hose_bore_m=9e-3, discharge_hose_bore_m=8e-3, liquid_hose_length_m=2.5
        ),
        rig=RigParameters(manifold_kv_m3_h=0.8),
        cylinder=CylinderParameters(volume_m3=27e-3, tare_kg=15.0, residual_kg=0.2, wall_heat_capacity_j_k=7.5e3),
    )
