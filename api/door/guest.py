"""Who stands at the door."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from api.door.rights import GRANTABLE, ROLES, STRANGER, Right


class Visitors(Enum):
    """What people without an account may do."""

    NOBODY = "nobody"
    """Nothing: a workshop."""
    LOCAL = "local"
    """Everything, under any role that they name, on the computer itself: the demo, whose world is invented."""


@dataclass(frozen=True, slots=True)
class Guest:
    """Whoever asks, and what they may do.

    Attributes:
        name: of the person, or of the program's token; what is said is kept under it.
        role: a key of `ROLES`, or empty.
        rights: what they may do.
        through: what let them in, in words, for the audit trail.
        badge: number of the badge; None: a stranger or visitor.
        person: number of the person.
        kind: of the badge.
        free: names whoever speaks by itself: a visitor, who may speak under any role.
    """

    name: str
    role: str
    rights: frozenset[Right]
    through: str = ""
    badge: int | None = None
    person: int | None = None
    kind: str = ""
    free: bool = False

    def may(self, right: Right) -> bool:
        """Whether they have that right."""
        return right in self.rights


NOBODY = Guest("", "", STRANGER)
VISITOR = Guest("visitor", "owner", ROLES["owner"], "on this computer", kind="visitor", free=True)


def rights_of(text: str) -> frozenset[Right]:
    """The rights of a token, as the badge keeps them."""
    return frozenset({Right.OPEN, *(Right(word) for word in text.split() if word in GRANTABLE)})
