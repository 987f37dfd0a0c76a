"""What detection costs: bulk, live, and in memory. Figures for `bench_detect`.

Times are processor time of the one thread, so that a busy machine does not count against the detector.
"""

from __future__ import annotations

import datetime as dt
import gc
import sys
import time
from dataclasses import dataclass
from types import BuiltinFunctionType, FunctionType, MethodType, ModuleType

import numpy as np

from collector.detect.detector import Detector, derive
from collector.facts import SECOND
from collector.signals import Trace, merge
from simulator.world import history

MONDAY = dt.date(2026, 3, 2)


def days(count: int, seed: int = 1000) -> list[Trace]:
    """Days of the demo's busier saw."""
    return [played.trace for played in history("heron", MONDAY, count, seed) if len(played.trace)]


def bulk(traces: list[Trace], repeat: int = 5) -> tuple[float, int]:
    """(samples a second, samples) of `derive` over days at once; the best of some goes."""
    whole = merge(traces)
    best = float("inf")
    for _ in range(repeat):
        begin = time.thread_time()
        derive("heron", whole)
        best = min(best, time.thread_time() - begin)
    return len(whole.motor) / best, len(whole.motor)


def packs(trace: Trace) -> list[Trace]:
    """The trace in packs of a second, as it arrives live; empty seconds are none."""
    seconds = np.unique(np.concatenate([s.t for s in trace.series()]) // SECOND)
    edges = [np.searchsorted(s.t, seconds * SECOND) for s in trace.series()]
    ends = [np.searchsorted(s.t, (seconds + 1) * SECOND) for s in trace.series()]
    out = []
    for k in range(len(seconds)):
        parts = [
            type(s)(s.t[a[k] : b[k]].copy(), s.v[a[k] : b[k]].copy())
            for s, a, b in zip(trace.series(), edges, ends, strict=True)
        ]
        out.append(Trace(*parts))
    return out


@dataclass
class Live:
    """µs a pack of eight samples or more (feed, facts, now), and the detector's size [bytes] as the time passes."""

    micros: list[float]
    sizes: list[int]


def live(traces: list[Trace], every: int = 500) -> Live:
    """Feeds days pack by pack to one detector; its size is taken after every ``every`` packs."""
    detector = Detector("heron")
    micros, sizes, fed = [], [], 0
    gc.disable()
    try:
        for trace in traces:
            for pack in packs(trace):
                begin = time.thread_time()
                detector.feed(pack)
                detector.facts()
                detector.now()
                took = time.thread_time() - begin
                if len(pack.motor) >= 8:
                    micros.append(took * 1e6)
                fed += 1
                if fed % every == 0:
                    sizes.append(size_of(detector))
            gc.collect()
    finally:
        gc.enable()
    return Live(micros, sizes)


_SHARED = (type, ModuleType, FunctionType, BuiltinFunctionType, MethodType)


def size_of(thing: object) -> int:
    """Bytes held by a thing and all that it refers to; an array that is a view counts with the whole that it holds."""
    seen: set[int] = set()
    todo: list[object] = [thing]
    total = 0
    while todo:
        one = todo.pop()
        if id(one) in seen or isinstance(one, _SHARED):
            continue
        seen.add(id(one))
        total += sys.getsizeof(one)
        if isinstance(one, np.ndarray):
            if one.base is not None:
                todo.append(one.base)
            continue
        todo.extend(gc.get_referents(one))
    return total
