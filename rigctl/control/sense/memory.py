"""What the senses carry from scan to scan: one struct a subject.

A scan works on copies of them (`carried`); the memory that it was given stays as it was.
"""

from __future__ import annotations

from math import inf, nan

import msgspec

from rigctl.control.room import Room
from rigctl.control.sense.crossing import Line
from rigctl.control.sense.fill import Fill, Moved
from rigctl.control.sense.liquid_end import Watch


class Weight(Room, array_like=True, gc=False):
    """Gross weight and mass flow: a two-state Kalman filter, and what the scale itself shows."""

    gross_kg: float = nan
    flow_kg_s: float = 0.0
    var_kg2: float = 1.0
    cov_kg2_s: float = 0.0
    var_flow_kg2_s2: float = 1e-6
    """Covariance of the two: of the weight, of both, of the flow."""
    offset_kg: float = 0.0
    """Step of the scale that a person has confirmed to be no refrigerant."""
    shift_variance_kg2: float = 0.0
    """What those confirmations cost in certainty."""
    raw_kg: float = nan
    disturbed_since_s: float = nan
    steady_since_s: float = nan
    woke_kg_s: float = nan
    """The controller was off, and what came in meanwhile has not been weighed yet: the pump's last word before."""


class Contents(Room, array_like=True, gc=False):
    """The cylinder on the scale."""

    tare_kg: float = nan
    start_kg: float = 0.0
    """Refrigerant in it when it came on."""
    net_high_kg: float = 0.0
    """Most that it has gained."""
    way_open: bool = False


class Pumped(Room, array_like=True, gc=False):
    """What has been moved, counted without the scale."""

    kg: float = 0.0
    flow_kg_s: float = 0.0
    opening: float = 0.0
    """What CV-103 was told last."""
    fill: Fill = Fill()
    """The second fill estimate, which learns from the scale."""
    due: Moved = Moved()
    due_kg: float = 0.0
    due_s: float = 0.0
    """What has been moved since that was last carried on, and for how long."""
    same_from_kg: float = 0.0
    """What had been pumped when the scale's figure last changed."""
    line: Line = Line()
    """The way across in push-pull."""
    crossed_kg: float = 0.0
    crossed_from_kg: float = nan
    """What has crossed in push-pull by the line alone, and the net weight when it began."""


class Following(Room, array_like=True, gc=False):
    """Whether the weight follows the pump."""

    anchor_pumped_kg: float = 0.0
    anchor_gross_kg: float = nan
    """From where weight and pump are held against each other now."""
    doubt_pumped_kg: float = 0.0
    doubt_gross_kg: float = nan
    """Where the weight last followed the pump."""
    flowing_since_s: float = nan
    was_flowing: bool = False
    """The weight has risen as fast as the pump says since the motor started."""


class Pressures(Room, array_like=True, gc=False):
    """Pressures and what is smoothed of them."""

    p_201_pa_abs: float = nan
    p_201_rate_pa_s: float = 0.0
    log_fall_1_s: float = 0.0
    """Smoothed -d ln(p)/dt on the appliance side."""
    side_pa_abs: float = nan
    quick_pa_abs: float = nan
    slow_pa_abs: float = nan
    """The appliance's behind two lags: their difference tells how fast it moves, and so whether it has come to rest."""
    low_pa_abs: float = inf
    """Lowest pressure that counted as progress, and when."""
    progress_s: float = nan
    progress_gross_kg: float = nan
    p_301_slow_pa_abs: float = nan
    """The cylinder's, smoothed over 30 s: tells whether it has come to rest."""
    p_101_slow_pa_abs: float = nan
    """The header's, behind the lag of the compression ratio."""


class Memory(Room, array_like=True, gc=False):
    """What the senses carry from scan to scan."""

    at_s: float = nan
    weight: Weight = msgspec.field(default_factory=Weight)
    contents: Contents = msgspec.field(default_factory=Contents)
    pumped: Pumped = msgspec.field(default_factory=Pumped)
    following: Following = msgspec.field(default_factory=Following)
    pressures: Pressures = msgspec.field(default_factory=Pressures)
    liquid: Watch = Watch()
    """End and return of the liquid."""


def carried(was: Memory) -> Memory:
    """Return a copy that may be changed."""
    return Memory(
        was.at_s, was.weight.__copy__(), was.contents.__copy__(), was.pumped.__copy__(), was.following.__copy__(),
        was.pressures.__copy__(), was.liquid,
    )  # fmt: skip
