"""Recorded runs as the fit takes them: journals and CSV files in, commands and thinned readings out."""

from __future__ import annotations

import csv
import difflib
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from math import isfinite, nan
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from hil_sim.plant import layout as at
from hil_sim.plant.model import Actuators
from hil_sim.plant.phase import Array
from rigctl import units
from rigctl.control.points import M_101, M_201, OUTPUT_TAGS, XV_101, XV_102
from rigctl.control.vocabulary import Phase

if TYPE_CHECKING:
    from rigctl.control.settings import Settings
    from rigctl.scan import ScanRecord

TRUTH_OF: Final = {
    "PT-001": at.Z_PA_A,
    "PT-101": at.Z_PA_M,
    "PT-102": at.Z_PA_S,
    "PT-201": at.Z_PA_P,
    "PT-301": at.Z_PA_Y,
    "WT-301": at.Z_GROSS_KG,
    "TT-001": at.Z_T_METAL,
    "TT-101": at.Z_T_M,
    "TT-201": at.Z_T_P,
    "TT-301": at.Z_T_WALL,
}
"""What the fit compares: tag of the instrument -> place of what it measures in the plant's truth."""

_DIMENSIONS: Final = {
    "PT": ("_pa_abs", units.ABSOLUTE_PRESSURE),
    "TT": ("_degc", units.TEMPERATURE),
    "WT": ("_kg", units.MASS),
}
_FIELDS: Final = {tag: tag.lower().replace("-", "_") + _DIMENSIONS[tag[:2]][0] for tag in TRUTH_OF}
_TAGS: Final = (*TRUTH_OF, *OUTPUT_TAGS, "CV-103")
_ACTUATORS: Final = tuple(tag.lower().replace("-", "_") for tag in OUTPUT_TAGS)
_HANDS: Final = frozenset({Phase.HELD.value, Phase.RESTARTING.value})
_OVER: Final = frozenset({Phase.STOPPED.value, Phase.ABORTED.value, Phase.COMPLETE.value, Phase.IDLE.value})
_WORKED_OUT: Final = frozenset({
    "sentence", "recovered_kg", "recovered_uncertainty_kg", "flow_kg_s", "fill_fraction", "left_kg", "finish_s",
    "compression_ratio",
})  # fmt: skip
"""Columns of `hil-sim run --csv` that are worked out from the readings: not told as unused."""
BEFORE_S: Final = 120.0
"""Time at rest that is kept from before the first output: it shows errors of instruments, and oil does not rest."""
_LONGEST_GAP_S: Final = 10.0
_CHANGE_KG: Final = 1.0
_CHANGE_S: Final = 3.0
# A cylinder change is told by the scale where no phase is recorded: no leak empties a cylinder so fast.
_ROW_S: Final = 0.1
"""Rows are no further apart, so that the lag of an instrument follows what happens between two readings."""


class RecordingError(ValueError):
    """A recorded run cannot be used; one sentence with file, line or column and what to write."""


@dataclass(frozen=True)
class Recording:
    """One recorded run as it stands in its file."""

    name: str
    times_s: Array
    readings: dict[str, Array]
    """Tag -> value in SI at each time; NaN where there is none."""
    bits: Any
    """Outputs that were on from each time on, bits in the order of `OUTPUT_TAGS`; whole numbers."""
    known: int
    """Bits of the outputs that the file tells about."""
    throttle: Array | None
    """Opening of CV-103, 0 to 1."""
    phases: tuple[str, ...] | None = None
    settings: Settings | None = None
    """Of the controller that wrote the journal."""
    unused: tuple[str, ...] = ()
    """Columns that were passed over."""


