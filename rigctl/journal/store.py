"""The journal of one job on disk: every scan, event and alarm change in one SQLite file.

`Journal` writes from a thread of its own and never makes the scan wait; `JournalReader` reads the same file,
also while it is being written. Scans are committed about once a second (SQLite `synchronous=NORMAL`),
anything a person may want to prove later (events, trips, alarm changes, answers to requests) at once with
`synchronous=FULL`, so that it outlives a power cut (https://www.sqlite.org/pragma.html#pragma_synchronous).

Nothing is ever deleted: one file a job, kept for as long as the records of the work have to be kept.

What a later version can do with a journal hangs on what it is for:

- *The record* is always printed. What it needs stands in the journal under names that never change
  (`rigctl.journal.facts`), not in the core's types. Format 1 had no such facts: `rigctl.journal.format_1` reads it.
- *Resuming* is left to the core that wrote the journal. A state is the memory of that very core: another one, though it
  could read the state, might judge by it what it does not mean. So every session holds the digest of its core
  (`rigctl.journal.core_digest`), and a job of another core is refused with a sentence that names the version which can.
- *Replay and plot* read scans of another version where their layout fits (`rigctl.journal.layout`), and say so where it
  does not.

The number of the format is `PRAGMA user_version`: it stands in the file's head, so it can be read before anything is
known of the tables, and SQLite keeps the place for just that. It grows when a table, a column or its meaning changes; a
change of the core's types does not touch it. 1: no core, no facts. 2: this one.
"""

from __future__ import annotations

import contextlib
import importlib.metadata
import logging
import math
import os
import re
import sqlite3
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Final, Self, TypeVar

import msgspec

from rigctl import units
from rigctl.advice.report import Estimate
from rigctl.control.points import Outputs, tags
from rigctl.control.protect.alarms import Alarm
from rigctl.control.readings import Reading, Readings
from rigctl.control.settings import Settings
from rigctl.control.state import CylinderFill, Event, Reply, StandingCheck
from rigctl.control.vocabulary import Ask, Phase
from rigctl.journal import format_1
from rigctl.journal.core_digest import SHOWN, core_digest
from rigctl.journal.facts import FIGURES, IDLE, OVER, Facts, JobFacts, Told, facts_of, job_facts_of
from rigctl.journal.layout import Layout, go_together, layout_of
from rigctl.quoting import plain, quoted
from rigctl.scan import ScanRecord

if TYPE_CHECKING:
    from rigctl.scan import State

FORMAT: Final = 2
"""Format of the journals written, in `PRAGMA user_version`."""
APPLICATION_ID: Final = 0x52494743
"""Written to `PRAGMA application_id` ("RIGC"): tells a journal from any other database."""

CAPACITY: Final = 6_000
"""Scans that may wait for the disk: ten minutes at 10 Hz, some 10 MB."""
RESERVE: Final = 600
"""Places beyond `CAPACITY` that only scans with events may take."""
COMMIT_EVERY_S: Final = 1.0
CHECKPOINT_EVERY_S: Final = 10.0
_WITH_TIME_S: Final = 60.0
LARGEST_COMMIT: Final = 500
"""Scans in one transaction at most, so that a backlog gets through a nearly full disk piece by piece."""

ENDED: Final = frozenset({Phase.STOPPED, Phase.ABORTED, Phase.COMPLETE})
"""Phases in which a job is over."""

_SCHEMA: Final = f"""
CREATE TABLE sessions (
    session INTEGER PRIMARY KEY,
    opened_utc_s REAL NOT NULL,
    software_version TEXT NOT NULL,
    core TEXT NOT NULL,            -- digest of the core, SHA-256
    layouts_json TEXT NOT NULL,    -- names of what is stored below as lists
    job_json TEXT NOT NULL,        -- what a record says of the job
    reason TEXT NOT NULL,          -- start, resume (power loss or restart) or reopened (the file had gone)
    settings_json TEXT NOT NULL,
    settings BLOB NOT NULL,        -- the same in msgpack, exact to the bit
    start_state BLOB,              -- msgpack of the state before the first scan
    dropped INTEGER NOT NULL DEFAULT 0
);
CREATE TABLE scans (
    id INTEGER PRIMARY KEY,
    session INTEGER NOT NULL REFERENCES sessions (session),
    scan INTEGER NOT NULL,
    now_s REAL,                    -- monotonic clock
    utc_s REAL,                    -- seconds since 1970
    phase TEXT NOT NULL,
    energised TEXT NOT NULL,       -- tags of the outputs that were on
    pt_101_pa_abs REAL,            -- NULL while the reading has a fault
    pt_201_pa_abs REAL,
    wt_301_kg REAL,
    recovered_kg REAL,
    {" REAL, ".join(FIGURES)} REAL,
    told BLOB,                     -- for the record, by name: sentence, alarms, cylinders, ...; NULL: as before
    dropped_before INTEGER NOT NULL,
    readings BLOB NOT NULL,        -- the rest is msgpack
    outputs BLOB NOT NULL,
    estimate BLOB NOT NULL,
    rest BLOB NOT NULL,            -- in_phase_s, net weights of the cylinders
    detail BLOB,                   -- ask, sentence, alarms, cylinders, standing checks; NULL: as before
    happened BLOB,                 -- events and replies
    state BLOB                     -- checkpoint: the state after this scan
);
CREATE INDEX checkpoints ON scans (id) WHERE state IS NOT NULL;
CREATE TABLE events (
    id INTEGER PRIMARY KEY, session INTEGER NOT NULL, scan INTEGER NOT NULL, now_s REAL, utc_s REAL,
    phase TEXT NOT NULL, kind TEXT NOT NULL, tag TEXT NOT NULL, text TEXT NOT NULL
);
CREATE TABLE alarms (
    id INTEGER PRIMARY KEY, session INTEGER NOT NULL, scan INTEGER NOT NULL, now_s REAL, utc_s REAL,
    tag TEXT NOT NULL, kind TEXT NOT NULL, state TEXT NOT NULL, since_s REAL, text TEXT NOT NULL
);
"""

