"""The publisher: tells over MQTT what each scan has to say; nothing that happens there reaches the rig."""

from __future__ import annotations

import itertools
import logging
import socket
import ssl
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from datetime import datetime
from math import inf
from pathlib import Path
from typing import Any, NamedTuple

import msgspec
from paho.mqtt.client import Client, ConnectFlags, DisconnectFlags, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from rigctl.control.protect.alarms import Alarm
from rigctl.control.vocabulary import AlarmState
from rigctl.scan import ScanRecord
from rigctl.telemetry.commands import Commands
from rigctl.telemetry.messages import (
    OnlineMessage,
    RecordMessage,
    ReplyMessage,
    alarm_message,
    alarm_topic_level,
    event_message,
    measurements_message,
    state_message,
    topic_root,
    utc_of,
)

MQTTv5, MQTTv311 = MQTTProtocolVersion.MQTTv5, MQTTProtocolVersion.MQTTv311

_log = logging.getLogger(__name__)

Backfill = Callable[[int, int], Iterable[ScanRecord]]
"""Gives the journal's records from the first to the last of two scan numbers, both included, oldest first.

It is called and read in the publisher's thread, slowly, while the rig runs.
"""

_WORKS_ON = "The rig works on without telemetry"
_INFLIGHT_MAX = 20
"""Messages under way and not yet acknowledged; small, so that a frozen broker costs next to nothing."""
_RECORDS_A_PASS = 50
_POLL_S = 0.05
_FIRST_WAIT_S = 0.5
_MQTT_5_PATIENCE_S = 1.0
"""Short: a broker that chokes on MQTT 5 is silent, and nothing is lost by going on with 3.1.1."""
_MEASUREMENTS_EXPIRE_S = 600
"""MQTT 5 only: how long a broker keeps measurements for a reader that is away."""


@dataclass(frozen=True)
class PublisherOptions:
    """Where to publish, and as whom.

    Raises
    ------
    ValueError
        When something cannot work, in one sentence.
    """

    site: str
    rig: str
    reading_max_age_s: float
    """Readings older than this are marked stale; the age up to which the rig itself uses them."""
    job: str = ""
    host: str = "127.0.0.1"
    port: int = 1883
    username: str | None = None
    password: str | None = field(default=None, repr=False)
    tls_ca_file: Path | None = None
    """Certificate that vouches for the broker; None connects without TLS."""
    tls_cert_file: Path | None = None
    """The rig's own certificate and key, where the broker asks for them."""
    tls_key_file: Path | None = None
    queue_max: int = 1000
    """Scan records that may wait while the broker is away; beyond it the oldest is dropped and counted."""
    measurement_period_s: float = 1.0
    ack_timeout_s: float = 6.0
    """Without an acknowledgement from the broker for longer than this, telemetry counts as down."""
    connect_timeout_s: float = 5.0
    keepalive_s: int = 15
    retry_max_s: float = 15.0
    """Longest wait between two attempts to connect; the first is 0.5 s."""

    def __post_init__(self) -> None:
        topic_root(self.site, self.rig)
        if not 1 <= self.port <= 65535:
            raise ValueError(f"{self.port} is no TCP port; give the MQTT broker's port, usually 1883 or 8883.")
        if self.username is None and self.password is not None:
            raise ValueError("An MQTT password is given without a user name; give both or neither.")
        if (self.tls_cert_file is None) != (self.tls_key_file is None):
            raise ValueError("The MQTT client certificate and its key come together; give both or neither.")
        for path in (self.tls_ca_file, self.tls_cert_file, self.tls_key_file):
            if path is not None and not path.is_file():
                raise ValueError(f"There is no certificate file {path}; correct the path in the MQTT settings.")
        if self.tls_cert_file is not None and self.tls_ca_file is None:
            raise ValueError("A client certificate needs TLS; give the certificate authority's file too.")
        for name in (
            "reading_max_age_s", "measurement_period_s", "ack_timeout_s", "connect_timeout_s", "keepalive_s",
            "retry_max_s",
        ):  # fmt: skip
            if not 0.0 < getattr(self, name) < inf:
                raise ValueError(f"{name} must be more than 0 s; correct it in the MQTT settings.")
        if self.queue_max < 1:
            raise ValueError("The MQTT queue must hold at least 1 record; correct queue_max.")


