"""Folders that nothing else may be made in: an archive, a bag, the folder of a backup target."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from evidence.archive.target_marker import MARKER
from evidence.errors import BadInputError

_SHOWN_BY: Final = (
    (Path(MARKER), "the folder of a backup target"),
    (Path("bagit.txt"), "a bag"),
    (Path("custody") / "custody.jsonl", "another archive"),
)
"""A file that shows what a folder is; the marker first, because a target holds a copy of the custody log too."""


def refuse_within(folder: Path) -> None:
    """Raise BadInputError when the folder of a new archive lies in another archive, a bag or a backup target."""
    for above in folder.absolute().parents:
        what = next((what for file, what in _SHOWN_BY if (above / file).is_file()), None)
        if what is not None:
            raise BadInputError(
                f"{folder} lies in {what}, {above}.", "Choose a new or empty folder outside of it."
            )
