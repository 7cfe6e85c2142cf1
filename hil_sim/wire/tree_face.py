"""Two folders that look like the kernel's: current loops as an IIO device, temperatures as 1-Wire thermometers.

Linux ABI, Documentation/ABI/testing/sysfs-bus-iio and Documentation/w1/slaves/w1_therm.rst. A file is replaced as a
whole, so that nobody reads half of one.
"""

from __future__ import annotations

import contextlib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Final

from hil_sim.instruments.sensors import FAILURE_HIGH_MA, FAILURE_LOW_MA, Instrument
from hil_sim.wire.io_module import LOOPS

IIO_NAME: Final = "hil-loops"
IIO_DEVICE: Final = "iio:device0"
CURRENTS: Final = tuple(tag for tag in LOOPS if not tag.startswith("TT-"))
"""Channels in_current0 and so on of the IIO device."""
TEMPERATURES: Final = tuple(tag for tag in LOOPS if tag.startswith("TT-"))
_IIO_EVERY_S: Final = 0.05
_ONE_WIRE_EVERY_S: Final = 0.25
_MEASURES_DEGC: Final = (-55.0, 125.0)
"""DS18B20 data sheet."""


def sensor_id(tag: str) -> str:
    """The 1-Wire name of the thermometer with this tag."""
    return f"28-{TEMPERATURES.index(tag) + 1:012x}"


def crc8(data: bytes) -> int:
    """Checksum of 1-Wire, x^8 + x^5 + x^4 + 1 (Maxim application note 27)."""
    crc = 0
    for byte in data:
        for bit in range(8):
            mix = (crc ^ byte >> bit) & 1
            crc >>= 1
            if mix:
                crc ^= 0x8C
    return crc


def w1_slave(degc: float, good: bool = True) -> str:
    """What the file `w1_slave` says: the scratchpad of a DS18B20 at 12 bits, its checksum, thousandths of a degree."""
    sixteenths = round(16.0 * min(max(degc, _MEASURES_DEGC[0]), _MEASURES_DEGC[1]))
    pad = sixteenths.to_bytes(2, "little", signed=True) + bytes((0x4B, 0x46, 0x7F, 0xFF, 0x0C, 0x10))
    crc = crc8(pad)
    shown = " ".join(f"{byte:02x}" for byte in (*pad, crc))
    return f"{shown} : crc={crc:02x} {'YES' if good else 'NO'}\n{shown} t={int(62.5 * sixteenths)}\n"


class TreeFace:
    """Writes both trees below a folder: `iio` and `w1`.

    Parameters
    ----------
    folder
        Made if it is not there.
    instruments
        Of the rig; those with a tag in `CURRENTS` or `TEMPERATURES` get a file.

    Raises
    ------
    OSError
        If nothing can be written there.
    """

    def __init__(self, folder: Path, instruments: Sequence[Instrument]) -> None:
        self.iio, self.one_wire = folder.resolve() / "iio", folder.resolve() / "w1"
        self._device = self.iio / IIO_DEVICE
        self._currents = [
            (instrument.tag, self._device / f"in_current{CURRENTS.index(instrument.tag)}_raw")
            for instrument in instruments
            if instrument.tag in CURRENTS
        ]
        self._thermometers = [
            (instrument, self.one_wire / sensor_id(instrument.tag) / "w1_slave")
            for instrument in instruments
            if instrument.tag in TEMPERATURES
        ]
        self._iio_due_s = self._one_wire_due_s = float("-inf")
        self._device.mkdir(parents=True, exist_ok=True)
        self.one_wire.mkdir(parents=True, exist_ok=True)
        self._made = [self._device / "name", self._device / "in_current_scale"]
        _write(self._device / "name", f"{IIO_NAME}\n")
        _write(self._device / "in_current_scale", "0.001\n")
        for _, path in self._thermometers:
            path.parent.mkdir(exist_ok=True)

    def put(self, wire: Mapping[str, float], now_s: float) -> None:
        """Write the newest raw values, mA by tag; `now_s` is the wall's monotonic clock and spares the disk."""
        if now_s >= self._iio_due_s:
            self._iio_due_s = now_s + _IIO_EVERY_S
            for tag, path in self._currents:
                _write(path, f"{round(1000.0 * wire.get(tag, 0.0))}\n")
        if now_s >= self._one_wire_due_s:
            self._one_wire_due_s = now_s + _ONE_WIRE_EVERY_S
            for instrument, path in self._thermometers:
                current_ma = wire.get(instrument.tag, 0.0)
                good = FAILURE_LOW_MA < current_ma < FAILURE_HIGH_MA
                _write(path, w1_slave(instrument.value(current_ma), good))

    def close(self) -> None:
        """Take away what was written, as a device that is unplugged."""
        paths = [*self._made, *(path for _, path in self._currents), *(path for _, path in self._thermometers)]
        for path in paths:
            path.unlink(missing_ok=True)
        folders = [path.parent for _, path in self._thermometers]
        for folder in (*folders, self._device, self.iio, self.one_wire):
            with contextlib.suppress(OSError):
                folder.rmdir()


def _write(path: Path, text: str) -> None:
    beside = path.with_name(f".{path.name}.new")
    beside.write_text(text, encoding="ascii")
    beside.replace(path)
