"""The web server: waitress in a thread of its own, with a thread for every screen that listens."""

from __future__ import annotations

import socket
import threading
from typing import TYPE_CHECKING

from waitress import wasyncore
from waitress.server import create_server

if TYPE_CHECKING:
    from flask import Flask

THREADS = 64
"""An event stream holds a thread for as long as its screen is open: 40 screens and room for pages."""


class WebServer:
    """Serves an application until it is stopped.

    Attributes:
        port: the port it listens at, also where 0 was asked for.

    Raises:
        OSError: the address cannot be listened at.
    """

    def __init__(self, app: Flask, host: str, port: int) -> None:
        # Bound here and not by waitress: its error would name neither host nor port.
        self._socket = socket.create_server(
            (host, port), family=socket.AF_INET6 if ":" in host else socket.AF_INET, backlog=256
        )
        self.port: int = self._socket.getsockname()[1]
        self._server = create_server(
            app,
            sockets=[self._socket],
            threads=THREADS,
            asyncore_use_poll=True,
            ident=None,
            connection_limit=500,
            outbuf_overflow=8 << 20,  # no answer is larger: none goes through a temporary file
        )
        self._thread = threading.Thread(target=self._server.run, name="web", daemon=True)

    def start(self) -> None:
        """Begin to serve."""
        self._thread.start()

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
