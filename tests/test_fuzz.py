"""What reads from outside, fuzzed: nothing but clear sentences, no request and no weight that nobody sent.

The campaign (RIG_CAMPAIGN=1) runs 100,000 inputs a subject; `python -m tests.fuzz` makes one again by its number.
"""

import errno
import json
import random
import re
import sqlite3
import tracemalloc

import pytest

from rigctl import quoting
from rigctl.config import MOST_BYTES, MOST_PROBLEMS, ConfigError, load_rig
from rigctl.journal.record import record_from_journal
from rigctl.journal.replay import replay
from rigctl.journal.store import JournalError, JournalReader, unfinished
from rigctl.runtime import run as running
from rigctl.runtime.door import Door, press, why_not
from rigctl.telemetry.commands import Commands
from tests.fuzz import engine
from tests.fuzz.engine import FoundError, input_of, judge, run, sentence, smaller
from tests.fuzz.subjects import CONFIGS, SUBJECTS, Subject
from tests.promise_helpers import CAMPAIGN
from tests.test_journal_versions import some_job

COUNTS = {"config": 300, "job": 400, "door": 600, "mqtt": 1500, "scale": 600, "journal": 120}
"""Inputs in the ordinary suite: some seconds a subject."""
SEED = 20


# ---- the inputs -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", SUBJECTS)
def test_every_input_is_taken_for_what_it_is_or_refused_in_clear_sentences(name):
    with SUBJECTS[name]() as subject:
        totals = run(subject, 100_000 * CAMPAIGN or COUNTS[name], SEED)
        assert not totals.failures, f"python -m tests.fuzz {name} --seed {SEED} --number N: {totals.failures}"
    assert len(totals.outcomes) > 1, "or only one kind of input was made"


@pytest.mark.parametrize("name", SUBJECTS)
def test_an_input_is_the_same_whenever_it_is_made(name):
    with SUBJECTS[name]() as subject, SUBJECTS[name]() as other:
        first = [input_of(subject, 3, number) for number in range(40)]
        assert first == [input_of(other, 3, number) for number in reversed(range(40))][::-1]
        assert len(set(first)) > 30


# ---- the engine -----------------------------------------------------------------------------------------


class Careless(Subject):
    """A reader with every fault that the engine should find, each called by a letter."""

    name, most_bytes = "careless", 100_000

    def make(self, chance):
        return bytes(chance.choice(b"........rslmt") for _ in range(12))

    def check(self, given):
        if b"r" in given:
            raise KeyError("r")
        if b"s" in given:
            sentence("Traceback (most recent call last)")
        if b"l" in given:
            sentence("x" * 5000)
        if b"m" in given:
            bytearray(200_000)
        while b"t" in given:
            pass
        return "read"


@pytest.mark.parametrize(
    ("given", "words"),
    [(b"..", ""), (b".r", "raised KeyError"), (b"s", "inside the program"), (b"l", "5000 char"), (b"m", "memory")],
)
def test_the_engine_finds_each_kind_of_failure_and_no_other(given, words):
    with Careless() as subject:
        tracemalloc.start()
        try:
            wrong = judge(subject, given).wrong
        finally:
            tracemalloc.stop()
    assert words in wrong and bool(words) is bool(wrong)


def test_an_input_that_comes_to_no_end_is_ended(monkeypatch):
    monkeypatch.setattr(engine, "_GIVEN_UP_S", 0.05)
    with Careless() as subject:
        assert judge(subject, b"t").wrong.startswith("no end after")


def test_an_input_that_takes_longer_than_the_limit_is_found(monkeypatch):
    monkeypatch.setattr(engine, "LONGEST_S", -1.0)
    with Careless() as subject:
        assert judge(subject, b"..").wrong.startswith("took")


def test_a_failing_input_is_made_smaller_until_only_what_fails_is_left():
    with Careless() as subject:
        assert smaller(subject, b"....s..r.....", judge(subject, b"r").wrong) == b"r"


