"""A network between two real ends that a test can cut: in the middle of a packet, for good, or without a word."""

from __future__ import annotations

import socket
import threading
from contextlib import suppress

from tests.conftest import free_port


class Wire:
    """A TCP proxy.

    Args:
        port: of the real server.

    Attributes:
        port: where the wire begins.
        cuts: connections that were cut off so far.
    """

    host = "127.0.0.1"

    def __init__(self, port: int) -> None:
        self.port, self.cuts = free_port(), 0
        self._far = port
        self._down: list[int] = []
        self._up: list[int] = []
        self._made = self._frozen = 0
        self._open: set[socket.socket] = set()
        self._lock = threading.Lock()
        self._listener = socket.create_server((self.host, self.port), backlog=64)
        threading.Thread(target=self._accept, daemon=True).start()

    def cut_after(self, *, down: int | None = None, up: int | None = None) -> None:
        """Cut the next connection that carries so many bytes more: ``down`` from the server, ``up`` to it."""
        with self._lock:
            if down is not None:
                self._down.append(down)
            if up is not None:
                self._up.append(up)

    def freeze(self) -> None:
        """Whatever is connected now stays so, and nothing comes through any more: a router that forgot the connection."""
        self._frozen = self._made

    def close(self) -> None:
        self._listener.close()
        for end in list(self._open):
            self._hang_up(end)

    def _accept(self) -> None:
        with suppress(OSError):
            while True:
                near, _ = self._listener.accept()
                try:
                    far = socket.create_connection((self.host, self._far), 5)
                except OSError:
                    near.close()
                    continue
                self._open |= {near, far}
                self._made += 1
                for source, sink, limits in ((near, far, self._up), (far, near, self._down)):
                    threading.Thread(target=self._carry, args=(source, sink, limits, self._made), daemon=True).start()

    def _carry(self, source: socket.socket, sink: socket.socket, limits: list[int], number: int) -> None:
        with suppress(OSError):
            while data := source.recv(4096):
                if number <= self._frozen:
                    continue
                with self._lock:
                    cut = bool(limits) and len(data) >= limits[0]
                    if cut:
                        data = data[: limits.pop(0)]
                        self.cuts += 1
                    elif limits:
                        limits[0] -= len(data)
                sink.sendall(data)
                if cut:
                    break
        self._hang_up(source)
        self._hang_up(sink)

    def _hang_up(self, end: socket.socket) -> None:
        self._open.discard(end)
        with suppress(OSError):
            end.shutdown(socket.SHUT_RDWR)
        end.close()
