"""What a recovery cylinder may hold: mass limit, pressure rating, liquid-full temperature, retest date. Pure.

The limit is a mass at a fixed reference temperature, never a level: 80 % by level judged on liquid at 0 degC
fills a cylinder of R-410A at 46 degC.
"""

from __future__ import annotations

import math

import msgspec

from rigctl.refrigerant.saturation import ATMOSPHERE_PA_ABS, PSI_PA, Refrigerant

WATER_KG_M3 = 999.0
"""Density of water at 15.6 degC (60 degF), at which water capacity is stated; IAPWS-95, four digits."""
FILL_FRACTION = 0.80
"""Liquid share of the volume: AHRI Guideline K (2004), after a trade-press article on filling cylinders."""
FILL_REFERENCE_DEGC = 25.0
HOT_DEGC = 55.0
"""131 degF, the temperature of 49 CFR 173.301a(d) and 173.304(b)."""

_FILL_SOURCE = "AHRI Guideline K (2004), after a trade-press article: 0.80 x water capacity x liquid density at 25 degC"
_HOT_SOURCE = "49 CFR 173.304(b), from memory: not liquid-full at 55 degC"
_RATING_SOURCE = "49 CFR 173.301a(d): pressure at 55 degC at most 5/4 of the service pressure"

_NAMED_IN_TABLE_PSIG = {"R-22": 240.0}
"""Service pressures that 49 CFR 173.304a Table (a) allows by name though the 5/4 rule is just missed."""


class CylinderError(ValueError):
    """The question has no answer for this cylinder; the message is one sentence that says why."""


class FillLimit(msgspec.Struct, frozen=True):
    """Greatest mass a cylinder may hold."""

    limit_kg: float
    rule: str
    """The rule that governed, in words."""
    source: str


class RatingCheck(msgspec.Struct, frozen=True):
    """Whether a cylinder is rated for a refrigerant."""

    ok: bool
    pressure_at_55c_pa_gauge: float
    allowed_pa_gauge: float
    """5/4 of the service pressure."""
    source: str
    allowed_by_name: bool = False
    """The 5/4 rule is missed but the regulation names this refrigerant in this cylinder."""


class RetestCheck(msgspec.Struct, frozen=True):
    """Whether a cylinder is inside its retest date."""

    ok: bool
    text: str
    """One sentence when not ok, else ""."""


def volume_m3(water_capacity_kg: float) -> float:
    """Internal volume of a cylinder of this water capacity (kg of water at 15.6 degC).

    Raises
    ------
    CylinderError
        When the capacity is not a positive, finite number.
    """
    if not 0.0 < water_capacity_kg < math.inf:
        raise CylinderError(
            f"Water capacity of {water_capacity_kg} kg is impossible: enter WC as stamped on the collar."
        )
    return water_capacity_kg / WATER_KG_M3


def fill_limit(refrigerant: Refrigerant, water_capacity_kg: float, specific_gravity: float | None = None) -> FillLimit:
    """Greatest mass of refrigerant for a water capacity: 80 % of the volume at 25 degC, or full at 55 degC.

    The smaller governs. `specific_gravity` (liquid at 25 degC over water) replaces the table's density where
    a printed chart must be followed; the 55 degC rule keeps the table's density.

    Raises
    ------
    CylinderError
        When the water capacity is not positive or the refrigerant has no liquid at 55 degC (R-744).
    """
    volume = volume_m3(water_capacity_kg)
    hot_kg = volume * _density(refrigerant, HOT_DEGC)
    if specific_gravity is None:
        reference_kg = FILL_FRACTION * volume * _density(refrigerant, FILL_REFERENCE_DEGC)
    else:
        reference_kg = FILL_FRACTION * water_capacity_kg * specific_gravity
    if hot_kg < reference_kg:
        return FillLimit(hot_kg, "not liquid-full at 55 degC", _HOT_SOURCE)
    return FillLimit(reference_kg, "80 % of the volume with liquid at 25 degC", _FILL_SOURCE)


