"""Figures of advice. Each field's docstring ends with where it comes from."""

from __future__ import annotations

import msgspec


class Shown(msgspec.Struct, frozen=True):
    """What is shown of a scan."""

    two_phase_superheat_k: float = 2.0
    """Vapor at the header with less superheat is told as two-phase. From: engineering estimate, no source."""


class Rate(msgspec.Struct, frozen=True):
    """What sets the rate, roughly, where no set of runs has told."""

    inlet_pressure_share: float = 0.6
    """Header over appliance pressure below which the way in sets the rate. From: engineering estimate, no source."""
    last_ratio: float = 12.0
    """Compression ratio from which on compressor or cylinder set the rate. From: engineering estimate, no source."""
    high_discharge_pa_abs: float = 15e5
    """Discharge pressure from which on a high ratio is the cylinder's doing. From: engineering estimate, no source."""
    far_below_room_k: float = 20.0
    """Saturation so far below the room's temperature means a cold appliance. From: engineering estimate, no source."""


class MassLeft(msgspec.Struct, frozen=True):
    """What is left in the appliance."""

    plate_shares: tuple[tuple[float, float], ...] = ((0.30, 0.0), (0.93, 0.25), (1.05, 0.90), (1.15, 1.0))
    """What an appliance holds over what its plate says, with the probability of less: mostly right, often leaked, now
    and then overfilled; the random simulated jobs are drawn from it, too. From: common practice, no source."""
    least_plate_share: float = 0.08
    """Of what the plate says: less is never left while liquid still comes. From: chosen on the simulated rig; no study
    on record."""
    unknown_low_kg: float = 0.1
    """Left while liquid comes and no plate says more, 5 %: what air conditioners and refrigerators hold. From:
    engineering estimate, no source."""
    unknown_middle_kg: float = 0.6
    """The same, median. From: engineering estimate, no source."""
    unknown_high_kg: float = 4.0
    """The same, 95 %. From: engineering estimate, no source."""
    most_uncertainty_times: float = 2.0
    """Of the uncertainty of what has come: so much more than the plate lets expect may be left. From: common practice,
    no source."""
    oil_gives_s: float = 110.0
    """What the oil still gives, over the rate at which it gives: median, with 5 to 95 % from 10 to 330 s. From: tuned
    on simulated jobs, tuning seeds of tests/bench/jobs.py."""
    by_pressure_times: float = 3.2
    """Factor up and down that holds 90 % of what pressure and oil let expect. From: tuned on simulated jobs, tuning
    seeds of tests/bench/jobs.py."""


