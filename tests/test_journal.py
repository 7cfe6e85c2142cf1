"""The journal on real files: no acknowledged record is lost, the scan is left alone, replay finds changes."""

import json
import math
import os
import shutil
import signal
import sqlite3
import stat
import subprocess
import sys
import tempfile
import threading
from contextlib import contextmanager
from pathlib import Path

import msgspec
import pytest
from hypothesis import HealthCheck, given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from rigctl import config
from rigctl import scan as one_scan
from rigctl.advice.report import Estimate
from rigctl.control.points import M_101, XV_101, XV_301, Outputs
from rigctl.control.protect.alarms import Alarm
from rigctl.control.readings import Fault, Reading, Readings, Request, RequestKind, Source
from rigctl.control.settings import Cylinder, Job, Settings
from rigctl.control.state import CylinderFill, Event, Reply, StandingCheck
from rigctl.control.vocabulary import AlarmState, Ask, Kind, Phase
from rigctl.journal import replay as replay_module
from rigctl.journal.replay import differences, replay
from rigctl.journal.store import (
    Journal,
    JournalError,
    JournalReader,
    iso_utc,
    journal_path,
    unfinished,
)
from rigctl.scan import ScanRecord, prepare
from tests.waiting import PATIENCE_S, until

UTC_S = 1_790_000_000.0  # 2026-09-21T14:13:20Z by GNU date


def filled(kind, **given):
    """A struct with every field that has no default: 1.0 for numbers, True, "", or what is given."""
    values = dict(given)
    for field in msgspec.structs.fields(kind):
        if field.name in values or not field.required:
            continue
        of = field.type
        values[field.name] = (
            filled(of)
            if isinstance(of, type) and issubclass(of, msgspec.Struct)
            else next(iter(of))
            if isinstance(of, type) and hasattr(of, "__members__")
            else of(1)
            if of in (int, float, bool)
            else ""
        )
    return kind(**values)


CYLINDER = filled(
    Cylinder,
    serial="C-17",
    water_capacity_kg=21.6,
    tare_kg=12.4,
    service_pressure_pa_gauge=2.76e6,
    refrigerant="R-410A",
    retest_due="2029-04-30",
)
SETTINGS = filled(
    Settings,
    rig="rig-1",
    scan_period_s=0.1,
    cylinder=CYLINDER,
    job=filled(
        Job,
        name="Roof unit 4",
        refrigerant="R-410A",
        appliance="Split unit, 11 kW",
        technician="A. Example",
        site="Example Street 1",
        date="2026-09-21",
        level_pa_abs=50_000.0,
        level_text="15 inHg vacuum",
        level_source="entered by hand",
        charge_kg=3.2,
    ),
)


def readings(scan, *, requests=(), utc_s=None, now_s=None):
    now_s = 100.0 + scan * 0.1 if now_s is None else now_s
    return Readings(
        now_s=now_s,
        utc_s=UTC_S + scan * 0.1 if utc_s is None else utc_s,
        pt_101_pa_abs=Reading(9e5 - scan, now_s),
        pt_201_pa_abs=Reading(1.8e6, now_s),
        wt_301_kg=Reading(12.4 + scan * 1e-3, now_s),
        requests=requests,
    )


def record(scan, *, phase=Phase.LIQUID, events=(), alarms=(), **other):
    values = {
        "scan": scan,
        "readings": readings(scan),
        "phase": phase,
        "in_phase_s": scan * 0.1,
        "ask": Ask.NOTHING,
        "sentence": "",
        "estimate": Estimate(
            net_kg=scan * 1e-3, recovered_kg=scan * 1e-3, recovered_uncertainty_kg=0.02, fill_limit_kg=17.0
        ),
        "alarms": alarms,
        "outputs": Outputs(XV_101 | XV_301 | M_101),
        "events": events,
        "replies": (),
        "cylinders": (CylinderFill(CYLINDER, 12.4, scan * 1e-3, 0.02),),
        "standing_checks": (),
    }
    return ScanRecord(**{**values, **other})


EVENT = (Event("trip", "PT-201.high", "Discharge pressure 41 bar g."),)


def stored(path):
    with JournalReader(path) as reader:
        return [scan.record for scan in reader.scans()]


def same(a, b):
    """Equal to the bit, NaN included."""
    return msgspec.msgpack.encode(a) == msgspec.msgpack.encode(b)


# ---- what goes in comes out --------------------------------------------------------------------------------

