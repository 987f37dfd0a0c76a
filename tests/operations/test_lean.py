"""What `kerfbook run` does without, so that little of a small computer's memory is its own."""

from __future__ import annotations

import http.client
import subprocess
import sys
import threading
from concurrent.futures import ThreadPoolExecutor

import pytest
from flask import Flask

from collector.book.engine import open_engine, reading
from collector.book.schema import HEAD
from collector.book.upgrade import version
from dashboard.prepare import prepare
from dashboard.web import THREADS, WebServer

SPARED = (
    *("alembic", "amqtt", "apprise", "cryptography", "icalendar", "influxdb_client", "plotly", "psycopg"),
    *("prometheus_client", "simulator", "sqlalchemy.dialects.postgresql", "zxcvbn"),
)
"""Loaded by the commands and answers that use them."""


def of_a_fresh_process(code: str) -> str:
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return done.stdout.strip()


def test_a_start_loads_nothing_that_only_other_commands_and_rare_answers_use():
    code = f"import sys, dashboard.cli as c; c.parser(['run']); print(*sorted({{*{SPARED!r}}} & {{*sys.modules}}))"
    assert of_a_fresh_process(code) == ""


def test_a_book_is_made_by_a_process_of_its_own(tmp_path):
    url = f"sqlite:///{tmp_path}/new/book.sqlite"
    code = f"import sys; from dashboard.prepare import prepare; prepare({url!r}); print('alembic' in sys.modules)"
    assert of_a_fresh_process(code) == "False"
    with reading(open_engine(url)) as connection:
        assert version(connection) == HEAD


def test_what_is_wrong_with_a_book_is_left_to_whoever_opens_it(tmp_path, capfd):
    (tmp_path / "book.sqlite").write_text("a shopping list, and no book at all\n" * 100)
    for url in ("no address", f"sqlite:///{tmp_path}/book.sqlite"):
        prepare(url)
    assert capfd.readouterr() == ("", "")


def test_the_description_of_the_api_is_made_when_somebody_asks_for_it(shop):
    code = "from api.http import wall\nprint(wall.WallAnswer.__pydantic_complete__)"
    assert of_a_fresh_process(code) == "False"
    client = shop.app.test_client()
    first, again = (client.get("/api/v1/openapi.json") for _ in range(2))
    assert first.data == again.data
    assert first.headers["ETag"] == again.headers["ETag"]


@pytest.fixture
def meeting():
    """A server whose page `/meet/n` comes when n people ask for it at once; its port, and the threads that served."""
    app, rooms, served_by, lock = Flask("meeting"), {}, set(), threading.Lock()

    @app.get("/meet/<int:people>")
    def meet(people):
        with lock:
            room = rooms.setdefault(people, threading.Barrier(people))
            served_by.add(threading.current_thread())
        room.wait(60)
        return "all are here"

    server = WebServer(app, "127.0.0.1", 0)
    server.start()
    yield server.port, served_by
    server.stop()


def ask(port, path):
    line = http.client.HTTPConnection("127.0.0.1", port, timeout=90)
    line.request("GET", path)
    status = line.getresponse().status
    line.close()
    return status


def test_who_asks_one_after_the_other_is_served_by_few_threads(meeting):
    port, served_by = meeting
    for _ in range(30):
        assert ask(port, "/meet/1") == 200
    assert 1 <= len(served_by) <= 4


def test_as_many_as_there_may_be_threads_are_served_at_once(meeting):
    port, served_by = meeting
    with ThreadPoolExecutor(THREADS) as people:
        assert set(people.map(lambda _: ask(port, f"/meet/{THREADS}"), range(THREADS))) == {200}
    assert len(served_by) == THREADS
