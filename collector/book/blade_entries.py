"""What people say about blades: descriptions, stations of a blade's life, and changes. Times: microseconds UTC.

Everything here is said once and kept: a correction is a new entry that names the one it corrects.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

WITHDRAWN = "withdrawn"
"""Kind of a correction that takes back what it corrects."""


class Fate(StrEnum):
    """What happens with the blade that came out."""

    SHARPEN = "sharpen"
    KEEP = "keep"
    SCRAP = "scrap"


class EventKind(StrEnum):
    """A station of a blade's life other than a change on a saw."""

    RACKED = "racked"  # found in the rack, as sharp as it was
    TO_SHARPEN = "to_sharpen"  # put aside to be sharpened
    SENT = "sent"  # given to the sharpener
    RETURNED = "returned"  # came back sharp
    SCRAPPED = "scrapped"


@dataclass(frozen=True, slots=True)
class BladeSheet:
    """A blade's description, as somebody entered it.

    Attributes:
        tag: the name on the blade.
        diameter_mm: outer diameter.
        teeth: number of teeth.
        tooth_form: the trade's word for the shape of its teeth.
        kerf_mm: width of the cut.
        max_rpm: highest speed marked on the blade [1/min].
        sharpenings_limit: how often its maker allows it to be sharpened.
        bought: date of purchase, ``2026-03-02``.
        price_cents: what it cost, in hundredths of the site's currency.
        group: material group that it cuts, a key of `api.answers.service_limits.GROUPS`.
        limit_cuts: service limit in cuts; None: the group's default. The next two likewise.
        limit_minutes: in minutes of cutting.
        limit_metres: in estimated metres.
    """

    tag: str
    diameter_mm: float | None = None
    teeth: int | None = None
    tooth_form: str = ""
    kerf_mm: float | None = None
    max_rpm: int | None = None
    sharpenings_limit: int | None = None
    bought: str | None = None
    price_cents: int | None = None
    group: str = "mixed"
    limit_cuts: int | None = None
    limit_minutes: int | None = None
    limit_metres: int | None = None


@dataclass(frozen=True, slots=True)
class SheetSaid:
    """A description and who entered it; ``removed``: the blade was entered by mistake and is gone from the list."""

    key: str
    said_us: int
    who: str
    sheet: BladeSheet
    removed: bool = False
    id: int = 0


@dataclass(frozen=True, slots=True)
class BladeEvent:
    """A station of a blade's life.

    ``kind`` is an `EventKind` or `WITHDRAWN`; ``price_cents`` what a sharpening cost; ``corrects`` the ``id`` of the
    first entry of the chain that this one corrects.
    """

    key: str
    said_us: int
    who: str
    tag: str
    kind: str
    at_us: int
    price_cents: int | None = None
    note: str = ""
    corrects: int | None = None
    id: int = 0


@dataclass(frozen=True, slots=True)
class ChangeSaid:
    """What somebody said about the blade of a saw at one moment.

    ``kind`` is ``change`` (``tag`` went in, None: nobody knows which; ``fate`` of the one that came out),
    ``cleaned`` (the door was open, the blade stayed) or `WITHDRAWN`. ``key`` is made by whoever says it, once: said
    again with the same key, it is the same entry. ``corrects`` as in `BladeEvent`.
    """

    key: str
    said_us: int
    who: str
    saw: str
    kind: str
    at_us: int
    tag: str | None = None
    fate: Fate | None = None
    corrects: int | None = None
    id: int = 0