anything = st.floats(allow_nan=True, allow_infinity=True)
some_reading = st.builds(Reading, anything, anything, st.none() | st.sampled_from(Fault))
some_cylinder = st.builds(
    lambda serial, tare_kg: msgspec.structs.replace(CYLINDER, serial=serial, tare_kg=tare_kg),
    st.text(max_size=8),
    anything,
)
some_request = st.builds(
    Request,
    st.sampled_from(RequestKind),
    st.sampled_from(Source),
    st.text(max_size=8),
    st.none() | some_cylinder,
)
some_readings = st.builds(
    Readings,
    anything,
    anything,
    *[some_reading] * 16,
    st.none() | st.integers(0, 4095),
    st.integers(0, 2**40),
    st.lists(some_request, max_size=2).map(tuple),
)
some_alarm = st.builds(
    Alarm,
    st.text(max_size=8),
    st.sampled_from(Kind),
    st.sampled_from(AlarmState),
    anything,
    st.text(max_size=20),
)
some_record = st.builds(
    ScanRecord,
    scan=st.integers(0, 2**40),
    readings=some_readings,
    phase=st.sampled_from(Phase),
    in_phase_s=anything,
    ask=st.sampled_from(Ask),
    sentence=st.text(max_size=20),
    estimate=st.builds(Estimate, *[anything] * 3),
    alarms=st.lists(some_alarm, max_size=3).map(tuple),
    outputs=st.builds(Outputs, st.integers(0, 4095), anything),
    events=st.lists(st.builds(Event, *[st.text(max_size=8)] * 3), max_size=2).map(tuple),
    replies=st.lists(st.builds(Reply, st.text(max_size=8), st.booleans(), st.text()), max_size=2).map(tuple),
    cylinders=st.lists(st.builds(CylinderFill, some_cylinder, *[anything] * 3), max_size=3).map(tuple),
    standing_checks=st.lists(st.builds(StandingCheck, *[anything] * 4, st.booleans()), max_size=2).map(tuple),
)


@hypothesis_settings(max_examples=40, deadline=None)
@given(st.lists(some_record, min_size=1, max_size=6))
def test_every_scan_comes_back_as_it_was_to_the_bit(records):
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "a.journal"
        with Journal(path, SETTINGS, commit_every_s=0.01) as journal:
            for one in records:
                journal.offer(one)
        assert journal.health().ok
        back = stored(path)
    assert len(back) == len(records)
    assert all(same(a, b) for a, b in zip(back, records, strict=True))


def test_settings_come_back_exact_and_can_be_read_by_a_person(tmp_path):
    odd = msgspec.structs.replace(
        SETTINGS, job=msgspec.structs.replace(SETTINGS.job, charge_kg=math.nan, level_pa_abs=0.1 + 0.2)
    )
    path = tmp_path / "a.journal"
    Journal(path, odd, version="1.2.3").close(PATIENCE_S)
    with JournalReader(path) as reader:
        assert same(reader.settings(), odd)
        assert reader.sessions()[0].software_version == "1.2.3"
    with sqlite3.connect(path) as plain:
        (text,) = plain.execute("SELECT settings_json FROM sessions").fetchone()
    plain.close()
    assert json.loads(text)["job"]["appliance"] == "Split unit, 11 kW"


def test_a_person_can_query_plain_columns_with_any_sqlite_tool(tmp_path):
    path = tmp_path / "a.journal"
    faulty = msgspec.structs.replace(readings(1), wt_301_kg=Reading(7.0, 0.0, Fault.NO_REPLY))
    with Journal(path, SETTINGS) as journal:
        journal.offer(record(0, events=EVENT))
        journal.offer(record(1, readings=faulty))
    plain = sqlite3.connect(path)
    rows = plain.execute(
        "SELECT scan, phase, energised, pt_101_pa_abs, wt_301_kg, datetime(utc_s, 'unixepoch') FROM scans"
    ).fetchall()
    events = plain.execute("SELECT scan, kind, tag, text FROM events").fetchall()
    plain.close()
    # 1 790 000 000 s after 1970 is 2026-09-21 14:13:20 by GNU date.
    assert rows == [
        (0, "liquid", "XV-101 XV-301 M-101", 9e5, 12.4, "2026-09-21 14:13:20"),
        (1, "liquid", "XV-101 XV-301 M-101", 9e5 - 1, None, "2026-09-21 14:13:20"),
    ]
    assert events == [(0, "trip", "PT-201.high", "Discharge pressure 41 bar g.")]


def test_alarm_changes_have_rows_of_their_own(tmp_path):
    path = tmp_path / "a.journal"
    alarm = Alarm("TT-201.high", Kind.HOLD, AlarmState.UNACKNOWLEDGED, 100.1, "Discharge at 121 degC.")
    seen = msgspec.structs.replace(alarm, state=AlarmState.ACKNOWLEDGED)
    with Journal(path, SETTINGS) as journal:
        for scan, alarms in enumerate([(), (alarm,), (alarm,), (seen,), (seen,), ()]):
            journal.offer(record(scan, alarms=alarms))
    plain = sqlite3.connect(path)
    rows = plain.execute("SELECT scan, tag, kind, state FROM alarms ORDER BY id").fetchall()
    plain.close()
    assert rows == [
        (1, "TT-201.high", "hold", "active, unacknowledged"),
        (3, "TT-201.high", "hold", "active, acknowledged"),
        (5, "TT-201.high", "", "normal"),
    ]


