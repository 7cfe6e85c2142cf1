"""Appliance, set-up and scenario files: TOML with units in, parameters of the plant out.

Keys are the names of the plant's parameters without the unit, values are text with a unit of the writer's
choice. An appliance file says what is emptied and in which room; a set-up file says how it is hooked up: hoses,
cores, ways in, coil, ice, aids. What rig and cylinder are like comes from the rig's and the job's own files.
A scenario file names one of each, and what is different from them and goes wrong this time.
"""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, fields, replace
from math import inf
from pathlib import Path
from typing import Any, Final

from hil_sim.plant.model import (
    REFRIGERANTS,
    AmbientParameters,
    ApplianceParameters,
    CylinderParameters,
    LineParameters,
    PlantParameters,
    RigParameters,
)
from rigctl import units

_OWN: Final = {
    "_j_k": units.Dimension("heat capacity", "J/K", '"8 kJ/K"', {"J/K": (1.0, 0.0), "kJ/K": (1e3, 0.0)}),
    "_w_k": units.Dimension("heat conductance", "W/K", '"140 W/K"', {"W/K": (1.0, 0.0), "kW/K": (1e3, 0.0)}),
    "_mol": units.Dimension("amount of gas", "mol", '"0.5 mol"', {"mol": (1.0, 0.0)}),
    "_rpm": units.Dimension("speed", "rpm", '"1500 rpm"', {"rpm": (1.0, 0.0)}),
    "_w_m2_k": units.Dimension("heat transfer coefficient", "W/m2K", '"400 W/m2K"', {"W/m2K": (1.0, 0.0)}),
    "_w_m2": units.Dimension("irradiance", "W/m2", '"800 W/m2"', {"W/m2": (1.0, 0.0), "kW/m2": (1e3, 0.0)}),
    "_m2": units.Dimension("area", "m2", '"20 mm2"', {"m2": (1.0, 0.0), "cm2": (1e-4, 0.0), "mm2": (1e-6, 0.0)}),
}
"""Suffixes of plant parameters that no setting of the rig has."""


ELSEWHERE: Final[dict[str, str]] = {
    "cylinder.volume_m3": "the job's file says it, as water_capacity in its table [cylinder]",
    "cylinder.tare_kg": "the job's file says it, as tare in its table [cylinder]",
    "rig.two_inlets": "the rig's file says it, as xv_101 and xv_102 in its table [fitted]",
    "rig.cv_103_fitted": "the rig's file says it, as cv_103 in its table [fitted]",
    "rig.xv_201_fitted": "the rig's file says it, as cooler_valves in its table [fitted]",
    "rig.xv_202_fitted": "the rig's file says it, as cooler_valves in its table [fitted]",
    "rig.xv_203_fitted": "the rig's file says it, as cooler_valves in its table [fitted]",
    "rig.xv_204_fitted": "the rig's file says it, as cooler_valves in its table [fitted]",
    "rig.push_pull_fitted": "the rig's file says it, as push_pull in its table [fitted]",
    "rig.push_pull_kv_m3_h": "the rig's file says it, as push_pull_kv in its table [compressor]",
    "rig.cv_103_kv_m3_h": "the rig's file says it, as throttle_kv in its table [compressor]",
    "rig.fixed_restriction_kv_m3_h": "the rig's file says it, as throttle_kv in its table [compressor]",
    "rig.swept_volume_m3": "the rig's file says it, as displacement in its table [compressor]",
    "rig.clearance": "the rig's file says it, as clearance in its table [compressor]",
    "rig.leak_factor": "the rig's file says it, as leak_factor in its table [compressor]",
    "rig.motor_rated_w": "the rig's file says it, as displacement in its table [compressor]",
    "rig.coil_fitted": "the set-up's file says it, as coil_in_ice in its table [aids]",
}
"""Parameters that a scenario may not touch, since the controller goes by the same figure -> where they belong."""


