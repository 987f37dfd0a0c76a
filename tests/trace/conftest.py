from __future__ import annotations

import pytest

from tests.trace.influx import Influx


@pytest.fixture(scope="module")
def shared_influx(tmp_path_factory):
    """A running InfluxDB of a whole module, whose tests take databases of their own."""
    server = Influx(tmp_path_factory.mktemp("influx"))
    yield server
    server.close()
