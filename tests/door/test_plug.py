"""A screen whose plug is pulled says nothing any more, not even that it left: its place must come free by itself."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

from api.app import EXTENSION, close_api
from dashboard.web import WebServer
from tests.conftest import missing, need
from tests.waiting import until

pytestmark = pytest.mark.real

NET = f"10.213.{os.getpid() % 256}"
HERE, THERE = f"{NET}.1", f"{NET}.2"  # of a cable between two network spaces of this computer
WATCH = """
import http.client, sys
line = http.client.HTTPConnection(sys.argv[1], int(sys.argv[2]))
line.request("GET", "/api/v1/stream", headers={"Authorization": "Bearer " + sys.argv[3]})
stream = line.getresponse()
assert stream.status == 200, stream.read()
while stream.read1(65536):
    print("heard", flush=True)
"""


@pytest.fixture
def far_room():
    """A network space of its own that a cable leads to: its name, and what pulls the cable's plug."""
    ip, name = need("ip"), f"kerfbook{os.getpid()}"
    near = f"kb{os.getpid()}"

    def do(*arguments: str) -> None:
        done = subprocess.run([ip, *arguments], capture_output=True, text=True, check=False)
        if done.returncode:
            missing(f"ip {' '.join(arguments)}: {done.stderr.strip()}")

    do("netns", "add", name)
    try:
        do("link", "add", near, "type", "veth", "peer", "name", "far", "netns", name)
        do("address", "add", f"{HERE}/30", "dev", near)
        do("link", "set", near, "up")
        do("-n", name, "address", "add", f"{THERE}/30", "dev", "far")
        do("-n", name, "link", "set", "far", "up")
        # What is sent from now on goes to nobody, and nobody says so.
        yield name, lambda: do("neighbour", "replace", THERE, "lladdr", "02:00:00:00:00:01", "dev", near)
    finally:
        subprocess.run([ip, "link", "delete", near], check=False)  # at once; with its network space it would go later
        subprocess.run([ip, "netns", "delete", name], check=False)


def test_a_screen_without_power_loses_its_place_and_the_next_one_gets_it(house, owner, far_room):
    room, pull_the_plug = far_room
    house.shop.fill()
    live = house.app.extensions[EXTENSION][1]
    live._tick = 0.1
    server = WebServer(house.app, HERE, 0, stalled_seconds=2)
    server.start()
    token = house.badge(owner, "token", rights=["see"])["secret"]
    command = ["ip", "netns", "exec", room, sys.executable, "-c", WATCH, HERE, str(server.port), token]
    try:
        with subprocess.Popen(command, stdout=subprocess.PIPE) as screen:
            assert screen.stdout is not None
            assert screen.stdout.readline() == b"heard\n"
            assert (live.listeners, server.connections) == (1, 1)
            pull_the_plug()
            until(lambda: live.listeners == 0 and server.connections == 0)
            screen.kill()
    finally:
        close_api(house.app)
        server.stop()
