"""Mistakes in TOML files: each is one line that names the file, the line, the key and the nearest right word."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Literal, get_args

import pytest
from annotated_types import Interval
from hypothesis import given
from hypothesis import strategies as st
from pydantic_core import core_schema

from evidence import toml_files
from evidence.errors import BadInputError
from evidence.model import Facet
from evidence.toml_files import Filled, TomlFile, nearest

CONFIG = Path(__file__).parents[1] / "config"


@dataclass(frozen=True, slots=True, kw_only=True)
class Inner:
    name: Filled
    sizes: tuple[Annotated[float, Interval(ge=0, lt=10)], ...] = ()
    pair: tuple[int, int] = (0, 0)
    facets: Mapping[Facet, str] = field(default_factory=dict)
    way: Literal["up", "down"] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class File:
    flag: bool = False
    only: Inner | None = None
    item: tuple[Inner, ...] = ()


TEXT = """\
flag = true  # [[item]]
[only]
name = "a ] [ #"
[[item]]
name = '''
[[item]]
name = "not a key"
'''
sizes = [
  1, # [[
  2.5,
]
facets = { role = "slope", "face" = "front" }
[[item]]
name = "second"
way = "up"
"""


def test_a_file_is_read_as_its_dataclass():
    file = TomlFile(TEXT, "x.toml").read(File)
    assert file.flag
    assert [one.way for one in file.item] == [None, "up"]
    assert file.item[0].sizes == (1.0, 2.5)
    assert file.item[0].facets == {Facet.ROLE: "slope", Facet.FACE: "front"}
    assert file.only == Inner(name="a ] [ #")


@pytest.mark.parametrize(
    ("place", "line"),
    [
        (("flag",), 1),
        (("only", "name"), 3),
        (("item", 0), 4),
        (("item", 0, "name"), 5),
        (("item", 0, "sizes", 1), 11),
        (("item", 0, "facets", "face"), 13),
        (("item", 1), 14),
        (("item", 1, "way"), 16),
        (("item", 1, "nothing"), 14),
        (("item", 7), 4),
        ((), 1),
    ],
    ids=str,
)
@pytest.mark.parametrize("end", ["\n", "\r\n"], ids=["lf", "crlf"])
def test_a_place_has_its_line_whatever_strings_and_comments_hold(place, line, end):
    assert TomlFile(TEXT.replace("\n", end), "x.toml").line(place) == line


@pytest.mark.parametrize(
    ("old", "new", "line", "says"),
    [
        ("flag", "flog", 1, "unknown key 'flog'. Did you mean 'flag'?"),
        ("flag = true", "flag = 1", 1, "'flag' must be true or false, not 1."),
        ("[only]", "[[only]]", 2, "'only' must be a table"),
        ("  2.5,", "  10.0,", 11, "'sizes' must be less than 10, not 10.0."),
        ("  2.5,", "  -1,", 11, "'sizes' must be at least 0, not -1."),
        ("  2.5,", "  nan,", 11, "'sizes' must be a finite number, not nan."),
        ("  2.5,", '  "2",', 11, "'sizes' must be a number, not '2'."),
        ('role = "slope"', 'rol = "slope"', 13, "unknown key 'rol'. Did you mean 'role'?"),
        ('role = "slope"', "role = 3", 13, "'role' must be text, not 3. Put it in quotes."),
        ('name = "second"', 'name = " "', 15, "'name' is empty"),
        ('name = "second"', "", 14, "'name' is missing."),
        ('name = "second"', 'nmae = "second"', 15, "unknown key 'nmae'. Did you mean 'name'?"),
        ('way = "up"', 'way = "dwn"', 16, "'way' cannot be 'dwn'. Did you mean 'down'?"),
        ('way = "up"', 'way = "across"', 16, "'way' cannot be 'across'. Use one of: up, down."),
        ('way = "up"', "pair = [1]", 16, "'pair' has too few values"),
        ('way = "up"', "way =", 16, "not valid TOML"),
    ],
)
def test_a_mistake_is_one_line_with_its_place_and_what_to_do(old, new, line, says):
    text = TEXT.replace(old, new, 1)
    assert text != TEXT
    with pytest.raises(BadInputError) as caught:
        TomlFile(text, "x.toml").read(File)
    assert says in str(caught.value)
    assert f"line {line}" in caught.value.message
    assert "\n" not in str(caught.value)


def test_an_empty_table_of_an_array_has_its_own_line():
    text = '[[item]]\nname = "a"\n[[item]]\n\n[[item]]\nname = "c"\n'
    with pytest.raises(BadInputError, match="line 3: 'name' is missing"):
        TomlFile(text, "x.toml").read(File)


def test_the_unknown_key_is_told_before_the_missing_one_above_it():
    text = '[[item]]\n[[item]]\nname = "a"\n[only]\nnmae = "b"\n'
    with pytest.raises(BadInputError, match="line 5: unknown key 'nmae'"):
        TomlFile(text, "x.toml").read(File)


@pytest.mark.parametrize("path", sorted(CONFIG.rglob("*.toml")), ids=lambda path: path.name)
def test_both_parsers_read_the_shipped_files_the_same(path):
    text = path.read_text(encoding="utf-8")
    assert TomlFile(text, path.name)._positions.unspan() == tomllib.loads(text)


@given(st.text(alphabet="ab=[]{}\"'#.1\n\r \\,", max_size=60))
def test_any_text_is_read_or_refused(text):
    with suppress(BadInputError):
        file = TomlFile(text, "x.toml")
        assert 1 <= file.line(("a", 0, "b")) <= text.count("\n") + 1
        file.read(File)


def test_every_kind_of_number_limit_has_its_words():
    """The names are pydantic's own."""
    known = set(get_args(core_schema.ErrorType))
    assert set(toml_files._LIMITS) | set(toml_files._KINDS) | {"missing", "enum", "literal_error"} <= known


def test_a_word_nothing_is_similar_to_gets_the_whole_list():
    assert nearest("xyz", ["front", "back"]) == "Use one of: front, back."
    assert nearest("Frnt", ["front", "back"]) == "Did you mean 'front'?"
