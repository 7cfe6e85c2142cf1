"""The cause-and-effect table: every interlock as a row and a small predicate.

A predicate asks whether the cause is present; it is written as "not surely good", so that an unfit reading
(NaN) counts as the cause. The verdict is used twice: the sequence moves by it, and the gate before the
outputs obeys it whatever the sequence wants.
"""

from __future__ import annotations

import enum
from collections.abc import Callable
from math import nan

import msgspec

from rigctl.control import words
from rigctl.control.points import (
    ALL,
    EH_001,
    INLETS,
    M_101,
    PUSH_PULL,
    WAYS_IN,
    XV_104,
    XV_106,
    XV_203,
    tags,
)
from rigctl.control.readings import Reading, Readings, sound
from rigctl.control.rests import Cause
from rigctl.control.settings import Cylinder, Settings, appliance_ceiling_pa_abs
from rigctl.control.signals import Signals
from rigctl.refrigerant import catalogue

STOP_PUMPING = M_101 | INLETS | XV_203 | EH_001 | PUSH_PULL
"""What most trips take away; the way into the cylinder stays open so that no liquid is locked in."""
RATIO_DELAY_S = 5.0
FREEZE_DELAY_S = 1.0
WRONG_WAY_OUT_K = 15.0
"""Discharge above saturation at cylinder temperature plus this has no open cylinder behind it."""
DEAD_HEAD_MIN_KG_S = 3e-3
DEAD_HEAD_SHARE = 0.3
DEAD_HEAD_START_S = 8.0
DEAD_HEAD_PA = 2e5
DEAD_HEAD_CREEP_PA_S = 4e3
"""Weight gain under this share of the pumped flow, a while after the start, with the discharge this far above the
cylinder or still creeping up, has no open way into the cylinder. Chosen on the simulated rig."""
SAME_FIGURE_KG = 0.1
"""Pumped while the scale shows the same figure to the last digit, after it had been following."""
RESTRICTED_PA = 3e5
RESTRICTED_DELAY_S = 15.0
"""Discharge this far above the cylinder for this long is more than any hose in order takes."""
PRESSED_PA = 8e5
"""In push-pull: discharge this far above the appliance has no open way onto it. The throttle holds it at 4 bar."""
FULL_AHEAD_S = 5.0
"""So much flow is counted as in the cylinder already when it is asked whether it is full."""
SCALE_LAG_S = 20.0
"""A scale that follows so slowly must not overfill the cylinder: liquid that crosses direct stops so much earlier."""
AIR_REST_S = 600.0
"""The cylinder must have rested this long before its pressure can speak of air."""


class Kind(enum.Enum):
    """What an interlock does."""

    TRIP = "trip"
    HOLD = "hold"
    START_INHIBIT = "start inhibit"
    ADVICE = "advice"


class Ask(enum.Enum):
    """What a rig that stands asks of the person; the sentence says it in words with the numbers."""

    NOTHING = "nothing"
    CHANGE_CYLINDER = "change the cylinder"
    CHECK_CYLINDER = "check the cylinder and its valve"
    COOL_CYLINDER = "cool the cylinder"
    CHECK_SCALE = "check the scale"
    CHECK_APPLIANCE = "check the appliance and its valves"
    CHECK_REFRIGERANT = "check which refrigerant it is"
    HOSE_TO_LIQUID = "connect the hose to the liquid port"
    HOSE_TO_VAPOR = "move the hose to the vapor port"
    START_WATER = "get the water moving"
    CHECK_INSTRUMENT = "check the instrument"
    CHECK_RIG = "check the rig"
    FIND_LEAK = "find the leak"
    CHECK_CHARGE = "see that nothing is shut off"
    WARM_APPLIANCE = "warm the appliance"
    CONFIRM = "look, then confirm"


