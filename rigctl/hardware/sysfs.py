"""Small text files of the kernel (sysfs): read without waiting for a pipe, and numbers that are whole or refused."""

from __future__ import annotations

import os
import re
from math import isfinite
from pathlib import Path
from typing import Final

_MOST_BYTES: Final = 4096
"""One page: no sysfs attribute is longer."""
_NUMBER: Final = re.compile(r"[+-]?\d{1,30}(?:\.\d{1,30})?(?:[eE][+-]?\d{1,3})?", re.ASCII)


def read(path: Path) -> str:
    """Return the text of a file, bytes beyond ASCII replaced.

    A pipe that nobody fills is empty or an OSError, never a wait; a real attribute takes what its device takes.

    Raises
    ------
    OSError
        If it is not there or its device does not answer.
    """
    file = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    try:
        return os.read(file, _MOST_BYTES).decode("ascii", "replace")
    finally:
        os.close(file)


def write(path: Path, text: str) -> None:
    """Write a file that is there already.

    Raises
    ------
    OSError
        If it is not there or its device refuses.
    """
    file = os.open(path, os.O_WRONLY | os.O_TRUNC | os.O_NONBLOCK | os.O_CLOEXEC)
    try:
        os.write(file, text.encode("ascii"))
    finally:
        os.close(file)


def number(text: str) -> float:
    """Return the one number that a file holds.

    The kernel ends every attribute with a line feed; without it the text is torn, and 23 may have been 23125.

    Raises
    ------
    ValueError
        If the text is anything else than one whole finite number in a line.
    """
    if not text.endswith("\n") or _NUMBER.fullmatch(line := text[:-1].strip(" ")) is None:
        raise ValueError(f"{text[:40]!r} is no number in a line")
    value = float(line)
    if not isfinite(value):
        raise ValueError(f"{line} is beyond all numbers")
    return value
