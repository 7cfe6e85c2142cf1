"""Options that several commands of `hil-sim` have, and what is asked of them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any

import typer

from rigctl.console import MistakeError

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
