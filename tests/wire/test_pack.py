"""Packs of a saw's box: what they mean, and what is refused."""

import json

import cbor2
import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from kpn_senml import SenmlPack, SenmlRecord

from collector.signals import Series, Trace
from collector.wire.forms import parse
from collector.wire.meaning import is_box, read_any
from collector.wire.pack import read_pack, write_pack
from collector.wire.plain import read_plain
from collector.wire.refusal import Refusal

BOX = "urn:dev:mac:0024befffe804ff1:"
NOW = 1_772_434_800_000_000  # 2026-03-02T07:00:00Z
NOBODY = Series.empty()


def trace(motor=(), lock=(), station=(), door=()):
    def series(pairs):
        return Series.of([t for t, _ in pairs], [v for _, v in pairs])

    return Trace(series(motor), series(lock), series(station), series(door))


def pack(*records, bn=BOX, bt=NOW / 1e6):
    first, *others = records
    return json.dumps([{"bn": bn, "bt": bt, **first}, *others]).encode()


def refused(payload, received_us=NOW):
    with pytest.raises(Refusal) as caught:
        read_pack(payload, received_us)
    return caught.value


MOTOR = {"n": "motor", "u": "A", "v": 3.31}


class TestMeaning:
    def test_the_pack_of_the_design_reads_as_the_design_says(self):
        payload = b"""[{"bn":"urn:dev:mac:0024befffe804ff1:","bt":1764057600,"n":"motor","u":"A","v":3.31},
            {"n":"motor","u":"A","t":0.1,"v":3.30},{"n":"lock","t":0.04,"vb":true},{"n":"door","vb":true}]"""
        t = 1_764_057_600_000_000
        found = read_pack(payload, t)
        assert found.box == BOX
        assert found.trace.same(trace([(t, 3310), (t + 100_000, 3300)], [(t + 40_000, 1)], [], [(t, 1)]))

    def test_a_station_is_a_count(self):
        found = read_pack(pack({"n": "station", "u": "count", "v": 4}, {"n": "lock", "vb": True}), NOW)
        assert found.trace.same(trace([], [(NOW, 1)], [(NOW, 4)], []))

    def test_a_base_unit_serves_the_motor_and_does_not_disturb_a_switch(self):
        found = read_pack(pack({"bu": "A", "n": "motor", "v": 3.31}, {"n": "door", "vb": False}), NOW)
        assert found.trace.same(trace([(NOW, 3310)], [], [], [(NOW, 0)]))

    def test_full_names_without_a_base_name_are_the_same(self):
        payload = json.dumps([{"n": BOX + "motor", "u": "A", "v": 3.31, "t": NOW / 1e6}]).encode()
        found = read_pack(payload, NOW)
        assert (found.box, found.trace.same(trace([(NOW, 3310)]))) == (BOX, True)

    def test_a_box_without_a_clock_counts_back_from_its_receipt(self):
        payload = json.dumps([{"bn": BOX, **MOTOR, "t": -0.1}, {**MOTOR, "v": 3.3}]).encode()
        assert read_pack(payload, NOW).trace.same(trace([(NOW - 100_000, 3310), (NOW, 3300)]))

    def test_readings_come_out_in_order_and_the_first_of_two_stays(self):
        payload = pack({**MOTOR, "t": 1}, {**MOTOR, "v": 1}, {**MOTOR, "v": 2})
        assert read_pack(payload, NOW).trace.same(trace([(NOW, 1000), (NOW + 1_000_000, 3310)]))

    @pytest.mark.parametrize(("amps", "ma"), [(-0.5, 0), (-0.0004, 0), (0, 0), (0.0006, 1), (1000, 1_000_000)])
    def test_noise_below_zero_is_zero(self, amps, ma):
        assert read_pack(pack({**MOTOR, "v": amps}), NOW).trace.motor.v.tolist() == [ma]

    def test_ten_minutes_ahead_are_taken(self):
        assert len(read_pack(pack({**MOTOR, "t": 600}), NOW).trace) == 1

    def test_a_recorded_pack_may_be_of_any_year_from_2020_to_2099(self):
        for year_begins in (1_577_836_800, 4_102_444_799):
            assert read_pack(pack(MOTOR, bt=year_begins), None).trace.first == year_begins * 1_000_000


