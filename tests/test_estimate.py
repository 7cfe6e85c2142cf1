"""What the readings mean, against published figures, an independent calculation, and made-up truth with noise."""

from __future__ import annotations

import random
from math import exp, inf, isnan, log, nan, sqrt
from typing import Any

import pytest
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from rigctl.advice.figures import AdviceFigures
from rigctl.advice.mass_left import by_label, by_pressure
from rigctl.advice.report import Estimate, InletPhase, report
from rigctl.advice.time_to_finish import Progress, Stage, finish
from rigctl.control.points import INLETS, M_101, XV_201, XV_202, XV_301, Outputs
from rigctl.control.prepare import FIGURES
from rigctl.control.protect.table import INDEX, TABLE
from rigctl.control.readings import ABSENT
from rigctl.control.sense import weight
from rigctl.control.sense.compressor import (
    comes_dry,
    pumped_flow,
    straight_through_kg_s,
    suction_temperature_degc,
    vapor_beside_liquid,
    volumetric_efficiency,
)
from rigctl.control.sense.estimate import initial, update
from rigctl.control.sense.memory import Memory
from rigctl.control.sense.restrictions import ORIFICE_M2_PER_KV, choked_liquid_flux_kg_m2_s
from rigctl.control.sense.signals import Signals, judge
from rigctl.control.sense.weight import owed_kg, with_cylinder, with_scale_believed, with_scale_moved
from rigctl.control.settings import Settings
from rigctl.refrigerant import catalogue
from rigctl.scan import prepare
from tests.strategies import ANALOGUE, FULL, SHOP, UNFIT, WATER, at_rest, change, fitted

PUMPING = Outputs(INLETS | XV_201 | XV_202 | XV_301 | M_101, 1.0)
STILL = Outputs(XV_201 | XV_202 | XV_301)
DT_S = 0.1
TUNED = AdviceFigures()
LEFT = TUNED.mass_left
VAPOR = Progress(0.0, 0.0, 15.0, 10.0, 0, Stage.VAPOR)
COMPRESSOR = FIGURES.sense.compressor

# --- compressor and throttle


def compressor(clearance: float, leak: float = 1.0) -> Any:
    return change(FULL.compressor, clearance=clearance, leak_factor=leak)


@pytest.mark.parametrize(("clearance", "ratio"), [(0.03, 49.0), (0.05, 28.5), (0.08, 17.5)])
def test_the_compressor_stops_to_pump_at_the_ratio_of_the_clearance_model(clearance: float, ratio: float) -> None:
    # ((1 + C)/C)^n with n = 1.1, textbook clearance model; figures worked out by hand, three digits.
    assert COMPRESSOR.polytropic_exponent == 1.1
    assert volumetric_efficiency(compressor(clearance), 0.985 * ratio, COMPRESSOR) > 0.0
    assert volumetric_efficiency(compressor(clearance), 1.015 * ratio, COMPRESSOR) == 0.0


def test_volumetric_efficiency_is_the_leak_factor_at_equal_pressures_and_falls_with_the_ratio() -> None:
    made = compressor(0.05, 0.9)
    assert volumetric_efficiency(made, 1.0, COMPRESSOR) == pytest.approx(0.9)
    assert volumetric_efficiency(made, 0.2, COMPRESSOR) == pytest.approx(0.9), "no more than at equal pressures"
    # At ratio 10, by hand: 0.9 * (1.05 - 0.05 * 10**(1/1.1)) = 0.9 * (1.05 - 0.05 * 8.111) = 0.580
    assert volumetric_efficiency(made, 10.0, COMPRESSOR) == pytest.approx(0.580, abs=0.001)
    falling = [volumetric_efficiency(made, ratio, COMPRESSOR) for ratio in (1.0, 2.0, 5.0, 10.0, 20.0, 28.0, 40.0, 1e6)]
    assert falling == sorted(falling, reverse=True) and falling[-1] == 0.0
    assert volumetric_efficiency(compressor(0.0), 1e6, COMPRESSOR) == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("name", "low", "high"), [("R-134a", 7657.0, 7697.0), ("R-22", 11213.0, 11213.0), ("R-32", 14236.0, 14236.0)]
)
def test_choked_flux_of_saturated_liquid_agrees_with_the_homogeneous_equilibrium_model(
    name: str, low: float, high: float
) -> None:
    # Saturated liquid at 25 degC, max of rho*sqrt(2(h0 - h)) along the isentrope, worked out with CoolProp 8.0.0.
    # The omega method fits that to about a per cent; the flash here is isenthalpic instead of isentropic: 3 % in all.
    refrigerant = catalogue.get(name)
    flux = choked_liquid_flux_kg_m2_s(refrigerant, refrigerant.bubble_pressure_pa_abs(25.0))
    assert 0.97 * low <= flux <= 1.03 * high


