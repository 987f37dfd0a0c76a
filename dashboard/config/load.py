"""Reads ``kerfbook.toml``."""

from __future__ import annotations

import re
import tomllib
from typing import TYPE_CHECKING, Any

from api.answers.calendar import Shift, ShiftPlan
from api.answers.energy import Supply
from api.site import BladeRules, Site
from api.tongues.catalogue import languages
from api.tongues.manner import Show
from api.tongues.say import gettext, later
from collector.detect.settings import SETTABLE, DetectSettings
from collector.trace.place import InfluxPlace
from collector.trace.thinning import Ages
from dashboard.config import kinds
from dashboard.config.faults import ConfigError, Fault
from dashboard.config.reader import Document, Table
from dashboard.config.secret import secrets_of
from dashboard.config.settings import Backup, Broker, Saw, Settings, Stores, Web, titles
from dashboard.config.telling import telling
from dashboard.logs import VEIL

if TYPE_CHECKING:
    from pathlib import Path

    from collector.words import Word


class NoConfigError(FileNotFoundError):
    """There is no such file; the text says how to come to one."""


def load(path: Path) -> Settings:
    """Read a file; its secrets are hidden in the log from then on.

    Raises:
        ConfigError: the file is not as it should be; tells every fault.
        OSError: the file cannot be read; a `NoConfigError` where there is none.
    """
    try:
        text = path.read_text("utf-8")
    except FileNotFoundError as error:
        told = gettext(
            "there is no {path}: name yours with --config; `kerfbook run --write-config` writes one to begin with",
            path=path,
        )
        raise NoConfigError(told) from error
    except UnicodeDecodeError as error:
        line = path.read_bytes()[: error.start].count(b"\n") + 1
        raise ConfigError(
            [
                Fault(
                    str(path),
                    line,
                    gettext("the text"),
                    gettext("bytes that are not UTF-8"),
                    gettext("a text file in UTF-8"),
                )
            ]
        ) from error
    settings = loads(text, str(path), path.resolve().parent)
    VEIL.hide(secrets_of(settings))
    return settings


def loads(text: str, file: str, folder: Path) -> Settings:
    """Read a text; relative paths in it count from ``folder``.

    Raises:
        ConfigError: the text is not as it should be; tells every fault.
    """
    try:
        values = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ConfigError([_syntax_fault(file, text, str(error))]) from error
    document = Document(file, text, values)
    site = _site(document)
    saws = _saws(document)
    broker = _broker(document, folder, str(site.get("name")), saws)
    plan = _shifts(document)
    utilisation = document.table("utilisation")
    busy_gap = utilisation.take("busy_gap_seconds", kinds.number(0, 3600, later("seconds")), 180.0)
    utilisation.close()
    blades = _blades(document, saws)
    supply = _energy(document)
    stores = _stores(document, folder)
    backup = _backup(document, folder)
    web = _web(document)
    detection = _detection(document)
    alerts = telling(document, folder)
    site["show"] = _show(document)
    document.close()
    if document.faults:
        raise ConfigError(document.faults)
    shop = Site(**site, saws=titles(saws), shifts=plan, busy_gap_seconds=busy_gap, blades=blades, supply=supply)
    return Settings(shop, saws, broker, stores, backup, web, detection, alerts)


def _syntax_fault(file: str, text: str, message: str) -> Fault:
    place = re.search(r"\(at line (\d+), column (\d+)\)", message)
    line = int(place[1]) if place else text.count("\n") + 1
    rows = text.splitlines()
    found = rows[line - 1].strip() if line <= len(rows) else gettext("the end of the file")
    return Fault(
        file,
        line,
        gettext("the text"),
        found,
        gettext("TOML, which this line is not"),
        re.sub(r" \(at .*\)$", "", message),
    )


def _site(document: Document) -> dict[str, Any]:
    table = document.table("site", required=True)
    name = table.take("name", kinds.name)
    values = {
        "name": name,
        "title": table.take("title", kinds.text(later("what people call the place"), 60), name),
        "zone": table.take("zone", kinds.zone),
    }
    table.close()
    return values


def _saws(document: Document) -> tuple[Saw, ...]:
    saws: list[Saw] = []
    for table in document.tables("saws"):
        name = table.take("name", kinds.name)
        title = table.take("title", kinds.text(later("what people call the saw"), 40), str(name).capitalize())
        if name and any(saw.name == name for saw in saws):
            table.fault("name", gettext("a name that no other saw has"))
        rpm = table.take("spindle_rpm", kinds.whole(100, 30_000), None)
        saws.append(Saw(name, title, table.take("box", kinds.box, None), rpm))
        table.close()
    if not saws and not any(fault.where.startswith("[saws]") for fault in document.faults):
        document.fault(
            ("saws",),
            gettext("no saw"),
            gettext("a table [[saws]] for each saw"),
            gettext("`kerfbook run --write-config` writes an example"),
        )
    return tuple(saws)


