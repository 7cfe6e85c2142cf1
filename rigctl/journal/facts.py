"""What a journal keeps for the record of a job: facts under names of their own, apart from the core's types.

A record has to be printed for years, while the core's types change from version to version. So the journal stores
what a record prints a second time, beside the scans that replay and resuming need: the job as JSON, figures in columns
of the table `scans`, and what seldom changes (`Told`) in msgpack by name. The record is built from these alone. Nothing
in them is a type of the core: words are plain text, structures are the ones below. `facts_of` and `job_facts_of` are
the only places that know both.

That holds for years if three rules are kept. A field is never renamed, and never changes its meaning or unit. A new
field gets a default that says "not known". A field that is no longer written stays here. A core that calls something by
another word gets it translated in `facts_of`.
"""

from __future__ import annotations

import math
from math import nan
from typing import Final

import msgspec

from rigctl.control.points import XV_301
from rigctl.control.settings import Settings
from rigctl.scan import ScanRecord

IDLE: Final = "idle"
OVER: Final = frozenset({"stopped", "aborted", "complete"})
"""Phases in which a job is over."""
WORKING: Final = frozenset({"line_up", "push_pull", "liquid", "vapor", "standing", "clear_out", "isolate"})
"""Phases of RUNNING; in the others a sentence says why the rig stands."""
TRIP: Final = "trip"
UNACKNOWLEDGED: Final = "active, unacknowledged"
ACKNOWLEDGED: Final = "active, acknowledged"
RETURNED: Final = "returned to normal, unacknowledged"
LATCHED: Final = "latched, cause gone, reset needed"
ACKNOWLEDGE: Final = "acknowledge"
"""The request."""


class JobFacts(msgspec.Struct, frozen=True):
    """What a record says of a job before anything was done; None is not known."""

    name: str = ""
    rig: str = ""
    commissioned: str = ""
    """Date of the rig's commissioning sheet; "" without one."""
    simulated: bool = False
    clears_out: bool = True
    """The rig has the valves for the clear-out."""
    site: str = ""
    technician: str = ""
    date: str = ""
    appliance: str = ""
    refrigerant: str = ""
    charge_kg: float | None = None
    level_pa_abs: float | None = None
    level_text: str = ""
    level_source: str = ""
    scale_usable: bool = True


class AlarmFacts(msgspec.Struct, frozen=True):
    """One alarm that is not in its normal state."""

    tag: str = ""
    kind: str = ""
    state: str = ""
    text: str = ""


class CylinderFacts(msgspec.Struct, frozen=True):
    """One cylinder as its label says and what it got; NaN is not known."""

    serial: str = ""
    refrigerant: str = ""
    """Labelled for; "" for a new, evacuated one."""
    tare_kg: float = nan
    tare_reading_kg: float = nan
    """Gross weight when it came on."""
    water_capacity_kg: float = nan
    service_pressure_pa_gauge: float = nan
    retest_due: str = ""
    net_kg: float = nan
    """Of the last cylinder the scan's own figure counts instead."""
    net_uncertainty_kg: float = nan


class CheckFacts(msgspec.Struct, frozen=True):
    """One standing check."""

    started_s: float = nan
    """Monotonic clock of its session."""
    duration_s: float = nan
    start_pa_abs: float = nan
    end_pa_abs: float = nan
    passed: bool = False


class RequestFacts(msgspec.Struct, frozen=True):
    """One request of a person."""

    kind: str = ""
    source: str = ""
    request_id: str = ""


class ReplyFacts(msgspec.Struct, frozen=True):
    """The answer to one request."""

    request_id: str = ""
    accepted: bool = False
    text: str = ""


class Told(msgspec.Struct, frozen=True):
    """What seldom changes from scan to scan; stored only when it does."""

    sentence: str = ""
    """Why the rig stands, or what it asks for."""
    fill_limit_kg: float = nan
    """Of the cylinder on the scale."""
    alarms: tuple[AlarmFacts, ...] = ()
    cylinders: tuple[CylinderFacts, ...] = ()
    """Finished ones first, the one on the scale last."""
    standing_checks: tuple[CheckFacts, ...] = ()
    requests: tuple[RequestFacts, ...] = ()
    replies: tuple[ReplyFacts, ...] = ()