def pressure_rating(refrigerant: Refrigerant, service_pressure_pa_gauge: float) -> RatingCheck:
    """Judge a cylinder by the 5/4 rule at 55 degC.

    The companion rule, pressure at 21 degC at most the service pressure, is weaker for every refrigerant
    here: pressure more than doubles from 21 to 55 degC.

    Raises
    ------
    CylinderError
        When the service pressure is not positive or the refrigerant has no liquid at 55 degC (R-744).
    """
    if not 0.0 < service_pressure_pa_gauge < math.inf:
        raise CylinderError(
            f"Service pressure of {service_pressure_pa_gauge} Pa is impossible: enter it as on the collar."
        )
    _density(refrigerant, HOT_DEGC)
    hot = refrigerant.bubble_pressure_pa_abs(HOT_DEGC) - ATMOSPHERE_PA_ABS
    allowed = 1.25 * service_pressure_pa_gauge
    if hot <= allowed:
        return RatingCheck(True, hot, allowed, _RATING_SOURCE)
    named_psig = _NAMED_IN_TABLE_PSIG.get(refrigerant.name, math.inf)
    if service_pressure_pa_gauge >= (named_psig - 0.5) * PSI_PA:
        source = (
            f"49 CFR 173.304a Table (a) allows {refrigerant.name} in {named_psig:.0f} psig cylinders by "
            f"name, though at 55 degC it is {(hot - allowed) / PSI_PA:.1f} psi over 5/4 of that"
        )
        return RatingCheck(True, hot, allowed, source, allowed_by_name=True)
    return RatingCheck(False, hot, allowed, _RATING_SOURCE)


def liquid_full_temperature_degc(refrigerant: Refrigerant, mass_kg: float, volume_m3: float) -> float:
    """Temperature at which this mass, as saturated liquid, fills the volume.

    Above it the pressure rises by bars a kelvin. Returns plus infinity when the mean density is below the
    critical density (the liquid falls on warming and never fills the volume), the table's highest temperature
    when the answer lies above it (a lower bound), minus infinity when the volume is full at any temperature
    of the table, NaN when mass or volume is not a positive number.
    """
    if not (0.0 < mass_kg < math.inf and 0.0 < volume_m3 < math.inf):
        return math.nan
    mean = mass_kg / volume_m3
    if mean < refrigerant.critical_density_kg_m3:
        return math.inf
    low, high = refrigerant.temperature_range_degc
    if mean > refrigerant.liquid_density_kg_m3(low):
        return -math.inf
    if mean < refrigerant.liquid_density_kg_m3(high):
        return high
    for _ in range(50):
        middle = 0.5 * (low + high)
        if refrigerant.liquid_density_kg_m3(middle) > mean:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def retest_check(retest_due: str, on_date: str) -> RetestCheck:
    """Whether a cylinder may be filled on a day: up to and including its due date, both as YYYY-MM-DD."""
    if not is_iso_date(retest_due):
        return RetestCheck(False, f"The cylinder's retest date {retest_due!r} is not a date: write it as YYYY-MM-DD.")
    if not is_iso_date(on_date):
        return RetestCheck(False, f"The date of the job {on_date!r} is not a date: write it as YYYY-MM-DD.")
    if on_date > retest_due:
        return RetestCheck(
            False,
            f"The cylinder was due for retest on {retest_due}: use another one, this one may not be filled.",
        )
    return RetestCheck(True, "")


def _density(refrigerant: Refrigerant, t_degc: float) -> float:
    refusal = refrigerant.why_outside_temperature(t_degc)
    if refusal:
        raise CylinderError(f"{refusal[:-1]}, so no fill limit or rating can be worked out for it.")
    return refrigerant.liquid_density_kg_m3(t_degc)


def is_iso_date(text: str) -> bool:
    """Whether a text is shaped like YYYY-MM-DD with a month and day that can be."""
    # ISO dates of one length compare as text; no calendar is needed.
    if len(text) != 10 or not text.isascii() or text[4] != "-" or text[7] != "-":
        return False
    if not (text[:4] + text[5:7] + text[8:]).isdigit():
        return False
    return "01" <= text[5:7] <= "12" and "01" <= text[8:] <= "31"
