"""docs/office_server.md as written: its units by systemd's own checker, its commands against a PostgreSQL server."""

from __future__ import annotations

import os
import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from sqlalchemy.engine import make_url
from support_board import PASSWORD
from support_card import CardMaker
from support_cli import cli
from support_commands import commands, typed_in
from support_postgres import binaries

PAGE = (Path(__file__).parents[1] / "docs" / "office_server.md").read_text(encoding="utf-8")
UNITS = {
    re.match(r"# /etc/systemd/system/(\S+)", text)[1]: text
    for text in re.findall(r"^```ini\n(.*?)^```$", PAGE, re.MULTILINE | re.DOTALL)
}
VENV = "/srv/evidence/venv/bin/"
CLAIMS = "claim,insured,address,peril\nTC-1,Ann Example,1 Larch Way,hail\n"


def typed() -> list[str]:
    """The commands of the program in the page's shell blocks, in their order."""
    blocks = re.findall(r"^```sh\n(.*?)^```$", PAGE, re.MULTILINE | re.DOTALL)
    return [line for block in blocks for line in block.splitlines() if line.startswith("evidence ")]


def test_the_units_are_those_that_the_page_speaks_of():
    named = set(re.findall(r"(evidence-[a-z]+)(?:@\d)?\.(service|timer)", PAGE))
    assert {f"{name}.{kind}" for name, kind in named} | {"evidence-worker@.service"} == set(UNITS)


@pytest.mark.skipif(not shutil.which("systemd-analyze"), reason="no systemd on this computer")
def test_systemd_accepts_every_unit(tmp_path):
    here = f"{Path(sys.executable).parent}/"
    for name, text in UNITS.items():
        (tmp_path / name).write_text(
            text.replace(VENV, here).replace("/usr/bin/pg_dump", shutil.which("true"))
        )
    names = [str(tmp_path / name.replace("@.", "@1.")) for name in UNITS]
    (tmp_path / "evidence-worker@1.service").symlink_to(tmp_path / "evidence-worker@.service")
    ran = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", *names],
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )
    told = [line for line in ran.stderr.splitlines() if "evidence-" in line]
    assert (ran.returncode, told) == (0, [])


def test_a_unit_that_is_wrong_would_be_found(tmp_path):
    if not shutil.which("systemd-analyze"):
        pytest.skip("no systemd on this computer")
    wrong = tmp_path / "evidence-board.service"
    wrong.write_text(UNITS[wrong.name].replace("Restart=on-failure", "Restrat=on-failure"))
    ran = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", str(wrong)],
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )
    assert "Restrat" in ran.stderr


def test_every_command_of_the_units_has_only_options_that_exist():
    started = [
        line.partition(VENV)[2]
        for text in UNITS.values()
        for line in text.splitlines()
        if line.startswith(f"ExecStart={VENV}evidence")
    ]
    assert len(started) == 4
    for line in started:
        ((path, options),) = typed_in(line)
        assert set(options) <= commands()[path], line


def test_the_commands_of_the_page_run_in_order_on_postgresql(
    tmp_path, other_disk, postgres_server, postgres_url, monkeypatch
):
    monkeypatch.setattr("getpass.getpass", lambda _prompt="": PASSWORD)
    monkeypatch.setattr("sys.stdin.isatty", lambda: True, raising=False)
    monkeypatch.setenv("PYTHON_KEYRING_BACKEND", "keyring.backends.null.Keyring")
    (tmp_path / "claims.csv").write_text(CLAIMS, encoding="utf-8")
    card = CardMaker(tmp_path / "CARD")
    card.sheet("TC-1")
    card.scene()
    archive, restored = tmp_path / "archive", tmp_path / "restored"
    places = {
        "/srv/evidence/archive": str(archive),
        "/mnt/nas/evidence": str(other_disk),
        "claims.csv": str(tmp_path / "claims.csv"),
        "/media/CARD": str(card.root),
    }
    database = make_url(postgres_url)
    server = {
        "PGHOST": str(postgres_server),
        "PGUSER": "office",
        "PATH": f"{binaries()}:{os.environ['PATH']}",
    }

    def postgres(*words):
        subprocess.run(words, check=True, capture_output=True, env={**os.environ, **server})

    ran = []
    for line in typed():
        words = [places.get(word, word) for word in shlex.split(line)[1:]]
        words = [word for word in words if not word.startswith("tls://") and word != "--cluster"]
        where = None if words[0] in ("init", "restore") else archive
        if words[0] == "rebuild":
            dump = tmp_path / "catalog.dump"
            postgres("pg_dump", "--format=custom", f"--file={dump}", database.database)
            before = cli("claims", "--json", archive=archive).data
            postgres("dropdb", database.database)
            postgres("createdb", "--encoding", "UTF8", "--template", "template0", database.database)
        elif words[0] == "restore":
            places["/srv/evidence/archive"] = str(restored)
            words[2] = str(restored)
            postgres("dropdb", database.database)
            postgres("createdb", "--encoding", "UTF8", "--template", "template0", database.database)
            shutil.rmtree(archive)
        one = cli(*words, archive=where)
        ran.append((line, one.status, (one.out + one.err)[-600:]))
        if words[0] == "init":
            settings = archive / "evidence.toml"
            text = settings.read_text(encoding="utf-8")
            assert '\nurl = ""' in text
            settings.write_text(text.replace('\nurl = ""', f'\nurl = "{postgres_url}"'), encoding="utf-8")
            (archive / "catalog.sqlite").unlink()
        elif words[0] == "rebuild":
            assert cli("claims", "--json", archive=archive).data == before
            postgres("dropdb", database.database)
            postgres("createdb", "--encoding", "UTF8", "--template", "template0", database.database)
            postgres(
                "pg_restore", f"--dbname={database.database}", "--exit-on-error", "--no-owner", str(dump)
            )
            assert cli("claims", "--json", archive=archive).data == before
            assert len(cli("people", "list", "--json", archive=archive).data) == 3, "with their passwords"
        elif words[0] == "restore":
            archive = restored
    assert [one for one in ran if one[1]] == []
    assert {shlex.split(line)[1] for line, _, _ in ran} >= {
        "init",
        "doctor",
        "intake",
        "rebuild",
        "restore",
        "backup",
    }
