"""The recovery record of a job: what was taken out, to which level, into which cylinders, and how it went.

Built from the scans as they come (`RecordBuilder`) or from a journal (`record_from_journal`); both give the
same record. Both go by `rigctl.journal.facts` and by nothing else, so that a journal of any version has its
record. `to_json`, `json_schema` and `render_page` give it out. Uncertainties follow the Guide to the
Expression of Uncertainty in Measurement (JCGM 100:2008): standard uncertainty, and expanded with coverage
factor k = 2, about 95 % for a normal distribution.
"""

from __future__ import annotations

import base64
import functools
import importlib.resources
import math
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import msgspec

from rigctl import units
from rigctl.control.procedure.clearing import LINES_HOLD_LIQUID
from rigctl.control.procedure.phases.ended import NO_CLEAR_OUT
from rigctl.control.settings import Settings
from rigctl.journal.facts import (
    ACKNOWLEDGE,
    ACKNOWLEDGED,
    IDLE,
    LATCHED,
    OVER,
    RETURNED,
    TRIP,
    UNACKNOWLEDGED,
    WORKING,
    CylinderFacts,
    Facts,
    JobFacts,
    facts_of,
    job_facts_of,
    known,
)
from rigctl.journal.store import JournalReader, iso_utc, software_version
from rigctl.scan import ScanRecord

if TYPE_CHECKING:
    import jinja2

FORMAT: Final = 1
"""Version of the record's JSON; grows when a field changes its meaning or goes."""
COVERAGE_FACTOR: Final = 2.0

MOST_ENTRIES: Final = 500
"""Alarms, requests and phases listed at most: a chattering contact must not fill memory or page."""
_CLOCK_STEP_S: Final = 2.0
"""A wall clock that runs this far from the monotonic one was set during the job."""
NOT_WEIGHED: Final = (
    "No scale was used: the mass follows from what the compressor moved, and its uncertainty is larger than a scale's."
    " Weigh the cylinder when you can."
)
SIMULATED: Final = "The rig was simulated: this record proves nothing about a real appliance."
_CLOCK_SET_UTC_S: Final = 1_577_836_800.0
"""2020-01-01: a board without a battery clock that shows less has not got the time yet."""
_CHARGE_DIFFERENCE: Final = 0.10
"""Share of the declared charge by which the recovered mass may differ without a word; common practice."""


class PhaseSpan(msgspec.Struct, frozen=True):
    """One stay in one phase."""

    name: str
    started_utc: str | None
    ended_utc: str | None
    """null: the record ends in this phase."""
    duration_s: float | None
    """Time with the controller running, by the monotonic clock."""
    text: str
    """Why the rig stood still or what it asked for; "" where it worked, and where the phase before says it."""


class AlarmEntry(msgspec.Struct, frozen=True):
    """One alarm from its raise to its end; times are null where that did not happen."""

    tag: str
    kind: str
    text: str
    raised_utc: str | None
    returned_utc: str | None
    """The cause was gone."""
    acknowledged_utc: str | None
    reset_utc: str | None
    """A latched trip was cleared by a person at the rig."""


class StandingCheckEntry(msgspec.Struct, frozen=True):
    """One standing check: inlets shut, compressor off, pressure watched."""

    started_utc: str | None
    duration_s: float | None
    start_pa_abs: float | None
    end_pa_abs: float | None
    passed: bool


class CylinderEntry(msgspec.Struct, frozen=True):
    """One cylinder and what it got in this job."""

    serial: str
    labelled_refrigerant: str
    """ "" for a new, evacuated cylinder."""
    tare_kg: float | None
    """As stamped."""
    tare_reading_kg: float | None
    """Gross weight on the scale when it came on."""
    water_capacity_kg: float | None
    service_pressure_pa_gauge: float | None
    retest_due: str
    fill_limit_kg: float | None
    contents_kg: float | None
    """All refrigerant in it at the end, what was there before included."""
    net_kg: float | None
    net_uncertainty_kg: float | None
    """Standard uncertainty."""


class RequestEntry(msgspec.Struct, frozen=True):
    """One request of a person and the answer."""

    utc: str | None
    kind: str
    source: str
    request_id: str
    accepted: bool | None
    """null: no answer was recorded."""
    text: str


