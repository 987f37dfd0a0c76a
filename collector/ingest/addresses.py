"""Whose message is it? Topics and boxes told apart into those of the site's saws and all others. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from collector.facts import SECOND
from collector.wire.refusal import Refusal
from collector.wire.topics import Topic, parse_topic
from collector.words import later

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from collector.book.entries import SawEntry

QUIET_US = 60 * SECOND
"""A box that said nothing for so long may have been replaced by another."""

SECOND_BOX = "second-box"
_KNOWN = 4096  # a topic is parsed once; a flood of invented ones must not fill the memory


@dataclass(slots=True)
class _Speaker:
    """The box that speaks for a saw whose box is not named, its first reading and its newest."""

    box: str
    since: int
    last: int


class Addresses:
    """The topics and boxes of one site's saws.

    Args:
        saws: the saws; of one with a box, no other box is heard.
        site: name of the site; None: any.
        heard: of each saw, the box that was heard last before this process, and its newest reading [µs UTC].

    Attributes:
        changed: saws whose box was followed by another: the one before, and the one that speaks; emptied by whoever
            tells it.
    """

    def __init__(
        self, saws: Iterable[SawEntry], site: str | None, heard: Mapping[str, tuple[str, int]] | None = None
    ) -> None:
        entries = list(saws)
        self._saws = frozenset(entry.name for entry in entries)
        self._boxes = {entry.name: entry.box.removesuffix(":") for entry in entries if entry.box is not None}
        self._site = site
        self._known: dict[str, Topic | Refusal] = {}
        self._speaking = {
            saw: _Speaker(box.removesuffix(":"), last, last)  # since when it spoke is not known: late packs are welcome
            for saw, (box, last) in (heard or {}).items()
            if saw not in self._boxes
        }
        self.changed: dict[str, tuple[str, str]] = {}

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

    def check_box(self, saw: str, box: str, first_us: int, last_us: int) -> None:
        """Whether a saw may be told of by this box (its URN, with or without the ``:`` at the end).

        Where no box is named in the settings, the one that speaks is believed until it has said nothing for a minute of
        the readings' own time; what another says of that time would be mixed with it. What a box before it kept, and
        delivers late, is of a time before.

        Args:
            saw: name of the saw.
            box: URN of the box.
            first_us: first reading of its pack.
            last_us: last one.

        Raises:
            Refusal: ``foreign-box`` or ``second-box``.
        """
        own = self._boxes.get(saw)
        if own is not None and box.removesuffix(":") != own:
            raise Refusal(
                "foreign-box",
                later(
                    "the pack is from {box}, but the box of {saw} is {own}; if the box was exchanged, give its name "
                    "to the saw in the settings, else correct that box's topic"
                ),
                box=repr(box),
                saw=repr(saw),
                own=repr(own + ":"),
            )
        if own is None:
            self._check_speaker(saw, box.removesuffix(":"), first_us, last_us)

    def speaks(self, saw: str) -> str | None:
        """URN of the box that tells of the saw; None: none did yet, and none is named."""
        now = self._speaking.get(saw)
        box = self._boxes.get(saw) if now is None else now.box
        return None if box is None else box + ":"

    def _check_speaker(self, saw: str, box: str, first_us: int, last_us: int) -> None:
        now = self._speaking.get(saw)
        if now is None or (box != now.box and first_us > now.last + QUIET_US):
            if now is not None:
                self.changed[saw] = (now.box + ":", box + ":")
            self._speaking[saw] = _Speaker(box, first_us, last_us)
        elif box == now.box:
            now.last = max(now.last, last_us)
        elif last_us >= now.since:
            raise Refusal(
                SECOND_BOX,
                later(
                    "the pack is from {box}, while {other} speaks for {saw} at the same time; correct the topic of "
                    "the one that sits elsewhere, and name the saw's box in the settings"
                ),
                box=repr(box + ":"),
                other=repr(now.box + ":"),
                saw=repr(saw),
            )

    def _checked(self, topic: Topic) -> Topic:
        if self._site is not None and topic.site != self._site:
            raise Refusal(
                "foreign-site",
                later("the site {site} is not this one, {own}; correct the box's topic"),
                site=repr(topic.site),
                own=repr(self._site),
            )
        if topic.saw not in self._saws:
            raise Refusal(
                "unknown-saw",
                later("there is no saw {saw} here; correct the box's topic, or add the saw to the settings"),
                saw=repr(topic.saw),
            )
        return topic
