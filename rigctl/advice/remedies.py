"""What limits the rate now, and what each remedy at hand is worth: a reduced model carried on to the level.

A person cannot see whether cores, hoses, cylinder or oil set the pace. So the job is carried on from now in coarse
steps, once as it is and once with each remedy that rig and set-up offer, until a standing check would hold; the
difference is what the remedy saves, its handling counted. One such run is worked out in a scan, and all of them
again every `Runs.every_s` seconds.

The model knows liquid that the port reaches, liquid that can only boil off, vapor, metal, oil, and the cylinder's
pressure. What cannot be measured is an engineering estimate, no source, and stands in `figures.py`; the way in is
learned while the rig runs.
"""

from __future__ import annotations

import enum
from math import exp, inf, log, nan, sqrt

import msgspec

from rigctl.advice.figures import Choking, CylinderHeat, Handling, Oil, Remedies, Saving, WayIn
from rigctl.advice.limits import LimitedBy
from rigctl.control.figures.sense import Sense
from rigctl.control.sense.compressor import volumetric_efficiency
from rigctl.control.sense.restrictions import ORIFICE_M2_PER_KV, in_a_row, liquid_flux_kg_m2_s, ways_in
from rigctl.control.sense.signals import Signals
from rigctl.control.settings import Bath, Compressor, Hookup, Settings
from rigctl.refrigerant.saturation import T0_K, Refrigerant


class What(enum.Enum):
    """What a person can do."""

    CORES = "take the valve cores out"
    HOSES = "use short wide hoses"
    TEE = "use a tee instead of the manifold"
    ICE = "put the cylinder into ice"
    WATER = "run water over the cylinder"
    WARM = "warm the appliance"
    PORT = "use the cylinder port without dip tube"
    WAIT = "let it run"


class Remedy(msgspec.Struct, frozen=True, array_like=True):
    """One thing that a person can do now, and what it is worth."""

    what: What
    saves_s: float
    """Expected saving until a standing check holds, handling taken off; negative where it costs more than it brings.
    `low_s` and `high_s` are its band."""
    low_s: float
    high_s: float
    sentence: str


class Start(msgspec.Struct, array_like=True, gc=False):
    """The job as it stood when a set of runs began, as far as the model knows it; the same for every remedy."""

    air_w_k: float = nan
    ambient_degc: float = nan
    bath_degc: float = nan
    before: tuple[float, float] = (nan, nan)
    charge_kg: float = nan
    clearance: float = nan
    core_kv: float = nan
    dissolved_kg: float = nan
    fan_w_k: float = nan
    flow_kg_s: float = nan
    gives_kg_s: float = nan
    """What comes besides the vapor that stands there, kg/s."""
    heat_y_j_k: float = nan
    in_y_j_kg: float = nan
    """Heat that each kilogram brings into the cylinder."""
    level_pa_abs: float = nan
    liquid_kg: float = nan
    """What can only boil off."""
    liquid_m2: float = nan
    """The throttle while liquid comes."""
    metal_j_k: float = nan
    oil_kg: float = nan
    p_a: float = nan
    p_d: float = nan
    p_oil: float = nan
    reachable_kg: float = nan
    """Liquid that the port reaches."""
    rho_low: float = nan
    """Density over pressure of thin vapor."""
    slope_k: float = nan
    """Of the logarithm of the saturation pressure over 1/T, K."""
    t_metal_degc: float = nan
    t_y_degc: float = nan
    throttle_m2: float = nan
    two: bool = True
    volume_m3: float = nan
    watched_s: float = nan


class Memory(msgspec.Struct, frozen=True, array_like=True, gc=False):
    """What is carried from scan to scan."""

    due_s: float = nan
    """When the next runs begin."""
    turn: int = 0
    """Next variant to be worked out; 0 is the job as it is."""
    start: Start | None = None
    as_it_is_s: float = nan
    found: tuple[tuple[int, float], ...] = ()
    """Index of the remedy and time until a check would hold with it."""
    remedies: tuple[Remedy, ...] = ()
    limited_by: LimitedBy = LimitedBy.NOTHING
    told: int = 0
    """Which remedies a person has been told of, as bits by their order in `What`: each is told once a job."""
    # The way in, learned.
    ln_core_kv: float = nan
    ln_core_weight: float = 0.0
    """How much has been learned, in samples."""
    sampled_s: float = nan


