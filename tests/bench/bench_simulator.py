"""How fast the shop is played and the broker hands on. Run: ``pytest -m bench tests/bench/bench_simulator.py``."""

import datetime as dt
import multiprocessing
import threading
import time

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from simulator import world
from simulator.difficulties import SCENARIOS
from simulator.embedded_broker import EmbeddedBroker
from simulator.play import BoxClient, deliveries, pace


@pytest.mark.bench
def test_readings_a_second_of_eight_weeks_of_two_saws(capsys):
    began = time.perf_counter()
    readings = sum(len(played.trace) for saw in world.SAWS for played in world.history(saw, dt.date(2026, 1, 5), 56, 1))
    seconds = time.perf_counter() - began
    with capsys.disabled():
        print(f"\n{readings / 1e6:.1f} M readings in {seconds:.2f} s: {readings / seconds / 1e6:.1f} M/s")


@pytest.mark.bench
def test_milliseconds_of_each_scenario(capsys):
    with capsys.disabled():
        print()
        for name, scenario in SCENARIOS.items():
            began = time.perf_counter()
            samples = sum(len(scenario(seed).trace) for seed in range(5))
            print(f"{name:18s} {(time.perf_counter() - began) / 5 * 1e3:6.1f} ms {samples // 5:7d} readings")


def _serve(pipe):
    with EmbeddedBroker(port=0) as broker:
        pipe.send(broker.port)
        pipe.recv()


def _messages_a_second(port: int) -> float:
    packs = list(deliveries(SCENARIOS["ordinary"](1)))
    seen, all_seen, ready = [0], threading.Event(), threading.Event()

    def took(_client, _data, _message):
        seen[0] += 1
        if seen[0] == len(packs):
            all_seen.set()

    reader = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="reader", clean_session=False)
    reader.on_message = took
    reader.on_subscribe = lambda *_: ready.set()
    reader.on_connect = lambda client, *_: client.subscribe("kerfbook/+/+/readings", 1)
    reader.connect("127.0.0.1", port)
    reader.loop_start()
    ready.wait(5)
    box = BoxClient("tern-point", packs[0].saw, "127.0.0.1", port)
    box.start()
    box.settle(5)
    began = time.perf_counter()
    pace(packs, box.send, speed=float("inf"))
    assert all_seen.wait(30)
    seconds = time.perf_counter() - began
    box.stop()
    reader.disconnect()
    reader.loop_stop()
    return len(packs) / seconds


@pytest.mark.bench
def test_packs_a_second_through_the_embedded_broker(capsys):
    with EmbeddedBroker(port=0) as broker:
        thread = _messages_a_second(broker.port)
    ours, theirs = multiprocessing.get_context("spawn").Pipe()
    process = multiprocessing.get_context("spawn").Process(target=_serve, args=(theirs,))
    process.start()
    child = _messages_a_second(ours.recv())
    ours.send(None)
    process.join(10)
    with capsys.disabled():
        print(f"\nthread {thread:.0f} packs/s, child process {child:.0f} packs/s, ratio {child / thread:.2f}")
