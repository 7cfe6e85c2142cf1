"""To which pressure an appliance must be emptied, by which rule, in the words a technician reads. Pure.

The US table is that of 40 CFR 82.156 in force since 2018: what the job must reach. It is not Table 2 of
82.158, what recovery equipment must be able to reach, which still sorts by older classes. Rules whose text
was not at hand are not in code: such a level comes from the configuration with the words of its source.

0 psig and inches of vacuum are taken from a standard atmosphere, also at altitude.
"""

from __future__ import annotations

import math

import msgspec

from rigctl.refrigerant.cylinder import is_iso_date
from rigctl.refrigerant.saturation import INHG_PA, POUND_KG, Refrigerant

MMHG_PA = 133.3224
STANDARD_INHG = 29.9
"""The regulation states vacuum below a standard atmosphere of 29.9 inHg."""
LARGE_CHARGE_KG = 200 * POUND_KG
SMALL_APPLIANCE_KG = 5 * POUND_KG
SPLIT_DATE = "1993-11-15"
"""Recovery equipment made on or after this day has the deeper levels."""

RULE_SETS = ("us-82.156", "en-378", "custom")
CASES = ("whole", "isolated_component", "repair_without_evacuation", "leaking", "small", "vehicle")

_TABLE_SOURCE = "40 CFR 82.156 Table 1"

_TABLE_INHG = {
    ("very_high", False): (0, 0),
    ("very_high", True): (0, 0),
    ("high", False): (0, 0),
    ("high", True): (4, 10),
    ("medium", False): (4, 10),
    ("medium", True): (4, 15),
}
"""inHg vacuum by pressure class and "200 lb or more": equipment made before, and from, `SPLIT_DATE`."""

_CLASS_WORDS = {
    "very_high": "very high pressure",
    "high": "high pressure",
    "medium": "medium pressure",
    "low": "low pressure",
}


class EvacuationRuleError(ValueError):
    """No level can be given; the message is one sentence that says what to state instead."""


class EvacuationLevel(msgspec.Struct, frozen=True):
    """The level an appliance must reach and hold before it is opened."""

    level_pa_abs: float
    text: str
    """As a technician reads it: "0 psig", "10 inHg vacuum", "25 mmHg absolute"."""
    source: str
    """The rule and the row of it that applied, in words."""
    or_recovered_fraction: float | None = None
    """Share of the charge that may be recovered instead of reaching the level (small appliances)."""
    verified: bool = True
    """False when the level or its rule has not been read in the original by this project."""


def required_level(
    refrigerant: Refrigerant,
    charge_kg: float | None,
    rule_set: str,
    *,
    case: str = "whole",
    equipment_made: str = SPLIT_DATE,
    compressor_works: bool = False,
    custom_level_pa_abs: float | None = None,
    custom_source: str = "",
) -> EvacuationLevel:
    """Return the pressure an appliance must be emptied to.

    Parameters
    ----------
    refrigerant
        Its pressure class decides the row.
    charge_kg
        Full charge of the appliance; None when unknown, then the deeper level of both sizes is asked.
    rule_set
        "us-82.156"; "en-378" and "custom" take `custom_level_pa_abs` and `custom_source`.
    case
        "whole" appliance; "isolated_component" of one; "repair_without_evacuation" (not major, and not
        followed by evacuation to the atmosphere); "leaking" (the leak makes the level unreachable or would
        contaminate the refrigerant); "small" (factory-sealed, at most 5 lb); "vehicle" air conditioning.
    equipment_made
        Date of manufacture of the recovery equipment, YYYY-MM-DD; ISO dates compare as text.
    compressor_works
        Of a small appliance.
    custom_level_pa_abs, custom_source
        A level from the configuration and the words of its source.

    Raises
    ------
    EvacuationRuleError
        When the rule set or case is unknown, a figure is impossible, or the rule has no settled level.
    """
    if rule_set not in RULE_SETS:
        raise EvacuationRuleError(f"Unknown evacuation rules {rule_set!r}: choose from {', '.join(RULE_SETS)}.")
    if rule_set != "us-82.156":
        return _configured_level(rule_set, custom_level_pa_abs, custom_source)
    if case not in CASES:
        raise EvacuationRuleError(f"Unknown evacuation case {case!r}: choose from {', '.join(CASES)}.")
    if charge_kg is not None and not 0.0 < charge_kg < math.inf:
        raise EvacuationRuleError(
            f"A full charge of {charge_kg} kg is impossible: state it as on the label, or leave it out."
        )
    if not is_iso_date(equipment_made):
        raise EvacuationRuleError(
            f"The equipment's date of manufacture {equipment_made!r} is not a date: write it as YYYY-MM-DD."
        )
    newer = equipment_made >= SPLIT_DATE
    if case == "vehicle":
        raise EvacuationRuleError(
            "The level for vehicle air conditioning (102 mm Hg) is not settled between vacuum and absolute: "
            "state it as a custom level with its source."
        )
    if case == "leaking":
        return _level_inhg(
            0,
            "40 CFR 82.156(a)(2), paragraph from memory, after Heating and Cooling Essentials (2016) 15.9.1: "
            "leaking part as low as attainable without substantial contamination; sound parts to the table",
            text="as low as attainable without contamination, at most 0 psig",
            verified=False,
        )
    if case == "repair_without_evacuation":
        low = refrigerant.evacuation_class == "low"
        return _level_inhg(
            0,
            "40 CFR 82.156(a)(1): non-major repair not followed by evacuation to the atmosphere"
            + (", low pressure appliance: pressurise, at most to 0 psig" if low else ", at most 0 psig"),
        )
    if case == "small":
        return _small_level(charge_kg, newer=newer, compressor_works=compressor_works)
    return _table_level(refrigerant, charge_kg, newer=newer, component=case == "isolated_component")


