"""The files that fit the simulated plant: the rig's with a [hardware] table that reaches its wires, the job's with a
[hookup] table that says how it is hooked up.
"""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from enum import Enum
from pathlib import Path
from typing import TYPE_CHECKING, Final

import msgspec

from hil_sim.wire import gpio_face, io_module, scale_face, tree_face
from rigctl.config import key_of
from rigctl.hardware.wiring import INPUTS, wanted

if TYPE_CHECKING:
    from hil_sim.instruments.sensors import Instrument
    from hil_sim.wire.gpio_face import GpioFace
    from hil_sim.wire.modbus_face import ModbusFace
    from hil_sim.wire.scale_face import ScaleFace
    from hil_sim.wire.tree_face import TreeFace
    from rigctl.control.settings import Fitted, Hookup

MARK: Final = "# Written by hil-sim serve: what it tells of is simulated and gone when that ends.\n"
PERIOD_S: Final = 0.05
"""Between two exchanges, for a plant in real time."""
_TABLE: Final = re.compile(r"\s*\[\[?\s*(?:hardware|\"hardware\"|'hardware')\s*[.\]]")
_HOOKUP: Final = re.compile(r"\s*\[\s*[\"']?hookup[\"']?\s*\]")
_HEADER: Final = re.compile(r"\s*\[\s*[\"']?(\w+)[\"']?\s*\]")
_SIMULATED: Final = re.compile(r"\s*[\"']?simulated[\"']?\s*=")
_FILE: Final = re.compile(r"^(\s*(?:password_file|ca_file)\s*=\s*)[\"']([^\"']*)[\"']")
_ANY_TABLE: Final = re.compile(r"\s*\[")


def without_hardware(text: str) -> str:
    """A rig's TOML text without its [hardware] tables."""
    return _without(text, _TABLE)


def _without(text: str, table: re.Pattern[str]) -> str:
    kept, skipping = [], False
    for line in text.splitlines():
        if _ANY_TABLE.match(line):
            skipping = table.match(line) is not None
        if not skipping:
            kept.append(line)
    return "\n".join(kept).rstrip() + "\n"


def hardware(
    fitted: Fitted,
    instruments: Sequence[Instrument],
    modbus: ModbusFace,
    scale: ScaleFace,
    trees: TreeFace | None,
    period_s: float = PERIOD_S,
    gpio: GpioFace | None = None,
) -> str:
    """The [hardware] table as TOML text; `period_s` is between two exchanges with the I/O module."""
    of_tag = {instrument.tag: instrument for instrument in instruments}
    lines = [*_io(modbus, period_s), *_scale(scale), *(_trees(trees) if trees is not None else ())]
    lines += _gpio(gpio, period_s) if gpio is not None else ()
    for tag in wanted(fitted):
        lines += [
            "",
            f"[hardware.points.{_q(tag)}]",
            *_point(tag, of_tag.get(tag), trees is not None, gpio is not None),
        ]
    return "\n".join(lines) + "\n"


def write(path: Path, rig: Path, text: str) -> None:
    """Write the rig's file with this [hardware] table as a whole; never over a file that was not written here.

    Raises
    ------
    FileExistsError
        If another file stands there.
    """
    before = rig.read_text(encoding="utf-8").removeprefix(MARK)
    _put(path, f"{_simulated(without_hardware(before), rig.parent.absolute())}\n{text}")


def write_job(path: Path, job: Path, hookup: Hookup) -> None:
    """Write the job's file with a [hookup] table as the plant is hooked up; never over one that was not written here.

    Raises
    ------
    FileExistsError
        If another file stands there.
    """
    lines = ["[hookup]"]
    for field in msgspec.structs.fields(hookup):
        value, key = getattr(hookup, field.name), key_of(type(hookup), field.name)
        if isinstance(value, bool):
            lines.append(f"{key} = {str(value).lower()}")
        elif isinstance(value, float):
            lines.append(f'{key} = "{value!r} m"')
        elif isinstance(value, Enum):
            lines.append(f"{key} = {_q(value.value)}")
    before = _without(job.read_text(encoding="utf-8").removeprefix(MARK), _HOOKUP)
    _put(path, f"{before}\n" + "\n".join(lines) + "\n")


def _put(path: Path, text: str) -> None:
    if path.exists() and not path.read_text(encoding="utf-8", errors="replace").startswith(MARK):
        raise FileExistsError(17, "file exists and was not written by hil-sim serve", str(path))
    beside = path.with_name(f".{path.name}.new")
    beside.write_text(MARK + text, encoding="utf-8")
    beside.replace(path)