class RecoveryRecord(msgspec.Struct, frozen=True):
    """Recovery record of one job. Units are in the names (SI); times are ISO 8601 in UTC; null is not known.

    `outcome` is complete, stopped, aborted, held or unfinished. `reached_level_pa_abs` is the pressure at the
    end of the last standing check; `level_held` says whether that check passed. `recovered_uncertainty_kg` is
    a standard uncertainty; `recovered_expanded_uncertainty_kg` is `coverage_factor` times it. `duration_s`
    counts the time with the controller running, from the start of the job to its end.
    """

    format: int
    outcome: str
    outcome_text: str
    job: str
    rig: str
    commissioned: str
    """Date of the rig's commissioning sheet; "" without one."""
    site: str
    technician: str
    date: str
    appliance: str
    refrigerant: str
    charge_kg: float | None
    started_utc: str | None
    ended_utc: str | None
    duration_s: float | None
    recovered_kg: float | None
    recovered_uncertainty_kg: float | None
    recovered_expanded_uncertainty_kg: float | None
    coverage_factor: float
    required_level_pa_abs: float | None
    required_level_text: str
    required_level_source: str
    reached_level_pa_abs: float | None
    level_held: bool
    phases: tuple[PhaseSpan, ...]
    standing_checks: tuple[StandingCheckEntry, ...]
    cylinders: tuple[CylinderEntry, ...]
    alarms: tuple[AlarmEntry, ...]
    requests: tuple[RequestEntry, ...]
    cautions: tuple[str, ...]
    """What a reader of this record has to know about it, one sentence each."""
    restarts: int
    """How often the controller was started again during the job."""
    scans: int
    scans_missing: int
    software_version: str
    journal_file: str