_INSERT_SCAN: Final = f"INSERT INTO scans VALUES (NULL,{','.join('?' * (19 + len(FIGURES)))})"

_log = logging.getLogger(__name__)
_T = TypeVar("_T")
_OF_A_SCAN: Final = ("readings", "outputs", "estimate")
_LAST_SCAN: Final = "SELECT phase, recovered_kg, utc_s FROM scans ORDER BY id DESC LIMIT 1"
_UNREADABLE: Final = (msgspec.MsgspecError, ValueError, TypeError, LookupError, RecursionError)
"""What comes of values that are not what they were written as."""
_told: Final = msgspec.msgpack.Decoder(Told)

# Sets are written in sorted order, so that equal states always give equal bytes.
_encode: Final = msgspec.msgpack.Encoder(order="deterministic").encode


class JournalError(Exception):
    """The journal can't be opened, read or written; the message is one sentence that says what to do."""


class NewerJournalError(JournalError):
    """The journal was written by a newer version, in a format that this one can't read."""


class Health(msgspec.Struct, frozen=True):
    """How the writing of the journal goes, for page, telemetry and the recovery record."""

    ok: bool
    """The last attempt to write went well."""
    sentence: str
    """What is wrong or missing, and what to do about it; "" while all is well."""
    dropped: int
    """Scans that were not stored since the journal was opened, because the queue was full."""
    waiting: int
    """Scans taken over and not yet on disk."""
    stored: int
    """Scans on disk since the journal was opened."""


@dataclass(frozen=True, slots=True)
class StoredScan:
    """One scan as it was read back."""

    row: int
    """Grows by one a stored scan, over all sessions."""
    session: int
    dropped_before: int
    """Scans that are missing right before this one, because the queue was full."""
    record: ScanRecord
    state: State | None
    """The state after this scan where a checkpoint was stored."""


@dataclass(frozen=True, slots=True)
class Session:
    """One start of the program within a job."""

    path: Path
    session: int
    opened_utc_s: float
    software_version: str
    core: str
    """Digest of the core that wrote it; "" in format 1."""
    reason: str
    """start, resume (power loss or restart of the program) or reopened (the file had gone)."""
    dropped: int
    layouts: dict[str, Layout]
    settings_blob: bytes
    start_state_blob: bytes | None
    job_json: str
    """What a record says of the job; in format 1 the settings."""

    @property
    def written_by(self) -> str:
        """The program that wrote it, as a sentence names it."""
        return _program(self.software_version, self.core)

    @property
    def foreign(self) -> bool:
        """Another core wrote it than the one that runs here."""
        return self.core != core_digest()

    @property
    def job(self) -> JobFacts:
        """What a record says of the job; raises `JournalError` when the journal is damaged."""
        try:
            return msgspec.json.decode(self.job_json, type=JobFacts) if self.core else format_1.job_facts(self.job_json)
        except _UNREADABLE as error:
            raise JournalError(_damaged(self.path)) from error

    @property
    def settings(self) -> Settings:
        """Settings of the session; raises `JournalError` when this version has others."""
        return _decode(self.settings_blob, Settings, "settings", self.path, self.software_version)

    @property
    def start_state(self) -> State | None:
        """The state before its first scan; raises `JournalError` when this version has another."""
        return _state(self.start_state_blob, self.path, self.software_version)

    def reads_as(self, *parts: str) -> bool:
        """Whether its readings, outputs, estimate or state can be read by the types of this version."""
        present = _layouts()
        return all(part in self.layouts and go_together(self.layouts[part], present[part]) for part in parts)


@dataclass(frozen=True, slots=True)
class Stands:
    """Where a job stands, by the last scan of its journal; as text it is what a sentence says of it."""

    phase: str
    recovered_kg: float = math.nan
    utc_s: float = math.nan

    def __str__(self) -> str:
        words = plain(self.phase.replace("_", "-"))
        if not math.isfinite(self.recovered_kg):
            return words
        masses = (units.format_mass(self.recovered_kg, unit) for unit in ("kg", "lb"))
        return "{}, with {} ({}) recovered".format(words, *masses)


@dataclass(frozen=True, slots=True)
class EventRow:
    """One event with the scan it happened in."""

    session: int
    scan: int
    utc_s: float | None
    phase: Phase
    event: Event


class _Fill(msgspec.Struct, frozen=True, array_like=True):
    net_kg: float
    net_uncertainty_kg: float


class _Rest(msgspec.Struct, frozen=True, array_like=True):
    """What changes with every scan beside readings, outputs and estimate."""

    in_phase_s: float
    fills: tuple[_Fill, ...]


class _Detail(msgspec.Struct, frozen=True, array_like=True):
    """What seldom changes; stored only when it does. Net weights of cylinders stand in `_Rest`."""

    ask: Ask
    sentence: str
    alarms: tuple[Alarm, ...]
    cylinders: tuple[CylinderFill, ...]
    standing_checks: tuple[StandingCheck, ...]


class _Happened(msgspec.Struct, frozen=True, array_like=True):
    events: tuple[Event, ...]
    replies: tuple[Reply, ...]