class Seen:
    """What the model starts from. Lives for one scan."""

    __slots__ = (
        "charge_kg", "contents_kg", "core_kv", "figures", "flow_kg_s", "in_phase_s", "liquid", "recovered_kg",
        "refrigerant", "s", "senses", "settings", "start_pa_abs", "throttle",
    )  # fmt: skip

    charge_kg: float
    """As declared, NaN when not."""
    contents_kg: float
    core_kv: float
    figures: Remedies
    flow_kg_s: float
    in_phase_s: float
    liquid: bool
    recovered_kg: float
    refrigerant: Refrigerant
    s: Signals
    senses: Sense
    settings: Settings
    start_pa_abs: float
    throttle: float


def vapor_m3_s(
    compressor: Compressor,
    area_m2: float,
    p: float,
    rho: float,
    p_discharge: float,
    polytropic_exponent: float,
    choking: Choking,
) -> float:
    """Volume of vapor at the appliance's state that is taken out each second.

    Displacement behind the way in and the throttle, m3/s; 0 once the dead space holds all that it takes in.
    """
    at_most = choking.flux_share * area_m2 * sqrt(p / rho)  # m3/s, choked
    choked = choking.ratio
    c, displaced = compressor.clearance, compressor.displacement_m3_s * compressor.leak_factor
    dead = c * (p_discharge / p) ** (1.0 / polytropic_exponent)
    if displaced * (1.0 + c - dead) <= 0.0:
        return 0.0
    low, high = 0.0, 1.0
    taken = 0.0
    # What comes in falls with the pressure behind the way in, what is taken rises: they meet once.
    for _ in range(9):
        r = 0.5 * (low + high)
        taken = displaced * ((1.0 + c) * r - dead * r ** (1.0 - 1.0 / polytropic_exponent))
        comes = at_most
        if r > choked:
            u = (r - choked) / (1.0 - choked)
            comes *= sqrt(1.0 - u * u)
        if taken < comes:
            low = r
        else:
            high = r
    return max(taken, 0.0)


def _learned(m: Memory, seen: Seen, refrigerant: Refrigerant) -> tuple[float, float]:
    """The core's Kv by what the way in lets through now; its logarithm and how many samples stand behind it."""
    s, settings, hookup = seen.s, seen.settings, seen.settings.hookup
    k, choking = seen.figures.way_in, seen.figures.choking
    mean, weight = m.ln_core_kv, m.ln_core_weight
    two = settings.fitted.xv_101 and settings.fitted.xv_102
    p_a, t = s.p_001, seen.in_phase_s
    if seen.liquid:
        if hookup.liquid_core_in is False or not t > k.learn_from_s or (two and settings.job.vapor_inlet_with_liquid):
            return mean, weight
        if p_a != p_a and t < k.learn_blind_s:
            p_a = (k.holds_up_share - k.holds_up_falls_1_s * t) * seen.start_pa_abs
    elif weight >= k.vapor_samples or hookup.vapor_core_in is False or (two and hookup.liquid_core_in is False):
        return mean, weight
    drop = p_a - s.p_101
    noise_pa = k.least_drop_noise_times * settings.instruments.pressure_uncertainty_pa
    if not drop > max(k.least_drop_share * p_a, noise_pa):
        return mean, weight
    if seen.liquid:
        flux = liquid_flux_kg_m2_s(refrigerant, p_a, s.p_101)
        # The scale comes late: cooler and hose fill first.
        flow = s.pumped_flow_kg_s if t < k.scale_late_s else sqrt(max(seen.flow_kg_s, 0.0) * s.pumped_flow_kg_s)
    else:
        t_degc = s.t_101 if s.t_101 == s.t_101 else settings.job.ambient_degc
        rho = refrigerant.superheated_density_kg_m3(p_a, t_degc)
        choked = choking.ratio
        r = max(s.p_101 / p_a, choked)
        flux = choking.flux_share * sqrt(p_a * rho * (1.0 - ((r - choked) / (1.0 - choked)) ** 2))
        flow = s.pumped_flow_kg_s * (0.5 if two else 1.0)
    area = flow / flux if flux > 0.0 else nan
    if not area > k.least_area_m2:
        return mean, weight
    # The rest of the way in is known; what resists besides it is the core.
    rest = ways_in(hookup, two, 1e6, seen.senses.restrictions)[0 if seen.liquid else 1]
    over = 1.0 / (area * area) - 1.0 / (rest * rest)
    kv = 1.0 / sqrt(over) / ORIFICE_M2_PER_KV if over > 0.0 else k.most_core_kv_m3_h
    ln = log(min(max(kv, k.least_core_kv_m3_h), k.most_core_kv_m3_h))
    mean = ln if mean != mean else mean + (ln - mean) / min(weight + 1.0, k.remembered_samples)
    return mean, weight + 1.0


