"""The six that read from outside, each with how inputs are made for it and what must hold of one.

A subject's `make` turns chance into an input (bytes, or a tuple of edits); its `check` hands that to the real reader
and returns a word for what became of it. What is valid is judged here a second time, by another library or by hand.
"""

import json
import os
import select
import shutil
import socket
import sqlite3
import tempfile
from contextlib import ExitStack, suppress
from datetime import UTC, datetime
from math import isfinite, nan
from pathlib import Path
from random import Random

import msgspec

from rigctl import cli
from rigctl.config import ConfigError, load_job, load_rig, settings_for
from rigctl.control.readings import Fault, Reading, Readings, Request, RequestKind, Source
from rigctl.control.state import Reply
from rigctl.hardware import serial_scale
from rigctl.hardware.driver import DriverError, Wire
from rigctl.journal.record import record_from_journal, render_page, to_json
from rigctl.journal.replay import replay
from rigctl.journal.store import Journal, JournalError, JournalReader, unfinished
from rigctl.runtime.door import Door
from rigctl.scan import after_power_loss, initial, prepare, step
from rigctl.telemetry.commands import MOST_BYTES, Commands
from rigctl.telemetry.messages import REMOTE_KINDS, ReplyMessage
from tests.fuzz.engine import FoundError, sentence
from tests.fuzz.spoil import NUMBERS, odd_json, odd_object, odd_text, spoil

CONFIGS = Path(__file__).parents[2] / "configs"
UTC_S = 1_790_000_000.0
NOW = datetime.fromtimestamp(UTC_S, UTC)
MOST_PROBLEMS = 200
"""Sentences about one file; nobody reads more."""


class Subject:
    """What all share: a folder in memory that goes when the subject is done with."""

    name = ""
    most_bytes = 0
    """Of memory that one input may take, as Python's allocator counts it."""

    def __enter__(self):
        self._stack = ExitStack()
        where = "/dev/shm" if os.access("/dev/shm", os.W_OK) else None
        self.folder = Path(self._stack.enter_context(tempfile.TemporaryDirectory(prefix="fuzz", dir=where)))
        self.begin()
        return self

    def __exit__(self, *_):
        self._stack.close()

    def begin(self):
        """Set up what all inputs need."""


# ---- files of rigs and jobs ------------------------------------------------------------------------------

QUANTITY_UNITS = (
    "", "bar g", "psig", "kPa abs", "inHg vac", "degC", "degF", "K", "kg", "lb", "s", "min", "cm3 x 1500 rpm", "%",
    "% LFL", "Kv", "mm", "MPA", "mpa", "bar", "m", "deg", "x", "§", "bar  g", "\u00a0bar g", "ﬀ",
)  # fmt: skip


def odd_toml(chance):
    """Source text of a TOML value, most of them out of place."""
    way = chance.randrange(10)
    if way < 3:
        text = f"{chance.choice((*NUMBERS, '25', '3.5', '400', '1e3'))[:60]} {chance.choice(QUANTITY_UNITS)}"
        return json.dumps(text, ensure_ascii=False)
    if way == 3:
        return chance.choice(NUMBERS)
    if way == 4:
        return json.dumps(odd_text(chance)).replace("\\ud800", "\\u0001")
    if way == 5:
        return chance.choice(
            ("true", "false", "2031-06-30", "2031-13-45", "1979-05-27T07:32:00Z", "07:32:00", "0001-01-01")
        )
    if way == 6:
        many = chance.choice((1, 3, 100, 2000))
        return "[" * many + chance.choice(("", "1")) + "]" * chance.choice((many, many, 0))
    if way == 7:
        return "{" + ", ".join(f"{key} = {odd_toml(chance)}" for key in "abc"[: chance.randrange(4)]) + "}"
    if way == 8:
        return "[" + ", ".join(odd_toml(chance) for _ in range(chance.randrange(4))) + "]"
    return chance.choice(('"""', "'''", "")) + odd_json(chance)


