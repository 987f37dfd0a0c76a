"""RFC 8428, against the RFC's own examples and sentence by sentence."""

import json

import cbor2
import pytest

from collector.wire.forms import MAX_BYTES, MAX_RECORDS
from collector.wire.refusal import Refusal
from collector.wire.senml import Record, resolve
from tests.wire import rfc8428 as rfc

NOW = 1_772_434_800_000_000
OW = "urn:dev:ow:10e2073a01080063"


def refused(payload, received_us=NOW):
    with pytest.raises(Refusal) as caught:
        resolve(payload, received_us)
    return caught.value


def pack(*records):
    return json.dumps(records).encode()


class TestTheExamplesOfTheRfc:
    def test_5_1_1_a_single_datapoint_is_of_now(self):
        assert resolve(rfc.SINGLE, NOW) == [Record(OW, "Cel", NOW, 23.1)]

    def test_5_1_2_two_datapoints_share_the_base_name(self):
        assert resolve(rfc.TWO_NOW, NOW) == [
            Record(f"{OW}:voltage", "V", NOW, 120.1),
            Record(f"{OW}:current", "A", NOW, 1.2),
        ]

    # In the RFC's words: "current at Tue Jun 8 18:01:16.001 UTC 2010 and at each second for the previous 5
    # seconds".
    SIX_SECONDS = (
        *(
            Record("urn:dev:ow:10e2073a0108006:current", "A", 1_276_020_076_001_000 + t * 1_000_000, v, version=5)
            for t, v in ((-5, 1.2), (-4, 1.3), (-3, 1.4), (-2, 1.5), (-1, 1.6))
        ),
        Record("urn:dev:ow:10e2073a0108006:voltage", "V", 1_276_020_076_001_000, 120.1, version=5),
        Record("urn:dev:ow:10e2073a0108006:current", "A", 1_276_020_076_001_000, 1.7, version=5),
    )

    def test_5_1_2_seconds_before_the_base_time_resolve_in_chronological_order(self):
        assert tuple(resolve(rfc.SIX_SECONDS, NOW)) == self.SIX_SECONDS

    def test_6_the_same_pack_in_cbor_resolves_to_the_same_records(self):
        assert tuple(resolve(rfc.SIX_SECONDS_CBOR, NOW)) == self.SIX_SECONDS

    def test_5_1_3_resolves_to_the_data_printed_in_5_1_4(self):
        printed = [Record(r["n"], r["u"], round(r["t"]) * 1_000_000, r["v"]) for r in json.loads(rfc.MANY_RESOLVED)]
        assert resolve(rfc.MANY, NOW) == printed

    def test_5_1_4_resolved_data_resolves_to_itself(self):
        assert resolve(rfc.MANY_RESOLVED, None) == resolve(rfc.MANY, None)

    def test_5_1_5_every_type_of_data(self):
        assert resolve(rfc.DATA_TYPES, NOW) == [
            Record(f"{OW}:temp", "Cel", NOW, 23.1),
            Record(f"{OW}:label", None, NOW, "Machine Room"),
            Record(f"{OW}:open", None, NOW, False),
            Record(f"{OW}:nfc-reader", None, NOW, b"hi \n"),
        ]

    def test_5_1_6_the_last_record_has_the_base_name_of_the_third_and_the_base_time_of_the_first(self):
        t = 1_320_078_429_000_000
        assert resolve(rfc.COLLECTION, None) == [
            Record("2001:db8::2/temperature", "Cel", t, 25.2),
            Record("2001:db8::2/humidity", "%RH", t, 30),
            Record("2001:db8::1/temperature", "Cel", t, 12.3),
            Record("2001:db8::1/humidity", "%RH", t, 67),
        ]

    def test_5_1_7_a_record_of_base_fields_only_yields_nothing(self):
        assert [r.name for r in resolve(rfc.ACTUATOR, NOW)] == [f"{OW}:temp", f"{OW}:heat", f"{OW}:fan"]


