"""How much refrigerant compressor oil holds at a given pressure and temperature.

Two laws. Where published isotherms exist (ester oil with R-134a, R-32 or R-125) a fitted solubility
equation is solved; everywhere else a smooth surrogate of plausible shape is used, which is an
engineering estimate and not a measurement.
"""

from __future__ import annotations

import math
from typing import NamedTuple

OIL_DENSITY_KG_M3 = 960.0
"""Density of the ester oils the fits were made with, 960 kg/m3, taken as constant."""


class SolubilityFit(NamedTuple):
    """Constants of ``P = Psat * phi * exp((1 - phi) + (a + b / T) * (1 - phi)**2)``.

    Fitted to the isotherms of Wahlstrom and Vamling, *J. Chem. Eng. Data* 44 (1999) 823 and 45 (2000) 97,
    as collected in the open data set SorpPropLib; valid 30-90 degC. ``phi`` is the volume fraction of
    dissolved refrigerant, with the saturated-liquid density.
    """

    a: float
    b_k: float


ESTER_FITS = {
    "R-134a/PEC5": SolubilityFit(-2.505, 893.7),
    "R-134a/PEB8": SolubilityFit(-2.580, 1006.9),
    "R-134a/PEC9": SolubilityFit(-2.823, 1140.5),
    "R-32/PEB8": SolubilityFit(-3.885, 1418.6),
    "R-125/PEB8": SolubilityFit(-2.602, 892.6),
}
"""Fits with 2-7 % rms error in pressure, keyed by refrigerant and pentaerythritol ester base stock."""


def fitted_mass_fraction(
    fit: SolubilityFit, reduced_pressure: float, temperature_k: float, liquid_density_kg_m3: float
) -> float:
    """Equilibrium mass fraction of refrigerant in the oil, 0..1, from a solubility fit.

    Parameters
    ----------
    fit
        Constants of the pair of refrigerant and oil.
    reduced_pressure
        Pressure over saturation pressure at the oil temperature; held to 0..0.999.
    temperature_k
        Oil temperature in kelvin, above 0.
    liquid_density_kg_m3
        Saturated-liquid density of the refrigerant at that temperature.
    """
    target = min(max(reduced_pressure, 0.0), 0.999)
    chi = fit.a + fit.b_k / temperature_k
    low, high = 0.0, 1.0
    # The first crossing from below is the one reached from lean oil; bisection on the lean branch finds it
    # because phi * exp(...) rises from 0 wherever the fit was made.
    for _ in range(60):
        phi = 0.5 * (low + high)
        if phi * math.exp((1.0 - phi) + chi * (1.0 - phi) ** 2) < target:
            low = phi
        else:
            high = phi
    phi = 0.5 * (low + high)
    refrigerant = phi * liquid_density_kg_m3
    return refrigerant / (refrigerant + (1.0 - phi) * OIL_DENSITY_KG_M3)


def surrogate_mass_fraction(reduced_pressure: float) -> float:
    """Equilibrium mass fraction where no fit is known: ``w / (1 - w) = 0.22 pr / (1 - 0.75 pr)``.

    Plausible in shape and size for an oil that mixes well with its refrigerant; fitted to nothing.
    """
    pr = min(max(reduced_pressure, 0.0), 1.0)
    ratio = 0.22 * pr / (1.0 - 0.75 * pr)
    return ratio / (1.0 + ratio)
