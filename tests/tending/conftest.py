from __future__ import annotations

import pytest

from tests.tending.shop import Shop


@pytest.fixture
def open_shop(tmp_path):
    shops: list[Shop] = []

    def make(**how) -> Shop:
        folder = tmp_path / str(len(shops))
        folder.mkdir()
        shops.append(Shop(folder, **how))
        return shops[-1]

    yield make
    for shop in shops:
        shop.close()


@pytest.fixture
def shop(open_shop):
    return open_shop()
