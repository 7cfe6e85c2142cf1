"""The command `hil-sim`: simulate, show scenarios, draw the gallery; commands from `COMMAND_MODULES` come on top."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final

import typer

from hil_sim.fault_names import FAULTS, NamedFault, fault_of
from hil_sim.options import (
    ApplianceName,
    Faults,
    JobFile,
    RigFile,
    ScenarioName,
    Seed,
    SetupName,
    nothing_twice,
    time_of,
)
from hil_sim.simulation import prepare, prepare_scenario, simulation_of
from rigctl.console import (
    COMPLETE,
    MISTAKE,
    STATUS_WORDS,
    WHERE_FILES,
    Json,
    MistakeError,
    config_folders,
    console,
    exit_status,
    find,
    names,
    run,
    say_json,
    say_table,
)

if TYPE_CHECKING:
    from hil_sim.bench import Bench, Result
    from hil_sim.gallery import Entry
    from hil_sim.simulation import Simulation
    from rigctl.scan import ScanRecord

app = typer.Typer(
    name="hil-sim",
    help="A refrigerant recovery rig and the appliance it empties, simulated.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)


# ---- what there is ---------------------------------------------------------------------------------------


def list_setups(as_json: bool) -> None:
    """Print the set-ups there are."""
    from hil_sim.scenario import load_setup

    found = {name: load_setup(find("setups", name)).purpose for name in names("setups")}
    if not found:
        raise MistakeError(
            f"there are no set-ups in {', '.join(str(folder / 'setups') for folder in config_folders())}; "
            "name one by its path."
        )
    if as_json:
        say_json([{"name": name, "purpose": purpose} for name, purpose in found.items()])
    else:
        say_table("", ("set-up", "what it is"), list(found.items()))


def list_faults(as_json: bool) -> None:
    """Print the faults that can be asked for by name."""
    if as_json:
        say_json([{"name": name, "meaning": f.meaning, "at_s": f.at_s} for name, f in FAULTS.items()])
        return
    rows = [
        (name, "start" if not fault.at_s else f"{fault.at_s:.0f} s", fault.meaning) for name, fault in FAULTS.items()
    ]
    say_table("", ("fault", "begins", "what happens"), rows, (1,))
    typer.echo(
        "Another time: NAME@SECONDS. Any other: TAG:KIND[=VALUE][@SECONDS], for example TT-201:wrong=40@200 or "
        "PT-101:stuck@90."
    )


# ---- run -------------------------------------------------------------------------------------------------


@app.callback()
def _commands() -> None:
    """A refrigerant recovery rig and the appliance it empties, simulated."""


@app.command("run", epilog=f"{STATUS_WORDS} {WHERE_FILES}")
def run_command(
    job: JobFile = None,
    rig: RigFile = None,
    setup: SetupName = None,
    appliance: ApplianceName = None,
    scenario: ScenarioName = None,
    fault: Faults = None,
    seed: Seed = None,
    until: Annotated[
        str | None, typer.Option(help='Simulated time to end at, for example "30 min"; 24 h, or the scenario\'s.')
    ] = None,
    csv: Annotated[Path | None, typer.Option(help="Write the time series to this file.", metavar="FILE")] = None,
    every: Annotated[str, typer.Option(help="Simulated time between two lines of the time series.")] = "1 s",
    as_json: Json = False,
    setups: Annotated[bool, typer.Option("--list-setups", help="Show the set-ups there are, and end.")] = False,
    faults: Annotated[bool, typer.Option("--list-faults", help="Show the faults there are by name, and end.")] = False,
) -> int:
    """Simulate one recovery as fast as possible, without telemetry, journal and screen."""
    if setups or faults:
        (list_setups if setups else list_faults)(as_json)
        return 0
    from rigctl import units

    until_s = None if until is None else time_of(until, "--until", units)
    every_s = time_of(every, "--every", units)
    if csv is not None and csv.exists() and csv.is_file():
        raise MistakeError(f"{csv} is there already and is not overwritten; name a new file.")
    if scenario is None:
        simulation = prepare(job, rig, setup, fault or (), appliance)
        seed, until_s = 1 if seed is None else seed, until_s or 86_400.0
    else:
        nothing_twice(scenario, {"--job": job, "--rig": rig, "--setup": setup, "--appliance": appliance})
        said, simulation = prepare_scenario(scenario, fault or ())
        seed, until_s = said.seed if seed is None else seed, until_s or said.until_s
    bench = simulation.bench(seed)
    if csv is None:
        result = bench.finish(until_s)
    else:
        # A file written to the end or not at all; /dev/stdout and the like have no end.
        with csv.open("w", encoding="utf-8", newline="") as stream:
            result = _series(bench, stream, until_s, every_s)
    if as_json:
        say_json({**_plain(result), "job": simulation.settings.job.name, "setup": simulation.setup, "seed": seed})
    else:
        _say_result(result, simulation)
    return exit_status(result.outcome)


_READINGS: Final = (
    "pt_001_pa_abs", "pt_101_pa_abs", "pt_102_pa_abs", "pt_201_pa_abs", "pt_301_pa_abs", "tt_001_degc", "tt_101_degc",
    "tt_201_degc", "tt_301_degc", "wt_301_kg",
)  # fmt: skip
_ESTIMATES: Final = (
    "recovered_kg", "recovered_uncertainty_kg", "flow_kg_s", "fill_fraction", "left_kg", "finish_s",
    "compression_ratio",
)  # fmt: skip
_TRUTHS: Final = (
    "appliance_pa_abs", "header_pa_abs", "plenum_pa_abs", "discharge_pa_abs", "cylinder_pa_abs", "appliance_degc",
    "appliance_metal_degc", "appliance_oil_degc", "discharge_degc", "cylinder_degc", "appliance_kg",
    "appliance_oil_refrigerant_kg", "cylinder_kg", "cylinder_liquid_fraction", "suction_kg_s", "cylinder_inflow_kg_s",
    "compressor_power_w", "coil_bath_ice_kg", "vented_kg",
)  # fmt: skip
"""Names of `hil_sim.plant.truth`."""


def _series(bench: Bench, stream: Any, until_s: float, every_s: float) -> Result:
    """Run to the end and write lines: what the rig knows, and the plant's truth (columns true_...)."""
    import csv

    lines = csv.writer(stream, lineterminator="\n")
    lines.writerow(
        ("time_s", "phase", "sentence", "outputs", "cv_103", *_READINGS, *_ESTIMATES, *(f"true_{t}" for t in _TRUTHS))
    )
    due_s = 0.0
    for record in bench.run(until_s):
        at_s = bench.time_s - bench.scan_period_s
        if at_s + 1e-9 >= due_s or record.events:
            lines.writerow(_line(bench, record, at_s))
            if at_s + 1e-9 >= due_s:
                due_s += every_s
    return bench.result()


