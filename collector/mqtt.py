"""The collector's end of the broker: receives, lets `Ingest` settle in groups, and acknowledges what is settled.

One thread does all of it. A network thread beside a working one would be slower: each of the many small socket calls
gives the interpreter's lock away, and waits milliseconds to get it back from a thread that computes.

Throughput: a broker sends only so many messages ahead of their acknowledgements. With MQTT 5 the collector says how
many (Receive Maximum); with 3.1.1 the broker decides (Mosquitto: 20, ``max_inflight_messages``), and groups stay small.

Where several collectors share the stores, a session of the broker belongs to one of them at a time: a second one with
the same client identifier, which the broker would let push out the first, waits for the lease instead.
"""

from __future__ import annotations

import logging
import random
import selectors
import ssl
import threading
import time
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple
from zlib import crc32

from paho.mqtt.enums import MQTTErrorCode

from collector.broker import Broker, session_lease
from collector.delays import Delays
from collector.packets import Publish, QuickClient
from collector.session import RECEIVE_MAXIMUM, Session
from collector.ticks import ticks
from collector.torn import is_torn
from collector.troubles import BROKER, CLOCK, STORES, Troubles

if TYPE_CHECKING:
    from collections.abc import Callable

    from paho.mqtt.client import Client, MQTTMessage

    from collector.book.leases import Leases
    from collector.ingest.ingest import Ingest

log = logging.getLogger(__name__)

GROUP_SECONDS = 0.25
"""A group is settled when nothing more arrives, and after this time at the latest."""

_LINGER_SECONDS = 0.002  # "nothing more arrives" is this long
_IDLE_SECONDS = 0.2  # how late a call of stop() is noticed
_BURST = 64  # messages read before anything else is looked at
_BACKOFF_SECONDS = (1.0, 30.0)
_JUMP_US = 5_000_000  # a clock that is corrected by more has jumped
_TEND_SECONDS = 0.5  # how late what another collector received for a saw of ours becomes facts
_LEARN_SECONDS = 2.0  # how late it is noticed that a saw came to rest


@dataclass(frozen=True, slots=True)
class Health:
    """How a collector is, for ``/healthz`` and ``/metrics``; counts are since its start.

    ``queued`` messages are received and not yet settled. ``broker_error`` and ``store_error`` say what is wrong at
    this moment, None: nothing. ``moved_s`` is the time [s] since its thread last went round: seconds where it waits for
    a broker or a store, and growing where it hangs. ``delays`` are of each group's oldest message.
    """

    running: bool
    connected: bool
    connections: int
    messages: int
    refused: int
    readings: int
    late: int
    groups: int
    queued: int
    last_commit_us: int | None
    broker_error: str | None
    store_error: str | None
    moved_s: float
    delays: Delays


class _Token(NamedTuple):
    client: Client
    mid: int
    qos: int


