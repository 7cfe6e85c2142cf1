"""The command `hil-sim`, and what it takes to put a simulation together from files and names."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from math import inf, nan
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final

import typer

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
    first_there,
    names,
    run,
    say_json,
    say_table,
)

if TYPE_CHECKING:
    from hil_sim.bench import Bench, Happening, Result
    from hil_sim.gallery import Entry
    from hil_sim.instruments.faults import Fault
    from hil_sim.plant.model import PlantParameters
    from hil_sim.scenario import Scenario
    from rigctl.config import JobConfig, RigConfig
    from rigctl.control.settings import Settings
    from rigctl.scan import ScanRecord

BEST_SETUP: Final = ("all-out", "everything", "short-wide-hoses")
"""Set-ups in the order in which they are taken when none is named."""
RIGS: Final = ("full", "shop")
JOBS: Final = ("split-ac",)

app = typer.Typer(
    name="hil-sim",
    help="A refrigerant recovery rig and the appliance it empties, simulated.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)


# ---- faults by name --------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class NamedFault:
    """A fault that can be asked for by name."""

    tag: str
    """Where; "" changes what stands there from the start instead."""
    kind: str
    """A value of `FaultKind` or `PlantFault`."""
    meaning: str
    at_s: float = 60.0
    value: float = nan
    lasts_s: float = inf


FAULTS: Final[dict[str, NamedFault]] = {
    "closed-cylinder-valve": NamedFault("plant", "cylinder valve shut", "somebody shuts the cylinder's hand valve"),
    "stuck-valve": NamedFault("XV-301", "stuck", "XV-301 shuts and stays shut", value=0.0),
    "stuck-inlet": NamedFault("XV-102", "stuck", "the vapor inlet stays shut", at_s=0.0, value=0.0),
    "slow-valve": NamedFault("XV-102", "slow", "the vapor inlet takes 20 s for its stroke", at_s=0.0),
    "closed-port": NamedFault("plant", "port shut", "the appliance's service ports are shut"),
    "iced-inlet": NamedFault("plant", "iced inlet", "ice all but closes the inlet", at_s=90.0),
    "leak": NamedFault("plant", "leak", "a hose leaks beside the cylinder", value=1e-6),
    "appliance-leak": NamedFault("plant", "appliance leak", "the appliance itself has a small hole", at_s=0.0),
    "blocked-condenser": NamedFault("plant", "condenser blocked", "a cover keeps the air from the rig's condenser"),
    "air-in-cylinder": NamedFault("plant", "air in cylinder", "air in the cylinder that was put on", at_s=0.0),
    "stopped-water": NamedFault("plant", "water stopped", "the water through the exchanger stops", at_s=300.0),
    "knocked-scale": NamedFault("plant", "scale knocked", "somebody bumps into the scale", value=3.0),
    "leaning-bucket": NamedFault("plant", "scale moved", "a bucket is put on the edge of the scale", value=1.5),
    "lifted-cylinder": NamedFault("plant", "scale removed", "the cylinder is lifted off the scale"),
    "frozen-scale": NamedFault("WT-301", "stuck", "the scale shows the same figure for ever"),
    "dead-scale": NamedFault("WT-301", "off", "the scale does not answer"),
    "wild-scale": NamedFault("WT-301", "garbage", "the scale shows nonsense"),
    "dead-suction-gauge": NamedFault("PT-101", "off", "the suction transmitter's loop breaks"),
    "false-discharge-gauge": NamedFault("PT-201", "wrong", "the discharge transmitter shows 10 bar less", value=-10e5),
    "loose-wire": NamedFault("PT-201", "intermittent", "a loose contact at the discharge transmitter"),
    "dead-compressor": NamedFault("M-101", "off", "the compressor does not run"),
    "dead-fan": NamedFault("M-201", "off", "the condenser's fan does not run"),
    "gas-alarm": NamedFault("AT-001", "wrong", "refrigerant in the air beside the rig", value=0.4, lasts_s=120.0),
    "emergency-stop": NamedFault("HS-001", "off", "somebody presses the emergency stop for a minute", lasts_s=60.0),
    "power-cut": NamedFault("plant", "power cut", "the supply fails for a minute", at_s=100.0, lasts_s=60.0),
    "empty-appliance": NamedFault("", "empty", "there is next to nothing in the appliance", at_s=0.0),
    "wrong-refrigerant": NamedFault("", "refrigerant", "the appliance holds another refrigerant", at_s=0.0),
}
"""What can be made to go wrong for show, by name."""


def fault_of(text: str) -> tuple[NamedFault, str]:
    """Read NAME[@SECONDS] or TAG:KIND[=VALUE][@SECONDS]; returns the fault and its name.

    Raises
    ------
    MistakeError
        When there is no such fault or the figures are none.
    """
    import difflib
    from dataclasses import replace

    name, _, when = text.partition("@")
    if ":" in name:
        tag, _, kind = name.partition(":")
        kind, _, value = kind.partition("=")
        fault = NamedFault(tag.strip(), kind.strip(), name, value=_number(value, text) if value else nan)
    elif name in FAULTS:
        fault = FAULTS[name]
    else:
        near = difflib.get_close_matches(name, FAULTS, n=1)
        hint = f'did you mean "{near[0]}"?' if near else "--list-faults names them all."
        raise MistakeError(f'there is no fault "{name}"; {hint}')
    if when:
        if not fault.tag:
            raise MistakeError(f'--fault {text}: "{name}" is so from the start; leave "@{when}" out.')
        fault = replace(fault, at_s=_number(when.removesuffix("s"), text))
        if fault.at_s < 0.0:
            raise MistakeError(f"--fault {text}: a fault cannot begin before the start; give 0 or more seconds.")
    return fault, name


def _number(text: str, whole: str) -> float:
    from math import isfinite

    try:
        value = float(text)
    except ValueError:
        value = nan
    if not isfinite(value):
        raise MistakeError(f'--fault {whole}: "{text}" is no number; write for example knocked-scale@120.')
    return value


def made(fault: NamedFault, text: str) -> Fault:
    """The fault itself.

    Raises
    ------
    MistakeError, UnsupportedFaultError
        When there is no such kind of fault, or not at this place.
    """
    from hil_sim.instruments import faults

    kinds: dict[str, Any] = {kind.value: kind for kind in (*faults.FaultKind, *faults.PlantFault)}
    if fault.kind not in kinds:
        raise MistakeError(f'--fault {text}: "{fault.kind}" is no kind of fault; known: {", ".join(kinds)}.')
    return faults.Fault(fault.tag, kinds[fault.kind], fault.at_s, fault.at_s + fault.lasts_s, fault.value)


# ---- putting a simulation together -----------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Simulation:
    """All that makes a bench."""

    rig: RigConfig
    job: JobConfig
    setup: str
    setup_purpose: str
    settings: Settings
    """Of the rig as it is hooked up."""
    parameters: PlantParameters
    refrigerant: str
    """What is really in the appliance."""
    faults: tuple[Fault, ...]
    source: str = ""
    """The scenario's file, to be named when something in it cannot be simulated."""

    def bench(self, seed: int, *, utc_s: float = 1.75e9, listen: Callable[[Happening], None] | None = None) -> Bench:
        """Make the bench, with a technician at it.

        Raises
        ------
        MistakeError, UnsupportedFaultError
            When the plant does not take the parameters, or this rig cannot have a fault.
        """
        from hil_sim.bench import Bench
        from hil_sim.instruments.faults import UnsupportedFaultError
        from hil_sim.people import Operator

        other = "" if self.refrigerant == self.settings.job.refrigerant else self.refrigerant
        technician = Operator(seed, self.job.spare_cylinders, label=other)
        try:
            return Bench(
                self.settings, self.parameters, seed, technician, self.faults, refrigerant=self.refrigerant,
                utc_s=utc_s, listen=listen,
            )  # fmt: skip
        except UnsupportedFaultError as error:
            if not self.source:
                raise
            raise MistakeError(f"{self.source}: run.faults: {error}") from error
        except ValueError as error:
            where = f"{self.source}: " if self.source else ""
            raise MistakeError(f"{where}the plant does not take this: {error}.") from error


