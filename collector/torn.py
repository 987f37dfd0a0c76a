"""Torn or out of reach? What an error of a store says about its file."""

from __future__ import annotations

import sqlite3

from collector.trace.blobs import BlobError


def is_torn(error: BaseException | None) -> bool:
    """Whether an error, or one that it came from, says that a file is damaged: trying again will not help."""
    while error is not None:
        if isinstance(error, BlobError):
            return True
        code = getattr(error, "sqlite_errorcode", 0) if isinstance(error, sqlite3.Error) else 0
        if code & 0xFF in {sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB}:
            return True
        error = error.__cause__ or error.__context__
    return False