def _simulated(text: str, folder: Path) -> str:
    """The text with `simulated = true` in its [rig] table, and with the names of files counted from `folder`."""
    kept, table = [], ""
    for line in text.splitlines():
        if (header := _HEADER.match(line)) is not None:
            table = header[1]
        if table == "rig" and _SIMULATED.match(line):
            continue
        kept.append(_FILE.sub(lambda found: f"{found[1]}{_q(str(folder / found[2]))}", line))
        if header is not None and table == "rig":
            kept.append("simulated = true")
    return "\n".join(kept) + "\n"


def _q(text: str) -> str:
    """A TOML string: for what stands in here, JSON writes the same."""
    return json.dumps(text, ensure_ascii=False)


def _io(modbus: ModbusFace, period_s: float) -> list[str]:
    lines = ["[hardware.drivers.io]"]
    if modbus.rtu_name:
        lines += ['kind = "modbus-rtu"', f"port = {_q(modbus.rtu_name)}", "baud = 115200", 'parity = "none"']
    else:
        lines += ['kind = "modbus-tcp"', f"host = {_q(modbus.host)}", f"port = {modbus.port}"]
    return [*lines, "unit = 1", 'timeout = "200 ms"', f'period = "{1e3 * period_s:.3g} ms"', 'stale = "0.8 s"', ""]


def _scale(scale: ScaleFace) -> list[str]:
    lines = [
        "[hardware.drivers.scale]",
        'kind = "serial-scale"',
        f"port = {_q(scale.name)}",
        f"mode = {_q(scale.mode)}",
    ]
    if scale.mode == "polled":
        lines.append(f"request = {_q(scale_face.REQUEST.decode())}")
    return [*lines, f"pattern = '{scale_face.PATTERN}'", 'timeout = "1 s"', 'stale = "1 s"', ""]


def _trees(trees: TreeFace) -> list[str]:
    return [
        "[hardware.drivers.loops]", 'kind = "iio"', f"root = {_q(str(trees.iio))}", "",
        "[hardware.drivers.thermometers]", 'kind = "one-wire"', f"root = {_q(str(trees.one_wire))}",
        'period = "0.1 s"', 'stale = "5 s"', "",
    ]  # fmt: skip


def _gpio(gpio: GpioFace, period_s: float) -> list[str]:
    return [
        "[hardware.drivers.lines]", 'kind = "gpio"', f"chip = {_q(str(gpio.path))}",
        f'period = "{1e3 * period_s:.3g} ms"', 'stale = "0.5 s"', "",
    ]  # fmt: skip


def _point(tag: str, instrument: Instrument | None, trees: bool, gpio: bool) -> list[str]:
    if tag == "WT-301":
        return ['driver = "scale"', 'unit = "kg"']
    if tag == "CV-103":
        return ['driver = "io"', 'table = "holding"', "register = 0", 'type = "uint16"', "scale = 0.0001"]
    if gpio and (tag in io_module.CONTACTS or tag not in INPUTS):
        return ['driver = "lines"', f"line = {gpio_face.line_of(tag)}"]
    if tag in io_module.CONTACTS:
        return ['driver = "io"', 'table = "discrete"', f"register = {io_module.CONTACTS.index(tag)}"]
    if tag not in INPUTS:
        return ['driver = "io"', 'table = "coil"', f"register = {io_module.COILS.index(tag)}"]
    if instrument is None:
        raise ValueError(f"{tag}: the rig has it, and the simulated one has not.")
    if trees and tag in tree_face.TEMPERATURES:
        return ['driver = "thermometers"', f"id = {_q(tree_face.sensor_id(tag))}", 'unit = "degC"']
    loop = ['signal = "4-20 mA"', f"span = [{', '.join(_q(_with_unit(tag, end)) for end in _span(instrument))}]"]
    if trees:
        channel = f"in_current{tree_face.CURRENTS.index(tag)}"
        return ['driver = "loops"', f"device = {_q(tree_face.IIO_NAME)}", f"channel = {_q(channel)}", *loop]
    register = io_module.LOOPS.index(tag)
    return ['driver = "io"', 'table = "input"', f"register = {register}", 'type = "uint16"', "scale = 0.001", *loop]


def _span(instrument: Instrument) -> tuple[float, float]:
    return instrument.low, instrument.high


def _with_unit(tag: str, value: float) -> str:
    if tag.startswith("PT-"):
        return f"{value * 1e-5:.10g} bar abs"
    return f"{value:.10g} degC" if tag.startswith("TT-") else f"{100.0 * value:.10g} % LFL"
