"""What `kerfbook broker-config` writes and keeps, held against Mosquitto's and OpenSSL's own programs."""

from __future__ import annotations

import base64
import datetime as dt
import stat
import subprocess
from pathlib import PurePosixPath

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard.broker import certificates, texts
from tests.conftest import need


def contents(root):
    return {path.relative_to(root): path.read_bytes() for path in root.rglob("*") if path.is_file()}


def test_only_the_owner_can_read_what_was_written(written):
    for path in [written.root, *written.root.rglob("*")]:
        assert stat.S_IMODE(path.stat().st_mode) == (0o700 if path.is_dir() else 0o600), path


def test_a_second_time_keeps_keys_authority_and_passwords(written):
    before = contents(written.root)
    assert written.write() == 0
    after = contents(written.root)
    kept = {path for path in before if path.name in {"ca.key", "ca.pem", "server.key", "password"}}
    assert len(kept) == 9
    assert {path: before[path] for path in kept} == {path: after[path] for path in kept}
    assert before.keys() == after.keys()


def test_a_further_saw_gets_a_password_and_one_that_left_loses_its_rights(written, capsys):
    heron = written.password("heron")
    written.config.write_text(written.config.read_text().replace('"plover"', '"dunlin"'))
    assert written.write() == 0
    told = capsys.readouterr().out
    assert "The box of dunlin (new password)" in told
    assert "let in no more: plover" in told
    assert written.password("heron") == heron
    users = (written.root / "broker/passwords-boxes").read_text()
    assert [line.split(":")[0] for line in users.splitlines()] == ["box-heron", "box-dunlin"]
    assert "plover" not in (written.root / "broker/acl-boxes").read_text()


def test_a_stolen_box_gets_a_new_password_when_asked(written, capsys):
    before = {saw: written.password(saw) for saw in ("heron", "plover")}
    assert written.write("--renew", "heron") == 0
    assert written.password("heron") != before["heron"]
    assert written.password("plover") == before["plover"]
    assert written.write("--renew", "dunlin") == 2
    assert "no saw 'dunlin'" in capsys.readouterr().err


def test_passwords_are_printed_only_when_asked_for(written, capsys):
    assert "box-heron" in written.told
    assert written.password("heron") not in written.told
    written.write("--show-passwords")
    told = capsys.readouterr().out
    assert written.password("heron") in told
    assert (written.root / "collector/password").read_text().strip() not in told


def test_without_a_name_that_boxes_can_reach_it_asks_for_one(tmp_path, written, capsys):
    from dashboard.cli import main  # noqa: PLC0415

    arguments = ["broker-config", "--config", str(written.config), "--folder", str(tmp_path / "other")]
    assert main(arguments) == 2
    assert "--host" in capsys.readouterr().err
    assert not (tmp_path / "other").exists()
    with pytest.raises(SystemExit):
        main([*arguments, "--host", "not a name"])


def test_a_damaged_key_is_told_and_left_alone(written, capsys):
    key = written.root / "broker/server.key"
    key.write_text("no key")
    assert written.write() == 1
    assert "kerfbook broker-config: " in capsys.readouterr().err
    assert key.read_text() == "no key"


@pytest.mark.real
def test_a_password_is_kept_as_mosquitto_passwd_keeps_it(tmp_path):
    file = tmp_path / "passwords"
    subprocess.run([need("mosquitto_passwd"), "-c", "-b", file, "box-heron", "k3m9q-a:b$c"], check=True)
    user, _, kept = file.read_text().strip().partition(":")
    _, kind, rounds, salt, _ = kept.split("$")
    assert (user, kind) == ("box-heron", "7")
    assert texts.hashed("k3m9q-a:b$c", base64.b64decode(salt), int(rounds)) == kept


# RFC 7914 §11 and RFC 6070 have vectors of PBKDF2 for SHA-256 and SHA-1 only; Python's hashlib does the arithmetic.
@given(st.text(min_size=1), st.binary(min_size=12, max_size=12))
def test_a_password_is_one_line_of_four_parts(password, salt):
    kept = texts.hashed(password, salt, 1)
    empty, kind, rounds, its_salt, key = kept.split("$")
    assert (empty, kind, rounds) == ("", "7", "1")
    assert base64.b64decode(its_salt) == salt
    assert len(base64.b64decode(key)) == 64


@pytest.mark.real
def test_openssl_finds_the_certificate_good_for_the_brokers_names_and_for_no_other(written):
    ca, server = written.root / "ca/ca.pem", written.root / "broker/server.pem"
    verify = [need("openssl"), "verify", "-x509_strict", "-purpose", "sslserver", "-CAfile", ca]
    for name in (["-verify_ip", "127.0.0.1"], ["-verify_hostname", "localhost"], ["-verify_ip", "::1"]):
        done = subprocess.run([*verify, *name, server], capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stderr
    other = subprocess.run([*verify, "-verify_ip", "192.0.2.7", server], capture_output=True, text=True, check=False)
    assert "IP address mismatch" in other.stderr
    ends = dt.datetime.now(dt.UTC) + dt.timedelta(days=365 * certificates.SERVER_YEARS + 2)
    late = subprocess.run([*verify, "-attime", str(int(ends.timestamp())), server], capture_output=True, check=False)
    assert late.returncode != 0


def test_the_collectors_rights_name_its_site_alone():
    assert texts.collector_acl("tern-point").splitlines() == [
        "user kerfbook",
        "topic read kerfbook/tern-point/+/readings",
        "topic read kerfbook/tern-point/+/status",
        "topic write kerfbook/tern-point/alerts",
    ]


def test_the_files_are_named_where_the_broker_will_find_them():
    conf = texts.configuration(PurePosixPath("/etc/mosquitto/kerfbook"), PurePosixPath("/var/lib/mosquitto"), 1, 2)
    assert "keyfile /etc/mosquitto/kerfbook/server.key" in conf
    assert "persistence_location /var/lib/mosquitto/" in conf
    assert "allow_anonymous true" not in conf
