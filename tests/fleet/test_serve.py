"""`kerfbook collect` and `kerfbook serve` meet in the servers and nowhere else."""

from __future__ import annotations

import time

import pytest

from tests.dashboard.running import messages, payload, work
from tests.fleet.collecting import Collecting, Serving
from tests.ingest.publisher import Publisher
from tests.waiting import until

pytestmark = pytest.mark.real


def test_what_one_process_collects_another_shows(tmp_path, broker, stores):
    lines, book = stores
    flow = messages("heron", work(3))
    began = time.time() - flow[-1].due - 1
    first, rest = flow[: len(flow) // 2], flow[len(flow) // 2 :]
    assert first[-1].cuts < rest[-1].cuts == 3
    collecting = Collecting(tmp_path, broker, "one", ["heron"], lines, "").start()
    try:
        with Serving(collecting, book) as screens, Publisher(broker) as box:
            box.publish([(message.topic, payload(message, began)) for message in first])
            until(lambda: screens.total("heron") == first[-1].cuts)
            collecting.stop()  # who shows goes on without who collects
            box.publish([(message.topic, payload(message, began)) for message in rest])
            collecting.start()
            until(lambda: screens.total("heron") == 3)
    finally:
        collecting.stop()
