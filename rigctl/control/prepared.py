"""What is worked out once a job: one frozen object that travels through every scan."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from rigctl.control.figures.figures import Figures
from rigctl.control.settings import Settings
from rigctl.refrigerant.saturation import Refrigerant


@dataclass(frozen=True, slots=True, eq=False)
class Prepared:
    """A job's settings and what follows from them; made by `prepare`, never changed."""

    settings: Settings
    figures: Figures
    """Tuned figures, the same for every job unless a study varies them."""
    refrigerant: Refrigerant
    """Of the job."""
    refrigerants: Mapping[str, Refrigerant]
    """All that are known, by their official names: the line-up asks which of them a pressure would fit."""
    outputs_fitted: int
    """Bits of the outputs this rig has."""
    appliance_ceiling_pa_abs: float
    """The most that the rig may press on the appliance."""
    scale_noise_kg2: float
    """Variance of one reading of the scale: its noise, and what its figures leave open."""
    rises: tuple[tuple[float, ...], ...]
    """Share of a rise that is over at each block, a row for each time constant; of an even one the time itself, s."""
    rows: tuple[tuple[int, Callable[[Any], bool]], ...]
    """Bit and check of every row of the cause-and-effect table that applies."""
    delays_s: tuple[float, ...]
    """How long each row's cause must be present, in the order of the table."""
