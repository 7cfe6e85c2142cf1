"""One scan: readings in, outputs and the frozen record of the scan out."""

from __future__ import annotations

import msgspec

from rigctl.control.estimate import Estimate
from rigctl.control.interlocks import Alarm
from rigctl.control.points import Outputs
from rigctl.control.readings import Readings
from rigctl.control.sequence import Ask, Phase
from rigctl.control.settings import Cylinder


class Event(msgspec.Struct, frozen=True):
    """Something that happened in this scan and that a person may want to read later."""

    kind: str
    """phase, trip, hold, alarm, request, cylinder, standing or note."""
    tag: str
    text: str


class Reply(msgspec.Struct, frozen=True):
    """The answer to one request."""

    request_id: str
    accepted: bool
    text: str


class CylinderFill(msgspec.Struct, frozen=True):
    """What one cylinder got in this job."""

    cylinder: Cylinder
    tare_reading_kg: float
    """Gross weight when it came on."""
    net_kg: float
    net_uncertainty_kg: float


class StandingCheck(msgspec.Struct, frozen=True):
    """One hold-and-watch: inlets shut, compressor off, pressure watched."""

    started_s: float
    duration_s: float
    start_pa_abs: float
    end_pa_abs: float
    passed: bool


class ScanRecord(msgspec.Struct, frozen=True):
    """All there is to know of one scan; what journal, telemetry, page and live view are given."""

    scan: int
    readings: Readings
    phase: Phase
    in_phase_s: float
    ask: Ask
    sentence: str
    """What the rig wants of the person, or why it stands; "" when nothing."""
    estimate: Estimate
    alarms: tuple[Alarm, ...]
    outputs: Outputs
    events: tuple[Event, ...]
    replies: tuple[Reply, ...]
    cylinders: tuple[CylinderFill, ...]
    """Finished cylinders first, the one on the scale last."""
    standing_checks: tuple[StandingCheck, ...]
