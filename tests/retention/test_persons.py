"""A second spelling is no second person. Unicode's own data decides what looks alike (UTS 39, confusables.txt)."""

from __future__ import annotations

import pytest

from evidence.errors import PurgeRefusedError
from evidence.retention.persons import person_name, same_person

SPELLINGS = {
    "another case": "ADA CLERK",
    "more spaces": "  ada   clerk ",
    "a combining grapheme joiner": "Ada\u034f Clerk",
    "a variation selector": "Ada\ufe0f Clerk",
    "a zero width space": "Ada\u200b Clerk",
    "a Cyrillic A": "\u0410da Clerk",
    "a small Cyrillic a": "Ad\u0430 Clerk",
    "full width letters": "\uff21da Clerk",
    "a Greek capital alpha": "\u0391da Clerk",
    "a hangul filler": "Ada\u3164 Clerk",
}


@pytest.mark.parametrize("spelling", SPELLINGS.values(), ids=SPELLINGS)
def test_a_name_that_looks_the_same_is_the_same_person(spelling):
    assert same_person("Ada Clerk", spelling)
    assert same_person(spelling, "Ada Clerk")


@pytest.mark.parametrize("other", ["Ben Witness", "Ada Clark", "Ada Clerk Jr", "Ana Clerk", "Ida Clerk"])
def test_another_name_is_another_person(other):
    assert not same_person("Ada Clerk", other)


@pytest.mark.parametrize(
    "name", ["", "  ", "Ada\x07", "Ada\u034f Clerk", "Ada\ufe0f Clerk", "\u0410da Clerk", "Ada\u200b"]
)
def test_a_name_that_hides_another_is_refused(name):
    with pytest.raises(PurgeRefusedError):
        person_name(name)


@pytest.mark.parametrize("name", ["Zoë Müller", "Анна Иванова", "山田 太郎", "O'Neil-Smith", "Νίκος Π."])
def test_a_name_in_one_script_is_accepted(name):
    assert person_name(name) == name
