"""The web server: waitress in a thread of its own, with a thread for every screen that listens."""

from __future__ import annotations

import socket
import threading
from typing import TYPE_CHECKING, Any

from waitress import wasyncore
from waitress.server import create_server
from waitress.task import ThreadedTaskDispatcher

from api.live import MAX_STREAMS

if TYPE_CHECKING:
    from flask import Flask

THREADS = MAX_STREAMS + 16
"""An event stream holds a thread for as long as its screen is open; the others are for pages."""


def _believing(proxy: str) -> dict[str, Any]:
    """Attempts to sign in are counted by address: a proxy alone is believed whose, and by its own last word."""
    return {
        "trusted_proxy": proxy,
        "trusted_proxy_count": 1,
        "trusted_proxy_headers": {"x-forwarded-for"},
        "clear_untrusted_proxy_headers": True,
    }


class Hands(ThreadedTaskDispatcher):  # type: ignore[misc] # waitress has no types
    """Threads that serve, begun when one more is needed.

    Waitress begins all at once and lets them take turns, and the allocator keeps for every thread some of what it
    freed: dozens of threads held megabytes that nobody used.

    Args:
        most: so many at most; further requests wait.
    """

    def __init__(self, most: int) -> None:
        super().__init__()
        self._most = most

    def add_task(self, task: Any) -> None:
        """Has a request served, by a new thread where no other waits for it."""
        with self.lock:
            self.queue.append(task)
            self.queue_cv.notify()
            # One that was just begun or woken has not taken its request from the queue yet.
            waiting = len(self.queue) - (len(self.threads) - self.stop_count - self.active_count)
            if waiting > 0 and len(self.threads) < self._most:
                number = next(n for n in range(self._most) if n not in self.threads)
                self.threads.add(number)
                self.active_count += 1
                self.start_new_thread(self.handler_thread, number)
            elif waiting > 0:
                self.queue_logger.warning("%d requests wait for a thread", waiting)


class WebServer:
    """Serves an application until it is stopped.

    Args:
        app: the application.
        host: address to listen at.
        port: likewise; 0: a free one.
        proxy: IP address of a proxy in front, whose X-Forwarded-For is believed; None: of nobody.
        waiting_bytes: so much of an answer waits in memory for one client; then its thread waits.
        stalled_seconds: a client that took nothing for so long is cut off; it may come again.

    Attributes:
        port: the port it listens at, also where 0 was asked for.

    Raises:
        OSError: the address cannot be listened at.
    """

    def __init__(
        self,
        app: Flask,
        host: str,
        port: int,
        proxy: str | None = None,
        *,
        waiting_bytes: int = 512 << 10,
        stalled_seconds: float = 15,
    ) -> None:
        self._stalled_seconds = stalled_seconds
        # Bound here and not by waitress: its error would name neither host nor port.
        self._socket = socket.create_server(
            (host, port), family=socket.AF_INET6 if ":" in host else socket.AF_INET, backlog=256
        )
        # Connections inherit it: the system, too, keeps little for a screen that does not read.
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, waiting_bytes // 4)
        # A screen whose plug was pulled says nothing; without this its place would be held for a quarter of an hour.
        if hasattr(socket, "TCP_USER_TIMEOUT"):  # RFC 5482; Linux has it
            self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, int(stalled_seconds * 1000))
        self.port: int = self._socket.getsockname()[1]
        self._server = create_server(
            app,
            sockets=[self._socket],
            threads=THREADS,
            _dispatcher=Hands(THREADS),
            asyncore_use_poll=True,
            ident=None,
            connection_limit=500,
            outbuf_overflow=8 << 20,  # no answer is larger: none goes through a temporary file
            outbuf_high_watermark=waiting_bytes,
            channel_request_lookahead=1,  # else a client that left is noticed only at the next event for it
            cleanup_interval=stalled_seconds / 3,
            **(_believing(proxy) if proxy else {}),
        )
        self._close_idle = self._server.maintenance
        self._server.maintenance = self._tidy
        self._thread = threading.Thread(target=self._server.run, name="web", daemon=True)

    @property
    def connections(self) -> int:
        """Clients that are connected."""
        return len(self._server.active_channels)

    def start(self) -> None:
        """Begin to serve."""
        self._thread.start()

    def _tidy(self, now: float) -> None:
        """Cuts off whoever is sent something and has taken nothing of it for a while; a thread waits for each of them.

        The server itself ends only connections of which nothing is asked.
        """
        self._close_idle(now)
        for channel in self._server.active_channels.values():
            if channel.total_outbufs_len and channel.last_activity < now - self._stalled_seconds:
                channel.will_close = True

    def stop(self) -> None:
        """Stop serving; end the streams before (`api.app.close_api`), for after a second they are cut off."""
        self._server.task_dispatcher.shutdown(cancel_pending=True, timeout=1)
        # In the server's own thread: closing what it polls from another one would break it.
        # It has no other way to end its loop than to have nothing left to poll. Both steps under the lock: a loop that
        # another thread woke meanwhile would else have closed the pipe that this one writes to.
        trigger = self._server.trigger
        with trigger.lock:
            trigger.thunks.append(lambda: wasyncore.close_all(self._server._map))  # noqa: SLF001
            trigger._physical_pull()  # noqa: SLF001
        self._thread.join(2)