def prepare(
    job: str | None,
    rig: str | None,
    setup: str | None,
    faults: Sequence[str] = (),
    appliance: str | None = None,
    *,
    overrides: Mapping[str, Mapping[str, float | bool]] | None = None,
    source: str = "",
) -> Simulation:
    """Read the files and put the simulation together; None takes the default.

    Parameters
    ----------
    job, rig, setup, appliance
        Names or paths of their files.
    faults
        As they are written after `--fault`.
    overrides
        Group of `PlantParameters` -> field -> value in SI: what a scenario says differently.
    source
        The scenario's file, for messages.

    Raises
    ------
    MistakeError, ConfigError, ScenarioError, UnsupportedFaultError
        With a sentence each, when something cannot be found, read, joined or simulated.
    """
    import msgspec

    from hil_sim import bench, scenario
    from rigctl import config

    overrides = overrides or {}
    wanted = [(fault_of(text), text) for text in faults]
    job_path = find("jobs", job if job is not None else first_there("jobs", JOBS))
    rig_path = find("rigs", rig if rig is not None else first_there("rigs", RIGS))
    setup_name = setup if setup is not None else first_there("setups", BEST_SETUP)
    setup_path = find("setups", setup_name)
    loaded_job = config.load_job(job_path)
    loaded_rig = config.load_rig(rig_path)
    settings = msgspec.structs.replace(config.settings_for(loaded_rig, loaded_job), simulated=True)
    hooked_up = scenario.load_setup(setup_path)
    emptied = scenario.load_appliance(appliance_path(appliance, job_path, loaded_job))
    refrigerant = emptied.refrigerant
    if settings.cylinder.residual_kg and "residual_kg" in overrides.get("cylinder", {}):
        raise scenario.ScenarioError(
            f"{source}: cylinder.residual: {job_path} says what is in the cylinder; change residual in its table "
            "[cylinder] and name that file under [run]."
        )
    if "temperature_degc" in overrides.get("ambient", {}):
        # Whoever writes the job down writes down the temperature of the day.
        of_the_day = msgspec.structs.replace(settings.job, ambient_degc=overrides["ambient"]["temperature_degc"])
        settings = msgspec.structs.replace(settings, job=of_the_day)
    emptied = scenario.appliance_with(emptied, overrides)
    settings, parameters = bench.scenario(settings, emptied, hooked_up)
    parameters = scenario.parameters_with(parameters, overrides)
    for (fault, _), _ in wanted:
        if fault.kind == "empty" and not fault.tag:
            parameters = _next_to_empty(parameters)
        elif fault.kind == "refrigerant" and not fault.tag:
            refrigerant = "R-134a" if refrigerant != "R-134a" else "R-22"
    return Simulation(
        loaded_rig, loaded_job, setup_path.stem, hooked_up.purpose, settings, parameters, refrigerant,
        tuple(made(fault, text) for (fault, _), text in wanted if fault.tag), source,
    )  # fmt: skip