BAD = {
    "NaN": (pack(MOTOR).replace(b"3.31", b"NaN"), "not-json", "line 1"),
    "no map": (b"[1]", "bad-record", "record 1 of 1"),
    "no base name": (b'[{"n":"motor","u":"A","v":1}]', "bad-box", "RFC 9039"),
    "a base name that is no device": (pack(MOTOR, bn="saw:"), "bad-box", "saw:"),
    "hex digits in capitals": (
        pack(MOTOR, bn="urn:dev:mac:0024BEFFFE804FF1:"),
        "bad-box",
        "0024BEFFFE804FF1",
    ),
    "two boxes": (
        pack(MOTOR, {**MOTOR, "bn": "urn:dev:os:32473-1:"}),
        "bad-box",
        "record 2 of 2, field 'bn'",
    ),
    "an unknown signal": (
        pack(MOTOR, {"n": "feed", "u": "A", "v": 1}),
        "unknown-signal",
        "record 2 of 2, field 'n'",
    ),
    "no signal": (pack({"u": "A", "v": 1}), "unknown-signal", "motor, lock, station, door"),
    "base fields alone": (pack({}), "empty", "no reading"),
    "another unit": (pack({**MOTOR, "u": "mA"}), "bad-unit", "'mA'"),
    "no unit": (pack({"n": "motor", "v": 1}), "bad-unit", "None"),
    "a station in amperes": (pack({"n": "station", "u": "A", "v": 1}), "bad-unit", "'count'"),
    "a motor as a switch": (pack({"n": "motor", "u": "A", "vb": True}), "bad-value", "motor is a number"),
    "a motor's sum alone": (pack({"n": "motor", "u": "A", "s": 1}), "bad-value", "motor is a number"),
    "a switch as a number": (pack({"n": "door", "v": 1}), "bad-value", "door is a switch"),
    "a negative current": (
        pack(MOTOR, {**MOTOR, "v": -0.51}),
        "current-out-of-range",
        "record 2 of 2, field 'v'",
    ),
    "an absurd current": (pack({**MOTOR, "v": 1000.01}), "current-out-of-range", "1000.01 A"),
    "half a station": (pack({"n": "station", "u": "count", "v": 1.5}), "station-out-of-range", "1.5"),
    "a station below zero": (pack({"n": "station", "u": "count", "v": -1}), "station-out-of-range", "-1"),
    "1971, relative": (pack(MOTOR, bt=40_000_000), "time-out-of-range", "stands at 1970"),
    "a box that runs for a minute and was not told the time": (pack(MOTOR, bt=60), "time-out-of-range", "60 s after"),
    "the same, said twice": (pack(MOTOR, {"bt": 61, **MOTOR}, bt=60), "time-out-of-range", "stands at 1970"),
    "1980": (pack(MOTOR, bt=320_000_000), "time-out-of-range", "1980-02-21T"),
    "2019": (pack(MOTOR, bt=1_577_836_799), "time-out-of-range", "2019-12-31T23:59:59"),
    "2100": (pack(MOTOR, bt=4_102_444_800), "time-out-of-range", "2100-01-01T"),
    "ten minutes and a bit ahead": (pack({**MOTOR, "t": 600.001}), "time-out-of-range", "after its receipt"),
    "one of two readings absolute": (
        pack(MOTOR, {**MOTOR, "t": -NOW / 1e6 + 1e9}),
        "time-out-of-range",
        "2 of 2",
    ),
    "the year 20000": (pack(MOTOR, bt=569_000_000_000), "time-out-of-range", "5.69e+11 s"),
}


@pytest.mark.parametrize(("payload", "code", "says"), BAD.values(), ids=BAD.keys())
def test_it_is_refused_whole_and_told_why(payload, code, says):
    refusal = refused(payload)
    assert (refusal.code, says in refusal.reason) == (code, True), refusal


def test_a_recorded_pack_of_2100_or_of_no_base_time_is_refused():
    assert refused(pack(MOTOR, bt=4_102_444_800), None).code == "time-out-of-range"
    assert refused(pack(MOTOR, bt=0), None).code == "relative-time"


