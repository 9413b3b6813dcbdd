"""May this card be erased? Yes when every file was verified in enough places, one of them off this computer.

Pure: what is known about the copies comes in, the verdict and its reasons go out.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from evidence.errors import BadInputError
from evidence.model import Refusal, Sha256

NAMED = 3
"""How many files a reason lists by name; it counts the others."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OnCard:
    """A file on the card, with its digest when it was kept, else with its refusal."""

    path: str
    """Relative to the card's root."""
    sha256: Sha256 | None = None
    refusal: Refusal | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CopyPlace:
    """One copy of a file."""

    place_id: str
    """The physical disk or service; two folders on one disk have the same id."""
    name: str
    """The name of the place in the settings."""
    off_computer: bool
    """True when the place survives the loss of this computer."""
    verified_at: datetime | None = None
    """When it was last read back and matched, aware; None if never."""
    found_bad_at: datetime | None = None
    """When it was last found altered, unreadable or gone, aware; None if never."""

    @property
    def counts(self) -> bool:
        """True when it was read back and matched, and not found bad since."""
        if self.verified_at is None:
            return False
        return self.found_bad_at is None or self.found_bad_at < self.verified_at


@dataclass(frozen=True, slots=True, kw_only=True)
class SafetyPolicy:
    """How many places must hold a file before the card may be erased. Raises BadInputError for too few."""

    places: int = 2
    """Different disks or services, including this computer's own."""
    off_computer: int = 1
    """How many of them off this computer; at least one."""

    def __post_init__(self) -> None:
        if self.places < 1 or self.off_computer < 1:
            raise BadInputError(
                f"A card cannot be called safe with {self.places} places, {self.off_computer} of them off this computer.",
                "Ask for one place or more, and at least one off this computer.",
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class CardVerdict:
    """Whether a card may be erased, with the reasons as sentences for the adjuster."""

    safe_to_erase: bool
    reasons: tuple[str, ...]


def card_verdict(
    files: Sequence[OnCard], copies: Mapping[Sha256, Sequence[CopyPlace]], policy: SafetyPolicy
) -> CardVerdict:
    """Judge a card by all files on it and all copies known of each.

    A copy counts when it was read back and matched and was not found bad since; copies on one
    disk are one place. A refused file blocks unless it is a system file. A
    card on which nothing was found is not called safe.
    """
    if not files:
        return CardVerdict(
            safe_to_erase=False,
            reasons=("No file was found on this card, so it is not called safe; look at it yourself.",),
        )
    kept = [file for file in files if file.sha256 is not None]
    lacking = [
        *_blocked(files),
        *_never_verified(kept, copies),
        *_too_few_places(kept, copies, policy.places),
        *_not_elsewhere(kept, copies, policy.off_computer),
    ]
    if lacking:
        return CardVerdict(safe_to_erase=False, reasons=(*lacking, *_found_bad(kept, copies)))
    return CardVerdict(safe_to_erase=True, reasons=(_all_well(files, kept, policy),))


def _blocked(files: Sequence[OnCard]) -> list[str]:
    """Files that are only on the card."""
    blocking = [
        file for file in files if file.sha256 is None and (file.refusal is None or file.refusal.blocks_erase)
    ]
    if not blocking:
        return []
    named = [
        f"{file.path} ({file.refusal.reason.rstrip('.') if file.refusal else 'not taken in'})"
        for file in blocking
    ]
    return [
        (
            f"{_many(len(blocking), 'was not kept and is', 'were not kept and are')} only on the card: "
            f"{_first(named)}. Look at {_them(len(blocking))} and copy by hand what matters before you erase the card."
        )
    ]


def _never_verified(kept: Sequence[OnCard], copies: Mapping[Sha256, Sequence[CopyPlace]]) -> list[str]:
    lost = [file.path for file in kept if not _good(file, copies)]
    if not lost:
        return []
    return [
        (
            f"{_many(len(lost), 'has', 'have')} no copy that was read back and matched: {_first(lost)}. "
            f"Run the intake of this card again."
        )
    ]


def _too_few_places(
    kept: Sequence[OnCard], copies: Mapping[Sha256, Sequence[CopyPlace]], needed: int
) -> list[str]:
    by_number: dict[int, list[str]] = {}
    for file in kept:
        number = len({copy.place_id for copy in _good(file, copies)})
        if 0 < number < needed:
            by_number.setdefault(number, []).append(file.path)
    return [
        f"{_many(len(paths), 'is', 'are')} in {_places(number)} of the {needed} needed "
        f"(folders on one disk are one place): {_first(paths)}. "
        f"Add another disk or share with `evidence target add NAME PATH`, then run `evidence backup`."
        for number, paths in sorted(by_number.items())
    ]


def _not_elsewhere(
    kept: Sequence[OnCard], copies: Mapping[Sha256, Sequence[CopyPlace]], needed: int
) -> list[str]:
    short = [
        file.path
        for file in kept
        if (good := _good(file, copies)) and len({c.place_id for c in good if c.off_computer}) < needed
    ]
    if not short:
        return []
    where = "anywhere off this computer" if needed == 1 else f"in {needed} places off this computer"
    return [
        (
            f"{_many(len(short), 'is', 'are')} not yet kept {where}: {_first(short)}. "
            f"Add a disk that is kept elsewhere with `evidence target add NAME PATH --off-computer`, "
            f"or connect it, then run `evidence backup`."
        )
    ]


def _found_bad(kept: Sequence[OnCard], copies: Mapping[Sha256, Sequence[CopyPlace]]) -> list[str]:
    """Explain why a place that has the file does not count."""
    bad: dict[str, list[str]] = {}
    for file in kept:
        for copy in copies.get(file.sha256 or Sha256(""), ()):
            if copy.found_bad_at is not None and not copy.counts:
                bad.setdefault(copy.name, []).append(file.path)
    return [
        f"The copy of {_files(len(paths))} on {name} was found bad and does not count: {_first(paths)}. "
        f"Run `evidence backup` to replace it, then `evidence verify`."
        for name, paths in sorted(bad.items())
    ]


def _all_well(files: Sequence[OnCard], kept: Sequence[OnCard], policy: SafetyPolicy) -> str:
    litter = len(files) - len(kept)
    rest = f" {_many(litter, 'is a system file', 'are system files')} and not needed." if litter else ""
    return (
        f"{_many(len(kept), 'was', 'were')} read back and matched in {_places(policy.places)} or more, "
        f"at least {policy.off_computer} off this computer.{rest}"
    )


def _good(file: OnCard, copies: Mapping[Sha256, Sequence[CopyPlace]]) -> list[CopyPlace]:
    return [copy for copy in copies.get(file.sha256 or Sha256(""), ()) if copy.counts]


def _first(names: Iterable[str]) -> str:
    listed = list(names)
    more = len(listed) - NAMED
    return ", ".join(listed[:NAMED]) + (f" and {more} more" if more > 0 else "")


def _files(number: int) -> str:
    return "1 file" if number == 1 else f"{number} files"


def _places(number: int) -> str:
    return "1 place" if number == 1 else f"{number} places"


def _many(number: int, one: str, more: str) -> str:
    return f"{_files(number)} {one if number == 1 else more}"


def _them(number: int) -> str:
    return "it" if number == 1 else "them"
