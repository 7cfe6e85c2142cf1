"""Quantities as people write them, to and from SI: `"38 bar g"`, `"10 inHg vac"`, `"20 cm3 x 1500 rpm"`.

The unit suffix of a field's name says its dimension (`dimension_of`). Gauge and vacuum readings refer to the
standard atmosphere, 101.325 kPa (29.92 inHg), wherever the rig stands. Conversion factors: NIST Special
Publication 811 (2008), appendix B.8; a unit defined by a product of exact numbers is written as that product.
"""

from __future__ import annotations

import difflib
import math
import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Final

from rigctl.quoting import plain, quoted

STANDARD_ATMOSPHERE_PA: Final = 101_325.0
"""Standard atmosphere (NIST SP 811, B.8); zero of every gauge and vacuum reading."""
ZERO_CELSIUS_K: Final = 273.15

_POUND_KG: Final = 0.453_592_37
_INCH_M: Final = 0.0254
_GRAVITY_M_S2: Final = 9.806_65
_MERCURY_PA_M: Final = 13_595.1 * _GRAVITY_M_S2
"""Conventional mercury: 13 595.1 kg/m3 under standard gravity."""
_PSI_PA: Final = _POUND_KG * _GRAVITY_M_S2 / _INCH_M**2
_BTU_IT_J: Final = 1_055.055_852_62


class UnitError(ValueError):
    """Text that is no quantity of the wanted dimension; the message is a sentence that says what to write."""


@dataclass(frozen=True, slots=True, eq=False)
class Dimension:
    """A kind of quantity, and the ways to write it."""

    name: str
    si: str
    """How an SI value is written out, for messages: "Pa abs", "kg"."""
    example: str
    units: Mapping[str, tuple[float, float]]
    """Unit without spaces -> (factor, offset): SI value = number * factor + offset."""
    hints: Mapping[str, str] = field(default_factory=dict)
    """Units that look right and are not -> what to write instead."""
    lowest: float = -math.inf
    """No value lies below this (SI): a perfect vacuum, absolute zero, no mass."""
    lowest_text: str = ""
    bare: bool = False
    """Whether a number without a unit will do."""


def _linear(**factors: float) -> dict[str, tuple[float, float]]:
    return {unit: (factor, 0.0) for unit, factor in factors.items()}


_PRESSURE_PA: Final = {
    "Pa": 1.0,
    "hPa": 1e2,
    "kPa": 1e3,
    "MPa": 1e6,
    "mbar": 1e2,
    "bar": 1e5,
    "psi": _PSI_PA,
    "inHg": _MERCURY_PA_M * _INCH_M,
    "mmHg": _MERCURY_PA_M * 1e-3,
    "kgf/cm2": _GRAVITY_M_S2 * 1e4,
    "inH2O": 1_000.0 * _GRAVITY_M_S2 * _INCH_M,
}
_GAUGE_MARKS: Final = ("g", "(g)", "gauge")
_ABSOLUTE_MARKS: Final = ("abs", "a", "(a)", "(abs)", "absolute")
_VACUUM_MARKS: Final = ("vac", "(vac)", "vacuum")
_MICRON_PA: Final = _MERCURY_PA_M * 1e-6
_TORR_PA: Final = STANDARD_ATMOSPHERE_PA / 760.0


def _marked(marks: tuple[str, ...], sign: float, zero_pa: float) -> dict[str, tuple[float, float]]:
    return {unit + mark: (sign * factor, zero_pa) for unit, factor in _PRESSURE_PA.items() for mark in marks}


def _written(unit: str, mark: str) -> str:
    """How a person writes a marked unit: psig and psia in one word, the others in two."""
    if unit == "psi" and mark in ("g", "abs"):
        return "psi" + mark[0]
    return f"{unit} {mark}"


_NOT_SAID: Final = {
    unit: f'does not say gauge or absolute; write "{{0}} {_written(unit, "g")}" or "{{0}} {_written(unit, "abs")}"'
    for unit in _PRESSURE_PA
} | {
    unit: f'does not say vacuum or absolute; write "{{0}} {unit} vac" or "{{0}} {unit} abs"'
    for unit in ("inHg", "mmHg")
}

