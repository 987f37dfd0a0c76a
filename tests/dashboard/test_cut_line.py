"""The wall through a line that is cut anywhere, in the middle of an event too: it comes back by itself and shows what is true."""

from __future__ import annotations

import random
import selectors
import socket
import threading
import time
from contextlib import suppress

import pytest

from collector.facts import State
from tests.dashboard.test_tv import PAINTED, show
from tests.waiting import wait

pytestmark = pytest.mark.real


class CuttingProxy:
    """Passes bytes on to a port, and cuts every connection after so many of them as chance says while it is in the mood."""

    def __init__(self, target: int, seed: int) -> None:
        self.cutting = False
        self.cuts = 0
        self._target, self._dice = target, random.Random(seed)
        self._listening = socket.create_server(("127.0.0.1", 0))
        self.port = self._listening.getsockname()[1]
        self._closed = False
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        while not self._closed:
            try:
                client, _ = self._listening.accept()
            except OSError:
                return
            threading.Thread(target=self._serve, args=(client,), daemon=True).start()

    def _serve(self, client: socket.socket) -> None:
        with suppress(OSError, ValueError):  # the browser or the server is gone already
            self._pass_on(client)

    def _pass_on(self, client: socket.socket) -> None:
        left = self._dice.randint(1, 6000)
        with (
            client,
            socket.create_connection(("127.0.0.1", self._target)) as server,
            selectors.DefaultSelector() as ready,
        ):
            ready.register(client, selectors.EVENT_READ, server)
            ready.register(server, selectors.EVENT_READ, client)
            while not self._closed:
                for key, _ in ready.select(0.2):
                    try:
                        data = key.fileobj.recv(4096)
                        if key.fileobj is server and self.cutting:
                            data = data[:left]
                            left -= len(data)
                        key.data.sendall(data)
                    except OSError:
                        return
                    if not data or (self.cutting and left <= 0):
                        self.cuts += bool(data)
                        return

    def close(self) -> None:
        self._closed = True
        self._listening.close()


def test_a_screen_behind_a_line_that_is_cut_anywhere_shows_what_is_true(chrome, open_shop):
    shop = open_shop(2)
    shop.work("heron", State.WORKING)
    shop.work("plover", State.READY)
    proxy = CuttingProxy(shop.port, seed=11)
    through = type("Through", (), {"address": f"http://127.0.0.1:{proxy.port}"})()
    try:
        show(chrome, through, (1920, 1080))
        wait(chrome, PAINTED)
        proxy.cutting = True
        end = time.monotonic() + 60
        while proxy.cuts < 12 and time.monotonic() < end:
            shop.cut("heron")
            time.sleep(0.15)
        assert proxy.cuts >= 12
        proxy.cutting = False
        shop.cut("heron")
        total = shop.app.test_client().get("/api/v1/wall").json["saws"][0]["cuts"]["total"]
        wait(chrome, f"document.querySelector('[data-saw=heron] .total').textContent === '{total}'")
        wait(chrome, "document.getElementById('lost').hidden")
    finally:
        proxy.close()
