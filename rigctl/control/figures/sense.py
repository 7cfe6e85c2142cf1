"""Figures of the senses. Each field's docstring ends with where it comes from."""

from __future__ import annotations

from math import inf

import msgspec


class Signals(msgspec.Struct, frozen=True):
    """What can be on any rig of this kind: a value outside is a broken instrument, whatever it says of itself."""

    lowest_pa_abs: float = -2e4
    """Of any pressure on a rig: a transmitter may read a little below nothing in a vacuum. From: engineering estimate,
    no source."""
    highest_pa_abs: float = 2e7
    """Of any pressure on a rig. From: engineering estimate, no source."""
    vacuum_pa_abs: float = 100.0
    """What a sound pressure below it counts as. From: engineering estimate, no source."""
    lowest_degc: float = -120.0
    """Of any temperature on a rig. From: engineering estimate, no source."""
    highest_degc: float = 400.0
    """Of any temperature on a rig. From: engineering estimate, no source."""
    lightest_kg: float = -1e3
    """What a scale may show at least. From: engineering estimate, no source."""
    heaviest_kg: float = 1e4
    """What a scale may show at most. From: engineering estimate, no source."""


class Restrictions(msgspec.Struct, frozen=True):
    """Flow through valves, cores, hoses and ports."""

    port_kv_m3_h: float = 0.5
    """Of a service port without its core. From: engineering estimate, no source."""
    inlet_kv_m3_h: float = 0.45
    """Of an inlet valve of the rig. From: engineering estimate, no source."""
    manifold_kv_m3_h: float = 0.15
    """Of a gauge manifold. From: engineering estimate, no source."""
    tee_kv_m3_h: float = 0.8
    """Of a tee in the manifold's place. From: engineering estimate, no source."""
    common_hose_bore_m: float = 5.5e-3
    """Of the hose that hangs there if nobody has said. From: engineering estimate, no source."""
    common_hose_length_m: float = 1.5
    """Of the same hose. From: engineering estimate, no source."""
    hose_friction: float = 0.028
    """Darcy friction factor of a small hose. From: engineering estimate, no source."""
    hose_ends: float = 1.8
    """Loss of a hose's two ends, in velocity heads. From: engineering estimate, no source."""


class Compressor(msgspec.Struct, frozen=True):
    """What the compressor moves, by its nameplate and the pressures."""

    polytropic_exponent: float = 1.1
    """Of the re-expansion of refrigerant left in the clearance volume. From: common practice, 1.05 to 1.15, no
    source."""
    reed_valve_pa: float = 3e3
    """What the suction reed valve takes. From: common practice, 1 to 6 kPa, no source."""
    dry_discharge_k: float = 12.0
    """Discharge so far above saturation has no liquid in it; wet compression gives next to none. From: common practice,
    no source."""
    reed_valves_kv_m3_h: float = 0.3
    """Straight through both reed valves of a standing compressor. From: engineering estimate, no source."""
    half_warm_share: float = 0.28
    """Pressure over saturation at the room's temperature at which vapor comes half warmed up. From: tuned on simulated
    jobs, tuning seeds of tests/bench/jobs.py."""
    still_drop_uncertainties: float = 0.25
    """Drop over a standing compressor, in uncertainties of a pressure, below which nothing is counted as flowing
    through it. From: chosen on the simulated rig; no study on record."""


class Crossing(msgspec.Struct, frozen=True):
    """Push-pull: liquid that crosses straight from appliance to cylinder, how fast, and whether it pays."""

    choked_share: float = 0.15
    """Share by which the pressure behind must fall until flashing liquid chokes. From: physics, critical ratio 0.8 to
    0.87 of the trade's refrigerants (homogeneous equilibrium, computed)."""
    measured_from_s: float = 15.0
    """Time of a crossing from which the line is measured: the first rush into an empty cylinder is over. From: chosen
    on the simulated rig; no study on record."""
    measured_to_s: float = 40.0
    """Time of a crossing at which the line has been measured. From: chosen on the simulated rig; no study on record."""
    least_line_share: float = 0.05
    """Share of what XV-104 alone would pass as boiling liquid that a line passes at least: hoses, port and core make it
    less. Below, the scale does not follow and the line is not taken for measured. From: chosen on the simulated rig; no
    study on record."""
    most_line_share: float = 2.0
    """The same at most: liquid that is pressed on faster than it boils makes it more. From: chosen on the simulated
    rig; no study on record."""
    hoped_times: float = 1.4
    """A line not measured yet may pass so much more than its parts in a row let expect: to try it costs a minute, and a
    good one saves many. From: upper quartile of simulated jobs, seeds not on record."""
    undeclared_line_share: float = 0.5
    """Share of what XV-104 alone would pass, of a line of which nobody has said how it is hooked up. From: engineering
    estimate, no source."""
    large_core_kv_m3_h: float = 0.2
    """Of the service port of a large appliance with its core in. From: engineering estimate, no source."""
    suction_pressure_share: float = 0.4
    """What stands behind CV-103 then, as a share of the appliance's pressure. From: the same 59 simulated jobs, seeds
    not on record."""
    boils_off_1_k: float = 0.007
    """Share of a liquid that boils off while it cools itself by one kelvin. From: physics, heat capacity over heat of
    evaporation, 0.0066 (R-134a) to 0.0078 (R-1234yf), computed."""
    draws_below_k: float = 1.0
    """So far below the appliance's boiling point the compressor has to bring a cylinder before liquid crosses. From:
    chosen on the simulated rig; no study on record."""
    cylinder_pressure_share: float = 0.7
    """The cylinder's pressure while liquid crosses, as a share of the appliance's: how dense the vapor is that the
    compressor takes out of it. From: chosen on the simulated rig; no study on record."""
    overhead_s: float = 20.0
    """What push-pull costs besides: valves, and the throttle that opens slowly. From: chosen on the simulated rig; no
    study on record."""
    better_times: float = 1.1
    """What crosses must be so much quicker than the compressor, else it was not worth the valves. From: chosen on the
    simulated rig; no study on record."""
    least_gain_s: float = 60.0
    """Time that push-pull must save to be begun: a wrong choice should cost less than a right one gains. From: chosen
    on the simulated rig; no study on record."""
    declared_charge_share: float = 0.85
    """Of a declared charge that is counted with: labels and leaks. From: common practice, no source."""


