"""The command `rigctl`.

Everything heavy is imported inside the command that needs it, so that help and short answers come at once.

Exit status: 0 done (a recovery: COMPLETE), 1 a check found a difference, 2 the command cannot be carried out
as it was given (one sentence on the standard error), 3 STOPPED, 4 ABORTED, 5 HELD, 6 ended in between.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final

import typer

from rigctl.console import (
    DIFFERS,
    MISTAKE,
    STATUS_WORDS,
    UNFINISHED,
    WHERE_FILES,
    Json,
    MistakeError,
    find,
    names,
    run,
    say_json,
    say_record,
    say_table,
)

if TYPE_CHECKING:
    from rigctl.refrigerant.saturation import Refrigerant

app = typer.Typer(
    name="rigctl",
    help="Controller for a refrigerant recovery rig: demonstration, checks, tables and records.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)

# ---- demo ------------------------------------------------------------------------------------------------

DEFAULT_SPEED: Final = 10.0
"""Simulated seconds in one second: the example job takes about a minute to watch."""


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
    from hil_sim.simulation import prepare
    from rigctl import demo as demonstration

    if list_setups or list_faults:
        (simulating.list_setups if list_setups else simulating.list_faults)(as_json)
        return 0
    pace = demonstration.speed_of(speed)
    if broker is not None and (no_mqtt or broker_port is not None):
        raise MistakeError("--broker does not go with --no-mqtt or --broker-port; give one of them.")
    simulation = prepare(job, rig, setup, fault or (), appliance)
    telemetry = None if no_mqtt else demonstration.Telemetry(simulation, broker, broker_port, pace)
    folder = demonstration.folder_for(out, simulation.job.path)
    try:
        return demonstration.Demo(simulation, folder, pace, seed, telemetry, status_every, plain_lines, as_json).run()
    finally:
        if telemetry is not None:
            telemetry.stop()
        if not any(folder.iterdir()):
            folder.rmdir()


# ---- run -------------------------------------------------------------------------------------------------


@app.command(name="run", epilog=f"{STATUS_WORDS} {WHERE_FILES}")
def run_rig(
    rig: Annotated[str, typer.Argument(help="The rig, with a [hardware] table.", metavar="RIG")],
    job: Annotated[str, typer.Argument(help="What is to be emptied.", metavar="JOB")],
    out: Annotated[
        Path | None,
        typer.Option(help="Folder for journal, record and local door; an unfinished job in it is gone on with."),
    ] = None,
    until_end: Annotated[bool, typer.Option("--until-end", help="End when the job has ended.")] = False,
    realtime: Annotated[
        int | None, typer.Option(help="Fixed real-time priority of the scan (SCHED_FIFO).", min=1, max=99)
    ] = None,
    speed: Annotated[
        float, typer.Option(help="Simulated over real time: the --speed of hil-sim serve.", min=0.05, max=20.0)
    ] = 1.0,
    lock_memory: Annotated[bool, typer.Option("--lock-memory", help="Keep the program in RAM.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="At the end, say how the pace was kept as JSON.")] = False,
) -> int:
    """Run a job on a real rig: drivers, scan loop, journal, telemetry, record.

    It waits for a person to press start (rigctl press). SIGTERM or Ctrl-C first makes the outputs safe and then ends;
    a job under way comes up in HELD when it is run again with the same --out. The software is never the only
    protection: pressure switch, emergency stop and relief valves act without it.
    """
    import logging

    import msgspec

    from rigctl import config
    from rigctl.console import exit_status
    from rigctl.runtime import host, run

    logging.basicConfig(format="%(levelname)s %(message)s", level=logging.WARNING)
    loaded, wanted = config.load_rig(find("rigs", rig)), config.load_job(find("jobs", job))
    folder = out if out is not None else Path("out") / Path(wanted.path).stem

    def say(line: str) -> None:
        typer.echo(line, err=as_json)

    try:
        made = run.Run(loaded, wanted, folder, say, speed=speed)
        if lock_memory:
            host.lock_memory()
        if realtime is not None:
            host.real_time(realtime)
    except host.HostError as error:
        raise MistakeError(str(error)) from None
    last = made.go(until_end=until_end)
    pace = made.pace
    if as_json:
        phase = None if last is None else last.phase.value
        say_json({"phase": phase, "journal": str(made.journal_path), "pace": msgspec.to_builtins(pace)})
    else:
        late = ", ".join(f"{name} {1e3 * value:.2f}" for name, value in pace.late_s.items())
        say(f"{pace.scans} scans, {pace.overruns} overruns; late by {late} ms")
    if not made.health.ok:
        raise MistakeError(made.health.sentence)
    return exit_status(last.phase) if last is not None else UNFINISHED


@app.command()
def press(
    door: Annotated[Path, typer.Argument(help="The local door of a rig that runs, or its folder.", metavar="DOOR")],
    what: Annotated[str, typer.Argument(help="start, hold, restart, stop, abort, reset or acknowledge.")],
    cylinder: Annotated[
        str | None, typer.Option(help="With restart or reset after a change: the cylinder now on the scale.")
    ] = None,
) -> int:
    """Press a button of a rig that runs on this machine."""
    from rigctl.runtime.door import press as pressing
    from rigctl.runtime.run import DOOR

    path = door / DOOR if door.is_dir() else door
    try:
        accepted, text = pressing(path, what, cylinder)
    except OSError as error:
        raise MistakeError(f"no rig listens at {path} ({error.strerror or error}); is rigctl run running?") from None
    typer.echo(text, err=not accepted)
    return 0 if accepted else MISTAKE


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

    from rigctl import config as files

    path = Path(config)
    if not path.suffix and not path.exists():
        path = find("rigs" if config in names("rigs") else "jobs", config)
    tables: dict[str, Any] = {}
    with contextlib.suppress(files.ConfigError):
        tables = files.tables_of(path)
    if job is None and "job" in tables and "rig" not in tables:
        loaded = files.load_job(path)
        main = _main_of_job(loaded)
        return main, main
    problems: list[str] = []
    rig = wanted = None
    try:
        rig = files.load_rig(path)
        if rig.hardware:
            from rigctl.hardware.rig import wired

            wired(rig)
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
        ("discharge temperature trips at", _shown(limits.discharge_high_degc, units.TEMPERATURE, preferred)),
        ("cylinder trips at", f"{limits.cylinder_high_fraction:.0%} of its service pressure"),
        ("cylinder temperature trips at", _shown(limits.cylinder_high_degc, units.TEMPERATURE, preferred)),
        ("displacement", _shown(rig.compressor.displacement_m3_s, units.VOLUME_FLOW, preferred)),
        ("standing check", f"{rig.procedure.standing_s:.0f} s"),
        ("not fitted", ", ".join(absent) if absent else "nothing: everything is there"),
        *([("commissioned", _commissioned(rig))] if rig.hardware else []),
        ("reports to", f"{rig.mqtt.host}:{rig.mqtt.port}" if rig.mqtt else "nobody"),
    ]


def _commissioned(rig: Any) -> str:
    """Whether a wired rig has a valid sheet, in a few words."""
    import datetime as dt

    from rigctl.commissioning import sheet as sheets

    if rig.simulated:
        return "not needed: the rig is simulated"
    try:
        sheet = sheets.load(sheets.path_of(rig))
        wrong = sheets.why_not_valid(sheet, rig, dt.datetime.now().astimezone().date())
    except sheets.SheetError as error:
        return f"no: {error}"
    if wrong or sheet is None or sheet.signature is None:
        open_points = "" if sheet is None else f" ({len(wrong)} open)"
        return f"no, it may not run by itself yet{open_points}: rigctl commission {rig.path}"
    return f"{sheet.signature.date}, by {sheet.signature.name}"


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
    from rigctl.control.protect import table

    rows = table.table()
    if rig is not None:
        from rigctl import config

        loaded = config.load_rig(find("rigs", rig))
        wanted = config.load_job(find("jobs", job if job is not None else "split-ac"))
        fitted = table.rows_fitted(config.settings_for(loaded, wanted))
        rows = [row for number, row in enumerate(rows) if fitted >> number & 1]
    elif job is not None:
        raise MistakeError("--job says nothing without --rig; give both.")
    if as_json:
        say_json([{key.replace(" ", "_"): value for key, value in row.items()} for row in rows])
        return 0
    heads = list(rows[0])
    say_table("Cause and effect", heads, [[row[head] for head in heads] for row in rows])
    return 0


# ---- points ----------------------------------------------------------------------------------------------


@app.command()
def points(
    config: Annotated[str, typer.Argument(help="File of a rig with a [hardware] table.", metavar="CONFIG")],
    layout: Annotated[str, typer.Option("--format", help="How it is written.", metavar="table|csv|markdown")] = "table",
    as_json: Json = False,
) -> int:
    """The point list of a rig: what is wired where, in which range, its safe state and its limits."""
    from rigctl import config as files
    from rigctl.hardware import point_list

    if layout not in point_list.FORMATS:
        raise MistakeError(f'--format: "{layout}" is none; write {", ".join(point_list.FORMATS)}.')
    rig = files.load_rig(find("rigs", config))
    rows = point_list.rows_of(rig)
    if as_json:
        say_json([{key.replace(" ", "_"): value for key, value in row.items()} for row in rows])
    elif layout == "csv":
        typer.echo(point_list.as_csv(rows), nl=False)
    elif layout == "markdown":
        typer.echo(point_list.as_markdown(rows), nl=False)
    else:
        heads = point_list.HEADS
        drivers = dict(row["driver"].split(": ", 1) for row in rows if ": " in row["driver"])
        short = [row | {"driver": row["driver"].partition(": ")[0]} for row in rows]
        say_table(f"Points of {rig.name}", heads, [[row[head] for head in heads] for row in short])
        typer.echo("")
        say_table("Drivers", ("driver", "how it is reached"), list(drivers.items()))
    return 0


# ---- commission ------------------------------------------------------------------------------------------


@app.command()
def commission(
    config: Annotated[str, typer.Argument(help="File of a rig with a [hardware] table.", metavar="RIG")],
    only: Annotated[
        str | None, typer.Option(help='One step, for example "calibration PT-101", even if it has passed.')
    ] = None,
    show: Annotated[bool, typer.Option("--show", help="Show the sheet as it is, touch nothing.")] = False,
    html: Annotated[Path | None, typer.Option(help="Write the sheet as a printable page to this file.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="With --show: as JSON.")] = False,
) -> int:
    """Walk through bringing a rig into service, and keep the signed sheet of it beside the rig's file.

    Loop check of every input and output, calibration of pressures and scale, dead-man relay, emergency stop, pressure
    switch, leak-down. What has passed is kept; "s" leaves a step for later, "q" ends. A real rig runs by itself only
    with a valid sheet. Exit status: 0 the sheet is valid, 1 something is open.
    """
    import datetime as dt

    from rigctl import config as files
    from rigctl.commissioning import sheet as sheets
    from rigctl.commissioning import terminal

    if as_json and not show:
        raise MistakeError("--json goes with --show.")
    rig = files.load_rig(find("rigs", config))
    try:
        if not show and html is None:
            terminal.walk(rig, only)
            rig = files.load_rig(rig.path)
        sheet = sheets.load(sheets.path_of(rig))
    except sheets.SheetError as error:
        raise MistakeError(str(error)) from None
    today = dt.datetime.now().astimezone().date()
    wrong = sheets.why_not_valid(sheet, rig, today)
    if html is not None:
        from rigctl.commissioning import page

        if html.exists():
            raise MistakeError(f"{html} is there already and is not overwritten; name a new file.")
        html.write_text(page.render(sheet, rig, today), encoding="utf-8")
    if as_json:
        import msgspec

        say_json({"valid": not wrong, "open": wrong, "sheet": msgspec.to_builtins(sheet)})
    elif show:
        terminal.show(rig, sheet, wrong)
    else:
        typer.echo(f"Written: {html}" if html is not None else f"Sheet: {sheets.path_of(rig)}")
    return DIFFERS if wrong else 0


# ---- journals --------------------------------------------------------------------------------------------


@app.command()
def record(
    journal: Annotated[Path, typer.Argument(help="The journal of a job.", metavar="JOURNAL")],
    html: Annotated[Path | None, typer.Option(help="Write the printable page with its plot to this file.")] = None,
    as_json: Json = False,
) -> int:
    """The recovery record of the job in a journal, whichever version wrote it."""
    from rigctl.journal import record as records
    from rigctl.journal.store import JournalReader

    made = records.record_from_journal(journal)
    with JournalReader(journal) as reader:
        unfinished = reader.left_unfinished()
    if unfinished:
        typer.echo(unfinished, err=True)
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
    """The plot of a journal as SVG; None without matplotlib or where it can't be read, and then the page has none."""
    from rigctl.journal.store import JournalError, JournalReader
    from rigctl.monitor import plot

    with JournalReader(journal) as reader:
        try:
            history = plot.History(reader.settings())
            for stored in reader.scans(states=False):
                history.add(stored.record)
        except JournalError as error:
            # The record itself does not hang on the version; the plot does.
            typer.echo(f"The page has no plot. {error}", err=True)
            return None
    try:
        return plot.svg(history)
    except ModuleNotFoundError:
        return None


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
                "foreign": found.foreign, "gaps": list(found.gaps),
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
