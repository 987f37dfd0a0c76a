"""What a trial found, in the reader's language."""

from __future__ import annotations

from typing import TYPE_CHECKING

from api.tongues.amounts import number
from api.tongues.say import gettext
from collector.calibrate import Amps, Figure

if TYPE_CHECKING:
    from collector.calibrate import Finding, Value


def told(finding: Finding) -> tuple[str, str]:
    """What was seen, and what to do about it."""
    values = {name: _shown(value) for name, value in finding.values.items()}
    return gettext(finding.said, **values), gettext(finding.what_to_do) if finding.what_to_do else ""


def amps(ma: float) -> str:
    """A current: ``3.25 A``."""
    return f"{number(ma / 1000, 2)} A"


def _shown(value: Value) -> str:
    match value:
        case Amps():
            return amps(value.ma)
        case Figure():
            return number(value.value, value.places)
        case tuple():
            return ", ".join(amps(part.ma) for part in value)
        case _:
            return str(value)