class Finish(msgspec.Struct, frozen=True):
    """How long the job still takes.

    Medians and 90 % bands are those of 138 random simulated jobs (air conditioners and refrigerators, tuning seeds 0 to
    139 of tests/bench/jobs.py, each job weighed alike); others are the judge (`python -m tests.bench judgement`).
    """

    clear_out_s: float = 33.0
    """Time of a clear-out. From: tuned on simulated jobs, tuning seeds of tests/bench/jobs.py."""
    vapor_s_kg: float = 22.0
    """Time that each kg of charge above `vapor_above_kg` takes as vapor, at `vapor_displacement_m3_s`: a chiller's
    liquid leaves that much behind. From: tuned on simulated jobs, tuning seeds of tests/bench/jobs.py."""
    vapor_above_kg: float = 6.0
    """Charge up to which the medians hold as they are. From: tuned on simulated jobs, tuning seeds of
    tests/bench/jobs.py."""
    vapor_displacement_m3_s: float = 5e-4
    """Displacement at which `vapor_s_kg` holds. From: tuned on simulated jobs, tuning seeds of tests/bench/jobs.py."""
    after_liquid_s: tuple[float, float, float] = (673.0, 182.0, 1431.0)
    """Time until the last standing check once the liquid has gone, median and 90 % band. From: tuned on simulated jobs,
    tuning seeds of tests/bench/jobs.py."""
    above_level_s: tuple[tuple[float, float, float, float], ...] = (
        (1.0, 494.0, 129.0, 1133.0),
        (2.0, 527.0, 136.0, 1230.0),
        (5.0, 640.0, 171.0, 1250.0),
        (15.0, 807.0, 262.0, 1573.0),
    )
    """The same while vapor is drawn, by the pressure over the level. From: tuned on simulated jobs, tuning seeds of
    tests/bench/jobs.py."""
    from_fall_s: tuple[tuple[float, float, float, float], ...] = (
        (0.0, 235.0, -75.0, 660.0),
        (1.0, 348.0, -21.0, 818.0),
        (2.0, 408.0, 50.0, 1024.0),
        (4.0, 444.0, 102.0, 1108.0),
    )
    """The same by the logarithm of how much faster the pressure would rise than is allowed, told by its fall alone.
    From: tuned on simulated jobs, tuning seeds of tests/bench/jobs.py."""
    from_check_s: tuple[tuple[float, float, float, float], ...] = (
        (0.0, 23.0, -75.0, 688.0),
        (1.0, 60.0, -61.0, 688.0),
        (2.0, 185.0, -51.0, 809.0),
        (4.0, 217.0, -35.0, 890.0),
    )
    """The same, told by a check. From: tuned on simulated jobs, tuning seeds of tests/bench/jobs.py."""
    check_again_s: tuple[tuple[float, float, float, float], ...] = (
        (0.0, -40.0, -91.0, 232.0),
        (0.05, -19.0, -84.0, 232.0),
        (0.3, 141.0, -83.0, 444.0),
        (0.7, 227.0, 35.0, 648.0),
        (0.92, 402.0, 96.0, 817.0),
        (1.0, 611.0, 258.0, 1041.0),
    )
    """What comes beyond a check's own end, by the probability that it will not be passed; less than nothing where it
    passes early. From: tuned on simulated jobs, tuning seeds of tests/bench/jobs.py."""
    unknown_fails_share: float = 0.6
    """Probability that a check will not be passed, before it can be judged. From: chosen on the simulated rig; no study
    on record."""
    check_low_share: float = 0.3
    """Of what is left of a check: it takes no less. From: chosen on the simulated rig; no study on record."""
    after_check_low_share: float = 0.4
    """Of clear-out and isolating: they take no less. From: chosen on the simulated rig; no study on record."""
    rest_low_share: float = 0.5
    """Of what comes in any case, before the last check has begun: it takes no less. From: chosen on the simulated rig;
    no study on record."""
    isolate_least_s: float = 0.5
    """Isolating takes at least so much longer. From: chosen on the simulated rig; no study on record."""
    isolate_low_share: float = 0.2
    """Of what is expected of isolating: low end of the band. From: chosen on the simulated rig; no study on record."""
    isolate_high_s: float = 8.0
    """Beyond what is expected of isolating: high end of the band. From: chosen on the simulated rig; no study on
    record."""
    clear_out_least_s: float = 6.0
    """A clear-out takes at least so much longer. From: chosen on the simulated rig; no study on record."""
    clear_out_low_share: float = 0.4
    """Of what is expected from the clear-out on: low end of the band. From: chosen on the simulated rig; no study on
    record."""
    clear_out_high_s: float = 50.0
    """Beyond what is expected from the clear-out on: high end of the band. From: chosen on the simulated rig; no study
    on record."""
    liquid_unknown_s: float = 60.0
    """Time of the liquid where nobody knows how much is left. From: chosen on the simulated rig; no study on record."""
    liquid_mass_share: float = 0.8
    """Of what is left: so much comes as liquid. From: chosen on the simulated rig; no study on record."""
    liquid_least_kg_s: float = 5e-4
    """Flow from which on the liquid's time goes by the flow. From: chosen on the simulated rig; no study on record."""
    liquid_s_kg: float = 40.0
    """Time of a kg of liquid while nothing flows. From: chosen on the simulated rig; no study on record."""
    liquid_low_share: float = 0.4
    """Of the liquid's time and that of a large charge's vapor: low end of the band. From: chosen on the simulated rig;
    no study on record."""
    liquid_high_times: float = 1.6
    """Of the same: high end of the band. From: chosen on the simulated rig; no study on record."""
    vapor_whole_ratio: float = 3.0
    """Pressure over the level from which on a large charge's vapor still takes its whole time. From: chosen on the
    simulated rig; no study on record."""
    vapor_low_share: float = 0.3
    """Of that time: low end of the band. From: chosen on the simulated rig; no study on record."""
    vapor_high_times: float = 2.0
    """Of that time: high end of the band. From: chosen on the simulated rig; no study on record."""


class Runs(msgspec.Struct, frozen=True):
    """When the model is carried on."""

    first_s: float = 8.0
    """From the start of a phase to the first runs. From: chosen on the simulated rig; no study on record."""
    every_s: float = 20.0
    """From one set of runs to the next. From: chosen on the simulated rig; no study on record."""
    sample_s: float = 2.0
    """Between looks at the way in. From: chosen on the simulated rig; no study on record."""


