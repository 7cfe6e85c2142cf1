"""Quantities as people write them: factors against NIST SP 811, round trips, and every refusal's sentence."""

from __future__ import annotations

import math

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from rigctl import units
from rigctl.control import settings

# NIST Special Publication 811 (2008), appendix B.8, "Factors for units listed alphabetically", seven digits as
# printed: mercury, water and atmosphere as public sources quote that table, the others from memory of it.
SP_811 = [
    ("1 bar", units.PRESSURE_DIFFERENCE, 1.0e5),
    ("1 mbar", units.PRESSURE_DIFFERENCE, 1.0e2),
    ("1 psi", units.PRESSURE_DIFFERENCE, 6.894757e3),
    ("1 inHg", units.PRESSURE_DIFFERENCE, 3.386389e3),
    ("1 mmHg", units.PRESSURE_DIFFERENCE, 1.333224e2),
    ("1 torr", units.PRESSURE_DIFFERENCE, 1.333224e2),
    ("1 inH2O", units.PRESSURE_DIFFERENCE, 2.490889e2),
    ("1 kgf/cm2", units.PRESSURE_DIFFERENCE, 9.80665e4),
    ("1 lb", units.MASS, 4.535924e-1),
    ("1 oz", units.MASS, 2.834952e-2),
    ("1 lb/min", units.MASS_FLOW, 7.559873e-3),
    ("1 in", units.LENGTH, 2.54e-2),
    ("1 ft", units.LENGTH, 3.048e-1),
    ("1 gal", units.VOLUME, 3.785412e-3),
    ("1 ft3", units.VOLUME, 2.831685e-2),
    ("1 in3", units.VOLUME, 1.638706e-5),
    ("1 L", units.VOLUME, 1.0e-3),
    ("1 cfm", units.VOLUME_FLOW, 4.719474e-4),
    ("1 gal/min", units.VOLUME_FLOW, 6.309020e-5),
    ("1 hp", units.POWER, 7.456999e2),
    ("1 Btu/h", units.POWER, 2.930711e-1),
    ("1 h", units.TIME, 3.6e3),
    ("1 degF diff", units.TEMPERATURE_DIFFERENCE, 5.555556e-1),
]


@pytest.mark.parametrize(("text", "dimension", "si"), SP_811)
def test_a_factor_is_the_one_nist_prints(text: str, dimension: units.Dimension, si: float) -> None:
    # Half a unit of the seventh digit as printed.
    assert units.parse(text, dimension) == pytest.approx(si, rel=1e-6 / 1.1)


@pytest.mark.parametrize(
    ("text", "dimension", "si"),
    [
        # Gauge zero is the standard atmosphere, 101.325 kPa (NIST SP 811 B.8, "atmosphere, standard").
        ("0 bar g", units.ABSOLUTE_PRESSURE, 101_325.0),
        ("38 bar g", units.ABSOLUTE_PRESSURE, 3_901_325.0),
        ("38 bar abs", units.ABSOLUTE_PRESSURE, 3_800_000.0),
        ("38 bara", units.ABSOLUTE_PRESSURE, 3_800_000.0),
        ("38 bar(g)", units.ABSOLUTE_PRESSURE, 3_901_325.0),
        ("101.3 kPa abs", units.ABSOLUTE_PRESSURE, 101_300.0),
        ("0.5 MPa abs", units.ABSOLUTE_PRESSURE, 500_000.0),
        ("27.6 bar g", units.GAUGE_PRESSURE, 2_760_000.0),
        ("1 bar/s", units.PRESSURE_RATE, 100_000.0),
        ("6 bar/min", units.PRESSURE_RATE, 10_000.0),
        ("25 °C", units.TEMPERATURE, 25.0),
        ("25 ℃", units.TEMPERATURE, 25.0),
        ("25degC", units.TEMPERATURE, 25.0),
        # Fixed points by definition of the scales: 32 degF = 0 degC, 212 degF = 100 degC, 0 degC = 273.15 K.
        ("32 °F", units.TEMPERATURE, 0.0),
        ("212 degF", units.TEMPERATURE, 100.0),
        ("-40 F", units.TEMPERATURE, -40.0),
        ("273.15 K", units.TEMPERATURE, 0.0),
        ("9 °F diff", units.TEMPERATURE_DIFFERENCE, 5.0),
        ("3 K", units.TEMPERATURE_DIFFERENCE, 3.0),
        ("20 cm3 x 1500 rpm", units.VOLUME_FLOW, 5.0e-4),
        ("20 cm³ × 1500 rpm", units.VOLUME_FLOW, 5.0e-4),
        ("0.5 L/s", units.VOLUME_FLOW, 5.0e-4),
        ("5 %", units.NUMBER, 0.05),
        (0.05, units.NUMBER, 0.05),
        (40, units.NUMBER, 40.0),
        ("20 % LFL", units.GAS, 0.2),
        ("90 s", units.TIME, 90.0),
        ("1.5 min", units.TIME, 90.0),
        # IEC 60534-1: Cv = 1.156 Kv.
        ("1.156 Cv", units.FLOW_COEFFICIENT, 1.0),
        ("500 KPA ABS", units.ABSOLUTE_PRESSURE, 500_000.0),
    ],
)
def test_a_quantity_is_read_as_it_is_meant(text: object, dimension: units.Dimension, si: float) -> None:
    assert units.parse(text, dimension) == pytest.approx(si, rel=1e-12, abs=1e-9)


