"""Which saws an ingest may derive at present, where several collectors share the stores."""

from __future__ import annotations

import time
from functools import partial
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterable

    from sqlalchemy import Connection

    from collector.book.leases import Leases

_PREFIX = "saw:"
YOUNG_SECONDS = 120.0
"""For so long after a saw was taken over, readings that are stored already are suspected of being underived."""
DESERTED_SECONDS = 10.0
"""A saw whose readings reach others, and not this collector for so long, is given to them."""

_ASK_SECONDS = 1.0  # a saw that is another's is not asked for more often: all who ask queue


class Tenure:
    """The saws of one ingest.

    Args:
        leases: of this process; None: nobody else writes, and every saw is ours.
    """

    def __init__(self, leases: Leases | None) -> None:
        self._leases = leases
        self._number: int | None = None
        self._since: dict[str, float] = {}
        self._heard: dict[str, float] = {}
        self._strange: dict[str, float] = {}  # another's; when to ask again

    def enter(self, saws: Collection[str], *, anew: bool = True) -> set[str]:
        """Takes those of the saws that are free; returns those that became ours just now.

        Args:
            saws: their names.
            anew: also ask for those that were another's a moment ago.

        Raises:
            sqlalchemy.exc.SQLAlchemyError: the database failed.
        """
        leases = self._leases
        if leases is None:
            return set()
        now = time.monotonic()
        if not anew:
            saws = [saw for saw in saws if self._strange.get(saw, 0.0) <= now]
        got = leases.take([_PREFIX + saw for saw in saws])
        self._strange.update({saw: now + _ASK_SECONDS for saw in saws if _PREFIX + saw not in got})
        if leases.number != self._number:
            self._number = leases.number
            self._since.clear()
        new = {name.removeprefix(_PREFIX) for name in got} - self._since.keys()
        self._since.update(dict.fromkeys(new, now))
        return new

    def ours(self, saw: str) -> bool:
        """Whether the saw was ours at the last `enter`."""
        return self._leases is None or saw in self._since

    def fence(self) -> Callable[[Connection], None] | None:
        """For transactions that write what was derived."""
        return None if self._leases is None else partial(self._leases.check, self._number or 0)

    def young(self, saw: str) -> bool:
        """Whether the saw became ours a short while ago, and somebody else may not have finished with it."""
        return self._leases is not None and time.monotonic() < self._since.get(saw, 0.0) + YOUNG_SECONDS

    def heard(self, saws: Iterable[str]) -> None:
        """Messages of these saws came here."""
        if self._leases is not None:
            self._heard.update(dict.fromkeys(saws, time.monotonic()))

    def leave(self, saws: Iterable[str]) -> set[str]:
        """Gives back those of the saws that are heard here no more; returns them."""
        late = time.monotonic() - DESERTED_SECONDS
        gone = {saw for saw in saws if saw in self._since and self._heard.get(saw, self._since[saw]) < late}
        if gone and self._leases is not None:
            self._leases.release([_PREFIX + saw for saw in gone])
            for saw in gone:
                del self._since[saw]
        return gone