class Fill(msgspec.Struct, frozen=True):
    """The fill without the scale: factors on the nameplate's word, their spreads, and when a weight is believed."""

    vapor_factor: float = 0.95
    """Swept volume and tightness over the nameplate's, of a compressor that has seen some work. From: tuned on
    simulated jobs, tuning seeds of tests/bench/jobs.py, whose wear is an estimate without a source."""
    vapor_spread_units: float = 0.7
    """Its spread, in units of `limits.second_estimate_uncertainty`. From: tuned on simulated jobs, tuning seeds of
    tests/bench/jobs.py, whose wear is an estimate without a source."""
    liquid_factor: float = 1.0
    """Flow of flashing liquid over what the throttle's Kv gives. From: tuned on simulated jobs, tuning seeds of
    tests/bench/jobs.py, whose wear is an estimate without a source."""
    liquid_spread_units: float = 1.2
    """Its spread, in units of `limits.second_estimate_uncertainty`. From: tuned on simulated jobs, tuning seeds of
    tests/bench/jobs.py, whose wear is an estimate without a source."""
    blind_liquid_factor: float = 0.85
    """The liquid's factor without PT-102 and TT-201: the end of the liquid is seen late, and vapor is counted as liquid
    until then. From: tuned on simulated jobs, tuning seeds of tests/bench/jobs.py, whose wear is an estimate without a
    source."""
    blind_liquid_spread_units: float = 2.0
    """Its spread, in units of `limits.second_estimate_uncertainty`. From: tuned on simulated jobs, tuning seeds of
    tests/bench/jobs.py, whose wear is an estimate without a source."""
    back_factor: float = 1.1
    """What re-expands over what the nameplate's clearance gives. From: tuned on simulated jobs, tuning seeds of
    tests/bench/jobs.py, whose wear is an estimate without a source."""
    back_spread: float = 0.35
    """Its own spread, besides what it shares with the vapor's. From: tuned on simulated jobs, tuning seeds of
    tests/bench/jobs.py, whose wear is an estimate without a source."""
    back_per_vapor: float = 1.15
    """By how much it moves with the vapor's factor. From: tuned on simulated jobs, tuning seeds of tests/bench/jobs.py,
    whose wear is an estimate without a source."""
    through_spread_share: float = 0.7
    """Relative spread of what has gone through the valves of a standing compressor. From: tuned on simulated jobs,
    tuning seeds of tests/bench/jobs.py, whose wear is an estimate without a source."""
    forgotten_s: float = 20000.0
    """Time in which a factor wanders back to what is known beforehand. From: chosen on the simulated rig; no study on
    record."""
    carried_every_s: float = 2.0
    """The filter is carried on this often; between, sums are kept. From: chosen on the simulated rig; no study on
    record."""
    flow_noise_share: float = 0.04
    """Error of the flow besides its factors, relative. From: chosen on the simulated rig; no study on record."""
    blind_flow_noise_share: float = 0.15
    """The same without PT-102 and TT-201. From: chosen on the simulated rig; no study on record."""
    unproved_flow_noise_share: float = 0.4
    """The same in the first seconds of drawing liquid: nothing has shown yet that it is liquid that comes. From: chosen
    on the simulated rig; no study on record."""
    unproved_flow_s: float = 12.0
    """How long that is so. From: chosen on the simulated rig; no study on record."""
    flow_noise_s: float = 20.0
    """How long an error of the flow lasts. From: chosen on the simulated rig; no study on record."""
    header_liquid_share: float = 0.25
    """What hoses and header add when the lines are cleared out right after liquid was drawn, mean, in shares of
    `limits.fill_reserve_kg`. From: engineering estimate, no source."""
    header_liquid_spread_share: float = 0.25
    """Its spread, in the same shares. From: engineering estimate, no source."""
    sudden_share: float = 0.1
    """Spread added for each weight that is not believed, in shares of the reserve: lines may fill or empty at once.
    From: chosen on the simulated rig; no study on record."""
    clearing_doubt_share: float = 0.4
    """Spread, in shares of the reserve, of what the lines held beyond what the filter states, when a weight is there to
    tell. From: chosen on the simulated rig; no study on record."""
    clearing_pace_doubt: float = 0.5
    """Variance of what a clear-out takes in one go, over the square of it: how fast it goes is not known. From: chosen
    on the simulated rig; no study on record."""
    weight_spread_kg: float = 0.01
    """Standard deviation of a weight against the filter besides the scale's own noise. From: chosen on the simulated
    rig; no study on record."""
    weight_gate_spreads: float = 4.0
    """A weight further off than so many standard deviations of what is expected speaks of the scale, not of the fill.
    From: chosen on the simulated rig; no study on record."""
    factor_gate_spreads: float = 3.5
    """Standard deviations that a factor may come out away from what was known of it beforehand. From: chosen on the
    simulated rig; no study on record."""
    nameplate_gate_spreads: float = 3.0
    """Standard deviations that a weight may be off what the nameplate alone says. From: chosen on the simulated rig; no
    study on record."""
    nameplate_allowed_share: float = 0.4
    """What it may be off besides, in shares of the reserve. From: chosen on the simulated rig; no study on record."""
    lines_least_share: float = -0.2
    """Share of the reserve that the lines must come out to hold at least for the scale to be believed. From: chosen on
    the simulated rig; no study on record."""
    lines_most_share: float = 0.9
    """Share of the reserve that the lines must come out to hold at most for the scale to be believed. From: chosen on
    the simulated rig; no study on record."""
    lines_most_coil_share: float = 1.3
    """The same on a rig with a sub-cooling coil. From: chosen on the simulated rig; no study on record."""
    after_clearing_share: float = 0.2
    """Share of the reserve that must stay free when the lines have been cleared into the cylinder. From: chosen on the
    simulated rig; no study on record."""
    warns_above_spreads: float = 2.0
    """The warning: this many standard deviations above the estimate. From: chosen on the simulated rig; no study on
    record."""
    warns_below_spreads: float = 1.5
    """And never more than so many standard deviations below the nameplate's word: a scale that lies gets no more credit
    than that. From: chosen on the simulated rig; no study on record."""
    doubted_s: float = 6.0
    """After so long without a weight that is believed the scale gets no credit at all: the nameplate's word warns.
    From: chosen on the simulated rig; no study on record."""


