"""The demo's present: each saw's imaginary box publishes over MQTT in real time."""

from __future__ import annotations

import datetime as dt
import threading
import time
from typing import TYPE_CHECKING

from collector.facts import SECOND
from dashboard.demo.days import played
from dashboard.demo.shifts import lay
from simulator import world
from simulator.play import BoxClient, deliveries

if TYPE_CHECKING:
    from dashboard.demo.folder import DemoFolder


class Boxes:
    """The boxes of the shop, one thread each.

    Args:
        host: of the broker.
        port: of the broker.
        folder: tells which days have a moved shift.
        from_us: readings before this are in the store already; it is the present.
    """

    def __init__(self, host: str, port: int, folder: DemoFolder, from_us: int) -> None:
        self._folder = folder
        self._from_us = from_us
        self._stop = threading.Event()
        self._lock = threading.Lock()
        self._clients = [BoxClient(world.SITE, saw, host, port) for saw in world.SAWS.values()]
        self._threads = [
            threading.Thread(target=self._live, args=(client,), name=f"box {client.saw.name}", daemon=True)
            for client in self._clients
        ]

    def start(self) -> None:
        """Begin to publish."""
        for client, thread in zip(self._clients, self._threads, strict=True):
            client.start()
            thread.start()

    def stop(self) -> None:
        """Fall silent."""
        self._stop.set()
        for client, thread in zip(self._clients, self._threads, strict=True):
            thread.join(1)
            client.stop(0.5)

    def _live(self, client: BoxClient) -> None:
        day = dt.datetime.fromtimestamp(self._from_us / SECOND, world.ZONE).date()
        while not self._stop.is_set():
            for delivery in deliveries(played(client.saw.name, day, self._folder.starts)):
                if delivery.trace.first < self._from_us:
                    continue
                if self._sleep_until(delivery.at_us):
                    return
                client.send(delivery)
            day += dt.timedelta(days=1)
            self._begin(day)

    def _begin(self, day: dt.date) -> None:
        """A demo that was started shortly before midnight has somebody who looks: the saws go on working."""
        midnight = dt.datetime.combine(day, dt.time(), world.ZONE)
        if midnight.timestamp() - self._from_us / SECOND < 3 * 3600:
            with self._lock:
                self._folder.move_shift(day, lay(midnight))

    def _sleep_until(self, at_us: int) -> bool:
        """Wait for a moment; whether to stop."""
        while (left := at_us / SECOND - time.time()) > 0:
            if self._stop.wait(min(left, 1.0)):
                return True
        return self._stop.is_set()
