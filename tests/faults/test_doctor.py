"""`kerfbook doctor` beside a real broker and a real `kerfbook run`."""

from __future__ import annotations

import pytest

from dashboard.cli import main
from tests.dashboard.running import Running
from tests.faults.test_torn_book import tear
from tests.waiting import until

pytestmark = pytest.mark.real


def examine(capsys, folder) -> tuple[int, str]:
    code = main(["doctor", "--config", str(folder / "kerfbook.toml")])
    return code, capsys.readouterr().out


def test_it_tells_what_is_well_and_what_to_do_about_the_rest(tmp_path, mosquitto, capsys):
    with Running(tmp_path, mosquitto, ["heron"]):
        until(lambda: "last look" in examine(capsys, tmp_path)[1])
        code, told = examine(capsys, tmp_path)
        assert code == 1
        assert "well      broker: mqtt://127.0.0.1" in told.replace("NOT WELL", "ill")
        assert "book: can be read" in told
        assert "NOT WELL  box of heron: never heard\n          see that it has power" in told
    mosquitto.stop()
    code, told = examine(capsys, tmp_path)
    assert code == 1
    assert "NOT WELL  broker: mqtt://127.0.0.1" in told
    assert "start the broker" in told


def test_a_torn_book_is_told_and_mended_by_the_next_start(tmp_path, mosquitto, capsys):
    house = Running(tmp_path, mosquitto, ["heron"])
    with house:
        until(lambda: "last look" in examine(capsys, tmp_path)[1])
    (book,) = tmp_path.rglob("book.sqlite")
    book.rename(book.with_name("book.db"))
    tear(book.parent, [4096])
    book.with_name("book.db").rename(book)
    code, told = examine(capsys, tmp_path)
    assert code == 1
    assert f"{book} is torn" in told
    with house:
        until(lambda: "was torn once" in examine(capsys, tmp_path)[1])


def test_without_a_configuration_it_says_so(tmp_path, capsys):
    assert main(["doctor", "--config", str(tmp_path / "kerfbook.toml")]) == 2
    assert "kerfbook.toml" in capsys.readouterr().err
