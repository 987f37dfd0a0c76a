"""The site that the answers are about: its name, its time zone, its saws and its shifts."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from api.answers.calendar import ShiftPlan
from api.answers.candidates import CHANGE_SECONDS
from api.answers.energy import Supply
from api.answers.forecast import TURNAROUND_DAYS
from api.answers.service_limits import FEED_M_MIN
from api.tongues.manner import Show
from collector.facts import SECOND

if TYPE_CHECKING:
    from collections.abc import Mapping


@dataclass(frozen=True, slots=True)
class SawTitle:
    """A saw's name in topics and addresses, and what people call it."""

    name: str
    title: str


@dataclass(frozen=True, slots=True)
class BladeRules:
    """What a workshop settles about its blades.

    Attributes:
        change_seconds: door open and motor off for longer may have been a change.
        feed_m_min: feed from which metres are estimated [m/min].
        turnaround_days: from taking a blade out to having it back sharp, until the shop's own times are known.
        currency: of prices, such as ``EUR``.
        spindle_rpm: speed of each saw's spindle [1/min], where it is known.
    """

    change_seconds: float = CHANGE_SECONDS
    feed_m_min: float = FEED_M_MIN
    turnaround_days: float = TURNAROUND_DAYS
    currency: str = "EUR"
    spindle_rpm: Mapping[str, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Site:
    """What the API must know about a workshop that no fact tells.

    Attributes:
        name: the site's name in topics.
        title: what people call it.
        zone: IANA time zone, such as ``Europe/Lisbon``.
        saws: its saws, in the order in which screens show them.
        shifts: the planned time.
        busy_gap_seconds: pauses between two cuts shorter than this count as in use.
        blades: what is settled about blades.
        supply: of the saws' motors, for the estimate of energy.
        show: language, clock, measures and week, where they are settled.

    Raises:
        ValueError: the zone is unknown, a saw's name comes twice, or the busy gap is negative.
    """

    name: str
    title: str
    zone: str
    saws: tuple[SawTitle, ...]
    shifts: ShiftPlan = field(default_factory=ShiftPlan)
    busy_gap_seconds: float = 180
    blades: BladeRules = field(default_factory=BladeRules)
    supply: Supply = field(default_factory=Supply)
    show: Show = field(default_factory=Show)

    def __post_init__(self) -> None:
        try:
            ZoneInfo(self.zone)
        except (ZoneInfoNotFoundError, ValueError, OSError) as error:
            raise ValueError(f"{self.zone!r} is no IANA time zone; write one such as Europe/Lisbon") from error
        names = [s.name for s in self.saws]
        if len(set(names)) < len(names):
            raise ValueError(f"a saw's name comes twice: {', '.join(names)}")
        if self.busy_gap_seconds < 0:
            raise ValueError("busy_gap_seconds must not be negative")

    @property
    def tz(self) -> ZoneInfo:
        """The time zone."""
        return ZoneInfo(self.zone)

    @property
    def busy_gap(self) -> int:
        """Busy gap in microseconds."""
        return round(self.busy_gap_seconds * SECOND)
