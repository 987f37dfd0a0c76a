"""The command line speaks the terminal's language."""

from __future__ import annotations

import io
import re

import pytest

from api.tongues import say
from api.tongues.manner import Manner, of_terminal
from collector.book import Book
from collector.trace.sqlite import SqliteTrace
from collector.trace.store import TraceError
from dashboard.cli import COMMANDS, main
from dashboard.config import kinds


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


class Terminal(io.StringIO):
    """Somebody sits there and types."""

    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize(
    ("language", "typed", "written"),
    [
        *[("en_GB.UTF-8", typed, typed in {"y", "Yes"}) for typed in ("y", "Yes", "n", "", "s")],
        *[("pt_PT.UTF-8", typed, typed not in {"n", "não", ""}) for typed in ("s", "Sim", "y", "n", "não", "")],
    ],
)
def test_a_question_is_answered_in_the_language_in_which_it_is_asked(
    language, typed, written, tmp_path, monkeypatch, capsys
):
    monkeypatch.setenv("LC_ALL", language)
    monkeypatch.setattr("sys.stdin", Terminal(f"{typed}\n"))
    path = tmp_path / "kerfbook.toml"
    assert main(["run", "--config", str(path)]) == (0 if written else 2)
    assert path.exists() == written
    assert ("[s/N]" if language.startswith("pt") else "[y/N]") in capsys.readouterr().err


def test_a_written_configuration_is_told_in_portuguese(tmp_path, monkeypatch, capsys):
    monkeypatch.setenv("LC_ALL", "pt_PT.UTF-8")
    path = tmp_path / "kerfbook.toml"
    assert main(["run", "--write-config", "--config", str(path)]) == 0
    assert capsys.readouterr().out.startswith(f"escrito {path}")
    assert main(["run", "--check", "--config", str(path)]) == 0
    assert "está em ordem" in capsys.readouterr().out


def test_what_doctor_finds_is_told_in_portuguese(tmp_path, monkeypatch, capsys):
    """Without broker, stores, backup or boxes: everything is wrong, and each thing is told with what to do."""
    path = tmp_path / "kerfbook.toml"
    assert main(["run", "--write-config", "--config", str(path)]) == 0
    path.write_text(path.read_text().replace("port = 1883", "port = 1"))
    capsys.readouterr()
    asked = ["doctor", "--config", str(path)]
    assert main(asked) == 1
    english = capsys.readouterr().out.splitlines()
    monkeypatch.setenv("LC_ALL", "pt_PT.UTF-8")
    assert main(asked) == 1
    portuguese = capsys.readouterr().out.splitlines()
    assert len(portuguese) == len(english) > 8
    assert [line for line in portuguese if line in english] == []
    told = "\n".join(portuguese)
    assert re.search(
        r"^NÃO ESTÁ BEM  broker: .* não responde: .*\n {14}inicie o broker, ou corrija \[broker\]$", told, re.M
    )
    assert f"cópia de segurança: não há nenhuma em {tmp_path}/kerfbook-backups" in told
    assert re.search(r"^\d+ não estão bem$", told, re.M)


FAULTY = """
[site]
name = "Tern Point"
zone = "Lisboa"
[[saws]]
name = "heron"
box = "0024befffe804ff1"
spindle_rpm = "4800"
[broker]
prot = 1883
[[shifts]]
days = ["mon"]
start = "7:30"
end = "16:00"
[tv]
"""


def test_faults_of_the_configuration_are_told_in_portuguese_and_keys_stay_keys(tmp_path, monkeypatch, capsys):
    path = tmp_path / "kerfbook.toml"
    path.write_text(FAULTY)
    monkeypatch.setenv("LC_ALL", "pt_PT.UTF-8")
    assert main(["doctor", "--config", str(path)]) == 2
    assert capsys.readouterr().err == (
        f"kerfbook doctor: {path}, linha 3: [site], name\n"
        '  encontrado  "Tern Point"\n'
        "  esperado    um nome para tópicos e endereços: 1 a 32 dos caracteres a-z, 0-9 e -\n"
        '  sugestão    tente "tern-point"; o que as pessoas leem põe-se em title\n'
        f"{path}, linha 4: [site], zone\n"
        '  encontrado  "Lisboa"\n'
        "  esperado    um fuso horário da IANA\n"
        "  sugestão    os fusos têm o nome de uma cidade, como Europe/Lisbon ou America/New_York\n"
        f"{path}, linha 7: [[saws]] número 1, box\n"
        '  encontrado  "0024befffe804ff1"\n'
        '  esperado    o URN de uma caixa, RFC 9039, como "urn:dev:mac:0024befffe804ff1:"\n'
        '  sugestão    é o nome de base ("bn") dos pacotes que a caixa envia\n'
        f"{path}, linha 8: [[saws]] número 1, spindle_rpm\n"
        '  encontrado  "4800"\n'
        "  esperado    um número inteiro de 100 a 30000\n"
        "  sugestão    escreva o número sem aspas\n"
        f"{path}, linha 10: [broker], prot\n"
        "  encontrado  uma chave que aqui não se conhece\n"
        "  esperado    uma de tls, host, port, username, password_file, ca_file, client_id, share, saws\n"
        "  sugestão    queria dizer port?\n"
        f"{path}, linha 13: [[shifts]] número 1, start\n"
        '  encontrado  "7:30"\n'
        '  esperado    uma hora do dia como "07:30"\n'
        '  sugestão    tente "07:30"\n'
        f"{path}, linha 15: [tv]\n"
        "  encontrado  tv, que não é uma tabela deste ficheiro\n"
        "  esperado    uma de site, saws, broker, shifts, calendar, utilisation, blades, energy, stores, backup, web, "
        "detection, alerts, tell, show\n"
    )


