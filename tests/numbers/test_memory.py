"""What is held of answers stays within its bytes, and never answers for another state."""

from __future__ import annotations

import sys

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from api.memory import Memory, size_of


@given(st.lists(st.tuples(st.integers(0, 9), st.integers(0, 3), st.integers(0, 400)), max_size=60))
def test_whatever_is_asked_the_answer_is_of_this_state_and_all_that_is_held_fits(questions):
    memory, most = Memory(4000), 4000
    for key, state, length in questions:
        answer = memory.of((key,), (state, length), lambda length=length, state=state: np.full(length, state))
        assert answer.tolist() == [state] * length
        assert memory.size <= most


def test_the_same_question_in_the_same_state_is_answered_once():
    memory, made = Memory(10_000), []
    for state in (1, 1, 2, 2, 1):
        memory.of(("a",), state, lambda state=state: made.append(state))
    assert made == [1, 2, 1]


def test_what_was_not_asked_for_longest_leaves_first():
    memory, made = Memory(2500), []

    def ask(name):
        memory.of((name,), 0, lambda: made.append(name) or np.zeros(100))

    for name in "abacab":  # two fit: c drives out b
        ask(name)
    assert made == ["a", "b", "c", "b"]


def test_a_piece_of_an_array_counts_as_all_that_it_keeps_alive():
    whole = np.zeros(1000)
    assert size_of(whole) == sys.getsizeof(whole)
    assert size_of([whole[:2]]) > whole.nbytes
