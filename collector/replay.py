"""Replay: recorded packs in, facts out, with no broker and no store. What ``kerfbook replay`` prints."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import TYPE_CHECKING, Any

from collector.book.rows import order
from collector.detect.detector import derive
from collector.facts import Fact, as_record
from collector.signals import Trace, merge
from collector.wire.pack import read_pack
from collector.wire.refusal import Refusal

if TYPE_CHECKING:
    from collector.detect.settings import DetectSettings

_PACKS_AT_ONCE = 4096

OnBad = Callable[[int, Refusal], None]
"""Told of a line that is no good pack: its number, from 1, and why."""


def read_lines(lines: Iterable[str | bytes], on_bad: OnBad | None = None) -> Trace:
    """The union of the packs, one SenML pack in JSON a line, in any order; times must be absolute. Empty lines pass.

    Args:
        lines: text or UTF-8.
        on_bad: told of each line that is no good pack; such lines are left out.
    """
    whole, packs = Trace.empty(), list[Trace]()
    for number, line in enumerate(lines, 1):
        payload = (line.encode(errors="surrogatepass") if isinstance(line, str) else bytes(line)).strip()
        if not payload:
            continue
        try:
            packs.append(read_pack(payload, None).trace)
        except Refusal as refusal:
            if on_bad is not None:
                on_bad(number, refusal)
        if len(packs) >= _PACKS_AT_ONCE:
            whole, packs = merge([whole, *packs]), []
    return merge([whole, *packs])


def replay_facts(
    lines: Iterable[str | bytes], saw: str, settings: DetectSettings | None = None, on_bad: OnBad | None = None
) -> list[Fact]:
    """The facts of recorded packs, in order of start, as the book holds them after the same packs."""
    return sorted(derive(saw, read_lines(lines, on_bad), settings), key=order)


def replay(
    lines: Iterable[str | bytes], saw: str, settings: DetectSettings | None = None, on_bad: OnBad | None = None
) -> Iterator[dict[str, Any]]:
    """The facts of recorded packs as the JSON objects of design.md, in order of start.

    Args:
        lines: one SenML pack a line, see `read_lines`.
        saw: name of the saw that the facts are of.
        settings: of the detector.
        on_bad: told of each line that is no good pack.
    """
    for fact in replay_facts(lines, saw, settings, on_bad):
        yield as_record(fact)
