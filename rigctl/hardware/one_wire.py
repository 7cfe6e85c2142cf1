"""Thermometers on a 1-Wire bus (DS18B20 and its like), by the files of the kernel's driver w1_therm.

A conversion takes 750 ms. With the name of the bus all sensors convert together (`therm_bulk_read`, Linux 5.10 and on)
and are read one after the other in some 15 ms each. Without it the bus does one at a time: every call of `read` asks
the next sensor and hands out what the others said last, with the time of that; of three one is up to 2.3 s old.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from math import nan
from pathlib import Path
from time import monotonic, sleep
from typing import Annotated, Final

import msgspec

from rigctl.control.readings import Fault
from rigctl.hardware import checking, sysfs
from rigctl.hardware.driver import DriverError, Sample, Wire, WiringError

CONVERSION_S: Final = 0.75
"""At 12 bits, DS18B20 data sheet."""
POWER_ON_DEGC: Final = 85.0
"""DS18B20 data sheet: in the register until the first conversion; a sensor that lost its supply says it too."""
MEASURES_DEGC: Final = (-55.0, 125.0)
BULK_MOST_S: Final = 1.5
"""So long may the conversion of all together take."""
_BULK_LOOKS_S: Final = 0.01
_OPTIONS: Final = {
    "root": 'root = "/sys/bus/w1/devices"',
    "bulk": 'bulk = "w1_bus_master1", the bus whose sensors convert together',
}
_ADDRESS: Final = {"id": 'id = "28-0000054c8a1b", the name of the sensor\'s folder'}
_W1_SLAVE: Final = re.compile(r"[0-9a-f ]{0,64}: crc=[0-9a-f]{2} (YES|NO)\n[0-9a-f ]{0,64}\bt=(-?\d{1,7})\n", re.ASCII)


class _Options(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    root: str = "/sys/bus/w1/devices"
    bulk: Annotated[str, msgspec.Meta(pattern=r"^[A-Za-z0-9_]{1,40}\Z")] | None = None


class _Address(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    id: Annotated[str, msgspec.Meta(pattern=r"^[0-9a-f]{2}-[0-9a-f]{12}\Z")]


def judged(degc: float) -> Fault | None:
    """Why a temperature (degC) that the sensor says may not be used; None if it may."""
    if degc == POWER_ON_DEGC:
        return Fault.FAILURE
    if not MEASURES_DEGC[0] <= degc <= MEASURES_DEGC[1]:
        return Fault.OUT_OF_RANGE
    return None


def of_w1_slave(text: str) -> tuple[float, Fault | None]:
    """Temperature (degC) and fault out of a file `w1_slave`: two lines, checksum and thousandths of a degree."""
    found = _W1_SLAVE.fullmatch(text)
    if found is None:
        return nan, Fault.FAILURE
    if found[1] == "NO":
        return nan, Fault.NO_REPLY
    degc = int(found[2]) / 1000.0
    return degc, judged(degc)


def of_temperature(text: str) -> tuple[float, Fault | None]:
    """Temperature (degC) and fault out of a file `temperature`: thousandths of a degree; the kernel checks the sum."""
    try:
        degc = sysfs.number(text) / 1000.0
    except ValueError:
        return nan, Fault.FAILURE
    return degc, judged(degc)


class OneWireDriver:
    """The thermometers of one bus."""

    def __init__(self, root: Path, sensors: Mapping[str, str], bulk: str | None = None) -> None:
        self._root, self._sensors = root, sensors
        self._bulk = None if bulk is None else root / bulk / "therm_bulk_read"
        self._turn = 0
        self._newest: dict[str, Sample] = {}

    def open(self) -> None:
        """Look whether there is a bus; a single sensor that is missing only has no reply."""
        self._newest = {}
        self._bus_there()

    def read(self) -> dict[str, Sample]:
        """Ask all sensors together or the next one, either takes 750 ms, and return the newest of all."""
        self._bus_there()
        if self._bulk is not None and self._sensors:
            done_s = self._convert(self._bulk)
            return {tag: self._sample(self._root / name, done_s) for tag, name in self._sensors.items()}
        if self._sensors:
            tag = list(self._sensors)[self._turn % len(self._sensors)]
            self._turn += 1
            self._newest[tag] = self._sample(self._root / self._sensors[tag])
        return dict(self._newest)

    def write(self, raw: Mapping[str, float]) -> dict[str, float]:
        """Do nothing: a thermometer has no outputs."""
        return {}

    def close(self) -> None:
        """Do nothing: no file is held open."""

    def _convert(self, bulk: Path) -> float:
        """Let all sensors convert; returns when they had. By the kernel 1 is done and -1 not yet (w1_therm.rst)."""
        until_s = monotonic() + BULK_MOST_S
        try:
            sysfs.write(bulk, "trigger\n")
            while (said := sysfs.read(bulk).strip()) == "-1" and monotonic() < until_s:
                sleep(_BULK_LOOKS_S)
        except OSError as error:
            why = f"{error.strerror}; is the bus named rightly, and the kernel new enough (5.10)?"
            raise DriverError(f"{bulk}: {why}") from None
        if said != "1":
            raise DriverError(f"{bulk} says {said[:10]!r} in place of 1: its sensors do not convert together.")
        return monotonic()

    def _bus_there(self) -> None:
        if not self._root.is_dir():
            raise DriverError(f"{self._root} is not there: no 1-Wire bus, or its kernel module is not loaded.")

    @staticmethod
    def _sample(folder: Path, done_s: float | None = None) -> Sample:
        begun_s = monotonic()
        try:
            if (slave := folder / "w1_slave").exists():
                degc, fault = of_w1_slave(sysfs.read(slave))
            else:
                degc, fault = of_temperature(sysfs.read(folder / "temperature"))
        except OSError:
            degc, fault = nan, Fault.NO_REPLY
        # The conversion begins with the reading of the file; whatever takes longer only makes the sample older.
        taken_at_s = begun_s + min(monotonic() - begun_s, CONVERSION_S) if done_s is None else done_s
        return Sample(degc if fault is None else nan, taken_at_s, fault)


def make(kind: str, options: Mapping[str, object], wires: Sequence[Wire]) -> OneWireDriver:
    """Return the driver of one bus.

    Raises
    ------
    WiringError
        If an option or an address cannot be used.
    """
    chosen = checking.checked(_Options, options, _OPTIONS)
    sensors: dict[str, str] = {}
    for wire in wires:
        where = f'points."{wire.tag}"'
        if wire.output:
            raise WiringError(f"{where}.driver: a one-wire thermometer is no output; wire it to another driver.")
        sensor = checking.checked(_Address, wire.address, _ADDRESS, f"{where}.").id
        if sensor in sensors.values():
            raise WiringError(f"{where}.id: {sensor} is another point already; write its own id.")
        sensors[wire.tag] = sensor
    return OneWireDriver(Path(chosen.root), sensors, chosen.bulk)
