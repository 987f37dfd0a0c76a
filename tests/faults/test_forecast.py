"""When the disk will be full: bytes a day, some of them only until what is old makes room."""

import pytest

from dashboard.doctor.stores import full_in


@pytest.mark.parametrize(
    ("free", "growing", "days"),
    [
        (100, [(10, None)], 10),
        (100, [(10, 5.0)], None),
        (100, [(10, 5.0), (5, None)], 5 + (100 - 75) / 5),
        (100, [(10, 20.0), (10, 30.0)], 5),
        (100, [], None),
        (0, [(1, None)], 0),
        (-5, [(1, None)], 0),
        (1e12, [(1e6, None)], None),
    ],
)
def test_a_disk_is_full_when_what_grows_has_taken_it(free, growing, days):
    assert full_in(free, growing) == (None if days is None else pytest.approx(days))
