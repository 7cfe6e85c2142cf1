"""The instruments between the plant's truth and the wire."""

from __future__ import annotations

import math

import numpy as np
import pytest

from hil_sim.instruments.sensors import Instrument, Scale, Sensors, standard_instruments

PERIOD_S = 0.1
DATA_SHEET = {
    "pressure_uncertainty_pa": 5.0e3,
    "temperature_uncertainty_k": 1.0,
    "scale_uncertainty_kg": 0.02,
    "scale_noise_kg": 0.005,
    "scale_resolution_kg": 0.002,
}


def perfect(tag: str = "PT-101", low: float = 0.0, high: float = 4.0e6, **more: object) -> Instrument:
    return Instrument(tag, low, high, **more)  # type: ignore[arg-type]


def test_a_perfect_loop_sends_4_ma_at_zero_12_ma_at_half_and_20_ma_at_full_span() -> None:
    # Live zero of the 4-20 mA signal: IEC 60381-1 (from memory).
    sensors = Sensors([perfect()], 1, PERIOD_S)
    sent = [sensors.read(n * PERIOD_S, [value])[0] for n, value in enumerate((0.0, 2.0e6, 4.0e6))]
    assert sent == pytest.approx([4.0, 12.0, 20.0])


@pytest.mark.parametrize(("value", "current_ma"), [(-1.0e6, 3.8), (-4.9e4, 3.804), (4.124e6, 20.496), (9.0e6, 20.5)])
def test_a_transmitter_saturates_at_the_levels_of_namur_ne_43(value: float, current_ma: float) -> None:
    # NAMUR NE 43: measurement from 3.8 to 20.5 mA.
    assert Sensors([perfect()], 1, PERIOD_S).read(0.0, [value])[0] == pytest.approx(current_ma)


def test_a_lag_covers_63_percent_of_a_step_in_one_time_constant_whatever_the_scan_period() -> None:
    # 1 - exp(-1), the definition of the time constant of a first-order system.
    for period_s in (0.02, 0.1, 0.5):
        sensors = Sensors([perfect("TT-101", 0.0, 100.0, lag_s=3.0)], 1, period_s)
        sensors.read(0.0, [0.0])
        scans = round(3.0 / period_s)
        sent = [sensors.read((n + 1) * period_s, [50.0])[0] for n in range(scans)][-1]
        value = sensors.instruments[0].value(sent)
        assert value == pytest.approx(50.0 * (1.0 - math.exp(-1.0)), rel=1e-6)


def test_the_first_reading_is_settled() -> None:
    sensors = Sensors([perfect("TT-101", 0.0, 100.0, lag_s=30.0)], 1, PERIOD_S)
    assert sensors.instruments[0].value(sensors.read(5.0, [40.0])[0]) == pytest.approx(40.0)


def test_noise_has_the_spread_it_was_given() -> None:
    sensors = Sensors([perfect(noise=2000.0)], 3, PERIOD_S)
    values = np.array([sensors.read(n * PERIOD_S, [1.0e6])[0] for n in range(5000)])
    values = (values - 4.0) / 16.0 * 4.0e6
    # Standard error of a sample deviation is sigma / sqrt(2 n); five of them.
    assert np.std(values) == pytest.approx(2000.0, abs=5 * 2000.0 / math.sqrt(2 * 5000))
    assert np.mean(values) == pytest.approx(1.0e6, abs=5 * 2000.0 / math.sqrt(5000))


def test_a_scale_shows_only_whole_steps_of_its_resolution() -> None:
    scale = Instrument("WT-301", -5.0, 150.0, noise=0.004, resolution=0.01, loop=False)
    sensors = Sensors([scale], 3, PERIOD_S)
    for n in range(200):
        shown = sensors.read(n * PERIOD_S, [30.0 + 0.0007 * n])[0]
        assert shown / 0.01 == pytest.approx(round(shown / 0.01), abs=1e-6)


def test_drift_grows_with_time_and_bias_does_not() -> None:
    scale = Instrument("WT-301", -5.0, 150.0, bias_std=0.5, drift_std_per_h=0.1, loop=False)
    sensors = Sensors([scale], 11, 3600.0)
    bias, _, drift_s = sensors.error_of("WT-301")
    hours = [sensors.read(3600.0 * n, [20.0])[0] - 20.0 for n in range(4)]
    assert hours == pytest.approx([bias + 3600.0 * drift_s * n for n in range(4)])
    assert abs(drift_s) > 0.0