def before_way_in(area_m2: float, flow_kg_s: float, p_header: float, rho_per_pa: float, choking: Choking) -> float:
    """Pressure before the ways in that lets this flow of vapor through to the header, Pa."""
    choked = choking.ratio
    p_choked = flow_kg_s / (choking.flux_share * area_m2 * sqrt(rho_per_pa))
    if p_header <= choked * p_choked:
        return p_choked
    low, high = p_header, max(p_choked, p_header) / choked
    for _ in range(10):
        p = 0.5 * (low + high)
        u = (max(p_header / p, choked) - choked) / (1.0 - choked)
        if p * sqrt(max(1.0 - u * u, 0.0)) < p_choked:
            low = p
        else:
            high = p
    return 0.5 * (low + high)


def core_kv(m: Memory, figures: WayIn) -> float:
    """The best word there is for a core's Kv: what is common, until something has been learned."""
    if m.ln_core_kv != m.ln_core_kv:
        return figures.usual_core_kv_m3_h
    share = m.ln_core_weight / (m.ln_core_weight + figures.usual_samples)
    return exp((1.0 - share) * log(figures.usual_core_kv_m3_h) + share * m.ln_core_kv)


def _start(seen: Seen, refrigerant: Refrigerant) -> Start | None:
    """What the model starts from; None where the readings do not allow it."""
    s, settings, hookup = seen.s, seen.settings, seen.settings.hookup
    job, procedure, compressor = settings.job, settings.procedure, settings.compressor
    figures = seen.figures
    k, oil, metal, way_in, fluid = figures.charge, figures.oil, figures.metal, figures.way_in, figures.fluid
    ambient = job.ambient_degc
    x = Start()
    x.ambient_degc, x.level_pa_abs, x.watched_s = (
        ambient, job.level_pa_abs, procedure.standing_settle_s + procedure.standing_s
    )  # fmt: skip
    x.two = settings.fitted.xv_101 and settings.fitted.xv_102
    x.clearance, x.core_kv = figures.mechanism.wear_times * compressor.clearance, seen.core_kv
    worn = msgspec.structs.replace(compressor, clearance=x.clearance)
    charge, left_kg = seen.charge_kg, seen.charge_kg - seen.recovered_kg
    if charge != charge:
        known = not seen.liquid and seen.recovered_kg > k.known_from_kg
        charge = max(seen.recovered_kg / k.comes_share if known else k.unknown_kg, seen.recovered_kg)
        left_kg = charge - seen.recovered_kg
    left_kg = max(left_kg, 0.0)
    if not (0.0 < charge < inf and -inf < seen.recovered_kg < inf and -inf < seen.contents_kg < inf):
        return None
    x.charge_kg = charge
    share = k.liquid_volume_share if charge > k.small_kg else k.small_liquid_volume_share
    x.volume_m3 = volume = charge / (refrigerant.liquid_density_kg_m3(k.liquid_degc) * share)
    x.oil_kg = oil.usual_kg * (charge / oil.usual_charge_kg) ** oil.charge_power
    held_kg = x.oil_kg * oil.refrigerant_share / (1.0 - oil.refrigerant_share)
    dissolved = min(held_kg, oil.charge_most_share * charge)
    x.metal_j_k, x.fan_w_k = metal.heat_j_k_kg * charge, metal.fan_w_k_kg * charge
    x.air_w_k = x.fan_w_k if hookup.fan is True or settings.fitted.m_001 else metal.air_w_k_kg * charge
    x.p_oil, cold = refrigerant.bubble_pressure_pa_abs(ambient), ambient - fluid.slope_over_k
    x.slope_k = log(x.p_oil / refrigerant.bubble_pressure_pa_abs(cold)) / (1.0 / (cold + T0_K) - 1.0 / (ambient + T0_K))
    x.rho_low = refrigerant.superheated_density_kg_m3(1e5, ambient) / 1e5
    x.before = ways_in(hookup, x.two, seen.core_kv, seen.senses.restrictions)
    x.throttle_m2 = ORIFICE_M2_PER_KV * compressor.throttle_kv_m3_h
    x.liquid_m2 = x.throttle_m2 * (max(seen.throttle, 0.01) if settings.fitted.cv_103 else 1.0)
    ratio = s.p_201 / s.p_101
    flow = s.pumped_flow_kg_s
    p_a = s.p_001
    if seen.liquid:
        if p_a != p_a:
            holds_up = way_in.holds_up_share - way_in.holds_up_falls_1_s * seen.in_phase_s
            p_a = max(holds_up, way_in.holds_up_least_share) * seen.start_pa_abs
        # The scale comes late: cooler and hose fill first.
        if seen.in_phase_s > way_in.scale_late_s and seen.flow_kg_s > way_in.scale_counts_share * flow:
            flow = sqrt(flow * seen.flow_kg_s)
        flow = max(flow, way_in.least_flow_kg_s)
    else:
        valves = seen.senses.compressor
        flow *= volumetric_efficiency(worn, ratio, valves) / max(volumetric_efficiency(compressor, ratio, valves), 0.05)
        if p_a != p_a:
            way = x.before[0] + x.before[1] if x.two else x.before[1]
            rho_per_pa = refrigerant.superheated_density_kg_m3(s.p_101, ambient) / s.p_101
            p_a = min(before_way_in(way, flow, s.p_101, rho_per_pa, figures.choking), x.p_oil)
    if not (charge > 0.0 and p_a > 0.0 and volume > 0.0 and x.p_oil > 0.0):
        return None
    x.p_a, x.flow_kg_s = p_a, flow
    rho = refrigerant.superheated_density_kg_m3(p_a, ambient)
    x.t_metal_degc = refrigerant.bubble_temperature_degc(p_a)
    if x.t_metal_degc != x.t_metal_degc:
        x.t_metal_degc = ambient  # below the table no liquid is left
    x.reachable_kg = x.liquid_kg = x.gives_kg_s = 0.0
    if seen.liquid:
        x.liquid_kg = k.pocket_share * charge
        reachable_kg = left_kg - x.liquid_kg - oil.kept_by_liquid_share * dissolved - volume * rho
        x.reachable_kg = max(reachable_kg, k.reachable_least_share * charge)
        x.t_metal_degc -= metal.flashed_k  # what flashed to fill the place of the liquid has cooled the rest
    else:
        # What comes besides the vapor that is there: oil gives no more than it holds, the rest boils.
        x.gives_kg_s = comes = max(flow - rho * volume * max(s.log_fall_1_s, 0.0), 0.0)
        if comes * oil.foaming_s > oil.boils_times * dissolved:
            boiling_kg = left_kg - rho * volume - oil.kept_by_vapor_share * dissolved
            x.liquid_kg = min(max(boiling_kg, 0.0), k.boiling_most_share * charge)
        else:
            dissolved = min(_dissolved_kg(x, p_a, oil) + comes * oil.foaming_s, dissolved)
    x.dissolved_kg = dissolved
    x.p_d, x.t_y_degc = s.p_201, refrigerant.bubble_temperature_degc(s.p_201)
    heat, liquid_j_kg_k = figures.cylinder, fluid.liquid_j_kg_k
    x.heat_y_j_k = heat.wall_j_k_kg * settings.cylinder.water_capacity_kg + liquid_j_kg_k * max(seen.contents_kg, 0.0)
    x.bath_degc = _bath_degc(hookup.cylinder_bath, heat)
    x.in_y_j_kg = liquid_j_kg_k * (ambient + heat.over_air_k - x.t_y_degc) + heat.condenses_share * fluid.latent_j_kg
    return x if x.t_y_degc == x.t_y_degc and x.t_metal_degc == x.t_metal_degc else None


