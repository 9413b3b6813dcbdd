"""Proofs that one entry is in the custody log, as JSON that a third party checks with RFC 9162 alone."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from evidence.archive.custody import CustodyLog
from evidence.archive.custody_lines import Entry, parse_line
from evidence.archive.custody_texts import KeptText, TextReader, digests_in, with_texts
from evidence.archive.custody_tree import LogTree
from evidence.archive.heads import SignedHead, fingerprint, parse_head
from evidence.archive.merkle import consistency_ranges, verify_consistency, verify_inclusion
from evidence.errors import BadInputError, CustodyError

_FIELDS = {"leaf", "index", "size", "path", "root", "head"}
_DIFFERS, _VERIFY = "The custody log does not match its head.", "Run `evidence custody --verify`."
_MAX_PATH = 64
"""Hashes in a proof: a tree of 2^53 leaves has fewer levels."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ProofCheck:
    """What checking a proof file found."""

    valid: bool
    troubles: tuple[str, ...]
    """Why it proves nothing; empty when it is valid."""
    entry: Mapping[str, Any]
    """The entry that was proved, as the log has it."""
    entries: int
    """Length of the log that it was proved in."""
    archive: str
    signed_at: str
    """By the signer's clock, UTC."""
    key: str
    """Fingerprint of the signer's key: compare it with one from a certificate or a report."""
    extends: int | None
    """Length of the earlier log that was proved to be the beginning of this one; None without that part."""


def make_proof(
    log: CustodyLog, number: int, signed: SignedHead, *, since: int | None = None
) -> dict[str, Any]:
    """The proof that entry `number` is in the log whose head was signed.

    With `since` also the proof that this log begins with that many earlier entries. Raises BadInputError for
    a number that is not there, CustodyError when the log does not match its head.
    """
    size = signed.head.size
    for wanted in (number, since if since is not None else 1):
        if not 1 <= wanted <= size:
            raise BadInputError(f"The log has no entry {wanted}.", f"Its entries are 1 to {size}.")
    tree = _tree_of(log, signed)
    leaf, path = tree.leaf(number), tree.path(number)
    if not verify_inclusion(leaf, number - 1, size, path, bytes.fromhex(signed.head.root)):
        raise CustodyError(_DIFFERS, _VERIFY)
    proof: dict[str, Any] = {
        "leaf": leaf.decode("utf-8"),
        "index": number - 1,
        "size": size,
        "path": [each.hex() for each in path],
        "root": signed.head.root,
        "head": json.loads(signed.line()),
    }
    if texts := _texts_of(log, leaf):
        proof["texts"] = texts
    if since is not None:
        before = tree.subtree(0, since)
        path = tuple(tree.subtree(*each) for each in consistency_ranges(since, size))
        if not verify_consistency(since, size, path, before, bytes.fromhex(signed.head.root)):
            raise CustodyError(_DIFFERS, _VERIFY)
        proof["extends"] = {"size": since, "root": before.hex(), "path": [each.hex() for each in path]}
    return proof


def _texts_of(log: CustodyLog, leaf: bytes) -> list[dict[str, str]]:
    """The free texts of an entry that are still beside the log, with their salts."""
    entry, _ = parse_line(leaf)
    reader = TextReader(log.texts)
    found = [reader.kept(entry.seq, digest) for digest in digests_in(entry)] if entry else []
    return [{"salt": one.salt, "text": one.text} for one in found if one]


def _tree_of(log: CustodyLog, signed: SignedHead) -> LogTree:
    """The tree whose root was signed. An index that leads to another root is made anew, and every line is read.

    Raises CustodyError when the log has another root.
    """
    for index in (log.index, None):
        tree = LogTree(log.path, signed.head.size, index)
        try:
            if tree.root().hex() == signed.head.root:
                if index is None:
                    log.index.make_anew()
                return tree
        except (OSError, ValueError):
            continue
    raise CustodyError(_DIFFERS, _VERIFY)