class Receipt:
    """What `Journal.offer` gives back: whether the scan got in, and a way to wait until it is on disk."""

    __slots__ = ("_journal", "_status", "critical")

    def __init__(self, journal: Journal, *, critical: bool, dropped: bool) -> None:
        self._journal = journal
        self.critical = critical
        """The scan holds events or changes that are written at once and outlive a power cut."""
        self._status = "dropped" if dropped else "waiting"

    @property
    def dropped(self) -> bool:
        """The queue was full, or the journal was closed first: this scan will not be stored."""
        return self._status == "dropped"

    @property
    def acknowledged(self) -> bool:
        """The scan is on disk: through a power cut if it is critical, through a crash if it is not."""
        return self._status == "stored"

    def wait(self, timeout_s: float) -> bool:
        """Wait, at most `timeout_s`, and say whether the scan is on disk; never call it in the scan."""
        with self._journal._written:
            self._journal._written.wait_for(lambda: self._status != "waiting", timeout_s)
        return self.acknowledged


class _Item:
    __slots__ = ("dropped_before", "receipt", "record", "state")

    def __init__(self, record: ScanRecord, state: State | None, receipt: Receipt, dropped_before: int) -> None:
        self.record = record
        self.state = state
        self.receipt = receipt
        self.dropped_before = dropped_before


class _Written:
    """What the writer must know of the rows before, to store changes only; replaced after each commit."""

    __slots__ = ("alarms", "detail", "next_checkpoint_s", "told")

    def __init__(self) -> None:
        self.detail: bytes | None = None
        self.told: bytes | None = None
        self.alarms: dict[str, tuple[str, float]] = {}
        self.next_checkpoint_s = -math.inf

    def copy(self) -> _Written:
        """Take a copy that a failed transaction can throw away."""
        other = _Written()
        other.detail, other.told = self.detail, self.told
        other.alarms, other.next_checkpoint_s = self.alarms, self.next_checkpoint_s
        return other


def software_version() -> str:
    """The version of this software as it is installed."""
    try:
        return importlib.metadata.version("recovery-rig")
    except importlib.metadata.PackageNotFoundError:
        return "not installed"


def journal_path(folder: Path, settings: Settings) -> Path:
    """Where the journal of a job belongs: one file a job, named by date and job."""
    name = re.sub(r"[^a-z0-9]+", "-", settings.job.name.lower()).strip("-") or "job"
    date = re.sub(r"[^0-9-]", "", settings.job.date) or "undated"
    return folder / f"{date}_{name[:60]}.journal"


def unfinished(folder: Path, tell: Callable[[str], None] = _log.warning) -> Path | None:
    """The newest journal in `folder` whose job neither completed, nor stopped, nor aborted; None if all did.

    Journals of every format are looked at. Files that are no readable journals are passed over, and `tell` is given a
    sentence for each; but not one of a newer format: whether its job has ended can't be told.

    Raises
    ------
    NewerJournalError
        A newer version has written one of them.
    """
    newest = None
    for path in folder.glob("*.journal"):
        try:
            with JournalReader(path) as reader:
                stands = reader.stands()
        except NewerJournalError:
            raise
        except JournalError as error:
            tell(f"{error} Whether a job in it is unfinished can't be told: look at the rig before you start.")
            continue
        if stands is None or stands.phase in OVER or stands.phase == IDLE:
            continue
        key = (stands.utc_s if math.isfinite(stands.utc_s) else -math.inf, path)
        if newest is None or key > newest:
            newest = key
    return newest[1] if newest else None


