"""A question at the terminal, to be answered with yes or no."""

from __future__ import annotations

import sys

from api.tongues.say import gettext


def agreed(question: str) -> bool:
    """Whether somebody said yes, in English or in the terminal's language; anything else is a no."""
    yes, no = gettext("yes"), gettext("no")
    print(question, f"[{yes[0]}/{no[0].upper()}] ", end="", file=sys.stderr, flush=True)
    return sys.stdin.readline().strip().lower() in {"y", "yes", yes[0], yes}