@pytest.mark.parametrize(
    ("text", "kpa_abs", "digits"),
    [
        # 40 CFR 82.156 Table 1 in inches of vacuum below 29.9 inHg; kPa by NIST factors, rounded.
        ("4 inHg vac", 87.8, 0.05),
        ("10 inHg vac", 67.5, 0.05),
        ("15 inHg vac", 50.5, 0.05),
        ("25 mmHg abs", 3.33, 0.005),
        # 500 micron = 67 Pa; 14.7 psia is the trade's standard atmosphere; 550 psig: 3893.4 kPa abs.
        ("500 micron", 0.0667, 0.00005),
        ("14.7 psia", 101.35, 0.005),
        ("550 psig", 3893.4, 0.05),
    ],
)
def test_the_figures_of_the_trade_come_out(text: str, kpa_abs: float, digits: float) -> None:
    assert units.parse(text, units.ABSOLUTE_PRESSURE) / 1e3 == pytest.approx(kpa_abs, abs=digits)


@pytest.mark.parametrize(
    ("text", "dimension", "sentence"),
    [
        ("38 bar", units.ABSOLUTE_PRESSURE,
         '"38 bar" does not say gauge or absolute; write "38 bar g" or "38 bar abs".'),
        ("550 psi", units.ABSOLUTE_PRESSURE,
         '"550 psi" does not say gauge or absolute; write "550 psig" or "550 psia".'),
        ("10 inHg", units.ABSOLUTE_PRESSURE,
         '"10 inHg" does not say vacuum or absolute; write "10 inHg vac" or "10 inHg abs".'),
        ("400 PSI", units.GAUGE_PRESSURE,
         '"400 PSI" does not say gauge or absolute; write "400 psig" or "400 psia".'),
        ("31 inHg vac", units.ABSOLUTE_PRESSURE,
         '"31 inHg vac" lies below a perfect vacuum (0 Pa abs; 29.92 inHg vac); '
         'write an absolute pressure like '
         '"38 bar g", "550 psig", "10 inHg vac" or "50 kPa abs".'),
        ("0.5 mPa abs", units.ABSOLUTE_PRESSURE,
         '"0.5 mPa abs" could be milli- or megapascal; write "MPa" with a capital M and P.'),
        ("3 bar g", units.PRESSURE_DIFFERENCE,
         '"3 bar g" is a pressure, and a difference is wanted; write "3 bar".'),
        ("1 bar", units.PRESSURE_RATE, '"1 bar" has no time; write "1 bar/s" or "1 bar/min".'),
        ("5 °C", units.TEMPERATURE_DIFFERENCE,
         '"5 °C" is a temperature, and a difference is wanted; write "5 K" or "5 degC diff".'),
        ("5 degF", units.TEMPERATURE_DIFFERENCE,
         '"5 degF" is a temperature, and a difference is wanted; write "5 degF diff".'),
        ("25 deg", units.TEMPERATURE,
         '"25 deg" does not say Celsius or Fahrenheit; write "25 degC" or "25 degF".'),
        ("-300 degC", units.TEMPERATURE,
         '"-300 degC" lies below absolute zero (-273.15 degC); '
         'write a temperature like "25 degC" or "77 degF".'),
        ("3 kg", units.TIME, '"3 kg" is a mass, not a time; write a time like "90 s", "5 min" or "3 h".'),
        ("3 m", units.TIME, '"3 m" could be metres or minutes; write "3 min".'),
        ("-3 s", units.TIME, '"-3 s" is a time before now; write a time like "90 s", "5 min" or "3 h".'),
        ("20 cm3", units.VOLUME_FLOW, '"20 cm3" is a volume; write "20 cm3 x 1500 rpm" with the speed.'),
        (90, units.TIME, '90 has no unit; write a time like "90 s", "5 min" or "3 h".'),
        ("90", units.TIME, '"90" has no unit; write a time like "90 s", "5 min" or "3 h".'),
        ("90 sex", units.TIME, '"90 sex" has an unknown unit "sex"; '
         'write a time like "90 s", "5 min" or "3 h".'),
        ("90 mins", units.TIME,
         '"90 mins" has an unknown unit "mins" (did you mean "min"?); '
         'write a time like "90 s", "5 min" or "3 h".'),
        ("1,5 kg", units.MASS,
         '"1,5 kg" has a comma or gap in the number; '
         'write it with a point, like "0.5 kg", "20 g" or "8 oz".'),
        ("1 500 g", units.MASS,
         '"1 500 g" has a comma or gap in the number; '
         'write it with a point, like "0.5 kg", "20 g" or "8 oz".'),
        ("some", units.MASS,
         '"some" does not start with a number; write a mass like "0.5 kg", "20 g" or "8 oz".'),
        ("1e999 kg", units.MASS,
         '"1e999 kg" is too large for a number; write a mass like "0.5 kg", "20 g" or "8 oz".'),
        (True, units.NUMBER,
         'True is not a quantity; write a plain number or percentage like 0.05 or "5 %".'),
        (math.nan, units.NUMBER, 'nan is not a finite number; write one like 0.05 or "5 %".'),
        (math.inf, units.NUMBER, 'inf is not a finite number; write one like 0.05 or "5 %".'),
        ("20 %", units.GAS, '"20 %" does not say of what; write "20 % LFL".'),
    ],
)  # fmt: skip
def test_bad_text_gets_one_sentence(text: object, dimension: units.Dimension, sentence: str) -> None:
    with pytest.raises(units.UnitError) as refused:
        units.parse(text, dimension)
    assert str(refused.value) == sentence