class TestResolution:
    def test_base_value_is_added_to_the_value(self):
        records = resolve(pack({"n": "a", "bv": 20, "v": 1}, {"n": "b", "v": -0.5}, {"n": "c", "vb": True}), NOW)
        assert [r.value for r in records] == [21, 19.5, True]

    def test_base_sum_is_added_to_the_sum_and_stands_alone_where_there_is_none(self):
        records = resolve(pack({"n": "a", "bs": 20, "s": 1}, {"n": "b", "v": 2}), NOW)
        assert [(r.value, r.sum) for r in records] == [(None, 21), (2, 20)]

    def test_a_new_base_holds_from_its_record_on(self):
        records = resolve(pack({"bu": "A", "n": "a", "v": 1}, {"bu": "V", "n": "b", "v": 1}, {"n": "c", "v": 1}), NOW)
        assert [r.unit for r in records] == ["A", "V", "V"]

    def test_update_time_is_kept(self):
        assert resolve(pack({"n": "a", "v": 1, "ut": 30}), NOW)[0].update_s == 30

    def test_times_below_2_to_the_28_count_from_the_time_of_receipt(self):
        records = resolve(pack({"bt": -10, "n": "a", "v": 1}, {"n": "a", "t": 9.5, "v": 1}), NOW)
        assert [r.time_us - NOW for r in records] == [-10_000_000, -500_000]

    def test_2_to_the_28_itself_is_absolute(self):
        assert resolve(pack({"n": "a", "t": 1 << 28, "v": 1}), NOW)[0].time_us == (1 << 28) * 1_000_000

    def test_without_a_time_of_receipt_relative_times_are_refused(self):
        assert refused(rfc.SINGLE, None).code == "relative-time"

    def test_a_microsecond_survives_base_time_and_time(self):
        payload = pack({"bt": 1772434800.123457, "n": "a", "t": 0.000001, "v": 1})
        assert resolve(payload, None)[0].time_us == 1_772_434_800_123_458

    def test_unknown_fields_are_ignored(self):
        assert resolve(pack({"n": "a", "v": 1, "zz": [1, {}], "b9": 0}), NOW) == [Record("a", None, NOW, 1)]

    def test_decimal_fractions_are_numbers_in_cbor(self):
        # RFC 8949 §3.4.4: 273.15 as [-2, 27315] with tag 4.
        payload = bytes.fromhex("81a2006161 02c48221196ab3".replace(" ", ""))
        assert resolve(payload, NOW)[0].value == 273.15

    def test_text_labels_are_allowed_in_cbor_for_what_has_no_number(self):
        assert resolve(cbor2.dumps([{0: "a", 2: 1, "zz": 1, 99: 1}]), NOW) == [Record("a", None, NOW, 1)]

    def test_white_space_before_json_is_json(self):
        assert resolve(b"\r\n\t " + rfc.SINGLE, NOW)[0].value == 23.1


