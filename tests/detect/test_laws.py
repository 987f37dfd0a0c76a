"""Laws of the derivation that hold for every trace: chunks change nothing, a rest point is a fresh start."""

from __future__ import annotations

import functools
import itertools
from typing import TYPE_CHECKING

from hypothesis import given, settings
from hypothesis import strategies as st

from collector.detect.detector import Detector, derive
from tests.detect import other_saw

if TYPE_CHECKING:
    from collector.facts import Fact
    from collector.signals import Trace

FAMILIES = sorted(other_saw.FAMILIES)


@functools.cache
def told(family: str, seed: int) -> Trace:
    return other_saw.tell(family, seed, 240.0).trace


def follow(detector: Detector, parts: list[Trace]) -> list[Fact]:
    """What somebody knows who replaces facts as `Facts` says."""
    known: dict[tuple[str, int], Fact] = {}
    for part in parts:
        detector.feed(part)
        news = detector.facts()
        known = {k: f for k, f in known.items() if k[1] < news.settled_from}
        known |= {(f.kind, f.start): f for f in news.facts}
    return sorted(known.values(), key=lambda f: (f.start, f.kind))


traces = st.builds(told, st.sampled_from(FAMILIES), st.integers(0, 99))


@given(traces, st.lists(st.floats(0, 1), max_size=40))
@settings(max_examples=60, deadline=None)
def test_any_chunking_gives_the_same_facts(trace, cuts):
    places = sorted({trace.first, *(round(trace.first + c * (trace.last - trace.first)) for c in cuts), trace.last + 1})
    parts = [trace.between(a, b) for a, b in itertools.pairwise(places)]
    whole = sorted(derive("saw", trace), key=lambda f: (f.start, f.kind))
    assert follow(Detector("saw"), [p for p in parts if len(p)]) == whole


@given(traces, st.floats(0.05, 0.95))
@settings(max_examples=20, deadline=None)
def test_one_pack_a_second_gives_the_same_facts_and_the_same_present(trace, phase):
    step = 1_000_000
    parts = [trace.between(t, t + step) for t in range(trace.first - round(phase * step), trace.last + 1, step)]
    packed, whole = Detector("saw"), Detector("saw")
    facts = follow(packed, [p for p in parts if len(p)])
    whole.feed(trace)
    assert facts == sorted(whole.facts().facts, key=lambda f: (f.start, f.kind))
    assert packed.now() == whole.now()
    assert packed.consumed == whole.consumed


@given(st.sampled_from(FAMILIES), st.integers(0, 99))
@settings(max_examples=25, deadline=None)
def test_a_derivation_from_a_rest_point_gives_the_same_facts_from_there_on(family, seed):
    trace = other_saw.tell(family, seed, 600.0).trace
    detector = Detector("saw")
    rest = None
    for t in range(trace.first, trace.last + 1, 20_000_000):
        part = trace.between(t, t + 20_000_000)
        if len(part):
            detector.feed(part)
            detector.facts()
            if rest is None or t < trace.first + 300_000_000:
                rest = detector.rested
    if rest is None:
        return
    whole = [f for f in derive("saw", trace) if f.start >= rest]
    afresh = [f for f in derive("saw", trace.between(rest - 60_000_000, trace.last + 1)) if f.start >= rest]
    assert afresh == whole
