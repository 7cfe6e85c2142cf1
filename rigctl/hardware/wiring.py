"""Which point is where: the [hardware] table of a rig's file, and what its raw values mean.

A point has a driver, an address that only the driver understands, and a meaning: a 4-20 mA loop with its span (NAMUR
NE 43 limits), a value in a unit, or a contact. Several drivers may share the points between them.
"""

from __future__ import annotations

import importlib
from collections.abc import Collection, Iterable, Mapping
from math import isfinite, nan
from typing import Any, Final

import msgspec

from rigctl import units
from rigctl.control.points import OUTPUT_TAGS
from rigctl.control.readings import ABSENT, Fault, Reading
from rigctl.control.settings import Fitted
from rigctl.hardware.driver import Driver, Sample, Wire, WiringError
from rigctl.quoting import plain, quoted

DRIVERS: Final = {
    "modbus-tcp": "modbus",
    "modbus-rtu": "modbus",
    "serial-scale": "serial_scale",
    "gpio": "gpio",
    "iio": "iio",
    "one-wire": "one_wire",
}
"""Kind of a driver, as the configuration names it, and the file in this folder."""

FAILURE_MA: Final = (3.6, 21.0)
MEASURES_MA: Final = (3.8, 20.5)
"""NAMUR NE 43: beyond the first pair the transmitter reports its own failure, beyond the second it is saturated."""

INPUTS: Final[dict[str, tuple[str, str, str]]] = {
    "PT-101": ("pt_101_pa_abs", "", "suction header pressure"),
    "PT-102": ("pt_102_pa_abs", "pt_102", "suction pressure after the throttle"),
    "PT-201": ("pt_201_pa_abs", "", "discharge pressure"),
    "PT-301": ("pt_301_pa_abs", "pt_301", "cylinder pressure"),
    "PT-001": ("pt_001_pa_abs", "pt_001", "appliance pressure"),
    "WT-301": ("wt_301_kg", "", "cylinder scale, gross"),
    "TT-101": ("tt_101_degc", "tt_101", "suction temperature"),
    "TT-201": ("tt_201_degc", "tt_201", "discharge temperature"),
    "TT-301": ("tt_301_degc", "tt_301", "cylinder temperature"),
    "TT-001": ("tt_001_degc", "tt_001", "appliance temperature"),
    "AT-001": ("at_001_lfl", "at_001", "gas detector"),
    "FS-001": ("fs_001_flow", "fs_001", "water flow proved"),
    "LSH-301": ("lsh_301_ok", "lsh_301", "cylinder level below the switch"),
    "PSH-201": ("psh_201_ok", "psh_201", "hardware pressure switch lets the motor run"),
    "HS-001": ("hs_001_ok", "hs_001", "emergency stop not pressed"),
    "YS-101": ("m_101_ok", "m_101_ok", "compressor drive reports no fault"),
}
"""Tag (ISA-5.1) of every input: its field of `Readings`, what of `Fitted` says that it is there ("" always), words."""

OUTPUTS: Final = {
    "XV-101": ("xv_101", "liquid inlet valve"),
    "XV-102": ("xv_102", "vapor inlet valve"),
    "XV-201": ("cooler_valves", "discharge valve, into the cooler"),
    "XV-202": ("cooler_valves", "cooler outlet valve, to the cylinder"),
    "XV-203": ("cooler_valves", "clear-out valve, cooler back to the header"),
    "XV-204": ("cooler_valves", "bypass round the cooler"),
    "XV-301": ("", "cylinder valve"),
    "M-101": ("", "compressor motor"),
    "M-201": ("m_201", "condenser fan"),
    "M-202": ("m_202", "circulation of the bath"),
    "M-001": ("m_001", "appliance fan or water pump"),
    "EH-001": ("eh_001", "appliance heater"),
    "XV-104": ("push_pull", "liquid direct to the cylinder"),
    "XV-105": ("push_pull", "cylinder vapor to the header"),
    "XV-106": ("push_pull", "discharge to the appliance"),
    "CV-103": ("cv_103", "suction throttle"),
}
HEARTBEAT: Final = "KS-001"
"""The output that changes with every scan; a dead-man relay drops all outputs when it stands still."""

_COMMON: Final = ("driver", "signal", "span", "unit", "scale", "offset", "inverted", "gain", "zero")
_SIGNALS: Final = ("4-20 mA", "value", "contact")
_DRIVER_COMMON: Final = ("kind", "period", "stale")
_PERIOD_S: Final = (0.01, 10.0)


