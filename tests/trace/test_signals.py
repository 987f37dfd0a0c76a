"""Operations on signals, held against NumPy's own."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from collector.signals import distinct


@given(st.lists(st.integers(-(2**63), 2**63 - 1) | st.integers(-3, 3)))
def test_distinct_values_are_those_of_numpy(values):
    given_values = np.array(values, np.int64)
    assert np.array_equal(distinct(given_values), np.unique(given_values))
