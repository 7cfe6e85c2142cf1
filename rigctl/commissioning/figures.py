"""How the figures of a sheet are written, in the rig's units."""

from __future__ import annotations

from typing import Final

from rigctl import units
from rigctl.hardware.wiring import INPUTS

_FINEST: Final = {"PT": 1.0, "TT": 0.001, "WT": 1e-4, "AT": 1e-4}
"""SI; what is smaller comes from arithmetic alone."""


def shown(tag: str, value: float, preferred: str, like: float | None = None) -> str:
    """A value of an input, SI, in the unit that suits it, or `like`."""
    dimension = units.dimension_of(INPUTS[tag][0])
    unit = units.preferred_unit(value if like is None else like, dimension, preferred)
    if dimension is units.ABSOLUTE_PRESSURE:
        return units.format_pressure(value, unit)
    if dimension is units.TEMPERATURE:
        return units.format_temperature(value, unit)
    if dimension is units.MASS:
        return units.format_mass(value, unit)
    return units.show(value, dimension, preferred)


def differs(tag: str, value: float, preferred: str) -> str:
    """A difference of two such values, SI."""
    finest = _FINEST[tag[:2]]
    dimension = {"PT": units.PRESSURE_DIFFERENCE, "TT": units.TEMPERATURE_DIFFERENCE}.get(tag[:2])
    if dimension is None:
        dimension = units.dimension_of(INPUTS[tag][0])
    return units.show(round(value / finest) * finest, dimension, preferred, 3)
