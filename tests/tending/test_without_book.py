"""A book that cannot be written is told all the same: once, to whoever must know, and until it is delivered."""

from __future__ import annotations

import sqlite3
from contextlib import contextmanager

import pytest

from api.answers.telling import Channel, Policy
from api.delivery import AppriseSender, Post
from tests.conftest import free_port
from tests.tending.month import at
from tests.tending.servers import SMTP, Server
from tests.tending.shop import MINUTE, Shop

CANNOT = "Tern Point Stageworks: readings cannot be written"
BOSS = Policy((Channel("boss", "owner", "x://boss"), Channel("crew", "operator", "x://crew")))
START = at(2, "09:00")


@contextmanager
def lost(shop: Shop):
    """The book cannot be written: a table of it is away."""
    path = shop.book.engine.url.database

    def rename(old: str, new: str) -> None:
        with sqlite3.connect(path) as db:
            db.execute(f"ALTER TABLE {old} RENAME TO {new}")

    rename("letter", "letter_away")
    try:
        yield
    finally:
        rename("letter_away", "letter")


def rounds(shop: Shop, first: int, minutes: int) -> None:
    """What the watch's thread does, once a minute."""
    for k in range(minutes):
        shop.clock.now = first + k * MINUTE
        shop.watch.round()


def test_an_outage_is_told_once_to_whoever_must_know_it(open_shop) -> None:
    shop = open_shop(policy=BOSS)
    rounds(shop, START, 2)
    with lost(shop):
        rounds(shop, START + 2 * MINUTE, 1)
        assert shop.box.titles == []  # it may be over in a moment
        rounds(shop, START + 3 * MINUTE, 70)
        assert shop.box.titles == [CANNOT]
    address, _, body, facts = shop.box.got[0]
    assert address == "x://boss"
    assert "Since 09:02. no such table" in body
    assert "What to do: See to the disk" in body
    assert facts["alerts"][0]["kind"] == "stores-failing"


def test_a_book_that_comes_and_goes_is_told_once_an_hour_at_most(open_shop) -> None:
    shop = open_shop(policy=BOSS)
    for minute in range(0, 110, 10):
        rounds(shop, START + minute * MINUTE, 1)
        with lost(shop):
            rounds(shop, START + (minute + 7) * MINUTE, 3)
    assert len(shop.box.titles) == 2


def test_what_is_not_delivered_is_tried_again_until_it_is(open_shop) -> None:
    shop = open_shop(policy=BOSS)
    with lost(shop):
        shop.box.down = True
        rounds(shop, START, 30)
        shop.box.down = False
        rounds(shop, START + 30 * MINUTE, 16)
    assert shop.box.titles == [CANNOT]


def test_whoever_does_not_watch_tells_nothing(open_shop) -> None:
    shop = open_shop(policy=BOSS)

    class Others:
        def take(self, names):
            return []

    shop.watch = shop.new_watch(Others())
    rounds(shop, START, 2)
    with lost(shop):
        rounds(shop, START + 2 * MINUTE, 10)
    assert shop.box.titles == []


@pytest.mark.real
def test_it_arrives_by_mail(open_shop, tmp_path) -> None:
    mail = Server(SMTP, free_port(), tmp_path / "mail")
    mail.start()
    to = f"mailto://127.0.0.1:{mail.port}/?from=saws@tern-point.example&to=boss@tern-point.example&mode=insecure"
    shop = open_shop(policy=Policy((Channel("boss", "owner", to),)), sender=Post(AppriseSender()))
    with lost(shop):
        rounds(shop, START, 5)
    mail.stop()
    assert [m["subject"] for m in mail.received] == [CANNOT]
