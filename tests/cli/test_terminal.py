"""What reaches a terminal: names that could move the cursor or reorder text, narrow windows, counts and their words."""

from __future__ import annotations

import csv
import io
import json
import re
import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console
from support_card import CardMaker
from support_cli import cli, make_archive
from support_commands import commands
from support_intake import PLAIN

from evidence.cli import common
from evidence.errors import one_line, printable_json, visible
from evidence.model import Claim, ClaimId, Facet, TagResult
from evidence.workspace import Workspace

EVIL = "A\x1b[2J\x9b31m\u202egnp.\u2066x\u200by\u2028\x07z"
"""ANSI and C1 escapes (ECMA-48), bidirectional controls (Unicode Standard Annex 9), zero width, a line separator, BEL."""
HARM = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f\u061c\u200b-\u200f\u2028-\u202e\u2060-\u2069\ufeff]")


@given(st.text())
def test_a_shown_text_has_only_printable_characters_and_a_plain_one_stays(text):
    shown = one_line(text)
    assert shown.isprintable()
    assert (shown == text) == text.isprintable()
    assert not HARM.search(visible(text).replace("\r", ""))


@given(st.text())
def test_escaped_json_holds_the_same_value_for_any_reader(text):
    shown = printable_json(json.dumps({"name": text}, ensure_ascii=False, indent=2))
    assert json.loads(shown) == {"name": text}
    assert not HARM.search(shown)


@given(st.characters(categories=["Cc", "Cf", "Zl", "Zp", "Cs"]))
def test_every_control_format_and_separator_character_of_unicode_is_escaped(letter):
    # The categories are those of the Unicode Character Database, read through `unicodedata`.
    assert unicodedata.category(letter) in {"Cc", "Cf", "Zl", "Zp", "Cs"}
    assert letter not in one_line(f"a{letter}b")


@pytest.fixture(scope="module")
def hostile(tmp_path_factory):
    """An archive of a card, a claim and a photo whose names hold what a terminal would obey."""
    folder = tmp_path_factory.mktemp("hostile")
    archive = make_archive(folder)
    (archive / "evidence.toml").write_text(PLAIN, encoding="utf-8")
    with Workspace(archive) as here:
        claim = Claim(claim=ClaimId("TC-1"), insured=EVIL, address=EVIL)
        here.catalog.claims.put([claim], at=here.now())
    card = CardMaker(folder / f"CARD{EVIL}".replace("\x07", ""))
    card.sheet("TC-1")
    scene = card.scene()
    path = card.root / scene
    path.rename(path.with_name(f"{EVIL}.JPG"))
    card.put(f"{EVIL}.XYZ", b"something")
    taken = cli("intake", card.root, archive=archive)
    with Workspace(archive, actor="Tess") as here:
        photos = here.catalog.photos.of_claim(ClaimId("TC-1"))
        from support_board import facet_value

        value = facet_value(Facet.COMPONENT, "gutter", guess=0.9, reason=EVIL)
        here.catalog.photos.put_tags({p.sha256: TagResult(tags={Facet.COMPONENT: value}) for p in photos})
    return archive, card.root, taken


READING = [
    ("cards",), ("claims",), ("photos", "TC-1"), ("photos", "TC-1", "--all"), ("tags", "TC-1"), ("table", "TC-1"),
    ("coverage", "TC-1"), ("segments",), ("lists",), ("retention",), ("target", "list"), ("people", "list"),
    ("hold", "list"), ("custody",), ("custody", "--verify"), ("verify",), ("confirm", "TC-1"), ("status",), ("doctor",),
    ("sheets", "OUT/sheets.pdf"), ("report", "TC-1", "OUT/report.pdf"), ("intake", "CARD"),
    ("photos", EVIL), ("move", EVIL, "--to", EVIL), ("tag", f"{EVIL}.JPG", "--component", EVIL),
    ("assignments", EVIL), ("intake", EVIL), ("hold", "place", EVIL, "--reason", EVIL), ("waive", "TC-1", EVIL),
    ("target", "add", EVIL, "OUT"), ("restore", EVIL, "OUT/x"), ("check", EVIL), ("close", "TC-1", "--on", EVIL),
]  # fmt: skip


@pytest.mark.parametrize("as_json", [False, True], ids=["people", "json"])
@pytest.mark.parametrize("arguments", READING, ids=lambda one: " ".join(one_line(part) for part in one)[:40])
def test_no_command_prints_a_hostile_name_raw(hostile, tmp_path, arguments, as_json):
    archive, card, _ = hostile
    given = [str(card) if one == "CARD" else one.replace("OUT", str(tmp_path)) for one in arguments]
    if tuple(arguments[:1]) not in commands():
        pytest.skip("no such command")
    ran = cli(*given, *(["--json"] if as_json else []), archive=None if arguments[0] == "check" else archive)
    assert not HARM.search(ran.out.replace("\r\n", "\n")), ran.out
    assert not HARM.search(ran.err), ran.err
    assert ran.out or ran.err


