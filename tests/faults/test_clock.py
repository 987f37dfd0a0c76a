"""Clocks go wrong: this computer's jumps an hour forward and back, a box's stands wrong. Nothing is lost, nothing twice."""

from __future__ import annotations

import time
from concurrent.futures import ThreadPoolExecutor

import pytest

from collector.book.maintenance import MaintenanceBook
from collector.facts import SECOND
from tests.faults.clock import Clock
from tests.faults.scene import Scene, packs, shifted, work
from tests.ingest.publisher import Publisher
from tests.waiting import until

pytestmark = pytest.mark.real

HOUR = 3600


def refused(scene: Scene, saw: str, code: str = "time-out-of-range") -> int:
    with scene.book() as book:
        return book.refusal_counts().get((saw, code), 0)


def test_the_collectors_clock_jumps_an_hour_back_and_forward_again(tmp_path, mosquitto):
    clock = Clock(tmp_path)
    scene = Scene(tmp_path, mosquitto, env=clock.env)
    with scene.house, Publisher(mosquitto) as box:
        scene.met()
        box.publish(scene.say("heron", work(2, ago_s=900)))
        scene.settled()
        clock.shift(-HOUR)
        now = [*scene.say("heron", work(3, ago_s=300)), *scene.say("plover", work(3, ago_s=300, seed=2))]
        box.publish(now)
        until(lambda: refused(scene, "heron") + refused(scene, "plover") == len(now))
        assert scene.verdict("heron").lost
        clock.shift(0)
        scene.all_is_well()
        clock.shift(HOUR)
        box.publish(scene.say("heron", work(1, ago_s=30)))
        scene.settled()
        scene.told("clock-jumped")
        clock.shift(0)
        box.publish(scene.say("heron", work(1, ago_s=0)))
        scene.all_is_well()
        assert scene.told("clock-jumped").detail["said"].startswith("The clock was put ")


def test_what_waits_for_the_clock_is_taken_in_by_the_next_start_too(tmp_path, mosquitto):
    clock = Clock(tmp_path)
    scene = Scene(tmp_path, mosquitto, env=clock.env)
    with scene.house, Publisher(mosquitto) as box:
        scene.met()
        clock.shift(-HOUR)
        flow = scene.say("heron", work(2, ago_s=60))
        box.publish(flow)
        until(lambda: refused(scene, "heron") == len(flow))
    clock.shift(0)
    with scene.house:
        scene.all_is_well()


def test_a_box_an_hour_ahead_writes_no_future_and_holds_up_nobody(tmp_path, mosquitto):
    scene = Scene(tmp_path, mosquitto)
    with scene.house, Publisher(mosquitto) as box:
        scene.met()
        right = work(3, ago_s=60)
        wrong = packs("plover", shifted(right, HOUR * SECOND))
        for a, b in zip(scene.say("heron", right), wrong, strict=True):
            box.publish([b, a])
        until(lambda: refused(scene, "plover") == len(wrong))
        scene.all_is_well()
        with scene.book() as book:
            assert book.now("plover").at < time.time() * SECOND
            assert not [f for f in book.facts("plover", 0, 2**62) if f.kind == "cut"]


def test_a_box_that_was_not_told_the_time_yet_writes_nothing_beside_what_was(tmp_path, mosquitto):
    """It counts from 1970 since its start, as a microcontroller does: small numbers, to which SenML gives a meaning."""
    scene = Scene(tmp_path, mosquitto)
    with scene.house, Publisher(mosquitto) as box:
        scene.met()
        early = work(2, ago_s=400)
        since_start = packs("heron", shifted(early, 30 * SECOND - early.first))
        box.publish(since_start)
        box.publish(scene.say("heron", work(2, seed=2)))
        until(lambda: refused(scene, "heron") == len(since_start))
        scene.all_is_well()
        with scene.book() as book:
            assert {"stands at 1970" in r.reason for r in book.refusals() if r.saw == "heron"} == {True}


def test_a_computer_that_begins_in_1970_waits_for_its_clock_and_begins_nothing_then(tmp_path, mosquitto):
    clock = Clock(tmp_path)
    clock.put(45)
    scene = Scene(tmp_path, mosquitto, env=clock.env)
    log = tmp_path / "run.log"

    def set_it() -> None:
        until(lambda: log.exists() and "clock is not set" in log.read_text())
        clock.shift(0)

    with ThreadPoolExecutor() as beside:
        told = beside.submit(set_it)
        with scene.house, Publisher(mosquitto) as box:
            told.result()
            scene.met()
            box.publish(scene.say("heron", work(2)))
            scene.all_is_well()
            with scene.book() as book:
                assert min(task.since_us for task in MaintenanceBook(book).tasks()) > (time.time() - 2 * 86400) * SECOND
