"""The live stream over a real web server, with real HTTP clients: good, slow, vanished, and too many."""

from __future__ import annotations

import http.client
import json
import socket
import threading
import time

import pytest

from api.app import EXTENSION
from api.live import Live, Subscriber
from collector.facts import SECOND, State
from dashboard.web import WebServer
from tests.api.conftest import at, cut
from tests.waiting import ENOUGH_S, until


class Screen:
    """A client that reads a stream event by event, as a browser does."""

    def __init__(self, port: int, last_event_id: str | None = None) -> None:
        self.connection = http.client.HTTPConnection("127.0.0.1", port, timeout=ENOUGH_S)
        headers = {"Accept": "text/event-stream"} | ({"Last-Event-ID": last_event_id} if last_event_id else {})
        self.connection.request("GET", "/api/v1/stream", headers=headers)
        self.response = self.connection.getresponse()
        self.id: str | None = None

    def block(self) -> dict[str, str]:
        fields = {}
        while line := self.response.readline().decode().rstrip("\n"):
            key, _, value = line.partition(": ")
            fields[key] = value
        return fields

    def event(self, name: str = "saw") -> dict:
        """The data of the next event of that name."""
        while True:
            fields = self.block()
            assert fields, "the stream ended"
            self.id = fields.get("id", self.id)
            if fields.get("event") == name:
                return json.loads(fields["data"])

    def close(self) -> None:
        self.response.close()
        self.connection.close()


@pytest.fixture
def serve(empty_shop):
    """Starts the shop's API on a real server and makes screens before it."""
    empty_shop.fill()
    started = []

    class Served:
        shop = empty_shop

        def start(self, *, waiting_bytes=512 << 10, **options) -> None:
            app = empty_shop.open(**options)
            self.live: Live = app.extensions[EXTENSION][1]
            self.server = WebServer(app, "127.0.0.1", 0, waiting_bytes=waiting_bytes, stalled_seconds=1)
            self.port = self.server.port
            self.server.start()
            started.append(self.server)

        def screen(self, **options) -> Screen:
            screen = Screen(self.port, **options)
            screens.append(screen)
            return screen

    screens: list[Screen] = []
    served = Served()
    yield served
    served.live.close()
    for screen in screens:
        screen.close()
    for server in started:
        server.stop()


def test_a_screen_first_gets_the_present_entry_of_every_saw(serve):
    serve.start()
    screen = serve.screen()
    assert screen.response.status == 200
    assert screen.response.headers["Content-Type"].startswith("text/event-stream")
    assert screen.block() == {"retry": "1000"}
    entries = [screen.event(), screen.event()]
    wall = serve.shop.app.test_client().get("/api/v1/wall").json["saws"]
    assert entries == [{k: v for k, v in saw.items() if k != "ribbon"} for saw in wall]
    assert screen.id == str(serve.shop.book.revision())


def test_a_commit_is_on_the_screen_soon_and_only_the_saw_that_it_touched(serve):
    serve.start()
    screen = serve.screen()
    for _ in range(2):
        screen.event()
    took = []
    for cuts in range(1, 4):  # a busy computer may be late once
        begun, start = time.monotonic(), at(f"09:00:0{cuts + 2}")
        serve.shop.say("plover", State.WORKING, start, [cut(start, None, saw="plover")])
        entry = screen.event()
        took.append(time.monotonic() - begun)
        assert (entry["saw"], entry["state"], entry["cuts"]["total"]) == ("plover", "WORKING", cuts)
        assert screen.id == str(serve.shop.book.revision())
    assert min(took) < 1, took
    serve.shop.say("plover", State.READY, at("09:00:06"))
    assert screen.event()["saw"] == "plover"


def test_a_screen_that_comes_back_gets_what_is_true_now(serve):
    serve.start()
    screen = serve.screen()
    for _ in range(2):
        screen.event()
    screen.close()
    serve.shop.say("plover", State.READY, at("09:00:03"))
    serve.shop.say("plover", State.WORKING, at("09:00:04"))
    back = serve.screen(last_event_id=screen.id)
    entries = {e["saw"]: e["state"] for e in (back.event(), back.event())}
    assert entries == {"heron": "WORKING", "plover": "WORKING"}
    assert int(back.id) == int(screen.id) + 2


def test_the_line_shows_that_it_is_alive(serve):
    serve.start(tick_seconds=0.2)
    screen = serve.screen()
    assert screen.event("tick") == {"now": "2026-03-02T09:00:04.000Z"}
    assert screen.event("tick")


def test_a_saw_that_falls_silent_goes_offline_without_any_commit(serve):
    serve.start()
    screen = serve.screen()
    assert [screen.event()["state"] for _ in range(2)] == ["WORKING", "OFFLINE"]
    serve.shop.clock.now = at("09:00:15")
    time.sleep(0.3)  # still fresh: nothing may come
    serve.shop.clock.now = at("09:00:16")
    entry = screen.event()
    assert (entry["saw"], entry["state"], entry["since"]) == ("heron", "OFFLINE", "2026-03-02T09:00:00.000Z")