ABSOLUTE_PRESSURE: Final = Dimension(
    name="absolute pressure",
    si="Pa abs",
    example='"38 bar g", "550 psig", "10 inHg vac" or "50 kPa abs"',
    units=_marked(_GAUGE_MARKS, 1.0, STANDARD_ATMOSPHERE_PA)
    | _marked(_ABSOLUTE_MARKS, 1.0, 0.0)
    | _marked(_VACUUM_MARKS, -1.0, STANDARD_ATMOSPHERE_PA)
    | _linear(micron=_MICRON_PA, microns=_MICRON_PA, torr=_TORR_PA),
    hints=_NOT_SAID,
    lowest=0.0,
    lowest_text="lies below a perfect vacuum (0 Pa abs; 29.92 inHg vac)",
)
GAUGE_PRESSURE: Final = Dimension(
    name="gauge pressure",
    si="Pa g",
    example='"27.6 bar g" or "400 psig"',
    units=_marked(_GAUGE_MARKS, 1.0, 0.0)
    | _marked(_ABSOLUTE_MARKS, 1.0, -STANDARD_ATMOSPHERE_PA)
    | _marked(_VACUUM_MARKS, -1.0, 0.0),
    hints=_NOT_SAID,
    lowest=-STANDARD_ATMOSPHERE_PA,
    lowest_text="lies below a perfect vacuum (0 Pa abs; 29.92 inHg vac)",
)
PRESSURE_DIFFERENCE: Final = Dimension(
    name="pressure difference",
    si="Pa",
    example='"0.3 bar" or "5 psi"',
    units=_linear(**_PRESSURE_PA) | _linear(psid=_PSI_PA, micron=_MICRON_PA, microns=_MICRON_PA, torr=_TORR_PA),
    hints={
        unit + mark: f'is a pressure, and a difference is wanted; write "{{0}} {unit}"'
        for unit in _PRESSURE_PA
        for mark in (*_GAUGE_MARKS, *_ABSOLUTE_MARKS, *_VACUUM_MARKS)
    },
)
PRESSURE_RATE: Final = Dimension(
    name="pressure rate",
    si="Pa/s",
    example='"1 bar/s" or "15 psi/s"',
    units={
        f"{unit}/{time}": (factor / seconds, 0.0)
        for unit, factor in _PRESSURE_PA.items()
        for time, seconds in (("s", 1.0), ("min", 60.0))
    },
    hints={unit: f'has no time; write "{{0}} {unit}/s" or "{{0}} {unit}/min"' for unit in _PRESSURE_PA},
)

