"""Refused messages of one group, folded: a flood of them costs a few entries and no count. Pure."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from collector.book.entries import EXCERPT_BYTES, RefusalEntry

if TYPE_CHECKING:
    from collector.wire.refusal import Refusal

_TOPICS = 64  # so many topics of one group are told apart


class Refused:
    """Collects the refusals of a group by topic and code; the newest reason and payload of each are kept."""

    def __init__(self) -> None:
        self._entries: dict[tuple[str, str], RefusalEntry] = {}

    def __len__(self) -> int:
        return len(self._entries)

    def add(self, refusal: Refusal, topic: str, saw: str | None, payload: bytes, received_us: int) -> None:
        """Notes one refused message; ``saw`` None: it is none of ours."""
        key = (topic, refusal.code)
        if key not in self._entries and len(self._entries) >= _TOPICS:
            key = (f"(more topics, saw {saw})" if saw else "(more topics)", refusal.code)
        excerpt = bytes(payload[:EXCERPT_BYTES])
        if (known := self._entries.get(key)) is None:
            code, reason = refusal.code, refusal.reason
            self._entries[key] = RefusalEntry(key[0], saw, code, reason, received_us, received_us, excerpt)
        else:
            self._entries[key] = replace(
                known,
                reason=refusal.reason,
                last_us=max(known.last_us, received_us),
                excerpt=excerpt,
                occurrences=known.occurrences + 1,
            )

    def entries(self) -> list[RefusalEntry]:
        """One entry a topic and code, in order of first receipt."""
        return list(self._entries.values())

    def clear(self) -> None:
        """Forgets them, after they were committed."""
        self._entries.clear()
