"""May this card be erased? Yes when every file was verified in enough places that count now, one off this computer.

Pure: what is known about the copies, which places are reachable, and the time come in; the verdict and its
reasons go out.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from evidence.errors import BadInputError, counted
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
    def matched(self) -> bool:
        """True when it was read back and matched, and not found bad since."""
        if self.verified_at is None:
            return False
        return self.found_bad_at is None or self.found_bad_at < self.verified_at


@dataclass(frozen=True, slots=True, kw_only=True)
class SafetyPolicy:
    """When a card may be erased. Raises BadInputError for too few places or days."""

    places: int = 2
    """Different disks or services, including this computer's own."""
    off_computer: int = 1
    """How many of them off this computer; at least one."""
    read_back_days: int = 30
    """How long a place that cannot be reached counts after a copy was last read back there."""

    def __post_init__(self) -> None:
        if self.places < 1 or self.off_computer < 1 or self.read_back_days < 1:
            raise BadInputError(
                f"A card cannot be called safe with {self.places} places, {self.off_computer} of them off this "
                f"computer, read back within {self.read_back_days} days.",
                "Ask for one place or more, at least one off this computer, and one day or more.",
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class Now:
    """What is true at the moment of the verdict."""

    at: datetime
    """Aware."""
    places: Mapping[str, bool]
    """The places that the settings name, the archive itself among them: True for one that is reachable."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaceOfCard:
    """What one place holds of a card."""

    name: str
    files: int
    """Files that were read back there and matched, and not found bad since."""
    counted: int
    """Those of them that count now."""
    of: int
    """Files of the card that are kept."""
    bad: int
    """Files whose copy there was found bad and not verified since."""
    read_back: datetime | None
    """When the file that was read back longest ago was read back; None when none was."""
    named: bool
    """False when the settings no longer name the place: its copies do not count."""
    reachable: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class CardVerdict:
    """Whether a card may be erased, with the reasons as sentences for the adjuster."""

    safe_to_erase: bool
    reasons: tuple[str, ...]
    safe_as_seen: bool
    """True when every file that the run saw is safe; `safe_to_erase` also asks that none came since."""
    came_since: int
    """Files on the card that came or changed after its run listed it, as far as is known."""
    places: tuple[PlaceOfCard, ...]
    """Every named place, then those that the settings no longer name."""


def card_verdict(
    files: Sequence[OnCard],
    copies: Mapping[Sha256, Sequence[CopyPlace]],
    policy: SafetyPolicy,
    now: Now,
    *,
    purged: int = 0,
    came_since: int = 0,
) -> CardVerdict:
    """Judge a card by all files on it, all copies known of each, and the places that count now.

    A copy counts when it was read back and matched and was not found bad since, in a place that is
    named now and is reachable or was read back within `policy.read_back_days`. Copies on one disk
    are one place. A refused file blocks unless it is a system file. `purged` files are gone on
    purpose and need no copy. A card on which nothing was found is not called safe.
    """
    kept = [file for file in files if file.sha256 is not None]
    judge = _Judge(kept, copies, policy, now)
    lacking = [] if files or purged else [_NOTHING_FOUND]
    lacking += [*_blocked(files), *judge.lacking()]
    if lacking:
        reasons = [*lacking, *judge.not_counted()]
    else:
        reasons = [judge.all_well()] if kept else []
        litter = len(files) - len(kept)
        if litter:
            reasons.append(f"{_files_that(litter, 'is a system file', 'are system files')} and not needed.")
    if purged:
        reasons.append(_purged(purged, all_of_it=not kept))
    if came_since:
        reasons.append(
            f"{counted(came_since, 'file')} came or changed on this card since it was taken in. "
            f"Run `evidence intake` for this card again."
        )
    return CardVerdict(
        safe_to_erase=not lacking and not came_since,
        reasons=tuple(reasons),
        safe_as_seen=not lacking,
        came_since=came_since,
        places=tuple(judge.places()),
    )


_NOTHING_FOUND = "No file was found on this card, so it is not called safe; look at it yourself."


def _purged(number: int, *, all_of_it: bool) -> str:
    claims = "a claim that was" if number == 1 else "claims that were"
    start = "Nothing of this card is kept any more: " if all_of_it else ""
    return (
        f"{start}{counted(number, 'file')} belonged to {claims} purged since. The copies were removed on purpose; "
        f"the card may still hold {_them(number)}."
    )


class _Judge:
    """The kept files of a card and their copies, at one moment."""

    def __init__(
        self,
        kept: Sequence[OnCard],
        copies: Mapping[Sha256, Sequence[CopyPlace]],
        policy: SafetyPolicy,
        now: Now,
    ) -> None:
        self._kept, self._policy, self._now = kept, policy, now
        self._copies = [(file.path, copies.get(file.sha256 or Sha256(""), ())) for file in kept]
        self._since = now.at - timedelta(days=policy.read_back_days)

    def _counts(self, copy: CopyPlace) -> bool:
        return copy.matched and copy.name in self._now.places and not self._too_long_ago(copy)

    def _too_long_ago(self, copy: CopyPlace) -> bool:
        if self._now.places.get(copy.name):
            return False
        return copy.verified_at is None or copy.verified_at < self._since

    # --- what is lacking -----------------------------------------------------------------

    def lacking(self) -> list[str]:
        return [*self._never_verified(), *self._too_few_places(), *self._not_elsewhere()]

    def _never_verified(self) -> list[str]:
        lost = [path for path, copies in self._copies if not any(copy.matched for copy in copies)]
        if not lost:
            return []
        return [
            (
                f"{_files_that(len(lost), 'has', 'have')} no copy that was read back and matched: {_first(lost)}. "
                f"Run the intake of this card again."
            )
        ]

    def _by_places(self) -> dict[int, list[str]]:
        """The files in fewer places than needed, by the number of their places."""
        by_number: dict[int, list[str]] = {}
        for path, copies in self._copies:
            number = len({copy.place_id for copy in copies if self._counts(copy)})
            if number < self._policy.places and any(copy.matched for copy in copies):
                by_number.setdefault(number, []).append(path)
        return by_number

    def _in_too_few_places(self) -> list[str]:
        """The files that the one reason about places names; none when there are several such reasons."""
        by_number = self._by_places()
        return next(iter(by_number.values())) if len(by_number) == 1 else []

    def _too_few_places(self) -> list[str]:
        needed, by_number = self._policy.places, self._by_places()
        return [
            f"{_files_that(len(paths), 'is', 'are')} in {counted(number, 'place')} of the {needed} needed "
            f"(folders on one disk are one place): {_first(paths)}. "
            f"Add another disk or share with `evidence target add NAME PATH`, or connect it, then run `evidence backup`."
            for number, paths in sorted(by_number.items())
        ]

    def _not_elsewhere(self) -> list[str]:
        needed = self._policy.off_computer
        short = [
            path
            for path, copies in self._copies
            if any(copy.matched for copy in copies)
            and len({c.place_id for c in copies if c.off_computer and self._counts(c)}) < needed
        ]
        if not short:
            return []
        where = "anywhere off this computer" if needed == 1 else f"in {needed} places off this computer"
        named = short == self._in_too_few_places()
        which = "The same " + ("file is" if len(short) == 1 else "files are") if named else ""
        return [
            (
                f"{which or _files_that(len(short), 'is', 'are')} not kept {where} now"
                f"{'' if named else f': {_first(short)}'}. "
                f"Add a disk that is kept elsewhere with `evidence target add NAME PATH --off-computer`, "
                f"or connect it, then run `evidence backup`."
            )
        ]

    # --- why a copy does not count ---------------------------------------------------------

    def not_counted(self) -> list[str]:
        bad: dict[str, list[str]] = {}
        unnamed: dict[str, list[str]] = {}
        aged: dict[str, list[str]] = {}
        for path, copies in self._copies:
            for copy in copies:
                if not copy.matched:
                    if copy.found_bad_at is not None and copy.name in self._now.places:
                        bad.setdefault(copy.name, []).append(path)
                elif copy.name not in self._now.places:
                    unnamed.setdefault(copy.name, []).append(path)
                elif self._too_long_ago(copy):
                    aged.setdefault(copy.name, []).append(path)
        days = counted(self._policy.read_back_days, "day")
        return [
            *(
                f"The copy of {counted(len(paths), 'file')} on {name} was found bad and does not count: {_first(paths)}. "
                f"Run `evidence repair`."
                for name, paths in sorted(bad.items())
            ),
            *(
                f"The settings no longer name {name}, so its copy of {counted(len(paths), 'file')} does not count."
                for name, paths in sorted(unnamed.items())
            ),
            *(
                f"{name} is not connected, and its copy of {counted(len(paths), 'file')} was last read back more than "
                f"{days} ago. Connect it, then run `evidence verify`."
                for name, paths in sorted(aged.items())
            ),
        ]

    # --- what there is ----------------------------------------------------------------------

    def all_well(self) -> str:
        policy = self._policy
        return (
            f"{_files_that(len(self._kept), 'was', 'were')} read back and matched in {counted(policy.places, 'place')} or more, "
            f"at least {policy.off_computer} off this computer."
        )

    def places(self) -> Iterable[PlaceOfCard]:
        held: dict[str, list[CopyPlace]] = {name: [] for name in self._now.places}
        for _, copies in self._copies:
            for copy in copies:
                held.setdefault(copy.name, []).append(copy)
        for name, found in held.items():
            matched = [copy for copy in found if copy.matched]
            if not matched and name not in self._now.places:  # lost or replaced
                continue
            yield PlaceOfCard(
                name=name,
                files=len(matched),
                counted=sum(self._counts(copy) for copy in matched),
                of=len(self._kept),
                bad=sum(not copy.matched and copy.found_bad_at is not None for copy in found),
                read_back=min((copy.verified_at for copy in matched if copy.verified_at), default=None),
                named=name in self._now.places,
                reachable=self._now.places.get(name, False),
            )


def _blocked(files: Sequence[OnCard]) -> list[str]:
    """Files that are only on the card."""
    blocking = [
        file for file in files if file.sha256 is None and (file.refusal is None or file.refusal.blocks_erase)
    ]
    if not blocking:
        return []
    told: set[str] = set()
    named = [_with_reason(file, told) for file in blocking]
    return [
        (
            f"{_files_that(len(blocking), 'was not kept and is', 'were not kept and are')} only on the card: "
            f"{_first(named)}. Look at {_them(len(blocking))} and copy by hand what matters before you erase the card."
        )
    ]


def _with_reason(file: OnCard, told: set[str]) -> str:
    """The path, with the reason of its refusal unless one of its kind was `told`."""
    code = file.refusal.code if file.refusal else ""
    if code in told:
        return file.path
    told.add(code)
    return f"{file.path} ({file.refusal.reason.rstrip('.') if file.refusal else 'not taken in'})"


def _first(names: Iterable[str]) -> str:
    listed = list(names)
    more = len(listed) - NAMED
    return ", ".join(listed[:NAMED]) + (f" and {more} more" if more > 0 else "")


def _files_that(number: int, one: str, more: str) -> str:
    return counted(number, f"file {one}", f"files {more}")


def _them(number: int) -> str:
    return "it" if number == 1 else "them"
