"""Random jobs of air-conditioner and refrigerator size, for judging the controller; each follows from its seed alone.

All ranges are engineering estimates of what a technician meets, no source. What the plate says and what is true differ
as they do in the field: charge, compressor, throttle, temperature of the day.
"""

import math
from dataclasses import dataclass, replace

import msgspec
import numpy as np

from hil_sim import bench
from hil_sim.instruments.faults import Fault, FaultKind, PlantFault
from hil_sim.plant import layout as at
from hil_sim.plant.model import Actuators, LineParameters, Plant
from hil_sim.plant.phase import SHIFTING
from hil_sim.scenario import Setup, load_appliance
from hil_sim.simulation import Simulation
from rigctl import config
from rigctl.console import find
from rigctl.control.settings import Cylinder
from rigctl.refrigerant import catalogue, evacuation
from rigctl.refrigerant.cylinder import fill_limit

TUNING = range(10_000)
"""Seeds that may be looked at while the controller is changed."""
HELD_OUT = range(10_000, 20_000)
"""Seeds for figures only: nothing may be fitted to these."""

SCALE_FAULTS = ("wet", "carried", "bumped", "frozen", "drifting", "removed")
"""Water on the platform, a hose that carries, a kick, a figure that stands still, one that creeps, no cylinder."""

ROUGH = ("sticking core", "surging", "moving throttle", "bumped scale")
"""What makes the end of the liquid hard to see."""

_KINDS = {
    "split-ac": ("R-410A", "R-410A", "R-32", "R-32", "R-22", "R-407C", "R-454B", "R-134a"),
    "refrigerator": ("R-134a", "R-134a", "R-404A", "R-600a", "R-290", "R-1234yf", "R-513A", "R-12"),
}
_SMALLER_CHARGE = {"R-600a": 0.25, "R-290": 0.35}
"""Hydrocarbons: less mass does the same work, and IEC 60335-2-40 and -2-89 limit it (figures from memory)."""
_BORES_M = (4.5e-3, 4.8e-3, 6.3e-3, 8.0e-3)
_CYLINDERS = ((11.9, 10.4), (21.6, 12.7), (27.2, 16.2))
"""Water capacity and tare, kg: "30 lb", "50 lb" and "60 lb" classes."""
_ATTEMPTS = 50
_DRIFT_STEP_S = 10.0
_DRIFT_LASTS_S = 7200.0


@dataclass(frozen=True)
class _Draw:
    """Random figures of the kinds that are needed."""

    random: np.random.Generator

    def even(self, low, high):
        return float(self.random.uniform(low, high))

    def log_even(self, low, high):
        return math.exp(self.even(math.log(low), math.log(high)))

    def about(self, value, spread):
        """Log-normal, cut at two and a half spreads."""
        return value * math.exp(spread * min(max(float(self.random.standard_normal()), -2.5), 2.5))

    def chance(self, share):
        return bool(self.random.random() < share)

    def one_of(self, items):
        return items[int(self.random.integers(len(items)))]


def job(seed, faulty=False, rough=False, blocked=False):
    """The simulation of one random job.

    Parameters
    ----------
    seed
        0 or more; see `TUNING` and `HELD_OUT`.
    faulty
        The same job with something wrong with the scale, and mostly with a cylinder that has too little room.
    rough
        The same job with one or two of `ROUGH` in its first minutes, while liquid mostly still comes.
    blocked
        The same job with cores that are all but shut for so long that going over to vapor is right, and then open.

    Raises
    ------
    RuntimeError
        If no legal job could be drawn.
    """
    for attempt in range(_ATTEMPTS):
        draw = _Draw(np.random.default_rng((seed, attempt)))
        wrong = _Draw(np.random.default_rng((seed, attempt, 1))) if faulty else None
        try:
            simulation = _drawn(draw, wrong, seed)
            if rough:
                faults = rough_faults(_Draw(np.random.default_rng((seed, attempt, 2))), simulation.settings.fitted)
                simulation = replace(simulation, faults=simulation.faults + faults)
            if blocked:
                faults = blocked_faults(_Draw(np.random.default_rng((seed, attempt, 3))))
                simulation = replace(simulation, faults=simulation.faults + faults)
            Plant(simulation.refrigerant, simulation.parameters)
        except (config.ConfigError, ValueError):
            continue  # not legal, or does not fit: such a job is not done
        return simulation
    raise RuntimeError(f"no legal job in {_ATTEMPTS} attempts for seed {seed}")


