"""What it costs to read and write a pack. Run: ``pytest -m bench tests/bench/bench_wire.py``."""

import json
import timeit

import cbor2
import numpy as np
import orjson
import pytest
from kpn_senml import SenmlPack

from collector.signals import Series, Trace
from collector.wire.forms import parse
from collector.wire.meaning import read_any
from collector.wire.pack import read_pack, write_pack
from collector.wire.senml import resolve

BOX = "urn:dev:mac:0024befffe804ff1:"
NOW = 1_772_434_800_000_000


def second(rng):
    """A second of a running motor: ten currents at jittered milliseconds, and both switches."""
    t = NOW + np.arange(10, dtype=np.int64) * 100_000 + rng.integers(0, 8, 10) * 1000
    one = np.ones(1, np.int32)
    motor = Series(t, rng.integers(300, 400, 10).astype(np.int32) * 10)
    return Trace(motor, Series(t[4:5] + 3000, one), Series.empty(), Series(t[:1], one))


def micros(work):
    return min(timeit.repeat(work, number=500, repeat=7)) / 500 * 1e6


@pytest.mark.bench
def test_microseconds_a_pack_of_twelve_records(capsys):
    trace = second(np.random.default_rng(3))
    rows = []
    for form, load in (("json", orjson.loads), ("cbor", cbor2.loads)):
        payload = write_pack(BOX, trace, form=form)
        bare = micros(lambda load=load, p=payload: load(p))
        for what, work in (
            ("parse alone, without any check", lambda load=load, p=payload: load(p)),
            ("read_pack", lambda p=payload: read_pack(p, NOW)),
            ("read_pack, the long way", lambda p=payload: read_any(*parse(p), NOW)),
            ("resolve (any SenML)", lambda p=payload: resolve(p, NOW)),
            ("write_pack", lambda form=form: write_pack(BOX, trace, form=form)),
        ):
            cost = micros(work)
            rows.append((form, len(payload), what, cost, cost / bare))
    text = write_pack(BOX, trace).decode()
    bare = micros(lambda: json.loads(text))
    theirs = micros(lambda: SenmlPack(BOX).from_json(text))
    rows.append(("json", len(text), "kpn-senml, from_json", theirs, theirs / rows[0][3]))
    with capsys.disabled():
        print(f"\n{'form':5} {'bytes':>5}  {'what':32} {'us/pack':>8} {'x parse':>8}")
        for form, size, what, cost, ratio in rows:
            print(f"{form:5} {size:5}  {what:32} {cost:8.1f} {ratio:8.1f}")
    assert rows[1][3] < theirs * 10  # a figure to read, not a bar: only a blunder fails here


@pytest.mark.bench
def test_microseconds_to_refuse(capsys):
    good = write_pack(BOX, second(np.random.default_rng(3)))
    bad = {
        "10 MB": b"[" + b" " * 10_000_000 + b"]",
        "1 MiB of open brackets": b"[" * (1 << 20),
        "the limit of records, the last one wrong": b"[" + b",".join([b'{"n":"a","v":1}'] * 19_999 + [b"1"]) + b"]",
        "350 000 empty records": b"[" + b",".join([b"{}"] * 349_000) + b"]",
        "a pack with its last value negative": good.replace(b'"vb":true}]', b'"vb":-1}]'),
    }
    with capsys.disabled():
        print(f"\n{'refused':44} {'us':>10}")
        for what, payload in bad.items():

            def attempt(p=payload):
                try:
                    read_pack(p, NOW)
                except Exception as refusal:  # noqa: BLE001
                    return refusal
                raise AssertionError("taken")

            cost = min(timeit.repeat(attempt, number=1, repeat=5)) * 1e6
            print(f"{what:44} {cost:10.0f}  {str(attempt())[:80]}")