def json_schema() -> dict[str, Any]:
    """JSON Schema (2020-12) of the recovery record."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "Recovery record",
        **msgspec.json.schema(RecoveryRecord),
    }


def to_json(record: RecoveryRecord) -> str:
    """The record as indented JSON."""
    return msgspec.json.format(msgspec.json.encode(record), indent=2).decode() + "\n"


class _Span:
    """A stretch of time that may go over restarts, each with a monotonic clock of its own."""

    __slots__ = ("ended_utc_s", "from_s", "name", "spent_s", "started_utc_s", "text")

    def __init__(self, name: str, now_s: float, utc_s: float, text: str = "") -> None:
        self.name = name
        self.text = text
        self.started_utc_s = utc_s
        self.ended_utc_s: float | None = None
        self.spent_s = 0.0
        self.from_s: float | None = now_s

    def pause(self, now_s: float) -> None:
        """Stop counting: the span is over, or the controller was off from here."""
        if self.from_s is not None:
            self.spent_s += now_s - self.from_s
            self.from_s = None

    def duration_s(self, now_s: float) -> float:
        return self.spent_s + (0.0 if self.from_s is None else now_s - self.from_s)


class _AlarmSpan:
    __slots__ = (
        "acknowledged_utc_s", "alarm_state", "kind", "raised_utc_s",
        "reset_utc_s", "returned_utc_s", "tag", "text",
    )  # fmt: skip

    def __init__(self, tag: str, kind: str, text: str, utc_s: float) -> None:
        self.tag, self.kind, self.text = tag, kind, text
        self.raised_utc_s = utc_s
        self.returned_utc_s: float | None = None
        self.acknowledged_utc_s: float | None = None
        self.reset_utc_s: float | None = None
        self.alarm_state = UNACKNOWLEDGED


class RecordBuilder:
    """Gathers the recovery record from the scans as they come; `add` is cheap enough for every scan.

    Parameters
    ----------
    settings
        Of the job, or what a journal has kept of them; after a restart the new ones are given to `restarted`.
    version
        Of the software; None takes the installed one.
    journal_file
        Name of the journal that belongs to the record; "" without one.
    """

    def __init__(self, settings: Settings | JobFacts, *, version: str | None = None, journal_file: str = "") -> None:
        self._about = _job_facts(settings)
        self._version = software_version() if version is None else version
        self._journal_file = journal_file
        self._last: Facts | None = None
        self._final: Facts | None = None
        """First scan of the phase in which the job ended: later ones may see a scale without a cylinder."""
        self._job: _Span | None = None
        self._phases: list[_Span] = []
        self._told = ""
        self._alarms: list[_AlarmSpan] = []
        self._active: dict[str, _AlarmSpan] = {}
        self._seen_alarms: object = ()
        self._requests: list[RequestEntry] = []
        self._unlisted = 0
        self._check_utc_s: list[float] = []
        self._fill_limit_kg: dict[int, float] = {}
        self._contents_kg: dict[int, float] = {}
        self._restarts = 0
        self._scans = 0
        self._missing = 0
        self._clock_offset_s: float | None = None
        self._clock_step_s = 0.0

    def add(self, record: ScanRecord) -> None:
        """Take in the next scan."""
        self.take(facts_of(record))

    def take(self, scan: Facts) -> None:
        """Take in the next scan as a journal keeps it."""
        told, last = scan.told, self._last
        self._scans += 1
        if last is None or scan.phase != last.phase or self._clock_offset_s is None:
            self._turn_phase(scan)
        if told.alarms is not self._seen_alarms:
            self._turn_alarms(scan)
        if told.requests or told.replies:
            self._take_requests(scan)
        for check in told.standing_checks[len(self._check_utc_s) :]:
            # The clock of the check is this session's, for it began in it.
            self._check_utc_s.append(scan.utc_s - (scan.now_s - check.started_s))
        # While a new cylinder is not yet weighed, the last one listed is the one that came off.
        if told.cylinders and self._final is None and scan.cylinder_net_kg == scan.net_kg:
            position = len(told.cylinders) - 1
            self._fill_limit_kg[position] = told.fill_limit_kg
            self._contents_kg[position] = scan.contents_kg
        step_s = scan.utc_s - scan.now_s - (self._clock_offset_s or 0.0)
        if abs(step_s) > _CLOCK_STEP_S:
            self._clock_step_s = max(self._clock_step_s, abs(step_s))
            self._clock_offset_s = scan.utc_s - scan.now_s
        self._last = scan

    def restarted(self, settings: Settings | JobFacts | None = None, *, counts: bool = True) -> None:
        """The next scan comes from a new start of the controller, with a new monotonic clock."""
        if settings is not None:
            self._about = _job_facts(settings)
        if self._last is not None:
            now_s = self._last.now_s
            for span in (*self._phases, *([self._job] if self._job else [])):
                span.pause(now_s)
        self._clock_offset_s = None
        self._restarts += counts

    def missing(self, scans: int) -> None:
        """So many scans were not stored and never came here."""
        self._missing += scans

    def _turn_phase(self, scan: Facts) -> None:
        now_s, utc_s, phase = scan.now_s, scan.utc_s, scan.phase
        fresh = self._clock_offset_s is None
        if fresh:
            self._clock_offset_s = utc_s - now_s
        span = self._phases[-1] if self._phases else None
        if span is not None and span.ended_utc_s is None:
            if fresh and span.name == phase:
                span.from_s = now_s
            else:
                span.pause(now_s)
                span.ended_utc_s = utc_s
                if fresh and self._last is not None:
                    # It ended when the controller went, not when it came back.
                    span.ended_utc_s = self._last.utc_s
        if phase == IDLE:
            return
        if phase in OVER:
            if self._final is None:
                self._final = scan
                if self._job is not None:
                    self._job.pause(now_s)
                    self._job.ended_utc_s = utc_s
            return
        self._final = None
        if self._job is None:
            self._job = _Span("", now_s, utc_s)
        elif self._job.from_s is None:
            self._job.from_s = now_s
            self._job.ended_utc_s = None
        if span is None or span.ended_utc_s is not None:
            # HOLDING, HELD and RESTARTING carry one sentence: it is told once.
            sentence = "" if phase in WORKING else scan.told.sentence
            text = "" if sentence == self._told else sentence
            self._told = sentence
            if len(self._phases) < MOST_ENTRIES:
                self._phases.append(_Span(phase, now_s, utc_s, text))
            else:
                self._unlisted += 1

    def _turn_alarms(self, scan: Facts) -> None:
        utc_s = scan.utc_s
        self._seen_alarms = scan.told.alarms
        asked = any(request.kind == ACKNOWLEDGE for request in scan.told.requests)
        for alarm in scan.told.alarms:
            entry = self._active.get(alarm.tag)
            if entry is None:
                entry = _AlarmSpan(alarm.tag, alarm.kind, alarm.text, utc_s)
                self._active[alarm.tag] = entry
                if len(self._alarms) < MOST_ENTRIES:
                    self._alarms.append(entry)
                else:
                    self._unlisted += 1
            entry.alarm_state = alarm.state
            if alarm.state in (RETURNED, LATCHED):
                if entry.returned_utc_s is None:
                    entry.returned_utc_s = utc_s
            elif alarm.state == UNACKNOWLEDGED:
                # Back before anybody had seen it: still the same alarm.
                entry.returned_utc_s = None
            if entry.acknowledged_utc_s is None and (alarm.state == ACKNOWLEDGED):
                entry.acknowledged_utc_s = utc_s
        for tag in self._active.keys() - {alarm.tag for alarm in scan.told.alarms}:
            entry = self._active.pop(tag)
            if entry.alarm_state == LATCHED:
                entry.reset_utc_s = utc_s
            elif entry.returned_utc_s is None:
                entry.returned_utc_s = utc_s
            # From "returned" the only way to normal is the acknowledgement (ISA-18.2).
            if entry.acknowledged_utc_s is None and (asked or entry.alarm_state == RETURNED):
                entry.acknowledged_utc_s = utc_s

    def _take_requests(self, scan: Facts) -> None:
        replies = list(scan.told.replies)
        for request in scan.told.requests:
            reply = next((r for r in replies if r.request_id == request.request_id), None)
            if reply is not None:
                # Requests without an id are answered in their order.
                replies.remove(reply)
            if len(self._requests) >= MOST_ENTRIES:
                self._unlisted += 1
                continue
            self._requests.append(
                RequestEntry(
                    utc=iso_utc(scan.utc_s),
                    kind=request.kind,
                    source=request.source,
                    request_id=request.request_id,
                    accepted=None if reply is None else reply.accepted,
                    text="" if reply is None else reply.text,
                )
            )

    def build(self) -> RecoveryRecord:
        """The record as it stands; may be asked for at any time."""
        job = self._about
        final = self._final or self._last
        now_s = 0.0 if self._last is None else self._last.now_s
        outcome, outcome_text = _outcome(final, started=self._job is not None)
        recovered_kg = None if final is None else known(final.recovered_kg)
        uncertainty_kg = None if final is None else known(final.recovered_uncertainty_kg)
        checks = () if final is None else final.told.standing_checks
        record = RecoveryRecord(
            format=FORMAT,
            outcome=outcome,
            outcome_text=outcome_text,
            job=job.name,
            rig=job.rig,
            commissioned=job.commissioned,
            site=job.site,
            technician=job.technician,
            date=job.date,
            appliance=job.appliance,
            refrigerant=job.refrigerant,
            charge_kg=job.charge_kg,
            started_utc=None if self._job is None else iso_utc(self._job.started_utc_s),
            ended_utc=None if self._job is None else iso_utc(self._job.ended_utc_s),
            duration_s=0.0 if self._job is None else known(self._job.duration_s(now_s)),
            recovered_kg=recovered_kg,
            recovered_uncertainty_kg=uncertainty_kg,
            recovered_expanded_uncertainty_kg=(None if uncertainty_kg is None else COVERAGE_FACTOR * uncertainty_kg),
            coverage_factor=COVERAGE_FACTOR,
            required_level_pa_abs=job.level_pa_abs,
            required_level_text=job.level_text,
            required_level_source=job.level_source,
            reached_level_pa_abs=known(checks[-1].end_pa_abs) if checks else None,
            level_held=bool(checks) and checks[-1].passed,
            phases=tuple(
                PhaseSpan(
                    name=span.name,
                    started_utc=iso_utc(span.started_utc_s),
                    ended_utc=iso_utc(span.ended_utc_s),
                    duration_s=known(span.duration_s(now_s)),
                    text=span.text,
                )
                for span in self._phases
            ),
            standing_checks=tuple(
                StandingCheckEntry(
                    started_utc=iso_utc(utc_s),
                    duration_s=known(check.duration_s),
                    start_pa_abs=known(check.start_pa_abs),
                    end_pa_abs=known(check.end_pa_abs),
                    passed=check.passed,
                )
                for check, utc_s in zip(checks, self._check_utc_s, strict=False)
            ),
            cylinders=() if final is None else self._cylinders(final),
            alarms=tuple(
                AlarmEntry(
                    tag=entry.tag,
                    kind=entry.kind,
                    text=entry.text,
                    raised_utc=iso_utc(entry.raised_utc_s),
                    returned_utc=iso_utc(entry.returned_utc_s),
                    acknowledged_utc=iso_utc(entry.acknowledged_utc_s),
                    reset_utc=iso_utc(entry.reset_utc_s),
                )
                for entry in self._alarms
            ),
            requests=tuple(self._requests),
            cautions=(),
            restarts=self._restarts,
            scans=self._scans,
            scans_missing=self._missing,
            software_version=self._version,
            journal_file=self._journal_file,
        )
        return msgspec.structs.replace(record, cautions=(*_cautions(record), *self._more_cautions(final)))

    def _cylinders(self, final: Facts) -> tuple[CylinderEntry, ...]:
        last = len(final.told.cylinders) - 1
        return tuple(
            self._cylinder(position, cylinder, final.cylinder_net_kg, final.cylinder_net_uncertainty_kg)
            if position == last
            else self._cylinder(position, cylinder, cylinder.net_kg, cylinder.net_uncertainty_kg)
            for position, cylinder in enumerate(final.told.cylinders)
        )

    def _cylinder(
        self, position: int, cylinder: CylinderFacts, net_kg: float, net_uncertainty_kg: float
    ) -> CylinderEntry:
        return CylinderEntry(
            serial=cylinder.serial,
            labelled_refrigerant=cylinder.refrigerant,
            tare_kg=known(cylinder.tare_kg),
            tare_reading_kg=known(cylinder.tare_reading_kg),
            water_capacity_kg=known(cylinder.water_capacity_kg),
            service_pressure_pa_gauge=known(cylinder.service_pressure_pa_gauge),
            retest_due=cylinder.retest_due,
            fill_limit_kg=known(self._fill_limit_kg.get(position, math.nan)),
            contents_kg=known(self._contents_kg.get(position, math.nan)),
            net_kg=known(net_kg),
            net_uncertainty_kg=known(net_uncertainty_kg),
        )

    def _more_cautions(self, final: Facts | None) -> list[str]:
        """What only the scans can tell."""
        said = [SIMULATED] if self._about.simulated else []
        if final is not None:
            apart_kg = abs(final.contents_kg - final.second_kg)
            # Two independent figures differ by more than k = 2 of their combined uncertainty.
            if not self._about.scale_usable:
                said.append(NOT_WEIGHED)
            elif apart_kg > COVERAGE_FACTOR * math.hypot(final.net_uncertainty_kg, final.second_uncertainty_kg):
                said.append(
                    f"Scale and compressor estimate of the cylinder's contents differ by {apart_kg:.2f} kg:"
                    " weigh the cylinder on another scale."
                )
            if final.phase in ("complete", "stopped") and final.way_out_open:
                said.append(LINES_HOLD_LIQUID)  # the way into the cylinder was left open for them
            elif final.phase == "complete" and not self._about.clears_out:
                said.append(NO_CLEAR_OUT)
            if not final.utc_s >= _CLOCK_SET_UTC_S:
                said.append("The controller's clock was not set: dates and times are wrong, durations are right.")
        if self._clock_step_s:
            said.append(
                f"The controller's clock was set by {self._clock_step_s:.0f} s during the job: times before"
                " and after do not match, durations are right."
            )
        if self._unlisted:
            said.append(f"{self._unlisted} further alarms, requests or phases stand only in the journal.")
        return said


def record_from_journal(path: Path) -> RecoveryRecord:
    """Build the record of the job in a journal; raises `JournalError` when it can't be read."""
    with JournalReader(path) as reader:
        sessions = reader.sessions()
        builder = RecordBuilder(sessions[0].job, version=sessions[-1].software_version, journal_file=path.name)
        feed(builder, reader)
        return builder.build()