class Lines(msgspec.Struct, frozen=True):
    """What cooler and hose hold, in shares of `limits.fill_reserve_kg`: mean and spread by use, and how fast it goes.

    Bare: without valves round the cooler, which draws some back from the cylinder.
    """

    condenses_above_share: float = 0.9
    """Discharge pressure over saturation in the cooler above which liquid stands in it. From: chosen on the simulated
    rig; no study on record."""
    coil_fills_above_times: float = 1.2
    """The same above which liquid fills a coil. From: chosen on the simulated rig; no study on record."""
    coil_degc: float = 3.0
    """A coil in ice water; without one the cooler is taken to be at the room's temperature. From: engineering estimate,
    no source."""
    held_dry_share: float = 0.02
    """While nothing condenses there, mean. From: tuned on simulated jobs, tuning seeds of tests/bench/jobs.py."""
    held_dry_spread_share: float = 0.03
    """Its spread. From: tuned on simulated jobs, tuning seeds of tests/bench/jobs.py."""
    held_dry_liquid_share: float = 0.1
    """While nothing condenses there and liquid is drawn, mean. From: tuned on simulated jobs, tuning seeds of
    tests/bench/jobs.py."""
    held_dry_liquid_spread_share: float = 0.07
    """Its spread. From: tuned on simulated jobs, tuning seeds of tests/bench/jobs.py."""
    held_dry_coil_share: float = 0.05
    """In a coil in which nothing condenses, mean. From: tuned on simulated jobs, tuning seeds of
    tests/bench/jobs.py."""
    held_dry_coil_spread_share: float = 0.1
    """Its spread. From: tuned on simulated jobs, tuning seeds of tests/bench/jobs.py."""
    held_liquid_share: float = 0.2
    """While liquid is drawn, mean. From: tuned on simulated jobs, tuning seeds of tests/bench/jobs.py."""
    held_liquid_spread_share: float = 0.1
    """Its spread. From: tuned on simulated jobs, tuning seeds of tests/bench/jobs.py."""
    held_liquid_bare_share: float = 0.34
    """While liquid is drawn, bare, mean. From: tuned on simulated jobs, tuning seeds of tests/bench/jobs.py."""
    held_liquid_bare_spread_share: float = 0.22
    """Its spread. From: tuned on simulated jobs, tuning seeds of tests/bench/jobs.py."""
    held_vapor_share: float = 0.07
    """While vapor is drawn, mean. From: tuned on simulated jobs, tuning seeds of tests/bench/jobs.py."""
    held_vapor_spread_share: float = 0.09
    """Its spread. From: tuned on simulated jobs, tuning seeds of tests/bench/jobs.py."""
    held_vapor_bare_share: float = 0.28
    """While vapor is drawn, bare, mean. From: tuned on simulated jobs, tuning seeds of tests/bench/jobs.py."""
    held_vapor_bare_spread_share: float = 0.28
    """Its spread. From: tuned on simulated jobs, tuning seeds of tests/bench/jobs.py."""
    held_rest_share: float = 0.14
    """At rest, mean. From: tuned on simulated jobs, tuning seeds of tests/bench/jobs.py."""
    held_rest_spread_share: float = 0.17
    """Its spread. From: tuned on simulated jobs, tuning seeds of tests/bench/jobs.py."""
    held_rest_bare_share: float = 0.4
    """At rest, bare, mean. From: tuned on simulated jobs, tuning seeds of tests/bench/jobs.py."""
    held_rest_bare_spread_share: float = 0.22
    """Its spread. From: tuned on simulated jobs, tuning seeds of tests/bench/jobs.py."""
    held_coil_partly_share: float = 0.28
    """In a coil in which liquid stands and which it does not fill, mean. From: tuned on simulated jobs, tuning seeds of
    tests/bench/jobs.py."""
    held_coil_partly_spread_share: float = 0.24
    """Its spread. From: tuned on simulated jobs, tuning seeds of tests/bench/jobs.py."""
    held_coil_full_share: float = 0.72
    """In a coil that liquid fills, mean. From: tuned on simulated jobs, tuning seeds of tests/bench/jobs.py."""
    held_coil_full_spread_share: float = 0.18
    """Its spread. From: tuned on simulated jobs, tuning seeds of tests/bench/jobs.py."""
    wanders_s: float = 1500.0
    """Time in which what they hold goes to what is usual. From: chosen on the simulated rig; no study on record."""
    changed_s: float = 30.0
    """How long after a change of use it goes faster. From: chosen on the simulated rig; no study on record."""
    changes_s: float = 15.0
    """Time in which it goes to what is usual then. From: chosen on the simulated rig; no study on record."""
    clears_s: float = 15.0
    """Time in which a clear-out empties them. From: chosen on the simulated rig; no study on record."""
    cleared_kg: float = 0.005
    """What is left in them then. From: chosen on the simulated rig; no study on record."""
    cleared_spread_kg: float = 0.01
    """Its spread. From: chosen on the simulated rig; no study on record."""


