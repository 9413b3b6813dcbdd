"""Names of originals in a bag: RFC 8493, section 6.1 (names that some systems bar or take for one)."""

from __future__ import annotations

import hashlib
import unicodedata
from pathlib import PurePosixPath

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from evidence.archive.names import LONGEST_NAME, require_safe, why_unsafe
from evidence.archive.payload_paths import LONGEST_ORIGINAL, PayloadPaths, allowed_name, allowed_path

KEPT = [
    "IMG_20260514_084112.jpg",
    "Camera",
    "DSC00001.JPG",
    "photo of the roof, 2.jpeg",
    "a.b.c.heic",
    "\u00dcbersicht.jpg",
    "\u5199\u771f.jpg",
    "nu\u0301.jpg",
    "r\u200fl.jpg",
    ".hidden.jpg",
    "console.jpg",
    "x" * (LONGEST_ORIGINAL - 4) + ".jpg",
]
CHANGED = {
    "CON.jpg": "CON_.jpg",
    "aux.tif": "aux_.tif",
    "com1.mp4": "com1_.mp4",
    "LPT9": "LPT9_",
    "nul .txt": "nul_.txt",
    "Aux.tar.gz": "Aux_.tar.gz",
    "COM\u00b9.jpg": "COM\u00b9_.jpg",
    "dots.jpg...": "dots.jpg",
    "blank.jpg ": "blank.jpg",
    " lead.jpg": "_lead.jpg",
    "...": "_",
    "ctl\x01\n.jpg": "ctl__.jpg",
    "u\u2028.jpg": "u_.jpg",
    "12:30.jpg": "12_30.jpg",
    'a<b>c"d|e?f*g\\h.jpg': "a_b_c_d_e_f_g_h.jpg",
    "why?": "why",
    "50%.jpg": "50_.jpg",  # `sha256sum -c` does not decode %25
    "\u0378.jpg": "_.jpg",  # not assigned in Unicode
}


@pytest.mark.parametrize("name", KEPT)
def test_a_name_that_every_system_allows_stays_as_the_camera_wrote_it(name):
    assert allowed_name(name) == name


@pytest.mark.parametrize("name", CHANGED)
def test_another_name_changes_in_its_stem_and_keeps_its_extension(name):
    assert allowed_name(name) == CHANGED[name]
    assert why_unsafe(CHANGED[name]) == ""


def test_a_name_that_is_too_long_is_cut_and_told_apart_by_its_digest():
    name = "\u5199" * 85 + ".jpg"
    digest = hashlib.sha256(name.encode()).hexdigest()[:8]
    assert allowed_name(name) == "\u5199" * 75 + f"-{digest}.jpg"
    assert len(allowed_name(name).encode()) <= LONGEST_ORIGINAL


@given(st.text(st.characters(exclude_characters="/\0", exclude_categories=("Cs",)), min_size=1, max_size=300))
def test_any_name_becomes_a_safe_one_that_stays_itself(name):
    safe = allowed_name(name)
    assert why_unsafe(f"card/{safe}") == ""
    assert len(safe.encode()) <= LONGEST_ORIGINAL
    assert allowed_name(safe) == safe


@given(
    st.text(st.characters(exclude_characters="/\0", exclude_categories=("Cs",)), max_size=260),
    st.sampled_from([".jpg", ".JPEG", ".tif", ".mp4", ".cr2"]),
)
def test_the_extension_of_a_photo_never_changes(stem, ending):
    assume(stem.strip(" ."))
    assert PurePosixPath(allowed_name(stem + ending)).suffix == ending


def test_folders_that_are_too_deep_become_one(tmp_path):
    deep = ["day", *["f" * 200] * 20, "IMG_1.jpg"]
    path = allowed_path(deep)
    assert path.startswith("day/long path ")
    assert path.endswith("/IMG_1.jpg")
    assert len(path) < 60
    assert path != allowed_path(["day", *["f" * 200] * 21, "IMG_1.jpg"])


NAMES = [
    "IMG_1.jpg",
    "img_1.JPG",
    "IMG_1",
    "n\u00fa.jpg",
    "nu\u0301.jpg",
    "STRASSE.jpg",
    "stra\u00dfe.jpg",
    "IMG_1 (2).jpg",
]
FOLDERS = ["", "Camera/", "camera/", "CAMERA/IMG_1/", "IMG_1/"]


@given(st.lists(st.tuples(st.sampled_from(FOLDERS), st.sampled_from(NAMES)), max_size=30))
def test_no_two_paths_are_one_name_on_any_system_and_a_second_run_keeps_them(wanted):
    free = PayloadPaths()
    first = [free.take(folder + name) for folder, name in wanted]
    require_safe(first, "a bag")
    assert len(set(first)) == len(wanted)
    again = PayloadPaths()
    assert all(again.keep(path, folder + name) for path, (folder, name) in zip(first, wanted, strict=True))


def test_case_twins_and_unicode_twins_get_a_number_before_the_extension():
    free = PayloadPaths()
    taken = [
        free.take(path)
        for path in ("c/Twin.jpg", "c/twin.jpg", "c/n\u00fa.jpg", "c/nu\u0301.jpg", "C/x.jpg", "c/Twin.jpg/y")
    ]
    assert taken == [
        "c/Twin.jpg",
        "c/twin (2).jpg",
        "c/n\u00fa.jpg",
        "c/nu\u0301 (2).jpg",
        "C (2)/x.jpg",
        "c/Twin.jpg (2)/y",
    ]


def test_a_path_is_kept_only_when_it_is_the_wanted_one_or_that_with_a_number():
    free = PayloadPaths()
    assert free.keep("c/a (3).jpg", "c/a.jpg")
    assert not free.keep("c/a (3).jpg", "c/a.jpg")
    assert not free.keep("c/a.jpg-9397dfeb", "c/a.jpg")
    assert not free.keep("c-03494b0d/a.jpg", "c/a.jpg")
    assert not free.keep("C/b.jpg", "c/b.jpg")
    assert free.take("c/a.jpg") == "c/a.jpg"


def test_a_number_never_makes_a_name_too_long_for_its_sidecar():
    free = PayloadPaths()
    name = "x" * (LONGEST_ORIGINAL - 4) + ".jpg"
    for _ in range(20):
        path = free.take(name)
    assert len(f"{path}.xmp".encode()) <= LONGEST_NAME
    assert unicodedata.is_normalized("NFC", path)
