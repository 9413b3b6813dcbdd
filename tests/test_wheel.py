"""The wheel carries all that the program needs to run far from its checkout."""

from __future__ import annotations

import email
import hashlib
import json
import os
import subprocess
import sys
import tomllib
import zipfile
from importlib import metadata
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).parents[1]


EACH_COMMAND = """
import contextlib, io, json, sys
import evidence
from evidence.cli.main import run
printed = [evidence.__file__]
for arguments in json.loads(sys.argv[1]):
    with contextlib.redirect_stdout(io.StringIO()) as out:
        try:
            run(arguments)
        except SystemExit as end:
            assert not end.code, arguments
    printed.append(out.getvalue())
print(json.dumps(printed))
"""
"""Runs each command of a list in one process; prints where the program was imported from, and what each printed."""


@pytest.fixture(scope="module")
def unpacked(tmp_path_factory):
    """The wheel, built by its own back end and unpacked in an empty folder."""
    folder = tmp_path_factory.mktemp("wheel")
    built = subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(folder)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert built.returncode == 0, built.stderr
    (wheel,) = folder.glob("*.whl")
    with zipfile.ZipFile(wheel) as content:
        content.extractall(folder / "site")
    return folder / "site"


def test_every_default_of_config_travels_in_it(unpacked):
    ours = sorted(
        p.relative_to(ROOT / "config").as_posix() for p in (ROOT / "config").rglob("*") if p.is_file()
    )
    theirs = unpacked / "evidence" / "_config"
    assert sorted(p.relative_to(theirs).as_posix() for p in theirs.rglob("*") if p.is_file()) == ours


def test_every_file_of_the_package_travels_in_it(unpacked):
    tracked = subprocess.run(
        ["git", "ls-files", "evidence"], cwd=ROOT, capture_output=True, text=True, check=False
    ).stdout.split()
    if not tracked:
        pytest.skip("not a git checkout")
    assert [path for path in tracked if not (unpacked / path).exists()] == []


def test_the_commands_run_from_it_in_an_empty_folder(unpacked, tmp_path):
    far = {**os.environ, "PYTHONPATH": str(unpacked), "EVIDENCE_ARCHIVE": str(tmp_path / "archive")}
    (tmp_path / "claims.csv").write_text("claim,insured\nTC-1001,Ann Example\n", encoding="utf-8")

    commands = [
        ["init", str(tmp_path / "archive")],
        ["assignments", "claims.csv"],
        ["sheets", "s.pdf"],
        ["labels", "l.pdf"],
        ["lists", "hail_roof"],
    ]
    ran = subprocess.run(
        [sys.executable, "-P", "-c", EACH_COMMAND, json.dumps(commands)],
        cwd=tmp_path,
        env=far,
        capture_output=True,
        text=True,
        check=False,
    )
    assert ran.returncode == 0, ran.stderr
    where, *printed = json.loads(ran.stdout)
    assert where.startswith(str(unpacked)), "the checkout was imported instead"
    assert "1 added" in printed[1]
    assert "1 page in" in printed[2]
    assert "hail" in printed[4].casefold()
    assert (tmp_path / "l.pdf").read_bytes().startswith(b"%PDF-")


PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
EXTRAS = PROJECT["optional-dependencies"]
LISTS = {"dependencies": PROJECT["dependencies"], **EXTRAS}
NEEDED = [
    pytest.param(one, id=f"{name}: {one.name}")
    for name, texts in LISTS.items()
    for one in map(Requirement, texts)
    if one.name != PROJECT["name"]
]


@pytest.mark.parametrize("needed", NEEDED)
def test_a_dependency_has_an_upper_bound_and_the_tests_run_below_it(needed):
    assert any(part.operator in {"<", "=="} for part in needed.specifier), str(needed)
    assert needed.specifier.contains(metadata.version(needed.name)), metadata.version(needed.name)


@pytest.mark.parametrize("listed", [*LISTS.values()], ids=[*LISTS])
def test_no_dependency_is_listed_twice(listed):
    names = [canonicalize_name(Requirement(one).name) for one in listed]
    assert len(names) == len(set(names))


def test_the_licence_that_the_project_names_travels_in_the_wheel_word_for_word(unpacked):
    (info,) = unpacked.glob("*.dist-info")
    named = email.message_from_string((info / "METADATA").read_text(encoding="utf-8"))
    assert named["License-Expression"] == "Apache-2.0"
    assert named.get_all("License-File") == ["LICENSE"]
    text = (info / "licenses" / "LICENSE").read_text(encoding="utf-8")
    # SHA-256 of the text at https://www.apache.org/licenses/LICENSE-2.0.txt (as the base-files of Debian carry it)
    assert (
        hashlib.sha256(text.encode()).hexdigest()
        == "cfc7749b96f63bd31c3c42b5c471bf756814053e847c10f3eb003417bc523d30"
    )
