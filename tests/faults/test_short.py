"""The faults of `tests.faults` in the short form that CI runs."""

from __future__ import annotations

import cbor2
import pytest

from collector.wire.pack import read_pack
from collector.wire.refusal import Refusal
from tests.faults.fuzz import SEEDS, fuzz
from tests.faults.kill_nine import kill_nine
from tests.ingest.conftest import T0


def test_twenty_thousand_mutated_packs_are_read_or_refused_and_leave_no_memory_behind():
    outcome = fuzz(20_000)
    assert outcome.outcomes.total() == 20_000
    assert outcome.outcomes["read"] > 100  # the mutations do not all break at the first byte
    assert outcome.growth < 20 << 20


@pytest.mark.parametrize("record", ["a", "motor", ["motor", "A", 3.3], [], 7, None])
def test_a_cbor_record_that_is_no_map_is_refused_though_numbers_may_index_it(record):
    good = cbor2.loads(SEEDS[1])
    for pack in ([record, *good], [*good, record]):
        with pytest.raises(Refusal):
            read_pack(cbor2.dumps(pack), T0 + 2_000_000)


@pytest.mark.real
def test_kill_9_at_five_moments_under_load_loses_and_doubles_nothing(tmp_path, mosquitto):
    toll = kill_nine(tmp_path, mosquitto, 5)
    assert toll.kills == 5
    assert (toll.readings_lost, toll.facts_wrong) == (0, 0)
