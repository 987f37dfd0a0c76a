"""Leases: one holder at a time, gone when it is silent for too long, and no writing after that."""

from __future__ import annotations

import subprocess
import sys
import threading
import time
from concurrent.futures import ThreadPoolExecutor

import pytest
from sqlalchemy import update
from sqlalchemy.exc import DBAPIError

from collector.book import Book, SawEntry
from collector.book.engine import writing
from collector.book.entries import BoxStatus, SawCommit
from collector.book.leases import LeaseLostError, Leases, holder
from tests.waiting import until


@pytest.fixture
def book(book_url):
    with Book(book_url) as book:
        book.open_saws([SawEntry("heron"), SawEntry("plover")])
        yield book


def leases(book: Book, title: str = "a", **more) -> Leases:
    return Leases(book.engine, title, **({"place": f"computer of {title}"} | more))


def stand_still(book: Book, who: Leases) -> None:
    """As if its process had not been let run until its time was over."""
    with writing(book.engine) as connection:
        connection.execute(update(holder).where(holder.c.id == who.number).values(until_us=1))


def test_what_one_holds_another_does_not_get_until_it_is_given_back(book):
    a, b = leases(book, "a"), leases(book, "b")
    assert a.take({"saw:heron", "watch"}) == {"saw:heron", "watch"}
    assert b.take({"saw:heron", "saw:plover"}) == {"saw:plover"}
    assert b.ownerless("saw:") == []
    a.release({"saw:heron"})
    assert b.ownerless("saw:") == ["saw:heron"]
    assert b.take({"saw:heron", "watch"}) == {"saw:heron"}
    a.close()
    assert b.take({"watch"}) == {"watch"}
    b.close()


def test_a_holder_that_stood_still_has_lost_everything_even_if_nobody_came(book):
    a = leases(book)
    a.take({"saw:heron", "saw:plover"})
    before = a.number
    stand_still(book, a)
    assert not a.renew()
    assert a.held() == set()
    assert a.take({"saw:heron"}) == {"saw:heron"}
    assert a.held() == {"saw:heron"}
    assert a.number != before


def test_renewing_keeps_it_alive(book):
    a, b = leases(book, seconds=2), leases(book, "b")
    a.start()
    a.take({"watch"})
    assert b.take({"watch"}) == set()
    end = threading.Event()
    assert not end.wait(4)
    assert b.take({"watch"}) == set()
    a.close()
    assert b.take({"watch"}) == {"watch"}


def test_it_runs_out_by_the_clock_of_the_database(book):
    a, b = leases(book, seconds=0.5), leases(book, "b")
    a.take({"watch"})
    until(lambda: b.take({"watch"}) == {"watch"})
    with writing(book.engine) as connection, pytest.raises(LeaseLostError):
        a.check(a.number, connection)


def test_a_clock_that_was_set_back_does_not_keep_a_dead_holder_alive(book):
    a, b = leases(book), leases(book, "b")
    a.take({"watch"})
    with writing(book.engine) as connection:
        connection.execute(update(holder).values(until_us=holder.c.until_us + 400 * 86_400_000_000))
    assert b.take({"watch"}) == {"watch"}


def test_whoever_died_on_this_computer_is_followed_at_once(book, book_url):
    code = (
        "import sys, os, signal; from collector.book import Book; from collector.book.leases import Leases\n"
        "book = Book(sys.argv[1]); assert Leases(book.engine, 'child').take({'watch'}) == {'watch'}\n"
        "os.kill(os.getpid(), signal.SIGKILL)"
    )
    dead = subprocess.run([sys.executable, "-c", code, book_url], check=False)
    assert dead.returncode == -9
    assert Leases(book.engine, "next").take({"watch"}) == {"watch"}


def test_the_fence_lets_nothing_of_a_lost_saw_into_the_book(book):
    a, b = leases(book, "a"), leases(book, "b")
    a.take({"saw:heron"})
    number = a.number
    book.commit([SawCommit("heron", rests=[1])], fence=lambda connection: a.check(number, connection))
    stand_still(book, a)
    b.take({"saw:heron"})
    with pytest.raises(LeaseLostError):
        book.commit(
            [SawCommit("heron", rests=[2])],
            boxes=[BoxStatus("heron", True, 5)],
            fence=lambda connection: a.check(number, connection),
        )
    assert a.held() == set()
    # Under its new number, it may still not write what it derived under the old one.
    a.take({"saw:plover"})
    with pytest.raises(LeaseLostError):
        book.commit([SawCommit("heron", rests=[3])], fence=lambda connection: a.check(number, connection))
    assert book.rests("heron", 0) == [1]
    assert book.box("heron").online is None


def test_of_many_that_want_it_at_the_same_moment_one_gets_it(book):
    names = [f"saw:{n}" for n in range(7)]
    everyone = [leases(book, f"c{n}") for n in range(6)]
    with ThreadPoolExecutor(6) as pool:
        got = list(pool.map(lambda one: one.take(names), everyone))
    assert sorted(name for some in got for name in some) == names


class Slow:
    """A lock before which a thread is held up for a moment, as on a computer with too much to do."""

    def __init__(self) -> None:
        self._lock = threading.Lock()

    def __enter__(self) -> None:
        time.sleep(0.05)
        self._lock.acquire()

    def __exit__(self, *_: object) -> None:
        self._lock.release()


def test_threads_of_one_process_that_ask_first_at_the_same_moment_hold_under_one_number(book):
    one = leases(book)
    one._state = Slow()
    with ThreadPoolExecutor() as threads:
        list(threads.map(one.take, [{"saw:heron"}, {"watch"}, {"session:a"}]))
    assert one.held() == {"saw:heron", "watch", "session:a"}
    assert one.take({"session:a"}) == {"session:a"}


@pytest.mark.real
def test_a_successor_waits_for_a_commit_that_has_passed_the_fence(postgres):
    url = postgres.book()
    with Book(url) as book:
        book.open_saws([SawEntry("heron")])
        a, b = leases(book, "a"), leases(book, "b")
        a.take({"saw:heron"})
        number = a.number
        with ThreadPoolExecutor(1) as pool:

            def passed(connection) -> None:
                a.check(number, connection)
                stand_still(book, a)
                passed.successor = pool.submit(b.take, {"saw:heron"})
                assert not threading.Event().wait(0.3)
                assert not passed.successor.done()

            book.commit([SawCommit("heron", rests=[7])], fence=passed)
            assert passed.successor.result(20) == {"saw:heron"}
        assert book.rests("heron", 0) == [7]
    postgres.drop(url)


@pytest.mark.real
def test_a_process_that_stops_in_the_middle_of_a_transaction_keeps_nobody_from_its_saws(postgres, monkeypatch):
    monkeypatch.setattr("collector.book.engine._STILL_MS", 500)
    url = postgres.book()
    with Book(url) as book:
        book.open_saws([SawEntry("heron")])
        a, b = leases(book, "a"), leases(book, "b")
        a.take({"saw:heron"})
        number = a.number
        with ThreadPoolExecutor(1) as pool:

            def stops(connection) -> None:
                a.check(number, connection)
                stand_still(book, a)
                assert pool.submit(b.take, {"saw:heron"}).result(20) == {"saw:heron"}

            with pytest.raises(DBAPIError):
                book.commit([SawCommit("heron", rests=[7])], fence=stops)
        assert book.rests("heron", 0) == []
    postgres.drop(url)
