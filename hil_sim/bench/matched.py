"""One description of rig, set-up and appliance, told to the plant and to the controller alike."""

from __future__ import annotations

from dataclasses import replace

import msgspec

from hil_sim.plant.model import CylinderParameters, PlantParameters, RigParameters
from hil_sim.scenario import Appliance, Setup, plant_parameters
from rigctl.control.settings import Bath, Cylinder, Fitted, Hookup, Settings

MANIFOLD_KV_M3_H = 0.5
"""A narrower way is a gauge manifold, a wider one a tee; our choice, no source."""


def rig_parameters(settings: Settings) -> RigParameters:
    """The plant's rig, as the rig's file describes it."""
    fitted, compressor = settings.fitted, settings.compressor
    base = RigParameters()
    swept_m3_s = base.swept_volume_m3 * base.speed_rpm / 60.0
    return replace(
        base,
        two_inlets=fitted.xv_101 and fitted.xv_102,
        cv_103_fitted=fitted.cv_103,
        xv_201_fitted=fitted.cooler_valves,
        xv_202_fitted=fitted.cooler_valves,
        xv_203_fitted=fitted.cooler_valves,
        xv_204_fitted=fitted.cooler_valves,
        push_pull_fitted=fitted.push_pull,
        push_pull_kv_m3_h=settings.compressor.push_pull_kv_m3_h,
        cv_103_kv_m3_h=compressor.throttle_kv_m3_h,
        fixed_restriction_kv_m3_h=compressor.throttle_kv_m3_h,
        swept_volume_m3=compressor.displacement_m3_s * 60.0 / base.speed_rpm,
        clearance=max(compressor.clearance, 0.005),
        leak_factor=compressor.leak_factor,
        # A motor as large as its compressor.
        motor_rated_w=base.motor_rated_w * max(compressor.displacement_m3_s / swept_m3_s, 0.1),
    )


def scenario(settings: Settings, appliance: Appliance, setup: Setup) -> tuple[Settings, PlantParameters]:
    """Settings and plant for this job, hooked up like this: what a set-up plugs in, the rig may use.

    Raises
    ------
    ScenarioError
        If a value is outside what the plant takes.
    """
    fitted = msgspec.structs.replace(
        settings.fitted,
        eh_001=settings.fitted.eh_001 and setup.warming,
        m_001=settings.fitted.m_001 and (setup.fan or settings.job.water_side),
        m_202=settings.fitted.m_202 and setup.coil_in_ice,
    )
    job = msgspec.structs.replace(settings.job, vapor_inlet_with_liquid=setup.vapor_inlet_with_liquid)
    # The coil and its bath belong to the rig: without circulation M-202 there is none to put in ice.
    setup = replace(setup, coil_in_ice=setup.coil_in_ice and settings.fitted.m_202)
    # What the simulated cylinder holds stands in its log, too.
    cylinder = settings.cylinder
    if cylinder.refrigerant and not cylinder.residual_kg:
        cylinder = msgspec.structs.replace(cylinder, residual_kg=appliance.cylinder.residual_kg)
    hooked_up = msgspec.structs.replace(
        settings, fitted=fitted, job=job, cylinder=cylinder, hookup=hookup(setup, fitted)
    )
    return hooked_up, plant_parameters(appliance, setup, rig_parameters(settings))


def hookup(setup: Setup, fitted: Fitted) -> Hookup:
    """What a technician knows of the set-up and would type in."""
    lines = setup.lines
    return Hookup(
        liquid_core_in=setup.liquid_core_in,
        vapor_core_in=setup.vapor_core_in,
        liquid_hose_bore_m=lines.liquid_hose_bore_m,
        liquid_hose_length_m=lines.liquid_hose_length_m,
        vapor_hose_bore_m=lines.vapor_hose_bore_m,
        vapor_hose_length_m=lines.vapor_hose_length_m,
        manifold=setup.manifold_kv_m3_h < MANIFOLD_KV_M3_H,
        dip_tube=setup.dip_tube,
        cylinder_bath=Bath.ICE if setup.cylinder_in_ice else Bath.AIR,
        fan=fitted.m_001,
    )


def cylinder_parameters(label: Cylinder, like: CylinderParameters) -> CylinderParameters:
    """The plant's cylinder with what its label says; the rest as in `like`."""
    # Water capacity in kg is the volume in litres within 0.2 % (water at 16 degC).
    residual_kg = label.residual_kg or like.residual_kg
    return replace(like, volume_m3=label.water_capacity_kg * 1e-3, tare_kg=label.tare_kg, residual_kg=residual_kg)
