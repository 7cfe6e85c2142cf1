"""The I/O module's contacts and coils as the lines of a GPIO chip, for the stand-in of the library in `gpio_stand_in`.

A line of JSON in, one out: {"lines": {number: is it an output}}, {"get": [numbers]} or {"set": {number: level}}.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

from hil_sim.wire.io_module import COILS, CONTACTS, IoModule
from hil_sim.wire.unix_socket import UnixSocket

STAND_IN: Final = Path(__file__).with_name("gpio_stand_in")
"""Goes on PYTHONPATH of the controller."""
FIRST_OUTPUT: Final = 16
"""Lines 0 and on are the contacts, 16 and on the coils, both in the I/O module's order."""


def line_of(tag: str) -> int:
    """The line of a contact or a coil."""
    return CONTACTS.index(tag) if tag in CONTACTS else FIRST_OUTPUT + COILS.index(tag)


class GpioFace:
    """One chip, as a Unix-domain socket.

    Parameters
    ----------
    module
        What is behind the lines.
    path
        Of the socket; one that nobody listens at any more is replaced.

    Raises
    ------
    SocketError
        If no socket can be made there.
    """

    def __init__(self, module: IoModule, path: Path) -> None:
        self._module = module
        self._socket = UnixSocket(path, "GPIO chip", self._talk)
        self.path, self.close = self._socket.path, self._socket.close

    def _talk(self, stream: Any) -> None:
        outputs: dict[int, bool] = {}
        while line := stream.readline():
            try:
                answer = self._answer(json.loads(line), outputs)
            except (ValueError, TypeError, AttributeError, KeyError) as error:
                answer = {"error": str(error) or type(error).__name__}
            stream.write(json.dumps(answer).encode() + b"\n")
            stream.flush()

    def _answer(self, request: Mapping[str, Any], outputs: dict[int, bool]) -> dict[str, Any]:
        if "lines" in request:
            outputs.clear()
            for text, is_output in request["lines"].items():
                number = int(text)
                there = FIRST_OUTPUT <= number < FIRST_OUTPUT + len(COILS) if is_output else 0 <= number < len(CONTACTS)
                if not there:
                    raise ValueError(f"line {number} is no {'output' if is_output else 'input'} of this chip")
                outputs[number] = bool(is_output)
            return {}
        if "get" in request:
            contacts, coils = self._module.contacts(), self._module.coils()
            levels = [
                bool(coils >> number - FIRST_OUTPUT & 1) if outputs[number] else bool(contacts >> number & 1)
                for number in map(int, request["get"])
            ]
            return {"high": levels}
        for text, level in request["set"].items():
            if not outputs[int(text)]:
                raise ValueError(f"line {text} is an input")
            self._module.write_coils(int(text) - FIRST_OUTPUT, [bool(level)])
        return {}