def _broker(document: Document, folder: Path, site: str, saws: tuple[Saw, ...]) -> Broker:
    table = document.table("broker")
    tls = table.take("tls", kinds.flag, False)
    broker = Broker(
        host=table.take("host", kinds.text(later("the broker's host name or address"), 253), "127.0.0.1"),
        port=table.take("port", kinds.whole(1, 65535), 8883 if tls else 1883),
        username=table.take("username", kinds.text(later("a user name of the broker")), None),
        password_file=_file(table, "password_file", folder, later("a file that holds the password and nothing else")),
        tls=tls,
        ca_file=_file(table, "ca_file", folder, later("a PEM file with the certificate authority of the broker")),
        client_id=table.take(
            "client_id",
            kinds.text(later("the name under which the broker keeps messages for this collector"), 64),
            f"kerfbook-{site}",
        ),
        share=table.take("share", kinds.name, None),
        saws=table.take("saws", kinds.listed(kinds.name, later('names of saws such as ["saw-1"]'), least=1), ()),
    )
    if not {*broker.saws} <= {saw.name for saw in saws}:
        table.fault("saws", gettext("names of saws that have a table [[saws]]"))
    if broker.password_file and not broker.username:
        table.fault("password_file", gettext("a username beside it"))
    table.close()
    return broker


def _file(table: Table, key: str, folder: Path, expected: Word) -> Path | None:
    given = table.take(key, kinds.text(expected, 4096), None)
    if given is None:
        return None
    path = folder / given
    if not path.is_file():
        table.fault(key, gettext(expected), gettext("there is no file {path}", path=path))
    return path


def _shifts(document: Document) -> ShiftPlan:
    weekday = kinds.choice(kinds.WEEKDAYS, later("a weekday"))
    week: list[list[Shift]] = [[] for _ in kinds.WEEKDAYS]
    special: dict[Any, tuple[Shift, ...]] = {}
    for table in document.tables("shifts"):
        days = table.take("days", kinds.listed(weekday, later('weekdays such as ["mon", "tue"]'), least=1), ())
        dates = table.take("dates", kinds.listed(kinds.date, later("dates such as [2026-12-24]"), least=1), ())
        if ("days" in table) == ("dates" in table):
            table.fault(
                "days",
                gettext("either days, for every week, or dates, for shifts that stand in place of the weekday's"),
            )
        start, end = table.take("start", kinds.clock), table.take("end", kinds.clock)
        name = table.take("name", kinds.text(later("what people call the shift"), 40), "")
        breaks = table.take("breaks", kinds.listed(kinds.span, later('spans of time such as ["09:30-09:45"]')), ())
        table.close()
        if not (start and end):  # faulty, and reported
            continue
        try:
            shift = Shift.parse(f"{start}-{end}", breaks, name)
        except ValueError as error:
            table.fault(
                "breaks" if "break" in str(error) else "end",
                gettext("breaks that lie in a shift of at most 24 hours"),
                str(error),
            )
            continue
        for day in days:
            week[kinds.WEEKDAYS.index(day)].append(shift)
        for date in dates:
            special[date] = (*special.get(date, ()), shift)
    table = document.table("calendar")
    closed = table.take("closed", kinds.listed(kinds.date, later("dates such as [2026-12-25, 2027-01-01]")), ())
    table.close()
    return ShiftPlan(tuple(tuple(shifts) for shifts in week), frozenset(closed), special)


def _blades(document: Document, saws: tuple[Saw, ...]) -> BladeRules:
    table = document.table("blades")
    usual = BladeRules()
    rules = BladeRules(
        change_seconds=table.take("change_seconds", kinds.number(5, 3600, later("seconds")), usual.change_seconds),
        feed_m_min=table.take("feed_m_min", kinds.number(0.5, 200, "m/min"), usual.feed_m_min),
        turnaround_days=table.take("turnaround_days", kinds.number(0, 365, later("days")), usual.turnaround_days),
        currency=table.take("currency", kinds.pattern(later("a currency such as EUR"), r"[A-Z]{3}"), usual.currency),
        spindle_rpm={saw.name: saw.spindle_rpm for saw in saws if saw.spindle_rpm is not None},
    )
    table.close()
    return rules