def _drawn(draw, wrong, seed):
    kind = draw.one_of(("split-ac", "split-ac", "split-ac", "refrigerator"))
    fluid = draw.one_of(_KINDS[kind])
    rig = _rig(draw)
    ambient_degc = draw.even(5.0, 40.0)
    plate_kg = draw.log_even(0.8, 6.0) if kind == "split-ac" else draw.log_even(0.15, 0.8)
    plate_kg *= _SMALLER_CHARGE.get(fluid, 1.0)
    charge_kg = plate_kg * _true_share(draw)
    appliance = _appliance(draw, kind, fluid, plate_kg, charge_kg, ambient_degc)
    hooked_up = _setup(draw)
    said = _job(draw, kind, fluid, plate_kg, charge_kg, ambient_degc, wrong)
    settings, parameters = bench.scenario(config.settings_for(rig, said), appliance, hooked_up)
    parameters = _as_it_is(draw, fluid, parameters, said)
    faults = _leak(draw)
    if wrong is not None:
        faults += scale_faults(wrong)[1]
    return Simulation(
        rig=rig, job=said, setup=f"random {seed}", setup_purpose="random", settings=settings, parameters=parameters,
        refrigerant=fluid, faults=faults,
    )  # fmt: skip


def _rig(draw):
    """One of the rigs in the files, sometimes without the instrument that tells soonest of the liquid's end."""
    rig = config.load_rig(find("rigs", draw.one_of(("full", "full", "shop", "shop", "basic"))))
    without = draw.chance(0.3)
    if rig.fitted.pt_102 and without:
        rig = msgspec.structs.replace(rig, fitted=msgspec.structs.replace(rig.fitted, pt_102=False))
    return rig


def _true_share(draw):
    """What is in the appliance over what its plate says: mostly right, often leaked, now and then overfilled."""
    which = draw.even(0.0, 1.0)
    if which < 0.65:
        return draw.even(0.93, 1.05)
    return draw.even(0.3, 0.93) if which < 0.9 else draw.even(1.05, 1.15)


