"""The last gate before the hardware."""

from __future__ import annotations

from rigctl.control.points import (
    EH_001,
    M_001,
    M_101,
    M_201,
    M_202,
    PUSH_PULL,
    XV_101,
    XV_102,
    XV_106,
    XV_201,
    XV_202,
    XV_203,
    XV_204,
    XV_301,
)
from rigctl.control.prepared import Prepared
from rigctl.control.settings import Settings


def fitted_outputs(settings: Settings) -> int:
    """Bits of the outputs this rig has."""
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


def gate(bits: int, forbidden: int, prepared: Prepared) -> int:
    """The last line before the hardware: obeys the interlocks whatever the sequence wants.

    Takes away what is forbidden or not fitted, and the compressor whenever no way out of it is open: to the cylinder,
    or in push-pull to the appliance.
    """
    bits &= prepared.outputs_fitted & ~forbidden
    if bits & M_101:
        cooler = XV_201 | XV_202
        through = not prepared.settings.fitted.cooler_valves or bits & cooler == cooler or bits & XV_204
        if not ((bits & XV_301 and through) or bits & XV_106):
            bits &= ~M_101
    return bits
