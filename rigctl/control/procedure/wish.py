"""What the outputs that a phase wants depend on, and the ways that several phases share."""

from __future__ import annotations

from rigctl.control.points import M_001, M_101, XV_201, XV_202, XV_204, XV_301
from rigctl.control.settings import Settings
from rigctl.control.vocabulary import Phase, Step

THROUGH_COOLER = XV_201 | XV_202 | XV_301
"""The ordinary way from the compressor to the cylinder."""
ROUND_COOLER = XV_204 | XV_301
"""The way while the cooler section itself is being emptied."""


class Wish:
    """What the wish of a phase depends on. Lives for one scan."""

    __slots__ = (
        "aids",
        "bits",
        "in_step_s",
        "in_switch_s",
        "moved",
        "path_open_s",
        "path_shut",
        "phase",
        "ready_s",
        "resting",
        "settings",
        "step",
        "uncleared",
    )

    phase: Phase
    step: Step
    in_step_s: float
    aids: int
    """Fans, bath and heater that pay now and may be on."""
    resting: bool
    """The motor rests until something has cooled or warmed."""
    moved: bool
    """The way into the cylinder has been open, so lines may hold liquid."""
    path_shut: bool
    """XV-301 has to stay shut: cylinder off, power lost."""
    path_open_s: float
    """How long the way out that this phase uses has been commanded open: to the cylinder, or in push-pull XV-106."""
    ready_s: float
    """How long the motor has been off; infinite while it runs."""
    in_switch_s: float
    """How long ago the header was down and the clear-out went over to the bypass; NaN before."""
    uncleared: bool
    """The cooler could not be cleared out: the lines keep their way into the cylinder."""
    bits: int
    """What is energised now."""
    settings: Settings


def ready_motor(wish: Wish) -> int:
    """The motor, once its way out has been open for a stroke and it has been off long enough."""
    procedure = wish.settings.procedure
    ready = wish.path_open_s >= procedure.valve_stroke_s and wish.ready_s >= procedure.compressor_min_off_s
    return M_101 if ready else 0


def drawing(wish: Wish, inlet: int) -> int:
    """Inlet, way out and motor; a motor that rests leaves the appliance to its own instrument, or open to the
    header's.
    """
    if wish.resting:
        return THROUGH_COOLER | (0 if wish.settings.fitted.pt_001 else inlet)
    return inlet | THROUGH_COOLER | ready_motor(wish)


def onto_appliance(phase: Phase, step: Step) -> bool:
    """Whether the compressor's way out is XV-106: push-pull, until it goes over to the ordinary way."""
    return phase is Phase.PUSH_PULL and step is not Step.GOING_OVER


def water_moves(wish: Wish) -> int:
    """The water of an exchanger is kept moving in every state but the safe one."""
    return M_001 if wish.settings.job.water_side else 0


def way_kept_open(wish: Wish) -> int:
    """The way into the cylinder, where lines may hold liquid."""
    return THROUGH_COOLER if wish.moved and not wish.path_shut else 0