def _line(bench: Bench, record: ScanRecord, at_s: float) -> list[Any]:
    from hil_sim.plant.truth import picked
    from rigctl.control.points import tags

    readings = [getattr(record.readings, name) for name in _READINGS]
    return [
        f"{at_s:.3f}", record.phase.value, record.sentence, " ".join(tags(record.outputs.bits)),
        f"{record.outputs.cv_103:.4f}",
        *("" if reading.fault is not None else f"{reading.value:.7g}" for reading in readings),
        *(_figure(getattr(record.estimate, name)) for name in _ESTIMATES),
        *(_figure(value) for value in picked(bench.plant.named_truth(), _TRUTHS)),
    ]  # fmt: skip


def _figure(value: float) -> str:
    """A number, or nothing where it is not known."""
    return f"{value:.7g}" if value - value == 0.0 else ""


def _plain(result: Result) -> dict[str, Any]:
    from dataclasses import asdict

    answer = asdict(result)
    answer["outcome"] = result.outcome.value
    answer["phases"] = [
        {"phase": span.phase.value, "from_s": span.from_s, "to_s": span.to_s, "sentence": span.sentence}
        for span in result.phases
    ]
    return answer


def _say_result(result: Result, simulation: Simulation) -> None:
    minutes = result.duration_s / 60.0
    bar = 1e-5
    spent: dict[str, float] = {}
    for span in result.phases:
        spent[span.phase.value] = spent.get(span.phase.value, 0.0) + span.to_s - span.from_s
    spent.pop("idle", None)
    phases = ", ".join(f"{name.replace('_', '-')} {s / 60.0:.1f} min" for name, s in spent.items() if s > 0.0)
    rows = [
        ("Outcome", result.outcome.name + (" (the technician gave up)" if result.gave_up else "")),
        ("", result.sentence),
        ("Job", f"{simulation.settings.job.name}, {simulation.settings.job.refrigerant}"),
        ("Set-up", f"{simulation.setup}: {simulation.setup_purpose}"),
        ("Time", f"{minutes:.1f} min"),
        ("Phases", phases),
        (
            "Recovered",
            f"{result.recovered_kg:.3f} ± {2.0 * result.recovered_uncertainty_kg:.3f} kg by the rig, "
            f"{result.true_recovered_kg:.3f} kg in truth",
        ),
        (
            "Not recovered",
            f"{result.left_kg * 1e3:.0f} g in the appliance, {result.rig_kg * 1e3:.0f} g in the rig, "
            f"{result.vented_kg * 1e3:.1f} g lost to the air",
        ),
        ("Highest pressures", f"discharge {result.most_discharge_pa_abs * bar:.1f} bar abs, cylinder "
         f"{result.most_cylinder_pa_abs * bar:.1f} bar abs"),
        ("Cylinder", f"at most {result.most_cylinder_fill:.0%} of its volume liquid"),
        ("Coldest", f"refrigerant in the appliance {result.least_appliance_degc:.0f} °C"),
        ("Energy", f"{result.energy_j / 3.6e6:.3f} kWh"),
        ("Ice needed", f"{result.ice_used_kg:.1f} kg" if result.ice_used_kg > 0.05 else "none"),
        ("Trips and holds", f"{result.trips} and {result.holds}"),
        ("Compressor", "damaged by liquid" if result.compressor_damaged else "unharmed"),
        ("Plant's own books", f"balance of mass {result.mass_error:.1e}"),
    ]  # fmt: skip
    say_table("Simulated recovery", ("", ""), [row for row in rows if row[1] or row[0]])


