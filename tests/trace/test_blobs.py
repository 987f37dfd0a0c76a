"""Blobs give back exactly what went in, or say that they are damaged."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.signals import Series
from collector.trace.blobs import BlobError, decode, encode

NOW = 1_772_434_800_000_000


ANY = st.integers(-(1 << 59), 1 << 59)


@st.composite
def series(draw, times=ANY):
    unit = draw(st.sampled_from([1, 7, 1000, 1_000_000]))
    t = sorted({x // unit * unit for x in draw(st.lists(times, min_size=1, max_size=300))})
    values = draw(st.sampled_from([st.integers(0, 1), st.integers(300, 400), st.integers(-(1 << 31), (1 << 31) - 1)]))
    return Series.of(t, draw(st.lists(values, min_size=len(t), max_size=len(t))))


@given(series() | series(st.integers(NOW, NOW + 10**7)))
def test_a_series_comes_back_exactly(found):
    again = decode(encode(found))
    assert again.same(found)
    assert (again.t.dtype, again.v.dtype) == (np.int64, np.int32)


@given(series(), st.data())
def test_one_damaged_byte_is_noticed(found, data):
    blob = bytearray(encode(found))
    blob[data.draw(st.integers(0, len(blob) - 1))] ^= data.draw(st.integers(1, 255))
    with pytest.raises(BlobError):
        decode(bytes(blob))


@given(series(), st.data())
def test_a_cut_blob_is_noticed(found, data):
    blob = encode(found)
    with pytest.raises(BlobError):
        decode(blob[: data.draw(st.integers(0, len(blob) - 1))])


@given(st.binary(max_size=300))
def test_bytes_from_elsewhere_are_no_blob(noise):
    with pytest.raises(BlobError):
        decode(noise)


def test_a_blob_has_at_least_one_reading_and_a_time_that_fits():
    with pytest.raises(ValueError, match="1 to"):
        encode(Series.empty())
    with pytest.raises(ValueError, match="2\\^60"):
        encode(Series.of([1 << 61], [0]))


def test_ordinary_motor_current_takes_less_than_a_byte_and_a_half_a_reading():
    rng = np.random.default_rng(5)
    t = NOW + (np.arange(8192) * 100 + np.rint(rng.normal(0, 3, 8192))).astype(np.int64) * 1000
    v = (np.rint((3300 + rng.normal(0, 50, 8192)) / 10) * 10).astype(np.int32)
    assert len(encode(Series(t, v))) < 1.5 * 8192
