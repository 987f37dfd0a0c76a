"""Whose message is it? Topics told apart into those of the site's saws and all others. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING

from collector.wire.refusal import Refusal
from collector.wire.topics import Topic, parse_topic

if TYPE_CHECKING:
    from collections.abc import Iterable

_KNOWN = 4096  # a topic is parsed once; a flood of invented ones must not fill the memory


class Addresses:
    """The topics of one site's saws.

    Args:
        saws: their names.
        site: name of the site; None: any.
    """

    def __init__(self, saws: Iterable[str], site: str | None) -> None:
        self._saws = frozenset(saws)
        self._site = site
        self._known: dict[str, Topic | Refusal] = {}

    def of(self, topic: str) -> Topic:
        """The topic taken apart.

        Raises:
            Refusal: ``bad-topic``, ``foreign-site`` or ``unknown-saw``.
        """
        known = self._known.get(topic)
        if known is None:
            if len(self._known) >= _KNOWN:
                self._known.clear()
            try:
                known = self._checked(parse_topic(topic))
            except Refusal as refusal:
                known = refusal
            self._known[topic] = known
        if isinstance(known, Refusal):
            raise known.with_traceback(None)
        return known

    def _checked(self, topic: Topic) -> Topic:
        if self._site is not None and topic.site != self._site:
            raise Refusal(
                "foreign-site", f"the site {topic.site!r} is not this one, {self._site!r}; correct the box's topic"
            )
        if topic.saw not in self._saws:
            raise Refusal(
                "unknown-saw",
                f"there is no saw {topic.saw!r} here; correct the box's topic, or add the saw to the settings",
            )
        return topic
