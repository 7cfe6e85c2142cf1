"""Journals across versions: an older one prints its record, a job of another core is refused."""

import hashlib
import json
import lzma
import random
import shutil
import sqlite3
import zipfile
from pathlib import Path

import msgspec
import pytest

from rigctl import cli
from rigctl import scan as one_scan
from rigctl.advice.report import Estimate
from rigctl.control.protect.alarms import Alarm
from rigctl.control.readings import Readings, Request, RequestKind, Source
from rigctl.control.state import CylinderFill, Reply, StandingCheck
from rigctl.control.vocabulary import RUNNING, AlarmState, Kind, Phase
from rigctl.journal import core_digest as digests
from rigctl.journal import facts, store
from rigctl.journal.layout import go_together, layout_of
from rigctl.journal.record import RecoveryRecord, record_from_journal
from rigctl.journal.replay import replay
from rigctl.journal.store import Journal, JournalError, JournalReader, NewerJournalError, unfinished
from rigctl.scan import prepare
from tests.test_journal import CYLINDER, SETTINGS, UTC_S, readings, record, rig, run_job
from tests.waiting import PATIENCE_S

__all__ = ["rig"]  # a fixture that is used here by name only

DATA = Path(__file__).parent / "data"
OTHER = "0123abcd" * 8
"""Digest of a core that never was."""
PACKAGE = Path(store.__file__).parent.parent


@pytest.fixture
def old(tmp_path):
    """A journal of format 1 as its version wrote it: a trip, a reset and a power cut; most plain scans left out."""
    path = tmp_path / "format_1.journal"
    path.write_bytes(lzma.decompress((DATA / "format_1.journal.xz").read_bytes()))
    return path


def cut(path):
    """End the journal in VAPOR, as if the program had been replaced there."""
    with sqlite3.connect(path) as plain:
        plain.execute("DELETE FROM scans WHERE id > (SELECT max(id) FROM scans WHERE phase = 'vapor')")
    plain.close()


def bytes_of(folder):
    """What stands in a folder, but for what SQLite leaves of whoever reads: its index (-shm) and an empty log."""
    return {
        file.name: hashlib.sha256(file.read_bytes()).hexdigest()
        for file in folder.iterdir()
        if not file.name.endswith("-shm") and file.stat().st_size
    }


def some_job(path, *, scans=6, ended=False, core=None, version=None, **other):
    with Journal(path, SETTINGS, core=core, version=version) as journal:
        for scan in range(scans):
            journal.offer(record(scan, **other))
        if ended:
            journal.offer(record(scans, phase=Phase.COMPLETE))


def full_job(path, **given):
    """A job in which everything occurs that a record prints."""
    alarm = Alarm("PT-201.high", Kind.TRIP, AlarmState.LATCHED, 100.2, "Discharge 41 bar g.")
    asked = (Request(RequestKind.START, Source.LOCAL, "r-1"),)
    with Journal(path, SETTINGS, **given) as journal:
        journal.offer(record(0, phase=Phase.IDLE))
        replies = (Reply("r-1", True, "start taken."),)
        journal.offer(record(1, readings=readings(1, requests=asked), phase=Phase.LINE_UP, replies=replies))
        journal.offer(record(2, phase=Phase.HELD, sentence="Open the valve."))
        journal.offer(record(3, alarms=(alarm,)))
        second = CylinderFill(msgspec.structs.replace(CYLINDER, serial="C-18"), 12.2, 0.5, 0.03)
        check = StandingCheck(100.1, 5.0, 33_000.0, 41_000.0, True)
        journal.offer(
            record(
                4,
                phase=Phase.COMPLETE,
                cylinders=(CylinderFill(CYLINDER, 12.4, 1.5, 0.02), second),
                standing_checks=(check,),
                estimate=Estimate(recovered_kg=2.0, recovered_uncertainty_kg=0.04, net_kg=0.5, fill_limit_kg=17.0),
            )
        )


# ---- an older journal prints its record --------------------------------------------------------------------