class Point(msgspec.Struct, frozen=True):
    """What one point means: raw value on the wire, and back."""

    tag: str
    driver: str
    signal: str
    low: float = 0.0
    high: float = 1.0
    """SI values at 4 and 20 mA."""
    factor: float = 1.0
    add: float = 0.0
    """SI value of a raw value, signal "value": raw * factor + add; to the current of a loop in mA likewise."""
    inverted: bool = False
    gain: float = 1.0
    zero: float = 0.0
    """Of a two-point calibration: true value = reading * gain + zero (SI)."""
    address: dict[str, object] = msgspec.field(default_factory=dict)

    def reading(self, sample: Sample | None, now_s: float, stale_s: float) -> Reading:
        """What the newest sample says, with its quality; older than `stale_s` is no reply."""
        if sample is None:
            return Reading(nan, now_s, Fault.NO_REPLY)
        if sample.fault is not None:
            return Reading(nan, sample.taken_at_s, sample.fault)
        if not 0.0 <= now_s - sample.taken_at_s <= stale_s:
            return Reading(nan, sample.taken_at_s, Fault.NO_REPLY)
        value = sample.raw * self.factor + self.add
        if not isfinite(value):
            return Reading(nan, sample.taken_at_s, Fault.FAILURE)
        if self.signal == "contact":
            return Reading(float((value > 0.5) is not self.inverted), sample.taken_at_s)
        if self.signal == "4-20 mA":
            if not FAILURE_MA[0] <= value <= FAILURE_MA[1]:
                return Reading(nan, sample.taken_at_s, Fault.FAILURE)
            if not MEASURES_MA[0] < value < MEASURES_MA[1]:
                return Reading(nan, sample.taken_at_s, Fault.OUT_OF_RANGE)
            value = self.low + (value - 4.0) / 16.0 * (self.high - self.low)
        return Reading(value * self.gain + self.zero, sample.taken_at_s)

    def raw(self, command: float) -> float:
        """What is written for a command of 0 to 1."""
        share = 1.0 - command if self.inverted else command
        wanted = 4.0 + 16.0 * share if self.signal == "4-20 mA" else share
        return (wanted - self.add) / self.factor

    def is_on(self, raw: float) -> bool:
        """Whether what is read back means that the output is energised."""
        return (raw * self.factor + self.add > 0.5) is not self.inverted


class Station(msgspec.Struct, frozen=True):
    """One driver of the configuration."""

    name: str
    kind: str
    period_s: float
    stale_s: float
    """A sample older than this counts as no reply."""
    options: dict[str, object]


class Wiring(msgspec.Struct, frozen=True):
    """All drivers and points of a rig."""

    stations: dict[str, Station]
    points: dict[str, Point]

    def drivers(self) -> dict[str, Driver]:
        """Make every driver; nothing is opened yet.

        Raises
        ------
        WiringError
            If a driver's options or an address cannot be used.
        """
        made = {}
        for name, station in self.stations.items():
            wires = [
                Wire(point.tag, is_output(point.tag), point.address)
                for point in self.points.values()
                if point.driver == name
            ]
            module = importlib.import_module(f"rigctl.hardware.{DRIVERS[station.kind]}")
            try:
                made[name] = module.make(station.kind, station.options, wires)
            except WiringError as error:
                raise WiringError(f"hardware.drivers.{name}: {error}") from None
        return made


def is_output(tag: str) -> bool:
    """Whether the rig drives this point."""
    return tag in OUTPUTS or tag == HEARTBEAT


def wanted(fitted: Fitted) -> list[str]:
    """The tags that must be wired on a rig so fitted, inputs first, as the point list goes."""
    tags = [tag for tag, (_, flag, _) in INPUTS.items() if not flag or getattr(fitted, flag)]
    return [*tags, *(tag for tag, (flag, _) in OUTPUTS.items() if not flag or getattr(fitted, flag)), HEARTBEAT]


