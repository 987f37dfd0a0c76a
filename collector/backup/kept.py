"""Backups in a folder: their names, which is the newest, and how many are kept."""

from __future__ import annotations

import datetime as dt
import re
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

_FORM = "%Y%m%dT%H%M%SZ"
_NAME = re.compile(r"kerfbook-([a-z0-9-]{1,32})-(\d{8}T\d{6}Z)\.zip")


def name_of(site: str, at: dt.datetime) -> str:
    """``kerfbook-workshop-20260302T031500Z.zip``: in order of time when sorted by name."""
    return f"kerfbook-{site}-{at.astimezone(dt.UTC).strftime(_FORM)}.zip"


def kept(folder: Path, site: str) -> list[tuple[dt.datetime, Path]]:
    """The site's backups in a folder and when they were made, oldest first; none where there is no folder."""
    found = []
    for path in folder.glob("kerfbook-*.zip"):
        parts = _NAME.fullmatch(path.name)
        if parts is not None and parts[1] == site:
            found.append((dt.datetime.strptime(parts[2], _FORM).replace(tzinfo=dt.UTC), path))
    return sorted(found)


def rotate(folder: Path, site: str, keep: int) -> list[Path]:
    """Delete the oldest of the site's backups but for the newest ``keep``; other files stay. Returns the deleted.

    Raises:
        OSError: one cannot be deleted.
    """
    over = [path for _, path in kept(folder, site)][: -max(keep, 1)]
    for path in over:
        path.unlink()
    return over
