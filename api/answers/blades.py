"""A blade's life: where it is, how often it was sharpened, and the services between two sharpenings.

new → in the rack → on a saw → to be sharpened → at the sharpener → in the rack … → scrapped, as people said it.
What they say late or leave out does not stop the reckoning: the newest thing said about a moment counts, and a
blade that is put on a saw was evidently there. One that comes from the sharpener straight onto a saw was
evidently sharpened.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING

from api.answers.fittings import Fitting, fittings, in_order
from collector.book.blade_entries import BladeEvent, BladeSheet, EventKind, Fate
from collector.outline import OPEN

if TYPE_CHECKING:
    from collections.abc import Iterable

    from collector.book.blade_entries import ChangeSaid, SheetSaid


class Place(StrEnum):
    """Where a blade is."""

    NEW = "new"  # sharp, in the rack, never used
    RACK = "in_rack"
    SAW = "on_saw"
    TO_SHARPEN = "to_sharpen"
    SHARPENER = "at_sharpener"
    SCRAPPED = "scrapped"
    UNSAID = "unsaid"  # it came out, and nobody said where it went


SHARP = frozenset({Place.NEW, Place.RACK})
"""Places of blades that can go on a saw. A blade in the rack may be part used: its service goes on."""

_AFTER = {Fate.SHARPEN: Place.TO_SHARPEN, Fate.KEEP: Place.RACK, Fate.SCRAP: Place.SCRAPPED, None: Place.UNSAID}
_AFTER_EVENT = {
    EventKind.RACKED: Place.RACK,
    EventKind.TO_SHARPEN: Place.TO_SHARPEN,
    EventKind.SENT: Place.SHARPENER,
    EventKind.RETURNED: Place.RACK,
    EventKind.SCRAPPED: Place.SCRAPPED,
}
_ENDS_SERVICE = frozenset({Place.TO_SHARPEN, Place.SHARPENER, Place.SCRAPPED})


@dataclass(slots=True)
class Service:
    """What a blade did from one sharpening to the next.

    Attributes:
        number: 0 for the new blade, 1 after its first sharpening.
        begun: when it became sharp; None for the new blade.
        fittings: the times it sat on a saw.
        ended: when it was put aside to be sharpened or scrapped; None while the service lasts.
        price_cents: what the sharpening before it cost.
        assumed: nobody said that it was sharpened; it went to the sharpener and then onto a saw.
    """

    number: int
    begun: int | None = None
    fittings: list[Fitting] = field(default_factory=list)
    ended: int | None = None
    price_cents: int | None = None
    assumed: bool = False


@dataclass(frozen=True, slots=True)
class Moment:
    """A line of the ledger: what happened to the blade at a time, who said it and when, and where it was after."""

    at: int
    what: str
    saw: str | None
    who: str
    said_us: int
    place: Place
    price_cents: int | None = None
    note: str = ""


@dataclass(slots=True)
class Life:
    """A blade: its description, where it is since when, its services and its ledger.

    ``known`` is False for a blade that was only ever named at a saw: nobody has described it yet.
    """

    sheet: BladeSheet
    entered: int
    known: bool = True
    place: Place = Place.NEW
    saw: str | None = None
    since: int | None = None
    services: list[Service] = field(default_factory=lambda: [Service(0)])
    moments: list[Moment] = field(default_factory=list)

    @property
    def tag(self) -> str:
        """The name on the blade."""
        return self.sheet.tag

    @property
    def service(self) -> Service:
        """The newest service."""
        return self.services[-1]

    @property
    def sharpenings(self) -> int:
        """How often it was sharpened."""
        return len(self.services) - 1

    @property
    def sharp(self) -> bool:
        """Whether it lies ready to go on a saw; it may be part used."""
        return self.place in SHARP

    @property
    def last_service(self) -> bool:
        """Whether its maker's limit of sharpenings is reached: after this service it is done."""
        limit = self.sheet.sharpenings_limit
        return limit is not None and self.sharpenings >= limit

    def went_in(self, step: ChangeSaid) -> None:
        """A change put it on a saw."""
        if self.place is Place.SHARPENER:
            self._sharpened(step.at_us, None, assumed=True)
        self._move(Place.SAW, step.at_us, step.saw)
        self._note(step, "in")

    def came_out(self, step: ChangeSaid) -> None:
        """A change took it off its saw."""
        self._move(_AFTER[step.fate], step.at_us)
        self._note(step, f"out, {step.fate.value}" if step.fate else "out")

    def elsewhere(self, step: BladeEvent) -> None:
        """It came to another station of its life."""
        kind = EventKind(step.kind)
        if kind is EventKind.RETURNED:
            self._sharpened(step.at_us, step.price_cents)
        self._move(_AFTER_EVENT[kind], step.at_us)
        self._note(step, kind.value)

    def _move(self, place: Place, at: int, saw: str | None = None) -> None:
        self.place, self.since, self.saw = place, at, saw
        self.service.ended = at if place in _ENDS_SERVICE and self.service.ended is None else self.service.ended
        if place not in _ENDS_SERVICE:
            self.service.ended = None  # put back as it was: the service goes on

    def _note(self, step: ChangeSaid | BladeEvent, what: str) -> None:
        saw = None if isinstance(step, BladeEvent) else step.saw
        price, note = (step.price_cents, step.note) if isinstance(step, BladeEvent) else (None, "")
        self.moments.append(Moment(step.at_us, what, saw, step.who, step.said_us, self.place, price, note))

    def _sharpened(self, at: int, price_cents: int | None, *, assumed: bool = False) -> None:
        if self.service.ended is None:
            self.service.ended = at
        self.services.append(Service(len(self.services), at, price_cents=price_cents, assumed=assumed))


