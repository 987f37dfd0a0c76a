"""The book: facts and what is known about each saw, in a relational database."""

from collector.book import (  # noqa: F401 (their tables belong to the schema)
    alerts,
    blades,
    faults,
    maintenance,
    people,
    settings,
    sums,
)
from collector.book.book import Book
from collector.book.commits import REFUSALS_KEPT
from collector.book.entries import (
    EXCERPT_BYTES,
    BookError,
    BoxEntry,
    BoxStatus,
    Checkpoint,
    NowEntry,
    Plan,
    Receipt,
    RefusalEntry,
    SawCommit,
    SawEntry,
    Stretch,
)

__all__ = [
    "EXCERPT_BYTES",
    "REFUSALS_KEPT",
    "Book",
    "BookError",
    "BoxEntry",
    "BoxStatus",
    "Checkpoint",
    "NowEntry",
    "Plan",
    "Receipt",
    "RefusalEntry",
    "SawCommit",
    "SawEntry",
    "Stretch",
]
