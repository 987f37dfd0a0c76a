"""Letters are written in the workshop's language by the thread that posts them."""

from __future__ import annotations

import threading
from dataclasses import replace

import pytest

from api.tongues.manner import Show
from tests.tending.month import at
from tests.tending.shop import Shop


@pytest.fixture
def shop(tmp_path):
    shop = Shop(tmp_path)
    yield shop
    shop.close()


def test_the_watch_writes_in_the_workshops_language(shop):
    shop.desk.site = replace(shop.desk.site, show=Show(language="pt"))
    shop.heard(at(2, "08:00"))
    shop.clock.now = at(2, "08:05")
    shop.watch.start(0.01)
    try:
        waited = threading.Event()
        for _ in range(1500):
            if shop.box.got or waited.wait(0.02):
                break
    finally:
        shop.watch.stop()
    texts = [f"{title}\n{body}" for _, title, body, _ in shop.box.got]
    assert any(
        "caixa de sensores em silêncio" in text and "O que fazer: Veja se a caixa tem" in text for text in texts
    ), texts
    assert "não é um dispositivo de segurança" in texts[0].lower()