class Journal:
    """Writes one job to one SQLite file, from its own thread.

    Parameters
    ----------
    path
        File to write; made if absent, continued if it holds the same job.
    settings
        Stored once a session as JSON (to read) and msgpack (exact).
    start_state
        The state before the first scan of this session, for replay. None at the very first start stands for
        the initial state of the controller.
    capacity, reserve
        Scans that may wait for the disk, and the further places kept for scans with events.
    commit_every_s, checkpoint_every_s
        Time between commits of plain scans, and between stored states.

    version, core
        The program's version and its core's digest, stored once a session; None takes those of this program.

    Raises
    ------
    JournalError
        The folder is missing or can't be written, the disk is full, the file is no journal, is damaged, was
        made by a newer version or by another core, or holds another job.
    """

    def __init__(
        self,
        path: Path,
        settings: Settings,
        *,
        start_state: State | None = None,
        version: str | None = None,
        core: str | None = None,
        capacity: int = CAPACITY,
        reserve: int = RESERVE,
        commit_every_s: float = COMMIT_EVERY_S,
        checkpoint_every_s: float = CHECKPOINT_EVERY_S,
    ) -> None:
        self.path = path.absolute()
        self._settings = settings
        self._start_state = start_state
        self._version = version if version is not None else software_version()
        self._core = core if core is not None else core_digest()
        self._capacity = capacity
        self._reserve = reserve
        self._commit_every_s = commit_every_s
        self._checkpoint_every_s = checkpoint_every_s

        # Shared with the scan: guarded by `_wake`, which the writer holds only to look at the queue.
        self._wake = threading.Condition()
        self._queue: deque[_Item] = deque()
        self._unwritten = 0
        self._dropped = 0
        self._dropped_since = 0
        self._dropped_earlier = 0
        self._urgent = False
        self._closing = False
        self._last_phase: Phase | None = None
        self._last_alarms: tuple[Alarm, ...] = ()

        self._written = threading.Condition()
        self._stored = 0
        self._sentence = ""

        self._rows = _Written()
        self._connection, self._session, self._inode = self._open("")
        self._thread = threading.Thread(target=self._run, name="journal", daemon=True)
        self._thread.start()

    def __enter__(self) -> Self:
        """Return the journal."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, traceback: TracebackType | None
    ) -> None:
        """Close the journal; whoever uses it in a `with` has the time that it takes."""
        self.close(_WITH_TIME_S)

    # ---- the side of the scan ----------------------------------------------------------------------------

    def offer(self, record: ScanRecord, state: State | None = None) -> Receipt:
        """Hand over one scan and the state after it; never waits, never raises.

        A full queue drops the scan and counts it. `state` is stored when a checkpoint is due; it must not
        change afterwards.
        """
        critical = (
            bool(record.events or record.replies or record.readings.requests)
            or record.phase is not self._last_phase
            or (
                record.alarms is not self._last_alarms
                and [(a.tag, a.state) for a in record.alarms] != [(a.tag, a.state) for a in self._last_alarms]
            )
        )
        with self._wake:
            room = self._capacity + (self._reserve if critical else 0)
            if self._closing or self._unwritten >= room:
                self._dropped += 1
                self._dropped_since += 1
                return Receipt(self, critical=critical, dropped=True)
            receipt = Receipt(self, critical=critical, dropped=False)
            self._queue.append(_Item(record, state, receipt, self._dropped_since))
            self._unwritten += 1
            self._dropped_since = 0
            if critical:
                self._urgent = True
                self._wake.notify()
        # Only now: a change inside a dropped scan is still a change for the next one.
        self._last_phase = record.phase
        self._last_alarms = record.alarms
        return receipt

    def health(self) -> Health:
        """How the writing goes."""
        sentence, dropped = self._sentence, self._dropped
        ok = not sentence
        if ok and dropped:
            sentence = f"The journal misses {dropped} scans: the disk was too slow or full for a while."
        return Health(ok=ok, sentence=sentence, dropped=dropped, waiting=self._unwritten, stored=self._stored)

    def close(self, timeout_s: float = 5.0) -> Health:
        """Write what waits, close the file and say how it went; gives up after `timeout_s`."""
        with self._wake:
            self._closing = True
            self._wake.notify()
        self._thread.join(timeout_s)
        health = self.health()
        if not self._thread.is_alive():
            return health
        sentence = health.sentence or f"The journal {self.path} was not written to its end within {timeout_s:.0f} s."
        return msgspec.structs.replace(health, ok=False, sentence=sentence)

    # ---- the writer thread -------------------------------------------------------------------------------

    def _run(self) -> None:
        batch: deque[_Item] = deque()
        failed_before = False
        largest = LARGEST_COMMIT
        while True:
            with self._wake:
                self._wake.wait_for(lambda: self._urgent or self._closing, self._commit_every_s)
                batch.extend(self._queue)
                self._queue.clear()
                urgent, closing = self._urgent, self._closing
                self._urgent = False
            try:
                while batch:
                    full = urgent or any(item.receipt.critical for item in batch)
                    self._write(batch, largest, full=full)
                largest = LARGEST_COMMIT
                if failed_before:
                    _log.warning("The journal %s is being written again.", self.path)
                self._sentence, failed_before = "", False
            except (sqlite3.Error, OSError, JournalError) as error:
                sentence = _sentence(error, self.path)
                if sentence != self._sentence:
                    _log.error("%s", sentence)
                self._sentence, failed_before = sentence, True
                # Not at once again even when every scan is urgent: a dead disk must not cost the scan time.
                if not closing:
                    time.sleep(min(self._commit_every_s, 1.0))
            except Exception:
                # The thread must live on: a scan that can't be written for any other reason is given up, but
                # only that one; so the batch is gone through one by one.
                if largest == 1:
                    _log.exception("A scan could not be put into the journal.")
                    self._sentence = "A scan could not be put into the journal: see the log, and report it."
                    failed_before = True
                    self._give_up(batch, 1)
                largest = 1
                with self._wake:
                    self._urgent = True
                if batch or not closing:
                    continue
            if closing:
                self._give_up(batch, len(batch))
                with contextlib.suppress(sqlite3.Error):
                    self._connection.close()
                return

    def _give_up(self, batch: deque[_Item], count: int) -> None:
        if not batch or not count:
            return
        with self._wake:
            self._unwritten -= count
            self._dropped += count
            self._dropped_since += count
        with self._written:
            for _ in range(count):
                batch.popleft().receipt._status = "dropped"
            self._written.notify_all()

    def _write(self, batch: deque[_Item], largest: int, *, full: bool) -> None:
        """Commit at most `largest` of the head of `batch` and take it off; leaves `batch` as it was when that fails."""
        self._be_there()
        items = [batch[i] for i in range(min(len(batch), largest))]
        rows = self._rows.copy()
        connection = self._connection
        try:
            # May not be set inside a transaction.
            connection.execute(f"PRAGMA synchronous={'FULL' if full else 'NORMAL'}")
            connection.execute("BEGIN IMMEDIATE")
            for item in items:
                self._insert(item, rows)
            connection.execute(
                "UPDATE sessions SET dropped = ? WHERE session = ?",
                (self._dropped - self._dropped_earlier, self._session),
            )
            connection.execute("COMMIT")
        except BaseException:
            with contextlib.suppress(sqlite3.Error):
                if connection.in_transaction:
                    connection.execute("ROLLBACK")
            raise
        self._rows = rows
        with self._wake:
            self._unwritten -= len(items)
        with self._written:
            for _ in items:
                batch.popleft().receipt._status = "stored"
            self._stored += len(items)
            self._written.notify_all()

    def _be_there(self) -> None:
        """Open the file again if it was removed or its disk was taken out and came back."""
        try:
            there = self.path.stat().st_ino == self._inode
        except OSError:
            there = False
        if there:
            return
        with contextlib.suppress(sqlite3.Error):
            self._connection.close()
        self._start_state = None
        self._rows = _Written()
        self._dropped_earlier = self._dropped
        self._connection, self._session, self._inode = self._open("reopened")

    def _insert(self, item: _Item, rows: _Written) -> None:
        record, readings = item.record, item.record.readings
        rest = _Rest(record.in_phase_s, tuple(_Fill(c.net_kg, c.net_uncertainty_kg) for c in record.cylinders))
        detail: bytes | None = _encode(
            _Detail(
                record.ask,
                record.sentence,
                record.alarms,
                tuple(CylinderFill(c.cylinder, c.tare_reading_kg, 0.0, 0.0) for c in record.cylinders),
                record.standing_checks,
            )
        )
        if detail == rows.detail:
            detail = None
        else:
            rows.detail = detail
        facts = facts_of(record)
        told: bytes | None = _encode(facts.told)
        if told == rows.told:
            told = None
        else:
            rows.told = told
        happened = _encode(_Happened(record.events, record.replies)) if record.events or record.replies else None
        state = None
        now_s = readings.now_s
        # After a gap the state is stored at once, so that replay can go on from there.
        due = (
            now_s >= rows.next_checkpoint_s
            or rows.next_checkpoint_s > now_s + self._checkpoint_every_s
            or bool(item.receipt.critical or item.dropped_before)
        )
        if item.state is not None and due:
            state = _encode(item.state)
            rows.next_checkpoint_s = now_s + self._checkpoint_every_s
        execute = self._connection.execute
        execute(
            _INSERT_SCAN,
            (
                self._session,
                record.scan,
                now_s,
                readings.utc_s,
                record.phase.value,
                " ".join(tags(record.outputs.bits)),
                _plain(readings.pt_101_pa_abs),
                _plain(readings.pt_201_pa_abs),
                _plain(readings.wt_301_kg),
                record.estimate.recovered_kg,
                *(getattr(facts, name) for name in FIGURES),
                told,
                item.dropped_before,
                _encode(readings),
                _encode(record.outputs),
                _encode(record.estimate),
                _encode(rest),
                detail,
                happened,
                state,
            ),
        )
        where = (self._session, record.scan, now_s, readings.utc_s)
        for event in record.events:
            execute(
                "INSERT INTO events VALUES (NULL,?,?,?,?,?,?,?,?)",
                (*where, record.phase.value, event.kind, event.tag, event.text),
            )
        if rows.alarms or record.alarms:
            alarms = {a.tag: (a.state.value, a.since_s) for a in record.alarms}
            if alarms != rows.alarms:
                for alarm in record.alarms:
                    if rows.alarms.get(alarm.tag) != alarms[alarm.tag]:
                        execute(
                            "INSERT INTO alarms VALUES (NULL,?,?,?,?,?,?,?,?,?)",
                            (
                                *where,
                                alarm.tag,
                                alarm.kind.value,
                                alarm.state.value,
                                alarm.since_s,
                                alarm.text,
                            ),
                        )
                for tag in rows.alarms.keys() - alarms.keys():
                    execute(
                        "INSERT INTO alarms VALUES (NULL,?,?,?,?,?,?,?,?,?)",
                        (*where, tag, "", "normal", rows.alarms[tag][1], ""),
                    )
                rows.alarms = alarms

    def _open(self, reason: str) -> tuple[sqlite3.Connection, int, int]:
        """Open or make the file and enter a session; one clear sentence when that fails."""
        path = self.path
        if not path.parent.is_dir():
            raise JournalError(f"The folder {path.parent} for the journal does not exist: make it or name another one.")
        if path.is_dir():
            raise JournalError(f"{path} is a folder: name a file for the journal.")
        connection = None
        try:
            if path.is_file() and path.stat().st_size:
                _refuse_other_core(path, self._core)
            connection = sqlite3.connect(path, timeout=2.0, isolation_level=None, check_same_thread=False)
            new = _check_kind(connection, path)
            if not new:
                _check_job(connection, path, self._settings)
            connection.execute("PRAGMA journal_mode=WAL")
            connection.execute("PRAGMA synchronous=FULL")
            connection.execute("BEGIN IMMEDIATE")
            if new and _is_empty(connection):
                for statement in _SCHEMA.split(";\n"):
                    connection.execute(statement)
                connection.execute(f"PRAGMA application_id={APPLICATION_ID}")
                connection.execute(f"PRAGMA user_version={FORMAT}")
            session = connection.execute(
                "INSERT INTO sessions (opened_utc_s, software_version, core, layouts_json, job_json, reason,"
                " settings_json, settings, start_state) VALUES (?,?,?,?,?,?,?,?,?)",
                (
                    time.time(),
                    self._version,
                    self._core,
                    msgspec.json.encode(_layouts()).decode(),
                    msgspec.json.encode(job_facts_of(self._settings)).decode(),
                    reason or ("start" if new else "resume"),
                    msgspec.json.encode(self._settings).decode(),
                    _encode(self._settings),
                    None if self._start_state is None else _encode(self._start_state),
                ),
            ).lastrowid
            connection.execute("COMMIT")
            if new:
                _sync_folder(path.parent)
            if session is None:
                raise JournalError(f"{path} took no session: it is damaged; name a new file.")
            return connection, session, path.stat().st_ino
        except (sqlite3.Error, OSError, ValueError) as error:
            if connection is not None:
                connection.close()
            raise JournalError(_sentence(error, path)) from error
        except JournalError:
            if connection is not None:
                connection.close()
            raise


class JournalReader:
    """Reads a journal, also one that is being written at the same time by another process.

    Raises
    ------
    JournalError
        There is no such file, or it is no journal, is damaged or was made by a newer version.
    """

    def __init__(self, path: Path) -> None:
        self.path = path.absolute()
        if not path.is_file():
            raise JournalError(f"There is no journal {path}: check the name.")
        try:
            self._connection = self._connect()
        except (sqlite3.Error, ValueError) as error:
            raise JournalError(_sentence(error, self.path, reading=True)) from error

    def _connect(self) -> sqlite3.Connection:
        uri = f"{self.path.as_uri()}?mode=ro"
        try:
            return self._begun(uri)
        except sqlite3.OperationalError:
            # A finished journal on a read-only medium: SQLite can't make its shared memory file there.
            wal = self.path.with_name(self.path.name + "-wal")
            if wal.exists() and wal.stat().st_size:
                raise
            return self._begun(f"{uri}&immutable=1")

    def _begun(self, uri: str) -> sqlite3.Connection:
        connection = sqlite3.connect(uri, uri=True, timeout=2.0, isolation_level=None)
        try:
            if _check_kind(connection, self.path):
                raise JournalError(f"The journal {self.path} is empty: the program ended before it was begun.")
        except BaseException:
            connection.close()
            raise
        return connection

    def __enter__(self) -> Self:
        """Return the reader."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, traceback: TracebackType | None
    ) -> None:
        """Close the reader."""
        self.close()

    def close(self) -> None:
        """Close the file."""
        self._connection.close()

    def _rows(self, query: str, *values: object) -> Iterator[Any]:
        try:
            yield from self._connection.execute(query, values)
        except (sqlite3.Error, ValueError) as error:
            # ValueError: text that is no UTF-8, in a value or in SQLite's own message about a damaged file.
            raise JournalError(_sentence(error, self.path, reading=True)) from error

    def sessions(self) -> list[Session]:
        """Every start of the program within this job, oldest first."""
        try:
            return _sessions(self._connection, self.path)
        except (sqlite3.Error, ValueError) as error:
            raise JournalError(_sentence(error, self.path, reading=True)) from error

    def stands(self) -> Stands | None:
        """Where the job stands by its last scan; None before the first. Reads every format."""
        for phase, recovered_kg, utc_s in self._rows(_LAST_SCAN):
            return Stands(str(phase), _number(recovered_kg), _number(utc_s))
        return None

    def why_not_resumed(self) -> str:
        """Why this program can't go on with the job, which version can, and what to do; "" when it can."""
        try:
            return _why_not_resumed(self._connection, self.path, core_digest())
        except (sqlite3.Error, ValueError) as error:
            raise JournalError(_sentence(error, self.path, reading=True)) from error

    def left_unfinished(self) -> str:
        """What a person is told of a job that another version has left unfinished; "" for any other job."""
        stands, last = self.stands(), self.sessions()[-1]
        if stands is None or stands.phase in OVER or stands.phase == IDLE or not last.foreign:
            return ""
        return (
            f"The job is not finished: it stands in {stands}. Only the version that wrote it can go on with it:"
            f" {last.written_by}."
        )

    def facts(self, session: Session) -> Iterator[Facts]:
        """What a record needs of every scan of a session; journals of every format and every core have it."""
        told: Any = None
        old = not session.core
        columns = f"{format_1.COLUMNS}, detail" if old else f"{', '.join(FIGURES)}, told"
        query = f"SELECT id, now_s, utc_s, phase, energised, recovered_kg, {columns} FROM scans WHERE session = ?"
        for row in self._rows(query + " ORDER BY id", session.session):
            row_id, now_s, utc_s, phase, energised, recovered_kg, *more, changed = row
            way_out_open = "XV-301" in str(energised).split()
            common = (_number(now_s), _number(utc_s), str(phase), way_out_open, _number(recovered_kg))
            try:
                if changed is not None:
                    told = format_1.detail_of(changed) if old else _told.decode(changed)
                if told is None:
                    raise ValueError("its first row has gone")
                if old:
                    made = format_1.facts(*common, told, tuple(more))
                else:
                    figures: dict[str, Any] = dict(zip(FIGURES, map(_number, more), strict=True))
                    made = Facts(*common, **figures, told=told)
            except _UNREADABLE as error:
                raise JournalError(_damaged(self.path, f" at row {row_id}")) from error
            yield made

    def settings(self) -> Settings:
        """Settings of the last session."""
        return self.sessions()[-1].settings

    def dropped(self) -> int:
        """Scans that were not stored, over all sessions."""
        return sum(session.dropped for session in self.sessions())

    def scans(self, session: int | None = None, after_row: int = 0, *, states: bool = True) -> Iterator[StoredScan]:
        """Every stored scan in order, from the row after `after_row`; `states=False` skips checkpoints."""
        unlike = {one.session for one in self.sessions() if one.foreign and not one.reads_as(*_OF_A_SCAN)}
        detail = self._detail_at(after_row)
        query = (
            "SELECT scans.id, scans.session, scan, dropped_before, phase, readings, outputs, estimate, rest,"
            " detail, happened, state, software_version"
            " FROM scans JOIN sessions USING (session) WHERE scans.id > ?"
        )
        values: list[object] = [after_row]
        if session is not None:
            query += " AND scans.session = ?"
            values.append(session)
        for row in self._rows(query + " ORDER BY scans.id", *values):
            (row_id, in_session, scan, dropped_before, phase, readings, outputs, estimate, rest) = row[:9]
            new_detail, happened, state, version = row[9:]
            if not isinstance(scan, int) or not isinstance(dropped_before, int):
                raise JournalError(_damaged(self.path, f" at row {row_id}"))
            if in_session in unlike:
                raise JournalError(
                    f"The scans in the journal {self.path} are laid out in another way: they were written by version"
                    f" {plain(str(version))}; read them with that version."
                )
            if new_detail is not None:
                detail = _decode(new_detail, _Detail, "scan", self.path, version)
            elif detail is None:
                raise JournalError(_damaged(self.path, f" at row {row_id}"))
            yield StoredScan(
                row=row_id,
                session=in_session,
                dropped_before=dropped_before,
                record=self._record(scan, phase, (readings, outputs, estimate, rest, happened), detail, version),
                state=_state(state, self.path, version) if states else None,
            )

    def _detail_at(self, row: int) -> _Detail | None:
        query = (
            "SELECT detail, software_version FROM scans JOIN sessions USING (session)"
            " WHERE scans.id <= ? AND detail IS NOT NULL ORDER BY scans.id DESC LIMIT 1"
        )
        for detail, version in self._rows(query, row):
            return _decode(detail, _Detail, "scan", self.path, version)
        return None

    def _record(
        self,
        scan: int,
        phase: str,
        blobs: tuple[bytes, bytes, bytes, bytes, bytes | None],
        detail: _Detail,
        version: str,
    ) -> ScanRecord:
        def read(blob: bytes, kind: type[_T], what: str = "scan") -> _T:
            return _decode(blob, kind, what, self.path, version)

        rest = read(blobs[3], _Rest)
        happened = _Happened((), ()) if blobs[4] is None else read(blobs[4], _Happened)
        if len(rest.fills) != len(detail.cylinders):
            raise JournalError(_damaged(self.path, f" at scan {scan}"))
        return ScanRecord(
            scan=scan,
            readings=read(blobs[0], Readings, "readings"),
            phase=_phase(phase, self.path, version),
            in_phase_s=rest.in_phase_s,
            ask=detail.ask,
            sentence=detail.sentence,
            estimate=read(blobs[2], Estimate, "estimate"),
            alarms=detail.alarms,
            outputs=read(blobs[1], Outputs, "outputs"),
            events=happened.events,
            replies=happened.replies,
            cylinders=tuple(
                CylinderFill(c.cylinder, c.tare_reading_kg, fill.net_kg, fill.net_uncertainty_kg)
                for c, fill in zip(detail.cylinders, rest.fills, strict=True)
            ),
            standing_checks=detail.standing_checks,
        )

    def last_scan(self) -> StoredScan | None:
        """The last stored scan of the job; None before the first."""
        last = next(self._rows("SELECT max(id) FROM scans"))[0]
        return None if last is None else next(self.scans(after_row=last - 1), None)

    def last_state(self) -> State | None:
        """The newest stored state, to resume from; None before the first."""
        query = (
            "SELECT state, software_version FROM scans JOIN sessions USING (session)"
            " WHERE state IS NOT NULL ORDER BY scans.id DESC LIMIT 1"
        )
        for state, version in self._rows(query):
            return _state(state, self.path, version)
        return None

    def checkpoints(self) -> list[int]:
        """Rows that hold a state."""
        return [row for (row,) in self._rows("SELECT id FROM scans WHERE state IS NOT NULL ORDER BY id")]

    def events(self) -> Iterator[EventRow]:
        """Every event of the job in order."""
        query = (
            "SELECT session, scan, utc_s, phase, kind, tag, text, software_version"
            " FROM events JOIN sessions USING (session) ORDER BY id"
        )
        for session, scan, utc_s, phase, kind, tag, text, version in self._rows(query):
            yield EventRow(session, scan, utc_s, _phase(phase, self.path, version), Event(kind, tag, text))