def check_proof(content: bytes) -> ProofCheck:
    """Check a proof file with nothing but itself. Raises BadInputError for a file that is not a proof."""
    value = _parsed(content)
    signed = parse_head(value["head"])
    assert signed is not None
    leaf, root = value["leaf"].encode("utf-8"), bytes.fromhex(value["root"])
    entry, why = parse_line(leaf)
    path = [bytes.fromhex(each) for each in value["path"]]
    texts = [KeptText(salt=one["salt"], text=one["text"]) for one in value.get("texts", ())]
    troubles = []
    if {one.digest for one in texts} - set(digests_in(entry) if entry else ()):
        troubles.append("A text is not one that the entry had.")
    if not verify_inclusion(leaf, value["index"], value["size"], path, root):
        troubles.append("The path does not lead from the entry to the root.")
    if entry is None or entry.seq != value["index"] + 1:
        troubles.append(
            f"The entry is not entry {value['index'] + 1} of a log: {why or 'it has another number'}."
        )
    if (signed.head.size, signed.head.root) != (value["size"], value["root"]):
        troubles.append("The signed head is that of another log than the one that the path leads to.")
    if not signed.is_genuine():
        troubles.append("The signature does not fit the head.")
    earlier = value.get("extends")
    if earlier and not verify_consistency(
        earlier["size"],
        value["size"],
        [bytes.fromhex(each) for each in earlier["path"]],
        bytes.fromhex(earlier["root"]),
        root,
    ):
        troubles.append(f"The log is not proved to begin with the earlier {earlier['size']} entries.")
    return ProofCheck(
        valid=not troubles,
        troubles=tuple(troubles),
        entry=_shown(json.loads(leaf), with_texts(entry, texts)) if entry else {},
        entries=value["size"],
        archive=signed.head.archive,
        signed_at=signed.head.time,
        key=fingerprint(signed.key),
        extends=earlier["size"] if earlier else None,
    )


def _shown(stored: dict[str, Any], whole: Entry) -> dict[str, Any]:
    return {**stored, "subject": whole.subject, "details": whole.details}


def _parsed(content: bytes) -> dict[str, Any]:
    try:
        value = json.loads(content)
    except ValueError:
        value = None
    if not _is_proof(value):
        raise BadInputError(
            "This file is not a proof of a custody entry.",
            "Give a file that `evidence custody --prove ENTRY` printed; docs/formats.md shows its form.",
        )
    assert isinstance(value, dict)
    return value


def _is_proof(value: object) -> bool:
    if not isinstance(value, dict) or not _FIELDS <= value.keys() <= _FIELDS | {"extends", "texts"}:
        return False
    if not _are_texts(value.get("texts", [])):
        return False
    earlier = value.get("extends", {"size": 1, "root": "0" * 64, "path": []})
    return (
        isinstance(value["leaf"], str)
        and _is_utf8(value["leaf"])
        and all(_is_count(value[name]) for name in ("index", "size"))
        and _are_hashes([value["root"]])
        and _are_hashes(value["path"])
        and parse_head(value["head"]) is not None
        and isinstance(earlier, dict)
        and earlier.keys() == {"size", "root", "path"}
        and _is_count(earlier["size"])
        and _are_hashes([earlier["root"]])
        and _are_hashes(earlier["path"])
    )


def _are_texts(texts: object) -> bool:
    return isinstance(texts, list) and all(
        isinstance(one, dict)
        and one.keys() == {"salt", "text"}
        and all(isinstance(value, str) for value in one.values())
        and _is_utf8(one["text"])
        and len(one["salt"]) % 2 == 0
        and set(one["salt"]) <= set("0123456789abcdef")
        for one in texts
    )


def _is_utf8(text: str) -> bool:
    try:
        text.encode("utf-8")
    except UnicodeEncodeError:
        return False
    return True


def _is_count(value: object) -> bool:
    return type(value) is int and 0 <= value < 1 << 53


def _are_hashes(values: object) -> bool:
    return (
        isinstance(values, list)
        and len(values) <= _MAX_PATH
        and all(
            isinstance(each, str) and len(each) == 64 and set(each) <= set("0123456789abcdef")
            for each in values
        )
    )