# Example URNs of RFC 9039, written from memory; a base name adds the ":" at the end.
@pytest.mark.parametrize(
    "urn",
    [
        "urn:dev:mac:0024beffff804ff1",
        "urn:dev:mac:acde48234567019f",
        "urn:dev:ow:10e2073a01080063",
        "urn:dev:ow:264437f5000000ed_humidity",
        "urn:dev:org:32473-foo",
        "urn:dev:os:32473-123456",
        "urn:dev:os:32473-12-34-56",
        "urn:dev:ops:32473-Refrigerator-5002",
        "urn:dev:example:new-1-2-3_comp",
    ],
)
def test_every_kind_of_device_urn_is_a_box(urn):
    assert is_box(urn + ":")
    assert not is_box(urn)


@pytest.mark.parametrize(
    "urn", ["urn:dev:mac:0024b:", "urn:dev:mac::", "urn:dev:os:0-1:", "urn:uuid:1:", "urn:dev:mac:00 :"]
)
def test_anything_else_is_none(urn):
    assert not is_box(urn)


moments = st.integers(NOW - 10**13, NOW + 600_000_000)


@st.composite
def traces(draw, times=moments):
    def series(values):
        t = draw(st.lists(times, max_size=20, unique=True).map(sorted))
        return Series.of(t, draw(st.lists(values, min_size=len(t), max_size=len(t))))

    switch = st.integers(0, 1)
    return Trace(series(st.integers(0, 1_000_000)), series(switch), series(st.integers(0, 9999)), series(switch))


@given(traces().filter(len), st.sampled_from(["json", "cbor"]), st.none() | moments)
def test_what_was_written_is_read(found, form, base):
    payload = write_pack(BOX, found, form=form, base_time_us=base)
    again = read_pack(payload, NOW)
    assert again.box == BOX
    assert again.trace.same(found)
    assert read_plain(*parse(payload), NOW) is not None
    assert read_any(*parse(payload), NOW).trace.same(found)


@given(traces(st.integers(NOW - 10**10, NOW)).filter(len), st.sampled_from(["json", "cbor"]))
def test_what_a_box_without_a_clock_wrote_is_read(found, form):
    assert read_pack(write_pack(BOX, found, form=form, base_time_us=NOW, clock=False), NOW).trace.same(found)


def test_nothing_is_written_of_nothing():
    with pytest.raises(ValueError, match="empty"):
        write_pack(BOX, Trace.empty())
    with pytest.raises(ValueError, match="RFC 9039"):
        write_pack("heron", trace([(NOW, 1)]))
    with pytest.raises(ValueError, match="moment of sending"):
        write_pack(BOX, trace([(NOW, 1)]), clock=False)


numbers = st.sampled_from([0, -0.1, 0.25, 1, 3.31, 600, 601, -1, 1e3, 1e300, True, None, "1", 1 << 28, NOW / 1e6])
values = st.fixed_dictionaries(
    {},
    optional={
        "n": st.sampled_from(["motor", "motor", "lock", "station", "door", "feed", "", 1]),
        "u": st.sampled_from(["A", "count", "mA", 1]),
        "v": numbers,
        "vb": st.sampled_from([True, False, 1]),
        "vs": st.just("x"),
        "t": numbers,
        "s": numbers,
        "ut": st.just(1),
        "bn": st.sampled_from([BOX, "urn:dev:os:32473-1:", ""]),
        "bt": numbers,
        "bv": st.sampled_from([0, 1]),
        "bu": st.just("A"),
        "bver": st.sampled_from([10, 5]),
        "x": st.just(1),
        "x_": st.just(1),
    },
)
plain = st.sampled_from(
    [MOTOR, {**MOTOR, "t": 0.1}, {"n": "lock", "vb": True}, {"n": "station", "u": "count", "v": 2, "t": 0.5}]
)
records = st.lists(plain, min_size=1, max_size=5).flatmap(
    lambda good: st.tuples(st.just(good), st.integers(0, len(good) - 1), values)
)


def outcome(read):
    try:
        found = read()
    except Refusal as refusal:
        return refusal.code
    return found.box, [(s.t.tolist(), s.v.tolist()) for s in found.trace.series()]


