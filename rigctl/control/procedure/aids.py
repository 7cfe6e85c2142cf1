"""Fans, bath and heater: on while they pay and may be on."""

from __future__ import annotations

from rigctl.control.points import EH_001, M_001, M_201, M_202
from rigctl.control.procedure.pauses import HOT_EASE_K
from rigctl.control.procedure.work import Work
from rigctl.control.protect.situation import Situation
from rigctl.control.readings import sound
from rigctl.control.vocabulary import Cause, Phase

COOLING_ON_KG_S, COOLING_OFF_KG_S = 2.0e-3, 1.2e-3
"""Flow at which the condenser fan and the bath start and stop to pay while vapor is drawn."""
HEAT_HIGH_DEGC, HEAT_BACK_K = 50.0, 3.0
"""The appliance's heater goes off above this temperature of the appliance."""
FAN_OFF_K, FAN_ON_K = 2.0, 1.0
"""The appliance's fan goes off that far above the room's temperature, where it would only cool what is being warmed."""
GAS_SHARE = 0.5
"""Share of the gas alarm above which nothing is heated where the refrigerant is flammable."""


def aids(w: Work) -> int:
    """Outputs that help, as far as they pay and may be on: fans, bath, heater."""
    x, s, settings, bits = w.x, w.s, w.settings, w.before.drive.outputs.bits
    on = 0
    hot = settings.fitted.tt_201 and s.t_201 > settings.limits.discharge_high_degc - HOT_EASE_K
    resting = w.pull.rest.cause is not Cause.NONE
    pays = s.pumped_flow_kg_s > (COOLING_OFF_KG_S if bits & M_201 else COOLING_ON_KG_S)
    # Below that flow a cooled condenser only draws the cylinder's vapor back.
    if pays or hot or resting or w.phase is not Phase.VAPOR:
        on |= M_201 | M_202
    room = settings.job.ambient_degc
    if settings.job.water_side or not s.t_001 > room + (FAN_OFF_K if bits & M_001 else FAN_ON_K):
        on |= M_001
    if _may_heat(x) and w.appliance.refrigerant_accepted:
        on |= EH_001
    return on


def _may_heat(x: Situation) -> bool:
    """A heater is for an appliance that is known to hold refrigerant, not too hot, with no gas about."""
    s, settings = x.s, x.settings
    if not s.p_appliance > settings.procedure.empty_appliance_pa_abs:
        return False  # next to nothing left to boil, or nobody knows
    high = HEAT_HIGH_DEGC - (0.0 if x.bits & EH_001 else HEAT_BACK_K)
    if settings.fitted.tt_001 and not s.t_001 < high:
        return False
    if not x.prepared.refrigerant.flammable:
        return True
    gas = x.readings.at_001_lfl
    fit = sound(gas, s.now_s, settings.instruments.reading_max_age_s)
    return fit and gas.value < GAS_SHARE * settings.limits.gas_alarm_lfl
