"""A Unix-domain socket that only this user may connect to; every caller has a thread of its own."""

from __future__ import annotations

import contextlib
import socket
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any


class SocketError(ValueError):
    """No socket can be had there; the message is one sentence."""


class UnixSocket:
    """Listens until it is closed.

    Parameters
    ----------
    path
        Of the socket; one that nobody listens at any more is replaced.
    what
        Stands behind it, for messages and the names of threads.
    talk
        Speaks with one caller until either has enough; an `OSError` in it ends that caller alone.

    Raises
    ------
    SocketError
        If somebody listens there, the path is no socket, or none can be made there.
    """

    def __init__(self, path: Path, what: str, talk: Callable[[Any], None]) -> None:
        self.path = path.absolute()
        self._what, self._talk = what, talk
        _make_room(path)
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            self._socket.bind(str(path))
            path.chmod(0o600)
            self._socket.listen()
        except OSError as error:
            self._socket.close()
            raise SocketError(f"{path}: no {what} can be made there ({error}); name another path.") from error
        threading.Thread(target=self._accept, name=what, daemon=True).start()

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
            threading.Thread(target=self._serve, args=(connection,), name=f"{self._what} line", daemon=True).start()

    def _serve(self, connection: socket.socket) -> None:
        with connection, contextlib.suppress(OSError), connection.makefile("rwb") as stream:
            self._talk(stream)


def _make_room(path: Path) -> None:
    if not path.exists():
        return
    if not path.is_socket():
        raise SocketError(f"{path} is there already and no socket; name another path for it.")
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as probe:
        try:
            probe.connect(str(path))
        except OSError:
            path.unlink(missing_ok=True)
            return
    raise SocketError(f"{path}: another simulated plant listens there; end it, or name another path.")
