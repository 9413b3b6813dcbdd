"""Names in bags: RFC 8493, 2.1.3 (encoding), 5.1 (paths that leave the bag), 6.1 (names that some systems bar)."""

from __future__ import annotations

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from evidence.archive.names import (
    decode_path,
    encode_path,
    fold,
    folder_name,
    free_name,
    original_of_sidecar,
    require_safe,
    why_unsafe,
)
from evidence.errors import BadInputError


@pytest.mark.parametrize(
    ("path", "spelled"),
    [
        ("a b.jpg", "a b.jpg"),
        ("50%.jpg", "50%25.jpg"),
        ("%0A", "%250A"),
        ("a\nb", "a%0Ab"),
        ("a\rb", "a%0Db"),
        ("a\r\nb", "a%0D%0Ab"),
        ("\u00fc\u20ac", "\u00fc\u20ac"),
    ],
)
def test_only_line_ends_and_percent_signs_are_encoded(path, spelled):
    assert encode_path(path) == spelled
    assert decode_path(spelled) == path


@given(st.text())
def test_encoding_comes_back_and_never_breaks_a_line(path):
    spelled = encode_path(path)
    assert decode_path(spelled) == path
    assert "\n" not in spelled
    assert "\r" not in spelled


def test_before_version_1_a_percent_sign_stood_for_itself():
    assert decode_path("data/%test2.txt%25%0a", version=(0, 97)) == "data/%test2.txt%25\n"


SAFE = [
    "100AAAAA/A0001.JPG",
    "a b/c d.txt",
    "\u00fcber/\u5199\u771f.jpg",
    "console/com10.txt",
    "a~b",
    "...a",
    "100%.JPG",
]
UNSAFE = {
    "/etc/passwd": "inside the bag",
    "~root/x": "inside the bag",
    "../x": "'..'",
    "a/../x": "'..'",
    "a//b": "empty part",
    "a/": "empty part",
    "./a": "'.'",
    "": "empty",
    "C:\\x": "Windows",
    "C:x": "Windows",
    "\\\\?\\UNC\\s": "Windows",
    "a<b": "Windows",
    'a"b': "Windows",
    "a|b?*": "Windows",
    "CON": "device",
    "con.txt": "device",
    "a/LPT9.jpg": "device",
    "nul .txt": "device",
    "a.": "ends with a dot",
    "a ": "blank",
    " a": "blank",
    "\u00a0a": "blank",
    "a\u3000/b": "blank",
    "a\nb": "line break",
    "a\x00b": "control",
    "a\u2028b": "line break",
    "a\u0085b": "line break",
    "a\udc80": "control",
    "x" * 255: "longer",
    "\u5199" * 85: "longer",
}


@pytest.mark.parametrize("path", SAFE)
def test_plain_names_are_accepted(path):
    assert why_unsafe(path) == ""


@pytest.mark.parametrize("path", UNSAFE)
def test_names_that_are_unsafe_on_some_system_are_refused_with_the_reason(path):
    assert UNSAFE[path] in why_unsafe(path)
    with pytest.raises(BadInputError, match="cannot be stored in a bag"):
        require_safe(["ok.txt", path], "a bag")


@pytest.mark.parametrize(
    "paths",
    [
        ["A1.JPG", "a1.jpg"],
        ["N\u00fa.jpg", "Nu\u0301.jpg"],
        ["100AAAAA/A1.JPG", "100aaaaa/A2.JPG"],
        ["a", "a/b"],
        ["A/b", "a"],
        ["stra\u00dfe.jpg", "STRASSE.JPG"],
    ],
    ids=["case", "unicode-form", "folder-case", "file-and-folder", "folder-and-file", "full-folding"],
)
def test_names_that_some_system_takes_for_one_are_refused_together(paths):
    with pytest.raises(BadInputError, match="treat them as one name"):
        require_safe(paths, "a bag")
    with pytest.raises(BadInputError):
        require_safe(reversed(paths), "a bag")
    for path in paths:
        require_safe([path], "a bag")


def test_many_names_in_shared_folders_are_accepted_together():
    require_safe([f"10{n % 3}AAAAA/A{n:04}.JPG" for n in range(300)], "a bag")


@pytest.mark.parametrize("claim", ["HT-1001", "2026.03.04-7", "CLAIM_9"])
def test_a_plain_claim_number_is_its_own_folder(claim):
    assert folder_name(claim) == claim


@pytest.mark.parametrize(
    "claim", ["ht-1001", "A/B 12", "..", "CON", "\u00dc-9", "x" * 300, " ", ".HIDDEN", "A."]
)
def test_any_other_claim_number_gets_a_safe_folder_of_its_own(claim):
    name = folder_name(claim)
    assert why_unsafe(name) == ""
    assert "/" not in name
    assert not name.startswith(".")


@given(st.lists(st.text(min_size=1, max_size=12), min_size=2, max_size=6, unique=True))
def test_two_claims_never_share_a_folder_on_any_system(claims):
    claims = [claim.encode("utf-8", "ignore").decode() for claim in claims]
    folders = {fold(folder_name(claim)) for claim in claims}
    assert len(folders) == len(set(claims))
    assert all(unicodedata.is_normalized("NFC", folder) for folder in folders)


def test_a_free_name_differs_from_every_used_one_on_every_system():
    taken = {fold("data/IMG_1.JPG")}
    assert free_name("data/img_1", ".jpg", taken) == "data/img_1 (2).jpg"
    assert free_name("data/IMG_1", ".JPG", taken) == "data/IMG_1 (3).JPG"
    assert free_name("data/IMG_2", ".JPG", taken) == "data/IMG_2.JPG"
    assert fold("data/IMG_2.JPG") in taken


@pytest.mark.parametrize("used", [set(), {fold("a.jpg.xmp")}])
def test_a_sidecar_leads_back_to_its_original_also_with_a_number(used):
    assert original_of_sidecar(free_name("a.jpg", ".xmp", used)) == "a.jpg"
    assert original_of_sidecar("a.jpg") == ""
