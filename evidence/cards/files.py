"""Lists a card: every file found, in shooting order, and every file refused, with the reason."""

from __future__ import annotations

import fnmatch
import re
import stat
from collections import Counter, defaultdict
from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path, PurePosixPath

from evidence.cards.reading import FolderEntry, encode_name, is_unsafe_name, list_folder, open_on_card
from evidence.errors import CardReadError
from evidence.model import DcfName, Found, MediaKind, Refusal
from evidence.plain_words import natural_key

KINDS: dict[str, MediaKind] = {
    **dict.fromkeys(("jpg", "jpeg", "jpe", "heic", "heif", "hif", "avif", "png", "tif", "tiff", "webp"), MediaKind.PHOTO),
    **dict.fromkeys(("dng", "cr2", "cr3", "crw", "nef", "nrw", "arw", "sr2", "rw2", "orf", "raf", "pef", "srw", "3fr", "iiq"), MediaKind.RAW),
    **dict.fromkeys(("mov", "mp4", "m4v", "avi", "mts", "m2ts", "mpg", "3gp", "mkv", "webm"), MediaKind.VIDEO),
    **dict.fromkeys(("wav", "mp3", "m4a", "aac", "amr", "ogg", "wma"), MediaKind.SOUND),
}  # fmt: skip
"""By extension, lower case. Everything else is `other` and is kept too."""

SIDECARS = frozenset({"xmp", "thm", "aae", "txt"})
"""Extensions of small files that describe the photo with the same name."""

LITTER: tuple[str, ...] = (
    # macOS
    ".DS_Store", "._*", ".apdisk", ".VolumeIcon.icns", ".metadata_never_index", ".metadata_never_index_unless_rootfs",
    ".Spotlight-V100/", ".Trashes/", ".fseventsd/", ".TemporaryItems/",
    ".DocumentRevisions-V100/", "__MACOSX/",
    # Windows
    "Thumbs.db", "Thumbs.db:*", "ehthumbs.db", "ehthumbs_vista.db", "desktop.ini", "autorun.inf",
    "System Volume Information/", "$RECYCLE.BIN/", "RECYCLER/",
    # Linux and Android
    ".directory", ".nomedia", ".Trash-*/", ".trashed-*/", "lost+found/", ".thumbnails/*", ".thumbdata*",
    # what cameras write for themselves: counters, indexes, print orders
    "*.CTG", "AUTPRINT.MRK", "INDEXING.BDM", "MOVIEOBJ.BDM", "INDEX.BDM",
    "AVIN????.INP", "AVIN????.BNP", "AVIN????.INT",
)  # fmt: skip
"""Patterns of files that a system or a camera creates for its own use.

A pattern is compared with the names of files and folders, case ignored; with a `/` at its end, of
folders only. Files below such a folder are litter too, except photos, videos and sounds: a photo
in the trash of a card is still on the card. A pattern with a `/` inside is compared with the end
of the path; what matches is litter whatever its kind.
"""

_APPLE_DOUBLE = b"\x00\x05\x16\x07"
"""First four bytes of an AppleDouble header file (RFC 1740, appendix B)."""
_MEDIA_HEADS = (b"\xff\xd8", b"II", b"MM", b"\x89PNG", b"RIFF", b"FUJIFILM", b"ID3", b"\xff\xfb", b"OggS")
"""First bytes of photos, raw files, videos and sounds; ISO media have `ftyp` at byte 4."""
_LITTER_AT_MOST = 64 * 1024
"""Bytes. Companion files of a system have 4 KiB, rarely more; a larger file is not one."""

_DCF_FOLDER = re.compile(r"([1-9][0-9]{2})[0-9A-Z_]{5}", re.IGNORECASE | re.ASCII)
_DCF_FILE = re.compile(r"[0-9A-Z_]{4}([0-9]{4})", re.IGNORECASE | re.ASCII)
_KIND_ORDER = {kind: place for place, kind in enumerate(MediaKind)}
_EARLIEST = datetime(1990, 1, 1, tzinfo=UTC)
"""Earlier time stamps are wrong: 1980-01-01 is the zero of the FAT file system."""
_LATEST = datetime(2100, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True, kw_only=True)
class CardListing:
    """Every file of a card, each exactly once: found or refused."""

    found: tuple[Found, ...]
    """In DCF order, then the others by name, numbers in names counted as numbers."""
    refused: tuple[Refusal, ...]
    """By path. A folder that could not be opened, or a link, is one entry for all below it."""


