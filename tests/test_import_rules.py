"""The arrows of the house: who may import whom (docs/architecture.md)."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[1] / "evidence"

ROOMS_BELOW = {
    # room: what of ours it may import besides itself
    "model": set(),
    "errors": set(),
    "codec": {"errors"},
    "toml_lines": {"errors"},
    "settings": {"errors", "model"},
    "cards": {"model", "errors", "codec"},
    "sight": {"model", "errors", "codec", "settings"},
    "timeline": {"model", "errors"},
    "tags": {"model", "errors", "codec", "toml_lines"},
    "coverage": {"model", "errors", "tags", "toml_lines", "timeline"},
    "catalog": {"model", "errors", "codec"},
    "archive": {"model", "errors", "codec", "cards"},
    "paper": {"model", "errors", "codec", "settings", "tags", "sight", "cards", "coverage"},
    "retention": {"model", "errors", "codec", "paper", "archive", "toml_lines"},
}
JOINING = {"board", "cli"}
"""Nothing but `cli` and `board` themselves may import these."""

PURE = {"timeline", "tags", "coverage", "retention/schedule.py", "archive/copies.py"}
LIBRARY_OWNERS = {
    "sqlalchemy": "catalog",
    "alembic": "catalog",
    "fastapi": "board",
    "starlette": "board",
    "jinja2": "board",
    "typer": "cli",
    "fpdf": "paper",
    "zxingcpp": "sight",
    "onnxruntime": "sight",
    "rapidocr": "sight",
}


def modules() -> list[Path]:
    return sorted(p for p in PACKAGE.rglob("*.py") if "_config" not in p.parts)


def room_of(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def imported(path: Path) -> list[str]:
    found = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found += [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
            found += [f"{node.module}.{alias.name}" for alias in node.names]
    return found


@pytest.mark.parametrize("path", modules(), ids=lambda p: str(p.relative_to(PACKAGE)))
def test_a_room_imports_only_what_lies_below_it(path):
    room = room_of(path)
    ours = {name.split(".")[1] for name in imported(path) if name.startswith("evidence.")} - {room}
    assert not (ours & JOINING - {room}) or room in JOINING
    if room in ROOMS_BELOW:
        assert ours <= ROOMS_BELOW[room], f"{room} may not import {sorted(ours - ROOMS_BELOW[room])}"


@pytest.mark.parametrize("path", modules(), ids=lambda p: str(p.relative_to(PACKAGE)))
def test_a_library_of_one_room_is_imported_by_no_other(path):
    tops = {name.split(".")[0] for name in imported(path)}
    for library, owner in LIBRARY_OWNERS.items():
        if library in tops:
            assert room_of(path) == owner, f"{library} belongs to {owner}"
    assert "click" not in tops


@pytest.mark.parametrize(
    "path",
    [p for p in modules() if any(str(p.relative_to(PACKAGE).as_posix()).startswith(one) for one in PURE)],
    ids=lambda p: str(p.relative_to(PACKAGE)),
)
def test_a_deciding_room_touches_no_clock_disk_or_terminal(path):
    tree = ast.parse(path.read_text(encoding="utf-8"))
    tops = {name.split(".")[0] for name in imported(path)}
    assert not tops & {
        "os",
        "pathlib",
        "shutil",
        "socket",
        "subprocess",
        "time",
        "sqlite3",
        "tempfile",
        "logging",
    }
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            called = ast.unparse(node.func)
            assert called not in {"open", "print", "input"}, f"line {node.lineno}: {called}"
            assert not called.endswith((".now", ".today", ".utcnow")), f"line {node.lineno}: {called}"