@pytest.mark.parametrize(
    "text", ["", "two\nlines.", "\x1b[2J", "KeyError: 'do'", "'NoneType' has no attribute", "x" * 5000]
)
def test_what_is_no_clear_sentence_is_not_taken_for_one(text):
    with pytest.raises(FoundError):
        sentence(text)


# ---- what the fuzzing found ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("x = " + "[\n" * 2000, "too deep"),
        (f"x = [{'9' * 800}\n{'9' * 800}]", "not TOML"),
        (f"{'.'.join('a' * 20_000)} = 1", "bytes, and at most"),
        ("\n".join(f"k{n}.x = {n}" for n in range(20_000)), f"more than {MOST_BYTES}"),
        ("\n".join(f"k{n}.x = {n}" for n in range(3_000)), "more mistakes; mend these first"),
        (f"x = 0x{'f' * 900}\n[rig]\nscan_period = 9{'0' * 400}", "has no unit"),
        (f"[compressor]\nclearance = 9{'0' * 400}", "not a finite number"),
        ("x = 2031-02-30", "not TOML"),
        ('[rig]\nname = "a\\u001b[2Jb"', "no screen shows"),
        ('[hardware.drivers.io]\nkind = {a = 1}\n[hardware.points."PT-101"]\ndriver = ["io"]', "table is missing"),
    ],
)
def test_a_file_that_asks_too_much_is_refused_in_few_short_sentences(tmp_path, text, words):
    path = tmp_path / "rig.toml"
    path.write_text(text)
    with pytest.raises(ConfigError) as refused:
        load_rig(path)
    assert len(refused.value.problems) <= MOST_PROBLEMS + 1
    assert any(words in problem for problem in refused.value.problems)
    for problem in refused.value.problems:
        sentence(problem, str(path))


def test_a_number_with_too_many_digits_is_refused_in_one_sentence(tmp_path):
    # Between the longest line and the digits that a number may have there is nothing: the line is refused first.
    path = tmp_path / "rig.toml"
    path.write_text("x = " + "9" * 5000)
    with pytest.raises(ConfigError, match="line 1 has 5004 bytes"):
        load_rig(path)


def test_a_rigs_file_without_units_is_metric(tmp_path):
    path = tmp_path / "rig.toml"
    text = (CONFIGS / "rigs/basic.toml").read_text()
    path.write_text(re.sub(r"(?m)^units = .*$", "", text))
    assert load_rig(path).units.value == "metric" and path.read_text() != text


@pytest.mark.parametrize("what", ["kind = {a = 1}", 'kind = ["gpio"]', "kind = 1"])
def test_a_driver_whose_kind_is_no_word_is_refused_in_one_sentence(tmp_path, what):
    from rigctl.hardware.rig import wired

    path = tmp_path / "rig.toml"
    text = (CONFIGS / "rigs/basic.toml").read_text()
    path.write_text(f'{text}\n[hardware.drivers.io]\n{what}\n[hardware.points."PT-101"]\ndriver = {{b = 1}}\n')
    with pytest.raises(ConfigError, match="is no driver; write one of"):
        wired(load_rig(path))


@pytest.mark.parametrize(
    ("line", "words"),
    [
        (b"[" * 4000 + b"\n", "this is no request (Expected `object`"),
        (b'{"do": "start", "cylinder": [1]}\n', "no request (Expected `str | null`"),
        (b'{"do": ' + b"[" * 4000, "this is no "),
        (b'{"do": ["start"]}\n', "no request (Expected `str`"),
        (b'{"do": "start", "cylindre": "A-1"}\n', "unknown field `cylindre`"),
        ('{"do": "start"}\n'.encode("utf-16"), "no JSON object"),
        (b'{"do": "' + b"x" * 3000 + b'"}\n', "is nothing to ask for"),
        (b'{"do": "start", "cylinder": "' + b"x" * 3000 + b'"}\n', "stands in no file of this job"),
    ],
)
def test_the_door_answers_whatever_comes_in_one_sentence_and_asks_for_nothing(tmp_path, line, words):
    door = Door(tmp_path / "d", ())
    try:
        answer = door._press(line)
        assert answer["accepted"] is False and words in answer["text"] and door.take() == ()
        sentence(answer["text"])
    finally:
        door.close()


