"""What is shown where there is no page."""

from __future__ import annotations


def test_an_address_that_is_no_page_says_so_and_shows_the_way(open_shop):
    answer = open_shop(1).app.test_client().get("/phone")
    assert answer.status_code == 404
    assert "There is nothing at /phone." in answer.text
    assert 'href="/alerts"' in answer.text


def test_below_the_api_it_is_problem_details_as_ever(open_shop):
    answer = open_shop(1).app.test_client().get("/api/v1/phone")
    assert (answer.status_code, answer.content_type) == (404, "application/problem+json")


def test_a_page_that_takes_no_such_method_says_which_it_takes(open_shop):
    answer = open_shop(1).app.test_client().delete("/alerts")
    assert answer.status_code == 405
    assert "GET" in answer.headers["Allow"]
    assert "/alerts does not take DELETE." in answer.text


def test_what_is_asked_for_stands_on_the_page_as_text(open_shop):
    assert "<script>alert(1)" not in open_shop(1).app.test_client().get("/<script>alert(1)</script>").text
