"""The command `rigctl`.

Everything heavy is imported inside the command that needs it, so that help and short answers come at once.

Exit status: 0 done (a recovery: COMPLETE), 1 a check found a difference, 2 the command cannot be carried out
as it was given (one sentence on the standard error), 3 STOPPED, 4 ABORTED, 5 HELD, 6 ended in between.
"""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final, NoReturn

import typer

if TYPE_CHECKING:
    from rich.console import Console

    from rigctl.control.sequence import Phase
    from rigctl.refrigerant.saturation import Refrigerant

COMPLETE, DIFFERS, MISTAKE, STOPPED, ABORTED, HELD, UNFINISHED = range(7)

CONFIGS_VARIABLE: Final = "RIGCTL_CONFIGS"
EXAMPLES: Final = "share/recovery-rig/configs"
"""Where an installed package puts the example files, below the prefix of its environment."""

STATUS_WORDS: Final = (
    "Exit status: 0 complete, 2 cannot be carried out as given, 3 stopped, 4 aborted, 5 held, 6 ended in between."
)
WHERE_FILES: Final = (
    "Files are named by their path, or by their name alone (split-ac); names are looked up in the folder "
    f"{CONFIGS_VARIABLE} points to, then in ./configs, then in the checkout, then in the installed examples."
)


class MistakeError(Exception):
    """The command cannot be carried out as given; the message is one sentence that says what to do."""