@pytest.mark.parametrize(
    ("name", "dimension", "plain"),
    [
        ("discharge_high_pa_abs", units.ABSOLUTE_PRESSURE, "discharge_high"),
        ("service_pressure_pa_gauge", units.GAUGE_PRESSURE, "service_pressure"),
        ("dead_head_rise_pa_s", units.PRESSURE_RATE, "dead_head_rise"),
        ("air_allowance_pa", units.PRESSURE_DIFFERENCE, "air_allowance"),
        ("cylinder_warm_degc", units.TEMPERATURE, "cylinder_warm"),
        ("freeze_guard_k", units.TEMPERATURE_DIFFERENCE, "freeze_guard"),
        ("tare_kg", units.MASS, "tare"),
        ("flow_kg_s", units.MASS_FLOW, "flow"),
        ("displacement_m3_s", units.VOLUME_FLOW, "displacement"),
        ("throttle_kv_m3_h", units.FLOW_COEFFICIENT, "throttle_kv"),
        ("room_m3", units.VOLUME, "room"),
        ("bore_m", units.LENGTH, "bore"),
        ("dwell_s", units.TIME, "dwell"),
        ("heat_w", units.POWER, "heat"),
        ("gas_alarm_lfl", units.GAS, "gas_alarm"),
        ("pull_fraction", units.NUMBER, "pull_fraction"),
    ],
)
def test_the_suffix_of_a_name_says_its_dimension(name: str, dimension: units.Dimension, plain: str) -> None:
    assert units.dimension_of(name) is dimension
    assert units.plain_name(name) == plain