@pytest.mark.parametrize("name", ["R-134a", "R-410A", "R-290", "R-1234yf"])
@pytest.mark.parametrize("t_degc", [0.0, 15.0, 40.0])
def test_choked_flux_agrees_with_a_direct_search_along_the_isentrope(name: str, t_degc: float) -> None:
    coolprop = pytest.importorskip("CoolProp.CoolProp")
    fluid = {"R-134a": "R134a", "R-410A": "R410A", "R-290": "R290", "R-1234yf": "R1234yf"}[name]
    p_0 = coolprop.PropsSI("P", "T", t_degc + 273.15, "Q", 0, fluid)
    h_0 = coolprop.PropsSI("H", "P", p_0, "Q", 0, fluid)
    s_0 = coolprop.PropsSI("S", "P", p_0, "Q", 0, fluid)

    def flux(share: float) -> float:
        # Along the isentrope through the two phases, by the lever rule, so that blends without a flash work too.
        p = share * p_0
        at = {key: [coolprop.PropsSI(key, "P", p, "Q", q, fluid) for q in (0, 1)] for key in "HSD"}
        x = (s_0 - at["S"][0]) / (at["S"][1] - at["S"][0])
        h = at["H"][0] + x * (at["H"][1] - at["H"][0])
        v = (1.0 - x) / at["D"][0] + x / at["D"][1]
        return float(sqrt(max(0.0, 2.0 * (h_0 - h))) / v)

    direct = max(flux(0.5 + 0.005 * i) for i in range(99))
    refrigerant = catalogue.get(name)
    ours = choked_liquid_flux_kg_m2_s(refrigerant, refrigerant.bubble_pressure_pa_abs(t_degc))
    assert ours == pytest.approx(direct, rel=0.05)


def test_the_omega_method_gives_the_worked_example_of_the_standard() -> None:
    # API 520-1 Annex C.2.2: 216 560 kg/h from 5.564 bar, v1 0.01945, v9 0.02265 m3/kg, Kd 0.85: 2.45e4 mm2.
    class Example:
        def bubble_temperature_degc(self, p: float) -> float:
            return p

        def liquid_density_kg_m3(self, t: float) -> float:
            return 1.0 / 0.01945

        def flash_quality(self, p_from: float, p_to: float) -> float:
            return 1.0

        def vapor_density_kg_m3(self, p: float) -> float:
            return 1.0 / 0.02265

    flux = choked_liquid_flux_kg_m2_s(Example(), 5.564e5)  # type: ignore[arg-type]
    area_mm2 = 216_560.0 / 3600.0 / (0.85 * flux) * 1e6
    assert area_mm2 == pytest.approx(2.45e4, rel=0.01)


def test_a_valve_of_kv_1_has_the_area_of_its_definition() -> None:
    # IEC 60534-2-1: 1 m3/h of water (1000 kg/m3) at 1 bar; m = A*sqrt(2*rho*dp).
    assert pytest.approx(1000.0 / 3600.0 / sqrt(2.0 * 1000.0 * 1e5), rel=1e-3) == ORIFICE_M2_PER_KV


def test_choked_flux_outside_the_table_is_not_a_number() -> None:
    for name in ("R-134a", "R-410A"):
        for p in (nan, inf, -inf, 0.0, -1e5, 1.0, 1e8):
            assert isnan(choked_liquid_flux_kg_m2_s(catalogue.get(name), p))


# --- judging


@pytest.mark.parametrize("field", [name for name in ANALOGUE if name not in ("at_001_lfl", "wt_301_kg")])
@pytest.mark.parametrize("why", UNFIT)
def test_an_unfit_reading_is_not_a_number_and_never_an_old_one(field: str, why: str) -> None:
    short = "_".join(field.split("_")[:2]).replace("pt_", "p_").replace("tt_", "t_")
    good = judge(at_rest(FULL), prepare(FULL))
    assert getattr(good, short) == getattr(at_rest(FULL), field).value
    spoilt = UNFIT[why](20.0, 100.0, FULL.instruments.reading_max_age_s)
    assert isnan(getattr(judge(change(at_rest(FULL), **{field: spoilt}), prepare(FULL)), short))


def test_the_header_does_not_stand_in_for_an_appliance_instrument_that_has_failed() -> None:
    assert isnan(judge(at_rest(FULL, pt_001_pa_abs=nan), prepare(FULL)).p_appliance)
    none = change(FULL, fitted__pt_001=False)
    assert judge(at_rest(none, pt_001_pa_abs=ABSENT, pt_101_pa_abs=4e5), prepare(none)).p_appliance == 4e5
    assert judge(at_rest(FULL, pt_101_pa_abs=3e5, pt_001_pa_abs=4e5), prepare(FULL)).p_low == 3e5
    assert judge(at_rest(FULL, pt_101_pa_abs=5e5, pt_001_pa_abs=4e5), prepare(FULL)).p_low == 4e5


# --- weight and flow


class Scale:
    """A scale with noise and a step, on which refrigerant arrives at a given flow."""

    def __init__(self, seed: int, settings: Settings = FULL, start_kg: float = 20.0) -> None:
        self.settings, self.random = settings, random.Random(seed)
        self.now_s, self.true_kg, self.start_kg = 100.0, start_kg, start_kg
        self.memory = initial(prepare(settings))
        self.signals: Signals = judge(at_rest(settings, 100.0), prepare(settings))
        self.outputs, self.shown, self.offset_kg = STILL, {}, 0.0  # type: Outputs, dict[str, Any], float
        self.run(5.0, 0.0)
        self.memory = with_cylinder(self.memory, prepare(settings), start_kg, 0.0)

    def run(self, seconds: float, flow_kg_s: float) -> Scale:
        instruments = self.settings.instruments
        for _ in range(round(seconds / DT_S)):
            self.now_s += DT_S
            self.true_kg += flow_kg_s * DT_S
            noisy = self.true_kg + self.offset_kg + self.random.gauss(0.0, instruments.scale_noise_kg)
            step = instruments.scale_resolution_kg
            shown = {"wt_301_kg": round(noisy / step) * step} | self.shown
            self.memory, self.signals = update(
                self.memory, at_rest(self.settings, self.now_s, **shown), prepare(self.settings), self.outputs,
                expecting_liquid=False, cylinder_off=False, appliance_pa_abs=1e6,
            )  # fmt: skip
        return self

    @property
    def net_true_kg(self) -> float:
        return self.true_kg - self.start_kg

    def report(self) -> Estimate:
        u = weight.net_uncertainty_kg(self.memory, prepare(self.settings))
        return report(self.memory, self.signals, u, prepare(self.settings), TUNED, VAPOR)


