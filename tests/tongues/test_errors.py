"""Errors and findings in the reader's language, and their types in none."""

from __future__ import annotations

import pytest

from api.answers.findings import told
from api.app import close_api
from api.door.guest import Visitors
from api.site import SawTitle, Site
from api.tongues.manner import Manner
from api.tongues.say import speaking
from collector.calibrate import Amps, Figure, Finding, Level
from collector.trace.sqlite import SqliteTrace
from dashboard.app import create_app

PORTUGUESE = Manner("pt", "pt_PT")


@pytest.fixture
def client(tmp_path):
    site = Site("tern-point", "Tern Point Stageworks", "Europe/Lisbon", (SawTitle("heron", "Heron"),))
    trace = SqliteTrace(tmp_path / "trace.sqlite")
    app = create_app(site, f"sqlite:///{tmp_path / 'book.sqlite'}", trace, "x", visitors=Visitors.LOCAL)
    yield app.test_client()
    close_api(app)
    trace.close()


def test_an_error_is_told_in_the_browsers_language_and_keeps_its_type(client):
    asked = "/api/v1/report?period=2026-W99"
    english = client.get(asked).json
    answer = client.get(asked, headers={"Accept-Language": "pt-PT,pt;q=0.9"})
    portuguese = answer.json
    assert portuguese["type"] == english["type"] == "/api/v1/problems/bad-period"
    assert portuguese["title"] == "O período está vazio ou é longo demais para esta resposta."
    assert "não é um período" in portuguese["detail"]
    assert "is no period" in english["detail"]
    assert answer.headers["Content-Language"].startswith("pt")


def test_a_wrong_parameter_is_told_in_the_chosen_language(client):
    client.set_cookie("kerfbook_language", "pt")
    wrong = client.get("/api/v1/saws/heron/cuts?limit=0").json["errors"]
    assert [e["where"] for e in wrong] == ["parâmetro limit"]
    assert [e["detail"] for e in wrong] == ["tem de ser pelo menos 1"]


@pytest.mark.parametrize(
    ("said", "values", "expected"),
    [
        ("Idle: {amps}, noise {noise}.", {"amps": Amps(3250), "noise": Amps(40)}, "Vazio: 3,25 A, ruído 0,04 A."),
        ("Samples: {n} a second.", {"n": Figure(9.96, 1)}, "Amostras: 10,0 por segundo."),
    ],
)
def test_a_finding_is_told_in_portuguese_with_its_figures(said, values, expected):
    finding = Finding("any", Level.GOOD, said, values=values)
    with speaking(PORTUGUESE):
        assert told(finding) == (expected, "")
    assert told(finding)[0] == finding.text
