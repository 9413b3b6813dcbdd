"""Start-up stays light: what `--help` and the commands that only read the catalog may load."""

from __future__ import annotations

import json
import subprocess
import sys

from support_cli import cli, make_archive

IMAGING = {
    "cv2",
    "PIL",
    "pi_heif",
    "pyvips",
    "zxingcpp",
    "onnxruntime",
    "onnx",
    "rapidocr",
    "imagehash",
    "exifread",
    "segno",
}
WEB = {"fastapi", "starlette", "uvicorn", "jinja2", "multipart", "itsdangerous", "argon2"}
PDF = {"fpdf", "fontTools", "pypdf", "pypdfium2"}
CLUSTER = {"distributed", "dask", "tornado"}
HEAVY = IMAGING | WEB | PDF | CLUSTER | {"scipy", "sklearn", "rapidfuzz", "watchdog", "psycopg", "alembic"}
LATER = {"numpy", "psutil", "cryptography", "keyring", "rapidfuzz"}
"""What a listing from stored tallies does not need."""
DATA = {"sqlalchemy", "pydantic", "numpy", "rich"}


def loaded_by(*commands: list[object]) -> set[str]:
    """The top-level modules in memory when these commands have run, one after the other, in a process of their own."""
    script = (
        "import json, sys\n"
        "from evidence.cli.main import run\n"
        "for command in json.loads(sys.argv[1]):\n"
        "    try:\n        run(command)\n"
        "    except SystemExit as end:\n        assert not end.code, (command, end.code)\n"
        "    print(json.dumps([command, sorted({name.split('.')[0] for name in sys.modules})]), file=sys.stderr)\n"
    )
    ran = subprocess.run(
        [sys.executable, "-c", script, json.dumps([[str(one) for one in command] for command in commands])],
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )
    assert ran.returncode == 0, ran.stderr
    loaded: list[tuple[list[str], list[str]]] = [
        json.loads(line) for line in ran.stderr.splitlines() if line.startswith("[[")
    ]
    assert [len(command) for command, _ in loaded] == [len(command) for command in commands]
    return set(loaded[-1][1])


def test_the_list_of_commands_loads_no_library_that_works_on_data():
    loaded = loaded_by(["--help"], ["--version"])
    assert not loaded & (HEAVY | DATA)
    assert "typer" in loaded


def test_the_help_of_a_command_loads_no_library_that_works_on_data():
    # typer itself loads pydantic, where it is installed, to describe a command's parameters
    assert not loaded_by(["intake", "--help"], ["board", "--help"]) & (HEAVY | DATA - {"pydantic"})


def test_a_command_that_reads_only_the_catalog_loads_no_imaging_web_or_pdf_library(tmp_path):
    archive = make_archive(tmp_path)
    claims = tmp_path / "claims.csv"
    claims.write_text("claim,insured,peril\nTC-1001,Ann Example,hail\n", encoding="utf-8")
    assert cli("assignments", claims, archive=archive).status == 0
    commands = [["claims"], ["photos", "unassigned"], ["hold", "list"]]
    loaded = loaded_by(*([*command, "--archive", archive] for command in commands))
    assert not loaded & (HEAVY | LATER)
    assert "sqlalchemy" in loaded


def test_claims_with_photos_are_counted_without_an_imaging_web_or_pdf_library(houses):
    loaded = loaded_by(["claims", "--archive", houses])
    assert not loaded & HEAVY


def test_stored_tallies_are_listed_without_the_check_and_its_libraries(houses):
    assert cli("claims", archive=houses).status == 0  # stores what is outdated
    assert not loaded_by(["claims", "--archive", houses]) & (HEAVY | LATER)
