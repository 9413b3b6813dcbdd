"""The glossary (docs/words.md) is held to what users read: help texts, pages, messages of the board, documents."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import typer

from evidence.cli.main import app

ROOT = Path(__file__).resolve().parents[1]
GLOSSARY = ROOT / "docs" / "words.md"
LINE = re.compile(
    r"^\| \*\*(?P<word>[^*|]+)\*\* \| (?P<meaning>[^|]+) \| (?P<instead>[^|]*) \|$", re.MULTILINE
)
ENTRIES = [
    (m["word"], m["meaning"], m["instead"].split(", ")) for m in LINE.finditer(GLOSSARY.read_text("utf-8"))
]
FORBIDDEN = {one.casefold(): word for word, _, instead in ENTRIES for one in instead}
PATTERN = re.compile(
    r"(?<![\w-])(" + "|".join(re.escape(one).replace(r"\ ", r"\s+") for one in FORBIDDEN) + r")(?![\w-])",
    re.IGNORECASE,
)
TECHNICAL = {"words.md", "models.md", "measurements.md", "architecture.md"}
"""Pages for engineers, which use the terms of their own fields, and the glossary itself."""


def misused(text):
    """Words of the text that the glossary forbids, each with the word to use."""
    found = (" ".join(match.split()).casefold() for match in PATTERN.findall(text))
    return [f"'{one}': write '{FORBIDDEN[one]}'" for one in found]


def prose_of_markdown(text):
    text = re.sub(r"^```.*?^```", " ", text, flags=re.MULTILINE | re.DOTALL)
    return re.sub(r"`[^`]*`|\]\([^)]*\)", " ", text)


def prose_of_page(text):
    """What a template shows: its text, the texts in its expressions, and attributes that people read or hear."""
    literals = [
        one
        for code in re.findall(r"\{\{.*?\}\}|\{%.*?%\}", text, re.DOTALL)
        for one in re.findall(r"'([^']*)'", code)
    ]
    text = re.sub(r"\{\{.*?\}\}|\{%.*?%\}", " ", text, flags=re.DOTALL)
    attributes = re.findall(r'(?:aria-label|placeholder|title|alt)="([^"]*)"', text)
    return "\n".join([re.sub(r"<code>.*?</code>|<[^>]*>", " ", text), *attributes, *literals])


def messages_of(text):
    """Every string of a module that is not a docstring."""
    tree = ast.parse(text)
    docs = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    strings = [
        node for node in ast.walk(tree) if isinstance(node, ast.Constant) and isinstance(node.value, str)
    ]
    return "\n".join(node.value for node in strings if id(node) not in docs)


def helps(command, path=("evidence",)):
    """The help of a command and of everything below it, with the help of each option and argument."""
    parts = [
        command.help or "",
        getattr(command, "epilog", None) or "",
        getattr(command, "short_help", None) or "",
    ]
    parts += [getattr(parameter, "help", None) or "" for parameter in command.params]
    yield " ".join(path), "\n".join(parts)
    for name, below in getattr(command, "commands", {}).items():
        yield from helps(below, (*path, name))


def texts():
    yield from ((f"{name} --help", text) for name, text in helps(typer.main.get_command(app)))
    for path in sorted((ROOT / "evidence" / "board" / "templates").rglob("*.html")):
        yield (
            path.relative_to(ROOT / "evidence" / "board" / "templates").as_posix(),
            prose_of_page(path.read_text("utf-8")),
        )
    for path in sorted((ROOT / "evidence" / "board").rglob("*.py")):
        yield path.relative_to(ROOT / "evidence").as_posix(), messages_of(path.read_text("utf-8"))
    for path in sorted((ROOT / "evidence" / "board" / "static").glob("*.js")):
        yield path.name, path.read_text("utf-8")
    for path in (ROOT / "README.md", *sorted((ROOT / "docs").glob("*.md"))):
        if path.name not in TECHNICAL:
            yield path.name, prose_of_markdown(path.read_text("utf-8"))


def test_no_text_for_users_has_a_word_that_the_glossary_forbids():
    found = {name: misused(text) for name, text in texts()}
    assert {name: words for name, words in found.items() if words} == {}


def test_every_kind_of_text_is_read():
    read = dict(texts())
    assert "house" in read["evidence move --help"] or "claim" in read["evidence move --help"]
    assert "Confirm guesses" in read["macros.html"]
    assert "No tag selected." in read["board/actions.py"]
    assert "boundary" in read["reviewer.md"]
    assert len(read) > 60


def test_each_word_is_defined_once_in_one_sentence_and_forbidden_nowhere():
    words = [word.casefold() for word, _, _ in ENTRIES]
    assert len(words) > 30
    assert len(words) == len(set(words))
    assert len(words) == GLOSSARY.read_text("utf-8").count("| **")
    assert not set(words) & set(FORBIDDEN)
    assert len(FORBIDDEN) == sum(len(instead) for _, _, instead in ENTRIES), (
        "a word is forbidden for two words"
    )
    for word, meaning, instead in ENTRIES:
        assert meaning.strip().endswith("."), word
        assert all(one.strip() for one in instead), word
        assert not misused(meaning), word


def test_the_check_finds_a_forbidden_word_in_each_kind_of_text():
    assert misused("The Property, and a\nclaim  sheet.") == [
        "'property': write 'house'",
        "'claim sheet': write 'divider sheet'",
    ]
    assert misused("property-claims, the claim's sheet, proper") == []
    assert misused(prose_of_markdown("`property` and\n```\nproperty\n```\nproperty")) == [
        "'property': write 'house'"
    ]
    page = "<p class='property'>{{ 'property' if property }}</p><input placeholder=\"stretch\"><code>stretch</code>"
    assert misused(prose_of_page(page)) == ["'stretch': write 'segment'", "'property': write 'house'"]
    assert misused(messages_of('"""property"""\nx = "no stretch"\n')) == ["'stretch': write 'segment'"]
