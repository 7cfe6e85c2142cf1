"""Checks of the cylinder: pressure, temperature, fill by both estimates, level switch, air."""

from __future__ import annotations

from rigctl.control import notation
from rigctl.control.points import XV_104, XV_203
from rigctl.control.protect.checks import discharge
from rigctl.control.protect.row import contact_bad, fit, in_m, in_p, in_t, say_contact, say_unfit
from rigctl.control.protect.situation import Situation
from rigctl.control.vocabulary import Cause
from rigctl.refrigerant.saturation import ATMOSPHERE_PA_ABS


def _gauge(p_pa_abs: float) -> float:
    return p_pa_abs - ATMOSPHERE_PA_ABS


def _cylinder_word(x: Situation) -> str:
    return "Cylinder pressure" if x.settings.fitted.pt_301 else "Discharge pressure, taken for the cylinder's,"


def high(x: Situation, still: bool = False) -> bool:
    band = x.figures.dead_bands.pressure_share if still else 0.0
    ceiling = (1.0 - band) * x.settings.limits.cylinder_high_fraction * x.cylinder.service_pressure_pa_gauge
    return x.under_way and not x.cylinder_off and not _gauge(x.s.p_cylinder) < ceiling


def say_high(x: Situation) -> str:
    if not fit(x.s.p_cylinder):
        return say_unfit("PT-301", x.readings.pt_301_pa_abs, x) if x.settings.fitted.pt_301 else discharge.say_high(x)
    rated = x.cylinder.service_pressure_pa_gauge + ATMOSPHERE_PA_ABS
    return (
        f"{_cylinder_word(x)} is {in_p(x, x.s.p_cylinder)}; the cylinder is rated for {in_p(x, rated)}. "
        "See that its valve is open, cool it, then reset."
    )


def near_rating(x: Situation) -> bool:
    ceiling = x.settings.limits.cylinder_pause_fraction * x.cylinder.service_pressure_pa_gauge
    return x.taking and (x.rest_in_vain is Cause.CYLINDER or not _gauge(x.s.p_cylinder) < ceiling)


def say_near_rating(x: Situation) -> str:
    return (
        f"{_cylinder_word(x)} is {in_p(x, x.s.p_cylinder)} and comes near the cylinder's rating. See that its valve is "
        "open, cool it (ice water, shade, air), then restart."
    )


def hot(x: Situation, still: bool = False) -> bool:
    band_k = x.figures.dead_bands.temperature_k if still else 0.0
    high_degc = x.settings.limits.cylinder_high_degc - band_k
    return x.under_way and not x.cylinder_off and not x.s.t_301 < high_degc


def say_hot(x: Situation) -> str:
    if not fit(x.s.t_301):
        return say_unfit("TT-301", x.readings.tt_301_degc, x)
    return (
        f"Cylinder is at {in_t(x, x.s.t_301)} (limit {in_t(x, x.settings.limits.cylinder_high_degc)}). "
        "Cool it in the shade or in water, then reset."
    )


def warm(x: Situation) -> bool:
    return x.active and not x.cylinder_off and x.s.t_301 >= x.settings.limits.cylinder_warm_degc


def say_warm(x: Situation) -> str:
    return f"Cylinder is at {in_t(x, x.s.t_301)}: cooling it now makes the job faster and keeps it from stopping."


def full(x: Situation) -> bool:
    k = x.figures.cylinder
    # A scale lags, and what flows goes on until a valve has shut.
    room_kg = x.settings.limits.fill_reserve_kg + k.full_ahead_s * max(x.s.flow_kg_s, 0.0)
    if x.bits & XV_104:
        room_kg += k.full_scale_lag_s * x.s.pumped_flow_kg_s
    return (x.taking or x.line_up) and x.net_contents_kg >= x.fill_limit_kg - room_kg


def say_full(x: Situation) -> str:
    if x.bits & XV_104:
        return (
            f"Cylinder {x.cylinder.serial} is as full as liquid that crosses direct may make it: "
            f"{in_m(x, x.net_contents_kg)} in it, limit {in_m(x, x.fill_limit_kg)}. Close both its valves, change the "
            "cylinder, open both valves of the new one, then restart."
        )
    return (
        f"Cylinder {x.cylinder.serial} is full: {in_m(x, x.net_contents_kg)} in it, limit {in_m(x, x.fill_limit_kg)}. "
        "Close its valve, change the cylinder, open the new one, then restart."
    )


def overfull(x: Situation, still: bool = False) -> bool:
    band_kg = x.figures.dead_bands.mass_kg if still else 0.0
    return x.under_way and not x.cylinder_off and x.net_contents_kg > x.fill_limit_kg - band_kg


def say_overfull(x: Situation) -> str:
    return (
        f"Cylinder {x.cylinder.serial} holds {in_m(x, x.net_contents_kg)}, above its limit of "
        f"{in_m(x, x.fill_limit_kg)}. "
        "Do not warm it. Put another one on and name it with the reset; take the excess out of this one."
    )


def second_full(x: Situation) -> bool:
    return x.taking and x.s.second_high_kg >= x.fill_limit_kg - x.settings.limits.fill_reserve_kg


def say_second_full(x: Situation) -> str:
    if x.push_pull:
        return (
            f"By what crosses through XV-104 up to {in_m(x, x.s.second_high_kg)} may be in cylinder "
            f"{x.cylinder.serial} "
            f"(limit {in_m(x, x.fill_limit_kg)}). Close both its valves, change it, open both of the next, "
            "then restart."
        )
    return (
        f"By the compressor's displacement up to {in_m(x, x.s.second_high_kg)} may be in cylinder {x.cylinder.serial} "
        f"(limit {in_m(x, x.fill_limit_kg)}). Change the cylinder, then restart."
    )


def level_high(x: Situation) -> bool:
    return (x.taking or x.line_up or x.bits & XV_203 != 0) and contact_bad(x.readings.lsh_301_ok, x)


def say_level_high(x: Situation) -> str:
    return say_contact(
        "LSH-301",
        x.readings.lsh_301_ok,
        x,
        f"Level switch LSH-301 of cylinder {x.cylinder.serial} has opened: liquid is too high, or its plug is off. "
        "Change the cylinder, or mend the plug and name the same one again, then restart.",
    )


def air(x: Situation) -> bool:
    s, k = x.s, x.figures.cylinder
    if x.cylinder_off or x.motor_off_s < k.air_rest_s or not (fit(s.p_301) and fit(s.t_301)):
        return False
    # A cylinder just put into ice or sun: TT-301 on its wall runs ahead of what is in it, and feigns air or hides it.
    if not s.p_cylinder_rests:
        return False
    refrigerant = x.prepared.refrigerant
    if not x.net_contents_kg > k.air_least_fill_share * x.fill_limit_kg:
        return False  # no liquid to speak of: saturation does not hold
    return s.p_301 - refrigerant.bubble_pressure_pa_abs(s.t_301) > x.settings.limits.air_allowance_pa


def air_at_line_up(x: Situation) -> bool:
    return x.line_up and air(x)


def say_air(x: Situation) -> str:
    saturation = x.prepared.refrigerant.bubble_pressure_pa_abs(x.s.t_301)
    return (
        f"Cylinder is {notation.pressure_difference(x.s.p_301 - saturation, x.settings.units)} above saturation at "
        f"{in_t(x, x.s.t_301)}: air in it, another refrigerant, or not yet at rest. Use another cylinder or "
        "let it settle."
    )
