"""A progress bar in a few lines: one line on a terminal that is drawn over, plain lines elsewhere."""

from __future__ import annotations

import sys
import time
from typing import TextIO

_WIDTH = 40


class Progress:
    """Shows how far a piece of work is.

    Args:
        what: what is being done.
        out: where to show it; stderr keeps stdout free for results.
    """

    def __init__(self, what: str, out: TextIO | None = None) -> None:
        self._what = what
        self._out = out or sys.stderr
        self._began = time.monotonic()
        self._shown = -1

    def __call__(self, share: float) -> None:
        """Show the share done, 0 to 1."""
        percent = int(100 * share)
        step = 1 if self._out.isatty() else 25
        if percent < 100 and percent // step == self._shown:
            return
        self._shown = percent // step
        seconds = time.monotonic() - self._began
        if self._out.isatty():
            bar = "━" * int(_WIDTH * share) + "╌" * (_WIDTH - int(_WIDTH * share))
            self._out.write(f"\r{self._what} {bar} {percent:3d} % {seconds:4.1f} s" + ("\n" if percent == 100 else ""))
        else:
            self._out.write(f"{self._what}: {percent} %, {seconds:.1f} s\n")
        self._out.flush()
