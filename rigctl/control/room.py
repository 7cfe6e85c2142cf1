"""What every memory of a room has in common."""

from __future__ import annotations

from typing import TYPE_CHECKING

import msgspec

if TYPE_CHECKING:
    from typing import Self


class Room(msgspec.Struct, gc=False):
    """The memory of a room: a scan copies it and changes the copy in place.

    Nothing in it refers back to it, so Python's search for cycles leaves it out.
    """

    if TYPE_CHECKING:

        def __copy__(self) -> Self:
            """Return a copy; what it holds is not copied."""