def test_times_are_iso_8601_in_utc():
    # Example of RFC 3339, section 5.8 (from memory): 1985-04-12T23:20:50.52Z is 482196050.52 s after 1970.
    assert iso_utc(482196050.52) == "1985-04-12T23:20:50.520Z"
    assert iso_utc(math.nan) is None
    assert iso_utc(1e300) is None


# ---- no acknowledged record is lost ------------------------------------------------------------------------

WRITER = """
import sys
from pathlib import Path
from tests.test_journal import EVENT, SETTINGS, record
from rigctl.journal.store import Journal
journal = Journal(Path(sys.argv[1]), SETTINGS, commit_every_s=0.05)
scan = 0
while True:
    receipt = journal.offer(record(scan, events=EVENT if scan % 10 == 0 else ()))
    if receipt.critical and receipt.wait(60.0):
        sys.stdout.write(f"{scan}\\n")
        sys.stdout.flush()
    scan += 1
"""


@pytest.mark.parametrize("after", [1, 5, 23])
def test_no_acknowledged_event_is_lost_when_the_writer_is_killed(tmp_path, after):
    path = tmp_path / "a.journal"
    root = Path(__file__).parent.parent
    child = subprocess.Popen([sys.executable, "-c", WRITER, str(path)], stdout=subprocess.PIPE, text=True, cwd=root)
    acknowledged = [int(child.stdout.readline()) for _ in range(after)]
    child.send_signal(signal.SIGKILL)
    rest, _ = child.communicate()
    acknowledged += [int(line) for line in rest.splitlines()]
    assert child.returncode == -signal.SIGKILL

    with JournalReader(path) as reader:
        kept = {row.scan for row in reader.events()}
        scans = [scan.record.scan for scan in reader.scans()]
    assert set(acknowledged) <= kept
    # Queue order: whatever came before an acknowledged scan is there too.
    assert scans == list(range(len(scans)))
    assert scans[-1] >= acknowledged[-1]

    # And the job goes on in the same file.
    with Journal(path, SETTINGS) as journal:
        assert journal.offer(record(scans[-1] + 1, events=EVENT)).wait(PATIENCE_S)
    with JournalReader(path) as reader:
        assert [session.reason for session in reader.sessions()] == ["start", "resume"]
        assert reader.last_scan().record.scan == scans[-1] + 1


def test_a_file_of_no_bytes_left_by_a_power_cut_is_begun_anew(tmp_path):
    path = tmp_path / "a.journal"
    path.touch()
    with Journal(path, SETTINGS) as journal:
        assert journal.offer(record(0, events=EVENT)).wait(PATIENCE_S)
    assert len(stored(path)) == 1


def test_events_are_written_with_a_full_sync_and_plain_scans_without(tmp_path):
    # SQLite's documentation of PRAGMA synchronous: in WAL mode only FULL outlives a power cut. A power cut
    # can't be made here, so the statements that reach SQLite are looked at.
    path = tmp_path / "a.journal"
    journal = Journal(path, SETTINGS, commit_every_s=0.05)
    said = []
    journal._connection.set_trace_callback(said.append)
    assert journal.offer(record(0, events=EVENT)).wait(PATIENCE_S)
    first = list(said)
    said.clear()
    assert journal.offer(record(1)).wait(PATIENCE_S)
    second = list(said)
    journal.close(PATIENCE_S)
    assert first[0] == "PRAGMA synchronous=FULL"
    assert first[-1] == "COMMIT"
    assert second[0] == "PRAGMA synchronous=NORMAL"
    assert "PRAGMA synchronous=FULL" not in second


def test_a_reader_sees_the_job_while_it_is_written(tmp_path):
    path = tmp_path / "a.journal"
    with Journal(path, SETTINGS) as journal:
        journal.offer(record(0, events=EVENT)).wait(PATIENCE_S)
        with JournalReader(path) as reader:
            assert reader.last_scan().record.scan == 0
            journal.offer(record(1, events=EVENT)).wait(PATIENCE_S)
            assert reader.last_scan().record.scan == 1


# ---- it never disturbs the scan ----------------------------------------------------------------------------


def test_a_full_queue_drops_and_counts_scans_and_keeps_places_for_events(tmp_path):
    path = tmp_path / "a.journal"
    journal = Journal(path, SETTINGS, capacity=5, reserve=2, commit_every_s=0.05)
    blocker = sqlite3.connect(path, isolation_level=None)
    blocker.execute("BEGIN IMMEDIATE")  # nobody else can write now
    first = journal.offer(record(0))  # a new phase counts as an event
    receipts = [journal.offer(record(scan)) for scan in range(1, 12)]
    kept_event = journal.offer(record(12, events=EVENT))
    assert [r.dropped for r in receipts] == [False] * 4 + [True] * 7
    assert not kept_event.dropped
    assert journal.health().dropped == 7
    blocker.execute("ROLLBACK")
    blocker.close()
    assert kept_event.wait(PATIENCE_S)
    assert first.acknowledged
    assert not receipts[-1].wait(0.0)
    health = journal.close(PATIENCE_S)
    assert (health.ok, health.dropped, health.stored) == (True, 7, 6)
    assert "7 scans" in health.sentence
    with JournalReader(path) as reader:
        back = list(reader.scans())
        assert reader.dropped() == 7
    assert [(s.record.scan, s.dropped_before) for s in back] == [
        (0, 0), (1, 0), (2, 0), (3, 0), (4, 0), (12, 7),
    ]  # fmt: skip