@dataclass(frozen=True)
class Run:
    """The part of a recording that the plant can follow by itself."""

    name: str
    times_s: Array
    """Of the rows, from 0 at the first."""
    acts: tuple[Actuators, ...]
    """In force from each row to the next."""
    samples: Any
    """Rows at which readings are compared; whole numbers."""
    measured: dict[str, Array]
    """Tag -> reading in SI at each of `samples`; NaN where there is none."""
    spread: dict[str, Array]
    """Tag -> standard deviation that not knowing the time of a command exactly gives to each reading."""
    period_s: float
    """Time between two lines of the recording: that of a command or reading is known to half of it."""
    origin_s: float
    """Time of the first row on the recording's own clock."""
    sentence: str
    """What part was used, and why it ends there."""
    unused: tuple[str, ...] = field(default=())


# ---- journals --------------------------------------------------------------------------------------------


def load(path: Path) -> Recording:
    """Read a recorded run: the journal of a rig, or a CSV file with units in its header.

    Raises
    ------
    RecordingError, JournalError
        With one sentence for the first thing that is wrong.
    """
    try:
        with path.open("rb") as stream:
            head = stream.read(16)
    except FileNotFoundError:
        raise RecordingError(f"{path}: there is no such file; check the name.") from None
    except OSError as error:
        raise RecordingError(f"{path}: the file can't be read ({error.strerror or error}); check it.") from None
    return read_journal(path) if head.startswith(b"SQLite format 3") else read_csv(path)


def read_journal(path: Path) -> Recording:
    """Read the first session of a journal: after a power loss a person has been at the rig.

    Raises
    ------
    RecordingError, JournalError
        If there is nothing in it, or it is no journal.
    """
    from rigctl.journal.store import JournalReader

    with JournalReader(path) as reader:
        first = reader.sessions()[0]
        return from_records(
            path.name, (stored.record for stored in reader.scans(first.session, states=False)), first.settings
        )


def from_records(name: str, records: Iterable[ScanRecord], settings: Settings) -> Recording:
    """Make a recording from the scans of one run.

    Raises
    ------
    RecordingError
        If there are fewer than two scans.
    """
    from rigctl.control.readings import sound

    max_age_s = settings.instruments.reading_max_age_s
    times: list[float] = []
    bits: list[int] = []
    throttle: list[float] = []
    phases: list[str] = []
    columns: dict[str, list[float]] = {tag: [] for tag in TRUTH_OF}
    for record in records:
        now_s = record.readings.now_s
        if times and now_s <= times[-1]:
            break  # the controller's clock began anew
        times.append(now_s)
        bits.append(record.outputs.bits)
        throttle.append(record.outputs.cv_103)
        phases.append(record.phase.value)
        for tag, column in columns.items():
            reading = getattr(record.readings, _FIELDS[tag])
            column.append(reading.value if sound(reading, now_s, max_age_s) else nan)
    if len(times) < 2:
        raise RecordingError(f"{name}: there are {len(times)} scans in it; name the journal of a run.")
    readings = {tag: np.array(column) for tag, column in columns.items()}
    return Recording(
        name,
        np.array(times),
        {tag: column for tag, column in readings.items() if np.isfinite(column).any()},
        np.array(bits),
        (1 << len(OUTPUT_TAGS)) - 1,
        np.array(throttle),
        tuple(phases),
        settings,
    )


# ---- CSV -------------------------------------------------------------------------------------------------

_HEAD: Final = re.compile(r"\s*(.*?)\s*(?:[\[(]\s*(.*?)\s*[\])])?\s*")
_TAG_LIKE: Final = re.compile(r"[A-Z]{1,3}-?\d{3}", re.IGNORECASE)


@dataclass(frozen=True)
class _Column:
    """What one column of a CSV file holds: value = number * factor + offset."""

    kind: str
    """time, phase, outputs, throttle, output or reading."""
    tag: str
    head: str
    factor: float = 1.0
    offset: float = 0.0


def _factor_and_offset(where: str, unit: str | None, dimension: units.Dimension) -> tuple[float, float]:
    if unit is None:
        if dimension is units.NUMBER:
            return 1.0, 0.0
        raise RecordingError(f"{where} says no unit; write it in brackets behind the name, like {dimension.example}.")
    try:
        one, two = (units.parse(f"{number} {unit}", dimension) for number in (1, 2))
    except units.UnitError as error:
        raise RecordingError(f"{where}: {error}") from None
    return two - one, 2.0 * one - two