class LiquidEnd(msgspec.Struct, frozen=True):
    """The end of the liquid, and liquid that comes again: when each witness is heard, and what its word weighs."""

    enough_score: float = 1.0
    """Sum of the witnesses' words at which the liquid has ended. From: tuned on simulated jobs, tuning seeds of
    tests/bench/jobs.py."""
    most_score: float = 2.0
    """The sum goes no higher: it shall be able to fall again. From: tuned on simulated jobs, tuning seeds of
    tests/bench/jobs.py."""
    unheard_s: float = 5.0
    """PT-102 is not heard so long after liquid has begun to be drawn. From: tuned on simulated jobs, tuning seeds of
    tests/bench/jobs.py."""
    unheard_again_s: float = 3.0
    """The same where it is known how liquid looks. From: tuned on simulated jobs, tuning seeds of
    tests/bench/jobs.py."""
    late_witness_s: float = 12.0
    """Superheat and weight are heard from here on: probe and hoses need it. From: tuned on simulated jobs, tuning seeds
    of tests/bench/jobs.py."""
    header_witness_s: float = 30.0
    """PT-101 is heard from here on. From: tuned on simulated jobs, tuning seeds of tests/bench/jobs.py."""
    # PT-102 over PT-101.
    ratio_lag_s: float = 0.7
    """PT-102 and its ratio to PT-101 are smoothed over so long. From: tuned on simulated jobs, tuning seeds of
    tests/bench/jobs.py."""
    quick_ratio_lag_s: float = 0.2
    """The same, smoothed less: tells a jump. From: tuned on simulated jobs, tuning seeds of tests/bench/jobs.py."""
    late_ratio_lag_s: float = 4.0
    """The same, over several seconds: tells a climb. From: tuned on simulated jobs, tuning seeds of
    tests/bench/jobs.py."""
    ratio_drift_s: float = 600.0
    """Time in which the ratio of liquid follows a rise: slow, so that an end that comes over a minute or two is not
    taken for a drift. From: tuned on simulated jobs, tuning seeds of tests/bench/jobs.py."""
    ratio_gain_1_s: float = 6.0
    """Weight of the ratio's rise over its threshold. From: tuned on simulated jobs, tuning seeds of
    tests/bench/jobs.py."""
    climb_gain: float = 0.8
    """What a climb over the last seconds adds to the rise: an end that comes quickly is sure sooner. From: tuned on
    simulated jobs, tuning seeds of tests/bench/jobs.py."""
    climb_most_ln: float = 0.2
    """Climb that is counted at most, as the logarithm of two ratios. From: tuned on simulated jobs, tuning seeds of
    tests/bench/jobs.py."""
    ratio_least_1_s: float = -1.0
    """The ratio's word at the least. From: tuned on simulated jobs, tuning seeds of tests/bench/jobs.py."""
    ratio_most_1_s: float = 2.0
    """The ratio's word at the most. From: tuned on simulated jobs, tuning seeds of tests/bench/jobs.py."""
    surely_liquid_risen: float = -0.5
    """Rise against its threshold, less 1, below which PT-102 is taken for that of liquid. From: tuned on simulated
    jobs, tuning seeds of tests/bench/jobs.py."""
    liquid_p_102_s: float = 20.0
    """Time in which PT-102 of liquid is followed, at most. From: tuned on simulated jobs, tuning seeds of
    tests/bench/jobs.py."""
    liquid_p_102_time_share: float = 0.3
    """The same at first, as a share of the time that liquid has been drawn. From: tuned on simulated jobs, tuning seeds
    of tests/bench/jobs.py."""
    jump_ln: float = 0.075
    """Change of the ratio's logarithm within half a second that only a throttle can make: vapor takes seconds to fill
    the header. From: tuned on simulated jobs, tuning seeds of tests/bench/jobs.py."""
    jump_moved_share: float = 0.5
    """Share of that by which PT-102 itself must move the same way: an inlet that opens or shuts moves it the other way.
    From: tuned on simulated jobs, tuning seeds of tests/bench/jobs.py."""
    jump_lasts_s: float = 2.5
    """How long such a change goes on. From: tuned on simulated jobs, tuning seeds of tests/bench/jobs.py."""
    jump_most_times: float = 1.5
    """By how much at most it is believed: a way to the port so short that vapor comes at once must not pass for a
    throttle for good. From: tuned on simulated jobs, tuning seeds of tests/bench/jobs.py."""
    narrowed_share: float = 0.88
    """Share of liquid's PT-102 below which the way in has become narrower: at the liquid's end it rises. From: tuned on
    simulated jobs, tuning seeds of tests/bench/jobs.py."""
    emptied_share: float = 0.6
    """Share of liquid's PT-102 below which what comes next counts as liquid. From: tuned on simulated jobs, tuning
    seeds of tests/bench/jobs.py."""
    collapsed_share: float = 0.6
    """Share of PT-101's last seconds below which the way in has become narrower, where PT-102 cannot speak. From: tuned
    on simulated jobs, tuning seeds of tests/bench/jobs.py."""
    narrowed_explains_s: float = 30.0
    """A narrower way in explains all for so long at most. From: tuned on simulated jobs, tuning seeds of
    tests/bench/jobs.py."""
    narrowed_after_s: float = 6.0
    """And for so long after. From: tuned on simulated jobs, tuning seeds of tests/bench/jobs.py."""
    # Discharge superheat.
    superheat_lag_s: float = 1.0
    """TT-201 and its superheat are smoothed over so long. From: tuned on simulated jobs, tuning seeds of
    tests/bench/jobs.py."""
    superheat_drift_s: float = 120.0
    """Time in which their values with liquid follow a rise. From: tuned on simulated jobs, tuning seeds of
    tests/bench/jobs.py."""
    hot_k: float = 2.0
    """Rise at which vapor is as likely as liquid. From: tuned on simulated jobs, tuning seeds of
    tests/bench/jobs.py."""
    superheat_least_1_s: float = -0.3
    """The superheat's word at the least, where PT-102 does not speak. From: tuned on simulated jobs, tuning seeds of
    tests/bench/jobs.py."""
    superheat_most_1_s: float = 2.0
    """The superheat's word at the most. From: tuned on simulated jobs, tuning seeds of tests/bench/jobs.py."""
    scale_word_share: float = 0.3
    """Weight of the scale's word where the discharge superheat can speak: a cold coil that fills takes from its gain.
    From: tuned on simulated jobs, tuning seeds of tests/bench/jobs.py."""
    least_rate_share: float = 0.5
    """Weight of the least rate of a low gain there. From: tuned on simulated jobs, tuning seeds of
    tests/bench/jobs.py."""
    # Weight, and the pressures that go with it.
    word_lag_s: float = 8.0
    """What the pump should move as liquid is smoothed over so long, as hoses and cooler do it. From: tuned on simulated
    jobs, tuning seeds of tests/bench/jobs.py."""
    usual_gain_lag_s: float = 15.0
    """The usual gain of weight is followed in this time. From: tuned on simulated jobs, tuning seeds of
    tests/bench/jobs.py."""
    usual_gain_least_share: float = 0.3
    """Share of the pump's word that a gain must be for the first usual one. From: tuned on simulated jobs, tuning seeds
    of tests/bench/jobs.py."""
    usual_gain_most_times: float = 1.2
    """The usual gain counts as no more than so many times the pump's word. From: tuned on simulated jobs, tuning seeds
    of tests/bench/jobs.py."""
    push_gain_times: float = 1.12
    """Gain over its usual one that tells of vapor pushing liquid out. From: tuned on simulated jobs, tuning seeds of
    tests/bench/jobs.py."""
    push_gain_kg_s: float = 5e-4
    """And so much besides. From: tuned on simulated jobs, tuning seeds of tests/bench/jobs.py."""
    push_over_share: float = 0.8
    """Gain over its usual one below which that is over. From: tuned on simulated jobs, tuning seeds of
    tests/bench/jobs.py."""
    pushed_p_201_times: float = 1.03
    """The push told by PT-201 over its last seconds. From: tuned on simulated jobs, tuning seeds of
    tests/bench/jobs.py."""
    pushed_p_201_lag_s: float = 15.0
    """How long those last seconds are. From: tuned on simulated jobs, tuning seeds of tests/bench/jobs.py."""
    push_lasts_s: float = 30.0
    """Such a push is remembered for so long. From: tuned on simulated jobs, tuning seeds of tests/bench/jobs.py."""
    usual_after_s: float = 25.0
    """A greater gain that lasts longer is the usual one. From: tuned on simulated jobs, tuning seeds of
    tests/bench/jobs.py."""
    calm_s: float = 15.0
    """The weight is not heard so long after a knock or a starved header. From: tuned on simulated jobs, tuning seeds of
    tests/bench/jobs.py."""
    pushed_rate_1_s: float = 1.0
    """Rate of a low gain after a push. From: tuned on simulated jobs, tuning seeds of tests/bench/jobs.py."""
    unpushed_rate_1_s: float = 0.15
    """Rate of a low gain without a push. From: tuned on simulated jobs, tuning seeds of tests/bench/jobs.py."""
    falling_rate_1_s: float = 0.5
    """Rate of a gain that falls after a push and is not low yet. From: tuned on simulated jobs, tuning seeds of
    tests/bench/jobs.py."""
    least_rate_1_s: float = 0.04
    """Rate of a low gain whatever others say. From: tuned on simulated jobs, tuning seeds of tests/bench/jobs.py."""
    firm_rate_1_s: float = 0.01
    """The same against PT-102. From: tuned on simulated jobs, tuning seeds of tests/bench/jobs.py."""
    header_lag_s: float = 8.0
    """How long PT-101's last seconds are. From: tuned on simulated jobs, tuning seeds of tests/bench/jobs.py."""
    fallen_share: float = 0.95
    """Share of PT-101's last seconds which, after a push and behind a fixed restriction, speaks for vapor. From: tuned
    on simulated jobs, tuning seeds of tests/bench/jobs.py."""
    fallen_rate_1_s: float = 0.07
    """And its rate. From: tuned on simulated jobs, tuning seeds of tests/bench/jobs.py."""
    # Liquid that comes again.
    back_gain_times: float = 1.6
    """Weight gain over vapor displacement that vapor alone does not explain. From: tuned on simulated jobs, tuning
    seeds of tests/bench/jobs.py."""
    back_gain_kg_s: float = 3e-3
    """And so much besides. From: tuned on simulated jobs, tuning seeds of tests/bench/jobs.py."""
    cold_gain_times: float = 1.25
    """The same while the discharge is as cold as with liquid. From: tuned on simulated jobs, tuning seeds of
    tests/bench/jobs.py."""
    cold_gain_kg_s: float = 1e-3
    """And so much besides. From: tuned on simulated jobs, tuning seeds of tests/bench/jobs.py."""
    denies_k: float = 5.0
    """Discharge superheat above that of liquid that says that no liquid is drawn. From: tuned on simulated jobs, tuning
    seeds of tests/bench/jobs.py."""
    dry_header_k: float = 4.0
    """Superheat at the header that says so. From: tuned on simulated jobs, tuning seeds of tests/bench/jobs.py."""
    dry_ratio_times: float = 1.2
    """PT-102 over PT-101, over liquid's in proportion to the throttle's opening, above which the suction is dry. From:
    tuned on simulated jobs, tuning seeds of tests/bench/jobs.py."""
    mute_ratio_share: float = 0.8
    """A throttle so wide that this would come to so much tells nothing. From: tuned on simulated jobs, tuning seeds of
    tests/bench/jobs.py."""


