from __future__ import annotations

from tests.api.conftest import blank_book, client, empty_shop, shop  # noqa: F401 (fixtures)
from tests.dashboard.conftest import chrome, open_shop  # noqa: F401 (fixtures)
