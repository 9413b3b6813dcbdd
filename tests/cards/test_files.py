"""Listing a card: the camera's order, what belongs together, and a reason for all that is refused."""

from __future__ import annotations

import json
import os
import socket
import sys
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support_cards import DCIM, a_card, lay_out

from evidence.cards.files import LITTER, dcf_name, kind_of, list_card
from evidence.cards.reading import decode_name, encode_name, is_unsafe_name, path_on_card
from evidence.errors import CardReadError
from evidence.model import DcfName, MediaKind
from evidence.plain_words import natural_key

posix_only = pytest.mark.skipif(os.name == "nt", reason="Windows has no such files")


def paths(root: Path) -> list[str]:
    return [found.card_path for found in list_card(root).found]


def codes(root: Path) -> dict[str, str]:
    return {refusal.path: refusal.code for refusal in list_card(root).refused}


# Folder and file names: Panasonic PT-L712NTE manual, p. 60, restating the DCF standard (JEITA CP-3461).
@pytest.mark.parametrize(
    ("path", "expected"),
    [
        ("DCIM/100ABCDE/ABCD0001.JPG", (100, 1)),
        ("DCIM/999_____/____9999.JPG", (999, 9999)),
        ("dcim/123abc_9/dsc_0042.nef", (123, 42)),
        ("DCIM/099ABCDE/ABCD0001.JPG", None),
        ("DCIM/100ABCD/ABCD0001.JPG", None),
        ("DCIM/100ABCDEF/ABCD0001.JPG", None),
        ("DCIM/100ABC-E/ABCD0001.JPG", None),
        ("DCIM/100ABCDE/ABCD0000.JPG", None),
        ("DCIM/100ABCDE/ABC0001.JPG", None),
        ("DCIM/100ABCDE/ABCDE0001.JPG", None),
        ("DCIM/100ABCDE/AB-D0001.JPG", None),
        ("DCIM/100ABCDE/ABCD0001", None),
        ("DCIM/100ABCDE/100ABCDE/ABCD0001.JPG", None),
        ("DCIM/ABCD0001.JPG", None),
        ("PICS/100ABCDE/ABCD0001.JPG", None),
        ("DCIM/100ABCDE/ABCD٠٠٠١.JPG", None),
    ],
)
def test_a_name_is_dcf_only_when_it_follows_the_rule_exactly(path, expected):
    name = dcf_name(path.split("/"))
    assert name == (DcfName(folder_number=expected[0], file_number=expected[1]) if expected else None)


def test_files_come_by_folder_number_then_file_number_then_the_others_by_name(tmp_path):
    names = [
        "DCIM/101AAAAA/IMG_0001.JPG", "DCIM/100ZZZZZ/IMG_9999.JPG", "DCIM/100ZZZZZ/ABCD0010.JPG",
        "DCIM/100ZZZZZ/ZZZZ0002.JPG", "DCIM/100ZZZZZ/img 10.jpg", "DCIM/100ZZZZZ/img 9.jpg", "b10.jpg", "B9.jpg",
    ]  # fmt: skip
    lay_out(tmp_path, dict.fromkeys(names, b"x"))
    assert paths(tmp_path) == [
        "DCIM/100ZZZZZ/ZZZZ0002.JPG", "DCIM/100ZZZZZ/ABCD0010.JPG", "DCIM/100ZZZZZ/IMG_9999.JPG",
        "DCIM/101AAAAA/IMG_0001.JPG", "B9.jpg", "b10.jpg", "DCIM/100ZZZZZ/img 9.jpg", "DCIM/100ZZZZZ/img 10.jpg",
    ]  # fmt: skip


@pytest.mark.parametrize("inside", ["", "DCIM", "DCIM/100ABCDE"])
def test_the_numbers_are_known_also_when_only_a_part_of_the_card_is_named(tmp_path, inside):
    lay_out(tmp_path, {"DCIM/100ABCDE/IMG_0007.JPG": b"x"})
    (found,) = list_card(tmp_path / inside).found
    assert found.dcf == DcfName(folder_number=100, file_number=7)


def keys(root: Path) -> dict[str, str]:
    return {found.card_path.rpartition("/")[2]: found.object_key for found in list_card(root).found}