def this_program() -> str:
    """Name the program that runs here, as a sentence does."""
    return _program(software_version(), core_digest())


def _program(version: str, core: str) -> str:
    version = plain(version)
    return f"version {version} (core {plain(core[:SHOWN])})" if core else f"version {version} (journals of format 1)"


def _layouts() -> dict[str, Layout]:
    """How scans and states are laid out by this version."""
    from rigctl.scan import State

    kinds = {"readings": Readings, "outputs": Outputs, "estimate": Estimate, "state": State}
    return {part: layout_of(kind) for part, kind in kinds.items()}


def _sessions(connection: sqlite3.Connection, path: Path) -> list[Session]:
    old = connection.execute("PRAGMA user_version").fetchone()[0] < FORMAT
    known = "'', '{}', settings_json" if old else "core, layouts_json, job_json"
    query = (
        "SELECT session, opened_utc_s, software_version, reason, settings, start_state, dropped,"
        f" {known} FROM sessions ORDER BY session"
    )
    found = []
    for row in connection.execute(query):
        session, opened_utc_s, version, reason, settings, start_state, dropped, core, layouts_json, job_json = row
        kinds = (int, float | int, str, str, bytes, bytes | None, int, str, str | bytes, str | bytes)
        if not all(isinstance(value, kind) for value, kind in zip(row, kinds, strict=True)):
            raise JournalError(_damaged(path))
        try:
            layouts = format_1.LAYOUTS if old else msgspec.json.decode(layouts_json, type=dict[str, Layout])
        except _UNREADABLE as error:
            raise JournalError(_damaged(path)) from error
        found.append(
            Session(
                path=path,
                session=session,
                opened_utc_s=opened_utc_s,
                software_version=version,
                core=core,
                reason=reason,
                dropped=dropped,
                layouts=layouts,
                settings_blob=settings,
                start_state_blob=start_state,
                job_json=job_json,
            )
        )
    if not found:
        raise JournalError(_damaged(path))
    return found