def test_a_folder_whose_path_is_too_long_for_the_door_is_refused_before_anything_is_begun(tmp_path):
    from rigctl.config import load_job

    folder = tmp_path / ("x" * 120)
    rig, job = load_rig(CONFIGS / "rigs/basic.toml"), load_job(CONFIGS / "jobs/split-ac.toml")
    with pytest.raises(ConfigError, match="name a shorter folder"):
        running.Run(rig, job, folder, print)
    assert not folder.exists()
    for use in (lambda: Door(folder / "d", ()), lambda: press(folder / "d", "start")):
        with pytest.raises(OSError, match="name a shorter folder") as refused:
            use()
        assert refused.value.errno == errno.ENAMETOOLONG


def test_the_longest_path_of_a_door_is_that_which_the_system_takes(tmp_path):
    room = 107 - len(str(tmp_path)) - 1
    door = Door(tmp_path / ("d" * room), ())
    door.close()
    assert not why_not(door.path) and why_not(tmp_path / ("d" * (room + 1)))


@pytest.mark.parametrize(
    ("message", "words"),
    [
        ({"reply_topic": "root/replies/\x01"}, "answers only go to"),
        ({"expires_utc_s": 1e308}, "expires 1e+308 s ahead"),
        ({"expires_utc_s": -1e308}, "expired 1e+308 s ago"),
        ({"x" * 3000: 1}, "malformed: Object contains unknown field"),
        ({"a\nb": 1}, "malformed: Object contains unknown field"),
        ({"id": "x" * 10_000}, "malformed: 100"),
    ],
)
def test_a_command_is_refused_in_one_short_sentence(message, words):
    door = Commands("root", utc_s=lambda: 1_790_000_000.0)
    door.receive(
        json.dumps({"id": "a", "kind": "stop", "expires_utc_s": 1_790_000_100.0} | message).encode(), retained=False
    )
    (answer,) = door.take_answers()
    assert words in answer.text and door.take_requests() == () and answer.topic == "root/replies"
    sentence(answer.text)


@pytest.mark.parametrize(
    "spoil",
    [
        "UPDATE sessions SET dropped = x'00'",
        "UPDATE sessions SET software_version = x'ff'",
        "UPDATE scans SET scan = 'NaN'",
        "UPDATE scans SET dropped_before = x'01'",
        "UPDATE events SET kind = CAST(x'ff0b' AS TEXT)",
        "UPDATE sessions SET software_version = CAST(x'1b5b324a' AS TEXT)",
    ],
)
def test_a_spoilt_journal_is_told_of_in_one_clear_sentence(tmp_path, spoil):
    from tests.test_journal import EVENT

    path = tmp_path / "a.journal"
    some_job(path, events=EVENT)
    with sqlite3.connect(path) as plain:
        plain.execute(spoil)
    plain.close()

    def events():
        with JournalReader(path) as reader:
            list(reader.events())
            list(reader.scans())

    for use in (record_from_journal, replay, lambda _: events()):
        try:
            use(path)
        except JournalError as error:
            sentence(str(error), str(path))


def test_a_journal_that_cant_be_read_is_told_of_when_a_job_begins(tmp_path):
    (tmp_path / "bad.journal").write_bytes(random.Random(1).randbytes(5000))
    told = []
    assert unfinished(tmp_path, told.append) is None
    (line,) = told
    assert str(tmp_path / "bad.journal") in line and "look at the rig before you start" in line
    sentence(line, str(tmp_path))


@pytest.mark.parametrize(
    ("said", "shown"),
    [
        ("ab", "ab"),
        ("a\nb\x1b\u2028", "a\\nb\\x1b\\u2028"),
        ("a\u00a0b", "a b"),
        ("x" * 61, "x" * 60 + "..."),
        ("x" * 60, "x" * 60),
    ],
)
def test_a_quotation_is_one_short_printable_line(said, shown):
    assert quoting.plain(said) == shown
