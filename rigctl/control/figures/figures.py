"""The figures of all rooms in one object, and a way to change one by its name."""

from __future__ import annotations

import msgspec

from rigctl.control.figures.procedure import Procedure
from rigctl.control.figures.protect import Protect
from rigctl.control.figures.sense import Sense


class Figures(msgspec.Struct, frozen=True):
    """All tuned figures of what may move an output."""

    sense: Sense = Sense()
    protect: Protect = Protect()
    procedure: Procedure = Procedure()
