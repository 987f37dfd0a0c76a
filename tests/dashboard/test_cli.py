"""The command as a stranger meets it: help, exit codes, replay, simulate, `run` without a configuration."""

from __future__ import annotations

import io
import json
import os
import subprocess
import sys
from typing import TYPE_CHECKING

import pytest

from collector.detect.detector import derive
from collector.facts import as_record
from collector.signals import merge
from collector.wire.pack import read_pack
from dashboard.cli import COMMANDS, main
from dashboard.config import load

if TYPE_CHECKING:
    from pathlib import Path

DAY = ["--day", "2026-03-02"]


def help_of(*command: str, capsys: pytest.CaptureFixture[str]) -> str:
    with pytest.raises(SystemExit) as end:
        main([*command, "--help"])
    assert end.value.code == 0
    return capsys.readouterr().out


def test_help_says_what_it_is_and_where_to_begin(capsys: pytest.CaptureFixture[str]) -> None:
    told = help_of(capsys=capsys)
    assert "logbook that a vertical panel saw keeps by itself" in told
    assert "Begin with `kerfbook demo`" in told
    assert "no safety device" in told
    for name in COMMANDS:
        assert f"    {name}" in told


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_documents_its_exit_codes(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    told = help_of(command, capsys=capsys)
    assert "Exit code: 0 " in told
    assert max(len(line) for line in told.splitlines()) <= 100


@pytest.mark.parametrize(
    "argv",
    [
        [],
        ["dance"],
        ["replay", "file"],
        ["replay", "file", "--saw", "No Name"],
        ["simulate", "--days", "0", "x"],
        ["simulate", "--day", "2026-02-30", "x"],
        ["simulate", "--to", "host:port"],
        ["simulate", "--speed", "0", "x"],
    ],
)
def test_wrong_arguments_end_with_2(argv: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as end:
        main(argv)
    assert end.value.code == 2
    assert "kerfbook" in capsys.readouterr().err


@pytest.fixture(scope="module")
def played(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A simulated day: its packs and its truth."""
    folder = tmp_path_factory.mktemp("day")
    packs, truth = folder / "heron.jsonl", folder / "truth.jsonl"
    assert main(["simulate", str(packs), "--saw", "heron", *DAY, "--truth", str(truth)]) == 0
    return packs, truth


def test_replay_prints_the_facts_of_the_packs_in_order_of_start(
    played: tuple[Path, Path], capsys: pytest.CaptureFixture[str]
) -> None:
    packs, _ = played
    assert main(["replay", str(packs), "--saw", "heron"]) == 0
    out, err = capsys.readouterr()
    facts = [json.loads(line) for line in out.splitlines()]
    assert err == ""
    assert {fact["kind"] for fact in facts} >= {"run", "cut"}
    assert all(fact["saw"] == "heron" for fact in facts)
    assert [fact["start"] for fact in facts] == sorted(fact["start"] for fact in facts)
    trace = merge([read_pack(line, None).trace for line in packs.read_bytes().splitlines()])
    assert facts == [as_record(fact) for fact in derive("heron", trace)]


def test_replay_finds_what_the_truth_says(played: tuple[Path, Path], capsys: pytest.CaptureFixture[str]) -> None:
    packs, truth = played
    main(["replay", str(packs), "--saw", "heron"])
    found = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    real = [json.loads(line) for line in truth.read_text().splitlines()]
    cuts = sum(fact["kind"] == "cut" for fact in real)
    assert cuts > 100
    assert abs(sum(fact["kind"] == "cut" for fact in found) - cuts) <= 0.02 * cuts


def test_replay_of_stdin_in_any_order_is_the_same(
    played: tuple[Path, Path], capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    packs, _ = played
    main(["replay", str(packs), "--saw", "heron"])
    straight = capsys.readouterr().out
    backwards = b"\n".join(packs.read_bytes().splitlines()[::-1])
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(backwards)))
    assert main(["replay", "-", "--saw", "heron"]) == 0
    assert capsys.readouterr().out == straight


def test_replay_names_a_bad_line_goes_on_and_ends_with_1(
    played: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lines = played[0].read_bytes().splitlines()
    flawed = tmp_path / "flawed.jsonl"
    flawed.write_bytes(b"\n".join([*lines[:5], b"not a pack", b"", *lines[5:]]))
    assert main(["replay", str(flawed), "--saw", "heron"]) == 1
    out, err = capsys.readouterr()
    assert err.startswith("line 6: not-senml: ")
    assert len(err.splitlines()) == 1
    main(["replay", str(played[0]), "--saw", "heron"])
    assert out == capsys.readouterr().out


def test_replay_of_a_missing_file_ends_with_2(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["replay", "/nowhere/heron.jsonl", "--saw", "heron"]) == 2
    assert "/nowhere/heron.jsonl: No such file" in capsys.readouterr().err


def test_simulate_wants_a_file_or_a_broker(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["simulate"]) == 2
    assert "either a FILE or a broker" in capsys.readouterr().err


def test_run_without_a_file_explains_and_ends_with_2(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(sys, "stdin", io.StringIO())
    assert main(["run"]) == 2
    told = capsys.readouterr().err
    assert "There is no kerfbook.toml" in told
    assert "--write-config" in told


def test_run_writes_a_commented_file_and_never_over_another(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "kerfbook.toml"
    assert main(["run", "--config", str(path), "--write-config"]) == 0
    assert load(path).site.name == "workshop"
    path.write_text("mine")
    assert main(["run", "--config", str(path), "--write-config"]) == 2
    assert path.read_text() == "mine"
    assert "left as it is" in capsys.readouterr().err


def test_run_refuses_a_wrong_file_with_every_fault(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "kerfbook.toml"
    path.write_text('[site]\nname = "x"\nzone = "Mars"\n[[saws]]\nname = "A"\n')
    assert main(["run", "--config", str(path)]) == 2
    told = capsys.readouterr().err
    assert f"{path}, line 3: [site], zone" in told
    assert f"{path}, line 5: [[saws]] number 1, name" in told
    assert f"2 faults in {path}; nothing was started." in told


def test_run_checks_a_file_without_starting(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "kerfbook.toml"
    main(["run", "--config", str(path), "--write-config"])
    capsys.readouterr()
    assert main(["run", "--config", str(path), "--check"]) == 0
    assert capsys.readouterr().out == f"{path} is in order: 1 saw at Our workshop\n"


@pytest.mark.real
def test_run_does_not_carry_the_demo_with_it(tmp_path: Path) -> None:
    code = (
        "import sys; from dashboard.cli import main; main(['run', '--config', 'none']); "
        "sys.exit(', '.join(m for m in ('amqtt', 'simulator', 'plotly') if m in sys.modules) or 0)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=60, check=False
    )
    assert done.returncode == 0, done.stderr
    assert "There is no none" in done.stderr


@pytest.mark.real
def test_a_reader_that_has_seen_enough_breaks_nothing(played: tuple[Path, Path]) -> None:
    command = [
        sys.executable,
        "-c",
        "import sys; from dashboard.cli import main; sys.exit(main())",
        "replay",
        str(played[0]),
        "--saw",
        "heron",
    ]
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, env={**os.environ, "PYTHONUNBUFFERED": "1"}
    ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.readline()
        process.stdout.close()
        assert process.wait(60) == 0
        assert b"Traceback" not in process.stderr.read()


@pytest.mark.parametrize("command", ["doctor", "schema", "backup", "serve", "collect", "alerts", "broker-config"])
def test_without_a_configuration_each_command_says_how_to_come_to_one(command, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert main([command]) == 2
    said = capsys.readouterr().err
    assert said.startswith(f"kerfbook {command}: there is no kerfbook.toml: name yours with --config;")


def test_what_a_demo_keeps_can_be_named_instead(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert main(["derive", "--from", "2026-01-01", "--to", "2026-01-02"]) == 2
    assert "or a demo's folder with --folder" in capsys.readouterr().err
