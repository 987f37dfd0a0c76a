"""What was found."""

from __future__ import annotations

from typing import NamedTuple


class Finding(NamedTuple):
    """What was looked at, what was seen, and what to do; nothing to do: it is well."""

    subject: str
    seen: str
    advice: str = ""
