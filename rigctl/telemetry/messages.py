"""Every message on the wire as a type: what a topic carries, and how it is made from the record of a scan."""

from __future__ import annotations

import enum
from datetime import UTC, datetime
from math import isfinite
from typing import Annotated, Any, NamedTuple

import msgspec
from msgspec import Meta

from rigctl.advice.limits import LimitedBy
from rigctl.advice.remedies import What
from rigctl.advice.report import InletPhase
from rigctl.control.points import OUTPUT_TAGS
from rigctl.control.protect.alarms import Alarm
from rigctl.control.readings import Fault, Reading, Readings
from rigctl.control.state import Event
from rigctl.control.vocabulary import RUNNING, AlarmState, Ask, Kind, Phase
from rigctl.scan import ScanRecord

ROOT = "recovery-rigs"
"""First level of every topic."""

Seq = Annotated[int, Meta(ge=1, description="Counts up by one per topic; a jump means messages were lost.")]
Utc = Annotated[datetime, Meta(tz=True)]
Scan = Annotated[int, Meta(description="Number of the scan; the key to the journal of the rig.")]
Share = Annotated[float, Meta(description="Fraction, 0 to 1.")]


class Quality(enum.Enum):
    """Whether a reading may be used. Names follow NAMUR NE 107 and NE 43 where they have a word for it."""

    GOOD = "good"
    STALE = "stale"
    """No fault, but older than the rig allows, or not a number."""
    NO_REPLY = "no reply"
    FAILURE = "failure"
    OUT_OF_RANGE = "out of range"


class Unit(enum.Enum):
    """Units of the readings."""

    PA_ABS = "Pa absolute"
    DEGC = "degC"
    KG = "kg"
    FRACTION = "fraction"
    """Of the lower flammable limit, or of the detector's alarm scale."""
    CONTACT = "contact"
    """1 closed or true, 0 open or false."""


READING_TAGS: tuple[tuple[str, str, Unit], ...] = (
    ("pt_101_pa_abs", "PT-101", Unit.PA_ABS),
    ("pt_102_pa_abs", "PT-102", Unit.PA_ABS),
    ("pt_201_pa_abs", "PT-201", Unit.PA_ABS),
    ("pt_301_pa_abs", "PT-301", Unit.PA_ABS),
    ("pt_001_pa_abs", "PT-001", Unit.PA_ABS),
    ("wt_301_kg", "WT-301", Unit.KG),
    ("tt_101_degc", "TT-101", Unit.DEGC),
    ("tt_201_degc", "TT-201", Unit.DEGC),
    ("tt_301_degc", "TT-301", Unit.DEGC),
    ("tt_001_degc", "TT-001", Unit.DEGC),
    ("at_001_lfl", "AT-001", Unit.FRACTION),
    ("fs_001_flow", "FS-001", Unit.CONTACT),
    ("lsh_301_ok", "LSH-301", Unit.CONTACT),
    ("psh_201_ok", "PSH-201", Unit.CONTACT),
    ("hs_001_ok", "HS-001", Unit.CONTACT),
    ("m_101_ok", "M-101.ok", Unit.CONTACT),
)
"""Field of `Readings`, tag on the wire, unit."""


class Measured(msgspec.Struct, frozen=True):
    """One reading. `value` is null unless `quality` is good or stale."""

    value: float | None
    unit: Unit
    quality: Quality
    age_s: float | None


class RemedyNow(msgspec.Struct, frozen=True):
    """One thing that a person can do now, and what it is worth until a standing check holds."""

    what: What
    saves_s: float
    """Expected saving with its handling taken off; negative where it costs more than it brings."""
    low_s: float
    high_s: float
    sentence: str


class EstimateNow(msgspec.Struct, frozen=True):
    """What the controller works out; SI units, null means not known. Uncertainties are standard ones."""

    net_kg: float | None
    net_uncertainty_kg: float | None
    flow_kg_s: float | None
    flow_uncertainty_kg_s: float | None
    recovered_kg: float | None
    recovered_uncertainty_kg: float | None
    contents_kg: float | None
    second_kg: float | None
    second_uncertainty_kg: float | None
    fill_limit_kg: float | None
    fill_fraction: float | None
    inlet_phase: InletPhase
    compression_ratio: float | None
    saturation_degc: float | None
    superheat_k: float | None
    left_kg: float | None
    left_low_kg: float | None
    left_high_kg: float | None
    """90 % range of what is left."""
    finish_s: float | None
    finish_low_s: float | None
    finish_high_s: float | None
    limited_by: LimitedBy
    remedies: tuple[RemedyNow, ...]
    """Worth most first; what stands behind "let it run" is not worth the way."""


