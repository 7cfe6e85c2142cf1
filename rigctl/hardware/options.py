"""The options of a driver and the address of a point against what the driver knows, trouble told in one sentence."""

from __future__ import annotations

import re
from collections.abc import Mapping
from types import MappingProxyType
from typing import Any, Final, TypeVar

import msgspec

from rigctl import units
from rigctl.hardware.driver import WiringError

_S = TypeVar("_S", bound=msgspec.Struct)
_NO_EXAMPLES: Final[Mapping[str, str]] = MappingProxyType({})


def read(
    table: Mapping[str, object], wanted: type[_S], where: str = "", examples: Mapping[str, str] = _NO_EXAMPLES
) -> _S:
    """Return `table` as a `wanted`; no key is ignored, and nothing is converted but durations.

    Parameters
    ----------
    wanted
        Its fields are the keys; one that ends in `_s` is written without that and with its unit ("200 ms").
    where
        Begins the sentence, like 'points."PT-101"'; "" for the driver's own options.
    examples
        What to write, by key.

    Raises
    ------
    WiringError
        What key, what is wrong with it, what to write.
    """
    at = f"{where}." if where else ""
    fields = {units.plain_name(field.name): field for field in msgspec.structs.fields(wanted)}
    values: dict[str, Any] = {}
    for key, value in table.items():
        if key not in fields:
            raise WiringError(f"{at}{key}: unknown key; known here: {', '.join(fields)}.")
        name = fields[key].name
        if name != key:
            try:
                value = units.parse(value, units.dimension_of(name))
            except units.UnitError as error:
                raise WiringError(f"{at}{key}: {error}") from None
        values[name] = value
    for key, field in fields.items():
        if field.required and field.name not in values:
            raise WiringError(f"{at}{key}: missing; {_write(examples.get(key), 'add it')}.")
    try:
        return msgspec.convert(values, wanted, strict=True)
    except msgspec.ValidationError as error:
        problem, _, path = str(error).partition(" - at `$.")
        key = units.plain_name(re.split(r"[\[.`]", path)[0])
        problem = "no usable name" if "matching regex" in problem else problem.replace("`", "")
        said = f"{problem[:1].lower()}{problem[1:]}"
        raise WiringError(f"{at}{key}: {said}; {_write(examples.get(key), 'correct it')}.") from None


def _write(example: str | None, otherwise: str) -> str:
    return f"write {example}" if example else otherwise