class Steps(msgspec.Struct, frozen=True):
    """The steps in which the model is carried on."""

    longest_s: float = 5400.0
    """Longest look ahead. From: chosen on the simulated rig; no study on record."""
    most: int = 60
    """Most steps of one look ahead. From: chosen on the simulated rig; no study on record."""
    boiling_s: float = 8.0
    """A step while liquid is left and none of it boils. From: chosen on the simulated rig; no study on record."""
    boiling_least_s: float = 1.0
    """Shortest step that liquid's end may ask for. From: chosen on the simulated rig; no study on record."""
    boiling_most_s: float = 40.0
    """Longest step while liquid boils. From: chosen on the simulated rig; no study on record."""
    boiling_cools_k: float = 2.5
    """What boiling may cool the metal by in a step. From: chosen on the simulated rig; no study on record."""
    far_s: float = 8.0
    """Shortest step of vapor, far above the level. From: chosen on the simulated rig; no study on record."""
    near_s: float = 15.0
    """Shortest step of vapor near the level and below it. From: chosen on the simulated rig; no study on record."""
    near_level_times: float = 0.5
    """Of the level: near it begins here. From: chosen on the simulated rig; no study on record."""
    elapsed_share: float = 0.04
    """Of the time looked ahead so far: steps of vapor grow with it. From: chosen on the simulated rig; no study on
    record."""


class Saving(msgspec.Struct, frozen=True):
    """How a saving is stated."""

    worth_s: float = 20.0
    """What is expected to save less is not worth a person's way. From: engineering estimate, no source."""
    band_s: float = 20.0
    """Half the band that is stated: what any saving may be off. From: chosen on the simulated rig; no study on
    record."""
    band_share: float = 0.7
    """Half the band that is stated, of the saving. From: chosen on the simulated rig; no study on record."""
    band_unlearned_share: float = 0.9
    """The same for what the cores cost while the way in has not been learned. From: chosen on the simulated rig; no
    study on record."""
    learned_samples: float = 3.0
    """Samples from which on the way in has been learned. From: chosen on the simulated rig; no study on record."""


class WayIn(msgspec.Struct, frozen=True):
    """Cores, hoses, and how the core is learned."""

    usual_core_kv_m3_h: float = 0.07
    """A service port of an air conditioner or refrigerator with its core in, until the way in has been learned. From:
    engineering estimate, no source."""
    least_core_kv_m3_h: float = 0.03
    """Narrowest core that is learned. From: engineering estimate, no source."""
    most_core_kv_m3_h: float = 0.3
    """Widest core that is learned. From: engineering estimate, no source."""
    wide_hose_bore_m: float = 8e-3
    """Bore of the hose that would be put in place of a narrow one. From: engineering estimate, no source."""
    wide_hose_length_m: float = 0.9
    """Length of that hose. From: engineering estimate, no source."""
    narrow_hose_bore_m: float = 7e-3
    """A hose with a smaller bore is a narrow one. From: engineering estimate, no source."""
    holds_up_share: float = 0.985
    """Pressure of the appliance while liquid comes, over that before: metal holds it up. From: seen in simulated
    jobs; no study on record."""
    holds_up_falls_1_s: float = 2e-4
    """What that share falls by each second. From: seen in simulated jobs; no study on record."""
    holds_up_least_share: float = 0.9
    """What it falls to at most. From: chosen on the simulated rig; no study on record."""
    learn_from_s: float = 8.0
    """Time of the liquid from which on it tells of the core. From: chosen on the simulated rig; no study on record."""
    learn_blind_s: float = 30.0
    """Time of the liquid up to which it tells of the core where PT-001 is missing. From: chosen on the simulated rig;
    no study on record."""
    scale_late_s: float = 25.0
    """Time of the liquid before which the scale's flow does not count: cooler and hose fill first. From: chosen on the
    simulated rig; no study on record."""
    scale_counts_share: float = 0.3
    """Of the pumped flow: a scale that shows less is not counted. From: chosen on the simulated rig; no study on
    record."""
    least_flow_kg_s: float = 1e-3
    """The model's flow of liquid is never less. From: chosen on the simulated rig; no study on record."""
    least_drop_share: float = 0.03
    """Of the appliance's pressure: a smaller drop over the way in tells nothing. From: chosen on the simulated rig; no
    study on record."""
    least_drop_noise_times: float = 1.5
    """Of the uncertainty of a pressure: a smaller drop over the way in tells nothing. From: chosen on the simulated
    rig; no study on record."""
    least_area_m2: float = 1e-9
    """A way in that passes less than so much, a hole of 0.04 mm, passes nothing and tells nothing of the core. From:
    engineering estimate, no source."""
    remembered_samples: float = 30.0
    """The core is a mean over so many samples, the last count most. From: chosen on the simulated rig; no study on
    record."""
    vapor_samples: float = 5.0
    """With so many samples vapor teaches nothing more of the core. From: chosen on the simulated rig; no study on
    record."""
    usual_samples: float = 1.0
    """The usual core counts as so many samples. From: chosen on the simulated rig; no study on record."""