# Wikipedia, Design rule for Camera File system: files of a DCF folder that share a number are one object.
def test_raw_jpeg_and_sound_of_one_number_are_one_object(tmp_path):
    a_card(tmp_path)
    by_name = {found.card_path: found.object_key for found in list_card(tmp_path).found}
    together = {by_name[f"{DCIM}/IMG_0003{end}"] for end in (".JPG", ".NEF", ".WAV")}
    assert len(together) == 1
    assert list(by_name.values()).count(together.pop()) == 3
    assert by_name[f"{DCIM}/IMG_0001.JPG"] != by_name["DCIM/101ABCDE/IMG_0001.JPG"]


def test_a_number_shared_by_two_photos_of_one_kind_joins_only_those_of_one_name(tmp_path):
    lay_out(tmp_path, {f"{DCIM}/{n}": b"x" for n in ("AAAA0001.JPG", "BBBB0001.JPG", "BBBB0001.NEF")})
    found = keys(tmp_path)
    assert found["AAAA0001.JPG"] != found["BBBB0001.JPG"] == found["BBBB0001.NEF"]


def test_outside_dcf_a_photo_and_its_video_are_one_object_and_two_photos_are_two(tmp_path):
    lay_out(
        tmp_path,
        dict.fromkeys(("a.heic", "A.MOV", "b.jpg", "b.png", "c.txt", "d.jpg", "d.xmp", "d.pdf"), b"x"),
    )
    found = keys(tmp_path)
    assert found["a.heic"] == found["A.MOV"]
    assert found["b.jpg"] != found["b.png"]
    assert found["d.jpg"] == found["d.xmp"] != found["d.pdf"]


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.from_regex(r"(AAAA|BBBB|cccc)000[12]\.(JPG|jpg|NEF|MOV|WAV)", fullmatch=True), unique=True)
)
def test_no_object_ever_holds_two_files_of_one_kind(tmp_path_factory, names):
    root = lay_out(tmp_path_factory.mktemp("card"), {f"{DCIM}/{n}": b"x" for n in names})
    walk = list_card(root)
    on_disk = sum(len(files) for _, _, files in os.walk(root))  # a disk that ignores case merges some
    assert len(walk.found) == on_disk
    seen = [(f.object_key, f.card_path.rpartition(".")[2].lower()) for f in walk.found]
    assert len(seen) == len(set(seen))


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        *[(f"x.{e}", MediaKind.PHOTO) for e in ("JPG", "jpeg", "HEIC", "heif", "png", "TIFF", "tif")],
        *[(f"x.{e}", MediaKind.RAW) for e in ("DNG", "cr2", "CR3", "nef", "ARW", "rw2", "orf", "RAF")],
        *[(f"x.{e}", MediaKind.VIDEO) for e in ("MOV", "mp4", "AVI", "m4v", "MTS")],
        *[(f"x.{e}", MediaKind.SOUND) for e in ("WAV", "mp3", "M4A")],
        *[(n, MediaKind.OTHER) for n in ("notes.txt", "jpg", "x.", "x", "x.jpg.bak")],
    ],
)
def test_the_extension_says_the_kind_in_either_case(name, kind):
    assert kind_of(name) is kind


LITTER_NAMES = [
    ".DS_Store", "Thumbs.db", "DESKTOP.INI", "DCIM/._IMG_0001.JPG", ".Spotlight-V100/Store-V2/x.db",
    ".Trashes/501/.x", "System Volume Information/IndexerVolumeGuid", "$RECYCLE.BIN/S-1-5/desktop.ini",
    ".fseventsd/0000001", "MISC/M0100.CTG",
]  # fmt: skip


@pytest.mark.parametrize("name", LITTER_NAMES)
def test_system_litter_is_refused_by_name_and_does_not_block_erasing(tmp_path, name):
    lay_out(tmp_path, {name: b"\0\5\x16\7 litter", f"{DCIM}/IMG_0001.JPG": b"\xff\xd8photo"})
    walk = list_card(tmp_path)
    assert [found.card_path for found in walk.found] == [f"{DCIM}/IMG_0001.JPG"]
    (refusal,) = walk.refused
    assert (refusal.path, refusal.code, refusal.blocks_erase) == (name, "system_litter", False)