class _File(Subject):
    most_bytes = 8_000_000
    kind = ""

    def begin(self):
        self.path = self.folder / "fuzzed.toml"
        self.bases = [path.read_bytes() for path in sorted((CONFIGS / self.kind).glob("*.toml"))]
        self.words = sorted({line.strip() for base in self.bases for line in base.splitlines()} - {b""})

    def make(self, chance):
        base = chance.choice(self.bases)
        if chance.randrange(2):
            base = self._thinned(chance, base)
        way = chance.randrange(8)
        if way < 4:
            return spoil(chance, base, self.words)
        lines = base.decode().splitlines()
        for _ in range(chance.choice((1, 1, 2, 6))):
            at = chance.randrange(len(lines) + 1)
            if way < 7:
                at = min(at, len(lines) - 1)
                key, equals, _ = lines[at].partition("=")
                if equals:
                    lines[at] = f"{key}= {odd_toml(chance)}"
            else:
                lines[at:at] = self._more(chance)
        return "\n".join(lines).encode("utf-8", "surrogatepass")

    def _thinned(self, chance, base):
        """Some tables of a file."""
        tables = base.split(b"\n[")
        return b"\n[".join(table for table in tables if chance.randrange(3)) or base

    def _more(self, chance):
        """Lines that do not belong there."""
        way, many = chance.randrange(6), chance.choice((1, 5, 300, 3000))
        if way == 0:
            return [f"k{n}.x = {odd_toml(chance) if n < 5 else n}" for n in range(many)]
        if way == 1:
            return [".".join("a" * many) + " = 1"]
        if way == 2:
            return ["[" + ".".join("b" * many) + "]"]
        if way == 3:
            return [f"[[t{n}]]" for n in range(many)]
        if way == 4:
            return [f"{json.dumps(odd_text(chance)[:50]).replace(chr(92) + 'ud800', '')} = {odd_toml(chance)}"]
        return [chance.choice(self.words).decode()] * min(many, 5)

    def check(self, given):
        self.path.write_bytes(given)
        try:
            shown, whole = cli._checked(str(self.path), None)
        except ConfigError as error:
            if len(error.problems) > MOST_PROBLEMS:
                raise FoundError(f"{len(error.problems)} sentences about one file") from None
            for problem in error.problems:
                if str(self.path) not in problem:
                    raise FoundError(f"no file in: {problem}") from None
                sentence(problem, str(self.path))
            return "refused"
        for key, value in (*shown, *whole):
            if not value.isprintable():
                raise FoundError(f"a setting that no screen can show, {key}: {value!r}")
        return self.accepted()

    def accepted(self):
        return "accepted"


class Config(_File):
    """A rig's file, as `rigctl check` reads it, wiring and drivers included."""

    name, kind = "config", "rigs"


class Job(_File):
    """A job's file; one that is accepted must also go with a rig, or say why not."""

    name, kind = "job", "jobs"

    def begin(self):
        super().begin()
        self.rig = load_rig(CONFIGS / "rigs/full.toml")

    def accepted(self):
        try:
            settings_for(self.rig, load_job(self.path))
        except ConfigError as error:
            for problem in error.problems:
                sentence(problem, str(self.path), self.rig.path)
            return "unsafe"
        except OSError:
            return "accepted"
        return "accepted"


# ---- the local door --------------------------------------------------------------------------------------


def plain_json(data):
    """What UTF-8 JSON without NaN says, by another library, and whether a key stands twice; None for anything else."""
    doubled = False

    def no(text):
        raise ValueError(text)

    def pairs(found):
        nonlocal doubled
        doubled = doubled or len(dict(found)) < len(found)
        return dict(found)

    try:
        return json.loads(data.decode("utf-8"), parse_constant=no, object_pairs_hook=pairs), doubled
    except (ValueError, RecursionError):
        return None, False


def asked_for(got, wanted, doubled):
    """Raise unless what was asked for is what was said; where a key stands twice, it may also be refused."""
    if got != ([] if wanted is None else [wanted]) and not (doubled and not got):
        raise FoundError(f"it asked for {got}, and what came says {wanted}")


