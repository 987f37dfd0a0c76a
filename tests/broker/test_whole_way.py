"""Box → TLS → Mosquitto → TLS → `kerfbook run` → fact, with the users and certificates of `kerfbook broker-config`."""

from __future__ import annotations

import subprocess
import time
from types import SimpleNamespace

import pytest

from collector.ingest.ingest import Counts
from collector.mqtt import Collector
from collector.wire.topics import readings_topic, status_topic
from dashboard.broker.certificates import SERVER_YEARS
from dashboard.cli import main
from dashboard.commands.run import connection
from dashboard.config import load
from dashboard.doctor.broker import look
from tests.broker.client import box, kerfbook
from tests.dashboard.running import COMMAND, Running, messages, payload, work
from tests.waiting import until

pytestmark = pytest.mark.real


def test_a_cut_of_the_box_is_a_fact(broker, tmp_path):
    flow = messages("heron", work(2, cut_s=1.5, pause_s=2.0))
    began = time.time() - 60
    with Running(tmp_path, broker, ["heron"], sign_in=broker.sign_in) as house, box(broker, "heron") as heron:
        first = flow[0].topic, payload(flow[0], began - 120)
        until(lambda: heron.publish(*first) and house.get("/api/v1/wall")["saws"][0]["last_reading"])
        for message in flow:
            heron.publish(message.topic, payload(message, began))
        until(lambda: house.get("/api/v1/wall")["saws"][0]["cuts"]["total"] == 2)
        assert house.get("/api/v1/refusals")["refusals"] == []


def test_the_simulator_signs_in_as_a_box(broker, capsys):
    place = broker.root / "boxes/heron"
    arguments = ["simulate", "--to", f"127.0.0.1:{broker.boxes}", "--site", "tern-point", "--saw", "heron"]
    arguments += ["--ca-file", str(place / "ca.pem"), "--user", "box-heron"]
    with kerfbook(broker, client_id="onlooker") as ours:
        for topic in (status_topic("tern-point", "heron"), readings_topic("tern-point", "heron")):
            ours.subscribe(topic)
        playing = subprocess.Popen([*COMMAND, *arguments, "--password-file", str(place / "password")])
        until(lambda: len(ours.heard) > 200)
        playing.kill()
        playing.wait(20)
    assert main(arguments) == 2
    assert "belong together" in capsys.readouterr().err


@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")  # paho leaves the socket to Python
def test_with_another_authority_the_collector_says_why_it_does_not_connect(broker, capsys):
    broker.use()
    assert broker.write("--folder", str(broker.root.parent / "other")) == 0
    (broker.root / "collector/ca.pem").write_bytes((broker.root.parent / "other/collector/ca.pem").read_bytes())
    capsys.readouterr()
    main(["doctor", "--config", str(broker.config)])
    told = capsys.readouterr().out
    assert "NOT WELL  broker: mqtts://127.0.0.1" in told
    assert "is not trusted: [SSL: CERTIFICATE_VERIFY_FAILED]" in told
    collector = Collector(SimpleNamespace(counts=Counts()), "tern-point", connection(load(broker.config).broker))
    collector.start()
    until(lambda: "CERTIFICATE_VERIFY_FAILED" in (collector.health().broker_error or ""))
    collector.stop()


def test_the_doctor_tells_how_long_the_certificates_are_good(broker, capsys):
    broker.use()
    settings = load(broker.config)
    told = [str(finding) for finding in look(settings, time.time())]
    assert [finding.subject for finding in look(settings, time.time()) if not finding.advice] == [
        "the broker's certificate",
        "the broker's authority",
        "broker",
    ], told
    nearly = time.time() + (365 * SERVER_YEARS - 50) * 86_400
    ill = [finding for finding in look(settings, nearly) if finding.advice]
    assert [finding.subject for finding in ill] == ["the broker's certificate"]
    assert "kerfbook broker-config" in ill[0].advice