def test_a_journal_of_format_1_prints_the_record_that_its_own_version_made(old):
    # format_1.record.json was made of the same file by the version that wrote it.
    expected = json.loads((DATA / "format_1.record.json").read_text())
    made = msgspec.to_builtins(record_from_journal(old))
    sentences_of_today = {"format", "cautions", "outcome_text"}
    assert {key: made[key] for key in expected.keys() - sentences_of_today} == {
        key: json.loads(json.dumps(expected[key])) for key in expected.keys() - sentences_of_today
    } | {key: tuple(expected[key]) for key in ("phases", "standing_checks", "cylinders", "alarms", "requests")}
    assert len(made["alarms"]) == 1 and made["restarts"] == 1 and len(made["requests"]) == 3


def test_the_sentences_of_a_record_from_format_1_are_there_too(old):
    expected = msgspec.json.decode((DATA / "format_1.record.json").read_text(), type=RecoveryRecord)
    made = record_from_journal(old)
    assert made.outcome == "complete" and "reached and held" in made.outcome_text
    assert len(made.cautions) == len(expected.cautions) == 2


def test_an_unfinished_journal_of_format_1_prints_its_record_as_it_stands(old, capsys):
    cut(old)
    assert cli.record(old, html=None, as_json=True) == 0
    out, err = capsys.readouterr()
    made = json.loads(out)
    assert (made["outcome"], made["phases"][-1]["name"]) == ("unfinished", "vapor")
    assert "stands in vapor, with 2.9" in err and "version 0.1.0 (journals of format 1)" in err


def test_the_record_does_not_hang_on_the_types_of_the_core(tmp_path, monkeypatch):
    path = tmp_path / "a.journal"
    full_job(path, core=OTHER)
    before = record_from_journal(path)
    assert before.alarms and before.requests and before.level_held
    assert [cylinder.net_kg for cylinder in before.cylinders] == [1.5, 0.5]
    assert before.phases[1].text == "Open the valve."

    class Nothing(msgspec.Struct, array_like=True):
        new_and_needed: dict[str, int]

    # Every type of the core that the journal knows is another one now.
    for name in ("Settings", "Readings", "Outputs", "Estimate", "_Rest", "_Detail", "_Happened"):
        monkeypatch.setattr(store, name, Nothing)
    monkeypatch.setattr(one_scan, "State", Nothing)
    assert record_from_journal(path) == before
    with JournalReader(path) as reader:
        with pytest.raises(JournalError, match="laid out in another way"):
            next(reader.scans())
        with pytest.raises(JournalError, match="read it with that version"):
            reader.settings()


def test_facts_that_a_later_version_adds_or_leaves_out_do_no_harm(tmp_path, monkeypatch):
    path = tmp_path / "a.journal"
    full_job(path)
    before = record_from_journal(path)

    class Alarms(facts.AlarmFacts, frozen=True):
        priority: int = 3

    class Later(facts.Told, frozen=True):
        alarms: tuple[Alarms, ...] = ()
        hose: str = "not known"

    monkeypatch.setattr(store, "_told", msgspec.msgpack.Decoder(Later))
    assert record_from_journal(path) == before
    with JournalReader(path) as reader:
        told = [scan.told for scan in reader.facts(reader.sessions()[0])]
    assert {one.hose for one in told} == {"not known"} and told[3].alarms[0].priority == 3

    written = tmp_path / "b.journal"
    with Journal(written, SETTINGS, core=OTHER) as journal:
        assert journal.offer(record(0)).wait(PATIENCE_S)
    with sqlite3.connect(written) as plain:
        plain.execute("UPDATE scans SET told = ?", (msgspec.msgpack.encode(Later(sentence="s", hose="1/4 in")),))
        plain.execute("UPDATE sessions SET job_json = ?", ('{"name": "Roof", "of_tomorrow": [1]}',))
    plain.close()
    monkeypatch.undo()
    assert record_from_journal(written).job == "Roof"


