"""kerfbook.toml: what is accepted, and what a person is told when it is not."""

from __future__ import annotations

import datetime as dt
import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from api.answers.calendar import Shift
from collector.detect.settings import DetectSettings
from collector.trace.place import InfluxPlace
from dashboard.config import ConfigError, load, loads, template
from dashboard.config.lines import key_lines, line_of

FOLDER = Path("/etc/kerfbook")
LEAST = """[site]
name = "workshop"
zone = "Europe/Lisbon"

[[saws]]
name = "saw-1"
"""


def faults_of(text: str) -> list[str]:
    with pytest.raises(ConfigError) as error:
        loads(text, "kerfbook.toml", FOLDER)
    return [str(fault) for fault in error.value.faults]


def fault_of(more: str) -> str:
    """The one fault of a good file with something added; its text after the line's number."""
    faults = faults_of(LEAST + more)
    assert len(faults) == 1, faults
    return faults[0]


def test_the_commented_example_is_a_valid_configuration() -> None:
    settings = loads(template(), "kerfbook.toml", FOLDER)
    assert settings.site.title == "Our workshop"
    assert settings.site.shifts.week[0] == (Shift.parse("08:00-17:00", ["10:00-10:15", "12:30-13:15"]),)
    assert settings.web.host == "127.0.0.1"


def test_the_remarks_of_the_example_tell_the_usual_values() -> None:
    """Every setting that the example shows commented out is known, and most are the values without it."""
    text, _, alerts = template().partition("# [alerts]\n")
    alerts, _, detection = alerts.partition("# What the detector")
    lines = (text + detection).splitlines()
    shown = [line.lstrip("# ").partition(" #")[0].strip() for line in lines if line.startswith("# ") and " = " in line]
    keys = {line.partition(" = ")[0] for line in shown}
    assert {
        "folder",
        "trace",
        "book",
        "host",
        "port",
        "closed",
        "busy_gap_seconds",
        "password_file",
        "dates",
    } <= keys
    detection = [
        line
        for line in shown
        if line.partition(" = ")[0].endswith(("_amps", "_seconds")) and not line.startswith(("busy", "change"))
    ]
    settings = loads(LEAST + "[detection]\n" + "\n".join(detection), "kerfbook.toml", FOLDER)
    assert settings.detection == DetectSettings()
    rows = [line.lstrip("# ") for line in alerts.splitlines()]
    settings = loads(LEAST + "[alerts]\n" + "\n".join(rows), "kerfbook.toml", FOLDER)
    assert settings.telling == loads(LEAST, "kerfbook.toml", FOLDER).telling


@pytest.mark.parametrize("written", ["urn:dev:mac:0024befffe804ff1:", "urn:dev:mac:0024befffe804ff1"])
def test_a_saws_own_box_is_its_urn_with_or_without_the_last_colon(written: str) -> None:
    settings = loads(f'{LEAST}box = "{written}"\n', "kerfbook.toml", FOLDER)
    assert settings.saws[0].box == "urn:dev:mac:0024befffe804ff1:"


def test_a_box_that_no_pack_could_come_from_is_a_fault() -> None:
    assert "a box's URN, RFC 9039" in fault_of('box = "0024befffe804ff1"\n')


def test_a_few_lines_are_enough() -> None:
    settings = loads(LEAST, "kerfbook.toml", FOLDER)
    assert settings.site.title == "workshop"
    assert settings.saws[0].title == "Saw-1"
    assert settings.broker.address == "mqtt://127.0.0.1:1883"
    assert settings.broker.client_id == "kerfbook-workshop"
    assert settings.stores.trace == FOLDER / "kerfbook-data/trace.sqlite"
    assert settings.stores.book == "sqlite:////etc/kerfbook/kerfbook-data/book.sqlite"
    assert settings.detection == DetectSettings()


def test_the_trace_may_be_a_bucket_of_an_influxdb(tmp_path: Path) -> None:
    (tmp_path / "token").write_text("kerfbook:secret\n")
    more = '[stores]\ntrace = "https://influx.example/kerfbook/raw"\ntrace_token_file = "token"\ntrace_days = 90\n'
    settings = loads(LEAST + more, "kerfbook.toml", tmp_path)
    assert settings.stores.trace == InfluxPlace(
        "https://influx.example", "kerfbook/raw", tmp_path / "token", org="-", days=90
    )
    assert settings.stores.folder == tmp_path / "kerfbook-data"


