from __future__ import annotations

import pytest

from collector.book import Book
from tests.conftest import Mosquitto


@pytest.fixture
def broker(tmp_path):
    """A running broker whose log says all."""
    broker = Mosquitto(tmp_path, "log_type all")
    broker.start()
    yield broker
    broker.stop()


@pytest.fixture
def stores(influx, postgres):
    """Lines of [stores], PostgreSQL and InfluxDB; and the book."""
    url = postgres.book()
    with Book(url) as book:
        yield f'trace = "{influx.url}/kerfbook/raw"\ntrace_days = 0\nbook = "{url}"', book
    postgres.drop(url)
