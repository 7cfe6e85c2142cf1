"""What the machine gives a scan loop: real-time priority, locked memory, and word to the service manager."""

from __future__ import annotations

import contextlib
import ctypes
import gc
import os
import socket
from typing import Final

_MCL_CURRENT, _MCL_FUTURE = 1, 2


class HostError(RuntimeError):
    """The machine does not grant what was asked for; one sentence that says what to do."""


def real_time(priority: int) -> None:
    """Give this thread a fixed priority (SCHED_FIFO, sched(7)).

    Raises
    ------
    HostError
        If that is not permitted.
    """
    try:
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(priority))
    except (OSError, AttributeError) as error:
        raise HostError(
            f"--realtime {priority}: not permitted ({error}); run it as the supplied systemd "
            "unit, or grant CAP_SYS_NICE."
        ) from None


def lock_memory() -> None:
    """Keep all memory of this process in RAM (mlockall(2)): a page fault must not delay a scan.

    Raises
    ------
    HostError
        If that is not permitted.
    """
    library = ctypes.CDLL(None, use_errno=True)
    if library.mlockall(_MCL_CURRENT | _MCL_FUTURE) != 0:
        why = os.strerror(ctypes.get_errno())
        raise HostError(f"--lock-memory: not permitted ({why}); set LimitMEMLOCK=infinity or grant CAP_IPC_LOCK.")


def settle() -> None:
    """Set aside all objects made so far: the collector has less to walk through while the loop runs."""
    gc.collect()
    gc.freeze()


class ServiceManager:
    """Word to systemd over its socket (sd_notify(3)); silent where there is none."""

    def __init__(self) -> None:
        self._socket: socket.socket | None = None
        self._watchdog_s = float("inf")
        address = os.environ.get("NOTIFY_SOCKET", "")
        if address:
            self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC)
            self._socket.setblocking(False)
            with contextlib.suppress(OSError):
                self._socket.connect("\0" + address[1:] if address[0] == "@" else address)
            usec = os.environ.get("WATCHDOG_USEC", "")
            if usec.isdigit() and os.environ.get("WATCHDOG_PID", str(os.getpid())) == str(os.getpid()):
                self._watchdog_s = int(usec) * 1e-6 / SHARE
        self._due_s = float("-inf")

    def say(self, text: str) -> None:
        """Send one message, for example READY=1; never waits, never raises."""
        if self._socket is not None:
            with contextlib.suppress(OSError):
                self._socket.send(text.encode())

    def alive(self, now_s: float) -> None:
        """Tell the watchdog that the loop scans; called with every scan."""
        if now_s >= self._due_s and self._watchdog_s < float("inf"):
            self._due_s = now_s + self._watchdog_s
            self.say("WATCHDOG=1")


SHARE: Final = 3.0
"""The watchdog hears so many times within its limit."""
