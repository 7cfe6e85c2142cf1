"""What somebody else wrote, as a sentence may quote it: in one line, printable, and no longer than a glance."""

from __future__ import annotations

import unicodedata
from typing import Final

LONGEST: Final = 60
"""Characters of a quotation."""


def plain(text: str, longest: int = LONGEST) -> str:
    """Text with all that no screen shows written as an escape, and cut after so many characters."""
    cut = text[: longest + 1]
    shown = "".join(sign if sign.isprintable() else _escaped(sign) for sign in cut)
    return shown if len(shown) <= longest and len(text) <= longest else f"{shown[:longest]}..."


def quoted(said: object, longest: int = LONGEST) -> str:
    """A value as `repr` writes it, made `plain`."""
    # Cut before and not only after: the repr of a long text would be built whole.
    return plain(repr(said[: longest + 1] if isinstance(said, str) else said), longest)


def _escaped(sign: str) -> str:
    return " " if unicodedata.category(sign) == "Zs" else ascii(sign)[1:-1]
