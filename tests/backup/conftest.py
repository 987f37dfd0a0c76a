from __future__ import annotations

from tests.ingest.conftest import shop

__all__ = ["shop"]
