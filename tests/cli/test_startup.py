"""Start-up stays light: what `--help` and the commands that only read the catalog may load."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest
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


def loaded_by(*arguments: object) -> set[str]:
    """The top-level modules in memory when the command ends, in a process of its own."""
    script = (
        "import json, sys\n"
        "from evidence.cli.main import run\n"
        "try:\n    run(sys.argv[1:])\n"
        "except SystemExit as end:\n    assert not end.code, end.code\n"
        "finally:\n    print(json.dumps(sorted({name.split('.')[0] for name in sys.modules})), file=sys.stderr)\n"
    )
    ran = subprocess.run(
        [sys.executable, "-c", script, *map(str, arguments)],
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )
    assert ran.returncode == 0, ran.stderr
    return set(json.loads(ran.stderr.splitlines()[-1]))


@pytest.mark.parametrize("arguments", [["--help"], ["--version"]], ids=" ".join)
def test_the_list_of_commands_loads_no_library_that_works_on_data(arguments):
    loaded = loaded_by(*arguments)
    assert not loaded & (HEAVY | DATA)
    assert "typer" in loaded


@pytest.mark.parametrize("arguments", [["intake", "--help"], ["board", "--help"]], ids=" ".join)
def test_the_help_of_a_command_loads_no_library_that_works_on_data(arguments):
    # typer itself loads pydantic, where it is installed, to describe a command's parameters
    assert not loaded_by(*arguments) & (HEAVY | DATA - {"pydantic"})


@pytest.mark.parametrize("arguments", [["claims"], ["photos", "unassigned"], ["hold", "list"]], ids=" ".join)
def test_a_command_that_reads_only_the_catalog_loads_no_imaging_web_or_pdf_library(tmp_path, arguments):
    archive = make_archive(tmp_path)
    claims = tmp_path / "claims.csv"
    claims.write_text("claim,insured,peril\nTC-1001,Ann Example,hail\n", encoding="utf-8")
    assert cli("assignments", claims, archive=archive).status == 0
    loaded = loaded_by(*arguments, "--archive", archive)
    assert not loaded & (HEAVY | LATER)
    assert "sqlalchemy" in loaded


def test_claims_with_photos_are_counted_without_an_imaging_web_or_pdf_library(houses):
    loaded = loaded_by("claims", "--archive", houses)
    assert not loaded & HEAVY


def test_stored_tallies_are_listed_without_the_check_and_its_libraries(houses):
    assert cli("claims", archive=houses).status == 0  # stores what is outdated
    assert not loaded_by("claims", "--archive", houses) & (HEAVY | LATER)