class Choking(msgspec.Struct, frozen=True):
    """Vapor through a restriction: between choked flow and no drop a quarter of an ellipse lies within 5 % of it."""

    flux_share: float = 0.63
    """Flux over sqrt(p*rho) once it chokes. From: physics, omega method with omega 0.9, API 520-1 Annex C."""
    ratio: float = 0.55
    """Pressure ratio at which it chokes. From: physics, omega method with omega 0.9, API 520-1 Annex C."""


class Charge(msgspec.Struct, frozen=True):
    """What the appliance holds, and where."""

    unknown_kg: float = 1.5
    """A charge of which nobody knows anything. From: engineering estimate, no source."""
    comes_share: float = 0.85
    """Of a charge: so much has come out once vapor is drawn. From: engineering estimate, no source."""
    known_from_kg: float = 0.02
    """Mass that must have come out before an unknown charge is told by it. From: chosen on the simulated rig; no study
    on record."""
    liquid_volume_share: float = 0.4
    """Volume of the charge as liquid over the volume of the appliance. From: engineering estimate, no source."""
    small_liquid_volume_share: float = 0.18
    """The same of a small appliance. From: engineering estimate, no source."""
    small_kg: float = 0.8
    """Charge up to which an appliance is a small one. From: engineering estimate, no source."""
    liquid_degc: float = 25.0
    """At which that liquid's volume is taken. From: engineering estimate, no source."""
    pocket_share: float = 0.06
    """Of the charge: liquid that no port reaches. From: engineering estimate, fitted to simulated jobs, seeds 0 to 99
    of tests/bench/jobs.py."""
    reachable_least_share: float = 0.02
    """Of the charge: while liquid comes no less of it is left in reach. From: chosen on the simulated rig; no study on
    record."""
    boiling_most_share: float = 0.2
    """Of the charge: most that is left as liquid while vapor is drawn. From: engineering estimate, no source."""


class Oil(msgspec.Struct, frozen=True):
    """The appliance's oil and what it holds."""

    usual_kg: float = 1.0
    """Oil of an appliance of `usual_charge_kg`. From: engineering estimate, fitted to simulated jobs, seeds 0 to 99 of
    tests/bench/jobs.py."""
    usual_charge_kg: float = 3.0
    """Charge at which an appliance has `usual_kg` of oil. From: engineering estimate, fitted to simulated jobs, seeds 0
    to 99 of tests/bench/jobs.py."""
    charge_power: float = 0.7
    """The oil goes with this power of the charge. From: engineering estimate, fitted to simulated jobs, seeds 0 to 99
    of tests/bench/jobs.py."""
    refrigerant_share: float = 0.27
    """Of refrigerant and oil together: refrigerant in the oil at the start. From: engineering estimate, fitted to
    simulated jobs, seeds 0 to 99 of tests/bench/jobs.py."""
    charge_most_share: float = 0.3
    """Of the charge: the oil holds no more. From: engineering estimate, no source."""
    foaming_s: float = 95.0
    """Time constant of the oil's giving while it foams. From: engineering estimate, fitted to simulated jobs, seeds 0
    to 99 of tests/bench/jobs.py."""
    still_s: float = 900.0
    """Time constant of the oil's giving once it lies still. From: engineering estimate, fitted to simulated jobs, seeds
    0 to 99 of tests/bench/jobs.py."""
    foaming_excess_share: float = 0.05
    """Of the oil's mass: it foams wholly while it holds so much more than at rest. From: engineering estimate, no
    source."""
    solubility_share: float = 0.22
    """Refrigerant by kg of oil at rest, over the relative pressure, while that is small. From: common shape of a
    solubility curve, no source."""
    solubility_bend: float = 0.75
    """How far the curve bends up: the share above is divided by one less so much of the relative pressure. From: common
    shape of a solubility curve, no source."""
    kept_by_liquid_share: float = 0.8
    """Of what the oil holds: still in it when the reachable liquid has gone. From: engineering estimate, no source."""
    kept_by_vapor_share: float = 0.9
    """Of what the oil holds: still in it where liquid boils. From: engineering estimate, no source."""
    boils_times: float = 1.5
    """Of what the oil can hold, by its foaming time: what comes faster boils. From: engineering estimate, no source."""


