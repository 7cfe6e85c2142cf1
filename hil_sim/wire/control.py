"""The control socket of a simulated plant: one line of JSON in, one line of JSON out.

What must not happen between two steps of the plant waits in a queue; the loop that runs the plant takes it out.
"""

from __future__ import annotations

import json
import queue
import socket
import threading
from collections.abc import Callable, Mapping
from math import isfinite
from pathlib import Path
from typing import Any, Final

from hil_sim.wire.unix_socket import SocketError, UnixSocket

MOST_BYTES: Final = 65_536
"""Of a line."""
_ANSWER_S: Final = 5.0
_EXAMPLE: Final = '{"do": "truth"}'


class ControlError(SocketError):
    """What was asked for cannot be done; the message is one sentence."""


Answer = dict[str, Any]


class _Asked:
    """A request that waits for the loop."""

    def __init__(self, request: Mapping[str, Any]) -> None:
        self.request = request
        self.answer: Answer = {}
        self.done = threading.Event()


class Control:
    """Listens at a Unix-domain socket; only the user it runs for may connect.

    Parameters
    ----------
    path
        Of the socket; one that nobody listens at any more is replaced.
    do
        Carries a request out and returns what is added to the answer; called in `work` alone. May raise `ValueError`
        with a sentence.

    Raises
    ------
    SocketError
        If somebody listens there, the path is no socket, or none can be made there.
    """

    def __init__(self, path: Path, do: Callable[[Mapping[str, Any]], Answer]) -> None:
        self._do = do
        self._asked: queue.Queue[_Asked] = queue.Queue()
        self._socket = UnixSocket(path, "control socket", self._talk)
        self.path, self.close = path, self._socket.close

    def work(self, wait_s: float) -> None:
        """Carry out the next request; wait for one so long at most."""
        try:
            asked = self._asked.get(timeout=wait_s) if wait_s > 0.0 else self._asked.get_nowait()
        except queue.Empty:
            return
        try:
            asked.answer = {"ok": True, **self._do(asked.request)}
        except ValueError as error:
            asked.answer = {"ok": False, "error": str(error)}
        except Exception as error:  # a mistake in one request must not end the plant
            asked.answer = {"ok": False, "error": f"{type(error).__name__}: {error}"}
        asked.done.set()

    def _talk(self, stream: Any) -> None:
        while line := stream.readline(MOST_BYTES):
            stream.write(json.dumps(_plain(self._answer(line)), allow_nan=False).encode() + b"\n")
            stream.flush()
            if not line.endswith(b"\n"):
                return

    def _answer(self, line: bytes) -> Answer:
        try:
            request = request_of(line)
        except ControlError as error:
            return {"ok": False, "error": str(error)}
        asked = _Asked(request)
        self._asked.put(asked)
        if not asked.done.wait(_ANSWER_S):
            return {"ok": False, "error": f"The plant did not answer within {_ANSWER_S:g} s; is it still running?"}
        return asked.answer


def request_of(line: bytes) -> Mapping[str, Any]:
    """Read one line.

    Raises
    ------
    ControlError
        If it is no JSON object that says what to do.
    """
    try:
        request = json.loads(line)
    except (ValueError, RecursionError):
        shown = line.decode("utf-8", "replace").strip()
        shown = shown if len(shown) <= 60 else f"{shown[:57]}..."
        raise ControlError(f"'{shown}' is no JSON; write one object in one line, like {_EXAMPLE}.") from None
    if not isinstance(request, dict) or not isinstance(request.get("do"), str):
        raise ControlError(f'The line does not say what to do; write an object with "do", like {_EXAMPLE}.')
    return request


def tell(path: Path, line: str) -> Answer:
    """Send one line to a control socket and return the answer.

    Raises
    ------
    OSError
        If nobody listens there.
    ControlError
        If nothing usable comes back.
    """
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as connection:
        connection.settimeout(_ANSWER_S + 1.0)
        connection.connect(str(path))
        connection.sendall(" ".join(line.splitlines()).encode() + b"\n")
        with connection.makefile("rb") as stream:
            answer = stream.readline()
    try:
        decoded = json.loads(answer)
    except ValueError:
        decoded = None
    if not isinstance(decoded, dict):
        raise ControlError(f"{path}: the answer is none of a simulated plant; is this its control socket?")
    return decoded


def _plain(value: Any) -> Any:
    """NaN and infinity as null, which JSON has not."""
    if isinstance(value, float):
        return value if isfinite(value) else None
    if isinstance(value, dict):
        return {key: _plain(one) for key, one in value.items()}
    return [_plain(one) for one in value] if isinstance(value, list | tuple) else value
