"""Commands from afar: judged at the door for form, age, repetition and permission, and answered."""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable
from math import isfinite
from typing import NamedTuple

import msgspec

from rigctl.control.readings import Request, RequestKind, Source
from rigctl.control.state import Reply
from rigctl.quoting import plain, quoted
from rigctl.telemetry.messages import REMOTE_KINDS, Command

ALWAYS_PERMITTED = frozenset({RequestKind.STOP, RequestKind.ABORT})
"""A remote request can always stop the rig."""

PERMITTED = frozenset(RequestKind(kind) for kind in REMOTE_KINDS)
"""All that may be permitted."""

MOST_BYTES = 8192
"""Of a message; the longest command, with every sign of it escaped, has less than half of that."""

_PREFIX = "remote:"
# Keeps the ids of remote requests apart from those of the buttons at the rig.


class Answer(NamedTuple):
    """An answer ready to be sent."""

    topic: str
    command_id: str
    accepted: bool
    text: str


class Commands:
    """The door for commands from afar; hands the good ones to the scan and carries the answers back.

    A command passes when it is well formed, not retained by the broker, not past its expiry, not repeated and
    of a permitted kind. What it then does is up to the scan, which judges it like a button at the rig and
    answers it. All methods may be called from any thread; none waits for anything but another of them.

    Parameters
    ----------
    root
        Topic all of the rig's topics lie below.
    permitted
        Kinds of request that are taken from afar; STOP and ABORT always are, RESET never.
    longest_life_s
        A command may not expire further ahead than this, 1 to 3600 s: it bounds how long an id is remembered.
    waiting_max
        Commands that may wait for the next scan.
    remembered_max
        Ids remembered to find repetitions.
    utc_s
        Wall clock, seconds since 1970 UTC.

    Raises
    ------
    ValueError
        When RESET is to be permitted or a figure is out of range.
    """

    def __init__(
        self,
        root: str,
        *,
        permitted: frozenset[RequestKind] = PERMITTED,
        longest_life_s: float = 300.0,
        waiting_max: int = 64,
        remembered_max: int = 4096,
        utc_s: Callable[[], float] = time.time,
    ) -> None:
        if RequestKind.RESET in permitted:
            raise ValueError("A reset is only taken from a person at the rig; take it out of the permitted commands.")
        if not 1.0 <= longest_life_s <= 3600.0 or waiting_max < 1 or remembered_max < 1:
            raise ValueError("Commands may live 1 to 3600 s, and at least one of them must be able to wait.")
        self.topic = f"{root}/commands"
        self._replies_topic = f"{root}/replies"
        self._permitted = permitted | ALWAYS_PERMITTED
        self._longest_life_s = longest_life_s
        self._waiting_max = waiting_max
        self._remembered_max = remembered_max
        self._utc_s = utc_s
        self._lock = threading.Lock()
        self._waiting: list[tuple[Request, Command]] = []
        self._remembered: dict[str, float] = {}  # id -> until when it could still be repeated
        self._asked: dict[str, Command] = {}  # handed to the scan, not yet answered
        # Bounded, so that a flood of bad commands with no broker to answer to cannot fill the memory.
        self._answers: deque[Answer] = deque(maxlen=1000)

    def receive(self, payload: bytes, *, retained: bool) -> None:
        """Judge one message from the command topic; it is answered whether it passes or not."""
        if not payload:
            return  # how MQTT clears a retained message
        with self._lock:
            command = self._read(payload)
            if command is None:
                return
            now_s = self._utc_s()
            refusal = self._refusal(command, now_s, retained)
            if refusal:
                self._answer(command, False, refusal)
                return
            if len(self._remembered) < self._remembered_max:
                self._remembered[command.id] = command.expires_utc_s
            request = Request(RequestKind(command.kind), Source.REMOTE, _PREFIX + command.id)
            self._waiting.append((request, command))

    def take_requests(self) -> tuple[Request, ...]:
        """Return the requests for this scan, oldest first, and forget them; stale ones are refused here."""
        if not self._waiting:
            return ()
        with self._lock:
            now_s = self._utc_s()
            taken = []
            for request, command in self._waiting:
                if command.expires_utc_s < now_s:
                    self._answer(command, False, _stale(command, now_s))
                    continue
                self._asked[request.request_id] = command
                taken.append(request)
            self._waiting.clear()
            while len(self._asked) > self._remembered_max:  # the scan never answered them
                del self._asked[next(iter(self._asked))]
            return tuple(taken)

    def answered(self, replies: tuple[Reply, ...]) -> None:
        """Take the scan's answers; those to requests that did not come from afar are left alone."""
        if not replies:
            return
        with self._lock:
            for reply in replies:
                command = self._asked.pop(reply.request_id, None)
                if command is not None:
                    self._answer(command, reply.accepted, reply.text)

    def take_answers(self) -> tuple[Answer, ...]:
        """Return the answers to be sent, oldest first, and forget them."""
        if not self._answers:
            return ()
        with self._lock:
            answers = tuple(self._answers)
            self._answers.clear()
            return answers

    def _read(self, payload: bytes) -> Command | None:
        if len(payload) > MOST_BYTES:
            text = f"Refused, the command is malformed: {len(payload)} bytes, and at most {MOST_BYTES} are read."
            self._answer(Command("", "", 0.0), False, text)
            return None
        try:
            return msgspec.json.decode(payload, type=Command)
        except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
            # Say whose command it was where that much can be read.
            try:
                loose = msgspec.json.decode(payload)
            except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
                loose = None
            named = loose.get("id") if isinstance(loose, dict) else None
            named = named if isinstance(named, str) and len(named) <= 64 else ""
            where = loose.get("reply_topic") if isinstance(loose, dict) else None
            unreadable = Command(named, "", 0.0, where if isinstance(where, str) else "")
            self._answer(unreadable, False, f"Refused, the command is malformed: {_why(error)}.")
            return None

    def _refusal(self, command: Command, now_s: float, retained: bool) -> str:
        """Return why a command is refused, in one sentence, or ""."""
        if not self._is_reply_topic(command.reply_topic):
            return (
                f"Refused, answers only go to {self._replies_topic} or below it; leave the reply topic empty "
                "or change it."
            )
        if retained:
            return (
                "Refused, the broker had kept this command (retain flag); send commands without it and clear "
                "the kept one with an empty message."
            )
        if command.kind == RequestKind.RESET.value:
            return "Refused, a reset is never taken from afar; it needs a person at the rig."
        if command.kind not in REMOTE_KINDS:
            return f"Refused, there is no command {quoted(command.kind)}; the rig knows {', '.join(REMOTE_KINDS)}."
        kind = RequestKind(command.kind)
        if kind not in self._permitted:
            return f"Refused, this rig does not take {command.kind!r} from afar; ask a person at the rig."
        if not isfinite(command.expires_utc_s) or command.expires_utc_s < now_s:
            return _stale(command, now_s)
        if command.expires_utc_s > now_s + self._longest_life_s:
            return (
                f"Refused, the command expires {command.expires_utc_s - now_s:.6g} s ahead by the rig's "
                f"clock; at most {self._longest_life_s:.0f} s are taken."
            )
        self._forget(now_s)
        if command.id in self._remembered:
            return "Refused, a command with this id came before; the first answer counts."
        if len(self._waiting) >= self._waiting_max or len(self._remembered) >= self._remembered_max:
            # A stop or abort still gets in, once: a flood of other commands must not keep it out.
            waits = any(request.kind is kind for request, _ in self._waiting)
            if kind not in ALWAYS_PERMITTED or (waits and len(self._waiting) >= self._waiting_max):
                return "Refused, too many commands at once; try again in a moment."
        return ""

    def _forget(self, now_s: float) -> None:
        if len(self._remembered) >= self._remembered_max // 2:
            self._remembered = {name: until for name, until in self._remembered.items() if until >= now_s}

    def _is_reply_topic(self, topic: str) -> bool:
        # Anything else would let a sender make the rig write to its own or other rigs' topics.
        return topic in ("", self._replies_topic) or (
            topic.startswith(self._replies_topic + "/")
            and len(topic) > len(self._replies_topic) + 1
            and topic.isprintable()  # for a control character a broker may end the connection
            and not any(mark in topic for mark in "+#")
        )

    def _answer(self, command: Command, accepted: bool, text: str) -> None:
        valid = command.reply_topic and self._is_reply_topic(command.reply_topic)
        topic = command.reply_topic if valid else self._replies_topic
        self._answers.append(Answer(topic, command.id, accepted, text))


def _why(error: Exception) -> str:
    """What is wrong with a message, in a few words."""
    if isinstance(error, msgspec.DecodeError):
        return plain(str(error), 120)
    return "it is no UTF-8 text" if isinstance(error, UnicodeDecodeError) else "it is nested too deep"


def _stale(command: Command, now_s: float) -> str:
    if not isfinite(command.expires_utc_s):
        return "Refused, the command has no valid time of expiry."
    age_s = now_s - command.expires_utc_s
    shown = f"{age_s:.1f}" if age_s < 1e6 else f"{age_s:.6g}"
    return f"Refused, the command is stale: it expired {shown} s ago by the rig's clock."
