"""A pseudo-terminal that stands for a serial line: a far end for the simulation, a name for whoever connects."""

from __future__ import annotations

import contextlib
import os
import pty
import termios
import tty


class Line:
    """One line; bytes pass unchanged, and there is no baud rate: whatever is set goes.

    As on a line with nobody at its end, what is not read in time is lost, the oldest first.
    """

    def __init__(self) -> None:
        self.far, self._near = pty.openpty()
        """`far` is a file descriptor that never blocks. The near end stays open here, so that it may come and go."""
        tty.setraw(self.far)
        tty.setraw(self._near)
        os.set_blocking(self.far, False)
        self.name = os.ttyname(self._near)
        """The device to connect to."""

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
        os.close(self.far)
        os.close(self._near)