def pumped_flow_now(settings: Settings = FULL) -> float:
    """What the compressor is reckoned to pump at the pressures of a rig at rest."""
    scale = Scale(0, settings)
    scale.outputs = PUMPING
    scale.run(0.2, 0.0)
    return scale.signals.pumped_flow_kg_s


@pytest.mark.parametrize("flow_kg_s", [0.0, 0.001, 0.005, 0.02])
def test_a_constant_flow_is_found_within_its_stated_uncertainty(flow_kg_s: float) -> None:
    inside_flow = inside_net = 0
    for seed in range(40):
        scale = Scale(seed).run(60.0, flow_kg_s)
        seen = scale.report()
        inside_flow += abs(seen.flow_kg_s - flow_kg_s) <= 2.0 * seen.flow_uncertainty_kg_s
        inside_net += abs(seen.net_kg - scale.net_true_kg) <= 2.0 * seen.net_uncertainty_kg
    # Two standard uncertainties cover 95 % (GUM); 40 seeds leave room for 34 and more (binomial, 1 in 1000).
    assert inside_flow >= 34 and inside_net >= 34


def test_the_stated_uncertainty_of_weight_and_flow_covers_a_wandering_flow() -> None:
    inside, squares = 0, 0.0
    for seed in range(40):
        scale, walk = Scale(seed), random.Random(1000 + seed)
        flow = 0.005
        for _ in range(300):
            flow += walk.gauss(0.0, sqrt(FIGURES.sense.weight.flow_walk_kg2_s3 * DT_S))
            scale.run(DT_S, flow)
        error = scale.memory.weight.flow_kg_s - flow
        squares += error**2 / scale.memory.weight.var_flow_kg2_s2
        inside += abs(error) <= 2.0 * sqrt(scale.memory.weight.var_flow_kg2_s2)
    # The filter is told the truth about noise and wander, so its normalised squared error is 1 on average (chi-square
    # with 40 degrees of freedom: 0.45 to 1.85 but for 1 in 1000).
    assert inside >= 34
    assert 0.45 <= squares / 40 <= 1.85


def test_the_net_weight_covers_calibration_error_within_its_stated_uncertainty() -> None:
    inside = 0
    for seed in range(60):
        scale = Scale(seed)
        drift = random.Random(seed).gauss(0.0, FULL.instruments.scale_uncertainty_kg)
        for _ in range(20):
            scale.offset_kg += drift / 20.0
            scale.run(1.0, 0.01)
        seen = scale.report()
        inside += abs(seen.net_kg - scale.net_true_kg) <= 2.0 * seen.net_uncertainty_kg
    assert inside >= 52  # of 60 at 95 %, but for 1 in 1000


def test_a_knock_is_not_counted_and_is_told() -> None:
    scale = Scale(1).run(20.0, 0.01)
    scale.offset_kg = -2.0 * FULL.limits.scale_step_kg  # somebody lifts the hose
    scale.run(2.0, 0.0)
    assert scale.signals.disturbed_s == pytest.approx(2.0, abs=0.2)
    scale.offset_kg = 0.0
    scale.run(20.0, 0.01)
    assert scale.signals.disturbed_s == 0.0
    assert scale.report().net_kg == pytest.approx(scale.net_true_kg, abs=0.03)


def test_a_single_wild_weight_leaves_the_net_as_it_was() -> None:
    scale = Scale(2).run(20.0, 0.01)
    for spike in (0.0, -50.0, 1e4, 1e300):
        scale.shown = {"wt_301_kg": spike}
        scale.run(DT_S, 0.01)
        scale.shown = {}
        scale.run(5.0, 0.01)
    assert scale.report().net_kg == pytest.approx(scale.net_true_kg, abs=0.03)


def test_a_drip_on_the_scale_counts_no_more_than_its_own_weight() -> None:
    # Condensed water drips onto the cylinder: 30 g at once. The scale can't tell it from refrigerant, but the flow
    # must not run away with it.
    scale = Scale(3).run(20.0, 0.0)
    scale.offset_kg = 0.030
    scale.run(20.0, 0.0)
    assert scale.report().net_kg == pytest.approx(0.030, abs=0.02)
    assert abs(scale.memory.weight.flow_kg_s) < 0.001


def test_a_step_that_a_person_confirms_is_no_refrigerant_and_costs_certainty() -> None:
    scale = Scale(4)
    scale.outputs = PUMPING
    scale.run(30.0, pumped_flow_now())
    before = scale.report()
    scale.outputs = STILL
    scale.offset_kg = 3.0
    scale.run(3.0, 0.0)
    scale.memory = with_scale_moved(scale.memory, prepare(FULL))
    scale.run(10.0, 0.0)
    after = scale.report()
    assert scale.signals.disturbed_s == 0.0
    assert after.net_kg == pytest.approx(before.net_kg, abs=0.03)
    assert after.net_uncertainty_kg > before.net_uncertainty_kg
    nothing_known = Memory()
    assert with_scale_moved(nothing_known, prepare(FULL)) is nothing_known


def test_a_new_cylinder_begins_at_nought_with_what_it_holds_above_its_tare() -> None:
    scale = Scale(5, start_kg=15.0)
    memory = with_cylinder(change(scale.memory, pumped__kg=4.0), prepare(FULL), 12.0, 0.0)
    assert memory.contents.start_kg == pytest.approx(3.0, abs=0.02)
    assert (
        memory.contents.tare_kg == memory.weight.gross_kg
        and memory.pumped.kg == 0.0
        and memory.contents.net_high_kg == 0.0
    )
    assert with_cylinder(scale.memory, prepare(FULL), 99.0, 0.0).contents.start_kg == 0.0
    assert with_cylinder(scale.memory, prepare(FULL), 99.0, 2.5).contents.start_kg == 2.5, (
        "its log knows of more than the scale shows"
    )


