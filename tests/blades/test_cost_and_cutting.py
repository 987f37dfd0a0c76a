"""What blades cost, and the formulas of cutting speed and feed per tooth."""

from __future__ import annotations

import pytest

from api.answers.blade_cost import BladeUse, by_kind, cost
from api.answers.cutting import cutting_speed, feed_per_tooth
from api.answers.service_limits import Use


def test_cost_per_metre_spreads_the_price_over_all_services_and_adds_the_sharpenings():
    blade = BladeUse(
        "trapezoidal", 9000, [1500, 1500], [Use(2000, 300, 4000), Use(1800, 270, 3600)], Use(400, 60, 800), 4
    )
    found = cost([blade])
    assert found.use == Use(4200, 630, 8400)
    assert (found.services, found.cuts_per_service, found.metres_per_service) == (2, 1900, 3800)
    assert found.spent_cents == 12_000
    # Five services for 9000 + 4·1500 = 15 000: 3000 a service of 3800 m.
    assert found.cents_per_metre == pytest.approx(3000 / 3800)
    assert found.spent_per_metre == pytest.approx(12_000 / 8400)


def test_a_price_that_nobody_knows_is_not_taken_for_nothing():
    found = cost([BladeUse("flat", None, [1500], [Use(1, 1, 10)], Use(), 4)])
    assert found.cents_per_metre is None
    assert not found.complete
    assert cost([BladeUse("flat", 9000, [None], [Use(1, 1, 10)], Use(), 4)]).complete is False
    assert cost([]).cents_per_metre is None


def test_the_cheapest_tooth_form_stands_first():
    cheap = BladeUse("trapezoidal", 8000, [1000], [Use(100, 10, 4000)], Use(), 4)
    dear = BladeUse("alternate", 8000, [1000], [Use(100, 10, 2000)], Use(), 4)
    unknown = BladeUse("flat", None, [], [], Use())
    assert list(by_kind([unknown, dear, cheap])) == ["trapezoidal", "alternate", "flat"]


# Peripheral speed v = π·D·n as in Machinery's Handbook ("Cutting Speeds and Feeds"): the classical rim speed of
# circular saws for wood, 10 000 ft/min = 50.8 m/s (from memory); a 12 in saw reaches it at 3183 1/min.
def test_cutting_speed_is_the_handbooks_rim_speed():
    assert cutting_speed(304.8, 3183.1) == pytest.approx(50.8, rel=1e-4)


# Values worked by hand from v_c = π·D·n/60 and f_z = v_f·1000/(n·z), the formulas of DIN 6580 and of the tables that
# come with woodworking tools (from memory).
@pytest.mark.parametrize(("mm", "rpm", "speed"), [(250, 6000, 78.54), (300, 5000, 78.54), (350, 4200, 76.97)])
def test_cutting_speed_by_hand(mm, rpm, speed):
    assert cutting_speed(mm, rpm) == pytest.approx(speed, abs=0.005)


@pytest.mark.parametrize(
    ("feed", "rpm", "teeth", "mm"), [(12, 5000, 60, 0.04), (20, 4000, 48, 0.104167), (18, 6000, 24, 0.125)]
)
def test_feed_per_tooth_by_hand(feed, rpm, teeth, mm):
    assert feed_per_tooth(feed, rpm, teeth) == pytest.approx(mm, rel=1e-4)