def _energy(document: Document) -> Supply:
    table = document.table("energy")
    usual = Supply()
    factor = kinds.number(0, 1, "", above=True)
    supply = Supply(
        volts=table.take("volts", kinds.number(0, 1000, "V", above=True), usual.volts),
        phases=table.take("phases", kinds.whole(1, 3), usual.phases),
        cutting_factor=table.take("power_factor_cutting", factor, usual.cutting_factor),
        idle_factor=table.take("power_factor_idle", factor, usual.idle_factor),
    )
    table.close()
    return supply


def _stores(document: Document, folder: Path) -> Stores:
    table = document.table("stores")
    kept = folder / table.take("folder", kinds.text(later("a folder"), 4096), "kerfbook-data")
    days = kinds.whole(0, 36500, later("days"))
    usual = Ages()
    ages = Ages(table.take("trace_days", days, usual.readings), table.take("minute_days", days, usual.minutes))
    trace = _trace(table, kept, folder, ages)
    points = table.take("facts_as_points", kinds.flag, True)
    address = kinds.pattern(
        later("an SQLAlchemy database address such as sqlite:////var/lib/kerfbook/book.sqlite"), r"[a-z0-9+]+://.*"
    )
    book = table.take("book", address, f"sqlite:///{kept / 'book.sqlite'}")
    table.close()
    return Stores(kept, trace, book, ages, points is not False)


def _backup(document: Document, folder: Path) -> Backup:
    table = document.table("backup")
    backup = Backup(
        folder / (table.take("folder", kinds.text(later("a folder"), 4096), None) or "kerfbook-backups"),
        table.take("keep", kinds.whole(0, 10_000), 14),
        table.take("missed_days", kinds.whole(1, 365, later("days")), 2),
    )
    table.close()
    return backup


def _trace(table: Table, kept: Path, folder: Path, ages: Ages) -> Path | InfluxPlace:
    expected = later(
        "a file name in the folder, or an InfluxDB's bucket such as http://influx.example:8086/kerfbook/raw"
    )
    given = table.take("trace", kinds.text(expected, 4096), "trace.sqlite")
    token = _file(table, "trace_token_file", folder, later("a file that holds the token and nothing else"))
    org = table.take("trace_org", kinds.text(later("the organisation of an InfluxDB 2 server")), "-")
    if given is None or "://" not in given:
        return kept / (given or "trace.sqlite")
    found = re.fullmatch(r"(https?://[^/\s]+)/([\w.-]+/[\w.-]+)", given)
    if found is None:
        table.fault("trace", gettext(expected))
        return kept / "trace.sqlite"
    return InfluxPlace(found[1], found[2], token, org or "-", ages.readings, ages.minutes)


def _web(document: Document) -> Web:
    table = document.table("web")
    host = kinds.text(
        later("the address to listen at: 127.0.0.1 for this computer only, 0.0.0.0 for the whole network"), 253
    )
    address = kinds.pattern(
        later("the address by which people reach the screens, such as http://saws.example:8080/"), r"https?://[^\s/]+.*"
    )
    contact = kinds.pattern(
        later("where to report a weakness, such as mailto:owner@saws.example or https://…"),
        r"(mailto:|tel:|https://)\S+",
    )
    web = Web(
        table.take("host", host, "127.0.0.1"),
        table.take("port", kinds.whole(1, 65535), 8080),
        table.take("address", address, None),
        table.take(
            "proxy", kinds.pattern(later("the IP address of your proxy, such as 127.0.0.1"), r"[0-9A-Fa-f.:]+"), None
        ),
        table.take("contact", contact, None),
    )
    table.close()
    return web


def _show(document: Document) -> Show:
    table = document.table("show")
    day = table.take("first_day", kinds.choice(kinds.WEEKDAYS, later("a weekday")), None)
    show = Show(
        table.take("language", kinds.choice(languages(), later("a language that there is")), None),
        table.take("hours", kinds.hours, None),
        table.take("measures", kinds.choice(("metric", "inch"), later("a system of measures")), None),
        None if day is None else kinds.WEEKDAYS.index(day),
    )
    table.close()
    return show


_UNITS = {"_ma": ("_amps", "A", 1000, 1000.0), "_us": ("_seconds", "s", 1_000_000, 3600.0)}
"""How the detector's milliamperes and microseconds are written in the file: ending, unit, factor, highest."""


def _detection(document: Document) -> DetectSettings:
    table = document.table("detection")
    given: dict[str, int] = {}
    for name in SETTABLE:
        ending, unit, factor, most = _UNITS[name[-3:]]
        value = table.take(name[:-3] + ending, kinds.number(0, most, unit, above=True), None)
        if value is not None:
            given[name] = round(value * factor)
    table.close()
    return DetectSettings().with_set(given)