class ScenarioError(ValueError):
    """An appliance, set-up or scenario file can't be used; one sentence with file, key and what to write."""


@dataclass(frozen=True, slots=True)
class Appliance:
    """What is emptied, in which room, and what the cylinder is like beyond its label."""

    purpose: str
    refrigerant: str
    appliance: ApplianceParameters
    ambient: AmbientParameters
    cylinder: CylinderParameters


@dataclass(frozen=True, slots=True)
class Setup:
    """How the rig is hooked up, and which aids are used."""

    purpose: str
    lines: LineParameters
    liquid_core_in: bool
    vapor_core_in: bool
    manifold_kv_m3_h: float
    dip_tube: bool
    coil_in_ice: bool
    cylinder_in_ice: bool
    ice_kg: float
    vapor_inlet_with_liquid: bool
    """Both ways in open from the start; otherwise liquid first, vapor after."""
    warming: bool
    """EH-001, the heater on the appliance's crankcase, is plugged in."""
    fan: bool
    """M-001, the appliance's own fan, is wired to the rig. A water pump always is."""


@dataclass(frozen=True, slots=True)
class Scenario:
    """What is put together, what differs from the files named, and what goes wrong."""

    path: Path
    purpose: str
    job: str
    """Name or path, as are `rig`, `setup` and `appliance`."""
    rig: str
    setup: str
    appliance: str | None
    """None: the one that belongs to the job."""
    seed: int
    until_s: float
    faults: tuple[str, ...]
    """As they are written after `hil-sim run --fault`."""
    overrides: Mapping[str, Mapping[str, float | bool]] = field(default_factory=dict)
    """Group of `PlantParameters` -> field -> value in SI."""

    @property
    def name(self) -> str:
        """What it is called: the file's name."""
        return self.path.stem


@dataclass(frozen=True, slots=True)
class Change:
    """One parameter of the plant that differs between two sets."""

    parameter: str
    """`group.field`, with the unit in the field's name."""
    meaning: str
    before: float | bool
    after: float | bool

    @property
    def key(self) -> str:
        """As it is written in a file: `group.key`."""
        group, _, name = self.parameter.partition(".")
        return f"{group}.{_key_and_dimension(name)[0]}"

    def written(self) -> tuple[str, str]:
        """Both values with their units."""
        name = self.parameter.partition(".")[2]
        return written(name, self.before), written(name, self.after)


@dataclass(frozen=True, slots=True)
class _Hookup:
    liquid_core_in: bool
    vapor_core_in: bool
    manifold_kv_m3_h: float
    dip_tube: bool
    vapor_inlet_with_liquid: bool


@dataclass(frozen=True, slots=True)
class _Aids:
    coil_in_ice: bool
    cylinder_in_ice: bool
    ice_kg: float
    warming: bool
    fan: bool


def _key_and_dimension(field_name: str) -> tuple[str, units.Dimension]:
    for suffix, dimension in _OWN.items():
        if field_name.endswith(suffix):
            return field_name.removesuffix(suffix), dimension
    return units.plain_name(field_name), units.dimension_of(field_name)


def _load(path: Path, tables: set[str]) -> dict[str, Any]:
    try:
        raw = tomllib.loads(path.read_bytes().decode("utf-8"))
    except FileNotFoundError:
        raise ScenarioError(f"{path}: there is no such file; check the name.") from None
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise ScenarioError(f"{path}: the file can't be read as TOML ({error}); mend it.") from None
    for key in raw:
        if key not in tables:
            near = difflib.get_close_matches(key, tables, n=1)
            hint = f'did you mean "{near[0]}"?' if near else f"known here: {', '.join(sorted(tables))}."
            raise ScenarioError(f"{path}: {key}: unknown key; {hint}")
    return raw


def _text(path: Path, raw: Mapping[str, Any], key: str) -> str:
    value = raw.get(key)
    if not isinstance(value, str) or not value.strip():
        raise ScenarioError(f'{path}: {key}: missing; write {key} = "..." at the top of the file.')
    return value


