"""Packs that chance has mutated, through the reader: each is read or refused, whatever it is."""

from __future__ import annotations

import random
import time
from collections import Counter
from typing import NamedTuple

import psutil

from collector.signals import Series, Trace
from collector.wire.pack import read_pack, write_pack
from collector.wire.refusal import Refusal
from tests.ingest.conftest import BOX, T0, motor

_SWITCHED = Trace(motor([(1, 3.2)]).motor, Series.of([T0], [1]), Series.of([T0 + 1], [3]), Series.of([T0], [1]))
SEEDS = [write_pack(BOX, trace, form=form) for trace in (motor([(1, 3.2)]), _SWITCHED) for form in ("json", "cbor")]
# What breaks readers: the edges of numbers and nesting, in both forms.
WORDS = [
    b'"bt"', b"1e999", b"-0", b"null", b"[[[[", b'"bn"', b'"v":', b'"vb":true', b"\xff", b"\x9f", b'"t":-1e18',
    b"\xfb\x7f\xf0\0\0\0\0\0\0", b"\x1b" + b"\xff" * 8, b'"bver":11', b"\xc2\x49" + b"\1" * 9,
]  # fmt: skip


class Outcome(NamedTuple):
    """Packs read and refused, by outcome; slowest [s]; growth of memory after the first tenth [bytes]."""

    outcomes: Counter[str]
    slowest: float
    growth: int


def mutate(rng: random.Random, pack: bytes) -> bytes:
    """A pack after one to four accidents."""
    made = bytearray(pack)
    for _ in range(rng.randint(1, 4)):
        at = rng.randrange(len(made) + 1)
        match rng.randrange(6):
            case 0 if at < len(made):
                made[at] ^= 1 << rng.randrange(8)
            case 1:
                del made[at : at + rng.randint(1, 20)]
            case 2:
                made[at:at] = rng.choice(WORDS)
            case 3:
                made[at : at + rng.randint(0, 8)] = rng.randbytes(rng.randint(0, 8))
            case 4:
                other = rng.randrange(len(made) + 1)
                made[at:at] = made[other : other + rng.randint(1, 60)]
            case _:
                seed = rng.choice(SEEDS)
                made[at:] = seed[rng.randrange(len(seed)) :]
    return bytes(made)


def fuzz(count: int, seed: int = 5) -> Outcome:
    """Read so many mutated packs.

    Raises:
        Exception: what the reader raised that is no refusal; a note names the pack.
    """
    rng, outcomes, slowest, before = random.Random(seed), Counter[str](), 0.0, 0
    for n in range(count):
        pack = mutate(rng, SEEDS[n % len(SEEDS)])
        began = time.perf_counter()
        try:
            read_pack(pack, T0 + 2_000_000)
            outcomes["read"] += 1
        except Refusal:
            outcomes["refused"] += 1
        except BaseException as error:
            error.add_note(f"pack {n} of seed {seed}: {pack!r}")
            raise
        slowest = max(slowest, time.perf_counter() - began)
        if n == count // 10:
            before = psutil.Process().memory_info().rss
    return Outcome(outcomes, slowest, psutil.Process().memory_info().rss - before)