def _why_not_resumed(connection: sqlite3.Connection, path: Path, core: str) -> str:
    last = _sessions(connection, path)[-1]
    if last.core == core and last.layouts.get("state") == _layouts()["state"]:
        return ""
    row = connection.execute(_LAST_SCAN).fetchone()
    stands = Stands("idle") if row is None else Stands(str(row[0]), _number(row[1]), _number(row[2]))
    this = this_program() if last.core != core else f"{this_program()} with another memory of its advice"
    return (
        f'{path} holds the job "{plain(last.job.name)}", which stands in {stands}. It was written by {last.written_by},'
        f" and only that version can go on with it: this is {this}. Finish it with that version. Or end it here: write"
        f' its record as it stands with "rigctl record {path}", and start in a new folder (--out).'
    )


def _refuse_other_core(path: Path, core: str) -> None:
    """Read only, for a connection that may write puts the log of a killed program into the file when it is closed."""
    uri = f"{path.as_uri()}?mode=ro"
    with contextlib.closing(sqlite3.connect(uri, uri=True, timeout=2.0, isolation_level=None)) as connection:
        if not _check_kind(connection, path) and (why := _why_not_resumed(connection, path, core)):
            raise JournalError(why)


def _state(blob: bytes | None, path: Path, version: str) -> State | None:
    if blob is None:
        return None
    from rigctl.scan import State

    return _decode(blob, State, "state", path, version)