def _appliance(draw, kind, fluid, plate_kg, charge_kg, ambient_degc):
    like = load_appliance(find("appliances", kind))
    base = like.appliance
    size = plate_kg / _SMALLER_CHARGE.get(fluid, 1.0) / base.charge_kg
    refrigerant = catalogue.get(fluid)
    liquid_share = draw.even(0.25, 0.5) if kind == "split-ac" else draw.even(0.1, 0.3)
    volume_m3 = plate_kg / refrigerant.liquid_density_kg_m3(25.0) / liquid_share
    oil_share = draw.even(0.05, 0.35)
    oil_kg = draw.about(base.oil_kg * size**0.7, 0.3)
    oil_kg = min(oil_kg, 0.4 * charge_kg * (1.0 - oil_share) / oil_share)  # most of the charge is outside the oil
    foaming_s = draw.log_even(60.0, 400.0)
    changed = {
        "volume_m3": volume_m3,
        "charge_kg": charge_kg,
        "oil_kg": oil_kg,
        "oil_initial_mass_fraction": oil_share,
        "desorption_time_foaming_s": foaming_s,
        "desorption_time_cold_s": draw.log_even(max(400.0, foaming_s), 2000.0),
        "desorption_time_warm_s": draw.log_even(max(100.0, 0.7 * foaming_s), 500.0),
        "liquid_pocket_kg": plate_kg * draw.log_even(0.03, 0.25),
        "liquid_transition_kg": plate_kg * draw.even(0.02, 0.08),
        "core_kv_m3_h": draw.log_even(0.04, 0.15),
        "port_kv_m3_h": draw.log_even(0.3, 0.8),
    }
    for name in (
        "metal_heat_capacity_j_k", "shell_heat_capacity_j_k", "air_ua_fan_off_w_k", "air_ua_fan_on_w_k",
        "refrigerant_ua_wet_w_k", "refrigerant_ua_dry_w_k", "shell_air_ua_w_k", "shell_refrigerant_ua_w_k", "heater_w",
    ):  # fmt: skip
        changed[name] = draw.about(getattr(base, name) * size**0.7, 0.3)
    if kind == "split-ac" and draw.chance(0.15):
        changed["receiver_volume_m3"] = 0.3 * volume_m3
        changed["receiver_liquid_kg"] = charge_kg * draw.even(0.05, 0.3)
    if kind == "split-ac" and draw.chance(0.15):
        changed["accumulator_volume_m3"] = 0.2 * volume_m3
        changed["accumulator_liquid_kg"] = charge_kg * draw.even(0.0, 0.12)
    cylinder = replace(
        like.cylinder,
        wall_heat_capacity_j_k=draw.about(like.cylinder.wall_heat_capacity_j_k, 0.15),
        air_ua_w_k=draw.about(like.cylinder.air_ua_w_k, 0.3),
        inner_ua_w_k=draw.about(like.cylinder.inner_ua_w_k, 0.3),
    )
    ambient = replace(like.ambient, temperature_degc=ambient_degc)
    return replace(
        like, refrigerant=fluid, appliance=replace(base, **changed), ambient=ambient, cylinder=cylinder
    )  # fmt: skip


def _setup(draw):
    bores = [draw.one_of(_BORES_M) for _ in range(3)]
    lengths = [draw.even(0.8, 2.5) for _ in range(3)]
    lines = LineParameters(
        liquid_hose_bore_m=bores[0], liquid_hose_length_m=lengths[0],
        vapor_hose_bore_m=bores[1], vapor_hose_length_m=lengths[1],
        discharge_hose_bore_m=bores[2], discharge_hose_length_m=lengths[2],
    )  # fmt: skip
    cores_in = draw.chance(0.4)
    return Setup(
        purpose="random",
        lines=lines,
        liquid_core_in=cores_in,
        vapor_core_in=cores_in != draw.chance(0.1),
        manifold_kv_m3_h=0.15 if draw.chance(0.4) else 0.8,
        dip_tube=draw.chance(0.4),
        coil_in_ice=draw.chance(0.4),
        cylinder_in_ice=draw.chance(0.25),
        ice_kg=draw.even(1.0, 15.0),
        vapor_inlet_with_liquid=draw.chance(0.25),
        warming=draw.chance(0.4),
        fan=draw.chance(0.4),
    )


