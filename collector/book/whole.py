"""The schema with every part of the book in it, for whoever works on all tables whatever they hold."""

from __future__ import annotations

from importlib import import_module
from pkgutil import iter_modules
from typing import TYPE_CHECKING

import collector.book
from collector.book.schema import metadata

if TYPE_CHECKING:
    from sqlalchemy import MetaData


def whole_schema() -> MetaData:
    """All tables: a part's tables exist only once its module is loaded, so all modules are loaded."""
    for module in iter_modules(collector.book.__path__):
        if not module.ispkg:
            import_module(f"collector.book.{module.name}")
    return metadata