def _column(path: Path, number: int, head: str) -> _Column | None:
    """What the column with this head is for; None if the fit does not use it."""
    where = f'{path}: column {number} "{head}"'
    matched = _HEAD.fullmatch(head)
    name, unit = (matched[1], matched[2]) if matched else (head, None)
    plain = name.casefold().replace("-", "_")
    if plain.startswith("true_"):
        return None  # a simulation's own truth: no instrument shows it
    if plain == "time":
        return _Column("time", "", head, *_factor_and_offset(where, unit, units.TIME))
    if plain == "time_s":
        return _Column("time", "", head)
    if plain in ("outputs", "phase"):
        return _Column(plain, "", head)
    for tag in _TAGS:
        bare = tag.casefold().replace("-", "_")
        if tag in TRUTH_OF and plain == _FIELDS[tag]:
            return _Column("reading", tag, head)
        if plain != bare:
            continue
        if tag == "CV-103":
            return _Column("throttle", tag, head, *_factor_and_offset(where, unit, units.NUMBER))
        if tag in OUTPUT_TAGS:
            return _Column("output", tag, head)
        return _Column("reading", tag, head, *_factor_and_offset(where, unit, _DIMENSIONS[tag[:2]][1]))
    if _TAG_LIKE.fullmatch(name):
        near = difflib.get_close_matches(name.upper(), _TAGS, n=1)
        hint = f'did you mean "{near[0]}"?' if near else f"known: {', '.join(_TAGS)}."
        raise RecordingError(f"{where} is no tag that the fit knows; {hint}")
    return None


def _number(path: Path, line: int, column: _Column, cell: str) -> float:
    text = cell.strip()
    if not text:
        return nan
    try:
        value = float(text)
    except ValueError:
        value = nan
    if not isfinite(value):
        comma = " with a point instead of the comma" if "," in text else ""
        raise RecordingError(
            f'{path}: line {line}, column "{column.head}": "{text}" is no number; write one{comma}, or leave the cell '
            "empty."
        )
    return value * column.factor + column.offset


def _on(path: Path, line: int, column: _Column, cell: str) -> bool:
    text = cell.strip().casefold()
    if text in ("1", "1.0", "true", "on"):
        return True
    if text in ("0", "0.0", "false", "off"):
        return False
    raise RecordingError(f'{path}: line {line}, column "{column.head}": "{cell}" must be 0 or 1.')


def _bits(path: Path, line: int, cell: str) -> int:
    bits = 0
    for tag in cell.split():
        if tag not in OUTPUT_TAGS:
            near = difflib.get_close_matches(tag, OUTPUT_TAGS, n=1)
            hint = f'did you mean "{near[0]}"?' if near else f"known: {', '.join(OUTPUT_TAGS)}."
            raise RecordingError(f'{path}: line {line}, column "outputs": there is no output "{tag}"; {hint}')
        bits |= 1 << OUTPUT_TAGS.index(tag)
    return bits