def test_the_scale_is_steady_only_when_nothing_moves() -> None:
    scale = Scale(6).run(10.0, 0.0)
    assert scale.signals.steady_s > 5.0
    scale.run(15.0, 0.05)
    assert scale.signals.steady_s == 0.0
    scale.run(60.0, 0.0)
    assert scale.signals.steady_s > 10.0
    scale.shown = {"wt_301_kg": nan}
    scale.run(DT_S, 0.0)
    assert scale.signals.steady_s == 0.0 and not scale.signals.scale_ok


# --- the second estimate


def nameplate(liquid: bool, opening: float = 1.0, both_inlets: bool = False, **shown: float) -> tuple[float, ...]:
    """Liquid, vapor and re-expansion by the nameplate of the water rig, R-134a, kg/s."""
    signals = judge(at_rest(WATER, 100.0, **shown), prepare(WATER))
    signals.p_source = signals.p_001
    return pumped_flow(prepare(WATER), signals, liquid, opening, both_inlets)


def test_the_nameplates_vapor_is_displacement_times_density_times_volumetric_efficiency() -> None:
    # By hand for R-134a vapor, 2 bar abs and 20 degC at the suction, 8 bar at the discharge, throttle wide open and
    # no drop over it: 20 cm3 at 1500/min = 5e-4 m3/s; density 8.67 kg/m3 (CoolProp 8.0.0); leak 0.92; the reed valve
    # takes 3 kPa of 200; clearance 2 % re-expands to 0.02*(4**(1/1.1) - 1) = 0.0505 of it.
    liquid, vapor, back = nameplate(
        False, pt_101_pa_abs=2e5, pt_102_pa_abs=2e5, pt_001_pa_abs=2e5, pt_201_pa_abs=8e5, tt_101_degc=20.0
    )
    assert WATER.compressor.displacement_m3_s == pytest.approx(5e-4)
    assert liquid == 0.0
    assert vapor == pytest.approx(5e-4 * 8.67 * 0.92 * 0.985, rel=0.02)
    assert back / vapor == pytest.approx(0.0505, rel=0.01)


def test_liquid_is_counted_by_what_the_throttle_lets_through_and_never_more_than_the_displacement_takes() -> None:
    # Saturated R-134a at 25 degC (665.4 kPa): 7657 kg/m2s choked (homogeneous equilibrium, see above) through
    # Kv 0.45 m3/h at 10 % open: 0.1 * 0.45 * 1.964e-5 m2 * 7657 = 6.77 g/s.
    shown = {"pt_101_pa_abs": 665_400.0, "pt_001_pa_abs": 665_400.0, "pt_102_pa_abs": 500_000.0, "pt_201_pa_abs": 9e5}
    throttle = 0.1 * 0.45 * 1.964e-5 * 7657.0
    assert nameplate(True, 0.1, **shown) == (pytest.approx(throttle, rel=0.03), 0.0, 0.0)
    assert nameplate(True, 0.1, **shown | {"pt_102_pa_abs": nan})[0] == pytest.approx(throttle, rel=0.03)
    # At 1 bar after the throttle, by hand: quality (234.5 - 165.4)/217.2 = 0.32 (CoolProp 8.0.0, kJ/kg), mixture
    # 1/(0.32/5.19 + 0.68/1378) = 16.1 kg/m3, 5e-4 m3/s * 0.92*(1.02 - 0.02*9**(1/1.1)) * 16.1 = 6.5 g/s.
    assert nameplate(True, 0.1, **shown | {"pt_102_pa_abs": 1e5})[0] == pytest.approx(6.5e-3, rel=0.05)


def test_vapor_that_comes_beside_liquid_takes_its_share_of_the_flow() -> None:
    # Two equal openings, the same small drop: mass goes with the root of density (Bernoulli). Saturated R-134a at
    # 25 degC: 1206.7 and 32.35 kg/m3 (CoolProp 8.0.0), so 0.1637 of vapor to 1 of liquid.
    refrigerant = catalogue.get("R-134a")
    p = refrigerant.bubble_pressure_pa_abs(25.0)
    assert vapor_beside_liquid(refrigerant, p, p) == pytest.approx(0.1637 / 1.1637, rel=0.005)
    assert vapor_beside_liquid(refrigerant, p, 0.8 * p) > vapor_beside_liquid(refrigerant, p, p), (
        "flashing slows liquid"
    )
    shown = {"pt_101_pa_abs": p, "pt_001_pa_abs": p, "pt_102_pa_abs": 0.7 * p, "pt_201_pa_abs": 9e5}
    # Through the throttle comes what a mixture of that quality lets through: v from 1/1206.7 to 0.00506 m3/kg, and
    # omega of the mixture as API 520-1 Annex C wants it; here only the bounds of a homogeneous mixture.
    alone, both = nameplate(True, 0.1, **shown)[0], nameplate(True, 0.1, True, **shown)[0]
    assert sqrt((1.0 / 1206.7) / 0.00506) * alone < both < 0.8 * alone


