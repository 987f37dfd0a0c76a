"""``replay``: packs on lines become the fact objects of the design."""

from __future__ import annotations

import random

from collector.detect.detector import derive
from collector.facts import SECOND, as_record
from collector.replay import read_lines, replay
from collector.wire.pack import write_pack
from tests.ingest.conftest import BOX, motor

WORK = motor([(40, 0), (20, 3.2), (6, 7), (10, 3.2), (6, 7), (10, 3.2), (60, 0)])


def lines_of(trace) -> list[bytes]:
    edges = range(trace.first, trace.last + 1, SECOND)
    return [write_pack(BOX, part) + b"\n" for edge in edges if len(part := trace.between(edge, edge + SECOND))]


def test_the_facts_are_those_of_the_whole_trace_in_order_of_start():
    records = list(replay(lines_of(WORK), "heron"))
    assert [r["start"] for r in records] == sorted(r["start"] for r in records)
    assert sorted(map(str, records)) == sorted(str(as_record(f)) for f in derive("heron", WORK))
    assert {r["kind"] for r in records} == {"run", "cut"}


def test_order_repetition_and_text_or_bytes_do_not_matter():
    lines = [*lines_of(WORK), *lines_of(WORK)[:9]]
    random.Random(3).shuffle(lines)
    mixed = [line.decode() if i % 2 else line for i, line in enumerate(lines)]
    assert list(replay(mixed, "heron")) == list(replay(lines_of(WORK), "heron"))


def test_a_bad_line_is_told_with_its_number_and_reason_and_stops_nothing():
    told = []
    lines = lines_of(WORK)
    lines[3:3] = [b"\n", b"[]x\n", b'[{"bn":"urn:dev:mac:0024befffe804ff1:","n":"motor","u":"A","v":1}]\n']
    records = list(replay(lines, "heron", on_bad=lambda number, refusal: told.append((number, refusal.code))))
    assert records == list(replay(lines_of(WORK), "heron"))
    assert told == [(5, "not-json"), (6, "relative-time")]


def test_no_line_gives_no_fact():
    assert list(replay([], "heron")) == []
    assert len(read_lines(["", "\n"])) == 0