def test_units_of_the_file_become_whole_units_of_the_program() -> None:
    settings = loads(LEAST + "[detection]\non_amps = 0.8\npause_seconds = 1.5\n", "kerfbook.toml", FOLDER)
    assert settings.detection.on_ma == 800
    assert settings.detection.pause_us == 1_500_000


def test_shifts_on_dates_stand_beside_those_of_weekdays() -> None:
    more = """
[[shifts]]
days = ["mon", "tue"]
start = "22:00"
end = "06:00"
breaks = ["02:00-02:30"]
[[shifts]]
dates = [2026-12-24]
start = "08:00"
end = "12:00"
[calendar]
closed = [2026-12-25]
"""
    plan = loads(LEAST + more, "kerfbook.toml", FOLDER).site.shifts
    assert plan.week[0] == plan.week[1] == (Shift.parse("22:00-06:00", ["02:00-02:30"]),)
    assert plan.week[2] == ()
    assert plan.special[dt.date(2026, 12, 24)] == (Shift.parse("08:00-12:00"),)
    assert plan.closed == {dt.date(2026, 12, 25)}


@pytest.mark.parametrize(
    ("more", "told"),
    [
        ("[web]\nprot = 80\n", ["line 8: [web], prot", "not known here", "one of host, port", "did you mean port?"]),
        ("[webb]\nport = 80\n", ["line 7: [webb]", "no table of this file", "did you mean web?"]),
        ('[web]\nport = "80"\n', ['found     "80"', "expected  a whole number from 1 to 65535", "without quotes"]),
        ("[web]\nport = 70000\n", ["found     70000"]),
        ("[web]\nport = true\n", ["found     true", "a whole number"]),
        ('[broker]\ntls = "yes"\n', ["true or false, without quotes"]),
        ("[broker]\nhost = 5\n", ["found     5", 'write it in quotes: "5"']),
        ('[broker]\nusername = "k"\npassword_file = "nowhere"\n', ["line 9", "there is no file /etc/kerfbook/nowhere"]),
        ('[[saws]]\nname = "Heron 1"\n', ["[[saws]] number 2, name", 'try "heron-1"']),
        ('[[saws]]\nname = "saw-1"\n', ["line 8", "a name that no other saw has"]),
        ('[[saws]]\ntitle = "Saw"\n', ["line 7: [[saws]] number 2, name", "the key is missing"]),
        ('[web]\nhost = ""\n', ['found     ""', "1 to 253 characters"]),
        ('[shifts]\ndays = ["mon"]\n', ["two square brackets"]),
        ('[[shifts]]\ndays = ["monday"]\nstart = "08:00"\nend = "16:00"\n', ["one of mon, tue"]),
        ('[[shifts]]\ndays = "mon"\nstart = "08:00"\nend = "16:00"\n', ["square brackets, even if it is only one"]),
        ('[[shifts]]\ndays = ["mon"]\nstart = "8:00"\nend = "16:00"\n', ["line 9", 'try "08:00"']),
        ('[[shifts]]\ndays = ["mon"]\nstart = "08:00"\nend = "25:00"\n', ["line 10", "24 hours, two digits each"]),
        ('[[shifts]]\ndays = ["mon"]\nstart = "08:00"\nend = "16:00"\nbreaks = ["18:00-18:15"]\n', ["18:00-18:15 does not lie in the shift"]),
        ('[[shifts]]\nstart = "08:00"\nend = "16:00"\n', ["either days, for every week, or dates"]),
        ('[calendar]\nclosed = ["2026-12-25"]\n', ["without quotes: 2026-12-25"]),
        ("[utilisation]\nbusy_gap_seconds = -1\n", ["found     -1", "from 0 to 3600 seconds"]),
        ("[detection]\non_amps = 0\n", ["a number above 0 up to 1000 A"]),
        ('[stores]\nbook = "book.sqlite"\n', ["an SQLAlchemy database address"]),
        ('[stores]\ntrace = "http://influx.example:8086/kerfbook"\n', ["line 8: [stores], trace", "kerfbook/raw"]),
        ('[stores]\ntrace_token_file = "nowhere"\n', ["a file that holds the token", "there is no file"]),
        ("[web\nport = 80\n", ["line 7", "TOML, which this line is not", "found     [web"]),
        ("[web]\nport = 80\nport = 81\n", ["TOML, which this line is not"]),
    ],
)  # fmt: skip
def test_a_fault_tells_line_found_expected_and_what_to_do(more: str, told: list[str]) -> None:
    fault = fault_of(more)
    assert fault.startswith("kerfbook.toml, line ")
    for words in told:
        assert words in fault