def test_vapor_of_unknown_temperature_lies_between_dew_and_the_room() -> None:
    refrigerant = catalogue.get("R-134a")
    full = refrigerant.dew_pressure_pa_abs(25.0)
    seen = [
        suction_temperature_degc(refrigerant, share * full, 25.0, COMPRESSOR) for share in (0.9, 0.5, 0.28, 0.1, 0.05)
    ]
    dew = [refrigerant.dew_temperature_degc(share * full) for share in (0.9, 0.5, 0.28, 0.1, 0.05)]
    assert all(low < t < 25.0 for low, t in zip(dew, seen, strict=True))
    assert seen[2] == pytest.approx(0.5 * (dew[2] + 25.0)), "half warmed up"
    assert suction_temperature_degc(refrigerant, 1.2 * full, 25.0, COMPRESSOR) == 25.0
    assert suction_temperature_degc(refrigerant, 100.0, 25.0, COMPRESSOR) == 25.0, "outside the table"


@pytest.mark.parametrize(
    ("p_bar", "t_degc", "dry"), [(8.0, 35.0, False), (8.0, 45.0, True), (20.0, 75.0, False), (20.0, 85.0, True)]
)
def test_a_discharge_well_above_saturation_has_no_liquid_in_it(p_bar: float, t_degc: float, dry: bool) -> None:
    # Saturation of R-134a: 31.3 degC at 8 bar, 67.5 degC at 20 bar abs (CoolProp 8.0.0); 12 K on top.
    signals = judge(at_rest(WATER, 100.0, pt_201_pa_abs=1e5 * p_bar, tt_201_degc=t_degc), prepare(WATER))
    assert comes_dry(prepare(WATER), signals) is dry
    signals.t_201 = nan
    assert not comes_dry(prepare(WATER), signals)


def test_what_goes_through_a_standing_compressor_goes_with_the_root_of_the_drop() -> None:
    # m = A*sqrt(2*rho*dp) with Kv 0.3 and 0.45 in a row, 0.2496; liquid at its boiling point, 1206.7 kg/m3.
    def through(drop_pa: float) -> float:
        signals = judge(
            at_rest(WATER, 100.0, pt_101_pa_abs=665_400.0, pt_201_pa_abs=665_400.0 - drop_pa), prepare(WATER)
        )
        signals.p_source = 665_400.0
        return straight_through_kg_s(prepare(WATER), signals, 1.0)

    band = 0.25 * WATER.instruments.pressure_uncertainty_pa
    expected = 0.2496 * 1.964e-5 * sqrt(2.0 * 1e5 * 1206.7)
    assert through(1e5 + band) == pytest.approx(expected, rel=0.01)
    assert through(band) == through(-1e5) == 0.0, "what may be an error of the instruments is no flow"


@pytest.mark.parametrize("p_pa_abs", [5e3, 1.5e4])
def test_below_the_table_of_the_liquid_what_comes_is_counted_as_vapor(p_pa_abs: float) -> None:
    # No liquid comes at a pressure below the table; displacement is the most that can move, and nought would blind
    # the fill estimate.
    assert isnan(choked_liquid_flux_kg_m2_s(catalogue.get(WATER.job.refrigerant), p_pa_abs))
    shown = {
        "pt_101_pa_abs": p_pa_abs,
        "pt_001_pa_abs": p_pa_abs,
        "pt_102_pa_abs": nan,
        "pt_201_pa_abs": 1.5 * p_pa_abs,
    }
    readings = at_rest(WATER, 100.1, **shown)

    def counted(expecting_liquid: bool) -> float:
        _, signals = update(
            Memory(at_s=100.0), readings, prepare(WATER), PUMPING,
            expecting_liquid=expecting_liquid, cylinder_off=False,
            appliance_pa_abs=p_pa_abs,
        )  # fmt: skip
        return signals.pumped_flow_kg_s

    assert counted(True) == counted(False) > 0.0


@pytest.mark.parametrize("p_bar", [0.5, 1.0, 3.0])
def test_without_pt_102_vapor_is_counted_where_compressor_and_throttle_agree(p_bar: float) -> None:
    # The mass flow through the throttle, A*sqrt(2*rho*dp), is what the displacement takes behind it: by bisection.
    p, settings = p_bar * 1e5, WATER
    _, vapor, back = nameplate(
        False, pt_101_pa_abs=p, pt_001_pa_abs=p, pt_102_pa_abs=nan, tt_101_degc=20.0, pt_201_pa_abs=6e5
    )
    made = settings.compressor
    density = catalogue.get("R-134a").superheated_density_kg_m3(p, 20.0)
    low, high = 0.0, 1.0
    for _ in range(60):
        share = 0.5 * (low + high)
        through = 0.45 * 1.964e-5 * sqrt(2.0 * density * p * (1.0 - share))
        taken = made.displacement_m3_s * made.leak_factor * density * share
        low, high = (share, high) if through > taken else (low, share)
    flow = (
        made.displacement_m3_s
        * volumetric_efficiency(made, 6e5 / (share * p), COMPRESSOR)
        * density
        * (share - 3e3 / p)
    )
    assert vapor - back == pytest.approx(flow, rel=1e-6)


def test_the_second_estimate_counts_only_while_refrigerant_can_come() -> None:
    for outputs in (
        STILL,
        Outputs(INLETS | M_101),
        Outputs(XV_201 | XV_202 | XV_301 | M_101),
        Outputs(INLETS | XV_301),
    ):
        scale = Scale(8)
        scale.outputs = outputs
        scale.run(5.0, 0.0)
        assert scale.memory.pumped.kg == 0.0 or outputs.on(M_101 | XV_301), outputs
    scale = Scale(8)
    scale.outputs = PUMPING
    assert scale.run(5.0, 0.0).memory.pumped.kg > 0.0