class AtTheDoor(Subject):
    """A line at the local door, over its real socket; it is answered in every case."""

    name, most_bytes = "door", 2_000_000
    longest = 4096
    """Bytes that the door reads of a line."""

    def begin(self):
        self.serials = ("A-1", "B-2")
        job = load_job(CONFIGS / "jobs/split-ac.toml")
        named = [msgspec.structs.replace(job.cylinder, serial=serial) for serial in self.serials]
        self.door = Door(self.folder / "d", named, 20.0)
        self._stack.callback(self.door.close)
        self.usual = {
            "do": [json.dumps(kind.value) for kind in RequestKind],
            "cylinder": [*(json.dumps(serial) for serial in self.serials), "null", '"C-3"'],
        }

    def make(self, chance):
        way = chance.randrange(8)
        if way == 0:
            return odd_json(chance).encode("utf-8", "surrogatepass") + b"\n"
        good = f'{{"do": {chance.choice(self.usual["do"])}, "cylinder": {chance.choice(self.usual["cylinder"])}}}'
        if way == 1:
            return good.encode(chance.choice(("utf-8-sig", "utf-16", "utf-32", "utf-16-be"))) + b"\n"
        if way < 5:
            return odd_object(chance, self.usual).encode("utf-8", "surrogatepass") + chance.choice(
                (b"\n", b"\r\n", b"")
            )
        return spoil(chance, good.encode() + b"\n", (b'"do"', b'"cylinder":[1]', b"NaN", b"start", good.encode()))

    def valid(self, given):
        line = (given[: given.find(b"\n") + 1] or given)[: self.longest]
        said, doubled = plain_json(line)
        if not isinstance(said, dict) or not said.keys() <= {"do", "cylinder"}:
            return None, doubled
        do, serial = said.get("do"), said.get("cylinder")
        if not isinstance(do, str) or do not in {kind.value for kind in RequestKind}:
            return None, doubled
        return (do, serial) if serial is None or serial in self.serials else None, doubled

    def check(self, given):
        asked = []
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as caller:
            caller.settimeout(20.0)
            caller.connect(str(self.door.path))
            with suppress(OSError):  # the door has read enough and has gone
                caller.sendall(given)
                caller.shutdown(socket.SHUT_WR)
            answer = b""
            while True:
                if select.select([caller], [], [], 0.0005)[0]:
                    with suppress(ConnectionResetError):
                        if more := caller.recv(65536):
                            answer += more
                            continue
                    break
                new = self.door.take()
                asked += new
                self.door.answered([Reply(one.request_id, True, "done.") for one in new])
        wanted, doubled = self.valid(given)
        got = [(one.kind.value, None if one.cylinder is None else one.cylinder.serial) for one in asked]
        asked_for(got, wanted, doubled)
        try:
            told = json.loads(answer)
        except ValueError:
            raise FoundError(f"the door answered {answer[:100]!r}") from None
        if told.keys() != {"accepted", "text"} or told["accepted"] is not bool(got):
            raise FoundError(f"the door answered {str(told)[:200]}")
        sentence(told["text"])
        return "taken" if got else "refused"


# ---- commands from the broker ----------------------------------------------------------------------------


