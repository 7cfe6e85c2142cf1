"""A pseudo-terminal that stands for a serial line: a far end for the simulation, a name for whoever connects."""

from __future__ import annotations

import contextlib
import os
import pty
import termios
import tty
from pathlib import Path

_TERMINALS = "/dev/pts/"


class LineError(OSError):
    """A line cannot be given the name that was asked for; the message is one sentence."""


class Line:
    """One line; bytes pass unchanged, and there is no baud rate: whatever is set goes.

    As on a line with nobody at its end, what is not read in time is lost, the oldest first.

    Parameters
    ----------
    link
        A name that stays, made to point at the pseudo-terminal, whose own name is another each time. A link that an
        earlier line left there is replaced; nothing else is.

    Raises
    ------
    LineError
        If something else stands at `link`, or nothing can be made there.
    """

    def __init__(self, link: Path | None = None) -> None:
        self.far, self._near = pty.openpty()
        """`far` is a file descriptor that never blocks. The near end stays open here, so that it may come and go."""
        tty.setraw(self.far)
        tty.setraw(self._near)
        os.set_blocking(self.far, False)
        self._terminal = os.ttyname(self._near)
        self._link = None if link is None else link.absolute()
        self.name = self._terminal if self._link is None else str(self._link)
        """The device to connect to."""
        if self._link is not None:
            try:
                _point(self._link, self._terminal)
            except OSError as error:
                os.close(self.far)
                os.close(self._near)
                why = (
                    str(error)
                    if isinstance(error, LineError)
                    else f"no link can be made there ({(error.strerror or '').lower()})"
                )
                raise LineError(f"{link}: {why}; name another path.") from None

    def send(self, data: bytes) -> None:
        """Send all of it, or nothing."""
        with contextlib.suppress(OSError):
            try:
                sent = os.write(self.far, data)
            except BlockingIOError:
                sent = 0
            if sent < len(data):
                termios.tcflush(self._near, termios.TCIFLUSH)
                os.write(self.far, data)

    def receive(self) -> bytes:
        """What has come, nothing if nothing has."""
        try:
            return os.read(self.far, 4096)
        except OSError:
            return b""

    def close(self) -> None:
        """End the line: whoever is connected reads an error from now on."""
        if self._link is not None:
            # One that another line has taken over in the meantime is not ours to remove.
            with contextlib.suppress(OSError):
                if str(self._link.readlink()) == self._terminal:
                    self._link.unlink()
        os.close(self.far)
        os.close(self._near)


def _point(link: Path, terminal: str) -> None:
    """Make the link, in place of one to a pseudo-terminal; those are numbered anew, so a stale one may look alive."""
    if link.is_symlink():
        if not str(link.readlink()).startswith(_TERMINALS):
            raise LineError("a link to something else stands there")
    elif link.exists():
        raise LineError("something stands there already and is no link to a pseudo-terminal")
    beside = link.with_name(f".{link.name}.new")
    beside.unlink(missing_ok=True)
    beside.symlink_to(terminal)
    beside.replace(link)
