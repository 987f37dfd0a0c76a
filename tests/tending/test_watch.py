"""The watch on a real book: what is told, to whom, when, how often, and that nothing is lost or said twice."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import pytest

from api.alert_rows import alert_of, event_rows, row_of
from api.answers.alerts import Condition, Key, acknowledge, shelve
from api.answers.calendar import Shift, ShiftPlan
from api.answers.tasks import ByCalendar, Task
from api.answers.telling import Channel, Policy, Quiet, after_quiet, retry_at, summaries_due
from api.watch import Watch
from collector.book.alerts import AlertBook, AlertWrite
from collector.book.maintenance import TickRow
from collector.facts import SECOND, Gap
from tests.tending.month import LISBON, at
from tests.tending.shop import MINUTE, POLICY, Shop

SILENT = "Heron: sensor box silent"


def press(shop: Shop, what) -> None:
    """What the alerts page does when somebody presses a button."""
    book = AlertBook(shop.book)
    (row,) = book.standing()
    change = what(alert_of(row))
    book.write([AlertWrite(row_of(change.alert, row.version, row.told_us), event_rows(change.happenings))])


def clean(*saws: str) -> Task:
    return Task("clean", "Clean down", ("Clean.",), "operator", 5, ByCalendar("FREQ=DAILY", off="skip"), saws)


def test_a_silent_box_is_told_after_its_delay_once(shop) -> None:
    shop.heard(at(2, "09:00"))
    assert shop.look(at(2, "09:04")) == []
    assert shop.look(at(2, "09:05")) == [SILENT]
    for minute in range(6, 60):
        assert shop.look(at(2, f"09:{minute:02d}")) == []


def test_the_message_says_what_where_since_when_what_to_do_and_has_a_link(shop) -> None:
    shop.heard(at(2, "09:00"))
    shop.look(at(2, "09:05"))
    _, title, body, facts = shop.box.got[0]
    assert title == SILENT
    assert "Since 09:05" in body
    assert "What to do: Look whether the box has power" in body
    assert "http://saws.example:8080/alerts" in body
    assert "no safety device" in body
    assert facts["alerts"][0]["kind"] == "box-silent"


def flap(shop: Shop, times: int, silent: int, speaks: int) -> list[str]:
    """The box is silent and speaks in turn, minutes each; looks in every phase. What was sent."""
    start = shop.clock.now
    shop.heard(start)
    sent = shop.look(start)
    gaps = []
    for i in range(times):
        gap = Gap("heron", start + i * (silent + speaks) * MINUTE, start + (i * (silent + speaks) + silent) * MINUTE)
        gaps.append(gap)
        sent += shop.look(gap.end - MINUTE)
        shop.heard(gap.end, "heron", *gaps)
        sent += shop.look(gap.end + speaks * MINUTE // 2)
        shop.heard(gap.end + speaks * MINUTE)
        if i == 1 and AlertBook(shop.book).standing():
            press(shop, lambda a: acknowledge(a, "Rui", shop.clock.now))
    return sent


ALWAYS = ShiftPlan(((Shift.parse("00:00-24:00"),),) * 7)


def test_a_box_that_flaps_a_hundred_times_sends_one_message_and_a_count(open_shop) -> None:
    shop = open_shop(plan=ALWAYS)
    assert flap(shop, 100, silent=7, speaks=5) == [SILENT]
    (row,) = AlertBook(shop.book).standing()
    assert row.count == 100


def test_silences_shorter_than_the_delay_are_nobodys_business(open_shop) -> None:
    shop = open_shop(plan=ALWAYS)
    assert flap(shop, 20, silent=4, speaks=1) == []


def test_flapping_so_slowly_that_each_is_an_alert_is_told_once_an_hour_at_most(open_shop) -> None:
    shop = open_shop(plan=ALWAYS)
    start, sent, gaps = shop.clock.now, [], []
    shop.heard(start)
    shop.look(start)
    for i in range(20):  # 7 min silent, 38 min of speech: over after 30, acknowledged at once
        gaps.append(Gap("heron", start + i * 45 * MINUTE, start + (i * 45 + 7) * MINUTE))
        sent += shop.look(gaps[-1].end - MINUTE)
        press(shop, lambda a: acknowledge(a, "Rui", shop.clock.now))
        for minute in (0, 10, 20, 30, 37):
            shop.heard(gaps[-1].end + minute * MINUTE, "heron", *gaps)
            sent += shop.look(gaps[-1].end + minute * MINUTE)
    assert len(sent) <= 15


def test_the_count_is_in_the_message_when_it_could_not_be_sent_at_once(shop) -> None:
    shop.box.down = True
    start = at(2, "09:00")
    shop.heard(start)
    shop.look(start + 6 * MINUTE)
    first = Gap("heron", start, start + 10 * MINUTE)
    shop.heard(first.end, "heron", first)
    shop.look(start + 17 * MINUTE)
    shop.box.down = False
    shop.look(start + 40 * MINUTE)
    assert "2 times since 09:05" in shop.box.got[0][2]


def test_what_was_over_before_the_first_look_is_no_news(shop) -> None:
    shop.silent(at(2, "08:05"), at(2, "08:40"))
    shop.heard(at(2, "09:30"))
    assert shop.look(at(2, "09:30")) == []


def test_a_restart_changes_nothing(shop) -> None:
    shop.heard(at(2, "09:00"))
    shop.look(at(2, "09:05"))
    shop.watch = shop.new_watch()
    assert shop.look(at(2, "09:10")) == []


def test_nobody_acknowledges_and_it_is_passed_on_once(shop) -> None:
    shop.heard(at(2, "09:00"))
    shop.look(at(2, "09:05"))
    assert shop.look(at(2, "10:04")) == []
    assert shop.look(at(2, "10:05")) == ["Not acknowledged: Heron: sensor box silent"]
    assert shop.box.got[-1][0] == "x://boss"
    assert shop.look(at(2, "12:00")) == []


def test_acknowledged_it_is_not_passed_on(shop) -> None:
    shop.heard(at(2, "09:00"))
    shop.look(at(2, "09:05"))
    press(shop, lambda a: acknowledge(a, "Rui", at(2, "09:10")))
    assert shop.look(at(2, "11:00")) == []


def test_what_was_wrong_long_before_the_first_look_is_not_passed_on_at_once(shop) -> None:
    shop.heard(at(2, "08:00"))
    assert shop.look(at(2, "11:00")) == [SILENT]
    assert shop.look(at(2, "11:59")) == []
    assert shop.look(at(2, "12:00")) == ["Not acknowledged: Heron: sensor box silent"]


def test_quiet_hours_hold_what_can_wait_until_morning() -> None:
    quiet = (Quiet(20 * 60, 6 * 60),)
    assert after_quiet(at(2, "22:00"), quiet, LISBON) == at(3, "06:00")
    assert after_quiet(at(3, "05:59"), quiet, LISBON) == at(3, "06:00")
    assert after_quiet(at(3, "06:00"), quiet, LISBON) == at(3, "06:00")
    assert after_quiet(at(28, "23:00"), quiet, LISBON) == at(29, "06:00")  # the night of the clock change
    day = (Quiet(12 * 60, 13 * 60), Quiet(13 * 60, 14 * 60))
    assert after_quiet(at(2, "12:30"), day, LISBON) == at(2, "14:00")


def test_overdue_maintenance_is_told_in_the_morning_and_not_at_midnight(shop) -> None:
    shop.tending.edit(clean(), "Rui", at(2, "09:00"))
    shop.look(at(2, "09:00"))
    for saw in ("heron", "plover"):
        shop.heard(at(2, "16:54"), saw)
    assert shop.look(at(2, "16:54")) == []
    for saw in ("heron", "plover"):
        shop.heard(at(2, "16:55"), saw)
    assert shop.look(at(2, "16:55")) == ["Tern Point Stageworks: 2 alerts"]  # both saws in one message
    for saw in ("heron", "plover"):
        shop.heard(at(2, "17:01"), saw)
    assert shop.look(at(3, "00:05")) == []
    assert shop.look(at(3, "06:00")) == ["Tern Point Stageworks: 2 alerts"]
    assert shop.box.got[-1][0] == "x://tending"


def test_a_tick_for_yesterday_takes_the_alert_back(shop) -> None:
    shop.tending.edit(clean("heron"), "Rui", at(2, "09:00"))
    shop.look(at(2, "09:00"))
    shop.look(at(3, "06:30"))
    kinds = {r.kind: r.returned_us for r in AlertBook(shop.book).standing()}
    assert kinds["task-overdue"] is None
    done = at(2, "16:50")
    shop.tending.book.add_tick(TickRow("clean", "heron", "2026-03-02", done, "Ana", "operator", "", at(3, "07:00")))
    shop.look(at(3, "07:01"))
    kinds = {r.kind: r.returned_us for r in AlertBook(shop.book).standing()}
    assert kinds["task-overdue"] == at(3, "07:01")


def test_a_shelved_alert_is_quiet_until_its_end_and_then_told_again(shop) -> None:
    shop.heard(at(2, "09:00"))
    shop.look(at(2, "09:05"))
    press(shop, lambda a: shelve(a, at(2, "11:00"), "Rui", at(2, "09:06")))
    assert shop.look(at(2, "10:59")) == []
    assert shop.look(at(2, "11:00")) == [SILENT]


def test_what_is_shelved_before_it_could_be_sent_is_not_sent(shop) -> None:
    shop.box.down = True
    shop.heard(at(2, "09:00"))
    shop.look(at(2, "09:05"))
    press(shop, lambda a: shelve(a, at(2, "16:00"), "Rui", at(2, "09:06")))
    shop.box.down = False
    assert shop.look(at(2, "09:30")) == []


class Blades:
    """As another part of the program puts in conditions of its own."""

    def conditions(self, saw, start, now):
        if saw == "heron" and now >= at(2, "10:00"):
            yield Condition(
                Key("blade-limit", saw, "TP-03"), at(2, "10:00"), None, {"by": "cuts", "used": 5012, "limit": 5000}
            )


def test_other_parts_put_in_conditions_through_the_port(shop) -> None:
    shop.watch = Watch(shop.tending, POLICY, shop.box, "http://saws.example/", ports=[Blades()])
    shop.look(at(2, "09:00"))
    assert set(shop.look(at(2, "10:00"))) == {"Heron: blade at its limit: TP-03"}
    assert "5,012 of 5,000 cuts." in shop.box.got[0][2]


def test_a_message_is_tried_again_later_each_time_and_sent_once(shop) -> None:
    shop.box.down = True
    shop.heard(at(2, "09:00"))
    shop.look(at(2, "09:05"))
    tries = []
    book = AlertBook(shop.book)
    now = at(2, "09:05")
    while now < at(2, "10:00"):
        now += 5 * SECOND
        shop.look(now)
        tries.append(next(m.tries for m in book.letters() if m.channel == "tending"))
    assert tries[-1] == 9  # 15 s, 30 s, 1 min, … 15 min
    shop.box.down = False
    sent = [title for minute in range(70) for title in shop.look(at(2, "10:00") + minute * MINUTE)]
    assert sent.count(SILENT) == 1


def test_a_crash_between_sending_and_writing_it_down_sends_again_rather_than_never(shop, monkeypatch) -> None:
    shop.heard(at(2, "09:00"))

    def crash(*_):
        raise KeyboardInterrupt

    monkeypatch.setattr(AlertBook, "sent", crash)
    with pytest.raises(KeyboardInterrupt):
        shop.look(at(2, "09:05"))
    monkeypatch.undo()
    shop.look(at(2, "09:06"))
    assert shop.box.titles == [SILENT, SILENT]


def test_a_channel_that_is_gone_from_the_settings_is_given_up_and_said_so(shop) -> None:
    shop.box.down = True
    shop.heard(at(2, "09:00"))
    shop.look(at(2, "09:05"))
    shop.policy = replace(POLICY, channels=(Channel("phone", "maintenance", "x://phone"),))
    shop.watch = shop.new_watch()
    shop.look(at(2, "10:00"))
    assert any("called tending" in (m.error or "") and m.given_up_us for m in AlertBook(shop.book).letters())


def test_two_channels_of_one_name_are_refused() -> None:
    with pytest.raises(ValueError, match="same name"):
        Policy((Channel("a", "owner", "x"), Channel("a", "operator", "y")))


def test_retries_back_off_to_a_quarter_of_an_hour() -> None:
    waits = [(retry_at(0, n)) // SECOND for n in range(1, 10)]
    assert waits == [15, 30, 60, 120, 240, 480, 900, 900, 900]


class TestSummaries:
    def test_daily_on_every_working_day_weekly_on_friday(self, shop) -> None:
        for day in range(2, 9):
            for clock in ("17:59", "18:00", "18:05"):
                now = at(day, clock)
                for saw in ("heron", "plover"):
                    shop.heard(now, saw)
                shop.look(now)
        titles = [t for t in shop.box.titles if "summary" in t]
        assert titles == [
            "Tern Point Stageworks, daily summary: Mon 2 Mar",
            "Tern Point Stageworks, daily summary: Tue 3 Mar",
            "Tern Point Stageworks, daily summary: Wed 4 Mar",
            "Tern Point Stageworks, daily summary: Thu 5 Mar",
            "Tern Point Stageworks, daily summary: Fri 6 Mar",
            "Tern Point Stageworks, weekly summary: Sat 28 Feb to Fri 6 Mar",
        ]

    def test_of_several_slept_through_only_the_newest_comes(self) -> None:
        found = summaries_due(at(2, "12:00"), at(12, "12:00"), 18 * 60, LISBON)
        assert {kind: day.day for kind, day in found} == {"daily": 11, "weekly": 6, "week": 8}

    def test_on_monday_the_week_before_is_reported_and_on_the_first_the_month(self, shop) -> None:
        for day in (30, 31, 32):
            month, of = (3, day) if day < 32 else (4, 1)
            for clock in ("17:59", "18:00"):
                now = at(of, clock, month)
                for saw in ("heron", "plover"):
                    shop.heard(now, saw)
                shop.look(now)
        reports = [m for m in shop.box.got if "report" in m[1]]
        assert [(address, title) for address, title, *_ in reports] == [
            ("x://boss", "Tern Point Stageworks, report: Week 13, 23 to 29 March 2026"),
            ("x://boss", "Tern Point Stageworks, report: March 2026"),
        ]
        assert "http://saws.example:8080/reports?period=2026-W13&against=before" in reports[0][2]
        assert "Why not:" in reports[0][2]

    def test_it_says_what_was_not_done(self, shop) -> None:
        shop.tending.edit(clean("heron"), "Rui", at(2, "09:00"))
        body = shop.watch.summaries.summary("weekly", dt.date(2026, 3, 6), at(6, "18:00")).body
        assert "Maintenance: 0 of 4 in time (0 %), 4 missed." in body
        assert "Not done: Clean down." in body