@given(records, st.sampled_from(["json", "cbor"]), st.sampled_from([NOW, None]), st.booleans())
def test_the_short_cut_and_the_rules_in_full_agree(made, form, received, dated):
    good, at, odd = made
    pack = [dict(record) for record in good]
    pack[0] = {"bn": BOX, **({"bt": NOW / 1e6} if dated else {}), **pack[0]}
    pack[at] |= odd
    if form == "cbor":
        labels = {
            "bver": -1,
            "bn": -2,
            "bt": -3,
            "bu": -4,
            "bv": -5,
            "n": 0,
            "u": 1,
            "v": 2,
            "vs": 3,
            "vb": 4,
        }
        labels |= {"s": 5, "t": 6, "ut": 7}
        pack = [{labels.get(key, key): value for key, value in record.items()} for record in pack]
    short = read_plain(pack, form, received)
    if short is not None:
        assert outcome(lambda: short) == outcome(lambda: read_any(pack, form, received))


@given(st.binary(max_size=200))
@example(cbor2.dumps([{-2: BOX, -3: float("nan"), 0: "motor", 1: "A", 2: 1}]))
@example(cbor2.dumps([{-2: BOX, 0: "motor", 1: "A", 2: float("inf")}]))
@example(cbor2.dumps([{-2: BOX, 0: "motor", 1: "A", 2: 1, 6: float("nan")}]))
@example(cbor2.dumps([{-2: BOX, 0: [], 1: "A", 2: 1}]))
@example(cbor2.dumps([{-2: BOX, 0: "motor", 1: "A", 2: 1, 6: 10**400}]))
def test_no_payload_provokes_anything_but_a_refusal(payload):
    for prefix in (b"", b"[{", b"\x81\xa4"):
        outcome(lambda p=prefix: read_pack(p + payload, NOW))


@given(traces().filter(len), st.sampled_from(["json", "cbor"]), st.data())
def test_no_damage_to_a_pack_provokes_anything_but_a_refusal(found, form, data):
    payload = bytearray(write_pack(BOX, found, form=form))
    for _ in range(data.draw(st.integers(1, 3))):
        payload[data.draw(st.integers(0, len(payload) - 1))] = data.draw(st.integers(0, 255))
    outcome(lambda: read_pack(bytes(payload), NOW))


class TestASecondImplementation:
    """Packs that an independent SenML library wrote (kpn-senml on PyPI)."""

    @pytest.mark.parametrize("form", ["json", "cbor"])
    def test_its_pack_is_read(self, form):
        pack = SenmlPack(BOX)
        pack.base_time = NOW / 1e6
        expected = []
        for i in range(10):
            t = NOW / 1e6 + i / 10 + 0.001
            pack.add(SenmlRecord("motor", unit="A", value=3.3 + i / 100, time=t))
            expected.append((NOW + i * 100_000 + 1000, 3300 + 10 * i))
        pack.add(SenmlRecord("lock", value=True, time=NOW / 1e6 + 0.04))
        pack.add(SenmlRecord("station", unit="count", value=3, time=NOW / 1e6 + 0.04))
        pack.add(SenmlRecord("door", value=False, time=NOW / 1e6 + 0.5))
        payload = pack.to_json().encode() if form == "json" else pack.to_cbor()
        found = read_pack(payload, NOW)
        assert found.box == BOX
        # The library subtracts doubles near 1.7e9, whose step is 0.24 µs.
        assert np.abs(found.trace.motor.t - [t for t, _ in expected]).max() <= 1
        assert found.trace.motor.v.tolist() == [v for _, v in expected]
        assert (found.trace.lock.v.tolist(), found.trace.station.v.tolist()) == ([1], [3])
        assert found.trace.door.v.tolist() == [0]

    def test_it_reads_ours(self):
        ours = write_pack(BOX, trace([(NOW, 3310), (NOW + 100_000, 3300)], [(NOW, 1)]))
        theirs = SenmlPack(BOX)
        seen = []
        theirs.actuate = lambda record, device: seen.append((record.name, record.value))
        theirs.from_json(ours.decode())
        assert seen[0] == ("motor", 3.31)
        assert [r.name for r in theirs._data] == ["motor", "lock"]