def _bath_degc(bath: Bath, heat: CylinderHeat) -> float:
    """What the cylinder stands in; NaN in air and where nobody has said."""
    if bath is Bath.ICE:
        return heat.ice_degc
    return heat.water_degc if bath is Bath.WATER else nan


def _dissolved_kg(x: Start, p: float, oil: Oil) -> float:
    """What the oil holds at rest."""
    pr = min(p / x.p_oil, 1.0)
    return x.oil_kg * oil.solubility_share * pr / (1.0 - oil.solubility_bend * pr)


def _oil_time_s(x: Start, excess_kg: float, oil: Oil) -> float:
    """Time constant of the oil's giving: it foams while it holds far more than it would at rest."""
    foams = min(max(excess_kg / (oil.foaming_excess_share * x.oil_kg), 0.0), 1.0)
    return oil.still_s + (oil.foaming_s - oil.still_s) * foams


def _p_of(p_pa: float, from_degc: float, to_degc: float, slope_k: float) -> float:
    """Saturation pressure at another temperature, the logarithm straight over 1/T (Clausius and Clapeyron)."""
    return p_pa * exp(slope_k * (1.0 / (from_degc + T0_K) - 1.0 / (max(to_degc, -80.0) + T0_K)))


def time_to_hold_s(x: Start, settings: Settings, what: What | None, figures: Remedies, senses: Sense) -> float:
    """Time from now until a standing check would hold, a remedy being done first; at most `Steps.longest_s`."""
    k, oil, choking, latent_j_kg = figures.steps, figures.oil, figures.choking, figures.fluid.latent_j_kg
    bath_w_k, longest_s = figures.cylinder.bath_w_k, k.longest_s
    delay_s, idle_s = _handling_s(what, figures.handling) if what is not None else (0.0, 0.0)
    before, after = x.before, x.before
    if what in (What.CORES, What.HOSES, What.TEE):
        after = ways_in(_hooked_up_with(settings.hookup, what, figures.way_in), x.two, x.core_kv, senses.restrictions)
    air_w_k = x.fan_w_k if what is What.WARM else x.air_w_k
    new_bath = x.bath_degc
    if what in (What.ICE, What.WATER):
        new_bath = _bath_degc(Bath.ICE if what is What.ICE else Bath.WATER, figures.cylinder)
    p_a_0, t_0, p_d_0, t_y_0, slope = x.p_a, x.t_metal_degc, x.p_d, x.t_y_degc, x.slope_k
    volume, level, ambient, metal_j_k = x.volume_m3, x.level_pa_abs, x.ambient_degc, x.metal_j_k
    now_s, p, p_d, t_metal, t_y = 0.0, p_a_0, p_d_0, t_0, t_y_0
    liquid, dissolved = x.liquid_kg, x.dissolved_kg
    if x.reachable_kg > 0.0:
        quick = x.flow_kg_s * in_a_row(after[0], x.liquid_m2) / in_a_row(before[0], x.liquid_m2)
        slow_kg = min(x.flow_kg_s * delay_s, x.reachable_kg)
        now_s = idle_s + slow_kg / x.flow_kg_s + (x.reachable_kg - slow_kg) / quick
        idle_s = 0.0
        in_j = x.reachable_kg * x.in_y_j_kg
        t_y = _cylinder(t_y, x.heat_y_j_k, in_j, max(now_s - delay_s, 0.0), new_bath, bath_w_k)
        p_d = _p_of(p_d_0, t_y_0, t_y, slope)
    areas = [in_a_row(ways[0] + ways[1] if x.two else ways[1], x.throttle_m2) for ways in (before, after)]
    done_s = max(delay_s, idle_s) - 1e-6
    worn = msgspec.structs.replace(settings.compressor, clearance=x.clearance)
    exponent = senses.compressor.polytropic_exponent
    was_x = was_s = nan
    for _ in range(k.most):
        rho = p * x.rho_low
        out_m3_s = 0.0
        if now_s >= idle_s:
            out_m3_s = vapor_m3_s(worn, areas[now_s >= done_s], p, rho, max(p_d, p), exponent, choking)
        excess = dissolved - _dissolved_kg(x, p, oil)
        gives = max(excess, 0.0) / _oil_time_s(x, excess, oil)
        if p < level and now_s >= idle_s:
            rise = _rise(x, dissolved, p, oil)
            if rise <= 0.0:
                return min(now_s if was_x != was_x else was_s + (now_s - was_s) * was_x / (was_x - rise), longest_s)
            was_x, was_s = rise, now_s
        if not now_s < longest_s:
            break
        flow = rho * out_m3_s
        if liquid > 0.0:
            boils = max(flow - gives, 0.0)
            dt = k.boiling_s
            if boils > 0.0:
                cools_s = k.boiling_cools_k * metal_j_k / (boils * latent_j_kg)
                dt = min(max(liquid / boils, k.boiling_least_s), cools_s, k.boiling_most_s)
            dt = _until(now_s, dt, delay_s, idle_s)
            liquid -= boils * dt
            t_metal += dt * (air_w_k * (ambient - t_metal) - boils * latent_j_kg) / (metal_j_k + air_w_k * dt)
            if liquid > 1e-4 * x.charge_kg:
                p = _p_of(p_a_0, t_0, t_metal, slope)
            else:
                liquid = 0.0
        else:
            least_s = k.far_s if p > k.near_level_times * level else k.near_s
            dt = _until(now_s, max(least_s, k.elapsed_share * now_s), delay_s, idle_s)
            p = min((p * volume + dt * gives / x.rho_low) / (volume + dt * out_m3_s), x.p_oil)
        dissolved -= gives * dt
        now_s += dt
        bath = new_bath if now_s > delay_s else x.bath_degc
        t_y = _cylinder(t_y, x.heat_y_j_k, flow * dt * x.in_y_j_kg, dt, bath, bath_w_k)
        p_d = _p_of(p_d_0, t_y_0, t_y, slope)
    return longest_s