def _next_to_empty(parameters: PlantParameters) -> PlantParameters:
    from dataclasses import replace

    little_kg = max(0.01, 5e-4 * parameters.appliance.charge_kg)
    emptied = replace(parameters.appliance, charge_kg=little_kg, oil_initial_mass_fraction=0.0, ncg_mol=0.0)
    return replace(parameters, appliance=emptied)


def prepare_scenario(name: str | Path, more_faults: Sequence[str] = ()) -> tuple[Scenario, Simulation]:
    """Read a scenario by name or path and put its simulation together; `more_faults` come on top of its own.

    Raises
    ------
    MistakeError, ConfigError, ScenarioError, UnsupportedFaultError
        With a sentence each, when something cannot be found, read, joined or simulated.
    """
    from hil_sim.scenario import load_scenario

    said = load_scenario(find("scenarios", name))
    for kind, key in (("jobs", "job"), ("rigs", "rig"), ("setups", "setup"), ("appliances", "appliance")):
        if (named := getattr(said, key)) is not None:
            with _mistakes_of(said.path, key):
                find(kind, named)
    for text in said.faults:
        with _mistakes_of(said.path, "faults"):
            fault, _ = fault_of(text)
            if fault.tag:
                made(fault, text)
    return said, _simulation_of(said, more_faults, said.overrides)


def _simulation_of(
    said: Scenario, more_faults: Sequence[str], overrides: Mapping[str, Mapping[str, float | bool]]
) -> Simulation:
    faults = (*said.faults, *more_faults)
    return prepare(
        said.job, said.rig, said.setup, faults, said.appliance, overrides=overrides, source=str(said.path)
    )  # fmt: skip


@contextmanager
def _mistakes_of(path: Path, key: str) -> Iterator[None]:
    """Say in which file a mistake stands that is told as if it stood in the command line."""
    from hil_sim.instruments.faults import UnsupportedFaultError

    try:
        yield
    except (MistakeError, UnsupportedFaultError) as error:
        raise MistakeError(f"{path}: run.{key}: {str(error).removeprefix('--fault ')}") from None