class OuterState(enum.Enum):
    """States of a procedure as in ISA-88 / IEC 61512."""

    IDLE = "idle"
    RUNNING = "running"
    HOLDING = "holding"
    HELD = "held"
    RESTARTING = "restarting"
    STOPPING = "stopping"
    STOPPED = "stopped"
    ABORTING = "aborting"
    ABORTED = "aborted"
    COMPLETE = "complete"


class StateMessage(msgspec.Struct, frozen=True):
    """Where the rig stands and what it wants of the person. Retained; sent when it changes."""

    seq: Seq
    utc: Utc
    rig: str
    scan: Scan
    state: OuterState
    phase: Phase
    since: Utc
    """When the phase began."""
    ask: Ask
    sentence: str
    """What the rig wants of the person, or why it stands; "" when nothing."""
    job: str


class MeasurementsMessage(msgspec.Struct, frozen=True):
    """All fitted readings, all outputs and the estimate of one scan. Sent once a second."""

    seq: Seq
    utc: Utc
    rig: str
    scan: Scan
    readings: dict[str, Measured]
    outputs: dict[str, bool | float]
    """The command to every output by tag; CV-103 is an opening from 0 to 1."""
    readback: dict[str, bool] | None
    """The outputs as the hardware reads them back; null when it cannot."""
    estimate: EstimateNow
    overruns: int
    """Scans that came late since start-up."""
    dropped: int
    """Scan records telemetry had to drop since start-up; the journal has them."""


class EventMessage(msgspec.Struct, frozen=True):
    """Something that happened in one scan."""

    seq: Seq
    utc: Utc
    rig: str
    scan: Scan
    kind: str
    """phase, trip, hold, alarm, request, cylinder, standing or note."""
    tag: str
    text: str


class AlarmMessage(msgspec.Struct, frozen=True):
    """State of one alarm (ISA-18.2 / IEC 62682). Retained; a cleared alarm stays, with state "normal"."""

    seq: Seq
    utc: Utc
    rig: str
    scan: Scan
    tag: str
    state: AlarmState
    kind: Kind | None
    """What the alarm's interlock does; null when it is normal."""
    since: Utc | None
    """When it became active; null when it is normal."""
    text: str


class RecordMessage(msgspec.Struct, frozen=True):
    """The final recovery record of the last job. Retained."""

    seq: Seq
    utc: Utc
    rig: str
    record: dict[str, Any]
    """The record as the rig's journal writes it."""


class OnlineMessage(msgspec.Struct, frozen=True):
    """Whether the rig's telemetry is there. Retained; the broker sends the last will when the link is lost.

    While online it is repeated whenever nothing else was sent for some seconds. The last will was written
    when the connection was made, so its `utc` is that time and not the time of the loss.
    """

    seq: Seq
    utc: Utc
    rig: str
    online: bool
    reason: str
    dropped: int


REMOTE_KINDS = ("start", "hold", "restart", "stop", "abort", "acknowledge")
"""What may be asked from afar (ISA-88 command words). Clearing a latched trip is not among them."""