@pytest.mark.parametrize(
    "name", [".Trashes/501/IMG_0001.JPG", "$RECYCLE.BIN/IMG_0001.JPG", f"{DCIM}/._IMG_0001.JPG"]
)
def test_a_photo_is_a_photo_also_where_a_system_keeps_its_litter(tmp_path, name):
    lay_out(tmp_path, {name: b"\xff\xd8\xff\xe0 a photo"})
    assert paths(tmp_path) == [name]


def test_the_litter_patterns_are_the_caller_s(tmp_path):
    lay_out(tmp_path, {"Thumbs.db": b"x", "index.tmp": b"x", "Cache/deep/x.bin": b"x", "Cache/a.jpg": b"x"})
    walk = list_card(tmp_path, litter=["*.TMP", "cache"])
    assert [found.card_path for found in walk.found] == ["Cache/a.jpg", "Thumbs.db"]
    assert [refusal.path for refusal in walk.refused] == ["Cache/deep/x.bin", "index.tmp"]
    assert ".DS_Store" in LITTER


@posix_only
def test_links_pipes_sockets_and_ways_out_are_refused_and_block_erasing(tmp_path):
    card = lay_out(tmp_path / "card", {f"{DCIM}/IMG_0001.JPG": b"x"})
    outside = lay_out(tmp_path / "outside", {"secret.jpg": b"s"})
    (card / "link.jpg").symlink_to(outside / "secret.jpg")
    (card / "folder").symlink_to(outside)
    (card / DCIM / "loop").symlink_to(card)
    (card / "dangling").symlink_to(tmp_path / "nowhere")
    os.mkfifo(card / "pipe.jpg")
    with socket.socket(socket.AF_UNIX) as bound:
        here = Path.cwd()
        os.chdir(card)  # a socket's path is short
        try:
            bound.bind("socket")
        finally:
            os.chdir(here)
        walk = list_card(card)
    assert [found.card_path for found in walk.found] == [f"{DCIM}/IMG_0001.JPG"]
    assert {refusal.path: refusal.code for refusal in walk.refused} == {
        "link.jpg": "symlink", "folder": "symlink", f"{DCIM}/loop": "symlink", "dangling": "symlink",
        "pipe.jpg": "device", "socket": "device",
    }  # fmt: skip
    assert all(refusal.blocks_erase and refusal.reason for refusal in walk.refused)


@posix_only
@pytest.mark.skipif(not hasattr(os, "mknod") or os.geteuid() != 0, reason="device files need root")
def test_a_device_file_is_refused(tmp_path):
    import stat

    try:
        os.mknod(tmp_path / "IMG_0001.JPG", 0o600 | stat.S_IFCHR, os.makedev(1, 3))
    except OSError:
        pytest.skip("no device files here")
    assert codes(tmp_path) == {"IMG_0001.JPG": "device"}


@posix_only
def test_a_folder_that_cannot_be_listed_is_refused_and_blocks_erasing(tmp_path, monkeypatch):
    lay_out(tmp_path, {f"{DCIM}/IMG_0001.JPG": b"x", "DCIM/101ABCDE/IMG_0001.JPG": b"x"})
    real = os.open

    def refuse(path, flags, *more, **named):
        if str(path).endswith("101ABCDE"):
            raise PermissionError(13, "Permission denied", str(path))
        return real(path, flags, *more, **named)

    monkeypatch.setattr(os, "open", refuse)
    walk = list_card(tmp_path)
    assert [found.card_path for found in walk.found] == [f"{DCIM}/IMG_0001.JPG"]
    (refusal,) = walk.refused
    assert (refusal.path, refusal.code, refusal.blocks_erase) == ("DCIM/101ABCDE", "unreadable", True)


def test_reserved_words_of_windows_are_kept(tmp_path):
    if os.name == "nt":
        pytest.skip("Windows cannot write them")
    lay_out(tmp_path, {"CON": b"a", "nul.jpg": b"b", "COM1.txt": b"c"})
    assert set(paths(tmp_path)) == {"CON", "nul.jpg", "COM1.txt"}


