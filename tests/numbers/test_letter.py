"""A report as a letter: the figures, why not, and no claim beyond them; plain for every channel, HTML for mail."""

from __future__ import annotations

from html.parser import HTMLParser

import pytest

from api.answers.periods import Period
from api.app import reporting_of
from api.report_letter import lasted, letter, letter_html, percent, points
from collector.facts import SECOND
from tests.api.conftest import blank_book, empty_shop, shop  # noqa: F401 (fixtures)

ADDRESS = "http://saws.example/reports?period=2026-03-02&saws=heron"


@pytest.fixture
def report(shop):  # noqa: F811
    return reporting_of(shop.app).report(Period.parse("2026-03-02"), shop.site.saws, Period.parse("2026-02-27"))


def test_the_plain_letter_says_what_the_morning_was(report):
    # The morning is worked by hand in test_utilisation: heron in use 1 800 of 6 600 known s, 27 %, of 7 200 planned
    # s; plover was never heard. Data for 6 600 of heron's 7 200 s: 92 %.
    text = letter(report, "Tern Point", "Europe/Lisbon", ADDRESS)
    assert text.title == "Tern Point, report: Monday 2 March 2026"
    rows = text.body.split("\n")
    assert rows[0] == "In use, of the planned time: 27 %."
    assert rows[1].startswith("Heron: in use 27 %, cutting 2 % of 2.0 h planned, data for 92 % of it; 3 cuts.")
    assert rows[2].startswith("Plover: in use no figure")
    assert "Against Friday 27 February 2026 (no figure): no figure." in rows
    assert any(row.startswith("Why not: motor idling") for row in rows)
    assert "energy, estimated" in text.body.lower()
    assert rows[-2:] == [ADDRESS, rows[-1]]
    assert "safety" in rows[-1]


class Tags(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.seen: list[tuple[str, dict[str, str | None]]] = []
        self.words = ""

    def handle_starttag(self, tag, attrs) -> None:
        self.seen.append((tag, dict(attrs)))
        if tag not in {"meta"}:
            self.open.append(tag)

    def handle_endtag(self, tag) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data) -> None:
        self.words += data


def test_the_html_letter_has_the_same_and_fetches_nothing(report):
    tags = Tags()
    tags.feed(letter_html(report, "Tern <Point>", "Europe/Lisbon", ADDRESS))
    assert tags.open == []
    assert "Tern <Point>" in tags.words
    assert {t for t, _ in tags.seen} <= {"html", "meta", "body", "h1", "table", "tr", "th", "td", "p", "a"}
    assert [a["href"] for t, a in tags.seen if t == "a"] == [ADDRESS]
    for words in ("Heron", "27 %", "92 %", "All saws", "Why not", "estimated", "safety"):
        assert words in tags.words


def test_figures_in_words():
    assert [percent(r) for r in (None, 0, 0.614, 0.996, 1.0)] == ["no figure", "0 %", "61 %", "99 %", "100 %"]
    assert [points(a, b) for a, b in ((0.61, 0.57), (0.57, 0.61), (0.612, 0.608), (None, 0.5))] == [
        "+4 points", "\u22124 points", "as before", "",
    ]  # fmt: skip
    assert [lasted(s * SECOND) for s in (40, 420, 7_500, 3_599)] == ["40 s", "7 min", "2 h 05 min", "1 h 00 min"]