def load(raw: Mapping[str, Any], fitted: Fitted, scale_usable: bool = True) -> Wiring:
    """Read the [hardware] table of a rig's file.

    Raises
    ------
    WiringError
        With everything that is wrong, a line each.
    """
    problems: list[str] = []
    stations, points = {}, {}
    _only(("drivers", "points"), raw, "hardware", problems)
    for name, table in _tables(raw, "drivers", problems).items():
        if (station := _station(name, table, problems)) is not None:
            stations[name] = station
    for tag, table in _tables(raw, "points", problems).items():
        if (point := _point(tag, table, stations, problems)) is not None:
            points[tag] = point
    needed = wanted(fitted)
    for tag in needed:
        if tag not in points and f"hardware.points.{tag}" not in " ".join(problems):
            if tag == "WT-301" and not scale_usable:
                continue
            problems.append(f'hardware.points."{tag}": not wired, and the rig has it; add a table for it.')
    problems += [
        f'hardware.points."{tag}": wired, but [fitted] says that the rig has none; correct one of them.'
        for tag in points if tag not in needed
    ]  # fmt: skip
    problems += [
        f'hardware.points."{tag}".inverted: a GPIO line begins and ends inactive, which would energise this point; '
        "write active_low = true instead."
        for tag, point in points.items() if stations[point.driver].kind == "gpio" and is_output(tag) and point.inverted
    ]  # fmt: skip
    if problems:
        raise WiringError("\n".join(problems))
    return Wiring(stations, points)


def _tables(raw: Mapping[str, Any], name: str, problems: list[str]) -> dict[str, dict[str, Any]]:
    tables = raw.get(name)
    if not isinstance(tables, dict) or not all(isinstance(table, dict) for table in tables.values()):
        example = "[hardware.drivers.io]" if name == "drivers" else '[hardware.points."PT-101"]'
        problems.append(f"hardware.{name}: a table of tables is wanted; begin with a line {example}.")
        return {}
    return tables


def _only(allowed: Iterable[str], table: Mapping[str, Any], where: str, problems: list[str]) -> None:
    for key in table:
        if key not in allowed:
            problems.append(f"{where}.{plain(key)}: unknown key; known here: {', '.join(allowed)}.")


def _duration(table: Mapping[str, Any], key: str, usual_s: float, where: str, problems: list[str]) -> float:
    try:
        value = units.parse(table[key], units.dimension_of("x_s")) if key in table else usual_s
    except units.UnitError as error:
        problems.append(f"{where}.{key}: {error}")
        return usual_s
    if not _PERIOD_S[0] <= value <= _PERIOD_S[1]:
        problems.append(f"{where}.{key}: {plain(str(table.get(key)))} is outside 10 ms to 10 s.")
    return value


def _station(name: str, table: dict[str, Any], problems: list[str]) -> Station | None:
    where, kind = f"hardware.drivers.{plain(name)}", table.get("kind")
    if not isinstance(kind, str) or kind not in DRIVERS:
        problems.append(f"{where}.kind: {quoted(kind)} is no driver; write one of {', '.join(DRIVERS)}.")
        return None
    period_s = _duration(table, "period", 0.05, where, problems)
    stale_s = _duration(table, "stale", max(0.5, 5.0 * period_s), where, problems)
    options = {key: value for key, value in table.items() if key not in _DRIVER_COMMON}
    return Station(name, kind, period_s, stale_s, options)


