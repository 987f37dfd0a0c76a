"""The API's own description: valid by an independent validator, and true by what schemathesis finds."""

from __future__ import annotations

import pytest
import schemathesis
from hypothesis import HealthCheck, given, settings
from hypothesis.errors import Unsatisfiable
from openapi_spec_validator import OpenAPIV31SpecValidator
from schemathesis import GenerationMode


@pytest.fixture
def document(client):
    return client.get("/api/v1/openapi.json").json


def test_the_description_is_valid_openapi_3_1(document):
    assert document["openapi"].startswith("3.1")
    OpenAPIV31SpecValidator(document).validate()


def test_every_address_is_described(shop, document):
    routes = {r.rule.replace("<", "{").replace(">", "}") for r in shop.app.url_map.iter_rules()}
    undescribed = routes - set(document["paths"])
    assert undescribed == {"/api/v1/openapi.json", "/metrics"}  # the latter describes itself


def test_every_operation_says_what_it_does_and_how_errors_look(document):
    for path, item in document["paths"].items():
        for operation in item.values():
            assert operation["summary"], path
            errors = [r for code, r in operation["responses"].items() if not code.startswith("2")]
            assert errors
            assert all("application/problem+json" in r["content"] for r in errors), path


def test_lists_are_described_as_json_and_as_csv(document):
    for subject in ("cuts", "runs", "facts", "utilisation"):
        content = document["paths"][f"/api/v1/saws/{{saw}}/{subject}"]["get"]["responses"]["200"]["content"]
        assert set(content) == {"application/json", "text/csv"}


@pytest.fixture
def described(shop):
    shop.app.test_client().post("/api/v1/blades", json={"tag": "TP-01", "who": "maintenance lead"})
    schema = schemathesis.openapi.from_wsgi("/api/v1/openapi.json", shop.app)
    # Whether `to` lies after `from`, or a time between 2000 and 2099, is beyond JSON Schema: such a request
    # is well formed and still refused. The stream never ends and has tests of its own.
    schema.config.checks.update(excluded_check_names=["positive_data_acceptance"])
    return schema.exclude(path="/api/v1/stream")


@pytest.mark.parametrize("mode", [GenerationMode.POSITIVE, GenerationMode.NEGATIVE])
def test_the_running_api_keeps_to_its_description(described, mode):
    operations = [found.ok() for found in described.get_all_operations()]
    assert len(operations) >= 12
    for operation in operations:

        @given(case=operation.as_strategy(generation_mode=mode))
        @settings(
            max_examples=25,
            deadline=None,
            database=None,
            derandomize=True,
            suppress_health_check=list(HealthCheck),
        )
        def probe(case):
            if mode is GenerationMode.POSITIVE:  # random names would only ever meet "no such saw"
                there = {"saw": "heron", "slug": "bad-period", "mark": 1, "tag": "TP-01", "task": "rails", "tick": 1}
                there |= {"alert": 1, "role": "owner", "secret": "none", "fault": 1, "person": 1, "badge": 1}
                case.path_parameters = {name: there[name] for name in case.path_parameters}
            case.call_and_validate()

        try:
            probe()
        except Unsatisfiable:  # nothing about this address can be got wrong
            assert mode is GenerationMode.NEGATIVE