def _decode(blob: bytes, kind: type[_T], what: str, path: Path, version: str) -> _T:
    if not isinstance(blob, bytes):
        raise JournalError(_damaged(path))
    try:
        return msgspec.msgpack.decode(blob, type=kind)
    except _UNREADABLE as error:
        raise JournalError(
            f"The {what} in the journal {path} can't be read ({plain(str(error), 100)}): it was written by version"
            f" {plain(str(version))}; read it with that version."
        ) from error


def _phase(word: str, path: Path, version: str) -> Phase:
    try:
        return Phase(word)
    except ValueError as error:
        raise JournalError(
            f"The journal {path} has a phase {quoted(word)} that this version does not know: it was written by version"
            f" {plain(str(version))}; read it with that version."
        ) from error


def _number(value: Any) -> float:
    """A figure from a column; NaN for one that is not known, which SQLite keeps as NULL."""
    return float(value) if isinstance(value, float | int) else math.nan


def iso_utc(utc_s: float | None) -> str | None:
    """Seconds since 1970 as ISO 8601 text in UTC with milliseconds; None when there is no such time."""
    if utc_s is None:
        return None
    try:
        return datetime.fromtimestamp(utc_s, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
    except (ValueError, OverflowError, OSError):
        return None


def _plain(reading: Reading) -> float | None:
    return reading.value if reading.fault is None else None


def _is_empty(connection: sqlite3.Connection) -> bool:
    return bool(connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0] == 0)


