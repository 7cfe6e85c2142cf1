"""The simulated plant in real time: a step at every deadline, its instruments on the wire, its outputs from there."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable
from math import inf, nan
from pathlib import Path
from typing import TYPE_CHECKING, Final

from hil_sim.wire import rig_file
from hil_sim.wire.control import Answer, Control
from hil_sim.wire.gpio_face import GpioFace
from hil_sim.wire.hands import Hands
from hil_sim.wire.io_module import IoModule
from hil_sim.wire.modbus_face import ModbusFace
from hil_sim.wire.scale_face import PERIOD_S, Mode, ScaleFace
from hil_sim.wire.tree_face import TreeFace
from rigctl.control.points import SAFE

if TYPE_CHECKING:
    from hil_sim.bench import Bench
    from hil_sim.simulation import Simulation

GIVES_UP_S: Final = 1.0
"""Further behind than this, lost time is given up instead of made up."""
_QUICKEST_S: Final = 0.01
"""Between two frames or exchanges, however fast the plant runs."""
_LOOKS_UP_S: Final = 0.1
"""The longest wait before it is looked whether the end was asked for."""


class Serve:
    """One simulated plant on the wire.

    Parameters
    ----------
    simulation
        What is simulated; its technician does nothing here, hands come over the control socket.
    seed
        Of the instruments and faults.
    speed
        Simulated over real time.
    dead_man_s
        See `IoModule`; real time.
    host, port
        Of Modbus TCP; port 0 takes a free one.
    rtu
        Modbus RTU on a pseudo-terminal, too; the rig's file then names that.
    scale_mode
        How the scale speaks.
    scale_link, rtu_link
        Names that stay for the pseudo-terminals of the scale and of Modbus RTU; none without.
    trees
        Folder for the IIO and 1-Wire trees; none without.
    gpio
        Path of a GPIO chip with the contacts and coils; none without. The rig's file then uses it.
    control
        Path of the control socket; none without.
    say
        Called with every happening, in words.
    clock
        Of pace and dead-man relay: monotonic, s.

    Raises
    ------
    OSError, SocketError
        If a device cannot be put on its wire.
    MistakeError, UnsupportedFaultError
        If the bench cannot be made.
    """

    def __init__(
        self,
        simulation: Simulation,
        seed: int = 1,
        *,
        speed: float = 1.0,
        dead_man_s: float = 1.0,
        host: str = "127.0.0.1",
        port: int = 0,
        rtu: bool = False,
        rtu_link: Path | None = None,
        scale_mode: Mode = "continuous",
        scale_link: Path | None = None,
        trees: Path | None = None,
        gpio: Path | None = None,
        control: Path | None = None,
        say: Callable[[str], None] = lambda line: None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.late_steps = self.steps = 0
        """Late: begun more than half a step after its deadline."""
        self.latest_s = 0.0
        """The most that a step began after its deadline."""
        self.given_up_s = 0.0
        self.due_s = -inf
        """When the next step is due, s of the clock; every earlier one has been made."""
        self.ending = False
        """Set it (from a signal, say) and `go` returns within a tenth of a second."""
        self._simulation, self._clock = simulation, clock
        self.job_path = simulation.job.path
        self.bench: Bench = simulation.bench(
            seed, listen=lambda what: say(f"{what.at_s:9.1f} s  {what.source}: {what.text}")
        )
        # Compiled code is loaded at the first step; the pace must not pay for it.
        simulation.bench(seed).exchange(SAFE)
        self.module = IoModule(dead_man_s, clock)
        self.hands = Hands(self.bench, tuple(simulation.job.spare_cylinders), speed, self.pace)
        self.control: Control | None = None
        with contextlib.ExitStack() as made:
            self.modbus = ModbusFace(self.module, host, port, rtu, rtu_link)
            made.callback(self.modbus.close)
            self.scale = ScaleFace(scale_mode, max(PERIOD_S / max(speed, 1.0), _QUICKEST_S), scale_link)
            made.callback(self.scale.close)
            self.trees = None if trees is None else TreeFace(trees, self.bench.sensors.instruments)
            if self.trees is not None:
                made.callback(self.trees.close)
            self.gpio = None if gpio is None else GpioFace(self.module, gpio)
            if self.gpio is not None:
                made.callback(self.gpio.close)
            if control is not None:
                self.control = Control(control, self.hands.do)
                made.callback(self.control.close)
            self._close = made.pop_all().close
        self._lay_out()

    def close(self) -> None:
        """Take every device off its wire."""
        self._close()

    def write_rig(self, path: Path) -> None:
        """Write the rig's file with a [hardware] table that reaches these devices.

        Raises
        ------
        OSError
            If it cannot be written, or a file of somebody else stands there.
        """
        rig = self._simulation.rig
        period_s = max(rig_file.PERIOD_S / max(self.hands.speed, 1.0), _QUICKEST_S)
        table = rig_file.hardware(
            rig.fitted, self.bench.sensors.instruments, self.modbus, self.scale, self.trees, period_s, self.gpio
        )
        rig_file.write(path, Path(rig.path), table)

    def write_job(self, path: Path) -> None:
        """Write the job's file with what a technician would know of the set-up.

        Raises
        ------
        OSError
            If it cannot be written, or a file of somebody else stands there.
        """
        rig_file.write_job(path, Path(self._simulation.job.path), self._simulation.settings.hookup)
        self.job_path = str(path)

    def pace(self) -> Answer:
        """How the pace is kept."""
        outputs = self.module.outputs()
        return {
            "speed": self.hands.speed, "steps": self.steps, "late_steps": self.late_steps, "latest_s": self.latest_s,
            "given_up_s": self.given_up_s, "dead_man_drops": self.module.drops, "outputs": outputs.by_tag(),
        }  # fmt: skip

    def go(self, until_s: float = inf) -> None:
        """Run until simulated time `until_s`, or until the end is asked for.

        Raises
        ------
        PlantError
            If the plant can't be advanced.
        """
        bench, hands = self.bench, self.hands
        speed = hands.speed
        self.due_s = self._clock()
        while not (self.ending or hands.quit) and bench.time_s + 1e-9 < until_s:
            if hands.speed != speed:
                speed, self.due_s = hands.speed, self._clock()
            self.due_s += bench.scan_period_s / speed
            self._wait(self.due_s)
            if self.ending or hands.quit:
                return
            late_s = self._clock() - self.due_s
            if late_s > 0.5 * bench.scan_period_s / speed:
                self.late_steps += 1
            self.latest_s = max(self.latest_s, late_s)
            if late_s > GIVES_UP_S:
                self.given_up_s += late_s
                self.due_s += late_s
            self.step()

    def step(self) -> None:
        """One scan period with the outputs as they stand on the wire now, then what the instruments say.

        Raises
        ------
        PlantError
            If the plant can't be advanced.
        """
        bench = self.bench
        outputs = self.module.outputs()
        bench.exchange(outputs)
        self.module.contactors(outputs.bits, bench.read_back)
        self.steps += 1
        self._lay_out()

    def _wait(self, until_s: float) -> None:
        """Do what is asked over the control socket until a deadline, and at least look once."""
        while True:
            left_s = min(until_s - self._clock(), _LOOKS_UP_S)
            if self.control is not None:
                self.control.work(max(left_s, 0.0))
            elif left_s > 0.0:
                time.sleep(left_s)
            if self.ending or self.hands.quit or self._clock() >= until_s:
                return

    def _lay_out(self) -> None:
        wire = self.bench.wire(self.bench.time_s)
        self.module.put(wire)
        self.scale.weight_kg = wire.get("WT-301", nan)
        if self.trees is not None:
            self.trees.put(wire, self._clock())
