"""The demonstration: bench, journal, record, plot, telemetry and screen around one loop.

Everything heavy is imported where it is needed; the simulation is handed in.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from rigctl.console import (
    MISTAKE,
    UNFINISHED,
    MistakeError,
    console,
    exit_status,
    say_json,
    say_record,
    say_wrong,
    sentence_of,
)

if TYPE_CHECKING:
    from rigctl.journal.store import Journal

_FRAMES_S: Final = 0.125
_LEAST_WIDTH, _LEAST_HEIGHT = 60, 18
_LONGEST_S: Final = 86_400.0
_TIME_TO_CONNECT_S: Final = 6.0
_JOURNAL_BACKLOG: Final = 3_000
"""Scans that may wait for the disk before simulated time waits too; a real rig never waits."""


def speed_of(text: str) -> float:
    """Read simulated seconds in one second; "max" is infinite.

    Raises
    ------
    MistakeError
        When it is neither a number above 0 nor max.
    """
    from math import inf, isfinite

    if text == "max":
        return inf
    try:
        value = float(text.removesuffix("x"))
    except ValueError:
        value = 0.0
    if not (isfinite(value) and value > 0.0):
        raise MistakeError(f'--speed: "{text}" is no speed; write a number above 0, for example 20, or max.')
    return value


def folder_for(out: Path | None, job_path: str) -> Path:
    """Make the folder for what the run leaves behind; one that holds something is never written to.

    Raises
    ------
    MistakeError
        When there is something in the way.
    """
    from datetime import datetime

    if out is not None:
        if out.is_dir() and any(out.iterdir()):
            raise MistakeError(f"{out} is not empty and nothing in it is overwritten; name a new folder with --out.")
        out.mkdir(parents=True, exist_ok=True)
        return out
    name = f"{datetime.now().astimezone():%Y%m%d-%H%M%S}-{Path(job_path).stem}"
    for number in range(1, 100):
        folder = Path("out") / (name if number == 1 else f"{name}-{number}")
        try:
            folder.mkdir(parents=True)
        except FileExistsError:
            if not Path("out").is_dir():
                raise MistakeError("there is a file called out where the folder out should be; use --out.") from None
            continue
        return folder
    raise MistakeError(f"there are a hundred folders out/{name}-... already; use --out.")


class Telemetry:
    """The publisher of the demonstration and, unless one was named, a broker for it.

    Raises
    ------
    MistakeError, BrokerError
        When the broker named does not answer, or none can be started.
    """

    def __init__(self, simulation: Any, broker: str | None, broker_port: int | None, pace: float) -> None:
        import logging

        from rigctl.telemetry.commands import Commands
        from rigctl.telemetry.messages import topic_root
        from rigctl.telemetry.publisher import Publisher, PublisherOptions

        # What goes wrong is shown; a log line in the middle of the live view would only tear it.
        logging.getLogger("rigctl").addHandler(logging.NullHandler())
        self._broker: Any = None
        host, port = self._reach(broker) if broker is not None else self._own(broker_port)
        site, rig = "demo", Path(simulation.rig.path).stem
        self.commands = Commands(topic_root(site, rig))
        try:
            options = PublisherOptions(
                site=site, rig=rig, job=simulation.settings.job.name, host=host, port=port,
                reading_max_age_s=simulation.settings.instruments.reading_max_age_s,
                # Ten messages a second are enough for those who watch, however fast simulated time goes.
                measurement_period_s=max(1.0, min(pace / 10.0, 10.0)),
            )  # fmt: skip
        except ValueError as error:
            raise MistakeError(str(error)) from None
        self._since_s = time.monotonic()
        self._publisher = Publisher(options, self.commands)
        self._publisher.start()
        self.where = f"{host}:{port}"
        self.root = self._publisher.root

    def _reach(self, broker: str) -> tuple[str, int]:
        import socket

        host, _, port = broker.rpartition(":")
        if not host:
            host, port = broker, "1883"
        if not port.isdigit() or not 1 <= int(port) <= 65535:
            raise MistakeError(f'--broker: "{broker}" is no address; write HOST:PORT, for example 192.168.1.10:1883.')
        host = host.strip("[]")
        try:
            with socket.create_connection((host, int(port)), timeout=5.0):
                return host, int(port)
        except OSError as error:
            why = error.strerror or str(error) or "no answer"
            raise MistakeError(
                f"no broker answers at {host}:{port} ({why.lower()}); start it, correct --broker, or leave --broker "
                "out and one is started here."
            ) from None

    def _own(self, port: int | None) -> tuple[str, int]:
        from rigctl.telemetry.broker import BrokerError, EmbeddedBroker

        self._broker = EmbeddedBroker(1883 if port is None else port)
        try:
            self._broker.start()
        except BrokerError:
            if port is not None:
                raise
            # Somebody else has the usual port: any other will do.
            self._broker = EmbeddedBroker(0)
            self._broker.start()
        return self._broker.host, self._broker.port

    def offer(self, record: Any) -> None:
        """Publish a scan."""
        self._publisher.offer(record)

    def publish_record(self, text: bytes) -> None:
        """Publish the recovery record."""
        self._publisher.publish_record(text)

    @property
    def healthy(self) -> bool:
        """Whether the broker takes what is published."""
        return bool(self._publisher.healthy)

    @property
    def failing(self) -> bool:
        """Not healthy although there was time enough to connect."""
        return not self.healthy and time.monotonic() > self._since_s + _TIME_TO_CONNECT_S

    @property
    def health(self) -> str:
        """The same as a sentence."""
        return str(self._publisher.health)

    def stop(self) -> None:
        """Send what is left and end, with the broker if it is an own one."""
        self._publisher.stop(4.0)
        if self._broker is not None:
            self._broker.stop()
            self._broker = None


class Demo:
    """One demonstration: bench, journal, record, plot, telemetry and screen around one loop."""

    def __init__(
        self, simulation: Any, folder: Path, pace: float, seed: int, telemetry: Telemetry | None,
        status_every_s: float, plain_lines: bool, as_json: bool,
    ) -> None:  # fmt: skip
        from rigctl.journal.record import RecordBuilder
        from rigctl.journal.store import Journal
        from rigctl.monitor.live import Story
        from rigctl.monitor.plot import History

        self._simulation, self._settings = simulation, simulation.settings
        self._folder, self._pace, self._telemetry = folder, pace, telemetry
        self._status_every_s, self._status_due_s = status_every_s, 0.0
        self._as_json = as_json
        # With --json the standard output belongs to the answer alone.
        self._console = console(stderr=as_json)
        self._live_view = self._can_show() and not plain_lines
        if sys.stderr.isatty():
            sys.stderr.write("Preparing the simulation; the first time it is compiled, which takes up to a minute.\n")
        # Before the journal: what cannot be simulated shall leave no file.
        self._bench = simulation.bench(seed, utc_s=time.time(), listen=self._hear)
        self._journal_path = folder / "journal.sqlite"
        self._journal: Journal | None = Journal(self._journal_path, self._settings)
        self._journal_trouble = ""
        self._builder = RecordBuilder(self._settings, journal_file=self._journal_path.name)
        self._story, self._history = Story(), History(self._settings)
        self._remote: list[Any] = []
        self._waking: Any = None
        self._asked_to_stop = 0
        self._stop_pressed = False

    def _can_show(self) -> bool:
        stream, size = self._console.file, self._console.size
        return (
            stream.isatty() and not self._console.is_dumb_terminal
            and size.width >= _LEAST_WIDTH and size.height >= _LEAST_HEIGHT
        )  # fmt: skip

    def _say(self, text: str) -> None:
        self._console.file.write(text.rstrip() + "\n")
        self._console.file.flush()

    # ---- the loop

    def run(self) -> int:
        """Run the job to its end and write what it leaves behind; returns the exit status."""
        import signal
        import threading

        before = {}
        if threading.current_thread() is threading.main_thread():
            for number in (signal.SIGINT, signal.SIGTERM):
                before[number] = signal.signal(number, self._asked)
        try:
            if self._live_view:
                self._run_live()
            else:
                self._run_plain()
            return self._sum_up()
        finally:
            for number, handler in before.items():
                signal.signal(number, handler)
            if self._journal is not None:
                self._journal.close()

    def _asked(self, _signal: int, _frame: object) -> None:
        self._asked_to_stop += 1

    def _run_live(self) -> None:
        from rich.live import Live

        from rigctl.monitor.live import LiveView

        view = LiveView(self._settings, self._story, self._history)
        view.pace = "as fast as possible" if self._pace == float("inf") else f"{self._pace:g}x"
        frames = self._frames(view.show)
        # The first scan compiles the simulation: until then the line that says so stays on the screen.
        next(frames, None)
        with Live(view, console=self._console, screen=True, auto_refresh=False, redirect_stdout=False) as live:
            for _ in frames:
                view.footer = self._footer()
                live.refresh()
            live.refresh()

    def _run_plain(self) -> None:
        job = self._settings.job
        self._say(f"{job.name}: {job.refrigerant} from {job.appliance}, to {job.level_text} ({job.level_source}).")
        self._say(f"Set-up {self._simulation.setup}: {self._simulation.setup_purpose}.")
        if self._telemetry is not None:
            self._say(f"Telemetry: MQTT broker at {self._telemetry.where}, topics {self._telemetry.root}/#")
        for _ in self._frames(lambda record: None):
            self._console.file.flush()

    def _frames(self, show: Callable[[Any], None]) -> Iterator[None]:
        """Run to the end, handing over every scan; yields whenever the screen is due."""
        wall_s, simulated_s = time.monotonic(), 0.0
        while True:
            frame_s = time.monotonic() + _FRAMES_S
            pace = float("inf") if self._stop_pressed else self._pace
            # A machine that cannot keep up falls behind instead of catching up in a rush.
            goal_s = min(simulated_s + pace * (time.monotonic() - wall_s), self._bench.time_s + pace * 2.0 * _FRAMES_S)
            wall_s, simulated_s = time.monotonic(), goal_s if goal_s < float("inf") else self._bench.time_s
            while self._bench.time_s < goal_s:
                if self._step(show):
                    yield
                    return
                if time.monotonic() >= frame_s:
                    break
            self._let_journal_follow()
            yield
            if self._pace < float("inf") and not self._stop_pressed:
                time.sleep(max(0.0, frame_s - time.monotonic()))

    def _step(self, show: Callable[[Any], None]) -> bool:
        """One scan and all that hangs on it; True when the demonstration is over."""
        from rigctl.control.vocabulary import Phase

        bench = self._bench
        if self._asked_to_stop and not self._stop_pressed:
            self._press_stop()
        if self._telemetry is not None:
            self._pass_on_requests(self._telemetry)
        record = bench.scan()
        if record is None:
            if self._journal is not None:
                # The power has gone, and the journal's program with it.
                self._close_journal()
            return self._asked_to_stop > 1 or bench.time_s > _LONGEST_S
        at_s = bench.time_s - bench.scan_period_s
        if self._waking is not None:
            self._wake_up()
            self._story.now_s = at_s
            # The state it wakes up in is no event of a scan.
            self._tell(self._story.note("hold" if record.sentence else "phase", record.sentence or record.phase.value))
        if self._journal is not None:
            self._journal.offer(record, bench.state)
        self._builder.add(record)
        self._history.add(record)
        for line in self._story.add(record, at_s):
            self._tell(line)
        if self._telemetry is not None:
            self._telemetry.offer(record)
            self._answer_requests(self._telemetry, record)
        show(record)
        if not self._live_view and at_s + 1e-6 >= self._status_due_s:
            self._status(record, at_s)
        if self._asked_to_stop and record.phase in (Phase.STOPPED, Phase.COMPLETE, Phase.ABORTED, Phase.IDLE):
            return True
        done = bench.operator is not None and bench.operator.done
        return done or self._asked_to_stop > 1 or bench.time_s > _LONGEST_S

    def _press_stop(self) -> None:
        from rigctl.control.readings import RequestKind

        self._stop_pressed = True
        # The technician does not argue with it.
        self._bench.operator = None
        self._bench.press(RequestKind.STOP)
        self._tell(self._story.note("request", "Stop asked for with Ctrl-C; once more ends at once."))

    def _hear(self, happening: Any) -> None:
        """Take what the bench tells besides the scans' own events."""
        if happening.source == "rig":
            return
        if happening.source == "fault" and self._journal is None and self._bench.powered:
            self._waking = self._bench.state
        self._story.now_s = happening.at_s
        kind = "person" if happening.source == "technician" else happening.source
        self._tell(self._story.note(kind, happening.text))

    def _close_journal(self) -> None:
        if self._journal is not None:
            health = self._journal.close(30.0)
            self._journal_trouble = self._journal_trouble or health.sentence
            self._journal = None

    def _wake_up(self) -> None:
        """After a power cut: another session in the same journal, another start in the same record."""
        from rigctl.journal.store import Journal

        self._journal = Journal(self._journal_path, self._settings, start_state=self._waking)
        self._builder.restarted(self._settings)
        self._waking = None

    def _let_journal_follow(self) -> None:
        """Wait for the disk where simulated time outruns it; a failing disk is waited for only so long."""
        until_s = time.monotonic() + 5.0
        while self._journal is not None and self._journal.health().waiting > _JOURNAL_BACKLOG:
            if not self._journal.health().ok or time.monotonic() > until_s:
                return
            time.sleep(0.02)

    # ---- requests from afar

    def _pass_on_requests(self, telemetry: Telemetry) -> None:
        for request in telemetry.commands.take_requests():
            self._remote.append(request)
            self._bench.press(request.kind, request.source, request.cylinder)
            self._tell(self._story.note("remote", f"{request.kind.value} asked for over MQTT."))

    def _answer_requests(self, telemetry: Telemetry, record: Any) -> None:
        """The bench numbers what is pressed; the answers go back under the senders' own numbers, in their order."""
        if not self._remote or not record.replies:
            return
        import msgspec

        pressed = [reply for reply in record.replies if reply.request_id.startswith("bench-")]
        answers = [
            msgspec.structs.replace(reply, request_id=request.request_id)
            for reply, request in zip(pressed[-len(self._remote) :], self._remote, strict=False)
        ]
        telemetry.commands.answered(tuple(answers))
        self._remote.clear()

    # ---- telling

    def _tell(self, line: Any) -> None:
        from rigctl.monitor import live

        if line is not None and not self._live_view:
            self._say(live.plain(line))

    def _status(self, record: Any, at_s: float) -> None:
        from rigctl.monitor import live

        self._status_due_s = at_s + self._status_every_s
        self._say(live.status_line(record, self._settings, at_s))
        if self._telemetry is not None and self._telemetry.failing:
            line = self._story.note("telemetry", self._telemetry.health)
            if line is not None:
                self._say(live.plain(line))

    def _footer(self) -> tuple[str, ...]:
        pieces = ["Ctrl-C stops the job" if not self._stop_pressed else "Stopping; Ctrl-C again ends at once"]
        if self._journal is not None and self._journal.health().sentence:
            pieces.append(self._journal.health().sentence)
        if self._telemetry is not None:
            healthy = self._telemetry.healthy
            pieces.append(
                f"MQTT {self._telemetry.where}  {self._telemetry.root}/#" if healthy else self._telemetry.health
            )
        pieces.append(f"writes to {self._folder}")
        return tuple(pieces)

    # ---- the end

    def _sum_up(self) -> int:
        import json

        from rigctl.journal import record as records
        from rigctl.monitor import plot

        self._close_journal()
        made = self._builder.build()
        text = records.to_json(made)
        if self._telemetry is not None:
            self._telemetry.publish_record(text.encode())
        last = self._bench.last
        status = exit_status(last.phase) if last is not None else UNFINISHED
        trouble = self._journal_trouble
        drawn = None
        try:
            (self._folder / "record.json").write_text(text, encoding="utf-8")
            try:
                drawn = plot.write(self._history, self._folder)
            except ModuleNotFoundError as error:
                trouble = trouble or f"no plot was drawn: {sentence_of(error)}"
            (self._folder / "record.html").write_text(records.render_page(made, drawn), encoding="utf-8")
        except OSError as error:
            trouble = sentence_of(error) or str(error)
        result = self._bench.result()
        if self._as_json:
            say_json(
                {
                    "outcome": made.outcome, "exit_status": status, "folder": str(self._folder),
                    "files": sorted(path.name for path in self._folder.iterdir()),
                    "true_recovered_kg": result.true_recovered_kg, "left_kg": result.left_kg,
                    "record": json.loads(text),
                }
            )  # fmt: skip
        else:
            truth = (
                f"{result.true_recovered_kg:.3f} kg recovered, {result.left_kg * 1e3:.0f} g left in the appliance, "
                f"{result.rig_kg * 1e3:.0f} g in the rig, {result.vented_kg * 1e3:.1f} g lost"
            )
            files = ", ".join(sorted(path.name for path in self._folder.iterdir() if path.is_file()))
            telemetry = self._telemetry
            missed = (("Telemetry", telemetry.health),) if telemetry is not None and telemetry.failing else ()
            say_record(made, (("Simulation's truth", truth), *missed, ("Written", f"{self._folder}: {files}")))
        if trouble:
            say_wrong("rigctl", trouble)
            return MISTAKE
        return status