def _table_level(refrigerant: Refrigerant, charge_kg: float | None, *, newer: bool, component: bool) -> EvacuationLevel:
    words = _CLASS_WORDS[refrigerant.evacuation_class]
    what = f"{_TABLE_SOURCE}, {words}" + (", isolated component" if component else "")
    if refrigerant.evacuation_class == "low":
        return EvacuationLevel(25 * MMHG_PA, "25 mmHg absolute", what)
    # An unknown charge counts as large: never the shallower level by not knowing.
    large = charge_kg is None or charge_kg >= LARGE_CHARGE_KG
    before, after = _TABLE_INHG[refrigerant.evacuation_class, large]
    if refrigerant.evacuation_class != "very_high":
        size = "200 lb (90.7 kg) or more" if large else "less than 200 lb (90.7 kg)"
        what += f", {size}" + (" (charge unknown)" if charge_kg is None else "")
    what += f", equipment made {'on or after' if newer else 'before'} {SPLIT_DATE}"
    if refrigerant.facts.evacuation_note:
        what += f"; {refrigerant.facts.evacuation_note}"
    # A note says that the class was a judgement.
    verified = not refrigerant.facts.evacuation_note
    return _level_inhg(after if newer else before, what, verified=verified)


def _small_level(charge_kg: float | None, *, newer: bool, compressor_works: bool) -> EvacuationLevel:
    if charge_kg is not None and charge_kg > SMALL_APPLIANCE_KG:
        raise EvacuationRuleError(
            f"A charge of {charge_kg:.2f} kg is no small appliance (at most 5 lb, 2.27 kg): choose the case 'whole'."
        )
    fraction = 0.90 if newer and compressor_works else 0.80
    source = (
        "40 CFR 82.156(b), paragraph from memory, after training texts: small appliance, "
        f"{fraction * 100:.0f} % of the charge or 4 inHg vacuum"
    )
    if charge_kg is None:
        # A share of an unknown charge cannot be shown.
        return _level_inhg(4, source + "; charge unknown, so only the level counts", verified=False)
    text = f"4 inHg vacuum, or {fraction * 100:.0f} % of the charge recovered"
    return _level_inhg(4, source, text=text, fraction=fraction, verified=False)


def _configured_level(rule_set: str, level_pa_abs: float | None, source: str) -> EvacuationLevel:
    if level_pa_abs is None or not source.strip():
        raise EvacuationRuleError(
            f"The rules {rule_set!r} carry no levels of their own: state the level and the words of its source."
        )
    if not 0.0 < level_pa_abs <= STANDARD_INHG * INHG_PA * 1.01:
        raise EvacuationRuleError(
            f"An evacuation level of {level_pa_abs / 1e3:.4g} kPa absolute is impossible: "
            "state one between 0 and atmospheric pressure."
        )
    prefix = "EN 378-4, unverified: " if rule_set == "en-378" else ""
    return EvacuationLevel(
        level_pa_abs, f"{level_pa_abs / 1e5:.3g} bar absolute", prefix + source.strip(), verified=False
    )


def _level_inhg(
    vacuum_inhg: int, source: str, *, text: str = "", fraction: float | None = None, verified: bool = True
) -> EvacuationLevel:
    level = (STANDARD_INHG - vacuum_inhg) * INHG_PA
    text = text or (f"{vacuum_inhg} inHg vacuum" if vacuum_inhg else "0 psig")
    return EvacuationLevel(level, text, source, or_recovered_fraction=fraction, verified=verified)
