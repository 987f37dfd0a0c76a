"""A trial over HTTP: looked at as it goes, kept when it is sound."""

from __future__ import annotations

from dataclasses import replace

import pytest

from collector.book.habits import HabitHistory, Learned
from collector.detect.habits import Habits
from collector.facts import SECOND, iso
from tests.calibrate.trial import BOX, trial

V1 = "/api/v1/saws/heron"
ORDER = ("off", "idle", "cuts", "stop", "end")


@pytest.fixture
def begin(empty_shop):
    def begin(played):
        empty_shop.trace.write("heron", played.trace)
        empty_shop.trace.commit()
        empty_shop.clock.now = played.steps.end + 5 * SECOND
        return empty_shop.open().test_client()

    return begin


def times(played, count: int = 5) -> dict[str, str]:
    return {step: iso(getattr(played.steps, step)) for step in ORDER[:count]}


def test_a_sound_trial_is_kept_with_its_date_and_stays_when_another_follows(begin):
    played = trial(box=replace(BOX, offset=0.6))
    client = begin(played)
    seen = client.get(f"{V1}/calibration", query_string=times(played)).json
    assert seen["sound"]
    assert len(seen["measured"]["rises_amps"]) == 3
    kept = client.post(f"{V1}/settings", json={**times(played), "who": "installer"})
    assert kept.status_code == 201
    assert kept.json["valid_from"] == iso(played.steps.off)
    assert set(kept.json["settings"]) == {"on_ma", "on_band_ma"}
    client.post(f"{V1}/settings", json={**times(played), "who": "owner"})
    assert [v["who"] for v in client.get(f"{V1}/settings").json["versions"]] == ["owner", "installer"]


def test_what_was_learned_of_a_saw_stands_beside_its_settings(begin, empty_shop):
    client = begin(trial())
    assert client.get(f"{V1}/settings").json["learned"] is None
    habits = Habits(True, (2_100_000, 2_400_000), (3300, 3650))
    for stops in (3, 23):
        at = empty_shop.clock.now
        known = Learned("heron", at - 9 * SECOND, habits, stops, stops - 1, 40, at - 8 * SECOND, at - 2 * SECOND, at)
        HabitHistory(empty_shop.book).add(known, None)
    assert client.get(f"{V1}/settings").json["learned"] == {
        "valid_from": iso(at - 9 * SECOND),
        "at": iso(at),
        "stops": 23,
        "brakes": 22,
        "cuts": 40,
        "first": iso(at - 8 * SECOND),
        "last": iso(at - 2 * SECOND),
        "brake_seen": True,
        "brake_seconds": {"least": 2.1, "most": 2.4},
        "idle_amps": {"least": 3.3, "most": 3.65},
    }


def test_a_trial_with_a_fault_is_not_kept_and_says_why(begin):
    played = trial().clipped(4500)
    client = begin(played)
    answer = client.post(f"{V1}/settings", json={**times(played), "who": "installer"})
    assert answer.status_code == 409
    assert "The clamp is too small" in answer.json["detail"]
    assert client.get(f"{V1}/settings").json["versions"] == []


def test_an_unfinished_trial_is_looked_at_and_not_kept(begin):
    played = trial()
    client = begin(played)
    seen = client.get(f"{V1}/calibration", query_string=times(played, 2)).json
    assert not seen["sound"]
    assert seen["settings"] is None
    answer = client.post(f"{V1}/settings", json={**times(played, 3), "who": "installer"})
    assert answer.status_code == 409


@pytest.mark.parametrize(
    ("steps", "told"),
    [
        ({"off": "2026-03-02T08:00:00Z", "cuts": "2026-03-02T08:01:00Z"}, "missing"),
        ({"off": "2026-03-02T08:00:00Z", "idle": "2026-03-02T07:01:00Z"}, "follow one another"),
        ({"off": "2026-03-01T08:00:00Z"}, "over 2 hours"),
        ({"off": "2026-03-03T08:00:00Z"}, "future"),
        ({}, "off"),
    ],
)
def test_times_that_make_no_trial_are_named(begin, steps, told):
    answer = begin(trial()).get(f"{V1}/calibration", query_string=steps)
    assert answer.status_code == 400
    assert told in answer.json["detail"]