def list_card(root: Path, *, litter: Collection[str] = LITTER) -> CardListing:
    """List a card. Reads folder entries, and the first bytes of photos named like litter.

    Links are not followed. Raises nothing for what is on the card: a file or folder that cannot be
    listed is refused with its reason, and blocks erasing the card.
    """
    found: list[Found] = []
    refused: list[Refusal] = []
    litter_filter = LitterFilter(litter)
    waiting: list[tuple[Path, str, bool]] = [(root, "", False)]
    while waiting:
        folder, above, in_litter = waiting.pop()
        listing = list_folder(folder)
        if listing.error:
            refused.append(
                _unreadable(above or ".", f"the folder cannot be listed ({listing.error})", in_litter)
            )
        for entry in listing.entries:
            path = f"{above}/{encode_name(entry.name)}" if above else encode_name(entry.name)
            refusal = _refusal(entry, path)
            if refusal:
                refused.append(refusal)
            elif entry.is_folder:
                waiting.append(
                    (folder / entry.name, path, in_litter or litter_filter.names_folder(entry.name))
                )
            elif litter_filter.is_litter(folder / entry.name, path, entry.size, in_litter):
                refused.append(
                    Refusal(
                        path=path,
                        code="system_litter",
                        reason="created by a computer or the camera for its own use",
                        blocks_erase=False,
                    )
                )
            else:
                found.append(_found(entry, path, root))
    keyed = _with_object_keys(found)
    return CardListing(
        found=tuple(sorted(keyed, key=_shooting_order)),
        refused=tuple(sorted(refused, key=lambda r: (_natural_path(r.path), r.path))),
    )


def kind_of(name: str) -> MediaKind:
    """The kind of file by its extension, case ignored."""
    return KINDS.get(_extension(name), MediaKind.OTHER)


def dcf_name(parts: Sequence[str]) -> DcfName | None:
    """The numbers of a file by the Design rule for Camera File system (DCF); None for other names.

    `parts` are the file's folders and name, outermost first. The file must be directly
    in a folder of three digits (100 to 999) and five characters inside DCIM, and its name must be
    four characters and a number from 0001 to 9999 (characters 0-9, A-Z and underscore, case
    ignored).
    """
    if len(parts) < 3 or parts[-3].upper() != "DCIM":
        return None
    folder = _DCF_FOLDER.fullmatch(parts[-2])
    stem, dot, extension = parts[-1].rpartition(".")
    file = _DCF_FILE.fullmatch(stem)
    if not (folder and file and dot and extension) or file[1] == "0000":
        return None
    return DcfName(folder_number=int(folder[1]), file_number=int(file[1]))


# --- one entry ---------------------------------------------------------------------------


def _refusal(entry: FolderEntry, path: str) -> Refusal | None:
    """Why an entry is refused, or None."""
    if is_unsafe_name(entry.name):
        return Refusal(path=path, code="unsafe_name", reason="its name would lead out of its folder")
    if entry.stat is None:
        return _unreadable(path, f"the system cannot tell what it is ({entry.error})", in_litter=False)
    if entry.is_link:
        return Refusal(path=path, code="symlink", reason="a link to another place; links are not followed")
    if entry.is_file or entry.is_folder:
        return None
    mode = entry.stat.st_mode
    what = (
        "a named pipe" if stat.S_ISFIFO(mode) else "a socket" if stat.S_ISSOCK(mode) else "a device file"
    )  # fmt: skip
    return Refusal(path=path, code="device", reason=f"{what}, not a regular file")


def _unreadable(path: str, why: str, in_litter: bool) -> Refusal:
    return Refusal(path=path, code="unreadable", reason=why, blocks_erase=not in_litter)


def _found(entry: FolderEntry, path: str, root: Path) -> Found:
    assert entry.stat is not None
    return Found(
        card_path=path,
        size=entry.stat.st_size,
        modified=_time_stamp(entry.stat.st_mtime),
        kind=kind_of(path),
        dcf=dcf_name((*root.parts[-2:], *path.split("/"))),
        object_key=f"file:{path}",
    )


def _time_stamp(seconds: float) -> datetime | None:
    try:
        stamp = datetime.fromtimestamp(seconds, UTC)
    except (OverflowError, ValueError, OSError):
        return None
    return stamp if _EARLIEST <= stamp < _LATEST else None


def _extension(name: str) -> str:
    """The extension in lower case; blanks and dots at the end of the name do not count."""
    return PurePosixPath(name.rstrip(" .\t\r\n")).suffix[1:].lower()


