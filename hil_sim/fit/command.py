"""The command `hil-sim fit`."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from math import isfinite
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from hil_sim.options import ApplianceName
from rigctl.console import WHERE_FILES, Json, MistakeError, console, find, first_there, say_json, say_table

if TYPE_CHECKING:
    from hil_sim.fit.estimate import Fit
    from hil_sim.fit.report import Source
    from hil_sim.instruments.sensors import Instrument
    from hil_sim.simulation import Simulation


def register(app: typer.Typer) -> None:
    """Add the command to `hil-sim`."""
    app.command("fit", epilog=WHERE_FILES)(fit_command)


def fit_command(
    runs: Annotated[
        list[Path],
        typer.Argument(help="Recorded runs: journals, or CSV files with units in the header.", metavar="RUN..."),
    ],
    job: Annotated[str | None, typer.Option("--job", help="What was emptied.", metavar="FILE")] = None,
    rig: Annotated[str | None, typer.Option("--rig", help="The rig.", metavar="FILE")] = None,
    setup: Annotated[str | None, typer.Option("--setup", help="How the rig was hooked up.", metavar="NAME")] = None,
    appliance: ApplianceName = None,
    scenario: Annotated[
        str | None, typer.Option("--scenario", help="All four from one file.", metavar="NAME")
    ] = None,
    free: Annotated[
        list[str] | None,
        typer.Option(
            "--free",
            help="Parameters to estimate, for example rig.manifold_kv,appliance.oil; restrictions, compressor, heat "
            "exchange, volume and oil without.",
            metavar="NAME[,NAME...]",
        ),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option("--out", help="Write the fitted plant to this file, as a scenario.", metavar="FILE.toml"),
    ] = None,
    plot: Annotated[
        Path | None, typer.Option("--plot", help="Draw measured against fitted.", metavar="FILE.svg")
    ] = None,
    check: Annotated[
        str | None,
        typer.Option("--check", help="Estimate nothing: compare the runs with this plant file.", metavar="FILE.toml"),
    ] = None,
    prior: Annotated[
        bool, typer.Option("--prior/--no-prior", help="Take the files' figures for likely, or for a mere start.")
    ] = True,
    noise: Annotated[
        list[str] | None,
        typer.Option(
            "--noise", help='Noise of one reading, instead of what the rig\'s file means: "PT-101=3 kPa".',
            metavar="TAG=VALUE",
        ),
    ] = None,
    every: Annotated[
        str | None, typer.Option(help="Time between two readings that are used; 1 s, in runs above half an hour 2 s.")
    ] = None,
    as_json: Json = False,
    force: Annotated[bool, typer.Option("--force", help="Write over files that are there already.")] = False,
) -> int:  # fmt: skip
    """Estimate the plant's uncertain parameters from recorded runs, and say how well they are known then."""
    from hil_sim.fit import estimate, recording, report

    if check is not None and (free or out is not None):
        raise MistakeError("--check estimates nothing: leave --free and --out out, or leave out --check.")
    asked = _names(free)
    _may_be_written([path for path in (*(report.plant_files(out) if out else ()), plot) if path is not None], force)
    simulation, source = _put_together(job, rig, setup, appliance, check if check is not None else scenario)
    try:
        bench = simulation.bench(1)
        instruments = _with_noise(bench.sensors.instruments, noise or ())
        tags = [one.tag for one in instruments if one.tag in recording.TRUTH_OF]
        if bench.plant.parameters.cylinder.in_bath:
            tags.remove("WT-301")  # in a bath a scale does not show the cylinder's weight
        every_s = None if every is None else _seconds(every)
        read = [recording.run_of(recording.load(path), bench.settings, tags, every_s) for path in runs]
        parameters = bench.plant.parameters
        names = asked or estimate.default_names(parameters, charge_known=simulation.settings.job.charge_kg is not None)
        unknown = estimate.free_parameters(parameters, names, prior=prior)
        with _progress() as say:
            problem = estimate.Problem(
                read, simulation.refrigerant, parameters, bench.plant.hand, instruments, unknown, say=say
            )
            fit = problem.check() if check is not None else problem.solve()
    except (recording.RecordingError, estimate.FitError) as error:
        raise MistakeError(str(error)) from None
    sentences = [run.sentence for run in read]
    sentences += [
        f"{run.name}: columns that are not used: {', '.join(run.unused)}." for run in read if run.unused
    ]  # fmt: skip
    files: list[Path] = []
    if out is not None:
        files += report.write_plant(
            out, source, fit.estimates, fit.parameters, [run.name for run in read],
            residual_in_job=bool(simulation.settings.cylinder.residual_kg),
        )  # fmt: skip
    if plot is not None:
        report.draw(plot, fit, us=simulation.settings.units.value == "us")
        files.append(plot)
    if as_json:
        say_json(report.as_json(fit, sentences, files))
    else:
        _say(fit, sentences, files)
    return 0