def _hooked_up_with(hookup: Hookup, what: What, figures: WayIn) -> Hookup:
    """The hook-up once a remedy of the way in is done."""
    if what is What.CORES:
        return msgspec.structs.replace(hookup, liquid_core_in=False, vapor_core_in=False)
    if what is What.TEE:
        return msgspec.structs.replace(hookup, manifold=False)
    bore_m, length_m = figures.wide_hose_bore_m, figures.wide_hose_length_m
    return msgspec.structs.replace(
        hookup,
        liquid_hose_bore_m=bore_m,
        liquid_hose_length_m=length_m,
        vapor_hose_bore_m=bore_m,
        vapor_hose_length_m=length_m,
    )


def _cylinder(t_degc: float, heat_j_k: float, in_j: float, dt_s: float, bath_degc: float, bath_w_k: float) -> float:
    """Temperature of the cylinder after heat has come in, in a bath or (NaN) in air."""
    t_degc += in_j / heat_j_k
    if bath_degc == bath_degc:
        t_degc = bath_degc + (t_degc - bath_degc) * exp(-dt_s * bath_w_k / heat_j_k)
    return t_degc


def _until(now_s: float, dt_s: float, *instants_s: float) -> float:
    """A step that does not go past one of these instants."""
    for instant in instants_s:
        if now_s < instant - 1e-6 and now_s + dt_s > instant:
            dt_s = instant - now_s
    return dt_s