class AlarmState(enum.Enum):
    """ISA-18.2 / IEC 62682 alarm states used here."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "active, unacknowledged"
    ACKNOWLEDGED = "active, acknowledged"
    RETURNED = "returned to normal, unacknowledged"
    LATCHED = "latched, cause gone, reset needed"


class Alarm(msgspec.Struct, frozen=True):
    """One alarm that is not in its normal state."""

    tag: str
    """Row of the table, for example "PT-201.high"."""
    kind: Kind
    state: AlarmState
    since_s: float
    """When it became active, on the monotonic clock."""
    text: str
    """What is wrong, with the number that matters."""


class Situation:
    """What the predicates may look at in one scan. Lives for one scan."""

    __slots__ = (
        "active",
        "appliance_start_pa_abs",
        "attended",
        "bits",
        "clear_from_pa_abs",
        "cylinder",
        "cylinder_off",
        "dt_s",
        "excess_accepted_kg",
        "fill_limit_kg",
        "filling",
        "in_phase_s",
        "line_up",
        "motor_off_s",
        "motor_on_s",
        "net_contents_kg",
        "phase_limit_s",
        "phase_word",
        "pumping",
        "push_pull",
        "readback_bad",
        "readings",
        "rest_in_vain",
        "s",
        "settings",
        "taking",
        "under_way",
        "vapor",
    )

    active: bool
    """A job is under way: any state but IDLE, STOPPED, ABORTED, COMPLETE."""
    appliance_start_pa_abs: float
    attended: bool
    """HELD or RESTARTING: a person may have hands on cylinder and hoses."""
    bits: int
    clear_from_pa_abs: float
    """Discharge pressure when the clear-out began to pump."""
    cylinder: Cylinder
    cylinder_off: bool
    dt_s: float
    excess_accepted_kg: float
    """Difference of pump and scale that a person has looked into; the fill limit by the pump stays as it is."""
    fill_limit_kg: float
    filling: bool
    """Refrigerant may be on its way into the cylinder."""
    in_phase_s: float
    line_up: bool
    motor_off_s: float
    motor_on_s: float
    net_contents_kg: float
    phase_limit_s: float
    phase_word: str
    pumping: bool
    push_pull: bool
    """PUSH_PULL: the header sees the cylinder, and the discharge the appliance."""
    readback_bad: int
    readings: Readings
    rest_in_vain: Cause
    """Why the motor rests, once it is plain that resting alone does not help."""
    s: Signals
    settings: Settings
    taking: bool
    """PUSH_PULL, LIQUID or VAPOR: the appliance is being emptied."""
    under_way: bool
    """A job is under way or has been tripped: what tripped it may still stand."""
    vapor: bool


class Interlock(msgspec.Struct, frozen=True):
    """One row of the cause-and-effect table."""

    tag: str
    kind: Kind
    cause: str
    """The cause in words, for the printed table."""
    takes: int
    """Bits of the outputs it takes away."""
    present: Callable[[Situation], bool]
    say: Callable[[Situation], str]
    """The sentence: what is wrong, with the number that matters, and what to do."""
    ask: Ask = Ask.CHECK_RIG
    fitted: Callable[[Settings], bool] = lambda settings: True
    delay_s: Callable[[Settings], float] = lambda settings: 0.0

    @property
    def latched(self) -> bool:
        """Every trip latches; a person at the rig resets it."""
        return self.kind is Kind.TRIP

    @property
    def reset_by(self) -> str:
        """Who may clear it."""
        if self.kind is Kind.TRIP:
            return "person at the rig"
        return "goes with its cause" if self.kind is not Kind.HOLD else "cause gone, then restart by a person"


def _p(x: Situation, p_pa_abs: float) -> str:
    return words.pressure(p_pa_abs, x.settings.units)


def _t(x: Situation, t_degc: float) -> str:
    return words.temperature(t_degc, x.settings.units)


def _m(x: Situation, m_kg: float) -> str:
    return words.mass(m_kg, x.settings.units)


def _unfit(tag: str, reading: Reading, x: Situation) -> str:
    if reading.fault is not None:
        why = reading.fault.value
    elif reading.value - reading.value != 0.0:
        why = "not a number"
    else:
        why = "no fresh value"
    return f"{tag} cannot be trusted ({why}). Check the instrument, its plug and its supply."


def _contact_bad(reading: Reading, x: Situation) -> bool:
    return not (sound(reading, x.s.now_s, x.settings.instruments.reading_max_age_s) and reading.value > 0.5)


def _say_contact(tag: str, reading: Reading, x: Situation, said: str) -> str:
    """What an open contact means; one that says nothing is taken for open, and is told so."""
    if sound(reading, x.s.now_s, x.settings.instruments.reading_max_age_s):
        return said
    return _unfit(tag, reading, x)


def _fit(value: float) -> bool:
    return value == value


# --- discharge and compressor


def _discharge_high(x: Situation) -> bool:
    return not x.s.p_201 < x.settings.limits.discharge_high_pa_abs


def _say_discharge_high(x: Situation) -> str:
    if not _fit(x.s.p_201):
        return _unfit("PT-201", x.readings.pt_201_pa_abs, x)
    return (
        f"Discharge pressure reached {_p(x, x.s.p_201)} (limit {_p(x, x.settings.limits.discharge_high_pa_abs)}). "
        "Check that the cylinder valve is open and the condenser fan runs, then reset."
    )


def _discharge_hot(x: Situation) -> bool:
    return not x.s.t_201 < x.settings.limits.discharge_high_degc


def _say_discharge_hot(x: Situation) -> str:
    if not _fit(x.s.t_201):
        return _unfit("TT-201", x.readings.tt_201_degc, x)
    return (
        f"Discharge temperature reached {_t(x, x.s.t_201)} (limit {_t(x, x.settings.limits.discharge_high_degc)}). "
        "Let the compressor cool and lower the discharge pressure, then reset."
    )


def _suction_unfit(x: Situation) -> bool:
    return not _fit(x.s.p_101)


def _ratio_high(x: Situation) -> bool:
    return x.taking and x.pumping and not x.s.p_201 < x.settings.limits.compression_ratio_high * x.s.p_101


def _say_ratio_high(x: Situation) -> str:
    ratio = x.s.p_201 / x.s.p_101 if x.s.p_101 > 0.0 else nan
    return (
        f"Compression ratio is {ratio:.0f} (limit {x.settings.limits.compression_ratio_high:.0f}) with "
        f"{_p(x, x.s.p_201)} in the cylinder. Cool the cylinder, then restart."
    )


def _dead_head(x: Situation) -> bool:
    s = x.s
    if x.push_pull:
        return x.pumping and not s.p_201 - s.p_001 < PRESSED_PA
    if not (x.pumping and x.filling):
        return False
    pumped = s.pumped_flow_kg_s
    begun_s = min(x.motor_on_s, x.in_phase_s)  # a second inlet that opens moves pressures and flows, too
    if pumped > DEAD_HEAD_MIN_KG_S and begun_s > DEAD_HEAD_START_S and s.flow_kg_s < DEAD_HEAD_SHARE * pumped:
        # The precursor, seconds before the pressure shoots up: weight has stopped and what is pumped piles up in the
        # cooler. Against PT-301 where there is one; else by a weight that had been rising and a pressure that creeps.
        if _fit(s.p_301):
            if s.p_201 - s.p_301 > DEAD_HEAD_PA:
                return True
        elif s.was_flowing and s.p_201_rate > DEAD_HEAD_CREEP_PA_S:
            return True
    if x.bits & XV_203:  # clearing out: the discharge may rise no more than the cylinder does
        above = s.p_201 - s.p_301 if _fit(s.p_301) else s.p_201 - x.clear_from_pa_abs - DEAD_HEAD_PA
        if above > DEAD_HEAD_PA and not s.flow_kg_s > DEAD_HEAD_MIN_KG_S:
            return True
    temperature = s.t_301 if _fit(s.t_301) else x.settings.job.ambient_degc
    ceiling = catalogue.get(x.settings.job.refrigerant).bubble_pressure_pa_abs(temperature + WRONG_WAY_OUT_K)
    return (
        not s.p_201_rate <= x.settings.limits.dead_head_rise_pa_s
        and not s.p_201 < ceiling
        and (s.frozen_share or not s.anchor_gain_kg > 0.02)
        and not (s.was_flowing and s.flow_kg_s >= DEAD_HEAD_SHARE * pumped)
    )


def _say_dead_head(x: Situation) -> str:
    if x.push_pull:
        return (
            f"The discharge is at {_p(x, x.s.p_201)}, far above the appliance at {_p(x, x.s.p_001)}: XV-106, the "
            "hose or the appliance's vapor port is shut. Open or mend it, then reset."
        )
    if x.bits & XV_203:
        return (
            f"While the cooler is cleared out the discharge rises over the cylinder ({_p(x, x.s.p_201)}): XV-204 or "
            "XV-301 does not open, or the cylinder's valve is shut. Open or mend it, then reset."
        )
    return (
        f"The compressor pumps, the weight stands still and the discharge is at {_p(x, x.s.p_201)}: there is no way "
        "into the cylinder. Open its valve and check the discharge hose, then reset."
    )


def _drive_bad(x: Situation) -> bool:
    return _contact_bad(x.readings.m_101_ok, x)


def _switch_open(x: Situation) -> bool:
    return _contact_bad(x.readings.psh_201_ok, x)


def _stop_pressed(x: Situation) -> bool:
    return _contact_bad(x.readings.hs_001_ok, x)


def _gas(x: Situation) -> bool:
    reading = x.readings.at_001_lfl
    if not sound(reading, x.s.now_s, x.settings.instruments.reading_max_age_s):
        return True
    return not reading.value < x.settings.limits.gas_alarm_lfl


def _say_gas(x: Situation) -> str:
    reading = x.readings.at_001_lfl
    if not sound(reading, x.s.now_s, x.settings.instruments.reading_max_age_s):
        return _unfit("AT-001", reading, x)
    return (
        f"Gas detector AT-001 reads {100 * reading.value:.0f} % of the lower flammable limit. Leave everything off, no "
        "sparks, air the place, find the leak; reset at the rig when the air is clear."
    )


def _above_cylinder(x: Situation) -> bool:
    return x.taking and x.pumping and not x.push_pull and x.s.p_201 - x.s.p_301 > RESTRICTED_PA


def _say_above_cylinder(x: Situation) -> str:
    return (
        f"The discharge is {words.pressure_difference(x.s.p_201 - x.s.p_301, x.settings.units)} above the cylinder: "
        "XV-301, the hose or the cylinder's valve is not fully open. It costs time; look when you can."
    )


def _stays_hot(x: Situation) -> bool:
    return x.taking and x.rest_in_vain is Cause.DISCHARGE


def _say_stays_hot(x: Situation) -> str:
    return (
        f"The compressor rests and its discharge stays at {_t(x, x.s.t_201)} (limit "
        f"{_t(x, x.settings.limits.discharge_high_degc)}). Let it cool in moving air, cool the cylinder, then restart."
    )


# --- cylinder


def _gauge(p_pa_abs: float) -> float:
    return p_pa_abs - words.ATMOSPHERE_PA


def _cylinder_word(x: Situation) -> str:
    return "Cylinder pressure" if x.settings.fitted.pt_301 else "Discharge pressure, taken for the cylinder's,"


def _cylinder_high(x: Situation) -> bool:
    ceiling = x.settings.limits.cylinder_high_fraction * x.cylinder.service_pressure_pa_gauge
    return x.under_way and not x.cylinder_off and not _gauge(x.s.p_cylinder) < ceiling


def _say_cylinder_high(x: Situation) -> str:
    if not _fit(x.s.p_cylinder):
        return _unfit("PT-301", x.readings.pt_301_pa_abs, x) if x.settings.fitted.pt_301 else _say_discharge_high(x)
    rated = x.cylinder.service_pressure_pa_gauge + words.ATMOSPHERE_PA
    return (
        f"{_cylinder_word(x)} is {_p(x, x.s.p_cylinder)}; the cylinder is rated for {_p(x, rated)}. "
        "See that its valve is open, cool it, then reset."
    )


def _cylinder_pause(x: Situation) -> bool:
    ceiling = x.settings.limits.cylinder_pause_fraction * x.cylinder.service_pressure_pa_gauge
    return x.taking and (x.rest_in_vain is Cause.CYLINDER or not _gauge(x.s.p_cylinder) < ceiling)


def _say_cylinder_pause(x: Situation) -> str:
    return (
        f"{_cylinder_word(x)} is {_p(x, x.s.p_cylinder)} and comes near the cylinder's rating. See that its valve is "
        "open, cool it (ice water, shade, air), then restart."
    )


def _cylinder_hot(x: Situation) -> bool:
    return x.under_way and not x.cylinder_off and not x.s.t_301 < x.settings.limits.cylinder_high_degc


def _say_cylinder_hot(x: Situation) -> str:
    if not _fit(x.s.t_301):
        return _unfit("TT-301", x.readings.tt_301_degc, x)
    return (
        f"Cylinder is at {_t(x, x.s.t_301)} (limit {_t(x, x.settings.limits.cylinder_high_degc)}). "
        "Cool it in the shade or in water, then reset."
    )


def _cylinder_warm(x: Situation) -> bool:
    return x.active and not x.cylinder_off and x.s.t_301 >= x.settings.limits.cylinder_warm_degc


def _say_cylinder_warm(x: Situation) -> str:
    return f"Cylinder is at {_t(x, x.s.t_301)}: cooling it now makes the job faster and keeps it from stopping."


def _full(x: Situation) -> bool:
    # A scale lags, and what flows goes on until a valve has shut.
    room_kg = x.settings.limits.fill_reserve_kg + FULL_AHEAD_S * max(x.s.flow_kg_s, 0.0)
    if x.bits & XV_104:
        room_kg += SCALE_LAG_S * x.s.pumped_flow_kg_s
    return (x.taking or x.line_up) and x.net_contents_kg >= x.fill_limit_kg - room_kg


def _say_full(x: Situation) -> str:
    if x.bits & XV_104:
        return (
            f"Cylinder {x.cylinder.serial} is as full as liquid that crosses direct may make it: "
            f"{_m(x, x.net_contents_kg)} in it, limit {_m(x, x.fill_limit_kg)}. Close both its valves, change the "
            "cylinder, open both valves of the new one, then restart."
        )
    return (
        f"Cylinder {x.cylinder.serial} is full: {_m(x, x.net_contents_kg)} in it, limit {_m(x, x.fill_limit_kg)}. "
        "Close its valve, change the cylinder, open the new one, then restart."
    )


def _overfull(x: Situation) -> bool:
    return x.under_way and not x.cylinder_off and x.net_contents_kg > x.fill_limit_kg


def _say_overfull(x: Situation) -> str:
    return (
        f"Cylinder {x.cylinder.serial} holds {_m(x, x.net_contents_kg)}, above its limit of {_m(x, x.fill_limit_kg)}. "
        "Do not warm it. Put another one on and name it with the reset; take the excess out of this one."
    )


def _second_full(x: Situation) -> bool:
    return x.taking and x.s.second_high_kg >= x.fill_limit_kg - x.settings.limits.fill_reserve_kg


def _say_second_full(x: Situation) -> str:
    if x.push_pull:
        return (
            f"By what crosses through XV-104 up to {_m(x, x.s.second_high_kg)} may be in cylinder {x.cylinder.serial} "
            f"(limit {_m(x, x.fill_limit_kg)}). Close both its valves, change it, open both of the next, then restart."
        )
    return (
        f"By the compressor's displacement up to {_m(x, x.s.second_high_kg)} may be in cylinder {x.cylinder.serial} "
        f"(limit {_m(x, x.fill_limit_kg)}). Change the cylinder, then restart."
    )


def _level_high(x: Situation) -> bool:
    return (x.taking or x.line_up or x.bits & XV_203 != 0) and _contact_bad(x.readings.lsh_301_ok, x)


def _say_level_high(x: Situation) -> str:
    return _say_contact(
        "LSH-301",
        x.readings.lsh_301_ok,
        x,
        f"Level switch LSH-301 of cylinder {x.cylinder.serial} has opened: liquid is too high, or its plug is off. "
        "Change the cylinder, or mend the plug and name the same one again, then restart.",
    )


# --- scale


def _scale_unfit(x: Situation) -> bool:
    return (x.taking or x.line_up) and not x.s.scale_ok


def _say_scale_unfit(x: Situation) -> str:
    return _unfit("The scale WT-301", x.readings.wt_301_kg, x) + " Then restart."


def _scale_disturbed(x: Situation) -> bool:
    return (x.taking or x.line_up) and x.s.disturbed_s > x.settings.limits.scale_disturbed_s


def _say_scale_disturbed(x: Situation) -> str:
    return (
        "The weight jumped as no flow can make it. Put cylinder and hose back so that nothing touches the "
        "scale, let it come to rest, then restart; the mass so far is kept."
    )


def _scale_frozen(x: Situation) -> bool:
    stuck = x.s.was_flowing and x.s.same_pumped_kg > SAME_FIGURE_KG
    return x.taking and (stuck or (x.s.frozen_share and x.s.anchor_pumped_kg > x.settings.limits.scale_frozen_kg))


def _say_scale_frozen(x: Situation) -> str:
    return (
        f"The compressor moved about {_m(x, max(x.s.anchor_pumped_kg, x.s.same_pumped_kg))} and the scale shows "
        f"{_m(x, x.s.anchor_gain_kg)} of it. "
        "See that the cylinder stands free on the scale and its valve is open, then restart."
    )


def _estimates_disagree(x: Situation) -> bool:
    allowed = x.settings.limits.estimates_disagree_kg + x.s.second_spread_kg
    excess = x.s.second_raw_kg - x.s.net_kg - x.excess_accepted_kg
    # A scale that shows more than was pumped errs on the safe side and gets more room.
    return x.taking and x.s.scale_ok and (excess > allowed or -excess > 1.0 + 2.0 * allowed)


def _say_estimates_disagree(x: Situation) -> str:
    return (
        f"The scale says {_m(x, x.s.net_kg)} went in, the compressor's displacement says {_m(x, x.s.second_raw_kg)}. "
        "Check the scale with a known weight, then restart or change the cylinder."
    )


def _weight_falling(x: Situation) -> bool:
    limits = x.settings.limits
    # While the way is open a cooler colder than the cylinder may draw some back; that much is no leak.
    allowed = limits.scale_falling_kg + (limits.fill_reserve_kg if x.filling else 0.0)
    return (
        x.active
        and not x.attended
        and not x.cylinder_off
        and x.s.scale_ok
        and x.s.disturbed_s == 0.0
        and x.s.net_high_kg - x.s.net_kg > allowed
    )


def _say_weight_falling(x: Situation) -> str:
    return (
        f"The cylinder has lost {_m(x, x.s.net_high_kg - x.s.net_kg)} while it should gain: a leak behind XV-301 "
        "or a lifted hose. Air the place, find the leak, then reset."
    )


# --- way in


def _not_falling(x: Situation) -> bool:
    return x.taking and x.pumping and x.s.no_progress_s > x.settings.limits.suction_not_falling_s


def _say_not_falling(x: Situation) -> str:
    return (
        f"For {words.duration(x.s.no_progress_s)} neither has the pressure fallen ({_p(x, x.s.p_appliance)}) "
        "nor has the weight grown. See that the appliance's valves are open and the hose is not iced or kinked; cool a "
        "warm cylinder; then restart."
    )


def _falls_fast(x: Situation) -> bool:
    limits = x.settings.limits
    if not (x.taking and not x.push_pull and x.pumping and x.s.p_101 < limits.suction_starved_pa_abs):
        return False
    if _fit(x.s.p_001):
        return x.s.p_001 > 3.0 * limits.suction_starved_pa_abs
    return x.motor_on_s < limits.suction_fast_fall_s and x.appliance_start_pa_abs > 3.0 * limits.suction_starved_pa_abs


def _say_falls_fast(x: Situation) -> str:
    return (
        f"Suction fell to {_p(x, x.s.p_101)} at once: the way in is closed or iced. Open the appliance's "
        "service valve, check core and hose, then restart."
    )


def _freezing(x: Situation) -> bool:
    if not x.taking or not _contact_bad(x.readings.fs_001_flow, x):
        return False
    # Liquid boils at the bubble temperature, the colder end of a blend's glide.
    guard = catalogue.get(x.settings.job.refrigerant).bubble_pressure_pa_abs(x.settings.limits.freeze_guard_k)
    return x.rest_in_vain is Cause.FREEZING or not (x.s.p_001 if x.push_pull else x.s.p_low) > guard


def _say_freezing(x: Situation) -> str:
    return (
        f"Water stands in the exchanger and the refrigerant would go below freezing ({_p(x, x.s.p_low)}). "
        "Get the water moving or drain it, then restart."
    )


def _no_flow(x: Situation) -> bool:
    return x.line_up and _contact_bad(x.readings.fs_001_flow, x)


def _say_no_flow(x: Situation) -> str:
    said = "FS-001 shows no water flow. Start the water pump and open its valves, then restart."
    return _say_contact("FS-001", x.readings.fs_001_flow, x, said)


def _appliance_high(x: Situation) -> bool:
    return x.push_pull and not x.s.p_001 < appliance_ceiling_pa_abs(x.settings)


def _say_appliance_high(x: Situation) -> str:
    if not _fit(x.s.p_001):
        return _unfit("PT-001", x.readings.pt_001_pa_abs, x)
    return (
        f"Push-pull has pressed the appliance up to {_p(x, x.s.p_001)} (allowed "
        f"{_p(x, appliance_ceiling_pa_abs(x.settings))}). See that liquid leaves it and nothing heats it, then restart."
    )


def _appliance_unfit(x: Situation) -> bool:
    return x.active and not _fit(x.s.p_001)


# --- outputs, scan, time


def _readback(x: Situation) -> bool:
    return x.readback_bad != 0


def _say_readback(x: Situation) -> str:
    which = ", ".join(tags(x.readback_bad)) if x.readback_bad > 0 else "The output module"
    verb = "do" if "," in which else "does"
    return f"{which} {verb} not follow the command. Check relay, valve and wiring, then reset."


def _overrun(x: Situation) -> bool:
    return x.active and not 0.0 <= x.dt_s <= x.settings.limits.scan_overrun_s


def _say_overrun(x: Situation) -> str:
    return (
        f"A scan came {x.dt_s:.1f} s after the one before (limit {x.settings.limits.scan_overrun_s:.1f} s): the "
        "computer is overloaded or stopped for a while. Reset when it runs freely."
    )


def _too_long(x: Situation) -> bool:
    return not x.in_phase_s <= x.phase_limit_s


def _say_too_long(x: Situation) -> str:
    return (
        f"{x.phase_word} has taken {words.duration(x.in_phase_s)} (limit {words.duration(x.phase_limit_s)}) at "
        f"{_p(x, x.s.p_appliance)}. Look for what holds it up, then restart or stop."
    )


def _air(x: Situation) -> bool:
    s = x.s
    if x.cylinder_off or x.motor_off_s < AIR_REST_S or not (_fit(s.p_301) and _fit(s.t_301)):
        return False
    # A cylinder just put into ice or sun: TT-301 on its wall runs ahead of what is in it, and feigns air or hides it.
    if not s.p_cylinder_rests:
        return False
    refrigerant = catalogue.get(x.settings.job.refrigerant)
    if not x.net_contents_kg > 0.05 * x.fill_limit_kg:
        return False  # no liquid to speak of: saturation does not hold
    return s.p_301 - refrigerant.bubble_pressure_pa_abs(s.t_301) > x.settings.limits.air_allowance_pa


def _air_at_line_up(x: Situation) -> bool:
    return x.line_up and _air(x)


def _say_air(x: Situation) -> str:
    saturation = catalogue.get(x.settings.job.refrigerant).bubble_pressure_pa_abs(x.s.t_301)
    return (
        f"Cylinder is {words.pressure_difference(x.s.p_301 - saturation, x.settings.units)} above saturation at "
        f"{_t(x, x.s.t_301)}: air in it, another refrigerant, or not yet at rest. Use another cylinder or "
        "let it settle."
    )


def _is_unfit(value: Callable[[Signals], float]) -> Callable[[Situation], bool]:
    return lambda x: x.active and not _fit(value(x.s))


def _weighs(settings: Settings) -> bool:
    return settings.job.scale_usable


TABLE: tuple[Interlock, ...] = (
    Interlock("HS-001.pressed", Kind.TRIP, "emergency stop pressed or its loop open", ALL, _stop_pressed,
              lambda x: _say_contact(
                  "HS-001", x.readings.hs_001_ok, x,
                  "Emergency stop is pressed. Make safe what made you press it, release it, then reset.",
              ),
              fitted=lambda c: c.fitted.hs_001),
    Interlock("AT-001.gas", Kind.TRIP, "gas detector in alarm or unfit", ALL, _gas, _say_gas, Ask.FIND_LEAK,
              fitted=lambda c: c.fitted.at_001),
    Interlock("PSH-201.open", Kind.TRIP, "hardware pressure switch has opened", STOP_PUMPING, _switch_open,
              lambda x: _say_contact(
                  "PSH-201", x.readings.psh_201_ok, x,
                  "The hardware pressure switch PSH-201 has stopped the compressor. Find why the pressure rose "
                  "(closed cylinder valve?), reset the switch, then reset the rig.",
              ),
              Ask.CHECK_CYLINDER, fitted=lambda c: c.fitted.psh_201),
    Interlock("PT-201.high", Kind.TRIP, "discharge pressure above its limit or unfit", STOP_PUMPING,
              _discharge_high, _say_discharge_high, Ask.CHECK_CYLINDER),
    Interlock("M-101.dead_head", Kind.TRIP, "discharge pressure rises fast and no weight is gained", STOP_PUMPING,
              _dead_head, _say_dead_head, Ask.CHECK_RIG, delay_s=lambda c: c.limits.dead_head_s),
    Interlock("TT-201.high", Kind.TRIP, "discharge temperature above its limit or unfit", STOP_PUMPING,
              _discharge_hot, _say_discharge_hot, Ask.CHECK_RIG, fitted=lambda c: c.fitted.tt_201),
    Interlock("PT-301.high", Kind.TRIP, "cylinder pressure at its rating, or unknown", STOP_PUMPING,
              _cylinder_high, _say_cylinder_high, Ask.COOL_CYLINDER),
    Interlock("TT-301.high", Kind.TRIP, "cylinder too hot, or its temperature unknown", STOP_PUMPING,
              _cylinder_hot, _say_cylinder_hot, Ask.COOL_CYLINDER, fitted=lambda c: c.fitted.tt_301),
    Interlock("WT-301.overfull", Kind.TRIP, "cylinder above its fill limit", STOP_PUMPING, _overfull, _say_overfull,
              Ask.CHECK_CYLINDER),
    Interlock("WT-301.falling", Kind.TRIP, "weight falls while recovering (leak)", ALL, _weight_falling,
              _say_weight_falling, Ask.FIND_LEAK, fitted=_weighs, delay_s=lambda c: 1.0),
    Interlock("PT-101.unfit", Kind.TRIP, "suction pressure unfit", STOP_PUMPING, _suction_unfit,
              lambda x: _unfit("PT-101", x.readings.pt_101_pa_abs, x), Ask.CHECK_INSTRUMENT),
    Interlock("M-101.fault", Kind.TRIP, "compressor drive or contactor reports a fault", STOP_PUMPING, _drive_bad,
              lambda x: _say_contact(
                  "YS-101", x.readings.m_101_ok, x,
                  "The compressor's drive or contactor reports a fault. Check overload and supply, then reset.",
              ),
              fitted=lambda c: c.fitted.m_101_ok),
    Interlock("OUTPUTS.readback", Kind.TRIP, "an output does not follow its command", STOP_PUMPING, _readback,
              _say_readback, fitted=lambda c: c.fitted.readback, delay_s=lambda c: c.limits.readback_s),
    Interlock("SCAN.overrun", Kind.TRIP, "a scan came too late", STOP_PUMPING, _overrun, _say_overrun),
    Interlock("FS-001.freezing", Kind.HOLD, "water without proved flow and saturation near freezing", M_101 | WAYS_IN,
              _freezing, _say_freezing, Ask.START_WATER, fitted=lambda c: c.job.water_side,
              delay_s=lambda c: FREEZE_DELAY_S),
    Interlock("LSH-301.high", Kind.HOLD, "level switch has opened, or its wire", WAYS_IN, _level_high, _say_level_high,
              Ask.CHANGE_CYLINDER, fitted=lambda c: c.fitted.lsh_301),
    Interlock("WT-301.full", Kind.HOLD, "cylinder at its fill limit less the reserve", WAYS_IN, _full, _say_full,
              Ask.CHANGE_CYLINDER),
    Interlock("M-101.filled", Kind.HOLD, "second fill estimate at the limit less the reserve", WAYS_IN, _second_full,
              _say_second_full, Ask.CHANGE_CYLINDER),
    Interlock("PT-201.ratio", Kind.HOLD, "compression ratio high", M_101 | WAYS_IN, _ratio_high, _say_ratio_high,
              Ask.COOL_CYLINDER, delay_s=lambda c: RATIO_DELAY_S),
    Interlock("TT-201.stays", Kind.HOLD, "discharge stays hot though the compressor rests", M_101 | WAYS_IN, _stays_hot,
              _say_stays_hot, Ask.CHECK_RIG, fitted=lambda c: c.fitted.tt_201),
    Interlock("PT-301.near", Kind.HOLD, "cylinder pressure near its rating", M_101 | WAYS_IN, _cylinder_pause,
              _say_cylinder_pause, Ask.COOL_CYLINDER),
    Interlock("WT-301.unfit", Kind.HOLD, "scale unfit", WAYS_IN, _scale_unfit, _say_scale_unfit, Ask.CHECK_SCALE,
              fitted=_weighs),
    Interlock("WT-301.disturbed", Kind.HOLD, "scale disturbed for too long", WAYS_IN, _scale_disturbed,
              _say_scale_disturbed, Ask.CHECK_SCALE, fitted=_weighs),
    Interlock("WT-301.frozen", Kind.HOLD, "scale shows nothing of what was pumped", M_101 | WAYS_IN, _scale_frozen,
              _say_scale_frozen, Ask.CHECK_SCALE, fitted=_weighs),
    Interlock("WT-301.disagree", Kind.HOLD, "scale and second fill estimate disagree", WAYS_IN, _estimates_disagree,
              _say_estimates_disagree, Ask.CHECK_SCALE, fitted=_weighs, delay_s=lambda c: 5.0),
    Interlock("PT-101.falls_fast", Kind.HOLD, "suction falls too fast (iced or closed inlet)", M_101 | WAYS_IN,
              _falls_fast, _say_falls_fast, Ask.CHECK_APPLIANCE, delay_s=lambda c: 3.0),
    Interlock("PT-101.not_falling", Kind.HOLD, "suction does not fall though pumping (blocked or closed)",
              M_101 | WAYS_IN, _not_falling, _say_not_falling, Ask.CHECK_APPLIANCE),
    Interlock("PT-001.high", Kind.HOLD, "appliance pressed near its design pressure by push-pull",
              M_101 | WAYS_IN | XV_106, _appliance_high, _say_appliance_high, Ask.CHECK_APPLIANCE,
              fitted=lambda c: c.fitted.push_pull),
    Interlock("PT-001.unfit", Kind.HOLD, "appliance pressure unfit", WAYS_IN, _appliance_unfit,
              lambda x: _unfit("PT-001", x.readings.pt_001_pa_abs, x), Ask.CHECK_INSTRUMENT,
              fitted=lambda c: c.fitted.pt_001),
    Interlock("PHASE.time", Kind.HOLD, "a phase takes longer than its limit", WAYS_IN, _too_long, _say_too_long,
              Ask.CONFIRM),
    Interlock("FS-001.no_flow", Kind.START_INHIBIT, "water flow not proved at line-up", 0, _no_flow, _say_no_flow,
              Ask.START_WATER, fitted=lambda c: c.job.water_side),
    Interlock("PT-301.air", Kind.START_INHIBIT, "non-condensables in the cylinder at line-up", 0, _air_at_line_up,
              _say_air, Ask.CHECK_CYLINDER, fitted=lambda c: c.fitted.pt_301 and c.fitted.tt_301),
    Interlock("PT-301.air_advice", Kind.ADVICE, "non-condensables in the resting cylinder", 0, _air, _say_air,
              Ask.CONFIRM, fitted=lambda c: c.fitted.pt_301 and c.fitted.tt_301, delay_s=lambda c: 30.0),
    Interlock("PT-201.above", Kind.ADVICE, "discharge far above the cylinder", 0, _above_cylinder, _say_above_cylinder,
              Ask.CHECK_CYLINDER, fitted=lambda c: c.fitted.pt_301, delay_s=lambda c: RESTRICTED_DELAY_S),
    Interlock("TT-301.warm", Kind.ADVICE, "cylinder warm", 0, _cylinder_warm, _say_cylinder_warm, Ask.COOL_CYLINDER,
              fitted=lambda c: c.fitted.tt_301),
    Interlock("PT-102.unfit", Kind.ADVICE, "pressure after the throttle unfit", 0, _is_unfit(lambda s: s.p_102),
              lambda x: _unfit("PT-102", x.readings.pt_102_pa_abs, x), Ask.CHECK_INSTRUMENT,
              fitted=lambda c: c.fitted.pt_102),
    Interlock("TT-101.unfit", Kind.ADVICE, "suction temperature unfit", 0, _is_unfit(lambda s: s.t_101),
              lambda x: _unfit("TT-101", x.readings.tt_101_degc, x), Ask.CHECK_INSTRUMENT,
              fitted=lambda c: c.fitted.tt_101),
)  # fmt: skip
"""The whole table, most urgent first: of several causes the first row's sentence is shown."""

