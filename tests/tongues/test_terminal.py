"""The command line speaks the terminal's language."""

from __future__ import annotations

import pytest

from api.tongues import say
from api.tongues.manner import Manner, of_terminal
from dashboard.cli import main


@pytest.fixture(autouse=True)
def _silence():
    yield
    say.speak(Manner())


@pytest.mark.parametrize(
    ("environment", "language"),
    [
        ({"LANG": "pt_PT.UTF-8"}, "pt"),
        ({"LANG": "pt_PT.UTF-8", "LC_MESSAGES": "en_GB"}, "en"),
        ({"LANG": "en_GB.UTF-8", "LC_ALL": "pt_BR"}, "pt"),
        ({"LANG": "fi_FI.UTF-8"}, "en"),
        ({"LC_ALL": "C.UTF-8", "LANG": "pt_PT"}, "en"),
        ({}, "en"),
    ],
)
def test_the_first_of_the_variables_that_posix_names_decides(environment, language):
    assert of_terminal(environment).language == language


def test_a_missing_configuration_is_told_in_portuguese_and_in_english(tmp_path, monkeypatch, capsys):
    monkeypatch.setattr("sys.stdin.isatty", lambda: False, raising=False)
    asked = ["run", "--config", str(tmp_path / "kerfbook.toml")]
    assert main(asked) == 2
    assert f"There is no {tmp_path}" in capsys.readouterr().err
    monkeypatch.setenv("LC_ALL", "pt_PT.UTF-8")
    assert main(asked) == 2
    assert f"Não há {tmp_path}" in capsys.readouterr().err


def test_a_written_configuration_is_told_in_portuguese(tmp_path, monkeypatch, capsys):
    monkeypatch.setenv("LC_ALL", "pt_PT.UTF-8")
    path = tmp_path / "kerfbook.toml"
    assert main(["run", "--write-config", "--config", str(path)]) == 0
    assert capsys.readouterr().out.startswith(f"escrito {path}")
    assert main(["run", "--check", "--config", str(path)]) == 0
    assert "está em ordem" in capsys.readouterr().out