def lives(sheets: Iterable[SheetSaid], changes: Iterable[ChangeSaid], events: Iterable[BladeEvent]) -> dict[str, Life]:
    """Every blade by its tag, in the order of the tags.

    Args:
        sheets: everything ever said of blades' descriptions; the newest of a tag counts.
        changes: everything ever said about changes.
        events: everything ever said of blades elsewhere.
    """
    changes, events = list(changes), list(events)
    tale = _Tale(sheets)
    for step in in_order(changes, events):
        tale.tell(step)
    for fitting in fittings(changes, events):
        if fitting.tag in tale.found:
            _file(tale.found[fitting.tag], fitting)
    return dict(sorted(tale.found.items()))


class _Tale:
    """Follows all blades through what stands about them, step by step."""

    def __init__(self, sheets: Iterable[SheetSaid]) -> None:
        newest: dict[str, SheetSaid] = {}
        entered: dict[str, int] = {}
        for said in sorted(sheets, key=lambda s: s.id):
            newest[said.sheet.tag] = said
            entered.setdefault(said.sheet.tag, said.said_us)
        self.found = {tag: Life(said.sheet, entered[tag]) for tag, said in newest.items() if not said.removed}
        self._removed = {tag for tag, said in newest.items() if said.removed}
        self._on: dict[str, str | None] = {}  # by saw

    def tell(self, step: ChangeSaid | BladeEvent) -> None:
        life = self._life(step)
        if isinstance(step, BladeEvent):
            self._take_off(step.tag)
            if life is not None:
                life.elsewhere(step)
            return
        out = self.found.get(self._on.get(step.saw) or "")
        if out is not None and out is not life:
            out.came_out(step)
        self._take_off(step.tag)
        self._on[step.saw] = step.tag
        if life is not None:
            life.went_in(step)

    def _life(self, step: ChangeSaid | BladeEvent) -> Life | None:
        if step.tag is None or step.tag in self._removed:
            return None
        if step.tag not in self.found:
            self.found[step.tag] = Life(BladeSheet(step.tag), step.said_us, known=False)
        return self.found[step.tag]

    def _take_off(self, tag: str | None) -> None:
        for saw, sits in self._on.items():
            if tag is not None and sits == tag:
                self._on[saw] = None


def _file(life: Life, fitting: Fitting) -> None:
    """Puts a fitting into the service in which it began."""
    begun = [s for s in life.services if s.begun is None or s.begun <= fitting.start]
    begun[-1].fittings.append(fitting)


def sits_on(lives_: Iterable[Life], saw: str) -> Life | None:
    """The blade that sits on a saw now; None where nobody knows."""
    return next((life for life in lives_ if life.place is Place.SAW and life.saw == saw), None)


def spans(service: Service, until: int = OPEN) -> list[tuple[str, int, int]]:
    """Where and when a service's cuts are to be looked for: (saw, start, end), up to ``until``."""
    return [(f.saw, f.start, min(f.end, until)) for f in service.fittings if f.start < min(f.end, until)]
