"""Each request is answered in its language; what the workshop left open follows from its territory."""

from __future__ import annotations

import datetime as dt

import pytest

from api.door.guest import Visitors
from api.site import SawTitle, Site
from api.tongues import amounts, catalogue, say
from api.tongues.manner import Manner, Show, manner
from collector.trace.sqlite import SqliteTrace
from dashboard.app import create_app

PORTUGUESE = Manner("pt", "pt_PT")
AMERICAN = Manner("en", "en_US", hours=12, inches=True, first_day=6)


@pytest.fixture
def client_of(tmp_path):
    def make(show: Show = Show(), zone: str = "Europe/Lisbon"):  # noqa: B008
        trace = SqliteTrace(tmp_path / "trace.sqlite")
        site = Site("tern-point", "Tern Point Stageworks", zone, (SawTitle("heron", "Heron"),), show=show)
        return create_app(
            site, f"sqlite:///{tmp_path / 'book.sqlite'}", trace, "x", visitors=Visitors.LOCAL
        ).test_client()

    return make


def test_a_browser_is_answered_in_its_language(client_of):
    client = client_of()
    assert 'lang="pt-PT"' in client.get("/", headers={"Accept-Language": "pt-BR,en;q=0.5"}).text
    assert 'lang="en-GB"' in client.get("/", headers={"Accept-Language": "fi"}).text
    assert 'lang="en-GB"' in client.get("/").text


def test_the_workshops_language_goes_before_the_browsers_and_a_choice_before_both(client_of):
    client = client_of(Show(language="pt"))
    assert "Manutenção" in client.get("/", headers={"Accept-Language": "en"}).text
    assert client.get("/language/en").status_code == 302
    assert "Maintenance" in client.get("/").text
    assert client.get("/language/tlh").status_code == 404


def test_no_language_leaks_into_the_next_request(client_of):
    client = client_of()
    assert "Manutenção" in client.get("/", headers={"Accept-Language": "pt"}).text
    assert "Maintenance" in client.get("/").text


def test_scripts_get_their_texts_from_an_address_that_changes_with_them(client_of):
    client = client_of(Show(language="pt"))
    address = f"/words/pt/{catalogue.digest('pt')}.js"
    assert f'<script src="{address}">' in client.get("/").text
    answer = client.get(address)
    assert answer.mimetype == "text/javascript"
    assert answer.cache_control.immutable
    assert client.get("/words/pt/0.js").status_code == 404


@pytest.mark.parametrize(
    ("zone", "hours", "inches", "first_day"),
    [
        ("Europe/Lisbon", 24, False, 6),  # CLDR 44 and later: the Portuguese week begins on Sunday
        ("Europe/Berlin", 24, False, 0),
        ("America/New_York", 12, True, 6),
        ("Africa/Cairo", 12, False, 5),
        ("UTC", 24, False, 0),
    ],
)
def test_clock_measures_and_week_follow_the_territory(zone, hours, inches, first_day):
    """Source: CLDR weekData, timeData and measurementData of these territories."""
    found = manner(Show(), zone)
    assert (found.hours, found.inches, found.first_day) == (hours, inches, first_day)


def test_what_the_workshop_settled_goes_before_its_territory():
    assert manner(Show("pt", 12, "inch", 0), "Europe/Lisbon") == Manner("pt", "pt_PT", 12, inches=True, first_day=0)
    assert not manner(Show(measures="metric"), "America/New_York").inches


def test_times_numbers_and_lengths_are_written_in_the_readers_manner():
    at = dt.datetime(2026, 3, 2, 14, 2, tzinfo=dt.UTC)
    with say.speaking(PORTUGUESE):
        assert amounts.clock(at) == "14:02"
        assert amounts.number(1234567.5, 1).replace("\xa0", " ") == "1 234 567,5"
        assert amounts.day(at.date()) == "seg. 2 mar."
        assert amounts.length(303) == "303 mm"
        assert amounts.length(3.2) == "3,2 mm"
    with say.speaking(AMERICAN):
        assert amounts.clock(at).replace("\u202f", " ") == "2:02 PM"
        assert amounts.day(at.date()) == "Mon, Mar 2"
        assert amounts.length(254) == "10.00 in"
        assert amounts.length(3.175) == "0.125 in"  # an eighth
        assert amounts.run(304.8) == "1,000 ft"
    assert amounts.day(at.date()) == "Mon 2 Mar"
