"""The local door: a Unix-domain socket in the job's folder by which a person at the rig starts, answers and stops it.

One JSON line in, one out: `{"do": "restart", "cylinder": "A-17"}`, where the cylinder may be left out. Who may write to
the folder may press; that is the only key, as with buttons on a panel.
Requests through it count as made at the rig (`Source.LOCAL`): only these may reset a trip.
"""

from __future__ import annotations

import errno
import itertools
import json
import os
import socket
import threading
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

import msgspec

from rigctl.control.readings import Request, RequestKind, Source
from rigctl.control.settings import Cylinder
from rigctl.control.state import Reply
from rigctl.quoting import plain, quoted

_WAITS_S: Final = 3.0
_LONGEST: Final = 4096
_AT_ONCE: Final = 8
_LONGEST_PATH: Final = 107
"""Bytes that a socket's address has room for, its closing NUL left out (unix(7))."""


class _Said(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A line at the door; a key that means nothing is refused, for it may be a cylinder misspelled."""

    do: str
    cylinder: str | None = None


_said: Final = msgspec.json.Decoder(_Said)


def why_not(path: Path) -> str:
    """Why there can be no door at a path, in one sentence; "" when there can."""
    if len(os.fsencode(path)) <= _LONGEST_PATH:
        return ""
    return (
        f"{path}: the path of the local door is longer than the {_LONGEST_PATH} bytes that a socket's may have; "
        "name a shorter folder, or go there first and name it from there."
    )


class Door:
    """Takes requests from local programs and hands back what the controller said to them.

    Parameters
    ----------
    path
        Of the socket; one left behind by a program that died is replaced.
    cylinders
        That may be named with a restart, the job's own and its spare ones.
    waits_s
        For the controller's answer.

    Raises
    ------
    OSError
        If the socket cannot be made.
    """

    def __init__(self, path: Path, cylinders: Sequence[Cylinder], waits_s: float = _WAITS_S) -> None:
        self.path, self._waits_s = path, waits_s
        self._cylinders = {cylinder.serial: cylinder for cylinder in cylinders}
        self._lock = threading.Lock()
        self._asked: list[Request] = []
        self._waiting: dict[str, tuple[threading.Event, list[Reply]]] = {}
        self._numbers = itertools.count(1)
        if why := why_not(path):
            raise OSError(errno.ENAMETOOLONG, why)
        path.unlink(missing_ok=True)
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        before = os.umask(0o177)
        try:
            self._socket.bind(str(path))
        finally:
            os.umask(before)
        self._socket.listen(_AT_ONCE)
        threading.Thread(target=self._serve, name="local door", daemon=True).start()

    def take(self) -> tuple[Request, ...]:
        """What was asked for since the last call."""
        if not self._asked:
            return ()
        with self._lock:
            asked, self._asked = tuple(self._asked), []
        return asked

    def answered(self, replies: Sequence[Reply]) -> None:
        """Hand the controller's answers to those who wait for them."""
        for reply in replies:
            if (waits := self._waiting.pop(reply.request_id, None)) is not None:
                waits[1].append(reply)
                waits[0].set()

    def close(self) -> None:
        """Take no more."""
        self._socket.close()
        self.path.unlink(missing_ok=True)

    def _serve(self) -> None:
        while True:
            try:
                caller, _ = self._socket.accept()
            except OSError:
                return  # closed
            threading.Thread(target=self._hear, args=(caller,), daemon=True).start()

    def _hear(self, caller: socket.socket) -> None:
        with caller:
            try:
                caller.settimeout(self._waits_s)
                line = caller.makefile("rb").readline(_LONGEST)
                answer = self._press(line)
                caller.sendall(json.dumps(answer).encode() + b"\n")
            except OSError:
                return  # the caller has gone

    def _press(self, line: bytes) -> dict[str, Any]:
        try:
            said = _said.decode(line)
        except msgspec.ValidationError as error:
            return _refused(f'this is no request ({plain(str(error))}); write one like {{"do": "start"}}.')
        except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
            return _refused('this is no JSON object in one line; write one like {"do": "start"}.')
        try:
            kind = RequestKind(said.do)
        except ValueError:
            words = ", ".join(kind.value for kind in RequestKind)
            return _refused(f"{quoted(said.do)} is nothing to ask for; write one of {words}.")
        cylinder = None
        if said.cylinder is not None:
            cylinder = self._cylinders.get(said.cylinder)
            if cylinder is None:
                known = ", ".join(map(quoted, self._cylinders))
                return _refused(f"cylinder {quoted(said.cylinder)} stands in no file of this job; it knows {known}.")
        request_id = f"local-{os.getpid()}-{next(self._numbers)}"
        waits, got = threading.Event(), list[Reply]()
        with self._lock:
            self._waiting[request_id] = waits, got
            self._asked.append(Request(kind, Source.LOCAL, request_id, cylinder))
        if not waits.wait(self._waits_s):
            self._waiting.pop(request_id, None)
            return _refused("the rig did not answer in time; look whether it scans.")
        return {"accepted": got[0].accepted, "text": got[0].text}


def _refused(text: str) -> dict[str, Any]:
    return {"accepted": False, "text": text}


def press(path: Path, what: str, cylinder: str | None = None, waits_s: float = 2.0 * _WAITS_S) -> tuple[bool, str]:
    """Ask a rig that runs, and wait at most so long; returns whether it was accepted, and the rig's sentence.

    Raises
    ------
    OSError
        If no rig listens there.
    """
    if why := why_not(path):
        raise OSError(errno.ENAMETOOLONG, why)
    said = {"do": what} | ({} if cylinder is None else {"cylinder": cylinder})
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as caller:
        caller.settimeout(waits_s)
        caller.connect(str(path))
        caller.sendall(json.dumps(said).encode() + b"\n")
        answer = json.loads(caller.makefile("rb").readline(_LONGEST) or b"{}")
    return bool(answer.get("accepted")), str(answer.get("text", "the rig ended before it answered."))