def feed(builder: RecordBuilder, reader: JournalReader) -> None:
    """Give all stored scans to `builder`: to go on with a record after a restart, call `restarted` next."""
    for number, session in enumerate(reader.sessions()):
        if number:
            builder.restarted(session.job, counts=session.reason == "resume")
        builder.missing(session.dropped)
        for scan in reader.facts(session):
            builder.take(scan)


def _job_facts(settings: Settings | JobFacts) -> JobFacts:
    return settings if isinstance(settings, JobFacts) else job_facts_of(settings)


def _outcome(final: Facts | None, *, started: bool) -> tuple[str, str]:
    if final is None or not started:
        return "unfinished", "The job was never started."
    why = final.told.sentence or next(
        (f"{alarm.tag}: {alarm.text}" for alarm in final.told.alarms if alarm.kind == TRIP), ""
    )
    phase = final.phase
    if phase == "complete":
        held = bool(final.told.standing_checks) and final.told.standing_checks[-1].passed
        return "complete", (
            "The required level was reached and held."
            if held
            else "The procedure ran to its end, but no passed standing check shows that the level held."
        )
    if phase == "stopped":
        return "stopped", "Stopped on request before the job was complete."
    if phase == "aborted":
        return "aborted", f"Tripped before the job was complete. {why}".strip()
    if phase == "held":
        return "held", f"Not complete: the rig waits for a person. {why}".strip()
    return (
        "unfinished",
        f"Not complete: the record ends in phase {phase.replace('_', ' ')}. {why}".strip(),
    )


