from __future__ import annotations

from tests.api.conftest import blank_book, empty_shop, shop  # noqa: F401 (fixtures)
from tests.broker.conftest import broker, written  # noqa: F401
from tests.door.conftest import house, owner  # noqa: F401