def _may_be_written(paths: Sequence[Path], force: bool) -> None:
    for path in paths:
        if path.is_dir() or not path.parent.is_dir():
            raise MistakeError(f"{path}: there is no folder for this, or it is one itself; name a file in a folder.")
        if path.exists() and not force:
            raise MistakeError(f"{path} is there already; name a new file, or give --force to write over it.")


def _put_together(
    job: str | None, rig: str | None, setup: str | None, appliance: str | None, scenario: str | None
) -> tuple[Simulation, Source]:
    from hil_sim import simulation as simulations
    from hil_sim.fit.report import Source
    from rigctl import config

    overrides: Mapping[str, Mapping[str, float | bool]] = {}
    if scenario is not None:
        given = [
            option
            for option, value in (("--job", job), ("--rig", rig), ("--setup", setup), ("--appliance", appliance))
            if value is not None
        ]
        if given:
            raise MistakeError(
                f"{' and '.join(given)} cannot go with the scenario {scenario}, which names its own; leave one or the "
                "other out."
            )
        said, simulation = simulations.prepare_scenario(scenario)
        if said.faults:
            raise MistakeError(
                f"{said.path}: run.faults: a fit knows no faults; name a scenario without them, or one run before them."
            )
        job, rig, setup, appliance, overrides = said.job, said.rig, said.setup, said.appliance, said.overrides
    else:
        job = job if job is not None else first_there("jobs", simulations.JOBS)
        rig = rig if rig is not None else first_there("rigs", simulations.RIGS)
        setup = setup if setup is not None else first_there("setups", simulations.BEST_SETUP)
        simulation = simulations.prepare(job, rig, setup, (), appliance)
    job_path = find("jobs", job)
    if appliance is None:
        found = simulations.appliance_path(None, job_path, config.load_job(job_path))
        by_name = first_there("appliances", (found.stem,))
        same = by_name == found.stem and _same_file("appliances", by_name, found)
        appliance = by_name if same else str(found)
    return simulation, Source(job, rig, setup, appliance, job_path, find("rigs", rig), overrides)


def _same_file(kind: str, name: str, path: Path) -> bool:
    try:
        return find(kind, name).resolve() == path.resolve()
    except MistakeError:
        return False


def _names(free: Sequence[str] | None) -> list[str]:
    """Full names of what is asked for, with or without the unit."""
    import difflib

    from hil_sim.fit.report import key_of
    from hil_sim.plant.parameters import describe

    known = {info.name: info.name for info in describe()} | {key_of(info.name): info.name for info in describe()}
    found = []
    for text in free or ():
        for name in (part.strip() for part in text.split(",")):
            if name not in known:
                near = difflib.get_close_matches(name, known, n=1)
                hint = f'did you mean "{near[0]}"?' if near else "write group.name as in a scenario's file."
                raise MistakeError(f'--free {text}: there is no parameter "{name}"; {hint}')
            found.append(known[name])
    return found


