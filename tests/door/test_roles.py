"""What is generated from the API's description, asked as an operator: in short (`tests.door.roles` is the long form)."""

from __future__ import annotations

from tests.door.roles import probe_as


def test_whatever_an_operator_asks_is_answered_as_described_or_refused(house, owner):
    asked = [count for _, _, count in probe_as(house, "operator", examples=1)]
    assert len(asked) > 60
    assert sum(asked) >= len(asked)
