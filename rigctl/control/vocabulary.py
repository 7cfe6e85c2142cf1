"""The words of the core: states and phases, what is asked of a person, what an alarm is, what a rise means."""

from __future__ import annotations

import enum


class Cause(enum.Enum):
    """Why the motor rests."""

    NONE = ""
    CYLINDER = "cylinder pressure"
    DISCHARGE = "discharge temperature"
    FREEZING = "water near freezing"


class Phase(enum.Enum):
    """Outer states as in ISA-88 / IEC 61512; the phases of RUNNING in the words of the trade."""

    IDLE = "idle"
    LINE_UP = "line_up"
    PUSH_PULL = "push_pull"
    LIQUID = "liquid"
    VAPOR = "vapor"
    STANDING = "standing"
    CLEAR_OUT = "clear_out"
    ISOLATE = "isolate"
    HOLDING = "holding"
    HELD = "held"
    RESTARTING = "restarting"
    STOPPING = "stopping"
    STOPPED = "stopped"
    ABORTING = "aborting"
    ABORTED = "aborted"
    COMPLETE = "complete"

    # Phases are looked up several times a scan; an Enum's own hash is a call of Python, and members are single.
    __hash__ = object.__hash__


class Step(enum.Enum):
    """Where a phase stands inside itself; a phase without steps is in `WHOLE`."""

    WHOLE = ""
    STATIC = "static checks"
    """LINE_UP before anything moves."""
    CONNECTED = "connected"
    """LINE_UP with an inlet open: the appliance shows its pressure."""
    PRESSING = "pressing"
    CROSSING = "crossing"
    GOING_OVER = "going over to the ordinary way"
    """PUSH_PULL: the appliance is pressed above the cylinder, liquid crosses, the ordinary way opens."""
    EMPTYING = "emptying the lines"
    SHUTTING = "shutting"
    STANDING_BY = "standing by"
    """HOLDING and STOPPING: lines to the cylinder are emptied, all is shut, or nothing moves."""

    __hash__ = object.__hash__


FIRST_STEP = {Phase.LINE_UP: Step.STATIC, Phase.PUSH_PULL: Step.PRESSING}
"""Of the phases with steps; HOLDING and STOPPING choose theirs when they begin."""
RUNNING = (
    Phase.LINE_UP, Phase.PUSH_PULL, Phase.LIQUID, Phase.VAPOR, Phase.STANDING, Phase.CLEAR_OUT, Phase.ISOLATE,
)  # fmt: skip

ACTIVE = (*RUNNING, Phase.HOLDING, Phase.HELD, Phase.RESTARTING, Phase.STOPPING)
"""States in which a job is under way and a trip aborts it."""


def outer_state(phase: Phase) -> str:
    """Return the ISA-88 state word of a phase."""
    return "RUNNING" if phase in RUNNING else phase.name


def phase_word(phase: Phase) -> str:
    """Return a phase as it is written in sentences."""
    return phase.value.replace("_", "-")


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


class Shape(enum.Enum):
    """What a rise of the shut-in appliance means."""

    UNKNOWN = "not clear"
    HOLDS = "comes to rest"
    SLOW = "rises on slowly, likely to stay below the level"
    OIL = "refrigerant comes out of oil"
    LIQUID = "liquid is left"
    WARMING = "a cold appliance warms up"
    LEAK = "it leaks"
