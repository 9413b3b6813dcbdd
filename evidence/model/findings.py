"""What a person should check."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """Something that a person should check: a code for programs, a sentence for people."""

    code: str
    message: str
    subject: str = ""
    """What it is about: a photo's sha256, a path, a requirement; empty when the context makes it clear."""
