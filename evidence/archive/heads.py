"""Signed tree heads of the custody log, and where they are kept.

A head states how long the log was and its Merkle root (RFC 9162) at some time, signed with the archive's
key (Ed25519, RFC 8032). Heads are appended to `custody-heads/<archive id>/heads.jsonl` at each backup target
and in the archive. A log that does not extend one of them was cut, altered or rolled back.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import rfc8785

from evidence.archive.custody import CustodyLog
from evidence.archive.custody_lines import Anchor, utc_text
from evidence.disk.durable import make_folder, sync_descriptor, sync_folder, write_all
from evidence.disk.faults import writing
from evidence.errors import DestinationError
from evidence.model import Sha256

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

HEADS = "custody-heads"
"""The folder of heads, at a target and in the archive's `custody` folder."""
_FILE = "heads.jsonl"
_ARCHIVE_ID = re.compile(r"[0-9a-f]{32}")
_HEX64 = re.compile(r"[0-9a-f]{64}")
_SIGNATURE = re.compile(r"[0-9a-f]{128}")
_AT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{6}Z")
_LAST_LINES = 4096
"""Bytes at the end of a file of heads that hold its last lines."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TreeHead:
    """What is signed, as canonical JSON (RFC 8785) of these fields."""

    archive: str
    """The archive's id, 32 hexadecimal digits."""
    size: int
    """Entries in the log, 1 or more."""
    root: str
    """Merkle root over their lines, 64 hexadecimal digits."""
    last: Sha256
    """Digest of the last entry's line."""
    time: str
    """When it was signed by this computer's clock, UTC: 2026-05-14T17:30:00.000000Z."""

    def signed_bytes(self) -> bytes:
        """The bytes that the signature is over."""
        return rfc8785.dumps(asdict(self))

    def anchor(self, where: str) -> Anchor:
        """The head for `CustodyLog.verify`."""
        return Anchor(seq=self.size, sha256=self.last, root=self.root, where=where)


@dataclass(frozen=True, slots=True, kw_only=True)
class SignedHead:
    """A head with its signature and the public key that checks it."""

    head: TreeHead
    key: str
    """Public key, Ed25519, 32 bytes as 64 hexadecimal digits."""
    signature: str
    """64 bytes as 128 hexadecimal digits."""

    def line(self) -> bytes:
        """The canonical JSON of the head, as files keep it."""
        return rfc8785.dumps(asdict(self))

    def is_genuine(self) -> bool:
        """True when the signature fits the head and the key; the custody log records whose key it is."""
        from cryptography.exceptions import InvalidSignature  # noqa: PLC0415 - most commands never need it
        from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey  # noqa: PLC0415

        try:
            public = Ed25519PublicKey.from_public_bytes(bytes.fromhex(self.key))
            public.verify(bytes.fromhex(self.signature), self.head.signed_bytes())
        except (InvalidSignature, ValueError):
            return False
        return True

    def text(self) -> str:
        """One line for a certificate or a report: size, root, and the first digits of signature and key."""
        return (
            f"{self.head.size} entries, root {self.head.root}, signature {self.signature[:16]}, "
            f"key {fingerprint(self.key)[:16]}"
        )


def fingerprint(public_key: str) -> str:
    """SHA-256 of a public key's 32 bytes, 64 hexadecimal digits; certificates print the first 16."""
    return hashlib.sha256(bytes.fromhex(public_key)).hexdigest()


def sign_head(archive: str, end: Anchor, key: Ed25519PrivateKey, at: datetime) -> SignedHead:
    """Sign the end of a log that is not empty; `end` has its root, `at` is aware."""
    time = utc_text(at)
    head = TreeHead(archive=archive, size=end.seq, root=end.root, last=end.sha256, time=time)
    return SignedHead(
        head=head,
        key=key.public_key().public_bytes_raw().hex(),
        signature=key.sign(head.signed_bytes()).hex(),
    )


def parse_head(value: object) -> SignedHead | None:
    """The head in a JSON value; None when a field is missing, unknown or of the wrong form."""
    if not isinstance(value, dict) or value.keys() != {"head", "key", "signature"}:
        return None
    head = value["head"]
    if not isinstance(head, dict) or not _is_head(head):
        return None
    if not _matches(_HEX64, value["key"]) or not _matches(_SIGNATURE, value["signature"]):
        return None
    return SignedHead(head=TreeHead(**head), key=value["key"], signature=value["signature"])


def _is_head(head: Mapping[str, Any]) -> bool:
    return (
        head.keys() == {"archive", "size", "root", "last", "time"}
        and _matches(_ARCHIVE_ID, head["archive"])
        and type(head["size"]) is int
        and 0 < head["size"] < 1 << 53
        and _matches(_HEX64, head["root"])
        and _matches(_HEX64, head["last"])
        and _matches(_AT, head["time"])
    )