def test_no_name_of_the_facts_is_ever_changed():
    # Written by hand: what stands in journals that are kept for years. Names may be added here, none may go.
    names = {
        facts.JobFacts: "name rig commissioned simulated clears_out site technician date appliance refrigerant"
        " charge_kg level_pa_abs level_text level_source scale_usable",
        facts.AlarmFacts: "tag kind state text",
        facts.CylinderFacts: "serial refrigerant tare_kg tare_reading_kg water_capacity_kg service_pressure_pa_gauge"
        " retest_due net_kg net_uncertainty_kg",
        facts.CheckFacts: "started_s duration_s start_pa_abs end_pa_abs passed",
        facts.RequestFacts: "kind source request_id",
        facts.ReplyFacts: "request_id accepted text",
        facts.Told: "sentence fill_limit_kg alarms cylinders standing_checks requests replies",
    }
    for kind, written in names.items():
        assert set(written.split()) <= set(kind.__struct_fields__)
        assert not any(field.required for field in msgspec.structs.fields(kind)), "an older journal may lack it"
    columns = "recovered_uncertainty_kg net_kg net_uncertainty_kg contents_kg second_kg second_uncertainty_kg"
    assert set(f"{columns} cylinder_net_kg cylinder_net_uncertainty_kg".split()) <= set(facts.FIGURES)


def test_the_words_of_the_facts_are_those_that_the_core_says():
    assert {phase.value for phase in store.ENDED} == facts.OVER
    assert {phase.value for phase in RUNNING} == facts.WORKING
    assert Phase.IDLE.value == facts.IDLE and Kind.TRIP.value == facts.TRIP
    assert RequestKind.ACKNOWLEDGE.value == facts.ACKNOWLEDGE
    states = (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, AlarmState.RETURNED, AlarmState.LATCHED)
    assert [s.value for s in states] == [facts.UNACKNOWLEDGED, facts.ACKNOWLEDGED, facts.RETURNED, facts.LATCHED]


# ---- newer journals ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("use", [record_from_journal, replay, lambda path: Journal(path, SETTINGS)])
def test_a_journal_of_a_newer_format_is_refused_with_the_version_that_reads_it(tmp_path, use):
    path = tmp_path / "a.journal"
    some_job(path, version="9.1")
    with sqlite3.connect(path) as plain:
        plain.execute(f"PRAGMA user_version={store.FORMAT + 1}")
    plain.close()
    before = bytes_of(tmp_path)
    with pytest.raises(NewerJournalError, match=r"newer version of this program \(version 9\.1, format 3, .* update"):
        use(path)
    # Whether its job has ended can't be told, so it is not passed over.
    with pytest.raises(NewerJournalError):
        unfinished(tmp_path)
    assert bytes_of(tmp_path) == before


# ---- resuming ----------------------------------------------------------------------------------------------


def test_a_job_of_another_core_is_not_gone_on_with_and_its_journal_stays_as_it_is(tmp_path):
    # The folder of a program that was killed: the newest scans are still in SQLite's log.
    left = tmp_path / "left"
    left.mkdir()
    with Journal(tmp_path / "a.journal", SETTINGS, core=OTHER, version="0.9") as journal:
        trip = Alarm("PT-201.high", Kind.TRIP, AlarmState.LATCHED, 100.2, "Discharge 41 bar g.")
        assert journal.offer(record(1234, phase=Phase.VAPOR, alarms=(trip,))).wait(PATIENCE_S)
        for file in tmp_path.glob("a.journal*"):
            shutil.copy(file, left)
    path = left / "a.journal"
    before = bytes_of(left)
    assert before["a.journal-wal"], "the log is there"
    assert unfinished(left) == path
    with JournalReader(path) as reader:
        why = reader.why_not_resumed()
    for part in (
        str(path), "Roof unit 4", "vapor, with 1.234 kg (2.72 lb) recovered", "version 0.9 (core 0123abcd)",
        f"(core {digests.core_digest()[:8]})", f'"rigctl record {path}"', "new folder",
    ):  # fmt: skip
        assert part in why
    with pytest.raises(JournalError) as refused:
        Journal(path, SETTINGS)
    assert str(refused.value) == why
    assert bytes_of(left) == before
    assert record_from_journal(path).recovered_kg == 1.234


