"""A simulation put together from files and names: rig, job, set-up, appliance and faults in, a bench out.

Everything heavy is imported where it is needed: commands that only list or refuse something stay quick.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

from hil_sim.fault_names import fault_of, made
from rigctl.console import MistakeError, find, first_there, names

if TYPE_CHECKING:
    from hil_sim.bench import Bench, Happening
    from hil_sim.instruments.faults import Fault
    from hil_sim.plant.model import PlantParameters
    from hil_sim.scenario import Scenario
    from rigctl.config import JobConfig, RigConfig
    from rigctl.control.settings import Settings

BEST_SETUP: Final = ("all-out", "everything", "short-wide-hoses")
"""Set-ups in the order in which they are taken when none is named."""
RIGS: Final = ("full", "shop")
JOBS: Final = ("split-ac",)


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
    return said, simulation_of(said, more_faults, said.overrides)


def simulation_of(
    said: Scenario, more_faults: Sequence[str], overrides: Mapping[str, Mapping[str, float | bool]]
) -> Simulation:
    """The simulation of a scenario, with other parameters than its own if need be; raises as `prepare` does."""
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