@pytest.mark.skipif(sys.platform != "linux", reason="other systems allow no such names")
def test_a_name_of_bytes_that_are_no_text_is_listed_in_a_spelling_that_can_be_decoded(tmp_path):
    raw = [b"caf\xe9.jpg", b"\xff\xfe.jpg", "plain \ufffd.jpg".encode(), b"new\nline.jpg", b"a%80.jpg"]
    for name in raw:
        (Path(os.fsdecode(os.fsencode(tmp_path) + b"/" + name))).write_bytes(b"x")
    found = [f.card_path for f in list_card(tmp_path).found]
    assert len(found) == len(set(found)) == len(raw)
    for card_path in found:
        assert json.loads(json.dumps(card_path)).encode("utf-8").decode("utf-8") == card_path
        assert path_on_card(tmp_path, card_path).read_bytes() == b"x"
    assert {os.fsencode(path_on_card(tmp_path, p).name) for p in found} == set(raw)


@pytest.mark.skipif(os.name == "nt", reason="names are bytes only on POSIX")
@given(st.binary(min_size=1, max_size=40).filter(lambda b: b"\0" not in b and b"/" not in b))
def test_every_name_of_bytes_has_its_own_spelling(name):
    text = os.fsdecode(name)
    spelled = encode_name(text)
    spelled.encode("utf-8")
    assert os.fsencode(decode_name(spelled)) == os.fsencode(text)


@given(st.text(max_size=20), st.text(max_size=20))
def test_two_names_never_share_a_spelling(one, other):
    from hypothesis import assume

    try:
        assume(os.fsencode(one) != os.fsencode(other))
    except UnicodeEncodeError:
        assume(False)  # not a name any file can have here
    assert encode_name(one) != encode_name(other)


@pytest.mark.parametrize("windows", [True, False])
@pytest.mark.parametrize("name", ["", ".", "..", "a/b", "a\0b"])
def test_a_name_that_leads_elsewhere_is_recognised(name, windows):
    assert is_unsafe_name(name, windows=windows)


@pytest.mark.parametrize("name", [r"..\x", r"a\..\..\b", "C:", r"C:\x", r"\x", "C:evil.jpg"])
def test_a_name_that_leads_elsewhere_on_windows_alone_is_refused_there_alone(name):
    assert is_unsafe_name(name, windows=True)
    assert not is_unsafe_name(name, windows=False)


@posix_only
def test_names_that_only_windows_cannot_open_are_taken_in_elsewhere(tmp_path):
    names = [r"..\..\evil.jpg", "C:evil.jpg", r"\\server\x.jpg"]
    card = lay_out(tmp_path, dict.fromkeys(names, b"x"))
    assert sorted(found.card_path for found in list_card(card).found) == sorted(names)
    assert sorted(path_on_card(card, name).name for name in names) == sorted(names)


@pytest.mark.parametrize("name", ["...", "..jpg", "a..b", "IMG_0001.JPG", r"a\b.jpg", "CON", " ", "xx:y.jpg"])
def test_a_strange_name_that_leads_nowhere_else_is_kept(name):
    assert not is_unsafe_name(name)


@pytest.mark.parametrize("card_path", ["../x.jpg", "DCIM/../../x.jpg", "/etc/passwd", "", "a//b", "x\0"])
def test_a_list_cannot_point_out_of_the_card(tmp_path, card_path):
    with pytest.raises(CardReadError):
        path_on_card(tmp_path, card_path)


@posix_only
def test_a_tree_too_deep_to_name_is_listed_as_far_as_it_goes(tmp_path):
    here = Path.cwd()
    try:
        os.chdir(tmp_path)
        for _ in range(60):
            Path("d" * 100).mkdir()
            os.chdir("d" * 100)
        Path("IMG_0001.JPG").write_bytes(b"x")
    finally:
        os.chdir(here)
    walk = list_card(tmp_path)
    assert [refusal.code for refusal in walk.refused] == ["unreadable"]
    import shutil

    shutil.rmtree(tmp_path / ("d" * 100))


@given(st.lists(st.text(alphabet="aB019 _", min_size=1, max_size=6)))
def test_the_natural_order_is_an_order(names):
    ordered = sorted(names, key=natural_key)
    assert sorted(ordered, key=natural_key) == ordered
    assert natural_key("img_9") < natural_key("IMG_10")