_FAHRENHEIT: Final = (5 / 9, -160 / 9)
_KELVIN: Final = (1.0, -ZERO_CELSIUS_K)
TEMPERATURE: Final = Dimension(
    name="temperature",
    si="degC",
    example='"25 degC" or "77 degF"',
    units=dict.fromkeys(("degC", "°C", "C"), (1.0, 0.0))
    | dict.fromkeys(("degF", "°F", "F"), _FAHRENHEIT)
    | {"K": _KELVIN},
    hints={"deg": 'does not say Celsius or Fahrenheit; write "{0} degC" or "{0} degF"'}
    | {"°": 'does not say Celsius or Fahrenheit; write "{0} degC" or "{0} degF"'},
    lowest=-ZERO_CELSIUS_K,
    lowest_text="lies below absolute zero (-273.15 degC)",
)
TEMPERATURE_DIFFERENCE: Final = Dimension(
    name="temperature difference",
    si="K",
    example='"3 K" or "5 degF diff"',
    units=_linear(K=1.0)
    | {unit + "diff": (1.0, 0.0) for unit in ("degC", "°C", "C", "K")}
    | {unit + "diff": (5 / 9, 0.0) for unit in ("degF", "°F", "F")},
    hints=dict.fromkeys(
        ("degC", "°C", "C"), 'is a temperature, and a difference is wanted; write "{0} K" or "{0} degC diff"'
    )
    | dict.fromkeys(("degF", "°F", "F"), 'is a temperature, and a difference is wanted; write "{0} degF diff"'),
)
MASS: Final = Dimension(
    name="mass",
    si="kg",
    example='"0.5 kg", "20 g" or "8 oz"',
    units=_linear(kg=1.0, g=1e-3, lb=_POUND_KG, lbs=_POUND_KG, oz=_POUND_KG / 16),
)
MASS_FLOW: Final = Dimension(
    name="mass flow",
    si="kg/s",
    example='"1.2 kg/min" or "20 g/s"',
    units={
        f"{unit}/{time}": (factor / seconds, 0.0)
        for unit, (factor, _) in MASS.units.items()
        for time, seconds in (("s", 1.0), ("min", 60.0), ("h", 3600.0))
    },
)
TIME: Final = Dimension(
    name="time",
    si="s",
    example='"90 s", "5 min" or "3 h"',
    units=_linear(s=1.0, ms=1e-3, min=60.0, h=3600.0),
    hints={"m": 'could be metres or minutes; write "{0} min"'},
    lowest=0.0,
    lowest_text="is a time before now",
)
LENGTH: Final = Dimension(
    name="length",
    si="m",
    example='"1.5 m", "8 mm" or "0.375 in"',
    units=_linear(m=1.0, cm=1e-2, mm=1e-3, ft=12 * _INCH_M) | {"in": (_INCH_M, 0.0)},
)
_VOLUME_M3: Final = {
    "m3": 1.0,
    "L": 1e-3,
    "mL": 1e-6,
    "cm3": 1e-6,
    "cc": 1e-6,
    "gal": 231 * _INCH_M**3,
    "ft3": (12 * _INCH_M) ** 3,
    "in3": _INCH_M**3,
}
VOLUME: Final = Dimension(
    name="volume",
    si="m3",
    example='"0.25 L", "20 cm3" or "1 gal"',
    units=_linear(**_VOLUME_M3),
)
VOLUME_FLOW: Final = Dimension(
    name="volume flow",
    si="m3/s",
    example='"20 cm3 x 1500 rpm" or "0.5 L/s"',
    units={
        f"{unit}/{time}": (factor / seconds, 0.0)
        for unit, factor in _VOLUME_M3.items()
        for time, seconds in (("s", 1.0), ("min", 60.0), ("h", 3600.0))
    }
    | _linear(cfm=_VOLUME_M3["ft3"] / 60),
    hints={unit: f'is a volume; write "{{0}} {unit} x 1500 rpm" with the speed' for unit in _VOLUME_M3},
)
FLOW_COEFFICIENT: Final = Dimension(
    name="flow coefficient",
    si="m3/h (Kv)",
    example='"0.45 m3/h" (Kv) or "0.52 Cv"',
    # Cv = 1.156 Kv: IEC 60534-1.
    units={"m3/h": (1.0, 0.0), "Kv": (1.0, 0.0), "Cv": (1 / 1.156, 0.0)},
)
POWER: Final = Dimension(
    name="power",
    si="W",
    example='"70 W", "0.75 kW" or "1 hp"',
    units=_linear(W=1.0, kW=1e3, hp=550 * _POUND_KG * _GRAVITY_M_S2 * 12 * _INCH_M)
    | {"Btu/h": (_BTU_IT_J / 3600, 0.0)},
)
GAS: Final = Dimension(
    name="share of the lower flammable limit",
    si="of LFL",
    example='"20 % LFL"',
    units=_linear(LFL=1.0) | {"%LFL": (0.01, 0.0)},
    hints={"%": 'does not say of what; write "{0} % LFL"'},
)
NUMBER: Final = Dimension(
    name="plain number or percentage",
    si="",
    example='0.05 or "5 %"',
    units={"": (1.0, 0.0), "%": (0.01, 0.0)},
    bare=True,
)

SUFFIXES: Final[Mapping[str, Dimension]] = MappingProxyType(
    {
        "_pa_abs": ABSOLUTE_PRESSURE,
        "_pa_gauge": GAUGE_PRESSURE,
        "_pa_s": PRESSURE_RATE,
        "_pa": PRESSURE_DIFFERENCE,
        "_degc": TEMPERATURE,
        "_k": TEMPERATURE_DIFFERENCE,
        "_kg_s": MASS_FLOW,
        "_kg": MASS,
        "_m3_s": VOLUME_FLOW,
        "_m3_h": FLOW_COEFFICIENT,
        "_m3": VOLUME,
        "_m": LENGTH,
        "_s": TIME,
        "_w": POWER,
        "_lfl": GAS,
    }
)
"""Unit suffix of a field's name -> its dimension."""
_LONGEST_FIRST: Final = sorted(SUFFIXES, key=len, reverse=True)


def dimension_of(field_name: str) -> Dimension:
    """The dimension that the unit suffix of a field's name states; `NUMBER` for a name without one."""
    return next((SUFFIXES[suffix] for suffix in _LONGEST_FIRST if field_name.endswith(suffix)), NUMBER)


def plain_name(field_name: str) -> str:
    """A field's name without its unit suffix, as it stands in the files a person writes."""
    return next(
        (field_name.removesuffix(suffix) for suffix in _LONGEST_FIRST if field_name.endswith(suffix)),
        field_name,
    )


_QUANTITY: Final = re.compile(r"\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*(.*?)\s*", re.DOTALL)
_SPEED: Final = re.compile(r"(.*?)\s*[x×*]\s*(\d+\.?\d*)\s*(?:rpm|r/min|1/min)", re.IGNORECASE)