# ---- scenarios -------------------------------------------------------------------------------------------

scenarios = typer.Typer(help="Ready-made simulations, each in one file.", no_args_is_help=True, rich_markup_mode=None)
app.add_typer(scenarios, name="scenario")


@scenarios.command("list", epilog=WHERE_FILES)
def list_scenarios(as_json: Json = False) -> None:
    """Show the scenarios there are."""
    from hil_sim.scenario import load_scenario

    found = {name: load_scenario(find("scenarios", name)).purpose for name in _scenario_names()}
    if as_json:
        say_json([{"name": name, "purpose": purpose} for name, purpose in found.items()])
    else:
        say_table("", ("scenario", "what it is for"), list(found.items()))


def _scenario_names() -> list[str]:
    found = names("scenarios")
    if not found:
        raise MistakeError(
            f"there are no scenarios in {', '.join(str(folder / 'scenarios') for folder in config_folders())}; "
            "name one by its path."
        )
    return found


@scenarios.command("show", epilog=WHERE_FILES)
def show_scenario(name: Annotated[str, typer.Argument(metavar="NAME")], as_json: Json = False) -> None:
    """Show what a scenario puts together, and every value in which it differs from the files it names."""
    from dataclasses import asdict

    from hil_sim.scenario import changes

    said, simulation = prepare_scenario(name)
    without = simulation_of(said, (), {})
    differences = list(changes(without.parameters, simulation.parameters))
    wrong = [(text, fault_of(text)[0]) for text in said.faults]
    job = simulation.settings.job
    if as_json:
        say_json({
            "name": said.name, "purpose": said.purpose, "file": str(said.path), "job": said.job, "rig": said.rig,
            "setup": said.setup, "appliance": said.appliance, "seed": said.seed, "until_s": said.until_s,
            "faults": [{"fault": text, "meaning": fault.meaning, "at_s": fault.at_s} for text, fault in wrong],
            "changes": [
                {**asdict(change), "key": change.key, "before_text": change.written()[0],
                 "after_text": change.written()[1]}
                for change in differences
            ],
        })  # fmt: skip
        return
    rows = [
        ("Scenario", said.name),
        ("Purpose", said.purpose),
        ("Job", f"{said.job}: {job.name}, {job.refrigerant}"),
        ("Rig", f"{said.rig}: {simulation.rig.name}"),
        ("Set-up", f"{said.setup}: {simulation.setup_purpose}"),
        *((("Appliance", said.appliance),) if said.appliance is not None else ()),
        ("Seed", str(said.seed)),
        ("Ends at", f"{said.until_s / 3600.0:g} h of simulated time at the latest"),
        *(("Goes wrong", f"{text}: {fault.meaning}, {_begins(fault)}") for text, fault in wrong),
    ]
    say_table("", ("", ""), rows)
    if differences:
        lines = [(change.key, *change.written(), change.meaning) for change in differences]
        say_table("", ("different", "in the files", "in the scenario", "what it is"), lines, (1, 2))
    else:
        typer.echo("No parameter of the plant differs from what these files say.")