class Facts(msgspec.Struct, frozen=True):
    """One scan as a record needs it; NaN is not known."""

    now_s: float
    """Monotonic clock of the session."""
    utc_s: float
    phase: str
    way_out_open: bool
    """XV-301 was energised."""
    recovered_kg: float
    recovered_uncertainty_kg: float
    net_kg: float
    """In the cylinder on the scale, as the estimate has it."""
    net_uncertainty_kg: float
    contents_kg: float
    second_kg: float
    """The same as `contents_kg`, without the scale."""
    second_uncertainty_kg: float
    cylinder_net_kg: float
    """Of the last cylinder in the list, which may have come off already."""
    cylinder_net_uncertainty_kg: float
    told: Told


FIGURES: Final = (
    "recovered_uncertainty_kg", "net_kg", "net_uncertainty_kg", "contents_kg", "second_kg", "second_uncertainty_kg",
    "cylinder_net_kg", "cylinder_net_uncertainty_kg",
)  # fmt: skip
"""Fields of `Facts` with a column of the same name for the record alone."""


def job_facts_of(settings: Settings) -> JobFacts:
    """Return what a record says of a job."""
    job = settings.job
    return JobFacts(
        name=job.name,
        rig=settings.rig,
        commissioned=settings.commissioned,
        simulated=settings.simulated,
        clears_out=settings.fitted.cooler_valves,
        site=job.site,
        technician=job.technician,
        date=job.date,
        appliance=job.appliance,
        refrigerant=job.refrigerant,
        charge_kg=None if job.charge_kg is None else known(job.charge_kg),
        level_pa_abs=known(job.level_pa_abs),
        level_text=job.level_text,
        level_source=job.level_source,
        scale_usable=job.scale_usable,
    )


def facts_of(record: ScanRecord) -> Facts:
    """Return what a record needs of a scan."""
    readings, estimate, cylinders = record.readings, record.estimate, record.cylinders
    last = cylinders[-1] if cylinders else None
    return Facts(
        now_s=readings.now_s,
        utc_s=readings.utc_s,
        phase=record.phase.value,
        way_out_open=bool(record.outputs.bits & XV_301),
        recovered_kg=estimate.recovered_kg,
        recovered_uncertainty_kg=estimate.recovered_uncertainty_kg,
        net_kg=estimate.net_kg,
        net_uncertainty_kg=estimate.net_uncertainty_kg,
        contents_kg=estimate.contents_kg,
        second_kg=estimate.second_kg,
        second_uncertainty_kg=estimate.second_uncertainty_kg,
        cylinder_net_kg=nan if last is None else last.net_kg,
        cylinder_net_uncertainty_kg=nan if last is None else last.net_uncertainty_kg,
        told=Told(
            sentence=record.sentence,
            fill_limit_kg=estimate.fill_limit_kg,
            alarms=tuple(AlarmFacts(a.tag, a.kind.value, a.state.value, a.text) for a in record.alarms),
            cylinders=tuple(
                CylinderFacts(
                    serial=fill.cylinder.serial,
                    refrigerant=fill.cylinder.refrigerant,
                    tare_kg=fill.cylinder.tare_kg,
                    tare_reading_kg=fill.tare_reading_kg,
                    water_capacity_kg=fill.cylinder.water_capacity_kg,
                    service_pressure_pa_gauge=fill.cylinder.service_pressure_pa_gauge,
                    retest_due=fill.cylinder.retest_due,
                    # The figure of the last one changes with every scan and stands in a column.
                    net_kg=nan if fill is last else fill.net_kg,
                    net_uncertainty_kg=nan if fill is last else fill.net_uncertainty_kg,
                )
                for fill in cylinders
            ),
            standing_checks=tuple(
                CheckFacts(
                    started_s=check.started_s,
                    duration_s=check.duration_s,
                    start_pa_abs=check.start_pa_abs,
                    end_pa_abs=check.end_pa_abs,
                    passed=check.passed,
                )
                for check in record.standing_checks
            ),
            requests=tuple(RequestFacts(r.kind.value, r.source.value, r.request_id) for r in readings.requests),
            replies=tuple(ReplyFacts(r.request_id, r.accepted, r.text) for r in record.replies),
        ),
    )


def known(value: float) -> float | None:
    """The value, or None where it is no number."""
    return value if math.isfinite(value) else None