def _job(draw, kind, fluid, plate_kg, charge_kg, ambient_degc, wrong):
    """What the technician has written down."""
    base = config.load_job(find("jobs", kind))
    declared_kg = None if draw.chance(0.15) else round(plate_kg, 2)
    liquid_first = draw.chance(0.9 if kind == "split-ac" else 0.25)
    small = kind == "refrigerator" and (declared_kg is None or declared_kg <= evacuation.SMALL_APPLIANCE_KG)
    level = evacuation.required_level(
        catalogue.get(fluid), declared_kg, "us-82.156", case="small" if small else "whole", compressor_works=False
    )
    said = msgspec.structs.replace(
        base.job, name="Random job", refrigerant=fluid, charge_kg=declared_kg, liquid_first=liquid_first,
        ambient_degc=round(ambient_degc + 1.5 * draw.even(-1.0, 1.0), 1), level_pa_abs=level.level_pa_abs,
        level_text=level.text, level_source=level.source,
    )  # fmt: skip
    capacity_kg, tare_kg = draw.one_of(_CYLINDERS)
    room_kg = fill_limit(catalogue.get(fluid), capacity_kg).limit_kg
    # 0.5 kg is what the rigs in the files keep free, 1 kg what they want besides before they begin.
    how_full, at = draw.even(0.0, 1.0), draw.even(0.0, 1.0)
    if how_full < 0.15:
        residual_kg = 0.0
    elif how_full < 0.9:
        residual_kg = 0.05 + at * max(room_kg - charge_kg - 1.0, 0.1)
    else:
        residual_kg = room_kg - 0.8 - at * charge_kg
    if wrong is not None and wrong.chance(0.7):
        residual_kg = room_kg - 0.8 - wrong.even(0.0, 0.8) * charge_kg
    residual_kg = min(max(residual_kg, 0.0), room_kg - 0.8)
    labelled = fluid if residual_kg > 0.0 else ""
    first = Cylinder("BENCH-1", capacity_kg, tare_kg, base.cylinder.service_pressure_pa_gauge, labelled,
                     base.cylinder.retest_due, round(residual_kg, 2))  # fmt: skip
    spares = tuple(
        msgspec.structs.replace(first, serial=f"BENCH-{number}", refrigerant="", residual_kg=0.0) for number in (2, 3)
    )
    return msgspec.structs.replace(base, job=said, level=level, cylinder=first, spare_cylinders=spares)


def _as_it_is(draw, fluid, parameters, said):
    """The rig as it is and not as its plate says: wear, tolerances, dirt in valves."""
    rig = parameters.rig
    wear = {
        "swept_volume_m3": rig.swept_volume_m3 * draw.even(0.97, 1.02),
        "clearance": rig.clearance * draw.log_even(0.8, 2.0),
        "leak_factor": min(rig.leak_factor * draw.even(0.88, 1.05), 1.0),
        "valve_loss_pa": draw.log_even(1e3, 6e3),
        "polytropic_exponent": draw.even(1.05, 1.15),
        "compression_efficiency": draw.even(0.55, 0.7),
    }
    for name in ("cv_103_kv_m3_h", "fixed_restriction_kv_m3_h"):
        wear[name] = draw.about(getattr(rig, name), 0.1)
    for name in ("inlet_valve_kv_m3_h", "cooler_valve_kv_m3_h", "clear_out_kv_m3_h", "condenser_ua_fan_on_w_k"):
        wear[name] = draw.about(getattr(rig, name), 0.25)
    residual_kg = said.cylinder.residual_kg or 0.002  # new and evacuated: next to nothing
    model = replace(
        parameters.model,
        two_zone_cylinder=draw.chance(0.3),
        composition_shift=draw.chance(0.4) and fluid in SHIFTING,
    )
    return replace(
        parameters,
        rig=replace(rig, **wear),
        cylinder=replace(parameters.cylinder, residual_kg=residual_kg),
        model=model,
    )


def _leak(draw):
    """None, mostly; else a small hole in the appliance."""
    there, area_m2 = draw.chance(0.12), draw.log_even(1e-10, 3e-9)
    return (Fault("plant", PlantFault.APPLIANCE_LEAK, 0.0, value=area_m2),) if there else ()


def scale_faults(draw):
    """One sort of trouble with the scale: its name out of `SCALE_FAULTS`, and the faults that make it."""
    kind = draw.one_of(SCALE_FAULTS)
    at_s = draw.log_even(40.0, 400.0)
    size = draw.even(0.0, 1.0)
    if kind == "wet":
        faults = [Fault("plant", PlantFault.SCALE_MOVED, at_s, value=0.05 + 0.6 * size)]
    elif kind == "carried":
        faults = [Fault("plant", PlantFault.SCALE_MOVED, at_s, value=-0.1 - 1.9 * size)]
    elif kind == "bumped":
        faults = [
            Fault("plant", PlantFault.SCALE_KNOCKED, at_s + 40.0 * n, value=0.5 + 4.5 * draw.even(0.0, 1.0))
            for n in range(1 + int(3 * size))
        ]
    elif kind == "frozen":
        faults = [Fault("WT-301", FaultKind.STUCK, at_s)]
    elif kind == "drifting":
        per_s = (2.0 * size - 1.0) * 4.0 / 3600.0  # up to 4 kg an hour, either way
        faults = [
            Fault("WT-301", FaultKind.WRONG, at_s + n * _DRIFT_STEP_S, value=per_s * n * _DRIFT_STEP_S)
            for n in range(1, int(_DRIFT_LASTS_S / _DRIFT_STEP_S))
        ]
    else:
        faults = [Fault("plant", PlantFault.SCALE_REMOVED, at_s, at_s + 5.0 + 115.0 * size)]
    return kind, tuple(faults)