def _rise(x: Start, dissolved: float, p: float, oil: Oil) -> float:
    """Logarithm of what a standing check that began now would rise by, over what the level leaves room for."""
    excess = dissolved - _dissolved_kg(x, x.level_pa_abs, oil)
    gives = max(excess, 0.0) * (1.0 - exp(-x.watched_s / _oil_time_s(x, excess, oil)))
    return log(max(gives / (x.volume_m3 * x.rho_low), 1.0) / max(x.level_pa_abs - p, 1.0))


def mechanism(x: Start, settings: Settings, figures: Remedies, senses: Sense) -> LimitedBy:
    """What sets the rate now: the one thing that, were it a quarter better, would give most.

    Liquid: way in or throttle, whichever is the narrower. Vapor: what the oil gives, once that is most of what comes;
    else way in, cylinder pressure or compressor; or the cold, where liquid boils far below the room's temperature.
    """
    if x.reachable_kg > 0.0:
        return LimitedBy.INLET if x.before[0] < x.liquid_m2 else LimitedBy.THROTTLE
    k, choking = figures.mechanism, figures.choking
    near = x.p_a < k.oil_rules_level_times * x.level_pa_abs
    if x.liquid_kg <= 0.0 and near and x.gives_kg_s > k.oil_rules_share * x.flow_kg_s:
        return LimitedBy.OIL
    way = x.before[0] + x.before[1] if x.two else x.before[1]
    rho = x.p_a * x.rho_low
    area = in_a_row(way, x.throttle_m2)
    worn = msgspec.structs.replace(settings.compressor, clearance=x.clearance)
    bigger = msgspec.structs.replace(worn, displacement_m3_s=k.wider_times * worn.displacement_m3_s)
    wider_m2 = in_a_row(k.wider_times * way, x.throttle_m2)
    p_d, exponent = max(x.p_d, x.p_a), senses.compressor.polytropic_exponent
    low_head = k.lower_head_share * p_d
    gains = {
        LimitedBy.INLET: vapor_m3_s(worn, wider_m2, x.p_a, rho, p_d, exponent, choking),
        LimitedBy.COMPRESSOR: vapor_m3_s(bigger, area, x.p_a, rho, p_d, exponent, choking),
        LimitedBy.CYLINDER_PRESSURE: vapor_m3_s(worn, area, x.p_a, rho, low_head, exponent, choking),
    }
    most = max(gains, key=lambda one: gains[one])
    if most is LimitedBy.COMPRESSOR and x.liquid_kg > 0.0 and x.t_metal_degc < x.ambient_degc - k.cold_metal_k:
        return LimitedBy.COLD_APPLIANCE
    return most


