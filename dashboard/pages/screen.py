"""What the pages must know about the shop before any number arrives."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from api.site import SawTitle


@dataclass(frozen=True, slots=True)
class Screen:
    """The shop as a page names it.

    Attributes:
        site: the site's name in topics.
        title: what people call the place.
        saws: its saws, in the order of the screen.
        broker: where boxes publish, for people to read, such as ``mqtt://192.0.2.7:1883``.
    """

    site: str
    title: str
    saws: tuple[SawTitle, ...]
    broker: str
