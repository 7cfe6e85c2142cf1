"""Rig and job files: TOML with units of the user's choice in, checked `Settings` in SI out.

The keys are the field names of `rigctl.control.settings` without their unit suffix. Everything wrong with a
file is reported at once, one sentence each: file, key, what is wrong, what to write.
"""

from __future__ import annotations

import datetime as dt
import difflib
import enum
import functools
import json
import tomllib
import types
import typing
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any, Final

import msgspec

from rigctl import units
from rigctl.control.settings import (
    Compressor,
    Cylinder,
    Fitted,
    Hookup,
    Instruments,
    Job,
    Limits,
    Procedure,
    Protection,
    Settings,
    Units,
    unsafe,
)
from rigctl.quoting import plain, quoted
from rigctl.refrigerant import catalogue, evacuation

WITHDRAWN = {
    "compressor.starts_against_pressure": "it never did anything and is gone; remove the line. The motor always starts "
    "against the pressure that stands in the discharge: choose a compressor that can.",
    "procedure.standing_rise": "a standing check no longer passes by a small rise, only where the level is likely to "
    "be kept; remove the line.",
}
"""Keys that older files may hold, with what to do."""


MOST_BYTES: Final = 65_536
"""Of a file; the largest example has 13,000."""
LONGEST_LINE: Final = 1_000
"""Bytes; a dotted key costs the square of its length to read."""
MOST_PROBLEMS: Final = 100
"""Sentences about one file; nobody reads more at once."""
_LONGEST_SENTENCE: Final = 800


class ConfigError(ValueError):
    """A rig or job file cannot be used; `problems` has one sentence for everything that is wrong with it.

    Each is one line, printable and not long, whatever the file holds; after `MOST_PROBLEMS` the rest is counted.
    """

    def __init__(self, problems: Sequence[str]) -> None:
        left = len(problems) - MOST_PROBLEMS
        told = [plain(problem, _LONGEST_SENTENCE) for problem in problems[:MOST_PROBLEMS]]
        if left > 0:
            told.append(f"{problems[0].partition(': ')[0]}: {left} more mistakes; mend these first.")
        super().__init__("\n".join(told))
        self.problems = tuple(told)


