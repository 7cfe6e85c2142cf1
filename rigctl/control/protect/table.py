"""The cause-and-effect table: every interlock is a row.

The verdict is used twice: the sequence moves by it, and the gate before the outputs obeys it whatever the sequence
wants.
"""

from __future__ import annotations

from rigctl.control.points import ALL, M_101, WAYS_IN, XV_106, tags
from rigctl.control.protect.checks import cylinder, discharge, rig, scale, water, way_in
from rigctl.control.protect.row import STOP_PUMPING, Interlock, is_unfit, say_contact, say_unfit, weighs
from rigctl.control.settings import Settings
from rigctl.control.vocabulary import Ask, Kind

TABLE: tuple[Interlock, ...] = (
    Interlock("HS-001.pressed", Kind.TRIP, "emergency stop pressed or its loop open", ALL, rig.stop_pressed,
              lambda x: say_contact(
                  "HS-001", x.readings.hs_001_ok, x,
                  "Emergency stop is pressed. Make safe what made you press it, release it, then reset.",
              ),
              fitted=lambda c: c.fitted.hs_001),
    Interlock("AT-001.gas", Kind.TRIP, "gas detector in alarm or unfit", ALL, rig.gas, rig.say_gas, Ask.FIND_LEAK,
              banded=True,
              fitted=lambda c: c.fitted.at_001),
    Interlock("PSH-201.open", Kind.TRIP, "hardware pressure switch has opened", STOP_PUMPING, rig.switch_open,
              lambda x: say_contact(
                  "PSH-201", x.readings.psh_201_ok, x,
                  "The hardware pressure switch PSH-201 has stopped the compressor. Find why the pressure rose "
                  "(closed cylinder valve?), reset the switch, then reset the rig.",
              ),
              Ask.CHECK_CYLINDER, fitted=lambda c: c.fitted.psh_201),
    Interlock("PT-201.high", Kind.TRIP, "discharge pressure above its limit or unfit", STOP_PUMPING,
              discharge.high, discharge.say_high, Ask.CHECK_CYLINDER, banded=True),
    Interlock("M-101.dead_head", Kind.TRIP, "discharge pressure rises fast and no weight is gained", STOP_PUMPING,
              discharge.dead_head, discharge.say_dead_head, Ask.CHECK_RIG, delay_s=lambda c, k: c.limits.dead_head_s),
    Interlock("TT-201.high", Kind.TRIP, "discharge temperature above its limit or unfit", STOP_PUMPING,
              discharge.hot, discharge.say_hot, Ask.CHECK_RIG, fitted=lambda c: c.fitted.tt_201,
              banded=True),
    Interlock("PT-301.high", Kind.TRIP, "cylinder pressure at its rating, or unknown", STOP_PUMPING,
              cylinder.high, cylinder.say_high, Ask.COOL_CYLINDER, banded=True),
    Interlock("TT-301.high", Kind.TRIP, "cylinder too hot, or its temperature unknown", STOP_PUMPING,
              cylinder.hot, cylinder.say_hot, Ask.COOL_CYLINDER, fitted=lambda c: c.fitted.tt_301,
              banded=True),
    Interlock("WT-301.overfull", Kind.TRIP, "cylinder above its fill limit", STOP_PUMPING, cylinder.overfull,
              cylinder.say_overfull,
              Ask.CHECK_CYLINDER, banded=True),
    Interlock("WT-301.falling", Kind.TRIP, "weight falls while recovering (leak)", ALL, scale.falling,
              scale.say_falling, Ask.FIND_LEAK, fitted=weighs, delay_s=lambda c, k: k.scale.falling_delay_s),
    Interlock("PT-101.unfit", Kind.TRIP, "suction pressure unfit", STOP_PUMPING, way_in.suction_unfit,
              lambda x: say_unfit("PT-101", x.readings.pt_101_pa_abs, x), Ask.CHECK_INSTRUMENT),
    Interlock("M-101.fault", Kind.TRIP, "compressor drive or contactor reports a fault", STOP_PUMPING, rig.drive_bad,
              lambda x: say_contact(
                  "YS-101", x.readings.m_101_ok, x,
                  "The compressor's drive or contactor reports a fault. Check overload and supply, then reset.",
              ),
              fitted=lambda c: c.fitted.m_101_ok),
    Interlock("OUTPUTS.readback", Kind.TRIP, "an output does not follow its command", STOP_PUMPING, rig.readback,
              rig.say_readback, fitted=lambda c: c.fitted.readback, delay_s=lambda c, k: c.limits.readback_s),
    Interlock("SCAN.overrun", Kind.TRIP, "a scan came too late", STOP_PUMPING, rig.overrun, rig.say_overrun),
    Interlock("FS-001.freezing", Kind.HOLD, "water without proved flow and saturation near freezing", M_101 | WAYS_IN,
              water.freezing, water.say_freezing, Ask.START_WATER, fitted=lambda c: c.job.water_side,
              delay_s=lambda c, k: k.water.freezing_delay_s),
    Interlock("LSH-301.high", Kind.HOLD, "level switch has opened, or its wire", WAYS_IN, cylinder.level_high,
              cylinder.say_level_high,
              Ask.CHANGE_CYLINDER, fitted=lambda c: c.fitted.lsh_301),
    Interlock("WT-301.full", Kind.HOLD, "cylinder at its fill limit less the reserve", WAYS_IN, cylinder.full,
              cylinder.say_full,
              Ask.CHANGE_CYLINDER),
    Interlock("M-101.filled", Kind.HOLD, "second fill estimate at the limit less the reserve", WAYS_IN,
              cylinder.second_full,
              cylinder.say_second_full, Ask.CHANGE_CYLINDER),
    Interlock("PT-201.ratio", Kind.HOLD, "compression ratio high", M_101 | WAYS_IN, discharge.ratio_high,
              discharge.say_ratio_high,
              Ask.COOL_CYLINDER, delay_s=lambda c, k: k.discharge.ratio_delay_s),
    Interlock("TT-201.stays", Kind.HOLD, "discharge stays hot though the compressor rests", M_101 | WAYS_IN,
              discharge.stays_hot,
              discharge.say_stays_hot, Ask.CHECK_RIG, fitted=lambda c: c.fitted.tt_201),
    Interlock("PT-301.near", Kind.HOLD, "cylinder pressure near its rating", M_101 | WAYS_IN, cylinder.near_rating,
              cylinder.say_near_rating, Ask.COOL_CYLINDER),
    Interlock("WT-301.unfit", Kind.HOLD, "scale unfit", WAYS_IN, scale.unfit, scale.say_unfit_scale, Ask.CHECK_SCALE,
              fitted=weighs),
    Interlock("WT-301.disturbed", Kind.HOLD, "scale disturbed for too long", WAYS_IN, scale.disturbed,
              scale.say_disturbed, Ask.CHECK_SCALE, fitted=weighs),
    Interlock("WT-301.frozen", Kind.HOLD, "scale shows nothing of what was pumped", M_101 | WAYS_IN, scale.frozen,
              scale.say_frozen, Ask.CHECK_SCALE, fitted=weighs),
    Interlock("WT-301.disagree", Kind.HOLD, "scale and second fill estimate disagree", WAYS_IN, scale.disagrees,
              scale.say_disagrees, Ask.CHECK_SCALE, fitted=weighs, delay_s=lambda c, k: k.scale.disagrees_delay_s),
    Interlock("PT-101.falls_fast", Kind.HOLD, "suction falls too fast (iced or closed inlet)", M_101 | WAYS_IN,
              way_in.falls_fast, way_in.say_falls_fast, Ask.CHECK_APPLIANCE,
              delay_s=lambda c, k: k.way_in.falls_fast_delay_s),
    Interlock("PT-101.not_falling", Kind.HOLD, "suction does not fall though pumping (blocked or closed)",
              M_101 | WAYS_IN, way_in.not_falling, way_in.say_not_falling, Ask.CHECK_APPLIANCE),
    Interlock("PT-001.high", Kind.HOLD, "appliance pressed near its design pressure by push-pull",
              M_101 | WAYS_IN | XV_106, way_in.appliance_high, way_in.say_appliance_high, Ask.CHECK_APPLIANCE,
              fitted=lambda c: c.fitted.push_pull),
    Interlock("PT-001.unfit", Kind.HOLD, "appliance pressure unfit", WAYS_IN, way_in.appliance_unfit,
              lambda x: say_unfit("PT-001", x.readings.pt_001_pa_abs, x), Ask.CHECK_INSTRUMENT,
              fitted=lambda c: c.fitted.pt_001),
    Interlock("PHASE.time", Kind.HOLD, "a phase takes longer than its limit", WAYS_IN, rig.too_long, rig.say_too_long,
              Ask.CONFIRM),
    Interlock("FS-001.no_flow", Kind.START_INHIBIT, "water flow not proved at line-up", 0, water.no_flow,
              water.say_no_flow,
              Ask.START_WATER, fitted=lambda c: c.job.water_side),
    Interlock("PT-301.air", Kind.START_INHIBIT, "non-condensables in the cylinder at line-up", 0,
              cylinder.air_at_line_up,
              cylinder.say_air, Ask.CHECK_CYLINDER, fitted=lambda c: c.fitted.pt_301 and c.fitted.tt_301),
    Interlock("PT-301.air_advice", Kind.ADVICE, "non-condensables in the resting cylinder", 0, cylinder.air,
              cylinder.say_air,
              Ask.CONFIRM, fitted=lambda c: c.fitted.pt_301 and c.fitted.tt_301,
              delay_s=lambda c, k: k.cylinder.air_advice_delay_s),
    Interlock("PT-201.above", Kind.ADVICE, "discharge far above the cylinder", 0, discharge.above_cylinder,
              discharge.say_above_cylinder,
              Ask.CHECK_CYLINDER, fitted=lambda c: c.fitted.pt_301,
              delay_s=lambda c, k: k.discharge.restricted_delay_s),
    Interlock("TT-301.warm", Kind.ADVICE, "cylinder warm", 0, cylinder.warm, cylinder.say_warm, Ask.COOL_CYLINDER,
              fitted=lambda c: c.fitted.tt_301),
    Interlock("PT-102.unfit", Kind.ADVICE, "pressure after the throttle unfit", 0, is_unfit(lambda s: s.p_102),
              lambda x: say_unfit("PT-102", x.readings.pt_102_pa_abs, x), Ask.CHECK_INSTRUMENT,
              fitted=lambda c: c.fitted.pt_102),
    Interlock("TT-101.unfit", Kind.ADVICE, "suction temperature unfit", 0, is_unfit(lambda s: s.t_101),
              lambda x: say_unfit("TT-101", x.readings.tt_101_degc, x), Ask.CHECK_INSTRUMENT,
              fitted=lambda c: c.fitted.tt_101),
)  # fmt: skip
"""The whole table, most urgent first: of several causes the first row's sentence is shown."""
INDEX = {row.tag: position for position, row in enumerate(TABLE)}


def _mask(*kinds: Kind) -> int:
    return sum(1 << i for i, row in enumerate(TABLE) if row.kind in kinds)


TRIPS = _mask(Kind.TRIP)

HOLDS = _mask(Kind.HOLD)

INHIBITS = _mask(Kind.START_INHIBIT)

BANDED = sum(1 << i for i, row in enumerate(TABLE) if row.banded)


def rows_fitted(settings: Settings) -> int:
    """Bits of the rows that apply to these settings."""
    return sum(1 << i for i, row in enumerate(TABLE) if row.fitted(settings))


def table() -> list[dict[str, str]]:
    """Return the cause-and-effect table in words, one dict a row."""
    return [
        {
            "tag": row.tag,
            "cause": row.cause,
            "effect": row.kind.value,
            "takes away": ", ".join(tags(row.takes)) if row.takes != ALL else "all outputs",
            "latched": "yes" if row.latched else "no",
            "reset by": row.reset_by,
        }
        for row in TABLE
    ]
