"""Copying off the card into the archive, each file read once, hashed, read back and compared."""

from __future__ import annotations

from evidence.cards.durable import (
    CopyStep,
    NameTakenError,
    hash_file,
    link_or_copy,
    place_copy,
    sweep_folder,
)

__all__ = ["CopyStep", "NameTakenError", "hash_file", "link_or_copy", "place_copy", "sweep_folder"]
