"""The printed pages: rasterised by another library, photographed aslant, and read back."""

from __future__ import annotations

import os
from datetime import date

import cv2
import numpy as np
import pypdf
import pypdfium2
import pytest
from support_sight import held_in_frame

from evidence.errors import BadInputError
from evidence.model import Claim
from evidence.paper.sheets import CARD, QR_BOX, TAG_SIDE, divider_sheets, label_cards
from evidence.paper.typesetting import SUBSTITUTE, open_pdf, printable, save_pdf, text_width, wrapped
from evidence.settings import default_text
from evidence.sight.codes import read_codes
from evidence.tags.vocabulary import LabelCard, load_vocabulary

CLAIMS = (
    Claim(
        claim="HX-204881",
        insured="María José Nguyễn-Łukasz",
        address="1408 Pecan Hollow Drive, Wexley Springs, OK 73000",
        loss_date=date(2026, 5, 14),
        peril="Hail",
    ),
    Claim(claim="2026-HAIL-0001234567-CATASTROPHE-EVENT-0019", address="Unit 14, " * 30),
    Claim(claim="保険-12a", insured="गीता Ивановна"),
)


@pytest.fixture(scope="module")
def sheets(tmp_path_factory):
    out = tmp_path_factory.mktemp("paper") / "sheets.pdf"
    assert divider_sheets(CLAIMS, out) == len(CLAIMS)
    return out


@pytest.fixture(scope="module")
def vocabulary():
    return load_vocabulary(default_text("tags.toml"), "tags.toml")


@pytest.fixture(scope="module")
def cards(tmp_path_factory, vocabulary):
    out = tmp_path_factory.mktemp("paper") / "labels.pdf"
    pages = label_cards(vocabulary.labels, out)
    assert pages == (len(vocabulary.labels) + 1) // 2
    return out


def rasterised(pdf, page, *, dpi=100):
    document = pypdfium2.PdfDocument(pdf)
    try:
        return np.ascontiguousarray(document[page].render(scale=dpi / 72, grayscale=True).to_numpy())
    finally:
        document.close()


@pytest.mark.parametrize("page", range(len(CLAIMS)))
def test_a_printed_sheet_photographed_aslant_in_uneven_light_names_its_claim(sheets, page):
    rng = np.random.default_rng(page)
    sheet = rasterised(sheets, page)
    for area, blur in ((0.7, 2.0), (0.3, 1.5), (0.1, 0.8)):
        photo = held_in_frame(sheet, (2016, 1512), rng, area=area, blur=blur)
        assert [mark.claim for mark in read_codes(photo).dividers] == [CLAIMS[page].claim], (area, blur)


def test_the_sheet_shows_number_insured_address_date_and_peril(sheets):
    text = pypdf.PdfReader(sheets).pages[0].extract_text()
    for words in ("HX-204881", "María José Nguyễn-Łukasz", "1408 Pecan Hollow Drive", "May 14, 2026", "Hail"):
        assert words in text


def test_every_sheet_and_card_carries_the_safety_note(sheets, cards):
    for file in (sheets, cards):
        for page in pypdf.PdfReader(file).pages:
            text = " ".join(page.extract_text().split())
            assert "local fall-protection rules" in text
            assert "Nobody has to climb for a" in text


def test_a_sheet_is_letter_size_and_its_code_at_least_two_and_a_half_inches(sheets):
    box = pypdf.PdfReader(sheets).pages[0].mediabox
    assert (float(box.width), float(box.height)) == (8.5 * 72, 11 * 72)
    sheet = rasterised(sheets, 0)
    (mark,) = read_codes(sheet).dividers
    assert np.sqrt(mark.code_area * 8.5 * 11) == pytest.approx(QR_BOX * 21 / 29, rel=0.02)
    assert np.sqrt(mark.code_area * 8.5 * 11) > 2.5


def test_nothing_on_a_sheet_is_printed_outside_the_margin(sheets):
    for page in range(len(CLAIMS)):
        sheet = rasterised(sheets, page)
        edge = np.ones(sheet.shape, bool)
        edge[40:-40, 40:-40] = False
        assert sheet[edge].min() > 250


def test_a_character_the_typeface_lacks_is_shown_as_missing_and_the_sheet_says_so(sheets):
    text = pypdf.PdfReader(sheets).pages[2].extract_text()
    assert f"{SUBSTITUTE}{SUBSTITUTE}-12a" in text
    assert "could not be printed" in text
    assert "Ивановна" in text
    assert "could not be printed" not in pypdf.PdfReader(sheets).pages[0].extract_text()


def test_decomposed_letters_print_as_the_composed_ones():
    assert printable("Nguye\u0302\u0303n") == "Nguyễn"
    assert printable("a\tb\nc\x00d") == "a b c d"