class _Work(NamedTuple):
    """One scan record on its way out, with the numbers its messages will carry."""

    record: ScanRecord
    measurements_seq: int
    """0 when this scan's measurements are not due."""
    first_event_seq: int


class _Message(NamedTuple):
    """One message on its way out."""

    topic: str
    payload: bytes
    retain: bool
    expire_s: int | None = None


class Publisher:
    """Publishes scan records over MQTT from a thread of its own.

    `offer` and `publish_record` never wait and never raise, whatever the broker does. What must not be lost
    is in the journal: records that find the queue full push the oldest one out, which is counted, shows as a
    jump of `seq`, and is filled in afterwards under `history/` when `backfill` is given.

    MQTT 5 is tried first and 3.1.1 where the broker does not speak it; nothing depends on which it is.

    Parameters
    ----------
    options
        Where to publish, and as whom.
    commands
        The door for commands from afar; None takes none.
    backfill
        Reads the journal for the scans that an outage has cost; None leaves the gap.
    """

    def __init__(
        self, options: PublisherOptions, commands: Commands | None = None, backfill: Backfill | None = None
    ) -> None:
        self.options = options
        self.root = topic_root(options.site, options.rig)
        self.where = f"{options.host}:{options.port}"
        self._commands = commands
        self._backfill = backfill

        # Between the scan's thread and ours. deque operations are atomic.
        self._queue: deque[_Work] = deque()
        self._gap: tuple[int, int] | None = None
        self._gap_lock = threading.Lock()
        self._final_record: deque[dict[str, Any]] = deque(maxlen=1)
        self._stopping = threading.Event()
        self._goodbye_s = 1.0
        self._dropped = 0
        self._failed = 0
        # The scan's side.
        self._offered: tuple[object, ...] = ()
        self._measurements_due_s = -inf
        self._last_now_s = -inf
        self._measurements_seq = 0
        self._event_seq = 0

        # Our thread's side.
        self._seq = {
            name: itertools.count(1)
            for name in ("state", "alarms", "record", "online", "replies", "history-m", "history-e")
        }
        self._retained: dict[str, bytes] = {}
        self._state_sent: tuple[object, ...] = ()
        self._alarms_sent: dict[str, tuple[AlarmState, float, str]] = {}
        self._inherited: set[str] = set()
        self._latest: ScanRecord | None = None
        self._outbox: deque[_Message] = deque()
        self._under_way: dict[int, _Message] = {}
        self._history: Iterator[ScanRecord] | None = None
        self._history_due_s = -inf
        self._protocol = MQTTv5
        self._connack: ReasonCode | None = None
        self._lost: ReasonCode | None = None
        self._refused: ReasonCode | None = None
        self._connected = False
        self._last_puback_s = -inf
        self._last_sent_s = -inf
        self._connected_since_s = -inf
        self._trouble = f"Telemetry has not been started. {_WORKS_ON}."
        self._health_told: tuple[object, ...] = ()
        self._thread = threading.Thread(target=self._run, name="telemetry", daemon=True)

    # The rig's side: may be called from the scan loop.

    def start(self) -> None:
        """Start the thread; it connects by itself, whenever the broker is there. To be called once."""
        self._trouble = f"Connecting to the broker at {self.where}."
        self._thread.start()

    def offer(self, record: ScanRecord) -> None:
        """Take the record of a scan; what is worth telling is queued. Neither waits nor raises."""
        try:
            self._offer(record)
        except Exception:  # an observer must not hurt the rig
            self._failed += 1
            _log.debug("A scan record could not be queued.", exc_info=True)

    def publish_record(self, record: dict[str, Any] | bytes) -> None:
        """Publish the final recovery record (JSON object), retained. Neither waits nor raises."""
        try:
            if isinstance(record, bytes):
                record = msgspec.json.decode(record, type=dict[str, Any])
            else:
                msgspec.json.encode(record)
            self._final_record.append(record)
        except Exception:  # an observer must not hurt the rig
            self._failed += 1
            _log.warning("The recovery record could not be published; it is in the journal.", exc_info=True)

    def stop(self, timeout_s: float = 5.0) -> bool:
        """Say goodbye, disconnect and end the thread; False when that took longer than `timeout_s`.

        What is queued is still sent if the broker takes it within half of that time.
        """
        self._goodbye_s = timeout_s / 2
        self._stopping.set()
        if not self._thread.is_alive():
            return True
        self._thread.join(timeout_s)
        return not self._thread.is_alive()

    @property
    def dropped(self) -> int:
        """Scan records dropped because the queue was full."""
        return self._dropped

    @property
    def failed(self) -> int:
        """Records that could not be turned into messages."""
        return self._failed

    @property
    def last_ack_age_s(self) -> float:
        """Time since the broker last acknowledged a message; infinite before the first."""
        return time.monotonic() - self._last_puback_s

    @property
    def healthy(self) -> bool:
        """Whether messages arrive: judged by the age of the last acknowledgement, not by the connection.

        A broker can hold a connection open and be dead. Something is always on its way, since `online` is
        repeated when there is nothing else to send.
        """
        return (
            self._thread.is_alive()
            and self._connected
            and self._refused is None
            and self.last_ack_age_s <= self.options.ack_timeout_s
        )

    @property
    def health(self) -> str:
        """One sentence or two for the user: where telemetry goes, or why it does not."""
        lost = f" {self._dropped} scan records dropped so far; the journal has them." if self._dropped else ""
        if self.healthy:
            return f"Telemetry goes to the broker at {self.where}.{lost}"
        return self._unhealthy() + lost

    def _unhealthy(self) -> str:
        if self._thread.ident is not None and not self._thread.is_alive() and not self._stopping.is_set():
            return f"Telemetry has ended by itself. {_WORKS_ON}; restart it and report this."
        if not self._connected:
            return self._trouble
        if self._refused is not None:
            return self._not_taken(self._refused)
        silent_s = self._silent_s()
        if silent_s <= self.options.ack_timeout_s:
            return f"Connected to the broker at {self.where}; it has not acknowledged anything yet."
        return (
            f"The broker at {self.where} holds the connection but has acknowledged nothing for "
            f"{silent_s:.0f} s. {_WORKS_ON}; check whether the broker is stuck."
        )

    def _not_taken(self, reason: ReasonCode) -> str:
        return (
            f"The broker at {self.where} does not take what the rig publishes ({_words(reason)}). "
            f"{_WORKS_ON}; allow this user to write below {self.root}/ in the broker's access list."
        )

    def _silent_s(self) -> float:
        return time.monotonic() - max(self._last_puback_s, self._connected_since_s)

    def _offer(self, record: ScanRecord) -> None:
        if self._commands is not None:
            self._commands.answered(record.replies)
        now_s = record.readings.now_s
        if now_s < self._last_now_s:  # the clock of another start of the scan loop
            self._measurements_due_s = -inf
        self._last_now_s = now_s
        due = now_s >= self._measurements_due_s
        if due:
            period_s = self.options.measurement_period_s
            next_s = self._measurements_due_s + period_s
            self._measurements_due_s = next_s if next_s > now_s else now_s + period_s
        # Most scans have nothing new to say and cost no room in the queue.
        shown = _shown(record)
        if not (due or record.events or shown != self._offered):
            return
        self._offered = shown
        if due:
            self._measurements_seq += 1
        work = _Work(record, self._measurements_seq if due else 0, self._event_seq + 1)
        self._event_seq += len(record.events)
        if len(self._queue) >= self.options.queue_max:
            # The oldest goes: what the rig does now matters more to those who watch.
            try:
                oldest = self._queue.popleft().record.scan
            except IndexError:
                pass  # just taken by the other thread
            else:
                self._dropped += 1
                with self._gap_lock:
                    self._gap = (self._gap[0] if self._gap else oldest, oldest)
        self._queue.append(work)

    # Our thread.

    def _run(self) -> None:
        wait_s = _FIRST_WAIT_S
        while not self._stopping.is_set():
            began_s = time.monotonic()
            try:
                if self._session():
                    continue
            except Exception as error:  # the thread must outlive whatever the network does
                _log.debug("Telemetry session ended.", exc_info=True)
                self._trouble = self._no_broker(error)
            if self._stopping.is_set():
                break
            self._tell()
            if self._connected_since_s >= began_s:
                wait_s = _FIRST_WAIT_S
            self._stopping.wait(wait_s)
            wait_s = min(2 * wait_s, self.options.retry_max_s)
        self._trouble = f"Telemetry has been stopped. {_WORKS_ON}."

    def _session(self) -> bool:
        """Connect once and publish until the link is lost; whether to try again at once."""
        client = self._client()
        self._connack = self._lost = self._refused = None
        rc = MQTTErrorCode.MQTT_ERR_SUCCESS
        try:
            client.connect(self.options.host, self.options.port, self.options.keepalive_s)
            patience_s = self.options.connect_timeout_s
            if self._protocol == MQTTv5:
                patience_s = min(patience_s, _MQTT_5_PATIENCE_S)
            patience_until_s = time.monotonic() + patience_s
            while self._connack is None and rc == MQTTErrorCode.MQTT_ERR_SUCCESS:
                rc = client.loop(_POLL_S)
                if self._stopping.is_set():
                    return False
                if time.monotonic() > patience_until_s:
                    if self._other_version() == MQTTv311:
                        return True
                    self._trouble = (
                        f"The broker at {self.where} takes the connection but does not answer. {_WORKS_ON}; "
                        "check whether the broker is stuck and whether it wants TLS."
                    )
                    return False
            if self._connack is None or self._connack.is_failure:
                return self._turned_away()
            self._connected_since_s = time.monotonic()
            self._connected = True
            self._greet(client)
            while rc == MQTTErrorCode.MQTT_ERR_SUCCESS and self._lost is None:
                if self._stopping.is_set():
                    self._say_goodbye(client)
                    return False
                self._advance(client)
                rc = client.loop(_POLL_S)
                self._tell()
            if self._refused is not None:  # some brokers hang up on top
                self._trouble = self._not_taken(self._refused)
            else:
                why = _words(self._lost) if self._lost is not None else "connection lost"
                self._trouble = f"The broker at {self.where} has gone ({why}). {_WORKS_ON} and keeps trying."
            return False
        finally:
            self._connected = False
            self._keep_unacknowledged()
            # Not a clean disconnect, which would keep the will from being sent.
            sock = client.socket()
            if sock is not None:
                sock.close()

    def _client(self) -> Client:
        options = self.options
        # The same name each time: the broker then ends a half-open connection of ours, with its will, before
        # it lets us in, and not minutes later, when "offline" would be wrong.
        client = Client(
            CallbackAPIVersion.VERSION2,
            client_id=f"recovery-rig-{options.site}-{options.rig}",
            protocol=self._protocol,
            reconnect_on_failure=False,
        )
        client.connect_timeout = options.connect_timeout_s
        client.max_inflight_messages_set(_INFLIGHT_MAX)
        if options.username is not None:
            client.username_pw_set(options.username, options.password)
        if options.tls_ca_file is not None:
            client.tls_set(
                str(options.tls_ca_file),
                certfile=str(options.tls_cert_file) if options.tls_cert_file else None,
                keyfile=str(options.tls_key_file) if options.tls_key_file else None,
            )
        client.will_set(f"{self.root}/online", self._online(False, "connection lost"), qos=1, retain=True)
        # Callbacks only note what happened, so they can neither fail nor act.
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_publish = self._on_publish
        client.on_message = self._on_message
        return client

    def _on_connect(
        self, _client: Client, _data: object, _flags: ConnectFlags, reason: ReasonCode, _props: object
    ) -> None:
        self._connack = reason

    def _on_disconnect(
        self, _client: Client, _data: object, _flags: DisconnectFlags, reason: ReasonCode, _props: object
    ) -> None:
        self._lost = reason

    def _on_publish(self, _client: Client, _data: object, mid: int, reason: ReasonCode, _props: object) -> None:
        self._under_way.pop(mid, None)
        self._last_puback_s = time.monotonic()
        self._refused = reason if reason.is_failure else None

    def _on_message(self, _client: Client, _data: object, message: MQTTMessage) -> None:
        try:
            if self._commands is not None and message.topic == self._commands.topic:
                self._commands.receive(bytes(message.payload), retained=message.retain)
            elif message.retain and message.topic.startswith(f"{self.root}/alarms/"):
                self._inherit(bytes(message.payload))
        except Exception:  # an exception here would end the connection, again and again
            self._failed += 1
            _log.debug("A message from the broker could not be read.", exc_info=True)

    def _inherit(self, payload: bytes) -> None:
        """Note an alarm left at the broker by an earlier run; it must not stand there for ever."""
        seen = msgspec.json.decode(payload)
        if seen["state"] != AlarmState.NORMAL.value and seen["tag"] not in self._alarms_sent:
            self._inherited.add(seen["tag"])

    def _turned_away(self) -> bool:
        """Handle a refused connection; whether to try again at once, with the other MQTT version."""
        if self._connack is None or _words(self._connack) == "unsupported protocol version":
            if self._other_version() == MQTTv311:
                return True
            self._trouble = (
                f"What answers at {self.where} does not speak MQTT 5 or 3.1.1. {_WORKS_ON}; "
                "check address and port of the broker and whether it wants TLS."
            )
            return False
        why = _words(self._connack) if self._connack is not None else ""
        if why in ("bad user name or password", "not authorized"):
            self._trouble = (
                f"The broker at {self.where} refuses the user name or password ({why}). {_WORKS_ON}; "
                "correct them in the MQTT settings."
            )
        else:
            self._trouble = f"The broker at {self.where} refuses the rig ({why}). {_WORKS_ON} and keeps trying."
        return False

    def _other_version(self) -> MQTTProtocolVersion:
        """Use the other MQTT version next; a broker that knows no MQTT 5 says so, hangs up or is silent."""
        self._protocol = MQTTv311 if self._protocol == MQTTv5 else MQTTv5
        return self._protocol

    def _no_broker(self, error: Exception) -> str:
        if isinstance(error, ssl.SSLError):
            return (
                f"The broker at {self.where} cannot be trusted ({error.reason or error}). {_WORKS_ON}; "
                "check the certificates in the MQTT settings."
            )
        if isinstance(error, socket.gaierror):
            return (
                f"No broker is found at {self.where} (unknown host name). {_WORKS_ON}; "
                "check the address of the broker and the network."
            )
        if isinstance(error, OSError):
            reason = (error.strerror or str(error) or type(error).__name__).lower()
            return (
                f"No broker answers at {self.where} ({reason}). {_WORKS_ON}; "
                "start the broker or correct its address, nothing else needs doing."
            )
        return f"Telemetry to {self.where} failed ({error}). {_WORKS_ON} and keeps trying."

    def _greet(self, client: Client) -> None:
        """Put the retained messages in place: the broker may have lost them, or have an older run's."""
        self._retained[f"{self.root}/online"] = self._online(True, "")
        greeting = [_Message(topic, payload, True) for topic, payload in self._retained.items()]
        self._outbox.extendleft(reversed(greeting))
        client.subscribe(f"{self.root}/alarms/+", qos=1)
        if self._commands is not None:
            client.subscribe(self._commands.topic, qos=1)

    def _advance(self, client: Client) -> None:
        """Send what there is and what the broker has room for."""
        self._clear_inherited()
        self._take_other_work()
        # Bounded: most records of a journal have nothing to send, and the link must be served in between.
        for _ in range(_RECORDS_A_PASS):
            while self._outbox and len(self._under_way) < _INFLIGHT_MAX:
                self._send(client, self._outbox.popleft())
            if self._outbox or not self._take_work():
                break
        idle = not (self._outbox or self._under_way)
        if idle and time.monotonic() - self._last_sent_s > self.options.ack_timeout_s / 3:
            self._keep("online", self._online(True, ""))

    def _take_other_work(self) -> None:
        """Answers to commands and the final record go ahead of the queue."""
        if self._commands is not None:
            for answer in self._commands.take_answers():
                reply = ReplyMessage(
                    next(self._seq["replies"]), _now(), self.options.rig,
                    answer.command_id, answer.accepted, answer.text,
                )  # fmt: skip
                self._outbox.append(_Message(answer.topic, msgspec.json.encode(reply), False))
        if self._final_record:
            record = self._final_record.popleft()
            message = RecordMessage(next(self._seq["record"]), _now(), self.options.rig, record)
            self._keep("record", msgspec.json.encode(message))

    def _take_work(self) -> bool:
        """Turn the next record into messages; False when there is none."""
        try:
            if self._queue:
                self._compose(self._queue.popleft())
                return True
            record = self._next_of_history()
            if record is None:
                return False
            self._compose_history(record)
        except Exception:  # one bad record must not end telemetry
            self._failed += 1
            _log.debug("A scan record could not be published.", exc_info=True)
        return True

    def _compose(self, work: _Work) -> None:
        record, rig = work.record, self.options.rig
        self._latest = record
        shown = (record.phase, record.ask, record.sentence)
        if shown != self._state_sent:
            message = state_message(record, next(self._seq["state"]), rig, self.options.job)
            self._keep("state", msgspec.json.encode(message))
            self._state_sent = shown
        self._compose_alarms(record, with_text=work.measurements_seq > 0)
        for seq, event in enumerate(record.events, work.first_event_seq):
            self._put("events", msgspec.json.encode(event_message(record, event, seq, rig)))
        if work.measurements_seq:
            measurements = measurements_message(
                record, work.measurements_seq, rig, self.options.reading_max_age_s, self._dropped
            )
            self._put("measurements", msgspec.json.encode(measurements), _MEASUREMENTS_EXPIRE_S)

    def _compose_alarms(self, record: ScanRecord, *, with_text: bool) -> None:
        """Send alarms that differ from what was last sent; a mere change of text at most once a second.

        Compared with what was sent and not with the scan before, so that dropped records cost nothing here.
        """
        now = {alarm.tag: alarm for alarm in record.alarms}
        for tag, alarm in now.items():
            sent = self._alarms_sent.get(tag)
            fresh = (alarm.state, alarm.since_s, alarm.text)
            if sent is None or sent[:2] != fresh[:2] or (with_text and sent != fresh):
                self._send_alarm(record, tag, alarm)
                self._alarms_sent[tag] = fresh
        for tag in [tag for tag in self._alarms_sent if tag not in now]:
            self._send_alarm(record, tag, None)
            del self._alarms_sent[tag]

    def _clear_inherited(self) -> None:
        if self._latest is None or not self._inherited:
            return
        for tag in self._inherited:
            if tag not in self._alarms_sent:
                self._send_alarm(self._latest, tag, None)
        self._inherited.clear()

    def _send_alarm(self, record: ScanRecord, tag: str, alarm: Alarm | None) -> None:
        message = alarm_message(record, tag, alarm, next(self._seq["alarms"]), self.options.rig)
        self._keep(f"alarms/{alarm_topic_level(tag)}", msgspec.json.encode(message))

    def _next_of_history(self) -> ScanRecord | None:
        """Return the next record of an outage, once the present is told."""
        if self._backfill is None:
            return None
        if self._history is None:
            with self._gap_lock:
                gap, self._gap = self._gap, None
            if gap is None:
                return None
            self._history_due_s = -inf
            self._history = iter(self._backfill(*gap))
        try:
            return next(self._history)
        except StopIteration:
            self._history = None
            return None
        except Exception:
            self._history = None
            raise

    def _compose_history(self, record: ScanRecord) -> None:
        rig = self.options.rig
        for event in record.events:
            message = event_message(record, event, next(self._seq["history-e"]), rig)
            self._put("history/events", msgspec.json.encode(message))
        now_s = record.readings.now_s
        if now_s >= self._history_due_s:
            self._history_due_s = now_s + self.options.measurement_period_s
            measurements = measurements_message(
                record, next(self._seq["history-m"]), rig, self.options.reading_max_age_s, self._dropped
            )
            self._put("history/measurements", msgspec.json.encode(measurements))

    def _online(self, online: bool, reason: str) -> bytes:
        message = OnlineMessage(next(self._seq["online"]), _now(), self.options.rig, online, reason, self._dropped)
        return msgspec.json.encode(message)

    def _put(self, below_root: str, payload: bytes, expire_s: int | None = None) -> None:
        self._outbox.append(_Message(f"{self.root}/{below_root}", payload, False, expire_s))

    def _keep(self, below_root: str, payload: bytes) -> None:
        """Send a retained message, and again after each new connection."""
        topic = f"{self.root}/{below_root}"
        self._retained[topic] = payload
        self._outbox.append(_Message(topic, payload, True))

    def _send(self, client: Client, message: _Message) -> None:
        properties = None
        if message.expire_s is not None and self._protocol == MQTTv5:
            properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
            properties.MessageExpiryInterval = message.expire_s
        try:
            info = client.publish(message.topic, message.payload, 1, message.retain, properties)
        except ValueError:  # a topic or a size that MQTT does not allow
            self._failed += 1
            _log.debug("A message to %r could not be sent.", message.topic, exc_info=True)
            return
        self._under_way[info.mid] = message
        self._last_sent_s = time.monotonic()

    def _keep_unacknowledged(self) -> None:
        """After a lost link: what was not acknowledged is sent again; the retained ones are, by the greeting.

        So a message may arrive twice; its `seq` tells.
        """
        again = [message for message in self._under_way.values() if not message.retain]
        waiting = [message for message in self._outbox if not message.retain]
        self._outbox = deque(again + waiting)
        self._under_way.clear()

    def _say_goodbye(self, client: Client) -> None:
        """Send what is left, then "offline": a clean disconnect keeps the broker from sending the will."""
        self._backfill = None
        until_s = time.monotonic() + self._goodbye_s
        while time.monotonic() < until_s:
            self._advance(client)
            if client.loop(_POLL_S) != MQTTErrorCode.MQTT_ERR_SUCCESS:
                return
            if not (self._queue or self._outbox or self._under_way):
                break
        self._under_way.clear()
        self._send(client, _Message(f"{self.root}/online", self._online(False, "stopped"), True))
        until_s = time.monotonic() + self._goodbye_s / 2
        while self._under_way and time.monotonic() < until_s:
            if client.loop(_POLL_S) != MQTTErrorCode.MQTT_ERR_SUCCESS:
                return
        client.disconnect()
        client.loop(0.0)

    def _tell(self) -> None:
        """Log each change between well and not well once, and each new reason."""
        healthy, connected = self.healthy, self._connected
        if connected and not healthy and self._refused is None and self._silent_s() <= self.options.ack_timeout_s:
            return  # just connected
        told = (healthy, connected, "" if connected else self._trouble)
        if told != self._health_told:
            self._health_told = told
            _log.info("%s", self.health)


def _shown(record: ScanRecord) -> tuple[object, ...]:
    alarms = tuple((alarm.tag, alarm.state, alarm.since_s) for alarm in record.alarms)
    return (record.phase, record.ask, record.sentence, alarms)


def _words(reason: ReasonCode) -> str:
    return str(reason).lower()


def _now() -> datetime:
    return utc_of(time.time())
