"""Stands in for the library gpiod (libgpiod 2, its Python binding) before a simulated GPIO chip.

A chip here is a Unix-domain socket of `hil-sim serve --gpio`; the kernel has none without a module of its own. Here is
only what a controller calls: `LineSettings`, `request_lines`, and of a request `get_values`, `set_values`, `release`.
"""

from __future__ import annotations

import json
import socket
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from . import line
from .line import Bias, Direction, Value

__all__ = ["LineRequest", "LineSettings", "line", "request_lines"]

_WAITS_S = 0.5


@dataclass
class LineSettings:
    """How one line is used."""

    direction: Direction = Direction.AS_IS
    bias: Bias = Bias.AS_IS
    active_low: bool = False
    output_value: Value = Value.INACTIVE


class LineRequest:
    """Lines that are held; raises OSError when the chip has gone."""

    def __init__(self, path: str, config: Mapping[int, LineSettings]) -> None:
        self._config = dict(config)
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self._socket.settimeout(_WAITS_S)
        try:
            self._socket.connect(path)
            self._stream = self._socket.makefile("rwb")
            self._ask({"lines": {number: one.direction is Direction.OUTPUT for number, one in self._config.items()}})
            first = {n: one.output_value for n, one in self._config.items() if one.direction is Direction.OUTPUT}
            if first:
                self.set_values(first)
        except OSError:
            self._socket.close()
            raise

    def get_values(self, lines: Sequence[int] | None = None) -> list[Value]:
        """Values in the order of `lines`."""
        wanted = list(self._config) if lines is None else list(lines)
        high = self._ask({"get": wanted})["high"]
        return [
            Value.ACTIVE if level is not self._config[number].active_low else Value.INACTIVE
            for number, level in zip(wanted, high, strict=True)
        ]

    def set_values(self, values: Mapping[int, Value]) -> None:
        """Set lines together."""
        self._ask(
            {
                "set": {
                    number: (value is Value.ACTIVE) is not self._config[number].active_low
                    for number, value in values.items()
                }
            }
        )

    def release(self) -> None:
        """Let the lines go."""
        self._stream.close()
        self._socket.close()

    def _ask(self, request: Mapping[str, Any]) -> Any:
        self._stream.write(json.dumps(request).encode() + b"\n")
        self._stream.flush()
        answer = json.loads(self._stream.readline() or b'{"error": "the chip has gone"}')
        if "error" in answer:
            raise OSError(5, answer["error"])
        return answer


def request_lines(path: str, config: Mapping[int, LineSettings], consumer: str = "") -> LineRequest:
    """Hold lines of a chip; raises OSError if there is no such chip or line, or somebody holds it."""
    return LineRequest(path, config)