class Command(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A request sent to the rig. Never retained: a retained command is refused."""

    id: Annotated[str, Meta(min_length=1, max_length=64, description="Chosen by the sender, used once.")]
    # Any string is read, so that the answer can say why a kind is refused; the schema names the six.
    kind: Annotated[str, Meta(max_length=32, extra_json_schema={"enum": list(REMOTE_KINDS)})]
    expires_utc_s: Annotated[float, Meta(description="Seconds since 1970 UTC; refused when later than this.")]
    reply_topic: Annotated[
        str,
        Meta(
            max_length=256,
            description="Where the answer goes: the rig's `replies` topic (also when empty) or one below it.",
        ),
    ] = ""


class ReplyMessage(msgspec.Struct, frozen=True):
    """The answer to one command."""

    seq: Seq
    utc: Utc
    rig: str
    id: str
    """Id of the command; "" when it could not be read."""
    accepted: bool
    text: str


class Channel(NamedTuple):
    """One topic and what it carries."""

    name: str
    address: str
    """Below `recovery-rigs/<site>/<rig>/`."""
    message: type[msgspec.Struct]
    retained: bool
    sent_by_rig: bool


CHANNELS = (
    Channel("state", "state", StateMessage, True, True),
    Channel("measurements", "measurements", MeasurementsMessage, False, True),
    Channel("events", "events", EventMessage, False, True),
    Channel("alarms", "alarms/{tag}", AlarmMessage, True, True),
    Channel("record", "record", RecordMessage, True, True),
    Channel("online", "online", OnlineMessage, True, True),
    Channel("history-measurements", "history/measurements", MeasurementsMessage, False, True),
    Channel("history-events", "history/events", EventMessage, False, True),
    Channel("replies", "replies", ReplyMessage, False, True),
    Channel("replies-to", "replies/{who}", ReplyMessage, False, True),
    Channel("commands", "commands", Command, False, False),
)
"""All topics of a rig. `history/` fills the gap of an outage afterwards, from the journal."""


def topic_root(site: str, rig: str) -> str:
    """Return the topic all of a rig's topics lie below, without a slash at its end.

    Raises
    ------
    ValueError
        When a name is empty or has a character that MQTT topics give a meaning to (`/`, `+`, `#`, NUL, or `$`
        at the start; MQTT 3.1.1 section 4.7), in one sentence.
    """
    for what, name in (("site", site), ("rig", rig)):
        if not name or name.startswith("$") or any(mark in name for mark in "/+#\0"):
            raise ValueError(
                f"The {what} name {name!r} cannot stand in an MQTT topic; "
                "give it a name without '/', '+', '#' and without '$' in front."
            )
    return f"{ROOT}/{site}/{rig}"


def alarm_topic_level(tag: str) -> str:
    """Return an alarm tag as one level of a topic."""
    return "".join("_" if mark in "/+#\0" else mark for mark in tag) or "_"


def utc_of(utc_s: float) -> datetime:
    """Return seconds since 1970 UTC as a time; a clock that shows nonsense gives 1970."""
    try:
        return datetime.fromtimestamp(utc_s, UTC)
    except (ValueError, OverflowError, OSError):
        return datetime.fromtimestamp(0, UTC)


def outer_state(phase: Phase) -> OuterState:
    """Return the ISA-88 state a phase belongs to."""
    return OuterState.RUNNING if phase in RUNNING else OuterState(phase.value)


def _known(value: float) -> float | None:
    return value if isfinite(value) else None


def measured(reading: Reading, unit: Unit, now_s: float, max_age_s: float) -> Measured:
    """Return a reading with its quality; `max_age_s` is the age up to which the rig itself would use it."""
    age_s = now_s - reading.taken_at_s
    age = _known(age_s)
    if reading.fault is not None:
        return Measured(None, unit, Quality(reading.fault.value), age)
    fresh = isfinite(reading.value) and 0.0 <= age_s <= max_age_s
    return Measured(_known(reading.value), unit, Quality.GOOD if fresh else Quality.STALE, age)


def measured_by_tag(readings: Readings, max_age_s: float) -> dict[str, Measured]:
    """Return every fitted reading by its tag."""
    by_tag = {}
    for field, tag, unit in READING_TAGS:
        reading: Reading = getattr(readings, field)
        if reading.fault is not Fault.NOT_FITTED:
            by_tag[tag] = measured(reading, unit, readings.now_s, max_age_s)
    return by_tag


def state_message(record: ScanRecord, seq: int, rig: str, job: str) -> StateMessage:
    """Return the state of the rig after one scan."""
    utc_s = record.readings.utc_s
    return StateMessage(
        seq=seq,
        utc=utc_of(utc_s),
        rig=rig,
        scan=record.scan,
        state=outer_state(record.phase),
        phase=record.phase,
        since=utc_of(utc_s - record.in_phase_s),
        ask=record.ask,
        sentence=record.sentence,
        job=job,
    )


def measurements_message(record: ScanRecord, seq: int, rig: str, max_age_s: float, dropped: int) -> MeasurementsMessage:
    """Return readings, outputs and estimate of one scan."""
    readings = record.readings
    bits = readings.readback
    estimate: dict[str, Any] = {
        name: _known(value) if isinstance(value, float) else value
        for name, value in msgspec.structs.asdict(record.estimate).items()
    }
    estimate["remedies"] = tuple(RemedyNow(**msgspec.structs.asdict(one)) for one in record.estimate.remedies)
    return MeasurementsMessage(
        seq=seq,
        utc=utc_of(readings.utc_s),
        rig=rig,
        scan=record.scan,
        readings=measured_by_tag(readings, max_age_s),
        outputs=record.outputs.by_tag(),
        readback=None if bits is None else {tag: bool(bits >> i & 1) for i, tag in enumerate(OUTPUT_TAGS)},
        estimate=EstimateNow(**estimate),
        overruns=readings.overruns,
        dropped=dropped,
    )


def event_message(record: ScanRecord, event: Event, seq: int, rig: str) -> EventMessage:
    """Return one event of a scan."""
    return EventMessage(seq, utc_of(record.readings.utc_s), rig, record.scan, event.kind, event.tag, event.text)


def alarm_message(record: ScanRecord, tag: str, alarm: Alarm | None, seq: int, rig: str) -> AlarmMessage:
    """Return the state of one alarm after a scan; `alarm` is None when it is back to normal."""
    readings = record.readings
    utc = utc_of(readings.utc_s)
    if alarm is None:
        return AlarmMessage(seq, utc, rig, record.scan, tag, AlarmState.NORMAL, None, None, "")
    since = utc_of(readings.utc_s - (readings.now_s - alarm.since_s))
    return AlarmMessage(seq, utc, rig, record.scan, tag, alarm.state, alarm.kind, since, alarm.text)
