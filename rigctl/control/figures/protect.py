"""Figures of the checks that are no settings. Each field's docstring ends with where it comes from."""

from __future__ import annotations

import msgspec


class Cylinder(msgspec.Struct, frozen=True):
    """Checks of the cylinder: full, and air in it."""

    full_ahead_s: float = 5.0
    """So much flow is counted as in the cylinder already when it is asked whether it is full: a scale lags, and what
    flows goes on until a valve has shut. From: chosen on the simulated rig; no study on record."""
    full_scale_lag_s: float = 20.0
    """A scale that follows so slowly must not overfill the cylinder: liquid that crosses direct stops so much earlier.
    From: chosen on the simulated rig; no study on record."""
    air_rest_s: float = 600.0
    """The cylinder must have rested this long before its pressure can speak of air. From: chosen on the simulated rig;
    no study on record."""
    air_least_fill_share: float = 0.05
    """Of the fill limit: with less in the cylinder there is no liquid to speak of, and saturation does not hold. From:
    chosen on the simulated rig; no study on record."""
    air_advice_delay_s: float = 30.0
    """So long air must be suspected before it is told outside the line-up. From: chosen on the simulated rig; no study
    on record."""


class DeadBands(msgspec.Struct, frozen=True):
    """How far below its limit a value must go before the cause of a trip counts as gone: one that hovers there is one
    alarm, not hundreds.
    """

    pressure_share: float = 0.02
    """Share of the limit. From: common practice for alarms of pressures, ISA-18.2 as taught (from memory)."""
    temperature_k: float = 2.0
    """Below the limit. From: common practice for alarms of temperatures, 1 % of their range, ISA-18.2 as taught (from
    memory)."""
    mass_kg: float = 0.05
    """Below the fill limit: ten times a scale's noise. From: engineering estimate, no source."""
    gas_share: float = 0.1
    """Share of the gas alarm. From: engineering estimate, no source."""


class Discharge(msgspec.Struct, frozen=True):
    """Checks of the discharge: ratio, dead head, a way out that is narrow."""

    ratio_delay_s: float = 5.0
    """So long the compression ratio must be high. From: chosen on the simulated rig; no study on record."""
    wrong_way_out_k: float = 15.0
    """Discharge above saturation at cylinder temperature plus this has no open cylinder behind it. From: chosen on the
    simulated rig; no study on record."""
    dead_head_least_flow_kg_s: float = 3e-3
    """Flow that counts as one: less pumped cannot be missed on the scale, less gained while the cooler is cleared out
    shows no way into the cylinder. From: chosen on the simulated rig; no study on record."""
    dead_head_arrives_share: float = 0.3
    """Of the pumped flow: weight gain under it means that what is pumped does not arrive. From: chosen on the simulated
    rig; no study on record."""
    dead_head_start_s: float = 8.0
    """After the start weight and pressures say nothing of a dead head for so long. From: chosen on the simulated rig;
    no study on record."""
    dead_head_jump_s: float = 3.0
    """After the start the discharge may jump for so long: from where it rests, behind the head's valves, up to the
    cylinder. From: simulated jobs with PT-201 below the cylinder before the start; no study on record."""
    dead_head_above_pa: float = 2e5
    """Discharge so far above the cylinder while no weight is gained has no open way into it. From: chosen on the
    simulated rig; no study on record."""
    dead_head_creep_pa_s: float = 4e3
    """Without PT-301: discharge that creeps up faster than this while weight has stopped. From: chosen on the simulated
    rig; no study on record."""
    dead_head_least_gain_kg: float = 0.02
    """Weight gain that shows a way into the cylinder while the discharge shoots up. From: chosen on the simulated rig;
    no study on record."""
    restricted_pa: float = 3e5
    """Discharge so far above the cylinder is more than any hose in order takes. From: chosen on the simulated rig; no
    study on record."""
    restricted_delay_s: float = 15.0
    """So long the discharge must stand that far above the cylinder before it is told. From: chosen on the simulated
    rig; no study on record."""
    pressed_pa: float = 8e5
    """In push-pull: discharge so far above the appliance has no open way onto it; the throttle holds it at
    `Throttle.press_ease_pa`. From: chosen on the simulated rig; no study on record."""


class Scale(msgspec.Struct, frozen=True):
    """Checks of the scale: frozen, contradicted, falling."""

    stuck_pumped_kg: float = 0.1
    """Pumped while the scale shows the same figure to the last digit, after it had been following. From: chosen on the
    simulated rig; no study on record."""
    above_slack_kg: float = 1.0
    """So much more the scale may show than was pumped, besides `above_allowed_times`: it errs on the safe side. From:
    chosen on the simulated rig; no study on record."""
    above_allowed_times: float = 2.0
    """Of the allowed difference between scale and second estimate, where the scale shows more. From: chosen on the
    simulated rig; no study on record."""
    disagrees_delay_s: float = 5.0
    """So long scale and second estimate must disagree. From: chosen on the simulated rig; no study on record."""
    falling_delay_s: float = 1.0
    """So long the weight must have fallen before that is a leak. From: chosen on the simulated rig; no study on
    record."""


class Water(msgspec.Struct, frozen=True):
    """Checks of the water in an exchanger."""

    freezing_delay_s: float = 1.0
    """So long saturation must be near freezing without proved flow. From: chosen on the simulated rig; no study on
    record."""


class WayIn(msgspec.Struct, frozen=True):
    """Checks of the way in: closed or iced."""

    falls_fast_from_times: float = 3.0
    """Of the starved suction pressure: an appliance above it does not explain a starved header, the way in is closed.
    From: chosen on the simulated rig; no study on record."""
    falls_fast_delay_s: float = 3.0
    """So long the header must be starved. From: chosen on the simulated rig; no study on record."""


class Protect(msgspec.Struct, frozen=True):
    """All figures of the checks, by subject."""

    cylinder: Cylinder = Cylinder()
    dead_bands: DeadBands = DeadBands()
    discharge: Discharge = Discharge()
    scale: Scale = Scale()
    water: Water = Water()
    way_in: WayIn = WayIn()
