"""An MQTT broker inside the program, for the demo and for a shop that has none: amqtt in a thread of its own.

It listens on this machine only by default and asks nobody for a name. It keeps sessions and messages in
memory: a client that was away gets what it missed, a restart of the program forgets it. Where that is not
enough, run a broker of your own.

The library forgives itself more than QoS 1 allows, so this is put right here, each held by a test:

- it forgets the session of a client without a name and password within a second of its leaving; `OpenHouse`
  admits clients without calling them anonymous;
- it drops a message that the receiver has not acknowledged after five seconds or before it went away;
  `_Patient` sends it again, or keeps it for the receiver's return;
- it leaves connections open when it stops, and may wait for one for ever; `_Broker.shutdown` closes them.
"""

from __future__ import annotations

import asyncio
import logging
import threading
from typing import TYPE_CHECKING, Any, Self

from amqtt.broker import Broker, RetainedApplicationMessage
from amqtt.plugins.base import BaseAuthPlugin

if TYPE_CHECKING:
    from types import TracebackType

_STOPPING_S = 1.0  # so long the library may take to stop while connections are open


class OpenHouse(BaseAuthPlugin):  # type: ignore[misc]
    """Admits every client, and lets it have a persistent session."""

    async def authenticate(self, *, session: Any) -> bool:  # noqa: ARG002 - the library's signature
        """Whether the client may come in: always."""
        return True


class _Patient:
    """Stands before a receiver's protocol handler and does not give up on a message."""

    def __init__(self, handler: Any, session: Any) -> None:
        self._handler = handler
        self._session = session

    async def mqtt_publish(self, topic: str, data: bytes, qos: int, retain: bool) -> None:
        while True:
            try:
                await self._handler.mqtt_publish(topic, data, qos, retain=retain)
            except TimeoutError:
                if self._session.transitions.state == "connected":
                    continue
                self._keep(topic, data, qos)
            except BaseException:
                self._keep(topic, data, qos)
                raise
            return

    def _keep(self, topic: str, data: bytes, qos: int) -> None:
        if qos and not self._session.clean_session:
            self._session.retained_messages.put_nowait(RetainedApplicationMessage(None, topic, data, qos))


class _Broker(Broker):  # type: ignore[misc]
    def __init__(self, config: dict[str, Any]) -> None:
        super().__init__(config)
        self._connections: set[asyncio.StreamWriter] = set()

    async def stream_connected(
        self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, listener_name: str
    ) -> None:
        self._connections.add(writer)
        try:
            await super().stream_connected(reader, writer, listener_name)
        finally:
            self._connections.discard(writer)
            writer.close()

    async def shutdown(self) -> None:
        open_yet = list(self._connections)
        stopping = asyncio.ensure_future(super().shutdown())
        # It cancels a reader and waits for it; where a packet comes at that moment, `asyncio.wait_for` of Python 3.11
        # swallows that, and the reader would read on for ever. The end of its connection ends it, too.
        await asyncio.wait({stopping}, timeout=_STOPPING_S)
        for writer in open_yet:
            writer.close()
        await stopping
        # A connection that its client broke off ends with the error that broke it.
        await asyncio.gather(*(writer.wait_closed() for writer in open_yet), return_exceptions=True)

    def _get_handler(self, session: Any) -> Any:
        handler = super()._get_handler(session)
        return None if handler is None else _Patient(handler, session)


class EmbeddedBroker:
    """A broker that runs from `start` to `stop`.

    Args:
        host: address to listen on; the default is this machine alone.
        port: port to listen on; 0 takes a free one, which `port` tells after `start`.
    """

    def __init__(self, host: str = "127.0.0.1", port: int = 1883) -> None:
        self.host = host
        self.port = port
        self._thread: threading.Thread | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._stop: asyncio.Event | None = None
        self._ready = threading.Event()
        self._failure: BaseException | None = None

    def start(self, timeout: float = 10.0) -> None:
        """Listen.

        Raises:
            OSError: the address cannot be had; it says why.
            TimeoutError: the broker did not come up in time.
        """
        # The library reports every packet; what matters here are its warnings.
        for name in ("amqtt", "transitions"):
            logging.getLogger(name).setLevel(logging.ERROR)
        self._ready = threading.Event()
        self._thread = threading.Thread(target=self._run, name="embedded-broker", daemon=True)
        self._thread.start()
        if not self._ready.wait(timeout):
            raise TimeoutError(f"the embedded broker did not start within {timeout:g} s")
        failure, self._failure = self._failure, None
        if failure is not None:
            self._thread.join()
            self._thread = None
            raise OSError(f"the embedded broker cannot listen on {self.host}:{self.port}: {failure}") from failure

    def stop(self, timeout: float = 10.0) -> None:
        """Stop listening and end the thread; nothing happens if it does not run."""
        if self._thread is None or self._loop is None or self._stop is None:
            return
        self._loop.call_soon_threadsafe(self._stop.set)
        self._thread.join(timeout)
        self._thread = None

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()

    def _run(self) -> None:
        try:
            asyncio.run(self._serve())
        except BaseException as error:  # noqa: BLE001 - handed to the thread that waits in start()
            self._failure = error.__cause__ or error
            self._ready.set()

    async def _serve(self) -> None:
        self._loop = asyncio.get_running_loop()
        self._stop = asyncio.Event()
        broker = _Broker(
            {
                "listeners": {"default": {"type": "tcp", "bind": f"{self.host}:{self.port}"}},
                "plugins": {f"{__name__}.{OpenHouse.__name__}": {}},
            }
        )
        await broker.start()
        try:
            server = broker._servers["default"].instance  # noqa: SLF001 - there is no other way to ask
            self.port = server.sockets[0].getsockname()[1]
            self._ready.set()
            await self._stop.wait()
        finally:
            await broker.shutdown()