class Metal(msgspec.Struct, frozen=True):
    """The appliance's metal, by kg of charge."""

    heat_j_k_kg: float = 1800.0
    """Heat capacity. From: engineering estimate, fitted to simulated jobs, seeds 0 to 99 of tests/bench/jobs.py."""
    air_w_k_kg: float = 4.0
    """Conductance to the room. From: engineering estimate, fitted to simulated jobs, seeds 0 to 99 of
    tests/bench/jobs.py."""
    fan_w_k_kg: float = 47.0
    """Conductance to the room with a fan. From: engineering estimate, fitted to simulated jobs, seeds 0 to 99 of
    tests/bench/jobs.py."""
    flashed_k: float = 3.0
    """What flashed to fill the place of the liquid has cooled the rest by so much. From: engineering estimate, no
    source."""


class Fluid(msgspec.Struct, frozen=True):
    """The refrigerant as the model takes it, whichever it is."""

    latent_j_kg: float = 190e3
    """Heat of evaporation. From: engineering estimate, no source."""
    liquid_j_kg_k: float = 1500.0
    """Heat capacity of its liquid. From: engineering estimate, no source."""
    slope_over_k: float = 35.0
    """Below the room's temperature: over so much the saturation pressure's slope is taken. From: engineering estimate,
    no source."""


class CylinderHeat(msgspec.Struct, frozen=True):
    """The cylinder's heat."""

    wall_j_k_kg: float = 280.0
    """Heat capacity of its steel by kg of water capacity. From: engineering estimate, no source."""
    bath_w_k: float = 150.0
    """Conductance from refrigerant to a bath. From: engineering estimate, no source."""
    ice_degc: float = 1.0
    """Bath of ice. From: engineering estimate, no source."""
    water_degc: float = 16.0
    """Running water. From: engineering estimate, no source."""
    over_air_k: float = 1.5
    """Liquid leaves the condenser so much warmer than the air. From: engineering estimate, no source."""
    condenses_share: float = 0.11
    """Of the vapor: so much condenses in the cylinder. From: engineering estimate, no source."""


class Handling(msgspec.Struct, frozen=True):
    """Time that it takes to do a remedy.

    Cores come out through a tool while the rig runs on, and bath and fan are brought meanwhile; for hoses, tee and port
    it is held.
    """

    cores_s: float = 60.0
    """To take the cores out. From: engineering estimate, no source."""
    hoses_s: float = 120.0
    """To put other hoses on. From: engineering estimate, no source."""
    tee_s: float = 90.0
    """To put a tee in the manifold's place. From: engineering estimate, no source."""
    ice_s: float = 60.0
    """To stand the cylinder in ice. From: engineering estimate, no source."""
    water_s: float = 30.0
    """To run water over the cylinder. From: engineering estimate, no source."""
    warm_s: float = 60.0
    """To put a fan on the coil. From: engineering estimate, no source."""
    port_s: float = 60.0
    """To use the cylinder's other port. From: engineering estimate, no source."""


class Mechanism(msgspec.Struct, frozen=True):
    """What sets the rate, by the model."""

    wear_times: float = 1.5
    """Clearance of a compressor that has run for a while, over that of its nameplate. From: engineering estimate,
    fitted to simulated jobs, seeds 0 to 99 of tests/bench/jobs.py."""
    oil_rules_share: float = 0.7
    """Of what comes: with more from it the oil sets the rate. From: engineering estimate, no source."""
    oil_rules_level_times: float = 2.0
    """Of the level: the oil sets the rate only below so much. From: engineering estimate, no source."""
    cold_metal_k: float = 15.0
    """So much colder than the room the metal is cold. From: engineering estimate, no source."""
    wider_times: float = 1.25
    """Way in and displacement are tried so much wider. From: engineering estimate, no source."""
    lower_head_share: float = 0.8
    """Of the discharge pressure: it is tried so much lower. From: engineering estimate, no source."""


class Remedies(msgspec.Struct, frozen=True):
    """What limits the rate and what each remedy is worth, by subject."""

    runs: Runs = Runs()
    steps: Steps = Steps()
    saving: Saving = Saving()
    way_in: WayIn = WayIn()
    choking: Choking = Choking()
    charge: Charge = Charge()
    oil: Oil = Oil()
    metal: Metal = Metal()
    fluid: Fluid = Fluid()
    cylinder: CylinderHeat = CylinderHeat()
    handling: Handling = Handling()
    mechanism: Mechanism = Mechanism()


class AdviceFigures(msgspec.Struct, frozen=True):
    """All figures of advice, by subject."""

    shown: Shown = Shown()
    rate: Rate = Rate()
    mass_left: MassLeft = MassLeft()
    finish: Finish = Finish()
    remedies: Remedies = Remedies()
