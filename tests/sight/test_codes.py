"""Dividers and labels: other libraries read what we print; we ignore what others print."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
import segno
import zxingcpp
from hypothesis import assume, example, given, reject
from hypothesis import strategies as st
from support_sight import held_in_frame, on_white, qr_pixels

from evidence.errors import BadInputError
from evidence.model import MediaKind
from evidence.sight.codes import (
    CHECK_MODULUS,
    PREFIX,
    divider_payload,
    divider_qr,
    label_tag_image,
    parse_divider,
    read_codes,
)
from evidence.sight.label_tags import LABEL_TAGS, family, find_tags
from evidence.sight.pictures import load_picture

PHOTO = (2016, 1512)
"""3 megapixels, two fifths of what cameras give: quicker to render, and no easier to read."""

WORDY = st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=40)


@given(WORDY)
@example("HX-204881")
@example("a:b:c")
@example(" 7 ")
@example("Nguyễn/3")
@example("PEA:1:00")
def test_every_claim_number_comes_back_from_its_payload(claim):
    assert parse_divider(divider_payload(claim)) == claim


@given(WORDY, st.data())
def test_one_changed_byte_is_never_taken_for_a_claim(claim, data):
    payload = bytearray(divider_payload(claim).encode())
    place = data.draw(st.integers(0, len(payload) - 1))
    payload[place] ^= data.draw(st.integers(1, 255))
    try:
        text = payload.decode()
    except UnicodeDecodeError:
        reject()
    assert parse_divider(text) is None


@given(st.text(st.characters(max_codepoint=126, min_codepoint=33), min_size=2, max_size=40), st.data())
def test_two_swapped_neighbours_are_never_taken_for_a_claim(claim, data):
    payload = list(divider_payload(claim))
    place = data.draw(st.integers(len(PREFIX), len(PREFIX) + len(claim) - 2))
    assume(payload[place] != payload[place + 1])
    payload[place], payload[place + 1] = payload[place + 1], payload[place]
    assert parse_divider("".join(payload)) is None


def test_the_check_modulus_is_prime_and_two_is_its_primitive_root():
    assert all(CHECK_MODULUS % n for n in range(2, 36))
    assert len({pow(2, n, CHECK_MODULUS) for n in range(1, CHECK_MODULUS)}) == CHECK_MODULUS - 1


@pytest.mark.parametrize(
    "text",
    ["", "PEA:", "PEA::00", "PEA:HX-1", "PEA:HX-1:", "HX-1:00", "pea:HX-204881:DH", "PEA:HX-204881:DI",
     "PEA:HX-204881:DH ", "https://example.org/PEA:HX-204881:DH", "\ud800"],
)  # fmt: skip
def test_what_is_not_one_of_ours_is_ignored(text):
    assert parse_divider(text) is None


def test_an_empty_claim_number_or_one_too_long_for_a_code_is_refused_in_one_line():
    for claim in ("", "\ud800", "x" * 3000):
        with pytest.raises(BadInputError):
            divider_qr(claim)


@pytest.mark.parametrize(
    ("claim", "modules"),
    [("HX-204881", 21), ("2026-HAIL-0001234567", 25), ("1", 21)],
)
def test_an_ordinary_claim_number_keeps_the_code_small(claim, modules):
    """ISO/IEC 18004 table 7: version 1-Q holds 16 alphanumeric characters, 2-Q 29."""
    qr = divider_qr(claim)
    assert qr.mode == "alphanumeric"
    assert qr.symbol_size(border=0) == (modules, modules)
    assert qr.error in ("Q", "H")


@pytest.mark.parametrize(
    "claim", ["HX-204881", "2026-HAIL-0001234567", "ab/17", "Łukasz-9", "é", "保険 12", "🏠"]
)
def test_two_other_libraries_read_what_segno_writes(claim):
    picture = qr_pixels(divider_qr(claim))
    (seen,) = zxingcpp.read_barcodes(picture, formats=zxingcpp.BarcodeFormat.QRCode)
    assert parse_divider(seen.bytes.decode()) == claim
    text, _, _ = cv2.QRCodeDetector().detectAndDecode(picture)
    assert parse_divider(text) == claim
    assert [mark.claim for mark in read_codes(picture).dividers] == [claim]


def test_the_code_area_is_its_share_of_the_frame():
    page = on_white(qr_pixels(divider_qr("HX-204881"))[32:-32, 32:-32], 400, page=(1000, 800))
    (mark,) = read_codes(page).dividers
    assert mark.code_area == pytest.approx(0.2, rel=0.05)
    (label,) = read_codes(on_white(label_tag_image(5, 400), 400, page=(1000, 800))).labels
    assert label.code_area == pytest.approx(0.2, rel=0.05)


@pytest.mark.parametrize("quarter", [0, 1, 2, 3])
def test_the_marks_do_not_depend_on_how_the_camera_was_held(quarter):
    page = np.hstack([
        on_white(qr_pixels(divider_qr("HX-204881")), 500, page=(700, 900)),
        on_white(label_tag_image(41, 300), 300, page=(700, 900)),
    ])  # fmt: skip
    upright, turned = read_codes(page), read_codes(np.rot90(page, quarter))
    assert [m.claim for m in turned.dividers] == ["HX-204881"]
    assert [m.number for m in turned.labels] == [41]
    assert turned.dividers[0].code_area == pytest.approx(upright.dividers[0].code_area, rel=0.03)
    assert turned.labels[0].code_area == pytest.approx(upright.labels[0].code_area, rel=0.03)


@pytest.mark.parametrize(
    ("area", "blur", "least"), [(0.3, 0, 8), (0.3, 2, 8), (0.1, 0, 8), (0.1, 2, 7), (0.03, 0, 7)]
)
def test_a_sheet_photographed_aslant_in_uneven_light_is_read(area, blur, least):
    rng = np.random.default_rng(7)
    page = on_white(qr_pixels(divider_qr("HX-204881")), 345)
    read = 0
    for _ in range(8):
        photo = held_in_frame(page, PHOTO, rng, area=area, blur=blur)
        read += [m.claim for m in read_codes(photo).dividers] == ["HX-204881"]
    assert read >= least


@pytest.mark.parametrize(
    ("pixels", "blur", "least"),
    [(300, 0, 16), (300, 8, 16), (300, 12, 14), (60, 0, 16), (60, 1.6, 16), (30, 0, 15)],
)
def test_a_hand_held_tag_is_read_aslant_turned_and_out_of_focus(pixels, blur, least):
    rng = np.random.default_rng(11)
    read = 0
    for _ in range(16):
        number = int(rng.integers(LABEL_TAGS))
        page = on_white(label_tag_image(number, 400), 400, page=(850, 550))
        area = (pixels / 400) ** 2 * 850 * 550 / (1600 * 1200)
        photo = held_in_frame(page, (1600, 1200), rng, area=area, blur=blur, turn=180, tilt=0.2)
        read += [m.number for m in read_codes(photo).labels] == [number]
    assert read >= least


def test_the_full_size_photo_is_used_only_when_a_code_was_found_but_not_read():
    rng = np.random.default_rng(3)
    asked = []
    plain = held_in_frame(np.full((300, 200), 250, np.uint8), (1600, 1200), rng, area=0.1)
    read_codes(plain, lambda: asked.append("plain") or plain)
    sheet = held_in_frame(on_white(qr_pixels(divider_qr("A1")), 345), (1600, 1200), rng, area=0.2)
    read_codes(sheet, lambda: asked.append("sheet") or sheet)
    assert asked == []


def test_a_code_too_small_in_the_reduced_photo_is_read_at_full_size():
    rng = np.random.default_rng(5)
    page = on_white(qr_pixels(divider_qr("HX-204881")), 345)
    only_reduced = with_full = asked = 0
    for _ in range(4):
        photo = held_in_frame(page, (4032, 3024), rng, area=0.01, blur=1.5)
        reduced = cv2.resize(photo, (1600, 1200), interpolation=cv2.INTER_AREA)
        calls = []
        only_reduced += bool(read_codes(reduced).dividers)
        with_full += bool(read_codes(reduced, lambda p=photo, c=calls: c.append(1) or p).dividers)
        asked += len(calls)
    assert asked > 0
    assert with_full > only_reduced


def test_foreign_codes_are_counted_and_name_no_claim():
    picture = qr_pixels(segno.make_qr("https://example.org/warranty/AC-55"))
    seen = read_codes(picture)
    assert (seen.dividers, seen.labels, seen.foreign) == ((), (), 1)


def test_two_sheets_in_one_photo_are_both_seen_the_larger_first():
    small, large = (
        on_white(qr_pixels(divider_qr(c)), n, page=(700, 700)) for c, n in (("B2", 300), ("A1", 600))
    )
    assert [m.claim for m in read_codes(np.hstack([small, large])).dividers] == ["A1", "B2"]
    assert len(read_codes(np.hstack([large, large])).dividers) == 1


def test_tags_of_other_families_are_not_taken_for_ours():
    for foreign in (cv2.aruco.DICT_APRILTAG_25h9, cv2.aruco.DICT_4X4_1000, cv2.aruco.DICT_6X6_1000):
        other = cv2.aruco.getPredefinedDictionary(foreign)
        for number in range(0, other.bytesList.shape[0], 41):
            tag = cv2.aruco.generateImageMarker(other, number, 300)
            assert read_codes(on_white(tag, 300, page=(600, 500))).labels == ()


@pytest.mark.parametrize("number", [-1, LABEL_TAGS])
def test_a_number_outside_the_family_is_refused(number):
    with pytest.raises(ValueError, match="36h11"):
        label_tag_image(number, 100)


def test_the_family_is_the_one_the_number_of_tags_belongs_to():
    assert family().bytesList.shape[0] == LABEL_TAGS


def test_the_tags_found_are_those_that_the_detector_finds_with_the_whole_family():
    """At the limit of what can be read, too: small, out of focus, aslant, several in a photo, and the tag 0."""
    rng = np.random.default_rng(29)
    whole = cv2.aruco.DetectorParameters()
    whole.adaptiveThreshWinSizeMin = whole.adaptiveThreshWinSizeMax = 13
    detector = cv2.aruco.ArucoDetector(family(), whole)
    read = missed = 0
    for pixels, blur in (
        (14, 0),
        (16, 0),
        (18, 0.8),
        (30, 1.6),
        (40, 2.0),
        (40, 2.5),
        (60, 3),
        (100, 5),
        (200, 9),
    ):
        numbers = [0, *rng.integers(LABEL_TAGS, size=3).tolist()]
        cards = [on_white(label_tag_image(one, 200), 200, page=(400, 280)) for one in numbers]
        page = np.vstack([np.hstack(cards[:2]), np.hstack(cards[2:])])
        area = (pixels / 200) ** 2 * page.size / (1600 * 1200)
        photo = held_in_frame(page, (1600, 1200), rng, area=min(area, 0.8), blur=blur, turn=180, tilt=0.2)
        corners, found, _ = detector.detectMarkers(photo)
        theirs = dict(zip([] if found is None else found.ravel().tolist(), corners, strict=True))
        ours = dict(find_tags(photo))
        assert ours.keys() == theirs.keys()
        assert all(np.allclose(ours[one], theirs[one].reshape(4, 2)) for one in ours)
        read += len(ours)
        missed += len(set(numbers) - ours.keys())
    assert read >= 9
    assert missed >= 9, "the photos are at the limit"


def test_no_real_photo_carries_one_of_our_marks(real_photos):
    looked = 0
    for path in sorted(real_photos.glob("*/*.jp*g")):
        if path.parent.name == "broken":
            continue
        seen = read_codes(load_picture(path, MediaKind.PHOTO).grey)
        assert (seen.dividers, seen.labels) == ((), ()), path.name
        looked += 1
    assert looked >= 40