class Mqtt(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Where the rig reports to; a rig without this table reports to nobody and works all the same."""

    host: str
    site: str
    """Place in the topic root, `recovery-rigs/<site>/<rig>/`: small letters, digits and hyphens."""
    rig: str
    port: int = 0
    """0 means 8883 with TLS and 1883 without."""
    username: str | None = None
    password_file: str | None = None
    """File that holds the password alone; a relative name counts from the rig's file."""
    tls: bool = True
    ca_file: str | None = None
    """Certificate of the broker's authority; the system's own store when absent."""


class Commissioning(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What bringing the rig into service is judged by."""

    calibration_interval_days: int = 365
    """Common practice, no source."""
    pressure_switch_pa_gauge: float = 3.79e6
    """Set pressure of PSH-201; 550 psig is the cut-out of such rigs (FACTS: common practice)."""
    leak_down_s: float = 600.0
    leak_down_limit_pa: float = 1e4
    """Permitted change of the rig's pressure in that time; engineering estimate, no source."""


class RigConfig(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A rig's file."""

    path: str
    name: str
    units: Units
    scan_period_s: float
    fitted: Fitted
    protection: Protection
    compressor: Compressor
    limits: Limits
    instruments: Instruments
    procedure: Procedure
    simulated: bool = False
    """Behind the wires stands a simulation: it runs without a commissioning sheet, and its records prove nothing."""
    commissioning: Commissioning = Commissioning()
    mqtt: Mqtt | None = None
    hardware: dict[str, Any] = msgspec.field(default_factory=dict)
    """The [hardware] table as it stands; the drivers check it."""
    simulation: dict[str, Any] = msgspec.field(default_factory=dict)
    """The [simulation] table as it stands; the simulation checks it."""


class JobConfig(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A job's file, with the required level worked out."""

    path: str
    job: Job
    level: evacuation.EvacuationLevel
    """The required level with all that its rule says; `job` has the gist of it."""
    cylinder: Cylinder
    spare_cylinders: tuple[Cylinder, ...] = ()
    """Further cylinders in the order they will be used."""
    hookup: Hookup = Hookup()
    """How the rig is hooked up, as far as the file says it."""
    simulation: dict[str, Any] = msgspec.field(default_factory=dict)
    """The [simulation] table as it stands: the appliance that the simulation builds; it checks it."""


class _Rig(msgspec.Struct, frozen=True):
    name: str
    scan_period_s: float
    units: Units = Units.METRIC
    simulated: bool = False


class _Job(msgspec.Struct, frozen=True):
    name: str
    technician: str
    site: str
    date: str = ""
    scale_usable: bool = True


class _Level(msgspec.Struct, frozen=True):
    rules: str
    case: str = "whole"
    equipment_made: str = evacuation.SPLIT_DATE
    compressor_works: bool = False
    level_pa_abs: float | None = None
    source: str = ""


class _Appliance(msgspec.Struct, frozen=True):
    description: str
    refrigerant: str
    charge_kg: float | None = None
    water_side: bool = False
    ambient_degc: float = 25.0
    liquid_first: bool = True
    vapor_inlet_with_liquid: bool = False
    design_pressure_pa_gauge: float | None = None


_RIG_TABLES: Final[Mapping[str, type[msgspec.Struct]]] = {
    "rig": _Rig,
    "fitted": Fitted,
    "protection": Protection,
    "compressor": Compressor,
    "limits": Limits,
    "instruments": Instruments,
    "procedure": Procedure,
}


def _gauge(pa: float) -> float:
    """A gauge pressure as Pa abs, for bounds that read well."""
    return pa + units.STANDARD_ATMOSPHERE_PA


_SANE = "nothing built for this trade lies outside; check number and unit"
_WITHIN: Final[Mapping[tuple[type[msgspec.Struct], str], tuple[float, float, str]]] = {
    (_Rig, "scan_period_s"): (0.02, 0.5, "faster overruns a small board, slower sees a dead head too late"),
    (Cylinder, "water_capacity_kg"): (0.5, 1000.0, _SANE),
    (Cylinder, "tare_kg"): (0.5, 700.0, _SANE),
    (Cylinder, "service_pressure_pa_gauge"): (5e5, 6e6, _SANE),
    (Cylinder, "residual_kg"): (0.0, 1000.0, _SANE),
    **{(Hookup, f"{hose}_hose_bore_m"): (2e-3, 0.05, _SANE) for hose in ("liquid", "vapor")},
    **{(Hookup, f"{hose}_hose_length_m"): (0.05, 30.0, _SANE) for hose in ("liquid", "vapor")},
    (Compressor, "displacement_m3_s"): (1e-5, 2e-2, _SANE),
    (Compressor, "clearance"): (0.0, 0.2, "with more the compressor could not pull any vacuum"),
    (Compressor, "leak_factor"): (0.5, 1.0, "below, the compressor is worn out; above 1 is impossible"),
    (Compressor, "throttle_kv_m3_h"): (0.01, 20.0, _SANE),
    (Compressor, "liquid_fraction_high"): (0.005, 0.3, _SANE),
    (Compressor, "push_pull_kv_m3_h"): (0.01, 20.0, _SANE),
    (Limits, "discharge_high_pa_abs"): (
        _gauge(5e5),
        _gauge(4.5e6),
        "the hardware switch of such a rig is set near 38 bar g",
    ),
    (Limits, "discharge_high_degc"): (
        60.0,
        180.0,
        "oil and seals do not last above; below, it would always trip",
    ),
    (Limits, "compression_ratio_high"): (3.0, 100.0, _SANE),
    (Limits, "cylinder_high_fraction"): (
        0.5,
        1.0,
        "the service pressure may not be exceeded even for a moment",
    ),
    (Limits, "cylinder_pause_fraction"): (0.3, 1.0, "it must pause before it trips"),
    (Limits, "cylinder_high_degc"): (
        30.0,
        55.0,
        "above 55 degC a correctly filled cylinder may be liquid-full",
    ),
    (Limits, "cylinder_warm_degc"): (25.0, 55.0, "it must warn before it trips"),
    (Limits, "fill_reserve_kg"): (0.05, 50.0, "hoses and cooler still hold refrigerant when the inlets shut"),
    (Limits, "second_estimate_uncertainty"): (
        0.02,
        0.5,
        "no estimate without a scale is better or worse than that",
    ),
    (Limits, "estimates_disagree_kg"): (0.05, 50.0, _SANE),
    (Limits, "scale_step_kg"): (0.02, 50.0, _SANE),
    (Limits, "scale_disturbed_s"): (0.5, 60.0, "without a scale the fill is known too poorly for longer"),
    (Limits, "scale_frozen_kg"): (0.02, 20.0, _SANE),
    (Limits, "scale_falling_kg"): (0.01, 5.0, "more would be a leak that nobody stops"),
    (Limits, "dead_head_rise_pa_s"): (1e3, 1e7, _SANE),
    (Limits, "dead_head_s"): (0.1, 30.0, "a dead head must be seen within seconds"),
    (Limits, "suction_not_falling_s"): (5.0, 1800.0, _SANE),
    (Limits, "suction_fast_fall_s"): (0.1, 60.0, _SANE),
    (Limits, "suction_starved_pa_abs"): (1e3, _gauge(4e5), _SANE),
    (Limits, "freeze_guard_k"): (
        0.5,
        10.0,
        "water must keep a margin to freezing, and too wide a one never ends",
    ),
    (Limits, "gas_alarm_lfl"): (0.01, 0.25, "practice alarms at 20 to 25 % of the lower flammable limit"),
    (Limits, "readback_s"): (0.05, 5.0, "an output that does not obey must be seen within seconds"),
    (Limits, "scan_overrun_s"): (0.05, 5.0, "outputs may not stand unattended for longer"),
    (Limits, "appliance_high_degc"): (10.0, 60.0, "no appliance is built for less or stands warmer"),
    (Limits, "air_allowance_pa"): (5e3, 3e5, "1 K of temperature error alone is 20 to 45 kPa"),
    (Instruments, "reading_max_age_s"): (0.05, 5.0, "an older reading says nothing about now"),
    (Instruments, "pressure_uncertainty_pa"): (10.0, 1e5, _SANE),
    (Instruments, "scale_uncertainty_kg"): (1e-4, 5.0, _SANE),
    (Instruments, "scale_noise_kg"): (0.0, 5.0, _SANE),
    (Instruments, "scale_resolution_kg"): (1e-5, 1.0, _SANE),
    (Instruments, "temperature_uncertainty_k"): (0.05, 5.0, _SANE),
    (Procedure, "line_up_limit_s"): (10.0, 7200.0, _SANE),
    (Procedure, "liquid_limit_s"): (60.0, 172_800.0, "every phase must end"),
    (Procedure, "vapor_limit_s"): (60.0, 172_800.0, "every phase must end"),
    (Procedure, "standing_limit_s"): (60.0, 14_400.0, "every phase must end"),
    (Procedure, "clear_out_limit_s"): (30.0, 7200.0, "every phase must end"),
    (Procedure, "isolate_limit_s"): (10.0, 3600.0, "every phase must end"),
    (Procedure, "holding_limit_s"): (5.0, 600.0, "every phase must end"),
    (Procedure, "restarting_limit_s"): (5.0, 3600.0, "every phase must end"),
    (Procedure, "stopping_limit_s"): (5.0, 600.0, "every phase must end"),
    (Procedure, "aborting_s"): (1.0, 600.0, "every phase must end"),
    (Procedure, "standing_s"): (30.0, 3600.0, "a shorter check sees no oil give its refrigerant back"),
    (Procedure, "standing_settle_s"): (1.0, 600.0, _SANE),
    (Procedure, "standing_repeats"): (1, 50, "the rig may not go round for ever"),
    (Procedure, "dwell_s"): (1.0, 600.0, _SANE),
    (Procedure, "pull_fraction"): (
        0.2,
        0.98,
        "the first pull must go below the level, and can't go to nothing",
    ),
    (Procedure, "pull_floor_pa_abs"): (100.0, 101_325.0, _SANE),
    (Procedure, "clear_out_level_pa_abs"): (1e3, _gauge(1e6), _SANE),
    (Procedure, "liquid_position"): (0.02, 1.0, "shut, no liquid would ever come"),
    (Procedure, "liquid_end_ratio"): (0.01, 10.0, _SANE),
    (Procedure, "liquid_end_flow"): (0.01, 1.0, _SANE),
    (Procedure, "valve_stroke_s"): (0.05, 120.0, _SANE),
    (Procedure, "scale_steady_s"): (0.5, 120.0, _SANE),
    (Procedure, "pt_tolerance_k"): (
        0.5,
        15.0,
        "wider cannot tell refrigerants apart, closer is finer than a probe",
    ),
    (Procedure, "empty_appliance_pa_abs"): (100.0, _gauge(1e5), _SANE),
    (Procedure, "compressor_min_off_s"): (0.0, 600.0, _SANE),
    (Procedure, "push_pull_limit_s"): (60.0, 172_800.0, "every phase must end"),
    (Procedure, "throttle_ramp_s"): (0.0, 600.0, _SANE),
    (Commissioning, "calibration_interval_days"): (
        7,
        1830,
        "an instrument drifts, and years later nobody knows how far",
    ),
    (Commissioning, "pressure_switch_pa_gauge"): (5e5, 4.5e6, "nothing in such a rig is built for more"),
    (Commissioning, "leak_down_s"): (60.0, 172_800.0, "a shorter test sees no leak"),
    (Commissioning, "leak_down_limit_pa"): (100.0, 1e5, "finer than the transmitters, or no test"),
    (Mqtt, "port"): (1, 65_535, "other ports do not exist"),
    (_Level, "level_pa_abs"): (
        100.0,
        units.STANDARD_ATMOSPHERE_PA,
        "recovery ends at or below atmospheric pressure",
    ),
    (_Appliance, "charge_kg"): (0.01, 10_000.0, _SANE),
    (_Appliance, "design_pressure_pa_gauge"): (1e5, 1e7, _SANE),
    (_Appliance, "ambient_degc"): (-30.0, 60.0, "people do not work in it"),
}
"""Struct and field -> least, most (SI), and why. Sanity bands (common practice, no source) unless the reason
says more; what depends on several fields at once is judged by `settings.unsafe`."""

_WORDS_NOT_EMPTY: Final = frozenset({"name", "technician", "site", "serial", "description", "host", "rig"})
_DATES: Final = frozenset({"date", "retest_due", "equipment_made"})
_TOPIC_WORD: Final = frozenset("abcdefghijklmnopqrstuvwxyz0123456789-")


@functools.cache
def key_of(struct: type[msgspec.Struct], field_name: str) -> str:
    """The key under which a field stands in a file: its name without the unit.

    Where that makes two fields of one table alike, pressure or temperature is put behind:
    `discharge_high_pressure`, `discharge_high_temperature`.
    """
    plain = units.plain_name(field_name)
    if sum(units.plain_name(name) == plain for name in struct.__struct_fields__) == 1:
        return plain
    return f"{plain}_{units.dimension_of(field_name).name.split()[-1]}"


class _Reader:
    """Reads the tables of one file and gathers everything that is wrong with it."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.problems: list[str] = []
        self.tables: dict[str, Any] = self._load()

    def _load(self) -> dict[str, Any]:
        try:
            read = self.path.read_bytes()
            if why := _unreadable(read):
                raise ConfigError([f"{self.path}: {why}"])
            return tomllib.loads(read.decode("utf-8"))
        except FileNotFoundError:
            try:
                near = difflib.get_close_matches(self.path.name, [p.name for p in self.path.parent.iterdir()], n=1)
            except OSError:
                near = []
            hint = f'did you mean "{self.path.parent / near[0]}"?' if near else "check the name."
            why = f"there is no such file; {hint}"
        except IsADirectoryError:
            why = "this is a folder; name a .toml file in it."
        except UnicodeDecodeError as error:
            why = f"the file is not UTF-8 text (byte {error.start}); save it as UTF-8."
        except tomllib.TOMLDecodeError as error:
            said = plain(f"{str(error)[:1].lower()}{str(error)[1:]}", 120)
            why = f"the file is not TOML: {said}; text values need quotes."
        except ConfigError:
            raise
        except RecursionError:
            why = "brackets or keys are nested too deep; nothing here needs more than three levels."
        except ValueError:
            why = "a number or date in it is none that a computer can hold; look for a very long or impossible one."
        except OSError as error:
            why = f"the file cannot be read ({error.strerror}); check its permissions."
        raise ConfigError([f"{self.path}: {why}"])

    def wrong(self, key: str, sentence: str) -> None:
        """Note one thing that is wrong."""
        self.problems.append(f"{self.path}: {plain(key)}: {sentence}")

    def only(self, allowed: Iterable[str], raw: Mapping[str, Any], where: str) -> None:
        """Refuse keys that mean nothing, with a hint for a misspelled one."""
        allowed = list(allowed)
        for key in raw:
            if key not in allowed and f"{where}{key}" in WITHDRAWN:
                self.wrong(f"{where}{key}", WITHDRAWN[f"{where}{key}"])
            elif key not in allowed:
                # To look for the nearest name takes its time, and after so many nobody reads on.
                looks = len(self.problems) < MOST_PROBLEMS and len(key) < 100
                near = difflib.get_close_matches(key, allowed, n=1, cutoff=0.6) if looks else []
                hint = f'did you mean "{near[0]}"?' if near else f"remove it; known here: {', '.join(allowed)}."
                self.wrong(f"{where}{key}", f"unknown key; {hint}")

    def table(self, name: str, *, optional: bool = False) -> dict[str, Any] | None:
        """A table of the file as it stands; None when it is absent or no table."""
        raw = self.tables.get(name)
        if isinstance(raw, dict):
            return raw
        if raw is not None:
            self.wrong(name, f"this must be a table; begin it with a line [{name}].")
        elif not optional:
            self.wrong(name, f"the table is missing; add a line [{name}] and its keys.")
        return None

    def struct(self, struct: type[msgspec.Struct], raw: Mapping[str, Any], where: str) -> dict[str, Any]:
        """The fields of `struct` out of a table, in SI; what is wrong is noted and left out."""
        fields = {key_of(struct, field.name): field for field in msgspec.structs.fields(struct)}
        self.only(fields, raw, f"{where}.")
        values: dict[str, Any] = {}
        for key, field in fields.items():
            if key not in raw:
                if field.required:
                    self.wrong(f"{where}.{key}", f"missing; add {_example(struct, key, field)}.")
                continue
            value = self._value(struct, field, raw[key], f"{where}.{key}")
            if value is not None:
                values[field.name] = value
        return values

    def _value(self, struct: type[msgspec.Struct], field: msgspec.structs.FieldInfo, raw: Any, key: str) -> Any:
        kind = _kind(field.type)
        if kind is float:
            try:
                value = units.parse(raw, units.dimension_of(field.name))
            except units.UnitError as error:
                return self.wrong(key, str(error))
            return self._within(struct, field.name, value, raw, key)
        if kind is str and isinstance(raw, dt.date) and not isinstance(raw, dt.datetime):
            raw = raw.isoformat()
        if isinstance(kind, type) and issubclass(kind, enum.Enum):
            allowed = [str(member.value) for member in kind]
            if raw not in allowed:
                return self.wrong(key, f"{_shown(raw)} is not known; write {_either(allowed)}.")
            return raw
        if type(raw) is not kind:
            wanted = {bool: "true or false without quotes", int: "a whole number", str: "text in quotes"}[kind]
            return self.wrong(key, f"{_shown(raw)} has the wrong type; write {wanted}.")
        if kind is int:
            return self._within(struct, field.name, raw, raw, key)
        if kind is str:
            return self._text(struct, field.name, raw, key)
        return raw

    def _within(self, struct: type[msgspec.Struct], name: str, value: float, raw: Any, key: str) -> float | None:
        if (struct, name) not in _WITHIN:
            return value
        least, most, why = _WITHIN[struct, name]
        if least <= value <= most:
            return value
        dimension = units.dimension_of(name)
        limits = " to ".join(units.show(bound, dimension, "metric", digits=6) for bound in (least, most))
        self.wrong(key, f"{_shown(raw)} is outside {limits}: {why}.")
        return None

    def _text(self, struct: type[msgspec.Struct], name: str, raw: str, key: str) -> str | None:
        if name in _WORDS_NOT_EMPTY and not raw.strip():
            self.wrong(key, "this is empty; write a word that tells people what or who it is.")
            return None
        if not raw.isprintable():
            self.wrong(key, f"{quoted(raw)} holds a sign that no screen shows; write it in one line of plain text.")
            return None
        if name in _DATES:
            try:
                return dt.date.fromisoformat(raw).isoformat()
            except ValueError:
                self.wrong(key, f'"{plain(raw)}" is not a date; write year-month-day like 2031-06-30.')
                return None
        if name == "refrigerant" and not (raw == "" and struct is Cylinder):
            try:
                return catalogue.get(raw).name
            except catalogue.UnknownRefrigerantError as error:
                self.wrong(key, str(error))
                return None
        if struct is Mqtt and name in ("site", "rig") and not set(raw) <= _TOPIC_WORD:
            self.wrong(key, f'"{plain(raw)}" stands in MQTT topics; write small letters, digits and hyphens only.')
            return None
        return raw

    def finish(self) -> None:
        """Raise everything noted so far."""
        if self.problems:
            raise ConfigError(self.problems)


def _unreadable(read: bytes) -> str:
    """Why a file is not even tried, or ""."""
    if len(read) > MOST_BYTES:
        return f"the file has {len(read)} bytes, and no rig or job needs more than {MOST_BYTES}; is it the right one?"
    for number, line in enumerate(read.splitlines(), start=1):
        if len(line) > LONGEST_LINE:
            return f"line {number} has {len(line)} bytes, and at most {LONGEST_LINE} are read; break it up."
    return ""


def tables_of(path: Path) -> dict[str, Any]:
    """Return the tables of a file as they stand; raises `ConfigError` for a file that cannot be read."""
    return _Reader(path).tables


def _kind(declared: Any) -> Any:
    """The type itself of `T` and of `T | None`."""
    if typing.get_origin(declared) in (typing.Union, types.UnionType):
        return next(part for part in typing.get_args(declared) if part is not types.NoneType)
    return declared


def _shown(raw: Any) -> str:
    return plain(json.dumps(raw, ensure_ascii=False, default=str))


def _either(words: Sequence[str]) -> str:
    return " or ".join(f'"{word}"' for word in words)


def _example(struct: type[msgspec.Struct], key: str, field: msgspec.structs.FieldInfo) -> str:
    """A line that could stand in the file."""
    kind = _kind(field.type)
    if kind is float:
        return f"{key} = {units.dimension_of(field.name).example}"
    if kind is bool:
        return f"{key} = true (or false)"
    if kind is int:
        return f"{key} = 3 (a whole number)"
    if field.name in _DATES:
        return f"{key} = 2031-06-30"
    return f'{key} = "..."'


def load_rig(path: str | Path) -> RigConfig:
    """Read a rig's file.

    Raises
    ------
    ConfigError
        With one sentence for everything that is wrong: the file itself, missing, unknown and ill-typed keys,
        wrong units, values out of range.
    """
    reader = _Reader(Path(path))
    if "rig" not in reader.tables and "job" in reader.tables:
        raise ConfigError([f"{path}: this is a job's file, and a rig's is wanted; swap the two names."])
    reader.only([*_RIG_TABLES, "commissioning", "mqtt", "hardware", "simulation"], reader.tables, "")
    values: dict[str, Any] = {"path": str(path), "units": Units.METRIC.value}
    for name, struct in _RIG_TABLES.items():
        raw = reader.table(name)
        if raw is None:
            continue
        read = reader.struct(struct, raw, name)
        if struct is _Rig:
            values |= read
        else:
            values[name] = read
    if (raw := reader.table("commissioning", optional=True)) is not None:
        values["commissioning"] = reader.struct(Commissioning, raw, "commissioning")
    if (raw := reader.table("mqtt", optional=True)) is not None:
        values["mqtt"] = _mqtt(reader, raw)
    for name in ("hardware", "simulation"):
        if (raw := reader.table(name, optional=True)) is not None:
            values[name] = raw
    reader.finish()
    return msgspec.convert(values, RigConfig, strict=True)


def _mqtt(reader: _Reader, raw: Mapping[str, Any]) -> dict[str, Any]:
    if "password" in raw:
        reader.wrong(
            "mqtt.password",
            "a password does not belong in this file; put it into a file and name that in password_file.",
        )
        raw = {key: value for key, value in raw.items() if key != "password"}
    values = reader.struct(Mqtt, raw, "mqtt")
    values["port"] = values.get("port", 8883 if values.get("tls", True) else 1883)
    for key in ("password_file", "ca_file"):
        if key in values:
            values[key] = str(reader.path.parent / values[key])
    return values


def load_job(path: str | Path) -> JobConfig:
    """Read a job's file and work out the level it has to reach.

    A file without a date means the day on which it is read.

    Raises
    ------
    ConfigError
        As `load_rig`.
    """
    reader = _Reader(Path(path))
    if "job" not in reader.tables and "rig" in reader.tables:
        raise ConfigError([f"{path}: this is a rig's file, and a job's is wanted; swap the two names."])
    known = ["job", "appliance", "level", "cylinder", "spare_cylinders", "hookup", "simulation"]
    reader.only(known, reader.tables, "")
    job: dict[str, Any] = {"date": dt.datetime.now().astimezone().date().isoformat()}
    values: dict[str, Any] = {"path": str(path), "job": job}
    if (raw := reader.table("job")) is not None:
        job |= reader.struct(_Job, raw, "job")
    if (raw := reader.table("appliance")) is not None:
        job |= reader.struct(_Appliance, raw, "appliance")
        job["appliance"] = job.pop("description", "")
    if (raw := reader.table("level")) is not None:
        level = _level(reader, raw, job)
        if level is not None:
            values["level"] = level
            job |= {
                "level_pa_abs": level.level_pa_abs,
                "level_text": level.text,
                "level_source": level.source,
            }
    if (raw := reader.table("cylinder")) is not None:
        values["cylinder"] = reader.struct(Cylinder, raw, "cylinder")
    values["spare_cylinders"] = _spares(reader)
    if (raw := reader.table("hookup", optional=True)) is not None:
        values["hookup"] = reader.struct(Hookup, raw, "hookup")
    if (raw := reader.table("simulation", optional=True)) is not None:
        values["simulation"] = raw
    _no_cylinder_twice(reader, [values.get("cylinder", {}), *values["spare_cylinders"]])
    reader.finish()
    return msgspec.convert(values, JobConfig, strict=True)


def _level(reader: _Reader, raw: Mapping[str, Any], job: Mapping[str, Any]) -> evacuation.EvacuationLevel | None:
    """The required level by the rules that the [level] table names."""
    values = reader.struct(_Level, raw, "level")
    rules, case = values.get("rules"), values.get("case", "whole")
    for key, word, allowed in (("rules", rules, evacuation.RULE_SETS), ("case", case, evacuation.CASES)):
        if word is not None and word not in allowed:
            near = difflib.get_close_matches(word, allowed, n=1)
            hint = f'did you mean "{near[0]}"?' if near else f"write {_either(allowed)}."
            reader.wrong(f"level.{key}", f'"{plain(word)}" is not known; {hint}')
            return None
    own = sorted({"level", "source"} & raw.keys())
    if rules == "us-82.156" and own:
        reader.wrong(f"level.{own[0]}", f'"{rules}" has its own levels; remove this line or write rules = "custom".')
        return None
    if rules is None or "refrigerant" not in job:
        return None  # noted before
    if rules != "us-82.156":
        missing = [key for key in ("level", "source") if key not in raw]
        for key in missing:
            example = 'level = "50 kPa abs"' if key == "level" else 'source = "who asks for it"'
            reader.wrong(f"level.{key}", f'missing, and "{rules}" brings no levels of its own; add {example}.')
        if missing or "level_pa_abs" not in values:
            return None
    try:
        level = evacuation.required_level(
            catalogue.get(job["refrigerant"]),
            job.get("charge_kg"),
            rules,
            case=case,
            equipment_made=values.get("equipment_made", evacuation.SPLIT_DATE),
            compressor_works=values.get("compressor_works", False),
            custom_level_pa_abs=values.get("level_pa_abs"),
            custom_source=values.get("source", ""),
        )
    except evacuation.EvacuationRuleError as error:
        reader.wrong("level", str(error))
        return None
    return level


def _spares(reader: _Reader) -> list[dict[str, Any]]:
    raw = reader.tables.get("spare_cylinders", [])
    if not isinstance(raw, list) or not all(isinstance(one, dict) for one in raw):
        reader.wrong("spare_cylinders", "begin every spare cylinder with a line [[spare_cylinders]].")
        return []
    return [reader.struct(Cylinder, one, f"spare_cylinders[{number}]") for number, one in enumerate(raw, start=1)]


def _no_cylinder_twice(reader: _Reader, cylinders: Sequence[Mapping[str, Any]]) -> None:
    for serial, times in Counter(one["serial"] for one in cylinders if "serial" in one).items():
        if times > 1:
            reader.wrong(
                "spare_cylinders",
                f'the serial number "{plain(serial)}" stands on {times} cylinders; give each its own.',
            )


def settings_for(rig: RigConfig, job: JobConfig) -> Settings:
    """Join a rig and a job to what a scan is told.

    Raises
    ------
    ConfigError
        With the sentences of `settings.unsafe` when this job may not be run on this rig.
    """
    settings = Settings(
        rig=rig.name,
        units=rig.units,
        scan_period_s=rig.scan_period_s,
        fitted=rig.fitted,
        protection=rig.protection,
        compressor=rig.compressor,
        limits=rig.limits,
        instruments=rig.instruments,
        procedure=rig.procedure,
        job=job.job,
        cylinder=job.cylinder,
        hookup=job.hookup,
        simulated=rig.simulated,
    )
    # Another cylinder of the job may be the unsafe one.
    sentences: dict[str, None] = {}
    for cylinder in (job.cylinder, *job.spare_cylinders):
        sentences |= dict.fromkeys(unsafe(msgspec.structs.replace(settings, cylinder=cylinder)))
    if sentences:
        raise ConfigError([f"{rig.path} with {job.path}: {sentence}" for sentence in sentences])
    return settings


def describe(settings: Settings) -> list[tuple[str, str]]:
    """Every setting as (key, value in the rig's units), in the order of the files; JSON takes it as it is."""
    return list(_lines(settings, "", settings.units.value))


def _lines(struct: msgspec.Struct, where: str, preferred: str) -> Iterable[tuple[str, str]]:
    for field in msgspec.structs.fields(struct):
        value = getattr(struct, field.name)
        key = f"{where}{key_of(type(struct), field.name)}"
        if isinstance(value, msgspec.Struct):
            yield from _lines(value, f"{key}.", preferred)
        elif isinstance(value, bool):
            yield key, "yes" if value else "no"
        elif isinstance(value, float):
            yield key, units.show(value, units.dimension_of(field.name), preferred)
        elif isinstance(value, enum.Enum):
            yield key, str(value.value)
        else:
            yield key, "not known" if value is None else str(value)
