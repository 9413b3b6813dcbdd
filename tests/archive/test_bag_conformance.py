"""Reading bags by RFC 8493, case by case.

The cases are those of the conformance suite of the Library of Congress (github
LibraryOfCongress/bagit-conformance-suite), built here from what it says of them, and the
rules of RFC 8493 one by one. Where the `bagit` library is milder than the suite or the
standard, the case says so, so that a change there is noticed.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import sys
import tempfile
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, reject, settings
from hypothesis import strategies as st
from support_archive import INFO, fast_folder, outside_verdict, photo, photos

from evidence.archive.bagcheck import check_bag
from evidence.archive.bagread import read_manifest
from evidence.archive.bags import build_bag
from evidence.archive.names import require_safe
from evidence.errors import BadInputError, BagError

HELLO = b"hello\n"
V1 = b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
V097 = b"BagIt-Version: 0.97\nTag-File-Character-Encoding: UTF-8\n"


def sha(content: bytes, algorithm: str = "sha256") -> str:
    return hashlib.new(algorithm, content).hexdigest()


def lines(*pairs: tuple[str, str]) -> bytes:
    return "".join(f"{digest}  {path}\n" for digest, path in pairs).encode()


def bag(**changes: bytes | None) -> dict[str, bytes]:
    """A small valid version 1.0 bag, with files replaced, added, or (None) left out."""
    files = {
        "bagit.txt": V1,
        "data/hello.txt": HELLO,
        "manifest-sha256.txt": lines((sha(HELLO), "data/hello.txt")),
    }
    for name, content in changes.items():
        path = {"bagit": "bagit.txt", "manifest": "manifest-sha256.txt", "hello": "data/hello.txt"}.get(
            name, name
        )
        if content is None:
            del files[path]
        else:
            files[path] = content
    return files


@dataclass
class Case:
    files: dict[str, bytes]
    valid: bool
    codes: set[str] = field(default_factory=set)
    missing: tuple[str, ...] = ()
    unlisted: tuple[str, ...] = ()
    library: bool | None = None
    """What the bagit library says where that is not `valid`."""


WINDOWS = sys.platform == "win32"
MANIFEST_512 = lines((sha(HELLO, "sha512"), "data/hello.txt"))
TAGGED = bag(**{"notes.txt": b"x"})
NFC, NFD = "data/N\u00fa\u00f1ez.txt", "data/Nu\u0301n\u0303ez.txt"

CASES = {
    # --- the suite, version 1.0
    "suite basicBag": Case(
        {"bagit.txt": V1, "data/hello.txt": HELLO, "manifest-sha512.txt": MANIFEST_512}, True
    ),
    "suite bagit-with-invalid-whitespace": Case(
        bag(bagit=b"BagIt-Version : 1.0\nTag-File-Character-Encoding : UTF-8\n"),
        False,
        {"bad_declaration"},
        library=True,
    ),
    "suite notAllManifestsListAllFiles": Case(
        bag(
            **{
                "data/two.txt": b"2",
                "manifest": lines((sha(HELLO), "data/hello.txt"), (sha(b"2"), "data/two.txt")),
                "manifest-sha512.txt": MANIFEST_512,
            }
        ),
        False,
        {"not_in_every_manifest"},
        library=True,
    ),
    "suite same-filename-listed-twice-with-different-hashes": Case(
        bag(manifest=lines((sha(HELLO), "data/hello.txt"), ("deadbeef" * 8, "data/hello.txt"))),
        False,
        {"listed_twice"},
    ),
    "suite same-filename-listed-twice-with-the-same-hash": Case(
        bag(manifest=lines(*[(sha(HELLO), "data/hello.txt")] * 2)), False, {"listed_twice"}
    ),
    # --- the suite, version 0.97
    "suite corrupt-data-file": Case(bag(bagit=V097, hello=b"hellO\n"), False, {"mismatch"}),
    "suite corrupt-tag-file": Case(
        bag(
            bagit=V097,
            **{"bag-info.txt": b"A: b\n", "tagmanifest-sha256.txt": lines((sha(b"x"), "bag-info.txt"))},
        ),
        False,
        {"mismatch"},
    ),
    "suite extra-file-in-bag": Case(
        bag(bagit=V097, **{"data/extra.txt": b"x"}), False, unlisted=("data/extra.txt",)
    ),
    "suite missing-bagit.txt": Case(bag(bagit=None), False, {"no_declaration"}),
    "suite bom-in-bagit.txt": Case(bag(bagit=b"\xef\xbb\xbf" + V097), False, {"bad_declaration"}),
    "suite invalid-version-number": Case(
        bag(bagit=V097.replace(b"0.97", b"a.97")), False, {"bad_declaration"}
    ),
    "suite bag-with-encoded-names": Case(
        # before 1.0 a % stood for itself
        bag(
            bagit=V097,
            **{
                "data/%test2.txt": b"x",
                "manifest": lines((sha(HELLO), "data/hello.txt"), (sha(b"x"), "data/%test2.txt")),
            },
        ),
        True,
    ),
    "suite leading dot": Case(
        bag(bagit=V097, manifest=lines((sha(HELLO), "./data/hello.txt"))), True, {"dot_path"}
    ),
    "suite md5sum format": Case(
        bag(bagit=V097, manifest=f"{sha(HELLO)} *data/hello.txt\n".encode()), True, {"binary_mark"}
    ),
    "suite listed twice alike, 0.97": Case(
        bag(bagit=V097, manifest=lines(*[(sha(HELLO), "data/hello.txt")] * 2)), True, {"listed_twice"}
    ),
    "suite litter": Case(
        bag(
            bagit=V097,
            **{
                "data/Thumbs.db": b"x",
                "manifest": lines((sha(HELLO), "data/hello.txt"), (sha(b"x"), "data/Thumbs.db")),
            },
        ),
        True,
        {"litter"},
    ),
    "suite unicode form differs on disk": Case(
        {"bagit.txt": V097, NFD: HELLO, "manifest-sha256.txt": lines((sha(HELLO), NFC))},
        True,
        {"unicode_form"},
    ),
    # --- 2.1 required elements
    "no manifest": Case(bag(manifest=None), False, {"no_manifest"}),
    "no data folder": Case({"bagit.txt": V1, "manifest-sha256.txt": b""}, False, {"no_payload_folder"}),
    "declaration in the wrong order": Case(
        bag(bagit=b"Tag-File-Character-Encoding: UTF-8\nBagIt-Version: 1.0\n"),
        False,
        {"bad_declaration"},
        library=True,
    ),
    "declaration with a third line": Case(
        bag(bagit=V1 + b"More: x\n"), False, {"bad_declaration"}, library=True
    ),
    "declaration with the figure's spelling": Case(  # C20: the RFC's figures print a lower-case v
        bag(bagit=V1.replace(b"Version", b"version")), False, {"bad_declaration"}
    ),
    "declaration without a last line feed": Case(bag(bagit=V1.rstrip()), True),
    "declaration with CRLF": Case(bag(bagit=V1.replace(b"\n", b"\r\n")), True),
    "version 2.0": Case(bag(bagit=V1.replace(b"1.0", b"2.0")), False, {"unknown_version"}),
    "unknown encoding": Case(bag(bagit=V1.replace(b"UTF-8", b"UTF-99")), False, {"unknown_encoding"}),
    # --- 2.1.3 payload manifests
    "checksum in capitals": Case(bag(manifest=lines((sha(HELLO).upper(), "data/hello.txt"))), True),
    "tabs between": Case(bag(manifest=f"{sha(HELLO)}\t \tdata/hello.txt\n".encode()), True),
    "CRLF manifest": Case(bag(manifest=f"{sha(HELLO)} data/hello.txt\r\n".encode()), True),
    "CR manifest": Case(bag(manifest=f"{sha(HELLO)} data/hello.txt\r".encode()), True),
    "no last line feed": Case(bag(manifest=f"{sha(HELLO)} data/hello.txt".encode()), True),
    "missing file": Case(
        bag(
            hello=None,
            **{
                "data/.keep": b"",
                "manifest": lines((sha(b""), "data/.keep"), (sha(HELLO), "data/hello.txt")),
            },
        ),
        False,
        missing=("data/hello.txt",),
    ),
    "truncated checksum": Case(
        bag(manifest=lines((sha(HELLO)[:-2], "data/hello.txt"))),
        False,
        {"bad_line"},
        unlisted=("data/hello.txt",),
    ),
    "no path": Case(
        bag(manifest=f"{sha(HELLO)}\n".encode()), False, {"bad_line"}, unlisted=("data/hello.txt",)
    ),
    "tag file in a payload manifest": Case(
        bag(manifest=lines((sha(HELLO), "data/hello.txt"), (sha(V1), "bagit.txt"))),
        False,
        {"outside"},
        library=True,
    ),
    "unknown algorithm": Case(
        bag(**{"manifest-md17.txt": b"00  data/hello.txt\n"}), False, {"unknown_algorithm"}, library=True
    ),
    "two manifests": Case(bag(**{"manifest-sha512.txt": MANIFEST_512}), True),
    "two manifests, one wrong": Case(
        bag(**{"manifest-sha512.txt": lines(("00" * 64, "data/hello.txt"))}), False, {"mismatch"}
    ),
    "md5 only, 0.97": Case(
        {
            "bagit.txt": V097,
            "data/hello.txt": HELLO,
            "manifest-md5.txt": lines((sha(HELLO, "md5"), "data/hello.txt")),
        },
        True,
    ),
    "split manifests, 0.97": Case(
        bag(
            bagit=V097,
            **{"data/two.txt": b"2", "manifest-md5.txt": lines((sha(b"2", "md5"), "data/two.txt"))},
        ),
        True,
    ),
    "not UTF-8": Case(bag(manifest=b"\xff\xfe\n"), False, {"unreadable"}, unlisted=("data/hello.txt",)),
    "Latin-1, as declared": Case(
        {
            "bagit.txt": V1.replace(b"UTF-8", b"ISO-8859-1"),
            "data/\u00fc.txt": HELLO,
            "manifest-sha256.txt": lines((sha(HELLO), "data/\u00fc.txt")).decode().encode("latin-1"),
        },
        True,
    ),
    # --- 2.2.1 tag manifests
    "tag manifest": Case(
        bag(
            **{
                "n.txt": b"x",
                "tagmanifest-sha256.txt": lines(
                    (sha(b"x"), "n.txt"),
                    (sha(V1), "bagit.txt"),
                    (sha(bag()["manifest-sha256.txt"]), "manifest-sha256.txt"),
                ),
            }
        ),
        True,
    ),
    "tag manifest without the payload manifest": Case(
        bag(**{"tagmanifest-sha256.txt": lines((sha(V1), "bagit.txt"))}),
        False,
        {"tag_manifest_gap"},
        library=True,
    ),
    "tag manifest that lists payload": Case(
        bag(
            **{
                "tagmanifest-sha256.txt": lines(
                    (sha(bag()["manifest-sha256.txt"]), "manifest-sha256.txt"), (sha(HELLO), "data/hello.txt")
                )
            }
        ),
        False,
        {"outside"},
    ),
    "tag manifest that lists a missing file": Case(
        bag(
            **{
                "tagmanifest-sha256.txt": lines(
                    (sha(bag()["manifest-sha256.txt"]), "manifest-sha256.txt"), (sha(b""), "gone.txt")
                )
            }
        ),
        False,
        missing=("gone.txt",),
    ),
    "tag manifest that lists a tag manifest": Case(
        bag(
            **{
                "tagmanifest-md5.txt": lines(
                    (sha(bag()["manifest-sha256.txt"], "md5"), "manifest-sha256.txt")
                ),
                "tagmanifest-sha256.txt": lines(
                    (sha(bag()["manifest-sha256.txt"]), "manifest-sha256.txt"),
                    (
                        sha(lines((sha(bag()["manifest-sha256.txt"], "md5"), "manifest-sha256.txt"))),
                        "tagmanifest-md5.txt",
                    ),
                ),
            }
        ),
        False,
        {"outside"},
        library=True,
    ),
    # --- 2.2.2 bag-info.txt
    "oxum": Case(bag(**{"bag-info.txt": b"Payload-Oxum: 6.1\n"}), True),
    "oxum wrong": Case(bag(**{"bag-info.txt": b"Payload-Oxum: 7.1\n"}), False, {"oxum_mismatch"}),
    "oxum no oxum": Case(bag(**{"bag-info.txt": b"Payload-Oxum: six.1\n"}), False, {"bad_oxum"}),
    "oxum twice": Case(
        bag(**{"bag-info.txt": b"Payload-Oxum: 6.1\n" * 2}), False, {"oxum_repeated"}, library=True
    ),
    "bagging date twice": Case(
        bag(**{"bag-info.txt": b"Bagging-Date: 2026-03-04\n" * 2}), True, {"label_repeated"}
    ),
    "label repeated and continued": Case(
        bag(**{"bag-info.txt": b"Contact-Name: a\nContact-Name: b\n  c: d\n"}), True
    ),
    "no label": Case(bag(**{"bag-info.txt": b"just words\n"}), False, {"bad_line"}),
    # --- 2.2.3 fetch.txt
    "fetched already": Case(bag(**{"fetch.txt": b"https://a.example/h 6 data/hello.txt\n"}), True),
    "fetch length unknown": Case(bag(**{"fetch.txt": b"https://a.example/h - data/hello.txt\n"}), True),
    "not fetched yet": Case(
        bag(
            hello=None,
            **{
                "data/.keep": b"",
                "manifest": lines((sha(b""), "data/.keep"), (sha(HELLO), "data/hello.txt")),
                "fetch.txt": b"https://a.example/h 6 data/hello.txt\n",
            },
        ),
        False,
        {"not_fetched"},
        missing=("data/hello.txt",),
    ),
    "fetch of what no manifest lists": Case(
        bag(**{"fetch.txt": b"https://a.example/x 1 data/x.txt\n"}),
        False,
        {"not_in_every_manifest", "not_fetched"},
        missing=("data/x.txt",),
        library=True,
    ),
    "fetch of a tag file": Case(
        bag(**{"fetch.txt": b"https://a.example/x 1 bag-info.txt\n"}), False, {"outside"}, library=True
    ),
    "fetch of a path outside": Case(
        bag(**{"fetch.txt": b"https://a.example/x 1 ../../x\n"}), False, {"outside"}
    ),
}

OUTSIDE = [
    "../../../README.md",
    r"\.\./\.\./README.md",
    "data/../../README.md",
    "/tmp/foo",
    "~/foo",
    "~root/foo",
    "C:\\Windows\\win.ini",
    "%HomeDrive%\\foo",
    "\\\\?\\UNC\\server\\share\\foo",
    "data/../../data-elsewhere/x",
]


def write(root, files):
    for path, content in files.items():
        place = root / path
        place.parent.mkdir(parents=True, exist_ok=True)
        place.write_bytes(content)


@pytest.mark.parametrize("name", CASES)
def test_a_bag_is_checked_as_the_suite_and_the_standard_say(tmp_path, name):
    case = CASES[name]
    if WINDOWS and "form" in name:
        pytest.skip("the name cannot be made here")
    write(tmp_path, case.files)
    check = check_bag(tmp_path)
    found = {finding.code for finding in (check.warnings if case.valid else check.bad)}
    assert check.valid is case.valid, check
    assert case.codes <= found
    if not case.valid:
        assert found == case.codes
    assert check.missing == case.missing
    assert check.unlisted == case.unlisted
    assert (outside_verdict(tmp_path) == "") is (case.valid if case.library is None else case.library)


@pytest.mark.parametrize("version", [V1, V097], ids=["1.0", "0.97"])
@pytest.mark.parametrize("path", OUTSIDE)
def test_a_path_that_leaves_the_bag_is_invalid_and_not_followed(tmp_path, path, version):
    # suite: out-of-scope-file-paths-using-dot-notation, linux-only, windows-only; RFC 8493, 5.1
    secret = b"secret"
    (tmp_path / "data-elsewhere").mkdir()
    (tmp_path / "data-elsewhere" / "x").write_bytes(secret)
    bag_dir = tmp_path / "bag"
    write(bag_dir, bag(bagit=version, manifest=lines((sha(HELLO), "data/hello.txt"), (sha(secret), path))))
    check = check_bag(bag_dir)
    assert {finding.code for finding in check.bad} == {"outside"}
    assert outside_verdict(bag_dir) != ""
    if version == V1:
        with pytest.raises(BagError):
            read_manifest(bag_dir)


@pytest.mark.skipif(WINDOWS, reason="symbolic links need a privilege on Windows")
@pytest.mark.parametrize("what", ["file", "folder", "dangling"])
def test_a_link_inside_a_bag_is_a_finding_and_is_not_followed(tmp_path, what):
    bag_dir = tmp_path / "bag"
    write(bag_dir, bag(hello=None))
    (tmp_path / "real").mkdir()
    (tmp_path / "real" / "hello.txt").write_bytes(HELLO)
    if what == "folder":
        (bag_dir / "data").symlink_to(tmp_path / "real", target_is_directory=True)
    else:
        (bag_dir / "data").mkdir()
        (bag_dir / "data" / "hello.txt").symlink_to(
            tmp_path / ("real/hello.txt" if what == "file" else "none")
        )
    check = check_bag(bag_dir)
    assert "not_a_file" in {finding.code for finding in check.bad}
    assert check.missing == ("data/hello.txt",)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes here")
def test_a_pipe_in_a_bag_does_not_hang_the_check(tmp_path):
    write(tmp_path, bag())
    os.mkfifo(tmp_path / "data" / "pipe")
    assert {finding.code for finding in check_bag(tmp_path).bad} == {"not_a_file"}


def test_names_that_only_case_tells_apart_are_valid_with_a_warning(tmp_path):
    # suite v0.97/warning
    manifest = lines((sha(HELLO), "data/hello.txt"), (sha(b"x"), "data/HELLO.txt"))
    write(tmp_path, bag(bagit=V097, manifest=manifest, **{"data/HELLO.txt": b"x"}))
    if len(list((tmp_path / "data").iterdir())) < 2:
        pytest.skip("this file system does not tell case apart")
    check = check_bag(tmp_path)
    assert check.valid
    assert {finding.code for finding in check.warnings} == {"look_alike"}
    assert outside_verdict(tmp_path) == ""


def test_encoded_names_are_decoded_once_by_version(tmp_path):
    # RFC 8493, 2.1.3: LF, CR and % are encoded, nothing else; before 1.0 % was not
    if WINDOWS:
        pytest.skip("such names cannot be made here")
    names = {
        "a%0Ab": "a\nb",
        "a%0Db": "a\rb",
        "a%0d%0ab": "a\r\nb",
        "a%250Ab": "a%0Ab",
        "50%25": "50%",
        "a%41": "a%41",
    }
    manifest = lines(*((sha(real.encode()), f"data/{spelled}") for spelled, real in names.items()))
    write(
        tmp_path,
        {
            "bagit.txt": V1,
            "manifest-sha256.txt": manifest,
            **{f"data/{real}": real.encode() for real in names.values()},
        },
    )
    check = check_bag(tmp_path)
    assert check.valid, check
    assert set(read_manifest(tmp_path)) == set(names.values())


def test_our_names_with_a_percent_sign_follow_the_standard_where_the_library_does_not(tmp_path):
    # bagit 1.9 does not decode %25 (RFC 8493, 2.1.3): should this begin to fail, it has learnt to
    bag_dir = tmp_path / "bag"
    build_bag(bag_dir, {"50%.JPG": photo(tmp_path / "kept", "x")}, {}, INFO)
    assert "data/50%25.JPG" in (bag_dir / "manifest-sha256.txt").read_text()
    assert check_bag(bag_dir).valid
    assert list(read_manifest(bag_dir)) == ["50%.JPG"]
    assert outside_verdict(bag_dir) != ""


def test_a_folder_that_is_not_there_is_no_bag(tmp_path):
    check = check_bag(tmp_path / "none")
    assert (check.valid, check.checked) == (False, 0)
    with pytest.raises(BagError):
        read_manifest(tmp_path / "none")


# --- properties --------------------------------------------------------------------------

letters = st.characters(
    codec="utf-8", exclude_categories=("Cc", "Cs", "Zl", "Zp"), exclude_characters='<>:"/\\|?*%'
)
names = st.lists(st.text(letters, min_size=1, max_size=12), min_size=1, max_size=3).map("/".join)


@pytest.fixture
def memory(tmp_path):
    folder = fast_folder(tmp_path)
    yield folder
    if folder != tmp_path:
        shutil.rmtree(folder)


@given(data=st.data())
@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_bag_we_build_is_valid_for_us_and_for_the_reference_library(memory, data):
    folder = Path(tempfile.mkdtemp(dir=memory))
    wanted = data.draw(st.lists(names, max_size=5, unique=True))
    try:
        require_safe(wanted, "a bag")
    except BadInputError:
        reject()  # refused by name: nothing to build
    built = build_bag(folder / "bag", photos(folder / "kept", *wanted), {}, INFO)
    check = check_bag(folder / "bag")
    assert check.valid, check
    assert (built.payload_files, check.checked) == (len(wanted), len(wanted))
    assert set(read_manifest(folder / "bag")) == set(wanted)
    assert outside_verdict(folder / "bag") == ""


@given(data=st.data())
@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_single_changed_byte_in_a_bag_of_ours_is_found(memory, data):
    bag_dir = memory / "bag"
    if not bag_dir.exists():
        build_bag(bag_dir, photos(memory / "kept", "A1.JPG", "A2.JPG"), {"records/c.json": b"{}"}, INFO)
    victim = data.draw(st.sampled_from(sorted(p for p in bag_dir.rglob("*") if p.is_file())))
    content = victim.read_bytes()
    place = data.draw(st.integers(0, len(content) - 1))
    mask = data.draw(st.integers(1, 255))
    victim.chmod(0o644)
    try:
        victim.write_bytes(content[:place] + bytes([content[place] ^ mask]) + content[place + 1 :])
        check = check_bag(bag_dir)
        if check.valid:  # only where the byte says nothing: another kind of blank, a digit in capitals
            assert victim.name == "tagmanifest-sha256.txt"
            assert victim.read_bytes().lower().split() == content.lower().split()
    finally:
        victim.write_bytes(content)