def test_the_coverage_of_a_silent_saw_goes_on_sinking_on_the_screen(serve):
    serve.start()
    screen = serve.screen()
    for _ in range(2):
        screen.event()
    serve.shop.clock.now = at("09:01:00")
    first = screen.event()
    serve.shop.clock.now = at("09:02:01")
    later = [screen.event(), screen.event()]
    heron = next(e for e in later if e["saw"] == "heron")
    assert heron["utilisation"]["coverage"] < first["utilisation"]["coverage"]


def test_a_new_day_is_on_the_screen_without_any_commit(serve):
    serve.start()
    screen = serve.screen()
    assert screen.event()["cuts"]["total"] == 3
    screen.event()
    serve.shop.clock.now = at("00:00:01") + 86_400 * SECOND
    assert [screen.event()["cuts"]["total"] for _ in range(2)] == [0, 0]


def test_forty_screens_get_the_same_event_and_it_is_made_once(serve, monkeypatch):
    serve.start()
    screens = [serve.screen() for _ in range(40)]
    for screen in screens:
        screen.event()
        screen.event()
    made = []
    entries = serve.live._board.entries
    monkeypatch.setattr(serve.live._board, "entries", lambda saws, now: made.append(saws) or entries(saws, now))
    serve.shop.say("plover", State.READY, at("09:00:04"))
    assert len({json.dumps(s.event()) for s in screens}) == 1
    assert made == [["plover"]]


def test_a_client_that_never_reads_is_dropped_and_closed_and_the_others_are_served(serve):
    serve.start(waiting_bytes=16 << 10)  # small, so that a few events fill it
    serve.live._poll, serve.live._backlog = 0.002, 20
    screen = serve.screen()
    slow = socket.socket()
    slow.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
    slow.connect(("127.0.0.1", serve.port))
    slow.sendall(b"GET /api/v1/stream HTTP/1.1\r\nHost: localhost\r\n\r\n")
    until(lambda: serve.live.listeners == 2)
    states: list[str] = []

    def read() -> None:
        while states[-1:] != ["ERROR"]:
            states.append(screen.event()["state"])

    reader = threading.Thread(target=read)
    reader.start()
    n = 0
    while serve.live.listeners == 2 and n < 2000:
        n += 1
        serve.shop.say("plover", State.READY, at("09:00:04") + n)
        time.sleep(0.003)
    assert serve.live.listeners == 1
    serve.shop.say("plover", State.ERROR, at("09:00:04") + n + 1)
    reader.join(ENOUGH_S)
    assert states[-1] == "ERROR"
    until(lambda: serve.server.connections == 1)  # its connection and its thread are free again
    slow.close()


def test_a_client_that_vanishes_frees_its_place(serve):
    serve.start(tick_seconds=0.1)
    screen = serve.screen()
    screen.event()
    assert serve.live.listeners == 1
    screen.close()
    until(lambda: serve.live.listeners == 0)


def test_one_stream_more_than_served_is_told_to_come_back(serve):
    serve.start(max_streams=2)
    kept = [serve.screen(), serve.screen()]
    for screen in kept:
        screen.event()
    third = serve.screen()
    assert (third.response.status, third.response.headers["Retry-After"]) == (503, "60")
    assert json.loads(third.response.read())["type"].endswith("too-many-streams")


def test_while_the_book_is_away_the_line_stays_alive_and_then_goes_on(serve, monkeypatch, caplog):
    serve.start(tick_seconds=0.1)
    screen = serve.screen()
    for _ in range(2):
        screen.event()
    book = serve.live._desk.book
    revision = book.revision

    def away():
        raise OSError("disk I/O error")

    monkeypatch.setattr(book, "revision", away)
    for _ in range(5):
        screen.event("tick")
    assert len([r for r in caplog.records if "cannot read the book" in r.message]) == 1
    monkeypatch.setattr(book, "revision", revision)
    serve.shop.say("plover", State.READY, at("09:00:04"))
    assert screen.event()["saw"] == "plover"


def test_asking_only_for_the_headers_takes_no_place(serve):
    serve.start()
    connection = http.client.HTTPConnection("127.0.0.1", serve.port, timeout=ENOUGH_S)
    connection.request("HEAD", "/api/v1/stream")
    assert connection.getresponse().status == 200
    until(lambda: serve.live.listeners == 0)
    connection.close()


def test_without_listeners_nothing_is_read(serve, monkeypatch):
    serve.start(tick_seconds=0.05)
    screen = serve.screen()
    screen.event()
    screen.close()
    until(lambda: serve.live.listeners == 0)
    time.sleep(0.2)
    asked = []
    monkeypatch.setattr(serve.live._desk.book, "revision", lambda: asked.append(1))
    time.sleep(0.3)
    assert not asked


def test_closing_ends_every_stream(serve):
    serve.start()
    screen = serve.screen()
    screen.event()
    serve.live.close()
    until(lambda: screen.block() == {})


def test_leaving_twice_is_no_error(serve):
    serve.start()
    serve.live.leave(Subscriber())