INDEX = {row.tag: position for position, row in enumerate(TABLE)}


def _mask(*kinds: Kind) -> int:
    return sum(1 << i for i, row in enumerate(TABLE) if row.kind in kinds)


TRIPS = _mask(Kind.TRIP)
HOLDS = _mask(Kind.HOLD)
INHIBITS = _mask(Kind.START_INHIBIT)


class Memory(msgspec.Struct, frozen=True, array_like=True):
    """What the interlocks carry from scan to scan; bit `i` stands for row `i` of the table."""

    raw: int = 0
    since_s: tuple[float, ...] = ()
    active: int = 0
    latched: int = 0
    acknowledged: int = 0
    returned: int = 0
    alarms: tuple[Alarm, ...] = ()


class Permits:
    """The verdict of a scan. Lives for one scan."""

    __slots__ = ("active", "forbidden", "hold", "inhibit", "latched", "news", "trip")

    active: int
    latched: int
    forbidden: int
    """Outputs that may not be energised."""
    trip: int
    """First tripped row (active or latched), -1 for none."""
    hold: int
    inhibit: int
    news: tuple[Alarm, ...]
    """Alarms whose state changed in this scan."""


def first(mask: int) -> int:
    """Return the lowest set bit's position, -1 for none."""
    return (mask & -mask).bit_length() - 1