def test_a_job_of_the_same_core_is_gone_on_with_whatever_the_version_is_called(tmp_path):
    path = tmp_path / "a.journal"
    some_job(path, version="0.8")
    with JournalReader(path) as reader:
        assert reader.why_not_resumed() == "" and reader.left_unfinished() == ""
    some_job(path, version="0.9")
    with JournalReader(path) as reader:
        assert [session.software_version for session in reader.sessions()] == ["0.8", "0.9"]
        assert [session.reason for session in reader.sessions()] == ["start", "resume"]


def test_a_job_of_format_1_is_not_gone_on_with_and_its_journal_stays_as_it_is(old):
    cut(old)
    before = bytes_of(old.parent)
    with JournalReader(old) as reader:
        why = reader.why_not_resumed()
    assert unfinished(old.parent) == old
    assert "Split air conditioner, coil replacement" in why and "version 0.1.0 (journals of format 1)" in why
    with pytest.raises(JournalError) as refused:
        Journal(old, SETTINGS)
    assert str(refused.value) == why
    assert bytes_of(old.parent) == before


def test_a_state_that_is_laid_out_in_another_way_is_not_gone_on_with(tmp_path, monkeypatch):
    # The core is the same to the bit, its advice is not: the digest says nothing of that.
    path = tmp_path / "a.journal"
    some_job(path)

    class Other(msgspec.Struct):
        something: int = 0

    monkeypatch.setattr(one_scan, "State", Other)
    with pytest.raises(JournalError, match="another memory of its advice"):
        Journal(path, SETTINGS)


# ---- replay ------------------------------------------------------------------------------------------------


def test_replay_of_another_core_says_so_first_and_compares(tmp_path, rig, monkeypatch):
    path = tmp_path / "a.journal"
    run_job(path, rig, one_scan.initial(prepare(rig)), 60)
    assert replay(path).describe() == "60 scans identical."
    monkeypatch.setattr(store, "core_digest", lambda: OTHER)
    found = replay(path)
    first, *_, last = found.describe().split("\n")
    own = digests.core_digest()[:8]
    assert (
        f"(core {own}), this is" in first
        and "(core 0123abcd)" in first
        and "Only the version that wrote it can go on" in first
    )
    assert last == "60 scans identical." and found.identical


def test_replay_of_another_core_compares_without_states_that_it_could_misread(tmp_path, rig, monkeypatch):
    path = tmp_path / "a.journal"
    run_job(path, rig, one_scan.initial(prepare(rig)), 60)
    with sqlite3.connect(path) as plain:
        layouts = json.loads(plain.execute("SELECT layouts_json FROM sessions").fetchone()[0])
        layouts["state"]["control"]["phase"] = [["was", None]]
        plain.execute("UPDATE sessions SET layouts_json = ?", (json.dumps(layouts),))
        plain.execute("UPDATE scans SET state = x'c1' WHERE state IS NOT NULL")
    plain.close()
    with pytest.raises(JournalError, match="state"):
        replay(path)
    monkeypatch.setattr(store, "core_digest", lambda: OTHER)
    assert replay(path).compared == 60


def test_replay_of_another_core_says_when_it_cannot_compare(tmp_path, monkeypatch):
    path = tmp_path / "a.journal"
    some_job(path, core=OTHER)

    class Moved(msgspec.Struct, array_like=True):
        utc_s: float
        now_s: float

    monkeypatch.setattr(store, "Readings", Moved)
    found = replay(path)
    lines = found.describe().split("\n")
    assert "core 0123abcd" in lines[0] and "read them with that version" in lines[1]
    assert not found.identical and found.compared == 0


def test_a_journal_of_format_1_is_replayed_as_far_as_it_goes(old):
    lines = replay(old).describe().split("\n")
    assert "journals of format 1" in lines[0] and len(lines) >= 2
    with JournalReader(old) as reader:
        scans = [stored.record for stored in reader.scans(states=False)]
    # The same figures by way of the core's types and by way of the facts.
    assert scans[-1].estimate.recovered_kg == record_from_journal(old).recovered_kg