class Mqtt(Subject):
    """A message on the command topic: first as one that the broker had kept, then as sent, then once more."""

    name, most_bytes = "mqtt", 2_000_000
    replies = "recovery-rigs/shop/one/replies"

    def begin(self):
        ahead = ("1790000100", "1790000100.5", "1.7900001e9", "1789999999", "1790003000", "0", "1e308", "-1e308", "NaN")
        tails = ("", "/me", "/", "/#", "/+/a", "/\\u0001", "x")
        self.usual = {
            "id": ['"a-1"', '"é"', f'"{"x" * 64}"', f'"{"x" * 65}"'],
            "kind": [json.dumps(kind) for kind in (*REMOTE_KINDS, "reset", "Start", "fly", "\0")],
            "expires_utc_s": [*(ahead[:3] * 4), *ahead],
            "reply_topic": [*(f'"{self.replies}{tail}"' for tail in tails), *['""'] * 6],
        }  # fmt: skip

    def make(self, chance):
        way = chance.randrange(8)
        if way == 0:
            return odd_json(chance).encode("utf-8", "surrogatepass")
        if way < 5:
            return odd_object(chance, self.usual).encode("utf-8", "surrogatepass")
        good = "{" + ",".join(f'"{key}":{values[0]}' for key, values in self.usual.items()) + "}"
        return spoil(chance, good.encode(), (b'"kind":"abort"', b'"id"', b"NaN", good.encode()))

    def valid(self, given):
        """Id, kind and where the answer goes of a valid command; None for anything else."""
        said, _ = plain_json(given) if len(given) <= MOST_BYTES else (None, False)
        if not isinstance(said, dict) or not {"id", "kind", "expires_utc_s"} <= said.keys():
            return None
        if not said.keys() <= {"id", "kind", "expires_utc_s", "reply_topic"}:
            return None
        name, kind, until, topic = said["id"], said["kind"], said["expires_utc_s"], said.get("reply_topic", "")
        if not all(isinstance(text, str) for text in (name, kind, topic)):
            return None
        if any("\ud800" <= sign <= "\udfff" for sign in name + kind + topic):
            return None
        if isinstance(until, bool) or not isinstance(until, int | float) or not UTC_S <= until <= UTC_S + 300.0:
            return None
        below = topic[len(self.replies) :] if topic.startswith(self.replies) else None
        if topic and (below is None or below == "/" or below[:1] not in ("", "/")):
            return None
        if any(sign in topic for sign in "+#") or not topic.isprintable() or len(topic) > 256:
            return None
        return (name, kind, topic or self.replies) if 1 <= len(name) <= 64 and kind in REMOTE_KINDS else None

    def check(self, given):
        door = Commands("recovery-rigs/shop/one", utc_s=lambda: UTC_S)
        wanted, taken = self.valid(given), False
        door.receive(given, retained=True)
        if door.take_requests():
            raise FoundError("a request was taken from a message that the broker had kept")
        self.answers(door, given)
        for number in range(2):
            door.receive(given, retained=False)
            asked = door.take_requests()
            got = [(one.kind.value, one.source) for one in asked]
            asked_for(got, None if wanted is None or number else (wanted[1], Source.REMOTE), plain_json(given)[1])
            door.answered(tuple(Reply(one.request_id, True, "done.") for one in asked))
            self.answers(door, given, wanted if got else None)
            taken = taken or bool(got)
        return "taken" if taken else "refused"

    def answers(self, door, given, wanted=None):
        told = door.take_answers()
        if len(told) != bool(given):
            raise FoundError(f"{len(told)} answers to one message")
        for one in told:
            sentence(one.text)
            if one.accepted is not (wanted is not None):
                raise FoundError(f"answered {one}")
            if wanted is not None and (one.command_id, one.topic) != (wanted[0], wanted[2]):
                raise FoundError(f"answered {one}, and the message says {wanted}")
            below = one.topic.removeprefix(self.replies)
            if (
                (below and below[:1] != "/")
                or below == one.topic
                or not one.topic.isprintable()
                or set("+#") & set(one.topic)
            ):
                raise FoundError(f"an answer goes to {one.topic!r}")
            one.topic.encode()
            msgspec.json.encode(ReplyMessage(1, NOW, "one", one.command_id, one.accepted, one.text))


# ---- the scale -------------------------------------------------------------------------------------------


class _Port:
    """A serial port on which so many bytes at a time arrive."""

    def __init__(self, data, size, fd, asked):
        self.left, self.size, self.fd, self.there = data, size, fd, b""
        self.quiet = asked
        self.now_s = 0.0

    def arrives(self, _port, within_s):
        if not self.there and self.left and not self.quiet:
            self.there, self.left = self.left[: self.size], self.left[self.size :]
            self.now_s += min(0.001, within_s)
        if not self.there:
            self.now_s += within_s
        return bool(self.there)

    def read(self, most):
        got, self.there = self.there[:most], self.there[most:]
        return got

    def write(self, _text):
        self.quiet = False

    def close(self):
        pass