@pytest.mark.parametrize("command", ["", *COMMANDS])
def test_help_is_in_portuguese_and_fits_the_terminal(command, monkeypatch, capsys):
    monkeypatch.setenv("COLUMNS", "80")

    def shown() -> list[str]:
        with pytest.raises(SystemExit):
            main([*([command] if command else []), "--help"])
        return capsys.readouterr().out.splitlines()

    english = shown()
    monkeypatch.setenv("LC_ALL", "pt_PT.UTF-8")
    portuguese = shown()
    assert portuguese[0].startswith("uso: kerfbook")
    assert max(map(len, portuguese)) <= 100
    words = {line for line in {*english} & {*portuguese} if re.search(r"[a-z]{3} [a-z]{3}", line)}
    assert {line for line in words if "kerfbook " not in line} == set()  # what is typed is the same everywhere


def test_people_are_kept_in_portuguese(tmp_path, monkeypatch, capsys):
    path = tmp_path / "kerfbook.toml"
    assert main(["run", "--write-config", "--config", str(path)]) == 0
    capsys.readouterr()
    monkeypatch.setenv("LC_ALL", "pt_PT.UTF-8")

    def people(*words: str, typed: str = "") -> str:
        monkeypatch.setattr("sys.stdin", io.StringIO(f"{typed}\n"))
        main(["people", *words, "--config", str(path)])
        told = capsys.readouterr()
        return (told.out or told.err).strip()

    assert people("add", "Ana", "--role", "owner", typed="three dusty sparrows") == "Ana pode entrar como owner"
    assert people("pin", "Ana", typed="4827").startswith("um PIN novo para Ana; todas as suas sessões")
    assert people("pin", "Ana", typed="12").startswith("kerfbook people: um PIN tem")
    assert people("add", "Rui") == (
        "kerfbook people: `people add` quer --role, uma de installer, maintenance, operator, owner, viewer"
    )
    assert people("add", "Rui", "--role", "operator", typed="four wet herons") == "Rui pode entrar como operator"
    assert people("out", "Rui") == "Rui já não pode entrar"
    assert people("out", "Eva").startswith("kerfbook people: não há ninguém chamado 'Eva'")
    assert people("out", "Ana") == (
        "kerfbook people: tem de ficar um proprietário com palavra-passe; faça primeiro de outra pessoa um proprietário"
    )
    listed = people()
    assert re.search(r"^Ana +owner +palavra-passe e PIN$", listed, re.M)
    assert people("erase", "Rui") == "Rui é person 2 de agora em diante"


def test_a_backup_and_its_way_back_are_told_in_portuguese(tmp_path, monkeypatch, capsys):
    path = tmp_path / "kerfbook.toml"
    assert main(["run", "--write-config", "--config", str(path)]) == 0
    (tmp_path / "kerfbook-data").mkdir()
    Book(f"sqlite:///{tmp_path}/kerfbook-data/book.sqlite").close()
    SqliteTrace(tmp_path / "kerfbook-data" / "trace.sqlite").close()
    capsys.readouterr()
    monkeypatch.setenv("LC_ALL", "pt_PT.UTF-8")
    assert main(["backup", "--config", str(path)]) == 0
    told = capsys.readouterr().out
    (file,) = (tmp_path / "kerfbook-backups").glob("*.zip")
    assert re.search(rf"^{re.escape(str(file))}: \d+,\d MB, 0 leituras, \d+ linhas$", told, re.M)
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    assert main(["restore", str(file), "--check", "--config", str(elsewhere / "kerfbook.toml")]) == 0
    assert capsys.readouterr().out == f"{file} está inteiro\n"
    assert main(["restore", str(file), "--config", str(elsewhere / "kerfbook.toml")]) == 0
    assert re.search(r"^reposto workshop como estava em .*: 0 leituras, \d+ linhas$", capsys.readouterr().out, re.M)


@pytest.fixture
def portuguese(monkeypatch):
    monkeypatch.setenv("LC_ALL", "pt_PT.UTF-8")