class LitterFilter:
    """The patterns of `LITTER`, or an office's own, compiled."""

    def __init__(self, patterns: Collection[str] = LITTER) -> None:
        lower = [pattern.lower() for pattern in patterns]
        names = [p for p in lower if "/" not in p]
        paths = [p for p in lower if "/" in p[:-1]]
        self._names = _any_of(names)
        self._folders = _any_of(names + [p[:-1] for p in lower if p.endswith("/")])
        self._paths = _any_of(paths + [f"*/{p}" for p in paths])

    def names_folder(self, name: str) -> bool:
        """True for the name of a system's folder."""
        return self._folders.match(name.lower()) is not None

    def names_file(self, name: str) -> bool:
        """True for a file name that matches; it may still be a photo."""
        return self._names.match(name.lower()) is not None

    def is_litter(self, file: Path, path: str, size: int, in_litter: bool) -> bool:
        """True when a file is litter; `path` is its path from the card's root."""
        if self._paths.match(path.lower()):
            return True
        is_media = kind_of(path) is not MediaKind.OTHER
        if self.names_file(path.rpartition("/")[2]):
            return not is_media or _is_system_companion(file, size)
        return in_litter and not is_media


def _any_of(patterns: Sequence[str]) -> re.Pattern[str]:
    """One expression for many patterns; matches nothing when there are none."""
    return re.compile("|".join(fnmatch.translate(p) for p in patterns) or r"(?!)")


def _is_system_companion(file: Path, size: int) -> bool:
    """True when a photo named like litter is a system's companion file, by its first bytes.

    A file that cannot be read counts as a photo.
    """
    try:
        handle = open_on_card(file)
    except CardReadError:
        return False
    try:
        head = handle.read(12)
    except OSError:
        return False
    finally:
        handle.close()
    if head.startswith(_APPLE_DOUBLE):
        return True
    return size <= _LITTER_AT_MOST and not head.startswith(_MEDIA_HEADS) and head[4:8] != b"ftyp"


# --- order and objects -------------------------------------------------------------------


def _natural_path(path: str) -> tuple[tuple[tuple[int, int, str], ...], ...]:
    return tuple(natural_key(part) for part in path.split("/"))


def _shooting_order(file: Found) -> tuple[object, ...]:
    by_name = (_natural_path(file.card_path), file.card_path)
    if file.dcf is None:
        return (1, *by_name)
    folder, _, _ = file.card_path.rpartition("/")
    dcim, _, _ = folder.rpartition("/")
    return (
        0,
        _natural_path(dcim),
        file.dcf.folder_number,
        _natural_path(folder),
        file.dcf.file_number,
        _KIND_ORDER[file.kind],
        *by_name,
    )


def _with_object_keys(files: Iterable[Found]) -> list[Found]:
    """Give files that belong together one object key.

    In a DCF folder, files with the same number are one object; where two images have the same
    number, the rest of the name tells them apart. Elsewhere, a photo, its raw file, its video and
    its sound are one object when they have the same name and there is only one of each kind.
    """
    groups: defaultdict[tuple[str, str], list[Found]] = defaultdict(list)
    for file in files:
        folder, _, name = file.card_path.rpartition("/")
        stem = name.rpartition(".")[0] or name
        group = f"dcf:{folder}/{file.dcf.file_number:04d}" if file.dcf else f"file:{folder}/{stem.casefold()}"
        groups[folder, group].append(file)
    keyed: list[Found] = []
    for (_, group), members in groups.items():
        share = _share_by_number if members[0].dcf else _share_by_stem
        keyed.extend(share(group, members))
    return keyed


def _share_by_number(group: str, members: Sequence[Found]) -> Iterable[Found]:
    finer: tuple[Callable[[Found], str], ...] = (
        lambda _: group,
        lambda f: f"{group}/{_stem(f).casefold()}",
        lambda f: f"{group}/{_stem(f)}",
    )
    for key in finer:
        twins = Counter((key(f), _extension(f.card_path)) for f in members)
        if max(twins.values()) == 1:
            return [replace(f, object_key=key(f)) for f in members]
    return members


def _share_by_stem(group: str, members: Sequence[Found]) -> Iterable[Found]:
    together = [f for f in members if f.kind is not MediaKind.OTHER or _extension(f.card_path) in SIDECARS]
    kinds = Counter(f.kind for f in together)
    if len(together) < 2 or max(kinds.values()) > 1 or not any(k is not MediaKind.OTHER for k in kinds):
        return members
    return [replace(f, object_key=group) if f in together else f for f in members]


def _stem(file: Found) -> str:
    return PurePosixPath(file.card_path).stem
