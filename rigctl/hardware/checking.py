"""Tables of a driver, read strictly: an unknown, missing or wrong key becomes one sentence that says what to write."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Final, TypeVar

import msgspec

from rigctl import units
from rigctl.hardware.driver import WiringError
from rigctl.quoting import plain, quoted

_Table = TypeVar("_Table", bound=msgspec.Struct)
_KEY: Final = re.compile(r"(.*?)(?: - at `\$\.?([^`\[.]*).*`)?", re.DOTALL)
_TIMEOUT_S: Final = (0.02, 10.0)


def checked(kind: type[_Table], table: Mapping[str, object], write: Mapping[str, str], where: str = "") -> _Table:
    """Read a table as a struct.

    Parameters
    ----------
    kind
        Its fields are the keys of the table; a field without default must be there.
    table
        As the file has it.
    write
        Key -> how to write it, for messages.
    where
        Put before the key in messages.

    Raises
    ------
    WiringError
        With one sentence about the first key that is wrong.
    """
    fields = msgspec.structs.fields(kind)
    names = [field.name for field in fields]
    for key in table:
        if key not in names:
            known = f"known here: {', '.join(names)}" if names else "none is needed here, remove it"
            raise WiringError(f"{where}{plain(key)}: unknown key; {known}.")
    for field in fields:
        if field.required and field.name not in table:
            raise WiringError(f"{where}{field.name}: missing; write {write[field.name]}.")
    try:
        return msgspec.convert(dict(table), kind, strict=True)
    except msgspec.ValidationError as error:
        matched = _KEY.fullmatch(str(error))
        why, key = (matched[1], matched[2] or "") if matched else (str(error), "")
        why = "no usable name" if "matching regex" in why else why.replace("`", "")
        said = f"{quoted(table.get(key))} will not do ({why[:1].lower()}{why[1:]})"
        raise WiringError(f"{where}{key}: {said}; write {write[key]}.") from None


def timeout_s(text: str, least_s: float = _TIMEOUT_S[0]) -> float:
    """A time limit as a person wrote it, s; raises `WiringError` outside `least_s` to 10 s."""
    try:
        value = units.parse(text, units.dimension_of("x_s"))
    except units.UnitError as error:
        raise WiringError(f"timeout: {error}") from None
    if not least_s <= value <= _TIMEOUT_S[1]:
        raise WiringError(f"timeout: {plain(text)} is outside {least_s * 1000.0:.0f} ms to 10 s; write one between.")
    return value