def test_a_lock_held_by_another_program_is_reported_and_then_made_good(tmp_path):
    path = tmp_path / "a.journal"
    journal = Journal(path, SETTINGS, commit_every_s=0.05)
    blocker = sqlite3.connect(path, isolation_level=None)
    blocker.execute("BEGIN IMMEDIATE")
    receipt = journal.offer(record(0, events=EVENT))
    assert until(lambda: not journal.health().ok)  # SQLite waits for a lock, but not for ever
    assert not receipt.acknowledged
    assert "locked" in journal.health().sentence
    blocker.execute("ROLLBACK")
    blocker.close()
    assert receipt.wait(PATIENCE_S)
    assert journal.close(PATIENCE_S).ok
    assert len(stored(path)) == 1


@contextmanager
def small_disk(folder, size="400k"):
    if os.geteuid() != 0 or shutil.which("mount") is None:
        pytest.skip("a small disk can only be mounted by root")
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", str(folder)], capture_output=True, check=False
    )
    if mounted.returncode:
        pytest.skip(f"mounting is not permitted here: {mounted.stderr.decode().strip()}")
    try:
        yield
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=True)


def test_a_full_disk_is_reported_in_one_sentence_and_writing_goes_on_when_there_is_room(tmp_path):
    with small_disk(tmp_path):
        path = tmp_path / "a.journal"
        ballast = tmp_path / "ballast"
        journal = Journal(path, SETTINGS, commit_every_s=0.05)
        assert journal.offer(record(0, events=EVENT)).wait(PATIENCE_S)
        with ballast.open("wb", buffering=0) as file, pytest.raises(OSError):
            while True:
                file.write(bytes(4096))
        receipts = [journal.offer(record(scan, events=EVENT)) for scan in range(1, 40)]
        assert until(lambda: not journal.health().ok)
        assert not receipts[-1].acknowledged
        health = journal.health()
        assert not health.ok
        assert health.waiting > 0
        assert "is full: free some space" in health.sentence
        ballast.unlink()
        assert receipts[-1].wait(PATIENCE_S)
        assert journal.close(PATIENCE_S).ok
        assert [r.scan for r in stored(path)] == list(range(40))


def test_a_journal_that_cant_be_begun_on_a_full_disk_says_so(tmp_path):
    with small_disk(tmp_path, "16k"):
        with (tmp_path / "ballast").open("wb", buffering=0) as file, pytest.raises(OSError):
            while True:
                file.write(bytes(4096))
        with pytest.raises(JournalError, match="is full: free some space"):
            Journal(tmp_path / "a.journal", SETTINGS)


def test_a_removed_file_is_made_again_and_the_rest_of_the_job_is_in_it(tmp_path):
    path = tmp_path / "a.journal"
    journal = Journal(path, SETTINGS, commit_every_s=0.05)
    assert journal.offer(record(0, events=EVENT)).wait(PATIENCE_S)
    for file in tmp_path.iterdir():
        file.unlink()
    assert journal.offer(record(1, events=EVENT)).wait(PATIENCE_S)
    journal.close(PATIENCE_S)
    with JournalReader(path) as reader:
        assert [s.record.scan for s in reader.scans()] == [1]
        assert [s.reason for s in reader.sessions()] == ["reopened"]


def test_a_folder_that_goes_away_leaves_the_scan_undisturbed(tmp_path):
    folder = tmp_path / "stick"
    folder.mkdir()
    journal = Journal(folder / "a.journal", SETTINGS, commit_every_s=0.05)
    assert journal.offer(record(0, events=EVENT)).wait(PATIENCE_S)
    shutil.rmtree(folder)
    receipt = journal.offer(record(1, events=EVENT))
    assert until(lambda: "does not exist" in journal.health().sentence)
    assert not receipt.acknowledged
    folder.mkdir()
    assert receipt.wait(PATIENCE_S)
    assert journal.close(PATIENCE_S).ok


def test_a_scan_that_cant_be_encoded_is_given_up_and_no_other(tmp_path):
    path = tmp_path / "a.journal"
    journal = Journal(path, SETTINGS, commit_every_s=0.2)
    assert journal.offer(record(0)).wait(PATIENCE_S)
    # These three come into one batch.
    receipts = [journal.offer(record(1)), journal.offer(record(2, sentence=object())), journal.offer(record(3))]
    assert receipts[2].wait(PATIENCE_S)
    assert [r.acknowledged for r in receipts] == [True, False, True]
    assert receipts[1].dropped
    health = journal.close(PATIENCE_S)
    assert (health.ok, health.dropped, health.stored) == (True, 1, 3)
    assert [r.scan for r in stored(path)] == [0, 1, 3]