class ScaleFrames(Subject):
    """Bytes of the serial scale: no weight but that of a whole line that spells it."""

    name, most_bytes = "scale", 2_000_000
    patterns = (
        r"(?:ST|US),GS,(?P<sign>[+-]) *(?P<value>\d+\.\d{3})(?P<unit>kg)",
        r"(?:[A-Z]{2},)*(?P<sign>[+-]?)\s*(?P<value>[0-9.]+)\s*(?P<unit>kg|lb)",
    )

    def begin(self):
        self.master, self.slave = os.openpty()
        self._stack.callback(os.close, self.slave)
        self._stack.callback(os.close, self.master)

    def make(self, chance):
        """First byte: pattern, and whether the scale is asked; second: bytes that arrive at a time."""
        frames = []
        for _ in range(chance.choice((1, 3, 20))):
            value = chance.choice((0.0, 12.345, 99999.999, chance.random() * 200))
            unit = chance.choice(("kg", "kg", "lb", "g", "KG", ""))
            head, sign, width = chance.choice(("ST", "US", "OL")), chance.choice("++- "), chance.choice((9, 1))
            frames.append(f"{head},GS,{sign}{value:{width}.3f}{unit}")
        data = chance.choice(("\r\n", "\n", "\r")).join(["", *frames, ""]).encode()
        if chance.randrange(6):
            data = spoil(chance, data, (b"\r\n", b"ST,GS,", b"+", b"kg", b"1.2.3", b"\0", b"OL"))
        return bytes((chance.randrange(4), chance.choice((1, 3, 16, 255)))) + data

    def values(self, pattern, data, whole):
        """Weights that a line of the stream spells, kg, read by hand."""
        lines = data.replace(b"\r", b"\n").split(b"\n")
        found = set()
        for line in lines[0 if whole else 1 : -1]:
            text = line.decode("latin-1")
            if len(line) > serial_scale.MOST_BYTES or not text.isascii():
                continue
            if pattern == 0:
                head, rest = text[:6], text[6:]
                if head not in ("ST,GS,", "US,GS,") or rest[:1] not in ("+", "-") or not rest.endswith("kg"):
                    continue
                number, sign, factor = rest[1:-2].lstrip(" "), rest[0], 1.0
                if number.partition(".")[0] == "" or len(number.partition(".")[2]) != 3:
                    continue
            else:
                while text[2:3] == "," and text[:2].isalpha() and text[:2].isupper():
                    text = text[3:]
                factor = {"kg": 1.0, "lb": 0.45359237}.get(text[-2:])
                sign = text[0] if text[:1] in ("+", "-") and text else "+"
                number = text[:-2].removeprefix(sign).strip(" \t\n\r\f\v")
                if factor is None:
                    continue
            whole_part, _, part = number.partition(".")
            if number and set(number) <= set("0123456789.") and (whole_part + part).isdigit():
                found.add(float(number) * factor * (-1.0 if sign == "-" else 1.0))
        return found

    def check(self, given):
        head, data = given[:2].ljust(2, b"\1"), given[2:]
        pattern, asked = head[0] & 1, bool(head[0] & 2)
        port = _Port(data, max(1, head[1]), self.slave, asked)
        keys = {"port": "/dev/none", "pattern": self.patterns[pattern], "mode": "polled" if asked else "continuous"}
        keys |= {"request": "W"} if asked else {}
        driver = serial_scale.make("serial-scale", keys, [Wire("WT-301", False, {})], lambda: port.now_s, port.arrives)
        driver._connect = lambda: port
        known, weighed = self.values(pattern, data, asked), 0
        try:
            driver.open()
            while port.left or port.there:
                sample = driver.read()["WT-301"]
                if sample.fault is not None or not isfinite(sample.raw):
                    raise FoundError(f"no pattern here has a word for a fault, and it says {sample}")
                if sample.raw not in known:
                    raise FoundError(f"it weighs {sample.raw}, and no line says that")
                weighed += 1
        except DriverError as error:
            sentence(str(error))
        driver.close()
        return "weighed" if weighed else "refused"


# ---- the journal -----------------------------------------------------------------------------------------


