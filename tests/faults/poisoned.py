"""`kerfbook` with a detector that fails at one current: what a fault in it would do."""

from __future__ import annotations

import sys

from collector.detect.motor import Motor
from dashboard.cli import main

POISON_MA = 666_000


def poison() -> None:
    feed = Motor.feed

    def choosy(self, t, v):
        if (v == POISON_MA).any():
            raise ZeroDivisionError("a fault in the detector")
        return feed(self, t, v)

    Motor.feed = choosy


if __name__ == "__main__":
    poison()
    sys.exit(main())