class Outgassing(msgspec.Struct, frozen=True):
    """When to stop pulling, how long to stand, and what a rise of the shut-in appliance means."""

    block_s: float = 3.0
    """The rise is judged by means over so long: a pressure transmitter's noise is far above what matters here. From:
    chosen on the simulated rig; no study on record."""
    near_lag_s: float = 5.0
    """The shorter of the two lags behind the appliance's pressure. The slope is their difference over the difference of
    their times, and the flow that it is set against goes through the same two. From: chosen on the simulated rig; no
    study on record."""
    far_lag_s: float = 15.0
    """The longer of the two. From: chosen on the simulated rig; no study on record."""
    least_fall_pa_s: float = 400.0
    """A fall below this is too near to the noise to learn the gain from. From: chosen on the simulated rig; no study on
    record."""
    usual_rise_s: float = 170.0
    """A rise that begins at some rate adds that rate times so long in half an hour: what stands in before a check has
    told. From: simulated jobs, tuning seeds 5000 to 5099 of `tests/bench/jobs.py`: 99 to 279 s in the first checks,
    median 172."""
    least_rise_s: float = 60.0
    """The same at least, of what a check is believed. From: the same jobs, 104 to 432 s over all 346 checks."""
    most_rise_s: float = 450.0
    """The same at most, of what a check is believed. From: the same."""
    telling_blocks: int = 12
    """A check of so many blocks tells where its rise leads. From: chosen on the simulated rig; no study on record."""
    level_share: float = 0.95
    """Share of the level up to which a check may be expected to rise. From: chosen on the simulated rig; no study on
    record."""
    first_gain_times: float = 1.4
    """The gain that checks show, over the one that the fall of the pressure shows. From: median over random simulated
    jobs, seeds not on record."""
    first_look_times: float = 1.0
    """The first check is made at so many times the allowed rise: what it tells is worth the half minute that it may
    cost. From: random simulated jobs, seeds not on record; 2.5 was tried (more checks, same time)."""
    caution_share: float = 0.75
    """Share of the allowed rise to pull down to: a check that fails costs more than a little more pulling. From: chosen
    on the simulated rig; no study on record."""
    least_pull_s: float = 40.0
    """A pull takes at least this long before its flow says anything about the oil. From: chosen on the simulated rig;
    no study on record."""
    most_pull_s: float = 300.0
    """A pull below its target is broken off for a check after so long at the latest: flow near the compressor's end
    misleads. From: chosen on the simulated rig; no study on record."""
    fails_surely: float = 0.92
    """How sure it must be that a check fails before it is broken off, 0 to 1. From: chosen on the simulated rig; no
    study on record."""
    holds_surely: float = 0.9
    """How sure it must be that it holds before it counts as passed, 0 to 1. From: our choice; the record says that the
    level held."""
    early_s: float = 60.0
    """A check that has stood so long may be passed before its end. From: random jobs of an independent test, 54 s a job
    saved."""
    early_fails: float = 0.03
    """It is where it fails with no more than this probability. From: the same."""
    early_holds: float = 0.97
    """And holds with this one at least. From: the same."""
    kept_s: float = 600.0
    """The appliance, shut in, has to stay below the level for so long after the check. From: the project's design;
    published practice says off for five minutes and then stable for two, or a few minutes."""
    watched_from_share: float = 0.4
    """Share of the settling time after which the rise is watched; hoses come to one pressure first. From: chosen on the
    simulated rig; no study on record."""
    least_check_s: float = 20.0
    """A check is not broken off sooner. From: chosen on the simulated rig; no study on record."""
    more_check_s: float = 10.0
    """After many that failed each waits so much longer: a motor is not to start every half minute for long. From:
    chosen on the simulated rig; no study on record."""
    most_check_s: float = 60.0
    """And so long at most. From: chosen on the simulated rig; no study on record."""
    patient_checks: int = 3
    """How many may fail before that. From: chosen on the simulated rig; no study on record."""
    unplain: float = 0.2
    """A check that is not plain at its end may stand longer if it is at least so likely to hold, 0 to 1. From: chosen
    on the simulated rig; no study on record."""
    longer_times: float = 1.5
    """And so many times as long. From: chosen on the simulated rig; no study on record."""
    slow_share: float = 0.5
    """What oil gives back has a quick part, its surface and the gas that warms, and a slow one, its depth and cold
    metal: this share of a rise is slow. From: simulated jobs, tuning seeds 5000 to 5099, 346 checks held on for half an
    hour by the truth: Brier score of "kept" at the end of a check 0.082, with one time constant 0.276."""
    slow_times: float = 8.0
    """Time constant of the slow part over that of the quick one. From: the same."""
    model_share: float = 0.4
    """Standard error of what is still to come, as a share of it: no two rises have quite that form. From: the same
    jobs, standard deviation of the logarithm 0.33 at a check's end, 0.45 at 90 s."""
    slower_share: float = 0.9
    """A check whose rise begins slower than this share of an earlier one tells of oil: even still, cold oil gives less
    by a fifth after seven minutes of pulling. From: chosen on the simulated rig; no study on record."""
    least_leak_pa_s: float = 10.0
    """A rise below this is none: a sentence about it would state 0.00 bar a minute. From: physics, a hole of 0.1 mm2
    lets 200 Pa/s into ten litres (choked air)."""
    leak_s: float = 420.0
    """A rise that begins as fast as so long ago, in vacuum, is air that leaks in. From: chosen on the simulated rig; no
    study on record."""
    leak_below_pa_abs: float = 9.5e4
    """That vacuum. A leak out of an appliance above the atmosphere shows as a fall, and as weight that does not come.
    From: chosen on the simulated rig; no study on record."""
    warming_times: float = 1.3
    """Gas that warms up at the same mass rises in proportion; so much more may still be that. From: chosen on the
    simulated rig; no study on record."""
    wet_rest_share: float = 0.6
    """A rise that goes on to more than this share of saturation comes from liquid: oil gives back to well below. From:
    chosen on the simulated rig; no study on record."""
    rests: tuple[tuple[float, float], ...] = (
        (8.0, 0.08), (15.0, 0.16), (30.0, 0.24), (60.0, 0.24), (120.0, 0.16), (240.0, 0.07), (inf, 0.05),
    )  # fmt: skip
    """Time constants of the quick part of a rise, s, and what is thought of each beforehand, as shares of 1; the slow
    ones that go with them reach from a minute to half an hour. The last is an even rise, as a leak makes it. From: the
    same jobs, by eye."""
    block_noise_share: float = 0.02
    """Noise of a block's mean, as a share of the transmitter's uncertainty, at least. From: chosen on the simulated
    rig; no study on record."""


