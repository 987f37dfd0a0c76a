"""Topics of a saw's box."""

import pytest

from collector.wire.refusal import Refusal
from collector.wire.topics import (
    Topic,
    parse_topic,
    readings_filter,
    readings_topic,
    status_filter,
    status_topic,
)


def test_a_topic_is_taken_apart_as_it_was_put_together():
    assert parse_topic(readings_topic("tern-point", "heron")) == Topic("tern-point", "heron", "readings")
    assert parse_topic(status_topic("tern-point", "heron")) == Topic("tern-point", "heron", "status")


def test_a_filter_has_a_place_for_every_saw():
    assert readings_filter("tern-point") == "kerfbook/tern-point/+/readings"
    assert status_filter("tern-point") == "kerfbook/tern-point/+/status"


@pytest.mark.parametrize(
    "topic",
    [
        "",
        "kerfbook/tern-point/heron",
        "kerfbook/tern-point/he/ron/readings",
        "kerfbook/tern-point//readings",
        "kerfbook/tern-point/Heron/readings",
        "kerfbook/tern-point/hérön/readings",
        "kerfbook/tern-point/heron/readings\n",
        "kerfbook/tern-point/heron\n/readings",
        "kerfbook/tern-point/heron/other",
        f"kerfbook/tern-point/{'h' * 33}/readings",
        "/kerfbook/tern-point/heron/readings",
        "other/tern-point/heron/readings",
    ],
)
def test_any_other_topic_is_refused(topic):
    with pytest.raises(Refusal, match="SITE/SAW"):
        parse_topic(topic)


@pytest.mark.parametrize("make", [readings_topic, status_topic])
@pytest.mark.parametrize("name", ["", "a/b", "+", "#", "A", "h" * 33])
def test_no_topic_is_made_of_a_bad_name(make, name):
    with pytest.raises(ValueError, match="no name"):
        make("tern-point", name)