def appliance_path(appliance: str | None, job_path: Path, job: JobConfig) -> Path:
    """The appliance to simulate: as named, as the job's [simulation] table says, or called like the job's file."""
    if appliance is not None:
        return find("appliances", appliance)
    said = job.simulation.get("appliance")
    if isinstance(said, str):
        beside = job_path.parent / said
        return beside if beside.is_file() else find("appliances", said)
    beside = job_path.parent.parent / "appliances" / job_path.name
    if beside.is_file():
        return beside
    if job_path.stem in names("appliances"):
        return find("appliances", job_path.stem)
    raise MistakeError(
        f"the simulation does not know what {job_path} empties: name an appliance with --appliance "
        f"({', '.join(names('appliances')) or 'there is no file for one'})."
    )


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

Faults = Annotated[
    list[str] | None,
    typer.Option("--fault", help="NAME[@SECONDS]: let something go wrong; may be given several times.", metavar="NAME"),
]
JobFile = Annotated[str | None, typer.Option("--job", help="What is to be emptied.", metavar="FILE")]
RigFile = Annotated[str | None, typer.Option("--rig", help="The rig.", metavar="FILE")]
SetupName = Annotated[str | None, typer.Option("--setup", help="How the rig is hooked up.", metavar="NAME")]
ApplianceName = Annotated[
    str | None, typer.Option("--appliance", help="The appliance, if not called like the job.", metavar="NAME")
]
ScenarioName = Annotated[
    str | None, typer.Option("--scenario", help="Job, rig, set-up and what goes wrong, from one file.", metavar="NAME")
]
Seed = Annotated[
    int | None,
    typer.Option(
        help="Of instruments, faults and the technician's delays; 1, or the scenario's.", min=0, show_default=False
    ),
]


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


def nothing_twice(scenario: str, options: Mapping[str, str | None]) -> None:
    """Refuse options that a scenario says already.

    Raises
    ------
    MistakeError
        When one is given.
    """
    given = [option for option, value in options.items() if value is not None]
    if given:
        raise MistakeError(
            f"{' and '.join(given)} cannot go with --scenario {scenario}, which names its own; leave one or the other "
            "out, or copy the scenario's file and change it there."
        )


def time_of(text: str, option: str, units: Any) -> float:
    """Read a time of more than 0 s that stands after an option, s.

    Raises
    ------
    MistakeError
        When it is none.
    """
    try:
        seconds: float = units.parse(text, units.TIME)
    except units.UnitError as error:
        raise MistakeError(f"{option}: {error}") from None
    if not seconds > 0.0:
        raise MistakeError(f"{option}: {text} is no time to go on for; give more than 0 s.")
    return seconds


_READINGS: Final = (
    "pt_001_pa_abs", "pt_101_pa_abs", "pt_102_pa_abs", "pt_201_pa_abs", "pt_301_pa_abs", "tt_001_degc", "tt_101_degc",
    "tt_201_degc", "tt_301_degc", "wt_301_kg",
)  # fmt: skip
_ESTIMATES: Final = (
    "recovered_kg", "recovered_uncertainty_kg", "flow_kg_s", "fill_fraction", "left_kg", "finish_s",
    "compression_ratio",
)  # fmt: skip
_TRUTHS: Final = (
    "a_pa_abs", "m_pa_abs", "s_pa_abs", "p_pa_abs", "y_pa_abs", "a_degc", "metal_degc", "oil_degc", "p_degc", "y_degc",
    "a_kg", "oil_kg", "y_kg", "fill_y", "suction_kg_s", "cylinder_kg_s", "power_w", "ice_kg", "vented_kg",
)  # fmt: skip


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
    from rigctl.control.points import tags

    truth = bench.plant.named_truth()
    readings = [getattr(record.readings, name) for name in _READINGS]
    return [
        f"{at_s:.3f}", record.phase.value, record.sentence, " ".join(tags(record.outputs.bits)),
        f"{record.outputs.cv_103:.4f}",
        *("" if reading.fault is not None else f"{reading.value:.7g}" for reading in readings),
        *(_figure(getattr(record.estimate, name)) for name in _ESTIMATES),
        *(_figure(getattr(truth, name)) for name in _TRUTHS),
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
    without = _simulation_of(said, (), {})
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