class Weight(msgspec.Struct, frozen=True):
    """The weight: its filter, whether it follows the pump, and what it is sure of."""

    flow_walk_kg2_s3: float = 1e-8
    """Process noise of the mass flow, as a random walk: follows a change in about 4 s at 10 Hz and 5 g noise. From:
    chosen on the simulated rig; no study on record."""
    flow_unknown_kg2_s2: float = 1e-6
    """Variance of the flow when the filter begins anew. From: chosen on the simulated rig; no study on record."""
    unweighed_flow_share: float = 0.5
    """Spread of the flow by the pump's word, as a share of it, while the scale is unfit. From: chosen on the simulated
    rig; no study on record."""
    restless_spreads: float = 6.0
    """A weight further off what was expected than so many times the scale's noise is not at rest. From: chosen on the
    simulated rig; no study on record."""
    restless_flow_kg_s: float = 5e-4
    """Nor is one that moves faster than this. From: chosen on the simulated rig; no study on record."""
    restless_flow_spreads: float = 3.0
    """And than so many standard deviations of the flow besides. From: chosen on the simulated rig; no study on
    record."""
    unseen_s: float = 15.0
    """When no weight has been believed for so long, the fill goes on without the scale. From: chosen on the simulated
    rig; no study on record."""
    uncounted_s: float = 20.0
    """Time before and after a loss of power in which what came was not counted: age of the state that a journal keeps
    (10 s), and what a dead-man relay takes to fall off, with room. From: engineering estimate, no source."""
    uncounted_open_times: float = 1.5
    """The throttle may have opened further since. From: engineering estimate, no source."""
    follows_share: float = 0.3
    """The scale must show at least this share of what the compressor pumped, else it counts as not following. From:
    chosen on the simulated rig; no study on record."""
    follows_over_kg: float = 0.05
    """Mass by the pump over which scale and pump are held against each other. From: chosen on the simulated rig; no
    study on record."""
    flowing_share: float = 0.6
    """Share of the pump's word above which the weight rises as the pump says. From: chosen on the simulated rig; no
    study on record."""
    flowing_s: float = 3.0
    """How long it must, to count. From: chosen on the simulated rig; no study on record."""
    doubt_spreads: float = 2.0
    """Difference of scale and nameplate that needs no explanation: standard uncertainties of the latter. From: chosen
    on the simulated rig; no study on record."""
    without_doubt_kg: float = 0.05
    """And a little besides. From: chosen on the simulated rig; no study on record."""
    contradicted_share: float = 0.5
    """Share of the difference to a scale that is not believed, and yet moves, that stays as doubt. From: chosen on the
    simulated rig; no study on record."""
    uncleared_share: float = 0.5
    """Standard uncertainty of what uncleared lines let into a cylinder while it is weighed, as a share of it. From:
    chosen on the simulated rig; no study on record."""
    moved_variance_kg2: float = 1e-4
    """Variance that a scale which was knocked or moved adds, besides its noise. From: chosen on the simulated rig; no
    study on record."""