app = typer.Typer(
    name="rigctl",
    help="Controller for a refrigerant recovery rig: demonstration, checks, tables and records.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)

Json = Annotated[bool, typer.Option("--json", help="Answer as JSON.")]


# ---- what all commands share -----------------------------------------------------------------------------


def run(command: typer.Typer, name: str) -> NoReturn:
    """Run a command line; a user's mistake becomes one sentence on the standard error and status 2."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            # A terminal that cannot show a sign gets a substitute, not a traceback.
            stream.reconfigure(errors="replace")
    status = 0
    try:
        answer = command(prog_name=name, standalone_mode=False)
        status = answer if isinstance(answer, int) else 0
        sys.stdout.flush()
    except BrokenPipeError:
        # The reader has gone (rigctl ... | head): nobody is left to tell.
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
        status = 141
    except Exception as error:
        sentence = _sentence(error)
        if sentence is None:
            raise
        status = getattr(error, "exit_code", MISTAKE)
        _say_wrong(name, sentence)
    except KeyboardInterrupt:
        _say_wrong(name, "interrupted.")
        status = 130
    sys.exit(status)


def _say_wrong(name: str, sentence: str) -> None:
    sys.stderr.write(f"{name}: {sentence}\n")


_TOLD_BY: Final = (
    ("rigctl.config", "ConfigError"),
    ("rigctl.units", "UnitError"),
    ("rigctl.refrigerant.catalogue", "UnknownRefrigerantError"),
    ("rigctl.refrigerant.cylinder", "CylinderError"),
    ("rigctl.control.settings", "UnsafeSettingsError"),
    ("rigctl.journal.store", "JournalError"),
    ("rigctl.telemetry.broker", "BrokerError"),
    ("hil_sim.scenario", "ScenarioError"),
    ("hil_sim.faults", "UnsupportedFaultError"),
    ("hil_sim.plant.model", "PlantError"),
)
"""Errors whose message is a sentence for the user."""


def _sentence(error: Exception) -> str | None:
    """The sentence of an error that a user can mend; None for a fault of the program."""
    if isinstance(error, MistakeError):
        return str(error)
    for module, name in _TOLD_BY:
        # What has not been imported cannot have raised it.
        if module in sys.modules and isinstance(error, getattr(sys.modules[module], name)):
            return str(error)
    if isinstance(error, ModuleNotFoundError) and error.name in _EXTRAS:
        extra, purpose = _EXTRAS[error.name]
        return f"the package {error.name} is missing, which {purpose}; install recovery-rig[{extra}]."
    if isinstance(error, OSError) and error.strerror:
        where = f"{error.filename}: " if error.filename else ""
        return f"{where}{error.strerror[0].lower()}{error.strerror[1:]}; check the path, its permissions and the disk."
    if hasattr(error, "format_message") and hasattr(error, "exit_code"):
        context = getattr(error, "ctx", None)
        path = context.command_path if context is not None else "rigctl"
        message = str(error.format_message()).rstrip(".")
        return f"{message[0].lower()}{message[1:]}; see {path} --help." if message else f"see {path} --help."
    return None


_EXTRAS: Final = {
    "matplotlib": ("simulation", "draws the plot"),
    "numpy": ("simulation", "the simulation needs"),
    "numba": ("simulation", "the simulation needs"),
    "amqtt": ("simulation", "is the broker of the demonstration"),
}


def console(*, stderr: bool = False, width: int | None = None) -> Console:
    """A console without colour where there is no terminal, or where NO_COLOR is set."""
    from rich.console import Console

    stream = sys.stderr if stderr else sys.stdout
    terminal = stream.isatty()
    if not terminal and width is None:
        width = int(os.environ.get("COLUMNS", "0") or 0) or 120
    return Console(
        file=stream, force_terminal=terminal, width=width, highlight=False, markup=False, emoji=False,
        no_color=True if not terminal else None,
    )  # fmt: skip


def say_json(answer: Any) -> None:
    """Print an answer as indented JSON; NaN and infinity become null."""
    import json
    import math

    def plain(value: Any) -> Any:
        if isinstance(value, float):
            return value if math.isfinite(value) else None
        if isinstance(value, dict):
            return {key: plain(one) for key, one in value.items()}
        if isinstance(value, list | tuple):
            return [plain(one) for one in value]
        return value

    typer.echo(json.dumps(plain(answer), indent=2, ensure_ascii=False))


def say_table(title: str, heads: Sequence[str], rows: Sequence[Sequence[str]], numbers: Sequence[int] = ()) -> None:
    """Print a table; columns in `numbers` are set to the right, and empty heads leave the head out.

    In a terminal long cells are wrapped; piped, one row is one line.
    """
    screen = console()
    if not screen.is_terminal:
        _say_plain_table(title, heads, rows, numbers)
        return
    from rich import box
    from rich.table import Table

    table = Table(
        title=title or None, title_justify="left", title_style="bold", header_style="dim", pad_edge=False,
        box=box.SIMPLE_HEAD if any(heads) else box.SIMPLE, show_header=any(heads),
    )  # fmt: skip
    for number, head in enumerate(heads):
        table.add_column(head, justify="right" if number in numbers else "left", overflow="fold")
    for row in rows:
        table.add_row(*row)
    screen.print(table)


def _say_plain_table(title: str, heads: Sequence[str], rows: Sequence[Sequence[str]], numbers: Sequence[int]) -> None:
    widths = [max(len(row[column]) for row in (heads, *rows)) for column in range(len(heads))]
    if title:
        typer.echo(title)
    for row in (heads, *rows) if any(heads) else rows:
        cells = [
            cell.rjust(width) if number in numbers else cell.ljust(width)
            for number, (cell, width) in enumerate(zip(row, widths, strict=True))
        ]
        typer.echo("  ".join(cells).rstrip())


def config_folders() -> list[Path]:
    """Where example and own files are looked for by name, in this order."""
    folders = []
    if named := os.environ.get(CONFIGS_VARIABLE):
        folders.append(Path(named))
    folders += [Path("configs"), Path(__file__).resolve().parent.parent / "configs", Path(sys.prefix) / EXAMPLES]
    return folders


def find(kind: str, name: str | Path) -> Path:
    """Find a file of a kind ("rigs", "jobs", "setups", ...) by path, or by name in the known folders.

    Raises
    ------
    MistakeError
        When there is none, with the names there are.
    """
    path = Path(name)
    # What looks like a path is one: its reader says best what is wrong with it.
    if path.suffix or len(path.parts) > 1 or path.exists():
        return path
    folders = config_folders()
    for folder in folders:
        candidate = folder / kind / f"{path.name}.toml"
        if candidate.is_file():
            return candidate
    known = names(kind)
    if known:
        raise MistakeError(f'there is no "{name}" among the {kind}; known by name: {", ".join(known)}.')
    looked = ", ".join(str(folder / kind) for folder in folders)
    raise MistakeError(
        f'the file {kind}/{name}.toml is in none of {looked}; name it by its path, or set {CONFIGS_VARIABLE} to '
        "the folder with the configuration files."
    )  # fmt: skip


def names(kind: str) -> list[str]:
    """The files of a kind that can be called by name, sorted."""
    return sorted({path.stem for folder in config_folders() for path in (folder / kind).glob("*.toml")})


def first_there(kind: str, wanted: Sequence[str]) -> str:
    """The first of several names for which there is a file, else the first."""
    known = names(kind)
    return next((name for name in wanted if name in known), wanted[0])


def exit_status(phase: Phase) -> int:
    """The exit status that says how a job ended."""
    return {"complete": COMPLETE, "stopped": STOPPED, "aborted": ABORTED, "held": HELD}.get(phase.value, UNFINISHED)


# ---- demo ------------------------------------------------------------------------------------------------

DEFAULT_SPEED: Final = 10.0
"""Simulated seconds in one second: the example job takes about a minute to watch."""
_FRAMES_S: Final = 0.125
_LEAST_WIDTH, _LEAST_HEIGHT = 60, 18
_LONGEST_S: Final = 86_400.0
_TIME_TO_CONNECT_S: Final = 6.0
_JOURNAL_BACKLOG: Final = 3_000
"""Scans that may wait for the disk before simulated time waits too; a real rig never waits."""


@app.command(epilog=f"{STATUS_WORDS} {WHERE_FILES}")
def demo(
    job: Annotated[str | None, typer.Option(help="What is to be emptied.", metavar="FILE")] = None,
    rig: Annotated[str | None, typer.Option(help="The rig.", metavar="FILE")] = None,
    setup: Annotated[str | None, typer.Option(help="How the rig is hooked up.", metavar="NAME")] = None,
    appliance: Annotated[
        str | None, typer.Option(help="The simulated appliance, if not called like the job.", metavar="NAME")
    ] = None,
    fault: Annotated[
        list[str] | None,
        typer.Option(help="NAME[@SECONDS]: let something go wrong; may be given several times.", metavar="NAME"),
    ] = None,
    speed: Annotated[
        str, typer.Option(help='Simulated seconds in one second, or "max".', metavar="N|max")
    ] = f"{DEFAULT_SPEED:g}",
    out: Annotated[
        Path | None, typer.Option(help="Folder for record, plot and journal; out/<date-time>-<job> if not given.")
    ] = None,
    seed: Annotated[int, typer.Option(help="Of instruments, faults and the technician's delays.", min=0)] = 1,
    broker: Annotated[
        str | None, typer.Option(help="MQTT broker to report to, instead of one of its own.", metavar="HOST:PORT")
    ] = None,
    broker_port: Annotated[
        int | None, typer.Option(help="Port for its own broker; 1883 or a free one if not given.", min=0, max=65535)
    ] = None,
    no_mqtt: Annotated[bool, typer.Option("--no-mqtt", help="No telemetry.")] = False,
    status_every: Annotated[
        float, typer.Option(help="Without a terminal: simulated seconds between status lines.", min=1.0)
    ] = 60.0,
    plain_lines: Annotated[bool, typer.Option("--plain", help="Lines instead of the live view.")] = False,
    as_json: Json = False,
    list_setups: Annotated[bool, typer.Option("--list-setups", help="Show the set-ups there are, and end.")] = False,
    list_faults: Annotated[bool, typer.Option("--list-faults", help="Show the faults by name, and end.")] = False,
) -> int:
    """Run a complete recovery on the simulated rig: live view, telemetry, journal, record and plot.

    Ctrl-C asks the rig to stop in good order; a second one ends at once.
    """
    from hil_sim import cli as simulating

    if list_setups or list_faults:
        (simulating.list_setups if list_setups else simulating.list_faults)(as_json)
        return 0
    pace = _speed(speed)
    if broker is not None and (no_mqtt or broker_port is not None):
        raise MistakeError("--broker does not go with --no-mqtt or --broker-port; give one of them.")
    simulation = simulating.prepare(job, rig, setup, fault or (), appliance)
    telemetry = None if no_mqtt else _Telemetry(simulation, broker, broker_port, pace)
    folder = _folder(out, simulation.job.path)
    try:
        show = _Demo(simulation, folder, pace, seed, telemetry, status_every, plain_lines, as_json)
        return show.run()
    finally:
        if telemetry is not None:
            telemetry.stop()
        if not any(folder.iterdir()):
            folder.rmdir()


def _speed(text: str) -> float:
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


def _folder(out: Path | None, job_path: str) -> Path:
    """Make the folder for what the run leaves behind; one that holds something is never written to."""
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


class _Telemetry:
    """The publisher of the demonstration and, unless one was named, a broker for it."""

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
        self._publisher.offer(record)

    def publish_record(self, text: bytes) -> None:
        self._publisher.publish_record(text)

    @property
    def healthy(self) -> bool:
        return bool(self._publisher.healthy)

    @property
    def failing(self) -> bool:
        """Not healthy although there was time enough to connect."""
        return not self.healthy and time.monotonic() > self._since_s + _TIME_TO_CONNECT_S

    @property
    def health(self) -> str:
        return str(self._publisher.health)

    def stop(self) -> None:
        self._publisher.stop(4.0)
        if self._broker is not None:
            self._broker.stop()
            self._broker = None


class _Demo:
    """One demonstration: bench, journal, record, plot, telemetry and screen around one loop."""

    def __init__(
        self, simulation: Any, folder: Path, pace: float, seed: int, telemetry: _Telemetry | None,
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
        from rigctl.control.sequence import Phase

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

    def _pass_on_requests(self, telemetry: _Telemetry) -> None:
        for request in telemetry.commands.take_requests():
            self._remote.append(request)
            self._bench.press(request.kind, request.source, request.cylinder)
            self._tell(self._story.note("remote", f"{request.kind.value} asked for over MQTT."))

    def _answer_requests(self, telemetry: _Telemetry, record: Any) -> None:
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
                trouble = trouble or f"no plot was drawn: {_sentence(error)}"
            (self._folder / "record.html").write_text(records.render_page(made, drawn), encoding="utf-8")
        except OSError as error:
            trouble = _sentence(error) or str(error)
        result = self._bench.result()
        if self._as_json:
            say_json(
                {
                    "outcome": made.outcome, "exit_status": status, "folder": str(self._folder),
                    "files": sorted(path.name for path in self._folder.iterdir()),
                    "true_recovered_kg": result.true_recovered_kg, "left_kg": result.left_kg,
                    "record": json_of(text),
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
            _say_wrong("rigctl", trouble)
            return MISTAKE
        return status


def json_of(text: str) -> Any:
    """JSON text as plain data."""
    import json

    return json.loads(text)


# ---- check -----------------------------------------------------------------------------------------------


@app.command()
def check(
    config: Annotated[str, typer.Argument(help="File of a rig or of a job.", metavar="CONFIG")],
    job: Annotated[str | None, typer.Option(help="A job to be run on the rig: checks both together.")] = None,
    everything: Annotated[bool, typer.Option("--all", help="Show every setting, not only the main ones.")] = False,
    as_json: Json = False,
) -> int:
    """Check a rig's or a job's file: everything wrong with it, one sentence each, or OK."""
    from rigctl.config import ConfigError

    try:
        shown, whole = _checked(config, job)
    except ConfigError as error:
        if as_json:
            say_json({"ok": False, "problems": list(error.problems)})
        else:
            for problem in error.problems:
                sys.stderr.write(problem + "\n")
        return MISTAKE
    if as_json:
        say_json({"ok": True, "problems": [], "settings": dict(whole)})
        return 0
    say_table("", ("setting", "value"), whole if everything else shown)
    typer.echo("OK")
    return 0


def _checked(config: str, job: str | None) -> tuple[list[tuple[str, str]], list[tuple[str, str]]]:
    """Main settings and all settings of what the files hold."""
    import contextlib
    import tomllib

    from rigctl import config as files

    path = Path(config)
    if not path.suffix and not path.exists():
        path = find("rigs" if config in names("rigs") else "jobs", config)
    tables: dict[str, Any] = {}
    with contextlib.suppress(OSError, UnicodeDecodeError, tomllib.TOMLDecodeError):
        tables = tomllib.loads(path.read_bytes().decode())
    if job is None and "job" in tables and "rig" not in tables:
        loaded = files.load_job(path)
        main = _main_of_job(loaded)
        return main, main
    problems: list[str] = []
    rig = wanted = None
    try:
        rig = files.load_rig(path)
    except files.ConfigError as error:
        problems += error.problems
    if job is not None:
        try:
            wanted = files.load_job(find("jobs", job))
        except files.ConfigError as error:
            problems += error.problems
    if problems or rig is None:
        raise files.ConfigError(problems)
    main = _main_of_rig(rig)
    if wanted is None:
        return main, main
    settings = files.settings_for(rig, wanted)
    return main + _main_of_job(wanted), files.describe(settings)


def _shown(value: float, dimension: Any, preferred: str) -> str:
    """A value in the preferred unit; pressures, temperatures and masses with the digits an instrument resolves."""
    from rigctl import units

    unit = units.preferred_unit(value, dimension, preferred)
    if dimension is units.ABSOLUTE_PRESSURE:
        return units.format_pressure(value, unit)
    if dimension is units.GAUGE_PRESSURE:
        return units.format_pressure(value + units.STANDARD_ATMOSPHERE_PA, unit)
    if dimension is units.TEMPERATURE:
        return units.format_temperature(value, unit)
    return units.show(value, dimension, preferred)


def _main_of_rig(rig: Any) -> list[tuple[str, str]]:
    from rigctl import units

    preferred, limits = rig.units.value, rig.limits
    absent = [
        name.replace("_", "-").upper() if name[-1].isdigit() else name.replace("_", " ")
        for name in rig.fitted.__struct_fields__
        if not getattr(rig.fitted, name)
    ]
    return [
        ("rig", rig.name),
        ("scan period", f"{rig.scan_period_s * 1e3:.0f} ms"),
        ("discharge trips at", _shown(limits.discharge_high_pa_abs, units.ABSOLUTE_PRESSURE, preferred)),
        ("", _shown(limits.discharge_high_degc, units.TEMPERATURE, preferred)),
        ("cylinder trips at", f"{limits.cylinder_high_fraction:.0%} of its service pressure"),
        ("", _shown(limits.cylinder_high_degc, units.TEMPERATURE, preferred)),
        ("displacement", _shown(rig.compressor.displacement_m3_s, units.VOLUME_FLOW, preferred)),
        ("standing check", f"{rig.procedure.standing_s:.0f} s"),
        ("not fitted", ", ".join(absent) if absent else "nothing: everything is there"),
        ("reports to", f"{rig.mqtt.host}:{rig.mqtt.port}" if rig.mqtt else "nobody"),
    ]


def _main_of_job(job: Any) -> list[tuple[str, str]]:
    from rigctl import units
    from rigctl.refrigerant import catalogue
    from rigctl.refrigerant.cylinder import fill_limit

    what = job.job
    limit = fill_limit(catalogue.get(what.refrigerant), job.cylinder.water_capacity_kg)
    charge = "not known" if what.charge_kg is None else _shown(what.charge_kg, units.MASS, "metric")
    return [
        ("job", what.name),
        ("appliance", what.appliance),
        ("refrigerant", what.refrigerant),
        ("charge", charge),
        ("water in the exchanger", "yes" if what.water_side else "no"),
        ("level to reach", what.level_text),
        ("by", what.level_source),
        ("cylinder", f"{job.cylinder.serial}, may hold {limit.limit_kg:.2f} kg ({limit.rule})"),
        ("spare cylinders", ", ".join(spare.serial for spare in job.spare_cylinders) or "none"),
    ]


# ---- pt --------------------------------------------------------------------------------------------------

_CHART: Final = {"metric": [float(t) for t in range(-40, 70, 5)], "us": [(t - 32) / 1.8 for t in range(-40, 151, 10)]}
"""Temperatures of the chart (degC): round figures in the units asked for."""


@app.command()
def pt(
    refrigerant: Annotated[str, typer.Argument(help="For example R-410A; 410a will do.")],
    temperature: Annotated[str | None, typer.Option(help='For example "25 degC" or "77 degF".')] = None,
    pressure: Annotated[str | None, typer.Option(help='For example "100 psig" or "7 bar g".')] = None,
    cylinder_wc: Annotated[
        str | None, typer.Option(help='Water capacity on the cylinder\'s collar, for example "47.7 lb".')
    ] = None,
    service_pressure: Annotated[
        str | None, typer.Option(help='Service pressure on the collar, for example "400 psig".')
    ] = None,
    units_set: Annotated[str, typer.Option("--units", help="metric or us.")] = "metric",
    as_json: Json = False,
) -> int:
    """Saturation pressure for a temperature and the reverse, and what a cylinder may hold.

    Without a temperature, a pressure or a cylinder: a short pressure-temperature chart.
    """
    from rigctl import units
    from rigctl.refrigerant import catalogue

    if units_set not in units.PREFERENCES:
        raise MistakeError(f'"{units_set}" is no set of units; write metric or us.')
    fluid = catalogue.get(refrigerant)
    answer: dict[str, Any] = {"refrigerant": fluid.name, "safety_class": fluid.safety_class}
    rows: list[tuple[str, str]] = []
    if temperature is not None:
        degc = _option(temperature, units.TEMPERATURE, "--temperature")
        _at_temperature(fluid, degc, units_set, answer, rows)
    if pressure is not None:
        pa = _option(pressure, units.ABSOLUTE_PRESSURE, "--pressure")
        _at_pressure(fluid, pa, units_set, answer, rows)
    if cylinder_wc is not None:
        _in_cylinder(fluid, _option(cylinder_wc, units.MASS, "--cylinder-wc"), units_set, answer, rows)
    if service_pressure is not None:
        pa = _option(service_pressure, units.GAUGE_PRESSURE, "--service-pressure")
        _rating(fluid, pa, units_set, answer, rows)
    if not rows:
        return _chart(fluid, units_set, answer, as_json)
    if as_json:
        say_json(answer)
    else:
        say_table(f"{fluid.name}, safety class {fluid.safety_class}", ("", ""), rows)
    return 0


def _option(text: str, dimension: Any, name: str) -> float:
    from rigctl import units

    try:
        return units.parse(text, dimension)
    except units.UnitError as error:
        raise MistakeError(f"{name}: {error}") from None


def _at_temperature(
    fluid: Refrigerant, degc: float, preferred: str, answer: dict[str, Any], rows: list[tuple[str, str]]
) -> None:
    from rigctl import units

    refusal = fluid.why_outside_temperature(degc)
    if refusal:
        raise MistakeError(refusal)
    bubble, dew = fluid.bubble_pressure_pa_abs(degc), fluid.dew_pressure_pa_abs(degc)
    density = fluid.liquid_density_kg_m3(degc)
    answer["at_temperature"] = {
        "temperature_degc": degc, "bubble_pressure_pa_abs": bubble, "dew_pressure_pa_abs": dew,
        "liquid_density_kg_m3": density,
    }  # fmt: skip
    at = _shown(degc, units.TEMPERATURE, preferred)
    rows += [(f"at {at}: {word}", text) for word, text in _both(fluid, bubble, dew, preferred)]
    rows.append((f"at {at}: liquid density", f"{density:.0f} kg/m3"))


def _both(fluid: Refrigerant, bubble: float, dew: float, preferred: str) -> list[tuple[str, str]]:
    """Pressures in the preferred unit and absolute; one line where bubble and dew are the same."""
    from rigctl import units

    def text(pa: float) -> str:
        absolute = "psi abs" if preferred == "us" else "kPa abs"
        return (
            f"{_shown(pa, units.ABSOLUTE_PRESSURE, preferred)}  "
            f"({units.in_unit(pa, absolute, units.ABSOLUTE_PRESSURE):.4g} {absolute})"
        )

    if not fluid.is_blend:
        return [("saturation pressure", text(bubble))]
    return [("bubble pressure (liquid)", text(bubble)), ("dew pressure (vapor)", text(dew))]


def _at_pressure(
    fluid: Refrigerant, pa: float, preferred: str, answer: dict[str, Any], rows: list[tuple[str, str]]
) -> None:
    from rigctl import units

    refusal = fluid.why_outside_pressure(pa)
    if refusal:
        raise MistakeError(refusal)
    bubble, dew = fluid.bubble_temperature_degc(pa), fluid.dew_temperature_degc(pa)
    answer["at_pressure"] = {"pressure_pa_abs": pa, "bubble_temperature_degc": bubble, "dew_temperature_degc": dew}
    at = _shown(pa, units.ABSOLUTE_PRESSURE, preferred)
    bubble_text, dew_text = (_shown(t, units.TEMPERATURE, preferred) for t in (bubble, dew))
    if fluid.is_blend:
        rows += [
            (f"at {at}: bubble temperature (liquid)", bubble_text),
            (f"at {at}: dew temperature (vapor)", dew_text),
        ]
    else:
        rows.append((f"at {at}: saturation temperature", bubble_text))


def _in_cylinder(
    fluid: Refrigerant, capacity_kg: float, preferred: str, answer: dict[str, Any], rows: list[tuple[str, str]]
) -> None:
    from rigctl import units
    from rigctl.refrigerant import cylinder

    limit = cylinder.fill_limit(fluid, capacity_kg)
    volume = cylinder.volume_m3(capacity_kg)
    full = cylinder.liquid_full_temperature_degc(fluid, limit.limit_kg, volume)
    answer["cylinder"] = {
        "water_capacity_kg": capacity_kg, "volume_m3": volume, "fill_limit_kg": limit.limit_kg, "rule": limit.rule,
        "source": limit.source, "liquid_full_at_degc": full,
    }  # fmt: skip
    rows += [
        (
            "cylinder may hold",
            f"{units.format_mass(limit.limit_kg, 'kg')}  ({units.format_mass(limit.limit_kg, 'lb')})",
        ),
        ("rule", limit.rule),
        ("source", limit.source),
        ("then full of liquid at", _shown(full, units.TEMPERATURE, preferred)),
    ]


def _rating(
    fluid: Refrigerant, service_pa_gauge: float, preferred: str, answer: dict[str, Any], rows: list[tuple[str, str]]
) -> None:
    from rigctl import units
    from rigctl.refrigerant import cylinder

    rating = cylinder.pressure_rating(fluid, service_pa_gauge)
    answer["rating"] = {
        "ok": rating.ok, "pressure_at_55c_pa_gauge": rating.pressure_at_55c_pa_gauge,
        "allowed_pa_gauge": rating.allowed_pa_gauge, "source": rating.source,
    }  # fmt: skip
    hot, allowed = (
        _shown(pa, units.GAUGE_PRESSURE, preferred) for pa in (rating.pressure_at_55c_pa_gauge, rating.allowed_pa_gauge)
    )
    verdict = "rated for it" if rating.ok else "NOT rated for it"
    rows += [("cylinder is", f"{verdict}: {hot} at 55 degC, {allowed} allowed"), ("source", rating.source)]


def _chart(fluid: Refrigerant, preferred: str, answer: dict[str, Any], as_json: bool) -> int:
    from rigctl import units

    low, high = fluid.temperature_range_degc
    temperatures = [t for t in _CHART[preferred] if low <= t <= high]
    if as_json:
        answer["chart"] = [
            {
                "temperature_degc": t, "bubble_pressure_pa_abs": fluid.bubble_pressure_pa_abs(t),
                "dew_pressure_pa_abs": fluid.dew_pressure_pa_abs(t),
            }
            for t in temperatures
        ]  # fmt: skip
        say_json(answer)
        return 0
    absolute = "psi abs" if preferred == "us" else "kPa abs"
    rows = []
    for t in temperatures:
        bubble, dew = fluid.bubble_pressure_pa_abs(t), fluid.dew_pressure_pa_abs(t)
        row = [_shown(t, units.TEMPERATURE, preferred), _shown(bubble, units.ABSOLUTE_PRESSURE, preferred)]
        if fluid.is_blend:
            row.append(_shown(dew, units.ABSOLUTE_PRESSURE, preferred))
        row.append(f"{units.in_unit(bubble, absolute, units.ABSOLUTE_PRESSURE):.4g} {absolute}")
        rows.append(row)
    heads = (
        ["temperature", "bubble", "dew", "bubble, absolute"]
        if fluid.is_blend
        else ["temperature", "pressure", "absolute"]
    )
    say_table(f"{fluid.name}, safety class {fluid.safety_class}", heads, rows, range(len(heads)))
    return 0


# ---- interlocks ------------------------------------------------------------------------------------------


@app.command()
def interlocks(
    rig: Annotated[str | None, typer.Option(help="Only the rows that apply to this rig.")] = None,
    job: Annotated[str | None, typer.Option(help="With --rig: a job, for what depends on it (water).")] = None,
    as_json: Json = False,
) -> int:
    """The cause-and-effect table: what trips, holds or warns, and what it takes away."""
    from rigctl.control import interlocks as rules

    rows = rules.table()
    if rig is not None:
        from rigctl import config

        loaded = config.load_rig(find("rigs", rig))
        wanted = config.load_job(find("jobs", job if job is not None else "split-ac"))
        fitted = rules.rows_fitted(config.settings_for(loaded, wanted))
        rows = [row for number, row in enumerate(rows) if fitted >> number & 1]
    elif job is not None:
        raise MistakeError("--job says nothing without --rig; give both.")
    if as_json:
        say_json([{key.replace(" ", "_"): value for key, value in row.items()} for row in rows])
        return 0
    heads = list(rows[0])
    say_table("Cause and effect", heads, [[row[head] for head in heads] for row in rows])
    return 0


# ---- journals --------------------------------------------------------------------------------------------


@app.command()
def record(
    journal: Annotated[Path, typer.Argument(help="The journal of a job.", metavar="JOURNAL")],
    html: Annotated[Path | None, typer.Option(help="Write the printable page with its plot to this file.")] = None,
    as_json: Json = False,
) -> int:
    """The recovery record of the job in a journal."""
    from rigctl.journal import record as records

    made = records.record_from_journal(journal)
    if html is not None:
        if html.exists():
            raise MistakeError(f"{html} is there already and is not overwritten; name a new file.")
        html.write_text(records.render_page(made, _plot_of(journal)), encoding="utf-8")
        if not as_json:
            typer.echo(f"Written: {html}")
    if as_json:
        typer.echo(records.to_json(made), nl=False)
    elif html is None:
        say_record(made)
    return 0


def _plot_of(journal: Path) -> str | None:
    """The plot of a journal as SVG; None without matplotlib, and then the page has none."""
    from rigctl.journal.store import JournalReader
    from rigctl.monitor import plot

    with JournalReader(journal) as reader:
        history = plot.History(reader.settings())
        for stored in reader.scans(states=False):
            history.add(stored.record)
    try:
        return plot.svg(history)
    except ModuleNotFoundError:
        return None


def say_record(made: Any, more: Sequence[tuple[str, str]] = ()) -> None:
    """Print what matters of a recovery record as a table."""
    from rigctl import units

    def pressure(pa: float | None) -> str:
        if pa is None:
            return "not known"
        trade = units.preferred_unit(pa, units.ABSOLUTE_PRESSURE, "us")
        return f"{units.format_pressure(pa, 'kPa abs')} ({units.format_pressure(pa, trade)})"

    recovered = "not known"
    if made.recovered_kg is not None:
        recovered = units.format_mass(made.recovered_kg, "kg")
        if made.recovered_expanded_uncertainty_kg is not None:
            recovered = f"{made.recovered_kg:.3f} ± {made.recovered_expanded_uncertainty_kg:.3f} kg"
        recovered += f"  ({units.format_mass(made.recovered_kg, 'lb')})"
    minutes = made.duration_s / 60.0
    held = "held" if made.level_held else "did not hold"
    reached = "no standing check was made" if made.reached_level_pa_abs is None else (
        f"{pressure(made.reached_level_pa_abs)}, {held}"
    )  # fmt: skip
    rows = [
        ("Outcome", made.outcome.upper()),
        ("", made.outcome_text),
        ("Job", f"{made.job}, {made.refrigerant}"),
        ("Recovered", recovered),
        (
            "Level required",
            f"{made.required_level_text}, {units.format_pressure(made.required_level_pa_abs, 'kPa abs')}",
        ),
        ("Level reached", reached),
        ("Time", f"{minutes:.1f} min" if minutes < 180 else f"{minutes / 60:.1f} h"),
        ("Phases", ", ".join(_phase_times(made.phases))),
        ("Standing checks", f"{len(made.standing_checks)}, {sum(not c.passed for c in made.standing_checks)} failed"),
        *(
            (
                f"Cylinder {one.serial}",
                f"{'not known' if one.net_kg is None else f'{one.net_kg:.3f} kg in this job'}"
                + (
                    f", holds {one.contents_kg:.2f} of {one.fill_limit_kg:.2f} kg"
                    if one.contents_kg is not None and one.fill_limit_kg is not None
                    else ""
                ),
            )
            for one in made.cylinders
        ),
        ("Alarms", ", ".join(dict.fromkeys(f"{a.tag} ({a.kind})" for a in made.alarms)) or "none"),
        *(("Note", caution) for caution in made.cautions),
        *more,
    ]
    say_table("Recovery record", ("", ""), rows)


def _phase_times(phases: Sequence[Any]) -> list[str]:
    """Total time in each phase, in the order in which they were first entered."""
    spent: dict[str, float] = {}
    for stay in phases:
        name = stay.name.replace("_", "-")
        spent[name] = spent.get(name, 0.0) + stay.duration_s
    return [f"{name} {s / 60.0:.1f} min" if s >= 90.0 else f"{name} {s:.0f} s" for name, s in spent.items()]


@app.command()
def replay(
    journal: Annotated[Path, typer.Argument(help="The journal of a job.", metavar="JOURNAL")],
    as_json: Json = False,
) -> int:
    """Run a journal's readings through the controller again: the same must come out, to the bit.

    Exit status: 0 identical, 1 something differs or nothing could be compared.
    """
    from rigctl.journal import replay as again

    found = again.replay(journal)
    if as_json:
        difference = found.difference
        say_json(
            {
                "identical": found.identical, "compared": found.compared, "skipped": found.skipped,
                "gaps": list(found.gaps),
                "difference": None if difference is None else {
                    "scan": difference.scan, "session": difference.session, "now_s": difference.now_s,
                    "changes": [
                        {"where": c.where, "stored": c.stored, "replayed": c.replayed} for c in difference.changes
                    ],
                },
            }
        )  # fmt: skip
    else:
        typer.echo(found.describe())
    return 0 if found.identical else DIFFERS


def main() -> None:
    """Entry point of the command `rigctl`."""
    run(app, "rigctl")


if __name__ == "__main__":
    main()
