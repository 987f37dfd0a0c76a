"""What goes into the book and comes out of it, besides facts: small immutable records. Times: microseconds UTC."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from collector.words import Told

if TYPE_CHECKING:
    from collections.abc import Sequence

    from collector.facts import Fact, Now, State

EXCERPT_BYTES = 256
"""How much of a refused payload is kept."""


class BookError(Told):
    """The book cannot be opened or used; the text says why and what to do."""


@dataclass(frozen=True, slots=True)
class SawEntry:
    """A saw of the site: its name in topics, its title on screens, and the URN of the only box heard (None: any).

    The book keeps name and title; which box is heard is a setting of the collector.
    """

    name: str
    title: str = ""
    box: str | None = None


@dataclass(frozen=True, slots=True)
class Checkpoint:
    """How far a saw's trace has been turned into facts, and the detector's state there (`Detector.dump`)."""

    consumed_us: int
    state: bytes


@dataclass(frozen=True, slots=True)
class NowEntry:
    """A saw's present as of its newest reading ``at``; fields as in `collector.facts.Now`.

    ``clock_skew_us`` is the newest reading's time minus the time of its receipt: near zero for a good clock, large
    and negative for a box that delivers late or whose clock is slow. None: never heard over the broker.
    """

    saw: str
    at: int
    state: State
    since: int
    amps_ma: int | None
    locked: bool | None
    station: int | None
    door_closed: bool | None
    clock_skew_us: int | None = None

    @classmethod
    def of(cls, saw: str, now: Now, clock_skew_us: int | None = None) -> NowEntry:
        """The detector's present, with the clock's skew."""
        return cls(
            saw,
            now.at,
            now.state,
            now.since,
            now.amps_ma,
            now.locked,
            now.station,
            now.door_closed,
            clock_skew_us,
        )


@dataclass(frozen=True, slots=True)
class Stretch:
    """A dirty stretch: the trace changed between the two readings (both included), its facts not yet."""

    from_us: int
    to_us: int
    id: int = 0


@dataclass(frozen=True, slots=True)
class SawCommit:
    """What one group of readings changed for one saw.

    Facts of the saw with ``replace_from_us <= start < replace_to_us`` (None: no end) are deleted and ``facts``
    inserted; with ``replace_from_us`` None the facts stay as they are. Each of ``amended`` replaces the fact of its
    kind and start, if there is one. Rest points from ``rests_from_us`` up to
    ``replace_to_us`` are deleted (None: none) and ``rests`` inserted. ``checkpoint``, ``now``: None leaves them.
    ``cleaned``: dirty stretches that are clean with this commit. ``box``: URN of the box heard, None leaves it.
    """

    saw: str
    replace_from_us: int | None = None
    replace_to_us: int | None = None
    facts: Sequence[Fact] = ()
    amended: Sequence[Fact] = ()
    checkpoint: Checkpoint | None = None
    now: NowEntry | None = None
    cleaned: Sequence[Stretch] = ()
    rests_from_us: int | None = None
    rests: Sequence[int] = ()
    box: str | None = None


@dataclass(frozen=True, slots=True)
class BoxStatus:
    """A box said, or its last will said for it, that it is ``online`` since ``since_us``."""

    saw: str
    online: bool
    since_us: int


@dataclass(frozen=True, slots=True)
class BoxEntry:
    """What is known of a saw's box: its URN, and whether it is online (None: it never said)."""

    saw: str
    urn: str | None
    online: bool | None
    since_us: int | None


@dataclass(frozen=True, slots=True)
class RefusalEntry:
    """A refused message, or several alike folded into one; ``excerpt`` is the start of the newest payload."""

    topic: str
    saw: str | None
    code: str
    reason: str
    first_us: int
    last_us: int
    excerpt: bytes
    occurrences: int = 1
    id: int = 0


@dataclass(frozen=True, slots=True)
class Receipt:
    """When the pack with this digest and MQTT packet identifier ``mid`` was received for the first time."""

    saw: str
    mid: int
    digest: bytes
    received_us: int


@dataclass(frozen=True, slots=True)
class Plan:
    """One version of the shift plan: ``body`` as JSON value, in force from ``valid_from_us`` until the next."""

    valid_from_us: int
    body: object