def test_the_last_scan_that_cant_be_encoded_does_not_keep_the_journal_open(tmp_path):
    path = tmp_path / "a.journal"
    journal = Journal(path, SETTINGS, commit_every_s=3600.0)
    journal.offer(record(0)).wait(PATIENCE_S)
    bad = journal.offer(record(1, sentence=object()))
    journal.close(PATIENCE_S)
    assert bad.dropped
    assert not journal._thread.is_alive()


def test_closing_on_a_disk_that_fails_gives_up_counts_and_says_so(tmp_path):
    path = tmp_path / "a.journal"
    journal = Journal(path, SETTINGS, commit_every_s=3600.0)
    journal.offer(record(0)).wait(PATIENCE_S)
    blocker = sqlite3.connect(path, isolation_level=None)
    blocker.execute("BEGIN IMMEDIATE")
    lost = journal.offer(record(1))
    hasty = journal.close(0.0)
    assert (hasty.ok, "not written to its end" in hasty.sentence) == (False, True)
    health = journal.close(PATIENCE_S)
    blocker.close()
    assert lost.dropped
    assert (health.ok, health.dropped, health.stored) == (False, 1, 1)


def test_offer_never_waits_for_the_disk(tmp_path):
    # The disk is stopped altogether by a lock; offers must come back all the same, in any number.
    path = tmp_path / "a.journal"
    journal = Journal(path, SETTINGS, capacity=50, reserve=5)
    blocker = sqlite3.connect(path, isolation_level=None)
    blocker.execute("BEGIN IMMEDIATE")
    done = threading.Event()

    def scan_loop():
        for scan in range(1_000):
            journal.offer(record(scan, events=EVENT if scan % 7 == 0 else ()))
        done.set()

    threading.Thread(target=scan_loop, daemon=True).start()
    assert done.wait(PATIENCE_S)
    assert journal.health().waiting <= 55
    blocker.execute("ROLLBACK")
    blocker.close()
    health = journal.close(PATIENCE_S)
    assert health.stored + health.dropped == 1_000


def test_after_closing_every_scan_is_refused(tmp_path):
    journal = Journal(tmp_path / "a.journal", SETTINGS)
    journal.close(PATIENCE_S)
    assert journal.offer(record(0)).dropped


# ---- one clear sentence ------------------------------------------------------------------------------------


def test_a_missing_folder_is_refused_in_one_sentence(tmp_path):
    with pytest.raises(JournalError, match="does not exist: make it"):
        Journal(tmp_path / "no" / "a.journal", SETTINGS)


def test_a_file_that_is_no_database_is_refused_in_one_sentence(tmp_path):
    path = tmp_path / "a.journal"
    path.write_text("weight,time\n" * 200)
    with pytest.raises(JournalError, match="is not a journal"):
        Journal(path, SETTINGS)
    with pytest.raises(JournalError, match="is not a journal"):
        JournalReader(path)
    assert path.read_text().startswith("weight,time")


def test_a_database_that_is_no_journal_is_refused_and_left_alone(tmp_path):
    path = tmp_path / "a.db"
    plain = sqlite3.connect(path)
    plain.execute("CREATE TABLE customers (name TEXT)")
    plain.commit()
    plain.close()
    before = path.read_bytes()
    with pytest.raises(JournalError, match="not a journal of this program"):
        Journal(path, SETTINGS)
    assert path.read_bytes() == before


def test_a_journal_of_a_newer_version_is_refused_in_one_sentence(tmp_path):
    path = tmp_path / "a.journal"
    Journal(path, SETTINGS).close(PATIENCE_S)
    plain = sqlite3.connect(path)
    plain.execute("PRAGMA user_version=99")
    plain.close()
    for open_it in (lambda: Journal(path, SETTINGS), lambda: JournalReader(path)):
        with pytest.raises(JournalError, match="newer version of this program"):
            open_it()


def test_a_journal_of_another_job_is_refused_in_one_sentence(tmp_path):
    path = tmp_path / "a.journal"
    Journal(path, SETTINGS).close(PATIENCE_S)
    other = msgspec.structs.replace(SETTINGS, job=msgspec.structs.replace(SETTINGS.job, name="Chiller 2"))
    with pytest.raises(JournalError, match="one file a job"):
        Journal(path, other)


def test_a_folder_without_permission_is_refused_in_one_sentence(tmp_path):
    if os.geteuid() == 0:
        # Root may write anywhere; a read-only mount stops root too.
        with small_disk(tmp_path):
            subprocess.run(["mount", "-o", "remount,ro", str(tmp_path)], check=True)
            with pytest.raises(JournalError, match="can't be written: check"):
                Journal(tmp_path / "a.journal", SETTINGS)
    else:
        tmp_path.chmod(stat.S_IRUSR | stat.S_IXUSR)
        with pytest.raises(JournalError, match="can't be written: check"):
            Journal(tmp_path / "a.journal", SETTINGS)
        tmp_path.chmod(stat.S_IRWXU)


