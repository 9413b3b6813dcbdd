"""The documents agree with the program: commands, options, help texts and exit statuses."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
import typer
from support_commands import commands as every_command
from support_commands import typed_in

from evidence import errors
from evidence.cli.main import app
from evidence.review import staleness

ROOT = Path(__file__).resolve().parents[1]
PAGES = {
    path: path.read_text(encoding="utf-8")
    for path in (ROOT / "README.md", *sorted((ROOT / "docs").glob("*.md")))
}


def commands(command=None, path=()):
    command = command or typer.main.get_command(app)
    below = getattr(command, "commands", None)
    return (
        [path]
        if below is None
        else [one for name, sub in below.items() for one in commands(sub, (*path, name))]
    )


def _command(path):
    found = typer.main.get_command(app)
    for name in path:
        found = found.commands[name]
    return found


@pytest.mark.parametrize("path", commands(), ids=" ".join)
def test_a_command_is_documented(path):
    typed = re.compile(rf"evidence {' '.join(path)}\b")
    spoken = re.compile(rf"`{' '.join(path)}\b")
    assert any(typed.search(text) or spoken.search(text) for text in PAGES.values())


def test_every_command_that_the_documents_show_exists():
    known = set(commands()) | {path[:1] for path in commands()}
    for page, text in PAGES.items():
        for typed in re.findall(r"(?:^\s*\$?\s*|`)evidence ([a-z][a-z ]*)", text, re.MULTILINE):
            words = tuple(typed.split())
            assert words[:1] in known, f"{page.name}: evidence {typed}"


def test_the_page_of_commands_repeats_each_help_text_word_for_word_below_the_people_who_use_it():
    page = PAGES[ROOT / "docs" / "commands.md"]
    sections = re.split(r"^\*\*(\w+)\*\*$", page, flags=re.MULTILINE)
    listed = {
        group: re.findall(r"^\| `evidence ([^`]+)` \| (.*) \|$", text, re.MULTILINE)
        for group, text in zip(sections[1::2], sections[2::2], strict=True)
    }
    for path in commands():
        rows = listed[_command(path[:1]).rich_help_panel]
        told = [what for typed, what in rows if tuple(typed.split()[: len(path)]) == path]
        assert told == [" ".join(_command(path).help.split())], path


def test_every_option_that_the_documents_show_exists():
    options = {
        option
        for path in commands()
        for parameter in _command(path).params
        for option in [*getattr(parameter, "opts", ()), *getattr(parameter, "secondary_opts", ())]
    } | {"--help", "--version", "--install-completion"}
    for page, text in PAGES.items():
        for typed in re.findall(r"(?:^\s*\$?\s*|`)evidence ([^`\n]*)", text, re.MULTILINE):
            shown = set(re.findall(r"(?<!\S)--[a-z][a-z-]*", typed.split("  #")[0]))
            assert shown <= options, f"{page.name}: evidence {typed}"


def test_an_option_in_the_documents_belongs_to_the_command_that_it_stands_beside():
    found = 0
    for page, text in PAGES.items():
        for shown in re.findall(r"(?:^\s*\$?\s*|`)(evidence [a-z][^`\n]*)", text, re.MULTILINE):
            for typed in re.split(r" && | \| ", shown.split("  #")[0]):
                for path, options in typed_in(typed):
                    assert path in every_command(), f"{page.name}: {typed}"
                    assert set(options) <= every_command()[path] | {"--version", "--install-completion"}, (
                        f"{page.name}: {typed}"
                    )
                    found += bool(options)
    assert found > 30


def test_every_exit_status_is_documented():
    classes = [
        one for module in (errors, staleness) for one in vars(module).values() if isinstance(one, type)
    ]
    statuses = {one.exit_code for one in classes if issubclass(one, errors.EvidenceError)}
    said = "\n".join(PAGES.values())
    table = {int(number) for number in re.findall(r"^\|\s*(\d+)\s*\|", said, re.MULTILINE)}
    assert {0, 1, *statuses} <= table


@pytest.mark.parametrize("page", list(PAGES), ids=lambda page: page.name)
def test_links_and_pictures_lead_somewhere(page):
    for target in re.findall(r"\]\(([^)#\s]+)", PAGES[page]):
        if not re.match(r"[a-z]+:", target):
            assert (page.parent / target).exists(), f"{page.name}: {target}"


@pytest.mark.parametrize("page", list(PAGES), ids=lambda page: page.name)
def test_a_file_or_program_of_the_project_that_a_page_names_exists(page):
    named = re.findall(r"(?<![\w./-])((?:evidence|tests|demo_photos|config|docs)/[\w./-]*[\w/])", PAGES[page])
    assert [one for one in named if not (ROOT / one).exists()] == []


def test_the_documents_name_no_folder_of_one_machine():
    for page, text in PAGES.items():
        assert not re.search(r"(?<![\w.])/(?:work|tmp|root|home/\w+)/", text), page.name
