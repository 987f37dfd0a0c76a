"""The release of the pages: a screen that stays open for a year reloads itself when it changes."""

from __future__ import annotations

import hashlib
from functools import lru_cache
from pathlib import Path

from api.tongues.catalogue import FOLDER

ROOM = Path(__file__).resolve().parent.parent


@lru_cache(maxsize=1)
def release() -> str:
    """Short digest of every template, static file and translation as they were when the server started."""
    digest = hashlib.sha256()
    for folder in (ROOM / "templates", ROOM / "static", FOLDER):
        for path in sorted(folder.rglob("*")):
            if path.is_file():
                digest.update(path.relative_to(folder).as_posix().encode())
                digest.update(path.read_bytes())
    return digest.hexdigest()[:16]