def _handling_s(what: What, figures: Handling) -> tuple[float, float]:
    """Time until it is done with the rig running on, and time for which the rig is held."""
    return {
        What.CORES: (figures.cores_s, 0.0),
        What.HOSES: (0.0, figures.hoses_s),
        What.TEE: (0.0, figures.tee_s),
        What.ICE: (figures.ice_s, 0.0),
        What.WATER: (figures.water_s, 0.0),
        What.WARM: (figures.warm_s, 0.0),
        What.PORT: (0.0, figures.port_s),
    }[what]


_WHATS = tuple(What)

_SAID: dict[What, tuple[str, str]] = {
    What.CORES: ("The valve cores hold the flow back", "taking them out"),
    What.HOSES: ("The hoses hold the flow back", "short wide ones"),
    What.TEE: ("The manifold holds the flow back", "a tee in its place"),
    What.ICE: ("The cylinder's pressure holds the compressor back", "standing the cylinder in ice"),
    What.WATER: ("The cylinder's pressure holds the compressor back", "running water over the cylinder"),
    What.WARM: ("The appliance is cold", "a fan on its coil"),
    What.PORT: ("The dip tube holds the flow back", "the cylinder's other port"),
}
"""Why, and what to do."""


def offered(settings: Settings, figures: WayIn) -> tuple[What, ...]:
    """What rig and set-up leave to be done; of what nobody has said nothing is offered."""
    hookup = settings.hookup
    some = []
    if hookup.liquid_core_in or hookup.vapor_core_in:
        some.append(What.CORES)
    bores = [bore for bore in (hookup.liquid_hose_bore_m, hookup.vapor_hose_bore_m) if bore is not None]
    if bores and min(bores) < figures.narrow_hose_bore_m:
        some.append(What.HOSES)
    if hookup.manifold:
        some.append(What.TEE)
    if hookup.cylinder_bath in (Bath.AIR, Bath.WATER):
        some.append(What.ICE)
    if hookup.cylinder_bath is Bath.AIR:
        some.append(What.WATER)
    if hookup.fan is False and not settings.fitted.m_001:
        some.append(What.WARM)
    if hookup.dip_tube:
        some.append(What.PORT)
    return tuple(some)


