"""Options of drivers and addresses of points out of the configuration's tables, with one clear sentence when wrong."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, TypeVar

import msgspec

from rigctl import units
from rigctl.hardware.driver import WiringError

_S = TypeVar("_S", bound=msgspec.Struct)


def read(table: Mapping[str, object], kind: type[_S], where: str = "") -> _S:
    """Make `kind` of a table; texts become seconds in fields that end in `_s`, under the field's plain name.

    Raises
    ------
    WiringError
        If a key is missing, unknown, or of the wrong type.
    """
    place = f"{where}: " if where else ""
    fields = {units.plain_name(field.name): field for field in msgspec.structs.fields(kind)}
    values: dict[str, Any] = {}
    for key, value in table.items():
        if key not in fields:
            raise WiringError(f"{place}{key}: unknown key; known here: {', '.join(fields)}.")
        name = fields[key].name
        if name.endswith("_s"):
            try:
                value = units.parse(value, units.dimension_of(name))
            except units.UnitError as error:
                raise WiringError(f"{place}{key}: {error}") from None
        values[name] = value
    for key, field in fields.items():
        if field.required and field.name not in values:
            raise WiringError(f"{place}{key}: missing; add it.")
    try:
        return msgspec.convert(values, kind, strict=True)
    except msgspec.ValidationError as error:
        said = str(error)
        raise WiringError(f"{place}{said[:1].lower()}{said[1:]}; correct it.") from None
