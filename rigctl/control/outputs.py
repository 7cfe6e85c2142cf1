"""What each phase wants of the outputs, and the last gate before the hardware."""

from __future__ import annotations

from rigctl.control.points import (
    EH_001,
    INLETS,
    M_001,
    M_101,
    M_201,
    M_202,
    PUSH_PULL,
    XV_101,
    XV_102,
    XV_104,
    XV_105,
    XV_106,
    XV_201,
    XV_202,
    XV_203,
    XV_204,
    XV_301,
)
from rigctl.control.sequence import Phase
from rigctl.control.settings import Settings

THROUGH_COOLER = XV_201 | XV_202 | XV_301
"""The ordinary way from the compressor to the cylinder."""
ROUND_COOLER = XV_204 | XV_301
"""The way while the cooler section itself is being emptied."""


_memo: list[tuple[Settings, int]] = []


def fitted_outputs(settings: Settings) -> int:
    """Bits of the outputs this rig has; worked out once for a Settings object."""
    if not _memo or _memo[0][0] is not settings:
        _memo[:] = [(settings, _fitted_outputs(settings))]
    return _memo[0][1]


def _fitted_outputs(settings: Settings) -> int:
    fitted = settings.fitted
    bits = XV_301 | M_101
    if fitted.cooler_valves:
        bits |= XV_201 | XV_202 | XV_203 | XV_204
    for has, bit in (
        (fitted.xv_101, XV_101),
        (fitted.xv_102, XV_102),
        (fitted.m_201, M_201),
        (fitted.m_202, M_202),
        (fitted.m_001, M_001),
        (fitted.eh_001, EH_001),
        (fitted.push_pull, PUSH_PULL),
    ):
        if has:
            bits |= bit
    return bits


class Wish:
    """What the wish of a phase depends on. Lives for one scan."""

    __slots__ = (
        "aids",
        "bits",
        "in_stage_s",
        "in_switch_s",
        "moved",
        "path_open_s",
        "path_shut",
        "phase",
        "ready_s",
        "resting",
        "settings",
        "stage",
        "uncleared",
    )

    phase: Phase
    stage: int
    """Steps inside a phase: LINE_UP 0 static, 1 inlet open; PUSH_PULL 0 pressing, 1 crossing, 2 going over to the
    ordinary way; HOLDING and STOPPING 0 clear-out, 1 shut, 2 stand by."""
    in_stage_s: float
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


def _motor(wish: Wish) -> int:
    procedure = wish.settings.procedure
    ready = wish.path_open_s >= procedure.valve_stroke_s and wish.ready_s >= procedure.compressor_min_off_s
    return M_101 if ready else 0


def _draw(wish: Wish, inlet: int) -> int:
    """Inlet, way out and motor; a motor that rests leaves the appliance to its own instrument, or open to the
    header's.
    """
    if wish.resting:
        return THROUGH_COOLER | (0 if wish.settings.fitted.pt_001 else inlet)
    return inlet | THROUGH_COOLER | _motor(wish)


def _clear_out(wish: Wish) -> int:
    # First the header is pumped down the ordinary way. Then make before break: the bypass opens before the cooler is
    # cut off, and the cooler is let into the header last. So should the bypass not have opened, the dead end meets a
    # little vapor, not liquid; and the cooler is shut in for no longer than a valve's stroke.
    motor, stroke = _motor(wish), wish.settings.procedure.valve_stroke_s
    if not wish.in_switch_s >= 0.0:
        return THROUGH_COOLER | M_201 | motor
    if wish.in_switch_s < stroke:
        return THROUGH_COOLER | XV_204 | M_201 | motor
    cooler = XV_203 if wish.in_switch_s >= 2.0 * stroke else 0
    return cooler | ROUND_COOLER | M_201 | motor


def _push_pull(wish: Wish) -> int:
    # The cooler keeps its way to the cylinder, as in a standing check; XV-201 cuts it off from the discharge, which
    # would else run round in a circle. XV-104 opens once the appliance stands above the cylinder, and shuts first.
    # Then the ordinary way opens before XV-106 shuts, so that the motor need not stop.
    across = XV_105 | XV_106 | M_001
    if wish.stage == 0:
        return across | XV_202 | XV_301 | _motor(wish)
    if wish.stage == 1:
        return across | XV_104 | XV_202 | XV_301 | _motor(wish)
    return across | THROUGH_COOLER | M_201 | M_101 & wish.bits


def _shut(wish: Wish) -> int:
    """Motor first, then the bypass, then the cylinder; the cooler stays cut off and nearly empty.

    Shutting only ever closes: what is not open now stays shut.
    """
    stroke = wish.settings.procedure.valve_stroke_s
    if wish.in_stage_s < stroke:
        return ROUND_COOLER & wish.bits
    return XV_301 & wish.bits if wish.in_stage_s < 2.0 * stroke else 0


def wanted(wish: Wish) -> int:
    """Return the outputs a phase wants, before the gate."""
    phase, settings = wish.phase, wish.settings
    water = M_001 if settings.job.water_side else 0  # water is kept moving in every state but the safe one
    open_way = THROUGH_COOLER if wish.moved and not wish.path_shut else 0
    if phase is Phase.LINE_UP:
        inlet = 0
        if wish.stage == 1:
            inlet = XV_101 if settings.fitted.xv_101 else XV_102
            if not settings.job.liquid_first and settings.fitted.xv_102:
                inlet = XV_102
        return inlet | open_way | M_001
    if phase is Phase.PUSH_PULL:
        return _push_pull(wish)
    if phase is Phase.LIQUID:
        inlet = XV_101 if settings.fitted.xv_101 else XV_102
        if settings.job.vapor_inlet_with_liquid:
            inlet = INLETS
        return _draw(wish, inlet) | wish.aids & (M_201 | M_202 | M_001)
    if phase is Phase.VAPOR:
        return _draw(wish, INLETS) | wish.aids
    if phase is Phase.STANDING:
        # Without its own instrument the appliance is watched through an open inlet; the compressor's valves and
        # XV-201 keep the discharge side away from it.
        inlet = 0 if settings.fitted.pt_001 else INLETS
        return inlet | XV_202 | XV_301 | wish.aids & (EH_001 | M_001)
    if phase is Phase.CLEAR_OUT:
        return _clear_out(wish) | water
    if phase is Phase.ISOLATE:
        if wish.uncleared:
            return open_way | water
        return _shut(wish) | water
    if phase in (Phase.HOLDING, Phase.STOPPING):
        if wish.stage == 0:
            return _clear_out(wish) | water
        if wish.stage == 1:
            return _shut(wish) | water
        return open_way | water
    if phase in (Phase.HELD, Phase.RESTARTING):
        return open_way | water
    if phase in (Phase.ABORTING, Phase.ABORTED, Phase.IDLE):
        return open_way | (water if wish.moved else 0)
    return open_way  # STOPPED and COMPLETE: shut, unless lines that hold liquid had to stay open


def gate(bits: int, forbidden: int, settings: Settings) -> int:
    """The last line before the hardware: obeys the interlocks whatever the sequence wants.

    Takes away what is forbidden or not fitted, and the compressor whenever no way out of it is open: to the cylinder,
    or in push-pull to the appliance.
    """
    bits &= fitted_outputs(settings) & ~forbidden
    if bits & M_101:
        cooler = XV_201 | XV_202
        through = not settings.fitted.cooler_valves or bits & cooler == cooler or bits & XV_204
        if not ((bits & XV_301 and through) or bits & XV_106):
            bits &= ~M_101
    return bits
