"""Archives made once in a process and put back as they were for each test that changes them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path

from support_copy import copy_tree


class KeptFolders:
    """Folders by name: an archive, its backup target, its card."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def put(self, name: str, parts: Mapping[str, Path], make: Callable[[], object]) -> None:
        """Fill the places of `parts` as `make` fills them; `make` runs only the first time."""
        kept = self._folder / name
        if not kept.exists():
            make()
            for part, place in parts.items():
                copy_tree(place, kept / part)
        else:
            for part, place in parts.items():
                copy_tree(kept / part, place, dirs_exist_ok=True)
