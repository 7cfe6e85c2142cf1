"""Checks of the discharge: pressure, temperature, ratio, dead-head."""

from __future__ import annotations

from math import nan

from rigctl.control import notation
from rigctl.control.points import XV_203
from rigctl.control.protect.row import fit, in_p, in_t, say_unfit
from rigctl.control.protect.situation import Situation
from rigctl.control.vocabulary import Cause


def high(x: Situation, still: bool = False) -> bool:
    band = x.figures.dead_bands.pressure_share if still else 0.0
    return not x.s.p_201 < (1.0 - band) * x.settings.limits.discharge_high_pa_abs


def say_high(x: Situation) -> str:
    if not fit(x.s.p_201):
        return say_unfit("PT-201", x.readings.pt_201_pa_abs, x)
    return (
        f"Discharge pressure reached {in_p(x, x.s.p_201)} (limit {in_p(x, x.settings.limits.discharge_high_pa_abs)}). "
        "Check that the cylinder valve is open and the condenser fan runs, then reset."
    )


def hot(x: Situation, still: bool = False) -> bool:
    band_k = x.figures.dead_bands.temperature_k if still else 0.0
    return not x.s.t_201 < x.settings.limits.discharge_high_degc - band_k


def say_hot(x: Situation) -> str:
    if not fit(x.s.t_201):
        return say_unfit("TT-201", x.readings.tt_201_degc, x)
    return (
        f"Discharge temperature reached {in_t(x, x.s.t_201)} (limit {in_t(x, x.settings.limits.discharge_high_degc)}). "
        "Let the compressor cool and lower the discharge pressure, then reset."
    )


def ratio_high(x: Situation) -> bool:
    return x.taking and x.pumping and not x.s.p_201 < x.settings.limits.compression_ratio_high * x.s.p_101


def say_ratio_high(x: Situation) -> str:
    ratio = x.s.p_201 / x.s.p_101 if x.s.p_101 > 0.0 else nan
    return (
        f"Compression ratio is {ratio:.0f} (limit {x.settings.limits.compression_ratio_high:.0f}) with "
        f"{in_p(x, x.s.p_201)} in the cylinder. Cool the cylinder, then restart."
    )


def dead_head(x: Situation) -> bool:
    s, k = x.s, x.figures.discharge
    if x.push_pull:
        return x.pumping and not s.p_201 - s.p_001 < k.pressed_pa
    if not (x.pumping and x.filling):
        return False
    pumped = s.pumped_flow_kg_s
    begun_s = min(x.motor_on_s, x.in_phase_s)  # a second inlet that opens moves pressures and flows, too
    arrives_kg_s = k.dead_head_arrives_share * pumped
    if pumped > k.dead_head_least_flow_kg_s and begun_s > k.dead_head_start_s and s.flow_kg_s < arrives_kg_s:
        # The precursor, seconds before the pressure shoots up: weight has stopped and what is pumped piles up in the
        # cooler. Against PT-301 where there is one; else by a weight that had been rising and a pressure that creeps.
        if fit(s.p_301):
            if s.p_201 - s.p_301 > k.dead_head_above_pa:
                return True
        elif s.was_flowing and s.p_201_rate > k.dead_head_creep_pa_s:
            return True
    if x.bits & XV_203:  # clearing out: the discharge may rise no more than the cylinder does
        above = s.p_201 - s.p_301 if fit(s.p_301) else s.p_201 - x.clear_from_pa_abs - k.dead_head_above_pa
        if above > k.dead_head_above_pa and not s.flow_kg_s > k.dead_head_least_flow_kg_s:
            return True
    if begun_s <= k.dead_head_jump_s:
        return False  # behind the head's valves PT-201 rests below the cylinder, and jumps up to it on starting
    return (
        not s.p_201_rate <= x.settings.limits.dead_head_rise_pa_s
        and _above_what_is_behind(x)
        and (s.frozen_share or not s.anchor_gain_kg > k.dead_head_least_gain_kg)
        and not (s.was_flowing and s.flow_kg_s >= arrives_kg_s)
    )


def _above_what_is_behind(x: Situation) -> bool:
    """Whether the discharge is higher than an open way into the cylinder explains."""
    s, k = x.s, x.figures.discharge
    if fit(s.p_301):
        return not s.p_201 - s.p_301 <= k.dead_head_above_pa
    temperature = s.t_301 if fit(s.t_301) else x.settings.job.ambient_degc
    return not s.p_201 < x.prepared.refrigerant.bubble_pressure_pa_abs(temperature + k.wrong_way_out_k)


def say_dead_head(x: Situation) -> str:
    if x.push_pull:
        return (
            f"The discharge is at {in_p(x, x.s.p_201)}, far above the appliance at {in_p(x, x.s.p_001)}: XV-106, the "
            "hose or the appliance's vapor port is shut. Open or mend it, then reset."
        )
    if x.bits & XV_203:
        return (
            f"While the cooler is cleared out the discharge rises over the cylinder ({in_p(x, x.s.p_201)}): XV-204 or "
            "XV-301 does not open, or the cylinder's valve is shut. Open or mend it, then reset."
        )
    return (
        f"The compressor pumps, the weight stands still and the discharge is at {in_p(x, x.s.p_201)}: there is no way "
        "into the cylinder. Open its valve and check the discharge hose, then reset."
    )


def above_cylinder(x: Situation) -> bool:
    above_pa = x.figures.discharge.restricted_pa
    return x.taking and x.pumping and not x.push_pull and x.s.p_201 - x.s.p_301 > above_pa


def say_above_cylinder(x: Situation) -> str:
    return (
        f"The discharge is {notation.pressure_difference(x.s.p_201 - x.s.p_301, x.settings.units)} above the cylinder: "
        "XV-301, the hose or the cylinder's valve is not fully open. It costs time; look when you can."
    )


def stays_hot(x: Situation) -> bool:
    return x.taking and x.rest_in_vain is Cause.DISCHARGE


def say_stays_hot(x: Situation) -> str:
    return (
        f"The compressor rests and its discharge stays at {in_t(x, x.s.t_201)} (limit "
        f"{in_t(x, x.settings.limits.discharge_high_degc)}). Let it cool in moving air, cool the cylinder, "
        "then restart."
    )
