"""A calibration written into the text of a rig's file, comments and all else left as they are."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Final

_ANY_TABLE: Final = re.compile(r"\s*\[")


class RigTextError(ValueError):
    """The text cannot be changed safely; the message says what to write by hand."""


def write_calibration(path: Path, tag: str, gain: float, zero: float) -> None:
    """Set `gain` and `zero` of a point; the file is written as a whole or not at all.

    Raises
    ------
    RigTextError
        If the point has no table of its own in the text.
    OSError
        If the file cannot be written.
    """
    text = path.read_text(encoding="utf-8")
    changed = with_calibration(text, tag, gain, zero)
    before, after = tomllib.loads(text), tomllib.loads(changed) if changed is not None else {}
    before["hardware"]["points"][tag] |= {"gain": gain, "zero": zero}
    if before != after:
        raise RigTextError(
            f'{path}: no table [hardware.points."{tag}"] was found that could be changed safely; write into it by hand:'
            f" gain = {gain!r} and zero = {zero!r}."
        )
    beside = path.with_name(f".{path.name}.new")
    beside.write_text(str(changed), encoding="utf-8")
    beside.replace(path)


def with_calibration(text: str, tag: str, gain: float, zero: float) -> str | None:
    """The text with the two lines in the point's table; None if that table is not written out as one."""
    header = re.compile(rf"\s*\[\s*hardware\s*\.\s*points\s*\.\s*[\"']?{re.escape(tag)}[\"']?\s*\]")
    lines = text.splitlines()
    begin = next((number for number, line in enumerate(lines) if header.match(line)), None)
    if begin is None:
        return None
    end = next((n for n in range(begin + 1, len(lines)) if _ANY_TABLE.match(lines[n])), len(lines))
    table = [line for line in lines[begin + 1 : end] if not re.match(r"\s*(gain|zero)\s*=", line)]
    last = next((n for n in reversed(range(len(table))) if table[n].strip() and not table[n].startswith("#")), -1) + 1
    table[last:last] = [f"gain = {gain!r}", f"zero = {zero!r}   # SI; by calibration"]
    return "\n".join([*lines[: begin + 1], *table, *lines[end:]]) + "\n"