def rough_faults(draw, fitted):
    """One or two of `ROUGH`, as faults that come and go; all figures are estimates, no source."""
    kinds = [kind for kind in ROUGH if kind != "moving throttle" or fitted.cv_103]
    faults = []
    for kind in dict.fromkeys((draw.one_of(kinds), draw.one_of(kinds))):
        at_s = draw.log_even(50.0, 300.0)
        if kind == "sticking core":
            until_s = at_s + draw.even(5.0, 20.0)
            faults.append(Fault("plant", PlantFault.ICED_INLET, at_s, until_s, value=draw.log_even(0.02, 0.3)))
        elif kind == "surging":
            for _ in range(3 + int(draw.even(0.0, 6.0))):
                until_s = at_s + draw.even(0.5, 2.5)
                faults.append(Fault("plant", PlantFault.ICED_INLET, at_s, until_s, value=draw.log_even(0.05, 0.5)))
                at_s = until_s + draw.even(1.0, 5.0)
        elif kind == "moving throttle":
            by = draw.even(0.03, 0.12) * (1.0 if draw.chance(0.5) else -1.0)
            faults.append(Fault("CV-103", FaultKind.WRONG, at_s, at_s + draw.even(5.0, 60.0), value=by))
        else:
            for _ in range(1 + int(draw.even(0.0, 3.0))):
                faults.append(Fault("plant", PlantFault.SCALE_KNOCKED, at_s, value=draw.even(0.3, 4.0)))
                at_s += draw.even(5.0, 30.0)
    # One after the other at one place: the end of the first would else end the second.
    faults.sort(key=lambda fault: fault.at_s)
    inlet_s, kept = 0.0, []
    for fault in faults:
        if fault.kind is PlantFault.ICED_INLET:
            if fault.at_s <= inlet_s:
                continue
            inlet_s = fault.until_s
        kept.append(fault)
    return tuple(kept)


def blocked_faults(draw):
    """Cores shut but for a few per cent, for longer than the rig waits."""
    at_s = draw.log_even(60.0, 150.0)
    until_s = at_s + draw.even(40.0, 80.0)
    return (Fault("plant", PlantFault.ICED_INLET, at_s, until_s, value=draw.log_even(0.02, 0.08)),)


def later_pa_abs(plant, seconds):
    """True pressure of the appliance so much later, shut in and the rig off, as it is found; the plant goes on."""
    plant.act = Actuators()
    while seconds > 0.0:
        plant.advance(min(seconds, 10.0))
        seconds -= 10.0
    return float(plant.truth()[at.Z_PA_A])


def scale_fault_of(simulation):
    """What is wrong with the scale in a job made with `faulty`: a word of `SCALE_FAULTS`, "" for nothing."""
    for fault in simulation.faults:
        if fault.kind is PlantFault.SCALE_MOVED:
            return "wet" if fault.value > 0.0 else "carried"
        named = {
            PlantFault.SCALE_KNOCKED: "bumped", FaultKind.STUCK: "frozen", FaultKind.WRONG: "drifting",
            PlantFault.SCALE_REMOVED: "removed",
        }.get(fault.kind)  # fmt: skip
        if named:
            return named
    return ""