def _point(tag: str, table: dict[str, Any], stations: Mapping[str, Station], problems: list[str]) -> Point | None:
    where, before = f'hardware.points."{plain(tag)}"', len(problems)
    if tag not in INPUTS and not is_output(tag):
        known = ", ".join([*INPUTS, *OUTPUTS, HEARTBEAT])
        problems.append(f"{where}: there is no such point; known are {known}.")
        return None
    driver = table.get("driver")
    if not isinstance(driver, str) or driver not in stations:
        problems.append(
            f"{where}.driver: {quoted(driver)} is none of the drivers; they are {', '.join(stations) or 'none'}."
        )
    contact = tag in INPUTS and INPUTS[tag][0].endswith(("_ok", "_flow"))
    binary = contact or (is_output(tag) and tag != "CV-103")
    signal = table.get("signal", "contact" if binary else "value")
    if signal not in _SIGNALS or (signal == "contact") is not binary:
        good = '"contact"' if binary else '"4-20 mA" or "value"'
        problems.append(f"{where}.signal: {quoted(signal)} does not fit this point; write {good}.")
        return None
    numbers = {}
    for key, usual in (("scale", 1.0), ("offset", 0.0), ("gain", 1.0), ("zero", 0.0)):
        value = table.get(key, usual)
        if isinstance(value, bool) or not isinstance(value, int | float) or not isfinite(value):
            problems.append(f"{where}.{key}: {quoted(value)} is no number.")
            value = usual
        numbers[key] = float(value)
    if numbers["scale"] == 0.0 or numbers["gain"] == 0.0:
        problems.append(f"{where}.scale: 0 makes everything the same; write what one count is worth.")
    factor, add, low, high = numbers["scale"], numbers["offset"], 0.0, 1.0
    if signal == "4-20 mA" and tag in INPUTS:
        low, high = _span(tag, table.get("span"), where, problems)
    elif "span" in table:
        problems.append(f"{where}.span: only the 4-20 mA loop of an input has a span; remove it.")
    if signal == "value" and tag in INPUTS:
        to_si, zero_si = _unit(tag, table.get("unit"), where, problems)
        factor, add = factor * to_si, add * to_si + zero_si
    elif "unit" in table:
        problems.append(f'{where}.unit: only an input whose signal is "value" has a unit; remove it.')
    inverted = table.get("inverted", False)
    if not isinstance(inverted, bool):
        problems.append(f"{where}.inverted: write true or false without quotes.")
    if len(problems) > before:
        return None
    address = {key: value for key, value in table.items() if key not in _COMMON}
    return Point(
        tag, str(driver), str(signal), low, high, factor, add, bool(inverted), numbers["gain"], numbers["zero"], address
    )


def _span(tag: str, span: object, where: str, problems: list[str]) -> tuple[float, float]:
    dimension = units.dimension_of(INPUTS[tag][0])
    if not isinstance(span, list) or len(span) != 2:
        problems.append(f'{where}.span: write what 4 and 20 mA mean, like ["{dimension.example}", "..."].')
        return 0.0, 1.0
    try:
        low, high = (units.parse(end, dimension) for end in span)
    except units.UnitError as error:
        problems.append(f"{where}.span: {error}")
        return 0.0, 1.0
    if low == high:
        problems.append(f"{where}.span: both ends are the same.")
    return low, high


def _unit(tag: str, unit: object, where: str, problems: list[str]) -> tuple[float, float]:
    dimension = units.dimension_of(INPUTS[tag][0])
    if unit is None and dimension.bare:
        return 1.0, 0.0
    known = dimension.units.get("".join(str(unit).split()))
    if known is None:
        problems.append(
            f'{where}.unit: {quoted(unit)} is no unit of this point; write one as in "{dimension.example}".'
        )
        return 1.0, 0.0
    return known


def readings_of(wiring: Wiring, samples: Mapping[str, Mapping[str, Sample]], now_s: float) -> dict[str, Reading]:
    """Every field of `Readings` out of the drivers' newest samples; what is not wired is not fitted."""
    fields = {}
    for tag, (field, _, _) in INPUTS.items():
        point = wiring.points.get(tag)
        if point is None:
            fields[field] = ABSENT
            continue
        stale_s = wiring.stations[point.driver].stale_s
        fields[field] = point.reading(samples.get(point.driver, {}).get(tag), now_s, stale_s)
    return fields


def commands_of(wiring: Wiring, bits: int, cv_103: float, heartbeat: bool) -> dict[str, dict[str, float]]:
    """What is written to each driver for a command."""
    commands: dict[str, dict[str, float]] = {}
    for tag, point in wiring.points.items():
        if tag in INPUTS:
            continue
        if tag == HEARTBEAT:
            wish = float(heartbeat)
        else:
            wish = cv_103 if tag == "CV-103" else float(bits >> OUTPUT_TAGS.index(tag) & 1)
        commands.setdefault(point.driver, {})[tag] = point.raw(wish)
    return commands


def readback_of(
    wiring: Wiring, readbacks: Mapping[str, Mapping[str, float]], bits: int, lost: Collection[str] = ()
) -> int:
    """The outputs as the hardware reads them back; where it cannot, as they were commanded, `bits`.

    Those of a driver that is `lost` count as dropped: its dead-man relay sees no heartbeat.
    """
    for tag, point in wiring.points.items():
        if tag not in OUTPUT_TAGS:
            continue
        bit = 1 << OUTPUT_TAGS.index(tag)
        raw = readbacks.get(point.driver, {}).get(tag)
        if point.driver in lost:
            bits &= ~bit
        elif raw is not None:
            bits = bits | bit if point.is_on(raw) else bits & ~bit
    return bits
