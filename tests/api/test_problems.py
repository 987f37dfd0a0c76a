"""Errors as RFC 9457 problem details, each saying what is wrong, where, and what to do."""

from __future__ import annotations

import logging

import pytest
from sqlalchemy.exc import OperationalError

from api.http.problems import KINDS, ProblemDetails, ProblemKind
from collector.book.book import Book
from collector.trace.store import TraceError

V1 = "/api/v1"


def problem(response, status):
    assert response.status_code == status
    assert response.mimetype == "application/problem+json"
    body = ProblemDetails.model_validate(response.json, extra="forbid")
    assert body.status == status
    assert body.what_to_do
    return body


@pytest.mark.parametrize(
    ("query", "where", "says"),
    [
        ("from=yesterday", "parameter from", "RFC 3339"),
        ("from=2026-03-02T07:00:00", "parameter from", "zone"),
        ("to=2026-02-30T07:00:00Z", "parameter to", "no time that exists"),
        ("from=1970-01-01T00:00:00Z", "parameter from", "2000 to 2099"),
        ("limit=0", "parameter limit", "at least 1"),
        ("limit=ten", "parameter limit", "whole number"),
        ("limti=3", "parameter limti", "not known"),
        ("format=xml", "parameter format", "'json' or 'csv'"),
    ],
)
def test_a_wrong_parameter_is_named_with_what_is_wrong(client, query, where, says):
    body = problem(client.get(f"{V1}/saws/heron/cuts?{query}"), 400)
    (error,) = body.errors
    assert error.where == where
    assert says in error.detail
    assert body.type == "/api/v1/problems/bad-parameter"


def test_all_wrong_parameters_are_named_at_once(client):
    body = problem(client.get(f"{V1}/saws/heron/cuts?from=x&limit=0"), 400)
    assert [e.where for e in body.errors] == ["parameter from", "parameter limit"]


def test_a_period_that_ends_before_it_starts_is_refused(client):
    body = problem(client.get(f"{V1}/saws/heron/states?from=2026-03-02T08:00:00Z&to=2026-03-02T07:00:00Z"), 400)
    assert body.type.endswith("bad-period")


def test_a_period_too_long_for_the_answer_is_refused_with_the_limit(client):
    body = problem(client.get(f"{V1}/saws/heron/trace?from=2020-01-01T00:00:00Z&to=2026-01-01T00:00:00Z"), 400)
    assert "at most 31" in body.detail


@pytest.mark.parametrize("cursor", ["x", "1~2", "99999999999999999999~1~", "1~1~'; DROP TABLE cut"])
def test_a_cursor_that_was_never_given_is_refused(client, cursor):
    problem(client.get(f"{V1}/saws/heron/cuts", query_string={"cursor": cursor}), 400)


@pytest.mark.parametrize("cursor", ["x", "-1", "9" * 20, "²"])
def test_so_is_a_cursor_of_refusals(client, cursor):
    problem(client.get(f"{V1}/refusals", query_string={"cursor": cursor}), 400)


@pytest.mark.parametrize("path", ["", "/states", "/cuts", "/runs", "/facts", "/utilisation", "/trace"])
def test_an_unknown_saw_is_named_together_with_the_saws_that_exist(client, path):
    body = problem(client.get(f"{V1}/saws/egret{path}"), 404)
    assert body.type.endswith("unknown-saw")
    assert "heron, plover" in body.detail


def test_a_saws_name_that_cannot_be_one_is_refused(client):
    problem(client.get(f"{V1}/saws/Heron!"), 400)


def test_an_address_without_anything_is_a_problem(client):
    assert "/api/v1/nothing" in problem(client.get(f"{V1}/nothing"), 404).detail


def test_a_wrong_method_is_told_the_right_ones(client):
    response = client.post(f"{V1}/wall")
    problem(response, 405)
    assert "GET" in response.headers["Allow"]


def test_what_nobody_foresaw_is_a_problem_without_inner_details_and_a_line_in_the_log(shop, caplog):
    def broken(*_):
        raise RuntimeError("secret path /var/lib")

    shop.trace.read = broken
    with caplog.at_level(logging.ERROR):
        body = problem(shop.app.test_client().get(f"{V1}/saws/heron/trace"), 500)
    assert "secret" not in str(body)
    assert "secret path" in caplog.text


def test_a_book_that_cannot_be_read_makes_the_server_unhealthy(shop, monkeypatch):
    def away(_):
        raise OperationalError("SELECT", {}, Exception("disk I/O error"))

    monkeypatch.setattr(Book, "revision", away)
    body = problem(shop.app.test_client().get("/healthz"), 503)
    assert body.type.endswith("store-unavailable")


@pytest.mark.parametrize(
    "error",
    [TraceError("database is locked"), OperationalError("INSERT", {}, Exception("attempt to write a readonly"))],
)
def test_a_store_that_fails_for_now_is_no_fault_of_the_request_and_a_phone_keeps_what_it_wanted_to_say(shop, error):
    def away(*_):
        raise error

    shop.trace.read = away
    answer = shop.app.test_client().get(f"{V1}/saws/heron/trace")
    assert problem(answer, 503).type.endswith("store-unavailable")
    assert int(answer.headers["Retry-After"]) > 0


def test_errors_of_pages_beside_the_api_are_not_the_apis(client):
    assert client.get("/no-such-page").mimetype == "text/html"


@pytest.mark.parametrize("slug", KINDS)
def test_the_type_of_every_problem_leads_to_its_description(client, slug):
    response = client.get(f"{V1}/problems/{slug}")
    assert ProblemKind.model_validate(response.json).status == KINDS[slug].status


def test_an_unknown_kind_of_problem_is_one_itself(client):
    problem(client.get(f"{V1}/problems/no-such-kind"), 404)
