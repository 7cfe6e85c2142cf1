"""The commands `hil-sim serve` and `hil-sim tell`."""

from __future__ import annotations

import json
import signal
import sys
from collections.abc import Mapping, Sequence
from math import inf
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final

import typer

from hil_sim.options import ApplianceName, JobFile, RigFile, SetupName, nothing_twice, time_of
from rigctl.console import WHERE_FILES, MistakeError, say_json, say_table

if TYPE_CHECKING:
    from hil_sim.wire.serve import Serve


def register(app: typer.Typer) -> None:
    """Add the commands to `hil-sim`."""
    app.command("serve", epilog=WHERE_FILES)(serve_command)
    app.command("tell")(tell_command)


def serve_command(
    job: JobFile = None,
    rig: RigFile = None,
    setup: SetupName = None,
    appliance: ApplianceName = None,
    scenario: Annotated[
        str | None, typer.Option("--scenario", help="All of these and what goes wrong, from one file.", metavar="NAME")
    ] = None,
    seed: Annotated[
        int | None, typer.Option(help="Of instruments and faults; 1, or the scenario's.", min=0, show_default=False)
    ] = None,
    speed: Annotated[float, typer.Option(help="Simulated over real time.")] = 1.0,
    tcp: Annotated[
        str, typer.Option(help="Where Modbus TCP listens; port 0 takes a free one.", metavar="HOST:PORT")
    ] = "127.0.0.1:0",
    rtu: Annotated[
        bool, typer.Option("--rtu", help="Modbus RTU on a pseudo-terminal, too; the rig's file then uses it.")
    ] = False,
    rtu_link: Annotated[
        Path | None,
        typer.Option("--rtu-link", help="A name that stays for the pseudo-terminal of --rtu.", metavar="PATH"),
    ] = None,
    scale: Annotated[
        str, typer.Option(help="How the scale speaks on its pseudo-terminal.", metavar="continuous|polled")
    ] = "continuous",
    scale_link: Annotated[
        Path | None,
        typer.Option("--scale-link", help="A name that stays for the scale's pseudo-terminal.", metavar="PATH"),
    ] = None,
    trees: Annotated[
        Path | None,
        typer.Option(
            help="Folder for current loops as an IIO device and 1-Wire thermometers; the rig's file then uses them.",
            metavar="DIR",
        ),
    ] = None,
    gpio: Annotated[
        Path | None,
        typer.Option(
            help="Contacts and coils as the lines of a GPIO chip; the rig's file then uses them.", metavar="PATH"
        ),
    ] = None,
    control: Annotated[Path | None, typer.Option(help="Control socket for hil-sim tell.", metavar="PATH")] = None,
    config_out: Annotated[
        Path | None,
        typer.Option(
            "--config-out", help="Write the rig's file with a [hardware] table that reaches all this.", metavar="FILE"
        ),
    ] = None,
    job_out: Annotated[
        Path | None,
        typer.Option("--job-out", help="Write the job's file with the set-up as its [hookup].", metavar="FILE"),
    ] = None,
    dead_man: Annotated[
        str, typer.Option("--dead-man", help="Real time after which a heartbeat that stands still drops the outputs.")
    ] = "1 s",
    until: Annotated[str | None, typer.Option(help='Simulated time to end at, for example "30 min".')] = None,
) -> int:
    """Put the simulated plant on real wires in real time, for a controller to run it (rigctl run).

    Ctrl-C, SIGTERM, or hil-sim tell SOCKET quit end it.
    """
    from hil_sim import simulation as simulations
    from hil_sim.wire.hands import SPEEDS
    from hil_sim.wire.modbus_face import FaceError
    from hil_sim.wire.pty_line import LineError
    from hil_sim.wire.serve import Serve
    from hil_sim.wire.unix_socket import SocketError
    from rigctl import units

    if not SPEEDS[0] <= speed <= SPEEDS[1]:
        raise MistakeError(f"--speed: {speed:g} is outside {SPEEDS[0]:g} to {SPEEDS[1]:g}.")
    if scale not in ("continuous", "polled"):
        raise MistakeError(f'--scale: "{scale}" is no way to speak; write continuous or polled.')
    if rtu_link is not None and not rtu:
        raise MistakeError("--rtu-link names the line of --rtu; give that, too.")
    host, port = _address(tcp)
    dead_man_s, until_s = time_of(dead_man, "--dead-man", units), inf
    if until is not None:
        until_s = time_of(until, "--until", units)
    if scenario is None:
        simulation = simulations.prepare(job, rig, setup, (), appliance)
    else:
        nothing_twice(scenario, {"--job": job, "--rig": rig, "--setup": setup, "--appliance": appliance})
        said, simulation = simulations.prepare_scenario(scenario)
        seed = said.seed if seed is None else seed
    if sys.stderr.isatty():
        sys.stderr.write("Preparing the plant; the first time it is compiled, which takes up to a minute.\n")
    try:
        made = Serve(
            simulation, 1 if seed is None else seed, speed=speed, dead_man_s=dead_man_s, host=host, port=port, rtu=rtu,
            rtu_link=rtu_link, scale_mode="polled" if scale == "polled" else "continuous", scale_link=scale_link,
            trees=trees, gpio=gpio, control=control, say=typer.echo,
        )  # fmt: skip
    except (FaceError, LineError, SocketError) as error:
        raise MistakeError(str(error)) from None

    def end(number: int, frame: Any) -> None:
        made.ending = True

    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, end)
    try:
        if config_out is not None:
            made.write_rig(config_out)
        if job_out is not None:
            made.write_job(job_out)
        _say_where(made, config_out)
        made.go(until_s)
    finally:
        made.close()
    pace = f"{made.steps} steps, {made.late_steps} late, the latest by {1e3 * made.latest_s:.0f} ms"
    typer.echo(f"Ended at {made.bench.time_s:.1f} s of simulated time: {pace}.")
    return 0