class SpoiltJournal(Subject):
    """A journal with its log, spoilt; beside it lies a sound one, and its job must be found."""

    name, most_bytes = "journal", 8_000_000
    columns = (
        *(("scans", column) for column in (
            "readings", "outputs", "estimate", "rest", "detail", "happened", "state", "told", "phase", "now_s",
            "utc_s", "scan", "session", "recovered_kg", "energised", "dropped_before",
        )),
        *(("sessions", column) for column in (
            "settings", "start_state", "settings_json", "layouts_json", "job_json", "core", "software_version",
            "opened_utc_s", "reason", "dropped", "session",
        )),
        *(("events", column) for column in ("phase", "utc_s", "kind", "text")),
    )  # fmt: skip
    statements = (
        "DELETE FROM sessions", "DELETE FROM scans", "DELETE FROM scans WHERE id < 5", "DROP TABLE scans",
        "DROP TABLE sessions", "DROP TABLE events", "PRAGMA user_version=1", "PRAGMA user_version=0",
        "PRAGMA user_version=-5", "PRAGMA user_version=99", "PRAGMA application_id=0",
        "ALTER TABLE scans RENAME COLUMN told TO tolt", "CREATE VIEW v AS SELECT * FROM scans",
        "UPDATE scans SET detail = NULL", "UPDATE scans SET told = NULL", "UPDATE scans SET session = 77",
    )  # fmt: skip

    def begin(self):
        job = load_job(CONFIGS / "jobs/split-ac.toml")
        self.settings = settings_for(load_rig(CONFIGS / "rigs/basic.toml"), job)
        self.prepared = prepare(self.settings)
        made, log, self.there = self.folder / "made", self.folder / "log", self.folder / "there"
        for folder in (made, log, self.there):
            folder.mkdir()
        self.sound, self.bad = self.there / "sound.journal", self.there / "bad.journal"
        self._write(made / "a.journal", 40)
        self.plain = {"": (made / "a.journal").read_bytes()}
        self._write(made / "b.journal", 40, log)
        self.logged = {tail: (log / f"b.journal{tail}").read_bytes() for tail in ("", "-wal")}
        self._write(self.sound, 8, later_s=86_400.0)
        if unfinished(self.there) != self.sound:
            raise AssertionError("the sound job is under way")
        self.whole = self.sound.read_bytes()

    def _write(self, path, scans, copied_to=None, later_s=0.0):
        state = initial(self.prepared)
        with Journal(path, self.settings, checkpoint_every_s=0.5, commit_every_s=0.01) as journal:
            for number in range(scans):
                now_s = 100.0 + 0.1 * number
                requests = (Request(RequestKind.START, Source.LOCAL, "r-1", None),) if number == 2 else ()
                readings = Readings(
                    now_s=now_s, utc_s=UTC_S + later_s + 0.1 * number, pt_101_pa_abs=Reading(9e5, now_s),
                    pt_201_pa_abs=Reading(9e5, now_s), wt_301_kg=Reading(14.0, now_s), requests=requests,
                )  # fmt: skip
                state, _, record = step(state, readings, self.prepared)
                receipt = journal.offer(record, state)
            receipt.wait(60.0)
            if copied_to is not None:
                for file in path.parent.glob(f"{path.name}*"):
                    shutil.copy(file, copied_to)

    def make(self, chance):
        edits = [("log",)] if chance.randrange(3) == 0 else []
        for _ in range(chance.choice((1, 1, 2, 5))):
            way = chance.randrange(9)
            where = "-wal" if edits[:1] == [("log",)] and chance.randrange(2) else ""
            if way < 2:
                table, column = chance.choice(self.columns)
                edits.append(("spoil", table, column, chance.randrange(1, 9), chance.randrange(2**32)))
            elif way == 2:
                table, column = chance.choice(self.columns)
                edits.append(("put", table, column, chance.randrange(4), chance.choice(ODD_VALUES)))
            elif way == 3:
                edits.append(("do", chance.choice(self.statements)))
            elif way == 4:
                edits.append(("cut", where, chance.random()))
            elif way == 5:
                edits.append(("page", where, chance.random(), chance.random()))
            else:
                put = bytes(chance.randrange(256) for _ in range(chance.choice((1, 1, 4, 60))))
                at = chance.random() if chance.randrange(3) else chance.random() ** 8
                edits.append(("put at", where, at, put))
        return tuple(edits)

    def spoilt(self, edits):
        """Write the spoilt journal; what is done by SQL comes before what is done to its bytes."""
        contents = dict(self.logged if ("log",) in edits else self.plain)
        for old in self.there.glob("*.journal*"):
            if old != self.sound:
                old.unlink()
        by_sql = [edit for edit in edits if edit[0] in ("spoil", "put", "do")]
        if by_sql:
            for tail, data in contents.items():
                self.bad.with_name(self.bad.name + tail).write_bytes(data)
            connection = sqlite3.connect(self.bad, isolation_level=None)
            with suppress(sqlite3.Error):
                connection.execute("PRAGMA synchronous=OFF")
            for edit in by_sql:
                with suppress(sqlite3.Error):
                    _by_sql(connection, edit)
            connection.close()
            contents = {"": self.bad.read_bytes()}
        for edit in edits:
            if edit[0] in ("cut", "page", "put at") and edit[1] in contents:
                contents[edit[1]] = _in_bytes(contents[edit[1]], edit)
        for tail, data in contents.items():
            self.bad.with_name(self.bad.name + tail).write_bytes(data)
        if self.sound.read_bytes() != self.whole:
            raise FoundError("the sound journal was written to")

    def check(self, edits):
        self.spoilt(edits)
        said = []
        for use in (self._search, self._read, self._record, self._scans, self._resume, self._replay, self._go_on):
            try:
                use()
            except JournalError as error:
                sentence(str(error), str(self.bad), str(self.sound))
                if str(self.bad) not in str(error):
                    raise FoundError(f"no file in: {error}") from None
                said.append(use.__name__)
        return f"{len(said)} refused"

    def _search(self):
        told = []
        found = unfinished(self.there, told.append)
        for line in told:
            sentence(line, str(self.bad))
        if found not in (self.sound, self.bad):
            raise FoundError(f"the unfinished job is said to be {found}")
        if found == self.sound and not told:
            with JournalReader(self.bad) as reader:
                reader.stands()

    def _read(self):
        with JournalReader(self.bad) as reader:
            for session in reader.sessions():
                _ = session.job, session.settings, session.start_state, session.written_by
            for text in (reader.why_not_resumed(), reader.left_unfinished()):
                if text:
                    sentence(text, str(self.bad))
            list(reader.events())
            reader.checkpoints(), reader.dropped()

    def _record(self):
        made = record_from_journal(self.bad)
        render_page(made, None)
        to_json(made)

    def _scans(self):
        with JournalReader(self.bad) as reader:
            list(reader.scans())
            reader.last_scan()

    def _resume(self):
        """Come up again as the rig does: nothing may be energised."""
        with JournalReader(self.bad) as reader:
            if reader.why_not_resumed():
                return
            kept, settings = reader.last_state(), reader.settings()
        if kept is None:
            return
        state = after_power_loss(kept)
        _, outputs, record = step(
            state, Readings(500.0, UTC_S + 500.0, *[Reading(nan, 500.0, Fault.NO_REPLY)] * 3), prepare(settings)
        )
        if outputs.bits:
            raise FoundError(f"out of a spoilt journal the rig energises {outputs} in {record.phase}")

    def _replay(self):
        str(replay(self.bad))

    def _go_on(self):
        """Last, for it writes."""
        with Journal(self.bad, self.settings):
            pass