@pytest.mark.parametrize(
    ("asked", "told"),
    [
        ("simulate", "kerfbook simulate: indique um FILE ou um broker com --to"),
        ("simulate - --user box", "kerfbook simulate: --user e --password-file usam-se juntos"),
        ("simulate - --day soon", "erro: argumento --day: 'soon' não é uma data; escreva-a como 2026-03-02"),
        ("simulate - --saw egret", "erro: argumento --saw: 'egret' não serve (escolha de 'heron', 'plover')"),
        ("simulate - --seed", "erro: argumento --seed: espera-se um valor"),
        ("simulate - --speed 0", "'0' não é uma velocidade"),
        ("simulate - --seed one", "erro: argumento --seed: valor inválido para int: 'one'"),
        ("replay heron.jsonl", "erro: faltam estes argumentos: --saw"),
        ("replay heron.jsonl --saw Heron", "'Heron' não é um nome para tópicos e endereços"),
        ("broker-config --port http", "'http' não é uma porta de 1 a 65535"),
        ("install-service --memory much", "'much' não é um tamanho; escreva-o como 512M ou 1G"),
        ("restore --backup", "erro: faltam estes argumentos: FILE"),
    ],
)
def test_arguments_that_do_not_fit_are_refused_in_portuguese(asked, told, portuguese, capsys):
    try:
        code = main(asked.split())
    except SystemExit as ended:
        code = ended.code
    assert code == 2
    assert told in capsys.readouterr().err


def test_a_played_saw_and_what_is_wrong_with_its_packs_are_told_in_portuguese(portuguese, tmp_path, capsys):
    packs = tmp_path / "heron.jsonl"
    assert main(["simulate", str(packs), "--saw", "heron", "--day", "2026-03-02"]) == 0
    assert re.fullmatch(r"pacotes de heron escritos: \d+\n", capsys.readouterr().err)
    few = packs.read_text().splitlines()[:3]
    packs.write_text(
        "\n".join([few[0], '[{"bn":"urn:dev:mac:0024befffe804ff1:","bt":1764057600,"n":"motor","v":{}}]', "[]"])
    )
    assert main(["replay", str(packs), "--saw", "heron"]) == 1
    assert capsys.readouterr().err.splitlines() == [
        "linha 2: bad-number: registo 1 de 1, campo 'v': um mapa de 0 não é um número",
        "linha 3: empty: o pacote não tem nenhum registo; envie um pacote só quando houver algo a comunicar",
    ]


def test_what_to_do_with_brokers_files_and_units_is_told_in_portuguese(portuguese, tmp_path, capsys):
    path = tmp_path / "kerfbook.toml"
    assert main(["run", "--write-config", "--config", str(path)]) == 0
    capsys.readouterr()
    assert main(["broker-config", "--config", str(path), "--host", "broker.example"]) == 0
    told = capsys.readouterr().out
    assert re.search(r"^A caixa de saw-1 \(palavra-passe nova\):$", told, re.M)
    assert re.search(
        rf"^  palavra-passe +em {re.escape(str(tmp_path))}/kerfbook-broker/boxes/saw-1/password$", told, re.M
    )
    assert "Guarde" in told
    assert main(["broker-config", "--config", str(path), "--host", "broker.example", "--renew", "egret"]) == 2
    assert "não há nenhuma serra 'egret'" in capsys.readouterr().err
    assert main(["install-service", "--config", str(path), "--write", str(tmp_path / "kerfbook.service")]) == 0
    told = capsys.readouterr().out
    assert "Depois, como root:" in told
    assert "  systemctl daemon-reload && systemctl enable --now kerfbook kerfbook-backup.timer\n" in told


def test_refusals_of_backups_and_stores_are_told_in_portuguese_and_logged_in_english(portuguese, tmp_path, capsys):
    path = tmp_path / "kerfbook.toml"
    assert main(["run", "--write-config", "--config", str(path)]) == 0
    capsys.readouterr()

    def refused(*asked: str) -> str:
        assert main([*asked, "--config", str(path)]) == 1
        return capsys.readouterr().err.strip()

    data = tmp_path / "kerfbook-data"
    none = f"não há {data}/book.sqlite; inicie `kerfbook run` uma vez, ou corrija [stores]"
    assert refused("backup") == f"kerfbook backup: {none}"
    (tmp_path / "torn.zip").write_bytes(b"PK")
    assert refused("restore", str(tmp_path / "torn.zip")).startswith(
        f"kerfbook restore: {tmp_path}/torn.zip não é uma cópia de segurança inteira ("
    )
    data.mkdir()
    (data / "trace.sqlite").write_bytes(b"no database, but long enough to look at")
    assert main(["derive", "--from", "2026-03-02", "--to", "2026-03-03", "--config", str(path)]) == 2
    assert "não é um ficheiro do sinal; dê o caminho de outro" in capsys.readouterr().err
    with pytest.raises(TraceError, match="this is no trace file; give the path of another file"):
        SqliteTrace(data / "trace.sqlite")


def test_words_of_ours_are_translated_among_the_values_of_a_sentence_and_names_are_not(portuguese):
    """A saw may be called ``seconds``."""
    say.speak(of_terminal({"LC_ALL": "pt_PT"}))
    assert kinds.number(0, 5, say.later("seconds")).expected == "um número de 0 a 5 segundos"
    named = kinds.Kind(say.later("an array of {what}"), str, {"what": "seconds"})
    assert named.expected == "uma lista de seconds"
    why = TraceError(say.later("{path}: {error}; {advice}"), path="days", error="full", advice=say.later("days"))
    assert (str(why), say.reason(why)) == ("days: full; days", "days: full; dias")
