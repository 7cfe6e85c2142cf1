"""Which core this is: a digest over the source of what decides.

Two programs of one digest decide alike, so a job that one has begun the other may go on with. The version number can't
say that: it stays the same from release to release of the source.

What is digested is the source of `rigctl.control`, of `rigctl.refrigerant` with its tables, and `rigctl.scan`, by name
in order, line ends as on Linux. Byte code, caches and other files beside the source count for nothing, so an installed
package and a checkout have one digest, on every version of Python. A change of a comment changes it too: telling
comments from code would hang on the version of Python. Advice is left out, for it moves no output. The libraries that
the core imports are left out as well: they are no part of the source.
"""

from __future__ import annotations

import functools
import hashlib
import importlib.resources
from collections.abc import Iterator
from importlib.resources.abc import Traversable
from typing import Final

ROOMS: Final = ("control", "refrigerant")
"""Packages in `rigctl` that decide, with all that is in them."""
MODULES: Final = ("scan.py",)
SHOWN: Final = 8
"""Digits of a digest that a sentence shows; enough to tell the cores apart that ever wrote a journal."""


@functools.cache
def core_digest() -> str:
    """Return the digest of the core that runs here, worked out once: SHA-256 in 64 hexadecimal digits."""
    return digest_of(importlib.resources.files("rigctl"))


def digest_of(package: Traversable) -> str:
    """Return the digest of the core in a folder like `rigctl`."""
    found = hashlib.sha256()
    sources = [*_sources(package, ""), *((name, package / name) for name in MODULES)]
    for name, file in sorted(sources, key=lambda source: source[0]):
        text = file.read_bytes().replace(b"\r\n", b"\n")
        # The length keeps the end of one file from passing for the beginning of the next.
        found.update(f"{name} {len(text)}\n".encode())
        found.update(text)
    return found.hexdigest()


def _sources(folder: Traversable, within: str) -> Iterator[tuple[str, Traversable]]:
    for entry in folder.iterdir():
        name = within + entry.name
        if name.endswith(".py") and within:
            yield name, entry
        elif (within or name in ROOMS) and "." not in name and entry.is_dir():
            yield from _sources(entry, f"{name}/")