def _values(path: Path, raw: Mapping[str, Any], table: str, group: type[Any], needed: bool) -> dict[str, Any]:
    """The fields of a group out of one table, in SI."""
    given = raw.get(table, {})
    if not isinstance(given, dict):
        raise ScenarioError(f"{path}: {table}: this must be a table; begin it with a line [{table}].")
    known = {_key_and_dimension(item.name)[0]: item for item in fields(group)}
    for key in given:
        if key not in known:
            near = difflib.get_close_matches(key, known, n=1)
            hint = f'did you mean "{near[0]}"?' if near else f"known here: {', '.join(known)}."
            raise ScenarioError(f"{path}: {table}.{key}: unknown key; {hint}")
    values: dict[str, Any] = {}
    for key, item in known.items():
        if key not in given:
            if needed:
                raise ScenarioError(f"{path}: {table}.{key}: missing; every set-up says it.")
            continue
        value = given[key]
        if item.type in ("bool", bool):
            if not isinstance(value, bool):
                raise ScenarioError(f"{path}: {table}.{key}: {value!r} must be true or false without quotes.")
            values[item.name] = value
            continue
        try:
            number = units.parse(value, _key_and_dimension(item.name)[1])
        except units.UnitError as error:
            raise ScenarioError(f"{path}: {table}.{key}: {error}") from None
        low, high = item.metadata.get("low", -inf), item.metadata.get("high", inf)
        if not low <= number <= high:
            raise ScenarioError(
                f'{path}: {table}.{key}: "{value}" is more or less than the plant takes; write a value from '
                f"{written(item.name, low)} to {written(item.name, high)}."
            )
        values[item.name] = number
    return values


def _unit(value: float, dimension: units.Dimension) -> str:
    """The unit in which a value of this size is read best."""
    small = abs(value)
    if dimension is units.LENGTH:
        return "mm" if small < 0.1 else "m"
    if dimension is units.VOLUME:
        return "cm3" if small < 1e-3 else "L"
    if dimension is units.MASS:
        return "g" if small < 0.1 else "kg"
    if dimension is _OWN["_m2"]:
        return "mm2"
    if dimension in (_OWN["_j_k"], _OWN["_w_k"], _OWN["_w_m2"]):
        return dimension.si if small < 1e4 else f"k{dimension.si}"
    return dimension.si if dimension in _OWN.values() else units.preferred_unit(value, dimension, "metric")


def written(field_name: str, value: float | bool) -> str:
    """A parameter's value as it can be written in a file: with its unit, or true or false."""
    if isinstance(value, bool):
        return str(value).lower()
    dimension = _key_and_dimension(field_name)[1]
    unit = _unit(value, dimension)
    return f"{units.in_unit(value, unit, dimension) if unit else value:.6g} {unit}".rstrip()


def parameter_groups() -> dict[str, type[Any]]:
    """The groups of the plant's parameters: name -> dataclass."""
    defaults = PlantParameters()
    return {group.name: type(getattr(defaults, group.name)) for group in fields(PlantParameters)}


def load_appliance(path: str | Path) -> Appliance:
    """Read an appliance file.

    Raises
    ------
    ScenarioError
        With one sentence for the first thing that is wrong.
    """
    path = Path(path)
    raw = _load(path, {"purpose", "refrigerant", "appliance", "ambient", "cylinder"})
    refrigerant = _text(path, raw, "refrigerant")
    if refrigerant not in REFRIGERANTS:
        raise ScenarioError(
            f'{path}: refrigerant: there is no plant for "{refrigerant}"; known: {", ".join(sorted(REFRIGERANTS))}.'
        )
    return Appliance(
        _text(path, raw, "purpose"),
        refrigerant,
        ApplianceParameters(**_values(path, raw, "appliance", ApplianceParameters, needed=False)),
        AmbientParameters(**_values(path, raw, "ambient", AmbientParameters, needed=False)),
        CylinderParameters(**_values(path, raw, "cylinder", CylinderParameters, needed=False)),
    )


