"""Every hint of an error names a command, an option, a setting or a file that exists."""

from __future__ import annotations

import ast
import re
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from support_cli import make_archive
from support_commands import commands, typed_in

from evidence.settings import default_text

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "evidence"
HOLE = "\0"
"""Stands for a value that is filled in when the program runs."""
PROMISES = ("rebuild", "reseal", "repair", "restore", "fetch")
"""Words that sound like a command: a hint may use one only when there is a command or an option of that name."""
BAG_FILES = {"bagit.txt", "bag-info.txt", "manifest-sha256.txt", "tagmanifest-sha256.txt"}
"""RFC 8493, section 2."""


@dataclass(frozen=True)
class Hint:
    where: str
    text: str


def texts_of(node: ast.AST) -> Iterator[str]:
    """Every string in an expression, with `HOLE` for each value that is filled in."""
    if isinstance(node, ast.Constant):
        if isinstance(node.value, str):
            yield node.value
    elif isinstance(node, ast.JoinedStr):
        yield "".join(one.value if isinstance(one, ast.Constant) else HOLE for one in node.values)
    else:
        for below in ast.iter_child_nodes(node):
            yield from texts_of(below)


def assigned_in(tree: ast.AST) -> dict[str, list[ast.AST]]:
    """Name -> every value that the module gives it."""
    found: dict[str, list[ast.AST]] = {}
    for node in ast.walk(tree):
        if isinstance(node, ast.Assign):
            for target in node.targets:
                if isinstance(target, ast.Name):
                    found.setdefault(target.id, []).append(node.value)
    return found


@cache
def hints() -> tuple[Hint, ...]:
    """All that an error of the program may tell a user, by the file and line that says it."""
    found = []
    for path in sorted(PACKAGE.rglob("*.py")):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        assigned = assigned_in(tree)
        for node in ast.walk(tree):
            if not isinstance(node, ast.Call):
                continue
            called = ast.unparse(node.func).rsplit(".", 1)[-1]
            if not (called.endswith("Error") or called in {"__init__", "refuse", "refused", "fault", "bad"}):
                continue
            for argument in [*node.args, *(keyword.value for keyword in node.keywords)]:
                parts = [argument]
                if isinstance(argument, ast.Name):
                    parts += assigned.get(argument.id, [])
                where = f"{path.relative_to(ROOT).as_posix()}:{node.lineno}"
                found += [Hint(where, text) for part in parts for text in texts_of(part)]
    return tuple(dict.fromkeys(found))


def test_the_hints_are_found():
    said = "\n".join(hint.text for hint in hints())
    assert len(hints()) > 300
    for known in (
        "`evidence custody --verify`",
        "evidence assignments FILE",
        "`[catalog] url`",
        "--actor",
    ):
        assert known in said, known


def test_a_hint_names_a_command_that_exists_with_options_that_it_takes():
    typed = [(hint, *one) for hint in hints() if "evidence " in hint.text for one in typed_in(hint.text)]
    assert len(typed) > 100
    unknown = [
        f"{hint.where}: `evidence {' '.join(path)}`" for hint, path, _ in typed if path not in commands()
    ]
    assert unknown == [], "there are no such commands"
    wrong = [(hint.where, hint.text) for hint, path, options in typed if not set(options) <= commands()[path]]
    assert wrong == []


def test_a_hint_names_an_option_that_exists():
    known = set().union(*commands().values())
    named = 0
    for hint in hints():
        ours = hint.text.split("pip install")[0]  # pip has options of its own
        options = set(re.findall(r"(?<![\w-])--[a-z][a-z-]*", ours))
        assert options <= known, f"{hint.where}: {hint.text}"
        named += len(options)
    assert named > 50


def test_a_hint_promises_nothing_that_only_a_missing_command_could_do():
    options = set().union(*commands().values())
    words = [word for word in PROMISES if (word,) not in commands() and f"--{word}" not in options]
    broken = [h for h in hints() if re.search(rf"\b({'|'.join(words)})\b", h.text, re.IGNORECASE)]
    assert broken == []


def test_a_hint_that_installs_a_package_asks_for_the_version_that_the_project_needs():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    needed = {*project["dependencies"]} | {
        f"{project['name']}[{name}]" for name in project["optional-dependencies"]
    }
    asked = [h.text.split("pip install")[1] for h in hints() if "pip install" in h.text]
    assert asked
    for one in asked:
        assert one.split()[-1].strip("\"'") in needed, one


def test_a_hint_names_files_folders_and_settings_that_an_archive_has(tmp_path):
    archive = make_archive(tmp_path)
    files = {path.name for path in [*archive.rglob("*"), *(ROOT / "config").rglob("*")]} | BAG_FILES
    settings = tomllib.loads(default_text("evidence.toml"))
    for hint in hints():
        for name in re.findall(r"(?<![\w.*-])[a-z][\w-]*\.(?:toml|jsonl|sqlite|txt)\b", hint.text):
            assert name in files, f"{hint.where}: {name}"
        for folder in re.findall(r"archive's (\w+) folder", hint.text):
            assert (archive / folder).is_dir(), f"{hint.where}: {folder}"
        for table, key in re.findall(r"`\[(\w+)\] (\w+)`", hint.text):
            assert key in settings[table], f"{hint.where}: [{table}] {key}"
