"""The commissioning sheet of a rig: what was checked, by whom, with which figures, and whether it still holds.

It lies beside the rig's file as JSON and is written anew after every step, so that nothing is lost. An entry remembers
the wiring it was made on: when a point or a driver is changed, just the entries that depend on it fall.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

import msgspec

from rigctl.commissioning import steps
from rigctl.commissioning.steps import Step
from rigctl.config import RigConfig

FORMAT: Final = 1
DUE_SOON_DAYS: Final = 30
PASSED: Final = "passed"
FAILED: Final = "failed"


class SheetError(ValueError):
    """The sheet cannot be used; the message is one sentence."""


class CalibrationPoint(msgspec.Struct, frozen=True):
    """One comparison: what the reference showed and what the rig read, SI, without any calibration."""

    reference: float
    reading: float


class Calibration(msgspec.Struct, frozen=True):
    """A calibration of one instrument by two points, with a third to check it; SI."""

    points: tuple[CalibrationPoint, ...]
    gain: float
    zero: float
    """True value = reading * gain + zero."""
    residual: float
    """Of the check point: calibrated reading less reference."""
    allowed: float


class Entry(msgspec.Struct, frozen=True):
    """How one step went."""

    result: str
    """passed or failed."""
    text: str
    """One sentence with the figures, in the rig's units."""
    by: str
    utc: str
    """ISO 8601."""
    wiring: str = ""
    """Fingerprint of what the step depends on."""
    figures: dict[str, float] = msgspec.field(default_factory=dict)
    """SI, the unit in each name."""
    calibration: Calibration | None = None


class Signature(msgspec.Struct, frozen=True):
    """Who takes responsibility for the sheet."""

    name: str
    role: str
    date: str
    utc: str


class Sheet(msgspec.Struct):
    """A rig's sheet."""

    rig: str
    format: int = FORMAT
    software_version: str = ""
    entries: dict[str, Entry] = msgspec.field(default_factory=dict)
    """By the name of the step."""
    signature: Signature | None = None


def path_of(rig: RigConfig) -> Path:
    """Where the sheet of a rig lies: `my-rig.toml` has `my-rig.commissioning.json` beside it."""
    return Path(rig.path).with_suffix(".commissioning.json")


def load(path: Path) -> Sheet | None:
    """Read a sheet; None if there is none.

    Raises
    ------
    SheetError
        If it is no sheet, or one of a newer program.
    """
    try:
        sheet = msgspec.json.decode(path.read_bytes(), type=Sheet)
    except FileNotFoundError:
        return None
    except (OSError, msgspec.MsgspecError) as error:
        raise SheetError(f"{path}: this is no commissioning sheet ({error}); move it away and begin anew.") from None
    if sheet.format > FORMAT:
        raise SheetError(f"{path}: this sheet is of a newer program; update this one, or move the sheet away.")
    return sheet


def save(sheet: Sheet, path: Path) -> None:
    """Write a sheet as a whole: a power cut leaves the old one or the new one."""
    beside = path.with_name(f".{path.name}.new")
    beside.write_bytes(msgspec.json.format(msgspec.json.encode(sheet), indent=2) + b"\n")
    beside.replace(path)


def fingerprint(rig: RigConfig, step: Step) -> str:
    """Tell by a short text whether what a step depends on is still the same: its points, their drivers, what protects.

    A loop or output does not depend on the calibration of its point; a calibration does.
    """
    points: Mapping[str, Any] = rig.hardware.get("points", {})
    drivers: Mapping[str, Any] = rig.hardware.get("drivers", {})
    parts: dict[str, Any] = {"protection": msgspec.to_builtins(rig.protection)} if step.kind in steps.PROTECTS else {}
    for tag in step.depends:
        point = dict(points.get(tag, {}))
        if step.kind != steps.CALIBRATION:
            point.pop("gain", None)
            point.pop("zero", None)
        driver = drivers.get(str(point.get("driver")), {})
        parts[tag] = {"point": point, "driver": {k: v for k, v in driver.items() if k not in _NO_WIRING}}
    text = json.dumps(parts, sort_keys=True, default=str)
    return hashlib.sha256(text.encode()).hexdigest()[:16]


_NO_WIRING: Final = ("period", "stale", "timeout")
"""Keys of a driver that say how often it is asked, not what is connected."""


def why_open(sheet: Sheet, rig: RigConfig, step: Step, today: dt.date) -> str:
    """Why a step has to be done, or done again; "" while it stands."""
    again, entry = f"rigctl commission {rig.path}", sheet.entries.get(step.name)
    if entry is None:
        return f'{rig.path}: commissioning: "{step.name}" has not been done; go on by: {again}'
    if entry.result != PASSED:
        return f'{rig.path}: commissioning: "{step.name}" failed: {entry.text} Mend it, then: {again}'
    again += f' --only "{step.name}"'
    if entry.wiring != fingerprint(rig, step):
        return (
            f'{rig.path}: commissioning: "{step.name}" was done on other wiring or settings than the file has now;'
            f" do it again by: {again}"
        )
    due = _due(entry, rig)
    if step.kind == steps.CALIBRATION and today > due:
        return f"{rig.path}: the calibration of {step.tag} was due on {due.isoformat()}; do it by: {again}"
    return ""


def open_steps(sheet: Sheet, rig: RigConfig, today: dt.date) -> list[str]:
    """A sentence for every step that does not stand."""
    return [why for step in steps.wanted(rig) if (why := why_open(sheet, rig, step, today))]


def why_not_valid(sheet: Sheet | None, rig: RigConfig, today: dt.date) -> list[str]:
    """Everything that speaks against running this rig by itself, a sentence each; empty for a valid sheet."""
    again = f"rigctl commission {rig.path}"
    if sheet is None:
        return [f"{rig.path}: this rig has not been commissioned; do it by: {again}"]
    if sheet.rig != rig.name:
        return [f'{path_of(rig)}: this sheet is of the rig "{sheet.rig}"; commission this one by: {again}']
    if wrong := open_steps(sheet, rig, today):
        return wrong
    if sheet.signature is None:
        return [f"{rig.path}: the commissioning sheet is not signed; sign it by: {again}"]
    if sheet.signature.utc < max(entry.utc for entry in sheet.entries.values()):
        return [f"{rig.path}: a step was done after the commissioning sheet was signed; sign it by: {again}"]
    return []


def _due(entry: Entry, rig: RigConfig) -> dt.date:
    interval = dt.timedelta(days=rig.commissioning.calibration_interval_days)
    return dt.datetime.fromisoformat(entry.utc).date() + interval


def calibrations_due(sheet: Sheet, rig: RigConfig) -> list[tuple[Step, dt.date]]:
    """When each calibration of the sheet is due."""
    wanted = [step for step in steps.wanted(rig) if step.kind == steps.CALIBRATION and step.name in sheet.entries]
    return [(step, _due(sheet.entries[step.name], rig)) for step in wanted]


def soon_due(sheet: Sheet, rig: RigConfig, today: dt.date) -> list[str]:
    """A sentence for every calibration that is due within `DUE_SOON_DAYS`."""
    limit = today + dt.timedelta(days=DUE_SOON_DAYS)
    return [
        f'The calibration of {step.tag} is due on {due}: rigctl commission {rig.path} --only "{step.name}"'
        for step, due in calibrations_due(sheet, rig)
        if today <= due <= limit
    ]
