"""All drivers of a rig's file, each with the thread that will run it."""

from __future__ import annotations

from rigctl.config import ConfigError, RigConfig
from rigctl.hardware import wiring
from rigctl.hardware.driver import WiringError, Worker


def wired(rig: RigConfig, *, scale_usable: bool = True) -> tuple[wiring.Wiring, dict[str, Worker]]:
    """Wiring and workers of a rig's [hardware] table; nothing is opened yet.

    Raises
    ------
    ConfigError
        With a sentence for everything that is wrong.
    """
    if not rig.hardware:
        raise ConfigError([f"{rig.path}: there is no [hardware] table; add one to run this rig, or use rigctl demo."])
    try:
        wires = wiring.load(rig.hardware, rig.fitted, scale_usable)
        drivers = wires.drivers()
    except WiringError as error:
        raise ConfigError([f"{rig.path}: {problem}" for problem in str(error).splitlines()]) from None
    return wires, {name: Worker(name, driver, wires.stations[name].period_s) for name, driver in drivers.items()}