# ---- layouts -----------------------------------------------------------------------------------------------


class Inner(msgspec.Struct, array_like=True):
    a: float
    b: float = 0.0


class Outer(msgspec.Struct, array_like=True):
    one: Inner
    more: tuple[Inner, ...] = ()
    last: float = 0.0


def test_a_layout_names_every_value_all_the_way_down():
    inner = [["a", None], ["b", None]]
    assert layout_of(Outer) == [["one", inner], ["more", inner], ["last", None]]
    assert layout_of(StandingCheck) == dict.fromkeys(StandingCheck.__struct_fields__)


def test_values_added_or_left_out_at_the_end_go_together_and_nothing_else_does():
    stored = layout_of(Outer)

    class Longer(Outer, array_like=True):
        later: int = 0

    class Swapped(msgspec.Struct, array_like=True):
        b: float
        a: float

    assert go_together(stored, layout_of(Longer)) and go_together(layout_of(Longer), stored)
    assert not go_together(layout_of(Inner), layout_of(Swapped))
    assert not go_together(stored, [["one", [["b", None], ["a", None]]], *stored[1:]])
    assert not go_together(stored, [["one", None], *stored[1:]])
    assert go_together({"x": None, "y": stored}, {"y": stored, "z": None})
    assert not go_together({"y": stored}, {"y": layout_of(Swapped)})


def test_what_was_laid_out_as_today_reads_as_today(tmp_path, monkeypatch):
    path = tmp_path / "a.journal"
    some_job(path, core=OTHER)

    class Longer(Readings, frozen=True, array_like=True):
        humidity: float = 0.5

    monkeypatch.setattr(store, "Readings", Longer)
    with JournalReader(path) as reader:
        assert [stored.record.readings.humidity for stored in reader.scans()] == [0.5] * 6


# ---- the digest of the core --------------------------------------------------------------------------------


@pytest.fixture
def checkout(tmp_path):
    """A copy of what decides, without byte code."""
    folder = tmp_path / "checkout" / "rigctl"
    for room in digests.ROOMS:
        shutil.copytree(PACKAGE / room, folder / room, ignore=shutil.ignore_patterns("__pycache__"))
    for module in digests.MODULES:
        shutil.copy(PACKAGE / module, folder)
    return folder


def test_a_copy_has_the_digest_of_the_core_that_runs(checkout):
    assert digests.digest_of(checkout) == digests.core_digest()
    assert len(digests.core_digest()) == 64


def test_line_ends_byte_code_and_files_beside_the_source_do_not_change_the_digest(checkout):
    for file in checkout.rglob("*.py"):
        file.write_bytes(file.read_bytes().replace(b"\n", b"\r\n"))
    for folder in (checkout, checkout / "control"):
        (folder / "__pycache__").mkdir()
        (folder / "__pycache__" / "decide.cpython-311.pyc").write_bytes(b"anything")
        (folder / "README.md").write_text("Decisions.")
    (checkout / "cli.py").write_text("it decides nothing")
    shutil.copytree(PACKAGE / "advice", checkout / "advice")
    assert digests.digest_of(checkout) == digests.core_digest()


def test_a_package_in_an_archive_has_the_same_digest(checkout, tmp_path):
    archive = shutil.make_archive(str(tmp_path / "package"), "zip", checkout.parent)
    with zipfile.ZipFile(archive) as opened:
        assert digests.digest_of(zipfile.Path(opened, "rigctl/")) == digests.core_digest()


def test_a_change_of_any_file_of_the_core_changes_the_digest(checkout):
    files = sorted(checkout.rglob("*.py"))
    assert {"decide.py", "saturation.py", "r410a.py", "scan.py", "vapor.py"} <= {file.name for file in files}
    seen = {digests.core_digest()}
    for file in files:
        text = file.read_bytes()
        file.write_bytes(text + b"# changed\n")
        seen.add(digests.digest_of(checkout))
        file.write_bytes(text)
    assert len(seen) == len(files) + 1
    assert digests.digest_of(checkout) == digests.core_digest()