BAD = {
    "not JSON": (b"[{", "not-json", "line 1"),
    "not a number to JSON": (b'[{"n":"a","v":NaN}]', "not-json", "line 1"),
    "infinity to JSON": (b'[{"n":"a","v":1e999}]', "not-json", "infinity"),
    "not UTF-8": (b'[{"n":"\xff","v":1}]', "not-json", "UTF-8"),
    "something after the pack": (rfc.SINGLE + b"x", "not-json", "after document"),
    "nested without end": (b"[" * 5000, "not-json", "depth"),
    "a JSON object": (b'{"n":"a","v":1}', "not-senml", "0x7b"),
    "text": (b"hello", "not-senml", "0x68"),
    "nothing": (b"", "empty", "empty"),
    "blanks": (b" \n", "empty", "empty"),
    "an empty pack": (b"[]", "empty", "no record"),
    "an empty pack in CBOR": (b"\x80", "empty", "no record"),
    "a byte order mark": (b"\xef\xbb\xbf" + rfc.SINGLE, "not-senml", "0xef"),
    "cut CBOR": (rfc.SIX_SECONDS_CBOR[:-1], "not-cbor", "premature"),
    "something after the CBOR": (rfc.SIX_SECONDS_CBOR + b"\x00", "not-cbor", "1 bytes follow"),
    "an indefinite array": (b"\x9f" + rfc.SIX_SECONDS_CBOR[1:] + b"\xff", "not-cbor", "indefinite"),
    "a key twice in CBOR": (bytes.fromhex("81a3006161 0201 0202".replace(" ", "")), "not-cbor", "Duplicate"),
    "a label and its number": (cbor2.dumps([{0: "a", 2: 1, "v": 2}]), "bad-record", "twice"),
    "a CBOR array longer than its payload": (bytes.fromhex("9bffffffffffffffff"), "not-cbor", "premature"),
    "CBOR nested without end": (b"\x81" * 5000, "not-cbor", "depth"),
    "a bigfloat that would fill the memory": (
        bytes.fromhex("81a200616102c5821a3b9aca0001"),
        "not-cbor",
        "tag 5",
    ),
    "a regular expression": (bytes.fromhex("81a200616118 63d8236161".replace(" ", "")), "not-cbor", "tag 35"),
    "a decimal beyond doubles": (bytes.fromhex("81a200616102c4821a3b9aca0001"), "bad-number", "field 'v'"),
    "a boolean as label": (cbor2.dumps([{0: "a", 2: 1, True: "A"}]), "bad-record", "True"),
    "not a number to CBOR": (cbor2.dumps([{0: "a", 2: float("nan")}]), "bad-number", "nan"),
    "infinity to CBOR": (cbor2.dumps([{0: "a", 2: 1, 6: float("-inf")}]), "bad-number", "field 't'"),
    "a date as time": (
        bytes.fromhex("81a300616102010 6c11a514b67b0".replace(" ", "")),
        "bad-number",
        "field 't'",
    ),
    "a record that is a number": (b"[1]", "bad-record", "record 1 of 1"),
    "a record without fields": (pack({"n": "a", "v": 1}, {}), "bad-record", "record 2 of 2"),
    "a record of unknown fields": (pack({"x": 1}), "bad-record", "record 1 of 1"),
    "a value as text": (
        pack({"n": "a", "v": 1}, {"n": "b", "v": "3.3"}),
        "bad-number",
        "record 2 of 2, field 'v'",
    ),
    "a value as boolean": (pack({"n": "a", "v": True}), "bad-number", "True"),
    "no value but null": (pack({"n": "a", "v": None}), "bad-number", "None"),
    "a time as text": (pack({"n": "a", "v": 1, "t": "now"}), "bad-number", "field 't'"),
    "a base time as list": (pack({"n": "a", "v": 1, "bt": []}), "bad-number", "field 'bt'"),
    "a boolean as number": (pack({"n": "a", "vb": 1}), "bad-value", "field 'vb'"),
    "a name as number": (pack({"n": 7, "v": 1}), "bad-text", "field 'n'"),
    "a unit as number": (pack({"n": "a", "u": 7, "v": 1}), "bad-text", "field 'u'"),
    "padded base64": (pack({"n": "a", "vd": "aGkgCg=="}), "bad-value", "padding"),
    "base64 of no length": (pack({"n": "a", "vd": "aGkgC"}), "bad-value", "base64url"),
    "data as number": (pack({"n": "a", "vd": 1}), "bad-value", "field 'vd'"),
    "no value": (pack({"n": "a", "u": "A"}), "bad-value", "no value"),
    "two values": (pack({"n": "a", "v": 1, "vb": True}), "bad-value", "v and vb"),
    "no name": (pack({"v": 1}), "bad-name", "''"),
    "a name that begins with a dot": (pack({"n": ".a", "v": 1}), "bad-name", ".a"),
    "a name with a blank": (pack({"n": "a b", "v": 1}), "bad-name", "a b"),
    "a name beyond ASCII": (pack({"n": "säge", "v": 1}), "bad-name", "säge"),
    "a field that must be understood": (pack({"n": "a", "v": 1, "soon_": 1}), "unknown-field", "soon_"),
    "version 11": (pack({"bver": 11, "n": "a", "v": 1}), "bad-version", "11"),
    "version 0": (pack({"bver": 0, "n": "a", "v": 1}), "bad-version", "positive"),
    "a version as text": (pack({"bver": "10", "n": "a", "v": 1}), "bad-version", "'10'"),
    "two versions": (pack({"n": "a", "v": 1}, {"bver": 5, "n": "a", "v": 1}), "bad-version", "record 2 of 2"),
    "a value too large once the base is added": (
        pack({"n": "a", "bv": 1.7e308, "v": 1.7e308}),
        "bad-number",
        "inf",
    ),
    "a time beyond all calendars": (pack({"n": "a", "v": 1, "t": 1e300}), "time-out-of-range", "field 't'"),
    "an integer beyond doubles in CBOR": (cbor2.dumps([{0: "a", 2: 10**400}]), "bad-number", "38 digits"),
    "10 MB": (b"[" + b" " * 10_000_000 + b"]", "too-large", f"{MAX_BYTES}"),
    "100 000 records": (pack(*({"v": 1} for _ in range(100_000))), "too-many-records", f"{MAX_RECORDS}"),
}


@pytest.mark.parametrize(("payload", "code", "says"), BAD.values(), ids=BAD.keys())
def test_it_is_refused_and_told_why(payload, code, says):
    refusal = refused(payload)
    assert (refusal.code, says in refusal.reason) == (code, True), refusal


def test_a_version_of_10_point_0_is_version_10_in_json_alone():
    assert resolve(b'[{"bver":10.0,"n":"a","v":1}]', NOW)[0].version is None
    assert refused(cbor2.dumps([{-1: 10.0, 0: "a", 2: 1}])).code == "bad-version"