def test_one_seed_gives_one_rig_and_another_seed_another() -> None:
    tags = ["PT-101", "PT-201", "TT-101", "WT-301", "AT-001"]
    truth = [1.0e6, 2.0e6, 10.0, 25.0, 0.1]

    def run(seed: int) -> list[list[float]]:
        sensors = Sensors(standard_instruments(tags, **DATA_SHEET), seed, PERIOD_S)
        return [sensors.read(n * PERIOD_S, truth) for n in range(2500)]  # beyond one block of drawn noise

    assert run(5) == run(5)
    assert run(5)[0] != run(6)[0]


def test_a_rig_of_instruments_keeps_within_three_times_its_data_sheet() -> None:
    # 3 sigma for the static error of a pressure: 1 in 370 may lie outside; none of these sixty does.
    truth = [2.0e6]
    for seed in range(60):
        sensors = Sensors(standard_instruments(["PT-101"], **DATA_SHEET), seed, PERIOD_S)
        shown = [sensors.instruments[0].value(sensors.read(n * PERIOD_S, truth)[0]) for n in range(50)]
        assert abs(sum(shown) / len(shown) - 2.0e6) < 3.0 * DATA_SHEET["pressure_uncertainty_pa"]


def test_a_gas_detector_in_clean_air_never_leaves_the_measuring_range() -> None:
    # NAMUR NE 43: at 3.8 mA the measurement ends; a hundred detectors for 200 s each.
    for seed in range(100):
        sensors = Sensors(standard_instruments(["AT-001"], **DATA_SHEET), seed, PERIOD_S)
        assert min(sensors.read(n * PERIOD_S, [0.0])[0] for n in range(2000)) > 3.8


def test_a_knock_swings_the_weight_both_ways_and_rings_down() -> None:
    scale = Scale()
    scale.knock(10.0, 2.0)
    loads = [scale.load_kg(10.0 + 0.05 * n, 30.0) - 30.0 for n in range(200)]
    assert max(loads) == pytest.approx(2.0)
    assert min(loads) < -0.5
    assert max(abs(load) for load in loads[100:]) < 0.01


def test_a_bucket_weighs_until_it_has_dripped_empty() -> None:
    scale = Scale()
    scale.put_on(0.0, 5.0, drips_kg_s=0.01)
    assert scale.load_kg(0.0, 30.0) == pytest.approx(35.0)
    assert scale.load_kg(100.0, 30.0) == pytest.approx(34.0)
    assert scale.load_kg(9000.0, 30.0) == pytest.approx(30.0)


def test_a_pull_stays_until_the_platform_is_put_right() -> None:
    scale = Scale()
    scale.pull(-0.3)
    assert scale.load_kg(1.0e4, 30.0) == pytest.approx(29.7)
    scale.remove()
    assert scale.load_kg(1.0e4, 30.0) == pytest.approx(-0.3)
    scale.put_right()
    assert scale.quiet
    assert scale.load_kg(1.0e4, 30.0) == 30.0


def test_disturbances_reach_the_wire() -> None:
    scale = Instrument("WT-301", -5.0, 150.0, loop=False)
    sensors = Sensors([perfect(), scale], 3, PERIOD_S)
    assert sensors.read(0.0, [1.0e6, 30.0])[1] == 30.0
    sensors.scale.pull(0.4)
    assert sensors.read(0.1, [1.0e6, 30.0])[1] == pytest.approx(30.4)


def test_impossible_instruments_are_refused_with_a_sentence() -> None:
    with pytest.raises(ValueError, match="span"):
        Instrument("PT-101", 1.0, 1.0)
    with pytest.raises(ValueError, match="0 or more"):
        Instrument("PT-101", 0.0, 1.0, noise=-1.0)
    with pytest.raises(ValueError, match="same tag"):
        Sensors([perfect(), perfect()], 1, PERIOD_S)
    with pytest.raises(ValueError, match="scan period"):
        Sensors([perfect()], 1, math.nan)
    with pytest.raises(ValueError, match="no analog instrument"):
        standard_instruments(["XV-101"], **DATA_SHEET)