def test_a_finished_journal_is_readable_on_a_read_only_disk(tmp_path):
    with small_disk(tmp_path):
        with Journal(tmp_path / "a.journal", SETTINGS) as journal:
            journal.offer(record(0))
        subprocess.run(["mount", "-o", "remount,ro", str(tmp_path)], check=True)
        assert [r.scan for r in stored(tmp_path / "a.journal")] == [0]


def test_a_missing_or_unbegun_journal_is_refused_by_the_reader(tmp_path):
    with pytest.raises(JournalError, match="There is no journal"):
        JournalReader(tmp_path / "a.journal")
    (tmp_path / "b.journal").touch()
    with pytest.raises(JournalError, match="is empty"):
        JournalReader(tmp_path / "b.journal")


def test_a_damaged_journal_is_reported_in_one_sentence(tmp_path):
    path = tmp_path / "a.journal"
    with Journal(path, SETTINGS) as journal:
        for scan in range(400):
            journal.offer(record(scan))
    data = bytearray(path.read_bytes())
    data[8192 : len(data) - 4096] = b"\xa5" * (len(data) - 12288)
    path.write_bytes(data)
    with pytest.raises(JournalError, match=r"is damaged|can't be read"):
        stored(path)


# ---- finding the journal of a job --------------------------------------------------------------------------


def test_the_file_is_named_by_date_and_job(tmp_path):
    assert journal_path(tmp_path, SETTINGS).name == "2026-09-21_roof-unit-4.journal"


def test_the_unfinished_job_is_found_among_finished_ones(tmp_path):
    for name, phase, utc_s in [
        ("a", Phase.COMPLETE, 30.0),
        ("b", Phase.VAPOR, 10.0),
        ("c", Phase.HELD, 20.0),
        ("d", Phase.ABORTED, 40.0),
    ]:
        with Journal(tmp_path / f"{name}.journal", SETTINGS) as journal:
            journal.offer(record(0, phase=phase, readings=readings(0, utc_s=utc_s)))
    (tmp_path / "e.journal").write_text("no journal at all")
    assert unfinished(tmp_path) == tmp_path / "c.journal"


def test_no_unfinished_job_is_found_where_none_is(tmp_path):
    assert unfinished(tmp_path) is None


# ---- checkpoints and replay with a controller made for the test --------------------------------------------


class ToyState(msgspec.Struct, frozen=True):
    scans: int = 0
    total_kg: float = 0.0
    odd: float = math.nan


def toy_step(state, given, settings):
    """Carries a sum whose last bits tell whether the scans before were the same."""
    after = ToyState(state.scans + 1, state.total_kg + given.wt_301_kg.value / 3.0)
    outputs = Outputs(M_101 if after.total_kg < 1e6 else 0, after.total_kg % 1.0)
    estimate = Estimate(net_kg=after.total_kg, flow_kg_s=2.0 * given.wt_301_kg.value)
    made = record(after.scans, readings=given, outputs=outputs, estimate=estimate)
    return after, outputs, made


@pytest.fixture
def toy(monkeypatch):
    monkeypatch.setattr(one_scan, "State", ToyState, raising=False)
    monkeypatch.setattr(one_scan, "initial", lambda prepared: ToyState(), raising=False)
    monkeypatch.setattr(one_scan, "step", toy_step, raising=False)
    assert replay_module.scan is one_scan


def run_toy(path, scans, *, state=None, start_state=None, lose=(), first=1):
    state = state or ToyState()
    with Journal(path, SETTINGS, start_state=start_state, checkpoint_every_s=2.0, capacity=100_000) as journal:
        for scan in range(first, first + scans):
            given = readings(scan)
            state, _, made = toy_step(state, given, SETTINGS)
            if scan in lose:
                with journal._wake:  # as if the queue had been full
                    journal._dropped += 1
                    journal._dropped_since += 1
            else:
                journal.offer(made, state)
    return state


def test_a_state_is_stored_at_the_start_at_events_and_every_few_seconds(tmp_path, toy):
    path = tmp_path / "a.journal"
    last = run_toy(path, 100)
    with JournalReader(path) as reader:
        states = [s.record.scan for s in reader.scans() if s.state is not None]
        assert states == [1, 21, 41, 61, 81]  # 2 s at 10 Hz
        assert reader.last_state().scans == 81
        assert reader.checkpoints() == states
    assert last.scans == 100


def test_replay_of_a_sound_journal_is_identical_from_the_start_and_from_every_checkpoint(tmp_path, toy):
    path = tmp_path / "a.journal"
    run_toy(path, 60)
    assert replay(path).describe() == "60 scans identical."
    with JournalReader(path) as reader:
        rows = reader.checkpoints()
    assert [replay(path, from_row=row).compared for row in rows] == [60 - row for row in rows]
    with pytest.raises(JournalError, match="holds no state"):
        replay(path, from_row=2)