@pytest.mark.parametrize("why", ["fault no_reply", "not a number", "very old"])
def test_the_second_estimate_takes_over_while_the_scale_is_unfit(why: str) -> None:
    flow = pumped_flow_now()
    scale = Scale(9)
    scale.outputs = PUMPING
    scale.run(30.0, flow)
    for _ in range(100):
        scale.shown = {"wt_301_kg": UNFIT[why](0.0, scale.now_s + DT_S, 1.0)}
        scale.run(DT_S, flow)
    seen = scale.report()
    assert seen.net_kg == pytest.approx(scale.net_true_kg, abs=0.05)
    scale.shown = {}
    assert scale.run(10.0, flow).report().net_kg == pytest.approx(scale.net_true_kg, abs=0.05)


def test_a_frozen_scale_is_flagged_before_much_has_gone_in() -> None:
    flow = pumped_flow_now()
    scale = Scale(10)
    scale.outputs = PUMPING
    scale.run(20.0, flow)
    frozen_at = scale.true_kg
    scale.shown = {"wt_301_kg": frozen_at}
    while scale.true_kg - frozen_at < 3.0 * FULL.limits.scale_frozen_kg:
        scale.run(DT_S, flow)
        if scale.signals.frozen_share and scale.signals.anchor_pumped_kg > FULL.limits.scale_frozen_kg:
            break
    else:
        pytest.fail("not noticed")
    assert scale.true_kg - frozen_at < 2.0 * FULL.limits.scale_frozen_kg
    assert TABLE[INDEX["WT-301.frozen"]].cause


def test_with_a_frozen_scale_the_fill_goes_on_from_the_last_trusted_weight() -> None:
    flow = pumped_flow_now()
    for share in (0.9, 1.0, 1.1):
        scale = Scale(17)
        scale.outputs = PUMPING
        scale.run(60.0, share * flow)
        assert not weight.out_of_use(scale.memory, prepare(FULL))
        scale.shown = {"wt_301_kg": round(scale.true_kg / 0.005) * 0.005}
        scale.run(40.0, share * flow)
        assert weight.out_of_use(scale.memory, prepare(FULL))
        off = weight.net_kg(scale.memory, prepare(FULL)) - scale.net_true_kg
        assert abs(off) <= 2.0 * weight.net_uncertainty_kg(scale.memory, prepare(FULL))
        assert abs(off) <= 0.06 * scale.net_true_kg, "what was learned before is worth more than the nameplate"
        assert scale.signals.second_high_kg >= scale.memory.contents.start_kg + scale.net_true_kg
        scale.shown = {}
        scale.run(2.0, share * flow)
        scale.memory = with_scale_believed(scale.memory)
        scale.run(20.0, share * flow)
        assert not weight.out_of_use(scale.memory, prepare(FULL)), (
            "a scale that comes back to what the pump says is believed"
        )


def test_a_scale_that_follows_is_never_called_frozen() -> None:
    flow = pumped_flow_now()
    for share in (0.7, 1.0, 1.3):
        scale = Scale(11)
        scale.outputs = PUMPING
        for _ in range(600):
            scale.run(DT_S, share * flow)
            assert not (scale.signals.frozen_share and scale.signals.anchor_pumped_kg > FULL.limits.scale_frozen_kg)


FREEZES = {
    "seed": st.integers(0, 10_000),
    "followed_s": st.floats(20.0, 60.0),
    "frozen_s": st.floats(0.5, 60.0),
    "share": st.floats(0.8, 1.2),
}
"""A scale that follows for a while and then shows the same figure; true flow as a share of the pump's word."""


def freeze(seed: int, followed_s: float, frozen_s: float, share: float) -> tuple[Scale, float]:
    """A rig whose scale stood still, motor off again; with what truly went in while it did."""
    flow = share * pumped_flow_now()
    scale = Scale(seed)
    scale.outputs = PUMPING
    scale.run(followed_s, flow)
    before = scale.true_kg
    scale.shown = {"wt_301_kg": round(before / 0.005) * 0.005}
    scale.run(frozen_s, flow)
    scale.outputs = STILL
    scale.run(3.0, 0.0)
    return scale, scale.true_kg - before


@hypothesis_settings(deadline=None, derandomize=True, max_examples=25)
@given(**FREEZES)
def test_what_a_scale_owes_is_what_went_in_while_it_stood_still(
    seed: int, followed_s: float, frozen_s: float, share: float
) -> None:
    # Good to the pump's uncertainty, of which what was learned before leaves less than the share; and to 0.06 kg, since
    # a weight that has gained anything in the last 50 g of pumping still counts as following.
    scale, missing = freeze(seed, followed_s, frozen_s, share)
    assert abs(owed_kg(scale.memory) - missing) <= abs(1.0 / share - 1.0) * missing + 0.06


@hypothesis_settings(deadline=None, derandomize=True, max_examples=25)
@given(**FREEZES)
def test_a_scale_believed_again_shows_all_that_went_in_and_owes_no_more(
    seed: int, followed_s: float, frozen_s: float, share: float
) -> None:
    scale, _ = freeze(seed, followed_s, frozen_s, share)
    scale.shown = {}
    scale.run(1.0, 0.0)
    before = scale.memory
    scale.memory = with_scale_believed(scale.memory)
    assert scale.memory.weight.gross_kg == scale.memory.weight.raw_kg
    assert owed_kg(before) - owed_kg(scale.memory) == pytest.approx(
        scale.memory.weight.gross_kg - before.weight.gross_kg
    )
    assert scale.memory.weight.offset_kg == before.weight.offset_kg, "nothing is taken for handling"
    scale.run(5.0, 0.0)
    assert scale.signals.disturbed_s == 0.0
    assert scale.report().net_kg == pytest.approx(scale.net_true_kg, abs=0.02)
    assert abs(owed_kg(scale.memory)) <= abs(1.0 / share - 1.0) * scale.net_true_kg + 0.07


