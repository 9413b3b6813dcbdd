"""Which sheets and label cards are printed."""

from __future__ import annotations

import pypdf
import pytest
from support_cli import cli, make_archive


@pytest.fixture
def archive(tmp_path):
    archive = make_archive(tmp_path)
    claims = tmp_path / "claims.csv"
    claims.write_text("claim\nTC-1\nTC-2\nTC-3\n", "utf-8")
    assert cli("assignments", claims, archive=archive).status == 0
    return archive


def text_of(path):
    return " ".join(" ".join(page.extract_text() for page in pypdf.PdfReader(path).pages).split())


@pytest.mark.parametrize("option", ["--only", "--claim"])
def test_sheets_of_some_claims_are_printed_by_either_name_of_the_option(archive, tmp_path, option):
    out = tmp_path / "s.pdf"
    ran = cli("sheets", out, option, "TC-1", option, "tc-3", "--json", archive=archive)
    assert ran.data["pages"] == 2
    assert "TC-2" not in text_of(out)


def test_the_pocket_set_is_a_dozen_cards_and_all_is_every_card(archive, tmp_path):
    pocket = cli("labels", tmp_path / "p.pdf", "--json", archive=archive).data
    every = cli("labels", tmp_path / "a.pdf", "--all", "--json", archive=archive).data
    assert (pocket["pages"], every["pages"]) == (6, 76)
    for words in ("END", "FRONT", "NO DAMAGE", "TEST SQUARE", "GUTTER"):
        assert words in text_of(tmp_path / "p.pdf")


def test_single_cards_are_named_by_their_words_or_number(archive, tmp_path):
    out = tmp_path / "l.pdf"
    assert (
        cli("labels", out, "--only", "pipe boot", "--only", "100", "--json", archive=archive).data["pages"]
        == 1
    )
    assert "PIPE" in text_of(out)
    assert "GUTTER" in text_of(out)
    wrong = cli("labels", tmp_path / "x.pdf", "--only", "pipe bot", archive=archive)
    assert wrong.status == 2
    assert "pipe boot" in wrong.err


def test_a_pocket_set_with_an_unknown_card_is_refused_with_its_line(archive, tmp_path):
    from evidence.settings import default_text

    own = default_text("tags.toml").replace("pocket = [0,", "pocket = [580,")
    (archive / "config" / "tags.toml").write_text(own, "utf-8")
    wrong = cli("labels", tmp_path / "x.pdf", archive=archive)
    assert wrong.status == 2
    assert "no label card 580" in wrong.err