def _seconds(text: str) -> float:
    from rigctl import units

    try:
        seconds = units.parse(text, units.TIME)
    except units.UnitError as error:
        raise MistakeError(f"--every: {error}") from None
    if not seconds > 0.0:
        raise MistakeError(f"--every: {text} is no time between two readings; give more than 0 s.")
    return seconds


def _with_noise(instruments: Sequence[Instrument], given: Sequence[str]) -> list[Instrument]:
    from dataclasses import replace

    from rigctl import units

    by_tag = {one.tag: one for one in instruments}
    for text in given:
        tag, _, value = text.partition("=")
        tag = tag.strip()
        if tag not in by_tag:
            raise MistakeError(f'--noise {text}: this rig has no "{tag}"; it has {", ".join(by_tag)}.')
        dimension = {"PT": units.PRESSURE_DIFFERENCE, "TT": units.TEMPERATURE_DIFFERENCE}.get(tag[:2], units.MASS)
        try:
            number = units.parse(value, dimension)
        except units.UnitError as error:
            raise MistakeError(f"--noise {text}: {error}") from None
        if not number > 0.0:
            raise MistakeError(f"--noise {text}: noise is more than nothing; give a standard deviation above 0.")
        by_tag[tag] = replace(by_tag[tag], noise=number)
    return list(by_tag.values())


@contextmanager
def _progress() -> Iterator[Callable[[str], None]]:
    """Tell how it goes on the standard error: one changing line in a terminal, else plain lines."""
    screen = console(stderr=True)
    if not screen.is_terminal:
        yield lambda text: typer.echo(text, err=True)
        return
    with screen.status("fit") as status:
        yield lambda text: status.update(text)


def _say(fit: Fit, sentences: Sequence[str], files: Sequence[Path]) -> None:
    from hil_sim.fit.report import estimate_text, key_of

    for sentence in sentences:
        typer.echo(sentence)
    if fit.estimates:
        rows = [
            (
                key_of(one.name), _before(one), estimate_text(one),
                f"{one.prior_sd:.0%}" if one.prior_sd < 1e9 else "none",
                "known" if one.identified else one.verdict,
            )
            for one in fit.estimates
        ]  # fmt: skip
        say_table("Parameters", ("parameter", "in the files", "fitted", "known before to", ""), rows, (1, 2, 3))
    for way in fit.ways:
        error = f" ± {way.relative_sd:.1%}" if isfinite(way.relative_sd) else ""
        parts = ", ".join(key_of(name) for name in way.names)
        typer.echo(f"Way in by the {way.port} port: Kv {way.kv_m3_h:.3g} m3/h{error} ({parts} in a row).")
    lines = [
        (
            one.run, one.tag, str(one.count), str(one.left_out), f"{one.chi_square:.2f}", f"{one.inflation:.1f}",
            f"{one.worst:+.1f} at {one.worst_at_s:.0f} s",
        )
        for one in fit.signals
    ]  # fmt: skip
    heads = ("run", "signal", "readings", "left out", "chi-square", "long-run variance", "largest residual")
    say_table("Signals (differences in standard deviations of a reading)", heads, lines, (2, 3, 4, 5))
    typer.echo(
        f"Chi-square per reading: {fit.chi_square:.2f} (with the files' figures and perfect instruments "
        f"{fit.start_chi_square:.3g}); {fit.runs} simulated runs."
    )
    unknown = [key_of(one.name) for one in fit.estimates if not one.identified]
    if unknown:
        typer.echo(f"Not to be told from these runs: {', '.join(unknown)}.")
    for note in fit.notes:
        typer.echo(note)
    for path in files:
        typer.echo(f"Written: {path}")


def _before(one: Any) -> str:
    from hil_sim.scenario import written

    return written(one.name.partition(".")[2], one.start)