def test_replay_names_the_first_scan_and_the_tag_that_differ(tmp_path, toy, monkeypatch):
    path = tmp_path / "a.journal"
    run_toy(path, 60)

    def changed(state, given, settings):
        after, outputs, made = toy_step(state, given, settings)
        if after.scans >= 33:
            outputs = msgspec.structs.replace(outputs, bits=0)
        return after, outputs, made

    monkeypatch.setattr(one_scan, "step", changed)
    result = replay(path)
    assert not result.identical
    assert result.difference.scan == 33
    assert [c.where for c in result.difference.changes] == ["M-101"]
    assert "Scan 33 of session 1" in result.describe()
    assert "M-101: stored True, replayed False" in result.describe()


def test_replay_finds_one_changed_bit_in_a_stored_reading(tmp_path, toy):
    path = tmp_path / "a.journal"
    run_toy(path, 60)
    plain = sqlite3.connect(path)
    (blob,) = plain.execute("SELECT readings FROM scans WHERE scan = 40").fetchone()
    given = msgspec.msgpack.decode(blob, type=Readings)
    weight = Reading(math.nextafter(given.wt_301_kg.value, 100.0), given.now_s)
    plain.execute(
        "UPDATE scans SET readings = ? WHERE scan = 40",
        (msgspec.msgpack.encode(msgspec.structs.replace(given, wt_301_kg=weight)),),
    )
    plain.commit()
    plain.close()
    result = replay(path)
    # Doubling is exact in binary floating point, so the bit comes through in the same scan.
    assert result.difference.scan == 40
    assert [c.where for c in result.difference.changes] == ["estimate.flow_kg_s"]


def test_replay_compares_the_stored_states(tmp_path, toy, monkeypatch):
    path = tmp_path / "a.journal"
    run_toy(path, 30)

    def changed(state, given, settings):
        after, outputs, made = toy_step(state, given, settings)
        return msgspec.structs.replace(after, odd=0.0), outputs, made

    monkeypatch.setattr(one_scan, "step", changed)
    difference = replay(path).difference
    assert (difference.scan, [c.where for c in difference.changes]) == (1, ["state.odd"])


def test_replay_goes_on_at_the_next_checkpoint_after_dropped_scans_and_says_so(tmp_path, toy):
    path = tmp_path / "a.journal"
    run_toy(path, 60, lose={30, 31, 32})
    result = replay(path)
    assert result.identical
    assert result.compared == 56  # 60, less 3 lost and the one that only brings the state
    assert result.skipped == 1
    assert result.gaps == ("3 scans are missing before scan 33 of session 1: went on from the checkpoint at scan 33.",)


def test_replay_goes_over_a_restart(tmp_path, toy):
    path = tmp_path / "a.journal"
    state = run_toy(path, 25)
    run_toy(path, 25, state=state, start_state=state, first=26)
    assert replay(path).describe() == "50 scans identical."


def test_replay_of_a_restart_without_a_start_state_goes_on_at_its_first_checkpoint(tmp_path, toy):
    path = tmp_path / "a.journal"
    state = run_toy(path, 25)
    run_toy(path, 25, state=state, first=26)
    result = replay(path)
    assert (result.compared, result.identical, len(result.gaps)) == (49, True, 1)


def test_a_state_of_another_version_is_reported_in_one_sentence(tmp_path, toy, monkeypatch):
    class Other(msgspec.Struct, frozen=True):
        something: str

    path = tmp_path / "a.journal"
    run_toy(path, 5)
    monkeypatch.setattr(one_scan, "State", Other)
    with JournalReader(path) as reader, pytest.raises(JournalError, match="read it with that version"):
        reader.last_state()
    assert len(stored_without_states(path)) == 5


def stored_without_states(path):
    with JournalReader(path) as reader:
        return list(reader.scans(states=False))


# ---- replay with the real controller -----------------------------------------------------------------------

CONFIGS = Path(__file__).parent.parent / "configs"


@pytest.fixture(scope="module", params=["basic", "full"])
def rig(request):
    settings = config.settings_for(
        config.load_rig(CONFIGS / "rigs" / f"{request.param}.toml"), config.load_job(CONFIGS / "jobs" / "split-ac.toml")
    )
    # The course below is no plant: what comes out has nothing to do with a charge.
    return msgspec.structs.replace(settings, job=msgspec.structs.replace(settings.job, charge_kg=None))


def sound_readings(scan, settings, weight_kg, pressure_pa, requests=()):
    """What a rig in good order would show; contacts closed, all at 25 degC."""
    now_s = 50.0 + scan * settings.scan_period_s
    given = {"now_s": now_s, "utc_s": UTC_S + now_s, "requests": requests}
    for field in msgspec.structs.fields(Readings):
        if field.type is Reading:
            tag = field.name.removesuffix("_pa_abs").removesuffix("_degc").removesuffix("_kg")
            value = {
                "pt_101": pressure_pa, "pt_102": pressure_pa, "pt_001": pressure_pa, "pt_201": 1.7e6,
                "pt_301": 1.65e6, "wt_301": weight_kg, "at_001_lfl": 0.0,
            }.get(tag, 25.0 if field.name.endswith("_degc") else 1.0)  # fmt: skip
            given[field.name] = Reading(value, now_s)
    return Readings(**given)


