"""Fans, bath and heater: on while they pay and may be on."""

from __future__ import annotations

from rigctl.control.figures.procedure import Aids
from rigctl.control.points import EH_001, M_001, M_201, M_202
from rigctl.control.procedure.work import Work
from rigctl.control.protect.situation import Situation
from rigctl.control.readings import sound
from rigctl.control.vocabulary import Cause, Phase


def aids(w: Work) -> int:
    """Outputs that help, as far as they pay and may be on: fans, bath, heater."""
    x, s, settings, bits, k = w.x, w.s, w.settings, w.before.drive.outputs.bits, w.figures.aids
    on = 0
    hot = settings.fitted.tt_201 and s.t_201 > settings.limits.discharge_high_degc - w.figures.pauses.hot_ease_k
    resting = w.pull.rest.cause is not Cause.NONE
    pays = s.pumped_flow_kg_s > (k.cooling_off_kg_s if bits & M_201 else k.cooling_on_kg_s)
    # Below that flow a cooled condenser only draws the cylinder's vapor back.
    if pays or hot or resting or w.phase is not Phase.VAPOR:
        on |= M_201 | M_202
    room = settings.job.ambient_degc
    if settings.job.water_side or not s.t_001 > room + (k.fan_off_k if bits & M_001 else k.fan_on_k):
        on |= M_001
    if _may_heat(x, k) and w.appliance.refrigerant_accepted:
        on |= EH_001
    return on


def _may_heat(x: Situation, k: Aids) -> bool:
    """A heater is for an appliance that is known to hold refrigerant, not too hot, with no gas about."""
    s, settings = x.s, x.settings
    if not s.p_appliance > settings.procedure.empty_appliance_pa_abs:
        return False  # next to nothing left to boil, or nobody knows
    high = k.heat_high_degc - (0.0 if x.bits & EH_001 else k.heat_back_k)
    if settings.fitted.tt_001 and not s.t_001 < high:
        return False
    if not x.prepared.refrigerant.flammable:
        return True
    gas = x.readings.at_001_lfl
    fit = sound(gas, s.now_s, settings.instruments.reading_max_age_s)
    return fit and gas.value < k.heat_gas_share * settings.limits.gas_alarm_lfl