def _check_kind(connection: sqlite3.Connection, path: Path) -> bool:
    """Whether the file is new; raises when it is not a journal that this version can read."""
    application_id = connection.execute("PRAGMA application_id").fetchone()[0]
    if application_id == 0 and _is_empty(connection):
        return True
    if application_id != APPLICATION_ID:
        raise JournalError(f"{path} is a database, but not a journal of this program: name another file.")
    version = connection.execute("PRAGMA user_version").fetchone()[0]
    if version > FORMAT:
        raise NewerJournalError(
            f"The journal {path} was written by a newer version of this program ({_newest_of(connection)}format"
            f" {version}, this one reads up to {FORMAT}): update the program or name another file."
        )
    return False


def _newest_of(connection: sqlite3.Connection) -> str:
    """The version that wrote a journal of a format to come, if it stands where it does today."""
    with contextlib.suppress(sqlite3.Error, ValueError):
        row = connection.execute("SELECT software_version FROM sessions ORDER BY session DESC LIMIT 1").fetchone()
        return f"version {plain(str(row[0]))}, " if row is not None else ""
    return ""


def _check_job(connection: sqlite3.Connection, path: Path, settings: Settings) -> None:
    row = connection.execute(
        "SELECT json_extract(settings_json, '$.job.name'), json_extract(settings_json, '$.job.appliance')"
        " FROM sessions ORDER BY session LIMIT 1"
    ).fetchone()
    if row is not None and row != (settings.job.name, settings.job.appliance):
        raise JournalError(
            f"The journal {path} holds the job {quoted(row[0])} ({plain(str(row[1]))}), not"
            f" {settings.job.name!r} ({settings.job.appliance}): one file a job, name another one."
        )


def _sync_folder(folder: Path) -> None:
    """Make the new file's name outlive a power cut."""
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _sentence(error: Exception, path: Path, *, reading: bool = False) -> str:
    """Say in one sentence what is wrong with the file and what to do."""
    if isinstance(error, JournalError):
        return str(error)
    if "decode to UTF-8" in str(error):  # the one of its errors in which sqlite3 quotes the text whole
        return _damaged(path)
    code = getattr(error, "sqlite_errorcode", None)
    if isinstance(error, OSError):
        return f"The journal {path} can't be written ({error.strerror or error}): check the folder and the disk."
    if isinstance(error, ValueError):
        return _damaged(path)
    if not isinstance(code, int):
        return f"The journal {path} failed ({plain(str(error))}): check the disk, or name another file."
    if code in (sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR_SHMSIZE):
        return f"The disk with the journal {path} is full: free some space; the job goes on without it."
    primary = code & 0xFF
    if primary == sqlite3.SQLITE_NOTADB:
        return f"{path} is not a journal: name another file."
    if primary in (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM):
        verb = "read" if reading else "written"
        return f"The journal {path} can't be {verb}: check that the folder is there and its permissions."
    if primary == sqlite3.SQLITE_CORRUPT:
        return _damaged(path)
    if primary in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
        return f"Another program keeps the journal {path} locked: close it."
    return f"The journal {path} failed ({plain(str(error))}): check the disk, or name another file."


def _damaged(path: Path, where: str = "") -> str:
    return f"The journal {path} is damaged{where}: keep a copy of it and name a new file."
