"""A blade's life from what people said."""

from __future__ import annotations

import pytest

from api.answers.blades import Place, lives, sits_on, spans
from api.answers.candidates import openings, unanswered
from api.answers.service_limits import Use, limits_of, spent, use_of
from collector.book.blade_entries import BladeSheet
from collector.facts import SECOND
from tests.blades.said import Sayer


@pytest.fixture
def say():
    sayer = Sayer()
    sayer.sheet("TP-01", sharpenings_limit=1)
    sayer.sheet("TP-03")
    return sayer


def told(say):
    return lives(say.sheets, say.changes, say.events)


def test_a_whole_life(say):
    steps = [Place.NEW]
    for speak in (
        lambda: say.change(100, "TP-01"),
        lambda: say.change(200, "TP-03", "sharpen"),
        lambda: say.event(300, "TP-01", "sent"),
        lambda: say.event(400, "TP-01", "returned", price=1450),
        lambda: say.change(500, "TP-01", "keep"),
        lambda: say.change(600, "TP-03", "scrap"),
    ):
        speak()
        steps.append(told(say)["TP-01"].place)
    assert steps == ["new", "on_saw", "to_sharpen", "at_sharpener", "in_rack", "on_saw", "scrapped"]
    life = told(say)["TP-01"]
    assert (life.sharpenings, life.last_service) == (1, True)
    assert [(s.begun, s.ended, s.price_cents, len(s.fittings)) for s in life.services] == [
        (None, 200, None, 1),
        (400, 600, 1450, 1),
    ]
    assert [m.what for m in life.moments] == ["in", "out, sharpen", "sent", "returned", "in", "out, scrap"]
    assert told(say)["TP-03"].place is Place.SAW


def test_a_blade_kept_goes_on_with_the_same_service_on_any_saw(say):
    say.change(100, "TP-01")
    say.change(200, "TP-03", "keep")
    say.change(300, "TP-01", saw="plover")
    life = told(say)["TP-01"]
    assert spans(life.service, 350) == [("heron", 100, 200), ("plover", 300, 350)]


def test_a_dull_blade_put_back_unsharpened_goes_on_with_its_count(say):
    say.change(100, "TP-01")
    say.change(200, "TP-03", "sharpen")
    say.change(300, "TP-01")
    life = told(say)["TP-01"]
    assert life.service.ended is None
    assert len(life.service.fittings) == 2


def test_a_blade_that_comes_from_the_sharpener_onto_a_saw_was_sharpened_though_nobody_said_so(say):
    say.change(100, "TP-01")
    say.change(200, "TP-03", "sharpen")
    say.event(250, "TP-01", "sent")
    say.change(300, "TP-01")
    life = told(say)["TP-01"]
    assert life.sharpenings == 1
    assert life.service.assumed


def test_a_blade_named_at_a_saw_but_never_described_is_there(say):
    say.change(100, "TP-99")
    assert not told(say)["TP-99"].known
    assert sits_on(told(say).values(), "heron").tag == "TP-99"


def test_a_fate_said_late_belongs_to_the_blade_that_really_came_out(say):
    say.change(0, "TP-01")
    say.change(800, "TP-05", "sharpen")  # the phone showed TP-01
    say.change(400, "TP-03", "keep")  # said next morning: TP-03 was in between
    found = told(say)
    assert (found["TP-03"].place, found["TP-01"].place) == (Place.TO_SHARPEN, Place.RACK)


def test_who_comes_out_without_a_word_is_somewhere(say):
    say.change(0, "TP-01")
    say.change(100, "TP-03")
    assert told(say)["TP-01"].place is Place.UNSAID


def test_a_blade_changed_with_the_motor_off_for_more_than_a_minute_is_asked_about():
    s = SECOND
    visits = [(0, 61 * s), (100 * s, 160 * s), (200 * s, 400 * s), (500 * s, None)]
    runs = [(290 * s, 341 * s)]  # the motor ran with the door open: 90 s off before, 59 s after
    found = openings(visits, runs)
    assert [(o.start // s, o.end // s) for o in found] == [(0, 61), (200, 400)]
    assert openings(visits, runs, seconds=100) == []
    assert unanswered(found, [30 * s]) == found[1:]


def test_the_limit_that_comes_first_counts():
    limits = limits_of(BladeSheet("TP-01", limit_cuts=1000))
    assert limits.cuts == 1000
    assert limits.source == "given for this blade; the rest common practice, no source"
    use = use_of(500, 300 * 60 * SECOND, 12.0)
    assert use == Use(500, 300.0, 3600.0)
    assert spent(use, limits).by == "metres"
    assert spent(use, limits).share == pytest.approx(3600 / 4400)