def parse(text: object, dimension: Dimension) -> float:
    """Read a quantity as a person wrote it.

    Parameters
    ----------
    text : object
        Normally a string with number and unit; a bare number only where the dimension has no unit.
    dimension : Dimension
        What the quantity must be, usually `dimension_of(name)`.

    Returns
    -------
    float
        The value in SI as the field's suffix says (`degC` for temperatures); always finite.

    Raises
    ------
    UnitError
        With one sentence that says what is wrong and what to write.
    """
    if isinstance(text, bool) or not isinstance(text, str | int | float):
        raise UnitError(f"{quoted(text)} is not a quantity; write {_a(dimension)} like {dimension.example}.")
    if not isinstance(text, str):
        if not dimension.bare:
            raise UnitError(f"{plain(str(text))} has no unit; write {_a(dimension)} like {dimension.example}.")
        try:
            value = float(text)
        except OverflowError:  # a whole number beyond all floats
            value = math.inf
        if not math.isfinite(value):
            raise UnitError(f"{plain(str(text))} is not a finite number; write one like {dimension.example}.")
        return value
    tidy = unicodedata.normalize("NFKC", text).strip()
    if dimension is VOLUME_FLOW and (with_speed := _SPEED.fullmatch(tidy)):
        return parse(with_speed[1], VOLUME) * float(with_speed[2]) / 60.0
    matched = _QUANTITY.fullmatch(tidy)
    if matched is None:
        raise UnitError(
            f'"{plain(text)}" does not start with a number; write {_a(dimension)} like {dimension.example}.'
        )
    number, unit = matched[1], "".join(matched[2].split())
    if unit.startswith(",") or unit[:1].isdigit():
        raise UnitError(
            f'"{plain(text)}" has a comma or gap in the number; write it with a point, like {dimension.example}.'
        )
    factor, offset = _find(text, number, unit, dimension)
    value = float(number) * factor + offset
    if not math.isfinite(value):
        raise UnitError(f'"{plain(text)}" is too large for a number; write {_a(dimension)} like {dimension.example}.')
    # A reading of exactly nothing may come out a rounding error below it.
    if dimension.lowest - 1e-9 * abs(offset or 1.0) <= value < dimension.lowest:
        value = dimension.lowest
    if value < dimension.lowest:
        raise UnitError(f'"{plain(text)}" {dimension.lowest_text}; write {_a(dimension)} like {dimension.example}.')
    return value


def _a(dimension: Dimension) -> str:
    return f"{'an' if dimension.name[0] in 'aeiou' else 'a'} {dimension.name}"


def _find(text: str, number: str, unit: str, dimension: Dimension) -> tuple[float, float]:
    """Factor and offset of a unit, or a UnitError with the best hint there is."""
    if unit in dimension.units:
        return dimension.units[unit]
    if unit in dimension.hints:
        raise UnitError(f'"{plain(text)}" {dimension.hints[unit].format(plain(number))}.')
    if not unit:
        raise UnitError(f'"{plain(text)}" has no unit; write {_a(dimension)} like {dimension.example}.')
    # Capitals are forgiven unless they change the meaning: mPa is a milli-, MPa a megapascal.
    if unit.casefold().startswith("mpa") and not unit.startswith("MPa"):
        raise UnitError(f'"{plain(text)}" could be milli- or megapascal; write "MPa" with a capital M and P.')
    folded = {known.casefold(): known for known in dimension.units if not known.startswith("MPa")}
    if unit.casefold() in folded:
        return dimension.units[folded[unit.casefold()]]
    for known, hint in dimension.hints.items():
        if known.casefold() == unit.casefold() and known != "MPa":
            raise UnitError(f'"{plain(text)}" {hint.format(plain(number))}.')
    wanted = f"write {_a(dimension)} like {dimension.example}"
    owner = next((d for d in (*SUFFIXES.values(), NUMBER) if unit in d.units), None)
    if owner is not None:
        raise UnitError(f'"{plain(text)}" is {_a(owner)}, not {_a(dimension)}; {wanted}.')
    near = difflib.get_close_matches(unit[:20], dimension.units, n=1, cutoff=0.6)
    if near:
        raise UnitError(f'"{plain(text)}" has an unknown unit "{plain(unit)}" (did you mean "{near[0]}"?); {wanted}.')
    raise UnitError(f'"{plain(text)}" has an unknown unit "{plain(unit)}"; {wanted}.')


