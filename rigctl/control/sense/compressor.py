"""What the compressor moves, by its nameplate and the pressures: the fill estimate that does not need the scale."""

from __future__ import annotations

from math import sqrt

from rigctl.control.figures import sense as figures
from rigctl.control.prepared import Prepared
from rigctl.control.sense.restrictions import ORIFICE_M2_PER_KV, choked_liquid_flux_kg_m2_s
from rigctl.control.sense.signals import Signals
from rigctl.control.settings import Compressor
from rigctl.refrigerant.saturation import Refrigerant


def volumetric_efficiency(compressor: Compressor, ratio: float, k: figures.Compressor) -> float:
    """Return the share of the swept volume that is taken in at a pressure ratio, 0 to 1.

    Clearance model of every refrigeration textbook: leak * (1 + c - c * r**(1/n)); zero flow at
    r = ((1 + c)/c)**n.
    """
    c = compressor.clearance
    eta: float = compressor.leak_factor * (1.0 + c - c * max(ratio, 1.0) ** (1.0 / k.polytropic_exponent))
    return max(0.0, eta)


def liquid_fraction(refrigerant: Refrigerant, source_pa_abs: float, p_pa_abs: float) -> float:
    """Return the share of the volume that liquid takes after saturated liquid has flashed down to a pressure, 0 to 1.

    Isenthalpic, both phases at one speed. NaN outside the table.
    """
    x = refrigerant.flash_quality(source_pa_abs, p_pa_abs)
    liquid = (1.0 - x) / refrigerant.liquid_density_kg_m3(refrigerant.bubble_temperature_degc(p_pa_abs))
    return liquid / (liquid + x / refrigerant.vapor_density_kg_m3(p_pa_abs))


def liquid_opening(prepared: Prepared, p_pa_abs: float, p_discharge_pa_abs: float) -> float:
    """Return the opening of CV-103 at which liquid takes its allowed share of the suction's volume, 0 to 1; NaN if
    unknown.

    Saturated liquid before the throttle flashes down to where the displacement takes what the throttle passes; the
    pressure behind it at which `liquid_fraction` is what the compressor takes gives the flow, and that the opening.
    """
    compressor, refrigerant, k = prepared.settings.compressor, prepared.refrigerant, prepared.figures.sense.compressor
    low, high = 0.1 * p_pa_abs, 0.95 * p_pa_abs
    for _ in range(8):
        middle = 0.5 * (low + high)
        if liquid_fraction(refrigerant, p_pa_abs, middle) > compressor.liquid_fraction_high:
            high = middle
        else:
            low = middle
    x = refrigerant.flash_quality(p_pa_abs, low)
    v_liquid = 1.0 / refrigerant.liquid_density_kg_m3(refrigerant.bubble_temperature_degc(low))
    mixture = 1.0 / (x / refrigerant.vapor_density_kg_m3(low) + (1.0 - x) * v_liquid)
    eta = volumetric_efficiency(compressor, p_discharge_pa_abs / low, k)
    flow = compressor.displacement_m3_s * eta * mixture
    whole = choked_liquid_flux_kg_m2_s(refrigerant, p_pa_abs) * ORIFICE_M2_PER_KV * compressor.throttle_kv_m3_h
    return flow / whole


def comes_dry(prepared: Prepared, signals: Signals) -> bool:
    """Whether the discharge is too hot for liquid at the suction; False where nobody measures it.

    Wet compression ends near saturation; dry gas comes out tens of kelvins above.
    """
    dew = prepared.refrigerant.dew_temperature_degc(signals.p_201)
    return signals.t_201 > dew + prepared.figures.sense.compressor.dry_discharge_k


def suction_temperature_degc(
    refrigerant: Refrigerant, p_pa_abs: float, ambient_degc: float, k: figures.Compressor
) -> float:
    """Temperature of vapor at the suction where nobody measures it: near dew while much comes, near the room's late."""
    dew = refrigerant.dew_temperature_degc(p_pa_abs)
    if not dew < ambient_degc:
        return ambient_degc
    share = p_pa_abs / refrigerant.dew_pressure_pa_abs(ambient_degc) / k.half_warm_share
    return dew + (ambient_degc - dew) / (1.0 + share * share)


def vapor_beside_liquid(refrigerant: Refrigerant, source_pa_abs: float, p_pa_abs: float) -> float:
    """Share of vapor, by mass, in what two equal inlets bring from liquid and vapor of one appliance; 0 to 1.

    Both see the same pressure drop, so that flow goes with the root of density (Bernoulli); the liquid's is the mean
    of what enters and what has flashed on the way.
    """
    x = refrigerant.flash_quality(source_pa_abs, p_pa_abs)
    v_source = 1.0 / refrigerant.liquid_density_kg_m3(refrigerant.bubble_temperature_degc(source_pa_abs))
    v = 1.0 / refrigerant.liquid_density_kg_m3(refrigerant.bubble_temperature_degc(p_pa_abs))
    v = (1.0 - x) * v + x / refrigerant.vapor_density_kg_m3(p_pa_abs)
    ratio = sqrt(0.5 * (v_source + v) * refrigerant.vapor_density_kg_m3(source_pa_abs))
    return ratio / (1.0 + ratio)


