"""The demo's folder: its stores, and the days on which it was looked at."""

from __future__ import annotations

import datetime as dt
import json
from typing import TYPE_CHECKING

from api.tongues.say import gettext, later

if TYPE_CHECKING:
    from pathlib import Path

_ABOUT = "The demo of Kerfbook keeps its invented shop here. Delete the folder and the next demo begins afresh.\n"


class DemoFolder:
    """A folder that a demo keeps its data in; made if missing.

    Attributes:
        starts: days with a moved shift, and its start in minutes after midnight.

    Raises:
        ValueError: the folder holds something else.
        OSError: it cannot be made or read.
    """

    def __init__(self, path: Path) -> None:
        self.path = path.resolve()
        self._days = self.path / "demo.json"
        if self.path.exists() and not self._days.exists() and any(self.path.iterdir()):
            raise ValueError(
                gettext("{path} holds something that no demo made; name another folder with --folder", path=self.path)
            )
        self.path.mkdir(parents=True, exist_ok=True)
        self.starts: dict[dt.date, int] = {}
        if self._days.exists():
            try:
                days = json.loads(self._days.read_text("utf-8"))["moved_shifts"]
                self.starts = {dt.date.fromisoformat(day): int(start) for day, start in days.items()}
            except (ValueError, KeyError, TypeError, AttributeError) as error:
                told = later("{path} is damaged ({error}); delete the folder to begin afresh")
                raise ValueError(gettext(told, path=self._days, error=error)) from error
        else:
            (self.path / "README.txt").write_text(_ABOUT, "utf-8")
            self._save()

    @property
    def trace(self) -> Path:
        """The file of the trace."""
        return self.path / "trace.sqlite"

    @property
    def book(self) -> str:
        """SQLAlchemy address of the book."""
        return f"sqlite:///{self.path / 'book.sqlite'}"

    def move_shift(self, day: dt.date, start: int) -> None:
        """Remember when a day's shift begins, minutes after midnight; a day that has one keeps it."""
        if day not in self.starts:
            self.starts[day] = start
            self._save()

    def _save(self) -> None:
        days = {day.isoformat(): start for day, start in sorted(self.starts.items())}
        draft = self._days.with_suffix(".new")
        draft.write_text(json.dumps({"moved_shifts": days}, indent=1), "utf-8")
        draft.replace(self._days)
