"""Promise 2: facts are a function of the trace, in whatever chunks, order and repetition its packs arrive."""

from __future__ import annotations

import itertools
from pathlib import Path

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from collector.facts import SECOND
from collector.signals import Series, Trace, merge
from collector.wire.pack import write_pack
from tests.ingest.conftest import BOX, T0, Shop, memory_folder
from tests.ingest.threshold import derive

TOPIC = "kerfbook/tern-point/heron/readings"

piece = st.tuples(
    st.sampled_from([0, 0, 3000, 3000, 7000]),  # milliamperes
    st.sampled_from([1, 3, 9, 14, 40]),  # seconds
    st.sampled_from([1, 1, 5]),  # seconds between samples
    st.sampled_from([None, None, None, 0, 1]),  # the door moves at the start
    st.booleans(),  # followed by a silence
)


def played(pieces) -> Trace:
    at, motor, door = T0, {}, {}
    for ma, seconds, step, moved, silence in pieces:
        if moved is not None:
            door[at + 1000] = moved
        for second in range(0, seconds, step):
            motor[at + second * SECOND] = ma
        at += (seconds + 40 * silence) * SECOND
    return Trace(Series.of(motor, motor.values()), Series.empty(), Series.empty(), Series.of(door, door.values()))


@st.composite
def deliveries(draw):
    """A trace, and its packs as they arrive: cut anywhere, out of order, some twice; None: the group ends."""
    whole = played(draw(st.lists(piece, min_size=1, max_size=14)))
    span = whole.last - whole.first
    cuts = draw(st.lists(st.integers(0, span), max_size=14))
    edges = sorted({whole.first, whole.last + 1, *(whole.first + c for c in cuts)})
    packs = [whole.between(a, b) for a, b in itertools.pairwise(edges)]
    packs = [pack for pack in packs if len(pack)]
    order = draw(st.one_of(st.permutations(range(len(packs))), st.just(range(len(packs)))))
    again = draw(st.lists(st.integers(0, len(packs) - 1), max_size=4))
    breaks = draw(st.sets(st.integers(0, len(packs) + 4)))
    crashes = draw(st.sets(st.integers(0, len(packs) + 4), max_size=2))
    return whole, [packs[i] for i in [*order, *again]], breaks, crashes


@given(deliveries())
@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_any_chunking_order_and_repetition_gives_the_book_of_one_pass(delivery):
    whole, packs, breaks, crashes = delivery
    with memory_folder() as folder:
        shop = Shop(Path(folder))
        try:
            for i, pack in enumerate(packs):
                shop.ingest.take(TOPIC, write_pack(BOX, pack), pack.last, False, i)
                if i in breaks:
                    shop.ingest.settle()
                if i in crashes:
                    shop.ingest.settle()
                    shop.open()
            shop.ingest.settle()
            assert shop.facts() == derive("heron", whole)
            assert shop.trace.read("heron", 0, 2**62).same(merge([whole]))
            assert shop.book.dirty("heron") == []
            assert shop.book.now("heron").at == whole.last
        finally:
            shop.close()
