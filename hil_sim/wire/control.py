"""The control socket of a simulated plant: one line of JSON in, one line of JSON out.

What must not happen between two steps of the plant waits in a queue; the loop that runs the plant takes it out.
"""

from __future__ import annotations

import contextlib
import json
import queue
import socket
import threading
from collections.abc import Callable, Mapping
from math import isfinite
from pathlib import Path
from typing import Any, Final

MOST_BYTES: Final = 65_536
"""Of a line."""
_ANSWER_S: Final = 5.0
_EXAMPLE: Final = '{"do": "truth"}'


class ControlError(ValueError):
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
    ControlError
        If somebody listens there, or the path is no socket.
    OSError
        If it cannot be made there.
    """

    def __init__(self, path: Path, do: Callable[[Mapping[str, Any]], Answer]) -> None:
        self.path = path
        self._do = do
        self._asked: queue.Queue[_Asked] = queue.Queue()
        make_room(path)
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            self._socket.bind(str(path))
            path.chmod(0o600)
            self._socket.listen()
        except OSError as error:
            self._socket.close()
            raise ControlError(f"{path}: no control socket can be made there ({error}); name another path.") from error
        threading.Thread(target=self._accept, name="control", daemon=True).start()

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

    def close(self) -> None:
        """Answer nobody any more."""
        # shutdown wakes the thread that waits for somebody; close alone would not.
        with contextlib.suppress(OSError):
            self._socket.shutdown(socket.SHUT_RDWR)
        self._socket.close()
        self.path.unlink(missing_ok=True)

    def _accept(self) -> None:
        while True:
            try:
                connection, _ = self._socket.accept()
            except OSError:
                return
            threading.Thread(target=self._talk, args=(connection,), name="control line", daemon=True).start()

    def _talk(self, connection: socket.socket) -> None:
        with connection, contextlib.suppress(OSError), connection.makefile("rwb") as stream:
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


def make_room(path: Path) -> None:
    """Take away a socket that nobody listens at; raises `ControlError` if something else stands there."""
    if not path.exists():
        return
    if not path.is_socket():
        raise ControlError(f"{path} is there already and no socket; name another path for the control socket.")
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as probe:
        try:
            probe.connect(str(path))
        except OSError:
            path.unlink(missing_ok=True)
            return
    raise ControlError(f"{path}: another simulated plant listens there; end it, or name another path.")


def _plain(value: Any) -> Any:
    """NaN and infinity as null, which JSON has not."""
    if isinstance(value, float):
        return value if isfinite(value) else None
    if isinstance(value, dict):
        return {key: _plain(one) for key, one in value.items()}
    return [_plain(one) for one in value] if isinstance(value, list | tuple) else value
