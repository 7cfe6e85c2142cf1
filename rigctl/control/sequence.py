"""The procedure as one flat table: states, phases, and what leads from one to the next."""

from __future__ import annotations

import enum


class Phase(enum.Enum):
    """Outer states as in ISA-88 / IEC 61512; the phases of RUNNING in the words of the trade."""

    IDLE = "idle"
    LINE_UP = "line_up"
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


RUNNING = frozenset(
    {Phase.LINE_UP, Phase.LIQUID, Phase.VAPOR, Phase.STANDING, Phase.CLEAR_OUT, Phase.ISOLATE}
)


class Ask(enum.Enum):
    """What a HELD or ABORTED rig asks of the person; the sentence says it in words with the numbers."""

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
    WARM_APPLIANCE = "warm the appliance"
    CONFIRM = "look, then confirm"