def read_csv(path: Path) -> Recording:
    """Read a CSV file whose header names tags with their units, or that `hil-sim run --csv` wrote.

    Columns: ``time``; tags of instruments; ``outputs`` with the tags that are on, or one column of 0 and 1 for each
    output; ``CV-103``; ``phase`` where it is known. Columns that begin with ``true_`` are never read.

    Raises
    ------
    RecordingError
        With one sentence for the first thing that is wrong.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise RecordingError(f"{path}: the file can't be read as text ({error}); save it as CSV in UTF-8.") from None
    lines = list(csv.reader(text.splitlines()))
    if not lines or not any(cell.strip() for cell in lines[0]):
        raise RecordingError(f"{path}: line 1 must name the columns, for example: time [s], PT-101 [bar g], outputs.")
    columns = [_column(path, number, head.strip()) for number, head in enumerate(lines[0], 1)]
    used = [(n, column) for n, column in enumerate(columns) if column is not None]
    seen: dict[tuple[str, str], str] = {}
    for _, column in used:
        if (key := (column.kind, column.tag)) in seen:
            raise RecordingError(f'{path}: the columns "{seen[key]}" and "{column.head}" are the same; leave one out.')
        seen[key] = column.head
    by_kind = {kind: [(n, c) for n, c in used if c.kind == kind] for kind in ("time", "outputs", "output", "throttle")}
    if not by_kind["time"]:
        raise RecordingError(f'{path}: there is no column of time; name one "time [s]".')
    if not by_kind["outputs"] and not by_kind["output"]:
        raise RecordingError(
            f'{path}: nothing says which outputs were on; write a column "outputs" with their tags, or a column of '
            "0 and 1 for each tag."
        )
    if by_kind["outputs"] and by_kind["output"]:
        raise RecordingError(f'{path}: outputs stand in a column "outputs" and in columns of their own; leave one out.')
    if not any(column.kind == "reading" for _, column in used):
        raise RecordingError(f"{path}: no column holds readings; name one after its tag, for example PT-101 [bar g].")
    values: dict[str, list[float]] = {c.tag: [] for _, c in used if c.kind == "reading"}
    times: list[float] = []
    bits: list[int] = []
    throttle: list[float] = []
    phases: list[str] = []
    for line, cells in enumerate(lines[1:], 2):
        if not any(cell.strip() for cell in cells):
            continue
        if len(cells) != len(lines[0]):
            raise RecordingError(f"{path}: line {line} has {len(cells)} cells, the header {len(lines[0])}; mend it.")
        row_bits = 0
        for n, column in used:
            cell = cells[n]
            if column.kind == "time":
                now_s = _number(path, line, column, cell)
                if not isfinite(now_s):
                    raise RecordingError(f'{path}: line {line}, column "{column.head}": every line needs its time.')
                if times and now_s <= times[-1]:
                    raise RecordingError(
                        f'{path}: line {line}, column "{column.head}": {cell.strip()} is not after the line before; '
                        "times must rise."
                    )
                times.append(now_s)
            elif column.kind == "reading":
                values[column.tag].append(_number(path, line, column, cell))
            elif column.kind == "outputs":
                row_bits = _bits(path, line, cell)
            elif column.kind == "output":
                row_bits |= _on(path, line, column, cell) << OUTPUT_TAGS.index(column.tag)
            elif column.kind == "phase":
                phases.append(cell.strip())
            else:
                position = _number(path, line, column, cell)
                if not 0.0 <= position <= 1.0:
                    raise RecordingError(
                        f'{path}: line {line}, column "{column.head}": "{cell}" is no position; write 0 to 1, or 0 to '
                        "100 under CV-103 [%]."
                    )
                throttle.append(position)
        bits.append(row_bits)
    if len(times) < 2:
        raise RecordingError(f"{path}: there are {len(times)} lines of readings; give at least two.")
    known = (1 << len(OUTPUT_TAGS)) - 1
    if by_kind["output"]:
        known = sum(1 << OUTPUT_TAGS.index(column.tag) for _, column in by_kind["output"])
    return Recording(
        path.name,
        np.array(times),
        {tag: np.array(column) for tag, column in values.items()},
        np.array(bits),
        known,
        np.array(throttle) if by_kind["throttle"] else None,
        tuple(phases) if phases else None,
        unused=tuple(
            head
            for head, column in zip(lines[0], columns, strict=True)
            if column is None and not head.startswith("true_") and head not in _WORKED_OUT
        ),
    )


# ---- the part that can be used ---------------------------------------------------------------------------


def _check_against(recording: Recording, settings: Settings) -> None:
    """Raise if the recording is of another rig or job, or does not tell all that the plant must know."""
    from rigctl.control.protect.gate import fitted_outputs

    missing = [
        tag for n, tag in enumerate(OUTPUT_TAGS) if fitted_outputs(settings) & ~recording.known & (1 << n)
    ]  # fmt: skip
    if missing:
        raise RecordingError(
            f"{recording.name}: the rig has {', '.join(missing)}, and no column tells when it was on; add a column of "
            "0 and 1 for it."
        )
    if settings.fitted.cv_103 and recording.throttle is None:
        raise RecordingError(
            f'{recording.name}: the rig has the throttle CV-103, and no column tells its position; add "CV-103 [%]".'
        )
    own = recording.settings
    if own is None:
        return
    pairs = (
        ("refrigerant", "--job", own.job.refrigerant, settings.job.refrigerant),
        ("cylinder's tare", "--job", own.cylinder.tare_kg, settings.cylinder.tare_kg),
        ("cylinder's water capacity", "--job", own.cylinder.water_capacity_kg, settings.cylinder.water_capacity_kg),
        ("first port", "--job", own.job.liquid_first, settings.job.liquid_first),
        ("inlet XV-101", "--rig", own.fitted.xv_101, settings.fitted.xv_101),
        ("inlet XV-102", "--rig", own.fitted.xv_102, settings.fitted.xv_102),
        ("throttle CV-103", "--rig", own.fitted.cv_103, settings.fitted.cv_103),
        ("cooler valves", "--rig", own.fitted.cooler_valves, settings.fitted.cooler_valves),
        ("displacement", "--rig", own.compressor.displacement_m3_s, settings.compressor.displacement_m3_s),
    )
    for what, option, recorded, given in pairs:
        if recorded != given:
            raise RecordingError(
                f"{recording.name}: the {what} was {recorded} in this journal and is {given} in the files named; name "
                f"the files of that run with {option}."
            )


def used_part(recording: Recording) -> tuple[int, int, str]:
    """First and last row of the part that the plant can follow by itself, and why it ends there.

    It begins `BEFORE_S` before the first output and ends where a person comes in: at a hold, a cylinder change, the
    end of the job, or a gap in which nobody knows what happened.

    Raises
    ------
    RecordingError
        If no output was ever on.
    """
    times, on = recording.times_s, recording.bits != 0
    if not on.any():
        raise RecordingError(f"{recording.name}: no output was ever on; nothing was recovered in this run.")
    start = int(np.argmax(on))
    first = int(np.searchsorted(times, times[start] - BEFORE_S))
    gaps = np.flatnonzero(np.diff(times[first:]) > max(_LONGEST_GAP_S, 20.0 * float(np.median(np.diff(times)))))
    if gaps.size and first + int(gaps[0]) < start:
        first, gaps = start, gaps[gaps + first >= start] - (start - first)
    ends = [(len(times) - 1, "the end of the recording")]
    if gaps.size:
        ends.append((first + int(gaps[0]), "a gap in the recording"))
    if recording.phases is not None:
        for row in range(start, len(times)):
            phase = recording.phases[row]
            if phase in _HANDS:
                ends.append((row, "a hold in which a hand comes in"))
                break
            if phase in _OVER:
                ends.append((row, "the end of the job"))
                break
    weight = recording.readings.get("WT-301")
    if weight is not None:
        fit = np.flatnonzero(np.isfinite(weight[start:])) + start
        fallen = np.flatnonzero((np.diff(weight[fit]) < -_CHANGE_KG) & (np.diff(times[fit]) < _CHANGE_S))
        if fallen.size:
            ends.append((int(fit[fallen[0]]), "the scale's fall by more than 1 kg: a cylinder change or a knock"))
    last, why = min(ends)
    if times[last] - times[start] < 5.0:
        raise RecordingError(
            f"{recording.name}: only {times[last] - times[start]:.1f} s lie between the first output and {why}; give "
            "a run of a minute or more."
        )
    return first, last, why


def _actuators(bits: int, throttle: float, settings: Settings) -> Actuators:
    one_inlet = not (settings.fitted.xv_101 and settings.fitted.xv_102)
    if one_inlet and bits & (XV_101 | XV_102):
        bits = (bits | XV_101) & ~XV_102  # the plant calls the only inlet XV-101
    if not settings.fitted.m_201:
        bits = bits | M_201 if bits & M_101 else bits & ~M_201  # then the fan hangs on the motor's contactor
    return Actuators(**{name: bool(bits >> n & 1) for n, name in enumerate(_ACTUATORS)}, cv_103=throttle)


def run_of(recording: Recording, settings: Settings, tags: Sequence[str], every_s: float | None = None) -> Run:
    """Take the part of a recording that can be used, with commands as exact as they are and readings thinned.

    Parameters
    ----------
    recording
        From `load`.
    settings
        Of the rig and job that the plant is made for.
    tags
        Instruments to compare.
    every_s
        Time between two readings of one instrument; None takes 1 s, and 2 s in runs above half an hour.

    Raises
    ------
    RecordingError
        If the recording does not go with the settings, or too little of it can be used.
    """
    _check_against(recording, settings)
    first, last, why = used_part(recording)
    times = recording.times_s[first : last + 1] - recording.times_s[first]
    if every_s is None:
        every_s = 1.0 if times[-1] <= 1800.0 else 2.0
    bits = recording.bits[first : last + 1]
    throttle = np.zeros(len(times)) if recording.throttle is None else recording.throttle[first : last + 1]
    throttle = np.where(np.isfinite(throttle), throttle, 0.0)
    changed = np.concatenate(([True], (np.diff(bits) != 0) | (np.diff(throttle) != 0.0)))
    taken = np.zeros(len(times), bool)
    due_s = 0.0
    for row, now_s in enumerate(times.tolist()):
        if now_s + 1e-6 >= due_s:
            taken[row] = True
            due_s = max(due_s + every_s, now_s + 0.5 * every_s)
    rows: list[float] = []
    sources: list[int] = []
    samples: list[int] = []
    command = 0
    for row in np.flatnonzero(changed | taken).tolist():
        now_s = float(times[row])
        while rows and now_s - rows[-1] > 1.5 * _ROW_S:
            rows.append(rows[-1] + _ROW_S)
            sources.append(command)
        command = row
        rows.append(now_s)
        sources.append(row)
        if taken[row]:
            samples.append(len(rows) - 1)
    cache: dict[int, Actuators] = {}
    acts = []
    for row in sources:
        if row not in cache:
            cache[row] = _actuators(int(bits[row]), float(throttle[row]), settings)
        acts.append(cache[row])
    at_rows = np.flatnonzero(taken)
    measured = {tag: recording.readings[tag][first : last + 1][at_rows] for tag in tags if tag in recording.readings}
    measured = {tag: column for tag, column in measured.items() if np.isfinite(column).any()}
    if not measured:
        raise RecordingError(f"{recording.name}: none of {', '.join(tags)} is in it; nothing can be compared.")
    # A command happened somewhere between two lines: uniform in that time.
    period_s = float(np.median(np.diff(times)))
    unsure_s = period_s / 12.0**0.5
    sentence = (
        f"{recording.name}: {times[-1] / 60.0:.1f} min used, from {recording.times_s[first]:.1f} s (the start of "
        f"recovery) to {recording.times_s[last]:.1f} s ({why}); {len(at_rows)} readings of each of "
        f"{', '.join(measured)}."
    )
    return Run(
        recording.name,
        np.array(rows),
        tuple(acts),
        np.array(samples),
        measured,
        {tag: unsure_s * _rate(times[at_rows], column) for tag, column in measured.items()},
        period_s,
        float(recording.times_s[first]),
        sentence,
        recording.unused,
    )


def _rate(times: Array, values: Array) -> Array:
    """How fast a reading changes, in its unit per second, the steeper of both sides; 0 where it is not known."""
    slope = np.abs(np.diff(values) / np.diff(times))
    slope = np.where(np.isfinite(slope), slope, 0.0)
    return np.maximum(np.concatenate(([0.0], slope)), np.concatenate((slope, [0.0])))