class Collector:
    """Receives the messages of a site and gives them to an ingest.

    Args:
        ingest: takes and settles the messages.
        site: name of the site; its readings and statuses are subscribed to.
        broker: how the broker is reached.
        clock: gives the present in microseconds UTC.
        leases: of this process, where others may collect for the same stores.
        troubles: where it is noted what is wrong.
        torn: called with what was said when a store's file is damaged. The collector ends then: to try again would
            be of no use, and what is not acknowledged the broker sends again to the next one.
        catch_up: first derive what is left of before, also of saws that nothing is heard of any more.
        orphaned: the session is that of a collector that is gone: it is served as the broker has it, and not made.
    """

    def __init__(
        self,
        ingest: Ingest,
        site: str,
        broker: Broker,
        clock: Callable[[], int] = lambda: time.time_ns() // 1000,
        *,
        leases: Leases | None = None,
        troubles: Troubles | None = None,
        torn: Callable[[str], None] | None = None,
        catch_up: bool = False,
        orphaned: bool = False,
    ) -> None:
        self._ingest = ingest
        self._leases = leases
        self._lease = session_lease(site, broker.client_id)
        # Identifiers of packets are a session's own; where a saw's messages come over several, they are told apart.
        several = orphaned or broker.share is not None or bool(broker.saws)
        self._mids = (crc32(broker.client_id.encode()) & 0x7FFF) << 16 if several else 0
        self._broker = broker
        self._clock = clock
        self._troubles = troubles or Troubles()
        filters = [] if orphaned else broker.filters(site)
        self._session = Session(broker, filters, self._on_message, self._troubles, orphaned=orphaned)
        self._torn = torn
        self._left = catch_up
        self._given_up = False
        self._ahead: int | None = None  # the clock's time less that since the machine's start
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self._received = 0
        self._queued = 0
        self._oldest = 0.0  # when the oldest queued message came, by the monotonic clock
        self._delays = Delays()
        self._moved = time.monotonic()
        self._next_learn = 0.0
        self._store_error: str | None = None

    def start(self) -> None:
        """Runs in a thread of its own.

        Raises:
            RuntimeError: it runs already.
        """
        if self._thread is not None and self._thread.is_alive():
            raise RuntimeError("the collector runs already")
        self._stop.clear()
        self._thread = threading.Thread(target=self.run, name="kerfbook-collector", daemon=True)
        self._thread.start()

    def stop(self, timeout: float = 10.0) -> None:
        """Settles what was received, acknowledges it, disconnects, and waits for the end of the thread."""
        self._stop.set()
        if self._thread is not None and self._thread is not threading.current_thread():
            self._thread.join(timeout)

    def run(self) -> None:
        """Runs in this thread until `stop` is called; connects again for as long as it takes."""
        delay = _BACKOFF_SECONDS[0]
        if self._left:
            self._catch_up()
        try:
            while not self._stop.is_set():
                self._moved = time.monotonic()
                if not self._is_mine():
                    self._stop.wait(1.0)
                    continue
                connections = self._session.connections
                self._look_at_clock()
                client = self._session.connect()
                if client is not None:
                    self._serve(client)
                if self._stop.is_set() or self._session.ended:
                    return
                connected = self._session.connections > connections
                delay = _BACKOFF_SECONDS[0] if connected else min(delay * 2, _BACKOFF_SECONDS[1])
                self._troubles.is_on(BROKER, said=f"{self._session.where}: {self._session.error}")
                self._troubles.write()
                wait = delay * random.uniform(0.8, 1.2)  # noqa: S311 (spreads collectors, keeps no secret)
                log.warning("broker %s: %s; trying again in %.0f s", self._session.where, self._session.error, wait)
                self._stop.wait(wait)
        finally:
            self._session.connected = False
            if self._leases is not None and self._lease in self._leases.held():
                with suppress(Exception):  # a database that is away: it runs out
                    self._leases.release([self._lease])

    @property
    def ended(self) -> bool:
        """Whether an orphaned session turned out to be none any more."""
        return self._session.ended

    def health(self) -> Health:
        """How the collector is; from any thread."""
        counts = self._ingest.counts
        return Health(
            running=self._thread is not None and self._thread.is_alive(),
            connected=self._session.connected,
            connections=self._session.connections,
            messages=counts.messages,
            refused=counts.refused,
            readings=counts.readings,
            late=counts.late,
            groups=counts.groups,
            queued=self._queued,
            last_commit_us=counts.last_commit_us,
            broker_error=self._session.error,
            store_error=self._store_error,
            moved_s=time.monotonic() - self._moved,
            delays=self._delays,
        )

    def _is_mine(self) -> bool:
        """Whether the broker's session is ours; takes it if it is free."""
        if self._leases is None:
            return True
        try:
            if self._leases.take([self._lease]):
                return True
            waits = f"another collector uses the client identifier {self._broker.client_id!r}; waiting to follow it"
        except Exception as error:  # noqa: BLE001 (whatever a database raises)
            waits = f"the book cannot be asked whose session it is: {error}"
        if waits != self._session.error:
            log.warning("broker %s: %s", self._session.where, waits)
        self._session.error = waits
        return False

    # Working

    def _on_message(self, client: Client, _data: Any, message: MQTTMessage) -> None:
        try:
            topic = message.topic
        except UnicodeDecodeError:
            topic = "(not UTF-8)"
        payload = bytes(message.payload)
        self._take(client, Publish(topic, payload, message.mid, message.qos, message.retain, message.dup))

    def _take(self, client: Client, message: Publish) -> None:
        self._received += 1
        if not self._queued:
            self._oldest = time.monotonic()
        self._queued += 1
        topic, payload, mid, qos, retain, again = message
        token = _Token(client, mid, qos)
        self._ingest.take(topic, payload, self._clock(), retain, token, mid=self._mids | mid, again=again)

    def _serve(self, client: QuickClient) -> None:
        """Until the connection or the collector ends."""
        linger = _LINGER_SECONDS if self._session.speaks_5 else 0.0
        settle_by = next_misc = next_tend = time.monotonic()
        since = settle_by
        with selectors.DefaultSelector() as selector:
            sock = client.socket()
            if sock is None:
                return
            selector.register(sock, selectors.EVENT_READ)
            while not self._stop.is_set() and not self._session.ended and client.socket() is not None:
                self._moved = time.monotonic()
                buffered = client.holds or (isinstance(sock, ssl.SSLSocket) and sock.pending() > 0)
                wait = 0.0 if buffered else linger if self._queued else _IDLE_SECONDS
                readable = bool(selector.select(wait)) or buffered
                if readable:
                    if not self._queued:
                        settle_by = time.monotonic() + GROUP_SECONDS
                    self._read(client)
                now = time.monotonic()
                if self._queued and (not readable or now >= settle_by or self._queued >= RECEIVE_MAXIMUM):
                    self._settle(client)
                self._learn()
                if client.want_write():
                    client.loop_write()
                if self._leases is not None and now >= next_tend:
                    self._tend()
                    next_tend = now + _TEND_SECONDS
                if now >= next_misc:
                    client.loop_misc()
                    self._look_at_clock()
                    self._troubles.write()
                    next_misc = now + 1.0
                    if self._session.is_mute(since) or not self._is_mine():
                        break
        self._part(client)

    def _tend(self) -> None:
        try:
            self._ingest.tend()
        except Exception as error:  # noqa: BLE001 (whatever a store raises: the next time will do)
            log.warning("what others received could not be derived now: %s", error)

    def _learn(self) -> None:
        """Not while messages wait: their turn comes first."""
        now = time.monotonic()
        if self._queued or now < self._next_learn:
            return
        self._next_learn = now + _LEARN_SECONDS
        try:
            self._ingest.learn()
        except Exception as error:  # noqa: BLE001 (whatever a store raises: the next time will do)
            log.warning("nothing could be learned of the saws now: %s", error)

    def _part(self, client: Client) -> None:
        """Settles what is left, and leaves the broker in order."""
        if self._queued and not self._given_up:
            self._settle(client)
        self._session.leave(client)

    def _read(self, client: QuickClient) -> None:
        for _ in range(_BURST):
            if (message := client.next_publish()) is not None:
                self._take(client, message)
                continue
            before = self._received
            if client.loop_read() != MQTTErrorCode.MQTT_ERR_SUCCESS or self._received == before:
                return

    def _settle(self, client: Client) -> None:
        """Settles and acknowledges; with a store that fails, tries until it is well and reads nothing more."""
        delay = _BACKOFF_SECONDS[0]
        while True:
            try:
                tokens = self._ingest.settle()
                break
            except Exception as error:  # noqa: BLE001 (whatever a store raises: no message may be lost by it)
                if self._failed(error):
                    return
                log.error("the stores failed, trying again in %.0f s: %s", delay, self._store_error)  # noqa: TRY400 (the text says it)
                if self._stop.wait(delay):
                    return
                self._moved = time.monotonic()
                delay = min(delay * 2, _BACKOFF_SECONDS[1])
                client.loop_misc()
        self._store_error = None
        self._troubles.is_over(STORES)
        self._queued = 0
        self._delays.add(time.monotonic() - self._oldest)
        for token in tokens:
            # Perhaps of another session whose messages go into the same group; not of an ended connection, whose
            # identifiers may mean other messages by now.
            if isinstance(token, _Token) and token.client.socket() is not None:
                token.client.ack(token.mid, token.qos)

    def _catch_up(self) -> None:
        try:
            self._ingest.catch_up()
        except Exception as error:  # noqa: BLE001 (whatever a store raises: the first message tries again)
            self._failed(error)

    def _failed(self, error: Exception) -> bool:
        """Notes that a store failed; whether its file is damaged, so that this collector gives up."""
        self._store_error = f"{type(error).__name__}: {error}"
        if self._torn is not None and is_torn(error):
            self._given_up = True
            self._stop.set()
            self._torn(self._store_error)
            return True
        self._troubles.is_on(STORES, said=self._store_error[:500])
        self._troubles.write()
        return False

    def _look_at_clock(self) -> None:
        """Whether this computer's clock was put forward or back; then held packs may be none of the future any more."""
        ahead, before = self._clock() - ticks(), self._ahead
        jumped = before is not None and abs(ahead - before) > _JUMP_US
        # A clock that went away and came back between two looks left packs that nobody else would think of.
        if before is not None and not jumped and not self._ingest.newly_held:
            self._ahead = ahead  # follows a clock that is corrected little by little
            return
        if before is not None and jumped:
            way = "forward" if ahead > before else "back"
            text = f"The clock was put {way} by {abs(ahead - before) / 1e6:.0f} s."
            log.warning("%s", text)
            self._troubles.happened(CLOCK, said=text)
        try:
            self._ingest.take_held()
        except Exception as error:  # noqa: BLE001 (whatever a store raises: they are still held)
            log.warning("packs that wait for the clock stay where they are: %s", error)
            return
        self._ahead = ahead