@pytest.mark.parametrize("share", [0.7, 1.0, 1.3])
def test_a_scale_that_follows_owes_next_to_nothing(share: float) -> None:
    flow = pumped_flow_now()
    scale = Scale(14)
    scale.outputs = PUMPING
    for _ in range(120):
        scale.run(0.5, share * flow)
        assert abs(owed_kg(scale.memory)) <= 0.03


def test_a_new_cylinder_owes_nothing_of_the_old_ones_debt() -> None:
    scale, missing = freeze(15, 30.0, 30.0, 1.0)
    assert owed_kg(scale.memory) > 0.5 * missing > 0.05
    scale.memory = with_cylinder(scale.memory, prepare(FULL), scale.memory.weight.gross_kg, 0.0)
    scale.run(1.0, 0.0)
    assert owed_kg(scale.memory) == pytest.approx(0.0, abs=0.01)


@pytest.mark.parametrize("share", [0.2, 0.6, 1.0, 1.5, 2.5])
def test_a_scale_and_a_pump_that_disagree_show_in_the_stated_uncertainty(share: float) -> None:
    # What is stated holds both witnesses within two uncertainties (GUM, k = 2), the nameplate with its own.
    flow = pumped_flow_now()
    scale = Scale(16)
    scale.outputs = PUMPING
    scale.run(200.0, share * flow)
    known = scale.memory.pumped.fill
    net_kg, stated_kg = (
        weight.net_kg(scale.memory, prepare(FULL)),
        weight.net_uncertainty_kg(scale.memory, prepare(FULL)),
    )
    assert abs(net_kg - scale.net_true_kg) <= 2.0 * stated_kg + 1e-3
    assert abs(net_kg - known.alone_kg) <= 2.0 * stated_kg + 2.0 * known.alone_spread_kg + 0.05
    assert (stated_kg < 0.05) is (share == 1.0)


def test_a_return_to_the_liquid_that_finds_vapor_is_over_in_seconds() -> None:
    # Pressures over the throttle are the measure; what the cooler's own liquid feigned must not become a new one.
    memory, now = Memory(), 100.0

    def drawing(seconds: float, ratio: float, expecting: bool) -> None:
        nonlocal memory, now
        for _ in range(round(seconds / DT_S)):
            now += DT_S
            readings = at_rest(FULL, now, pt_101_pa_abs=8e5, pt_102_pa_abs=8e5 * ratio)
            memory, _ = update(
                memory,
                readings,
                prepare(FULL),
                PUMPING,
                expecting_liquid=expecting,
                cylinder_off=False,
                appliance_pa_abs=1e6,
            )

    drawing(30.0, 0.3, True)
    assert not memory.liquid.gone
    drawing(20.0, 0.6, False)
    drawing(8.0, 0.6, True)
    assert memory.liquid.gone
    drawing(20.0, 0.6, False)
    drawing(60.0, 0.31, True)  # and liquid that did come again is drawn on
    assert not memory.liquid.gone


@pytest.mark.parametrize(("fall_pa_s", "rests"), [(0.0, True), (50.0, True), (1000.0, False), (-1000.0, False)])
def test_a_cylinder_that_cools_or_warms_has_not_come_to_rest(fall_pa_s: float, rests: bool) -> None:
    # 10 bar falling by 0.6 bar a minute: just put into ice. Its wall runs ahead of what is in it.
    memory = Memory()
    for i in range(600):
        readings = at_rest(FULL, 100.0 + i * DT_S, pt_301_pa_abs=1e6 - fall_pa_s * i * DT_S)
        memory, signals = update(
            memory, readings, prepare(FULL), STILL, expecting_liquid=False, cylinder_off=False, appliance_pa_abs=1e6
        )
    assert signals.p_cylinder_rests is rests


# --- the report


def settled_after(tau_s: float, noise_pa: float, seed: int = 1) -> tuple[float, float]:
    """When a header that fills from atmospheric pressure to 1 MPa counts as at rest, s, and how far off it is then."""
    memory, random_, now_s = initial(prepare(SHOP)), random.Random(seed), 0.0
    while now_s < 300.0:
        now_s += DT_S
        p = 1e6 - 9e5 * exp(-now_s / tau_s)
        readings = at_rest(SHOP, now_s, pt_101_pa_abs=p + random_.gauss(0.0, noise_pa))
        memory, signals = update(
            memory, readings, prepare(SHOP), Outputs(INLETS), expecting_liquid=False, cylinder_off=False,
            appliance_pa_abs=nan,
        )  # fmt: skip
        if now_s > 1.0 and signals.p_settled:
            return now_s, 1e6 - p
    return inf, nan


@pytest.mark.parametrize("noise_pa", [0.0, 2e3])
@pytest.mark.parametrize("tau_s", [1.0, 3.0, 10.0])
def test_a_header_that_has_filled_is_at_rest_soon_and_one_that_still_fills_is_not(
    tau_s: float, noise_pa: float
) -> None:
    # Closed form: 900 kPa * exp(-t/tau) is left. At a slope of 0.7 kPa/s, tau * 0.7 kPa is; noise may hide as much.
    for seed in range(3):
        at_s, off_pa = settled_after(tau_s, noise_pa, seed)
        gone_s = tau_s * log(9e5 / (700.0 * tau_s))
        assert at_s < gone_s + 10.0
        assert off_pa < 700.0 * tau_s + 2.0 * noise_pa * tau_s


