"""Tasks, ticks, alerts and the outbox in the book."""

from __future__ import annotations

from dataclasses import replace

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlalchemy import Table

from collector.book import alerts, maintenance, schema
from collector.book.alerts import AlertBook, AlertRow, AlertWrite, EventRow, LetterRow, StaleError
from collector.book.book import Book
from collector.book.entries import BookError
from collector.book.maintenance import MaintenanceBook, ReplacedError, TaskRow, TickRow


@pytest.fixture
def book(book_url):
    with Book(book_url) as book:
        yield book


@pytest.fixture
def tending(book):
    return MaintenanceBook(book)


@pytest.fixture
def outbox(book):
    return AlertBook(book)


def test_the_migration_makes_the_tables_that_the_code_describes(book) -> None:
    ours = {t.name for module in (alerts, maintenance) for t in vars(module).values() if isinstance(t, Table)}
    with book.engine.connect() as connection:
        differences = compare_metadata(MigrationContext.configure(connection), schema.metadata)
    assert [d for d in differences if any(name in str(d) for name in ours)] == []


def tick(**fields) -> TickRow:
    return TickRow(**{"task": "rails", "saw": "heron", "occurrence": "2026-03-06", "done_us": 5, "who": "Ana",
                      "role": "operator", "note": "", "said_us": 6} | fields)  # fmt: skip


def test_an_edit_is_a_new_version_and_the_old_one_stays(tending) -> None:
    tending.put_tasks([TaskRow("rails", 0, {"every": 7}, "Rui", 1)])
    tending.put_tasks([TaskRow("rails", 10, {"every": 14}, "Rui", 9)])
    assert [(t.since_us, t.body) for t in tending.tasks()] == [(0, {"every": 7}), (10, {"every": 14})]


def test_the_starter_set_is_written_once(tending) -> None:
    row = TaskRow("rails", 0, {}, "", 1)
    assert tending.put_tasks([row], only_if_empty=True)
    assert not tending.put_tasks([row], only_if_empty=True)
    assert len(tending.tasks()) == 1


def test_a_tick_sent_twice_with_its_token_is_one_tick(tending) -> None:
    first = tending.add_tick(tick(token="abc"))
    assert tending.add_tick(tick(token="abc")) == first
    assert len(tending.ticks()) == 1


def test_a_correction_stands_beside_what_it_corrects_and_only_one_can(tending) -> None:
    first = tending.add_tick(tick())
    tending.add_tick(tick(replaces=first, withdrawn=True))
    assert [(t.id, t.replaces) for t in tending.ticks("heron")] == [(first, None), (first + 1, first)]
    with pytest.raises(ReplacedError):
        tending.add_tick(tick(replaces=first))
    with pytest.raises(BookError, match="no tick 99"):
        tending.add_tick(tick(replaces=99))
    with pytest.raises(BookError, match="no tick"):
        tending.add_tick(tick(replaces=first + 1, task="grease"))


def test_a_feed_secret_stays_until_it_is_renewed(tending) -> None:
    secret = tending.secret("operator", 1)
    assert tending.secret("operator", 2) == secret
    assert tending.role_of(secret) == "operator"
    fresh = tending.secret("operator", 3, renew=True)
    assert (tending.role_of(secret), tending.role_of(fresh)) == (None, "operator")


ROW = AlertRow("box-silent", "heron", "", "unacknowledged", over=False, raised_us=1, mark_us=1)


def test_an_alert_is_written_with_its_events_and_messages_or_not_at_all(outbox) -> None:
    message = LetterRow("phone", "raised", 1, 1)
    (number,) = outbox.write([AlertWrite(ROW, [EventRow("raised", 1)], [message])])
    assert outbox.get(number) == replace(ROW, id=number, version=1)
    assert [m.alert_id for m in outbox.waiting(1)] == [number]
    with pytest.raises(StaleError):
        outbox.write([AlertWrite(ROW, (), [message]), AlertWrite(replace(ROW, id=number, version=7), (), [message])])
    assert (len(outbox.history(10)), len(outbox.letters())) == (1, 1)


def test_who_changes_an_alert_second_is_told(outbox) -> None:
    (number,) = outbox.write([AlertWrite(ROW)])
    seen = outbox.get(number)
    outbox.write([AlertWrite(replace(seen, state="acknowledged", who="Ana"))])
    with pytest.raises(StaleError):
        outbox.write([AlertWrite(replace(seen, state="returned"))])
    assert outbox.get(number).who == "Ana"


def test_an_occasion_is_written_once(outbox) -> None:
    summary = LetterRow("owner", "daily", 1, 1, occasion="daily 2026-03-02", title="t", body="b")
    outbox.write([], [summary])
    outbox.write([], [summary])
    assert len(outbox.waiting(5)) == 1


def test_a_message_waits_for_its_time_and_is_tried_again_until_it_is_sent(outbox) -> None:
    outbox.write([], [LetterRow("owner", "daily", 1, 10, title="t", body="b")])
    assert outbox.waiting(9) == []
    (message,) = outbox.waiting(10)
    outbox.failed([message.id], 40, 10, "nobody there")
    assert outbox.waiting(39) == []
    (message,) = outbox.waiting(40)
    assert (message.tries, message.error) == (1, "nobody there")
    outbox.sent([message.id], 41)
    assert outbox.waiting(10**9) == []


def test_the_newest_alert_of_every_key_is_found(outbox) -> None:
    outbox.write([AlertWrite(replace(ROW, over=True, state="normal"))])
    outbox.write([AlertWrite(replace(ROW, raised_us=9, mark_us=9)), AlertWrite(replace(ROW, saw="plover"))])
    assert sorted((a.saw, a.raised_us) for a in outbox.latest()) == [("heron", 9), ("plover", 1)]


def test_alerts_are_kept_since_the_first_look(outbox) -> None:
    assert (outbox.watched_since(5), outbox.watched_since(9)) == (5, 5)