def _matches(pattern: re.Pattern[str], text: object) -> bool:
    return isinstance(text, str) and pattern.fullmatch(text) is not None


# --- kept at a target --------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptLine:
    """One line of a file of heads."""

    archive: str
    """Name of the folder that holds it: the id of the archive that wrote it."""
    number: int
    """Number of the line, from 1."""
    signed: SignedHead | None
    """None for a line that is not a head."""


def write_head(target_root: Path, signed: SignedHead) -> bool:
    """Append a head to those kept at a target, flushed; False when the newest there is the same log.

    Nothing that is there is changed. Raises DestinationError.
    """
    folder = _heads_folder(target_root) / signed.head.archive
    newest = newest_head(target_root, signed.head.archive)
    if newest and (newest.head.size, newest.head.root) == (signed.head.size, signed.head.root):
        return False
    path = folder / _FILE
    with writing(path):
        make_folder(folder)
        _refuse_link(folder, path)
        flags = os.O_RDWR | os.O_CREAT | os.O_APPEND | getattr(os, "O_BINARY", 0)
        descriptor = os.open(path, flags, 0o640)
        try:
            torn = not _ends_whole(descriptor)
            write_all(descriptor, (b"\n" if torn else b"") + signed.line() + b"\n")
            sync_descriptor(descriptor)
        finally:
            os.close(descriptor)
        sync_folder(folder)
    return True


def _ends_whole(descriptor: int) -> bool:
    """False when a killed run left a line without its end."""
    size = os.lseek(descriptor, 0, os.SEEK_END)
    if not size:
        return True
    os.lseek(descriptor, size - 1, os.SEEK_SET)
    return os.read(descriptor, 1) == b"\n"


def read_heads(target_root: Path, archive: str | None = None) -> tuple[SignedHead, ...]:
    """The heads kept at a target, of one archive or of all, in the order they were written; not verified.

    Lines that are not heads are left out, see `kept_lines`. Raises DestinationError.
    """
    return tuple(
        line.signed
        for line in kept_lines(target_root)
        if line.signed and (archive is None or line.archive == archive)
    )


def kept_lines(target_root: Path) -> Iterator[KeptLine]:
    """Every whole line of every file of heads at a target. Raises DestinationError."""
    root = _heads_folder(target_root)
    with writing(root):
        folders = sorted(root.iterdir()) if root.is_dir() else []
    for folder in folders:
        path = folder / _FILE
        if not _ARCHIVE_ID.fullmatch(folder.name) or not path.is_file():
            continue
        _refuse_link(folder, path)
        with writing(path), path.open("rb") as handle:
            for number, line in enumerate(handle, start=1):
                yield KeptLine(archive=folder.name, number=number, signed=_head_of_line(line))


def newest_head(target_root: Path, archive: str) -> SignedHead | None:
    """The last head that this archive wrote at a target, not verified; reads the end of the file alone."""
    return next(iter(_last_heads(target_root, archive)), None)


def later_head(log: CustodyLog, target_root: Path, archive: str) -> SignedHead | None:
    """The newest head of this archive at a target if our log does not extend it: then our log is older, or was cut.

    A line with a signature that does not fit is passed over if there is a genuine head among the last lines. Costs
    the same for a log of any length. Raises DestinationError.
    """
    last = _last_heads(target_root, archive)
    newest = next((signed for signed in last if signed.is_genuine()), last[0] if last else None)
    if newest is None or log.extends(newest.head.anchor("")):
        return None
    return newest


def _last_heads(target_root: Path, archive: str) -> list[SignedHead]:
    """The heads in the last lines of the file, the newest first, not verified."""
    folder = _heads_folder(target_root) / archive
    path = folder / _FILE
    _refuse_link(folder, path)
    with writing(path):
        if not path.is_file():
            return []
        with path.open("rb") as handle:
            size = handle.seek(0, os.SEEK_END)
            handle.seek(max(0, size - _LAST_LINES))
            lines = handle.read().split(b"\n")
    heads = (_head_of_line(line) for line in reversed(lines))
    return [signed for signed in heads if signed]


def _head_of_line(line: bytes) -> SignedHead | None:
    try:
        return parse_head(json.loads(line))
    except ValueError:
        return None


def _heads_folder(root: Path) -> Path:
    folder = root / HEADS
    _refuse_link(folder)
    return folder


def _refuse_link(*paths: Path) -> None:
    for path in paths:
        if path.is_symlink():
            raise DestinationError(
                f"{path} is a link, and links in a backup target are not followed.",
                "Remove the link, then run it again.",
            )