def _say_where(made: Serve, config_out: Path | None) -> None:
    from hil_sim.wire.gpio_face import STAND_IN

    lines = [("Modbus TCP", f"{made.modbus.host}:{made.modbus.port}, unit 1")]
    if made.modbus.rtu_name:
        lines.append(("Modbus RTU", f"{made.modbus.rtu_name}, unit 1"))
    lines.append(("Scale", f"{made.scale.name}, {made.scale.mode}"))
    if made.trees is not None:
        lines += [("IIO", str(made.trees.iio)), ("1-Wire", str(made.trees.one_wire))]
    if made.gpio is not None:
        lines.append(("GPIO", f"{made.gpio.path}, by PYTHONPATH={STAND_IN} before rigctl"))
    if made.control is not None:
        lines.append(("Control", str(made.control.path)))
    if config_out is not None:
        lines.append(("Rig's file", str(config_out)))
    lines.append(("Pace", f"{made.hands.speed:g} x real time, a step of {1e3 * made.bench.scan_period_s:g} ms"))
    if config_out is not None:
        speed = "" if made.hands.speed == 1.0 else f" --speed {made.hands.speed:g}"
        lines.append(("Run it by", f"rigctl run {config_out} {made.job_path}{speed}"))
    for name, value in lines:
        typer.echo(f"{name:<12}{value}")


def tell_command(
    path: Annotated[Path, typer.Argument(help="Control socket of hil-sim serve.", metavar="SOCKET")],
    words: Annotated[list[str], typer.Argument(help="What to do, or one JSON object.", metavar="WORDS")],
    as_json: Annotated[bool, typer.Option("--json", help="Print truth as JSON, as all other answers are.")] = False,
) -> int:
    """Tell a simulated plant that is served what to do, and print its answer.

    fault NAME[@SECONDS], mend [TAG], hand WHAT [KG], truth, speed N, quit; the same as JSON: {"do": "fault", "name":
    "frozen-scale"}. Hands can open-appliance, shut-appliance, ice, knock-scale, change-cylinder and more: a wrong word
    names them all. truth tells what is really so in the plant, with units and meanings; asked for as JSON, as JSON.
    """
    from hil_sim.wire.control import ControlError, tell

    try:
        answer = tell(path, _request_of(words))
    except ControlError as error:
        raise MistakeError(str(error)) from None
    except OSError as error:
        raise MistakeError(f"{path}: nobody listens there ({error.strerror or error}); is hil-sim serve on?") from None
    if answer.get("ok") is not True:
        raise MistakeError(str(answer.get("error")))
    if words == ["truth"] and not as_json:
        say_table("", ("", ""), truth_rows(answer))
    else:
        say_json(answer)
    return 0


_HOW: Final = {
    "powered": "supply is there",
    "emergency_stop": "HS-001 is pressed",
    "speed": "simulated over real time",
    "steps": "scan periods that have passed",
    "late_steps": "of these, begun more than half a period late",
    "latest_s": "the most that one was begun late",
    "given_up_s": "time given up instead of made up",
    "dead_man_drops": "times that all outputs dropped because the heartbeat stood still",
    "outputs": "outputs that are on, as they stand on the wire",
}
"""What the answer to "truth" holds besides the truth -> what it is."""


def truth_rows(answer: Mapping[str, Any]) -> list[tuple[str, str]]:
    """An answer to "truth" in two columns: name = value unit, and what it is."""
    from hil_sim.plant.truth import QUANTITIES

    truth = answer["truth"]
    rows = [(f"{one.name} = {_shown(truth[one.name])} {one.unit}", one.meaning) for one in QUANTITIES]
    return rows + [(f"{name} = {_shown(answer[name])}", meaning) for name, meaning in _HOW.items() if name in answer]


def _shown(value: Any) -> str:
    if value is None:
        return "unknown"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, dict):
        return " ".join(tag for tag, on in value.items() if on) or "none"
    return f"{value:.6g}"


_KEYS: Final = {"fault": ("name",), "mend": ("tag",), "hand": ("what", "kg"), "speed": ("value",)}
"""Of a request, in the order in which words stand."""


def _request_of(words: Sequence[str]) -> str:
    """The line that goes over the socket."""
    if words[0].lstrip().startswith(("{", "[", '"')):
        return " ".join(words)
    do, *more = words
    keys = _KEYS.get(do, ())
    if len(more) > len(keys):
        raise MistakeError(f'"{more[len(keys)]}" is one word too many after "{do}".')
    request: dict[str, str | float] = {"do": do}
    for key, word in zip(keys, more, strict=False):
        try:
            request[key] = float(word) if key in ("kg", "value") else word
        except ValueError:
            raise MistakeError(f'"{word}" is no number; write one like 3.') from None
    return json.dumps(request)


def _address(text: str) -> tuple[str, int]:
    host, _, port = text.rpartition(":")
    host = host.removeprefix("[").removesuffix("]")
    if not host or not port.isascii() or not port.isdigit() or int(port) > 65535:
        raise MistakeError(
            f"--tcp: {text} is no address; write HOST:PORT, like 127.0.0.1:5020, or port 0 for a free one."
        )
    return host, int(port)
