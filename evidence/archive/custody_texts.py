"""Free text of the custody log, kept beside it so that a purge can remove it and the chain still verifies.

An entry holds only the salted digest of such a text: SHA-256 over 16 random bytes and the UTF-8 text. Salt and text
are in a side file for each thousand entries, below `custody-texts/`. When salt and text are gone, the digest alone
lets nobody test a guess. An entry `texts_removed` names the entries whose texts were removed on purpose.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import secrets
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from evidence.archive.custody_lines import Draft, Entry
from evidence.disk.durable import discard_part, make_folder, replace_file, sync_folder, write_all
from evidence.errors import counted

FOLDER = "custody-texts"
REMOVED = "texts_removed"
"""The action of the entry that names the entries whose texts were removed."""
NO_TEXT = "(text removed)"
"""Shown in place of a text that is not there."""
_KEY = "text_sha256"
_SUBJECT = "text_sha256:"
PER_FILE = 1000
"""Entries whose texts are in one side file."""
TEXT_MARK, REMOVED_MARK = _KEY.encode(), REMOVED.encode()
"""What the line of an entry with a free text, and of one that names removed texts, holds."""
_SALT_BYTES = 16
_DIGEST = re.compile(r"[0-9a-f]{64}")


class FreeText(str):
    """Text for the log that a person wrote or a card gave: a name, a reason, a path. It may name somebody."""

    __slots__ = ()


@dataclass(frozen=True, slots=True)
class KeptText:
    """One text beside the log."""

    salt: str
    """32 hexadecimal digits."""
    text: str

    @property
    def digest(self) -> str:
        """What the entry holds."""
        return hashlib.sha256(bytes.fromhex(self.salt) + self.text.encode()).hexdigest()


def set_apart(draft: Draft) -> tuple[Draft, list[KeptText]]:
    """The draft with digests in place of its free texts, and the texts. Free text in lists and objects counts too."""
    texts: list[KeptText] = []

    def apart(value: Any) -> Any:
        if isinstance(value, FreeText):
            texts.append(KeptText(secrets.token_hex(_SALT_BYTES), str(value)))
            return {_KEY: texts[-1].digest}
        if isinstance(value, Mapping):
            return {name: apart(one) for name, one in value.items()}
        return [apart(one) for one in value] if isinstance(value, list | tuple) else value

    details = apart(draft.details)
    subject = draft.subject
    if isinstance(subject, FreeText):
        subject = _SUBJECT + apart(subject)[_KEY]
    return replace(draft, subject=subject, details=details), texts


def digests_in(entry: Entry) -> list[str]:
    """The digests of the texts that an entry had."""
    found = [entry.subject.removeprefix(_SUBJECT)] if _is_text(entry.subject) else []
    return found + list(_walk(entry.details))


def _is_text(subject: str) -> bool:
    return subject.startswith(_SUBJECT) and bool(_DIGEST.fullmatch(subject.removeprefix(_SUBJECT)))


def _digest_of(value: Any) -> str | None:
    """The digest in a value that was read from a line, which is plain JSON data."""
    if isinstance(value, dict) and value.keys() == {_KEY}:
        return str(value[_KEY])
    return None


def _walk(value: Any) -> Iterator[str]:
    digest = _digest_of(value)
    if digest is not None:
        yield digest
    elif isinstance(value, dict):
        for one in value.values():
            yield from _walk(one)
    elif isinstance(value, list):
        for one in value:
            yield from _walk(one)


def with_texts(entry: Entry, texts: Iterable[KeptText]) -> Entry:
    """The entry with these texts in place of their digests, and `NO_TEXT` for each other one."""
    by_digest = {one.digest: one.text for one in texts}

    def put(value: Any) -> Any:
        digest = _digest_of(value)
        if digest is not None:
            return by_digest.get(digest, NO_TEXT)
        if isinstance(value, dict):
            return {name: put(one) for name, one in value.items()}
        return [put(one) for one in value] if isinstance(value, list) else value

    subject = entry.subject
    if _is_text(subject):
        subject = by_digest.get(subject.removeprefix(_SUBJECT), NO_TEXT)
    return replace(entry, subject=subject, details=put(entry.details))


class TextFiles:
    """The side files of one log. The log's lock guards them."""

    def __init__(self, log: Path) -> None:
        self.folder = log.parent / FOLDER

    def add(self, seq: int, texts: Collection[KeptText]) -> None:
        """Append the texts of entry `seq`; on disk when this returns, before the entry itself. Raises OSError."""
        if not texts:
            return
        path = self._path(seq)
        make_folder(path.parent)
        is_new = not path.exists()
        flags = os.O_WRONLY | os.O_CREAT | os.O_APPEND | getattr(os, "O_BINARY", 0)
        descriptor = os.open(path, flags, 0o640)
        try:
            write_all(descriptor, b"".join(b"\n" + _line(one) for one in texts) + b"\n")
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
        if is_new:
            sync_folder(path.parent)

    def of_file(self, seq: int) -> dict[str, KeptText]:
        """The texts of the side file of entry `seq`, by digest; a damaged line is left out."""
        found: dict[str, KeptText] = {}
        for line in self._lines(seq):
            try:
                data = json.loads(line)
                kept = KeptText(salt=str(data["salt"]), text=str(data["text"]))
                found[kept.digest] = kept
            except (ValueError, KeyError, TypeError):
                continue
        return found

    def firsts(self) -> list[int]:
        """The first entry of each side file that is there, in order."""
        return sorted(int(path.stem) for path in self.folder.glob("*.jsonl") if path.stem.isdecimal())

    def may_hold(self, first: int, last: int, text: str) -> bool:
        """False when no entry from `first` to `last` has this text, in any case of letters."""
        wanted = json.dumps(text, ensure_ascii=False)[1:-1].casefold()
        for seq in range(first_of_file(first), last + 1, PER_FILE):
            try:
                if wanted in self._path(seq).read_text(encoding="utf-8", errors="surrogateescape").casefold():
                    return True
            except OSError:
                continue
        return False

    def lines_in(self, seq: int) -> int:
        """The lines of the side file of entry `seq`, damaged ones too."""
        return len(self._lines(seq))

    def _lines(self, seq: int) -> list[bytes]:
        try:
            return [line for line in self._path(seq).read_bytes().split(b"\n") if line]
        except OSError:
            return []

    def write_file(self, seq: int, texts: Collection[KeptText]) -> None:
        """Replace the side file of entry `seq`; without texts it is removed. Raises OSError."""
        path = self._path(seq)
        if texts:
            replace_file(path, b"".join(_line(one) + b"\n" for one in texts))
        else:
            discard_part(path)  # a killed run may have left texts in it that are removed now
            path.unlink(missing_ok=True)
        sync_folder(path.parent)

    def _path(self, seq: int) -> Path:
        return self.folder / f"{(seq - 1) // PER_FILE * PER_FILE + 1:010d}.jsonl"