def test_every_label_card_is_read_back_with_its_own_number(cards, vocabulary):
    rng = np.random.default_rng(4)
    seen = []
    for page in range(pypdf.PdfReader(cards).get_num_pages()):
        sheet = rasterised(cards, page, dpi=45)
        half = sheet.shape[0] // 2
        for card in (sheet[:half], sheet[half:]):
            if card.min() > 200:
                continue
            photo = held_in_frame(card, (640, 480), rng, area=0.25, blur=0.7, turn=40)
            seen += [mark.number for mark in read_codes(photo).labels]
    assert seen == [label.number for label in vocabulary.labels]


def test_the_words_and_the_end_card_are_there(cards, vocabulary):
    pages = pypdf.PdfReader(cards).pages
    text = " ".join(" ".join(page.extract_text() for page in pages).split())
    for label in vocabulary.labels:
        assert label.words in text
    assert "Ends the effect of the cards before it." in text


def test_the_tag_has_the_share_of_its_card_that_the_settings_give(cards, vocabulary):
    sheet = rasterised(cards, 0)
    card = sheet[: sheet.shape[0] // 2]
    (mark,) = read_codes(card).labels
    assert mark.code_area == pytest.approx(vocabulary.cards.tag_share, rel=0.03)
    assert TAG_SIDE / 8 < 0.5 < CARD[1] - TAG_SIDE


def test_a_card_held_eight_feet_away_is_read_from_a_wide_lens():
    """A lens 65 degrees wide, as phones have (from memory), sees 2 * 8 ft * tan 32.5 = 10.2 ft at 8 feet."""
    rng = np.random.default_rng(8)
    card = np.full((550, 850), 255, np.uint8)
    from evidence.sight.codes import label_tag_image

    card[94:456, 55:417] = label_tag_image(63, 362)
    share = (8.5 / 12) * (5.5 / 12) / (10.2 * 10.2 * 3 / 4)
    read = 0
    for _ in range(12):
        photo = held_in_frame(card, (1600, 1200), rng, area=share, blur=1.0, turn=30)
        read += [mark.number for mark in read_codes(photo).labels] == [63]
    assert read == 12


@pytest.mark.parametrize("style", ["", "B"])
@pytest.mark.parametrize("size", [6.5, 24])
def test_a_text_is_as_wide_as_the_library_says(style, size):
    texts = ["", " ", "Wilhelmina Ardenne", "Zoë Þórsdóttir, Ναύπλιο", f"W.{SUBSTITUTE}…", "Ä" * 200]
    with open_pdf(texts, title="t") as pdf:
        pdf.set_font("NotoSans", style, size)
        for text in texts:
            assert text_width(pdf, text) == pytest.approx(pdf.get_string_width(text), abs=1e-9)


def test_a_word_too_long_for_its_line_breaks_after_a_hyphen_and_no_letter_is_lost():
    with open_pdf([], title="t") as pdf:
        lines = wrapped(pdf, "ABC-DEFGHIJ/KLMNOPQRSTUV next", width=0.8, size=12)
    assert lines[0] == "ABC-"
    assert "".join(lines).replace(" ", "") == "ABC-DEFGHIJ/KLMNOPQRSTUVnext"


def test_words_of_a_card_in_other_alphabets_do_not_stop_the_others(tmp_path):
    cards = [
        LabelCard(number=1, words="屋根"),
        LabelCard(number=2, words="ŻÓŁĆ " * 12),
        LabelCard(number=3, words="A"),
    ]
    assert label_cards(cards, tmp_path / "l.pdf") == 2


@pytest.mark.parametrize("make", [lambda out: divider_sheets([], out), lambda out: label_cards([], out)])
def test_nothing_to_print_is_an_error_and_writes_nothing(make, tmp_path):
    with pytest.raises(BadInputError):
        make(tmp_path / "o.pdf")
    assert list(tmp_path.iterdir()) == []


def test_a_destination_that_cannot_be_written_is_an_error_and_leaves_no_file(tmp_path):
    for out in (tmp_path / "absent" / "s.pdf", tmp_path):
        with pytest.raises(BadInputError) as caught:
            divider_sheets(CLAIMS[:1], out)
        assert str(out) in str(caught.value)
    assert list(tmp_path.iterdir()) == []
    assert not list(tmp_path.parent.glob("*.part"))


def test_a_failed_disk_leaves_the_older_file_as_it_was(tmp_path, monkeypatch):
    out = tmp_path / "s.pdf"
    out.write_bytes(b"older")

    def full(_handle):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with open_pdf([], title="t") as pdf:
        pdf.add_page()
        from evidence.errors import DestinationError

        with pytest.raises(DestinationError):
            save_pdf(pdf, out)
    assert out.read_bytes() == b"older"
    assert [p.name for p in tmp_path.iterdir()] == ["s.pdf"]


def test_opencv_too_reads_the_printed_code(sheets):
    text, _, _ = cv2.QRCodeDetector().detectAndDecode(rasterised(sheets, 0))
    assert "HX-204881" in text