@dataclass(frozen=True, slots=True)
class Preference:
    """The units a person wants to see."""

    pressure: str
    vacuum: str
    """For absolute pressures below the standard atmosphere."""
    gauge: str
    pressure_difference: str
    pressure_rate: str
    temperature: str
    temperature_difference: str
    mass: str
    mass_flow: str
    length: str
    volume: str
    volume_flow: str
    power: str


PREFERENCES: Final[Mapping[str, Preference]] = MappingProxyType(
    {
        "metric": Preference(
            pressure="bar g",
            vacuum="kPa abs",
            gauge="bar g",
            pressure_difference="bar",
            pressure_rate="bar/s",
            temperature="°C",
            temperature_difference="K",
            mass="kg",
            mass_flow="kg/min",
            length="m",
            volume="L",
            volume_flow="L/s",
            power="W",
        ),
        "us": Preference(
            pressure="psig",
            vacuum="inHg vac",
            gauge="psig",
            pressure_difference="psi",
            pressure_rate="psi/s",
            temperature="°F",
            temperature_difference="°F diff",
            mass="lb",
            mass_flow="lb/min",
            length="in",
            volume="gal",
            volume_flow="cfm",
            power="hp",
        ),
    }
)
"""The sets of units a rig's file can choose from; the keys are the values of `settings.Units`."""

_DECIMALS: Final = {
    "Pa": 0, "hPa": 1, "kPa": 1, "MPa": 3, "mbar": 1, "bar": 2, "psi": 1, "inHg": 1, "mmHg": 1, "micron": 0,
    "kg": 3, "g": 0, "lb": 2, "oz": 1, "°C": 1, "degC": 1, "C": 1, "°F": 1, "degF": 1, "F": 1, "K": 2,
}  # fmt: skip
"""Digits after the point that an instrument resolves; a figure on a page must not change its width."""


def in_unit(value: float, unit: str, dimension: Dimension) -> float:
    """An SI value as a number of `unit`; raises `UnitError` for a unit that is none of the dimension's."""
    factor, offset = _find(unit, "1", "".join(unit.split()), dimension)
    return (value - offset) / factor


def format_pressure(pa_abs: float, unit: str) -> str:
    """Absolute pressure (Pa) in the unit asked for: "bar g", "psig", "kPa abs", "inHg vac", "micron"."""
    return _fixed(pa_abs, unit, ABSOLUTE_PRESSURE)


def format_mass(kg: float, unit: str) -> str:
    """Mass (kg) in the unit asked for: "kg", "g", "lb", "oz"."""
    return _fixed(kg, unit, MASS)


def format_temperature(degc: float, unit: str) -> str:
    """Temperature (degC) in the unit asked for: "°C", "°F", "K"."""
    return _fixed(degc, unit, TEMPERATURE)


def _fixed(value: float, unit: str, dimension: Dimension) -> str:
    compact = "".join(unit.split())
    number = in_unit(value, unit, dimension)
    if not math.isfinite(number):
        return f"-- {unit}"
    base = next((known for known in sorted(_DECIMALS, key=len, reverse=True) if compact.startswith(known)), "")
    decimals = _DECIMALS.get(base, 2)
    return f"{round(number, decimals) + 0.0:.{decimals}f} {unit}"


def preferred_unit(value: float, dimension: Dimension, units: str) -> str:
    """The unit for a value in the set `units` ("metric" or "us"); "" for plain numbers."""
    try:
        chosen = PREFERENCES[units]
    except KeyError:
        raise UnitError(f'"{units}" is no set of units; write "metric" or "us".') from None
    if dimension is ABSOLUTE_PRESSURE:
        return chosen.pressure if value >= STANDARD_ATMOSPHERE_PA else chosen.vacuum
    if dimension is GAUGE_PRESSURE:
        return chosen.gauge
    if dimension is TIME:
        return "s" if value < 120 else "min" if value < 7200 else "h"
    if dimension is GAS:
        return "% LFL"
    if dimension is FLOW_COEFFICIENT:
        return "Kv" if chosen is PREFERENCES["metric"] else "Cv"
    if dimension is NUMBER:
        return ""
    unit: str = getattr(chosen, dimension.name.replace(" ", "_"))
    return unit


def show(value: float, dimension: Dimension, units: str, digits: int = 4) -> str:
    """A value with `digits` significant digits in the units of a set; `parse` reads it back."""
    if not math.isfinite(value):
        return "--"
    unit = preferred_unit(value, dimension, units)
    number = in_unit(value, unit, dimension) if unit else value
    text = f"{number:.{digits}g}"
    return f"{text} {unit}".rstrip()