def test_a_zone_that_does_not_exist_is_named() -> None:
    faults = faults_of(LEAST.replace("Europe/Lisbon", "Lisbon"))
    assert faults == [
        'kerfbook.toml, line 3: [site], zone\n  found     "Lisbon"\n  expected  an IANA time zone\n'
        "  hint      zones are named after a city, such as Europe/Lisbon or America/New_York"
    ]


def test_all_faults_are_told_at_once_in_order_of_line() -> None:
    faults = faults_of('[site]\nname = 1\nzone = "x"\n[[saws]]\nname = "A"\ncolour = 1\n[web]\nport = 0\n')
    assert [int(fault.split("line ")[1].split(":")[0]) for fault in faults] == [2, 3, 5, 6, 8]


def test_an_empty_file_asks_for_site_and_saws() -> None:
    told = "\n".join(faults_of(""))
    assert "a table [site]" in told
    assert "a table [[saws]] for each saw" in told
    assert "--write-config" in told


def test_a_file_that_is_no_text_is_refused_with_its_line(tmp_path: Path) -> None:
    path = tmp_path / "kerfbook.toml"
    path.write_bytes(b'[site]\nname = "\xff"\n')
    with pytest.raises(ConfigError, match="line 2: the text\n  found     bytes that are not UTF-8"):
        load(path)


def test_relative_paths_count_from_the_files_folder(tmp_path: Path) -> None:
    (tmp_path / "secret").write_text("s3cret\n")
    path = tmp_path / "kerfbook.toml"
    path.write_text(LEAST + '[broker]\nusername = "k"\npassword_file = "secret"\n')
    settings = load(path)
    assert settings.broker.password_file == tmp_path / "secret"
    assert "s3cret" not in repr(settings)


TEXT = '''# a remark with [brackets] = and "quotes
top = 1
[a.b]
"quoted key" = """
x = 5
[not.a.table]
"""
deep.er = [1, # ] remark
  "]", [2,
  3]]
after = 'c:\\'
[[a.list]]
x = {y = 1, z = "}"}
[[a.list]]
x = 2
[a.list.sub]
k = 2026-01-01
'''


def test_lines_of_keys_are_found_past_strings_arrays_and_remarks() -> None:
    tomllib.loads(TEXT)
    lines = key_lines(TEXT)
    assert lines[("top",)] == 2
    assert lines[("a", "b", "quoted key")] == 4
    assert lines[("a", "b", "deep", "er")] == 8
    assert lines[("a", "b", "after")] == 11
    assert lines[("a", "list", 0, "x")] == 13
    assert lines[("a", "list", 1, "x")] == 15
    assert lines[("a", "list", 1, "sub", "k")] == 17
    assert line_of(("a", "list", 0, "x", "y"), lines) == 13
    assert ("a", "b", "x") not in lines


keys = st.text("abcxyz-_09", min_size=1, max_size=6)
strings = st.sampled_from(['"a"', "'b'", '"""\nx = 1\n[t]\n"""', "'''\n# r\n]'''", '"\\"]"'])
plain_values = st.one_of(st.integers(-9, 9).map(str), strings, st.just("2026-03-02"), st.just("true"))
values = st.recursive(
    plain_values,
    lambda inner: st.lists(inner, max_size=3).map(lambda v: "[\n" + ", # ]\n".join(v) + "]"),
    max_leaves=6,
)


@given(
    st.lists(
        st.tuples(st.sampled_from(["[{}]", "[[{}]]"]), keys, st.dictionaries(keys, values, max_size=4)),
        max_size=4,
    )
)
def test_every_key_that_tomllib_reads_has_the_line_on_which_it_stands(
    tables: list[tuple[str, str, dict[str, str]]],
) -> None:
    text = "".join(
        f"{head.format(name)}\n" + "".join(f"{k} = {v}\n" for k, v in body.items()) for head, name, body in tables
    )
    try:
        values: dict[str, Any] = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return
    lines = key_lines(text)
    rows = text.splitlines()
    for name, found in values.items():
        for number, table in enumerate(found if isinstance(found, list) else [found]):
            for key in table:
                path = (name, number, key) if isinstance(found, list) else (name, key)
                assert rows[lines[path] - 1].startswith(f"{key} = ")
