"""Appliance and set-up files: TOML with units in, parameters of the plant out.

Keys are the names of the plant's parameters without the unit, values are text with a unit of the writer's
choice. An appliance file says what is emptied and in which room; a set-up file says how it is hooked up: hoses,
cores, ways in, coil, ice, aids. What rig and cylinder are like comes from the rig's and the job's own files.
"""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
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
}
"""Suffixes of plant parameters that no setting of the rig has."""


class ScenarioError(ValueError):
    """An appliance or set-up file can't be used; one sentence with file, key and what to write."""


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
            values[item.name] = units.parse(value, _key_and_dimension(item.name)[1])
        except units.UnitError as error:
            raise ScenarioError(f"{path}: {table}.{key}: {error}") from None
    return values


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
