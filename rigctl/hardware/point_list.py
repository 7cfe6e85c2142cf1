"""The point list of a rig: every instrument and output with its wire, its range, its safe state and its limits.

It says what the [hardware] table and the limits of the rig's file say, by the functions that the rig itself runs on.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Mapping, Sequence
from typing import Final

from rigctl import units
from rigctl.config import RigConfig
from rigctl.hardware.driver import WiringError
from rigctl.hardware.wiring import HEARTBEAT, INPUTS, OUTPUTS, Point, Station, is_output, load, wanted

HEADS: Final = ("tag", "what", "driver", "address", "signal", "range", "safe state", "limits")
FORMATS: Final = ("table", "csv", "markdown")


def rows_of(rig: RigConfig) -> list[dict[str, str]]:
    """Return a row for every point that the rig has, inputs first; the keys are `HEADS`.

    Raises
    ------
    WiringError
        If the file has no [hardware] table, or with everything that is wrong with it.
    """
    if not rig.hardware:
        raise WiringError(
            f"{rig.path}: nothing is wired, the file has no [hardware] table; add [hardware.drivers] and "
            "[hardware.points]."
        )
    # Without its scale a rig may still run jobs that say so; the list then shows the scale as not wired.
    wiring = load(rig.hardware, rig.fitted, scale_usable=False)
    wiring.drivers()  # for the addresses, which only the drivers understand
    return [_row(tag, wiring.points.get(tag), wiring.stations, rig) for tag in wanted(rig.fitted)]


def as_csv(rows: Sequence[Mapping[str, str]]) -> str:
    """The list with commas, for a spreadsheet."""
    text = io.StringIO()
    writer = csv.DictWriter(text, HEADS, lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue()


def as_markdown(rows: Sequence[Mapping[str, str]]) -> str:
    """The list as a Markdown table."""
    lines = [HEADS, ["---"] * len(HEADS), *([row[head] for head in HEADS] for row in rows)]
    return "".join(f"| {' | '.join(_cell(cell) for cell in line)} |\n" for line in lines)


def _cell(text: str) -> str:
    return " ".join(text.replace("\\", "\\\\").replace("|", "\\|").split())


def _what(tag: str) -> str:
    if tag == HEARTBEAT:
        return "heartbeat of the dead-man relay"
    return INPUTS[tag][2] if tag in INPUTS else OUTPUTS[tag][1]


def _row(tag: str, point: Point | None, stations: Mapping[str, Station], rig: RigConfig) -> dict[str, str]:
    what = _what(tag)
    limits = "; ".join(_limits(rig).get(tag, _readback(rig) if tag in OUTPUTS and tag != "CV-103" else ()))
    if point is None:
        return dict(zip(HEADS, (tag, what, "not wired", "", "", "", "", limits), strict=True))
    station = stations[point.driver]
    driver = ", ".join([f"{station.name}: {station.kind}", *_pairs(station.options)])
    span = _meaning(point) if is_output(tag) or point.signal == "contact" else _range(point, rig.units.value)
    safe = _safe(point) if is_output(tag) else ""
    address = ", ".join(_pairs(point.address))
    return dict(zip(HEADS, (tag, what, driver, address, point.signal, span, safe, limits), strict=True))


def _pairs(table: Mapping[str, object]) -> list[str]:
    return [
        f"{key} = {value if isinstance(value, str) else json.dumps(value, default=str)}" for key, value in table.items()
    ]


def _range(point: Point, preferred: str) -> str:
    """What the ends of a loop mean, or what the raw values 0 and 1000 of a device mean."""
    dimension = units.dimension_of(INPUTS[point.tag][0])
    loop = point.signal == "4-20 mA"
    ends = (point.low, point.high) if loop else (point.add, 1000.0 * point.factor + point.add)
    unit = units.preferred_unit(max(ends), dimension, preferred)
    low, high = (f"{units.in_unit(end, unit, dimension) if unit else end:.6g}" for end in ends)
    text = f"{low} to {high} {unit}" if loop else f"0 is {low}, 1000 is {high} {unit}"
    if point.gain != 1.0 or point.zero != 0.0:
        text += f", then calibrated: x {point.gain:g} {point.zero:+g} (SI)"
    return text.strip()


def _states(tag: str) -> tuple[str, str]:
    """What an output does without and with its command."""
    return ("shut", "open") if tag.startswith(("XV-", "CV-")) else ("off", "on")


def _meaning(point: Point) -> str:
    """What the raw values of a contact or an output mean."""
    if point.tag in INPUTS:
        return f"{'0' if point.inverted else '1'} is {INPUTS[point.tag][2]}{', inverted' * point.inverted}"
    if point.tag == HEARTBEAT:
        return "changes with every scan"
    off, on = _states(point.tag)
    return f"{point.raw(0.0):g} is {off}, {point.raw(1.0):g} is {on}"


def _safe(point: Point) -> str:
    """The de-energised state, all that the rig commands when it is stopped by a trip or not running."""
    if point.tag == HEARTBEAT:
        return "stands still: the relay drops all outputs"
    off, on = _states(point.tag)
    if point.inverted:
        return f"{off}; INVERTED: {point.raw(0.0):g} is written for it, and {point.raw(1.0):g} is {on}"
    return off


def _readback(rig: RigConfig) -> tuple[str, ...]:
    return (f"trip if it does not follow within {rig.limits.readback_s:g} s",) if rig.fitted.readback else ()


def _limits(rig: RigConfig) -> dict[str, tuple[str, ...]]:
    """The limits that hang on one point; the whole table is that of `rigctl interlocks`."""
    limits, preferred, fitted = rig.limits, rig.units.value, rig.fitted

    def pressure(pa_abs: float) -> str:
        return units.format_pressure(pa_abs, units.preferred_unit(pa_abs, units.ABSOLUTE_PRESSURE, preferred))

    def temperature(degc: float) -> str:
        return units.format_temperature(degc, units.preferred_unit(degc, units.TEMPERATURE, preferred))

    def mass(kg: float) -> str:
        return units.format_mass(kg, units.preferred_unit(kg, units.MASS, preferred))

    cylinder = (
        f"trip at {limits.cylinder_high_fraction:.0%} of the cylinder's service pressure",
        f"hold at {limits.cylinder_pause_fraction:.0%}",
    )
    discharge = (
        f"trip at {pressure(limits.discharge_high_pa_abs)}",
        f"hold at {limits.compression_ratio_high:g} times PT-101",
    )
    appliance = (
        "hold at nine tenths of the appliance's design pressure, or where none is declared at saturation at "
        f"{temperature(limits.appliance_high_degc)}",
    )
    return {
        "PT-101": (
            "trip if unfit",
            f"hold below {pressure(limits.suction_starved_pa_abs)} "
            + ("with three times that at PT-001" if fitted.pt_001 else f"within {limits.suction_fast_fall_s:g} s"),
        ),
        # Without PT-301 the discharge stands in for the cylinder.
        "PT-201": discharge if fitted.pt_301 else discharge + cylinder,
        "PT-301": cylinder,
        "PT-001": (appliance if fitted.push_pull else ()) + ("hold if unfit",),
        "WT-301": (
            "trip above the cylinder's fill limit",
            f"hold at the fill limit less {mass(limits.fill_reserve_kg)}",
            f"trip if {mass(limits.scale_falling_kg)} are lost",
        ),
        "TT-201": (f"trip at {temperature(limits.discharge_high_degc)}",),
        "TT-301": (
            f"trip at {temperature(limits.cylinder_high_degc)}",
            f"advice at {temperature(limits.cylinder_warm_degc)}",
        ),
        "AT-001": (f"trip at {units.show(limits.gas_alarm_lfl, units.GAS, preferred)}",),
        "FS-001": (
            "jobs with water: hold if no flow is proved and saturation comes within "
            f"{units.show(limits.freeze_guard_k, units.TEMPERATURE_DIFFERENCE, preferred)} of freezing",
        ),
        "LSH-301": ("hold if not so",),
        "PSH-201": ("trip if not so",),
        "HS-001": ("trip if not so",),
        "YS-101": ("trip if not so",),
    }