def run_job(path, settings, state, scans, *, start_state=None, first=0, spoil=None):
    """Run the real controller on a plain course: weight rises and pressure falls while the motor is on."""
    weight_kg, pressure_pa, second_kg = settings.cylinder.tare_kg, 1.66e6, 0.0
    phases = set()
    with Journal(path, settings, start_state=start_state, checkpoint_every_s=5.0, capacity=100_000) as journal:
        for scan in range(first, first + scans):
            if state.control.drive.outputs.on(M_101):
                # Just what the controller expects without the scale, so that it goes through its phases.
                weight_kg = max(weight_kg, settings.cylinder.tare_kg + second_kg)
                pressure_pa = max(40e3, pressure_pa * 0.998)
            requests = (Request(RequestKind.START, Source.LOCAL, "start"),) if scan == 20 else ()
            if state.control.phase is Phase.HELD and scan % 100 == 0:  # the person does what is asked
                requests = (Request(RequestKind.RESTART, Source.LOCAL, f"restart-{scan}"),)
            given = sound_readings(scan, settings, weight_kg, pressure_pa, requests)
            if spoil is not None:
                given = spoil(scan, given)
            bits = state.control.drive.outputs.bits
            given = msgspec.structs.replace(given, readback=bits)
            state, _, made = one_scan.step(state, given, prepare(settings))
            second_kg = made.estimate.second_kg
            phases.add(made.phase)
            journal.offer(made, state)
    return state, phases


def test_a_job_of_the_real_controller_replays_to_the_bit(tmp_path, rig):
    path = tmp_path / "a.journal"
    _, phases = run_job(path, rig, one_scan.initial(prepare(rig)), 4_000)
    assert {Phase.LINE_UP, Phase.LIQUID, Phase.VAPOR, Phase.STANDING} <= phases  # or it would show little
    assert replay(path).describe() == "4000 scans identical."
    with JournalReader(path) as reader:
        rows = reader.checkpoints()
    assert len(rows) >= 5
    for row in (rows[1], rows[len(rows) // 2], rows[-2]):
        result = replay(path, from_row=row)
        assert (result.identical, result.compared) == (True, 4_000 - row)


def test_a_job_cut_by_power_loss_is_resumed_from_the_journal_and_replays_to_the_bit(tmp_path, rig):
    path = tmp_path / "a.journal"
    run_job(path, rig, one_scan.initial(prepare(rig)), 600)
    with JournalReader(path) as reader:
        state = one_scan.after_power_loss(reader.last_state())
    assert state.control.phase is Phase.HELD
    run_job(path, rig, state, 200, start_state=state, first=600)
    assert replay(path).describe() == "800 scans identical."


@hypothesis_settings(max_examples=15, deadline=None, suppress_health_check=list(HealthCheck))
@given(
    wild=st.dictionaries(st.integers(21, 250), st.tuples(st.integers(2, 17), some_reading), max_size=12),
    asked=st.dictionaries(st.integers(21, 250), some_request, max_size=4),
)
def test_the_same_readings_give_the_same_outputs_on_replay_whatever_they_are(tmp_path_factory, rig, wild, asked):
    path = tmp_path_factory.mktemp("wild") / "a.journal"
    names = Readings.__struct_fields__

    def spoil(scan, given):
        if scan in wild:
            position, reading = wild[scan]
            given = msgspec.structs.replace(given, **{names[position]: reading})
        if scan in asked:
            given = msgspec.structs.replace(given, requests=(asked[scan],))
        return given

    run_job(path, rig, one_scan.initial(prepare(rig)), 250, spoil=spoil)
    result = replay(path)
    assert result.identical, result.describe()
    assert result.compared == 250


def test_a_controller_with_another_limit_is_found_by_replay(tmp_path, rig, monkeypatch):
    path = tmp_path / "a.journal"
    run_job(path, rig, one_scan.initial(prepare(rig)), 800)
    real = one_scan.step
    lower = msgspec.structs.replace(
        rig,
        limits=msgspec.structs.replace(rig.limits, discharge_high_pa_abs=1.6e6),  # PT-201 shows 1.7 MPa
    )
    monkeypatch.setattr(one_scan, "step", lambda state, given, prepared: real(state, given, prepare(lower)))
    found = replay(path).difference
    assert found is not None
    assert any("PT-201" in change.replayed for change in found.changes)


@given(anything, anything)
def test_two_numbers_differ_exactly_when_their_bits_do_and_nan_equals_nan(a, b):
    same_bits = a.hex() == b.hex() if not (math.isnan(a) or math.isnan(b)) else math.isnan(a) == math.isnan(b)
    assert (differences(a, b) == []) is same_bits
    assert differences((a, [b]), (a, [b])) == []


def test_negative_zero_is_a_difference():
    assert differences(0.0, -0.0, "x")


def test_closing_wakes_an_idle_journal(tmp_path):
    journal = Journal(tmp_path / "a.journal", SETTINGS, commit_every_s=3600.0)
    journal.close(PATIENCE_S)
    assert not journal._thread.is_alive()
