"""Playing a saw's life to the outside: packs in a file, or published to a broker, live or faster.

`deliveries` cuts the readings of a `Played` into packs of about a second and says when each leaves the box;
`write_packs` puts them one a line into a file; `pace` hands them on at their time; `BoxClient` publishes
them.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from dataclasses import dataclass
from typing import IO, TYPE_CHECKING

import numpy as np
import orjson
import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from collector.facts import SECOND
from collector.signals import Series, Trace
from collector.wire.pack import write_pack
from collector.wire.topics import readings_topic, status_topic

if TYPE_CHECKING:
    import ssl
    from collections.abc import Callable, Iterable, Iterator

    from paho.mqtt.reasoncodes import ReasonCode

    from collector.wire.forms import Form
    from simulator.shop import Played, Saw

ONLINE = orjson.dumps({"online": True})
OFFLINE = orjson.dumps({"online": False})
_IN_FLIGHT = 1000
"""So many packs are with the library at most: MQTT has 65 535 packet identifiers, and past them it drops what it is
given."""
_BACKLOG_S = 0.02  # between two packs of a box that catches up


@dataclass(frozen=True, slots=True, eq=False)
class Delivery:
    """The readings of one pack and the true time at which the box sends it [µs UTC]."""

    at_us: int
    saw: Saw
    trace: Trace

    def payload(self, form: Form = "json", *, sent_us: int | None = None, absolute: bool = False) -> bytes:
        """The pack as it travels.

        Args:
            form: JSON or CBOR.
            sent_us: moment of sending, for a box without a clock; without it `at_us`.
            absolute: give a box a clock even if it has none, for a file to be read later.
        """
        if self.saw.box.has_clock or absolute:
            return write_pack(self.saw.box_urn, self.trace, form=form)
        sent = self.at_us if sent_us is None else sent_us
        return write_pack(self.saw.box_urn, self.trace, form=form, base_time_us=sent, clock=False)


def deliveries(played: Played) -> Iterator[Delivery]:
    """The packs of a `Played`, in order of sending: one a second in which there was anything to say.

    While the box cannot reach the broker (`Box.outages`) it keeps its packs and sends them, in order, when it
    can again.
    """
    trace, box = played.trace, played.saw.box
    if not len(trace):
        return
    seconds = np.unique(np.concatenate([s.t // SECOND for s in trace.series()]))
    cuts = [np.searchsorted(s.t, np.append(seconds, seconds[-1] + 1) * SECOND).tolist() for s in trace.series()]
    # When the box says second k is over, by true time.
    skew = 1.0 + box.clock_ppm * 1e-6
    local = (seconds + 1) * SECOND - played.start_us - box.clock_offset_s * SECOND
    sent = played.start_us + np.rint(local / skew).astype(np.int64)
    for a, b in box.outages:
        away = (sent >= played.start_us + a * SECOND) & (sent < played.start_us + b * SECOND)
        back = played.start_us + round(b * SECOND)
        sent[away] = back + (np.arange(int(away.sum())) * _BACKLOG_S * SECOND).astype(np.int64)
    for k in np.argsort(sent, kind="stable").tolist():
        parts = (Series(s.t[c[k] : c[k + 1]], s.v[c[k] : c[k + 1]]) for s, c in zip(trace.series(), cuts, strict=True))
        yield Delivery(int(sent[k]), played.saw, Trace(*parts))


def write_packs(played: Iterable[Played], packs: IO[bytes], truth: IO[bytes] | None = None) -> int:
    """Write packs one a line (JSON, absolute times), and the truth, one fact a line.

    Returns:
        how many packs were written.
    """
    count = 0
    for stretch in played:
        for delivery in deliveries(stretch):
            packs.write(delivery.payload(absolute=True) + b"\n")
            count += 1
        if truth is not None:
            truth.writelines(orjson.dumps(record) + b"\n" for record in stretch.truth)
    return count


def pace(
    flow: Iterable[Delivery],
    send: Callable[[Delivery], None],
    *,
    speed: float = 1.0,
    start_us: int | None = None,
    clock: Callable[[], float] = time.time,
    wait: Callable[[float], bool] | None = None,
) -> int:
    """Hand on each delivery at its time.

    Args:
        flow: deliveries in order of sending.
        send: takes each.
        speed: how much faster than life; ``float("inf")``: without waiting.
        start_us: the played time that is now; without it that of the first delivery. Played live, it is the
            real time, and what lies before it is skipped.
        clock: seconds of real time.
        wait: waits some seconds and says whether to stop; default: sleeps, never stops.

    Returns:
        how many were handed on.
    """
    wait = wait or _sleep
    began = clock()
    count = 0
    for delivery in flow:
        if start_us is None:
            start_us = delivery.at_us
        if delivery.at_us < start_us:
            continue
        if speed != float("inf"):
            due = began + (delivery.at_us - start_us) / SECOND / speed
            while (left := due - clock()) > 0:
                if wait(left):
                    return count
        send(delivery)
        count += 1
    return count


def _sleep(seconds: float) -> bool:
    time.sleep(seconds)
    return False


class BoxClient:
    """A box's side of MQTT: publishes with QoS 1, keeps packs while the broker is away, leaves a last will.

    A pack is turned into bytes at the moment of sending, so that a box without a clock counts back from the
    right one.

    Args:
        site: in the topic.
        saw: whose box it is.
        host: the broker's name or address.
        port: the broker's port.
        form: of the packs.
        user: name and password to sign in with; None: without.
        tls: a context for an encrypted connection; None: plain.

    Attributes:
        refused: why the broker did not let the box in when it last tried; None: it did, or was not reached.
    """

    def __init__(
        self,
        site: str,
        saw: Saw,
        host: str,
        port: int,
        *,
        form: Form = "json",
        user: tuple[str, str] | None = None,
        tls: ssl.SSLContext | None = None,
    ) -> None:
        self.saw = saw
        self.refused: str | None = None
        self._form: Form = form
        self._address = (host, port)
        self._topic = readings_topic(site, saw.name)
        self._status = status_topic(site, saw.name)
        self._kept: deque[Delivery] = deque()
        # Held by whoever hands packs to the library. Nobody waits for it: the library calls `_published` with locks of
        # its own held, which `publish` wants too.
        self._sending = threading.Lock()
        self._acknowledged = threading.Condition()
        self._unacknowledged = 0  # kept, or with the library
        self._flying = 0  # with the library
        self._client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=f"box-{site}-{saw.name}",
            clean_session=False,
            reconnect_on_failure=True,
        )
        if user is not None:
            self._client.username_pw_set(*user)
        if tls is not None:
            self._client.tls_set_context(tls)
        self._client.will_set(self._status, OFFLINE, qos=1, retain=True)
        self._client.reconnect_delay_set(1, 30)
        self._client.on_connect = self._connected
        self._client.on_publish = self._published

    def start(self) -> None:
        """Connect, now or as soon as the broker is there."""
        self._client.connect_async(*self._address, keepalive=30)
        self._client.loop_start()

    def send(self, delivery: Delivery) -> None:
        """Publish a pack, or keep it until the broker is there."""
        with self._acknowledged:
            self._unacknowledged += 1
        self._kept.append(delivery)
        self._flush()
        with self._acknowledged:  # no faster than the broker takes it
            self._acknowledged.wait_for(self._has_room, 5.0)

    def settle(self, timeout: float) -> bool:
        """Wait until the broker has acknowledged everything; whether it has within ``timeout`` [s]."""
        end = time.monotonic() + timeout
        while True:
            self._flush()
            with self._acknowledged:
                left = end - time.monotonic()
                if self._acknowledged.wait_for(lambda: self._unacknowledged == 0, max(0.0, min(left, 0.1))):
                    return True
            if left <= 0:
                return False

    def stop(self, timeout: float = 5.0) -> None:
        """Say goodbye and disconnect."""
        self.settle(timeout)
        if self._client.is_connected():
            with self._acknowledged:
                self._unacknowledged += 1
                self._flying += 1
            goodbye = self._client.publish(self._status, OFFLINE, qos=1, retain=True)
            goodbye.wait_for_publish(timeout)
        self._client.disconnect()
        self._client.loop_stop()

    def _flush(self) -> None:
        # Asked again after the lock is free: who came meanwhile went away and left its packs, or its room, to this one.
        while self._can_publish() and self._sending.acquire(blocking=False):
            try:
                while self._can_publish():
                    self._publish(self._kept.popleft())
            finally:
                self._sending.release()

    def _publish(self, delivery: Delivery) -> None:
        sent_us = None if self.saw.box.has_clock else time.time_ns() // 1000
        with self._acknowledged:
            self._flying += 1
        self._client.publish(self._topic, delivery.payload(self._form, sent_us=sent_us), qos=1)

    def _can_publish(self) -> bool:
        return bool(self._kept) and self._client.is_connected() and self._flying < _IN_FLIGHT

    def _has_room(self) -> bool:
        return self._flying < _IN_FLIGHT or not self._client.is_connected()

    def _connected(
        self, client: mqtt.Client, _data: object, _flags: object, reason: ReasonCode, _props: object
    ) -> None:
        self.refused = str(reason) if reason.is_failure else None
        if reason.is_failure:
            return
        with self._acknowledged:
            self._unacknowledged += 1
            self._flying += 1
        client.publish(self._status, ONLINE, qos=1, retain=True)
        self._flush()

    def _published(self, *_: object) -> None:
        with self._acknowledged:
            self._unacknowledged -= 1
            self._flying -= 1
            self._acknowledged.notify_all()
        self._flush()