def _begins(fault: NamedFault) -> str:
    return f"at {fault.at_s:.0f} s" if fault.at_s else "from the start"


# ---- gallery ---------------------------------------------------------------------------------------------


@app.command("gallery", epilog=WHERE_FILES)
def gallery_command(
    out: Annotated[Path, typer.Option("--out", help="The page to write.", metavar="FILE.html", show_default=False)],
    scenario: Annotated[
        list[str] | None, typer.Argument(help="Scenarios by name or path; all without.", metavar="[NAME]...")
    ] = None,
    workers: Annotated[
        int | None, typer.Option(help="Processes at once; as many as there are cores without.", min=1)
    ] = None,
    force: Annotated[bool, typer.Option("--force", help="Write over a page that is there already.")] = False,
) -> int:
    """Run scenarios and show how each went on one page. Exit status: 0 all ran, 2 not every one could be run."""
    from hil_sim import gallery

    if out.is_dir() or not out.parent.is_dir():
        raise MistakeError(f"{out}: there is no folder for this, or it is one itself; name a file in a folder.")
    if out.exists() and not force:
        raise MistakeError(f"{out} is there already; name a new file, or give --force to write over it.")
    wanted = list(dict.fromkeys(scenario)) if scenario else _scenario_names()
    for name in wanted:
        find("scenarios", name)
    entries = _with_progress(gallery.run(wanted, workers), len(wanted))
    gallery.write(out, entries)
    failed = sum(1 for entry in entries if entry.failed)
    typer.echo(f"{out}: {len(entries)} scenarios" + (f", {failed} of which could not be run." if failed else "."))
    return MISTAKE if failed else COMPLETE


def _with_progress(entries: Iterator[Entry], count: int) -> list[Entry]:
    """Tell each entry as it comes, with a bar below in a terminal; in the order in which they were asked for."""
    screen = console()
    if not screen.is_terminal:
        done = []
        for entry in entries:
            done.append(entry)
            typer.echo(f"{len(done)}/{count}  {entry.line}")
        return sorted(done, key=lambda entry: entry.number)
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

    columns = (TextColumn("scenarios"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn())
    done = []
    with Progress(*columns, console=screen, transient=True) as progress:
        task = progress.add_task("", total=count)
        for entry in entries:
            done.append(entry)
            progress.console.print(entry.line)
            progress.advance(task)
    return sorted(done, key=lambda entry: entry.number)


# ---- commands from modules of their own ------------------------------------------------------------------

COMMAND_MODULES: Final = ("hil_sim.fit.command", "hil_sim.wire.command")
"""Each has a function `register(app)`, and imports nothing heavy before its command runs."""


def _hook_up() -> None:
    """Let each of `COMMAND_MODULES` add its commands; one that is not installed is left out."""
    from importlib import import_module
    from importlib.util import find_spec

    for module in COMMAND_MODULES:
        if find_spec(module.rpartition(".")[0]) is not None and find_spec(module) is not None:
            import_module(module).register(app)


_hook_up()


def main() -> None:
    """Entry point of the command `hil-sim`."""
    run(app, "hil-sim")


if __name__ == "__main__":
    main()
