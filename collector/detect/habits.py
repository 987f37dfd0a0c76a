"""What a saw was seen to do over and over: whether the clamp sees its brake, how long, what idle and a start take.

One stop alone may leave open whether its last current was a brake's or a cut's; forty stops of the same saw do not.
Habits are learned from facts that were found, and go back into the detector as settings: with the same habits the
facts between two rests still depend on the trace between them alone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from collector.facts import Cut, Run

if TYPE_CHECKING:
    from collections.abc import Iterable

    from collector.facts import Fact

STOPS = 40
"""The newest stops are looked at, no more: a clamp may be moved."""
_FOUND, _INVENTED = 0.8, 0.1  # of the stops of a saw whose brake is seen, and of one whose brake is not: brakes found
_SURE_SEEN, _SURE_UNSEEN = math.log(100.0), math.log(30.0)  # nats; two even cuts up to the stop look like two brakes
_FAR = 0.5  # times the median
_SHORTER, _LONGER = 0.85, 1.15  # times the shortest and the longest brake that was seen
_CUTS = 8  # so many tell what idle is
_STARTS = 3  # ... and so many the starting current
_IDLE = (0.05, 0.95)  # quantiles
_MOVED = 1.1  # so much beyond the starting currents that were seen, it is not the same clamp on the same motor


@dataclass(frozen=True, slots=True)
class Habits:
    """What is known of a saw; of a new one, nothing.

    Attributes:
        brake_seen: whether the brake's current is seen at its stops; None: not known.
        brake_us: the shortest and the longest that it was seen, µs; None: not known.
        idle_ma: between these its idle current lies but for one time in ten, mA; None: not known.
        start_ma: the lowest and the highest starting current, mA; None: not known.
    """

    brake_seen: bool | None = None
    brake_us: tuple[int, int] | None = None
    idle_ma: tuple[int, int] | None = None
    start_ma: tuple[int, int] | None = None

    def idle_of(self, inrush_ma: int | None) -> tuple[int, int]:
        """Between which its idle lies, mA, in a run that began with this current (mA); zeros: not known.

        A clamp that was moved shows another starting current too: then nothing is known of idle. None: no start was
        seen.
        """
        if self.idle_ma is None or not 0 < self.idle_ma[0] <= self.idle_ma[1]:
            return 0, 0
        low, high = self.start_ma or (0, 0)
        moved = inrush_ma is not None and high > 0 and not low <= inrush_ma * _MOVED <= high * _MOVED * _MOVED
        return (0, 0) if moved else self.idle_ma

    def brakes_for(self, lasted: int) -> bool:
        """Whether this saw's brake is known to take about so long, µs."""
        known = self.brake_us
        return known is not None and _SHORTER * known[0] <= lasted <= _LONGER * known[1]


NEW = Habits()


def learn(facts: Iterable[Fact]) -> Habits:
    """What the facts of one saw, in order of time, tell about its habits.

    Whether its brake is seen is told by the log-likelihood ratio of the stops at which one was found and not found
    (Wald 1945, two simple hypotheses), once it is a hundred to one for it, or thirty to
    one against it. The facts are to be those of a detector that knows no habits: one that does would prove itself for
    ever.
    """
    runs: list[Run] = []
    cuts: list[Cut] = []
    for fact in facts:
        if isinstance(fact, Run) and fact.end is not None:
            runs.append(fact)
        elif isinstance(fact, Cut):
            cuts.append(fact)
    since = runs[-STOPS].start if len(runs) > STOPS else None
    runs = runs[-STOPS:]
    stops = [r.stop_us for r in runs]
    lasted = [s for s in stops if s is not None]
    nats = len(lasted) * math.log(_FOUND / _INVENTED)
    nats += (len(stops) - len(lasted)) * math.log((1 - _FOUND) / (1 - _INVENTED))
    seen = None if -_SURE_UNSEEN < nats < _SURE_SEEN else nats > 0
    idles = [c.idle_ma for c in cuts if since is None or c.start >= since]
    low, high = (round(float(q)) for q in np.quantile(idles, _IDLE)) if len(idles) >= _CUTS else (0, 0)
    starts = [r.inrush_ma for r in runs if r.inrush_ma is not None]
    start = (min(starts), max(starts)) if len(starts) >= _STARTS else None
    return Habits(seen, _usual(lasted) if seen else None, (low, high) if high else None, start)


def _usual(lasted: list[int]) -> tuple[int, int]:
    """The shortest and the longest, but for what lies far from the median: such a stop was misread.

    Few stops show less than all that can be: the ends of a uniform distribution, as far as n of it tell (the smallest
    and the largest, each moved out by their distance over n - 1).
    """
    middle = float(np.median(lasted))
    near = [s for s in lasted if _FAR * middle <= s <= middle / _FAR]
    beyond = (max(near) - min(near)) // max(1, len(near) - 1)
    return min(near) - beyond, max(near) + beyond
