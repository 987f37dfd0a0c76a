"""Screens that never read, and a server that is killed: the others notice nothing, and everything comes back by itself."""

from __future__ import annotations

import http.client
import os
import signal
import socket
import threading
import time
from contextlib import ExitStack
from urllib.parse import urlsplit

import psutil
import pytest

from api.live import MAX_STREAMS
from tests.faults.scene import Scene, work
from tests.ingest.publisher import Publisher
from tests.waiting import until

pytestmark = pytest.mark.real


class Screen:
    """A screen that reads its stream, in a thread of its own; it comes back when the line is cut."""

    def __init__(self, scene: Scene) -> None:
        self._scene, self._over = scene, threading.Event()
        self.heard, self.lines = 0, 0
        threading.Thread(target=self._run, daemon=True).start()

    def close(self) -> None:
        self._over.set()

    def _run(self) -> None:
        while not self._over.is_set():
            try:
                line = http.client.HTTPConnection(urlsplit(self._scene.house.address).netloc, timeout=30)
                line.request("GET", "/api/v1/stream", headers=self._scene.house.asking)
                stream = line.getresponse()
                self.lines += stream.status == 200
                while not self._over.is_set() and (got := stream.read1(65536)):
                    self.heard += len(got)
            except (OSError, http.client.HTTPException):
                pass
            finally:
                line.close()
            time.sleep(0.2)


def sleeper(scene: Scene) -> socket.socket:
    """A screen that asks for the stream and never reads."""
    end = socket.socket()
    end.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
    address = urlsplit(scene.house.address)
    end.connect((address.hostname, address.port))
    headers = "".join(f"{name}: {value}\r\n" for name, value in scene.house.asking.items())
    end.sendall(f"GET /api/v1/stream HTTP/1.1\r\nHost: {address.netloc}\r\n{headers}\r\n".encode())
    return end


def test_screens_that_never_read_are_dropped_and_cost_the_others_nothing(tmp_path, mosquitto):
    scene = Scene(tmp_path, mosquitto)
    with scene.house, ExitStack() as ends, Publisher(mosquitto) as box:
        scene.met()
        reader = Screen(scene)
        ends.callback(reader.close)
        until(lambda: reader.heard)
        before = psutil.Process(scene.house.pid).memory_info().rss
        sleepers = [ends.enter_context(sleeper(scene)) for _ in range(MAX_STREAMS - 1)]
        assert len(sleepers) == MAX_STREAMS - 1
        flow = [*scene.say("heron", work(12)), *scene.say("plover", work(12, seed=2))]
        flow.sort(key=lambda message: message[1][:60])
        late = Screen(scene)  # there is no room for it, until the sleepers are dropped
        ends.callback(late.close)
        for message in flow:
            box.publish([message])
            time.sleep(0.01)
        until(lambda: late.heard > 1000, 90)
        heard = reader.heard
        until(lambda: reader.heard > heard)
        assert reader.lines == 1
        assert psutil.Process(scene.house.pid).memory_info().rss - before < 60e6
        scene.all_is_well()


def test_the_server_is_killed_under_open_screens_and_load(tmp_path, mosquitto):
    scene = Scene(tmp_path, mosquitto)
    flow = [*scene.say("heron", work(4)), *scene.say("plover", work(4, seed=2))]
    screens: list[Screen] = []
    with scene.house, Publisher(mosquitto) as box:
        scene.said = {saw: [] for saw in scene.said}
        scene.met()
        screens += [Screen(scene) for _ in range(5)]
        until(lambda: all(screen.lines == 1 for screen in screens))
        box.publish(flow[: len(flow) // 2])
        os.kill(scene.house.pid, signal.SIGKILL)
        box.publish(flow[len(flow) // 2 :])
        scene.house.wait_killed()
        with scene.house:
            until(lambda: all(screen.lines == 2 for screen in screens))
            for screen in screens:
                screen.close()
