"""The wheel carries all that the program needs to run far from its checkout."""

from __future__ import annotations

import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]


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

    def evidence(*arguments):
        code = "import evidence, sys; from evidence.cli.main import run; run(sys.argv[1:])"
        ran = subprocess.run(
            [sys.executable, "-P", "-c", code, *arguments],
            cwd=tmp_path,
            env=far,
            capture_output=True,
            text=True,
            check=False,
        )
        assert ran.returncode == 0, ran.stderr
        return ran.stdout

    where = subprocess.run(
        [sys.executable, "-P", "-c", "import evidence; print(evidence.__file__)"],
        cwd=tmp_path,
        env=far,
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    assert where.startswith(str(unpacked)), "the checkout was imported instead"
    evidence("init", str(tmp_path / "archive"))
    assert "1 added" in evidence("assignments", "claims.csv")
    assert "1 pages" in evidence("sheets", "s.pdf")
    evidence("labels", "l.pdf")
    assert "hail" in evidence("lists", "hail_roof").casefold()
    assert (tmp_path / "l.pdf").read_bytes().startswith(b"%PDF-")