def load_setup(path: str | Path) -> Setup:
    """Read a set-up file. A set-up leaves nothing to defaults, so that two of them differ in what they say.

    Raises
    ------
    ScenarioError
        With one sentence for the first thing that is wrong.
    """
    path = Path(path)
    raw = _load(path, {"purpose", "lines", "hookup", "aids"})
    hookup = _Hookup(**_values(path, raw, "hookup", _Hookup, needed=True))
    aids = _Aids(**_values(path, raw, "aids", _Aids, needed=True))
    return Setup(
        _text(path, raw, "purpose"),
        LineParameters(**_values(path, raw, "lines", LineParameters, needed=False)),
        hookup.liquid_core_in,
        hookup.vapor_core_in,
        hookup.manifold_kv_m3_h,
        hookup.dip_tube,
        aids.coil_in_ice,
        aids.cylinder_in_ice,
        aids.ice_kg,
        hookup.vapor_inlet_with_liquid,
        aids.warming,
        aids.fan,
    )


def plant_parameters(appliance: Appliance, setup: Setup, rig: RigParameters | None = None) -> PlantParameters:
    """Parameters of the plant for this appliance, hooked up like this to this rig.

    Raises
    ------
    ScenarioError
        If a value is outside what the plant takes.
    """
    parameters = PlantParameters(
        appliance=replace(
            appliance.appliance,
            liquid_core_fitted=setup.liquid_core_in,
            vapor_core_fitted=setup.vapor_core_in,
        ),
        lines=setup.lines,
        rig=replace(
            rig or RigParameters(),
            manifold_kv_m3_h=setup.manifold_kv_m3_h,
            coil_fitted=setup.coil_in_ice,
            bath_ice_kg=setup.ice_kg if setup.coil_in_ice else 0.0,
        ),
        cylinder=replace(
            appliance.cylinder,
            dip_tube=setup.dip_tube,
            in_bath=setup.cylinder_in_ice,
            bath_ice_kg=setup.ice_kg if setup.cylinder_in_ice else 0.0,
        ),
        ambient=appliance.ambient,
    )
    try:
        parameters.validate()
    except ValueError as error:
        raise ScenarioError(f"{appliance.purpose} with {setup.purpose}: {error}.") from None
    return parameters


# ---- scenarios -------------------------------------------------------------------------------------------

_RUN_KEYS: Final = ("job", "rig", "setup", "appliance", "seed", "until", "faults")
_LONGEST_S: Final = 86_400.0


def load_scenario(path: str | Path) -> Scenario:
    """Read a scenario file: `purpose`, a table [run], and tables with parameters of the plant.

    [run] has what `hil-sim run` takes as options: job, rig, setup, and where wanted appliance, seed, until and
    faults. A path in it counts from the file's own folder. The other tables are the groups of `PlantParameters`.

    Raises
    ------
    ScenarioError
        With one sentence for the first thing that is wrong.
    """
    path = Path(path)
    groups = parameter_groups()
    raw = _load(path, {"purpose", "run", *groups})
    for key in ("rig", "appliance"):
        if isinstance(raw.get(key), str):
            raise ScenarioError(f'{path}: {key}: [{key}] is a table of parameters; write {key} = "..." under [run].')
    purpose = _text(path, raw, "purpose")
    run = raw.get("run")
    if not isinstance(run, dict):
        raise ScenarioError(f"{path}: run: missing; begin a table [run] and name job, rig and setup in it.")
    for key in run:
        if key not in _RUN_KEYS:
            near = difflib.get_close_matches(key, _RUN_KEYS, n=1)
            hint = f'did you mean "{near[0]}"?' if near else f"known here: {', '.join(_RUN_KEYS)}."
            raise ScenarioError(f"{path}: run.{key}: unknown key; {hint}")
    named = {key: _file_named(path, run, key) for key in ("job", "rig", "setup", "appliance")}
    for key, value in named.items():
        if value is None and key != "appliance":
            raise ScenarioError(f'{path}: run.{key}: missing; write {key} = "..." with a name or a path.')
    overrides = {}
    for group, kind in groups.items():
        values = _values(path, raw, group, kind, needed=False)
        for name in values:
            if where := ELSEWHERE.get(f"{group}.{name}"):
                key = _key_and_dimension(name)[0]
                raise ScenarioError(f"{path}: {group}.{key}: {where}; change it there and name that file under [run].")
        if values:
            overrides[group] = values
    return Scenario(
        path,
        purpose,
        str(named["job"]),
        str(named["rig"]),
        str(named["setup"]),
        named["appliance"],
        _seed(path, run),
        _until_s(path, run),
        _faults(path, run),
        overrides,
    )