def test_a_file_that_comes_goes_or_is_renamed_changes_the_digest(checkout):
    seen = {digests.core_digest()}
    file = checkout / "control" / "decide.py"
    file.rename(checkout / "control" / "decides.py")
    seen.add(digests.digest_of(checkout))
    (checkout / "control" / "decides.py").unlink()
    seen.add(digests.digest_of(checkout))
    (checkout / "control" / "new").mkdir()
    (checkout / "control" / "new" / "one.py").write_text("")
    seen.add(digests.digest_of(checkout))
    assert len(seen) == 4


# ---- one bad journal blocks nothing ------------------------------------------------------------------------


@pytest.mark.parametrize(
    "spoil",
    [
        "UPDATE scans SET phase = 'no such phase'",
        "UPDATE scans SET phase = CAST(x'ff80' AS TEXT)",
        "UPDATE scans SET phase = 7, utc_s = 'late', recovered_kg = x'00'",
        "UPDATE scans SET readings = 'text', detail = 5, estimate = x'c1'",
        "UPDATE sessions SET settings_json = '[', job_json = '[', layouts_json = x'ff', settings = x'ff'",
        "DELETE FROM sessions",
        "DROP TABLE scans",
    ],
)
def test_the_unfinished_job_is_found_beside_a_spoilt_journal(tmp_path, spoil):
    sound, bad = tmp_path / "sound.journal", tmp_path / "bad.journal"
    some_job(bad)
    with sqlite3.connect(bad) as plain:
        plain.execute(spoil)
    plain.close()
    with Journal(sound, SETTINGS) as journal:
        journal.offer(record(0, readings=readings(0, utc_s=UTC_S + 86_400.0)))
    assert unfinished(tmp_path) == sound


def test_a_phase_that_this_version_does_not_know_is_taken_for_a_job_under_way(tmp_path):
    path = tmp_path / "a.journal"
    some_job(path, core=OTHER)
    with sqlite3.connect(path) as plain:
        plain.execute("UPDATE scans SET phase = 'of_tomorrow'")
    plain.close()
    assert unfinished(tmp_path) == path
    with JournalReader(path) as reader:
        assert "stands in of-tomorrow" in reader.why_not_resumed()
        for ask in (reader.last_scan, lambda: list(reader.scans())):
            with pytest.raises(JournalError, match="'of_tomorrow' that this version does not know"):
                ask()


@pytest.mark.parametrize("column", ["told", "readings", "estimate", "detail", "rest"])
def test_a_value_of_another_kind_in_the_journal_is_told_in_one_sentence(tmp_path, column):
    path = tmp_path / "a.journal"
    some_job(path)
    with sqlite3.connect(path) as plain:
        plain.execute(f"UPDATE scans SET {column} = 'text'")
    plain.close()
    with JournalReader(path) as reader, pytest.raises(JournalError, match=str(path)):
        list(reader.facts(reader.sessions()[0]) if column == "told" else reader.scans())


def test_whatever_bytes_are_spoilt_the_search_ends_and_the_reader_says_one_sentence(tmp_path):
    whole = tmp_path / "whole.journal"
    full_job(whole)
    contents = whole.read_bytes()
    bad = tmp_path / "bad.journal"
    refused = 0
    for seed in range(120):
        chance = random.Random(seed)
        spoilt = bytearray(contents)
        for _ in range(chance.choice((1, 8, 200))):
            spoilt[chance.randrange(len(spoilt))] = chance.randrange(256)
        bad.write_bytes(bytes(spoilt[: chance.choice((len(spoilt), chance.randrange(len(spoilt))))]))
        try:
            unfinished(tmp_path)
            record_from_journal(bad)
            with JournalReader(bad) as reader:
                list(reader.scans())
                reader.why_not_resumed()
        except JournalError as error:
            refused += 1
            assert str(bad) in str(error)
    assert refused > 20, "or nothing was spoilt"
