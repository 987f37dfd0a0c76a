"""What the collector noted of its troubles, in the reader's language. Pure.

The collector speaks to nobody in particular and notes in English. Here stands each form of what it notes (a test holds
them against its code); what fits none, such as a database's own words, stays as it is.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from api.tongues.say import gettext, later

if TYPE_CHECKING:
    from collections.abc import Sequence

FORMS = (
    later("The clock was put forward by {n} s."),
    later("The clock was put back by {n} s."),
    later("{n} messages within a minute: refused, or sent before."),
    later("The trace was damaged; it is now {file}. Could not be read to the end: {lost}."),
    later("The book was damaged; it is now {file}. Could not be read to the end: {lost}."),
    later("{broker}: cannot be reached ({why})"),
    later("{broker}: refused the connection: {why}"),
    later("{broker}: refused the subscription to {topic} ({why}): correct its access rules"),
    later("{broker}: the broker keeps no session {session} any more"),
    later("{broker}: hung up before it answered"),
    later("{broker}: the connection ended: {why}"),
    later("{broker}: does not answer"),
    later(
        "the pack is from {box}, while {other} speaks for {saw} at the same time; correct the topic of the one that "
        "sits elsewhere, and name the saw's box in the settings"
    ),
    later("{box} speaks for it now; before, it was {other}"),
    later("nothing that people said"),
    later("nothing"),
)
"""With names for what differs. The first that fits holds, so the more special ones stand before."""


def pattern(form: str) -> re.Pattern[str]:
    """What finds a text of that form, with a group for each of its names."""
    parts = re.split(r"\{(\w+)\}", form)
    found = [re.escape(part) if n % 2 == 0 else f"(?P<{part}>.+?)" for n, part in enumerate(parts)]
    return re.compile("".join(found), re.DOTALL)


def in_words(noted: str, forms: Sequence[str] = FORMS) -> str:
    """The same, to whoever is spoken to."""
    for form in forms:
        found = pattern(form).fullmatch(noted)
        if found is not None:
            inside = {name: in_words(text, _INNER) for name, text in found.groupdict().items()}
            return gettext(form, **inside) if inside else gettext(form)
    return noted


_INNER = FORMS[-2:]