def test_the_intake_of_a_hostile_card_prints_no_name_raw_and_the_names_can_still_be_read(hostile):
    _, _, taken = hostile
    assert not HARM.search(taken.out + taken.err)
    listed = cli("photos", "TC-1", "--json", archive=hostile[0])
    assert f"{EVIL}.JPG" in [one["name"] for one in listed.data]
    assert "\\u202e" in cli("photos", "TC-1", "--all", archive=hostile[0]).out


def test_the_table_of_photos_holds_the_names_as_escapes(hostile):
    rows = list(csv.DictReader(io.StringIO(cli("table", "TC-1", archive=hostile[0]).out)))
    assert one_line(f"{EVIL}.JPG") in {row["name"] for row in rows}


# --- a narrow window ---


@pytest.mark.parametrize("columns", [40, 80, 120])
@pytest.mark.parametrize(
    "arguments", [("claims",), ("photos", "TC-1001"), ("photos", "TC-1001", "--all"), ("segments",), ("tags", "TC-1001")],
    ids=" ".join,
)  # fmt: skip
def test_no_number_and_no_file_name_is_broken_in_a_narrow_window(houses, monkeypatch, arguments, columns):
    monkeypatch.setenv("COLUMNS", "400")
    wide = cli(*arguments, archive=houses).out
    monkeypatch.setenv("COLUMNS", str(columns))
    narrow = cli(*arguments, archive=houses).out
    words = {word.strip(";") for word in wide.split()}
    broken = [w for w in re.findall(r"\S*\d\S*", narrow) if w.strip(";") not in words]
    assert broken == []
    names = re.findall(r"\S+\.JPG", wide)
    assert [name for name in names if name not in narrow] == []


def test_photos_counts_first_and_lists_with_all(houses, monkeypatch):
    monkeypatch.setenv("COLUMNS", "120")  # a line a photo; a narrow window stacks the columns
    brief = cli("photos", "TC-1001", archive=houses).out
    full = cli("photos", "TC-1001", "--all", archive=houses).out
    number = len(cli("photos", "TC-1001", "--json", archive=houses).data)
    assert brief.startswith(f"TC-1001: {number} photo")
    assert ".JPG" not in brief
    assert len(full.splitlines()) == number + 1


class Terminal(io.StringIO):
    """Standard error as a terminal."""

    def isatty(self) -> bool:
        return True


@pytest.fixture
def terminal(monkeypatch):
    """Remarks and bars go to a terminal of 60 columns; gives what was written, without the codes that move the cursor."""
    shown = Terminal()
    monkeypatch.setattr(common, "stderr_console", lambda: Console(file=shown, force_terminal=True, width=60))
    return lambda: re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", shown.getvalue())


def test_a_long_remark_is_cut_between_words(terminal):
    common.say(
        "Watching for camera cards. They are taken in to /a/folder/with/a/long-name. Stop with Ctrl-C."
    )
    lines = terminal().splitlines()
    assert max(map(len, lines)) <= 60
    assert " ".join(" ".join(lines).split()).endswith("/a/folder/with/a/long-name. Stop with Ctrl-C.")
    assert any("/a/folder/with/a/long-name." in line for line in lines)


def test_the_bars_are_gone_when_a_result_is_printed_and_one_step_is_not_counted(terminal, monkeypatch):
    monkeypatch.setattr("sys.stderr", Terminal())
    with common.progress_shown() as progress:
        progress("Reading the card", 1, 4)
        progress("Analysing the photos", 0, 3)
        progress("Splitting by claim", 0, 1)
        bars = progress._bars
        assert [task.total for task in bars.tasks] == [4, 3, None]
        assert [task.fields["count"] for task in bars.tasks] == ["1/4", "0/3", ""]
        progress.clear()
        assert not bars.live.is_started
        progress("Reading the card", 0, 2)
        assert [task.description for task in progress._bars.tasks] == ["Reading the card"]
    assert progress._bars is None


def test_files_that_were_refused_for_the_same_reason_are_one_line(tmp_path):
    archive = make_archive(tmp_path)
    (archive / "evidence.toml").write_text(PLAIN, encoding="utf-8")
    card = CardMaker(tmp_path / "card")
    card.scene()
    for number in range(7):
        try:
            (card.root / f"LINK{number}.JPG").symlink_to(tmp_path / "elsewhere.jpg")
        except OSError:
            pytest.skip("this system makes no links")
    ran = cli("intake", card.root, archive=archive)
    assert ran.status == 1
    assert ran.out.count("refused LINK") == 1
    assert "and 6 more files like it; --json lists all of them." in ran.out
    said = " ".join(ran.out.split())
    assert said.count("not followed") <= 2, "once for the files, once in the verdict"


def test_the_text_of_a_service_is_shown_line_by_line(tmp_path, monkeypatch):
    monkeypatch.setenv("HOME", str(tmp_path))
    ran = cli("service", "install", archive=make_archive(tmp_path))
    assert "\\n" not in ran.err
    assert len(ran.err.splitlines()) > 5