def _cautions(record: RecoveryRecord) -> list[str]:
    """What follows from the record itself."""
    said = []
    if record.outcome != "complete":
        said.append("The job is not complete: treat the appliance as charged and under pressure.")
    if not record.standing_checks:
        said.append("No standing check was made: the level reached is not known.")
    elif not record.level_held:
        end, required = record.reached_level_pa_abs, record.required_level_pa_abs
        above = end is not None and required is not None and end > required
        said.append(
            "The last standing check did not pass"
            + (": refrigerant is left, most likely in oil or as liquid." if above else ", or was broken off.")
        )
    reached, required = record.reached_level_pa_abs, record.required_level_pa_abs
    if record.level_held and reached is not None and required is not None and reached > required:
        said.append(
            f"The pressure at the end of the standing check ({_pressure(reached)}) is above the required"
            f" level ({_pressure(required)})."
        )
    if record.recovered_kg is None:
        said.append("The recovered mass is not known.")
    elif record.recovered_uncertainty_kg is None:
        said.append("The uncertainty of the recovered mass is not known: weigh the cylinders on another scale.")
    elif record.charge_kg is not None and record.outcome == "complete":
        apart_kg = record.recovered_kg - record.charge_kg
        beyond_kg = max(_CHARGE_DIFFERENCE * record.charge_kg, COVERAGE_FACTOR * record.recovered_uncertainty_kg)
        if abs(apart_kg) > beyond_kg:
            said.append(
                f"Recovered {apart_kg:.2f} kg more than the declared charge: check the label, and the"
                " cylinder's tare and contents."
                if apart_kg > 0
                else f"Recovered {-apart_kg:.2f} kg less than the declared charge: it may have leaked before,"
                " or the label is wrong; look for refrigerant left behind."
            )
    if not record.cylinders:
        said.append("No cylinder data was recorded.")
    for cylinder in record.cylinders:
        label = cylinder.labelled_refrigerant
        if label and label != record.refrigerant:
            said.append(
                f"Cylinder {cylinder.serial} is labelled {label}, the appliance holds {record.refrigerant}:"
                " treat the contents as mixed."
            )
        if cylinder.retest_due and record.date and cylinder.retest_due < record.date:
            said.append(f"Cylinder {cylinder.serial} was past its retest date {cylinder.retest_due}.")
        if (
            cylinder.contents_kg is not None
            and cylinder.fill_limit_kg is not None
            and cylinder.contents_kg > cylinder.fill_limit_kg
        ):
            over_kg = cylinder.contents_kg - cylinder.fill_limit_kg
            said.append(
                f"Cylinder {cylinder.serial} is {over_kg:.2f} kg above its fill limit: keep it cool, do not"
                " move it, and take refrigerant out now."
            )
    if record.restarts:
        said.append(
            f"The controller was started again {record.restarts} times during the job; the time in between is"
            " not recorded."
            if record.restarts > 1
            else "The controller was started again once during the job; the time in between is not recorded."
        )
    if record.scans_missing:
        said.append(f"{record.scans_missing} scans are missing in the journal.")
    return said


