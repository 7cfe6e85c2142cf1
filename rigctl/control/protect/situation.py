"""What the checks may look at in one scan."""

from __future__ import annotations

from rigctl.control.figures.protect import Protect
from rigctl.control.prepared import Prepared
from rigctl.control.readings import Readings
from rigctl.control.sense.signals import Signals
from rigctl.control.settings import Cylinder, Settings
from rigctl.control.vocabulary import Cause, Phase


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
        "figures",
        "fill_limit_kg",
        "filling",
        "in_phase_s",
        "line_up",
        "motor_off_s",
        "motor_on_s",
        "net_contents_kg",
        "phase",
        "phase_limit_s",
        "prepared",
        "pumping",
        "push_pull",
        "readback_bad",
        "readings",
        "rest_in_vain",
        "s",
        "settings",
        "taking",
        "under_way",
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
    figures: Protect
    fill_limit_kg: float
    filling: bool
    """Refrigerant may be on its way into the cylinder."""
    in_phase_s: float
    line_up: bool
    motor_off_s: float
    motor_on_s: float
    net_contents_kg: float
    phase: Phase
    phase_limit_s: float
    prepared: Prepared
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
    """PUSH_PULL, LIQUID or VAPOR: the appliance is being emptied, or is to be once RESTARTING is done."""
    under_way: bool
    """A job is under way or has been tripped: what tripped it may still stand."""