def _file_named(path: Path, run: Mapping[str, Any], key: str) -> str | None:
    if key not in run:
        return None
    value = run[key]
    if not isinstance(value, str) or not value.strip():
        raise ScenarioError(f'{path}: run.{key}: {value!r} is no name; write {key} = "..." with a name or a path.')
    beside = path.parent / value
    looks_like_a_path = bool(Path(value).suffix) or len(Path(value).parts) > 1
    return str(beside) if looks_like_a_path and beside.is_file() else value


def _seed(path: Path, run: Mapping[str, Any]) -> int:
    value = run.get("seed", 1)
    if isinstance(value, bool) or not isinstance(value, int) or value < 0:
        raise ScenarioError(f"{path}: run.seed: {value!r} is no seed; write a whole number from 0, for example 1.")
    return value


def _until_s(path: Path, run: Mapping[str, Any]) -> float:
    try:
        until_s = units.parse(run.get("until", f"{_LONGEST_S} s"), units.TIME)
    except units.UnitError as error:
        raise ScenarioError(f"{path}: run.until: {error}") from None
    if not 0.0 < until_s <= _LONGEST_S:
        raise ScenarioError(f'{path}: run.until: "{run["until"]}" is too short or too long; write a time up to "24 h".')
    return until_s


def _faults(path: Path, run: Mapping[str, Any]) -> tuple[str, ...]:
    value = run.get("faults", [])
    if not isinstance(value, list) or not all(isinstance(one, str) for one in value):
        raise ScenarioError(
            f'{path}: run.faults: this must be a list of texts; write for example faults = ["knocked-scale@120"].'
        )
    return tuple(value)


def appliance_with(appliance: Appliance, overrides: Mapping[str, Mapping[str, float | bool]]) -> Appliance:
    """The appliance, its room and its cylinder as a scenario has them."""
    return replace(
        appliance,
        appliance=replace(appliance.appliance, **overrides.get("appliance", {})),  # type: ignore[arg-type]
        ambient=replace(appliance.ambient, **overrides.get("ambient", {})),
        cylinder=replace(appliance.cylinder, **overrides.get("cylinder", {})),  # type: ignore[arg-type]
    )


def parameters_with(
    parameters: PlantParameters, overrides: Mapping[str, Mapping[str, float | bool]]
) -> PlantParameters:
    """The plant's parameters as a scenario has them; what it does not name stays."""
    changed: dict[str, Any] = {
        group: replace(getattr(parameters, group), **values) for group, values in overrides.items()
    }
    return replace(parameters, **changed)


def changes(before: PlantParameters, after: PlantParameters) -> Iterator[Change]:
    """Every parameter in which two plants differ, in the order of the groups."""
    for group in fields(PlantParameters):
        old, new = getattr(before, group.name), getattr(after, group.name)
        for item in fields(old):
            was, is_now = getattr(old, item.name), getattr(new, item.name)
            if was != is_now:
                yield Change(f"{group.name}.{item.name}", item.metadata.get("meaning", ""), was, is_now)