def rows_fitted(settings: Settings) -> int:
    """Bits of the rows that apply to these settings."""
    return sum(1 << i for i, row in enumerate(TABLE) if row.fitted(settings))


class _Compiled:
    """The rows that apply to one Settings object, with their delays worked out. A memo: no state of a job."""

    __slots__ = ("delays", "rows", "settings")

    def __init__(self, settings: Settings) -> None:
        self.settings = settings
        self.rows = [(1 << i, row.present) for i, row in enumerate(TABLE) if row.fitted(settings)]
        self.delays = [row.delay_s(settings) for row in TABLE]


_memo: list[_Compiled] = []


def _compiled(settings: Settings) -> _Compiled:
    if not _memo or _memo[0].settings is not settings:
        _memo[:] = [_Compiled(settings)]
    return _memo[0]


def evaluate(memory: Memory, x: Situation, *, acknowledge: bool, reset: bool) -> tuple[Memory, Permits]:
    """Judge every row.

    A trip latches while a job is under way; `reset` clears those latches whose cause is gone. Outside a job an
    active trip inhibits the start and leaves no latch.
    """
    compiled = _compiled(x.settings)
    raw = 0
    for bit, present in compiled.rows:
        if present(x):
            raw |= bit
    now = x.s.now_s
    since = memory.since_s
    if raw != memory.raw or not since:
        old = memory.raw if since else 0
        since = tuple((since[i] if old >> i & 1 else now) if raw >> i & 1 else nan for i in range(len(TABLE)))
    active, left = 0, raw
    while left:
        i = first(left)
        left &= left - 1
        if memory.active >> i & 1 or now - since[i] >= compiled.delays[i]:
            active |= 1 << i
    latched = memory.latched
    if reset:
        latched &= active
    if x.active:
        latched |= active & TRIPS
    acknowledged, returned = memory.acknowledged, memory.returned
    new = active & ~memory.active
    acknowledged &= ~new
    returned &= ~active
    if acknowledge:
        # Only what was on show can have been seen.
        acknowledged |= (memory.active | memory.latched) & ~new
        returned = 0
    returned |= memory.active & ~active & ~latched & ~acknowledged
    acknowledged &= active | latched

    permits = Permits()
    alarms = memory.alarms
    permits.news = ()
    if (active, latched, acknowledged, returned) != (
        memory.active,
        memory.latched,
        memory.acknowledged,
        memory.returned,
    ):
        before = {alarm.tag: alarm for alarm in alarms}
        listed = []
        shown = active | latched | returned
        while shown:
            i = first(shown)
            shown &= shown - 1
            row, bit = TABLE[i], 1 << i
            known = before.get(row.tag)
            fresh = known is None or new & bit
            text = row.say(x) if fresh or known is None else known.text
            since_s = now if fresh or known is None else known.since_s
            if active & bit:
                state = AlarmState.ACKNOWLEDGED if acknowledged & bit else AlarmState.UNACKNOWLEDGED
            else:
                state = AlarmState.LATCHED if latched & bit else AlarmState.RETURNED
            listed.append(Alarm(row.tag, row.kind, state, since_s, text))
        alarms = tuple(listed)
        news = [alarm for alarm in alarms if before.get(alarm.tag) != alarm]
        now_tags = {alarm.tag for alarm in alarms}
        news += [
            msgspec.structs.replace(alarm, state=AlarmState.NORMAL)
            for tag, alarm in before.items()
            if tag not in now_tags
        ]
        permits.news = tuple(news)

    permits.active, permits.latched = active, latched
    forbidden, left = 0, (active & (TRIPS | HOLDS)) | latched
    while left:
        i = first(left)
        left &= left - 1
        forbidden |= TABLE[i].takes
    permits.forbidden = forbidden
    permits.trip = first((active & TRIPS) | latched)
    permits.hold = first(active & HOLDS)
    permits.inhibit = first(active & INHIBITS)
    return Memory(raw, since, active, latched, acknowledged, returned, alarms), permits


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
