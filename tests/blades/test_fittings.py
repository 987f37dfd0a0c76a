"""Which blade made which cut: late, corrected, refused, two at once, and the law that nothing is counted twice."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from api.answers.fittings import attribute, fittings, shares, standing
from collector.book.blade_entries import WITHDRAWN, Fate
from collector.outline import OPEN
from tests.blades.said import Sayer

CUTS = np.arange(0, 1000, 10, dtype=np.int64)  # a cut at 0, 10, 20, …


@pytest.fixture
def say():
    return Sayer()


def counted(say, saw="heron"):
    found = shares(CUTS, [f for f in fittings(say.changes, say.events) if f.saw == saw])
    assert found.total == len(CUTS)
    return found.blades, found.unattributed


def test_cuts_before_the_first_change_have_no_blade(say):
    say.change(405, "TP-01")
    assert counted(say) == ({"TP-01": 59}, 41)


def test_a_cut_at_the_very_moment_of_a_change_is_the_new_blades(say):
    say.change(0, "TP-01")
    say.change(500, "TP-03")
    assert counted(say) == ({"TP-01": 50, "TP-03": 50}, 0)


def test_a_change_said_late_moves_the_counts_to_the_moment_it_happened(say):
    say.change(0, "TP-01")
    say.change(800, "TP-05")
    say.change(300, "TP-03", said=9_000)  # next morning
    assert counted(say) == ({"TP-01": 30, "TP-03": 50, "TP-05": 20}, 0)


def test_a_correction_of_the_blade_moves_all_its_cuts(say):
    say.change(0, "TP-01")
    wrong = say.change(500, "TP-03")
    say.change(500, "TP-07", corrects=wrong)
    assert counted(say) == ({"TP-01": 50, "TP-07": 50}, 0)


def test_a_correction_of_the_time_moves_the_cuts_between_and_a_second_one_counts_alone(say):
    say.change(0, "TP-01")
    first = say.change(500, "TP-03")
    say.change(700, "TP-03", corrects=first)
    say.change(600, "TP-03", corrects=first)
    assert counted(say) == ({"TP-01": 60, "TP-03": 40}, 0)


def test_what_turns_out_to_have_been_cleaning_changes_nothing(say):
    say.change(0, "TP-01")
    wrong = say.change(500, "TP-03")
    say.cleaned(500, corrects=wrong)
    assert counted(say) == ({"TP-01": 100}, 0)


def test_a_change_taken_back_is_as_if_never_said(say):
    say.change(0, "TP-01")
    wrong = say.change(500, "TP-03")
    say.change(500, None, kind=WITHDRAWN, corrects=wrong)
    assert counted(say) == ({"TP-01": 100}, 0)


def test_of_two_changes_at_one_opening_the_second_blade_stays_and_the_first_made_no_cut(say):
    say.change(0, "TP-01")
    say.change(500, "TP-03", "sharpen")
    say.change(500, "TP-05", "scrap")  # TP-03 had a cracked tooth
    assert counted(say) == ({"TP-01": 50, "TP-05": 50}, 0)
    assert [(f.tag, f.end - f.start, f.fate) for f in fittings(say.changes)] == [
        ("TP-01", 500, Fate.SHARPEN),
        ("TP-03", 0, Fate.SCRAP),
        ("TP-05", OPEN - 500, None),
    ]


def test_the_order_at_one_opening_survives_a_correction_of_the_first(say):
    say.change(0, "TP-01")
    first = say.change(500, "TP-03")
    say.change(500, "TP-05")
    say.change(500, "TP-07", corrects=first)
    assert counted(say) == ({"TP-01": 50, "TP-05": 50}, 0)


def test_a_change_to_a_blade_that_nobody_knows_leaves_the_cuts_unattributed(say):
    say.change(0, "TP-01")
    say.change(500, None)
    assert counted(say) == ({"TP-01": 50}, 50)


def test_a_blade_that_goes_onto_another_saw_leaves_the_first_without_a_known_one(say):
    say.change(0, "TP-01", saw="heron")
    say.change(300, "TP-01", saw="plover")
    assert counted(say, "heron") == ({"TP-01": 30}, 70)
    assert counted(say, "plover") == ({"TP-01": 70}, 30)


def test_a_blade_that_is_at_the_sharpener_is_on_no_saw(say):
    say.change(0, "TP-01")
    say.event(400, "TP-01", "sent")
    assert counted(say) == ({"TP-01": 40}, 60)


def test_the_same_blade_put_back_goes_on(say):
    say.change(0, "TP-01")
    say.change(500, "TP-01", "keep")
    assert counted(say) == ({"TP-01": 100}, 0)
    assert len(fittings(say.changes)) == 1


TAGS = st.sampled_from([None, "TP-01", "TP-02", "TP-03", "TP-04"])
SAWS = ("heron", "plover")


@st.composite
def histories(draw):
    """Anything that people may say, in any order: late, corrected again and again, taken back, contradictory."""
    say = Sayer()
    said = []
    for _ in range(draw(st.integers(0, 25))):
        at = draw(st.integers(0, 60)) * 16
        if draw(st.integers(0, 4)) == 0:
            kinds = ["racked", "to_sharpen", "sent", "returned", "scrapped"]
            say.event(at, draw(st.sampled_from(["TP-01", "TP-02"])), draw(st.sampled_from(kinds)))
            continue
        corrects = draw(st.sampled_from([None, *said]))
        kind = draw(st.sampled_from(["change", "change", "change", "cleaned", WITHDRAWN]))
        tag = draw(TAGS) if kind == "change" else None
        fate = draw(st.sampled_from([None, "sharpen", "keep", "scrap"]))
        saw = draw(st.sampled_from(SAWS))
        if corrects is not None:
            saw = next(c.saw for c in say.changes if c.id == corrects)
        n = say.change(at, tag, fate, saw=saw, kind=kind, corrects=corrects, said=draw(st.integers(0, 2000)))
        if corrects is None:
            said.append(n)
    return say


@given(histories(), st.lists(st.integers(0, 1000), max_size=40), st.integers(0, 1000), st.integers(0, 1000))
def test_in_every_period_the_cuts_of_the_blades_and_the_unattributed_are_all_cuts(say, starts, a, b):
    everything = fittings(say.changes, say.events)
    for saw in SAWS:
        own = [f for f in everything if f.saw == saw]
        cuts = np.array(sorted(starts), np.int64)
        period = cuts[(cuts >= min(a, b)) & (cuts < max(a, b))]
        found = shares(period, own)
        assert found.total == len(period)
        # And by another way: each cut looked up by itself, in at most one fitting.
        for t in period.tolist():
            holding = [f for f in own if f.start <= t < f.end]
            assert len(holding) <= 1
        by_tag = {tag: sum(1 for t in period.tolist() if _blade(own, t) == tag) for tag in found.blades}
        assert by_tag == found.blades


def _blade(own, t):
    return next((f.tag for f in own if f.start <= t < f.end), None)


@given(histories())
def test_no_blade_is_in_two_places_and_no_saw_holds_two_blades(say):
    everything = fittings(say.changes, say.events)
    for key in ("saw", "tag"):
        for value in {getattr(f, key) for f in everything} - {None}:
            own = [f for f in everything if getattr(f, key) == value]
            assert all(f.end <= g.start for f, g in pairwise(own))


@given(histories(), st.randoms())
def test_the_order_in_which_the_book_is_read_does_not_matter(say, dice):
    mixed = dice.sample(say.changes, len(say.changes))
    assert standing(mixed) == standing(say.changes)
    assert fittings(mixed, say.events) == fittings(say.changes, say.events)


def test_no_fittings_no_blades():
    assert attribute(CUTS, []).tolist() == [-1] * len(CUTS)