def first_of_file(seq: int) -> int:
    """The first entry whose texts are in the same side file as those of `seq`."""
    return (seq - 1) // PER_FILE * PER_FILE + 1


def _line(kept: KeptText) -> bytes:
    return json.dumps({"salt": kept.salt, "text": kept.text}, ensure_ascii=False).encode()


class TextReader:
    """Puts the texts back into entries that are read in order; one side file is in memory at a time."""

    def __init__(self, files: TextFiles) -> None:
        self._files = files
        self._first = 0
        self._texts: dict[str, KeptText] = {}

    def kept(self, seq: int, digest: str) -> KeptText | None:
        """The text of that digest in entry `seq`, or None."""
        first = first_of_file(seq)
        if first != self._first:
            self._first, self._texts = first, self._files.of_file(seq)
        return self._texts.get(digest)

    def whole(self, entry: Entry) -> Entry:
        """The entry as it was recorded, with `NO_TEXT` for a text that is not there."""
        digests = digests_in(entry)
        if not digests:
            return entry
        return with_texts(entry, [kept for digest in digests if (kept := self.kept(entry.seq, digest))])


class MissingTexts:
    """Finds, in one pass over a log, entries whose text is not there although no entry says that it was removed."""

    def __init__(self, files: TextFiles) -> None:
        self._reader = TextReader(files)
        self.digests: dict[int, set[str]] = {}
        """The digests of the missing texts, by entry."""

    def see(self, entry: Entry) -> None:
        """Process one entry."""
        if entry.action == REMOVED and isinstance(entry.details.get("entries"), list):
            for seq in entry.details["entries"]:
                self.digests.pop(seq, None)
        missing = {one for one in digests_in(entry) if self._reader.kept(entry.seq, one) is None}
        if missing:
            self.digests[entry.seq] = missing

    def forget(self, digests: Collection[str]) -> None:
        """Count these texts as found."""
        for seq, missing in list(self.digests.items()):
            missing.difference_update(digests)
            if not missing:
                del self.digests[seq]

    def message(self) -> tuple[int, str] | None:
        """The first such entry and what to say, or None."""
        if not self.digests:
            return None
        first = min(self.digests)
        entries = counted(len(self.digests), "entry", "entries")
        message = (
            f"The text of {entries} is altered or missing, first of entry {first}; no purge removed it. "
            "`evidence repair` brings it back from a backup target that has it."
        )
        return first, message


def texts_to_remove(
    entries: Iterator[Entry], files: TextFiles, is_private: Callable[[Entry, str], bool]
) -> dict[int, set[str]]:
    """Digests of the texts that `is_private` chooses (given the entry and the text), by entry."""
    reader = TextReader(files)
    found: dict[int, set[str]] = {}
    for entry in entries:
        for digest in digests_in(entry):
            kept = reader.kept(entry.seq, digest)
            if kept is not None and is_private(entry, kept.text):
                found.setdefault(entry.seq, set()).add(digest)
    return found