class Counted(msgspec.Struct, frozen=True):
    """What is counted without the scale."""

    same_shown_kg: float = 0.03
    """Pumped while the scale shows the same figure to the last digit: it is not offered to the second estimate any
    more. From: chosen on the simulated rig; no study on record."""


class Pressures(msgspec.Struct, frozen=True):
    """Pressures: rates, rest, progress, compression ratio."""

    discharge_rate_lag_s: float = 0.5
    """The rate at which the discharge rises is smoothed over so long. From: chosen on the simulated rig; no study on
    record."""
    appliance_quick_s: float = 1.0
    """The shorter of the two lags behind the appliance's pressure that tell its slope. From: chosen on the simulated
    rig; no study on record."""
    appliance_slow_s: float = 2.0
    """The longer of the two: a header that fills from atmospheric pressure is forgotten as soon. From: random jobs of
    an independent test, 32 s a job saved against a lag of 10 s on rigs without PT-001."""
    appliance_rest_s: float = 10.0
    """A pressure rests that moves so little in this time. From: chosen on the simulated rig; no study on record."""
    appliance_rest_share: float = 0.003
    """Share of itself by which it may move then. From: chosen on the simulated rig; no study on record."""
    appliance_rest_uncertainties: float = 0.2
    """And so many uncertainties of a pressure besides. From: chosen on the simulated rig; no study on record."""
    fall_lag_s: float = 20.0
    """The rate at which the appliance's pressure falls is smoothed over so long. From: chosen on the simulated rig; no
    study on record."""
    progress_share: float = 0.98
    """A pressure below this share of the lowest so far is progress. From: chosen on the simulated rig; no study on
    record."""
    progress_kg: float = 0.02
    """A weight by so much above that of the last progress is progress. From: chosen on the simulated rig; no study on
    record."""
    cylinder_slow_s: float = 30.0
    """The cylinder's pressure is held against itself smoothed over so long. From: chosen on the simulated rig; no study
    on record."""
    cylinder_rest_share: float = 0.005
    """Share of itself by which it may be off that while it rests. From: chosen on the simulated rig; no study on
    record."""
    cylinder_rest_uncertainties: float = 0.2
    """And so many uncertainties of a pressure besides. From: chosen on the simulated rig; no study on record."""
    compression_lag_s: float = 3.0
    """The compression ratio is that over a header pressure so smoothed: a real one moves no faster, its noise does.
    From: chosen on the simulated rig; no study on record."""


class Estimate(msgspec.Struct, frozen=True):
    """One scan of the senses."""

    longest_scan_s: float = 2.0
    """A scan that comes later than this counts as one scan period: nobody knows what acted meanwhile. From: engineering
    estimate, no source."""
    shaken_spreads: float = 8.0
    """Change of the scale from one scan to the next, over its noise, that tells of a knock too short to count as one.
    From: chosen on the simulated rig; no study on record."""


class Sense(msgspec.Struct, frozen=True):
    """All figures of the senses, by subject."""

    signals: Signals = Signals()
    restrictions: Restrictions = Restrictions()
    compressor: Compressor = Compressor()
    crossing: Crossing = Crossing()
    fill: Fill = Fill()
    lines: Lines = Lines()
    liquid_end: LiquidEnd = LiquidEnd()
    outgassing: Outgassing = Outgassing()
    weight: Weight = Weight()
    counted: Counted = Counted()
    pressures: Pressures = Pressures()
    estimate: Estimate = Estimate()