# ---- the printable page ----------------------------------------------------------------------------------


def _pressure(pa_abs: float | None) -> str:
    """SI, then the trade's unit: psig above the atmosphere, inHg of vacuum below, micron when very low."""
    if pa_abs is None:
        return "not known"
    trade = "psig" if pa_abs >= units.STANDARD_ATMOSPHERE_PA else "inHg vac" if pa_abs >= 1_000.0 else "micron"
    si = "kPa abs" if pa_abs >= 1_000.0 else "Pa abs"
    return f"{units.format_pressure(pa_abs, si)} · {units.format_pressure(pa_abs, trade)}"


def _mass(kg: float | None) -> str:
    if kg is None:
        return "not known"
    return f"{units.format_mass(kg, 'kg')} · {units.format_mass(kg, 'lb')}"


def _spread(kg: float | None, uncertainty_kg: float | None) -> str:
    """Mass with its expanded uncertainty in both units."""
    if kg is None:
        return "not known"
    if uncertainty_kg is None:
        return f"{_mass(kg)} (uncertainty not known)"
    texts = []
    for unit in ("kg", "lb"):
        mass, spread = (units.format_mass(value, unit).split()[0] for value in (kg, COVERAGE_FACTOR * uncertainty_kg))
        texts.append(f"{mass} ± {spread} {unit}")
    return " · ".join(texts)


