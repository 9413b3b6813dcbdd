"""The rules of the rooms: which room may import which (docs/architecture.md)."""

from __future__ import annotations

import ast
import re
from functools import cache
from pathlib import Path

PACKAGE = Path(__file__).parents[1] / "evidence"

FLOORS = (
    # From the ground up. A room imports rooms of lower floors only.
    {"model", "errors", "progress", "forward_backward"},
    {"codec", "plain_words"},
    {"toml_files"},
    {"disk"},
    {"settings", "timeline", "cards", "archive", "alike"},
    {"tags", "catalog"},
    {"sight", "coverage", "plan"},
    {"questions", "paper", "workspace"},
    {"retention", "lookup", "analysis"},
    {"filing"},
    {"review", "office", "intake", "reports"},
    {"board", "telling"},
    {"cli"},
)
FLOOR = {room: number for number, rooms in enumerate(FLOORS) for room in rooms}

PURE = {
    "alike/hash_index.py",
    "alike/turning.py",
    "forward_backward.py",
    "timeline",
    "tags",
    "coverage",
    "plan",
    "questions",
    "retention/clock.py",
    "retention/disposition.py",
    "retention/facts.py",
    "retention/forecast.py",
    "retention/holds.py",
    "retention/periods.py",
    "retention/schedule.py",
    "archive/copies.py",
}
LIBRARY_OWNERS = {
    "sqlalchemy": "catalog",
    "alembic": "catalog",
    "fastapi": "board",
    "starlette": "board",
    "jinja2": "board",
    "prometheus_client": "board",
    "typer": "cli",
    "fpdf": "paper",
    "zxingcpp": "sight",
    "onnxruntime": "sight",
    "rapidocr": "sight",
    "imagehash": "sight",
    "distributed": "sight",
    "dask": "sight",
    "onnx": "sight",
    "spanned_toml": "toml_files",
    "cryptography": "archive",
    "keyring": "archive",
}


def modules() -> list[Path]:
    return sorted(p for p in PACKAGE.rglob("*.py") if "_config" not in p.parts)


def room_of(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


@cache
def tree_of(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


@cache
def imported(path: Path) -> list[str]:
    found = []
    for node in ast.walk(tree_of(path)):
        if isinstance(node, ast.Import):
            found += [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
            found += [f"{node.module}.{alias.name}" for alias in node.names]
    return found


def ours_of(path: Path) -> set[str]:
    names = {name.split(".")[1] for name in imported(path) if name.startswith("evidence.")}
    return names - {room_of(path)} - {"__version__"}


def named(path: Path) -> str:
    return path.relative_to(PACKAGE).as_posix()


def test_a_room_imports_only_what_lies_below_it():
    inside = [path for path in modules() if room_of(path) != "__init__"]
    assert len(inside) > 300
    above = {
        named(
            path
        ): f"{room_of(path)} stands on floor {FLOOR[room_of(path)]} and may not import {sorted(found)}"
        for path in inside
        if (found := {other for other in ours_of(path) if FLOOR[other] >= FLOOR[room_of(path)]})
    }
    assert above == {}


def test_every_room_has_a_floor_and_every_floor_only_rooms_that_exist():
    rooms = {room_of(path) for path in modules()} - {"__init__"}
    assert rooms == set(FLOOR)


def test_at_most_nine_modules_stand_loose():
    assert len([path for path in PACKAGE.glob("*.py") if path.name != "__init__.py"]) <= 9


def test_a_class_name_means_one_thing_in_all_rooms():
    homes: dict[str, list[str]] = {}
    for path in modules():
        for node in tree_of(path).body:
            if isinstance(node, ast.ClassDef):
                homes.setdefault(node.name, []).append(str(path.relative_to(PACKAGE)))
    assert {name: where for name, where in homes.items() if len(where) > 1} == {}


def tops_of(path: Path) -> set[str]:
    return {name.split(".")[0] for name in imported(path)}


def test_a_library_of_one_room_is_imported_by_no_other():
    strays = [
        f"{named(path)}: {library} belongs to {LIBRARY_OWNERS[library]}"
        for path in modules()
        for library in tops_of(path) & set(LIBRARY_OWNERS)
        if room_of(path) != LIBRARY_OWNERS[library]
    ]
    assert strays == []
    assert [named(path) for path in modules() if "click" in tops_of(path)] == []


def test_the_engine_of_a_cluster_is_loaded_by_one_module_inside_a_function():
    where = {p: [n for n in imported(p) if n.split(".")[0] in ("distributed", "dask")] for p in modules()}
    assert [p.relative_to(PACKAGE).as_posix() for p, names in where.items() if names] == ["sight/cluster.py"]
    top = tree_of(PACKAGE / "sight" / "cluster.py").body
    assert not [n for n in top if isinstance(n, ast.Import) and n.names[0].name == "distributed"]


TOUCHING = {
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


def touched(path: Path) -> list[str]:
    """What a module uses of clock, disk and terminal: libraries, and calls with their lines."""
    found = sorted(tops_of(path) & TOUCHING)
    for node in ast.walk(tree_of(path)):
        if isinstance(node, ast.Call):
            called = ast.unparse(node.func)
            if called in {"open", "print", "input"} or called.endswith((".now", ".today", ".utcnow")):
                found.append(f"line {node.lineno}: {called}")
    return found


def test_a_deciding_room_touches_no_clock_disk_or_terminal():
    pure = [path for path in modules() if named(path).startswith(tuple(PURE))]
    assert len(pure) > 80
    assert {named(path): found for path in pure if (found := touched(path))} == {}


def test_the_page_of_the_architecture_shows_the_rooms_and_their_floors():
    page = (PACKAGE.parent / "docs" / "architecture.md").read_text(encoding="utf-8")
    picture = page.split("## Rooms and floors")[1].split("```")[1].split()
    shown: dict[int, set[str]] = {}
    for word in picture:
        if word.isdigit():
            floor = shown.setdefault(int(word), set())
        else:
            floor.add(word)
    assert shown == dict(enumerate(FLOORS))
    table = page.split("## Rooms and floors")[1].split("## Five questions")[0]
    rooms = {
        name.rstrip("/")
        for row in re.findall(r"^\| (`.*?`) \|", table, re.MULTILINE)
        for name in re.findall(r"`(.+?)`", row)
    }
    assert rooms == set(FLOOR)


def test_every_step_that_the_page_of_the_architecture_names_exists():
    page = (PACKAGE.parent / "docs" / "architecture.md").read_text(encoding="utf-8")
    answers = page.split("## Five questions")[1].split("\n## ")[0]
    answered = re.split(r"^\*\*.*?\?\*\* ", answers, flags=re.MULTILINE)[1:]
    assert len(answered) == 5
    for answer in answered:
        home = re.match(r"`evidence/(\w+)/", answer)[1]
        for dotted in re.findall(r"`((?:\w+\.)+\w+)`", answer):
            *where, name = dotted.split(".")
            if PACKAGE.joinpath(*where, name).with_suffix(".py").is_file():
                continue  # a module
            path = PACKAGE.joinpath(*where).with_suffix(".py")
            if not path.is_file():
                path = (PACKAGE / home).joinpath(*where).with_suffix(".py")
            tree = ast.parse(path.read_text(encoding="utf-8"))
            defined = {node.name for node in tree.body if isinstance(node, ast.FunctionDef | ast.ClassDef)}
            assert name in defined, dotted