def pumped_flow(
    prepared: Prepared,
    signals: Signals,
    liquid: bool,
    opening: float,
    both_inlets: bool = False,
) -> tuple[float, float, float]:
    """Mass flow through the compressor without the scale, by the nameplate, kg/s.

    Liquid: what flashing lets through the throttle, and never more than the displacement could take of the flashed
    mixture. Vapor: displacement times density at the suction, less what re-expands.

    Returns
    -------
    Liquid; vapor were there no clearance; and what the clearance's re-expansion takes off that. Either the first or
    the others are 0.
    """
    settings, refrigerant, k = prepared.settings, prepared.refrigerant, prepared.figures.sense.compressor
    compressor = settings.compressor
    p, p_discharge = signals.p_101, signals.p_201
    if not (p > 0.0 and p_discharge > 0.0):
        return 0.0, 0.0, 0.0
    measured = signals.p_102 == signals.p_102
    orifice = ORIFICE_M2_PER_KV * compressor.throttle_kv_m3_h * opening
    if liquid:
        # What cores and hoses have let flash on the way follows from the appliance's own pressure.
        source = max(signals.p_source, p) if signals.p_source == signals.p_source else p
        beside = vapor_beside_liquid(refrigerant, source, p) if both_inlets else 0.0
        x = refrigerant.flash_quality(source, p)
        flow = choked_liquid_flux_kg_m2_s(refrigerant, p, x + beside * (1.0 - x)) * orifice
        if measured:
            x = refrigerant.flash_quality(source, signals.p_102)
            x += beside * (1.0 - x)
            v_liquid = 1.0 / refrigerant.liquid_density_kg_m3(refrigerant.bubble_temperature_degc(signals.p_102))
            mixture = 1.0 / (x / refrigerant.vapor_density_kg_m3(signals.p_102) + (1.0 - x) * v_liquid)
            eta = volumetric_efficiency(compressor, p_discharge / signals.p_102, k)
            bound = compressor.displacement_m3_s * eta * mixture
            if bound < flow:
                flow = bound
        if flow == flow:
            return flow, 0.0, 0.0  # else the pressure is below the table: no liquid comes at that
    temperature = signals.t_101
    if temperature != temperature:
        temperature = suction_temperature_degc(refrigerant, p, settings.job.ambient_degc, k)
    density = refrigerant.superheated_density_kg_m3(p, temperature)
    share = 1.0
    if measured:
        share = min(1.0, signals.p_102 / p)
    elif orifice > 0.0 and density > 0.0:
        # Displacement d*r meets the throttle k*sqrt(1 - r) at the pressure ratio r over it; liquid-flow form of
        # the throttle, good to a few per cent until it chokes.
        d = compressor.displacement_m3_s * compressor.leak_factor * density
        k2 = orifice * orifice * 2.0 * density * p
        share = (sqrt(k2 * k2 + 4.0 * k2 * d * d) - k2) / (2.0 * d * d)
    suction = share * p
    if not suction > k.reed_valve_pa:
        return 0.0, 0.0, 0.0
    flow = compressor.displacement_m3_s * compressor.leak_factor * density * (suction - k.reed_valve_pa) / p
    ratio = max(1.0, p_discharge / suction)
    back = flow * compressor.clearance * (ratio ** (1.0 / k.polytropic_exponent) - 1.0)
    return (0.0, flow, back) if back == back else (0.0, 0.0, 0.0)


def straight_through_kg_s(prepared: Prepared, signals: Signals, opening: float) -> float:
    """Mass flow that the appliance's own pressure drives through the valves of a standing compressor, kg/s.

    Boiling liquid is taken, which counts too much where vapor comes: good to a factor of two.
    """
    settings, refrigerant, k = prepared.settings, prepared.refrigerant, prepared.figures.sense.compressor
    least_pa = k.still_drop_uncertainties * settings.instruments.pressure_uncertainty_pa
    p, drop = signals.p_101, signals.p_101 - signals.p_201 - least_pa
    if not drop > 0.0:
        return 0.0
    throttle = settings.compressor.throttle_kv_m3_h * opening
    if not throttle > 0.0:
        return 0.0
    kv = 1.0 / sqrt(1.0 / k.reed_valves_kv_m3_h**2 + 1.0 / throttle**2)
    source = signals.p_source
    if source != source:
        source = refrigerant.bubble_pressure_pa_abs(settings.job.ambient_degc)
    x = refrigerant.flash_quality(max(source, p), p)
    v_liquid = 1.0 / refrigerant.liquid_density_kg_m3(refrigerant.bubble_temperature_degc(p))
    volume = x / refrigerant.vapor_density_kg_m3(p) + (1.0 - x) * v_liquid
    return ORIFICE_M2_PER_KV * kv * sqrt(2.0 * drop / volume) if volume > 0.0 else 0.0