ODD_VALUES = (
    None,
    0,
    -1,
    1,
    2**62,
    -(2**63),
    1e308,
    float("inf"),
    "",
    "text",
    "held",
    "NaN",
    "[" * 3000,
    b"",
    b"\xc1",
    b"\xff" * 9,
)


def _by_sql(connection, edit):
    if edit[0] == "do":
        connection.execute(edit[1])
        return
    _, table, column, which, what = edit
    if edit[0] == "put":
        where = "" if which == 0 else f" WHERE rowid % 4 = {which}"
        connection.execute(f"UPDATE {table} SET {column} = ?{where}", (what,))
        return
    rows = connection.execute(
        f"SELECT rowid, {column} FROM {table} WHERE {column} IS NOT NULL ORDER BY rowid DESC"
    ).fetchall()
    row, value = rows[min(which, len(rows)) - 1] if rows else (0, b"")
    spoilt = spoil(Random(what), value if isinstance(value, bytes) else str(value).encode())
    as_text = "CAST(? AS TEXT)" if isinstance(value, str) else "?"
    connection.execute(f"UPDATE {table} SET {column} = {as_text} WHERE rowid = ?", (spoilt, row))


def _in_bytes(data, edit):
    kind, _, at, *more = edit
    place = min(int(at * len(data)), max(0, len(data) - 1))
    if kind == "cut":
        return data[:place]
    if kind == "put at":
        return data[:place] + more[0] + data[place + len(more[0]) :]
    page = 4096
    source = int(more[0] * (len(data) // page)) * page
    target = place // page * page
    return data[:target] + data[source : source + page] + data[target + page :]


SUBJECTS = {one.name: one for one in (Config, Job, AtTheDoor, Mqtt, ScaleFrames, SpoiltJournal)}
