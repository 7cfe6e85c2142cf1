"""What both command lines share: running a command, finding files by name, telling answers."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final, NoReturn

import typer

if TYPE_CHECKING:
    from rich.console import Console

    from rigctl.control.vocabulary import Phase

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


Json = Annotated[bool, typer.Option("--json", help="Answer as JSON.")]


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
        sentence = sentence_of(error)
        if sentence is None:
            raise
        status = getattr(error, "exit_code", MISTAKE)
        say_wrong(name, sentence)
    except KeyboardInterrupt:
        say_wrong(name, "interrupted.")
        status = 130
    sys.exit(status)


def say_wrong(name: str, sentence: str) -> None:
    """Put one sentence on the standard error."""
    sys.stderr.write(f"{name}: {sentence}\n")


_TOLD_BY: Final = (
    ("rigctl.config", "ConfigError"),
    ("rigctl.units", "UnitError"),
    ("rigctl.refrigerant.catalogue", "UnknownRefrigerantError"),
    ("rigctl.refrigerant.cylinder", "CylinderError"),
    ("rigctl.control.settings", "UnsafeSettingsError"),
    ("rigctl.journal.store", "JournalError"),
    ("rigctl.telemetry.broker", "BrokerError"),
    ("rigctl.hardware.driver", "WiringError"),
    ("hil_sim.scenario", "ScenarioError"),
    ("hil_sim.instruments.faults", "UnsupportedFaultError"),
    ("hil_sim.plant.model", "PlantError"),
)
"""Errors whose message is a sentence for the user."""


def sentence_of(error: Exception) -> str | None:
    """The sentence of an error that a user can mend; None for a fault of the program."""
    if isinstance(error, MistakeError):
        return str(error)
    for module, name in _TOLD_BY:
        # What has not been imported cannot have raised it.
        if module in sys.modules and isinstance(error, getattr(sys.modules[module], name)):
            return str(error)
    if isinstance(error, ModuleNotFoundError) and error.name in _EXTRAS:
        return f"the package {error.name} is missing, which {_EXTRAS[error.name]}; in the checkout: sh .ci/setup"
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
    "matplotlib": "draws the plot",
    "numpy": "the simulation needs",
    "numba": "the simulation needs",
    "scipy": "the fit needs",
    "amqtt": "is the broker of the demonstration",
    "pymodbus": "speaks Modbus",
    "serial": "speaks to what hangs on a serial port",
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
