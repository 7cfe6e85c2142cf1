"""The embedded broker: MQTT 3.1.1 in this process, for demonstrations, tests and hardware-in-the-loop."""

from __future__ import annotations

import asyncio
import contextlib
import errno
import importlib
import logging
import os
import threading
from typing import Any, Self

_log = logging.getLogger(__name__)


_UNSUPPORTED_VERSION = bytes((0x20, 3, 0, 0x84, 0))
# MQTT 5 section 3.2.2.2: CONNACK, reason code "Unsupported Protocol Version", no properties.


class BrokerError(RuntimeError):
    """The embedded broker cannot run; the message is one sentence that says why and what to do."""


class EmbeddedBroker:
    """A pure-Python MQTT 3.1.1 broker in a thread of its own, open to everybody who reaches its port.

    It keeps retained messages in memory only, has neither passwords nor TLS and refuses MQTT 5; a rig at work
    wants a broker in a process of its own.

    Parameters
    ----------
    port
        TCP port, 0 to 65535; 0 takes a free one.
    host
        Address to listen at. The default is reached from this machine only.

    Examples
    --------
    >>> with EmbeddedBroker() as broker:
    ...     broker.host
    '127.0.0.1'
    """

    def __init__(self, port: int = 0, host: str = "127.0.0.1") -> None:
        if not 0 <= port <= 65535:
            raise BrokerError(f"{port} is no TCP port; give one from 0 to 65535.")
        self.host = host
        self._wanted_port = port
        self._port: int | None = None
        self._thread: threading.Thread | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._stopping: asyncio.Event | None = None
        self._ready = threading.Event()
        self._failure: str = ""

    @property
    def port(self) -> int:
        """Port the broker listens at.

        Raises
        ------
        BrokerError
            When it does not run.
        """
        if self._port is None:
            raise BrokerError("The embedded broker does not run; start it first.")
        return self._port

    @property
    def address(self) -> str:
        """Where clients find the broker, as "host:port"."""
        return f"{self.host}:{self.port}"

    def start(self) -> None:
        """Start to listen; returns when clients can connect.

        Raises
        ------
        BrokerError
            When the port is in use, the address is not of this machine, or the amqtt package is missing.
        """
        if self._thread is not None:
            return
        try:
            broker = importlib.import_module("amqtt.broker")
            contexts = importlib.import_module("amqtt.contexts")
            adapters = importlib.import_module("amqtt.adapters")
        except ImportError as error:
            raise BrokerError(
                "The embedded broker needs the package amqtt; in the checkout: sh .ci/setup; "
                "or name a broker of your own."
            ) from error
        # It logs every connection and every packet; what goes wrong for users is told by the publisher.
        for name in ("amqtt", "transitions"):
            logging.getLogger(name).setLevel(logging.CRITICAL)
        self._ready.clear()
        self._failure = ""
        self._thread = threading.Thread(
            target=self._run, args=(broker, contexts, adapters), name="embedded-broker", daemon=True
        )
        self._thread.start()
        self._ready.wait()
        if self._failure:
            self._thread.join()
            self._thread = None
            raise BrokerError(self._failure)

    def stop(self) -> None:
        """Close all connections and give the port free; harmless when it does not run."""
        thread, loop, stopping = self._thread, self._loop, self._stopping
        if thread is None:
            return
        if loop is not None and stopping is not None:
            with contextlib.suppress(RuntimeError):  # the loop has ended by itself
                loop.call_soon_threadsafe(stopping.set)
        thread.join()
        self._thread = None
        self._port = None

    def __enter__(self) -> Self:
        """Start the broker."""
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        """Stop the broker."""
        self.stop()

    def _run(self, broker: Any, contexts: Any, adapters: Any) -> None:
        try:
            asyncio.run(self._serve(broker, contexts, adapters))
        except Exception as error:  # a thread that ends without a word would leave start() waiting
            _log.exception("The embedded broker ended.")
            self._failure = f"The embedded broker at {self.host} failed: {error}."
        finally:
            self._ready.set()

    async def _serve(self, broker_module: Any, contexts: Any, adapters: Any) -> None:
        loop = asyncio.get_running_loop()
        loop.set_exception_handler(lambda _, context: _log.debug("Embedded broker: %s", context.get("message")))
        self._loop = loop
        self._stopping = asyncio.Event()
        # The sockets are ours and the broker gets the connections: so port 0 can be told and an occupied port
        # is an error of ours.
        config = contexts.BrokerConfig(
            listeners={"default": contexts.ListenerConfig(type=contexts.ListenerType.EXTERNAL)},
            plugins={"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
        )
        broker = broker_module.Broker(config)
        await broker.start()
        writers: set[asyncio.StreamWriter] = set()
        tasks: set[asyncio.Task[None]] = set()

        def keep(task: asyncio.Task[None]) -> None:
            tasks.add(task)
            task.add_done_callback(tasks.discard)

        async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            try:
                first, level = await _first_bytes(reader)
                if level == 5:
                    # amqtt reads an MQTT 5 CONNECT as 3.1.1 and waits for ever for bytes that never come.
                    writer.write(_UNSUPPORTED_VERSION)
                    await writer.drain()
                    return
                ahead = asyncio.StreamReader()
                ahead.feed_data(first)
                keep(asyncio.create_task(_feed(reader, ahead)))
                await broker.external_connected(
                    adapters.StreamReaderAdapter(ahead), adapters.StreamWriterAdapter(writer), "default"
                )
            except (OSError, asyncio.IncompleteReadError):
                pass  # gone again
            finally:
                writer.close()
                writers.discard(writer)

        def connected(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            writers.add(writer)
            keep(loop.create_task(serve(reader, writer)))

        try:
            server = await asyncio.start_server(connected, self.host, self._wanted_port)
        except OSError as error:
            self._failure = (
                f"The embedded broker cannot listen at {self.host}:{self._wanted_port} "
                f"({_reason(error)}); end the other program there or choose another port."
            )
        else:
            self._port = server.sockets[0].getsockname()[1]
            self._ready.set()
            await self._stopping.wait()
            # A connection being accepted while its server closes would leak its socket (CPython 3.11).
            for listener in server.sockets:
                loop.remove_reader(listener.fileno())
            await _turns()
            server.close()
        for writer in tuple(writers):
            writer.transport.abort()
        # The connections end by themselves now; shutdown() waits long for those that have not.
        if tasks:
            await asyncio.wait(tuple(tasks), timeout=1.0)
        with contextlib.suppress(Exception):
            await asyncio.wait_for(broker.shutdown(), 5.0)
        left = tuple(tasks)
        for task in left:
            task.cancel()
        await asyncio.gather(*left, return_exceptions=True)
        await _turns()


async def _turns() -> None:
    for _ in range(3):  # turns of the loop in which transports open or close
        await asyncio.sleep(0)


async def _first_bytes(reader: asyncio.StreamReader) -> tuple[bytes, int]:
    """Read a CONNECT packet up to its protocol level (MQTT 3.1.1 and 5, section 3.1.2.2), 0 if it is none."""
    first = await reader.readexactly(2)
    while first[-1] & 0x80 and len(first) < 5:  # remaining length, one to four bytes
        first += await reader.readexactly(1)
    if first[0] != 0x10:
        return first, 0
    name_and_level = await reader.readexactly(7)
    return first + name_and_level, name_and_level[6] if name_and_level[:6] == b"\0\4MQTT" else 0


async def _feed(source: asyncio.StreamReader, sink: asyncio.StreamReader) -> None:
    try:
        while data := await source.read(65536):
            sink.feed_data(data)
    except OSError:
        pass  # gone
    finally:
        sink.feed_eof()


def _reason(error: OSError) -> str:
    # asyncio wraps the system's words in its own sentence; the errno has them plain.
    if error.errno == errno.EADDRINUSE:
        return "the port is in use"
    return os.strerror(error.errno).lower() if error.errno else str(error)
