"""The points the rig can drive: a bit and a tag for every output, and the command to all of them."""

from __future__ import annotations

import msgspec

XV_101 = 1 << 0
XV_102 = 1 << 1
XV_201 = 1 << 2
XV_202 = 1 << 3
XV_203 = 1 << 4
XV_204 = 1 << 5
XV_301 = 1 << 6
M_101 = 1 << 7
M_201 = 1 << 8
M_202 = 1 << 9
M_001 = 1 << 10
EH_001 = 1 << 11
XV_104 = 1 << 12
XV_105 = 1 << 13
XV_106 = 1 << 14
OUTPUT_TAGS = (
    "XV-101", "XV-102", "XV-201", "XV-202", "XV-203", "XV-204", "XV-301", "M-101", "M-201", "M-202", "M-001", "EH-001",
    "XV-104", "XV-105", "XV-106",
)  # fmt: skip
"""The tag of each bit, lowest first."""
ALL = (1 << len(OUTPUT_TAGS)) - 1
INLETS = XV_101 | XV_102
WAYS_IN = INLETS | XV_104
"""What lets refrigerant out of the appliance."""
PUSH_PULL = XV_104 | XV_105 | XV_106
"""Appliance liquid straight to the cylinder, cylinder vapor to the header, discharge to the appliance's vapor port."""
WAYS_OUT = XV_201 | XV_202 | XV_204 | XV_301


class Outputs(msgspec.Struct, frozen=True, array_like=True, gc=False):
    """The command to every output; all zero is the de-energised, safe state."""

    bits: int = 0
    """One bit an output, in the order of `OUTPUT_TAGS`; set means energised (valve open, motor on)."""
    cv_103: float = 0.0
    """Opening of the suction throttle, 0 (shut) to 1."""

    def on(self, mask: int) -> bool:
        """Whether every output in `mask` is energised."""
        return self.bits & mask == mask

    def by_tag(self) -> dict[str, bool | float]:
        """Every output by its tag."""
        named: dict[str, bool | float] = {
            tag: bool(self.bits >> position & 1) for position, tag in enumerate(OUTPUT_TAGS)
        }
        named["CV-103"] = self.cv_103
        return named


SAFE = Outputs()


def tags(mask: int) -> tuple[str, ...]:
    """The tags of the outputs in `mask`."""
    return tuple(tag for position, tag in enumerate(OUTPUT_TAGS) if mask >> position & 1)