def follow(m: Memory, seen: Seen, taking: bool) -> Memory:
    """Carry the remedies on by one scan: learn the way in, work out one variant, and name them when all are done.

    Parameters
    ----------
    m
        From the scan before.
    seen
        What is known now.
    taking
        Refrigerant is drawn: liquid or vapor phase, compressor running.
    """
    now, k = seen.s.now_s, seen.figures
    if not taking:
        if m.due_s != m.due_s:
            return m
        return msgspec.structs.replace(
            m, due_s=nan, turn=0, start=None, found=(), remedies=(), limited_by=LimitedBy.NOTHING, sampled_s=nan
        )
    if m.due_s != m.due_s:
        return msgspec.structs.replace(m, due_s=now + k.runs.first_s)
    if now < m.due_s:
        if now - m.sampled_s < k.runs.sample_s:
            return m
        ln, weight = _learned(m, seen, seen.refrigerant)
        return msgspec.structs.replace(m, sampled_s=now, ln_core_kv=ln, ln_core_weight=weight)
    if m.turn == 0:
        seen.core_kv = core_kv(m, k.way_in)
        sound = seen.s.p_101 > 0.0 and seen.s.p_201 > 0.0
        x = _start(seen, seen.refrigerant) if sound else None
        if x is None:
            return msgspec.structs.replace(m, due_s=now + k.runs.every_s, remedies=(), limited_by=LimitedBy.NOTHING)
        as_it_is_s = time_to_hold_s(x, seen.settings, None, k, seen.senses)
        limited_by = mechanism(x, seen.settings, k, seen.senses)
        return msgspec.structs.replace(m, start=x, as_it_is_s=as_it_is_s, turn=1, found=(), limited_by=limited_by)
    some = offered(seen.settings, k.way_in)
    if m.turn <= len(some) and m.start is not None:
        what = some[m.turn - 1]
        with_it_s = time_to_hold_s(m.start, seen.settings, what, k, seen.senses)
        return msgspec.structs.replace(m, turn=m.turn + 1, found=(*m.found, (_WHATS.index(what), with_it_s)))
    return msgspec.structs.replace(
        m, due_s=now + k.runs.every_s, turn=0, start=None, remedies=_ranked(m, seen.settings.hookup, k.saving)
    )


def news(before: Memory, after: Memory) -> tuple[Memory, str]:
    """What a person is to be told of the remedies, "" when nothing new is worth the way; and that it has been told."""
    if after.remedies is before.remedies or not after.remedies:
        return after, ""
    first = after.remedies[0]
    bit = 1 << _WHATS.index(first.what)
    if first.what is What.WAIT or after.told & bit:
        return after, ""
    return msgspec.structs.replace(after, told=after.told | bit), first.sentence


def _ranked(m: Memory, hookup: Hookup, figures: Saving) -> tuple[Remedy, ...]:
    """All that is offered and to let it run, worth most first; what is not worth the way comes after the latter."""
    named = []
    for index, with_it_s in m.found:
        saves_s = m.as_it_is_s - with_it_s
        if saves_s == saves_s:
            named.append(_named(_WHATS[index], saves_s, m, figures))
    named.append(Remedy(What.WAIT, 0.0, 0.0, 0.0, _wait(named, hookup, figures)))
    named.sort(key=lambda one: one.saves_s if one.what is not What.WAIT else figures.worth_s, reverse=True)
    return tuple(named)


def _named(what: What, saves_s: float, m: Memory, figures: Saving) -> Remedy:
    known, worth_s = what is not What.CORES or m.ln_core_weight >= figures.learned_samples, figures.worth_s
    share = figures.band_share if known else figures.band_unlearned_share
    spread = sqrt(figures.band_s**2 + (share * saves_s) ** 2)
    low, high = saves_s - spread, saves_s + spread
    why, doing = _SAID[what]
    if saves_s > worth_s:
        text = f"{why}: {doing} would save about {_span(saves_s)} ({_bounds(saves_s, low, high)})."
    else:
        cost = "save nothing worth the way" if saves_s > -worth_s else "cost more time than it saves"
        text = f"{doing[0].upper()}{doing[1:]} would {cost}."
    return Remedy(what, saves_s, low, high, text)


def _wait(named: list[Remedy], hookup: Hookup, figures: Saving) -> str:
    if not named and hookup == Hookup():
        return "Nobody has said how the rig is hooked up; the rig cannot tell what would be quicker."
    if any(one.saves_s > figures.worth_s for one in named):
        return "Let it run."
    return f"Let it run: nothing at hand saves more than {figures.worth_s:.0f} s."


def _span(t_s: float) -> str:
    return f"{10.0 * round(t_s / 10.0):.0f} s" if t_s < 100.0 else f"{t_s / 60.0:.0f} min"


def _bounds(t_s: float, low_s: float, high_s: float) -> str:
    low_s = max(low_s, 0.0)
    if t_s < 100.0:
        return f"{10.0 * round(low_s / 10.0):.0f} to {10.0 * round(high_s / 10.0):.0f}"
    return f"{low_s / 60.0:.0f} to {high_s / 60.0:.0f}"