def test_every_set_of_units_of_the_settings_exists() -> None:
    assert {member.value for member in settings.Units} == set(units.PREFERENCES)
    with pytest.raises(units.UnitError, match='"SI" is no set of units'):
        units.preferred_unit(1.0, units.MASS, "SI")


@pytest.mark.parametrize(
    ("shown", "expected"),
    [
        # Conversions by NIST SP 811 factors, worked by hand.
        (units.format_pressure(3_893_441.5, "psig"), "550.0 psig"),
        (units.format_pressure(3_901_325.0, "bar g"), "38.00 bar g"),
        (units.format_pressure(67_461.1, "inHg vac"), "10.0 inHg vac"),
        (units.format_pressure(101_325.0, "bar g"), "0.00 bar g"),
        (units.format_pressure(101_324.9, "bar g"), "0.00 bar g"),
        (units.format_pressure(66.66, "micron"), "500 micron"),
        (units.format_pressure(math.nan, "bar g"), "-- bar g"),
        (units.format_mass(0.45359237, "lb"), "1.00 lb"),
        (units.format_mass(1.2345, "kg"), "1.234 kg"),
        (units.format_temperature(25.0, "°F"), "77.0 °F"),
        (units.format_temperature(-0.04, "°C"), "0.0 °C"),
    ],
)
def test_a_page_shows_a_fixed_number_of_digits(shown: str, expected: str) -> None:
    assert shown == expected


def test_an_unknown_unit_to_show_is_refused() -> None:
    with pytest.raises(units.UnitError, match="psig"):
        units.format_pressure(1e5, "psi")
    with pytest.raises(units.UnitError, match="is a mass"):
        units.format_pressure(1e5, "kg")


DIMENSIONS = sorted({*units.SUFFIXES.values(), units.NUMBER}, key=lambda dimension: dimension.name)


@given(
    dimension=st.sampled_from(DIMENSIONS),
    units_of=st.sampled_from(sorted(units.PREFERENCES)),
    value=st.floats(min_value=1e-3, max_value=1e7),
)
def test_what_is_shown_can_be_read_back(dimension: units.Dimension, units_of: str, value: float) -> None:
    text = units.show(value, dimension, units_of, digits=15)
    offset = units.STANDARD_ATMOSPHERE_PA  # the largest offset; below it digits are lost to it
    assert units.parse(text, dimension) == pytest.approx(value, rel=1e-12, abs=1e-12 * offset)


@given(dimension=st.sampled_from(DIMENSIONS), number=st.floats(0.0, 20.0), data=st.data())
def test_every_known_unit_goes_there_and_back(dimension: units.Dimension, number: float, data: st.DataObject) -> None:
    unit = data.draw(st.sampled_from(sorted(dimension.units)))
    factor, offset = dimension.units[unit]
    assume(number * factor + offset >= dimension.lowest)
    value = units.parse(f"{number!r} {unit}", dimension)
    back = units.in_unit(value, unit, dimension) if unit else value
    assert back == pytest.approx(number, rel=1e-9, abs=1e-9 + 1e-12 * abs(offset / factor))


@given(text=st.text(max_size=30), dimension=st.sampled_from(DIMENSIONS))
def test_any_text_is_read_to_a_finite_value_or_refused_in_one_sentence(text: str, dimension: units.Dimension) -> None:
    try:
        value = units.parse(text, dimension)
    except units.UnitError as error:
        assert str(error).endswith(".")
    else:
        assert math.isfinite(value)
        assert value >= dimension.lowest
