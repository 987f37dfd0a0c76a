"""The release of the pages: a screen that stays open for a year reloads itself when it changes."""

from __future__ import annotations

import hashlib
from functools import lru_cache
from pathlib import Path

ROOM = Path(__file__).resolve().parent.parent


@lru_cache(maxsize=1)
def release() -> str:
    """Short digest of every template and static file as they were when the server started."""
    digest = hashlib.sha256()
    for folder in ("templates", "static"):
        for path in sorted((ROOM / folder).rglob("*")):
            if path.is_file():
                digest.update(path.relative_to(ROOM).as_posix().encode())
                digest.update(path.read_bytes())
    return digest.hexdigest()[:16]
