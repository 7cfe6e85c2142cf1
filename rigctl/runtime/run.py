"""A rig run for real: configuration, drivers, loop, journal, telemetry and the local door put together.

After any kind of death the folder's journal tells what was under way; the rig then comes up in HELD with the sentence.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import signal
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Final

import msgspec

from rigctl.commissioning import sheet as sheets
from rigctl.config import ConfigError, JobConfig, RigConfig, settings_for
from rigctl.control.readings import Request
from rigctl.control.settings import Settings
from rigctl.control.vocabulary import ACTIVE
from rigctl.hardware.rig import wired
from rigctl.journal.record import record_from_journal, render_page, to_json
from rigctl.journal.store import ENDED, Journal, JournalError, JournalReader, journal_path, unfinished
from rigctl.monitor import live
from rigctl.runtime import host
from rigctl.runtime.door import Door, why_not
from rigctl.runtime.loop import Pace, ScanLoop
from rigctl.scan import ScanRecord, State, after_power_loss, initial, prepare

DOOR: Final = "press.sock"
STATUS_EVERY_S: Final = 60.0
ALL_OFF: Final = "Every output was commanded off."
NOT_ALL_OFF: Final = "A driver did not take the last command in time: look whether every output is off."


class Run:
    """One job on one rig, from the files to the record.

    Parameters
    ----------
    rig, job
        As read from their files.
    folder
        For journal, record and the local door; one that holds an unfinished journal of this job is gone on with.
    say
        Takes a line for the person who watches.
    speed
        See `ScanLoop`; other than 1 only for a simulated rig.

    Raises
    ------
    ConfigError
        If rig and job do not go together, a real rig has no valid commissioning sheet or shall go faster than
        time, the [hardware] table cannot be used, or the folder's path leaves no room for the local door.
    JournalError
        If the journal cannot be written, or if another version has left its job unfinished.
    """

    def __init__(
        self, rig: RigConfig, job: JobConfig, folder: Path, say: Callable[[str], None], *, speed: float = 1.0
    ) -> None:
        if speed != 1.0 and not rig.simulated:
            raise ConfigError([f"{rig.path}: --speed is for a simulated rig; this one is real and keeps to the clock."])
        self._settings, self._say, self._folder = settings_for(rig, job), say, folder
        # Before anything is wired: a folder that can't be used is told at once.
        if why := why_not(folder / DOOR):
            raise ConfigError([why])
        path, state = _under_way(folder, self._settings, say)
        wires, workers = wired(rig, scale_usable=self._settings.job.scale_usable)
        if not rig.simulated:
            self._settings = msgspec.structs.replace(self._settings, commissioned=_commissioned(rig, say))
        folder.mkdir(parents=True, exist_ok=True)
        self.journal_path = path if path is not None else _new(folder, self._settings)
        begin = state if state is not None else initial(prepare(self._settings))
        self._journal = Journal(self.journal_path, self._settings, start_state=state)
        self._story = live.Story()
        self._door = Door(folder / DOOR, (job.cylinder, *job.spare_cylinders))
        self._commands, self._publisher = _telemetry(rig, self._settings)
        self._manager = host.ServiceManager()
        self._from_s = time.monotonic()
        self._status_due_s = 0.0
        self._until_end = False
        self._resumed = state
        self.loop = ScanLoop(self._settings, wires, workers, begin, requests=self._asked, hear=self._hear, speed=speed)

    def go(self, *, until_end: bool = False) -> ScanRecord | None:
        """Scan until a signal, or until the job has ended; returns the last record. Outputs are safe by then.

        Parameters
        ----------
        until_end
            End with the job instead of waiting in its last phase for a person.
        """
        self._until_end = until_end
        job = self._settings.job
        self._say(f"{job.name}: {job.refrigerant} from {job.appliance}, to {job.level_text} ({job.level_source}).")
        self._say(f"Journal {self.journal_path}; press by: rigctl press {self._door.path} start")
        if self._resumed is not None:
            self._say(f"Comes up again: {self._resumed.control.sentence or self._resumed.control.phase.value}")
        if self._publisher is not None:
            self._publisher.start()
        self._last: ScanRecord | None = None
        try:
            with _signals(self.loop.stop):
                host.settle()
                self._manager.say("READY=1")
                self.loop.run()
        finally:
            # The loop has made the outputs safe: now there is time to talk.
            self._manager.say("STOPPING=1")
            self._door.close()
            if self._publisher is not None:
                self._publisher.stop(3.0)
            self.health = self._journal.close()
        self._say(ALL_OFF if self.loop.safe else NOT_ALL_OFF)
        self._write_record()
        return self._last

    @property
    def pace(self) -> Pace:
        """How well the deadlines were kept."""
        return self.loop.pace

    def _asked(self) -> tuple[Request, ...]:
        asked = self._door.take()
        if self._commands is not None:
            asked += self._commands.take_requests()
        return asked

    def _hear(self, record: ScanRecord, state: State) -> None:
        self._journal.offer(record, state)
        at_s = record.readings.now_s - self._from_s
        for line in self._story.add(record, at_s):
            self._say(live.plain(line))
        if record.replies:
            self._door.answered(record.replies)
            if self._commands is not None:
                self._commands.answered(record.replies)
        if self._publisher is not None:
            self._publisher.offer(record)
        if at_s >= self._status_due_s:
            self._status_due_s = at_s + STATUS_EVERY_S
            self._say(live.status_line(record, self._settings, at_s))
            self._manager.say(f"STATUS={record.phase.value}, {record.estimate.recovered_kg:.2f} kg recovered")
        self._manager.alive(record.readings.now_s)
        self._last = record
        if self._until_end and record.phase in ENDED:
            self.loop.stop()

    def _write_record(self) -> None:
        """The record as far as the job is; a job that goes on gets its own at its end."""
        if self._last is None or self._last.phase in ACTIVE:
            return
        made = record_from_journal(self.journal_path)
        (self._folder / "record.json").write_text(to_json(made), encoding="utf-8")
        (self._folder / "record.html").write_text(render_page(made, None), encoding="utf-8")


def _commissioned(rig: RigConfig, say: Callable[[str], None]) -> str:
    """The date of the rig's sheet; says what is soon due.

    Raises
    ------
    ConfigError
        With everything that makes the sheet invalid: such a rig does not run by itself.
    """
    today = dt.datetime.now().astimezone().date()
    try:
        sheet = sheets.load(sheets.path_of(rig))
    except sheets.SheetError as error:
        raise ConfigError([str(error)]) from None
    wrong = sheets.why_not_valid(sheet, rig, today)
    if wrong or sheet is None or sheet.signature is None:
        raise ConfigError(wrong)
    for sentence in sheets.soon_due(sheet, rig, today):
        say(sentence)
    return sheet.signature.date


def _under_way(folder: Path, settings: Settings, say: Callable[[str], None]) -> tuple[Path | None, State | None]:
    """The journal of a job that is to be gone on with, and the state to wake up in; None for a job that begins.

    A journal that can't be read is told of.

    Raises
    ------
    ConfigError
        If the folder holds another unfinished job.
    JournalError
        If another version has left the job unfinished, or wrote a journal that this one can't read.
    """
    path = unfinished(folder, say)
    if path is None:
        return None, None
    with JournalReader(path) as reader:
        why = reader.why_not_resumed()
        if why:
            raise JournalError(why)
        before, kept = reader.settings(), reader.last_state()
    if before.job.name != settings.job.name:
        raise ConfigError(
            [f'{path} holds the unfinished job "{before.job.name}"; end that one first, or name another --out.']
        )
    return path, after_power_loss(kept) if kept is not None else None


def _new(folder: Path, settings: Settings) -> Path:
    """A journal for a job that begins; one that has ended is kept beside it."""
    path = journal_path(folder, settings)
    for number in range(2, 1000):
        if not path.exists():
            return path
        path = journal_path(folder, settings).with_suffix(f".{number}.journal")
    raise ConfigError([f"{folder} holds a thousand journals of this job; name another --out."])


def _telemetry(rig: RigConfig, settings: Settings) -> tuple[Any, Any]:
    """Commands and publisher of a rig that reports to a broker; None for both otherwise."""
    if rig.mqtt is None:
        return None, None
    from rigctl.telemetry.commands import Commands
    from rigctl.telemetry.messages import topic_root
    from rigctl.telemetry.publisher import Publisher, PublisherOptions

    mqtt = rig.mqtt
    password = None
    if mqtt.password_file is not None:
        try:
            password = Path(mqtt.password_file).read_text(encoding="utf-8").strip()
        except OSError as error:
            raise ConfigError([f"{rig.path}: mqtt.password_file: {mqtt.password_file}: {error.strerror}."]) from None
    try:
        options = PublisherOptions(
            site=mqtt.site, rig=mqtt.rig, job=settings.job.name, host=mqtt.host, port=mqtt.port,
            username=mqtt.username, password=password,
            tls_ca_file=Path(mqtt.ca_file) if mqtt.tls and mqtt.ca_file is not None else None,
            reading_max_age_s=settings.instruments.reading_max_age_s,
        )  # fmt: skip
    except ValueError as error:
        raise ConfigError([f"{rig.path}: mqtt: {error}"]) from None
    commands = Commands(topic_root(mqtt.site, mqtt.rig))
    return commands, Publisher(options, commands)


@contextlib.contextmanager
def _signals(stop: Callable[[], None]) -> Iterator[None]:
    """SIGTERM, Ctrl-C and a terminal that is lost end the loop; it makes the outputs safe before anything else."""
    ends = (signal.SIGTERM, signal.SIGINT, signal.SIGHUP)
    before = {number: signal.signal(number, lambda *_: stop()) for number in ends}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
