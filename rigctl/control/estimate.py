"""What the readings mean: weight and flow, fill, phase at the inlet, mass left, time to finish."""

from __future__ import annotations

import enum
from math import inf, nan

import msgspec


class InletPhase(enum.Enum):
    """What comes in at the header."""

    UNKNOWN = "unknown"
    LIQUID = "liquid"
    TWO_PHASE = "two-phase"
    VAPOR = "vapor"


class LimitedBy(enum.Enum):
    """The mechanism that sets the rate now."""

    NOTHING = "nothing"
    INLET = "inlet restriction"
    COMPRESSOR = "compressor"
    CYLINDER_PRESSURE = "cylinder pressure"
    OIL = "refrigerant boiling out of oil"
    COLD_APPLIANCE = "cold appliance"


class Estimate(msgspec.Struct, frozen=True, array_like=True):
    """The estimate of one scan. Uncertainties are standard uncertainties; NaN means not known."""

    net_kg: float = nan
    """Refrigerant put into the cylinder now on the scale, since it came on."""
    net_uncertainty_kg: float = nan
    flow_kg_s: float = nan
    flow_uncertainty_kg_s: float = nan
    recovered_kg: float = 0.0
    """Job total over all cylinders."""
    recovered_uncertainty_kg: float = nan
    contents_kg: float = nan
    """All refrigerant in the cylinder, residual included."""
    second_kg: float = nan
    """The same as `contents_kg`, by compressor displacement and liquid flow, without the scale."""
    second_uncertainty_kg: float = nan
    fill_limit_kg: float = nan
    fill_fraction: float = nan
    """`contents_kg` over `fill_limit_kg`."""
    inlet_phase: InletPhase = InletPhase.UNKNOWN
    compression_ratio: float = nan
    saturation_degc: float = nan
    """Dew temperature at the lowest pressure seen on the appliance side."""
    superheat_k: float = nan
    left_kg: float = nan
    left_uncertainty_kg: float = nan
    finish_s: float = nan
    """Expected time until COMPLETE; `finish_low_s` and `finish_high_s` are its 90 % band."""
    finish_low_s: float = nan
    finish_high_s: float = inf
    limited_by: LimitedBy = LimitedBy.NOTHING
