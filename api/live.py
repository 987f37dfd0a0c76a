"""Changes as they happen, for any number of screens: one thread reads the book, every subscriber gets a copy.

The thread asks the book for its revision ten times a second, which costs one small read. Only when it grew,
or when time alone changed something (a saw falls silent, a day begins), entries are made: once each, however
many listen. Without listeners the thread sleeps.
"""

from __future__ import annotations

import logging
import threading
import time
from collections import deque
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import orjson

from api.answers.states import SILENCE
from collector.facts import SECOND, iso

if TYPE_CHECKING:
    from collections.abc import Iterator

    from api.board import Board
    from api.desk import Desk

log = logging.getLogger(__name__)

POLL_SECONDS = 0.1
TICK_SECONDS = 5.0
REFRESH = 60 * SECOND
"""A silent saw's entry is sent again after this: its coverage sinks without any commit."""
RETRY_MS = 1000
MAX_STREAMS = 48
"""Live streams that are served at once; each holds a thread of the web server."""
BACKLOG = 256
"""Events that may wait for one subscriber; one that lets more wait does not read, and is dropped."""


class TooManyStreamsError(Exception):
    """As many subscribers listen as may."""


@dataclass(slots=True, eq=False)
class Subscriber:
    """One listener's queue of finished events."""

    new: bool = True
    dropped: bool = False
    events: deque[bytes] = field(default_factory=deque)


@dataclass(slots=True)
class _Sent:
    """The newest event of one saw, and what could outdate it without a commit."""

    event: bytes
    at: int
    heard: int | None
    silent: bool


class Live:
    """Watches the book and hands out events; starts its thread with the first subscriber.

    Args:
        desk: the stores and the clock.
        board: makes the entries.
        limit: how many may subscribe at once; each holds one thread of the web server.
        poll_seconds: time between two looks at the book.
        tick_seconds: time between two signs of life.
        backlog: events that may wait for one subscriber.
    """

    def __init__(
        self,
        desk: Desk,
        board: Board,
        *,
        limit: int = MAX_STREAMS,
        poll_seconds: float = POLL_SECONDS,
        tick_seconds: float = TICK_SECONDS,
        backlog: int = BACKLOG,
    ) -> None:
        self._desk = desk
        self._board = board
        self._limit = limit
        self._poll = poll_seconds
        self._tick = tick_seconds
        self._backlog = max(backlog, 2 * len(desk.saws) + 2)  # a welcome and a whole change must fit
        self._wake = threading.Condition()
        self._subscribers: list[Subscriber] = []
        self._thread: threading.Thread | None = None
        self._closed = False
        self._revision = -1
        self._day = 0
        self._sent: dict[str, _Sent] = {}

    @property
    def limit(self) -> int:
        """How many may subscribe at once."""
        return self._limit

    @property
    def listeners(self) -> int:
        """How many subscribers are served."""
        with self._wake:
            return len(self._subscribers)

    def subscribe(self) -> Subscriber:
        """Adds a subscriber; it first gets the present entry of every saw.

        Raises:
            TooManyStreamsError: as many listen as may.
        """
        with self._wake:
            if self._closed or len(self._subscribers) >= self._limit:
                raise TooManyStreamsError
            subscriber = Subscriber()
            self._subscribers.append(subscriber)
            if self._thread is None:
                self._thread = threading.Thread(target=self._run, name="kerfbook-live", daemon=True)
                self._thread.start()
            self._wake.notify_all()
        return subscriber

    def events(self, subscriber: Subscriber) -> Iterator[bytes]:
        """The subscriber's events until it is dropped, the watch ends, or the caller closes the iterator."""
        try:
            yield f"retry: {RETRY_MS}\n\n".encode()
            while True:
                with self._wake:
                    self._wake.wait_for(lambda: subscriber.events or subscriber.dropped or self._closed)
                    if subscriber.dropped or self._closed:
                        return
                    batch = b"".join(subscriber.events)
                    subscriber.events.clear()
                yield batch
        finally:
            self.leave(subscriber)

    def leave(self, subscriber: Subscriber) -> None:
        """Removes a subscriber; doing it twice is no error."""
        with self._wake:
            if subscriber in self._subscribers:
                self._subscribers.remove(subscriber)

    def close(self) -> None:
        """Ends the thread and every iterator."""
        with self._wake:
            self._closed = True
            self._wake.notify_all()
        if self._thread is not None:
            self._thread.join()

    def _run(self) -> None:
        next_tick = time.monotonic() + self._tick
        failed = False
        while True:
            with self._wake:
                if not self._closed and not self._subscribers:
                    self._wake.wait_for(lambda: self._closed or self._subscribers)
                if self._closed:
                    return
            try:
                fresh = self._look()
                failed = False
            except Exception:  # a database that is away for a while must not end the watch for ever
                if not failed:
                    log.exception("the live stream cannot read the book; it tries again until it can")
                failed, fresh = True, []
            if time.monotonic() >= next_tick:
                # Also while the book is away: the line is alive, and a screen sees its entries grow old.
                next_tick = time.monotonic() + self._tick
                fresh.append(_event("tick", {"now": iso(self._desk.now())}))
            with self._wake:
                self._hand_out(fresh)
                self._wake.wait_for(
                    lambda: self._closed or (self._sent and any(s.new for s in self._subscribers)), self._poll
                )

    def _look(self) -> list[bytes]:
        """Events of the saws whose entry changed since the last look."""
        now = self._desk.now()
        revision = self._desk.book.revision()
        day, _ = self._desk.today(now)
        if revision < self._revision or day != self._day or not self._sent:
            saws = list(self._desk.saws)
        else:
            touched = set(self._desk.book.changed(self._revision)) if revision != self._revision else set()
            saws = [n for n in self._desk.saws if n in touched or self._outdated(self._sent[n], now)]
        events = []
        for name, entry in (self._board.entries(saws, now) if saws else {}).items():
            event = _event("saw", entry, revision)
            heard = self._board.heard(name)
            self._sent[name] = _Sent(event, now, heard, heard is None or now - heard > SILENCE)
            events.append(event)
        self._revision, self._day = revision, day
        return events

    @staticmethod
    def _outdated(sent: _Sent, now: int) -> bool:
        if sent.silent:
            return now - sent.at >= REFRESH
        return sent.heard is not None and now - sent.heard > SILENCE

    def _hand_out(self, events: list[bytes]) -> None:
        if not events and not any(s.new for s in self._subscribers):
            return  # waking every listener ten times a second for nothing would cost more than the reading
        for subscriber in list(self._subscribers):
            if subscriber.new and self._sent:
                subscriber.new = False
                subscriber.events.extend(s.event for s in self._sent.values())
            else:
                subscriber.events.extend(events)
            if len(subscriber.events) > self._backlog:
                subscriber.dropped = True
                subscriber.events.clear()
                self._subscribers.remove(subscriber)
        self._wake.notify_all()


def _event(name: str, data: dict[str, object], event_id: int | None = None) -> bytes:
    """One server-sent event as the HTML standard writes it (section 9.2, Server-sent events)."""
    head = b"" if event_id is None else b"id: %d\n" % event_id
    return head + b"event: " + name.encode() + b"\ndata: " + orjson.dumps(data) + b"\n\n"
