"""The ground truth of every file on the drawn card, for later checks."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Self


@dataclass(frozen=True, slots=True, kw_only=True)
class TruePhoto:
    """One file: its claim, its true facets, and the facets that a card or sheet states."""

    card_path: str
    """Relative to the card's root, forward slashes."""
    claim: str | None
    role: str | None = None
    face: str | None = None
    component: str | None = None
    condition: str | None = None
    count: int | None = None
    stated: tuple[str, ...] = ()
    """The facets that a label card or a sheet states; the other facets are true but not stated."""
    special: str | None = None
    """rotated, blurred, doubled, truncated, video, text, litter; None for an ordinary photo."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """The whole card. `files` lists the photos in shooting order, then the other files."""

    files: tuple[TruePhoto, ...]
    claims: tuple[str, ...]
    """In the order they were visited."""
    complete: tuple[str, ...]
    """Claims whose photos meet the whole list."""
    without_divider: tuple[str, ...]
    """Claims whose sheet was not photographed."""

    def write(self, path: Path) -> None:
        """Write this as JSON."""
        path.write_text(json.dumps(asdict(self), indent=1) + "\n", encoding="utf-8")

    @classmethod
    def read(cls, path: Path) -> Self:
        """Read what `write` wrote."""
        table = json.loads(path.read_text(encoding="utf-8"))
        files = tuple(TruePhoto(**{**entry, "stated": tuple(entry["stated"])}) for entry in table["files"])
        lists = {name: tuple(table[name]) for name in ("claims", "complete", "without_divider")}
        return cls(files=files, **lists)