def test_with_no_readings_at_all_everything_is_unknown_and_nothing_raises() -> None:
    unfit = {name: nan for name in ANALOGUE if fitted(FULL, name)}
    memory, signals = update(
        Memory(),
        at_rest(FULL, **unfit),
        prepare(FULL),
        PUMPING,
        expecting_liquid=True,
        cylinder_off=False,
        appliance_pa_abs=1e6,
    )
    seen = report(memory, signals, 0.02, prepare(FULL), TUNED, VAPOR)
    for value in (
        seen.net_kg,
        seen.contents_kg,
        seen.compression_ratio,
        seen.saturation_degc,
        seen.superheat_k,
        seen.finish_s,
    ):
        assert isnan(value)
    assert seen.finish_high_s == inf and seen.recovered_kg == 0.0


def test_saturation_and_superheat_are_those_of_the_published_table() -> None:
    # R-134a: 292.8 kPa at 0 degC (published saturation tables).
    shown = {"pt_101_pa_abs": 292_800.0, "pt_001_pa_abs": 292_800.0, "tt_101_degc": 12.0, "pt_201_pa_abs": 1_464_000.0}
    memory, signals = update(
        Memory(),
        at_rest(WATER, **shown),
        prepare(WATER),
        STILL,
        expecting_liquid=False,
        cylinder_off=False,
        appliance_pa_abs=1e6,
    )
    seen = report(memory, signals, 0.02, prepare(WATER), TUNED, VAPOR)
    assert seen.saturation_degc == pytest.approx(0.0, abs=0.1)
    assert seen.superheat_k == pytest.approx(12.0, abs=0.1)
    assert seen.compression_ratio == pytest.approx(5.0)
    assert seen.inlet_phase is InletPhase.VAPOR


def test_what_is_left_while_liquid_comes_is_the_label_less_what_came_as_a_range() -> None:
    # Plates are right, leaked or overfilled as `MassLeft.plate_shares` says: common practice, no source.
    middle, low, high = by_label(2.0, 0.5, 0.01, LEFT)
    assert low < 1.4 < middle < 1.55 < high < 1.85
    assert by_label(2.0, 1.9, 0.01, LEFT)[0] == pytest.approx(0.2, abs=0.15), "nearly all of it out: little is left"
    assert by_label(1.0, 5.0, 0.01, LEFT)[0] == pytest.approx(0.08), "more came than any label allows, and still liquid"
    assert by_label(None, 0.5, 0.01, LEFT) == (0.6, 0.1, 4.0)


@given(charge=st.floats(0.1, 100.0), share=st.floats(0.3, 1.15), came=st.floats(0.0, 1.0))
def test_the_range_of_what_is_left_is_in_order_and_holds_a_label_that_is_right(
    charge: float, share: float, came: float
) -> None:
    recovered = came * 0.9 * charge
    middle, low, high = by_label(charge, recovered, 0.0, LEFT)
    assert 0.0 <= low <= middle <= high
    assert low <= charge - recovered <= high


def test_what_is_left_as_vapor_follows_from_its_pressure_and_what_a_kilogram_does_to_it() -> None:
    # 10 L of R-134a at 25 degC and 1 bar: 0.0424 kg as an ideal gas (M 102.03 g/mol), gain R*T/(V*M) = 2.43e6 Pa/kg.
    gain = 8.314 * 298.15 / (0.010 * 0.10203)
    middle, low, high = by_pressure(1e5, 0.0, gain, inf, LEFT)
    assert middle == pytest.approx(0.0412, abs=0.001)
    assert low < middle < high
    assert by_pressure(1e5, 500.0, gain, inf, LEFT)[0] > middle, "what the oil gives comes on top"
    assert by_pressure(1e5, 0.0, gain, 0.03, LEFT)[2] == 0.03, "never more than the label allows"
    assert isnan(by_pressure(1e5, 0.0, nan, 1.0, LEFT)[0])


def test_the_time_to_finish_is_a_range_that_narrows_as_more_is_known() -> None:
    def told(stage: Stage, p: float, ratio: float = nan, measured: bool = False, fails: float = nan) -> Any:
        signals = judge(at_rest(SHOP, 100.0, pt_101_pa_abs=p), prepare(SHOP))
        signals.log_fall_1_s = 0.0
        at = Progress(0.0, 0.0, 15.0, 20.0, 0, stage, ratio, measured, 0.0, 3e6, fails)
        return finish(signals, prepare(SHOP), at, 0.0, 0.5, TUNED.finish)

    liquid, high = told(Stage.LIQUID, 1e6), told(Stage.VAPOR, 5e5)
    near, checked = told(Stage.VAPOR, 5e4, 2.0), told(Stage.VAPOR, 5e4, 2.0, measured=True)
    standing, clear_out, isolate = (
        told(Stage.STANDING, 5e4, fails=0.0), told(Stage.CLEAR_OUT, 5e4), told(Stage.ISOLATE, 5e4)
    )  # fmt: skip
    for middle, low, top in (liquid, high, near, checked, standing, clear_out, isolate):
        assert 0.0 < low <= middle <= top < inf
    widths = [top - low for _, low, top in (high, near, checked, clear_out, isolate)]
    assert widths == sorted(widths, reverse=True)
    assert standing[0] < told(Stage.STANDING, 5e4, fails=1.0)[0]
    assert isnan(told(Stage.NOT_STARTED, 1e6)[0]) and told(Stage.ENDED, 1e6)[2] == inf
    check_s = SHOP.procedure.standing_settle_s + SHOP.procedure.standing_s
    assert told(Stage.VAPOR, 5e4, 0.5)[0] >= check_s, "a check comes in any case"