def _duration(seconds: float | None) -> str:
    if seconds is None:
        return "not known"
    whole = round(seconds)
    hours, minutes = whole // 3600, whole // 60 % 60
    if hours:
        return f"{hours} h {minutes:02d} min"
    return f"{minutes} min {whole % 60:02d} s" if whole >= 60 else f"{whole} s"


def _when(iso: str | None) -> str:
    return "–" if iso is None else iso[:19].replace("T", " ")


def _clock(iso: str | None) -> str:
    return "–" if iso is None else iso[11:19]


@functools.cache
def _template() -> jinja2.Template:
    # Imported here: the page is made once a job, the rest of this module runs with the scan.
    import jinja2
    from markupsafe import Markup

    def lines(text: str) -> Markup:
        """Keep each quantity on one line; the page stacks them where room is short."""
        return Markup('<span class="dot"> · </span>').join(
            Markup('<span class="q">{}</span>').format(part) for part in text.split(" · ")
        )

    filters: dict[str, Callable[..., str]] = {
        "lines": lines,
        "pressure": _pressure,
        "mass": _mass,
        "duration": _duration,
        "when": _when,
        "clock": _clock,
    }
    environment = jinja2.Environment(
        autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    environment.filters.update(filters)
    environment.globals["spread"] = _spread
    source = importlib.resources.files("rigctl.journal").joinpath("record_page.html")
    return environment.from_string(source.read_text(encoding="utf-8"))


def render_page(record: RecoveryRecord, plot_svg: str | None = None) -> str:
    """The record as one HTML page to print on A4 or to read on a phone, in SI and in the trade's units.

    The page has no scripts and loads nothing. `plot_svg` is put in as an image, so nothing in it can run.
    """
    plot = None
    if plot_svg is not None:
        plot = "data:image/svg+xml;base64," + base64.b64encode(plot_svg.encode()).decode()
    return _template().render(record=record, plot=plot)
